"""Test patterns: the list with what each is for, a page that shows one and nothing else, and files to take away."""

from __future__ import annotations

import hashlib
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from urllib.parse import urlencode

from fastapi import APIRouter, Request, Response

from tubewright.bench.pages import Bench, page
from tubewright.bench.routes.job import TheBench
from tubewright.bench.routes.records import caution_texts
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.picture.patterns.catalogue import (
    CATALOGUE,
    FEED_CAUTIONS,
    GUNS,
    TAG_CAUTIONS,
    Drawing,
    Pattern,
    find_pattern,
)
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.rasters import find_raster, library
from tubewright.picture.patterns.trade_levels import SHAPES
from tubewright.quantity import parse_quantity
from tubewright.report.tag_sheet import PAPERS_MM

router = APIRouter(include_in_schema=False)

FIRST_RASTER: Final = "arcade-15k-320x240"
"""What the list is drawn on until a raster is chosen, if it is known."""

DARK_MINUTES: Final = (5, 15, 30)
"""After how long without a key the full page goes dark; a choice, as warming up takes its time."""

_MEDIA: Final = {"picture.png": "image/png", "loop.apng": "image/apng", "video.mkv": "video/matroska"}


@dataclass(frozen=True, slots=True, kw_only=True)
class _Asked:
    """What an address asks for: the raster, how to draw on it, and the words to ask for the same again."""

    raster: Raster
    drawing: Drawing
    dark_minutes: int
    query: str


def _asked(request: Request, bench: Bench) -> _Asked:
    asked = {name: value[:60] for name, value in request.query_params.multi_items()}
    rasters = library(bench.knowledge.rasters.values())
    usual = FIRST_RASTER if FIRST_RASTER in rasters else next(iter(rasters))
    raster = find_raster(rasters, asked.get("raster") or usual)
    typed = (asked.get("level") or "50").strip().removesuffix("%").strip()
    shape = next((one for one in SHAPES if one == (asked.get("shape") or "4:3")), None)
    if shape is None:
        raise InputError(Fault(what="no such shape of picture", where="shape", mend=f"One of {', '.join(SHAPES)}."))
    drawing = Drawing(
        shape=shape,
        guns=asked.get("guns") or "all",
        level_pct=parse_quantity(typed, kind="number", where="level").value,
    )
    dark = next((minutes for minutes in DARK_MINUTES if str(minutes) == asked.get("dark")), DARK_MINUTES[0])
    words = {"raster": raster.name, "shape": shape, "guns": drawing.guns, "level": f"{drawing.level_pct:g}"}
    return _Asked(
        raster=raster, drawing=drawing, dark_minutes=dark, query=urlencode({**words, "dark": str(dark)}, safe=":")
    )


def _known(name: str) -> Pattern:
    if name not in CATALOGUE:
        raise UnknownRecordError(Fault(what="There is no such pattern", where="", mend="Choose one from the list."))
    return find_pattern(name)


@router.get("/patterns")
def patterns(request: Request, bench: TheBench) -> Response:
    """Every pattern with a small picture, what it is for, and where to get it."""
    asked = _asked(request, bench)
    # A drawing that can't be made is told here, not as a page of broken pictures.
    CATALOGUE["black"].frames(asked.raster, asked.drawing)
    rasters = library(bench.knowledge.rasters.values())
    across, down = SHAPES[asked.drawing.shape]
    return page(
        request,
        "patterns.html",
        patterns=[(pattern, pattern.note(asked.raster)) for pattern in CATALOGUE.values()],
        raster=asked.raster,
        drawing=asked.drawing,
        dark=asked.dark_minutes,
        query=asked.query,
        rasters=[(name, f"{name}: {bench.knowledge.rasters[name].name}") for name in rasters],
        shapes=[(name, name) for name in SHAPES],
        guns=[(name, name.replace("_", " and ")) for name in GUNS],
        darks=[(str(minutes), f"{minutes} minutes") for minutes in DARK_MINUTES],
        preview=(192, round(192 * down / across)),
        feeding=caution_texts(bench, FEED_CAUTIONS),
        papers=list(PAPERS_MM),
    )


@router.get("/patterns/tags/{paper}.pdf")
def tags(bench: TheBench, paper: str) -> Response:
    """The sheet of reference tags, to be printed."""
    from tubewright.report.tag_sheet import tag_sheet_pdf

    size = next((one for one in PAPERS_MM if one == paper), None)
    if size is None:
        raise UnknownRecordError(
            Fault(what="There is no sheet for such paper", where="", mend=f"Take one of: {', '.join(PAPERS_MM)}.")
        )
    data = tag_sheet_pdf(size, cautions=caution_texts(bench, TAG_CAUTIONS))
    return Response(
        data, media_type="application/pdf", headers={"content-disposition": f'attachment; filename="tags-{size}.pdf"'}
    )


@router.get("/patterns/{name}/full")
def full(request: Request, bench: TheBench, name: str) -> Response:
    """One pattern over the whole window and nothing else; keys step to the others."""
    asked, chosen = _asked(request, bench), _known(name)
    across, down = SHAPES[asked.drawing.shape]
    names = list(CATALOGUE)
    listed: list[dict[str, Any]] = [
        {
            "pattern": pattern,
            "full": f"/patterns/{pattern.name}/full?{asked.query}",
            "frames": [
                f"/patterns/{pattern.name}/picture.png?{asked.query}&frame={frame}"
                for frame in range(len(pattern.frames(asked.raster, asked.drawing)) if pattern.moving else 1)
            ],
        }
        for pattern in CATALOGUE.values()
    ]
    at = names.index(chosen.name)
    return page(
        request,
        "pattern_full.html",
        listed=listed,
        at=at,
        following=listed[(at + 1) % len(listed)],
        raster=asked.raster,
        across=across,
        down=down,
        dark=asked.dark_minutes,
        query=asked.query,
        feeding=caution_texts(bench, FEED_CAUTIONS),
    )


@router.get("/patterns/{name}/{file}")
def file(request: Request, bench: TheBench, name: str, file: str) -> Response:
    """A pattern as a picture, a loop or a video, every dot of the raster one dot of the file."""
    if file not in _MEDIA:
        raise UnknownRecordError(Fault(what="There is no such file", where="", mend="Choose one from the list."))
    asked, pattern = _asked(request, bench), _known(name)
    frames = pattern.frames(asked.raster, asked.drawing)
    stem, _, ending = file.partition(".")
    if stem == "picture":
        from tubewright.files.pattern_files import png_bytes

        wanted = request.query_params.get("frame", "0")
        frame = int(wanted) if wanted.isascii() and wanted.isdigit() and len(wanted) < 4 else 0
        data = png_bytes(frames[min(frame, len(frames) - 1)])
    else:
        data = _loop(frames, ending, pattern, asked.raster)
    headers = {"etag": f'"{hashlib.sha256(data).hexdigest()[:32]}"', "cache-control": "private, no-cache"}
    if request.headers.get("if-none-match") == headers["etag"]:
        return Response(status_code=304, headers=headers)
    if "frame" not in request.query_params:
        headers["content-disposition"] = f'attachment; filename="{pattern.name}-{asked.raster.name}.{ending}"'
    return Response(data, media_type=_MEDIA[file], headers=headers)


def _loop(frames: Any, ending: str, pattern: Pattern, raster: Raster) -> bytes:  # noqa: ANN401 - pictures as the catalogue gives them
    from tubewright.files.pattern_files import write_pattern

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"pattern.{ending}"
        try:
            write_pattern(path, frames, state_s=pattern.state_s, rate_hz=raster.frame_hz)
        except InputError as error:
            # The folder is ours: the person only needs what is wrong with the picture.
            faults = [
                Fault(what=fault.what, where="", mend="Take the loop or the PNG instead.") for fault in error.faults
            ]
            raise InputError(faults) from error
        return path.read_bytes()
