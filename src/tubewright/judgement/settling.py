"""Will a treatment hold? From readings over minutes to the value at rest, and how long to wait for a surer word.

The logarithm of the reading is a level, a change that follows one of several laws
(:mod:`tubewright.judgement.settling_laws`), a slow wander that no simple law covers,
and the scatter of reading it. All of these are normal once a law and its times are
fixed, so each law's chance and its forecast follow in closed form (marginal
likelihood; the small number of readings is allowed for exactly, with no correction to
choose). The answer is the average over all of them: no law is picked.
Source: Rasmussen and Williams, Gaussian Processes for Machine Learning (2006), 2.2 and 2.3.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np

from tubewright.judgement.learning import normal_cdf
from tubewright.judgement.settling_laws import LAWS, Array, LawId
from tubewright.judgement.settling_mixture import (
    Expected,
    Mixture,
    TimedReading,
    course_of,
    hold_of,
    make_mixture,
    minutes_on_of,
    quantiles,
)
from tubewright.knowledge.model import Knowledge

HoldClass: TypeAlias = Literal["lasting", "months", "going_back"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Forecast:
    """A quantity with the middle 80 % of its chances."""

    median: float
    p10: float
    p90: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitPoint:
    """What reading on until some time is expected to bring.

    ``width_ratio`` is the expected width of the 80 % interval of the hold, ``worth_probability``
    the chance that the answer is then worth having; ``minutes`` since the treatment.
    """

    minutes: float
    width_ratio: float
    worth_probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NextReading:
    """What one further reading at a time would bring: the expected width of the interval after it."""

    minutes: float
    width_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Settling:
    """What the readings say together.

    Attributes:
        rest_emission: The value at rest, in the unit of the readings.
        hold_ratio: Value at rest over that 15 minutes after the treatment.
        class_probability: Chance of each class of hold.
        law_weight: How far each law is believed.
        noise_ratio: Scatter of one reading as these readings show it.
        worth_having: Whether the answer can be acted on.
    """

    rest_emission: Forecast
    hold_ratio: Forecast
    class_probability: dict[HoldClass, float]
    law_weight: dict[LawId, float]
    noise_ratio: float
    worth_having: bool
    mixture: Mixture


def warm_readings(readings: Sequence[TimedReading], knowledge: Knowledge) -> list[TimedReading]:
    """Those that were taken when the heater had been on long enough to mean anything."""
    least = knowledge.value("warm_minutes_least")
    return [one for one in readings if minutes_on_of(one) >= least]


def fit_settling(readings: Sequence[TimedReading], knowledge: Knowledge) -> Settling:
    """Weigh the laws by the readings and forecast the value at rest.

    Args:
        readings: At least one, values above 0, in any order.
        knowledge: Constants named ``settling_…``, and what readings are worth.

    Returns:
        The forecast; whether there are readings enough to say it is for the caller
        (:func:`warm_readings`).
    """
    mixture = make_mixture(readings, knowledge)
    weight, mean, sd = hold_of(mixture, mixture.log_value[None, :], ())
    hold = _forecast(weight, mean, sd, exponential=True)
    rest_mean, rest_sd = course_of(mixture, np.array([knowledge.value("settling_rest_minutes")]))
    rest = _forecast(
        weight,
        rest_mean[:, 0][None, :] + mixture.centre_log,
        np.hypot(rest_sd[:, 0], knowledge.value("settling_cold_start_spread")),
        exponential=True,
    )
    chances = class_chances(weight, mean, sd, knowledge)
    flat = weight[0]
    laws = [one.law for one in mixture.shapes]
    law_weight = {law: float(sum(w for w, name in zip(flat, laws, strict=True) if name == law)) for law in LAWS}
    usual = float(
        np.sqrt(np.mean([(one.spread_ratio or knowledge.value("settling_repeatability")) ** 2 for one in readings]))
    )
    return Settling(
        rest_emission=rest,
        hold_ratio=hold,
        class_probability={name: float(chances[name][0]) for name in chances},
        law_weight=law_weight,
        noise_ratio=usual * float(np.exp(flat @ np.log(mixture.noise_ratio))),
        worth_having=bool(_worth(np.log([hold.p10]), np.log([hold.p90]), chances, knowledge)[0]),
        mixture=mixture,
    )


def wait_points(settling: Settling, rng: np.random.Generator, *, draws: int = 32) -> tuple[WaitPoint, ...]:
    """What it brings to go on reading, for each time of the usual round of readings that is still to come.

    Readings not yet taken are drawn from the forecast, so what is given is an
    expectation; it allows for how little is known now.

    Args:
        settling: The fit so far.
        rng: Where chance comes from.
        draws: How many courses are played out.

    Returns:
        A point for each time, all earlier times of the round being read as well.
    """
    mixture = settling.mixture
    times = coming_times(mixture)
    told = _played(mixture, times, rng, draws)
    points = []
    for count in range(1, len(times) + 1):
        values = np.hstack([np.repeat(mixture.log_value[None, :], draws, axis=0), told[:, :count]])
        weight, mean, sd = hold_of(mixture, values, times[:count])
        low, high = quantiles(weight, mean, sd, (0.1, 0.9), coarse=True)
        worth = _worth(low, high, class_chances(weight, mean, sd, mixture.knowledge), mixture.knowledge)
        points.append(
            WaitPoint(
                minutes=times[count - 1],
                width_ratio=float(np.mean(np.exp(high) - np.exp(low))),
                worth_probability=float(np.mean(worth)),
            )
        )
    return tuple(points)


def next_readings(settling: Settling, rng: np.random.Generator, *, draws: int = 32) -> tuple[NextReading, ...]:
    """What a single further reading would bring at each time of the usual round; arguments as of `wait_points`."""
    mixture = settling.mixture
    times = coming_times(mixture)
    told = _played(mixture, times, rng, draws)
    found = []
    for column, at in enumerate(times):
        values = np.hstack([np.repeat(mixture.log_value[None, :], draws, axis=0), told[:, column : column + 1]])
        weight, mean, sd = hold_of(mixture, values, (at,))
        low, high = quantiles(weight, mean, sd, (0.1, 0.9), coarse=True)
        found.append(NextReading(minutes=at, width_ratio=float(np.mean(np.exp(high) - np.exp(low)))))
    return tuple(found)


def coming_times(mixture: Mixture) -> tuple[float, ...]:
    """Times of the usual round of readings after the last one taken; each about half as late again."""
    last = max(one.minutes for one in mixture.readings)
    rest = mixture.knowledge.value("settling_rest_minutes")
    round_of = (5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0, 180.0, 240.0, 360.0, 480.0, 720.0, rest)
    # A reading in the next few minutes repeats the last one and tells nothing new of the course.
    return tuple(at for at in round_of if at >= 1.2 * last + 1 and at <= rest)


def course_band(settling: Settling, minutes: Array) -> tuple[Array, Array, Array]:
    """The course as it is expected: 10, 50 and 90 % at some times, (m,) each, in the unit of the readings."""
    mixture = settling.mixture
    weight, _, _ = hold_of(mixture, mixture.log_value[None, :], ())
    mean, sd = course_of(mixture, minutes)
    found = [
        quantiles(weight, mean[:, column][None, :], sd[:, column], (0.1, 0.5, 0.9), coarse=True)
        for column in range(len(minutes))
    ]
    low, middle, high = (np.exp(np.array([float(one[at][0]) for one in found]) + mixture.centre_log) for at in range(3))
    return low, middle, high


def class_chances(weight: Array, mean: Array, sd: Array, knowledge: Knowledge) -> dict[HoldClass, Array]:
    """Chance of each class of hold, (m,) each."""
    at = [math.log(knowledge.value(name)) for name in ("hold_months", "hold_lasting")]
    under_months, under_lasting = ((weight * normal_cdf((one - mean) / sd)).sum(axis=1) for one in at)
    return {
        "lasting": 1.0 - under_lasting,
        "months": under_lasting - under_months,
        "going_back": under_months,
    }


def _played(mixture: Mixture, times: Sequence[float], rng: np.random.Generator, draws: int) -> Array:
    """Readings to come, drawn from the forecast, (draws, len(times)); each course from one part of the mixture."""
    if not times:
        return np.zeros((draws, 0))
    weight, _, _ = hold_of(mixture, mixture.log_value[None, :], ())
    # Evenly spread over the chances, so that few draws stand for all.
    at = (np.arange(draws) + rng.random(draws)) / draws
    chosen = np.minimum(np.searchsorted(np.cumsum(weight[0]), at), len(mixture.shapes) - 1)
    data = Expected(mixture, times)
    taken = len(mixture.readings)
    told = np.empty((draws, len(times)))
    for row, part in enumerate(chosen):
        whole, mean = data.covariance[part], data.mean[part]
        gain = np.linalg.solve(whole[:taken, :taken], whole[:taken, taken:])
        middle = mean[taken:] + (mixture.log_value - mean[:taken]) @ gain
        left = whole[taken:, taken:] - whole[taken:, :taken] @ gain
        told[row] = middle + np.linalg.cholesky(left + 1e-12 * np.eye(len(times))) @ rng.standard_normal(len(times))
    return told


def _worth(
    low: Array, high: Array, chances: Mapping[HoldClass, Array], knowledge: Knowledge
) -> np.ndarray[tuple[int], np.dtype[np.bool_]]:
    """Whether answers are worth having: narrow enough, or sure enough of one class; logarithms, (m,) each."""
    surest = np.max(np.stack(list(chances.values())), axis=0)
    narrow = np.exp(high) - np.exp(low) <= knowledge.value("settling_worth_width_ratio")
    found: np.ndarray[tuple[int], np.dtype[np.bool_]] = narrow | (
        surest >= knowledge.value("settling_sure_probability")
    )
    return found


def _forecast(weight: Array, mean: Array, sd: Array, *, exponential: bool) -> Forecast:
    write = math.exp if exponential else float
    low, middle, high = (write(float(one[0])) for one in quantiles(weight, mean, sd, (0.1, 0.5, 0.9)))
    centre = float((weight[0] * mean[0]).sum())
    spread = math.sqrt(float((weight[0] * (sd**2 + (mean[0] - centre) ** 2)).sum()))
    return Forecast(median=middle, p10=low, p90=high, sd=spread)
