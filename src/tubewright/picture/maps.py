"""Smooth maps from raster to photograph, fitted to marks: one shape common to the guns, and each gun's departure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.polynomial.chebyshev import chebvander2d
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import ROWS
from tubewright.picture.seen import RasterMap

_COMMON_ORDER: Final = 7
"""Total order of the shape common to the guns: what a deflection yoke and a lens can do, with room (estimate)."""
_GUN_ORDER: Final = 4
"""Of a gun's departure: convergence is of third order in theory (facts on in-line guns), plus one."""
_MARKS_PER_TERM: Final = 5
_ROUNDS: Final = 4
_ROW_SHRINK_MARKS: Final = 2.0
"""A row's own sideways shift counts as known to be none by this many marks."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fit:
    """Maps of the guns and what the smooth maps leave over.

    Attributes:
        maps: Red, green, blue; ``None`` for a gun without marks enough.
        row_shift_px: Sideways shift of each row of marks against the smooth shape, in raster pixels, (rows,): what
            lines do together, as in top curl.
        left_over_px: What the maps and the shifts leave over of each mark, (n, 2), photograph pixels.
        held_ratio: Share of each mark's own error that the maps follow, 0 to 1, (n,): most at the corners, where
            there are few others to hold them.
    """

    maps: tuple[RasterMap | None, RasterMap | None, RasterMap | None]
    row_shift_px: NDArray[np.float64]
    left_over_px: NDArray[np.float64]
    held_ratio: NDArray[np.float64]

    def predict(
        self, gun: int, raster_x_px: NDArray[np.float64], raster_y_px: NDArray[np.float64], row: NDArray[np.int64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Where marks of a gun should lie in the photograph."""
        to_photo = self.maps[gun]
        assert to_photo is not None  # noqa: S101 - callers ask only for guns that have one
        return to_photo(raster_x_px + self.row_shift_px[row], raster_y_px)


def fit_maps(
    raster: Raster,
    *,
    gun: NDArray[np.int64],
    row: NDArray[np.int64],
    raster_px: NDArray[np.float64],
    photo_px: NDArray[np.float64],
    sd_px: NDArray[np.float64] | None = None,
) -> Fit:
    """Fit the maps to marks, forgiving strays.

    Args:
        raster: The raster.
        gun: Gun of each mark, (n,).
        row: Row of the lattice, (n,).
        raster_px: Where each was drawn, (n, 2).
        photo_px: Where each was found, (n, 2).
        sd_px: Standard error of that, (n,); all alike without.
    """
    present = [g for g in (1, 0, 2) if int((gun == g).sum()) >= 12]
    trust = np.ones(len(gun)) if sd_px is None else 1 / np.maximum(sd_px, 1e-3)
    common = _order_for(len(gun), _COMMON_ORDER)
    parting = min(_order_for(int(min((gun == g).sum() for g in present)), _GUN_ORDER), common) if present else 0
    shift = np.zeros(ROWS)
    stray = np.ones(len(gun))
    for _ in range(_ROUNDS):
        at = raster_px + np.stack([shift[row], np.zeros(len(row))], axis=1)
        basis = _design(raster, at, gun, present, common, parting)
        coefficients = _least_squares(basis, photo_px, (trust * stray) ** 2)
        left_over = photo_px - basis @ coefficients
        off = np.hypot(*left_over.T) * trust
        stray = 1 / np.maximum(1, off / max(3 * float(np.median(off)), 1e-9))
        maps = _maps(raster, coefficients, present, common, parting)
        shift = shift + _row_shifts(maps[present[0]], raster_px, left_over, row, stray)
    held = _held(basis, (trust * stray) ** 2)
    return Fit(maps=maps, row_shift_px=shift, left_over_px=left_over, held_ratio=held)


def _least_squares(
    basis: NDArray[np.float64], values: NDArray[np.float64], weight: NDArray[np.float64]
) -> NDArray[np.float64]:
    """By the normal equations: Chebyshev terms over the raster are nearly independent, so that no digits are lost.

    The trace of damping holds terms that marks in one corner of the picture can't tell apart.
    """
    weighted, normal = _normal(basis, weight)
    return np.asarray(np.linalg.solve(normal, weighted.T @ values))


def _held(basis: NDArray[np.float64], weight: NDArray[np.float64]) -> NDArray[np.float64]:
    """Diagonal of the hat matrix of a weighted fit, (n,)."""
    weighted, normal = _normal(basis, weight)
    return np.asarray(np.clip((np.linalg.solve(normal, basis.T).T * weighted).sum(axis=1), 0, 1))


def _normal(basis: NDArray[np.float64], weight: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """The weighted design and its normal matrix."""
    weighted = basis * (weight / weight.mean())[:, None]
    normal = weighted.T @ basis
    normal += np.eye(len(normal)) * 1e-13 * np.trace(normal)
    return weighted, normal


def _order_for(count: int, highest: int) -> int:
    order = highest
    while order > 1 and (order + 1) * (order + 2) // 2 * _MARKS_PER_TERM > count:
        order -= 1
    return order


def _terms(raster: Raster, at: NDArray[np.float64], order: int) -> NDArray[np.float64]:
    s = (at[:, 0] + 0.5) * (2 / raster.width_px) - 1
    t = (at[:, 1] + 0.5) * (2 / raster.height_px) - 1
    return np.asarray(chebvander2d(s, t, [order, order])[:, _kept(order).ravel()])


def _kept(order: int) -> NDArray[np.bool_]:
    i, j = np.indices((order + 1, order + 1))
    return np.asarray(i + j <= order)


def _design(
    raster: Raster, at: NDArray[np.float64], gun: NDArray[np.int64], present: list[int], common: int, parting: int
) -> NDArray[np.float64]:
    """The first gun present goes with the common shape; each other one adds its departure."""
    parts = [_terms(raster, at, common)]
    own = _terms(raster, at, parting)
    parts += [own * (gun == g)[:, None] for g in present[1:]]
    return np.concatenate(parts, axis=1)


def _maps(
    raster: Raster, coefficients: NDArray[np.float64], present: list[int], common: int, parting: int
) -> tuple[RasterMap | None, RasterMap | None, RasterMap | None]:
    shared = _square(coefficients, common, common)
    count, own = _kept(common).sum(), _kept(parting).sum()
    found: dict[int, RasterMap] = {}
    for place, g in enumerate(present):
        both = shared.copy()
        if place:
            start = count + (place - 1) * own
            both += _square(coefficients[start : start + own], parting, common)
        found[g] = RasterMap(x_coefficients=both[0], y_coefficients=both[1], raster=raster)
    return found.get(0), found.get(1), found.get(2)


def _square(coefficients: NDArray[np.float64], order: int, size: int) -> NDArray[np.float64]:
    square = np.zeros((2, size + 1, size + 1))
    i, j = np.nonzero(_kept(order))
    square[:, i, j] = coefficients[: len(i)].T
    return square


def _row_shifts(
    to_photo: RasterMap | None,
    raster_px: NDArray[np.float64],
    left_over: NDArray[np.float64],
    row: NDArray[np.int64],
    stray: NDArray[np.float64],
) -> NDArray[np.float64]:
    """How far each row as a whole still lies sideways, in raster pixels."""
    assert to_photo is not None  # noqa: S101 - the first gun present has a map
    along = (
        np.stack(to_photo(raster_px[:, 0] + 1, raster_px[:, 1]))
        - np.stack(to_photo(raster_px[:, 0] - 1, raster_px[:, 1]))
    ) / 2
    sideways = (left_over.T * along).sum(axis=0) / (along**2).sum(axis=0)
    total = np.bincount(row, weights=stray * sideways, minlength=ROWS)
    return np.asarray(total / (np.bincount(row, weights=stray, minlength=ROWS) + _ROW_SHRINK_MARKS))
