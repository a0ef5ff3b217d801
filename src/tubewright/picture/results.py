"""What measuring a picture gives: figures with their standard error, or the reason why there is none.

Lengths are millimetres on the picture as a viewer far off on its axis sees it,
x to the right and y down. A vector of convergence is red minus green or blue
minus green.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

Zone = Literal["top_left", "top", "top_right", "left", "centre", "right", "bottom_left", "bottom", "bottom_right"]
ZONES: Final[tuple[Zone, ...]] = (
    "top_left",
    "top",
    "top_right",
    "left",
    "centre",
    "right",
    "bottom_left",
    "bottom",
    "bottom_right",
)
Edge = Literal["top", "bottom", "left", "right"]
GunName = Literal["red", "green", "blue"]
GUNS: Final[tuple[GunName, ...]] = ("red", "green", "blue")


@dataclass(frozen=True, slots=True, kw_only=True)
class Figure:
    """A measured figure and its standard deviation, in the unit that the field's name gives."""

    value: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsupported:
    """A figure that this photograph can't support: why, and what would settle it."""

    reason: str
    would_settle: str


Known = Figure | Unsupported


@dataclass(frozen=True, slots=True, kw_only=True)
class Vector:
    """A displacement in millimetres and its standard deviation along either axis."""

    x_mm: float
    y_mm: float
    sd_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ConvergencePoints:
    """The displacement at each mark of the outer guns.

    Attributes:
        gun: 0 red or 2 blue: the displacement is this gun's minus green's, (n,).
        column: Column of the lattice, (n,).
        row: Row of the lattice, (n,).
        at_mm: Place on the picture from its middle, (n, 2).
        error_mm: The displacement measured there, (n, 2).
        sd_mm: Its standard deviation along either axis, (n,).
        smooth_mm: The smooth field at the same place, (n, 2).
        photo_px: Place in the first photograph, for drawing, (n, 2).
    """

    gun: NDArray[np.int64]
    column: NDArray[np.int64]
    row: NDArray[np.int64]
    at_mm: NDArray[np.float64]
    error_mm: NDArray[np.float64]
    sd_mm: NDArray[np.float64]
    smooth_mm: NDArray[np.float64]
    photo_px: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Convergence:
    """Where the guns meet and where they don't.

    Attributes:
        red_minus_green: By zone; or why it can't be told.
        blue_minus_green: The same for blue.
        worst_mm: Length of the longest displacement of the smooth fields over the marks.
        worst_zone: The zone it is in; ``None`` without one.
        points: Every mark.
        fringes: How the lens's own colour fringes were told from the tube: by tags, by two shots, or not at all.
    """

    red_minus_green: Mapping[Zone, Vector] | Unsupported
    blue_minus_green: Mapping[Zone, Vector] | Unsupported
    worst_mm: Known
    worst_zone: Zone | None
    points: ConvergencePoints | None
    fringes: Literal["tags", "two_shots", "not_separated"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Scale:
    """Size of the picture.

    Attributes:
        width_mm: Width of the whole active raster.
        height_mm: Its height.
        mm_per_px: Millimetres on the picture per pixel of the photograph, in the middle.
        reference: What gave it.
    """

    width_mm: Figure
    height_mm: Figure
    mm_per_px: Figure
    reference: Literal["tags", "picture_size"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Geometry:
    """The figures of geometry, as docs/measure.md defines them; outermost measured marks span the picture."""

    pincushion_pct: Mapping[Edge, Known]
    trapezoid_h_pct: Known
    trapezoid_v_pct: Known
    rotation_deg: Known
    parallelogram_deg: Known
    bow_vertical_axis_pct: Known
    bow_horizontal_axis_pct: Known
    linearity_h_pct: Known
    linearity_v_pct: Known
    overscan_pct: Mapping[Edge, Known] = field(default_factory=dict)
    glass_radius_mm: Known | None = None
    camera_tilt_deg: Known | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineProfile:
    """Sideways displacement of each raster line: ``line`` counts from the first visible one, (n,)."""

    line: NDArray[np.float64]
    displacement_mm: NDArray[np.float64]
    sd_mm: NDArray[np.float64]
    fitted_mm: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TopCurl:
    """The sideways bend at the top.

    Attributes:
        amplitude_mm: Displacement of the first visible line against where the settled lines put it; right positive.
        settle_lines: Lines until the displacement stays within 5 % of the amplitude.
        overshoot_ratio: Largest swing to the other side over the amplitude, 0 for none.
        profile: Line by line.
    """

    amplitude_mm: Known
    settle_lines: Known
    overshoot_ratio: Known
    profile: LineProfile | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Hum:
    """What the mains does to the picture: peak-to-peak sideways displacement, brightness swing, its period."""

    displacement_mm: Known
    brightness_pct: Known
    period_lines: Known


@dataclass(frozen=True, slots=True, kw_only=True)
class Focus:
    """Full width at half height of the spot, along the line and across the lines, by zone."""

    spot_h_mm: Mapping[Zone, Known]
    spot_v_mm: Mapping[Zone, Known]
    camera_blur: Literal["taken_off", "included"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Purity:
    """How far a single-gun field's colour strays from its usual one.

    Attributes:
        shift_ratio: Per gun and zone: light of the other two guns' phosphors in this gun's field, as a share of
            its own, over what the screen has as a rule (its median).
        worst_ratio: The largest in size per gun.
    """

    shift_ratio: Mapping[GunName, Mapping[Zone, Known]]
    worst_ratio: Mapping[GunName, Known]


@dataclass(frozen=True, slots=True, kw_only=True)
class GunLaw:
    """How one gun's light follows its drive.

    Attributes:
        gamma_ratio: Exponent of light over drive above the black level.
        black_drive_ratio: Drive at which light begins, of full drive; negative where drive 0 still glows.
        bends_at_ratio: Drive from which it falls behind its own law; ``None`` where it doesn't.
        shortfall_ratio: By how much it falls behind at full drive: 0 for none.
        emission_reserve: Temperature-limited over space-charge-limited current at full drive, as the bend tells it.
        strength_ratio: Light at full drive over the strongest gun's, each over its share in the middle grey.
        reserve_at_least: What the reserve at full drive surely (95 %) exceeds, bend or no bend.
    """

    gamma_ratio: Known
    black_drive_ratio: Known
    bends_at_ratio: Known | None
    shortfall_ratio: Known
    emission_reserve: Known
    strength_ratio: Known
    reserve_at_least: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Tracking:
    """Each gun's law, and how far the grey's colour drifts from dark to bright.

    Attributes:
        guns: One law per gun.
        white_drift_du_v: Largest distance in CIE 1976 u'v' between grey steps from 10 % light up and the brightest.
    """

    guns: Mapping[GunName, GunLaw | Unsupported]
    white_drift_du_v: Known


@dataclass(frozen=True, slots=True, kw_only=True)
class Wear:
    """A shape burnt into the screen.

    Attributes:
        depth_ratio: Share of light lost at the worst place against its surroundings.
        area_pct: Share of the screen that lost more than half of that.
        at_zone: Where it is worst; ``None`` if nothing is seen.
    """

    depth_ratio: Known
    area_pct: Known
    at_zone: Zone | None
