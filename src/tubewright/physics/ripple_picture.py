"""What ripple on a supply does to the picture: breathing width, shifted lines, shaded bars, and how they crawl.

All of it repeats at the ripple's rate, and the picture is written at the field rate. So
what is seen are as many bars as the ripple has cycles in a field, and they crawl at the
difference between the two rates.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, non_negative, numbers, positive


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HumBars:
    """Bars of a ripple on a picture.

    ``bars_count`` is how many stand on a field at once; ``beat_hz`` how often one takes
    the place of the next, positive when they move down; ``screen_s`` how long one takes
    to cross the whole field, infinite when they stand.
    """

    bars_count: FloatArray
    beat_hz: FloatArray
    screen_s: FloatArray


def width_ratio(supply_ratio: ArrayLike, *, shares_supply: bool = True) -> FloatArray:
    """Width of the picture, as a ratio, when B+ changes by a ratio.

    Args:
        supply_ratio: B+ over what it was, above zero; any shape.
        shares_supply: True where scan and anode voltage come from the same line stage, as
            nearly always; False where the anode voltage is made and held apart.

    Returns:
        Width over what it was.

    Raises:
        ValueError: A ratio not above zero.

    Source: derived. The scan current goes as B+ and deflection as current over the root
    of the anode voltage, which goes as B+ too where it is shared.

    >>> round(float(width_ratio(107 / 120)), 3)
    0.944
    """
    ratio = positive("supply_ratio", supply_ratio)
    return answer(np.sqrt(ratio) if shares_supply else ratio)


def edge_sway_mm(
    ripple_pp_v: ArrayLike, supply_v: ArrayLike, width_mm: ArrayLike, *, shares_supply: bool = True
) -> FloatArray:
    """How far each side edge of the picture moves in and out with the ripple, peak to peak, mm.

    The two edges move against each other; the middle stands still.

    Args:
        ripple_pp_v: Ripple on B+, V peak to peak; any shape.
        supply_v: B+, V; broadcasts.
        width_mm: Width of the picture, mm; broadcasts.
        shares_supply: As for :func:`width_ratio`.

    Raises:
        ValueError: A negative ripple, one larger than twice the supply, or a supply or width not above zero.

    Source: :func:`width_ratio` at the crest less that at the valley, over two edges.

    >>> round(float(edge_sway_mm(2.0, 120.0, 360.0)), 2)
    1.5
    """
    share = non_negative("ripple_pp_v", ripple_pp_v) / (2 * positive("supply_v", supply_v))
    if np.any(share >= 1):
        raise ValueError("ripple_pp_v must be below twice supply_v")
    crest, valley = (width_ratio(1 + sign * share, shares_supply=shares_supply) for sign in (1, -1))
    return answer(positive("width_mm", width_mm) / 2 * (crest - valley))


def line_sway_mm(
    pull_pp_hz: ArrayLike, loop_gain_rad_s: ArrayLike, width_mm: ArrayLike, active_ratio: ArrayLike
) -> FloatArray:
    """How far all lines move sideways when ripple pulls at the line oscillator, peak to peak, mm.

    Args:
        pull_pp_hz: How far the ripple would pull the free oscillator, Hz peak to peak; any shape.
        loop_gain_rad_s: Detector gain times oscillator gain, rad/s (V/rad times rad/s per V).
        width_mm: Width of the picture, mm.
        active_ratio: Share of the line that the picture takes, up to 1.

    Raises:
        ValueError: A negative pull, or anything else not above zero.

    Source: static phase error of a loop, ``2 pi df / K``, a turn of which is a whole line. It
    holds while the ripple is well below the loop's natural frequency; above it the sway is less.

    >>> round(float(line_sway_mm(50.0, 6283.185, 360.0, 0.83)), 2)
    3.45
    """
    lines = non_negative("pull_pp_hz", pull_pp_hz) / positive("loop_gain_rad_s", loop_gain_rad_s)
    return answer(lines * positive("width_mm", width_mm) / positive("active_ratio", active_ratio))


def brightness_ratio(ripple_pp_v: ArrayLike, drive_v: ArrayLike, drive_exponent: ArrayLike) -> FloatArray:
    """How much brighter the crests of a ripple on the drive are than its valleys, as a ratio of light.

    Args:
        ripple_pp_v: Ripple between cathode and grid 1, V peak to peak; any shape.
        drive_v: Drive above cutoff at the brightness looked at, V; broadcasts.
        drive_exponent: Power by which the beam follows the drive; broadcasts.

    Returns:
        Light at the crest over light at the valley; infinite where the valley cuts the beam off.

    Raises:
        ValueError: A negative ripple, a drive or an exponent not above zero.

    Source: the drive law of :mod:`tubewright.physics.gun`; light goes as beam current.

    >>> round(float(brightness_ratio(1.0, 40.0, 3.0)), 3)
    1.078
    """
    half = non_negative("ripple_pp_v", ripple_pp_v) / 2
    drive = positive("drive_v", drive_v)
    with np.errstate(divide="ignore"):
        swing = (drive + half) / np.maximum(drive - half, 0)
    return answer(swing ** positive("drive_exponent", drive_exponent))


def hum_bars(ripple_hz: ArrayLike, field_hz: ArrayLike) -> HumBars:
    """How many bars a ripple makes on a picture, and how they crawl.

    Args:
        ripple_hz: Rate of the ripple, Hz; any shape.
        field_hz: Field rate, Hz; broadcasts.

    Raises:
        ValueError: A rate not above zero.

    Source: derived. With k the whole number nearest to cycles in a field, a bar takes the
    next one's place ``|ripple - k field|`` times a second, and the field holds k of them.
    A field that is written faster than the ripple comes sees it later each time: lower.

    >>> bars = hum_bars([60.0, 120.0], 60.6)
    >>> bars.bars_count.tolist(), bars.screen_s.round(2).tolist()
    ([1.0, 2.0], [1.67, 1.67])
    """
    ripple, field = np.broadcast_arrays(positive("ripple_hz", ripple_hz), positive("field_hz", field_hz))
    count = np.maximum(np.rint(ripple / field), 1)
    beat = count * field - ripple
    with np.errstate(divide="ignore"):
        screen = count / np.abs(beat)
    return HumBars(bars_count=answer(count), beat_hz=answer(beat), screen_s=answer(screen))


def ripple_from_bars_hz(bars_count: ArrayLike, screen_s: ArrayLike, field_hz: ArrayLike, down: ArrayLike) -> FloatArray:
    """The rate of what makes bars, from their number and how long one takes to cross the screen, Hz.

    Args:
        bars_count: Bars on the screen at once; any shape.
        screen_s: Seconds for one to cross it, infinite when they stand; broadcasts.
        field_hz: Field rate, Hz; broadcasts.
        down: 1 where they move down, -1 where they move up; broadcasts.

    Raises:
        ValueError: A number, time or rate not above zero.

    Source: :func:`hum_bars` turned round.

    >>> round(float(ripple_from_bars_hz(1, 1.6667, 60.6, 1)), 2)
    60.0
    """
    count = positive("bars_count", bars_count)
    return answer(count * (positive("field_hz", field_hz) - numbers(down) / positive("screen_s", screen_s)))
