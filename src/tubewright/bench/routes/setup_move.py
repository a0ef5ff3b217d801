"""One move of a control on a job: written down by itself, corrected, struck out, and what became of it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.answers.advise import RINGS, RingSetting, unit_of, ways
from tubewright.answers.advise_guard import WAYS, control_step
from tubewright.answers.advise_stored import UNITS, Shelf, part_id
from tubewright.answers.advise_typed import typed_amount
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.routes.records import caution_texts
from tubewright.bench.routes.round_guards import PART
from tubewright.bench.routes.setup import TheSettingUp
from tubewright.bench.setting_up import SettingUp, Told, gun_of
from tubewright.bench.setup_choices import asked_of
from tubewright.errors import ConflictError, Fault, InputError, UnknownRecordError
from tubewright.records.model import JobPage, MoveRecord

router = APIRouter(include_in_schema=False)

BECAME: Final[Mapping[str, str]] = {"wrong_way": "wrong_way", "undone": "undone", "at_stop": "at_stop"}
"""What a move may turn out to have been: the button's word and the record's field."""


def typed_move(read: FormReader, control: str, ring: RingSetting | None, *, part: str = "") -> dict[str, object]:
    """How a control was moved, as it was typed; faults go to their fields.

    Args:
        read: The form.
        control: Id of the control.
        ring: How the pair stood before it, for rings.
        part: Which part of it.
    """
    unit = UNITS["" if control == "degauss" else unit_of(control)]
    values: dict[str, object] = {"control": control, "part": part, "unit": unit}
    if control == "degauss":
        return values
    if control in RINGS:
        return values | _typed_ring(read, ring)
    try:
        typed = read.form.text("amount")
        if not typed:
            read.fault("amount", "this is empty", f"Type how far, in {UNITS[unit_of(control)]}: 1/8, 0.3.")
        else:
            values["amount"] = typed_amount(typed, control, "amount")
    except InputError as error:
        read.faults += error.faults
    way = read.choice("way", ways(control))
    if way is None and not any(one.where == "way" for one in read.faults):
        read.fault("way", "nothing is picked", "Say which way it was turned.")
    return values | {"direction": way or ""}


def _typed_ring(read: FormReader, ring: RingSetting | None) -> dict[str, object]:
    tabs = read.figure("tabs_mm", "number")
    if tabs is None and not read.faults:
        read.fault("tabs_mm", "this is empty", "Type how far the tabs of the pair stand apart now, in mm.")
    if tabs is not None and not 0 <= tabs <= 100:
        read.fault("tabs_mm", f"{tabs:g} mm is more than any ring opens", "Type mm, such as 6.5.")
    turned = read.figure("turned_deg", "number") or 0.0
    if not 0 <= turned <= 360:
        read.fault("turned_deg", f"{turned:g} degrees is no turn of a pair", "Type 0 to 360.")
    way = read.choice("way", ("clockwise", "anticlockwise")) or "clockwise"
    was = ring.angle_deg if ring is not None else 0.0
    return {
        "unit": "mm",
        "tabs_mm": tabs,
        "angle_deg": round(was + (turned if way == "clockwise" else -turned), 1),
    }


# -- anything else that was turned ---------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """What the form of one move begins with."""

    control: str
    part: str = ""
    amount: str = ""
    way: str = ""
    tabs_mm: str = ""
    turned_deg: str = ""
    flags: frozenset[str] = frozenset()
    note: str = ""
    before: bool = False


@router.get("/jobs/{job_id}/setup/moves/new")
def new_move(
    request: Request, bench: TheBench, setting_up: TheSettingUp, job_id: Id, control: str = "", before: str = ""
) -> Response:
    """The form for something that was turned without being advised, or looked at before the first photograph."""
    job = bench.store.job(job_id)
    if control and control not in bench.knowledge.controls:
        raise UnknownRecordError(Fault(what="there is no such control", where="control", mend="Pick one."))
    return _move_page(request, bench, setting_up, job, None, Typed(control=control, before=before == "yes"))


@router.post("/jobs/{job_id}/setup/moves/new")
def add_move(request: Request, bench: TheBench, setting_up: TheSettingUp, form: TheForm, job_id: Id) -> Response:
    """Write down something that was turned. What was done is done: no condition stands before its record."""
    job = bench.store.job(job_id)
    read = FormReader(form)
    control = read.choice("control", bench.knowledge.controls) or ""
    before = form.text("before") == "yes"
    try:
        if not control:
            read.fault("control", "nothing is picked", "Pick what was turned.")
            read.finish()
        told = setting_up.told(bench.store, bench.knowledge, job, asked_of(job))
        values = _typed_whole(read, bench, job, told, control)
        after = None if before or not told.gathered.photographs else told.gathered.photographs[-1]
        bench.store.add_move(job_id, {**values, "after_measurement_id": after}, by=bench.by(request))
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        typed = Typed(control=control, before=before)
        return _move_page(request, bench, setting_up, job, None, typed, status=422, **shown)
    return go(request, f"/jobs/{job_id}/setup#turned", said="move", job_id=job_id)


def _typed_whole(
    read: FormReader, bench: Bench, job: JobPage, told: Told, control: str, ring: RingSetting | None = None
) -> dict[str, object]:
    parts = Shelf(gun_of(job), bench.knowledge).parts.get(control, ())
    part = read.choice("part", [part_id(one) for one in parts]) or ""
    if parts and not part and not read.faults:
        read.fault("part", "nothing is picked", "Say which part of it was turned.")
    flags = {name: bool(read.form.text(name)) for name in BECAME}
    free = flags["at_stop"] and not read.form.text("amount") and not read.form.text("tabs_mm")
    if free:
        way = read.choice("way", ways(control)) if control not in RINGS else None
        unit = UNITS["" if control == "degauss" else unit_of(control)]
        values: dict[str, object] = {
            "control": control, "part": part, "unit": unit, "direction": way or "", "amount": None,
            "tabs_mm": None, "angle_deg": None,
        }  # fmt: skip
    else:
        ring = ring or told.gathered.rings.get(control)
        values = typed_move(read, control, ring, part=part)
    note = read.words("note", longest=1000)
    read.finish()
    return {**values, **flags, "note": note}


# -- one move ------------------------------------------------------------------------------------


def _record(job: JobPage, move_id: int) -> MoveRecord:
    found = next((one for one in job.moves if one.id == move_id), None)
    if found is None:
        raise UnknownRecordError(Fault(what="there is no such move on this job", where="move", mend="See its list."))
    return found


@router.get("/jobs/{job_id}/setup/moves/{move_id}")
def move(request: Request, bench: TheBench, setting_up: TheSettingUp, job_id: Id, move_id: Id) -> Response:
    """A move as it was written down, to be corrected or struck out."""
    job = bench.store.job(job_id)
    record = _record(job, move_id)
    return _move_page(request, bench, setting_up, job, record, _as_typed(job, record))


def _ring_before(job: JobPage, record: MoveRecord) -> RingSetting | None:
    """How the pair of rings of a move stood before it, as the moves before it tell."""
    stood: RingSetting | None = None
    for one in job.moves:
        if one.id == record.id:
            return stood
        if one.control == record.control and one.tabs_mm is not None and not one.undone:
            stood = RingSetting(tabs_mm=one.tabs_mm, angle_deg=one.angle_deg or 0.0)
    return stood


def _as_typed(job: JobPage, record: MoveRecord) -> Typed:
    way, turned = record.direction, ""
    if record.control in RINGS and record.angle_deg is not None:
        stood = _ring_before(job, record)
        by = record.angle_deg - (stood.angle_deg if stood else 0.0)
        way, turned = ("clockwise" if by >= 0 else "anticlockwise"), f"{abs(by):g}"
    return Typed(
        control=record.control,
        part=record.part,
        amount="" if record.amount is None else f"{abs(record.amount):g}",
        way=way,
        tabs_mm="" if record.tabs_mm is None else f"{record.tabs_mm:g}",
        turned_deg=turned,
        flags=frozenset(name for name in BECAME if getattr(record, name)),
        note=record.note,
        before=record.after_measurement_id is None,
    )


@router.post("/jobs/{job_id}/setup/moves/{move_id}")
def change_move(
    request: Request, bench: TheBench, setting_up: TheSettingUp, form: TheForm, job_id: Id, move_id: Id
) -> Response:
    """Store a corrected move, strike it out, or say in one touch what became of it."""
    job = bench.store.job(job_id)
    record = _record(job, move_id)
    read = FormReader(form)
    version = read.whole("version", most=10**9) or 0
    back = f"/jobs/{job_id}/setup#turned"
    try:
        if form.text("strike"):
            bench.store.remove_move(move_id, version=version, by=bench.by(request))
            return go(request, back, said="struck", job_id=job_id)
        became = form.text("became")
        if became in BECAME:
            changes: dict[str, object] = {BECAME[became]: not getattr(record, BECAME[became])}
        else:
            told = setting_up.told(bench.store, bench.knowledge, job, asked_of(job))
            stood = _ring_before(job, record) or RingSetting(tabs_mm=0.0)
            changes = _typed_whole(read, bench, job, told, record.control, stood)
        bench.store.edit_move(move_id, changes, version=version, by=bench.by(request))
    except ConflictError as error:
        now = bench.store.job(job_id)
        fresh = _record(now, move_id)
        return _move_page(
            request, bench, setting_up, now, fresh, _as_typed(now, fresh), status=409, fault_list=error.faults
        )
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _move_page(request, bench, setting_up, job, record, _as_typed(job, record), status=422, **shown)
    return go(request, back, said="move", job_id=job_id)


def _move_page(
    request: Request,
    bench: Bench,
    setting_up: SettingUp,
    job: JobPage,
    record: MoveRecord | None,
    now: Typed,
    *,
    status: int = 200,
    **more: object,
) -> Response:
    told = setting_up.told(bench.store, bench.knowledge, job, asked_of(job))
    control = bench.knowledge.controls.get(now.control)
    gun = gun_of(job)
    shelf = Shelf(gun, bench.knowledge)
    steps = [control_step(bench.knowledge, control.id, way) for way in WAYS] if control is not None else []
    asked = dict.fromkeys(one.caution for step in steps for one in step.conditions)
    here = told.gathered.setup.controls
    offered = [one for one in bench.knowledge.controls.values() if one.id in here]
    others = [one for one in bench.knowledge.controls.values() if one.id not in here and one.id not in shelf.other]
    context: dict[str, Any] = {
        "record": record,
        "now": now,
        "control": control,
        "controls": [(one.id, one.name) for one in (*offered, *others)],
        "cautions": caution_texts(bench, tuple(asked)),
        "ring": now.control in RINGS,
        "stands": told.gathered.rings.get(now.control),
        "ways": () if not now.control or now.control == "degauss" else ways(now.control),
        "parts": [(part_id(one), one.replace("_", " ")) for one in shelf.parts.get(now.control, ())],
        "unit": UNITS["" if now.control in {"", "degauss"} else unit_of(now.control)],
        "photographed": record is not None and record.id not in told.gathered.pending,
    }
    return job_page(request, "setup_move.html", job, PART, status=status, **{**context, **more})
