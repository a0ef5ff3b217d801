"""How sharp the edges in a photograph of a screen are, and whether the camera moved."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.sampling import linear_table
from tubewright.picture.seen import Photo

_TILE_PX: Final = 160
_TILES: Final = 10
_DIRECTIONS: Final = 8
_SMOOTHING_PX: Final = 0.7


def edge_blur(
    photo: Photo, pixels: NDArray[np.uint8] | NDArray[np.uint16], reach_px: float
) -> tuple[float, float, float] | None:
    """Blur of the sharpest edges, and length and direction of a movement that would explain the softer ones.

    Args:
        photo: The photograph, for how its numbers stand for light.
        pixels: The part of it that is looked at.
        reach_px: How far an edge's surroundings reach: half the distance of two marks.

    Returns:
        Standard deviation of the blur across the sharpest edges in pixels; length of an even movement that would
        make those across as soft as they are; its direction in degrees, from x towards y. ``None`` where there are
        too few edges in two directions.
    """
    import cv2

    table = linear_table(photo)
    reach = int(np.clip(reach_px, 5, 41)) | 1
    kernel = np.ones((reach, reach), dtype=np.uint8)
    ratios, bins = [], []
    for row, column in _liveliest(pixels):
        tile = table[pixels[row : row + _TILE_PX, column : column + _TILE_PX]].max(axis=2)
        tile = cv2.GaussianBlur(tile, (0, 0), _SMOOTHING_PX)
        span = cv2.dilate(tile, kernel) - cv2.erode(tile, kernel)
        slope_x = cv2.Sobel(tile, cv2.CV_32F, 1, 0, ksize=3, scale=1 / 8)
        slope_y = cv2.Sobel(tile, cv2.CV_32F, 0, 1, ksize=3, scale=1 / 8)
        clear = span > 0.5 * float(span.max())
        ratios.append(np.hypot(slope_x[clear], slope_y[clear]) / span[clear])
        toward = np.arctan2(slope_y[clear], slope_x[clear]) / np.pi
        bins.append(np.floor(toward * _DIRECTIONS + 0.5).astype(int) % _DIRECTIONS)
    ratio, direction = np.concatenate(ratios), np.concatenate(bins)
    if not len(ratio):
        return None
    # the direction that most edges face, and the one across: what faces other ways are corners
    steep = ratio > 0.25 * np.quantile(ratio, 0.99)
    counts = np.bincount(direction[steep], minlength=_DIRECTIONS)
    main = int(counts.argmax())
    own = (main, (main + _DIRECTIONS // 2) % _DIRECTIONS)
    facing = [ratio[direction == one] for one in own]
    if min(len(one) for one in facing) < 300:
        return None
    steepest = np.array([np.quantile(one[one >= 0.5 * np.quantile(one, 0.99)], 0.95) for one in facing])
    if steepest.min() < 1e-3:  # no edge within any mark's reach
        return None
    # of a blurred edge span / slope = spread * sqrt(2 pi); the smoothing above and Sobel's own (1/2 px^2) are taken off
    variance = np.maximum(1 / (2 * np.pi * steepest**2) - _SMOOTHING_PX**2 - 1 / 2, 0.04)
    sharp, soft = int(variance.argmin()), int(variance.argmax())
    length = float(np.sqrt(12 * (variance[soft] - variance[sharp])))  # variance of an even movement: length^2 / 12
    return float(np.sqrt(variance[sharp])), length, float(180 / _DIRECTIONS * own[soft])


def _liveliest(pixels: NDArray[np.uint8] | NDArray[np.uint16]) -> list[tuple[int, int]]:
    """Upper left corners of the tiles with the most contrast, spread over the picture."""
    height, width = pixels.shape[:2]
    rows = np.unique(np.linspace(0, max(height - _TILE_PX, 0), 5).astype(int))
    columns = np.unique(np.linspace(0, max(width - _TILE_PX, 0), 5).astype(int))
    found = []
    for row in rows:
        for column in columns:
            tile = pixels[row : row + _TILE_PX : 4, column : column + _TILE_PX : 4]
            found.append((float(np.ptp(tile.reshape(-1, 3).astype(np.int64), axis=0).max()), int(row), int(column)))
    found.sort(reverse=True)
    return [(row, column) for _, row, column in found[:_TILES]]
