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

from tubewright.picture.patterns.survey import COLUMNS, survey_bars
from tubewright.picture.sampling import sample_light
from tubewright.picture.seen import Photo, RasterMap, Sighting

Floats = NDArray[np.float64]

_WINDOW_SHARE: Final = 0.40
"""Half of the window over the lattice's pitch: a mark of the same gun begins at 0.85 of it (survey)."""
_ACROSS_LINES: Final = 0.35
"""How far from a line's middle its light is taken, in lines: its bright part, not its neighbours'. Estimate."""
_SETTLED_FROM: Final = 0.35
"""Share of the height from which a bar lies near the smooth map even under a long curl. Estimate."""
_SEEN_SHARE: Final = 0.4
"""A line with less than this share of the bar's usual light is hidden; the first line of a raster has half or more
however blurred."""
_FULL_SHARE: Final = 0.75
"""The same for a line whose bar may be partly out of its window. Estimate."""
_BETWEEN_BARS_DEGREE: Final = 4
"""Degree up to which the bars may differ along the height: pincushion and lens have little beyond. Estimate."""
_ROBUST: Final = 1.4826  # standard deviation over median absolute deviation, of a normal distribution


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Plane:
    """The photograph with its perspective taken off, in raster pixels and lines as they are in the picture's middle.

    Attributes:
        matrix: Homography from places in the photograph, (3, 3).
    """

    matrix: Floats

    def __call__(self, x_px: Floats, y_px: Floats) -> tuple[Floats, Floats]:
        """Places on the plane of places in the photograph, arrays of one shape."""
        (a, b, c), (d, e, f), (g, h, i) = self.matrix
        below = g * x_px + h * y_px + i
        return (a * x_px + b * y_px + c) / below, (d * x_px + e * y_px + f) / below


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class BarTracks:
    """Each bar in each gun's light, one track each, line by line.

    Attributes:
        height_px: Lines of the raster.
        width_px: Pixels of a line.
        gun: 0 red, 1 green, 2 blue, (t,).
        bar: Which bar from the left, (t,).
        x_px: Place on the plane less where the bar was drawn, raster pixels of the middle, right positive, (t, n);
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
        shift_px: Sideways place on the plane, raster pixels of the middle, right positive, (n,).
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


def level_plane(raster_map: RasterMap) -> Plane:
    """The plane on which the settled part of a map is most nearly the raster as drawn.

    The upper fifth is left out: a curl is there. Source of the method: direct linear transformation, Hartley and
    Zisserman, Multiple View Geometry, 2nd ed. 2004, algorithm 4.2.
    """
    raster = raster_map.raster
    w, h = raster.width_px, raster.height_px
    gx, gy = (a.ravel() for a in np.meshgrid(np.linspace(0, w - 1, 11), np.linspace(0.2 * h, h - 1, 9)))
    px, py = raster_map(gx, gy)
    photo, to_photo = _normalised(px, py)
    plane, to_plane = _normalised(gx, gy)
    (x, y), (u, v) = photo, plane
    one, none = np.ones_like(x), np.zeros_like(x)
    rows = np.concatenate(
        [
            np.stack([x, y, one, none, none, none, -u * x, -u * y, -u], axis=1),
            np.stack([none, none, none, x, y, one, -v * x, -v * y, -v], axis=1),
        ]
    )
    matrix = np.linalg.inv(to_plane) @ np.linalg.svd(rows)[2][-1].reshape(3, 3) @ to_photo
    # A plane pixel is to be what a raster pixel is in the middle, where millimetres per pixel are known.
    middle = np.array([[(w - 1) / 2, (h - 1) / 2]]) + np.array([[0, 0], [1, 0], [-1, 0], [0, 1], [0, -1]])
    at = Plane(matrix=matrix)(*raster_map(middle[:, 0], middle[:, 1]))
    x_scale, y_scale = (at[0][1] - at[0][2]) / 2, (at[1][3] - at[1][4]) / 2
    return Plane(
        matrix=np.diag([1 / x_scale, 1 / y_scale, 1])
        @ np.array([[1, 0, -at[0][0]], [0, 1, -at[1][0]], [0, 0, 1]])
        @ matrix
    )


def track_bars(photo: Photo, sighting: Sighting) -> BarTracks:
    """Follow every bar in the light of every gun that shows.

    Returns:
        Tracks for all lines of the raster; a bar that leaves the photograph is NaN there. No tracks without a map.
    """
    raster = sighting.raster
    maps = [(gun, one) for gun, one in enumerate(sighting.maps) if one is not None]
    bars = survey_bars(raster)
    if not maps:
        return _no_tracks(sighting)
    plane = level_plane(dict(maps).get(1, maps[0][1]))
    gun = np.repeat([g for g, _ in maps], len(bars)).astype(np.int64)
    bar = np.tile(np.arange(len(bars)), len(maps)).astype(np.int64)
    drawn = np.array([b.x_px for b in bars])[bar]
    lines = np.arange(raster.height_px, dtype=np.float64)
    strips = _Strips(photo, sighting, [m for _, m in maps for _ in bars], gun, drawn, lines)

    shape = (gun.size, lines.size)
    offset, light = np.full(shape, np.nan), np.full(shape, np.nan)
    settled = int(_SETTLED_FROM * raster.height_px)
    below = np.arange(settled, raster.height_px)
    offset[:, below], light[:, below] = strips.centred(below, np.zeros((gun.size, below.size)))
    usual = _usual_light(light[:, below])
    _blank_hidden(offset, light, usual, below)
    expected = np.nan_to_num(_last_known(offset[:, settled : settled + 5]))
    pace = 0.0
    for line in range(settled - 1, -1, -1):
        at = np.array([line])
        found, shone = strips.centred(at, (expected + pace)[:, None])
        if np.median(shone[:, 0] / usual) < _FULL_SHARE:
            # Half out of the window: a fast curl may step by several pixels from line to line. Look to either side.
            for side in strips.half_px * np.array([-1.2, -0.6, 0.6, 1.2]):
                tried = strips.centred(at, (expected + pace + side)[:, None])
                if np.median(tried[1][:, 0]) > np.median(shone[:, 0]):
                    found, shone = tried
        step = found[:, 0] - expected
        seen = np.isfinite(step) & (shone[:, 0] > _SEEN_SHARE * usual)
        offset[:, line] = np.where(seen, found[:, 0], np.nan)
        light[:, line] = np.where(seen, shone[:, 0], np.nan)
        if not seen.any():
            continue
        # All bars of all guns move together: the middle one says how far, each keeps its own drift of the map.
        common = float(np.median(step[seen]))
        pace = 0.5 * pace + 0.5 * common
        expected = expected + common
        expected[seen] += 0.3 * (found[seen, 0] - expected[seen])

    # Once more about where each was found: a bar off the middle of its window has less background on one side.
    every = np.arange(raster.height_px)
    seen_at = np.isfinite(offset)
    offset, light = strips.centred(every, np.nan_to_num(offset))
    offset[~seen_at] = light[~seen_at] = np.nan
    x = strips.on_plane(plane, offset) - (drawn - (raster.width_px - 1) / 2)[:, None]
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


class _Strips:
    """Samples of light across the bars, in the raster pixels of each gun's own map."""

    def __init__(
        self,
        photo: Photo,
        sighting: Sighting,
        maps: list[RasterMap],
        gun: NDArray[np.int64],
        drawn: Floats,
        lines: Floats,
    ) -> None:
        raster = sighting.raster
        self._photo, self._drawn = photo, drawn
        self._unmix = sighting.sensor_to_gun[gun].astype(np.float32)
        shape = (gun.size, lines.size)
        self._at, self._along, self._down = (np.empty((2, *shape)) for _ in range(3))
        for t, one in enumerate(maps):
            x = np.full(lines.size, drawn[t])
            self._at[:, t] = one(x, lines)
            self._along[:, t] = np.array(one(x + 0.5, lines)) - one(x - 0.5, lines)
            self._down[:, t] = np.array(one(x, lines + 0.5)) - one(x, lines - 0.5)
        per_px = float(np.median(np.hypot(*self._along)))
        per_line = float(np.median(np.hypot(*self._down)))
        half = _WINDOW_SHARE * raster.width_px / COLUMNS
        # About one sample to a pixel of the photograph: fewer lose light, more tell nothing new.
        count = int(np.clip(round(2 * half * per_px), 15, 121)) | 1
        self.half_px = half
        self._u = np.linspace(-half, half, count)
        self._v = np.linspace(-_ACROSS_LINES, _ACROSS_LINES, int(np.clip(round(2 * _ACROSS_LINES * per_line), 1, 5)))
        # What taking the light adds across the lines: places apart, and straight lines between pixels (1/6).
        self.blur_down_lines = float(np.sqrt(np.var(self._v) + 1 / 6 / per_line**2))
        self._bar_sd = np.sqrt(survey_bars(raster)[0].width_px ** 2 / 12 + 0.5)

    def _profile(self, rows: NDArray[np.int64], centre: Floats) -> Floats:
        """Light of each track's gun, (t, rows, samples), its background taken off."""
        at, along, down = self._at[:, :, rows], self._along[:, :, rows], self._down[:, :, rows]
        u = (centre[..., None] + self._u)[..., None, :]
        v = self._v[:, None]
        x, y = (at[k][..., None, None] + along[k][..., None, None] * u + down[k][..., None, None] * v for k in (0, 1))
        light = sample_light(self._photo, x, y).mean(axis=2)
        height, width = self._photo.pixels.shape[:2]
        outside = ((x < 0) | (x > width - 1) | (y < 0) | (y > height - 1)).any(axis=(2, 3))
        profile = np.einsum("tnsc,tc->tns", light, self._unmix).astype(np.float64)
        ends = max(2, self._u.size // 8)
        left, right = profile[..., :ends].mean(axis=-1), profile[..., -ends:].mean(axis=-1)
        slope = (self._u - self._u[0]) / (self._u[-1] - self._u[0])
        profile -= left[..., None] * (1 - slope) + right[..., None] * slope
        profile[outside] = np.nan
        return np.asarray(profile)

    def centred(self, rows: NDArray[np.int64], centre: Floats) -> tuple[Floats, Floats]:
        """Offset of each bar from where the map puts it, raster pixels, and its light, both (t, rows)."""
        profile = self._profile(rows, centre)
        step = self._u[1] - self._u[0]
        light = profile.sum(axis=-1) * step
        offset = np.zeros(profile.shape[:2])
        # The weight is a Gaussian a little wider than the bar, moved to where the last round put it: the noise of the
        # window's far ends would cost a plain centroid half its worth.
        for sd in (3, 2, 1.5, 1.5, 1.5, 1.5):
            weight = profile * np.exp(-0.5 * ((self._u - offset[..., None]) / (sd * self._bar_sd)) ** 2)
            total = weight.sum(axis=-1)
            with np.errstate(invalid="ignore", divide="ignore"):
                moved = (weight * self._u).sum(axis=-1) / total
                # A Gaussian under a Gaussian weight is pulled back by a share of what is left: go the double way.
                offset = np.where(total > 0, np.clip(2 * moved - offset, self._u[0], self._u[-1]), np.nan)
        offset[np.abs(offset) > 0.9 * self._u[-1]] = np.nan
        return offset + centre, light

    def on_plane(self, plane: Plane, offset: Floats) -> Floats:
        """Sideways places on the plane of places beside the bars, (t, n)."""
        return plane(self._at[0] + self._along[0] * offset, self._at[1] + self._along[1] * offset)[0]

    def spread(self, offset: Floats, width_px: int) -> Floats:
        """Blur along the line by track and third of the height, raster pixels, (t, 3), the bar's width taken off."""
        lines = offset.shape[1]
        result = np.full((offset.shape[0], 3), np.nan)
        for third in range(3):
            # A few dozen lines tell the width well; the first ones may be smeared by a curl.
            rows = np.unique(np.linspace((third + 0.3) * lines / 3, (third + 0.9) * lines / 3, 24).astype(np.int64))
            known = offset[:, rows]
            mean = np.nanmean(self._profile(rows, np.nan_to_num(known)), axis=1, where=np.isfinite(known)[..., None])
            for t in np.flatnonzero(np.isfinite(known).sum(axis=1) >= 8):
                result[t, third] = _fitted_spread(self._u, mean[t], width_px)
        return result


def _fitted_spread(u: Floats, profile: Floats, width_px: int) -> float:
    """Standard deviation of the Gaussian that blurs a bar of known width to a profile; NaN if none fits."""
    from scipy.optimize import least_squares
    from scipy.special import erf

    top = float(profile.max())
    if not np.isfinite(profile).all() or top <= 0:
        return float("nan")

    def blurred(p: Floats) -> Floats:
        centre, sd, height, floor = p
        scale = np.sqrt(2) * np.exp(sd)
        edges = erf((u - centre + width_px / 2) / scale) - erf((u - centre - width_px / 2) / scale)
        return np.asarray(height * edges + floor - profile / top)

    fit = least_squares(blurred, np.array([0.0, np.log(0.6), 0.7, 0.0]), bounds=([-2, -3, 0, -1], [2, 2, 20, 1]))
    if not fit.success or np.sqrt(np.mean(fit.fun**2)) > 0.15:
        return float("nan")
    return float(np.exp(fit.x[1]))


def _in_common(values: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """What tracks, (t, n), have in common, each but for its own polynomial, and the standard error, both (n,)."""
    count, lines = values.shape
    basis = np.polynomial.legendre.legvander(np.linspace(-1, 1, lines), _BETWEEN_BARS_DEGREE)
    known = np.isfinite(values)
    weights = np.where(known, weight, 0.0)
    filled = np.where(known, values, 0.0)
    own = np.zeros_like(values)
    common = np.zeros(lines)
    for _ in range(8):
        total = weights.sum(axis=0)
        with np.errstate(invalid="ignore", divide="ignore"):
            common = (weights * (filled - own)).sum(axis=0) / total
        for t in range(count):
            rest = known[t] & np.isfinite(common)
            own[t] = basis @ np.linalg.lstsq(basis[rest], values[t, rest] - common[rest], rcond=None)[0]
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


def _blank_hidden(offset: Floats, light: Floats, usual: Floats, rows: NDArray[np.int64]) -> None:
    hidden = ~(light[:, rows] > _SEEN_SHARE * usual[:, None])
    for values in (offset, light):
        part = values[:, rows]
        part[hidden] = np.nan
        values[:, rows] = part


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


def _normalised(x: Floats, y: Floats) -> tuple[tuple[Floats, Floats], Floats]:
    """Places moved and scaled to the size of 1, and the matrix that did it."""
    scale = np.sqrt(2) / np.hypot(x - x.mean(), y - y.mean()).mean()
    matrix = np.array([[scale, 0, -scale * x.mean()], [0, scale, -scale * y.mean()], [0, 0, 1]])
    return ((x - x.mean()) * scale, (y - y.mean()) * scale), matrix
