"""By how much a tag lies elsewhere in red and in blue than in green: the lens's colour fringes at that place.

A camera smooths colour before it is stored: a mosaic is filled in, a compressed file
keeps colour at half resolution and drops its fine detail. Such smoothing is nearly
symmetric and leaves the coarse structure of a channel where it was, while it would
pull an edge fitted at full resolution towards that of green. So the whole tag is
compared, well smoothed, in coded values (in which files are compressed): red is
green moved, made stronger or weaker, evenly or along the tag, and blurred otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_CELLS: Final = 8
_SMOOTHING_PX: Final = 3.5  # as wide as what a file drops of colour (tried)
_SMOOTHING_LARGE: Final = 0.12  # of a cell: the fine detail of large tags adds time, not knowledge (tried)
_SMOOTHING_CELLS: Final = 0.4  # keeps the cells of small tags apart (tried)
_RING_CELLS: Final = 0.9
_ROUNDS: Final = 3
_SETTLED_PX: Final = 0.03  # a further round would change less than a thousandth of a pixel (tried)
_FINEST_SHIFT: Final = 32  # OpenCV reads between pixels in steps of 1/32
_TILE_PX: Final = 12
"""Errors are taken to hang together up to the next tile but one: blocks of 8 at half colour resolution have 16 px."""
_ROUNDED_SHARE: Final = 0.08
_MOST_ROUNDED_PX: Final = 0.36
"""What the rounding of weak colour in a compressed file does to a displacement, alike over a tag: a share of small
ones; of large ones not more than so much over the root of the tag's side in pixels, as blocks along its edges average
out; JPEG of quality 92 with colour at half resolution, tags of 40 to 140 px, in trials."""
_ALIKE_PX: Final = 0.012  # what else it does alike to a whole tag (trials)
_MOST_SHIFT_CELLS: Final = 0.9


def colour_shift(coded: NDArray[np.float32], corners: Array, *, compressed: bool) -> tuple[Array, Array] | None:
    """Displacement of a tag in red and in blue against green.

    Args:
        coded: A crop of the photograph round the tag, coded values 0 to 1, (height, width, 3).
        corners: The tag's corners in pixels of the crop, clockwise, (4, 2).
        compressed: The file may have rounded its colours.

    Returns:
        Displacements (2, 2): red, blue; x, y; and their standard errors along either
        axis (2,); or ``None`` where the tag is not the same shape in all three.
    """
    import cv2

    cell = float(np.sqrt(cv2.contourArea(corners.astype(np.float32)))) / _CELLS
    sigma = min(max(_SMOOTHING_PX, _SMOOTHING_LARGE * cell), _SMOOTHING_CELLS * cell)
    pitch = max(1, int(sigma / 1.15))  # what is so smooth is told in full by fewer pixels
    smooth = np.asarray(cv2.GaussianBlur(coded, (0, 0), sigma), dtype=np.float32)
    view = _view(corners / pitch, cell / pitch, smooth[::pitch, ::pitch].shape[:2], pitch)
    if view is None:
        return None
    green = np.ascontiguousarray(smooth[..., 1])
    shifts, errors = [], []
    for channel in (0, 2):
        found = _registered(green, smooth[..., channel], view)
        if found is None or np.hypot(*found[0]) > _MOST_SHIFT_CELLS * cell:
            return None
        shift, noise = found
        shifts.append(shift)
        errors.append(np.hypot(noise, max(rounding_px(shift, _CELLS * cell), _ALIKE_PX) if compressed else 0.0))
    return np.stack(shifts), np.array(errors)


def rounding_px(shift: Array, side_px: float) -> float:
    """What the rounding of colours in a compressed file may add to a displacement, along either axis."""
    return float(min(_ROUNDED_SHARE * np.hypot(*shift), _MOST_ROUNDED_PX / np.sqrt(side_px)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _View:
    """The pixels that are compared, every ``pitch``-th: row and column, place from the tag's middle, tile."""

    rows: NDArray[np.intp]
    columns: NDArray[np.intp]
    x: Array
    y: Array
    tile: NDArray[np.intp]
    tiles: tuple[int, int]
    pitch: int


def _view(corners: Array, cell: float, shape: tuple[int, ...], pitch: int) -> _View | None:
    import cv2

    middle = corners.mean(axis=0)
    grown = middle + (corners - middle) * (1 + 2 * _RING_CELLS / _CELLS)
    inside = np.zeros(shape, dtype=np.uint8)
    cv2.fillConvexPoly(inside, np.rint(grown * 16).astype(np.int32), 1, shift=4)
    inside[:2] = inside[-2:] = 0
    inside[:, :2] = inside[:, -2:] = 0
    rows, columns = np.nonzero(inside)
    if len(rows) < 200:
        return None
    half = _CELLS * cell / 2
    size = max(1, _TILE_PX // pitch)
    tiles_across = shape[1] // size + 1
    return _View(
        rows=rows,
        columns=columns,
        x=(columns - middle[0]) / half,
        y=(rows - middle[1]) / half,
        tile=rows // size * tiles_across + columns // size,
        pitch=pitch,
        tiles=(shape[0] // size + 1, tiles_across),
    )


def _registered(green: NDArray[np.float32], other: NDArray[np.float32], view: _View) -> tuple[Array, float] | None:
    import cv2

    target = other[:: view.pitch, :: view.pitch][view.rows, view.columns].astype(np.float64)
    shift, blur = np.zeros(2), 0.0
    for _ in range(_ROUNDS):
        whole = np.rint(shift * _FINEST_SHIFT) / _FINEST_SHIFT
        there = np.array([[1, 0, whole[0]], [0, 1, whole[1]]])
        moved = cv2.warpAffine(green, there, green.shape[::-1], flags=cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        # moved at full size, where reading between pixels changes nothing of what is so smooth
        moved = np.ascontiguousarray(moved[:: view.pitch, :: view.pitch])
        curved = cv2.Laplacian(moved, cv2.CV_32F)
        shaped = moved + np.float32(blur) * curved  # green, blurred as the other channel is
        slope_x = cv2.Sobel(shaped, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
        slope_y = cv2.Sobel(shaped, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
        base, curve, along, down = (
            a[view.rows, view.columns].astype(np.float64) for a in (moved, curved, slope_x, slope_y)
        )
        terms = np.stack(
            (
                *(np.ones_like(base), view.x, view.y, base, view.x * base, view.y * base),
                *(curve, view.x * along + view.y * down, along, down),
            ),
            axis=1,
        )
        normal = terms.T @ terms
        try:
            inverse = np.linalg.inv(normal)
        except np.linalg.LinAlgError:
            return None
        found = inverse @ (terms.T @ target)
        if found[3] < 0.05:
            return None
        rest_px = -found[8:] / found[3] * view.pitch
        shift = whole + rest_px
        blur = float(np.clip(found[6] / found[3], -0.5, 5))
        if np.hypot(*shift) > 1000:
            return None
        if np.abs(rest_px).max() < _SETTLED_PX:
            break
    rest = target - terms @ found
    spread = inverse @ _pull(terms * rest[:, None], view) @ inverse
    noise = (spread[8, 8] + spread[9, 9]) / 2 / found[3] ** 2
    return shift, float(np.sqrt(noise) * view.pitch)


def _pull(scores: Array, view: _View) -> Array:
    """Covariance of the sums of scores (points, terms), errors hanging together within a tile and with its neighbours.

    Source: Conley, Journal of Econometrics 92 (1999), with the product of two triangles as weights, which keeps the
    result positive; for few tiles the usual factor n / (n - terms).
    """
    count = view.tiles[0] * view.tiles[1]
    sums = np.stack([np.bincount(view.tile, weights=score, minlength=count) for score in scores.T], axis=1)
    padded = np.pad(sums.reshape(*view.tiles, -1), ((1, 1), (1, 1), (0, 0)))
    near = padded[:-2] / 2 + padded[1:-1] + padded[2:] / 2
    near = near[:, :-2] / 2 + near[:, 1:-1] + near[:, 2:] / 2
    lit = int((np.bincount(view.tile, minlength=count) > 0).sum())
    return np.asarray(sums.T @ near.reshape(count, -1) * (lit / max(lit - scores.shape[1], 1)))
