"""Where a white lies beside the black body: its correlated colour temperature and how far off it is.

The nearest place on the black body's line in CIE 1960 ``u, v`` is sought, which is what the
two figures mean. A temperature alone leaves open whether a white is greenish or pinkish.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, numbers, vectors
from tubewright.physics.colour import uv_prime_from_xy

# The black body's line: u = (U0 + U1 T + U2 T^2)/(1 + U3 T + U4 T^2), v alike.
LOCUS_MIN_K: Final = 1000.0  # published, krystek-1985
LOCUS_MAX_K: Final = 15000.0  # published, krystek-1985
LOCUS_U0: Final = 0.860117757  # published, krystek-1985
LOCUS_U1: Final = 1.54118254e-4  # published, krystek-1985
LOCUS_U2: Final = 1.28641212e-7  # published, krystek-1985
LOCUS_U3: Final = 8.42420235e-4  # published, krystek-1985
LOCUS_U4: Final = 7.08145163e-7  # published, krystek-1985
LOCUS_V0: Final = 0.317398726  # published, krystek-1985
LOCUS_V1: Final = 4.22806245e-5  # published, krystek-1985
LOCUS_V2: Final = 4.20481691e-8  # published, krystek-1985
LOCUS_V3: Final = -2.89741816e-5  # published, krystek-1985
LOCUS_V4: Final = 1.61456053e-7  # published, krystek-1985
MOST_DUV: Final = 0.05  # published, cie-15: farther off, a colour temperature has no meaning


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WhitePlace:
    """Correlated colour temperature and distance from the black body; both NaN where they mean nothing.

    ``duv_ratio`` counts in CIE 1960 ``u, v``: above zero is greenish, below is pinkish.
    """

    cct_k: FloatArray
    duv_ratio: FloatArray


def locus_uv(temperature_k: ArrayLike) -> FloatArray:
    """CIE 1960 ``u, v`` of the black body, ``(..., 2)``.

    Args:
        temperature_k: 1000 to 15 000 K, any shape.

    Raises:
        ValueError: A temperature outside the range of the formula.

    Source: krystek-1985; within 9e-5 of the exact line.

    >>> locus_uv(9300.0).round(4).tolist()
    [0.1915, 0.2958]
    """
    kelvin = numbers(temperature_k)
    if np.any((kelvin < LOCUS_MIN_K) | (kelvin > LOCUS_MAX_K)):
        raise ValueError(f"temperature_k must lie in {LOCUS_MIN_K:g} to {LOCUS_MAX_K:g} K")
    u = (LOCUS_U0 + kelvin * (LOCUS_U1 + LOCUS_U2 * kelvin)) / (1 + kelvin * (LOCUS_U3 + LOCUS_U4 * kelvin))
    v = (LOCUS_V0 + kelvin * (LOCUS_V1 + LOCUS_V2 * kelvin)) / (1 + kelvin * (LOCUS_V3 + LOCUS_V4 * kelvin))
    return np.stack([u, v], axis=-1)


def white_place(xy: ArrayLike) -> WhitePlace:
    """Correlated colour temperature and distance from the black body of a chromaticity.

    Args:
        xy: CIE 1931, ``(..., 2)``.

    Returns:
        Both figures with the shape ``(...)``; NaN where the nearest body is hotter than 15 000 K or
        cooler than 1000 K, or the white is farther off than 0.05. Within 30 K and 0.0002 of the exact
        search up to 10 000 K.

    Raises:
        ValueError: The last axis is not two long.

    Source: definition in cie-15; the line by krystek-1985.

    >>> place = white_place([0.3127, 0.3290])
    >>> round(float(place.cct_k)), round(float(place.duv_ratio), 4)
    (6507, 0.0033)
    """
    prime = uv_prime_from_xy(vectors("xy", xy, 2))
    uv = np.stack([prime[..., 0], prime[..., 1] * 2 / 3], axis=-1)
    # In reciprocal temperature the line runs evenly.
    knots = np.linspace(1 / LOCUS_MAX_K, 1 / LOCUS_MIN_K, 240)
    far = np.linalg.norm(uv[..., None, :] - locus_uv(_kelvin(knots)), axis=-1)
    nearest = np.where(np.isnan(far[..., 0]), 0, np.argmin(np.where(np.isnan(far), np.inf, far), axis=-1))
    low, high = knots[np.maximum(nearest - 1, 0)], knots[np.minimum(nearest + 1, len(knots) - 1)]
    for _ in range(40):
        left, right = low + (high - low) / 3, high - (high - low) / 3
        nearer_left = _distance(uv, left) < _distance(uv, right)
        low, high = np.where(nearer_left, low, left), np.where(nearer_left, right, high)
    middle = (low + high) / 2
    kelvin, away = _kelvin(middle), _distance(uv, middle)
    duv = np.where(uv[..., 1] >= locus_uv(kelvin)[..., 1], away, -away)
    # Where the search ends at an end of the line, the nearest place lies beyond it.
    inside = (kelvin > LOCUS_MIN_K + 1) & (kelvin < LOCUS_MAX_K - 1) & (np.abs(duv) <= MOST_DUV)
    return WhitePlace(cct_k=answer(np.where(inside, kelvin, np.nan)), duv_ratio=answer(np.where(inside, duv, np.nan)))


def _kelvin(reciprocal: FloatArray) -> FloatArray:
    return np.clip(1 / reciprocal, LOCUS_MIN_K, LOCUS_MAX_K)


def _distance(uv: FloatArray, reciprocal: FloatArray) -> FloatArray:
    result: FloatArray = np.linalg.norm(uv - locus_uv(_kelvin(reciprocal)), axis=-1)
    return result
