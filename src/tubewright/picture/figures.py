"""From the solution of a bundle to published figures: size, geometry, glass, tilt, overscan, each with its spread."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.bundle import Bundle
from tubewright.picture.geometry import (
    ANGLE_SD_DEG,
    EDGES,
    LINEARITY_SD_PCT,
    RADIUS_SD_RATIO,
    ROTATION_SD_DEG,
    SHAPE_SD_PCT,
    TILT_SD_DEG,
    TRAPEZOID_SD_PCT,
    Evidence,
    Shapes,
    figure,
    shapes,
    why_not,
)
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import COLUMNS, ROWS, node_px
from tubewright.picture.results import Edge, Figure, Geometry, Known, Scale, Unsupported
from tubewright.picture.solve import Posterior

if TYPE_CHECKING:
    from tubewright.picture.start import View

Floats = NDArray[np.float64]

_DRAWS: Final = 256
"""Draws behind each spread: it is then known to 4.4 %, 1/sqrt(2 n)."""
_SEED: Final = 5
_PRINT_SD_RATIO: Final = 0.002
"""Doubt of the size of printed tags once the sheet's scale bar was checked: 0.3 mm on 150 mm; estimate."""
_LAYING_SD_DEG: Final = 0.5
"""How straight a strip is laid along a bezel by hand: 1.5 mm on 180 mm; estimate."""
_LAYING_DOUBTS: Final = 2.0
"""That estimate counts as so many strips against those that were seen."""
_ASTRAY_DEG: Final = 3.0
"""Strips that differ by more (but for quarter turns) weren't laid along the bezel."""
_ONE_PIECE_DEG: Final = 0.1
"""Strips that lie as parallel as this and side by side are taken for one uncut sheet."""
_SIDE_BY_SIDE_MM: Final = 60.0
_FEWEST_SHARE: Final = 0.9
"""Share of the lattice, along and across, below which the outermost lines don't span the picture."""
_ONE_SIDE_HIDDEN: Final = 0.9
"""Share of an outermost line's marks that must be missing for it to count as hidden."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Told:
    """What the figures hang on besides the bundle.

    Attributes:
        reference: The gun whose picture is measured.
        by_tags: Reference tags are in view.
        sized: The size of the picture was given or estimated otherwise.
        photographs: How many.
        radius_given: The radius of the glass was given.
        raster: The raster.
        upright_ratio: From the raster's axes to the viewer's, (2, 2).
    """

    reference: int
    by_tags: bool
    sized: bool
    photographs: int
    radius_given: bool
    raster: Raster
    upright_ratio: Floats

    @property
    def scale_sd_ratio(self) -> float:
        """Doubt of the scale that the posterior doesn't hold."""
        return _PRINT_SD_RATIO if self.by_tags else 0.0


class Drawn:
    """The best picture and draws from its posterior, the best first."""

    def __init__(self, bundle: Bundle, after: Posterior, reference: int) -> None:
        self.bundle = bundle
        self.reference = reference
        # A pure room draws from a stated seed.
        draws = after.draws(np.random.default_rng(_SEED), _DRAWS)
        self.values = np.vstack([after.value, draws])

    def places(self, uv_ratio: Floats) -> Floats:
        """Settled places on the picture, (1 + draws, n, 2)."""
        surface = self.bundle.surface(uv_ratio, self.reference, None)
        own = self.values[:, surface.columns]
        return surface.base + np.stack([own @ surface.x.T, own @ surface.y.T], axis=2)


def about(values: Floats) -> tuple[float, float]:
    """The best value (first) and the root mean square distance of the draws from it."""
    return float(values[0]), float(np.sqrt(np.mean((values[1:] - values[0]) ** 2)))


def scale_of(bundle: Bundle, drawn: Drawn, told: Told) -> Scale | None:
    """Size of the whole active raster, or ``None`` where nothing tells it."""
    if not told.by_tags and not told.sized:
        return None
    ends = np.linspace(-1, 1, 9)
    wide = [drawn.places(np.column_stack([np.full(9, side), ends])) for side in (-1.0, 1.0)]
    tall = [drawn.places(np.column_stack([ends, np.full(9, side)])) for side in (-1.0, 1.0)]
    width, width_sd = about(np.mean(np.linalg.norm(wide[1] - wide[0], axis=2), axis=1))
    height, height_sd = about(np.mean(np.linalg.norm(tall[1] - tall[0], axis=2), axis=1))
    _, px_per_mm = bundle.place_slopes(drawn.values[0], 0, drawn.places(np.zeros((1, 2)))[0])
    mm_per_px = float(abs(np.linalg.det(px_per_mm[0])) ** -0.5)
    doubt = told.scale_sd_ratio

    def with_doubt(value: float, sd: float) -> Figure:
        return Figure(value=value, sd=float(np.hypot(sd, doubt * value)))

    return Scale(
        width_mm=with_doubt(width, width_sd),
        height_mm=with_doubt(height, height_sd),
        mm_per_px=with_doubt(mm_per_px, mm_per_px * max(width_sd / width, height_sd / height)),
        reference="tags" if told.by_tags else "picture_size",
    )


def geometry_of(bundle: Bundle, drawn: Drawn, told: Told, views: Sequence[View]) -> Geometry:
    """The figures of geometry."""
    u, v, cropped = measured_lines(told, views)
    evidence = Evidence(
        tags=told.by_tags, photographs=told.photographs, radius_given=told.radius_given, cropped=cropped
    )
    found = shapes(drawn.places, u, v)
    flat, bulged = why_not(evidence, glass=False), why_not(evidence, glass=True)
    # Whatever its spread, a figure of a cropped picture isn't that of the picture.
    most = 0.0 if cropped is not None else 1.0

    def shaped(values: Floats, sd: float, why: Unsupported) -> Known:
        return figure(*about(values), most * sd, why)

    return Geometry(
        pincushion_pct={edge: shaped(found.pincushion_pct[edge], SHAPE_SD_PCT, bulged) for edge in EDGES},
        trapezoid_h_pct=shaped(found.trapezoid_h_pct, TRAPEZOID_SD_PCT, flat),
        trapezoid_v_pct=shaped(found.trapezoid_v_pct, TRAPEZOID_SD_PCT, flat),
        rotation_deg=_rotation(bundle, drawn, found, evidence),
        parallelogram_deg=shaped(found.parallelogram_deg, ANGLE_SD_DEG, _lean(flat, evidence)),
        bow_vertical_axis_pct=shaped(found.bow_vertical_axis_pct, SHAPE_SD_PCT, bulged),
        bow_horizontal_axis_pct=shaped(found.bow_horizontal_axis_pct, SHAPE_SD_PCT, bulged),
        linearity_h_pct=shaped(found.linearity_h_pct, LINEARITY_SD_PCT, bulged),
        linearity_v_pct=shaped(found.linearity_v_pct, LINEARITY_SD_PCT, bulged),
        overscan_pct=overscan(bundle, drawn, told, views),
        glass_radius_mm=_radius(bundle, drawn, told),
        camera_tilt_deg=_tilt(bundle, drawn, evidence),
    )


def _lean(why: Unsupported, evidence: Evidence) -> Unsupported:
    """Why a parallelogram is too unsure: where the camera's place is known, it is the curl that hides it."""
    if not evidence.tags or evidence.cropped is not None:
        return why
    return Unsupported(
        reason="how much of the lean is the bend of the topmost lines can't be told",
        would_settle="take away the curl at the top first, then photograph again",
    )


def measured_lines(told: Told, views: Sequence[View]) -> tuple[Floats, Floats, str | None]:
    """Lattice columns and rows, as the viewer sees them, within the measured marks; and what is wrong if cropped."""
    marks = [view.sighting.marks for view in views]
    raster = told.raster
    x = np.concatenate([m.raster_x_px for m in marks])
    y = np.concatenate([m.raster_y_px for m in marks])
    lines, cropped = [], None
    for at, size, count in ((x, raster.width_px, COLUMNS), (y, raster.height_px, ROWS)):
        nodes, pitch = node_px(size, count), size / count
        inside = nodes[(nodes > at.min() - pitch / 2) & (nodes < at.max() + pitch / 2)]
        if len(inside) < _FEWEST_SHARE * count:
            cropped = "too much of the picture is outside the photograph or dark: its edges aren't in the marks"
        inside = inside if len(inside) >= 3 else nodes
        lines.append((inside + 0.5) * (2 / size) - 1)
    swapped = abs(told.upright_ratio[0, 0]) < 0.5
    columns, rows = lines[::-1] if swapped else lines
    sign_u, sign_v = told.upright_ratio.sum(axis=1)
    return np.sort(columns * sign_u), np.sort(rows * sign_v), cropped


def _rotation(bundle: Bundle, drawn: Drawn, found: Shapes, evidence: Evidence) -> Known:
    """Angle of the horizontal axis line against the strips, which were laid along the bezel by hand."""
    strips = [name for name in bundle.slots if name.startswith("strip")]
    if not strips:
        return Unsupported(
            reason="a camera held at a slant shows the same, and nothing in the photograph is known to lie level",
            would_settle="lay the reference tags straight along the bezel",
        )
    if evidence.cropped is not None:
        return why_not(evidence, glass=False)
    angles = np.array([np.degrees(drawn.values[:, bundle.slots[name]][:, 2]) for name in strips])
    # Whichever way a strip was laid along a side, it is turned against the bezel by what is left of quarter turns.
    first = (angles[0, 0] + 45) % 90 - 45
    angles = (angles - first + 45) % 90 - 45 + first
    places = np.array([drawn.values[0, bundle.slots[name]][:2] for name in strips])
    pieces = _pieces(angles[:, 0], places)
    each = np.array([angles[piece].mean(axis=0) for piece in pieces])
    spread = each[:, 0] - each[:, 0].mean()
    if np.abs(spread).max() > _ASTRAY_DEG:
        return Unsupported(
            reason=f"the strips of tags are turned against each other by {np.ptp(each[:, 0]):.1f} degrees, so none"
            " tells how the bezel lies",
            would_settle="lay them straight along the bezel",
        )
    laying = (_LAYING_DOUBTS * _LAYING_SD_DEG**2 + float(spread @ spread)) / (_LAYING_DOUBTS + len(each) - 1)
    value, sd = about(found.rotation_deg - each.mean(axis=0))
    sd = float(np.hypot(sd, np.sqrt(laying / len(each))))
    return figure(value, sd, ROTATION_SD_DEG * 1.05, why_not(evidence, glass=False))


def _pieces(angles_deg: Floats, places_mm: Floats) -> list[list[int]]:
    """Strips that hang together: uncut, they were laid once, not each by itself."""
    pieces: list[list[int]] = []
    for k in range(len(angles_deg)):
        for piece in pieces:
            near = np.linalg.norm(places_mm[piece] - places_mm[k], axis=1).min() < _SIDE_BY_SIDE_MM
            if near and abs(angles_deg[piece[0]] - angles_deg[k]) < _ONE_PIECE_DEG:
                piece.append(k)
                break
        else:
            pieces.append([k])
    return pieces


def _radius(bundle: Bundle, drawn: Drawn, told: Told) -> Known:
    curvature, sd = about(drawn.values[:, bundle.slots["glass"].start])
    if not told.by_tags and not told.sized:
        return Unsupported(
            reason="nothing tells how large the picture is", would_settle="lay reference tags beside the picture"
        )
    if curvature <= 0 or sd > RADIUS_SD_RATIO * curvature:
        settle = "the radius itself, or the tags and another photograph from 20 to 30 degrees to one side"
        return Unsupported(
            reason="from one side, the bulge of the glass looks like a picture that isn't true"
            if told.photographs == 1
            else "the photographs were taken from places too near each other to tell how far the glass bulges",
            would_settle=settle,
        )
    return Figure(value=1 / curvature, sd=sd / curvature**2)


def _tilt(bundle: Bundle, drawn: Drawn, evidence: Evidence) -> Known:
    """Angle between the first photograph's line of sight to the picture's middle and the glass's axis."""
    tilts = []
    for value in drawn.values:
        pose = bundle.pose(value, 0)
        stands = pose.stands_at_mm
        tilts.append(np.degrees(np.arctan2(np.hypot(stands[0], stands[1]), -stands[2])))
    return figure(*about(np.array(tilts)), TILT_SD_DEG, why_not(evidence, glass=False))


def overscan(bundle: Bundle, drawn: Drawn, told: Told, views: Sequence[View]) -> dict[Edge, Known]:
    """How much of the raster hides behind the bezel, by the marks that are missing along each edge.

    A line of the lattice counts as hidden when nearly all of its marks are missing although the photograph reaches
    beyond where they should be. The edge of the bezel then lies somewhere between the last line seen and the first
    hidden one: half a pitch either way, of which the standard deviation is a pitch over the root of 12.
    """
    upright = told.upright_ratio
    marks = views[0].sighting.marks
    found: dict[Edge, Known] = {}
    outwards: dict[Edge, tuple[int, int]] = {"top": (0, -1), "bottom": (0, 1), "left": (-1, 0), "right": (1, 0)}
    for edge, outward in outwards.items():
        way = np.rint(np.linalg.inv(upright) @ np.array(outward)).astype(int)
        along_x = way[0] != 0
        count, others = (COLUMNS, ROWS) if along_x else (ROWS, COLUMNS)
        line = marks.column if along_x else marks.row
        from_edge = line if way.sum() < 0 else count - 1 - line
        seen = np.bincount(from_edge, minlength=count)
        bars = 5 if not along_x else 0
        usual = others - bars
        hidden = 0
        while hidden < count // 3 and (seen[hidden] < (1 - _ONE_SIDE_HIDDEN) * usual):
            hidden += 1
        # columns that are bars carry no marks at all and are never the outermost
        at = (hidden - 0.5 if hidden else 0.0) / count
        place = np.array(outward) * (1 - 2 * at)
        first_hidden = bundle.place_slopes(drawn.values[0], 0, drawn.places(place[None, :])[0])[0][0]
        width, height = bundle.shots[0].size_px
        in_frame = 0 < first_hidden[0] < width and 0 < first_hidden[1] < height
        if hidden == 0:
            most = 100 * 0.5 / count
            found[edge] = Unsupported(
                reason=f"the outermost marks are all in sight, so less than {most:.1f} % is hidden; how much less, the"
                " marks don't tell",
                would_settle="the overscan frame pattern",
            )
        elif not in_frame:
            found[edge] = Unsupported(
                reason="this edge of the picture is outside the photograph",
                would_settle="a photograph that shows the whole picture and some bezel",
            )
        else:
            found[edge] = Figure(value=100 * hidden / count, sd=100 / count / float(np.sqrt(12)))
    return found
