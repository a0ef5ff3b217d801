"""What a lens does to a finished plane of light: blur, motion, scatter in the glass, and colours of unequal size."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.simulate.display import Array, Fine

STRIP_ROWS: Final = 192
"""Rows worked on at a time: their arrays stay within the processor's cache."""


def soften(plane: Fine, variance_px2: float, motion_px: tuple[float, float]) -> None:
    """Blur a plane in place: a Gaussian, and the way of the image over the sensor."""
    import cv2

    if variance_px2 > 0.01:
        cv2.GaussianBlur(plane, (0, 0), float(np.sqrt(variance_px2)), dst=plane, borderType=cv2.BORDER_REPLICATE)
    if motion_px != (0.0, 0.0):
        reach = int(np.ceil(max(abs(m) for m in motion_px) / 2)) + 1
        kernel = np.zeros((2 * reach + 1, 2 * reach + 1))
        for t in (np.arange(400) + 0.5) / 400 - 0.5:
            x, y = motion_px[0] * t + reach, motion_px[1] * t + reach
            i, j = int(y), int(x)
            for di, wy in ((0, 1 - (y - i)), (1, y - i)):
                for dj, wx in ((0, 1 - (x - j)), (1, x - j)):
                    kernel[i + di, j + dj] += wy * wx / 400
        cv2.filter2D(plane, cv2.CV_32F, kernel.astype(np.float32), dst=plane, borderType=cv2.BORDER_REPLICATE)


def scatter(plane: Fine, share: float, px_per_mm: float) -> None:
    """Spread a share of the light over some 15 mm, as thick glass does (estimate)."""
    import cv2

    coarse = max(1, round(4 * px_per_mm))
    small = cv2.resize(
        plane, (plane.shape[1] // coarse + 1, plane.shape[0] // coarse + 1), interpolation=cv2.INTER_AREA
    )
    small = cv2.GaussianBlur(small, (0, 0), 15 * px_per_mm / coarse)
    plane *= np.float32(1 - share)
    veil = cv2.resize(small, (plane.shape[1], plane.shape[0]), interpolation=cv2.INTER_LINEAR)
    cv2.scaleAdd(veil, share, plane, plane)


def magnified(plane: Fine, factor: float, centre_px: Array) -> Fine:
    """A plane drawn larger about a centre: polynomials through eight samples, along either axis."""
    for axis, centre in ((1, centre_px[0]), (0, centre_px[1])):
        count = plane.shape[axis]
        at = centre + (np.arange(count) - centre) / factor
        base = np.floor(at).astype(int)
        taps = np.arange(-3, 5)
        weights = _lagrange(at - base, taps)
        step = base - np.arange(count)
        reach = int(np.abs(step).max()) + 5
        pads = [(0, 0), (0, 0)]
        pads[axis] = (reach, reach)
        padded = np.pad(plane, pads, mode="edge")
        out = np.empty_like(plane)
        ends = np.concatenate([[0], np.nonzero(np.diff(step))[0] + 1, [count]])
        for start, stop in itertools.pairwise(ends):
            shift = int(step[start]) + reach
            for rows in slices(plane.shape[0], STRIP_ROWS) if axis == 1 else [slice(start, stop)]:
                columns = slice(start, stop) if axis == 1 else slice(None)
                total: Fine | None = None
                for k, tap in enumerate(taps):
                    if axis == 1:
                        part = padded[rows, start + shift + tap : stop + shift + tap] * weights[start:stop, k]
                    else:
                        part = padded[start + shift + tap : stop + shift + tap] * weights[start:stop, k, None]
                    total = part if total is None else np.add(total, part, out=total)
                out[rows, columns] = total
        plane = out
    return plane


def _lagrange(at: Array, taps: NDArray[np.int64]) -> Fine:
    """Weights of samples at ``taps`` in the polynomial through them, (places, taps).

    Unlike a windowed sinc it keeps a straight slope straight, so that no spot is displaced.
    """
    weights = np.ones((at.size, taps.size))
    for k, own in enumerate(taps):
        for other in taps[taps != own]:
            weights[:, k] *= (at - other) / (own - other)
    return weights.astype(np.float32)


def slices(count: int, size: int) -> Iterator[slice]:
    """Parts of a range, ``size`` long, the last one perhaps shorter."""
    for start in range(0, count, size):
        yield slice(start, min(count, start + size))
