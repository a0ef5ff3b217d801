"""How a raster is given: on the screen with its cautions first, as JSON, as a mode line, as a file of EDID."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from tubewright.cli import settings
from tubewright.cli.door import emit, emit_json, tell
from tubewright.errors import Fault, InputError, RefusedError
from tubewright.quantity import parse_quantity

if TYPE_CHECKING:
    from tubewright.answers.raster import RasterAnswer
    from tubewright.picture.patterns.edid import Edid
    from tubewright.picture.patterns.fit import Fit
    from tubewright.report.describe import Block

Result = TypeVar("Result")

_FIELDS: Final = {
    "line_hz": "--line-khz",
    "field_hz": "--field-hz",
    "line_blanking_s": "--retrace-us",
    "line_front_s": "--front-us",
    "line_sync_s": "--sync-us",
    "line_back_s": "--back-us",
    "field_blanking_s": "--field-retrace-ms",
    "field_sync_lines": "--field-sync-lines",
    "clock_high_hz": "--clock-mhz",
    "like": "--like",
    "rule": "--rule",
    "repeat": "--repeat",
    "picture_mm": "--picture-mm",
    "width": "W",
    "height": "H",
    "rate": "RATE",
    "raster": "NAME",
}
"""What the answers call a field, and what the person typed."""


def typed(work: Callable[[], Result]) -> Result:
    """Do the work; faults then name what the person typed."""
    try:
        return work()
    except (InputError, RefusedError) as error:
        raise type(error)(
            Fault(what=fault.what, where=_FIELDS.get(fault.where, fault.where), mend=fault.mend)
            for fault in error.faults
        ) from error


def number(text: str, option: str) -> float:
    """A figure without unit."""
    return parse_quantity(text, kind="number", where=option).value


def whole(text: str, option: str) -> int:
    """A whole number."""
    value = number(text, option)
    if value != int(value):
        raise InputError(Fault(what=f"{value:g} is not a whole number", where=option, mend="Type digits only."))
    return int(value)


def scaled(text: str, option: str, factor: float) -> float | None:
    """A figure times the factor that its option's unit stands for, or nothing where nothing was typed."""
    if not text:
        return None
    kind = "khz" if option.endswith("-khz") else "number"
    return parse_quantity(text, kind=kind, where=option).value * factor


def give(
    answer: RasterAnswer,
    *,
    modeline: bool,
    edid: Path | None,
    picture_mm: tuple[str, str],
    label: str,
    as_json: bool,
    found: Fit | None = None,
) -> None:
    """Show a raster, cautions first; write its EDID if asked."""
    from tubewright.answers.raster import fit_json, raster_json
    from tubewright.knowledge.load import load_knowledge

    known = load_knowledge().cautions
    cautions = tuple(known[name].text for name in answer.cautions)
    confirm = tuple(known[name].confirm for name in answer.cautions if known[name].confirm)
    written: tuple[str, ...] = ()
    if edid is not None:
        written = _write_edid(answer, edid, picture_mm, label)
    if as_json:
        body: dict[str, Any] = {"cautions": list(cautions), "confirm": list(confirm), **raster_json(answer)}
        if found is not None:
            body["fit"] = fit_json(found)
        if edid is not None:
            body["edid"] = {"file": str(edid), "remarks": list(written)}
        emit_json(body)
        return
    if modeline:
        for said in (*cautions, *confirm, *answer.remarks, *written):
            tell(said)
        emit(answer.modeline)
        return
    _print(answer, cautions, confirm, written)


def _print(answer: RasterAnswer, cautions: tuple[str, ...], confirm: tuple[str, ...], written: tuple[str, ...]) -> None:
    from tubewright.answers.raster import time_rows
    from tubewright.report.describe import Column, Paragraph, Step, Table
    from tubewright.report.text import blocks_to_text

    found = answer.times

    def table(caption: str, unit: str, rows: tuple[tuple[str, str, str], ...]) -> Table:
        columns = (Column(heading="Part"), Column(heading=unit, figures=True), Column(heading="µs", figures=True))
        return Table(caption=caption, columns=columns, rows=rows)

    signs = " and ".join(
        f"{what} sync {'positive' if positive else 'negative'}"
        for what, positive in (("line", answer.raster.h_sync_positive), ("field", answer.raster.v_sync_positive))
    )
    blocks: list[Block] = [
        Step(
            id=answer.raster.name,
            cautions=cautions,
            confirm=confirm,
            hazard="the display itself",
            words=f"{answer.raster.name}: {answer.words}",
            time="",
        ),
        *(Paragraph(text=remark) for remark in (*answer.remarks, *written)),
        Paragraph(text=""),
        table(
            f"A line, {found.line_khz:.4f} kHz; a dot lasts {found.dot_us * 1e3:.3f} ns", "Dots", time_rows(found.line)
        ),
        Paragraph(text=""),
        table(
            f"A field, {found.field_hz:.4f} Hz"
            + (f"; a frame, {found.frame_hz:.4f} Hz" if answer.raster.interlaced else ""),
            "Lines",
            time_rows(found.field),
        ),
        Paragraph(text=""),
        Paragraph(text=f"{signs[:1].upper()}{signs[1:]}."),
    ]
    emit(blocks_to_text(blocks, width=settings.columns(), colour=settings.colour()))
    # Never broken into lines: it is to be copied.
    emit(answer.modeline)


def _write_edid(answer: RasterAnswer, path: Path, picture_mm: tuple[str, str], label: str) -> tuple[str, ...]:
    from tubewright.picture.patterns.edid import edid

    def work() -> Edid:
        size = (whole(picture_mm[0], "--picture-mm"), whole(picture_mm[1], "--picture-mm"))
        return edid(answer.raster, picture_mm=size, label=label, year=dt.datetime.now(dt.UTC).year)

    made = typed(work)
    try:
        with path.open("xb") as file:
            file.write(made.block)
    except FileExistsError as error:
        raise InputError(
            Fault(what="this file is there already", where=str(path), mend="Name a new one; nothing is overwritten.")
        ) from error
    except OSError as error:
        raise InputError(
            Fault(what=f"it can't be written: {error.strerror}", where=str(path), mend="Name a place you may write to.")
        ) from error
    return (f"EDID written to {path}: 128 bytes.", *made.remarks)
