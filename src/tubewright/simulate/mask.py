"""The shadow mask's pattern of phosphor, which each gun lights only its own part of."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.simulate.display import Array, Fine, Mask

_TILE: Final = 48
"""Samples of the mask's pattern to a pitch."""
_SLOT_RATIO: Final = 1.4
"""From slot to slot down a column, of the pitch (estimate); every other column is half of that lower."""
_SLOT_SHARE: Final = 0.84
"""Of that, what the slot is and not the bridge below it (estimate)."""
GATHERED_SAMPLES: Final = 0.6
"""Standard deviation, in samples, over which each sample gathers the pattern: a part of the lens's blur, done before
sampling as a lens does it. Sharp edges sampled first would beat with the samples and move marks by half a pixel."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tile:
    """One cell of the mask's pattern, which repeats.

    Attributes:
        width_mm: Of the cell.
        height_mm: Of the cell.
        moment_share: Light that a sample of the photograph gathers: for each of its mean, and its mean times the
            distance from the sample's middle to the right and downwards, from sample to sample 1, (3, rows, columns,
            guns). The mean is 1 on average.
    """

    width_mm: float
    height_mm: float
    moment_share: NDArray[np.float32]

    def light(self, lit: NDArray[np.float32], x_mm: Fine, y_mm: Fine) -> NDArray[np.float32]:
        """What samples gather of light that falls on the pattern, (guns, rows, columns).

        To first order in the light's slope over a sample: the product of two
        points would displace a mark's edge wherever it falls within a dot.
        """
        import cv2

        rows, columns = self.moment_share.shape[1:3]
        x, y = x_mm / np.float32(self.width_mm), y_mm / np.float32(self.height_mm)
        x = (x - np.floor(x)) * np.float32(columns)
        y = (y - np.floor(y)) * np.float32(rows)
        gathered = np.zeros_like(lit)
        for moment, slope in zip(
            self.moment_share, (lit, np.gradient(lit, axis=2), np.gradient(lit, axis=1)), strict=True
        ):
            through = cv2.remap(moment, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_WRAP)
            for gun in range(3):
                gathered[gun] += slope[gun] * through[..., gun]
        return gathered


def mask_tile(mask: Mask, sample_mm: float) -> Tile | None:
    """The mask's pattern as samples a width apart gather it; ``None`` for a screen without a mask."""
    if mask.kind == "none":
        return None
    width, height = {"dots": (1, 3**0.5), "slots": (2, _SLOT_RATIO), "stripes": (1, 0.25)}[mask.kind]
    drawn = _draw(mask, round(_TILE * height), _TILE * width)
    seen = np.fft.fft2(drawn, axes=(0, 1))
    size = drawn.shape[:2]
    down, across = (sample_mm / (mask.pitch_mm * side) for side in (height, width))
    mean_y, slope_y = _gathering(size[0], down)
    mean_x, slope_x = _gathering(size[1], across)
    moments = [
        np.fft.ifft2(seen * (y[:, None] * x[None, :])[..., None], axes=(0, 1)).real
        for y, x in ((mean_y, mean_x), (mean_y, slope_x), (slope_y, mean_x))
    ]
    return Tile(
        width_mm=mask.pitch_mm * width,
        height_mm=mask.pitch_mm * height,
        moment_share=np.ascontiguousarray(np.stack(moments), dtype=np.float32),
    )


def _draw(mask: Mask, rows: int, columns: int) -> Array:
    """Light through one cell, (rows, columns, guns), 1 on average."""
    y, x = np.mgrid[:rows, :columns].astype(float)
    x, y = x / _TILE, y / rows
    drawn = np.empty((rows, columns, 3))
    for gun in range(3):
        phase = x - (gun - 1) / 3
        if mask.kind == "dots":
            # Two dots to a cell that is sqrt(3) as high as wide: the lattice of equal triangles.
            near = np.full(x.shape, np.inf)
            for half in (0.0, 0.5):
                ax, ay = phase - half, y - half
                ax, ay = ax - np.round(ax), (ay - np.round(ay)) * 3**0.5
                near = np.minimum(near, np.hypot(ax, ay))
            light = _edge((mask.lit_share / (2 * 3**0.5) - near) * _TILE)
        else:
            light = _edge((mask.lit_share / 6 - np.abs(phase - np.round(phase))) * _TILE)
            if mask.kind == "slots":
                low = y + np.round(phase) % 2 / 2
                light = light * _edge((_SLOT_SHARE / 2 - np.abs(low - np.round(low))) * rows)
        drawn[:, :, gun] = light / light.mean()
    return drawn


def _gathering(count: int, width: float) -> tuple[Array, NDArray[np.complex128]]:
    """What samples a width (in cells) apart gather of each harmonic: mean, and mean times distance in widths."""
    cycles = np.fft.fftfreq(count, 1 / count) * width
    mean = np.exp(-2 * (np.pi * cycles * GATHERED_SAMPLES) ** 2)
    return mean, 2j * np.pi * cycles * GATHERED_SAMPLES**2 * mean


def _edge(beyond: Array) -> Array:
    """An edge three samples wide."""
    return np.clip(beyond / 3 + 0.5, 0, 1)
