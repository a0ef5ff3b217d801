"""A display with controls whose effects nobody told: turn them, and it changes; measure it, and it shows figures.

Written apart from everything that advises: which control does what by how much and
which way is drawn for each display, with side effects, a hand that doesn't quite meet
its amounts, and rings whose strength goes with the sine of their opening, as that of
two equal magnets does. The figures come in the published form of ``measure``, with
errors drawn from the standard deviations that they state.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster
from tubewright.simulate.display import Display, Misconvergence, Shape

Body = dict[str, Any]
Array = NDArray[np.float64]

RASTER: Final = Raster(
    name="made-up 640x480",
    width_px=640,
    height_px=480,
    pixel_clock_hz=25_175_000.0,
    h_front_px=16,
    h_sync_px=96,
    h_back_px=48,
    v_front_lines=10,
    v_sync_lines=2,
    v_back_lines=33,
)
WIDTH_MM: Final = 368.0
HEIGHT_MM: Final = 276.0
OPENING_RATIO: Final = 0.98
"""The opening before the picture over the picture's size when that is as it should be."""
TABS_RADIUS_MM: Final = 25.0
"""From the neck's axis to the tips of a ring's tabs."""
POLE_PAIRS: Final[Mapping[str, int]] = {"purity_rings": 1, "four_pole_rings": 2, "six_pole_rings": 3}
ZONES: Final = ("top_left", "top", "top_right", "left", "centre", "right", "bottom_left", "bottom", "bottom_right")


@dataclass(frozen=True, slots=True, kw_only=True)
class Noise:
    """Standard deviations of what a photograph tells, as measuring real ones states them."""

    convergence_mm: float = 0.045
    rotation_deg: float = 0.12
    trapezoid_pct: float = 0.2
    bow_pct: float = 0.12
    linearity_pct: float = 0.5
    overscan_pct: float = 0.3
    size_ratio: float = 0.002
    curl_mm: float = 0.1
    spot_mm: float = 0.03
    purity_share: float = 0.01


@dataclass(slots=True, kw_only=True)
class State:
    """What a display's picture is like.

    ``landing_share`` is the beams' error even over the screen, sideways, and growing to the edges.
    ``patch_share`` at ``patch_at`` (u, v) is what is magnetised.
    """

    misconvergence: Misconvergence = field(default_factory=Misconvergence)
    shape: Shape = field(default_factory=Shape)
    width_ratio: float = 1.0
    height_ratio: float = 1.0
    landing_share: tuple[float, float] = (0.0, 0.0)
    patch_share: float = 0.0
    patch_at: tuple[float, float] = (0.6, -0.6)
    curl_mm: float = 0.0
    focus_turn: float = 0.0
    best_spot_mm: float = 0.6


@dataclass(slots=True, kw_only=True)
class Ring:
    """A pair of rings: strength when wide open, direction at angle 0, and how it stands."""

    strength: float
    direction_rad: float
    tabs_mm: float
    angle_deg: float = 0.0

    def push(self, pole_pairs: int) -> complex:
        """What it does to the beams: x right, y down, as the viewer sees it."""
        opening = self.tabs_mm / TABS_RADIUS_MM
        # Turned clockwise as seen from behind is against the clock, and so to negative angles, for the viewer.
        angle = self.direction_rad - pole_pairs * math.radians(self.angle_deg)
        return complex(
            *(self.strength * math.sin(pole_pairs * opening / 2) * np.array([math.cos(angle), math.sin(angle)]))
        )


class Bench:
    """A display on the bench, with its hidden gains.

    Args:
        seed: Draws the display.
        gun: Arrangement of its guns.
        dead: Controls that do nothing: a fault.
        calm: Only convergence is off.
        size_ratio: Its controls do so much more than usual ones.
    """

    def __init__(
        self,
        seed: int,
        *,
        gun: Literal["inline", "delta"] = "inline",
        dead: tuple[str, ...] = (),
        calm: bool = False,
        size_ratio: float = 1.0,
    ) -> None:
        self.tilt_share: dict[str, float] = {}
        self.rng = np.random.default_rng([seed, 8151])
        self.gun, self.dead = gun, dead
        self.noise = Noise()
        self.state = self._state(calm=calm)
        self.rings = {
            "purity_rings": self._ring(0.5, 3.0),
            "four_pole_rings": self._ring(5.5, 4.0),
            "six_pole_rings": self._ring(4.0, 4.0),
        }
        self.gains = self._gains()
        self.ring_side = {name: self._signed(0.05) for name in self.rings}
        for ring in self.rings.values():
            ring.strength *= size_ratio
        self.gains = {name: size_ratio * gain for name, gain in self.gains.items()}

    def comes_back(self, job: int, *, calm: bool = False) -> None:
        """The same display for a later job: other errors, the same controls, rings as they were left.

        Where the rings stand counts from 0 again, as for a person who begins anew.
        """
        tilt_share, rng = self.tilt_share, self.rng
        self.rng = np.random.default_rng([int(rng.integers(1 << 30)), job])
        self.state = self._state(calm=calm)
        wrong = self.state.misconvergence
        self.tilt_share = tilt_share
        crossed, size = wrong.crossed_mm[0], wrong.size_mm[0]
        up, sideways = tilt_share["yoke_tilt_vertical"], tilt_share["yoke_tilt_horizontal"]
        self.state.misconvergence = replace(
            wrong,
            crossed_mm=(crossed, crossed * up + float(self.rng.normal(0, 0.1))),
            size_mm=(size, size * sideways + float(self.rng.normal(0, 0.1))),
        )
        for name, ring in self.rings.items():
            ring.direction_rad -= POLE_PAIRS[name] * math.radians(ring.angle_deg)
            ring.angle_deg = 0.0

    def _signed(self, size: float, spread: float = 0.35) -> float:
        """A gain whose size is known roughly and its direction not at all."""
        return float(self.rng.choice([-1.0, 1.0]) * size * math.exp(self.rng.normal(0, spread)))

    def _ring(self, strength: float, tabs_mm: float) -> Ring:
        return Ring(
            strength=strength * math.exp(self.rng.normal(0, 0.25)),
            direction_rad=float(self.rng.uniform(-math.pi, math.pi)),
            tabs_mm=float(tabs_mm + self.rng.uniform(-2, 3)),
        )

    def _state(self, *, calm: bool) -> State:
        rng = self.rng

        def pair(sd: float) -> tuple[float, float]:
            return float(rng.normal(0, sd)), float(rng.normal(0, sd))

        inline = self.gun == "inline"
        tilted = 0.9 if inline else 0.2  # a delta gun's yoke is no wedge's business here
        wrong = Misconvergence(
            four_pole_mm=pair(0.8),
            six_pole_mm=pair(0.5),
            crossed_mm=pair(tilted),
            size_mm=pair(tilted),
            both_size_mm=pair(0.12),
            parabola_mm=pair(0.12),
            both_parabola_mm=pair(0.1),
            corner_mm=pair(0.15),
        )
        # One tilt of a yoke brings both of its errors, in a proportion that only its windings fix: the rest is small.
        crossed, size = wrong.crossed_mm[0], wrong.size_mm[0]
        self.tilt_share = {
            "yoke_tilt_vertical": self._signed(0.7, 0.2),
            "yoke_tilt_horizontal": self._signed(0.7, 0.2),
        }
        wrong = replace(
            wrong,
            crossed_mm=(crossed, crossed * self.tilt_share["yoke_tilt_vertical"] + float(rng.normal(0, 0.1))),
            size_mm=(size, size * self.tilt_share["yoke_tilt_horizontal"] + float(rng.normal(0, 0.1))),
        )
        if calm:
            return State(misconvergence=wrong)
        off = rng.random(12) < 0.5
        impure, magnetised = rng.random() < 0.4, rng.random() < 0.3

        def drawn(n: int, sd: float) -> float:
            return float(rng.normal(0, sd)) if off[n] else 0.0

        bow, bent = drawn(0, 2.0), float(rng.normal(0, 0.3))
        return State(
            misconvergence=wrong,
            shape=Shape(
                pincushion_left_pct=bow + bent,
                pincushion_right_pct=bow - bent,
                pincushion_top_pct=float(rng.normal(0, 0.3)),
                pincushion_bottom_pct=float(rng.normal(0, 0.3)),
                trapezoid_h_pct=drawn(1, 1.5),
                trapezoid_v_pct=float(rng.normal(0, 0.2)),
                rotation_deg=drawn(2, 1.0),
                linearity_v_tilt_pct=drawn(3, 6.0),
                linearity_h_tilt_pct=float(rng.normal(0, 1.5)),
                shift_x_mm=drawn(4, 6.0),
                shift_y_mm=drawn(5, 5.0),
            ),
            width_ratio=1 + drawn(6, 0.03),
            height_ratio=1 + drawn(7, 0.04),
            landing_share=(float(rng.normal(0, 0.1)), float(rng.normal(0, 0.12))) if impure else (0.0, 0.0),
            patch_share=float(rng.uniform(0.12, 0.3)) if magnetised else 0.0,
            patch_at=(float(rng.uniform(-0.8, 0.8)), float(rng.uniform(-0.8, 0.8))),
            curl_mm=drawn(8, 2.0),
            focus_turn=drawn(9, 0.25),
        )

    def _gains(self) -> dict[str, float]:
        sizes = {
            "yoke_tilt_vertical": 0.5,
            "yoke_tilt_horizontal": 0.5,
            "yoke_axial": 0.03,
            "h_size": 0.08,
            "v_size": 0.16,
            "h_position": 25.0,
            "v_position": 20.0,
            "v_linearity": 10.0,
            "pincushion": 5.0,
            "trapezoid": 6.0,
            "focus": 1.0,
            "h_hold": 8.0,
            "static_red": 3.0,
            "static_green": 3.0,
            "static_blue": 3.0,
            "blue_lateral": 3.0,
        }
        return {name: self._signed(size) for name, size in sizes.items()}

    @property
    def controls(self) -> tuple[str, ...]:
        """Ids of the controls that it has."""
        common = (
            *("h_hold", "h_size", "v_size", "h_position", "v_position", "v_linearity", "pincushion", "trapezoid"),
            *("focus", "degauss", "purity_rings", "yoke_axial", "yoke_rotation"),
        )
        inline = ["four_pole_rings", "six_pole_rings", "yoke_tilt_vertical", "yoke_tilt_horizontal"]
        delta = ["static_red", "static_green", "static_blue", "blue_lateral"]
        return (*common, *(inline if self.gun == "inline" else delta))

    def degauss(self) -> None:
        """The coil: what is magnetised goes, but for a trace."""
        self.state.patch_share *= 0.05

    def turn(self, control: str, amount: float, *, steady: bool = False) -> float:
        """Turn a control by about an amount: turns, mm or degrees.

        Returns:
            What the hand really did.
        """
        if not steady:
            least = 0.2 if control.startswith("yoke") else 0.015
            amount = amount * (1 + float(self.rng.normal(0, 0.08))) + float(self.rng.normal(0, least))
        if control not in self.dead:
            by = amount * self.gains.get(control, 0.0)
            if control.startswith("yoke"):
                self._yoke(control, amount, by)
            elif control.startswith("static") or control == "blue_lateral":
                self.state.misconvergence = self._static(control, by)
            else:
                self._screw(control, amount, by)
        return amount

    def _yoke(self, control: str, amount: float, by: float) -> None:
        """What moving the yoke does: its tilt to red against blue, its place to landing and size."""
        state, wrong, side = self.state, self.state.misconvergence, 0.1 * by
        share = self.tilt_share.get(control, 0.0)
        match control:
            case "yoke_tilt_vertical":
                wrong = replace(wrong, crossed_mm=_plus(wrong.crossed_mm, (by, share * by)))
                wrong = replace(wrong, four_pole_mm=_plus(wrong.four_pole_mm, (0.6 * side, side)))
            case "yoke_tilt_horizontal":
                wrong = replace(wrong, size_mm=_plus(wrong.size_mm, (by, share * by)))
                wrong = replace(wrong, four_pole_mm=_plus(wrong.four_pole_mm, (side, -0.5 * side)))
            case "yoke_axial":
                state.landing_share = _plus(state.landing_share, (0.05 * by, by))
                state.width_ratio -= 0.002 * amount
                state.height_ratio -= 0.002 * amount
                wrong = replace(wrong, size_mm=_plus(wrong.size_mm, (by, 0.5 * by)))
            case "yoke_rotation":
                state.shape = replace(state.shape, rotation_deg=state.shape.rotation_deg - amount)
        state.misconvergence = wrong

    def _screw(self, control: str, amount: float, by: float) -> None:
        """What a screw on the board does, and what else it disturbs."""
        state, shape = self.state, self.state.shape
        match control:
            case "h_size":
                state.width_ratio *= 1 + by
                wrong = state.misconvergence
                state.misconvergence = replace(wrong, both_size_mm=_plus(wrong.both_size_mm, (0.5 * by, 0.0)))
            case "v_size":
                state.height_ratio *= 1 + by
                shape = replace(shape, linearity_v_tilt_pct=shape.linearity_v_tilt_pct + 6 * by)
            case "h_position":
                shape = replace(shape, shift_x_mm=shape.shift_x_mm + by)
            case "v_position":
                shape = replace(shape, shift_y_mm=shape.shift_y_mm + by)
            case "v_linearity":
                shape = replace(shape, linearity_v_tilt_pct=shape.linearity_v_tilt_pct + by)
                state.height_ratio *= 1 + 0.002 * by
            case "pincushion" | "trapezoid":
                bow = by if control == "pincushion" else 0.1 * by
                shape = replace(
                    shape,
                    trapezoid_h_pct=shape.trapezoid_h_pct + (by if control == "trapezoid" else 0.0),
                    pincushion_left_pct=shape.pincushion_left_pct + bow,
                    pincushion_right_pct=shape.pincushion_right_pct + bow,
                )
                state.width_ratio *= 1 - 0.002 * bow
            case "focus":
                state.focus_turn += amount
            case "h_hold":
                state.curl_mm += by
                shape = replace(shape, shift_x_mm=shape.shift_x_mm + 0.2 * by)
        state.shape = shape

    def _static(self, control: str, by: float) -> Misconvergence:
        """Red against green and blue against green move as their guns' magnets push them."""
        red, blue = np.zeros(2), np.zeros(2)
        radial = {"static_red": -30.0, "static_green": 30.0, "static_blue": 90.0, "blue_lateral": 0.0}[control]
        push = by * np.array([math.cos(math.radians(radial)), math.sin(math.radians(radial))])
        if control == "static_red":
            red = push
        elif control == "static_green":
            red = blue = -push
        else:
            blue = push
        opposed, both = (red - blue) / 2, (red + blue) / 2
        wrong = self.state.misconvergence
        return replace(
            wrong,
            four_pole_mm=_plus(wrong.four_pole_mm, (float(opposed[0]), float(opposed[1]))),
            six_pole_mm=_plus(wrong.six_pole_mm, (float(both[0]), float(both[1]))),
        )

    def set_ring(self, control: str, tabs_mm: float, angle_deg: float, *, steady: bool = False) -> None:
        """Set a pair of rings to about so much opening and angle, clockwise as seen from behind."""
        ring = self.rings[control]
        if not steady:
            tabs_mm += float(self.rng.normal(0, 0.25)) if tabs_mm != ring.tabs_mm else 0.0
            angle_deg += float(self.rng.normal(0, 1.5)) if angle_deg != ring.angle_deg else 0.0
        count = POLE_PAIRS[control]
        before = ring.push(count)
        ring.tabs_mm, ring.angle_deg = max(tabs_mm, 0.0), angle_deg
        if control in self.dead:
            return
        by = ring.push(count) - before
        state = self.state
        wrong, side = state.misconvergence, self.ring_side[control]
        if control == "purity_rings":
            state.landing_share = _plus(state.landing_share, (by.real, 0.0))
            state.shape = replace(
                state.shape,
                shift_x_mm=state.shape.shift_x_mm + 15 * by.real,
                shift_y_mm=state.shape.shift_y_mm + 15 * by.imag,
            )
            wrong = replace(wrong, four_pole_mm=_plus(wrong.four_pole_mm, (2 * side * by.real, 2 * side * by.imag)))
        elif control == "four_pole_rings":
            wrong = replace(
                wrong,
                four_pole_mm=_plus(wrong.four_pole_mm, (by.real, by.imag)),
                six_pole_mm=_plus(wrong.six_pole_mm, (side * by.real, side * by.imag)),
            )
        else:
            wrong = replace(
                wrong,
                six_pole_mm=_plus(wrong.six_pole_mm, (by.real, by.imag)),
                four_pole_mm=_plus(wrong.four_pole_mm, (side * by.real, side * by.imag)),
            )
        state.misconvergence = wrong

    def display(self) -> Display:
        """The display as it stands, for drawing or for its truth."""
        return Display(
            raster=RASTER,
            drive=np.zeros((1, 1, 3), dtype=np.uint8),
            pattern="survey",
            width_mm=WIDTH_MM * self.state.width_ratio,
            height_mm=HEIGHT_MM * self.state.height_ratio,
            shape=self.state.shape,
            misconvergence=self.state.misconvergence,
        )

    @property
    def opening_mm(self) -> tuple[float, float]:
        """Width and height of the opening before the picture."""
        return WIDTH_MM * OPENING_RATIO, HEIGHT_MM * OPENING_RATIO

    def purity_share(self) -> dict[str, float]:
        """Light astray by zone, over the screen's usual: the same for all guns."""
        even, edge = self.state.landing_share
        shares = []
        for n in range(9):
            u, v = n % 3 - 1, n // 3 - 1
            far = (u * 2 / 3 - self.state.patch_at[0]) ** 2 + (v * 2 / 3 - self.state.patch_at[1]) ** 2
            landing = even + edge * u + self.state.patch_share * math.exp(-far / (2 * 0.35**2))
            shares.append(max(abs(landing) - 0.01, 0.0))
        usual = float(np.median(shares))
        return {zone: share - usual for zone, share in zip(ZONES, shares, strict=True)}

    def measured(self, *, exact: bool = False) -> Body:
        """What ``measure --json`` would say of a photograph of it; ``exact`` without its errors."""
        from tubewright.simulate.controls_figures import Figures

        return Figures(self, self.rng, exact=exact).body()


def _plus(one: tuple[float, float], other: tuple[float, float]) -> tuple[float, float]:
    return one[0] + other[0], one[1] + other[1]
