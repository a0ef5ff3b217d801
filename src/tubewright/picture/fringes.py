"""Lateral colour: by how much a lens images red and blue elsewhere than green.

The displacement of a channel at a place in the photograph is modelled as
``(a1 + a3 r²) (p - m) + s``: p the place, m the middle of the frame, r its
distance from there over the half diagonal; a1 a plain difference of magnification,
a3 its growth towards the corners, s a shift of the whole channel, fixed to the
sensor. To first order this covers an optical axis off the middle of the frame.

Three ways to tell it from the tube's own convergence:

- reference tags in the same photograph carry no convergence error: what they show
  is the lens;
- two shots in which the picture stands elsewhere in the frame: the tube's error
  moves with the picture, the lens's stays with the frame. A plain difference of
  magnification is an enlargement about the middle of the frame: between two shots
  it differs by a1 times the way that the picture's middle moved in the frame, the
  same for all marks, and by nothing at all if it didn't move. So **a roll by half a
  turn about the middle of a centred picture tells nothing**. A roll also turns s
  against the picture, which then can't be told from the way it moved; a shift of
  the picture in the frame without a roll lets s drop out;
- neither: then it is part of the spread.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

TERMS: Final = 4
"""a1, a3 (px at the half diagonal) and the shift along x and y (px)."""

MAGNIFICATION_RATIO: Final = 0.0008
"""Likely a1 as a share of the half diagonal: 0.04 to 0.08 % counts as minor in lens tests, above 0.15 % as serious
(common practice; from memory)."""
GROWTH_RATIO: Final = 0.0004
"""Likely a3 as a share of the half diagonal; estimate."""
SHIFT_RATIO: Final = 0.00002
"""Likely shift as a share of the half diagonal: 0.8 % of decentring times the above, and as much for a tilted
element; estimate."""
SPECTRUM_RATIO: Final = 0.05
"""A phosphor's light lies elsewhere in its channel than that of white paper, and the lens bends it accordingly: what
tags say of the lens holds for the phosphors to this share of it; estimate."""
SEPARATED_BELOW: Final = 1 / 3
"""The lens counts as told apart from the tube when its standard deviation over the marks fell to this share of what
it was before; our choice."""


def half_diagonal_px(size_px: tuple[int, int]) -> float:
    """From the middle of a photograph to its corner; size as (width, height)."""
    return 0.5 * float(np.hypot(*size_px))


def middle_px(size_px: tuple[int, int]) -> Floats:
    """Middle of the frame, (x, y), whole number = pixel centre."""
    return np.array([(size_px[0] - 1) / 2, (size_px[1] - 1) / 2])


def likely_px(size_px: tuple[int, int]) -> Floats:
    """Standard deviations of the four terms before anything is measured, (4,)."""
    ratios = np.array([MAGNIFICATION_RATIO, GROWTH_RATIO, SHIFT_RATIO, SHIFT_RATIO])
    return ratios * half_diagonal_px(size_px)


def terms_at(size_px: tuple[int, int], photo_px: Floats, turned_deg: int = 0) -> Floats:
    """What each of the four terms adds to the place of a channel, (n, 2) to (n, 2, 4).

    ``turned_deg`` is by how much the sensor's picture was turned clockwise to stand upright (0, 90, 180, 270): the
    shift is fixed to the sensor and turns along.
    """
    ray = (photo_px - middle_px(size_px)) / half_diagonal_px(size_px)
    terms = np.empty((len(ray), 2, TERMS))
    terms[:, :, 0] = ray
    terms[:, :, 1] = ray * np.sum(ray**2, axis=1, keepdims=True)
    quarter = round(turned_deg / 90) % 4
    cosine, sine = (1, 0, -1, 0)[quarter], (0, 1, 0, -1)[quarter]
    # clockwise with y down: x goes to (cos, sin)
    terms[:, :, 2] = (cosine, sine)
    terms[:, :, 3] = (-sine, cosine)
    return terms
