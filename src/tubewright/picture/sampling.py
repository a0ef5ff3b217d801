"""Light from a photograph's pixels: linear, at any place, at any scale."""

from __future__ import annotations

from functools import cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.seen import Photo


def linear_table(photo: Photo) -> NDArray[np.float32]:
    """Light by pixel number: (256,) or (65536,), 1 for the highest number."""
    return _table(photo.coding, int(np.iinfo(photo.pixels.dtype).max))


@cache
def _table(coding: Literal["srgb", "linear"], highest: int) -> NDArray[np.float32]:
    coded = np.arange(highest + 1) / highest
    if coding == "linear":
        return coded.astype(np.float32)
    # IEC 61966-2-1:1999, the inverse of its transfer function.
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4).astype(np.float32)


def sample_light(photo: Photo, x_px: NDArray[np.float64], y_px: NDArray[np.float64]) -> NDArray[np.float32]:
    """Linear light at places in the photograph, between pixels by their four neighbours.

    Args:
        photo: The photograph.
        x_px: Places from its left, any shape.
        y_px: The same from its top.

    Returns:
        The shape of the places with (red, green, blue) as last axis; places outside take the nearest edge.
    """
    table, pixels = linear_table(photo), photo.pixels
    height, width = pixels.shape[:2]
    x = np.clip(np.asarray(x_px, dtype=np.float32), 0, width - 1)
    y = np.clip(np.asarray(y_px, dtype=np.float32), 0, height - 1)
    left = np.minimum(x.astype(np.intp), width - 2)
    top = np.minimum(y.astype(np.intp), height - 2)
    right_share, lower_share = (x - left)[..., None], (y - top)[..., None]
    upper = table[pixels[top, left]] * (1 - right_share) + table[pixels[top, left + 1]] * right_share
    lower = table[pixels[top + 1, left]] * (1 - right_share) + table[pixels[top + 1, left + 1]] * right_share
    return np.asarray(upper * (1 - lower_share) + lower * lower_share, dtype=np.float32)


def reduced_light(photo: Photo, factor: int) -> NDArray[np.float32]:
    """The whole photograph smaller by a whole factor, linear light, (height // factor, width // factor, 3).

    Means are taken of the coded values, which is quick, and only then brought to light: good for finding, not for
    measuring. Pixel (column, row) covers ``factor`` x ``factor`` pixels of the photograph, so its middle lies at
    ``factor * column + (factor - 1) / 2``.
    """
    import cv2

    height, width = (side // factor for side in photo.pixels.shape[:2])
    whole = photo.pixels[: height * factor, : width * factor]
    small = whole if factor == 1 else cv2.resize(whole, (width, height), interpolation=cv2.INTER_AREA)
    return np.asarray(linear_table(photo)[np.asarray(small, dtype=photo.pixels.dtype)])
