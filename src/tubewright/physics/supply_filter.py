"""What a reservoir and a resistor-capacitor stage behind it do to ripple, the value a wish needs, and the inrush."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, non_negative, numbers, positive
from tubewright.physics.bracket import zero_between
from tubewright.physics.rectifier import Rectifier, capacitor_input, rectifier_course
from tubewright.physics.supply_constants import SILICON_DROP_V


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FilteredOutput:
    """What is left behind a resistor and a capacitor: voltages at the load, and what the resistor costs."""

    mean_v: FloatArray
    min_v: FloatArray
    ripple_pp_v: FloatArray
    drop_v: FloatArray
    resistor_w: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Inrush:
    """The first pulse into an empty reservoir, at its worst: a ceiling, which the winding's leakage lowers.

    ``square_a2_s`` is the integral of the current's square, which diodes and fuses are rated for.
    """

    peak_a: FloatArray
    square_a2_s: FloatArray


def filtered_output(
    rectifier: Rectifier,
    *,
    filter_ohm: float,
    filter_f: ArrayLike,
    peak_v: float,
    mains_hz: float,
    reservoir_f: float,
    load_a: float,
    source_ohm: float = 0.0,
    esr_ohm: float = 0.0,
    diode_v: float = SILICON_DROP_V,
) -> FilteredOutput:
    """The output behind a series resistor and a second capacitor, under a constant current.

    Args:
        rectifier: As for :func:`~tubewright.physics.rectifier.capacitor_input`, and so what is not named here.
        filter_ohm: The resistor between reservoir and second capacitor, ohm, above zero.
        filter_f: The second capacitor, F; any shape.
        peak_v: V.
        mains_hz: Hz.
        reservoir_f: F.
        load_a: Constant current drawn behind the filter, A, above zero.
        source_ohm: ohm.
        esr_ohm: ohm.
        diode_v: V.

    Raises:
        ValueError: As there, or a resistor, a current or a second capacitor not above zero.

    Source: derived. To the reservoir the filter is its resistor up to a voltage that stands
    still; of the reservoir's ripple each harmonic is then divided by ``1 + j w R C``. That
    holds while the second capacitor's own ripple is a small part of the first's; with a quarter of
    it the figure is some 3 to 5 % too high (ngspice).

    >>> out = filtered_output("bridge", filter_ohm=100.0, filter_f=100e-6, peak_v=170.0, mains_hz=60.0,
    ...                       reservoir_f=100e-6, load_a=0.1, diode_v=0.0)
    >>> round(float(out.drop_v), 2), round(float(out.ripple_pp_v), 2)
    (10.0, 0.79)
    """
    ohm = positive("filter_ohm", filter_ohm)
    second = positive("filter_f", filter_f)[..., None]
    amps = positive("load_a", load_a)
    points = 512
    parts: dict[str, Any] = {
        "peak_v": peak_v,
        "mains_hz": mains_hz,
        "reservoir_f": reservoir_f,
        "source_ohm": source_ohm,
        "esr_ohm": esr_ohm,
        "diode_v": diode_v,
    }

    def excess(mean_v: FloatArray) -> FloatArray:
        """Mean at the reservoir less the one that its load was reckoned from."""
        state = capacitor_input(rectifier, load_a=amps - mean_v / ohm, load_ohm=ohm, **parts)
        return numbers(np.where(np.isnan(state.mean_v), -mean_v, state.mean_v - mean_v))

    if rectifier == "doubler":
        load: dict[str, Any] = {"load_a": amps}
    else:
        mean_v = zero_between(excess, amps * ohm / 100, peak_v)
        load = {"load_a": amps - mean_v / ohm, "load_ohm": ohm}
    course = rectifier_course(rectifier, points=points, **load, **parts).output_v
    turns = 2 * np.pi * mains_hz * np.arange(points // 2 + 1)
    behind = np.fft.irfft(np.fft.rfft(course) / (1 + 1j * turns * ohm * second), points, axis=-1)
    drop = ohm * amps
    return FilteredOutput(
        mean_v=answer(np.mean(behind, axis=-1) - drop),
        min_v=answer(np.min(behind, axis=-1) - drop),
        ripple_pp_v=answer(np.ptp(behind, axis=-1)),
        drop_v=answer(drop),
        resistor_w=answer(drop * amps),
    )


def reservoir_for_ripple_f(
    wanted_pp_v: ArrayLike,
    rectifier: Rectifier,
    *,
    peak_v: ArrayLike,
    mains_hz: ArrayLike,
    load_a: ArrayLike = 0.0,
    load_ohm: ArrayLike = np.inf,
    source_ohm: ArrayLike = 0.0,
    esr_ohm: ArrayLike = 0.0,
    diode_v: ArrayLike = SILICON_DROP_V,
) -> FloatArray:
    """The least reservoir whose ripple is no more than wanted, F.

    Args:
        wanted_pp_v: Peak to peak, V; any shape.
        rectifier: As for :func:`~tubewright.physics.rectifier.capacitor_input`, and so the rest.
        peak_v: V.
        mains_hz: Hz.
        load_a: A.
        load_ohm: ohm.
        source_ohm: ohm.
        esr_ohm: ohm.
        diode_v: V.

    Returns:
        Farads; NaN where no capacitor between 10 nF and 10 F does it, as when its series
        resistance alone makes more ripple, or when the supply can't carry the load.

    Raises:
        ValueError: As there, or a wanted ripple not above zero.

    Source: :func:`~tubewright.physics.rectifier.capacitor_input` turned round.

    >>> needed = reservoir_for_ripple_f(7.9741, "bridge", peak_v=170.0, mains_hz=60.0, load_a=0.5, diode_v=0.0)
    >>> round(float(needed) * 1e6, 1)
    470.0
    """
    wanted = positive("wanted_pp_v", wanted_pp_v)
    shape = np.broadcast_shapes(
        *(np.shape(part) for part in (wanted, peak_v, mains_hz, load_a, load_ohm, source_ohm, esr_ohm, diode_v))
    )

    def excess(decades: FloatArray) -> FloatArray:
        ripple = capacitor_input(
            rectifier,
            peak_v=peak_v,
            mains_hz=mains_hz,
            reservoir_f=10**decades,
            load_a=load_a,
            load_ohm=load_ohm,
            source_ohm=source_ohm,
            esr_ohm=esr_ohm,
            diode_v=diode_v,
        ).ripple_pp_v
        # An output that collapses has more ripple than anybody wants.
        return np.where(np.isnan(ripple), 10 * numbers(peak_v), ripple) - wanted

    found: FloatArray = 10 ** zero_between(excess, np.full(shape, -8), np.full(shape, 1))
    return answer(found)


def filter_for_ripple_f(
    ripple_pp_v: ArrayLike, wanted_pp_v: ArrayLike, ripple_hz: ArrayLike, filter_ohm: ArrayLike
) -> FloatArray:
    """The second capacitor that brings a ripple down to a wanted one behind a given resistor, F.

    Args:
        ripple_pp_v: Ripple on the reservoir, V peak to peak; any shape.
        wanted_pp_v: Wanted at the load, V peak to peak; broadcasts.
        ripple_hz: Hz; broadcasts.
        filter_ohm: ohm; broadcasts.

    Returns:
        Farads; zero where nothing is needed.

    Raises:
        ValueError: A ripple, frequency or resistance not above zero.

    Source: derived, as if all of the ripple were its lowest harmonic, which is the hardest to
    hold back: the true ripple comes out below what was wanted.

    >>> round(float(filter_for_ripple_f(8.0, 1.0, 120.0, 100.0)) * 1e6, 1)
    105.3
    """
    ratio = positive("ripple_pp_v", ripple_pp_v) / positive("wanted_pp_v", wanted_pp_v)
    turns = 2 * np.pi * positive("ripple_hz", ripple_hz) * positive("filter_ohm", filter_ohm)
    return answer(np.sqrt(np.maximum(ratio**2 - 1, 0)) / turns)


def inrush(
    peak_v: ArrayLike,
    reservoir_f: ArrayLike,
    source_ohm: ArrayLike,
    esr_ohm: ArrayLike = 0.0,
    *,
    diodes_v: ArrayLike = 0.0,
) -> Inrush:
    """The first pulse when the supply is switched on at a crest into an empty reservoir.

    Args:
        peak_v: Open-circuit peak, V; any shape.
        reservoir_f: F; broadcasts.
        source_ohm: Winding, surge resistor and diode slope, ohm; broadcasts.
        esr_ohm: Series resistance of the reservoir, ohm; broadcasts.
        diodes_v: Drop of all diodes in the path, V; broadcasts.

    Returns:
        Peak and square; infinite where no resistance is given.

    Raises:
        ValueError: A voltage or capacitance not above zero, a negative resistance or drop.

    Source: derived, a charged step into a resistor and a capacitor: ``V/R`` and ``C V^2 / 2R``. The mains
    does not stay at its crest, and a winding has leakage inductance, so both are ceilings.

    >>> first = inrush(325.0, 100e-6, 4.0)
    >>> round(float(first.peak_a), 2), round(float(first.square_a2_s), 3)
    (81.25, 1.32)
    """
    volts = np.maximum(positive("peak_v", peak_v) - non_negative("diodes_v", diodes_v), 0)
    ohm = non_negative("source_ohm", source_ohm) + non_negative("esr_ohm", esr_ohm)
    with np.errstate(divide="ignore"):
        return Inrush(
            peak_a=answer(volts / ohm),
            square_a2_s=answer(positive("reservoir_f", reservoir_f) * volts**2 / (2 * ohm)),
        )
