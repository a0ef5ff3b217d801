"""Light across the survey's bars, and the plane on which their places are told.

The *plane* is the photograph with nothing but its perspective taken off.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.survey import COLUMNS, survey_bars
from tubewright.picture.sampling import linear_table
from tubewright.picture.seen import Photo, RasterMap, Sighting

Floats = NDArray[np.float64]

_WINDOW_SHARE: Final = 0.40
"""Half of the window over the lattice's pitch: a mark of the same gun begins at 0.85 of it (survey)."""
_ACROSS_LINES: Final = 0.35
"""How far from a line's middle its light is taken, in lines: its bright part, not its neighbours'. Estimate."""
_MOST_PIXELS_A_SAMPLE: Final = 4
"""A window with more pixels to a sample than this is taken apart first: all of its pixels are brought to light."""
_LONGEST_MAP: Final = 32_000
"""OpenCV counts the rows of a map in 16 bits."""
_LINES_OF_A_THIRD: Final = 24
"""How many lines of a third of the height tell a bar's blur."""
_MOST_ROUNDS: Final = 60
_SETTLED_STEP: Final = 1e-5
"""In the fit of a bar: raster pixels, shares of the deviation and of the height; noise is a hundred times more."""
_MOST_DAMPING: Final = 1e8
"""No step that is so short makes anything better: the fit stands at a limit."""
_LARGEST_MISFIT: Final = 0.15
"""What may be left of a bar's profile, of its height: beyond, it is no bar. Estimate."""


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
    """Samples of light across the bars, in the raster pixels of each gun's own map.

    Args:
        photo: The photograph.
        sighting: What was found in it.
        guns: The guns that show, each with a map.
        drawn: Where the bars were drawn, raster pixels. Tracks run gun by gun, each with all bars.
        lines: Lines of the raster.
    """

    def __init__(self, photo: Photo, sighting: Sighting, guns: list[int], drawn: Floats, lines: Floats) -> None:
        raster = sighting.raster
        self._photo, self._bars = photo, drawn.size
        self._unmix = sighting.sensor_to_gun[np.repeat(guns, drawn.size)].astype(np.float32)
        x, y = drawn[:, None] + 0 * lines, lines + 0 * drawn[:, None]
        beside = [(0.0, 0.0), (0.5, 0.0), (-0.5, 0.0), (0.0, 0.5), (0.0, -0.5)]
        places = np.array([[one(x + dx, y + dy) for dx, dy in beside] for g in guns if (one := sighting.maps[g])])
        at, ahead, behind, below, above = places.transpose(1, 2, 0, 3, 4).reshape(5, 2, -1, lines.size)
        self._at, self._along, self._down = at, ahead - behind, below - above
        per_px = float(np.median(np.hypot(*self._along)))
        per_line = float(np.median(np.hypot(*self._down)))
        half = _WINDOW_SHARE * raster.width_px / COLUMNS
        # About one sample to a pixel of the photograph: fewer lose light, more tell nothing new.
        count = int(np.clip(round(2 * half * per_px), 15, 121)) | 1
        self.half_px = half
        self._u = np.linspace(-half, half, count)
        self._v = np.linspace(-_ACROSS_LINES, _ACROSS_LINES, int(np.clip(round(2 * _ACROSS_LINES * per_line), 1, 5)))
        # Enough to find a bar before it is looked at closely.
        self._rough_u = np.linspace(-half, half, max(15, count // 2) | 1)
        self._rough_v = np.array([-0.5, 0.5]) * _ACROSS_LINES
        # What taking the light adds across the lines: places apart, and straight lines between pixels (1/6).
        self.blur_down_lines = float(np.sqrt(np.var(self._v) + 1 / 6 / per_line**2))
        self._bar_sd = np.sqrt(survey_bars(raster)[0].width_px ** 2 / 12 + 0.5)

    def _profile(
        self, rows: NDArray[np.int64], centre: Floats, *, rough: bool = False
    ) -> tuple[Floats, NDArray[np.float32]]:
        """Places beside the centre, (samples,), and the light of each track's gun, (t, rows, samples).

        The light's background is taken off; NaN where a window leaves the photograph.
        """
        u, v = (self._rough_u, self._rough_v) if rough else (self._u, self._v)
        along, down = self._along[:, :, rows], self._down[:, :, rows]
        at = self._at[:, :, rows] + along * centre
        reach = np.abs(along) * u[-1] + np.abs(down) * v[-1]
        low, high = at - reach, at + reach
        height, width = self._photo.pixels.shape[:2]
        outside = ((low < 0) | (high > np.array([width - 1, height - 1])[:, None, None])).any(axis=0)
        profile = np.empty((*centre.shape, u.size), dtype=np.float32)
        for bar in range(self._bars):
            own = slice(bar, None, self._bars)  # the guns' tracks of one bar lie on the same pixels, or nearly
            window = low[:, own], high[:, own]
            self._fill(profile[own], (at[:, own], along[:, own], down[:, own]), window, (u, v), self._unmix[own])
        ends = max(2, u.size // 8)
        left, right = profile[..., :ends].mean(axis=-1), profile[..., -ends:].mean(axis=-1)
        slope = np.linspace(0, 1, u.size, dtype=np.float32)
        profile -= left[..., None]
        profile -= (right - left)[..., None] * slope
        profile[outside] = np.nan
        return u, profile

    def _fill(
        self,
        into: NDArray[np.float32],
        frame: tuple[Floats, Floats, Floats],
        within: tuple[Floats, Floats],
        uv: tuple[Floats, Floats],
        unmix: NDArray[np.float32],
    ) -> None:
        """One bar's light, (guns, rows, samples): of a window round all its rows, or in parts where much is waste.

        A gun's light is a sum over the channels, so it is unmixed before samples are taken between pixels: one
        channel instead of three.
        """
        import cv2

        height, width = self._photo.pixels.shape[:2]
        left, top = (int(np.clip(one.min(), 0, most - 1)) for one, most in zip(within[0], (width, height), strict=True))
        right, bottom = (int(one.max()) + 2 for one in within[1])
        u, v = uv
        guns, rows = into.shape[:2]
        wasteful = (right - left) * (bottom - top) > _MOST_PIXELS_A_SAMPLE * guns * rows * u.size * v.size + 4096
        if rows > 1 and (wasteful or rows * v.size > _LONGEST_MAP):
            for part in (slice(None, rows // 2), slice(rows // 2, None)):
                at, along, down = (one[..., part] for one in frame)
                bounds = within[0][..., part], within[1][..., part]
                self._fill(into[:, part], (at, along, down), bounds, uv, unmix)
            return
        window = self._photo.pixels[top : max(bottom, top + 1), left : max(right, left + 1)]
        table = linear_table(self._photo)
        light = cv2.LUT(window, table) if window.dtype == np.uint8 else table[window]
        at, along, down = frame
        start = ((at - np.array([left, top])[:, None, None])[..., None] + down[..., None] * v).astype(np.float32)
        places = start[..., None] + (along[..., None] * u).astype(np.float32)[..., None, :]
        for gun in range(guns):
            own = cv2.transform(light, unmix[[gun]])
            x, y = places[:, gun].reshape(2, -1, u.size)
            found = cv2.remap(own, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
            into[gun] = found.reshape(rows, v.size, u.size).mean(axis=1)

    def centred(self, rows: NDArray[np.int64], centre: Floats, *, rough: bool = False) -> tuple[Floats, Floats]:
        """Offset of each bar from where the map puts it, raster pixels, and its light, both (t, rows).

        Args:
            rows: Lines.
            centre: Where to look, (t, rows).
            rough: To find a bar that may be anywhere in the window; else it is taken to be near the centre.
        """
        at, profile = self._profile(rows, centre, rough=rough)
        u = at.astype(np.float32)
        light = profile.sum(axis=-1) * (u[1] - u[0])
        offset = np.zeros(profile.shape[:2], dtype=np.float32)
        # The weight is a Gaussian a little wider than the bar, moved to where the last round put it: the noise of the
        # window's far ends would cost a plain centroid half its worth.
        for sd in (3, 2, 1.5, 1.5) if rough else (1.5,) * 4:
            weight = (u - offset[..., None]) * np.float32(np.sqrt(0.5) / sd / self._bar_sd)
            weight *= weight
            np.exp(np.negative(weight, out=weight), out=weight)
            weight *= profile
            total = weight.sum(axis=-1)
            with np.errstate(invalid="ignore", divide="ignore"):
                moved = (weight @ u) / total
                # Under the weight a bar of usual width is pulled back to sd^2 / (1 + sd^2) of the way that is left.
                further = offset + np.float32(1 + 1 / sd**2) * (moved - offset)
                offset = np.where(total > 0, np.clip(further, u[0], u[-1]), np.float32(np.nan))
        offset[np.abs(offset) > 0.9 * u[-1]] = np.nan
        return offset + centre, light.astype(np.float64)

    def on_plane(self, plane: Plane, offset: Floats) -> Floats:
        """Sideways places on the plane of places beside the bars, (t, n)."""
        return plane(self._at[0] + self._along[0] * offset, self._at[1] + self._along[1] * offset)[0]

    def spread(self, offset: Floats, width_px: int) -> Floats:
        """Blur along the line by track and third of the height, raster pixels, (t, 3), the bar's width taken off."""
        tracks, lines = offset.shape
        # A few dozen lines tell the width well; the first ones may be smeared by a curl.
        ends = (np.arange(3)[:, None] + np.array([0.3, 0.9])) * lines / 3
        rows = np.linspace(ends[:, 0], ends[:, 1], _LINES_OF_A_THIRD, axis=1).astype(np.int64).ravel()
        known = offset[:, rows]
        u, profile = self._profile(rows, np.nan_to_num(known))
        seen = np.isfinite(known) & np.isfinite(profile[..., 0])
        count = seen.reshape(tracks, 3, -1).sum(axis=-1)
        total = np.where(seen[..., None], profile, 0).reshape(tracks, 3, _LINES_OF_A_THIRD, -1).sum(axis=2)
        enough = count >= _LINES_OF_A_THIRD // 3
        result = np.full((tracks, 3), np.nan)
        result[enough] = fitted_spreads(u, total[enough] / count[enough][:, None], width_px)
        return result


def fitted_spreads(u_px: Floats, profiles: Floats, width_px: float) -> Floats:
    """Standard deviations of the Gaussians that blur a bar of known width to profiles, (k,); NaN where none fits.

    All at once, by damped least squares in four unknowns: place, logarithm of the deviation, height, floor.
    Source: Marquardt, An algorithm for least-squares estimation of nonlinear parameters, 1963.

    Args:
        u_px: Places of the samples, raster pixels, (m,).
        profiles: Light at them, any unit, (k, m).
        width_px: Width of the bar.
    """
    from scipy.special import erf

    top = profiles.max(axis=1, initial=0.0)
    result = np.full(len(profiles), np.nan)
    usable = np.flatnonzero(np.isfinite(profiles).all(axis=1) & (top > 0))
    if not usable.size:
        return result
    wanted = np.asarray(profiles[usable] / top[usable, None], dtype=np.float64)
    low, high = np.array([[-2.0, -3, 0, -1], [2, 2, 20, 1]])

    def parts(p: Floats) -> tuple[Floats, Floats, Floats]:
        """What is left, (k, m); the steps at both edges of a bar of height 1; both edges in standard deviations."""
        edges = np.stack([u_px - p[:, :1] + side * width_px / 2 for side in (1, -1)]) / np.exp(p[:, 1:2])
        steps = erf(edges / np.sqrt(2))
        return p[:, 2:3] * (steps[0] - steps[1]) + p[:, 3:] - wanted, steps, edges

    p = np.tile([0.0, np.log(0.6), 0.7, 0.0], (usable.size, 1))
    damping = np.full(usable.size, 1e-3)
    left, steps, edges = parts(p)
    settled = np.zeros(usable.size, dtype=bool)
    for _ in range(_MOST_ROUNDS):
        bell = np.exp(-0.5 * edges**2) * np.sqrt(2 / np.pi)  # of the error function at the edges, by the edges
        slopes = np.stack(
            [
                -p[:, 2:3] * (bell[0] - bell[1]) / np.exp(p[:, 1:2]),
                -p[:, 2:3] * (bell[0] * edges[0] - bell[1] * edges[1]),
                steps[0] - steps[1],
                np.ones_like(left),
            ],
            axis=1,
        )
        normal = slopes @ slopes.transpose(0, 2, 1)
        size = np.einsum("kii->ki", normal)
        normal = normal + (damping[:, None] * size + 1e-12)[:, :, None] * np.eye(4)
        step = -np.linalg.solve(normal, slopes @ left[..., None])[..., 0]
        tried = np.clip(p + step, low, high)
        now = parts(tried)
        better = (now[0] ** 2).sum(axis=1) <= (left**2).sum(axis=1)
        settled |= (np.abs(tried - p).max(axis=1) < _SETTLED_STEP) | (damping > _MOST_DAMPING)
        p = np.where(better[:, None], tried, p)
        left, steps, edges = parts(p)
        damping *= np.where(better, 0.2, 5.0)
        if settled.all():
            break
    fits = settled & (np.sqrt((left**2).mean(axis=1)) <= _LARGEST_MISFIT)
    result[usable[fits]] = np.exp(p[fits, 1])
    return result


def _normalised(x: Floats, y: Floats) -> tuple[tuple[Floats, Floats], Floats]:
    """Places moved and scaled to the size of 1, and the matrix that did it."""
    scale = np.sqrt(2) / np.hypot(x - x.mean(), y - y.mean()).mean()
    matrix = np.array([[scale, 0, -scale * x.mean()], [0, scale, -scale * y.mean()], [0, 0, 1]])
    return ((x - x.mean()) * scale, (y - y.mean()) * scale), matrix
