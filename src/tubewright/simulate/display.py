"""A display that never was: where its three beams land, and the light they make there.

Written apart from everything that measures: laws, signs and code of this module
are its own. Lengths on the picture are millimetres as a viewer far off on its
axis sees them, x right and y down, (0, 0) where the axis of the glass goes
through. Along the raster u and v run from -1 (left, top) to 1 (right, bottom)
over the active dots and lines.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster

Array = NDArray[np.float64]
Fine = NDArray[np.float32]

CELL_MM: Final = 0.14
"""Coarsest cell of the fine picture; the narrowest spot allowed is four of them wide at half height."""
FWHM_PER_SIGMA: Final = 2.3548200450309493
"""Full width at half height of a Gaussian: 2 sqrt(2 ln 2)."""


_FARTHEST: Final = 1.8
"""Half widths from the middle beyond which no place of the raster is looked for."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """What bends the picture. Percent of the picture's width or height; the signs are those of the truth's figures.

    Attributes:
        pincushion_top_pct: The top edge's middle lies this much of the height inwards of its ends; so the others.
        trapezoid_h_pct: Top wider than bottom by this.
        trapezoid_v_pct: Left higher than right by this.
        rotation_deg: Clockwise.
        parallelogram_deg: Vertical lines lean, their lower end to the left.
        bow_vertical_axis_pct: The middle of vertical lines to the right, everywhere alike.
        bow_horizontal_axis_pct: The middle of horizontal lines downwards, everywhere alike.
        linearity_h_tilt_pct: Spacing grows from left to right: at the ends by plus and minus this.
        linearity_h_ends_pct: Spacing at both ends larger than in the middle by this.
        linearity_v_tilt_pct: Spacing grows from top to bottom: at the ends by plus and minus this.
        linearity_v_ends_pct: Spacing at top and bottom larger than in the middle by this.
        shift_x_mm: Whole picture to the right.
        shift_y_mm: Whole picture downwards.
    """

    pincushion_top_pct: float = 0.0
    pincushion_bottom_pct: float = 0.0
    pincushion_left_pct: float = 0.0
    pincushion_right_pct: float = 0.0
    trapezoid_h_pct: float = 0.0
    trapezoid_v_pct: float = 0.0
    rotation_deg: float = 0.0
    parallelogram_deg: float = 0.0
    bow_vertical_axis_pct: float = 0.0
    bow_horizontal_axis_pct: float = 0.0
    linearity_h_tilt_pct: float = 0.0
    linearity_h_ends_pct: float = 0.0
    linearity_v_tilt_pct: float = 0.0
    linearity_v_ends_pct: float = 0.0
    shift_x_mm: float = 0.0
    shift_y_mm: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Misconvergence:
    """By how much the outer guns miss the green one, mm, each a pair (x, y).

    Attributes:
        four_pole_mm: Everywhere alike, red by plus this, blue by minus this.
        six_pole_mm: Everywhere alike, red and blue together.
        crossed_mm: Yoke tilted: red by x at the bottom and -x at the top, by y at the right and -y at the left; blue
            the opposite.
        size_mm: Red's picture larger than green's by this at its right and lower edge, blue's smaller.
        both_size_mm: Red's and blue's larger together.
        parabola_mm: Red's middles bent: x by x v^2, y by y u^2; blue the opposite.
        both_parabola_mm: The same of both together.
        corner_mm: Red by this times u v at (1, 1): the corners; blue the opposite.
    """

    four_pole_mm: tuple[float, float] = (0.0, 0.0)
    six_pole_mm: tuple[float, float] = (0.0, 0.0)
    crossed_mm: tuple[float, float] = (0.0, 0.0)
    size_mm: tuple[float, float] = (0.0, 0.0)
    both_size_mm: tuple[float, float] = (0.0, 0.0)
    parabola_mm: tuple[float, float] = (0.0, 0.0)
    both_parabola_mm: tuple[float, float] = (0.0, 0.0)
    corner_mm: tuple[float, float] = (0.0, 0.0)

    def at(self, gun: int, u: Array, v: Array) -> tuple[Array, Array]:
        """Displacement of a gun (0 red, 1 green, 2 blue) against green, x and y, mm."""
        if gun == 1:
            return np.zeros(np.broadcast(u, v).shape), np.zeros(np.broadcast(u, v).shape)
        sign = 1.0 if gun == 0 else -1.0
        both = [
            self.six_pole_mm[0] + self.both_size_mm[0] * u + self.both_parabola_mm[0] * v**2,
            self.six_pole_mm[1] + self.both_size_mm[1] * v + self.both_parabola_mm[1] * u**2,
        ]
        opposed = [
            self.four_pole_mm[0]
            + self.crossed_mm[0] * v
            + self.size_mm[0] * u
            + self.parabola_mm[0] * v**2
            + self.corner_mm[0] * u * v,
            self.four_pole_mm[1]
            + self.crossed_mm[1] * u
            + self.size_mm[1] * v
            + self.parabola_mm[1] * u**2
            + self.corner_mm[1] * u * v,
        ]
        return both[0] + sign * opposed[0], both[1] + sign * opposed[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class Curl:
    """Sideways bend at the top, common to the guns: a damped swing of each line, counted from the first visible one.

    Attributes:
        amplitude_mm: Displacement of the first visible line; right positive.
        decay_lines: Lines in which the swing falls to 1/e.
        swing_lines: Lines of one whole swing; 0 for none.
    """

    amplitude_mm: float = 0.0
    decay_lines: float = 12.0
    swing_lines: float = 0.0

    def at(self, line: Array) -> Array:
        """Displacement of lines, mm."""
        swing = np.cos(2 * np.pi * line / self.swing_lines) if self.swing_lines > 0 else 1.0
        return np.asarray(self.amplitude_mm * np.exp(-line / self.decay_lines) * swing)


@dataclass(frozen=True, slots=True, kw_only=True)
class Ripple:
    """What the mains does to each line: peak-to-peak displacement and brightness, locked to the picture."""

    displacement_mm: float = 0.0
    brightness_pct: float = 0.0
    period_lines: float = 240.0
    phase_deg: float = 0.0

    def phase(self, line: Array) -> Array:
        """Sine of the ripple at lines."""
        return np.asarray(np.sin(2 * np.pi * line / self.period_lines + np.radians(self.phase_deg)))


@dataclass(frozen=True, slots=True, kw_only=True)
class Spot:
    """Size of the spot: full width at half height in the middle, and by which share it grows to the corners.

    The growth goes with the square of the distance from the middle.
    """

    h_mm: float = 0.9
    v_mm: float = 0.8
    corner_growth_ratio: float = 0.25

    def growth(self, u: Array, v: Array) -> Array:
        """Size at a place over size in the middle."""
        return np.asarray(1 + self.corner_growth_ratio * (u**2 + v**2) / 2)


@dataclass(frozen=True, slots=True, kw_only=True)
class GunTruth:
    """One gun's drive -> light.

    The cathode's emitting disc widens with the drive; each ring of it asks for
    (drive over its own cutoff)^(gamma - 1) and gives that or what it has,
    whichever is less. So its middle starves first.

    Attributes:
        gamma_ratio: Exponent of light over drive while nothing starves.
        black_drive_ratio: Drive at which light begins; negative where drive 0 glows.
        reserve_ratio: Current that the whole disc could give over what full drive asks for.
        strength_ratio: Light of the phosphor per current, 1 for a good one.
    """

    gamma_ratio: float = 2.4
    black_drive_ratio: float = 0.0
    reserve_ratio: float = 8.0
    strength_ratio: float = 1.0

    def light(self, drive: Array) -> Array:
        """Light at drive 0..1; 1 at full drive of a good gun."""
        x = np.maximum((np.asarray(drive, dtype=float) - self.black_drive_ratio) / (1 - self.black_drive_ratio), 0.0)
        power = self.gamma_ratio - 1
        supply = self.reserve_ratio / self.gamma_ratio
        starved = np.maximum(x - supply ** (1 / power), 0.0)
        fed = np.minimum(x, supply ** (1 / power))
        return np.asarray(self.strength_ratio * (self.gamma_ratio * supply * starved + fed**self.gamma_ratio))

    @property
    def bends_at_ratio(self) -> float | None:
        """Drive at which the middle of the disc begins to starve, if it does."""
        x = (self.reserve_ratio / self.gamma_ratio) ** (1 / (self.gamma_ratio - 1))
        return None if x >= 1 else self.black_drive_ratio + x * (1 - self.black_drive_ratio)

    @property
    def shortfall_ratio(self) -> float:
        """Light missing at full drive, of what the law without a limit gives."""
        return float(1 - self.light(np.array(1.0)) / self.strength_ratio)


@dataclass(frozen=True, slots=True, kw_only=True)
class Mask:
    """The shadow mask as the phosphor shows it: dots in threes, slots, or stripes; ``none`` for an even screen.

    Attributes:
        kind: Which.
        pitch_mm: Between neighbouring dots of one colour in a row; for slots and stripes along a row.
        lit_share: Share of its third that a dot or stripe fills.
    """

    kind: Literal["none", "dots", "slots", "stripes"] = "dots"
    pitch_mm: float = 0.6
    lit_share: float = 0.85


@dataclass(frozen=True, slots=True, kw_only=True)
class Stain:
    """A patch where the beams land beside their own phosphor.

    ``share`` of each gun's light there goes to the next gun's phosphor (red to
    green to blue to red; negative: the other way round), less with the distance
    as a Gaussian.
    """

    x_mm: float
    y_mm: float
    radius_mm: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Burn:
    """A shape burnt in.

    Attributes:
        shape_share: 0..1 over the whole picture, (rows, columns), at least 2 x 2; 1 where most is lost.
        depth_ratio: Share of light lost there, by phosphor: red, green, blue.
    """

    shape_share: NDArray[np.float32]
    depth_ratio: tuple[float, float, float]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Display:
    """A display and what it is fed.

    Attributes:
        raster: Its raster.
        drive: What it is fed, (height, width, 3), 0..255.
        pattern: What that pattern is called.
        width_mm: Width of the active raster on the picture before anything bends it.
        height_mm: Its height.
        shape: What bends it.
        misconvergence: How the outer guns miss.
        curl: Bend at the top.
        ripple: Mains.
        spot: Size of the spot, all guns alike.
        video_blur_px: Standard deviation of the video amplifier's own blur, dots.
        guns: Red, green, blue.
        mask: Shadow mask.
        stains: Purity.
        burn: Wear, if any.
        decay_s: Time constant of each phosphor's afterglow.
    """

    raster: Raster
    drive: NDArray[np.uint8]
    pattern: str
    width_mm: float = 368.0
    height_mm: float = 276.0
    shape: Shape = field(default_factory=Shape)
    misconvergence: Misconvergence = field(default_factory=Misconvergence)
    curl: Curl = field(default_factory=Curl)
    ripple: Ripple = field(default_factory=Ripple)
    spot: Spot = field(default_factory=Spot)
    video_blur_px: float = 0.0
    guns: tuple[GunTruth, GunTruth, GunTruth] = (GunTruth(), GunTruth(), GunTruth())
    mask: Mask = field(default_factory=Mask)
    stains: tuple[Stain, ...] = ()
    burn: Burn | None = None
    # from memory: P22 red falls in about a millisecond, green and blue in some tens of microseconds
    decay_s: tuple[float, float, float] = (5e-4, 6e-5, 4e-5)

    def line_shift_mm(self, line: Array) -> Array:
        """How far each line is displaced along itself by curl and mains, in mm of an unbent picture."""
        return self.curl.at(line) + self.ripple.displacement_mm / 2 * self.ripple.phase(line)

    def bent(self, u: Array, v: Array) -> tuple[Array, Array]:
        """Where the green beam lands when no line is displaced, x and y, mm."""
        s, half_w, half_h = self.shape, self.width_mm / 2, self.height_mm / 2
        x = u + s.linearity_h_tilt_pct / 200 * (u**2 - 1) + s.linearity_h_ends_pct / 300 * (u**3 - u)
        y = v + s.linearity_v_tilt_pct / 200 * (v**2 - 1) + s.linearity_v_ends_pct / 300 * (v**3 - v)
        x = x * (1 - s.trapezoid_h_pct / 200 * v) + s.bow_vertical_axis_pct / 50 * (1 - v**2)
        y = y * (1 - s.trapezoid_v_pct / 200 * u) + s.bow_horizontal_axis_pct / 50 * (1 - u**2)
        x = x + (1 - v**2) / 50 * (s.pincushion_left_pct * (u**2 - u) / 2 - s.pincushion_right_pct * (u**2 + u) / 2)
        y = y + (1 - u**2) / 50 * (s.pincushion_top_pct * (v**2 - v) / 2 - s.pincushion_bottom_pct * (v**2 + v) / 2)
        x_mm, y_mm = x * half_w, y * half_h
        x_mm = x_mm - np.tan(np.radians(s.parallelogram_deg)) * y_mm
        turn = np.radians(s.rotation_deg)
        return (
            x_mm * np.cos(turn) - y_mm * np.sin(turn) + s.shift_x_mm,
            x_mm * np.sin(turn) + y_mm * np.cos(turn) + s.shift_y_mm,
        )

    def landing(self, gun: int, u: Array, v: Array) -> tuple[Array, Array]:
        """Where a gun's beam lands when no line is displaced, x and y, mm."""
        x, y = self.bent(u, v)
        dx, dy = self.misconvergence.at(gun, u, v)
        return x + dx, y + dy

    def place(self, gun: int, x_px: Array, line: Array) -> tuple[Array, Array]:
        """Where a gun draws a place of the raster, curl and mains included, x and y, mm."""
        u = (np.asarray(x_px) + 0.5) * 2 / self.raster.width_px - 1 + self.line_shift_mm(line) * 2 / self.width_mm
        v = (np.asarray(line) + 0.5) * 2 / self.raster.height_px - 1
        return self.landing(gun, u, v)

    def origin(self, gun: int, x_mm: Array, y_mm: Array) -> tuple[Array, Array]:
        """The u and v whose undisplaced landing is at given places: :meth:`landing` turned round, by iteration."""
        u, v = x_mm * 2 / self.width_mm, y_mm * 2 / self.height_mm
        for _ in range(60):
            x, y = self.landing(gun, u, v)
            du, dv = (x_mm - x) * 2 / self.width_mm, (y_mm - y) * 2 / self.height_mm
            # Far outside the raster, where nothing is lit, a bent display has no place that lands there: stay put.
            u, v = np.clip(u + du, -_FARTHEST, _FARTHEST), np.clip(v + dv, -_FARTHEST, _FARTHEST)
            near = (np.abs(u) < _FARTHEST) & (np.abs(v) < _FARTHEST)
            if (
                np.max(np.abs(du), initial=0.0, where=near) < 1e-9
                and np.max(np.abs(dv), initial=0.0, where=near) < 1e-9
            ):
                break
        return u, v
