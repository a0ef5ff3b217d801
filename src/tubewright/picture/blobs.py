"""Small bright coloured spots in a photograph: the candidates for a survey's marks."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import cv2
import numpy as np
from numpy.typing import NDArray

from tubewright.picture.sampling import reduced_light
from tubewright.picture.seen import Photo

# Tuning of the search, estimates from simulated photographs; none of them enters a measured figure.
_WORKING_SIDE_PX: Final = 1100
"""Longest side of the copy that is searched: a mark of a picture that fills half the frame is 5 of its pixels wide."""
_THRESHOLD_SHARE: Final = 0.35
"""Of the brightest light nearby: what counts as lit."""
_FLOOR_SHARE: Final = 0.04
"""Of a gun's usual mark: what counts as lit anywhere."""
_NEIGHBOURHOOD_SHARE: Final = 0.05
"""Of the working side: how far 'nearby' reaches; more than a pitch of the lattice."""
_COLOURED: Final = 0.30
"""Least saturation (1 - smallest over largest channel): paper, bars and grey light stay below."""
_SMALLEST_AREA_PX: Final = 4
_LARGEST_SIDE_SHARE: Final = 0.06
_LARGEST_AREA_RATIO: Final = 4.0
MOST_BLOBS: Final = 4000


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Blobs:
    """Spots, one entry each.

    Attributes:
        x_px: Middle in the photograph's pixels, weighted by light, (n,).
        y_px: The same downwards, (n,).
        gun: The channel that is brightest: 0 red, 1 green, 2 blue, (n,).
        flux_ratio: Light summed over the spot, in its own channel, of a full pixel, (n,).
        colour_ratio: Mean light in the three channels over the brightest, (n, 3).
        reduced_by_count: How many pixels of the photograph make one of the copy that was searched.
    """

    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    gun: NDArray[np.int64]
    flux_ratio: NDArray[np.float64]
    colour_ratio: NDArray[np.float64]
    reduced_by_count: int


def working_factor(photo: Photo) -> int:
    """By how much to reduce a photograph before searching it."""
    return max(1, round(int(max(photo.pixels.shape[:2])) / _WORKING_SIDE_PX))


def find_blobs(photo: Photo, factor: int) -> Blobs:
    """All spots that could be marks, in the photograph reduced by a whole factor."""
    # Half a pixel and more of blur merges what is left of the shadow mask's dots into one spot.
    light = np.asarray(cv2.GaussianBlur(reduced_light(photo, factor), (0, 0), 0.8), dtype=np.float32)
    strongest = light.argmax(axis=2)
    level = _evened(light, strongest)
    reach = 2 * round(_NEIGHBOURHOOD_SHARE * max(level.shape) / 2) + 1
    nearby = cv2.dilate(level, np.ones((reach, reach), dtype=np.uint8))
    lit = level > np.maximum(_THRESHOLD_SHARE * nearby, _FLOOR_SHARE)
    count, labels, boxes, _ = cv2.connectedComponentsWithStats(lit.astype(np.uint8), connectivity=8)
    sides = np.maximum(boxes[:, cv2.CC_STAT_WIDTH], boxes[:, cv2.CC_STAT_HEIGHT])
    small = (sides <= _LARGEST_SIDE_SHARE * max(level.shape)) & (boxes[:, cv2.CC_STAT_AREA] >= _SMALLEST_AREA_PX)
    small[0] = False
    # Patches of light, letters and lamps are of other sizes than the many marks.
    usual = float(np.median(boxes[small, cv2.CC_STAT_AREA])) if small.any() else 0.0
    small &= boxes[:, cv2.CC_STAT_AREA] < _LARGEST_AREA_RATIO * usual
    return _measured(light, labels, small, count, factor)


def _evened(light: NDArray[np.float32], strongest: NDArray[np.int64]) -> NDArray[np.float32]:
    """The brightest channel at each pixel, each gun's marks brought to about 1, so that a weak gun is seen as well."""
    top = light.max(axis=2)
    dark = np.float32(np.percentile(top[::4, ::4], 50))
    coloured = light.min(axis=2) < (1 - _COLOURED) * top
    usual = np.ones(3, dtype=np.float32) * max(float(np.percentile(top[::2, ::2], 99)) - float(dark), 1e-4)
    for gun in range(3):
        own = top[coloured & (strongest == gun) & (top > dark + 0.05 * usual[gun])]
        if own.size >= 200:
            usual[gun] = max(float(np.percentile(own, 90)), 0.02 * float(usual[gun]))
    return np.asarray(np.minimum((top - dark) / usual[strongest], 1), dtype=np.float32)


def _measured(
    light: NDArray[np.float32], labels: NDArray[np.int32], small: NDArray[np.bool_], count: int, factor: int
) -> Blobs:
    rows, columns = np.nonzero(small[labels])
    label = labels[rows, columns]
    here = light[rows, columns].astype(np.float64)
    area = np.bincount(label, minlength=count)
    sums = np.stack([np.bincount(label, weights=here[:, c], minlength=count) for c in range(3)], axis=1)
    chosen = np.flatnonzero(small & (area > 0))
    gun = sums[chosen].argmax(axis=1)
    weight = here[np.arange(len(here)), sums.argmax(axis=1)[label]]
    total = np.bincount(label, weights=weight, minlength=count)[chosen]
    x = np.bincount(label, weights=weight * columns, minlength=count)[chosen] / total
    y = np.bincount(label, weights=weight * rows, minlength=count)[chosen] / total
    colour = sums[chosen] / np.maximum(sums[chosen].max(axis=1, keepdims=True), 1e-12)
    coloured = colour.min(axis=1) < 1 - _COLOURED
    middle = (factor - 1) / 2
    return Blobs(
        x_px=(x * factor + middle)[coloured],
        y_px=(y * factor + middle)[coloured],
        gun=gun[coloured].astype(np.int64),
        flux_ratio=total[coloured],
        colour_ratio=colour[coloured],
        reduced_by_count=factor,
    )
