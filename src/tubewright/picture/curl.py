"""Top curl: how far the first lines lie to the side, how soon they settle, whether they swing past.

The course of the lines is taken apart into geometry (a smooth polynomial whose
terms have the size that bows have), a possible sway by the mains, and a curl by
one of three laws: nothing, a damped wave, two decays. A decay is either of the
last two at its edge. Each law's figures are weighted by how well it explains the
course (its marginal likelihood), so the spread holds what the choice of law adds.

Why these laws: what is left of a phase step in a line oscillator's loop of second
order is a damped wave or, overdamped, two decays (Gardner, Phaselock Techniques,
3rd ed. 2005, chapter 2); a loop of first order leaves one.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.bars import LineShifts
from tubewright.picture.curl_fit import explain
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.results import Figure, LineProfile, TopCurl, Unsupported

Floats = NDArray[np.float64]

SETTLED_RATIO: Final = 0.05
"""A line has settled when it stays within this share of the amplitude."""
_STRETCH_SD_RATIO: Final = 0.015
"""How far the scale at the top may differ from the middle's: lens and glass, which a plane does not follow.
Estimate."""
_LARGEST_SD_RATIO: Final = 0.3
"""A figure with a larger share of it as standard error is none."""
_LOOSEST_RATIO: Final = 0.0015
"""Largest standard error, over the picture's width, with which "no curl" still says something. Estimate: 0.3 % of the
width is taken for excellent."""
_SDS_IN_90_PCT: Final = 3.2897  # of a normal distribution
_NO_CURL_CHANCE: Final = 0.05
"""Chance of there being no curl above which none is reported."""


def measure_top_curl(shifts: LineShifts | None, raster: Raster, mm_per_px_x: Figure | None) -> TopCurl:
    """The curl at the top of a picture.

    Args:
        shifts: What every line does, of one photograph; ``None`` where the bars could not be followed.
        raster: The raster.
        mm_per_px_x: Millimetres on the picture per raster pixel, its width over its pixels; ``None`` without a scale.
    """
    if shifts is None:
        return _nothing(
            Unsupported(
                reason="the white bars can't be followed over most of the height",
                would_settle="a photograph with the whole picture in view, sharp and free of reflections",
            )
        )
    if mm_per_px_x is None:
        return _nothing(
            Unsupported(
                reason="nothing in the photograph gives a scale in millimetres",
                would_settle="the printed tags beside the picture, or its size measured with a ruler",
            )
        )
    draws = explain(shifts, raster)
    scale = mm_per_px_x.value
    profile = LineProfile(
        line=shifts.line,
        displacement_mm=(shifts.shift_px - draws.geometry_px) * scale,
        sd_mm=draws.noise_px * scale,
        fitted_mm=draws.likely_px[shifts.line.astype(np.int64)] * scale,
    )
    amplitude = _figure_of(draws.curl_px[:, 0] * scale)
    # What the law leaves at the first lines counts as its error there, and the scale's own error.
    others = (
        draws.left_at_top_px * scale,
        amplitude.value * mm_per_px_x.sd / scale,
        _STRETCH_SD_RATIO * amplitude.value,
    )
    amplitude = Figure(value=amplitude.value, sd=float(np.hypot.reduce([amplitude.sd, *others])))
    if draws.no_curl_chance > _NO_CURL_CHANCE:
        none = Unsupported(
            reason="no curl stands out from the geometry and the noise, so there is nothing that settles",
            would_settle="nothing, if the top looks straight; else a sharper photograph",
        )
        # The chance of a curl after all is in the spread of all draws, which the middle 68 % would leave out.
        widest = float(np.hypot.reduce([draws.curl_px[:, 0].std() * scale, draws.noise_px[0] * scale, amplitude.sd]))
        amplitude = Figure(value=amplitude.value, sd=widest)
        loose = amplitude.sd > _LOOSEST_RATIO * raster.width_px * scale
        return TopCurl(
            amplitude_mm=_like_a_bow() if loose else amplitude,
            settle_lines=none,
            overshoot_ratio=none,
            profile=profile,
        )
    if amplitude.sd > _LARGEST_SD_RATIO * abs(amplitude.value):
        why = _like_a_bow()
        return TopCurl(amplitude_mm=why, settle_lines=why, overshoot_ratio=why, profile=profile)
    settle, swing = _settling(draws.curl_px)
    return TopCurl(
        amplitude_mm=amplitude,
        settle_lines=_if_settled(_figure_of(settle)),
        overshoot_ratio=_figure_of(swing),
        profile=profile,
    )


def _nothing(why: Unsupported) -> TopCurl:
    return TopCurl(amplitude_mm=why, settle_lines=why, overshoot_ratio=why, profile=None)


def _like_a_bow() -> Unsupported:
    return Unsupported(
        reason="the bend at the top is so long that it can't be told from a bow of the whole picture",
        would_settle="a photograph with another source of picture: a bow stays, a curl changes with the field sync",
    )


def _if_settled(lines: Figure) -> Figure | Unsupported:
    """Lines to settle, unless laws that explain the course as well as one another differ in them by much."""
    if lines.sd <= _LARGEST_SD_RATIO * lines.value:
        return lines
    return Unsupported(
        reason="a last swing of the bend is at the edge of what counts as settled, or can't be told from a sway",
        would_settle="a sharper photograph, or one with another source of picture",
    )


def _figure_of(values: Floats) -> Figure:
    """Median of draws and their standard deviation, as the wider of the middle 68 % and the middle 90 % has it.

    A few draws of an unlikely law move neither; a tail of a likelier one counts.
    """
    far, low, middle, high, beyond = np.percentile(values, [5.0, 15.87, 50.0, 84.13, 95.0])
    return Figure(value=float(middle), sd=float(max((high - low) / 2, (beyond - far) / _SDS_IN_90_PCT)))


def _settling(curl: Floats) -> tuple[Floats, Floats]:
    """Lines until each course, (draws, lines), has settled, and its largest swing to the other side."""
    relative = curl / curl[:, :1]
    away = np.abs(relative) > SETTLED_RATIO
    lines = curl.shape[1]
    last = lines - 1 - np.argmax(away[:, ::-1], axis=1)
    after = np.minimum(last + 1, lines - 1)
    row = np.arange(len(curl))
    here, there = np.abs(relative[row, last]), np.abs(relative[row, after])
    crossed = np.where(after > last, (here - SETTLED_RATIO) / np.maximum(here - there, 1e-9), 0.0)
    return last + np.clip(crossed, 0, 1), np.maximum(-relative.min(axis=1), 0.0)
