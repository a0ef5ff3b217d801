"""Rasters: chosen by name, reckoned by formula or fitted to a chassis; drawn, in figures, as mode line and EDID."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response

from tubewright.answers.raster import (
    FEEDING_CAUTIONS,
    RasterAnswer,
    chassis_of,
    describe_raster,
    fit_wish,
    time_rows,
)
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, page, wrong
from tubewright.bench.routes.job import TheBench
from tubewright.bench.routes.records import caution_checks, caution_texts
from tubewright.bench.security import Form
from tubewright.errors import Fault, InputError, RefusedError, TubewrightError, UnknownRecordError
from tubewright.picture.patterns.chassis import CHASSIS_CLASSES
from tubewright.picture.patterns.edid import edid
from tubewright.picture.patterns.rasters import MOUNTINGS, Mounting, find_raster, library
from tubewright.picture.patterns.timing_formulas import cvt, gtf
from tubewright.picture.patterns.timing_numbers import CVT_RULES

router = APIRouter(include_in_schema=False)

FIRST: Final = "arcade-15k-320x240"
_FORMULAS: Final = (
    ("xcvt", "CVT, as the program cvt"),
    ("1.2", "CVT 1.2, by the standard"),
    ("1.1", "CVT 1.1, by the standard"),
    ("gtf", "GTF"),
)
_CLASSES: Final = tuple(
    (name, f"about {chassis.line_low_hz / 1e3:.0f} kHz") for name, chassis in CHASSIS_CLASSES.items()
)
_FIELDS: Final = {
    "line_hz": "line_low",
    "field_hz": "rate",
    "line_blanking_s": "retrace",
    "field_blanking_s": "field_retrace",
    "clock_high_hz": "clock",
    "raster": "name",
    "height": "height",
    "width": "width",
}
"""What the answers call a field, and what the page calls it."""


@router.get("/rasters")
def rasters(request: Request, bench: TheBench, work: str = "") -> Response:
    """One raster with all its figures, and the ways to another; the question stands in the address."""
    asked = Form([(name, value[:60]) for name, value in request.query_params.multi_items()])
    held = library(bench.knowledge.rasters.values())
    status, shown, found, refused = 200, {"typed": asked.typed()}, None, ""
    try:
        found = _answer(work, asked, bench) if work else None
    except RefusedError as error:
        status, refused = (
            422,
            " ".join(f"{fault.what[:1].upper()}{fault.what[1:]}. {fault.mend}" for fault in error.faults),
        )
    except InputError as error:
        status, shown = 422, wrong(by_field(error.faults, _FIELDS), _named(error), asked)
    offered, edid_remarks = _edid_remarks(found)
    return page(
        request,
        "rasters.html",
        status=status,
        cautions=caution_texts(bench, FEEDING_CAUTIONS),
        confirm=caution_checks(bench, FEEDING_CAUTIONS),
        names=[(name, f"{name}: {bench.knowledge.rasters[name].name}") for name in held],
        first=FIRST,
        formulas=_FORMULAS,
        classes=_CLASSES,
        mounts=[(name, name) for name in MOUNTINGS],
        found=found,
        tables=_tables(found) if found else (),
        line=_line_drawing(found) if found else None,
        field=_field_drawing(found) if found else None,
        edid_query=urlencode([(name, value) for name, value in asked.pairs if value]) if found else "",
        edid_offered=offered,
        edid_remarks=edid_remarks,
        refused=refused,
        **shown,
    )


@router.get("/rasters/raster.bin")
def edid_file(request: Request, bench: TheBench, work: str = "") -> Response:
    """The EDID of the raster that the address asks for: 128 bytes to keep."""
    asked = Form([(name, value[:60]) for name, value in request.query_params.multi_items()])
    answer = _answer(work, asked, bench)
    made = edid(answer.raster, year=dt.datetime.now(dt.UTC).year)
    name = "".join(char for char in answer.raster.name if char.isalnum() or char in "-.")
    return Response(
        made.block,
        media_type="application/octet-stream",
        headers={"content-disposition": f'attachment; filename="{name}.edid.bin"', "cache-control": "no-store"},
    )


def _answer(work: str, asked: Form, bench: Bench) -> RasterAnswer:
    if work not in _WORKS:
        raise UnknownRecordError(Fault(what="There is no such way to a raster", where="", mend="Begin at the page."))
    return _WORKS[work](FormReader(asked), bench)


def _edid_remarks(answer: RasterAnswer | None) -> tuple[bool, tuple[str, ...]]:
    """Whether EDID can hold the raster, and what is to say of it."""
    if answer is None:
        return False, ()
    try:
        return True, edid(answer.raster).remarks
    except RefusedError as error:
        return False, tuple(f"{fault.what}." for fault in error.faults)


def _named(error: TubewrightError) -> tuple[Fault, ...]:
    return tuple(
        Fault(what=fault.what, where=_FIELDS.get(fault.where, fault.where), mend=fault.mend) for fault in error.faults
    )


def _mounting(read: FormReader, field: str) -> Mounting:
    chosen = read.choice(field, MOUNTINGS)
    return next((one for one in MOUNTINGS if one == chosen), MOUNTINGS[0])


def _by_name(read: FormReader, bench: Bench) -> RasterAnswer:
    name, mounting = read.form.text("name") or FIRST, _mounting(read, "mount")
    read.finish()
    raster = find_raster(library(bench.knowledge.rasters.values()), name)
    return describe_raster(raster, mounting=mounting, facts=bench.knowledge.rasters[raster.name])


def _by_formula(read: FormReader, _bench: Bench) -> RasterAnswer:
    wish = _wish(read, "f_")
    chosen = read.choice("formula", [name for name, _ in _FORMULAS]) or "xcvt"
    interlaced = read.form.text("interlaced") == "on"
    read.finish()
    try:
        if chosen == "gtf":
            return describe_raster(gtf(*wish, interlaced=interlaced))
        rule = next((one for one in CVT_RULES if one == chosen), CVT_RULES[0])
        return describe_raster(cvt(*wish, interlaced=interlaced, rule=rule))
    except InputError as error:
        places = {"width": "f_width", "height": "f_height", "rate": "f_rate", "rule": "formula"}
        raise InputError(
            Fault(what=fault.what, where=places.get(fault.where, fault.where), mend=fault.mend)
            for fault in error.faults
        ) from error


def _by_fit(read: FormReader, _bench: Bench) -> RasterAnswer:
    width, height, rate = _wish(read, "")
    mounting = _mounting(read, "fit_mount")

    def scaled(field: str, kind: str, factor: float) -> float | None:
        value = read.figure(field, kind)
        return None if value is None else value * factor

    limits = {
        "line_low_hz": scaled("line_low", "khz", 1e3),
        "line_high_hz": scaled("line_high", "khz", 1e3),
        "line_blanking_s": scaled("retrace", "number", 1e-6),
        "field_blanking_s": scaled("field_retrace", "number", 1e-3),
        "clock_high_hz": scaled("clock", "number", 1e6),
    }
    like = read.choice("like", CHASSIS_CLASSES) or ""
    keep = read.choice("keep", ("lines", "rate"))
    read.finish()
    chassis, assumed = chassis_of(like, limits)
    if mounting == "vertical":
        width, height = height, width
    found = fit_wish((width, height, rate), chassis, keep="rate" if keep == "rate" else "lines", for_edid=True)
    if found.raster is None:
        raise RefusedError(
            Fault(what=found.words[0].rstrip("."), where="", mend="Widen the limits, if the chassis allows it.")
        )
    return describe_raster(found.raster, mounting=mounting, remarks=(*found.words, *assumed))


def _wish(read: FormReader, before: str) -> tuple[int, int, float]:
    width, height = (read.whole(f"{before}{name}", most=10_000) for name in ("width", "height"))
    rate = read.figure(f"{before}rate", "number")
    noted = {fault.where for fault in read.faults}
    for name, value in (("width", width), ("height", height), ("rate", rate)):
        if value is None and f"{before}{name}" not in noted:
            read.fault(f"{before}{name}", "this is empty", "Type its figure.")
    return width or 0, height or 0, rate or 0.0


_WORKS: Final[Mapping[str, Callable[[FormReader, Bench], RasterAnswer]]] = {
    "name": _by_name,
    "formula": _by_formula,
    "fit": _by_fit,
}


def _tables(answer: RasterAnswer) -> tuple[dict[str, Any], ...]:
    found = answer.times
    return (
        {
            "title": f"A line, {found.line_khz:.4f} kHz",
            "unit": "Dots",
            "rows": time_rows(found.line),
            "under": f"A dot lasts {found.dot_us * 1e3:.3f} ns; line sync "
            f"{'positive' if answer.raster.h_sync_positive else 'negative'}.",
        },
        {
            "title": f"A field, {found.field_hz:.4f} Hz",
            "unit": "Lines",
            "rows": time_rows(found.field),
            "under": f"Field sync {'positive' if answer.raster.v_sync_positive else 'negative'}."
            + (f" Two fields make a frame: {found.frame_hz:.4f} Hz." if answer.raster.interlaced else ""),
        },
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Drawing:
    """Where the parts lie, in the drawing's own units, and the same in words."""

    sync_x: float
    picture_x: float
    picture_width: float
    picture_y: float
    picture_height: float
    sync_y: float
    words: str


WIDTH: Final = 600.0
LINE_HEIGHT: Final = 120.0
FIELD_HEIGHT: Final = 400.0


def _line_drawing(answer: RasterAnswer) -> _Drawing:
    """One line from the start of its sync to the start of the next."""
    raster = answer.raster
    scale = WIDTH / raster.h_total_px
    parts = {part.name: part.time_us for part in answer.times.line}
    return _Drawing(
        sync_x=raster.h_sync_px * scale,
        picture_x=(raster.h_sync_px + raster.h_back_px) * scale,
        picture_width=raster.width_px * scale,
        picture_y=0,
        picture_height=0,
        sync_y=0,
        words=(
            f"One line in time: sync {parts['sync']:.3f} µs, back porch {parts['back_porch']:.3f} µs, picture "
            f"{parts['active']:.3f} µs, front porch {parts['front_porch']:.3f} µs, {parts['total']:.3f} µs in all."
        ),
    )


def _field_drawing(answer: RasterAnswer) -> _Drawing:
    """All dots and lines of a frame, from the start of both syncs: the share that is picture."""
    raster = answer.raster
    across, down = WIDTH / raster.h_total_px, FIELD_HEIGHT / raster.v_total_lines
    share = raster.width_px * raster.height_px / (raster.h_total_px * raster.v_total_lines)
    per = "frame" if raster.interlaced else "field"
    return _Drawing(
        sync_x=raster.h_sync_px * across,
        picture_x=(raster.h_sync_px + raster.h_back_px) * across,
        picture_width=raster.width_px * across,
        picture_y=(raster.v_sync_lines + raster.v_back_lines) * down,
        picture_height=raster.height_px * down,
        sync_y=raster.v_sync_lines * down,
        words=(
            f"The {per} as the beam writes it: {raster.h_total_px} dots by {raster.v_total_lines} lines, of which "
            f"{raster.width_px} by {raster.height_px} are picture, {share * 100:.0f} % of the time."
        ),
    )
