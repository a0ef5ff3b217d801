"""The trade's patterns, drawn dot by dot: nothing between on and off but the levels asked for.

Each function gives pixels, (height, width, 3), red, green, blue, uint8. Strokes
are as thick on the glass one way as the other; what is drawn in the middle stands
in the exact middle; what mirrors, mirrors to the dot. A tube mounted upright
turns the whole raster, so its patterns turn with it and stay true; ``3:4`` is for
a raster whose lines run along the short side of the picture.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.trade_levels import (
    LATTICES,
    OVERSCAN_PCT,
    PULSES_PCT,
    STAIRS_PCT,
    Shape,
    bar_codes,
    burst_periods_px,
    code_of,
    dot_aspect_ratio,
    thin_dots,
    thin_lines,
    with_parity_of,
)

Pixels = NDArray[np.uint8]


def black(raster: Raster) -> Pixels:
    """Nothing lit."""
    return np.zeros((raster.height_px, raster.width_px, 3), dtype=np.uint8)


def field(raster: Raster, guns: tuple[int, ...], level_pct: float = 100.0) -> Pixels:
    """The whole raster at one level of the given guns (0 red, 1 green, 2 blue)."""
    pixels = black(raster)
    pixels[..., list(guns)] = code_of(level_pct)
    return pixels


def crosshatch(raster: Raster, shape: Shape) -> Pixels:
    """Thin white lines in squares; the middle of the picture is the middle of a square."""
    columns, rows = LATTICES[shape]
    wide, high = thin_dots(raster, shape), thin_lines(raster)
    pixels = black(raster)
    for left in strokes_px(raster.width_px, columns, wide):
        pixels[:, left : left + wide] = 255
    for top in strokes_px(raster.height_px, rows, high):
        pixels[top : top + high] = 255
    return pixels


def dots(raster: Raster, shape: Shape) -> Pixels:
    """White dots, two lines high, where the crosshatch's lines cross."""
    columns, rows = LATTICES[shape]
    high = 2
    wide = max(1, int(np.floor(high / dot_aspect_ratio(raster, shape) + 0.5)))
    pixels = black(raster)
    for left in strokes_px(raster.width_px, columns, wide):
        for top in strokes_px(raster.height_px, rows, high):
            pixels[top : top + high, left : left + wide] = 255
    return pixels


def centre(raster: Raster, shape: Shape) -> Pixels:
    """A cross through the exact middle and a circle that is round on the glass."""
    pixels = black(raster)
    wide = with_parity_of(raster.width_px, thin_dots(raster, shape))
    high = with_parity_of(raster.height_px, thin_lines(raster))
    left, top = (raster.width_px - wide) // 2, (raster.height_px - high) // 2
    pixels[:, left : left + wide] = 255
    pixels[top : top + high] = 255
    # In pitches of lines from the middle, so that a circle is a circle.
    aspect = dot_aspect_ratio(raster, shape)
    x = (np.arange(raster.width_px) - (raster.width_px - 1) / 2) * aspect
    y = np.arange(raster.height_px) - (raster.height_px - 1) / 2
    away = np.hypot(x[None, :], y[:, None])
    with np.errstate(invalid="ignore", divide="ignore"):
        # A stroke must not fall between dots: it is at least as thick as the dots' pitch across it.
        pitch = np.maximum(aspect * np.abs(x)[None, :] / away, np.abs(y)[:, None] / away)
    thick = np.maximum(thin_lines(raster), pitch)
    pixels[np.abs(away - circle_radius_lines(raster, shape)) <= thick / 2] = 255
    return pixels


def circle_radius_lines(raster: Raster, shape: Shape) -> float:
    """Radius of the circle in pitches of lines: 90 % of the shorter side across."""
    return 0.45 * min(raster.height_px, raster.width_px * dot_aspect_ratio(raster, shape))


def window(raster: Raster) -> Pixels:
    """A white rectangle of half the width and half the height, in the exact middle."""
    pixels = black(raster)
    wide = with_parity_of(raster.width_px, raster.width_px // 2)
    high = with_parity_of(raster.height_px, raster.height_px // 2)
    left, top = (raster.width_px - wide) // 2, (raster.height_px - high) // 2
    pixels[top : top + high, left : left + wide] = 255
    return pixels


def staircase(raster: Raster) -> Pixels:
    """Grey in eleven even steps, rising to the right above and to the left below."""
    pixels = black(raster)
    codes = np.array([code_of(level) for level in STAIRS_PCT], dtype=np.uint8)
    rising = codes[_part_of(raster.width_px, len(codes))]
    middle = raster.height_px // 2
    pixels[:middle] = rising[None, :, None]
    pixels[middle:] = rising[None, ::-1, None]
    return pixels


def pulses(raster: Raster) -> Pixels:
    """Four stripes just above black, faintest on the left, and a white patch at the right."""
    pixels = black(raster)
    x, y = _sixteenths(raster.width_px), _sixteenths(raster.height_px)
    for k, level in enumerate(PULSES_PCT):
        pixels[y[2] : y[14], x[1 + 2 * k] : x[2 + 2 * k]] = code_of(level)
    pixels[y[5] : y[11], x[11] : x[15]] = 255
    return pixels


def bars(raster: Raster, white_pct: float, colour_pct: float) -> Pixels:
    """Eight colour bars over the whole height, white on the left, black on the right."""
    pixels = black(raster)
    pixels[:] = bar_codes(white_pct, colour_pct)[_part_of(raster.width_px, 8)][None]
    return pixels


def multiburst(raster: Raster) -> Pixels:
    """A white and a black patch, then bursts of upright lines, each finer than the one before, on grey."""
    pixels = field(raster, (0, 1, 2), 50.0)
    periods = burst_periods_px(raster)
    edges = np.arange(len(periods) + 2) * raster.width_px // (len(periods) + 1)
    flag = edges[1] // 2
    pixels[:, :flag] = 255
    pixels[:, flag : edges[1]] = 0
    for period, left, right in zip(periods, edges[1:-1], edges[2:], strict=True):
        cycles = max(1, (7 * (right - left) // 8) // period)
        start = left + (right - left - cycles * period) // 2
        phase = np.arange(cycles * period) % period
        pixels[:, start : start + cycles * period] = np.where(phase < period // 2, 255, 0)[None, :, None]
    return pixels


def overscan(raster: Raster, shape: Shape) -> Pixels:
    """Frames inside one another, 2 % of the picture apart, the outermost on the raster's edge."""
    pixels = black(raster)
    wide, high = thin_dots(raster, shape), thin_lines(raster)
    # The colours of the bars in their order, and white again for the innermost.
    colours = [*bar_codes(100, 100)[:5], np.full(3, 255, dtype=np.uint8)]
    for inset_pct, colour in zip(OVERSCAN_PCT, colours, strict=True):
        x = int(np.floor(raster.width_px * inset_pct / 100 + 0.5))
        y = int(np.floor(raster.height_px * inset_pct / 100 + 0.5))
        right, bottom = raster.width_px - x, raster.height_px - y
        pixels[y : y + high, x:right] = colour
        pixels[bottom - high : bottom, x:right] = colour
        pixels[y:bottom, x : x + wide] = colour
        pixels[y:bottom, right - wide : right] = colour
    return pixels


def split(raster: Raster, level_pct: float) -> Pixels:
    """Grey on the left, near black on the right, parted by a straight edge in the middle."""
    pixels = field(raster, (0, 1, 2), level_pct)
    pixels[:, (raster.width_px + 1) // 2 :] = code_of(min(10.0, level_pct / 2))
    return pixels


def load(raster: Raster, shape: Shape) -> tuple[Pixels, Pixels]:
    """Two pictures in turn: a frame with upright lines, and the same with the lower half white."""
    light = black(raster)
    wide, high = thin_dots(raster, shape), thin_lines(raster)
    x, y = raster.width_px // 20, raster.height_px // 20
    light[y : y + high, x : raster.width_px - x] = 255
    light[raster.height_px - y - high : raster.height_px - y, x : raster.width_px - x] = 255
    light[y : raster.height_px - y, x : x + wide] = 255
    light[y : raster.height_px - y, raster.width_px - x - wide : raster.width_px - x] = 255
    for left in strokes_px(raster.width_px, 4, wide):
        light[y : raster.height_px - y, left : left + wide] = 255
    heavy = light.copy()
    heavy[raster.height_px // 2 : raster.height_px - y, x : raster.width_px - x] = 255
    return light, heavy


def guns(raster: Raster) -> Pixels:
    """Four bands, red, green, blue and white from the top, each rising to the right in ten steps."""
    pixels = black(raster)
    codes = np.array([code_of(level) for level in STAIRS_PCT[1:]], dtype=np.uint8)
    rising = codes[_part_of(raster.width_px, len(codes))]
    band = _part_of(raster.height_px, 4)
    for gun in range(3):
        pixels[(band == gun) | (band == 3), :, gun] = rising
    return pixels


def strokes_px(size_px: int, count: int, thick_px: int) -> list[int]:
    """Where ``count`` strokes begin (an even number) that stand in the middles of equal parts of a side.

    The second half mirrors the first to the dot; each stroke's middle is within half a dot of its place.
    """
    first = [int(np.floor((k + 0.5) * size_px / count - thick_px / 2 + 0.5)) for k in range(count // 2)]
    return first + [size_px - thick_px - left for left in reversed(first)]


def _part_of(size_px: int, parts: int) -> NDArray[np.int64]:
    """Which of so many equal parts each dot of a side belongs to, by its middle, (size,)."""
    return np.asarray((2 * np.arange(size_px) + 1) * parts // (2 * size_px), dtype=np.int64)


def _sixteenths(size_px: int) -> list[int]:
    return [k * size_px // 16 for k in range(17)]
