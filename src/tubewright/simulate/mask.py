"""The shadow mask's pattern of phosphor, which each gun lights only its own part of."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.simulate.display import Array, Fine, Mask

_TILE: Final = 24
"""Samples of the mask's pattern to a pitch."""


def mask_tile(mask: Mask) -> Fine | None:
    """One cell of the mask's pattern, which repeats, (rows, columns, 3): light through it, 1 on average."""
    if mask.kind == "none":
        return None
    columns = _TILE * 2
    rows = round(_TILE * 2 * 3**0.5) if mask.kind == "dots" else _TILE * 2
    y, x = np.mgrid[:rows, :columns].astype(float)
    x, y = x / columns, y / rows
    tile = np.empty((rows, columns, 3), np.float32)
    for gun in range(3):
        phase = x - (gun - 1) / 3
        if mask.kind == "dots":
            # Two dots to a cell that is sqrt(3) as high as wide: the lattice of equal triangles.
            near = np.full(x.shape, np.inf)
            for dx, dy in ((0.0, 0.0), (0.5, 0.5)):
                ax, ay = phase - dx, y - dy
                ax, ay = ax - np.round(ax), (ay - np.round(ay)) * 3**0.5
                near = np.minimum(near, np.hypot(ax, ay))
            radius = mask.lit_share / (2 * 3**0.5)
            light = _edge((radius - near) * columns)
        else:
            across = np.abs(phase - np.round(phase))
            light = _edge((mask.lit_share / 6 - across) * columns)
            if mask.kind == "slots":
                light = light * _edge((0.42 - np.abs(y - 0.5)) * rows)
        tile[:, :, gun] = light / light.mean()
    return tile


def gathered_over(tile: Fine, mask: Mask, sample_mm: float) -> Fine:
    """The pattern as samples of a width see it, each gathering over itself: else its sharp edges beat with them."""
    from scipy.ndimage import uniform_filter

    high_mm = mask.pitch_mm * (3**0.5 if mask.kind == "dots" else 1.4)
    widths = (sample_mm / high_mm * tile.shape[0], sample_mm / mask.pitch_mm * tile.shape[1])
    # A box of no whole width is two boxes of whole ones, mixed.
    for axis, width in enumerate(widths):
        low = max(int(width), 1)
        share = min(max(width - low, 0.0), 1.0)
        boxes = [uniform_filter(tile, size, axes=(axis,), mode="wrap") for size in (low, low + 1)]
        tile = np.asarray((1 - share) * boxes[0] + share * boxes[1], dtype=np.float32)
    return tile


def _edge(beyond: Array) -> Array:
    """An edge three samples wide."""
    return np.clip(beyond / 3 + 0.5, 0, 1)


def through_mask(mask: Mask, tile: Fine, x_mm: Fine, y_mm: Fine) -> NDArray[np.float32]:
    """Light through the mask, (3, rows, columns)."""
    import cv2

    height = mask.pitch_mm * (3**0.5 if mask.kind == "dots" else 1.4)
    x = (x_mm - np.floor(x_mm.min())) * np.float32(tile.shape[1] / mask.pitch_mm)
    y = (y_mm - np.floor(y_mm.min())) * np.float32(tile.shape[0] / height)
    # Whole cells from the strip's own corner: places stay small enough for the interpolation.
    x += np.float32(np.floor(x_mm.min()) / mask.pitch_mm % 1 * tile.shape[1])
    y += np.float32(np.floor(y_mm.min()) / height % 1 * tile.shape[0])
    x %= np.float32(tile.shape[1])
    y %= np.float32(tile.shape[0])
    through = cv2.remap(tile, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
    return np.ascontiguousarray(through.transpose(2, 0, 1))
