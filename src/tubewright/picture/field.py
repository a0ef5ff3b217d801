"""What a picture's shape may be: smooth fields over the picture, and how large each part is likely to be.

Places on the picture are given by u and v, -1 to 1 from edge to edge of the
active raster, as the viewer sees it: u to the right, v down. A field is a sum of
products of Chebyshev polynomials of u and v up to a total order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SHAPE_ORDER: Final = 7
ERROR_ORDER: Final = 5

# How large the parts of a picture's shape are before anything is measured: standard deviations of the coefficient
# of T_i(u) T_j(v) in x, over half the width (for y read i and j the other way round, over half the height). All are
# estimates: one and a half to two times what the trade's setup targets let pass, because a display on the bench is
# out of adjustment.
_ORDINARY: Final[dict[int, float]] = {1: 0.02, 2: 0.006, 3: 0.005, 4: 0.003, 5: 0.002, 6: 0.001, 7: 0.0007}
_LIKELY_RATIO: Final[dict[tuple[int, int], float]] = {
    (0, 1): 0.02,  # parallelogram, 1.1 degrees
    (2, 0): 0.015,  # spacing that grows from one side to the other
    (1, 1): 0.015,  # trapezoid, 3 %
    (0, 2): 0.010,  # bow of the axis line, 1 %
    (3, 0): 0.010,  # spacing that differs between middle and sides
    (1, 2): 0.020,  # pincushion of the sides, 2 %
}
FIRST_SHRINKABLE_ORDER: Final = 4
"""From this order on the picture itself says how large the coefficients are."""

ERROR_LIKELY_RATIO: Final = (0.005, 0.005, 0.004, 0.0025, 0.0012, 0.0006)
"""The same for a gun's displacement against green, by order, over half the width: 1 mm on 19 inches; estimate."""
FIRST_SHRINKABLE_ERROR_ORDER: Final = 3

CURL_LIKELY_RATIO: Final = 0.01
"""Sideways displacement of the topmost line, over half the width: 2 mm on 19 inches; estimate."""
_CURL_FALLS_RATIO: Final = (0.02, 0.04, 0.07, 0.1)
"""Shares of the height over which a curl may fall by e: it then settles to 5 % in three times that, within the upper
third. A slower bend is not told from a bow of the picture; estimate."""
_SWINGS_RATIO: Final = (0.04, 0.07)
"""The same of curls that overshoot."""
_SWING_TURN: Final = 2.0
"""Radians that such a curl swings while it falls by e: that of a second-order loop with a damping of 0.45,
sqrt(1 - damping²) / damping."""
_SWING_LIKELY: Final = 0.5
"""How likely large a swinging part is, over a plain one; estimate."""
_ROW_LIKELY_RATIO: Final = 0.0002
"""Sideways displacement of any line by itself, over half the width: 0.04 mm on 19 inches (hum, time base); estimate."""
_ROW_OF_CURL: Final = 0.1
"""What the profiles above leave over of a curl, as a share of it; estimate."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Columns:
    """Coefficients of a two-component field.

    Attributes:
        powers: Orders along u and v, (k, 2).
        is_y: Whether a coefficient is of y, (k,).
        likely_mm: Its standard deviation before anything is measured, (k,).
        order: Its total order, (k,).
    """

    powers: NDArray[np.int64]
    is_y: NDArray[np.bool_]
    likely_mm: Floats
    order: NDArray[np.int64]

    def at(self, u: Floats, v: Floats) -> tuple[Floats, Floats]:
        """What each coefficient adds to x and to y at places (n,): two arrays (n, k)."""
        value = products(u, v, self.powers)
        return np.where(self.is_y, 0.0, value), np.where(self.is_y, value, 0.0)


def products(u: Floats, v: Floats, powers: NDArray[np.int64]) -> Floats:
    """T_i(u) T_j(v) at places (n,) for orders (k, 2): (n, k)."""
    from numpy.polynomial.chebyshev import chebvander

    highest = int(powers.max(initial=0))
    return np.asarray(chebvander(u, highest)[:, powers[:, 0]] * chebvander(v, highest)[:, powers[:, 1]])


def shape_columns(half_mm: tuple[float, float], order: int = SHAPE_ORDER) -> Columns:
    """Coefficients of a picture's shape but for its size.

    Left out are its place (0, 0) and the turn of its horizontal axis line, to which the world is laid, and width and
    height, which have unknowns of their own.
    """
    powers, is_y, likely = [], [], []
    for total in range(1, order + 1):
        for i in range(total, -1, -1):
            j = total - i
            for y in (False, True):
                along, across = (j, i) if y else (i, j)
                if (along, across) == (1, 0) or (y and total == 1):
                    continue
                powers.append((i, j))
                is_y.append(y)
                likely.append(_LIKELY_RATIO.get((along, across), _ORDINARY[total]) * half_mm[1 if y else 0])
    return _columns(powers, is_y, likely)


def error_columns(half_width_mm: float, order: int = ERROR_ORDER) -> Columns:
    """Coefficients of a gun's displacement against green."""
    powers, is_y, likely = [], [], []
    for total in range(order + 1):
        for i in range(total, -1, -1):
            for y in (False, True):
                powers.append((i, total - i))
                is_y.append(y)
                likely.append(ERROR_LIKELY_RATIO[total] * half_width_mm)
    return _columns(powers, is_y, likely)


def curl_profiles(down_ratio: Floats, half_width_mm: float) -> tuple[Floats, Floats]:
    """Ways in which a line loop comes to rest after the field's sync, by place from the top, 0 to 1.

    Returns:
        One profile a column, (n, 8): four plain falls, two swings with their sine and cosine; and the likely size of
        each, mm, (8,).
    """
    falls = [np.exp(-down_ratio / fall) for fall in _CURL_FALLS_RATIO]
    swings = [
        np.exp(-down_ratio / fall) * wave(_SWING_TURN * down_ratio / fall)
        for fall in _SWINGS_RATIO
        for wave in (np.sin, np.cos)
    ]
    likely = CURL_LIKELY_RATIO * half_width_mm * np.array([1.0] * len(falls) + [_SWING_LIKELY] * len(swings))
    return np.column_stack(falls + swings), likely


def row_likely_mm(down_ratio: Floats, half_width_mm: float) -> Floats:
    """Likely sideways displacement of each row by itself, by its place from the top, 0 to 1."""
    curl = _ROW_OF_CURL * CURL_LIKELY_RATIO * half_width_mm * np.exp(-down_ratio / _CURL_FALLS_RATIO[-1])
    return np.hypot(curl, _ROW_LIKELY_RATIO * half_width_mm)


def _columns(powers: list[tuple[int, int]], is_y: list[bool], likely_mm: list[float]) -> Columns:
    orders = np.array(powers, dtype=np.int64)
    return Columns(
        powers=orders,
        is_y=np.array(is_y, dtype=np.bool_),
        likely_mm=np.array(likely_mm),
        order=orders.sum(axis=1),
    )
