"""Figures of a loop: how quick, how well damped, how far it holds, what it lets through.

Natural frequency and damping are the textbook's, of the passive lead-lag network without
its shunt (source: F. M. Gardner, Phaselock Techniques, third edition 2005, chapter 2;
R. E. Best, Phase-Locked Loops, equation 3.13). What is let through is reckoned on the loop
as it is, one decision a line.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.physics._arrays import FloatArray
from tubewright.physics.afc.loop import moves
from tubewright.physics.afc.parts import (
    DRIVE,
    ONE,
    PHASE,
    V_S,
    AfcParts,
    Detector,
    PartArrays,
    equilibrium,
    output,
    side_by_side,
    wrapped,
)

CAPTURE_WITHIN_S: Final = 0.25
CAPTURE_STEPS: Final = 24
CAPTURE_PHASES: Final = 6
LOCKED_RAD: Final = 0.02


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoopFigures:
    """Figures of several loops, each (batch,).

    Attributes:
        natural_hz: Natural frequency, textbook.
        damping_ratio: Damping, textbook; 1 is critical.
        hold_hz: Free-running error up to which a locked loop stays locked, either way.
        static_us: Where the free-running error puts the picture, the oscillator early positive; NaN beyond hold.
        noise_bandwidth_hz: One-sided, of the loop as it is.
        jitter_ratio: RMS line jitter over RMS jitter of sync edges that are each off by themselves.
        sync_mains_db: How much of a sway of sync at mains rate the picture follows.
        sync_field_db: The same at field rate.
        oscillator_mains_db: How much of a sway of the oscillator itself at mains rate is left; more negative is
            better.
        ripple_db: How much of the detector's output at line rate reaches the oscillator.
        largest_pole_ratio: The slowest of the loop's motions, as what is left of it after one line; from 1 on
            the loop swings up by itself.
    """

    natural_hz: FloatArray
    damping_ratio: FloatArray
    hold_hz: FloatArray
    static_us: FloatArray
    noise_bandwidth_hz: FloatArray
    jitter_ratio: FloatArray
    sync_mains_db: FloatArray
    sync_field_db: FloatArray
    oscillator_mains_db: FloatArray
    ripple_db: FloatArray
    largest_pole_ratio: FloatArray


def natural_and_damping(parts: PartArrays) -> tuple[FloatArray, FloatArray]:
    """Natural frequency in hertz and damping ratio of the passive lead-lag loop, each (batch,)."""
    gain = parts.gain_rad_per_s
    lag = (parts.source_ohm + parts.damping_ohm) * parts.capacitor_f
    lead = parts.damping_ohm * parts.capacitor_f
    natural = np.sqrt(gain / lag)
    return np.asarray(natural / (2 * np.pi)), np.asarray(natural / 2 * (lead + 1 / gain))


def loop_figures(
    parts: Sequence[AfcParts],
    *,
    line_hz: float,
    field_hz: float,
    mains_hz: float,
    detector: Detector | None = None,
) -> LoopFigures:
    """The figures of loops at rest on plain lines.

    Args:
        parts: The loops.
        line_hz: Line rate.
        field_hz: Field rate.
        mains_hz: Mains frequency.
        detector: How their detectors behave.

    Raises:
        ValueError: A part that the circuit can't do with, or a rate that is not above zero.
    """
    if not (line_hz > 0 and field_hz > 0 and mains_hz > 0):
        raise ValueError("line, field and mains rate must be above zero")
    detector = detector or Detector()
    arrays = side_by_side(parts)
    natural, damping = natural_and_damping(arrays)
    error, _ = equilibrium(arrays, detector)
    slope = np.cos(error) if detector.characteristic == "sine" else np.ones_like(error)
    slope = np.where(np.isnan(slope), 1.0, slope)
    step = moves(arrays, 1e6 / line_hz).driven[2]
    drive = arrays.detector_v_per_rad * slope
    into = step[:, :3, DRIVE] * drive[:, None]
    line = step[:, :3, :3].copy()
    line[:, :, PHASE] -= into
    line[arrays.shunt_f == 0, V_S, V_S] = 0.0  # a state that isn't there stands still; it is no slow motion of the loop
    jitter = _jitter(line, into)

    def follows(hz: float) -> FloatArray:
        """Phase over sync's phase, complex."""
        turn = np.exp(2j * np.pi * hz / line_hz)
        solved = np.linalg.solve(turn * np.eye(3) - line, into[:, :, None].astype(complex))
        return np.asarray(solved[:, PHASE, 0])

    with np.errstate(divide="ignore"):
        return LoopFigures(
            natural_hz=natural,
            damping_ratio=damping,
            hold_hz=arrays.oscillator_hz_per_v * arrays.detector_v_per_rad * detector.most_ratio * arrays.steady_ratio,
            static_us=-error / (2 * np.pi) * 1e6 / line_hz,
            noise_bandwidth_hz=jitter**2 * line_hz / 2,
            jitter_ratio=jitter,
            sync_mains_db=_db(follows(mains_hz)),
            sync_field_db=_db(follows(field_hz)),
            oscillator_mains_db=_db(1 - follows(mains_hz)),
            ripple_db=_db(network(arrays, line_hz)),
            largest_pole_ratio=np.abs(np.linalg.eigvals(line)).max(axis=1),
        )


def network(parts: PartArrays, hz: float) -> FloatArray:
    """Node over detector at a frequency, complex, (batch,)."""
    turn = 2j * np.pi * hz
    branch = 1 / (parts.damping_ohm + 1 / (turn * parts.capacitor_f + 1 / parts.leak_ohm)) + turn * parts.shunt_f
    return np.asarray(1 / (1 + parts.source_ohm * branch))


def _db(ratio: FloatArray) -> FloatArray:
    return np.asarray(20 * np.log10(np.abs(ratio)))


def _jitter(line: FloatArray, into: FloatArray) -> FloatArray:
    """RMS phase over RMS sync phase, each edge off by itself: the state's variance solves a linear equation.

    NaN for a loop that swings up by itself.
    """
    size = len(line)
    squared = np.einsum("bij,bkl->bikjl", line, line).reshape(size, 9, 9)
    noise = np.einsum("bi,bk->bik", into, into).reshape(size, 9, 1)
    variance = np.linalg.solve(np.eye(9) - squared, noise)[:, 3 * PHASE + PHASE, 0]
    stable = np.abs(np.linalg.eigvals(line)).max(axis=1) < 1
    return np.sqrt(np.where(stable & (variance > 0), variance, np.nan))


def capture_hz(parts: AfcParts, *, line_hz: float, detector: Detector | None = None) -> float:
    """Free-running error up to which the loop locks by itself from any phase, within a quarter of a second.

    Found by trying: from an empty filter, at several phases, on plain lines. Never above the hold range.
    """
    detector = detector or Detector()
    hold = float(
        loop_figures([parts], line_hz=line_hz, field_hz=line_hz, mains_hz=line_hz, detector=detector).hold_hz[0]
    )
    low, high = 0.0, hold
    for _ in range(2):
        tried = np.linspace(low, high, CAPTURE_STEPS + 1)[1:]
        fails = ~_locks(parts, tried, line_hz, detector)
        first = int(np.argmax(fails)) if fails.any() else len(tried)
        if first == len(tried):
            return high
        high = float(tried[first])
        low = float(tried[first - 1]) if first else low
    return low


def _locks(parts: AfcParts, error_hz: FloatArray, line_hz: float, detector: Detector) -> NDArray[np.bool_]:
    """Whether each free-running error is caught from every phase tried, (errors,).

    All of them share one network, so that one matrix moves them all; the error in hertz stands in the row of ones.
    """
    arrays = side_by_side([replace(parts, free_run_error_hz=1.0)])
    step = moves(arrays, 1e6 / line_hz)
    driven, free = step.driven[2][0], step.free[2][0]
    begin = (np.arange(CAPTURE_PHASES) + 0.5) / CAPTURE_PHASES * 2 * np.pi
    state = np.zeros((5, len(error_hz) * len(begin)))
    state[PHASE], state[ONE] = np.tile(begin, len(error_hz)), np.repeat(error_hz, len(begin))
    rest = equilibrium(side_by_side([replace(parts, free_run_error_hz=float(e)) for e in error_hz]), detector)[0]
    target = np.repeat(rest, len(begin))
    lines = int(CAPTURE_WITHIN_S * line_hz)
    locked = np.ones(state.shape[1], dtype=bool)
    for line in range(lines):
        error = wrapped(-state[PHASE])
        volts = parts.detector_v_per_rad * output(detector.characteristic, error)
        if detector.gated:
            counts = np.abs(error) < np.pi / 2
            state[DRIVE] = np.where(counts, volts, 0.0)
            gone = free if detector.without_edge == "open" else driven
            state = np.where(counts, driven @ state, gone @ state)
        else:
            state[DRIVE] = volts
            state = driven @ state
        if line >= lines - lines // 20:
            locked &= np.abs(wrapped(-state[PHASE] - target)) < LOCKED_RAD
    return np.array(locked.reshape(len(error_hz), len(begin)).all(axis=1), dtype=bool)
