"""The light of each flat patch of the survey for light, with what the room and the glass add taken off.

A patch is read inside only: as far from its edge as the spot, the video amplifier
and the camera smear it, and for white as far as the guns miss each other. Its light
is the mean over a few thousand pixels, first of sixteen cells, from which a
reflection or a speck of dust falls out, then of the cells; their scatter gives the
standard error and holds noise, the mask's texture and whatever else is uneven.

What black shows (the room's light on the glass, the camera's flare, light that the
faceplate scatters) is measured between the patches and on the black ones and brought
under the lit ones as a smooth shape plus a halo of the neighbours.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import COLUMNS, ROWS
from tubewright.picture.patterns.survey_light import BLACK, MARK_COLUMNS, MARK_ROWS, WHITE, Patches, light_patches
from tubewright.picture.results import ZONES, Zone
from tubewright.picture.sampling import linear_table, sample_light
from tubewright.picture.seen import Photo, RasterMap, Sighting

# Estimates, tried on drawn pictures: how a patch is read.
_CELLS: Final = 4
"""Cells across and down: sixteen are enough to see a speck, and each still covers two stripes of a coarse mask."""
_MOST_SAMPLES: Final = 96
"""Samples across a patch: one for each pixel of a 12-megapixel photograph that the picture fills."""
_BLUR_MARGIN: Final = 2.5
"""Standard deviations of the blur kept clear of a patch's edge: what reaches further is below 1 %."""
_UNKNOWN_BLUR_SHARE: Final = 0.20
"""Margin over a patch's side while the blur is unknown."""
_UNKNOWN_PLACE_SHARE: Final = 0.12
"""Further margin for a gun without a map of its own: 2 mm on 19 inches."""
_LEAST_FRAME_SHARE: Final = 2 / 3
"""Of the marks that stand round a block: with fewer found, the map may be wild there."""
_LEAST_INNER_SHARE: Final = 0.30
"""Of a patch's side: less than that left, and it isn't read."""
_HALO_PITCHES: Final = (1.5, 4.0)
"""Reach of the light that neighbours scatter, in pitches of the lattice: of the faceplate, and of the lens."""
_LOCAL_PITCHES: Final = 2.0
_GUTTER_PITCHES: Final = 0.58
"""From the middle of a mark: half-way between its edge and that of a patch."""
_GUTTER_HALF_PITCHES: Final = 0.15
_CODE_SD: Final = 0.1
"""Steps of the coding by which a mean of many noisy pixels may still be off: rounding and the JPEG's own."""
_FLOOR_CODES: Final = 2.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PatchLights:
    """Light of the patches of a survey for light, one entry each, the last axis the camera's red, green, blue.

    Light is linear as far as the photograph's coding says so, 1 the channel's limit.

    Attributes:
        patches: What was drawn.
        raster: On which raster.
        coding: How the photograph codes light.
        seen: Whether the patch could be read, (n,). The other fields mean nothing where it couldn't.
        light_share: Light above what black shows there, (n, 3).
        light_sd: Its standard error, from the scatter over the patch, (n, 3).
        background_share: What black shows there, (n, 3).
        background_sd: Its standard error, (n, 3).
        clipped_share: Share of the pixels at the coding's limit, (n, 3).
        off_axis_ratio: Distance from the photograph's middle over half its diagonal, (n,).
        floor_share: Light that the coding can't tell from none.
    """

    patches: Patches
    raster: Raster
    coding: Literal["srgb", "linear"]
    seen: NDArray[np.bool_]
    light_share: NDArray[np.float64]
    light_sd: NDArray[np.float64]
    background_share: NDArray[np.float64]
    background_sd: NDArray[np.float64]
    clipped_share: NDArray[np.float64]
    off_axis_ratio: NDArray[np.float64]
    floor_share: float

    def zones(self) -> NDArray[np.int64]:
        """Which ninth of the picture each patch lies in, as an index into ``ZONES``, (n,)."""
        return zone_index(self.patches.x_px, self.patches.y_px, self.raster)

    def full(self, gun: int) -> NDArray[np.bool_]:
        """The patches that were read and show a gun (or 3, white) at full drive, (n,)."""
        patches = self.patches
        return np.asarray(self.seen & (patches.gun == gun) & (patches.drive.max(axis=1) == 255))


def zone_index(x_px: NDArray[np.float64], y_px: NDArray[np.float64], raster: Raster) -> NDArray[np.int64]:
    """Which ninth of a raster places lie in, as an index into ``ZONES``, shape of the places."""
    across = np.clip(np.floor((np.asarray(x_px) + 0.5) * (3 / raster.width_px)), 0, 2)
    down = np.clip(np.floor((np.asarray(y_px) + 0.5) * (3 / raster.height_px)), 0, 2)
    return np.asarray(3 * down + across, dtype=np.int64)


def zone_of(x_px: float, y_px: float, raster: Raster) -> Zone:
    """Which ninth of a raster a place lies in."""
    return ZONES[int(zone_index(np.array(x_px), np.array(y_px), raster))]


def read_patches(photo: Photo, sighting: Sighting) -> PatchLights:
    """Read the patches of a survey for light.

    Args:
        photo: The photograph.
        sighting: Where the survey for light was found in it.

    Raises:
        ValueError: The sighting is of another pattern, or has a map for no gun.
    """
    if sighting.pattern != "survey_light":
        raise ValueError("patches are read from a survey for light")
    if all(one is None for one in sighting.maps):
        raise ValueError("a sighting without a map tells no places")
    raster, patches = sighting.raster, light_patches(sighting.raster)
    height, width = photo.pixels.shape[:2]
    n = len(patches.gun)
    light, sd, clipped = np.zeros((n, 3)), np.zeros((n, 3)), np.zeros((n, 3))
    seen, place = np.zeros(n, dtype=bool), np.zeros((n, 2))
    blur_x, blur_y = _blur_px(sighting)
    limit = int(np.iinfo(photo.pixels.dtype).max) * 0.995  # 254 of 255, and as near in 16 bits
    framed = _framed(sighting, patches)
    for i in map(int, np.flatnonzero(framed)):
        guns = [int(patches.gun[i])] if patches.gun[i] < WHITE else [0, 1, 2]
        inner = _inner(sighting, patches, i, guns, blur_x, blur_y)
        if inner is None:
            continue
        x, y = inner
        if x.min() < 0 or y.min() < 0 or x.max() > width - 1 or y.max() > height - 1:
            continue
        seen[i] = True
        light[i], sd[i] = _mean(sample_light(photo, x, y).astype(np.float64))
        clipped[i] = (photo.pixels[np.rint(y).astype(int), np.rint(x).astype(int)] >= limit).mean(axis=(0, 1))
        place[i] = x.mean(), y.mean()
    background, background_sd = _background(photo, sighting, patches, light, sd, seen)
    table = linear_table(photo).astype(np.float64)
    code = np.clip(np.searchsorted(table, light), 1, len(table) - 1)
    rounding = _CODE_SD * (table[code] - table[code - 1]) * (1.0 if photo.pixels.dtype == np.uint8 else 0.0)
    middle = np.array([(width - 1) / 2, (height - 1) / 2])
    return PatchLights(
        patches=patches,
        raster=raster,
        coding=photo.coding,
        seen=seen,
        light_share=light - background,
        light_sd=np.hypot(sd, rounding),
        background_share=background,
        background_sd=background_sd,
        clipped_share=clipped,
        off_axis_ratio=np.hypot(*(place - middle).T) / np.hypot(*middle),
        floor_share=float(np.interp(_FLOOR_CODES * (len(table) - 1) / 255, np.arange(len(table)), table)),
    )


def _framed(sighting: Sighting, patches: Patches) -> NDArray[np.bool_]:
    """Whether enough of the marks round a patch's block were found to trust the map there, (n,)."""
    found = np.zeros((ROWS, COLUMNS), dtype=bool)
    found[sighting.marks.row, sighting.marks.column] = True
    enough = np.zeros((len(MARK_ROWS) - 1, len(MARK_COLUMNS) - 1), dtype=bool)
    for i, (top, bottom) in enumerate(pairwise(MARK_ROWS)):
        for j, (left, right) in enumerate(pairwise(MARK_COLUMNS)):
            block = found[top : bottom + 1, left : right + 1].astype(int)
            frame = block.sum() - block[1:-1, 1:-1].sum()
            enough[i, j] = frame >= _LEAST_FRAME_SHARE * (block.size - block[1:-1, 1:-1].size)
    raster = sighting.raster
    row = np.searchsorted(MARK_ROWS, (patches.y_px + 0.5) * ROWS / raster.height_px - 0.5) - 1
    column = np.searchsorted(MARK_COLUMNS, (patches.x_px + 0.5) * COLUMNS / raster.width_px - 0.5) - 1
    return np.asarray(enough[row, column])


def _blur_px(sighting: Sighting) -> tuple[float, float]:
    """Usual blur along and across the lines in raster pixels; NaN where the marks don't tell."""
    marks = sighting.marks
    usual = []
    for spread in (marks.spread_x_px, marks.spread_y_px):
        known = spread[np.isfinite(spread)]
        usual.append(float(np.percentile(known, 80)) if known.size >= 10 else np.nan)
    return usual[0], usual[1]


def _inner(
    sighting: Sighting, patches: Patches, i: int, guns: list[int], blur_x: float, blur_y: float
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Places in the photograph that cover the inner part of a patch evenly, each (k, l) of about one pixel."""
    maps = [sighting.maps[g] for g in guns]
    known = [one for one in maps if one is not None]
    base = next((one for one in (sighting.maps[1], *known, *sighting.maps) if one is not None), None)
    if base is None:
        return None
    if len(guns) == 1 and known:
        base = known[0]
    size = np.array([patches.width_px[i], patches.height_px[i]], dtype=np.float64)
    at = np.array([patches.x_px[i], patches.y_px[i]])
    blur = np.array([blur_x, blur_y])
    margin = np.where(np.isfinite(blur), _BLUR_MARGIN * np.nan_to_num(blur) + 0.5, _UNKNOWN_BLUR_SHARE * size)
    if len(known) < len(guns):
        margin += _UNKNOWN_PLACE_SHARE * size
    jacobian, origin = _local(base, at)
    margin = margin + np.max(
        [np.abs(np.linalg.solve(jacobian, _at(one, at) - origin)) for one in (base, *known)], axis=0
    )
    half = size / 2 - margin
    if (half < _LEAST_INNER_SHARE * size / 2).any():
        return None
    count = np.clip(np.ceil(2 * half * np.linalg.norm(jacobian, axis=0)), 3 * _CELLS, _MOST_SAMPLES)
    count = (count // _CELLS * _CELLS).astype(int)
    steps = [at[k] + ((np.arange(count[k]) + 0.5) / count[k] * 2 - 1) * half[k] for k in (0, 1)]
    return base(*np.meshgrid(*steps))


def _at(one: RasterMap, at: NDArray[np.float64]) -> NDArray[np.float64]:
    x, y = one(np.array([at[0]]), np.array([at[1]]))
    return np.array([float(x[0]), float(y[0])])


def _local(one: RasterMap, at: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Jacobian of a map at a place (photograph by raster, (2, 2)), and where the place comes to lie."""
    steps = [(_at(one, at + d) - _at(one, at - d)) / 2 for d in (np.array([1.0, 0.0]), np.array([0.0, 1.0]))]
    return np.stack(steps, axis=1), _at(one, at)


def _mean(light: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Robust mean over a patch (k, l, 3) at its middle, and its standard error, each (3,)."""
    k, l = (side // _CELLS for side in light.shape[:2])  # noqa: E741 - columns
    cells = light[: k * _CELLS, : l * _CELLS].reshape(_CELLS, k, _CELLS, l, 3).mean(axis=(1, 3)).reshape(-1, 3)
    across = (np.arange(_CELLS) - (_CELLS - 1) / 2) / _CELLS
    u, v = (a.ravel() for a in np.meshgrid(across, across))
    plane = np.stack([np.ones_like(u), u, v], axis=1)
    mean, sd = np.empty(3), np.empty(3)
    for c in range(3):
        weight = np.ones(len(cells))
        for _ in range(6):
            fit = np.linalg.lstsq(plane * weight[:, None], cells[:, c] * weight, rcond=None)[0]
            off = cells[:, c] - plane @ fit
            scale = max(1.4826 * float(np.median(np.abs(off))), 1e-9)
            # Huber's weight at 2 standard deviations; squared in the fit, hence the root.
            weight = np.sqrt(np.minimum(1.0, 2 * scale / np.maximum(np.abs(off), 1e-12)))
        freedom = max(float((weight**2).sum()) - 3, 1.0)
        mean[c] = fit[0]
        sd[c] = np.sqrt(float((weight**4 * off**2).sum()) / freedom / float((weight**2).sum()))
    return mean, sd


def _background(
    photo: Photo,
    sighting: Sighting,
    patches: Patches,
    light: NDArray[np.float64],
    sd: NDArray[np.float64],
    seen: NDArray[np.bool_],
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """What black shows at each patch, and its standard error, each (n, 3)."""
    raster = sighting.raster
    pitch = np.array([raster.width_px / COLUMNS, raster.height_px / ROWS])
    middle = np.stack([patches.x_px, patches.y_px], axis=1) / pitch
    free, free_light = _gutters(photo, sighting)
    black = seen & (patches.gun == BLACK)
    at = np.concatenate([middle[black], free / pitch])
    dark = np.concatenate([light[black], free_light])
    own = np.concatenate([np.flatnonzero(black), np.full(len(free), -1)])
    error = np.concatenate([sd[black], np.full((len(free), 3), float(np.median(sd[black])) if black.any() else 0.0)])
    if len(at) < 20:
        return np.zeros_like(light), np.full_like(light, np.inf)
    known, wanted = (_shapes(where, which, middle) for where, which in ((at, own), (middle, np.arange(len(middle)))))
    background, spread = np.empty_like(light), np.empty_like(light)
    near = np.exp(-np.sum((middle[:, None] - at) ** 2, axis=2) / (2 * _LOCAL_PITCHES**2))
    for c in range(3):
        source = np.where(seen, light[:, c] - np.median(dark[:, c]), 0.0).clip(0)
        fit, off = _fitted(_with_halo(known, source), dark[:, c])
        weight = near * np.minimum(1.0, 3 * 1.4826 * np.median(np.abs(off)) / np.maximum(np.abs(off), 1e-12)) ** 2
        total = weight.sum(axis=1) + 1e-9
        local = (weight @ off) / total
        background[:, c] = _with_halo(wanted, source) @ fit + local
        scatter = np.sqrt((weight * (off - local[:, None]) ** 2).sum(axis=1) / total)
        # What the smooth shape misses between the points does not average out with their number.
        spread[:, c] = np.maximum(scatter, float(np.median(error[:, c])))
    return background, spread


def _gutters(photo: Photo, sighting: Sighting) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Black places between marks and patches: (m, 2) in raster pixels, and their light, (m, 3)."""
    raster = sighting.raster
    pitch = np.array([raster.width_px / COLUMNS, raster.height_px / ROWS])
    patches = light_patches(raster)
    columns = np.array([c + side * _GUTTER_PITCHES for c in MARK_COLUMNS for side in (-1, 1)])
    rows = np.array([r + side * _GUTTER_PITCHES for r in MARK_ROWS for side in (-1, 1)])
    free_x, free_y = (columns + 0.5) * pitch[0] - 0.5, (rows + 0.5) * pitch[1] - 0.5
    places = np.concatenate(
        [
            np.stack(np.meshgrid(across, down), axis=-1).reshape(-1, 2)
            for across, down in (
                (free_x, free_y),
                (free_x, np.unique(patches.y_px)),
                (np.unique(patches.x_px), free_y),
            )
        ]
    )
    known = [one for one in sighting.maps if one is not None]
    step = (np.arange(9) - 4) / 4 * _GUTTER_HALF_PITCHES
    dx, dy = (a.ravel() for a in np.meshgrid(step * pitch[0], step * pitch[1]))
    height, width = photo.pixels.shape[:2]
    x, y = known[len(known) // 2](places[:, :1] + dx, places[:, 1:] + dy)
    inside = (x.min(axis=1) >= 0) & (y.min(axis=1) >= 0) & (x.max(axis=1) < width) & (y.max(axis=1) < height)
    # The middle of a place's samples: a mark of a badly misconverged gun that reaches in doesn't move it.
    return places[inside], np.median(sample_light(photo, x[inside], y[inside]), axis=1).astype(np.float64)


_Shapes = tuple[NDArray[np.float64], tuple[NDArray[np.float64], ...]]


def _shapes(at: NDArray[np.float64], own: NDArray[np.int64], middle: NDArray[np.float64]) -> _Shapes:
    """At places in pitches: smooth terms, and per reach the weight of each patch's light (without a place's own)."""
    u, v = at[:, 0] / (COLUMNS / 2) - 1, at[:, 1] / (ROWS / 2) - 1
    smooth = np.stack([np.ones_like(u), u, v, u * u, u * v, v * v], axis=1)
    square = np.sum((at[:, None] - middle) ** 2, axis=2)
    square[own[:, None] == np.arange(len(middle))] = np.inf
    return smooth, tuple(np.exp(-square / (2 * reach**2)) for reach in _HALO_PITCHES)


def _with_halo(shapes: _Shapes, source: NDArray[np.float64]) -> NDArray[np.float64]:
    smooth, halos = shapes
    return np.concatenate([smooth, np.stack([halo @ source for halo in halos], axis=1)], axis=1)


def _fitted(columns: NDArray[np.float64], dark: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Robust fit whose halos are not negative: coefficients, and what each point is off."""
    from scipy.optimize import lsq_linear

    lowest = np.array([-np.inf] * (columns.shape[1] - len(_HALO_PITCHES)) + [0.0] * len(_HALO_PITCHES))
    scale = np.maximum(np.abs(columns).max(axis=0), 1e-12)
    weight = np.ones(len(dark))
    for _ in range(4):
        fit = lsq_linear(columns / scale * weight[:, None], dark * weight, bounds=(lowest, np.inf)).x / scale
        off = dark - columns @ fit
        spread = max(1.4826 * float(np.median(np.abs(off))), 1e-9)
        weight = np.sqrt(np.minimum(1.0, 2 * spread / np.maximum(np.abs(off), 1e-12)))
    return fit, off
