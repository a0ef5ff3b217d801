"""The parts of the loop, and how its network moves on over a piece of time.

The detector stands behind its own resistance and a series resistor at a node; from the
node to ground, the damping resistor in series with the capacitor, and beside both the
shunt capacitor. The node's voltage steers the oscillator. Between two decisions of the
detector the network is linear with constant coefficients, so it moves on exactly, by a
matrix exponential.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Final, Literal, TypeAlias, get_args

import numpy as np

from tubewright.physics._arrays import FloatArray

Characteristic: TypeAlias = Literal["triangle", "sawtooth", "sine"]
"""The detector's output over the phase between sync and flyback.

``triangle`` rises to a quarter turn either way and falls back to nothing at half a turn;
``sawtooth`` rises to half a turn and jumps; ``sine`` as it says. All rise by 1 a radian
in the middle.
"""

WithoutEdge: TypeAlias = Literal["rest", "open"]
"""What the detector does on a line without an edge: ``rest`` gives nothing through its
own resistance, so that the filter runs down through it; ``open`` lets go, so that the
filter holds but for its leakage."""

CHARACTERISTICS: Final[tuple[Characteristic, ...]] = get_args(Characteristic)
WITHOUT_EDGE: Final[tuple[WithoutEdge, ...]] = get_args(WithoutEdge)

FLYBACK_US: Final = 12.0
TAYLOR_TERMS: Final = 14

V_C, V_S, PHASE, DRIVE, ONE = range(5)
"""Rows of the state: volts on the capacitor, volts on the node's shunt, phase of the oscillator against the
line rate in radians, the detector's output in volts, and 1."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AfcParts:
    """A loop as its parts.

    Attributes:
        detector_v_per_rad: Slope of the detector around lock.
        detector_ohm: Its output resistance.
        series_ohm: From the detector to the node.
        damping_ohm: In series with the capacitor.
        capacitor_uf: The big one.
        shunt_nf: Beside damping resistor and capacitor; 0 for none.
        oscillator_hz_per_v: How far the node's voltage steers the oscillator.
        free_run_error_hz: How far the oscillator runs from the line rate when nothing steers it, positive when fast.
        coupling_uf: At the sync separator's input; infinite where it plays no part.
        leak_ohm: The resistor with it.
        capacitor_leak_ohm: Across the big capacitor, as of an aged electrolytic; infinite for a sound one.
    """

    detector_v_per_rad: float
    detector_ohm: float = 0.0
    series_ohm: float
    damping_ohm: float
    capacitor_uf: float
    shunt_nf: float = 0.0
    oscillator_hz_per_v: float
    free_run_error_hz: float = 0.0
    coupling_uf: float = np.inf
    leak_ohm: float = np.inf
    capacitor_leak_ohm: float = np.inf


@dataclass(frozen=True, slots=True, kw_only=True)
class Detector:
    """How a loop's detector behaves.

    Attributes:
        characteristic: Its output over phase.
        gated: Whether only edges within a quarter line of the flyback count.
        without_edge: What it does on a line without an edge.
        takes_pulse: Whether it weighs the whole pulse (as far as the flyback lasts) rather than its first edge,
            so that pulses of another width shift it.
        flyback_us: Width of the flyback pulse.
    """

    characteristic: Characteristic = "triangle"
    gated: bool = False
    without_edge: WithoutEdge = "rest"
    takes_pulse: bool = False
    flyback_us: float = FLYBACK_US

    @property
    def limit_rad(self) -> float:
        """How far out lines may be taken many at a time: the end of the slope, for a sine its top."""
        return np.pi if self.characteristic == "sawtooth" else np.pi / 2

    @property
    def most_ratio(self) -> float:
        """Its largest output over its slope, in radians."""
        return {"triangle": np.pi / 2, "sawtooth": np.pi, "sine": 1.0}[self.characteristic]


def output(characteristic: Characteristic, error_rad: FloatArray) -> FloatArray:
    """A detector's output over its slope, at phase errors of any size."""
    turn = wrapped(error_rad)
    if characteristic == "sine":
        return np.asarray(np.sin(turn))
    if characteristic == "sawtooth":
        return turn
    return np.asarray(np.where(np.abs(turn) <= np.pi / 2, turn, np.sign(turn) * np.pi - turn))


def wrapped(angle_rad: FloatArray) -> FloatArray:
    """An angle as the nearest turn has it, from -π to π."""
    return np.asarray(angle_rad - 2 * np.pi * np.round(angle_rad / (2 * np.pi)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PartArrays:
    """The parts of several loops side by side, each (batch,), in ohms, farads, volts and hertz."""

    detector_v_per_rad: FloatArray
    source_ohm: FloatArray
    damping_ohm: FloatArray
    capacitor_f: FloatArray
    shunt_f: FloatArray
    oscillator_hz_per_v: FloatArray
    free_run_error_hz: FloatArray
    coupling_s: FloatArray
    leak_ohm: FloatArray

    @property
    def gain_rad_per_s(self) -> FloatArray:
        """Detector times oscillator, as the textbooks' K, without what a leak takes."""
        return np.asarray(2 * np.pi * self.detector_v_per_rad * self.oscillator_hz_per_v)

    @property
    def steady_ratio(self) -> FloatArray:
        """Node over detector when nothing changes: 1 but for a leaky capacitor."""
        total = self.source_ohm + self.damping_ohm
        with np.errstate(invalid="ignore"):
            leaky = (self.damping_ohm + self.leak_ohm) / (total + self.leak_ohm)
        return np.asarray(np.where(np.isinf(self.leak_ohm), 1.0, leaky))


def side_by_side(parts: Sequence[AfcParts]) -> PartArrays:
    """Several loops as arrays.

    Raises:
        ValueError: No loop at all, or a part that is zero, negative or no number where the circuit can't do with it.
    """
    if not parts:
        raise ValueError("there is no loop to reckon with")
    named = {field.name: np.array([getattr(p, field.name) for p in parts], np.float64) for field in fields(AfcParts)}
    for name, values in named.items():
        may_be_zero = name in {"detector_ohm", "shunt_nf"}
        if name == "free_run_error_hz":
            bad = ~np.isfinite(values)
        elif name in {"coupling_uf", "leak_ohm", "capacitor_leak_ohm"}:
            bad = ~(values > 0)
        else:
            bad = ~np.isfinite(values) | (values < 0 if may_be_zero else values <= 0)
        if np.any(bad):
            raise ValueError(f"{name} must be {'zero or more' if may_be_zero else 'a number above zero'}")
    return PartArrays(
        detector_v_per_rad=named["detector_v_per_rad"],
        source_ohm=named["detector_ohm"] + named["series_ohm"],
        damping_ohm=named["damping_ohm"],
        capacitor_f=named["capacitor_uf"] * 1e-6,
        shunt_f=named["shunt_nf"] * 1e-9,
        oscillator_hz_per_v=named["oscillator_hz_per_v"],
        free_run_error_hz=named["free_run_error_hz"],
        coupling_s=named["coupling_uf"] * 1e-6 * named["leak_ohm"],
        leak_ohm=named["capacitor_leak_ohm"],
    )


def rates(parts: PartArrays, *, driven: bool) -> FloatArray:
    """How fast each row of the state changes with every other, (batch, 5, 5), per second.

    Args:
        parts: The loops.
        driven: Whether the detector drives the node, or has let go.
    """
    size = len(parts.source_ohm)
    found = np.zeros((size, 5, 5))
    source = (1 / parts.source_ohm) if driven else np.zeros(size)
    damping = 1 / parts.damping_ohm
    shunted = parts.shunt_f > 0
    # The node's voltage as a sum of rows: a state of its own with a shunt, else what the resistors divide.
    node = np.zeros((size, 5))
    node[:, V_S] = shunted
    node[:, V_C] = np.where(shunted, 0.0, damping / (source + damping))
    node[:, DRIVE] = np.where(shunted, 0.0, source / (source + damping))
    found[:, V_C] = node * (damping / parts.capacitor_f)[:, None]
    found[:, V_C, V_C] -= (damping + 1 / parts.leak_ohm) / parts.capacitor_f
    with np.errstate(divide="ignore"):
        per_farad = np.where(shunted, 1 / parts.shunt_f, 0.0)
    found[:, V_S, V_C] = damping * per_farad
    found[:, V_S, DRIVE] = source * per_farad
    found[:, V_S, V_S] = -(source + damping) * per_farad
    found[:, PHASE] = node * (2 * np.pi * parts.oscillator_hz_per_v)[:, None]
    found[:, PHASE, ONE] = 2 * np.pi * parts.free_run_error_hz
    return found


def exponential(matrices: FloatArray) -> FloatArray:
    """The exponential of square matrices, (batch, n, n), by scaling, a Taylor series, and squaring.

    Source: Golub and Van Loan, Matrix Computations, section 9.3; plain Taylor is enough below a norm of a half.
    """
    norm = np.max(np.abs(matrices).sum(axis=2), initial=0.0)
    squarings = max(0, int(np.ceil(np.log2(max(norm, 1e-9)))) + 1)
    small = matrices / 2**squarings
    term = np.broadcast_to(np.eye(matrices.shape[-1]), matrices.shape)
    found = term.copy()
    for k in range(1, TAYLOR_TERMS + 1):
        term = term @ small / k
        found += term
    for _ in range(squarings):
        found = found @ found
    return found


def equilibrium(parts: PartArrays, detector: Detector) -> tuple[FloatArray, FloatArray]:
    """Where a locked loop comes to rest on an endless row of line pulses.

    Returns:
        The phase error there in radians, (batch,), NaN where the loop can't hold; and the
        state, (batch, 5), with the phase that this error stands for (sync at 0).
    """
    wanted_v = -parts.free_run_error_hz / parts.oscillator_hz_per_v / parts.steady_ratio
    over_slope = wanted_v / parts.detector_v_per_rad
    with np.errstate(invalid="ignore"):
        error = np.arcsin(over_slope) if detector.characteristic == "sine" else over_slope
        error = np.where(np.abs(over_slope) < detector.most_ratio, error, np.nan)
    state = np.zeros((len(error), 5))
    node = wanted_v * parts.steady_ratio
    with np.errstate(invalid="ignore"):
        held = np.where(np.isinf(parts.leak_ohm), node, node * parts.leak_ohm / (parts.leak_ohm + parts.damping_ohm))
    state[:, V_C], state[:, V_S] = held, np.where(parts.shunt_f > 0, node, 0.0)
    state[:, PHASE], state[:, DRIVE], state[:, ONE] = -error, wanted_v, 1.0
    return error, state
