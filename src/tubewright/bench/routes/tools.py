"""Instruments and their calibration, and the arithmetic of a heater's supply."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Path, Request, Response

from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, bench_of, form_of, go, page, wrong
from tubewright.bench.routes.records import caution_checks, caution_texts
from tubewright.bench.security import Form
from tubewright.case import UNITS_OF
from tubewright.errors import InputError, UnknownRecordError
from tubewright.records.model import KnownGoodRecord

router = APIRouter(include_in_schema=False)
TheBench = Annotated[Bench, Depends(bench_of)]
TheForm = Annotated[Form, Depends(form_of)]
Id = Annotated[int, Path(ge=1, le=2**31 - 1)]

READING_CAUTIONS: Final = ("anode_charge", "recharge", "implosion")
MEASURING_CAUTIONS: Final = ("local_rules", "anode_charge", "recharge", "mains_live", "hot_chassis", "eht_live")
FITTING_CAUTIONS: Final = (
    "local_rules",
    "anode_charge",
    "recharge",
    "primary_reservoir",
    "heater_excess",
    "gate_power_off",
)


@router.get("/instruments")
def instruments(request: Request, bench: TheBench) -> Response:
    """The shop's instruments and what calibrates them."""
    return _instruments_page(request, bench)


def _instruments_page(request: Request, bench: Bench, *, status: int = 200, **more: object) -> Response:
    good: dict[int, list[KnownGoodRecord]] = {}
    for record in bench.store.known_good():
        good.setdefault(record.instrument_id, []).append(record)
    context: dict[str, Any] = {
        "instruments": bench.store.instruments(),
        "good": good,
        "cautions": caution_texts(bench, READING_CAUTIONS),
        "wrong_at": 0,
        **more,
    }
    return page(request, "instruments.html", status=status, **context)


@router.post("/instruments")
def add_instrument(request: Request, bench: TheBench, form: TheForm) -> Response:
    """Add an instrument."""
    read = FormReader(form)
    try:
        name = read.words("name", longest=200, needed="Name it as you would say it.")
        notes = read.words("notes", longest=2000)
        read.finish()
        bench.store.add_instrument(name, notes=notes, by=bench.by(request))
    except InputError as error:
        return _instruments_page(request, bench, status=422, **wrong(by_field(error.faults), error.faults, form))
    return go(request, "/instruments", said="instrument")


@router.post("/instruments/{instrument_id}/known-good")
def add_known_good(request: Request, bench: TheBench, form: TheForm, instrument_id: Id) -> Response:
    """Write down a reading on a gun known to be good."""
    read = FormReader(form)
    try:
        value = read.figure_with_unit("value", "emission")
        if value is None and not read.faults:
            read.fault("value", "this is empty", "Type what the instrument showed, such as 450uA.")
        cutoff_v, g2_v = read.figure("cutoff_v", "cutoff"), read.figure("g2_v", "voltage")
        label = read.words("tube_label")
        read.finish()
        assert value is not None  # noqa: S101 - finish() raised otherwise
        unit = next(u for u in UNITS_OF["emission"] if u == value[1])
        bench.store.add_known_good(
            instrument_id,
            value=value[0],
            unit=unit,
            cutoff_v=cutoff_v,
            g2_v=g2_v,
            tube_label=label,
            by=bench.by(request),
        )
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _instruments_page(request, bench, status=422, wrong_at=instrument_id, **shown)
    return go(request, "/instruments", said="known_good")


@router.get("/heater")
def heater(request: Request, bench: TheBench, work: str = "") -> Response:
    """Reckon true RMS, a series resistor, or turns; the question stands in the address."""
    asked = Form([(name, value[:60]) for name, value in request.query_params.multi_items()])
    read = FormReader(asked)
    answers = {"rms": "", "resistor": "", "turns": ""}
    status, shown = 200, {"typed": asked.typed()}
    if work in answers:
        try:
            answers[work] = _RECKONERS[work](read)
        except InputError as error:
            status, shown = 422, wrong(by_field(error.faults), error.faults, asked)
    return page(
        request,
        "heater.html",
        status=status,
        answers=answers,
        measuring=caution_texts(bench, MEASURING_CAUTIONS),
        fitting=caution_texts(bench, FITTING_CAUTIONS),
        confirm=caution_checks(bench, FITTING_CAUTIONS),
        **shown,
    )


def _needed(read: FormReader, field: str, kind: str) -> float:
    """A figure that must be there and above zero; a fault is noted otherwise."""
    value = read.figure(field, kind)
    if value is None:
        if not any(fault.where == field for fault in read.faults):
            read.fault(field, "this is empty", "Type its figure.")
        return 1.0
    if value <= 0:
        read.fault(field, "this must be more than zero", "Check the figure.")
        return 1.0
    return value


def _rms(read: FormReader) -> str:
    from tubewright.physics.pulses import PulseShape, pulse_train

    height, width_us = _needed(read, "height", "voltage"), _needed(read, "width", "number")
    line_khz = _needed(read, "line", "khz")
    shapes: tuple[PulseShape, ...] = ("half_sine", "rectangle", "triangle")
    shape = next((s for s in shapes if s == read.form.text("shape")), shapes[0])
    read.finish()
    try:
        train = pulse_train(
            shape, height, width_us * 1e-6, 1e-3 / line_khz, ac_coupled=read.form.text("coupling") != "direct"
        )
    except ValueError:
        read.fault("width", "the pulse is longer than the line", "Check width and line rate.")
        read.finish()
        raise
    true, shown = float(train.rms_v), float(train.average_meter_v)
    return f"True RMS: {true:.2f} V. An AC meter that averages would show {shown:.2f} V."


def _resistor(read: FormReader) -> str:
    from tubewright.physics.pulses import series_resistor

    source, target = _needed(read, "source", "voltage"), _needed(read, "target", "voltage")
    current = _needed(read, "current", "heater_current")
    if not read.faults and source < target:
        read.fault("source", "the supply is below the target", "No resistor raises a voltage; look at the feed first.")
    read.finish()
    drop = series_resistor(source, target, current)
    return (
        f"Series resistor: {float(drop.resistance_ohm):.2g} ohm; it turns {float(drop.dissipation_w):.2g} W into heat. "
        f"Choose one rated for {float(drop.rating_w):.2g} W or more, flameproof, stood off the board. "
        "Check the heater with a true-RMS meter afterwards."
    )


def _turns(read: FormReader) -> str:
    from tubewright.physics.pulses import turns_for_target

    target, trial = _needed(read, "wanted", "voltage"), _needed(read, "trial", "voltage")
    count = _needed(read, "trial_turns", "number")
    read.finish()
    winding = turns_for_target(target, trial, count)
    short = float(winding.short_by_v)
    missing = f", {short:.2f} V short of it" if short >= 0.005 else ""
    return (
        f"Exactly {float(winding.exact_turns):.2f} turns; wind {int(winding.whole_turns)}, which give "
        f"{float(winding.whole_turns_v):.2f} V{missing}. Never more on the first trial. "
        "Check the heater with a true-RMS meter."
    )


_RECKONERS: Final = {"rms": _rms, "resistor": _resistor, "turns": _turns}
