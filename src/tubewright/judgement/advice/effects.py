"""What each control can do to the modes, before it was tried: the pattern is known, size and direction are not.

A control has one input (turns of a screw, mm of a tilt) or, for a pair of rings, two:
how far the tabs stand apart and where the pair points make one vector, which acts on
both beams as a vector again. Each unknown gain has a pattern: how much of every mode
one unit of every input gives per unit of that gain.

Rings: turning a magnet of 2n poles by an angle turns its force on a beam beside the
axis by n times that angle, in the same sense (derived from the fields' expansion). So
with the pair turned clockwise by phi as seen from behind, against the clock as the
viewer sees it, the vector of a pair is s exp(-i n phi), x to the right and y down.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.modes import AXES, INDEX, MODES, ZONE_PLACE, GunKind
from tubewright.knowledge.model import Knowledge

Floats = NDArray[np.float64]
MoveUnit = Literal["turn", "mm", "deg", "cm"]

RINGS: Final[Mapping[str, int]] = {"purity_rings": 1, "four_pole_rings": 2, "six_pole_rings": 3}
"""Pairs of rings, and half the number of their poles."""

ORDER: Final[Mapping[str, int]] = {
    # in the order of work: what comes first disturbs what comes after
    "h_hold": 10,
    "h_size": 20,
    "v_size": 21,
    "h_position": 22,
    "h_centring": 23,
    "v_position": 24,
    "focus": 28,
    "degauss": 30,
    "static_red": 40,
    "static_green": 41,
    "static_blue": 42,
    "blue_lateral": 43,
    "purity_rings": 50,
    "yoke_axial": 51,
    "yoke_rotation": 52,
    "four_pole_rings": 60,
    "six_pole_rings": 61,
    "yoke_tilt_vertical": 70,
    "yoke_tilt_horizontal": 71,
    "wedges": 72,
    "dynamic_convergence": 75,
    "h_linearity": 80,
    "v_linearity": 81,
    "pincushion": 82,
    "trapezoid": 83,
    "convergence_strips": 90,
}
INLINE: Final = frozenset(
    {"four_pole_rings", "six_pole_rings", "yoke_tilt_vertical", "yoke_tilt_horizontal", "wedges", "convergence_strips"}
)
DELTA: Final = frozenset({"static_red", "static_green", "static_blue", "blue_lateral", "dynamic_convergence"})
USUAL: Final = frozenset(
    {"h_hold", "h_size", "v_size", "h_position", "v_position", "v_linearity", "focus", "degauss"}
    | {"purity_rings", "yoke_axial", "yoke_rotation"}
)
"""What nearly every display has; the rest only where its profile or the person names it."""
CORNERS: Final[Mapping[str, tuple[int, int]]] = {
    "top_left": (-1, -1),
    "top_right": (1, -1),
    "bottom_left": (-1, 1),
    "bottom_right": (1, 1),
}
EDGES: Final[Mapping[str, tuple[int, int]]] = {"left": (-1, 0), "right": (1, 0), "top": (0, -1), "bottom": (0, 1)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Input:
    """One thing that can be moved.

    Attributes:
        key: Name among the inputs: the control's id, with ``:part`` where it has several.
        control: Id of the control.
        part: Which of its parts; "" where it has one.
        unit: In what it is moved.
        main: The modes that it is for.
    """

    key: str
    control: str
    part: str
    unit: MoveUnit
    main: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Effects:
    """All inputs of a display, and the unknown gains with their patterns.

    Attributes:
        inputs: What can be moved, in the order of work.
        gains: Name of each unknown gain.
        mean: Its mean before anything was tried, (gains,).
        sd: Its standard deviation, (gains,).
        usual_size: Root of its mean square on displays that nobody knows yet, (gains,).
        patterns: Of every gain: modes per input, (gains, modes, inputs).
    """

    inputs: tuple[Input, ...]
    gains: tuple[str, ...]
    mean: Floats
    sd: Floats
    usual_size: Floats
    patterns: Floats

    def column(self, key: str) -> int:
        """Place of an input."""
        return next(n for n, one in enumerate(self.inputs) if one.key == key)


def usual_controls(gun: GunKind) -> frozenset[str]:
    """Controls that a display has where nobody said."""
    return USUAL | (INLINE if gun == "inline" else DELTA)


def ring_vector(control: str, tabs_mm: float, angle_deg: float) -> complex:
    """What a pair of rings is set to, as a vector: x to the right, y down as the viewer sees it.

    Args:
        control: Which pair.
        tabs_mm: How far its tabs stand apart.
        angle_deg: Where the middle between them points, clockwise as seen from behind.
    """
    return tabs_mm * cmath.exp(-1j * RINGS[control] * math.radians(angle_deg))


def ring_setting(control: str, vector: complex, near_deg: float) -> tuple[float, float]:
    """Tabs apart in mm and angle in degrees that make a vector: of the equal ones the nearest to ``near_deg``."""
    poles = RINGS[control]
    angle, period = -math.degrees(cmath.phase(vector)) / poles, 360 / poles
    angle += period * round((near_deg - angle) / period)
    return abs(vector), angle


class _Maker:
    def __init__(self, knowledge: Knowledge) -> None:
        self.knowledge = knowledge
        self.inputs: list[Input] = []
        self.gains: list[tuple[str, float, float, list[tuple[str, str, float]]]] = []

    def size(self, control: str, what: str) -> float:
        return self.knowledge.constants[f"gain_{control}_{what}"].value

    def input(self, control: str, unit: MoveUnit, *main: str, part: str = "") -> str:
        key = f"{control}:{part}" if part else control
        self.inputs.append(Input(key=key, control=control, part=part, unit=unit, main=main))
        return key

    def gain(self, name: str, sd: float, pattern: list[tuple[str, str, float]], mean: float = 0.0) -> None:
        """A gain whose pattern is given as input, mode, amount."""
        self.gains.append((name, mean, sd, pattern))

    def each(self, key: str, sd: float, *modes: str) -> None:
        """A gain of its own on every mode."""
        for mode in modes:
            self.gain(f"{key}>{mode}", sd, [(key, mode, 1.0)])

    def vector(self, keys: tuple[str, str], sd: float, modes: tuple[str, str], tag: str) -> None:
        """A vector acting as a vector: one size and one turn for both inputs."""
        (a, b), (x, y) = keys, modes
        self.gain(f"{tag}>along", sd, [(a, x, 1.0), (b, y, 1.0)])
        self.gain(f"{tag}>across", sd, [(a, y, 1.0), (b, x, -1.0)])


@dataclass(frozen=True, slots=True, kw_only=True)
class CarriedGain:
    """What an earlier session on the same display taught of one gain.

    Attributes:
        per_unit_ratio: Its mean, in the unit of what it acts on per unit of its control.
        sd_ratio: Its standard deviation, in the same.
    """

    per_unit_ratio: float
    sd_ratio: float


def effects_of(
    controls: Collection[str], knowledge: Knowledge, carried: Mapping[str, CarriedGain] | None = None
) -> Effects:
    """The inputs and gains of a display that has these controls; ids that can't be turned are passed over.

    Args:
        controls: Ids of the controls.
        knowledge: The facts.
        carried: Gains known from earlier sessions, by name; a name that this display hasn't is passed over.
    """
    make = _Maker(knowledge)
    for control in sorted(set(controls) & set(_BUILDERS), key=lambda one: ORDER[one]):
        _BUILDERS[control](make, control)
    place = {one.key: n for n, one in enumerate(make.inputs)}
    patterns = np.zeros((len(make.gains), len(MODES), len(make.inputs)))
    for n, (_, _, _, pattern) in enumerate(make.gains):
        for key, mode, amount in pattern:
            patterns[n, INDEX[mode], place[key]] += amount
    mean = np.array([mean for _, mean, _, _ in make.gains])
    sd = np.array([sd for _, _, sd, _ in make.gains])
    usual = np.hypot(mean, sd)
    for n, (name, *_) in enumerate(make.gains):
        if carried is not None and name in carried:
            mean[n], sd[n] = carried[name].per_unit_ratio, carried[name].sd_ratio
    return Effects(
        inputs=tuple(make.inputs),
        gains=tuple(name for name, *_ in make.gains),
        mean=mean,
        sd=sd,
        usual_size=usual,
        patterns=patterns,
    )


def _rings(make: _Maker, control: str) -> None:
    main = ("landing_x", "landing_y") if control == "purity_rings" else tuple(
        f"{'opp' if control == 'four_pole_rings' else 'com'}_{axis}_1" for axis in AXES
    )  # fmt: skip
    a, b = (make.input(control, "mm", *main, part=part) for part in ("x", "y"))
    if control == "purity_rings":
        make.vector((a, b), make.size(control, "landing"), (main[0], main[1]), control)
        make.vector((a, b), make.size(control, "shift"), ("shift_x_mm", "shift_y_mm"), f"{control} shift")
        for key in (a, b):
            make.each(key, make.size(control, "centre"), "opp_x_1", "opp_y_1", "com_x_1", "com_y_1")
        return
    make.vector((a, b), make.size(control, "centre"), (main[0], main[1]), control)
    # Beams don't sit quite evenly about the axis: a little of each pair's motion is not as it should be.
    for key in (a, b):
        make.each(key, 0.1 * make.size(control, "centre"), "opp_x_1", "opp_y_1", "com_x_1", "com_y_1")


def _tilt(make: _Maker, control: str) -> None:
    up = control == "yoke_tilt_vertical"
    key = make.input(control, "mm", "opp_x_v" if up else "opp_x_u", "opp_y_u" if up else "opp_y_v")
    size = make.size(control, "crossed" if up else "size")
    make.each(key, size, *make.inputs[-1].main)
    make.each(key, 0.15 * size, "opp_x_1", "opp_y_1", "com_x_1", "com_y_1")
    make.each(key, make.size(control, "landing"), "landing_x", "landing_y")


def _axial(make: _Maker, control: str) -> None:
    key = make.input(control, "mm", "landing_edge")
    make.each(key, make.size(control, "landing"), "landing_edge")
    size = make.size(control, "size")
    make.gain(f"{key}>size", size, [(key, "width_pct", 1.0), (key, "height_pct", 1.0)])
    make.each(key, make.size(control, "edge"), "opp_x_u", "opp_y_v", "com_x_u", "com_y_v", "opp_x_v", "opp_y_u")


def _rotation(make: _Maker, control: str) -> None:
    key = make.input(control, "deg", "rotation_deg")
    # Clockwise as seen from behind is against the clock for the viewer; that much is geometry.
    make.gain(f"{key}>rotation_deg", make.size(control, "rotation"), [(key, "rotation_deg", 1.0)], mean=-1.0)


def _screw(main: tuple[str, str], *others: tuple[str, str]) -> Callable[[_Maker, str], None]:
    """A control with one screw: main effect and what else it disturbs, each as the fact's name and the mode."""

    def build(make: _Maker, control: str) -> None:
        key = make.input(control, "turn", main[1])
        for what, mode in (main, *others):
            make.each(key, make.size(control, what), mode)

    return build


def _static(make: _Maker, control: str) -> None:
    """A magnet of a delta gun: red and green along their radials, 30 degrees from level, blue up and down."""
    gun = {"static_red": "red", "static_green": "green", "static_blue": "blue", "blue_lateral": "blue"}[control]
    along = {"static_red": -30.0, "static_green": 30.0, "static_blue": 90.0, "blue_lateral": 0.0}[control]
    x, y = math.cos(math.radians(along)), math.sin(math.radians(along))
    opp, com = {"red": (0.5, 0.5), "green": (0.0, -1.0), "blue": (-0.5, 0.5)}[gun]
    amounts = {"opp_x_1": opp * x, "com_x_1": com * x, "opp_y_1": opp * y, "com_y_1": com * y}
    main = {mode: amount for mode, amount in amounts.items() if abs(amount) > 1e-9}
    key = make.input(control, "turn", *main)
    size = make.size(control, "centre")
    make.gain(f"{key}>radial", size, [(key, mode, amount) for mode, amount in main.items()])
    make.each(key, 0.1 * size, *amounts)


def _dynamic(make: _Maker, control: str) -> None:
    """One adjuster per edge and kind of line: red and green together or apart, then blue."""
    for edge, (u, v) in EDGES.items():
        along, sign, square = ("u", u, "uu") if u else ("v", v, "vv")
        for lines, axis in (("upright", "x"), ("level", "y")):
            for gun, opp, com in (("red and green", 0.25, 0.75), ("blue", -0.5, 0.5)):
                # Red and green part by equal amounts: red half one way, green half the other.
                amounts = {f"opp_{axis}": opp, f"com_{axis}": com}
                pattern = {
                    f"{name}_{term}": amount * part
                    for name, amount in amounts.items()
                    for term, part in ((along, sign / 2 / ZONE_PLACE), (square, 0.5 / ZONE_PLACE**2))
                }
                key = make.input(control, "turn", *pattern, part=f"{gun}, {lines} lines, {edge}")
                size = make.size(control, "edge")
                make.gain(f"{key}>edge", size, [(key, mode, amount) for mode, amount in pattern.items()])
                make.each(key, make.size(control, "centre"), f"opp_{axis}_1", f"com_{axis}_1")


def _strips(make: _Maker, control: str) -> None:
    """A strip behind one corner: red and blue part there, in a direction that only trying tells."""
    for corner, (u, v) in CORNERS.items():
        # Full where the vector of its own zone stands, nothing at those of the others.
        at = ZONE_PLACE
        parts = {"uv": u * v / 4 / at**2, "uuv": v / 4 / at**3, "uvv": u / 4 / at**3, "uuvv": 0.25 / at**4}
        modes = tuple(f"opp_{axis}_{term}" for axis in AXES for term in parts)
        key = make.input(control, "cm", *modes, part=corner)
        for axis in AXES:
            pattern = [(key, f"opp_{axis}_{term}", part) for term, part in parts.items()]
            make.gain(f"{key}>{axis}", make.size(control, "corner"), pattern)


_BUILDERS: Final[Mapping[str, Callable[[_Maker, str], None]]] = {
    "four_pole_rings": _rings,
    "six_pole_rings": _rings,
    "purity_rings": _rings,
    "yoke_tilt_vertical": _tilt,
    "yoke_tilt_horizontal": _tilt,
    "yoke_axial": _axial,
    "yoke_rotation": _rotation,
    "h_size": _screw(("width", "width_pct"), ("linearity", "linearity_h_pct")),
    "v_size": _screw(("height", "height_pct"), ("linearity", "linearity_v_pct")),
    "h_position": _screw(("shift", "shift_x_mm")),
    "h_centring": _screw(("shift", "shift_x_mm")),
    "v_position": _screw(("shift", "shift_y_mm")),
    "v_linearity": _screw(("linearity", "linearity_v_pct"), ("height", "height_pct")),
    "h_linearity": _screw(("linearity", "linearity_h_pct"), ("width", "width_pct")),
    "pincushion": _screw(("bow", "side_bow_pct"), ("width", "width_pct")),
    "trapezoid": _screw(("trapezoid", "trapezoid_h_pct"), ("bow", "side_bow_pct")),
    "focus": _screw(("defocus", "defocus_mm")),
    "h_hold": _screw(("curl", "curl_mm"), ("shift", "shift_x_mm")),
    "static_red": _static,
    "static_green": _static,
    "static_blue": _static,
    "blue_lateral": _static,
    "dynamic_convergence": _dynamic,
    "convergence_strips": _strips,
}
TURNABLE: Final = frozenset(_BUILDERS)
