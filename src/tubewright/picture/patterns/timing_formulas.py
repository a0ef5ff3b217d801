"""Rasters by formula: VESA's CVT and GTF, as pure functions.

Both were made for computer displays above some 30 kHz. Neither knows the least
line or field retrace of a television chassis, and GTF's sync slides into the
picture below some 23 kHz; such a result is refused with its reason. For a given
chassis use :mod:`tubewright.picture.patterns.fit`.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from tubewright.errors import Fault, RefusedError
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.timing_numbers import Blanking, CvtRule, FormulaTiming, cvt_numbers, gtf_numbers

BLANKINGS: Final[Mapping[str, Blanking]] = {"normal": "normal", "reduced": "reduced", "reduced_2": "reduced_2"}
"""The blankings of CVT by name."""


def cvt(
    width_px: int,
    height_px: int,
    field_hz: float,
    *,
    blanking: Blanking = "normal",
    interlaced: bool = False,
    margins: bool = False,
    rule: CvtRule = "xcvt",
) -> Raster:
    """The raster that VESA CVT gives.

    ``rule`` says whose reading of it. ``xcvt`` gives exactly what the program
    ``cvt`` prints. It departs from the standard: its line sync starts a cell later
    where 8 % of the line is a whole number of cells, its least field back porch is
    3 lines, a 5:3 picture whose height isn't a multiple of 9 gets the field sync of
    an odd shape, and with reduced blanking it reckons the clock from an estimate.
    ``1.1`` and ``1.2`` are the standard; ``1.2`` gives what ``edid-decode --cvt``
    prints, except that a shape which is 4:3, 16:9 and so on only after rounding to
    whole cells (848 x 480) has that shape's field sync here and 10 lines there. For
    320 x 240 at 60 Hz ``xcvt`` has 252 lines and a sync of 24 dots, ``1.2`` 254
    lines and 32 dots.

    Interlaced rasters, margins and the second reduced blanking (CVT 1.2) exist by
    the standard only. The program's interlaced totals are even, with which two
    fields can't interlace. Margins count as porch, as in VESA DMT.

    Args:
        width_px: Dots of a line; rounded down to whole cells of 8, by ``xcvt`` up.
        height_px: Lines of a frame.
        field_hz: Fields a second; the clock's steps move it by up to some 2 %.
        blanking: ``normal`` for a tube; the reduced ones leave no time for a retrace.
        interlaced: Two fields make a frame.
        margins: Leave 1.8 % of the picture free on each side.
        rule: See above.

    Raises:
        InputError: A size or a rate beyond reason, or what this rule doesn't have.
        RefusedError: A porch of nothing or less.

    Example:
        >>> raster = cvt(640, 480, 60)
        >>> raster.pixel_clock_hz, raster.h_total_px, raster.v_total_lines
        (23750000.0, 800, 500)
    """
    timing = cvt_numbers(
        width_px, height_px, field_hz, blanking=blanking, interlaced=interlaced, margins=margins, rule=rule
    )
    return _raster("CVT", timing, field_hz)


def gtf(width_px: int, height_px: int, field_hz: float, *, interlaced: bool = False, margins: bool = False) -> Raster:
    """The raster that VESA GTF (default curve) gives; porches, sync and lines are exactly the program ``gtf``'s.

    The program reckons in single precision and prints the clock to 0.01 MHz;
    ``edid-decode --gtf`` rounds it to 1 kHz. Here it isn't rounded. The two also part
    on a width half-way between two cells: the program takes the even number of cells
    (as here), edid-decode the larger. Margins, which the program doesn't have, count
    as porch.

    Args:
        width_px: Dots of a line; rounded to whole cells of 8.
        height_px: Lines of a frame.
        field_hz: Fields a second.
        interlaced: Two fields make a frame.
        margins: Leave 1.8 % of the picture free on each side.

    Raises:
        InputError: A size or a rate beyond reason.
        RefusedError: A porch of nothing or less: line rates below about 23 kHz.

    Example:
        >>> raster = gtf(640, 480, 60)
        >>> raster.h_front_px, raster.h_sync_px, raster.h_back_px, raster.v_total_lines
        (16, 64, 80, 497)
    """
    return _raster("GTF", gtf_numbers(width_px, height_px, field_hz, interlaced=interlaced, margins=margins), field_hz)


def _raster(formula: str, timing: FormulaTiming, field_hz: float) -> Raster:
    """The raster of a timing; an interlaced one has its lines counted over the whole frame.

    Raises:
        RefusedError: A porch of nothing or less.
    """
    t = timing
    total_px = t.width_px + t.h_front_px + t.h_sync_px + t.h_back_px + 2 * t.h_margin_px
    rate = f"{t.pixel_clock_hz / total_px / 1000:.2f} kHz" if total_px > 0 else "so low a line rate"
    wrong = [
        f"{what} of {count} {unit}"
        for count, what, unit in (
            (t.h_front_px, "a line's front porch", "dots"),
            (t.h_sync_px, "a line sync", "dots"),
            (t.h_back_px, "a line's back porch", "dots"),
            (t.v_back_lines, "a field's back porch", "lines"),
        )
        if count <= 0
    ]
    if t.pixel_clock_hz <= 0:
        wrong.append("no clock")
    if wrong:
        raise RefusedError(
            Fault(
                what=f"{formula} gives {' and '.join(wrong)} here: it was not made for {rate}, "
                "and no display can use this",
                where="formula",
                mend="Fit the raster to the chassis instead (tubewright raster fit), or take one from the list.",
            )
        )
    fields, odd = (2, 1) if t.interlaced else (1, 0)
    height = t.height_lines * fields
    return Raster(
        name=f"{formula.lower()}-{t.width_px}x{height}{'i' if t.interlaced else ''}-{field_hz:g}",
        width_px=t.width_px,
        height_px=height,
        pixel_clock_hz=t.pixel_clock_hz,
        h_front_px=t.h_front_px + t.h_margin_px,
        h_sync_px=t.h_sync_px,
        h_back_px=t.h_back_px + t.h_margin_px,
        v_front_lines=(t.v_front_lines + t.v_margin_lines) * fields,
        v_sync_lines=t.v_sync_lines * fields,
        v_back_lines=(t.v_back_lines + t.v_margin_lines) * fields + odd,
        interlaced=t.interlaced,
        h_sync_positive=t.h_sync_positive,
        v_sync_positive=t.v_sync_positive,
    )
