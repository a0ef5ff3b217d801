"""The sheet of reference tags to print: true to size, with bars that tell whether the printer kept it.

Everything is drawn as lines and areas, never as a bitmap. The words and numbers go
to the typesetter as data, it reads no file, uses only the fonts it carries, and
gives the same bytes for the same sheet.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass
from importlib import resources
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.tags import (
    STRIP_HEIGHT_MM,
    STRIP_WIDTH_MM,
    STRIPS,
    TAG_MM,
    TAG_PITCH_MM,
    TAGS_PER_STRIP,
    draw_tag,
    strip_tags,
)

Paper = Literal["a4", "letter"]

PAPERS_MM: Final[dict[Paper, tuple[float, float]]] = {
    "a4": (210.0, 297.0),  # ISO 216
    "letter": (215.9, 279.4),  # ANSI/ASME Y14.1, size A
}
BAR_MM: Final = 100.0
"""Length of either scale bar."""

_CELLS: Final = 8  # across a tag of the family, its black border included
_STRIPS_TOP_MM: Final = 126.0
_STRIP_GAP_MM: Final = 4.0
_BAR_HIGH_MM: Final = 2.4
_BAR_STEP_MM: Final = 10.0
_STEPS: Final = (
    "Print at 100 % (actual size), on plain white matt paper. Choose no fitting to the page.",
    (
        "Lay a ruler on both bars below: each must be 100 mm long, to a quarter of a millimetre. "
        "If one isn't, the sheet is of no use: find the printer's setting and print again."
    ),
    "Cut along the thin lines. Keep each strip whole and flat; glued on stiff card it lasts.",
    (
        "Lay the strips beside the picture, one along each side: flat on the bezel, or taped to the edge of the glass, "
        "in the plane of the glass's rim. They cover nothing of the picture. Any strip may go on any side; "
        "the arrow shows its upper edge, and it may point wherever it likes."
    ),
    "Photograph the whole picture with all of the strips in view, in a dim room, with no lamp mirrored in the glass.",
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """Where things lie on a sheet: upper left corners, millimetres from the paper's, x to the right and y down.

    Attributes:
        width_mm: Of the paper.
        height_mm: Of the paper.
        strips_mm: Corner of each strip.
        level_bar_mm: Corner of the level scale bar.
        upright_bar_mm: Corner of the upright one.
    """

    width_mm: float
    height_mm: float
    strips_mm: tuple[tuple[float, float], ...]
    level_bar_mm: tuple[float, float]
    upright_bar_mm: tuple[float, float]


def sheet_places(paper: Paper) -> Placed:
    """Where the strips and the bars lie on a sheet."""
    width, height = PAPERS_MM[paper]
    left = (width - STRIP_WIDTH_MM) / 2
    pitch = STRIP_HEIGHT_MM + _STRIP_GAP_MM
    return Placed(
        width_mm=width,
        height_mm=height,
        strips_mm=tuple((left, _STRIPS_TOP_MM + pitch * strip) for strip in range(STRIPS)),
        level_bar_mm=(left, _STRIPS_TOP_MM - 10.0),
        upright_bar_mm=(left + STRIP_WIDTH_MM - _BAR_HIGH_MM, _STRIPS_TOP_MM - 8.0 - BAR_MM),
    )


def tag_sheet_pdf(paper: Paper, *, cautions: Sequence[str]) -> bytes:
    """The sheet as a PDF of one page.

    Args:
        paper: Which paper it is printed on.
        cautions: What to mind while the strips are laid, in words; they stand first.
    """
    return _compiled(_sheet(paper, cautions), format="pdf", timestamp=0, pdf_standards="ua-1")


def tag_sheet_png(paper: Paper, *, cautions: Sequence[str], dots_per_inch: float = 96.0) -> bytes:
    """The same page as a picture, to be looked at; print the PDF."""
    return _compiled(_sheet(paper, cautions), format="png", ppi=dots_per_inch)


def tag_outlines_mm(number: int) -> list[list[tuple[float, float]]]:
    """The black of a tag as closed outlines from its upper left corner, to be filled where they lie in odd numbers.

    One area without seams: cells drawn one by one would show hairlines between them.
    """
    black = draw_tag(number, 1)[1:-1, 1:-1] == 0
    cell_mm = TAG_MM / _CELLS
    return [[(x * cell_mm, y * cell_mm) for x, y in corners] for corners in outlines(black)]


def outlines(black: NDArray[np.bool_]) -> list[list[tuple[int, int]]]:
    """Outlines of the true cells, as corners (x, y) of the grid, to be filled where they lie in odd numbers."""
    rows, columns = black.shape
    around = np.pad(black, 1)
    # Every side between black and white, walked with black on the right hand.
    ends: dict[tuple[int, int], list[tuple[int, int]]] = {}
    for y in range(rows):
        for x in range(columns):
            if not black[y, x]:
                continue
            sides = (
                (around[y, x + 1], (x, y), (x + 1, y)),
                (around[y + 1, x + 2], (x + 1, y), (x + 1, y + 1)),
                (around[y + 2, x + 1], (x + 1, y + 1), (x, y + 1)),
                (around[y + 1, x], (x, y + 1), (x, y)),
            )
            for beyond, start, end in sides:
                if not beyond:
                    ends.setdefault(start, []).append(end)
    found = []
    while ends:
        start = next(iter(ends))
        corners, at = [start], _next(ends, start)
        while at != start:
            corners.append(at)
            at = _next(ends, at)
        found.append(corners)
    return found


def _next(ends: dict[tuple[int, int], list[tuple[int, int]]], at: tuple[int, int]) -> tuple[int, int]:
    end = ends[at].pop()
    if not ends[at]:
        del ends[at]
    return end


def _sheet(paper: Paper, cautions: Sequence[str]) -> dict[str, Any]:
    """Everything on the page as plain data, lengths in millimetres."""
    places = sheet_places(paper)
    strips = []
    for strip, (left, top) in enumerate(places.strips_mm):
        areas = []
        for tag in strip_tags(strip):
            x, y = tag.corners_mm[0]
            areas.append([[(left + x + dx, top + y + dy) for dx, dy in line] for line in tag_outlines_mm(tag.number)])
        # In the middle of every other gap: three and a half millimetres of white to either tag stay.
        gaps = [left + TAG_PITCH_MM * place for place in range(1, TAGS_PER_STRIP, 2)]
        strips.append({"number": strip + 1, "x": left, "y": top, "tags": areas, "gaps": gaps})
    return {
        "width": places.width_mm,
        "height": places.height_mm,
        "strip": [STRIP_WIDTH_MM, STRIP_HEIGHT_MM],
        "strips": strips,
        "bars": [_bar(places.level_bar_mm, upright=False), _bar(places.upright_bar_mm, upright=True)],
        "level": places.level_bar_mm,
        "upright": places.upright_bar_mm,
        "left": places.strips_mm[0][0],
        "text": STRIP_WIDTH_MM - 16.0,
        "cautions": list(cautions),
        "steps": list(_STEPS),
    }


def _bar(corner_mm: tuple[float, float], *, upright: bool) -> list[tuple[float, float, float, float]]:
    """A bar in two rows of black pieces that take turns: x, y, width, height of each."""
    pieces = []
    for k in range(round(BAR_MM / _BAR_STEP_MM)):
        along, aside = k * _BAR_STEP_MM, (k % 2) * _BAR_HIGH_MM / 2
        piece = (along, aside, _BAR_STEP_MM, _BAR_HIGH_MM / 2)
        x, y, wide, high = (piece[1], piece[0], piece[3], piece[2]) if upright else piece
        pieces.append((corner_mm[0] + x, corner_mm[1] + y, wide, high))
    return pieces


def _compiled(sheet: dict[str, Any], **how: Any) -> bytes:  # noqa: ANN401 - the typesetter's own options
    import typst

    page = typst.compile(
        _SOURCE.encode(),
        # Nothing is read from here; it only keeps the typesetter out of the folder one happens to stand in.
        root=str(resources.files("tubewright.report")),
        ignore_system_fonts=True,
        sys_inputs={"sheet": json.dumps(sheet)},
        **how,
    )
    if not isinstance(page, bytes):
        message = "the sheet runs over more than one page"
        raise TypeError(message)
    return page


_SOURCE: Final = """
#let sheet = json(bytes(sys.inputs.sheet))
#let at(x, y, body) = place(top + left, dx: x * 1mm, dy: y * 1mm, body)
#let point(p) = (p.at(0) * 1mm, p.at(1) * 1mm)
#set document(title: "Reference tags")
#set page(width: sheet.width * 1mm, height: sheet.height * 1mm, margin: 0mm)
#set text(font: "Libertinus Serif", size: 9.5pt, lang: "en")
#set par(leading: 0.5em, spacing: 0.6em)
#show heading: set text(size: 15pt)
#at(sheet.left, 9, block(width: sheet.text * 1mm)[
  #heading(level: 1)[Reference tags: print at 100 %]
  #v(1mm)
  #block(stroke: (left: 1.2mm), inset: (left: 3mm, y: 0.5mm))[
    #for line in sheet.cautions [#par(line)]
    #par[Lay the strips from the front only. Never reach behind the bezel or touch anything inside for their sake.]
  ]
  #v(1mm)
  #enum(..sheet.steps)
])
#for bar in sheet.bars {
  for (x, y, w, h) in bar { at(x, y, pdf.artifact(rect(width: w * 1mm, height: h * 1mm, fill: black, stroke: none))) }
}
// How the strips lie: the bezel, the picture, a strip along each side.
#let strip(x, y, w, h) = place(dx: x * 1mm, dy: y * 1mm, rect(width: w * 1mm, height: h * 1mm, fill: luma(35%),
  stroke: none))
#at(sheet.left, sheet.level.at(1) - 43, pdf.artifact(block(width: 50mm, height: 38mm, {
  place(rect(width: 50mm, height: 38mm, radius: 2mm, stroke: 0.2mm))
  place(dx: 8mm, dy: 6.5mm, rect(width: 34mm, height: 25mm, radius: 1.2mm, fill: luma(88%), stroke: 0.2mm))
  strip(15, 2, 20, 3.4)
  strip(15, 32.6, 20, 3.4)
  strip(2.6, 9, 3.4, 20)
  strip(44, 9, 3.4, 20)
})))
#at(sheet.left + 54, sheet.level.at(1) - 29, block(width: 60mm)[The strips lie beside the picture, not on it.
  Four are best; where there is room for two only, take one above or below and one at a side.])
#at(sheet.level.at(0) + 102, sheet.level.at(1) - 0.6)[exactly 100 mm]
#at(sheet.upright.at(0) - 6, sheet.upright.at(1) + 38, rotate(-90deg, reflow: true)[exactly 100 mm])
#for strip in sheet.strips {
  at(strip.x, strip.y, pdf.artifact(rect(width: sheet.strip.at(0) * 1mm, height: sheet.strip.at(1) * 1mm,
    stroke: 0.15mm + luma(55%))))
  for area in strip.tags {
    let path = ()
    for line in area {
      path.push(curve.move(point(line.at(0))))
      path += line.slice(1).map(p => curve.line(point(p)))
      path.push(curve.close(mode: "straight"))
    }
    at(0, 0, pdf.artifact(curve(fill: black, stroke: none, fill-rule: "even-odd", ..path)))
  }
  for x in strip.gaps {
    at(x - 1.5, strip.y + 9.5, box(width: 3mm, align(center, text(size: 9pt, str(strip.number)))))
    at(x - 1.25, strip.y + 14, pdf.artifact(polygon(fill: black, (1.25mm, 0mm), (2.5mm, 3mm), (0mm, 3mm))))
  }
}
"""
