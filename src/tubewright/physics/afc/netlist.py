"""The same loop as a netlist for a circuit simulator of the SPICE family, to check one by the other.

The netlist shares no arithmetic with :mod:`tubewright.physics.afc.loop`: the detector is
a reference waveform made from the oscillator's phase, sampled by a switch at the true
time of each edge; the oscillator is an integrator; the network is its parts.
"""

from __future__ import annotations

from itertools import pairwise
from typing import Final

import numpy as np

from tubewright.physics.afc.parts import V_C, V_S, AfcParts, Detector, equilibrium, side_by_side
from tubewright.physics.afc.source import SyncSource, pulse_train

GATE_US: Final = 0.4
RAMP_US: Final = 0.002
SAME_RATIO: Final = 0.02
STEP_US: Final = 8.0
OUT: Final = "phase.txt"
"""The file that the analysis writes: time in seconds and phase in radians of a line, by columns."""


def netlist(parts: AfcParts, source: SyncSource, detector: Detector | None = None, *, lines: int | None = None) -> str:
    """One field of a loop, from rest on plain lines, as text for ``ngspice -b``.

    The analysis writes the phase of the oscillator in radians of a line against time, to
    :data:`OUT`; line number n of the field begins at n + 1 lines. The separator's coupling
    and detectors that weigh whole pulses are left out.

    Args:
        parts: The loop.
        source: What is sent to it.
        detector: How its detector behaves.
        lines: How many lines; one field unless given.

    Raises:
        ValueError: The loop can't hold its free-running error, or a part the circuit can't do with.
    """
    detector = detector or Detector()
    arrays = side_by_side([parts])
    error, state = equilibrium(arrays, detector)
    if not np.isfinite(error[0]):
        raise ValueError("the loop can't hold its free-running error")
    train = pulse_train(source)
    line_us = source.line_us
    count = lines or source.half_lines // 2
    edges = [
        float(slot * line_us / 2 + train.delay_us[slot])
        for slot in np.flatnonzero(train.present)
        if slot < 2 * count and not (detector.gated and slot % 2)
    ]
    # The first edge at time 0 can't be sampled before it, so all is moved on by one line.
    edges = [0.0, *(edge + line_us for edge in edges)]
    quiet = _quiet(edges, line_us, (count + 1) * line_us)
    turn = f"({2 * np.pi * source.line_hz:.12g}*time + v(phi))"
    shape = {
        "triangle": f"asin(sin(-{turn}))",
        "sine": f"sin(-{turn})",
        "sawtooth": f"2*atan(tan(-{turn}/2))",
    }[detector.characteristic]
    held = float(-state[0, 2] * parts.detector_v_per_rad) if detector.characteristic != "sine" else float(state[0, 3])
    rows = [
        "* horizontal AFC loop, one field",
        f"Bref ref 0 V = {parts.detector_v_per_rad:.12g}*{shape}",
        _waveform("Vgate gate 0", [(e - GATE_US, e) for e in edges[1:]]),
        _waveform("Vquiet quiet 0", quiet),
        "Sgate ref hold gate 0 sampling",
        ".model sampling sw vt=0.5 vh=0 ron=1 roff=1e12",
        "Chold hold 0 1n",
        "Bdet det 0 V = v(quiet) > 0.5 ? 0 : v(hold)" if detector.without_edge == "rest" else "Bdet det 0 V = v(hold)",
    ]
    if detector.without_edge == "open":
        rows += ["Sopen det out go 0 letting", ".model letting sw vt=0.5 vh=0 ron=1m roff=1e12"]
        rows += ["Bgo go 0 V = 1 - v(quiet)"]
    else:
        rows += ["Vout det out 0"]
    rows += [
        f"Rsource out node {parts.detector_ohm + parts.series_ohm:.12g}",
        f"Rdamp node cap {parts.damping_ohm:.12g}",
        f"Cbig cap 0 {parts.capacitor_uf:.12g}u",
    ]
    initial = [f"v(cap)={state[0, V_C]:.12g}", f"v(hold)={held:.12g}", f"v(phi)={state[0, 2]:.12g}"]
    if parts.shunt_nf > 0:
        rows.append(f"Cshunt node 0 {parts.shunt_nf:.12g}n")
        initial.append(f"v(node)={state[0, V_S]:.12g}")
    if np.isfinite(parts.capacitor_leak_ohm):
        rows.append(f"Rleak cap 0 {parts.capacitor_leak_ohm:.12g}")
    per_hz = 2 * np.pi
    rows += [
        f"Bosc 0 phi I = {per_hz:.15g}*({parts.free_run_error_hz:.12g} + {parts.oscillator_hz_per_v:.12g}*v(node))",
        "Cphi phi 0 1",
        f".ic {' '.join(initial)}",
        ".options reltol=1e-5 abstol=1e-12 vntol=1e-8 method=trap",
        ".control",
        f"tran {STEP_US}u {(count + 1) * line_us:.9g}u 0 {STEP_US}u uic",
        f"wrdata {OUT} v(phi)",
        "quit",
        ".endc",
        ".end",
    ]
    return "\n".join(rows) + "\n"


def _quiet(edges: list[float], line_us: float, end_us: float) -> list[tuple[float, float]]:
    """When a line's time has gone by without an edge, each from when to when, microseconds."""
    return [
        (edge + line_us, after)
        for edge, after in pairwise([*edges, end_us + line_us])
        if after - edge > line_us * (1 + SAME_RATIO)
    ]


def _waveform(name: str, pulses: list[tuple[float, float]]) -> str:
    """A source that is 1 V during each pulse (from, to; microseconds) and 0 V between."""
    points = ["0 0"]
    for start, stop in pulses:
        points += [f"{start - RAMP_US:.9g}u 0", f"{start + RAMP_US:.9g}u 1"]
        points += [f"{stop - RAMP_US:.9g}u 1", f"{stop + RAMP_US:.9g}u 0"]
    lines = [f"{name} PWL({points[0]}"]
    lines += [f"+ {' '.join(points[k : k + 8])}" for k in range(1, len(points), 8)]
    return "\n".join([*lines, "+ )"])
