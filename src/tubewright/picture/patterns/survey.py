"""The survey: our own machine-readable pattern for convergence, geometry, focus and curl.

A lattice of 31 columns and 23 rows over the whole raster. Every sixth column
(3, 9, 15, 21, 27) is a white bar from top to bottom; the other nodes carry one
mark each, lit by a single gun: red, green, blue in turn along each row and, by
one step, from row to row. So

- each mark belongs to one gun and stands alone: its place needs no unmixing;
- the order of colours along a row tells left from right, the order along a
  column tells up from down, and the bars tell column from row: any corner of
  the picture shows how it is turned and whether it is mirrored;
- a mark is short or tall by a fixed scramble of its place, the raster's size and
  the pattern's name: a few dozen marks in view say which ones they are, and of
  which raster;
- all three guns have marks on the same lines, so that what a line does as a
  whole (curl, hum) is common to the three and drops out of convergence.

Places are in raster pixels, x to the right and y down, (0, 0) the middle of the
first pixel of the first line.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster

COLUMNS: Final = 31
ROWS: Final = 23
BAR_COLUMNS: Final = (3, 9, 15, 21, 27)
SURVEY_SEED: Final = 0x5475_6265
"""Distinguishes the scramble of this pattern from that of any other."""

_MARK_SHARE: Final = 0.30
"""Width of a mark over the pitch: the rest keeps neighbours apart at 3 mm of misconvergence on 19 inches."""
_SMALLEST_PX: Final = 3
_TALL_RATIO: Final = 5 / 3
_BAR_SHARE: Final = 0.10


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LatticeMarks:
    """The marks of a pattern, one entry each.

    Attributes:
        column: Column of the lattice, (n,).
        row: Row of the lattice, (n,).
        gun: 0 red, 1 green, 2 blue, 3 white (all three), (n,).
        tall: Whether the mark is a tall one, (n,).
        x_px: Middle of the mark in raster pixels, (n,).
        y_px: The same downwards, (n,).
        width_px: Width in raster pixels, (n,).
        height_px: Height in raster lines, (n,).
    """

    column: NDArray[np.int64]
    row: NDArray[np.int64]
    gun: NDArray[np.int64]
    tall: NDArray[np.bool_]
    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    width_px: NDArray[np.int64]
    height_px: NDArray[np.int64]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """A white bar from the first line to the last: its column, its middle and its width in raster pixels."""

    column: int
    x_px: float
    width_px: int


def scramble(seed: int, raster: Raster, column: NDArray[np.int64], row: NDArray[np.int64]) -> NDArray[np.bool_]:
    """Which marks are tall: a fixed, even scramble of place, raster size and pattern.

    Source: the finaliser of SplitMix64 (Steele, Lea and Flood, OOPSLA 2014), used for its even bits only.
    """
    with np.errstate(over="ignore"):
        key = np.uint64(seed) * np.uint64(0x9E3779B97F4A7C15)
        key = key + np.uint64(raster.width_px * 8192 + raster.height_px * 2 + raster.interlaced)
        z = (row.astype(np.uint64) * np.uint64(1024) + column.astype(np.uint64) + np.uint64(1)) * np.uint64(
            0x9E3779B97F4A7C15
        ) ^ key * np.uint64(0xBF58476D1CE4E5B9)
        for shift, factor in ((30, 0xBF58476D1CE4E5B9), (27, 0x94D049BB133111EB)):
            z = (z ^ (z >> np.uint64(shift))) * np.uint64(factor)
        z ^= z >> np.uint64(31)
    return (z & np.uint64(1)).astype(np.bool_)


def node_px(size_px: int, count: int) -> NDArray[np.float64]:
    """Exact (not yet rounded) places of a lattice's nodes along one side of the raster, (count,)."""
    return (np.arange(count) + 0.5) * size_px / count - 0.5


def survey_marks(raster: Raster) -> LatticeMarks:
    """The marks of the survey on a raster, row by row."""
    return marks_at(raster, lambda column, _: ~np.isin(column, BAR_COLUMNS), SURVEY_SEED)


def marks_at(
    raster: Raster,
    kept: Callable[[NDArray[np.int64], NDArray[np.int64]], NDArray[np.bool_]],
    seed: int,
) -> LatticeMarks:
    """Marks at some nodes of the lattice, row by row: ``kept`` says which by column and row, ``seed`` which is tall."""
    row, column = (a.ravel().astype(np.int64) for a in np.indices((ROWS, COLUMNS)))
    keep = kept(column, row)
    row, column = row[keep], column[keep]
    tall = scramble(seed, raster, column, row)
    width = np.full(row.shape, mark_width_px(raster), dtype=np.int64)
    short_px, tall_px = mark_heights_px(raster)
    height = np.where(tall, tall_px, short_px).astype(np.int64)
    return LatticeMarks(
        column=column,
        row=row,
        gun=(column + row) % 3,
        tall=tall,
        x_px=_snapped(node_px(raster.width_px, COLUMNS)[column], width),
        y_px=_snapped(node_px(raster.height_px, ROWS)[row], height),
        width_px=width,
        height_px=height,
    )


def survey_bars(raster: Raster) -> tuple[Bar, ...]:
    """The bars of the survey on a raster, from left to right."""
    width = max(1, round(_BAR_SHARE * raster.width_px / COLUMNS))
    nodes = node_px(raster.width_px, COLUMNS)
    return tuple(
        Bar(column=c, x_px=float(_snapped(nodes[[c]], np.array([width]))[0]), width_px=width) for c in BAR_COLUMNS
    )


def mark_width_px(raster: Raster) -> int:
    """Width of every mark in raster pixels."""
    return max(_SMALLEST_PX, round(_MARK_SHARE * raster.width_px / COLUMNS))


def mark_heights_px(raster: Raster) -> tuple[int, int]:
    """Heights of a short and of a tall mark in raster lines."""
    short = max(_SMALLEST_PX, round(_MARK_SHARE * raster.height_px / ROWS))
    return short, round(short * _TALL_RATIO)


def draw_survey(raster: Raster) -> NDArray[np.uint8]:
    """The survey as pixels, (height, width, 3), 0 or 255."""
    pixels = np.zeros((raster.height_px, raster.width_px, 3), dtype=np.uint8)
    for bar in survey_bars(raster):
        left = round(bar.x_px - (bar.width_px - 1) / 2)
        pixels[:, left : left + bar.width_px] = 255
    draw_marks(pixels, survey_marks(raster))
    return pixels


def draw_marks(pixels: NDArray[np.uint8], marks: LatticeMarks) -> None:
    """Draw marks into pixels, (height, width, 3), at full drive of their gun."""
    left = np.rint(marks.x_px - (marks.width_px - 1) / 2).astype(int)
    top = np.rint(marks.y_px - (marks.height_px - 1) / 2).astype(int)
    for x, y, w, h, gun in zip(left, top, marks.width_px, marks.height_px, marks.gun, strict=True):
        pixels[y : y + h, x : x + w, slice(None) if gun == 3 else gun] = 255


def _snapped(at_px: NDArray[np.float64], size_px: NDArray[np.int64]) -> NDArray[np.float64]:
    """The nearest middles that a mark of whole pixels can have."""
    half = (size_px - 1) / 2
    return np.asarray(np.rint(at_px - half) + half)
