"""The survey's white bars, line by line: how far each raster line lies to the side, and how bright it is.

A bar is followed from the settled middle of the picture upwards, so that a curl
of several pixels takes it nowhere near the marks beside it. Its places are told
on the *plane*: the photograph with nothing but its perspective taken off. The
smooth map of a sighting would not do, for it has followed part of the curl.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.survey import survey_bars
from tubewright.picture.seen import Photo, Sighting
from tubewright.picture.strips import Strips, level_plane, scale_by_line

Floats = NDArray[np.float64]

_SETTLED_FROM: Final = 0.35
"""Share of the height from which a bar lies near the smooth map even under a long curl. Estimate."""
_SEEN_SHARE: Final = 0.4
"""A line with less than this share of the bar's usual light is hidden; the first line of a raster has half or more
however blurred."""
_FULL_SHARE: Final = 0.75
"""The same for a line whose bar may be partly out of its window. Estimate."""
_NEAR_SHARE: Final = 0.5
"""The same for one that lies in its middle: it is all in, but shaded towards the edge of the picture. Estimate."""
_FIRST_BLOCK: Final = 16
_LARGEST_BLOCK: Final = 64
"""Lines that are followed at once."""
_TRUSTED_SHARE: Final = 0.25
"""A bar further off than this share of half the window may soon be out of it: no further lines at once. Estimate."""
_BETWEEN_BARS_DEGREE: Final = 4
"""Degree up to which the bars may differ along the height: pincushion and lens have little beyond. Estimate."""
_ROBUST: Final = 1.4826  # standard deviation over median absolute deviation, of a normal distribution


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BarTracks:
    """Each bar in each gun's light, one track each, line by line.

    Attributes:
        height_px: Lines of the raster.
        width_px: Pixels of a line.
        gun: 0 red, 1 green, 2 blue, (t,).
        bar: Which bar from the left, (t,).
        x_px: Place on the plane less where the bar was drawn, in raster pixels of that line, right positive, (t, n);
            NaN where the bar isn't seen.
        x_sd_px: Standard error of a place, by track, from its roughness, (t,).
        light: Light across the bar, linear, times raster pixels, (t, n); NaN where it isn't seen.
        spread_x_px: Standard deviation of the blur along the line in raster pixels, the bar's own width taken off, in
            the upper, middle and lower third, (t, 3); NaN where it can't be told.
        spread_y_px: Standard deviation of the blur across the lines, in lines: as the sighting's marks have it, with
            what taking the light adds.
    """

    height_px: int
    width_px: int
    gun: NDArray[np.int64]
    bar: NDArray[np.int64]
    x_px: Floats
    x_sd_px: Floats
    light: Floats
    spread_x_px: Floats
    spread_y_px: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineShifts:
    """What each line does as a whole: what all bars in all guns have in common.

    Attributes:
        first: Number of the first visible line.
        line: Lines from it downwards, whole numbers from 0, (n,).
        shift_px: Sideways place on the plane, raster pixels, right positive, (n,).
        shift_sd_px: Standard error, from the scatter between the bars, (n,).
        light_ratio: Light over its mean along the height, (n,).
        light_ratio_sd: Its standard error, from the same, (n,).
        spread_y_px: Standard deviation of the blur across the lines, in lines.
        height_px: Lines of the raster.
        width_px: Pixels of a line.
    """

    first: int
    line: Floats
    shift_px: Floats
    shift_sd_px: Floats
    light_ratio: Floats
    light_ratio_sd: Floats
    spread_y_px: float
    height_px: int
    width_px: int


def track_bars(photo: Photo, sighting: Sighting) -> BarTracks:
    """Follow every bar in the light of every gun that shows.

    Returns:
        Tracks for all lines of the raster; a bar that leaves the photograph is NaN there. No tracks without a map.
    """
    raster = sighting.raster
    maps = {gun: one for gun, one in enumerate(sighting.maps) if one is not None}
    bars = survey_bars(raster)
    if not maps:
        return _no_tracks(sighting)
    first = next(iter(maps.values()))
    plane = level_plane(maps.get(1, first))
    gun = np.repeat(list(maps), len(bars)).astype(np.int64)
    bar = np.tile(np.arange(len(bars)), len(maps)).astype(np.int64)
    drawn = np.array([float(b.x_px) for b in bars])
    lines = np.arange(raster.height_px, dtype=np.float64)
    strips = Strips(photo, sighting, list(maps), drawn, lines)
    drawn = drawn[bar]

    offset = _followed(strips, (gun.size, lines.size))
    # Once more about where each was found: a bar off the middle of its window has less background on one side.
    every = np.arange(raster.height_px)
    seen = np.isfinite(offset)
    offset, light = strips.centred(every, np.nan_to_num(offset))
    offset[~seen] = light[~seen] = np.nan
    x = strips.on_plane(plane, offset) - (drawn - (raster.width_px - 1) / 2)[:, None]
    x /= scale_by_line(first, plane, lines)
    _drop_strays(x, light)
    return BarTracks(
        height_px=raster.height_px,
        width_px=raster.width_px,
        gun=gun,
        bar=bar,
        x_px=x,
        x_sd_px=_roughness(x),
        light=light,
        spread_x_px=strips.spread(offset, bars[0].width_px),
        spread_y_px=float(np.hypot(_typical_spread_y(sighting), strips.blur_down_lines)),
    )


def _followed(strips: Strips, shape: tuple[int, int]) -> Floats:
    """About where each bar lies, line by line, as offset from its map, (t, n); NaN where it isn't seen."""
    offset = np.full(shape, np.nan)
    settled = int(_SETTLED_FROM * shape[1])
    below = np.arange(settled, shape[1])
    offset[:, below], light = strips.centred(below, np.zeros((shape[0], below.size)), rough=True)
    usual = _usual_light(light)[:, None]
    offset[:, below] = np.where(light > _SEEN_SHARE * usual, offset[:, below], np.nan)
    expected = np.nan_to_num(_last_known(offset[:, settled : settled + 5]))
    pace = 0.0
    line, block = settled - 1, _FIRST_BLOCK
    while line >= 0:
        # As many lines at once as lie near where the last ones point; one by one where the bars run faster.
        rows = np.arange(line, max(line - block, -1), -1)
        centre = expected[:, None] + pace * np.arange(1, rows.size + 1)
        found, shone = strips.centred(rows, centre, rough=True)
        near = np.abs(_last_known((found - centre).T)) < _TRUSTED_SHARE * strips.half_px
        trusted = near & (_last_known((shone / usual).T) >= _NEAR_SHARE)
        count = rows.size if trusted.all() else int(np.argmin(trusted))
        if count == 0 and rows.size > 1:
            block = max(1, block // 4)
            continue
        block = min(2 * block, _LARGEST_BLOCK) if count == rows.size else max(1, block // 2)
        if count == 0:
            count = 1
            if np.median(shone / usual) < _FULL_SHARE:
                # Half out of the window: a fast curl may step by several pixels from line to line. Look to both sides.
                for side in strips.half_px * np.array([-1.2, -0.6, 0.6, 1.2]):
                    tried = strips.centred(rows, centre + side, rough=True)
                    if np.median(tried[1]) > np.median(shone):
                        found, shone = tried
        found, shone = found[:, :count], shone[:, :count]
        seen = np.isfinite(found) & (shone > _SEEN_SHARE * usual)
        offset[:, rows[:count]] = found = np.where(seen, found, np.nan)
        line -= count
        # All bars of all guns move together: the middle one says how far, each keeps its own drift of the map.
        common = _last_known((found - expected[:, None]).T)
        common = common[np.isfinite(common)]
        if not common.size:
            continue
        for step in np.diff(common, prepend=0.0):
            pace = 0.5 * pace + 0.5 * float(step)
        drift = np.nan_to_num(_last_known(found[:, seen.any(axis=0)] - common - expected[:, None]))
        expected = expected + common[-1] + (1 - 0.7**common.size) * drift
    return offset


def common_shifts(tracks: BarTracks) -> LineShifts | None:
    """What every line does as a whole; ``None`` with less than two bars over most of the height.

    Each track may differ from the common course by a polynomial along the height (its own part of the geometry);
    what is left between the tracks at a line gives that line's standard error.
    """
    enough = np.isfinite(tracks.x_px).mean(axis=1) > 0.5
    good = enough & np.isfinite(tracks.x_sd_px)
    if len(set(tracks.bar[good])) < 2:
        return None
    x, light, sd = tracks.x_px[good], tracks.light[good], tracks.x_sd_px[good]
    rows = np.flatnonzero(np.isfinite(x).sum(axis=0) >= max(2, 0.5 * len(x)))
    if rows.size < 0.5 * tracks.height_px:
        return None
    first = int(rows[0])
    x, light = x[:, first : rows[-1] + 1], light[:, first : rows[-1] + 1]
    # A track that is steadier than the rest is so by luck in part: no weight above four times the usual one.
    weight = 1 / np.maximum(sd, np.median(sd) / 2)[:, None] ** 2
    shift, shift_sd = _in_common(x, weight)
    shine, shine_sd = _in_common(np.log(np.maximum(light, 1e-9)), np.ones_like(weight))
    known = np.isfinite(shift) & np.isfinite(shine)
    ratio = np.exp(shine - np.nanmean(shine))
    return LineShifts(
        first=first,
        line=np.flatnonzero(known).astype(np.float64),
        shift_px=shift[known],
        shift_sd_px=shift_sd[known],
        light_ratio=ratio[known],
        light_ratio_sd=(ratio * shine_sd)[known],
        spread_y_px=tracks.spread_y_px,
        height_px=tracks.height_px,
        width_px=tracks.width_px,
    )


def _in_common(values: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """What tracks, (t, n), have in common, each but for its own polynomial, and the standard error, both (n,)."""
    count, lines = values.shape
    basis = np.polynomial.legendre.legvander(np.linspace(-1, 1, lines), _BETWEEN_BARS_DEGREE)
    known = np.isfinite(values)
    weights = np.where(known, weight, 0.0)
    filled = np.where(known, values, 0.0)
    own = np.zeros_like(values)
    common = np.zeros(lines)
    # Where a track is known, but for lines at which none is, doesn't change: each polynomial's fit is one matrix.
    rests = known & known.any(axis=0)
    fits = [np.linalg.pinv(basis[rest]) for rest in rests]
    for _ in range(8):
        total = weights.sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            common = (weights * (filled - own)).sum(axis=0) / total
        for t in range(count):
            own[t] = basis @ (fits[t] @ (values[t] - common)[rests[t]])
        own -= (weight * own).sum(axis=0) / weight.sum()
        # Huber's weights: a track that strays at a line (a reflection, a speck) counts less there.
        left = np.where(known, values - own - common, 0.0)
        size = _ROBUST * np.median(np.abs(left[known & np.isfinite(common)])) + 1e-12
        weights = np.where(known, weight / np.maximum(1, np.abs(left) / (2 * size)), 0.0)
    total = weights.sum(axis=0)
    with np.errstate(invalid="ignore", divide="ignore"):
        scatter = np.sqrt((weights * left**2).sum(axis=0) / total / np.maximum(known.sum(axis=0) - 1, 1))
    # Scatter of a handful of tracks at one line is a poor estimate: take it together with that of its neighbours.
    whole = float(np.nanmedian(scatter))
    near = np.sqrt(_running_mean(np.nan_to_num(scatter, nan=whole) ** 2, 9))
    return common, np.where(np.isfinite(common), np.maximum(near, 0.5 * whole), np.nan)


def _running_mean(values: Floats, width: int) -> Floats:
    padded = np.pad(values, width // 2, mode="edge")
    return np.convolve(padded, np.full(width, 1 / width), mode="valid")


def _usual_light(light: Floats) -> Floats:
    """Light of each track as it mostly is, (t,); infinite for one that never shows."""
    usual = np.array([np.median(row[np.isfinite(row)]) if np.isfinite(row).any() else np.inf for row in light])
    return np.where(usual > 0, usual, np.inf)


def _last_known(values: Floats) -> Floats:
    """Median of what is known in each row, NaN without any."""
    return np.array([np.median(row[np.isfinite(row)]) if np.isfinite(row).any() else np.nan for row in values])


def _drop_strays(x: Floats, light: Floats) -> None:
    """Blank places that jump away from both neighbours, unlike the other tracks, by far more than its roughness."""
    bend = x[:, 1:-1] - (x[:, :-2] + x[:, 2:]) / 2
    lines = np.isfinite(bend).any(axis=0)
    bend[:, lines] = np.abs(bend[:, lines] - np.nanmedian(bend[:, lines], axis=0))
    with np.errstate(invalid="ignore"):
        for t, row in enumerate(bend):
            known = row[np.isfinite(row)]
            if known.size > 20:
                away = np.flatnonzero(row > max(10 * _ROBUST * float(np.median(known)), 1.0)) + 1
                x[t, away] = light[t, away] = np.nan


def _roughness(x: Floats) -> Floats:
    """Standard error of single places, by track: from second differences, which no smooth course has."""
    rough = np.full(len(x), np.nan)
    for t, row in enumerate(x):
        second = row[:-2] - 2 * row[1:-1] + row[2:]
        second = second[np.isfinite(second)]
        if second.size > 20:
            rough[t] = max(_ROBUST * float(np.median(np.abs(second))) / np.sqrt(6), 1e-4)
    return rough


def _typical_spread_y(sighting: Sighting) -> float:
    spread = sighting.marks.spread_y_px
    spread = spread[np.isfinite(spread)]
    # Without any, a line's own height: 0.5 lines of standard deviation leave 27 % between the lines. Estimate.
    return float(np.median(spread)) if spread.size else 0.5


def _no_tracks(sighting: Sighting) -> BarTracks:
    raster = sighting.raster
    none = np.zeros((0, raster.height_px))
    return BarTracks(
        height_px=raster.height_px,
        width_px=raster.width_px,
        gun=np.zeros(0, dtype=np.int64),
        bar=np.zeros(0, dtype=np.int64),
        x_px=none,
        x_sd_px=np.zeros(0),
        light=none,
        spread_x_px=np.zeros((0, 3)),
        spread_y_px=_typical_spread_y(sighting),
    )
