"""Every law of settling with its times fixed, as one normal forecast of the readings.

Source of the closed forms: Rasmussen and Williams, Gaussian Processes for Machine
Learning (2006), 2.2 and 2.3. The slow plain twin stands in the tests.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from tubewright.judgement.learning import normal_cdf
from tubewright.judgement.settling_laws import Array, Shape, settled_share, shapes, warm_share
from tubewright.knowledge.model import Knowledge

_LEVEL_SD_LN = 3.0
"""How little is taken for granted about the level: a factor of twenty either way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedReading:
    """One reading after a treatment.

    Attributes:
        minutes: Since the treatment ended.
        value: Emission as read, above 0, in one unit for all readings.
        unit: That unit; "" if it wasn't said.
        minutes_on: Since the heater was last lit; None if it was on all along.
        spread_ratio: Repeatability of this reading, 1 sd over the reading; None for the usual.
    """

    minutes: float
    value: float
    unit: str = ""
    minutes_on: float | None = None
    spread_ratio: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Mixture:
    """Every law with fixed times as one normal forecast of the readings, k of them for n readings.

    Attributes:
        knowledge: The constants.
        shapes: A shape for each.
        change_mean_ln: Mean of the whole change before anything was read, (k,).
        change_sd_ln: Its sd, (k,).
        noise_ratio: What multiplies the scatter of the readings, (k,).
        prior_log: Logarithm of the chance before anything was read, (k,).
        readings: The readings, in order of time.
        log_value: Their logarithms less ``centre_log``, (n,).
        centre_log: Mean of their logarithms.
    """

    knowledge: Knowledge
    shapes: tuple[Shape, ...]
    change_mean_ln: Array
    change_sd_ln: Array
    noise_ratio: Array
    prior_log: Array
    readings: tuple[TimedReading, ...]
    log_value: Array
    centre_log: float


def make_mixture(readings: Sequence[TimedReading], knowledge: Knowledge) -> Mixture:
    """Every law with every size of change and of scatter, before the readings have spoken."""
    ordered = tuple(sorted(readings, key=lambda one: one.minutes))
    logs = np.log([one.value for one in ordered])
    lost = knowledge.value("settling_lost_share")
    changes = (
        (-knowledge.value("settling_held_loss"), knowledge.value("settling_held_spread"), 1 - lost),
        (-knowledge.value("settling_lost_loss"), knowledge.value("settling_lost_spread"), lost),
    )
    # Nodes and weights of the normal law over the scatter: Gauss and Hermite, 5 points.
    nodes, node_weights = np.polynomial.hermite_e.hermegauss(5)
    node_weights = node_weights / node_weights.sum()
    spread = knowledge.value("settling_repeatability_spread")
    rows = [
        (shape, mean, sd, math.exp(spread * node), math.log(shape.prior_weight * share * weight))
        for shape in shapes(knowledge)
        for mean, sd, share in (((0.0, 0.0, 1.0),) if shape.course == "still" else changes)
        for node, weight in zip(nodes, node_weights, strict=True)
    ]
    centre = float(np.mean(logs))
    return Mixture(
        knowledge=knowledge,
        shapes=tuple(row[0] for row in rows),
        change_mean_ln=np.array([row[1] for row in rows]),
        change_sd_ln=np.array([row[2] for row in rows]),
        noise_ratio=np.array([row[3] for row in rows]),
        prior_log=np.array([row[4] for row in rows]),
        readings=ordered,
        log_value=logs - centre,
        centre_log=centre,
    )


def hold_of(mixture: Mixture, log_values: Array, further: Sequence[float]) -> tuple[Array, Array, Array]:
    """Chance of each part of the mixture, and mean and sd of the logarithm of the hold in it.

    Args:
        mixture: The laws and the readings' times.
        log_values: Readings as logarithms, (m, n + len(further)): m courses at once.
        further: Times of readings after those of the mixture, minutes.

    Returns:
        Weights (m, k), means (m, k) and sds (k,).
    """
    k = mixture.knowledge
    data = Expected(mixture, further)
    first, rest = k.value("settling_first_minutes"), k.value("settling_rest_minutes")
    done = settled_share(mixture.shapes, np.array([first, rest]), rest)
    step = done[:, 1] - done[:, 0]
    drift = _drift(np.array([first, rest]), data.minutes, k)
    cross = (mixture.change_sd_ln**2 * step)[:, None] * data.done + (drift[1] - drift[0])[None, :]
    own = (mixture.change_sd_ln * step) ** 2 + k.value("settling_drift") ** 2 * float(
        _log_time(np.array([rest]), k)[0] - _log_time(np.array([first]), k)[0]
    )
    weight, off = data.weigh(log_values)
    solved = np.linalg.solve(data.covariance, cross[:, :, None])[:, :, 0]
    mean = (mixture.change_mean_ln * step)[None, :] + np.einsum("kn,mkn->mk", solved, off)
    variance = own - np.einsum("kn,kn->k", solved, cross) + k.value("settling_cold_start_spread") ** 2
    return weight, mean, np.sqrt(np.maximum(variance, 1e-12))


def course_of(mixture: Mixture, minutes: Array) -> tuple[Array, Array]:
    """Mean and sd of the settled reading's logarithm at some times in each part, (k, m) each; less the centre."""
    data = Expected(mixture, ())
    return _latent(mixture, data, minutes, mixture.log_value)


def quantiles(weight: Array, mean: Array, sd: Array, wanted: Sequence[float], *, coarse: bool = False) -> list[Array]:
    """Points of mixtures of normal laws: weights and means (m, k), sds (k,); an array (m,) for each share wanted.

    ``coarse`` is quicker and good to a thousandth, for what is itself an expectation over a few draws.
    """
    # What carries next to nothing of the chance is left out, for speed; the rest is made to sum to 1.
    kept = weight.max(axis=0) > (1e-4 if coarse else 1e-6)
    weight, mean, sd = weight[:, kept] / weight[:, kept].sum(axis=1, keepdims=True), mean[:, kept], sd[kept]
    lowest, highest = (mean - 6 * sd).min(axis=1), (mean + 6 * sd).max(axis=1)
    found = []
    for share in wanted:
        low, high = lowest.copy(), highest.copy()
        for _ in range(18 if coarse else 36):  # halves the bracket each time: to about 1e-5 or 1e-10 of it
            middle = (low + high) / 2
            under = (weight * normal_cdf((middle[:, None] - mean) / sd)).sum(axis=1) < share
            low, high = np.where(under, middle, low), np.where(under, high, middle)
        found.append((low + high) / 2)
    return found


class Expected:
    """The readings, taken and to come, as every part of a mixture expects them."""

    def __init__(self, mixture: Mixture, further: Sequence[float]) -> None:
        k = mixture.knowledge
        usual = k.value("settling_repeatability")
        self.mixture = mixture
        self.minutes = np.array([*(one.minutes for one in mixture.readings), *further])
        # Readings to come are taken as told: warm, and the next day from cold but not before it is warm.
        on = np.array([*(minutes_on_of(one) for one in mixture.readings), *further])
        spread = np.array([*((one.spread_ratio or usual) for one in mixture.readings), *([usual] * len(further))])
        cold = np.where(on < k.value("warm_minutes_least"), k.value("cold_reading_spread"), 0.0)
        self.done = settled_share(mixture.shapes, self.minutes, k.value("settling_rest_minutes"))
        warm = warm_share(mixture.shapes, on)
        drift = _drift(self.minutes, self.minutes, k)
        noise = (mixture.noise_ratio[:, None] * spread[None, :]) ** 2 + cold[None, :] ** 2
        self.covariance = (
            _LEVEL_SD_LN**2
            + drift[None, :, :]
            + (mixture.change_sd_ln**2)[:, None, None] * self.done[:, :, None] * self.done[:, None, :]
            + k.value("settling_warm_spread") ** 2 * warm[:, :, None] * warm[:, None, :]
            + noise[:, :, None] * np.eye(len(self.minutes))[None, :, :]
        )
        self.mean = mixture.change_mean_ln[:, None] * self.done

    def weigh(self, log_values: Array) -> tuple[Array, Array]:
        """Chance of each part given courses (m, n), (m, k); and covariance-free residuals (m, k, n)."""
        off = log_values[:, None, :] - self.mean[None, :, :]
        solved = np.linalg.solve(self.covariance, np.moveaxis(off, 0, -1))  # (k, n, m)
        misfit = np.einsum("mkn,knm->mk", off, solved)
        _, size = np.linalg.slogdet(self.covariance)
        log = self.mixture.prior_log[None, :] - 0.5 * (misfit + size[None, :])
        log -= log.max(axis=1, keepdims=True)
        weight = np.exp(log)
        weight /= weight.sum(axis=1, keepdims=True)
        return weight, off


def _latent(mixture: Mixture, data: Expected, minutes: Array, log_value: Array) -> tuple[Array, Array]:
    k = mixture.knowledge
    done = settled_share(mixture.shapes, minutes, k.value("settling_rest_minutes"))
    sd2 = mixture.change_sd_ln**2
    cross = (
        _LEVEL_SD_LN**2
        + _drift(minutes, data.minutes, k)[None, :, :]
        + sd2[:, None, None] * done[:, :, None] * data.done[:, None, :]
    )  # (k, m, n)
    own = _LEVEL_SD_LN**2 + (k.value("settling_drift") ** 2 * _log_time(minutes, k))[None, :] + sd2[:, None] * done**2
    solved = np.linalg.solve(data.covariance, np.swapaxes(cross, 1, 2))  # (k, n, m)
    off = log_value[None, :] - data.mean
    mean = mixture.change_mean_ln[:, None] * done + np.einsum("knm,kn->km", solved, off)
    variance = own - np.einsum("knm,kmn->km", solved, cross)
    return mean, np.sqrt(np.maximum(variance, 1e-12))


def _drift(minutes: Array, other: Array, knowledge: Knowledge) -> Array:
    """Covariance of a wander in the logarithm of time, (m, n)."""
    both = np.minimum(_log_time(minutes, knowledge)[:, None], _log_time(other, knowledge)[None, :])
    found: Array = knowledge.value("settling_drift") ** 2 * both
    return found


def _log_time(minutes: Array, knowledge: Knowledge) -> Array:
    found: Array = np.log1p(minutes / knowledge.value("settling_drift_minutes"))
    return found


def minutes_on_of(reading: TimedReading) -> float:
    """Minutes since the heater was lit; those since the treatment where it was on all along."""
    return reading.minutes if reading.minutes_on is None else reading.minutes_on
