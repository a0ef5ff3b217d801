"""Instruments and their calibration, and the arithmetic of a heater's supply."""

from __future__ import annotations

from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.answers.heater import (
    FITTING_CAUTIONS,
    MEASURING_CAUTIONS,
    SHAPES,
    HeaterAnswer,
    dropping_resistor,
    pulsed_supply,
    renamed,
    winding_turns,
)
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, go, page, wrong
from tubewright.bench.routes.job import Id, TheBench, TheForm
from tubewright.bench.routes.readings import READ_CAUTIONS
from tubewright.bench.routes.records import caution_checks, caution_texts
from tubewright.bench.security import Form
from tubewright.case import UNITS_OF
from tubewright.errors import InputError, UnknownRecordError
from tubewright.records.model import KnownGoodRecord

router = APIRouter(include_in_schema=False)


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
        "cautions": caution_texts(bench, READ_CAUTIONS),
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
            answers[work] = _RECKONERS[work](read).words
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
    """A figure that must be there; a fault is noted otherwise."""
    value = read.figure(field, kind)
    if value is None and not any(fault.where == field for fault in read.faults):
        read.fault(field, "this is empty", "Type its figure.")
    return value or 0.0


def _rms(read: FormReader) -> HeaterAnswer:
    height, width_us = _needed(read, "height", "voltage"), _needed(read, "width", "number")
    line_khz = _needed(read, "line", "khz")
    read.finish()
    shape = next((s for s in SHAPES if s == read.form.text("shape")), SHAPES[0])
    return pulsed_supply(
        shape,
        height_v=height,
        width_us=width_us,
        line_khz=line_khz,
        ac_coupled=read.form.text("coupling") != "direct",
    )


def _resistor(read: FormReader) -> HeaterAnswer:
    source, target = _needed(read, "source", "voltage"), _needed(read, "target", "voltage")
    current = _needed(read, "current", "heater_current")
    read.finish()
    return dropping_resistor(source_v=source, target_v=target, current_a=current)


def _turns(read: FormReader) -> HeaterAnswer:
    # The page has a target for the resistor already.
    target, trial = _needed(read, "wanted", "voltage"), _needed(read, "trial", "voltage")
    count = _needed(read, "trial_turns", "number")
    read.finish()
    return renamed({"target": "wanted"}, lambda: winding_turns(target_v=target, trial_v=trial, trial_turns=count))


_RECKONERS: Final = {"rms": _rms, "resistor": _resistor, "turns": _turns}
