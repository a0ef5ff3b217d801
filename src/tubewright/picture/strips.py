"""Light across the survey's bars, and the plane on which their places are told.

The *plane* is the photograph with nothing but its perspective taken off.
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


def scale_by_line(one: RasterMap, plane: Plane, lines: Floats) -> Floats:
    """Plane pixels to a raster pixel, on average over the bars, by line, (n,).

    Glass that falls away to the edges, the lens and a trapezoid make the upper lines shorter or longer. A curl moves
    the marks of a row alike, so it leaves their distances, and this scale, as they are.
    """
    x = np.array([bar.x_px for bar in survey_bars(one.raster)])[:, None] + np.zeros(lines.size)
    ahead, behind = (plane(*one(x + step, lines + 0 * x))[0] for step in (0.5, -0.5))
    t = 2 * lines / lines[-1] - 1
    # A map's own wiggles are no scale: glass, lens and trapezoid are of second degree.
    fit = np.polynomial.legendre.Legendre.fit(t, (ahead - behind).mean(axis=0), 2, domain=[-1, 1])
    return np.asarray(fit(t))


class Strips:
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


def _normalised(x: Floats, y: Floats) -> tuple[tuple[Floats, Floats], Floats]:
    """Places moved and scaled to the size of 1, and the matrix that did it."""
    scale = np.sqrt(2) / np.hypot(x - x.mean(), y - y.mean()).mean()
    matrix = np.array([[scale, 0, -scale * x.mean()], [0, scale, -scale * y.mean()], [0, 0, 1]])
    return ((x - x.mean()) * scale, (y - y.mean()) * scale), matrix
