"""How far two colours lie apart: CIELAB and the CIEDE2000 difference.

Distances in ``u', v'`` stand in :mod:`tubewright.physics.colour`; they know nothing of how
dark a colour is, while these two do.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, numbers, vectors

# CIEDE2000; each number stands in the formula as published.
DE_LIGHTNESS_WEIGHT: Final = 0.015  # published, ciede2000
DE_CHROMA_WEIGHT: Final = 0.045  # published, ciede2000
DE_HUE_WEIGHT: Final = 0.015  # published, ciede2000
DE_HUE_FIRST: Final = 0.17  # published, ciede2000
DE_HUE_SECOND: Final = 0.24  # published, ciede2000
DE_HUE_THIRD: Final = 0.32  # published, ciede2000
DE_HUE_FOURTH: Final = 0.20  # published, ciede2000


def lab_from_xyz(xyz: ArrayLike, white_xyz: ArrayLike) -> FloatArray:
    """CIELAB ``L*, a*, b*`` of a colour beside a white.

    Args:
        xyz: Tristimulus values ``(..., 3)``.
        white_xyz: Those of the white that the eye is adapted to, ``(..., 3)``, same scale.

    Returns:
        ``(..., 3)``; a neutral colour has ``a* = b* = 0``, the white itself ``L* = 100``.

    Raises:
        ValueError: A last axis is not three long, or a white that isn't above zero.

    Source: cie-15, CIELAB 1976, with the straight piece below (6/29)^3.

    >>> lab_from_xyz([0.19, 0.20, 0.21], [0.9505, 1.0, 1.089]).round(2).tolist()
    [51.84, -0.05, 1.41]
    """
    white = vectors("white_xyz", white_xyz, 3)
    if np.any(white <= 0):
        raise ValueError("white_xyz must be above zero")
    part = vectors("xyz", xyz, 3) / white
    knee = 6 / 29
    root = np.where(part > knee**3, np.cbrt(part), part / (3 * knee**2) + 4 / 29)
    fx, fy, fz = root[..., 0], root[..., 1], root[..., 2]
    return np.stack([116 * fy - 16, 500 * (fx - fy), 200 * (fy - fz)], axis=-1)


def ciede2000(lab: ArrayLike, reference_lab: ArrayLike) -> FloatArray:
    """The CIEDE2000 difference of two colours; 1 is about what is just seen side by side.

    Args:
        lab: CIELAB ``(..., 3)``.
        reference_lab: CIELAB ``(..., 3)``; leading axes broadcast.

    Returns:
        ``(...)``, weights of lightness, chroma and hue all 1.

    Raises:
        ValueError: A last axis is not three long.

    Source: ciede2000 (the formula with the notes of Sharma, Wu and Dalal on mean hues). It
    was made for surfaces in good light: of a screen's darkest steps it says little.

    >>> round(float(ciede2000([50.0, 2.6772, -79.7751], [50.0, 0.0, -82.7485])), 4)
    2.0425
    """
    first, second = np.broadcast_arrays(vectors("lab", lab, 3), vectors("reference_lab", reference_lab, 3))
    chroma = (np.hypot(first[..., 1], first[..., 2]) + np.hypot(second[..., 1], second[..., 2])) / 2
    stretch = 1 + (1 - np.sqrt(_seventh(chroma))) / 2
    a1, a2, b1, b2 = first[..., 1] * stretch, second[..., 1] * stretch, first[..., 2], second[..., 2]
    c1, c2 = np.hypot(a1, b1), np.hypot(a2, b2)
    h1, h2 = _hue_deg(a1, b1), _hue_deg(a2, b2)
    turn = h2 - h1
    turn = np.where(turn > 180, turn - 360, np.where(turn < -180, turn + 360, turn))
    grey = c1 * c2 == 0
    turn = np.where(grey, 0.0, turn)
    lightness, c_mean = (first[..., 0] + second[..., 0]) / 2, (c1 + c2) / 2
    total = h1 + h2
    far = np.abs(h1 - h2) > 180
    h_mean = np.where(grey, total, np.where(far, np.where(total < 360, total + 360, total - 360) / 2, total / 2))
    hue_factor = (
        1
        - DE_HUE_FIRST * _cos_deg(h_mean - 30)
        + DE_HUE_SECOND * _cos_deg(2 * h_mean)
        + DE_HUE_THIRD * _cos_deg(3 * h_mean + 6)
        - DE_HUE_FOURTH * _cos_deg(4 * h_mean - 63)
    )
    squared = (lightness - 50) ** 2
    scaled_l = (second[..., 0] - first[..., 0]) / (1 + DE_LIGHTNESS_WEIGHT * squared / np.sqrt(20 + squared))
    scaled_c = (c2 - c1) / (1 + DE_CHROMA_WEIGHT * c_mean)
    scaled_h = 2 * np.sqrt(c1 * c2) * np.sin(np.radians(turn / 2)) / (1 + DE_HUE_WEIGHT * c_mean * hue_factor)
    bend = -2 * np.sqrt(_seventh(c_mean)) * np.sin(np.radians(60 * np.exp(-(((h_mean - 275) / 25) ** 2))))
    # The mixed term can make the sum of two equal colours a hair negative.
    return answer(np.sqrt(np.maximum(scaled_l**2 + scaled_c**2 + scaled_h**2 + bend * scaled_c * scaled_h, 0.0)))


def _seventh(chroma: FloatArray) -> FloatArray:
    """``C^7 / (C^7 + 25^7)``, without overflow."""
    part = (numbers(chroma) / 25) ** 7
    result: FloatArray = part / (part + 1)
    return result


def _hue_deg(a: FloatArray, b: FloatArray) -> FloatArray:
    result: FloatArray = np.degrees(np.arctan2(b, a)) % 360
    return result


def _cos_deg(angle: FloatArray) -> FloatArray:
    result: FloatArray = np.cos(np.radians(angle))
    return result
