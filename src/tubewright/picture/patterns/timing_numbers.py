"""What VESA's CVT and GTF reckon, before anyone asks whether a display could use it.

Sources: VESA Generalized Timing Formula standard 1.1 (1999); VESA Coordinated
Video Timings standard 1.1 (2003) and 1.2 (2013). Constants from memory of the
standards, each confirmed by the printed timings of VESA DMT entries that are
made by the formula, and by the reference programs over a grid of modes: ``cvt``
(xcvt 0.1.2), ``gtf`` (X server 21.1.7), ``edid-decode`` (2022-03-15).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from tubewright.errors import Fault, InputError

Blanking = Literal["normal", "reduced", "reduced_2"]
CvtRule = Literal["xcvt", "1.1", "1.2"]
CVT_RULES: Final[tuple[CvtRule, ...]] = ("xcvt", "1.1", "1.2")

# Common to both standards.
_CELL_PX: Final = 8  # CVT 1.2 and GTF 1.1: character cell
_MARGIN_SHARE: Final = 0.018  # the same: margin on each side, of the active picture
_SYNC_AND_BACK_US: Final = 550.0  # the same: least field sync and back porch
_SYNC_SHARE: Final = 0.08  # the same: line sync of the whole line
_DUTY_START_PCT: Final = 30.0  # C' = (C - J) K / 256 + J with C 40, J 20, K 128
_DUTY_SLOPE_PCT_KHZ: Final = 300.0  # M' = K M / 256 with M 600 %/kHz

# GTF 1.1
_GTF_FRONT_LINES: Final = 1
_GTF_SYNC_LINES: Final = 3

# CVT 1.1 and 1.2
_CVT_FRONT_LINES: Final = 3
_CVT_LEAST_DUTY_PCT: Final = 20.0
_CVT_STEP_HZ: Final = 250_000.0
_CVT_LEAST_BACK_LINES: Final[dict[CvtRule, int]] = {"1.1": 6, "1.2": 7, "xcvt": 3}
"""1.2 widened it by a line; the program compares with its least front porch instead (seen in its output)."""
_CVT_REDUCED_LEAST_BACK_OF_PROGRAM: Final = 6  # seen in its output
_REDUCED_BLANK_US: Final = 460.0
_REDUCED_BLANK_PX: Final = 160
_REDUCED_FRONT_PX: Final = 48
_REDUCED_SYNC_PX: Final = 32
_REDUCED_2_BLANK_PX: Final = 80
_REDUCED_2_FRONT_PX: Final = 8
_REDUCED_2_SYNC_LINES: Final = 8
_REDUCED_2_BACK_LINES: Final = 6
_REDUCED_2_STEP_HZ: Final = 1000.0

SMALLEST_PX: Final = 16
LARGEST_PX: Final = 8192
SLOWEST_HZ: Final = 10.0
FASTEST_HZ: Final = 500.0
"""What is taken as a question at all; common practice, far wider than any tube."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FormulaTiming:
    """What a formula gives before anyone asks whether a display could use it: porches may be zero or negative.

    Lines are those of one field; an interlaced field has half a line more. Margins
    lie between the picture and the porches, on each side.
    """

    width_px: int
    height_lines: int
    pixel_clock_hz: float
    h_front_px: int
    h_sync_px: int
    h_back_px: int
    h_margin_px: int
    v_front_lines: int
    v_sync_lines: int
    v_back_lines: int
    v_margin_lines: int
    interlaced: bool
    h_sync_positive: bool
    v_sync_positive: bool


def cvt_numbers(
    width_px: int,
    height_px: int,
    field_hz: float,
    *,
    blanking: Blanking = "normal",
    interlaced: bool = False,
    margins: bool = False,
    rule: CvtRule = "xcvt",
) -> FormulaTiming:
    """What :func:`cvt` reckons with, unusable or not; arguments as there.

    Raises:
        InputError: A size or a rate beyond reason, or what this rule doesn't have.
    """
    check_asked(width_px, height_px, field_hz, interlaced=interlaced)
    if rule == "xcvt":
        if interlaced or margins or blanking == "reduced_2":
            raise InputError(
                Fault(
                    what="the rule xcvt has no interlace, no margins and no second reduced blanking",
                    where="rule",
                    mend="Take rule 1.2 for these.",
                )
            )
        if blanking == "reduced" and field_hz % 60:
            raise InputError(
                Fault(
                    what="the rule xcvt has reduced blanking for multiples of 60 Hz only",
                    where="rate",
                    mend="Take such a rate, or rule 1.2.",
                )
            )
        return _cvt_as_program(width_px, height_px, field_hz, reduced=blanking == "reduced")
    if rule == "1.1" and blanking == "reduced_2":
        raise InputError(
            Fault(what="the second reduced blanking came with CVT 1.2", where="rule", mend="Take rule 1.2.")
        )
    return _cvt_as_standard(
        width_px, height_px, field_hz, blanking=blanking, interlaced=interlaced, margins=margins, rule=rule
    )


def _cvt_as_standard(
    width_px: int,
    height_px: int,
    field_hz: float,
    *,
    blanking: Blanking,
    interlaced: bool,
    margins: bool,
    rule: CvtRule,
) -> FormulaTiming:
    cell_px = 1 if blanking == "reduced_2" else _CELL_PX
    width = width_px - width_px % cell_px
    lines = height_px // 2 if interlaced else height_px
    half = 0.5 if interlaced else 0.0
    h_margin = math.floor(width * _MARGIN_SHARE / cell_px) * cell_px if margins else 0
    v_margin = math.floor(lines * _MARGIN_SHARE) if margins else 0
    active_px, active_lines = width + 2 * h_margin, lines + 2 * v_margin
    sync_lines = _REDUCED_2_SYNC_LINES if blanking == "reduced_2" else _sync_lines(width, height_px, cell_px=cell_px)
    if blanking == "normal":
        least_back = _CVT_LEAST_BACK_LINES[rule]
        period_us = (1e6 / field_hz - _SYNC_AND_BACK_US) / (active_lines + _CVT_FRONT_LINES + half)
        sync_and_back = max(math.floor(_SYNC_AND_BACK_US / period_us) + 1, sync_lines + least_back)
        front, back = _CVT_FRONT_LINES, sync_and_back - sync_lines
        duty_pct = max(_DUTY_START_PCT - _DUTY_SLOPE_PCT_KHZ * period_us / 1000, _CVT_LEAST_DUTY_PCT)
        blank_px = math.floor(active_px * duty_pct / (100 - duty_pct) / (2 * cell_px)) * 2 * cell_px
        sync_px = math.floor((active_px + blank_px) * _SYNC_SHARE / cell_px) * cell_px
        back_px = blank_px // 2
        front_px = blank_px - sync_px - back_px
        clock_hz = math.floor((active_px + blank_px) / period_us * 1e6 / _CVT_STEP_HZ) * _CVT_STEP_HZ
    else:
        second = blanking == "reduced_2"
        least_back = _REDUCED_2_BACK_LINES if second else _CVT_LEAST_BACK_LINES[rule]
        least_front = 1 if second else _CVT_FRONT_LINES
        period_us = (1e6 / field_hz - _REDUCED_BLANK_US) / active_lines
        blank_lines = max(math.floor(_REDUCED_BLANK_US / period_us) + 1, least_front + sync_lines + least_back)
        front = blank_lines - sync_lines - least_back if second else least_front
        back = blank_lines - sync_lines - front
        blank_px = _REDUCED_2_BLANK_PX if second else _REDUCED_BLANK_PX
        sync_px, front_px = _REDUCED_SYNC_PX, _REDUCED_2_FRONT_PX if second else _REDUCED_FRONT_PX
        back_px = blank_px - sync_px - front_px
        step_hz = _REDUCED_2_STEP_HZ if second else _CVT_STEP_HZ
        clock_hz = _steps(field_hz * (active_lines + blank_lines + half) * (active_px + blank_px), step_hz)
    return FormulaTiming(
        width_px=width,
        height_lines=lines,
        pixel_clock_hz=clock_hz,
        h_front_px=front_px,
        h_sync_px=sync_px,
        h_back_px=back_px,
        h_margin_px=h_margin,
        v_front_lines=front,
        v_sync_lines=sync_lines,
        v_back_lines=back,
        v_margin_lines=v_margin,
        interlaced=interlaced,
        h_sync_positive=blanking != "normal",
        v_sync_positive=blanking == "normal",
    )


def _steps(clock_hz: float, step_hz: float) -> float:
    """A clock rounded down to its steps; one that is a whole number of them, but for the last bit, stays."""
    return math.floor(clock_hz / step_hz + 1e-9) * step_hz


def _cvt_as_program(width_px: int, height_px: int, field_hz: float, *, reduced: bool) -> FormulaTiming:
    width = width_px + -width_px % _CELL_PX
    rate = float(np.float32(field_hz))
    # The program keeps the line's period in single precision.
    if reduced:
        sync_lines = _sync_lines_of_program(width, height_px)
        period_us = float(np.float32((1e6 / rate - _REDUCED_BLANK_US) / height_px))
        blank_lines = max(
            math.floor(_REDUCED_BLANK_US / period_us + 1),
            _CVT_FRONT_LINES + sync_lines + _CVT_REDUCED_LEAST_BACK_OF_PROGRAM,
        )
        front, back = _CVT_FRONT_LINES, blank_lines - _CVT_FRONT_LINES - sync_lines
        blank_px, sync_px, front_px = _REDUCED_BLANK_PX, _REDUCED_SYNC_PX, _REDUCED_FRONT_PX
    else:
        sync_lines = _sync_lines_of_program(width, height_px)
        period_us = float(np.float32((1e6 / rate - _SYNC_AND_BACK_US) / (height_px + _CVT_FRONT_LINES)))
        sync_and_back = max(math.floor(_SYNC_AND_BACK_US / period_us) + 1, sync_lines + _CVT_LEAST_BACK_LINES["xcvt"])
        front, back = _CVT_FRONT_LINES, sync_and_back - sync_lines
        duty_pct = max(_DUTY_START_PCT - _DUTY_SLOPE_PCT_KHZ * period_us / 1000, _CVT_LEAST_DUTY_PCT)
        blank_px = math.floor(width * duty_pct / (100 - duty_pct))
        blank_px -= blank_px % (2 * _CELL_PX)
        sync_end = width + blank_px // 2
        sync_start = sync_end - (width + blank_px) * 8 // 100
        sync_start += _CELL_PX - sync_start % _CELL_PX
        front_px, sync_px = sync_start - width, sync_end - sync_start
    total_px = width + blank_px
    clock_khz = math.floor(total_px * 1000 / period_us)
    return FormulaTiming(
        width_px=width,
        height_lines=height_px,
        pixel_clock_hz=(clock_khz - clock_khz % 250) * 1000.0,
        h_front_px=front_px,
        h_sync_px=sync_px,
        h_back_px=blank_px - front_px - sync_px,
        h_margin_px=0,
        v_front_lines=front,
        v_sync_lines=sync_lines,
        v_back_lines=back,
        v_margin_lines=0,
        interlaced=False,
        h_sync_positive=reduced,
        v_sync_positive=not reduced,
    )


def _sync_lines(width_px: int, height_px: int, *, cell_px: int) -> int:
    """Field sync by the picture's shape, CVT 1.2: the width that the shape gives, in whole cells, is the width."""
    for lines, across, down in ((4, 4, 3), (5, 16, 9), (6, 16, 10), (7, 5, 4), (7, 15, 9)):
        if cell_px * math.floor(height_px * across / down / cell_px) == width_px:
            return lines
    return 10


def _sync_lines_of_program(width_px: int, height_px: int) -> int:
    """The same as the program has it: the height must be divisible, and the width exact."""
    for lines, across, down, by in ((4, 4, 3, 3), (5, 16, 9, 9), (6, 16, 10, 10), (7, 5, 4, 4), (7, 15, 9, 9)):
        if height_px % by == 0 and height_px * across // down == width_px:
            return lines
    return 10


def gtf_numbers(
    width_px: int, height_px: int, field_hz: float, *, interlaced: bool = False, margins: bool = False
) -> FormulaTiming:
    """What :func:`gtf` reckons with, unusable or not; arguments as there.

    Raises:
        InputError: A size or a rate beyond reason.
    """
    check_asked(width_px, height_px, field_hz, interlaced=interlaced)
    width = round(width_px / _CELL_PX) * _CELL_PX
    lines = round(height_px / 2) if interlaced else height_px
    half = 0.5 if interlaced else 0.0
    v_margin = math.floor(lines * _MARGIN_SHARE + 0.5) if margins else 0
    h_margin = math.floor(width * _MARGIN_SHARE / _CELL_PX + 0.5) * _CELL_PX if margins else 0
    active_lines, active_px = lines + 2 * v_margin, width + 2 * h_margin
    estimate_us = (1e6 / field_hz - _SYNC_AND_BACK_US) / (active_lines + _GTF_FRONT_LINES + half)
    sync_and_back = round(_SYNC_AND_BACK_US / estimate_us)
    total_lines = active_lines + sync_and_back + half + _GTF_FRONT_LINES
    period_us = 1e6 / (field_hz * total_lines)
    duty_pct = _DUTY_START_PCT - _DUTY_SLOPE_PCT_KHZ * period_us / 1000
    blank_px = round(active_px * duty_pct / (100 - duty_pct) / (2 * _CELL_PX)) * 2 * _CELL_PX
    sync_px = round((active_px + blank_px) * _SYNC_SHARE / _CELL_PX) * _CELL_PX
    return FormulaTiming(
        width_px=width,
        height_lines=lines,
        pixel_clock_hz=(active_px + blank_px) / period_us * 1e6,
        h_front_px=blank_px // 2 - sync_px,
        h_sync_px=sync_px,
        h_back_px=blank_px // 2,
        h_margin_px=h_margin,
        v_front_lines=_GTF_FRONT_LINES,
        v_sync_lines=_GTF_SYNC_LINES,
        v_back_lines=sync_and_back - _GTF_SYNC_LINES,
        v_margin_lines=v_margin,
        interlaced=interlaced,
        h_sync_positive=False,
        v_sync_positive=True,
    )


def check_asked(width_px: int, height_px: int, field_hz: float, *, interlaced: bool) -> None:
    """See that a wish is one for a picture.

    Raises:
        InputError: It isn't; ``where`` is ``width``, ``height`` or ``rate``.
    """
    faults = [
        Fault(
            what=f"{size} {what} is not a picture",
            where=where,
            mend=f"Take from {SMALLEST_PX} to {LARGEST_PX}.",
        )
        for size, what, where in ((width_px, "dots of width", "width"), (height_px, "lines of height", "height"))
        if not SMALLEST_PX <= size <= LARGEST_PX
    ]
    if not SLOWEST_HZ <= field_hz <= FASTEST_HZ:
        faults.append(
            Fault(
                what=f"{field_hz:g} fields a second is not a rate for a picture",
                where="rate",
                mend=f"Take from {SLOWEST_HZ:g} to {FASTEST_HZ:g} Hz.",
            )
        )
    if interlaced and height_px % 2:
        faults.append(
            Fault(what=f"{height_px} lines don't make two fields", where="height", mend="Take an even number of lines.")
        )
    if faults:
        raise InputError(faults)
