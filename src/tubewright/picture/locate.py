"""Where each mark lies, to a few hundredths of a pixel: a blurred box fitted to its light.

Along the line a mark is a box of whole raster pixels, blurred by the spot, the
video chain and the camera: the difference of two error functions. Across the
lines it is a few scan lines side by side, each as thick as the spot. In the
raster's own (slanted) axes the model is a product of one function along the
line and one across it, so that all sums of a least-squares step are products
of one-dimensional sums, and six hundred marks are fitted at once.

Fitted are height, level and slope of the surroundings, place and blur. The
light is smoothed a little first: a shadow mask cuts a mark into dots, and
edges sharper than the mask's pitch would place the dots, not the mark.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from tubewright.picture.maps import Fit
from tubewright.picture.patterns.survey import LatticeMarks
from tubewright.picture.sampling import linear_table
from tubewright.picture.seen import Photo

# Tuning, chosen on simulated photographs by the scatter of the places.
_FINEST_MARK_PX: Final = 11
"""A mark's shorter side in the copy that is fitted: finer sampling brings nothing but time."""
_MARGIN_SHARE: Final = 0.75
"""Of a mark's side: how much of its surroundings goes into the fit."""
_SMOOTHING_SHARE: Final = 0.15
"""Of a mark's width: standard deviation of the smoothing, which the blur has taken off again."""
_ROUNDS: Final = 8
_STILL_PX: Final = 2e-4
"""Raster pixels by which nearly no mark moves any more: a five-hundredth of a pixel of the photograph."""
_SAMPLES_PER_PX: Final = 1.3
"""More than one, and no simple ratio: what the interpolation does to a sample then averages out over a mark."""
_INTERPOLATED_VARIANCE_RATIO: Final = 0.837
"""Variance of white noise of variance 1 after OpenCV's eight-point interpolation at random places (measured)."""
_LEAST_LIGHT_SHARE: Final = 0.3
_WORST_MISFIT_SHARE: Final = 0.4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Located:
    """What the fit says of each mark; ``good`` tells which to believe. (n,) each, ``photo_px`` (n, 2)."""

    good: NDArray[np.bool_]
    photo_px: NDArray[np.float64]
    sd_px: NDArray[np.float64]
    spread_x_px: NDArray[np.float64]
    spread_y_px: NDArray[np.float64]
    spread_sd_px: NDArray[np.float64]
    light: NDArray[np.float64]


def locate(photo: Photo, marks: LatticeMarks, fit: Fit) -> Located:
    """Fit every mark of a pattern near the place where the maps expect it."""
    at, slopes = _expected(marks, fit)
    usable = np.asarray(np.isfinite(at).all(axis=1))
    size_px = np.sqrt(np.nanmedian((slopes**2).sum(axis=1), axis=0))
    shortest = float(min(marks.width_px[0] * size_px[0], marks.height_px.min() * size_px[1]))
    factor = int(np.clip(shortest // _FINEST_MARK_PX, 1, 8))
    margin_px = _MARGIN_SHARE * shortest + 0.5 * float(size_px.max())
    x_grid = _grid(int(marks.width_px.max()), margin_px / float(size_px[0]), float(size_px[0]) / factor)
    y_grid = _grid(int(marks.height_px.max()), margin_px / float(size_px[1]), float(size_px[1]) / factor)
    patches, inside = _cut(photo, factor, np.where(usable[:, None], at, 0.0), slopes, marks.gun, x_grid, y_grid)
    smooth = _SMOOTHING_SHARE * float(marks.width_px[0]) * np.array([1.0, float(size_px[0] / size_px[1])])
    boxes = _Boxes(marks=marks, x=x_grid, y=y_grid, smoothing=smooth)
    steps_px = np.array([x_grid[1] - x_grid[0], y_grid[1] - y_grid[0]]) * size_px / factor
    values, errors, misfit = boxes.fit(patches, 1 / (_INTERPOLATED_VARIANCE_RATIO * float(steps_px.prod())))
    return _reported(marks, at, slopes, usable & inside, values, errors, misfit, smooth)


def _expected(marks: LatticeMarks, fit: Fit) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Expected place (n, 2) and its change per raster pixel, (n, 2, 2): [:, :, 0] along the line."""
    at = np.full((len(marks.gun), 2), np.nan)
    slopes = np.full((len(marks.gun), 2, 2), np.nan)
    for gun in range(3):
        own = marks.gun == gun
        if fit.maps[gun] is None or not own.any():
            continue
        x, y, row = marks.x_px[own], marks.y_px[own], marks.row[own]
        at[own] = np.stack(fit.predict(gun, x, y, row), axis=1)
        for axis, (dx, dy) in enumerate(((1.0, 0.0), (0.0, 1.0))):
            ahead = np.stack(fit.predict(gun, x + dx, y + dy, row), axis=1)
            behind = np.stack(fit.predict(gun, x - dx, y - dy, row), axis=1)
            slopes[own, :, axis] = (ahead - behind) / 2
    return at, slopes


def _grid(mark_px: int, margin_px: float, scale: float) -> NDArray[np.float64]:
    """Places of samples along one axis, raster pixels from the mark's middle."""
    reach = mark_px / 2 + margin_px
    count = int(np.clip(np.ceil(2 * reach * scale * _SAMPLES_PER_PX), 13, 110))
    return np.linspace(-reach, reach, count)


def _cut(
    photo: Photo,
    factor: int,
    at: NDArray[np.float64],
    slopes: NDArray[np.float64],
    gun: NDArray[np.int64],
    x_grid: NDArray[np.float64],
    y_grid: NDArray[np.float64],
) -> tuple[NDArray[np.float64], NDArray[np.bool_]]:
    """Light round each mark in its gun's channel, on the raster's axes, (n, rows, columns); and whether it is whole."""
    small = photo if factor == 1 else replace(photo, pixels=_reduced(photo, factor))
    safe = np.nan_to_num(slopes)
    start = (at - (factor - 1) / 2) / factor
    x, y = (
        start[:, i, None, None]
        + (safe[:, i, 1, None] * y_grid / factor)[:, :, None]
        + (safe[:, i, 0, None] * x_grid / factor)[:, None, :]
        for i in (0, 1)
    )
    height, width = small.pixels.shape[:2]
    inside = (x.min(axis=(1, 2)) >= 0) & (y.min(axis=(1, 2)) >= 0)
    inside &= (x.max(axis=(1, 2)) <= width - 1) & (y.max(axis=(1, 2)) <= height - 1)
    return _light(small, x, y, gun), inside


def _reduced(photo: Photo, factor: int) -> NDArray[np.uint8] | NDArray[np.uint16]:
    import cv2

    height, width = (side // factor for side in photo.pixels.shape[:2])
    whole = photo.pixels[: height * factor, : width * factor]
    small = cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(small, dtype=np.uint16) if photo.pixels.dtype == np.uint16 else np.asarray(small, dtype=np.uint8)


def _light(photo: Photo, x: NDArray[np.float64], y: NDArray[np.float64], gun: NDArray[np.int64]) -> NDArray[np.float64]:
    """Linear light at places, (n, rows, columns), each patch in the channel of its gun."""
    import cv2

    table = linear_table(photo)
    light = np.empty(x.shape)
    for channel in range(3):
        own = gun == channel
        if own.any():
            # A windowed sinc: linear interpolation blurs by the sample's phase, which beats with the pixels.
            plane = cv2.remap(
                table[photo.pixels[..., channel]],
                x[own].reshape(-1, x.shape[2]).astype(np.float32),
                y[own].reshape(-1, x.shape[2]).astype(np.float32),
                cv2.INTER_LANCZOS4,
                borderMode=cv2.BORDER_REPLICATE,
            )
            light[own] = plane.reshape(-1, *x.shape[1:])
    return light


def _smoother(grid: NDArray[np.float64], sd: float) -> NDArray[np.float64]:
    """Gaussian smoothing of samples on a grid as a matrix, its rows summing to one."""
    weights = np.exp(-0.5 * ((grid[:, None] - grid[None, :]) / sd) ** 2)
    return np.asarray(weights / weights.sum(axis=1, keepdims=True))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Boxes:
    """Blurred marks on a common grid, fitted to many patches at once."""

    marks: LatticeMarks
    x: NDArray[np.float64]
    y: NDArray[np.float64]
    smoothing: NDArray[np.float64]

    def fit(
        self, raw: NDArray[np.float64], noise_ratio: float
    ) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
        """Height, level, slopes, place and blur, (n, 8); their standard errors; the misfit of the raw light, (n,).

        ``noise_ratio`` is the variance that white noise of one sample would need to have the power, over a mark, of
        the noise seen in interpolated samples.
        """
        over_x, over_y = _smoother(self.x, self.smoothing[0]), _smoother(self.y, self.smoothing[1])
        patches = over_y @ raw @ over_x.T
        count = len(patches)
        edge = np.concatenate([patches[:, :, [0, -1]].reshape(count, -1), patches[:, [0, -1]].reshape(count, -1)], 1)
        level = np.median(edge, axis=1)
        height = np.maximum(patches[:, len(self.y) // 2, len(self.x) // 2] - level, 1e-6)
        blur = np.hypot(0.5, self.smoothing)
        zero = np.zeros(count)
        p = np.stack([height, level, zero, zero, zero, zero, zero + blur[0], zero + blur[1]], axis=1)
        lowest, highest = 0.6 * self.smoothing, 3 + self.smoothing
        normal, right = self._step(p, patches)
        for _ in range(_ROUNDS):
            ridge = normal + 1e-9 * np.eye(8) * np.trace(normal, axis1=1, axis2=2)[:, None, None]
            step = np.linalg.solve(ridge, right[..., None])[..., 0]
            step[:, 4:] = np.clip(step[:, 4:], -0.7, 0.7)
            p = p + step
            p[:, 0] = np.maximum(p[:, 0], 1e-6)
            p[:, 6] = np.clip(p[:, 6], lowest[0], highest[0])
            p[:, 7] = np.clip(p[:, 7], lowest[1], highest[1])
            normal, right = self._step(p, patches)
            if np.quantile(np.abs(step[:, 4:6]), 0.98) < _STILL_PX:
                break
        sharp = p.copy()
        sharp[:, 6:] = np.sqrt(np.maximum(p[:, 6:] ** 2 - self.smoothing**2, (0.15 * self.smoothing) ** 2))
        f, g = self._parts(sharp)
        model = (g[..., :4] * p[:, None, :4]) @ f[..., :4].transpose(0, 2, 1)
        misfit = np.sqrt(((raw - model) ** 2).sum(axis=(1, 2)) / (raw[0].size - 8))
        # Smoothed noise is correlated: the covariance of the estimate is N^-1 J' S S' J N^-1 times its variance.
        f, g = self._parts(p)
        f[..., 4:] *= p[:, None, :1]
        met_f, met_g = over_x.T @ f, over_y.T @ g
        spread = (met_f.transpose(0, 2, 1) @ met_f) * (met_g.transpose(0, 2, 1) @ met_g)
        ridge = normal + 1e-9 * np.eye(8) * np.trace(normal, axis1=1, axis2=2)[:, None, None]
        back = np.linalg.inv(ridge)
        variance = np.maximum(np.diagonal(back @ spread @ back, axis1=1, axis2=2), 0) * noise_ratio
        return p, np.sqrt(variance) * misfit[:, None], misfit

    def _step(
        self, p: NDArray[np.float64], patches: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        f, g = self._parts(p)
        scaled = f.copy()
        scaled[..., 4:] *= p[:, None, :1]
        normal = (scaled.transpose(0, 2, 1) @ scaled) * (g.transpose(0, 2, 1) @ g)
        seen = ((patches @ scaled) * g).sum(axis=1)
        linear = np.concatenate([p[:, :4], np.zeros((len(p), 4))], axis=1)
        return normal, seen - (normal @ linear[..., None])[..., 0]

    def _parts(self, p: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """The eight functions along the line (n, columns, 8) and across it (n, rows, 8)."""
        fx, fx_place, fx_blur = _box(self.x, p[:, 4], p[:, 6], self.marks.width_px)
        fy, fy_place, fy_blur = _lines(self.y, p[:, 5], p[:, 7], self.marks.height_px)
        one_x, one_y = np.ones_like(fx), np.ones_like(fy)
        along_x, along_y = one_x * self.x, one_y * self.y
        return (
            np.stack([fx, one_x, along_x, one_x, fx_place, fx, fx_blur, fx], axis=-1),
            np.stack([fy, one_y, one_y, along_y, fy, fy_place, fy, fy_blur], axis=-1),
        )


def _box(
    grid: NDArray[np.float64], place: NDArray[np.float64], blur: NDArray[np.float64], width: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """A box of height 1 blurred by a Gaussian, and its slopes with place and blur, (n, samples) each."""
    s = blur[:, None]
    a = (grid - place[:, None] + width[:, None] / 2) / s
    b = a - width[:, None] / s
    bell_a, bell_b = (np.exp(-0.5 * z * z) / np.sqrt(2 * np.pi) for z in (a, b))
    return ndtr(a) - ndtr(b), (bell_b - bell_a) / s, (b * bell_b - a * bell_a) / s


def _lines(
    grid: NDArray[np.float64], place: NDArray[np.float64], blur: NDArray[np.float64], count: NDArray[np.int64]
) -> tuple[NDArray[np.float64], NDArray[np.float64], NDArray[np.float64]]:
    """Scan lines one apart, each a Gaussian of area 1, and their slopes with place and blur, (n, samples) each."""
    s = blur[:, None, None]
    step = np.arange(int(count.max()))
    offset = (step - (count[:, None] - 1) / 2)[:, None, :]
    z = (grid[:, None] - place[:, None, None] - offset) / s
    bell = np.where(step < count[:, None, None], np.exp(-0.5 * z * z), 0) / (np.sqrt(2 * np.pi) * s)
    return bell.sum(axis=2), (bell * z).sum(axis=2) / s[..., 0], (bell * (z * z - 1)).sum(axis=2) / s[..., 0]


def _reported(
    marks: LatticeMarks,
    at: NDArray[np.float64],
    slopes: NDArray[np.float64],
    usable: NDArray[np.bool_],
    values: NDArray[np.float64],
    errors: NDArray[np.float64],
    misfit: NDArray[np.float64],
    smoothing: NDArray[np.float64],
) -> Located:
    light = values[:, 0]
    good = usable & (np.abs(values[:, 4]) < 0.6 * marks.width_px) & (np.abs(values[:, 5]) < 0.6 * marks.height_px)
    good &= misfit < _WORST_MISFIT_SHARE * light
    for gun in range(3):
        own = good & (marks.gun == gun)
        if own.any():
            good &= (marks.gun != gun) | (light > _LEAST_LIGHT_SHARE * np.median(light[own]))
    move = np.einsum("nij,nj->ni", np.nan_to_num(slopes), values[:, 4:6])
    error = np.einsum("nij,nj->ni", np.nan_to_num(slopes) ** 2, errors[:, 4:6] ** 2)
    spread = np.sqrt(np.maximum(values[:, 6:8] ** 2 - smoothing**2, 0))
    # From the blur with the smoothing to that without it: s ds = S dS.
    spread_error = errors[:, 6:8] * values[:, 6:8] / np.maximum(spread, 0.3 * smoothing)
    return Located(
        good=good,
        photo_px=at + move,
        sd_px=np.sqrt(error.mean(axis=1)),
        spread_x_px=spread[:, 0],
        spread_y_px=spread[:, 1],
        spread_sd_px=np.sqrt((spread_error**2).mean(axis=1)),
        light=light,
    )
