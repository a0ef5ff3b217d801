"""Is this source fit for this input: a page whose question stands in its address; and an attenuator beside it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final, TypeVar

from fastapi import APIRouter, Request, Response

from tubewright.answers import source as answers
from tubewright.answers.profile import named_chassis
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, page, wrong
from tubewright.bench.routes.job import TheBench
from tubewright.bench.routes.records import caution_checks, caution_texts
from tubewright.bench.security import Form
from tubewright.errors import Fault, InputError

router = APIRouter(include_in_schema=False)

Entry = TypeVar("Entry")

_FIELDS: Final = {
    "sync_low_v_pp": "sync_v",
    "sync_high_v_pp": "sync_v",
    "video_v_pp": "video_v",
    "coupling_uf": "coupling",
    "line_hz": "line_khz",
    "sync_ohm": "display_sync_ohm",
    "video_ohm": "display_video_ohm",
    "high_v": "display_sync_v",
    "line_low_hz": "display_khz",
    "line_high_hz": "display_khz",
    "field_low_hz": "display_hz",
    "field_high_hz": "display_hz",
    "level": "pad_level",
    "target": "pad_target",
    "source_ohm": "pad_behind",
    "line_ohm": "pad_wants",
    "load": "pad_load",
}
"""The page's field for a figure that the answer names."""
_YES_NO: Final = {"yes": True, "no": False}


@router.get("/reckon/source")
def source_page(request: Request, bench: TheBench, work: str = "") -> Response:
    """The form, filled from a profile where one is named; the fit, or an attenuator."""
    asked = Form([(name, value[:60]) for name, value in request.query_params.multi_items()])
    read = FormReader(asked)
    status, fit, pad = 200, None, None
    shown: dict[str, Any] = {"typed": asked.typed()}
    try:
        if work == "fit":
            fit = _fit(read, bench)
        elif work == "pad":
            pad = _pad(read, bench)
    except InputError as error:
        faults = [Fault(what=one.what, where=_FIELDS.get(one.where, one.where), mend=one.mend) for one in error.faults]
        status, shown = 422, wrong(by_field(faults), faults, asked)
    cautions = fit.cautions if fit else answers.FEEDING_CAUTIONS
    profile = bench.knowledge.chassis.get(asked.text("chassis"))
    return page(
        request,
        "source.html",
        status=status,
        cautions=caution_texts(bench, cautions),
        confirm=caution_checks(bench, cautions),
        levels=[(one.id, one.name) for one in bench.knowledge.level_standards.values()],
        rasters=[(name, f"{name}: {one.name}") for name, one in bench.knowledge.rasters.items()],
        profile_names=[(one.id, one.name) for one in bench.knowledge.chassis.values()],
        profile=profile,
        filled=answers.filled_words(profile) if profile else (),
        syncs=[(name, name.replace("_", " ")) for name in answers.SYNCS],
        polarities=[(name, name) for name in answers.POLARITIES],
        fit=fit,
        rows=answers.check_rows(fit) if fit else (),
        settles=answers.settle_rows(fit) if fit else (),
        pad=pad,
        **shown,
    )


def _fit(read: FormReader, bench: Bench) -> answers.SourceAnswer:
    knowledge, form = bench.knowledge, read.form
    theirs = _named(read, "levels", knowledge.level_standards)
    ours = _named(read, "made_for", knowledge.level_standards)
    raster = _named(read, "raster", knowledge.rasters)
    swing, line = read.figure("sync_v", "voltage"), read.figure("line_khz", "khz")
    given: dict[str, Any] = {
        "sync": read.choice("sync", answers.SYNCS),
        "line_polarity": read.choice("polarity", answers.POLARITIES),
        "field_polarity": read.choice("field_polarity", answers.POLARITIES),
        "sync_low_v_pp": swing,
        "sync_high_v_pp": swing,
        "sync_source_ohm": read.figure("sync_behind", "resistance"),
        "video_v_pp": read.figure("video_v", "voltage"),
        "video_source_ohm": read.figure("video_behind", "resistance"),
        "video_load_ohm": read.figure("video_at", "resistance"),
        "serrated": _YES_NO.get(form.text("serrations")),
        "coupling_uf": read.figure("coupling", "capacitance", default_unit="uF"),
        "line_hz": None if line is None else 1000 * line,
        "field_hz": read.figure("field_hz", "number"),
    }
    wanted: dict[str, Any] = {
        "sync": read.choice("display_sync", answers.SYNCS),
        "polarity": read.choice("display_polarity", answers.POLARITIES),
        "high_v": read.figure("display_sync_v", "voltage"),
        "sync_ohm": read.figure("display_sync_ohm", "resistance"),
        "video_v_pp": read.figure("display_video_v", "voltage"),
        "video_ohm": read.figure("display_video_ohm", "resistance"),
        "clamps": _YES_NO.get(form.text("clamps")),
        "more_loads": read.whole("more_loads", most=8),
    }
    khz, hertz = read.figure("display_khz", "khz"), read.figure("display_hz", "number")
    read.finish()
    source = answers.source_side(standard=theirs, raster=raster, given=given)
    display = answers.display_side(
        knowledge,
        standard=ours,
        chassis=named_chassis(form.text("chassis"), knowledge, where="chassis"),
        line_khz=khz,
        field_hz=hertz,
        given=wanted,
    )
    standards = tuple(dict.fromkeys(one for one in (theirs, ours) if one is not None))
    return answers.answer_source(source, display, knowledge, standards=standards)


def _named(read: FormReader, field: str, held: Mapping[str, Entry]) -> Entry | None:
    return held.get(read.choice(field, held) or "")


def _pad(read: FormReader, bench: Bench) -> answers.Pad:
    line = bench.knowledge.value("line_impedance_ohm")
    level, target = read.figure("pad_level", "voltage"), read.figure("pad_target", "voltage")
    ohms = [read.figure(field, "resistance") for field in ("pad_behind", "pad_wants", "pad_load")]
    noted = {fault.where for fault in read.faults}
    for field, value in (("pad_level", level), ("pad_target", target)):
        if value is None and field not in noted:
            read.fault(field, "this is empty", "Type its figure.")
    read.finish()
    behind, wants, load = (line if value is None else value for value in ohms)
    return answers.pad(
        level_v_pp=level or 0.0,
        target_v_pp=target or 0.0,
        source_ohm=behind,
        wants_ohm=wants,
        load_ohm=load,
        share=bench.knowledge.value("source_level_share"),
    )
