"""The figures of geometry by their definitions, and when a photograph supports them.

All figures are taken on the outermost measured lattice lines, on the picture as
the viewer sees it (x right, y down), lines displaced as a whole (top curl) put
back in their place. Each depends on distances and angles within the picture
alone, so that nothing has to be fitted and taken off first; only the rotation is
measured against something outside it.

- W, H: mean width and height: of the distances between the outermost left and
  right places over all lattice rows, and between top and bottom over all columns.
- Pincushion of an edge: by how much its middle lies inward of the chord of its
  ends, over the picture's dimension perpendicular to the edge, in %.
- Trapezoid H: top width minus bottom width over their mean, in %. Trapezoid V:
  left height minus right height over their mean, in %.
- Rotation: angle of the chord of the horizontal axis line, clockwise positive.
- Parallelogram: angle from the horizontal axis line (to the right) clockwise to
  the vertical one (downwards), minus 90 degrees: positive when the top leans right.
- Bow of an axis line: by how much its middle lies off the chord of its ends:
  vertical axis line to the right in % of W, horizontal axis line down in % of H.
- Linearity: largest minus smallest spacing of neighbouring lattice lines along the
  axis line, over the mean spacing, in %.

Axis lines run through the middle between the outermost measured lines.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.results import Edge, Figure, Known, Unsupported

Floats = NDArray[np.float64]
PlacesAt = Callable[[Floats], Floats]
"""From places u, v on the raster, (n, 2), -1 to 1 as the viewer sees it, to places in mm, (..., n, 2)."""

EDGES: Final[tuple[Edge, ...]] = ("top", "bottom", "left", "right")

# A figure is given when its standard deviation is at most a third of a tolerance that the trade sets up to (common
# practice): a picture just outside it is then told from one just inside in two cases of three. The finest tolerance
# is taken, that of broadcast displays, 0.5 % for bows and pincushion and 2.5 % for linearity. For trapezoid it is that
# of arcade displays, 1 %: how well the picture is centred on the glass enters by 0.1 % a millimetre, and one
# photograph can't see it; and for parallelogram 0.5 degrees: how much of a lean is a curl at the top can't be told
# closer.
SHAPE_SD_PCT: Final = 0.5 / 3
TRAPEZOID_SD_PCT: Final = 1.0 / 3
LINEARITY_SD_PCT: Final = 2.5 / 3
ANGLE_SD_DEG: Final = 0.5 / 3
ROTATION_SD_DEG: Final = 0.5
"""Rotation hangs on how straight the strips were laid by hand; it is given up to the arcade class's own tolerance."""
RADIUS_SD_RATIO: Final = 0.2
TILT_SD_DEG: Final = 1.0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Shapes:
    """The figures of one picture or of many (arrays over draws)."""

    width_mm: Floats
    height_mm: Floats
    pincushion_pct: Mapping[Edge, Floats]
    trapezoid_h_pct: Floats
    trapezoid_v_pct: Floats
    rotation_deg: Floats
    parallelogram_deg: Floats
    bow_vertical_axis_pct: Floats
    bow_horizontal_axis_pct: Floats
    linearity_h_pct: Floats
    linearity_v_pct: Floats


def shapes(places_at: PlacesAt, u: Floats, v: Floats) -> Shapes:
    """The figures of a picture.

    Args:
        places_at: The picture, or many pictures at once.
        u: Measured lattice columns as the viewer sees them, from left to right, -1 to 1, (columns,), at least 3.
        v: Measured lattice rows from top to bottom, (rows,), at least 3.
    """
    left, right, top, bottom = u[0], u[-1], v[0], v[-1]
    middle_u, middle_v = (left + right) / 2, (top + bottom) / 2

    def at(x: Floats | float, y: Floats | float) -> Floats:
        x, y = np.broadcast_arrays(np.atleast_1d(x), np.atleast_1d(y))
        return places_at(np.column_stack([x, y]))

    def one(x: float, y: float) -> Floats:
        return np.asarray(at(x, y)[..., 0, :])

    corner = {(x, y): one(x, y) for x in (left, right) for y in (top, bottom)}
    width = np.mean(_length(at(right, v) - at(left, v)), axis=-1)
    height = np.mean(_length(at(u, bottom) - at(u, top)), axis=-1)
    # Round the picture clockwise: what lies to the right of the way is inside.
    ways: dict[Edge, tuple[Floats, Floats, Floats, Floats]] = {
        "top": (corner[left, top], corner[right, top], one(middle_u, top), height),
        "right": (corner[right, top], corner[right, bottom], one(right, middle_v), width),
        "bottom": (corner[right, bottom], corner[left, bottom], one(middle_u, bottom), height),
        "left": (corner[left, bottom], corner[left, top], one(left, middle_v), width),
    }
    across = at(u, middle_v)
    down = at(middle_u, v)
    middle = one(middle_u, middle_v)
    h_angle = _angle(across[..., -1, :] - across[..., 0, :])
    v_angle = _angle(down[..., -1, :] - down[..., 0, :])
    wide = [_length(corner[right, y] - corner[left, y]) for y in (top, bottom)]
    tall = [_length(corner[x, bottom] - corner[x, top]) for x in (left, right)]
    return Shapes(
        width_mm=width,
        height_mm=height,
        pincushion_pct={edge: 100 * _right_of(*ways[edge][:3]) / ways[edge][3] for edge in EDGES},
        trapezoid_h_pct=200 * (wide[0] - wide[1]) / (wide[0] + wide[1]),
        trapezoid_v_pct=200 * (tall[0] - tall[1]) / (tall[0] + tall[1]),
        rotation_deg=np.degrees(h_angle),
        parallelogram_deg=np.degrees(v_angle - h_angle) - 90,
        # Going down, the right hand side of the way is the viewer's left.
        bow_vertical_axis_pct=-100 * _right_of(down[..., 0, :], down[..., -1, :], middle) / width,
        bow_horizontal_axis_pct=100 * _right_of(across[..., 0, :], across[..., -1, :], middle) / height,
        linearity_h_pct=_unevenness(across, u),
        linearity_v_pct=_unevenness(down, v),
    )


def _length(vector: Floats) -> Floats:
    return np.asarray(np.linalg.norm(vector, axis=-1))


def _angle(vector: Floats) -> Floats:
    return np.asarray(np.arctan2(vector[..., 1], vector[..., 0]))


def _right_of(start: Floats, end: Floats, place: Floats) -> Floats:
    """By how much a place lies to the right hand of the way from start to end (y down)."""
    way, off = end - start, place - start
    return np.asarray((way[..., 0] * off[..., 1] - way[..., 1] * off[..., 0]) / _length(way))


def _unevenness(line: Floats, at: Floats) -> Floats:
    spacing = _length(np.diff(line, axis=-2)) / np.diff(at)
    return np.asarray(100 * (spacing.max(axis=-1) - spacing.min(axis=-1)) / spacing.mean(axis=-1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """What the photographs carry, as far as reasons hang on it."""

    tags: bool
    photographs: int
    radius_given: bool
    cropped: str | None = None


def figure(value: float, sd: float, most_sd: float, why: Unsupported) -> Known:
    """A figure, or why not if it is too unsure to be of use."""
    if not (np.isfinite(value) and np.isfinite(sd)) or sd > most_sd:
        return why
    return Figure(value=float(value), sd=float(sd))


def why_not(evidence: Evidence, *, glass: bool) -> Unsupported:
    """Why a figure of the picture's shape is too unsure; ``glass``: whether the bulge of the glass imitates it."""
    if evidence.cropped is not None:
        return Unsupported(reason=evidence.cropped, would_settle="a photograph that shows the whole picture")
    if not evidence.tags:
        return Unsupported(
            reason="a tilted camera, or one that bends straight lines, shows the same, and nothing in the photograph"
            " tells the two apart",
            would_settle="lay the reference tags along two or more sides of the picture"
            + (", and photograph it from the left and from the right" if glass else ""),
        )
    if glass and not evidence.radius_given:
        more = "another" if evidence.photographs == 1 else "one more"
        return Unsupported(
            reason="the bulge of the glass shows the same, and its radius isn't known well enough",
            would_settle=f"{more} photograph with the tags, 20 to 30 degrees from one side, or the glass's radius",
        )
    return Unsupported(
        reason="the tags in view fix the camera's place too loosely",
        would_settle="tags along all four sides, nearer and sharper, or another photograph from elsewhere",
    )
