"""A capacitor-input rectifier in its steady state: valleys, crests, ripple, and the currents in its parts.

Between two mains crests the reservoir alone feeds the load; near each crest the diodes
conduct and fill it up again. Both phases are linear circuits with known solutions; what
has to be found is the two angles at which the one gives way to the other, such that a
cycle ends where it began. Nothing is simulated in time, and nothing is assumed small.

The diode is a switch with a constant drop, and its slope resistance counts with the
source. Mains is taken for a sine. A doubler is the one of two diodes and two capacitors in
series, each filled in its own half cycle; under a resistive load it is reckoned with the
mean of its load current, which is right while its ripple is a small part of its voltage.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, non_negative, numbers, positive
from tubewright.physics.bracket import zero_between
from tubewright.physics.supply_constants import SILICON_DROP_V

Rectifier = Literal["half_wave", "full_wave", "bridge", "doubler"]
"""One diode; two diodes on a winding with a middle tap; four; two diodes and two capacitors."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RectifierState:
    """The steady state of a rectifier, one value or an array of them for each figure.

    ``min_v``, ``max_v``, ``mean_v`` and the ripple are those of the output; ``open_v`` is
    what it rises to without a load. ``ripple_hz`` is how often the valleys come.
    ``turn_on_deg`` counts from the mains zero, ``conduction_deg`` is how long a diode
    conducts, of the 360 degrees of a mains cycle. ``pulse_peak_a`` is the peak through
    diode and winding, ``supply_rms_a`` what heats the winding (one half of a winding with a
    middle tap carries ``diode_rms_a``), ``diode_mean_a`` and ``diode_rms_a`` belong to one
    diode, ``capacitor_rms_a`` is the ripple current in one reservoir capacitor.
    ``diode_reverse_v`` is what a diode must hold off without a load. All are NaN where the
    supply can't carry the load.
    """

    min_v: FloatArray
    max_v: FloatArray
    mean_v: FloatArray
    ripple_pp_v: FloatArray
    ripple_rms_v: FloatArray
    open_v: FloatArray
    ripple_hz: FloatArray
    turn_on_deg: FloatArray
    conduction_deg: FloatArray
    load_mean_a: FloatArray
    pulse_peak_a: FloatArray
    supply_rms_a: FloatArray
    diode_mean_a: FloatArray
    diode_rms_a: FloatArray
    capacitor_rms_a: FloatArray
    diode_reverse_v: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RectifierCourse:
    """One mains cycle, from the zero before a positive crest: ``(..., points)`` each, but ``time_s`` ``(points,)``.

    ``feed_v`` is what the diodes would give without a reservoir, less their drop.
    """

    time_s: FloatArray
    output_v: FloatArray
    feed_v: FloatArray
    pulse_a: FloatArray


def diodes_in_path(rectifier: Rectifier) -> int:
    """How many diodes the charging current passes one after the other.

    >>> diodes_in_path("bridge")
    2
    """
    return 2 if rectifier == "bridge" else 1


def ripple_per_cycle(rectifier: Rectifier) -> int:
    """How many valleys the output has in a mains cycle.

    >>> ripple_per_cycle("half_wave")
    1
    """
    return 1 if rectifier == "half_wave" else 2


def first_order_ripple_v(load_a: ArrayLike, ripple_hz: ArrayLike, reservoir_f: ArrayLike) -> FloatArray:
    """The rule of thumb for ripple, peak to peak, V: as if the load emptied the reservoir all the time.

    Args:
        load_a: Direct current drawn, A; any shape.
        ripple_hz: Valleys per second, Hz; broadcasts.
        reservoir_f: Reservoir, F; broadcasts.

    Raises:
        ValueError: A negative current, a frequency or a capacitance not above zero.

    Source: charge balance, ``I / (n f C)``. Too high by a tenth for a stiff source and by a
    third for a soft one; :func:`capacitor_input` is right.

    >>> round(float(first_order_ripple_v(0.5, 120.0, 470e-6)), 4)
    8.8652
    """
    return answer(
        non_negative("load_a", load_a) / (positive("ripple_hz", ripple_hz) * positive("reservoir_f", reservoir_f))
    )


def capacitor_input(
    rectifier: Rectifier,
    *,
    peak_v: ArrayLike,
    mains_hz: ArrayLike,
    reservoir_f: ArrayLike,
    load_a: ArrayLike = 0.0,
    load_ohm: ArrayLike = np.inf,
    source_ohm: ArrayLike = 0.0,
    esr_ohm: ArrayLike = 0.0,
    diode_v: ArrayLike = SILICON_DROP_V,
) -> RectifierState:
    """The steady state of a capacitor-input rectifier under load.

    Args:
        rectifier: Which of the four.
        peak_v: Open-circuit peak of the winding (of one half of it, with a middle tap), V; any shape.
        mains_hz: Mains frequency, Hz; all that follow broadcast.
        reservoir_f: Reservoir, F; each of the two in a doubler.
        load_a: Constant current that the load draws, A, as a regulator does. Below zero beside a
            resistance it makes a load that draws only what stands above a fixed voltage.
        load_ohm: Resistance of a load beside it, ohm; infinite for none.
        source_ohm: Winding, reflected primary, surge resistor and diode slope, ohm.
        esr_ohm: Series resistance of the reservoir, ohm.
        diode_v: Drop of one diode, V.

    Returns:
        Its figures; NaN where the drop eats the crest, or where the load would pull the output
        (of a doubler: one of its capacitors) below zero.

    Raises:
        ValueError: A voltage, frequency or capacitance not above zero, a negative
            resistance, current or drop, or no load at all.

    Source: derived, the periodic solution of the two linear circuits; its angles to rounding.
    Held against ngspice in the tests.

    >>> state = capacitor_input("bridge", peak_v=170.0, mains_hz=60.0, reservoir_f=470e-6, load_a=0.5, diode_v=0.0)
    >>> round(float(state.min_v), 3), round(float(state.ripple_pp_v), 4)
    (162.026, 7.9741)
    """
    return _state(_solve(rectifier, peak_v, mains_hz, reservoir_f, load_a, load_ohm, source_ohm, esr_ohm, diode_v))


def rectifier_course(
    rectifier: Rectifier,
    *,
    peak_v: ArrayLike,
    mains_hz: float,
    reservoir_f: ArrayLike,
    load_a: ArrayLike = 0.0,
    load_ohm: ArrayLike = np.inf,
    source_ohm: ArrayLike = 0.0,
    esr_ohm: ArrayLike = 0.0,
    diode_v: ArrayLike = SILICON_DROP_V,
    points: int = 360,
) -> RectifierCourse:
    """The output and the diode's pulses over one mains cycle, at evenly spaced times.

    Args:
        rectifier: As for :func:`capacitor_input`, and so the rest; one mains frequency.
        peak_v: V.
        mains_hz: Hz.
        reservoir_f: F.
        load_a: A.
        load_ohm: ohm.
        source_ohm: ohm.
        esr_ohm: ohm.
        diode_v: V.
        points: How many times; the first is not repeated at the end.

    Raises:
        ValueError: As for :func:`capacitor_input`.

    >>> course = rectifier_course("bridge", peak_v=15.0, mains_hz=60.0, reservoir_f=1e-3, load_ohm=100.0, diode_v=0.0)
    >>> round(float(course.output_v.mean()), 2)
    14.49
    """
    solved = _solve(rectifier, peak_v, mains_hz, reservoir_f, load_a, load_ohm, source_ohm, esr_ohm, diode_v)
    angle = np.linspace(0, 2 * np.pi, points, endpoint=False)
    output, pulse, _ = _at(solved, angle)
    wave = np.sin(angle)
    hump = np.maximum(wave, 0) if solved.rectifier == "half_wave" else np.abs(wave)
    feed = np.maximum(solved.peak[..., None] * hump - solved.drop[..., None], 0)
    if solved.rectifier == "doubler":
        output = output + _at(solved, angle + np.pi)[0]
        pulse = pulse + _at(solved, angle + np.pi)[1]
    return RectifierCourse(
        time_s=answer(angle / (2 * np.pi * float(mains_hz))),
        output_v=answer(output),
        feed_v=answer(np.broadcast_to(feed, output.shape)),
        pulse_a=answer(pulse),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Solved:
    """The parts, all of one shape, and the angles of the periodic solution; time is counted in mains radians."""

    rectifier: Rectifier
    hz: FloatArray
    peak: FloatArray
    drop: FloatArray
    source: FloatArray
    esr: FloatArray
    siemens: FloatArray
    amps: FloatArray
    leak: FloatArray
    span: float
    on: FloatArray
    off: FloatArray


def _solve(
    rectifier: Rectifier,
    peak_v: ArrayLike,
    mains_hz: ArrayLike,
    reservoir_f: ArrayLike,
    load_a: ArrayLike,
    load_ohm: ArrayLike,
    source_ohm: ArrayLike,
    esr_ohm: ArrayLike,
    diode_v: ArrayLike,
) -> _Solved:
    hz = positive("mains_hz", mains_hz)
    siemens = 2 * np.pi * hz * positive("reservoir_f", reservoir_f)
    amps, leak = numbers(load_a), 1 / positive("load_ohm", load_ohm)
    if np.any((amps < 0) & (leak == 0)):
        raise ValueError("load_a must not be negative where no resistance stands beside it")
    if np.any((amps == 0) & (leak == 0)):
        raise ValueError("without a load there is no ripple: give load_a above zero or load_ohm below infinity")
    source, esr = non_negative("source_ohm", source_ohm), non_negative("esr_ohm", esr_ohm)
    # With no resistance at all the diode's current would jump; a millionth of what lies
    # behind it stands in for it and moves no voltage in the sixth place.
    least = 1 / (10**6 * (siemens + leak))
    source = source + np.where(source + esr < least, least, 0)
    drop = diodes_in_path(rectifier) * non_negative("diode_v", diode_v)
    parts = np.broadcast_arrays(hz, positive("peak_v", peak_v), drop, source, esr, siemens, amps, leak)
    hz, peak, drop, source, esr, siemens, amps, leak = (numbers(part) for part in parts)
    span = np.pi if rectifier in ("full_wave", "bridge") else 2 * np.pi

    def settled(amps: FloatArray, leak: FloatArray) -> _Solved:
        unknown = np.full(peak.shape, np.nan)
        trial = _Solved(
            rectifier=rectifier,
            hz=hz,
            peak=peak,
            drop=drop,
            source=source,
            esr=esr,
            siemens=siemens,
            amps=amps,
            leak=leak,
            span=span,
            on=unknown,
            off=unknown,
        )
        return _with_angles(trial)

    if rectifier != "doubler" or not np.any(leak > 0):
        return settled(amps, leak)

    def too_much(mean_a: FloatArray) -> FloatArray:
        """Current asked of the halves less what the load then takes; a collapsed output takes none."""
        mean_v = _state(settled(mean_a, 0 * leak)).mean_v
        return mean_a - amps - leak * np.where(np.isnan(mean_v), 0, mean_v)

    most = amps + leak * 2 * peak
    return settled(zero_between(too_much, amps + (most - amps) / 10**6, most), 0 * leak)


def _with_angles(s: _Solved) -> _Solved:
    """The angles at which the diode begins and ceases to conduct, such that a cycle closes."""

    def misfit(on: FloatArray) -> FloatArray:
        """Output when the diode conducts next, less what it was when it did so before."""
        off = _ceases(s, on)
        start = s.peak * np.sin(on) - s.drop
        return _discharged(s, s.peak * np.sin(off) - s.drop, s.span - (off - on)) - start

    with np.errstate(invalid="ignore"):
        lowest = np.arcsin(np.where(s.drop < s.peak, s.drop / s.peak, np.nan))
    on = zero_between(misfit, lowest, np.full(s.peak.shape, np.pi / 2))
    return replace(s, on=numbers(on), off=_ceases(s, numbers(on)))


def _ceases(s: _Solved, on: FloatArray) -> FloatArray:
    """The angle at which a conduction that began at ``on`` ends: after the crest, before the zero; else NaN."""
    current = _conducting(s, on)
    crest = np.full(on.shape, np.pi / 2)
    ends = zero_between(lambda angle: current(angle)[1], crest, np.full(on.shape, np.pi))
    # Begun at the very crest, it ends there. Where it doesn't end before the zero, the load is too much.
    return np.where(np.isnan(ends) & (current(crest)[1] <= 0), crest, ends)


def _conducting(s: _Solved, on: FloatArray) -> Callable[[FloatArray], tuple[FloatArray, FloatArray, FloatArray]]:
    """Output voltage, diode current and capacitor current at an angle, while the diode conducts since ``on``."""
    stiff = 1 + s.leak * s.source
    per_volt = 1 / (s.siemens * (s.source + s.esr * stiff))
    rate = per_volt * stiff
    across = s.drop + s.amps * s.source

    def forced(angle: FloatArray) -> FloatArray:
        swing = s.peak * (rate * np.sin(angle) - np.cos(angle)) / (rate**2 + 1)
        return per_volt * (swing - across / rate)

    begins = s.peak * np.sin(on) - s.drop
    left = begins * (1 + s.esr * s.leak) + s.esr * s.amps - forced(on)

    def at(angle: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        fading = left * np.exp(-rate * np.maximum(angle - on, 0))
        slope = per_volt * s.peak * (rate * np.cos(angle) + np.sin(angle)) / (rate**2 + 1)
        into = s.siemens * (slope - rate * fading)
        volts = fading + forced(angle) + s.esr * into
        return volts, into + s.amps + s.leak * volts, into

    return at


def _discharged(s: _Solved, volts: FloatArray, elapsed: FloatArray) -> FloatArray:
    """Output after the reservoir alone has fed the load for a while (in radians)."""
    holds = s.siemens * (1 + s.esr * s.leak)
    fades = s.leak * elapsed / holds
    with np.errstate(divide="ignore", invalid="ignore"):
        drawn = np.where(s.leak > 0, -np.expm1(-fades) / s.leak, elapsed / holds)
    return volts * np.exp(-fades) - s.amps * drawn


def _column(s: _Solved) -> _Solved:
    """The same with one more axis behind, along which angles may run."""
    names = (field.name for field in fields(s) if field.name not in ("rectifier", "span"))
    return replace(s, **{name: getattr(s, name)[..., None] for name in names})


def _at(s: _Solved, angle: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Output, diode current and capacitor current of one reservoir at angles along the last axis."""
    c = _column(s)
    since = np.mod(angle - c.on, c.span)
    lasts = c.off - c.on
    volts, pulse, into = _conducting(c, c.on)(c.on + np.minimum(since, lasts))
    idle = _discharged(c, c.peak * np.sin(c.off) - c.drop, np.maximum(since - lasts, 0))
    conducts = since <= lasts
    return (
        np.where(conducts, volts, idle),
        np.where(conducts, pulse, 0 * idle),
        np.where(conducts, into, -(c.amps + c.leak * idle)),
    )


def _state(s: _Solved) -> RectifierState:
    """All figures, by quadrature over the pieces between which nothing has a corner."""
    two = s.rectifier == "doubler"
    span = np.pi if s.rectifier != "half_wave" else 2 * np.pi
    # Right after the start the current may rise within a sliver of the conduction.
    stiff = 1 + s.leak * s.source
    sliver = np.minimum(16 * s.siemens * (s.source / stiff + s.esr), (s.off - s.on) / 2)
    edges = (s.on, s.on + sliver, s.off, s.on + span)
    node, weight = np.polynomial.legendre.leggauss(40)
    angles, shares = [], []
    for low, high in itertools.pairwise(edges):
        half = ((high - low) / 2)[..., None]
        angles.append(((high + low) / 2)[..., None] + half * node)
        shares.append(half * weight / span)
    angle, share = np.concatenate(angles, axis=-1), np.concatenate(shares, axis=-1)
    volts, pulse, into = _at(s, angle)
    start = s.peak * np.sin(s.on) - s.drop
    steps = np.linspace(0, 1, 300)
    fine = np.concatenate(
        [low[..., None] + (high - low)[..., None] * steps for low, high in itertools.pairwise(edges[:3])], axis=-1
    )
    crest_v, crest_a, _ = _at(s, fine)
    supply_square = np.sum(pulse**2 * share, axis=-1)
    capacitor_square = np.sum(into**2 * share, axis=-1)
    if two:
        other, _, other_into = _at(s, angle + np.pi)
        volts = volts + other
        crest_v = crest_v + _at(s, fine + np.pi)[0]
        start = start + _at(s, (s.on + np.pi)[..., None])[0][..., 0]
        # Over half a cycle the one capacitor fills while the other only gives.
        capacitor_square = (capacitor_square + np.sum(other_into**2 * share, axis=-1)) / 2
    mean = np.sum(volts * share, axis=-1)
    top = np.max(crest_v, axis=-1)
    load = s.amps + s.leak * mean
    per_diode = 1 if s.rectifier == "half_wave" else 2
    open_v = (2 if two else 1) * (s.peak - s.drop)
    lost = np.isnan(s.on)
    return RectifierState(
        min_v=answer(start),
        max_v=answer(top),
        mean_v=answer(mean),
        ripple_pp_v=answer(top - start),
        ripple_rms_v=answer(np.sqrt(np.sum((volts - mean[..., None]) ** 2 * share, axis=-1))),
        open_v=answer(np.where(lost, np.nan, open_v)),
        ripple_hz=answer(ripple_per_cycle(s.rectifier) * s.hz),
        turn_on_deg=answer(np.degrees(s.on)),
        conduction_deg=answer(np.degrees(s.off - s.on)),
        load_mean_a=answer(np.where(lost, np.nan, load)),
        pulse_peak_a=answer(np.max(crest_a, axis=-1)),
        supply_rms_a=answer(np.sqrt(supply_square)),
        diode_mean_a=answer(np.where(lost, np.nan, load / (1 if two else per_diode))),
        diode_rms_a=answer(np.sqrt(supply_square / per_diode)),
        capacitor_rms_a=answer(np.sqrt(capacitor_square)),
        diode_reverse_v=answer((1 if s.rectifier == "bridge" else 2) * s.peak),
    )
