"""Levels, bar codes and frequencies of the trade's patterns: the numbers behind the drawings."""

from __future__ import annotations

from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster

Shape = Literal["4:3", "3:4", "5:4", "16:9"]
"""Width to height of the whole active picture on the glass, width along the line."""

SHAPES: Final[dict[Shape, tuple[int, int]]] = {"4:3": (4, 3), "3:4": (3, 4), "5:4": (5, 4), "16:9": (16, 9)}

LATTICES: Final[dict[Shape, tuple[int, int]]] = {"4:3": (16, 12), "3:4": (12, 16), "5:4": (20, 16), "16:9": (32, 18)}
"""Columns and rows of crosshatch and dots: even, so that the drawing mirrors exactly, and square on the glass."""

BAR_GUNS: Final = ((1, 1, 1), (1, 1, 0), (0, 1, 1), (0, 1, 0), (1, 0, 1), (1, 0, 0), (0, 0, 1), (0, 0, 0))
"""White, yellow, cyan, green, magenta, red, blue, black: falling luma, Rec. ITU-R BT.471."""

LUMA_SHARES: Final = (0.299, 0.587, 0.114)
"""Share of red, green and blue in the luma of 525- and 625-line systems. Source: Rec. ITU-R BT.601."""

SETUP_IRE: Final = 7.5
"""Black above blanking where a 525-line system has setup. Source: SMPTE 170M."""

STAIRS_PCT: Final = tuple(range(0, 101, 10))
PULSES_PCT: Final = (1.0, 2.0, 4.0, 8.0)
"""Stripes above black. The pair about black of Rec. ITU-R BT.814 lies at 2 %; the others are common practice."""

OVERSCAN_PCT: Final = (0.0, 2.0, 4.0, 6.0, 8.0, 10.0)
"""How far each frame of the overscan pattern lies inside the raster, of its width and height on each side."""

_FULL_CODE: Final = 255
_BURSTS: Final = 6
_SLOWEST_BURST_CYCLES: Final = 20  # across the active line; common practice: half a megahertz on a 15 kHz raster


def code_of(level_pct: float) -> int:
    """The 8-bit code of a level: 0 % is black, 100 % is 255, halves round up."""
    return int(np.floor(_FULL_CODE * level_pct / 100 + 0.5))


def dot_aspect_ratio(raster: Raster, shape: Shape) -> float:
    """Width of a dot over the pitch of the lines, as they lie on the glass."""
    across, down = SHAPES[shape]
    return (across / raster.width_px) / (down / raster.height_px)


def thin_lines(raster: Raster) -> int:
    """Lines that a thin stroke takes: two on an interlaced raster, one in each field, so that it doesn't flicker."""
    return 2 if raster.interlaced else 1


def thin_dots(raster: Raster, shape: Shape) -> int:
    """Dots that make an upright stroke as thick on the glass as a level one."""
    return max(1, int(np.floor(thin_lines(raster) / dot_aspect_ratio(raster, shape) + 0.5)))


def with_parity_of(size: int, wanted: int) -> int:
    """The smallest number from ``wanted`` up that can stand in the exact middle of ``size``."""
    return wanted + (size - wanted) % 2


def bar_codes(white_pct: float, colour_pct: float) -> NDArray[np.uint8]:
    """Codes of the eight colour bars, (8, 3) as red, green, blue.

    Rec. ITU-R BT.471 writes bars as the levels of white, black, and the highest and lowest level of a colour:
    100/0/75/0 is ``bar_codes(100, 75)``.
    """
    codes = np.array(BAR_GUNS, dtype=np.uint8) * np.uint8(code_of(colour_pct))
    codes[0] = code_of(white_pct)
    return np.asarray(codes, dtype=np.uint8)


def bar_luma_ire(white_pct: float, colour_pct: float, *, setup_ire: float = 0.0) -> NDArray[np.float64]:
    """Luma of the eight bars as an encoder puts it on one wire, IRE, (8,).

    Source: Y' = 0.299 R' + 0.587 G' + 0.114 B' of Rec. ITU-R BT.601, pressed into what setup leaves.
    """
    levels = np.array(BAR_GUNS, dtype=np.float64) * colour_pct
    levels[0] = white_pct
    return np.asarray(setup_ire + levels @ np.array(LUMA_SHARES) * (100 - setup_ire) / 100)


def burst_periods_px(raster: Raster) -> tuple[int, ...]:
    """Periods of the multiburst, widest first: even numbers of dots, so that each burst is pixel-true.

    They run from about 20 cycles across the picture to the limit of the raster, one dot on and one dot off.
    """
    widest = max(_BURSTS, raster.width_px // (2 * _SLOWEST_BURST_CYCLES))
    halves: list[int] = []
    for wanted in np.geomspace(1, widest, _BURSTS):
        halves.append(max(int(np.floor(wanted + 0.5)), halves[-1] + 1 if halves else 1))
    return tuple(2 * half for half in reversed(halves))


def burst_mhz(raster: Raster) -> tuple[float, ...]:
    """Frequencies of the multiburst, lowest first; the last is half the pixel clock."""
    return tuple(raster.pixel_clock_hz / period / 1e6 for period in burst_periods_px(raster))


def crawl_s(raster: Raster, mains_hz: float) -> float | None:
    """Time in which a bar of one mains period drifts over the whole picture; ``None`` where it stands still."""
    beat_hz = abs(raster.field_hz - mains_hz)
    return None if beat_hz < 1e-3 else 1 / beat_hz
