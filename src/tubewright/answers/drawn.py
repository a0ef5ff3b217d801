"""What is drawn of a measurement: convergence on a regular grid, the lattice as measured and as intended."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import survey_marks
from tubewright.picture.results import ConvergencePoints


@dataclass(frozen=True, slots=True, kw_only=True)
class GridNode:
    """The smooth field of convergence at one place of a regular grid.

    Attributes:
        x_mm: Place on the picture from its middle.
        y_mm: The same downwards.
        red_minus_green_mm: The displacement there; ``None`` where there are too few marks of red.
        blue_minus_green_mm: The same of blue.
        photo_x_px: Where that place is in the photograph.
        photo_y_px: The same downwards.
        right_px: Where a millimetre to the right goes in the photograph, (x, y).
        down_px: Where a millimetre down goes.
    """

    x_mm: float
    y_mm: float
    red_minus_green_mm: tuple[float, float] | None
    blue_minus_green_mm: tuple[float, float] | None
    photo_x_px: float
    photo_y_px: float
    right_px: tuple[float, float]
    down_px: tuple[float, float]

    def moved_px(self, right_mm: float, down_mm: float) -> tuple[float, float]:
        """Place in the photograph so far from this one on the picture."""
        return (
            self.photo_x_px + right_mm * self.right_px[0] + down_mm * self.down_px[0],
            self.photo_y_px + right_mm * self.right_px[1] + down_mm * self.down_px[1],
        )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Outline:
    """The measured lattice beside the intended one: lines, each a row of places in millimetres, (lines, n, 2)."""

    measured_mm: NDArray[np.float64]
    intended_mm: NDArray[np.float64]


def convergence_grid(points: ConvergencePoints, *, columns: int = 9, rows: int = 7) -> tuple[GridNode, ...]:
    """The smooth fields at the nodes of a regular grid over the marks, row by row from the top left.

    Each node is read off a plane through the nearest marks' smooth values, which the field's own smoothness allows.

    Args:
        points: The marks of the outer guns.
        columns: Nodes from left to right.
        rows: Nodes from top to bottom.

    Returns:
        Nodes over the rectangle that holds the marks; none if there are fewer than twelve marks.
    """
    at = np.asarray(points.at_mm, dtype=np.float64)
    if at.shape[0] < 12 or not np.isfinite(at).all():
        return ()
    low, high = at.min(axis=0), at.max(axis=0)
    nodes = []
    for y in np.linspace(low[1], high[1], rows):
        for x in np.linspace(low[0], high[0], columns):
            here = np.array([x, y])
            photo = _plane(at, points.photo_px, here)
            if photo is None:
                continue
            field_of = {}
            for gun in (0, 2):
                of_gun = points.gun == gun
                found = _plane(at[of_gun], points.smooth_mm[of_gun], here)
                field_of[gun] = None if found is None else (float(found[0][0]), float(found[0][1]))
            place, slopes = photo
            nodes.append(
                GridNode(
                    x_mm=float(x),
                    y_mm=float(y),
                    red_minus_green_mm=field_of[0],
                    blue_minus_green_mm=field_of[2],
                    photo_x_px=float(place[0]),
                    photo_y_px=float(place[1]),
                    right_px=(float(slopes[0, 0]), float(slopes[0, 1])),
                    down_px=(float(slopes[1, 0]), float(slopes[1, 1])),
                )
            )
    return tuple(nodes)


def _plane(
    at: NDArray[np.float64], values: NDArray[np.float64], here: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Value (2,) and slopes (2, 2: along x, along y) at a place of a plane through the nearest values."""
    neighbours = 10  # over three times what a plane needs, and still a small patch of the picture
    if at.shape[0] < neighbours:
        return None
    away = np.hypot(*(at - here).T)
    near = np.argsort(away, kind="stable")[:neighbours]
    weight = 1 - (away[near] / (away[near].max() * 1.01)) ** 2
    design = np.column_stack([np.ones(near.size), at[near] - here]) * weight[:, None]
    solved, _, rank, _ = np.linalg.lstsq(design, values[near] * weight[:, None], rcond=None)
    return (solved[0], solved[1:]) if rank == 3 else None


def outline_of(points: ConvergencePoints, raster: Raster) -> Outline | None:
    """Five upright and five level lines of the picture as measured, and as they should be.

    The measured ones are a smooth map (a polynomial of the fourth order in either direction) through the marks; the
    intended ones the raster itself, at the width and height that fit the marks best, not turned.

    Args:
        points: The marks of the outer guns, of the survey.
        raster: The raster that it was drawn on.

    Returns:
        The lines, the upright ones first, from the outermost mark on one side to that on the other; ``None`` with
        fewer than sixty marks or where they don't span the picture.
    """
    marks = survey_marks(raster)
    place = {(int(c), int(r)): n for n, (c, r) in enumerate(zip(marks.column, marks.row, strict=True))}
    index = [place.get((int(c), int(r)), -1) for c, r in zip(points.column, points.row, strict=True)]
    at = np.asarray(points.at_mm, dtype=np.float64)
    known = np.array(index) >= 0
    if known.sum() < 60:
        return None
    at, chosen = at[known], np.array(index)[known]
    u, v = marks.x_px[chosen], marks.y_px[chosen]
    if np.ptp(u) < raster.width_px / 4 or np.ptp(v) < raster.height_px / 4:
        return None
    s, t = 2 * (u - u.min()) / np.ptp(u) - 1, 2 * (v - v.min()) / np.ptp(v) - 1
    order = 4
    design = np.polynomial.chebyshev.chebvander2d(s, t, [order, order])
    solved, _, rank, _ = np.linalg.lstsq(design, at, rcond=None)
    if rank < design.shape[1]:
        return None
    even_x, even_y = np.polyfit(s, at[:, 0], 1), np.polyfit(t, at[:, 1], 1)
    along, across = np.linspace(-1, 1, 41), np.linspace(-1, 1, 5)
    measured, intended = [], []
    for upright in (True, False):
        for level in across:
            fixed = np.full_like(along, level)
            a, b = (fixed, along) if upright else (along, fixed)
            measured.append(np.polynomial.chebyshev.chebvander2d(a, b, [order, order]) @ solved)
            intended.append(np.column_stack([np.polyval(even_x, a), np.polyval(even_y, b)]))
    return Outline(measured_mm=np.array(measured), intended_mm=np.array(intended))
