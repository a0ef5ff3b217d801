"""The heater's supply: true RMS of its pulses, and the resistor or turns for a target.

Many heaters are fed with pulses from a winding on the line output transformer. Only
the true RMS value says how hot they get; an ordinary AC meter averages, has been
scaled for sines, and reads such pulses a quarter or more too low. A heater set by
it runs too hot.

The numbers here are for planning. A winding there sits beside thousands of volts:
fit or change it only unplugged, with tube and reservoir proven discharged, with
insulation made for it, and within the reach of your licence and local codes.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, non_negative, numbers, positive
from tubewright.physics.constants import RESISTOR_RATING_FACTOR, SINE_FORM_FACTOR

PulseShape = Literal["rectangle", "half_sine", "triangle"]
"""One pulse per period, zero between. A ramp counts as a triangle: the figures are the same."""


def rms(samples: ArrayLike, times_s: ArrayLike | None = None, *, ac_coupled: bool = False) -> FloatArray:
    """True RMS of a sampled waveform, along the last axis.

    Args:
        samples: ``(..., n)``, at least two, spanning whole periods: the last sample is
            the first of the next period again.
        times_s: ``(n,)``, rising; evenly spaced if left out.
        ac_coupled: Take the mean away first, as a transformer or a coupling capacitor does.

    Returns:
        ``(...)``, in the unit of the samples. NaN where a sample is NaN.

    Raises:
        ValueError: Fewer than two samples, or times that don't rise or don't fit.

    Source: definition; trapezoid rule. Take 30 or more samples in the pulse itself.

    >>> round(float(rms([0.0, 0.0, 1.0, 1.0, 0.0], [0.0, 3.0, 3.0000001, 4.0, 4.0000001])), 4)
    0.5
    """
    values = numbers(samples)
    if values.ndim == 0 or values.shape[-1] < 2:
        raise ValueError("samples must hold at least two values along the last axis")
    times = np.arange(values.shape[-1], dtype=np.float64) if times_s is None else numbers(times_s)
    if times.shape != values.shape[-1:]:
        raise ValueError(f"times_s must have the shape {values.shape[-1:]}, got {times.shape}")
    if not np.all(np.diff(times) > 0):
        raise ValueError("times_s must rise from sample to sample")
    span = times[-1] - times[0]
    if ac_coupled:
        values = values - (np.trapezoid(values, times, axis=-1) / span)[..., None]
    return answer(np.sqrt(np.trapezoid(values**2, times, axis=-1) / span))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PulseTrain:
    """The figures of a described pulse train.

    ``height_v`` counts from the level between the pulses to the peak, whatever the
    coupling. ``rms_v`` is what heats, ``mean_v`` what a DC meter shows, and
    ``average_meter_v`` what an AC meter shows that averages, blocks DC and was scaled
    for sines.
    """

    height_v: FloatArray
    duty: FloatArray
    rms_v: FloatArray
    mean_v: FloatArray
    average_meter_v: FloatArray


def _duty(width_s: ArrayLike, period_s: ArrayLike) -> FloatArray:
    duty = positive("width_s", width_s) / positive("period_s", period_s)
    if np.any(duty > 1):
        raise ValueError("width_s must not exceed period_s")
    return duty


def _per_height(shape: PulseShape, duty: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean, mean square and mean departure from the mean, for pulses of height 1."""
    if shape == "rectangle":
        return duty, duty, 2 * duty * (1 - duty)
    if shape == "triangle":
        mean = duty / 2
        return mean, duty / 3, duty * (1 - mean) ** 2
    mean = 2 * duty / np.pi
    # Above the mean from the angle asin(mean) to its mirror; twice that area per period.
    departure = 2 * duty / np.pi * (2 * np.sqrt(1 - mean**2) - mean * (np.pi - 2 * np.arcsin(mean)))
    return mean, duty / 2, departure


def pulse_train(
    shape: PulseShape, height_v: ArrayLike, width_s: ArrayLike, period_s: ArrayLike, *, ac_coupled: bool
) -> PulseTrain:
    """RMS, mean and meter reading of a train of pulses.

    Args:
        shape: Of one pulse; a flyback pulse is close to a half sine.
        height_v: From the level between pulses to the peak (the peak-to-peak on a
            scope), V; any shape.
        width_s: Width at the foot, s; broadcasts.
        period_s: Of repetition (one line for a flyback), s; broadcasts.
        ac_coupled: True for a transformer winding, whose mean is zero; False where the
            pulses stand on ground, as behind a diode.

    Raises:
        ValueError: A negative height, or a width that is not above zero and within the period.

    Source: derivation.

    >>> winding = pulse_train("half_sine", 22.28, 12e-6, 63.556e-6, ac_coupled=True)
    >>> round(float(winding.rms_v), 2), round(float(winding.average_meter_v), 2)
    (6.3, 4.87)
    """
    height = non_negative("height_v", height_v)
    duty = _duty(width_s, period_s)
    mean, square, departure = _per_height(shape, duty)
    heating = np.sqrt(square - mean**2) if ac_coupled else np.sqrt(square)
    return PulseTrain(
        height_v=answer(height),
        duty=answer(duty),
        rms_v=answer(height * heating),
        mean_v=answer(height * (0.0 * mean if ac_coupled else mean)),
        average_meter_v=answer(SINE_FORM_FACTOR * height * departure),
    )


def pulse_height_for_rms_v(
    target_rms_v: ArrayLike, shape: PulseShape, width_s: ArrayLike, period_s: ArrayLike, *, ac_coupled: bool
) -> FloatArray:
    """The pulse height, foot to peak, that gives a true RMS voltage, V.

    Args:
        target_rms_v: Wanted, V true RMS; any shape.
        shape: As for :func:`pulse_train`, and so the rest.
        width_s: Width at the foot, s.
        period_s: Of repetition, s.
        ac_coupled: True for a transformer winding.

    Returns:
        Volts; infinite where no height would do (a winding held up for the whole period).

    Raises:
        ValueError: A negative target, or a width that is not above zero and within the period.

    Source: derivation.

    >>> round(float(pulse_height_for_rms_v(6.3, "half_sine", 12e-6, 63.5556e-6, ac_coupled=False)), 4)
    20.5042
    """
    target = non_negative("target_rms_v", target_rms_v)
    unit = pulse_train(shape, 1.0, width_s, period_s, ac_coupled=ac_coupled).rms_v
    with np.errstate(divide="ignore", invalid="ignore"):
        return answer(target / unit)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeriesResistor:
    """A dropping resistor: its value, its heat, and the rating to choose."""

    resistance_ohm: FloatArray
    dissipation_w: FloatArray
    rating_w: FloatArray


def series_resistor(source_rms_v: ArrayLike, target_rms_v: ArrayLike, current_a: ArrayLike) -> SeriesResistor:
    """The resistor that brings a supply down to a heater's voltage.

    Args:
        source_rms_v: Supply under this load, V true RMS; any shape.
        target_rms_v: Wanted at the heater, V true RMS; broadcasts.
        current_a: What the heater draws **at the target voltage**, A true RMS; broadcasts.

    Raises:
        ValueError: A source below the target, or a target or current not above zero.

    Source: Ohm's law; the rating is twice the heat, common practice. Use a flameproof
    part, stood off the board.

    >>> drop = series_resistor(7.4, 6.3, 0.6)
    >>> round(float(drop.resistance_ohm), 2), round(float(drop.dissipation_w), 2)
    (1.83, 0.66)
    """
    target, current = positive("target_rms_v", target_rms_v), positive("current_a", current_a)
    surplus = non_negative("source_rms_v", source_rms_v) - target
    if np.any(surplus < 0):
        raise ValueError("source_rms_v is below target_rms_v: no resistor raises a voltage")
    heat = surplus * current
    return SeriesResistor(
        resistance_ohm=answer(surplus / current),
        dissipation_w=answer(heat),
        rating_w=answer(RESISTOR_RATING_FACTOR * heat),
    )


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Turns:
    """A winding for a target: the exact number, the whole one to wind, and what it gives.

    ``whole_turns`` is the most that stay at or below the target, so that the first
    trial is never too hot; ``short_by_v`` is what is then missing.
    """

    volts_per_turn: FloatArray
    exact_turns: FloatArray
    whole_turns: FloatArray
    whole_turns_v: FloatArray
    short_by_v: FloatArray


def turns_for_target(target_rms_v: ArrayLike, trial_rms_v: ArrayLike, trial_turns: ArrayLike) -> Turns:
    """How many turns give a voltage, from a trial winding measured on the same core.

    Args:
        target_rms_v: Wanted, V true RMS; any shape.
        trial_rms_v: Measured on the trial winding, V true RMS; broadcasts. Measure it with
            about the load it will carry: open, a winding reads high.
        trial_turns: Turns of that trial winding; broadcasts.

    Raises:
        ValueError: A negative target, or a trial not above zero.

    Source: derivation; every turn embraces the same flux.

    >>> winding = turns_for_target(6.3, 4.2, 3)
    >>> round(float(winding.exact_turns), 3), round(float(winding.whole_turns_v), 3)
    (4.5, 5.6)
    """
    target = non_negative("target_rms_v", target_rms_v)
    per_turn = positive("trial_rms_v", trial_rms_v) / positive("trial_turns", trial_turns)
    exact = target / per_turn
    # A target met by a whole number but for rounding must not lose a turn.
    nearest = np.round(exact)
    whole = np.where(np.isclose(exact, nearest, rtol=1e-9, atol=0), nearest, np.floor(exact))
    return Turns(
        volts_per_turn=answer(per_turn),
        exact_turns=answer(exact),
        whole_turns=answer(whole),
        whole_turns_v=answer(whole * per_turn),
        short_by_v=answer(np.maximum(target - whole * per_turn, 0.0)),
    )
