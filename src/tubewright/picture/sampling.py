"""Light from a photograph's pixels: linear, at any place, at any scale."""

from __future__ import annotations

from functools import cache
from typing import Final, Literal

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
    height, width = photo.pixels.shape[:2]
    x = np.clip(np.asarray(x_px, dtype=np.float32), 0, width - 1)
    y = np.clip(np.asarray(y_px, dtype=np.float32), 0, height - 1)
    light = np.empty((*x.shape, 3), dtype=np.float32)
    if x.size:
        _sample(photo, x, y, light)
    return light


_MOST_PIXELS_A_SAMPLE: Final = 8
"""A window with more pixels to a sample is taken apart first: all of its pixels are brought to light."""
_LONGEST_MAP: Final = 32_000
"""OpenCV counts the rows of a map in 16 bits."""


def _sample(photo: Photo, x: NDArray[np.float32], y: NDArray[np.float32], light: NDArray[np.float32]) -> None:
    """Fill in the light at places: of one window round them all, or part by part where that would be mostly waste."""
    left, top = int(x.min()), int(y.min())
    right, bottom = int(x.max()) + 2, int(y.max()) + 2
    wasteful = (right - left) * (bottom - top) > _MOST_PIXELS_A_SAMPLE * x.size + 4096
    rows = x.size // x.shape[-1] if x.ndim else 1
    if (wasteful or rows > _LONGEST_MAP) and x.ndim and x.shape[0] > 1:
        half = x.shape[0] // 2
        for part in (slice(None, half), slice(half, None)):
            _sample(photo, x[part], y[part], light[part])
        return
    if wasteful and x.ndim > 1:
        _sample(photo, x[0], y[0], light[0])
        return
    import cv2

    window = linear_table(photo)[photo.pixels[top:bottom, left:right]]
    flat = (-1, x.shape[-1]) if x.ndim else (1, 1)
    # Of single precision, OpenCV 5 takes the shares between pixels exactly; a test holds it to that.
    found = cv2.remap(
        window, (x - left).reshape(flat), (y - top).reshape(flat), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    light[...] = found.reshape(light.shape)


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
