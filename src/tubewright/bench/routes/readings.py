"""The readings of a job: typed as fast as they are read off, changed, struck out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.bench import words
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.lan.once import sent_once, typed_at
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page, standing
from tubewright.bench.routes.records import caution_checks, caution_texts
from tubewright.bench.security import Form
from tubewright.case import GUNS, ReadingKind
from tubewright.errors import ConflictError, Fault, InputError, UnknownRecordError
from tubewright.records.model import JobPage, ReadingRecord

router = APIRouter(include_in_schema=False)
EMISSION_UNITS: Final = ("uA", "mA", "percent", "div", "rel")
_HINTS: Final = {**words.UNITS, "rel": "× good"}
"""What an empty emission field shows; a phone has room for one short word."""

READ_CAUTIONS: Final = (
    "local_rules",
    "anode_charge",
    "recharge",
    "primary_reservoir",
    "implosion",
    "test_voltage",
    "gate_power_off",
    "gate_vacuum_seen",
)
"""The instrument goes onto the neck of a tube that may still be charged, and lights its heater."""


@dataclass(frozen=True, slots=True, kw_only=True)
class GridRow:
    """One row of the grid: what is read, and with which heater."""

    id: str
    name: str
    kind: ReadingKind
    unit: str
    turned_down: bool = False


ROWS: Final = (
    GridRow(id="emission", name="Emission", kind="emission", unit=""),
    GridRow(id="reduced", name="Emission, heater turned down", kind="emission", unit="", turned_down=True),
    GridRow(id="cutoff", name="Cutoff", kind="cutoff", unit="V"),
    GridRow(id="hk", name="Leakage heater–cathode", kind="leakage_heater_cathode", unit="MΩ"),
    GridRow(id="kg1", name="Leakage cathode–grid 1", kind="leakage_cathode_grid1", unit="MΩ"),
    GridRow(id="g1g2", name="Leakage grid 1–grid 2", kind="leakage_grid1_grid2", unit="MΩ"),
    GridRow(id="gas", name="Gas", kind="gas", unit="µA"),
)


@router.get("/jobs/{job_id}")
def readings(request: Request, bench: TheBench, job_id: Id) -> Response:
    """The readings page of a job."""
    return _readings_page(request, bench, job_id)


def _readings_page(request: Request, bench: Bench, job_id: int, *, status: int = 200, **more: object) -> Response:
    job = bench.store.job(job_id)
    sitting = _sitting(job)
    return job_page(
        request,
        "job_readings.html",
        job,
        "Readings",
        status=status,
        grid_rows=ROWS,
        sitting=sitting,
        emission_hint=_HINTS.get(sitting["emission_unit"], "with unit"),
        sitting_words=_sitting_words(sitting),
        sitting_open=not job.readings or status != 200,
        instruments=bench.store.instruments(),
        first_visit=not job.readings and status == 200,
        cautions=caution_texts(bench, READ_CAUTIONS),
        confirm=caution_checks(bench, READ_CAUTIONS),
        **standing(request, bench, job),
        **more,
    )


def _sitting(job: JobPage) -> Mapping[str, str]:
    """How the last emission reading was taken; a new sitting usually goes on alike."""
    rated = job.tube.tube.heater_v if job.tube else None
    out = {
        "instrument": "",
        "emission_unit": "",
        "reference": "",
        "reference_cutoff_v": "",
        "full_scale": "",
        "heater_v": words.number(rated) if rated is not None else "",
        "reduced_heater_v": "",
        "g2_v": "",
        "stage": "after" if job.treatments else "",
    }
    emission = [r.reading for r in job.readings if r.reading.kind == "emission"]
    heaters = [r.heater_v for r in emission if r.heater_v is not None]
    for r in emission:
        out["emission_unit"] = r.unit
        for name in ("reference", "reference_cutoff_v", "full_scale", "g2_v"):
            value = getattr(r, name)
            if value is not None:
                out[name] = words.number(value, 6)
        if r.instrument:
            out["instrument"] = r.instrument
    if heaters:
        out["heater_v"] = words.number(max(heaters))
        if min(heaters) < 0.97 * max(heaters):
            out["reduced_heater_v"] = words.number(min(heaters))
    return out


def _sitting_words(sitting: Mapping[str, str]) -> str:
    """The sitting in one line, for when its fields are folded away."""
    unit = words.UNITS.get(sitting["emission_unit"], "")
    parts = (
        sitting["instrument"],
        f"good gun {sitting['reference']} {unit}" if sitting["reference"] else "",
        f"heater {sitting['heater_v']} V" if sitting["heater_v"] else "",
        f"turned down {sitting['reduced_heater_v']} V" if sitting["reduced_heater_v"] else "",
        f"grid 2 {sitting['g2_v']} V" if sitting["g2_v"] else "",
        words.STAGES.get(sitting["stage"], ""),
    )
    return ", ".join(part for part in parts if part) or "not said yet"


@router.post("/jobs/{job_id}/readings")
@sent_once
def add_readings(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Store what was typed into the grid: all of it, or nothing and every fault at its field."""
    try:
        stored = store_grid(request, bench, form, job_id)
    except UnknownRecordError:
        raise
    except InputError as error:
        return grid_again(request, bench, form, job_id, error)
    if not stored:
        nothing = Fault(what="there is no reading in the grid", where="", mend="Type at least one figure.")
        return grid_again(request, bench, form, job_id, InputError(nothing))
    return go(request, f"/jobs/{job_id}", said="readings", job_id=job_id)


def grid_again(request: Request, bench: Bench, form: Form, job_id: int, error: InputError) -> Response:
    """The readings page with the faults at their fields and all that was typed."""
    return _readings_page(request, bench, job_id, status=422, **wrong(by_field(error.faults), error.faults, form))


def store_grid(request: Request, bench: Bench, form: Form, job_id: int) -> int:
    """Store the grid's readings; gives how many there were.

    Raises:
        InputError: With every fault; nothing is stored then.
    """
    read = FormReader(form)
    shared, emission = _conditions(read)
    reduced_v = read.figure("reduced_heater_v", "voltage")
    # What waited on a phone was read when it was typed, not when it came.
    at = typed_at(form, bench.store.clock())
    if at is not None:
        shared["at"] = at
    found: list[tuple[str, dict[str, object]]] = []
    for gun in GUNS:
        for row in ROWS:
            field = f"{gun}_{row.id}"
            value = _cell(read, field, row)
            if value is None:
                continue
            reading: dict[str, object] = {"gun": gun, "kind": row.kind, "value": value[0], "unit": value[1], **shared}
            if row.kind == "emission":
                _add_reference(read, field, reading, emission)
            if row.turned_down:
                reading["heater_v"] = reduced_v
                if reduced_v is None:
                    read.fault(
                        "reduced_heater_v", "this is empty", "Say what the heater was turned down to, such as 5.5 V."
                    )
            found.append((field, reading))
    for field, kind in (("whole_heater_current", "heater_current"), ("whole_heater_voltage", "heater_voltage")):
        value = read.figure_with_unit(field, kind)
        if value is not None:
            kept = {name: shared.get(name) for name in ("minutes_on", "instrument", "stage", "at")}
            found.append((field, {"kind": kind, "value": value[0], "unit": value[1], **kept}))
    read.faults = list(dict.fromkeys(read.faults))
    read.finish()
    if not found:
        return 0
    clean = [{name: value for name, value in reading.items() if value is not None} for _, reading in found]
    try:
        bench.store.add_readings(job_id, clean, by=bench.by(request))
    except UnknownRecordError:
        raise
    except InputError as error:
        raise InputError([_at_field(fault, [field for field, _ in found]) for fault in error.faults]) from error
    return len(found)


def _cell(read: FormReader, field: str, row: GridRow) -> tuple[float, str] | None:
    unit = read.form.text("emission_unit") if row.kind == "emission" else ""
    return read.figure_with_unit(field, row.kind, default_unit=unit if unit in EMISSION_UNITS else None)


def _conditions(read: FormReader) -> tuple[dict[str, object], dict[str, tuple[float, str]]]:
    """What holds for the whole sitting, and what belongs to emission readings only."""
    unit = read.choice("emission_unit", EMISSION_UNITS)
    shared: dict[str, object] = {
        "heater_v": read.figure("heater_v", "voltage"),
        "g2_v": read.figure("g2_v", "voltage"),
        "minutes_on": read.figure("minutes_on", "minutes"),
        "instrument": read.words("instrument") or None,
        "stage": read.choice("stage", words.STAGES),
    }
    emission: dict[str, tuple[float, str]] = {}
    for name, kind in (("reference", "emission"), ("full_scale", "emission"), ("reference_cutoff_v", "cutoff")):
        value = read.figure_with_unit(name, kind, default_unit=unit if kind == "emission" else None)
        if value is not None:
            emission[name] = value
    return shared, emission


def _add_reference(
    read: FormReader, field: str, reading: dict[str, object], emission: Mapping[str, tuple[float, str]]
) -> None:
    for name, (value, unit) in emission.items():
        if name != "reference_cutoff_v" and unit != reading["unit"]:
            read.fault(
                field,
                f"this is in {words.UNITS[str(reading['unit'])]}, but “{_LABELS[name]}” is in {words.UNITS[unit]}",
                "Give both in the same unit.",
            )
        reading[name] = value


_LABELS: Final = {"reference": "A good gun shows", "full_scale": "Full scale of the instrument"}


def _at_field(fault: Fault, fields: list[str]) -> Fault:
    """A fault of the store's, at the grid's field: ``readings[2].value`` is the third that was typed."""
    head, _, rest = fault.where.partition("]")
    number = head.removeprefix("readings[")
    if number.isdigit() and int(number) < len(fields):
        shared = rest.removeprefix(".")
        field = shared if shared in {"heater_v", "g2_v", "minutes_on", "instrument"} else fields[int(number)]
        return Fault(what=fault.what, where=field, mend=fault.mend)
    return fault


# -- one reading ------------------------------------------------------------------------------


@router.get("/jobs/{job_id}/readings/{reading_id}")
def reading(request: Request, bench: TheBench, job_id: Id, reading_id: Id) -> Response:
    """One reading, to be changed or struck out."""
    return _reading_page(request, bench, job_id, bench.store.reading(reading_id))


def _reading_page(
    request: Request, bench: Bench, job_id: int, record: ReadingRecord, *, status: int = 200, **more: object
) -> Response:
    if record.job_id != job_id:
        raise UnknownRecordError(Fault(what="that reading is of another job", where="reading", mend="Look at its job."))
    job = bench.store.job(job_id)
    context: dict[str, Any] = {"r": record, "theirs": None, **more}
    return job_page(request, "reading.html", job, "Readings", status=status, **context)


@router.post("/jobs/{job_id}/readings/{reading_id}")
def change_reading(request: Request, bench: TheBench, form: TheForm, job_id: Id, reading_id: Id) -> Response:
    """Correct a reading or strike it out; if somebody else was quicker, show both and let the person choose."""
    record = bench.store.reading(reading_id)
    if record.job_id != job_id:
        raise UnknownRecordError(Fault(what="that reading is of another job", where="reading", mend="Look at its job."))
    read = FormReader(form)
    version = read.whole("version", most=10**9) or 0
    try:
        if form.text("strike"):
            bench.store.remove_reading(reading_id, version=version, by=bench.by(request))
            return go(request, f"/jobs/{job_id}", said="struck", job_id=job_id)
        changed = _changed(read, record)
        bench.store.edit_reading(reading_id, changed, version=version, by=bench.by(request))
    except ConflictError as error:
        now = bench.store.reading(reading_id)
        if form.text("strike"):
            shown = {"fault_list": error.faults, "typed": {"version": str(now.version)}}
            return _reading_page(request, bench, job_id, now, status=409, **shown)
        return _reading_page(request, bench, job_id, now, status=409, theirs=now, typed=form.typed())
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _reading_page(request, bench, job_id, record, status=422, **shown)
    return go(request, f"/jobs/{job_id}", said="reading", job_id=job_id)


def _changed(read: FormReader, record: ReadingRecord) -> dict[str, object]:
    """The reading as it was typed; what the form doesn't hold stays as it is."""
    old = record.reading
    value = read.figure_with_unit("value", old.kind, default_unit=old.unit)
    if value is None and not read.faults:
        read.fault("value", "this is empty", "Type the figure, or strike the reading out.")
    changed: dict[str, object] = {
        "gun": old.gun,
        "kind": old.kind,
        "at": old.at,
        "spread": old.spread,
        "heater_v": read.figure("heater_v", "voltage"),
        "g2_v": read.figure("g2_v", "voltage"),
        "minutes_on": read.figure("minutes_on", "minutes"),
        "instrument": read.words("instrument") or None,
        "stage": read.choice("stage", words.STAGES),
    }
    if value is not None:
        changed["value"], changed["unit"] = value
    if old.kind == "emission":
        for name in ("reference", "full_scale"):
            found = read.figure_with_unit(name, "emission", default_unit=value[1] if value else old.unit)
            if found is not None and value is not None and found[1] != value[1]:
                read.fault(name, f"this is in {words.UNITS[found[1]]}", f"Give it in {words.UNITS[value[1]]}, too.")
            changed[name] = found[0] if found else None
        changed["reference_cutoff_v"] = read.figure("reference_cutoff_v", "cutoff")
    read.finish()
    return {name: value for name, value in changed.items() if value is not None}
