"""The second survey, for light: patches of each gun and of white among the marks that tell where they are.

The lattice is that of :mod:`tubewright.picture.patterns.survey`, 31 columns and 23
rows, with the same rule of colours. Marks stand on five of its columns and five of
its rows only; the sixteen blocks between them hold six flat patches each, 96 in
all, every one more than ten times a mark's area and a whole pitch of black away
from the nearest mark:

- 15 patches of each gun alone and 10 of white, all at full drive, spread so that
  each ninth of the screen has at least one of each: purity, wear, the guns' own
  shading;
- a staircase of eight steps of each gun alone and one of white, whose steps lie
  between those of the guns: how light follows drive;
- 9 black patches, one in each ninth: what the room and the glass add.

The staircases are scrambled over the screen so that the drive of their steps has no
trend across it (docs/light.md says how the places were chosen), and every line and
either half of the picture ask the supply for about the same current.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import (
    COLUMNS,
    ROWS,
    LatticeMarks,
    draw_marks,
    marks_at,
)

LIGHT_SEED: Final = 0x4C69_6768
"""Distinguishes the scramble of this pattern from that of any other."""
MARK_COLUMNS: Final = (1, 8, 15, 22, 29)
MARK_ROWS: Final = (1, 6, 11, 16, 21)
WHITE: Final = 3
BLACK: Final = 4

GUN_STEPS: Final = (0, 32, 64, 96, 128, 160, 192, 216, 240, 255)
"""Drive of a gun's steps, 0 to 255: even at first, closer where a spent gun bends."""
WHITE_STEPS: Final = (0, 48, 80, 112, 144, 176, 204, 228, 244, 255)
"""Drive of the white's steps: between those of the guns."""

_PLACES: Final = (
    "R9 W9 G9 B9 R9 G3 B9 R1 B9 W3 R9 G9",
    "B5 W6 K0 R5 G9 K0 G7 W9 G5 R8 K0 W9",
    "W9 R6 B9 R9 G9 B1 G2 K0 R9 B9 W8 B6",
    "B9 G9 W1 G9 B9 R9 B8 G9 W9 B2 R9 G9",
    "G8 R3 K0 G9 W7 R9 W9 B9 K0 W2 R9 B9",
    "G1 R9 B9 R9 B9 W9 G9 R9 G9 B9 R2 G9",
    "R9 K0 W9 B7 R4 K0 G6 W4 R7 W9 B9 G4",
    "B9 B3 G9 W5 G9 W9 B9 R9 B4 G9 R9 K0",
)
"""Which patch lies where: gun (R, G, B, W white, K black) and step. Found by simulated annealing, see docs/light.md."""

# In pitches of the lattice: blocks of three patches across five pitches and of two down three, half a pitch between.
_WIDTH_PITCHES: Final = 4 / 3
_HEIGHT_PITCHES: Final = 5 / 4
_GAP_PITCHES: Final = 1 / 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Patches:
    """The flat patches of a pattern, one entry each, row by row.

    Attributes:
        gun: 0 red, 1 green, 2 blue, 3 white (all three alike), 4 black, (n,).
        drive: What is sent to each gun, 0 to 255, red, green, blue, (n, 3).
        x_px: Middle of the patch in raster pixels, (n,).
        y_px: The same downwards, (n,).
        width_px: Width in raster pixels, (n,).
        height_px: Height in raster lines, (n,).
    """

    gun: NDArray[np.int64]
    drive: NDArray[np.int64]
    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    width_px: NDArray[np.int64]
    height_px: NDArray[np.int64]


def light_marks(raster: Raster) -> LatticeMarks:
    """The marks of the survey for light on a raster, row by row."""
    return marks_at(raster, lambda column, row: np.isin(column, MARK_COLUMNS) | np.isin(row, MARK_ROWS), LIGHT_SEED)


def light_patches(raster: Raster) -> Patches:
    """The patches of the survey for light on a raster, row by row."""
    codes = [code for line in _PLACES for code in line.split()]
    gun = np.array(["RGBWK".index(code[0]) for code in codes], dtype=np.int64)
    step = np.array([int(code[1]) for code in codes])
    level = np.where(gun == WHITE, np.array(WHITE_STEPS)[step], np.array(GUN_STEPS)[step])
    drive = np.where((gun[:, None] == np.arange(3)) | (gun[:, None] == WHITE), level[:, None], 0)
    left, right = _edges_px(MARK_COLUMNS, _WIDTH_PITCHES, 3, raster.width_px, COLUMNS)
    top, bottom = _edges_px(MARK_ROWS, _HEIGHT_PITCHES, 2, raster.height_px, ROWS)
    down, across = (a.ravel() for a in np.indices((len(top), len(left))))
    return Patches(
        gun=gun,
        drive=drive.astype(np.int64),
        x_px=((left + right - 1) / 2)[across],
        y_px=((top + bottom - 1) / 2)[down],
        width_px=(right - left)[across],
        height_px=(bottom - top)[down],
    )


def draw_survey_light(raster: Raster) -> NDArray[np.uint8]:
    """The survey for light as pixels, (height, width, 3), 0 to 255."""
    pixels = np.zeros((raster.height_px, raster.width_px, 3), dtype=np.uint8)
    patches = light_patches(raster)
    left = np.rint(patches.x_px - (patches.width_px - 1) / 2).astype(int)
    top = np.rint(patches.y_px - (patches.height_px - 1) / 2).astype(int)
    for x, y, w, h, drive in zip(left, top, patches.width_px, patches.height_px, patches.drive, strict=True):
        pixels[y : y + h, x : x + w] = drive
    draw_marks(pixels, light_marks(raster))
    return pixels


def _edges_px(
    marked: tuple[int, ...], size_pitches: float, each: int, side_px: int, count: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First pixel of each patch along a side, and the one after its last."""
    starts = np.concatenate([before + 1 + np.arange(each) * (size_pitches + _GAP_PITCHES) for before in marked[:-1]])
    first = np.rint(_lattice_px(starts, side_px, count) + 0.5).astype(np.int64)
    last = np.rint(_lattice_px(starts + size_pitches, side_px, count) + 0.5).astype(np.int64)
    return first, last


def _lattice_px(at: NDArray[np.float64], side_px: int, count: int) -> NDArray[np.float64]:
    """Exact place in raster pixels of a place on the lattice, whole or not."""
    return np.asarray((at + 0.5) * side_px / count - 0.5)
