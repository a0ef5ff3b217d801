"""Hum: what the mains does to the lines' place and to their light, as a wave down the picture.

One photograph holds one standing wave, and a slow one looks like a bow: then no
figure is given. In several photographs, taken seconds apart, the wave has
drifted while the geometry stayed: three or more tell its size, whatever the
picture's shape. A wave that stands still, because the picture is locked to the
mains, stays part of the geometry.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.bars import LineShifts
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.results import Figure, Hum, Known, Unsupported

Floats = NDArray[np.float64]

MAINS_HZ: Final = (50.0, 60.0)  # the public supplies of the world; IEC 60038:2009, table 1
GEOMETRY_SD_RATIO: Final = (1.0, 0.1, 0.015, 0.004, 0.0006, 0.00015)
"""Size of the terms of geometry, over the picture's width, by degree of their Legendre polynomial: place, tilt, bow,
S, and two finer. Estimate: bows up to 1.5 % of the width are within what the trade sets up to; finer terms of a
yoke shrink by a factor of four or more each."""
_TOP_SHARE: Final = 0.12
"""Share of the height that is left out at the top, where a curl has its swings. Estimate."""
_EDGE_SPREADS: Final = 4.0
"""How many spreads of the spot from the first and the last line light has its neighbours' share on both sides."""
_FLOOR_RATIO: Final = (3e-5, 0.003)
"""What no photograph gets below line by line, over the width, and over the light: mask, lens, glass. Estimate."""
_FEWEST_VIEWS: Final = 3
"""Photographs that tell a wave: what one shows may be a slow curl or the picture's own shape, however well a wave
fits it (of 84 random displays four were so given a figure wrong by a millimetre or two); two say whether, not how
much."""
_LEAST_LEFT_RATIO: Final = 0.3
"""A wave of which the exposure leaves less than this share can't be scaled back. Estimate."""
_LARGEST_SD_RATIO: Final = 0.25
"""A figure whose standard error is a larger share of it is none."""
_WORTH: Final = 1e-3
"""Weight below which a wave's frequency is out of the question."""
_DRIFT_CHANCE: Final = 0.01
_FIXED_DEGREE: Final = 2
"""Degree up to which the same picture may differ between two photographs by hand (pose and lens)."""
_BAND_SHARE: Final = 0.03
"""How far an exposure may be from whole fields before bands of light disturb. Estimate."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class HumView:
    """What one photograph gives to hum.

    Attributes:
        shifts: What every line does. For light, those of a flat field may be put in the place of the bars'.
        mm_per_px_x: Millimetres on the picture per raster pixel, its width over its pixels; ``None`` without a scale.
        exposure_s: Time during which each row gathered light; ``None`` if not known.
    """

    shifts: LineShifts
    mm_per_px_x: Figure | None = None
    exposure_s: float | None = None


def mains_periods(raster: Raster) -> dict[float, float]:
    """Lines to a cycle by the wave's frequency, one or two cycles to a mains period.

    Of an interlaced raster in lines of the frame: two neighbours are a field apart, two next but one a line.
    """
    per_field_line = 2 if raster.interlaced else 1
    return {times * hz: per_field_line * raster.line_hz / (times * hz) for hz in MAINS_HZ for times in (1, 2)}


def mains_waves(raster: Raster, line: Floats) -> dict[float, Floats]:
    """Cosine and sine of each wave that the mains can draw at lines of the raster, (n, 2), by frequency."""
    return {
        hz: np.stack([np.cos(2 * np.pi * line / period), np.sin(2 * np.pi * line / period)], axis=1)
        for hz, period in mains_periods(raster).items()
    }


def left_by_exposure(hz: float, raster: Raster, exposure_s: float | None) -> float:
    """Share of a wave's size that the fields of an exposure leave: from field to field its phase moves on."""
    if exposure_s is None:
        return 1.0
    fields = max(1, round(exposure_s * raster.field_hz))
    half_step = np.pi * hz / raster.field_hz
    if abs(np.sin(half_step)) < 1e-9:
        return 1.0
    # Sum of equally turned unit vectors (Dirichlet's kernel).
    return float(abs(np.sin(fields * half_step) / (fields * np.sin(half_step))))


def measure_hum(views: Sequence[HumView], raster: Raster) -> Hum:
    """Hum from one photograph or several of the same picture.

    A figure is the swing from peak to peak of the likeliest single wave.
    """
    if not views:
        why = Unsupported(
            reason="the white bars can't be followed over most of the height",
            would_settle="a photograph with the whole picture in view, sharp and free of reflections",
        )
        return Hum(displacement_mm=why, brightness_pct=why, period_lines=why)
    shown = {
        hz: float(np.mean([left_by_exposure(hz, raster, v.exposure_s) for v in views])) for hz in mains_periods(raster)
    }
    shown = {hz: left for hz, left in shown.items() if left >= _LEAST_LEFT_RATIO}
    if not shown:
        why = Unsupported(
            reason="the exposure is so long that a drifting hum averages out",
            would_settle="photographs of a sixtieth to a thirtieth of a second",
        )
        return Hum(displacement_mm=why, brightness_pct=why, period_lines=why)
    scales = [v.mm_per_px_x for v in views]
    known_scales = [s for s in scales if s is not None]
    sway = _swing(views, raster, shown, light=False)
    if len(known_scales) < len(views):
        displacement: Known = Unsupported(
            reason="nothing in the photograph gives a scale in millimetres",
            would_settle="the printed tags beside the picture, or its size measured with a ruler",
        )
    else:
        mm = float(np.mean([s.value for s in known_scales]))
        displacement = _scaled(sway, mm, "mm")
    banded = [v for v in views if not _whole_fields(v, raster)]
    if isinstance(sway, _Swing) and sway.hz is not None:
        # The same mains makes both, once or twice to its period.
        shown = {hz: left for hz, left in shown.items() if hz / sway.hz in {0.5, 1.0, 2.0}}
    swing = _swing(views, raster, shown, light=True)
    brightness: Known = (
        Unsupported(
            reason="the exposure is not a whole number of fields, so bands of light lie over the picture",
            would_settle=f"exposures of a whole number of {1 / raster.field_hz:.4f} s",
        )
        if banded
        else _scaled(swing, 100.0, "%")
    )
    told = (sway,) if banded else (sway, swing)
    period = next((s.period for s in told if isinstance(s, _Swing) and s.sure), None)
    return Hum(
        displacement_mm=displacement,
        brightness_pct=brightness,
        period_lines=period
        or Unsupported(
            reason="no wave stands out whose period could be told",
            would_settle="several photographs, seconds apart, if the picture sways or bands crawl",
        ),
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class _Swing:
    """Peak-to-peak size of a wave with its standard error, in pixels or over the light, and what is known of it.

    ``sure`` means that a wave is there, ``bounded`` that the figure holds even if none is; else ``why`` tells.
    """

    size: float
    sd: float
    sure: bool
    bounded: bool
    why: Unsupported
    period: Figure | None = None
    hz: float | None = None


def _scaled(swing: _Swing | Unsupported, scale: float, unit: str) -> Known:
    if isinstance(swing, Unsupported):
        return swing
    if swing.sure and (swing.bounded or swing.sd <= _LARGEST_SD_RATIO * swing.size):
        return Figure(value=swing.size * scale, sd=swing.sd * scale)
    if swing.bounded:
        most = (swing.size + 2 * swing.sd) * scale
        return Unsupported(
            reason=f"no wave drifts by more than {most:.2g} {unit}; one that stands still, locked to the picture, "
            "looks like the picture's own shape",
            would_settle="another source whose field rate differs from the mains: a locked wave then drifts",
        )
    if swing.sure:
        return Unsupported(
            reason=f"{swing.why.reason}; it is of the order of {swing.size * scale:.2g} {unit}",
            would_settle=swing.why.would_settle,
        )
    return swing.why


def _whole_fields(view: HumView, raster: Raster) -> bool:
    if view.exposure_s is None:
        return True
    fields = view.exposure_s * raster.field_hz
    # One field more or less weighs one in so many.
    return abs(fields - round(fields)) < _BAND_SHARE * max(round(fields), 1) or fields > 1 / (_BAND_SHARE / 3)


def _swing(views: Sequence[HumView], raster: Raster, shown: dict[float, float], *, light: bool) -> _Swing | Unsupported:
    if len(views) >= _FEWEST_VIEWS:
        return _drifting(views, raster, shown, light=light)
    return Unsupported(
        reason="in one photograph a slow wave can't be told from the picture's own shape"
        if not light
        else "in one photograph a slow wave can't be told from the shading of lens and glass",
        would_settle="three photographs or more, seconds apart: a hum drifts, the shape stays",
    )


def _values(shifts: LineShifts, *, light: bool) -> tuple[Floats, Floats, float]:
    """What was seen, its standard error, and the size of the whole."""
    if light:
        return shifts.light_ratio, shifts.light_ratio_sd, 1.0
    return shifts.shift_px, shifts.shift_sd_px, float(shifts.width_px)


def _drifting(
    views: Sequence[HumView], raster: Raster, shown: dict[float, float], *, light: bool
) -> _Swing | Unsupported:
    """Several photographs: what moves between them."""
    rows = [v.shifts.first + v.shifts.line for v in views]
    line = np.array(sorted(set.intersection(*(set(r.tolist()) for r in rows))))
    line = line[_inner(views[0].shifts, line - views[0].shifts.first)] if line.size else line
    if line.size < 0.5 * raster.height_px:
        return Unsupported(
            reason="the photographs have too few lines in common",
            would_settle="photographs that show the whole height of the picture",
        )
    seen, sd = np.empty((len(views), line.size)), np.empty((len(views), line.size))
    for k, view in enumerate(views):
        values, errors, _ = _values(view.shifts, light=light)
        at = np.searchsorted(rows[k], line)
        seen[k], sd[k] = values[at], errors[at]
    from scipy.stats import chi2

    # Geometry, curl and shading are in all alike; so the mean takes them off, and of the waves their mean.
    count = len(views)
    apart = seen - seen.mean(axis=0)
    t = 2 * (line - line[0]) / (line[-1] - line[0]) - 1
    pose = np.polynomial.legendre.legvander(t, _FIXED_DEGREE)
    waves = mains_waves(raster, line)
    found = {}
    for hz in shown:
        design = np.concatenate([pose, waves[hz]], axis=1)
        solved = np.linalg.lstsq(design, apart.T, rcond=None)[0]
        left = apart - (design @ solved).T
        rms, run = float(np.sqrt(np.mean(left**2))), _run(left)
        variance = max(rms**2, float(np.mean(sd**2)) * (1 - 1 / count)) * (1 + run) / (1 - run)
        variance *= count / (count - 1)
        floor = _FLOOR_RATIO[1 if light else 0] * (1.0 if light else raster.width_px)
        cov = np.linalg.inv(design.T @ design)[-2:, -2:] * variance + np.eye(2) * floor**2
        ln = -0.5 * line.size * count * float(np.log(rms**2 + 1e-30)) * (1 - run) / (1 + run)
        found[hz] = (ln, solved[-2:].T, cov)
    why = Unsupported(
        reason="the photographs caught the hum at phases too much alike to tell its size",
        would_settle="more photographs, at uneven times some seconds apart",
    )
    best = max(found, key=lambda hz: found[hz][0])
    _, moved, cov = found[best]
    point_sd = float(np.sqrt(np.trace(cov) / 2))
    surprise = float(np.einsum("ka,ab,kb->", moved, np.linalg.inv(cov), moved))
    if chi2.sf(surprise, 2 * (count - 1)) > _DRIFT_CHANCE:
        radius = max(float(np.mean(np.sum(moved**2, axis=1))) - 2 * point_sd**2, 0.0) ** 0.5
        size, size_sd = 2 * radius / shown[best], 2 * point_sd / shown[best]
        return _Swing(size=size, sd=size_sd, sure=False, bounded=True, why=why)
    weights = {hz: float(np.exp(ln - found[best][0])) for hz, (ln, _, _) in found.items()}
    weights = {hz: weight / sum(weights.values()) for hz, weight in weights.items() if weight > _WORTH}
    rings = {}
    for hz in weights:
        radius, radius_sd = _circle(found[hz][1], float(np.sqrt(np.trace(found[hz][2]) / 2)))
        rings[hz] = (2 * radius / shown[hz], 2 * radius_sd / shown[hz])
    size = sum(w * rings[hz][0] for hz, w in weights.items()) / sum(weights.values())
    variance = sum(w * (rings[hz][1] ** 2 + (rings[hz][0] - size) ** 2) for hz, w in weights.items())
    return _Swing(
        size=size,
        sd=float(np.sqrt(variance / sum(weights.values()))),
        sure=True,
        bounded=False,
        why=why,
        period=_period(weights, raster),
        hz=best,
    )


def _inner(shifts: LineShifts, line: Floats) -> NDArray[np.bool_]:
    """Lines (counted from the first visible) that curl and edges leave alone."""
    edge = _EDGE_SPREADS * shifts.spread_y_px + 1
    return np.asarray((line > max(edge, _TOP_SHARE * shifts.height_px)) & (line < shifts.line[-1] - edge))


def _circle(points: Floats, sd: float) -> tuple[float, float]:
    """Radius of the circle that points of one standard error lie on, and its standard error.

    Source: geometric fit by Gauss and Newton's method; Gander, Golub and Strebel, BIT 34 (1994), section 3.
    """
    from scipy.optimize import least_squares

    def beside(ring: Floats) -> Floats:
        return np.asarray(np.hypot(points[:, 0] - ring[0], points[:, 1] - ring[1]) - ring[2])

    size = float(np.sqrt(np.mean(np.sum(points**2, axis=1))))
    angles = np.arange(8) * np.pi / 4
    starts = [np.array([0.0, 0.0, size])]
    starts += [size * np.array([0.7 * np.cos(angle), 0.7 * np.sin(angle), 1.0]) for angle in angles]
    fit = min((least_squares(beside, start) for start in starts), key=lambda fit: float(fit.cost))
    slopes = np.asarray(fit.jac, dtype=np.float64)
    normal = slopes.T @ slopes
    if np.linalg.cond(normal) > 1e10:
        return size, np.inf
    return abs(float(fit.x[2])), float(np.sqrt(np.linalg.inv(normal)[2, 2])) * sd


def _run(left: Floats) -> float:
    """Correlation from line to line of what is left, 0 to 0.9."""
    return float(np.clip(np.mean(left[..., 1:] * left[..., :-1]) / np.mean(left**2), 0, 0.9))


def _period(weights: dict[float, float], raster: Raster) -> Figure:
    periods = mains_periods(raster)
    total = sum(weights.values())
    mean = sum(w * periods[hz] for hz, w in weights.items()) / total
    variance = sum(w * (periods[hz] - mean) ** 2 for hz, w in weights.items()) / total
    # The mains itself strays by 1 % at most in public grids (EN 50160:2010, section 4.2.1).
    return Figure(value=mean, sd=float(np.hypot(np.sqrt(variance), 0.005 * mean)))
