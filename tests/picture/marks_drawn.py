"""Marks drawn by formula on a sensor: scan lines of Gaussian spots, no camera, no mask; with its own arithmetic."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import LatticeMarks
from tubewright.picture.seen import Photo

_ERF = np.vectorize(math.erf)


@dataclass(frozen=True, kw_only=True, eq=False)
class Drawn:
    """A photograph, and where each mark lies in it."""

    photo: Photo
    photo_px: NDArray[np.float64]
    clean: NDArray[np.float64]
    slopes: NDArray[np.float64]


def draw(
    raster: Raster,
    marks: LatticeMarks,
    *,
    scale: float,
    turn_deg: float = 2.0,
    spot_px: float = 0.45,
    noise: float = 0.0,
    height: float = 0.6,
    seed: int = 0,
) -> Drawn:
    """Draw marks of one raster pixel = ``scale`` photograph pixels; ``spot_px`` is the blur in raster pixels."""
    size = (round(raster.height_px * scale * 1.15), round(raster.width_px * scale * 1.15))
    c, s = scale * np.cos(np.radians(turn_deg)), scale * np.sin(np.radians(turn_deg))
    turn = np.array([[c, -s], [s, c]])
    back = np.linalg.inv(turn)
    middle = np.array([raster.width_px / 2 - 0.5, raster.height_px / 2 - 0.5])
    at = (np.stack([marks.x_px, marks.y_px], axis=1) - middle) @ turn.T + np.array([size[1] / 2, size[0] / 2])
    clean = np.zeros((*size, 3))
    reach = round(scale * (max(marks.height_px.max(), marks.width_px.max()) / 2 + 4 * spot_px + 1))
    for n, (x, y) in enumerate(at):
        left, top = round(x) - reach, round(y) - reach
        gx, gy = np.meshgrid(np.arange(left, left + 2 * reach + 1), np.arange(top, top + 2 * reach + 1))
        total = np.zeros(gx.shape)
        # A pixel gathers light over its area; nine points stand for it.
        for dx in (-1 / 3, 0, 1 / 3):
            for dy in (-1 / 3, 0, 1 / 3):
                u = back[0, 0] * (gx + dx - x) + back[0, 1] * (gy + dy - y)
                v = back[1, 0] * (gx + dx - x) + back[1, 1] * (gy + dy - y)
                w = marks.width_px[n] / 2
                across = 0.5 * (_ERF((u + w) / (spot_px * 2**0.5)) - _ERF((u - w) / (spot_px * 2**0.5)))
                offsets = np.arange(marks.height_px[n]) - (marks.height_px[n] - 1) / 2
                along = sum(np.exp(-0.5 * ((v - o) / spot_px) ** 2) for o in offsets) / (2.5066282746 * spot_px)
                total += across * along / 9
        clean[gy[0, 0] : gy[-1, 0] + 1, gx[0, 0] : gx[0, -1] + 1, marks.gun[n]] += height * total
    rng = np.random.default_rng(seed)
    level = clean + 0.15  # well above nought, where noise would be cut off
    noisy = level + rng.normal(0, noise, clean.shape) if noise else level
    pixels = np.clip(np.rint(noisy * 65535), 0, 65535).astype(np.uint16)
    return Drawn(photo=Photo(pixels=pixels, coding="linear", name="drawn"), photo_px=at, clean=clean, slopes=turn)
