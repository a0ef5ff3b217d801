"""The condition of the three guns, as a cloud of tubes that fit the evidence.

What is hidden in a gun is its emission reserve (temperature-limited over
space-charge-limited current at rated heater) and a gain of its own; a reading may
also be false, because a contact or a setting spoilt it. Guns of one tube share
their service life and the readings share a reference. All of that is laid out on
a grid, weighed by the readings, and drawn from: each particle is one complete
tube, and everything that is said later is an average over particles.
"""

from __future__ import annotations

import dataclasses
import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.case import GUNS, Case
from tubewright.judgement.learning import Learned, normal_cdf
from tubewright.judgement.prior import Law, X, gains, laws, pasts, scales
from tubewright.judgement.readings import GunReadings, NormalisedReadings
from tubewright.judgement.shortfall import shortfall_likelihood
from tubewright.knowledge.model import Knowledge
from tubewright.physics.cathode import emission_fraction, supply_ratio

Array = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Condition:
    """Equally weighted particles; arrays have shape (particles, 3), guns red, green, blue.

    ``relative_emission`` is 1 for a reference gun, at the reference cutoff;
    ``reserve`` is at rated heater; ``gain`` is the gun's own factor beside its
    reserve; ``misread`` says that the reading is false, by a
    wrong setting of the whole sitting or, ``spoilt``, by this gun's own contact.
    ``poisoned`` (idleness took part of the reserve), ``knee``, ``work_function_ev``,
    ``wear_time_h`` and ``fall`` (of ln(reserve) in one wear time) belong to the tube
    and have shape (particles,). ``read`` says per gun whether any
    emission reading bears on it.
    """

    relative_emission: Array
    reserve: Array
    gain: Array
    misread: NDArray[np.bool_]
    spoilt: NDArray[np.bool_]
    poisoned: NDArray[np.bool_]
    knee: Array
    work_function_ev: Array
    wear_time_h: Array
    read: tuple[bool, bool, bool]
    good_fraction: Array
    fall: Array

    def of(self, chosen: NDArray[np.intp]) -> Condition:
        """The cloud made of these particles, by index; one may come more than once."""
        arrays = {f.name: getattr(self, f.name)[chosen] for f in dataclasses.fields(self) if f.name != "read"}
        return dataclasses.replace(self, **arrays)

    @property
    def particles(self) -> int:
        """How many tubes the cloud holds."""
        return int(self.reserve.shape[0])


def infer_condition(
    case: Case,
    normal: NormalisedReadings,
    knowledge: Knowledge,
    learned: Learned,
    rng: np.random.Generator,
    *,
    particles: int,
    misread_odds: float = 1.0,
) -> Condition:
    """Weigh the grid by the readings and draw particles from it.

    Args:
        case: For the tube's hours and idleness.
        normal: Its readings, normalised.
        knowledge: The trade's constants.
        learned: Wear time with the shop's experience weighed in.
        rng: Source of randomness; the same state gives the same cloud.
        particles: How many tubes to draw.
        misread_odds: Factor on the odds that a low reading is false, from tests of
            socket and contacts.

    Returns:
        The cloud.
    """
    kinds = laws(knowledge)
    past = pasts(case, knowledge, learned, kinds)
    scale = scales(normal.scale_sd_ln, knowledge)
    likely = np.stack(
        [
            [_gun_likelihood(normal.guns[gun], law, scale.log, normal, knowledge, misread_odds) for gun in GUNS]
            for law in kinds
        ]
    )  # (law, gun, scale, x, misread)
    law_weight = np.array([law.share for law in kinds])
    before = law_weight[:, None, None] * scale.weight[None, :, None] * past.weight[None, None, :]
    cell_weight = before * _evidence(past.reserve, likely)
    total = cell_weight.sum()
    if total <= 0 or not np.isfinite(total):  # every law excludes the readings: keep to the prior
        likely = np.ones_like(likely)
        cell_weight = before * _evidence(past.reserve, likely)
        total = cell_weight.sum()
    cell = _draw(np.cumsum(cell_weight.ravel() / total), _even(rng, particles))
    law_i, scale_i, past_i = np.unravel_index(cell, cell_weight.shape)
    reserve = np.empty((particles, 3))
    gain = np.empty((particles, 3))
    misread = np.zeros((particles, 3), dtype=bool)
    spoilt = np.zeros((particles, 3), dtype=bool)
    step = float(X[1] - X[0])
    knee = np.array([law.knee for law in kinds])[law_i]
    good = np.array([law.good_fraction for law in kinds])[law_i]
    work = np.array([law.work_function_ev for law in kinds])[law_i]
    for g, gun in enumerate(GUNS):
        x, false = _draw_gun(past.reserve, likely[:, g], law_i, scale_i, past_i, rng)
        x = x + step * (rng.random(particles) - 0.5)
        reserve[:, g] = np.exp(x)
        spoilt[:, g] = false == 1
        misread[:, g] = spoilt[:, g] | (scale.wrong[scale_i] & bool(normal.guns[gun].full))
        gain[:, g] = _draw_gain(
            normal.guns[gun],
            reserve[:, g],
            knee,
            work,
            good,
            scale.log[scale_i],
            misread[:, g],
            normal.rated_heater_v,
            knowledge,
            rng,
        )
    emission = gain * emission_fraction(reserve, knee[:, None]) / good[:, None]
    return Condition(
        relative_emission=emission,
        reserve=reserve,
        gain=gain,
        poisoned=past.poisoned[past_i],
        misread=misread,
        spoilt=spoilt,
        knee=knee,
        work_function_ev=work,
        wear_time_h=_wear_times(case, past.wear[past_i], knowledge, learned, rng),
        read=tuple(bool(normal.guns[gun].full or normal.guns[gun].pairs) for gun in GUNS),  # type: ignore[arg-type]  # three guns
        good_fraction=good,
        fall=np.array([law.fall for law in kinds])[law_i],
    )


def predicted_log_ratio(
    reserve: Array,
    readings: GunReadings,
    knee: float | Array,
    work_function_ev: float | Array,
    good_fraction: float | Array,
    heater_v: float,
    rated_v: float,
) -> Array:
    """Logarithm of the reading over the reference that a gun of this reserve gives, gain apart.

    The temperature-limited current does not care for the cutoff, the
    space-charge-limited one goes with its power 1.5: so a cutoff correction acts
    only as far as the gun is limited by space charge.
    """
    supply = supply_ratio(heater_v, rated_v, work_function_ev)
    share = readings.cutoff_share
    fraction = emission_fraction(np.asarray(reserve * supply / share, dtype=np.float64), knee)
    log: Array = np.log(np.maximum(share * fraction / good_fraction, 1e-12))
    return log


def _gun_likelihood(
    readings: GunReadings,
    law: Law,
    scale: Array,
    normal: NormalisedReadings,
    knowledge: Knowledge,
    misread_odds: float,
) -> Array:
    """Likelihood of one gun's readings; shape (scale, x, misread: no or yes)."""
    odds = knowledge.value("false_low_share") / (1 - knowledge.value("false_low_share")) * misread_odds
    false_share = odds / (1 + odds)
    table = np.empty((len(scale), len(X), 2))
    table[:, :, 0] = 1 - false_share
    table[:, :, 1] = false_share
    reserve = np.exp(X)
    rated_v = normal.rated_heater_v
    if readings.full is not None:
        full = readings.full
        expected = predicted_log_ratio(
            reserve, readings, law.knee, law.work_function_ev, law.good_fraction, full.heater_ratio * rated_v, rated_v
        )
        read_sd = math.hypot(full.sd_ln, full.cutoff_share_sd_ln)
        sd = math.hypot(read_sd, knowledge.value("gun_to_gun_spread"))
        short = math.log(full.ratio) - expected[None, :] - scale[:, None]
        table[:, :, 0] *= 1e-9 + sum(
            c.weight * _normal_density(short - c.mean, math.hypot(read_sd, c.sd)) for c in gains(knowledge)
        )
        # A spoilt reading lies anywhere between nothing and nearly all of the true one.
        low, high = math.log(knowledge.value("reading_resolved")), math.log(0.95)
        table[:, :, 1] *= (normal_cdf((high - short) / sd) - normal_cdf((low - short) / sd)) / (high - low) + 1e-9
    for pair in readings.pairs:
        at_low, at_high = (
            predicted_log_ratio(
                reserve, readings, law.knee, law.work_function_ev, law.good_fraction, ratio * rated_v, rated_v
            )
            for ratio in (pair.low_heater_ratio, pair.high_heater_ratio)
        )
        z = (math.log(max(pair.retention, 1e-3)) - (at_low - at_high)) / pair.sd_ln
        table *= (np.exp(-0.5 * z**2) / pair.sd_ln + 1e-4)[None, :, None]
    if readings.shortfall is not None:
        # The picture knows nothing of the instrument: it speaks alike whether the reading is false or not.
        own_reserve = reserve / readings.cutoff_share
        table *= shortfall_likelihood(own_reserve, readings.shortfall, law.knee, knowledge)[None, :, None]
    return table


def _evidence(reserve: Array, likely: Array) -> Array:
    """Likelihood of all three guns' readings for each cell; shape (law, scale, past)."""
    per_gun = np.einsum("lpx,lgsxm->glsp", reserve, likely, optimize=True)
    joint: Array = np.prod(per_gun, axis=0)
    return joint


def _draw_gun(
    prior: Array,
    likely: Array,
    law_i: NDArray[np.intp],
    scale_i: NDArray[np.intp],
    past_i: NDArray[np.intp],
    rng: np.random.Generator,
) -> tuple[Array, NDArray[np.intp]]:
    """One gun of each particle: ln(reserve) and misread, given the particle's cell."""
    laws_, scales_, xs, _ = likely.shape
    pasts_ = prior.shape[1]
    cell = np.ravel_multi_index((law_i, scale_i, past_i), (laws_, scales_, pasts_))
    unique, member = np.unique(cell, return_inverse=True)
    li, si, pi = np.unravel_index(unique, (laws_, scales_, pasts_))
    joint = prior[li, pi][:, :, None] * likely[li, si]  # (cells, x, misread)
    cumulative = np.cumsum(joint.reshape(len(unique), -1), axis=1)
    u = rng.random(len(cell)) * cumulative[member, -1]
    index = np.minimum((cumulative[member] <= u[:, None]).sum(axis=1), cumulative.shape[1] - 1)
    xi, false = np.unravel_index(index, (xs, 2))
    return X[xi], false


def _draw_gain(
    readings: GunReadings,
    reserve: Array,
    knee: Array,
    work_function_ev: Array,
    good: Array,
    scale: Array,
    misread: NDArray[np.bool_],
    rated_v: float,
    knowledge: Knowledge,
    rng: np.random.Generator,
) -> Array:
    """The gun's own factor: the part of the reading that its reserve doesn't explain."""
    parts = gains(knowledge)
    noise = rng.standard_normal(len(reserve))
    pick = rng.random(len(reserve))
    full = readings.full
    if full is None:
        told, sd = np.zeros(len(reserve)), math.inf
    else:
        expected = predicted_log_ratio(
            reserve, readings, knee, work_function_ev, good, full.heater_ratio * rated_v, rated_v
        )
        told = math.log(full.ratio) - expected - scale
        sd = math.hypot(full.sd_ln, full.cutoff_share_sd_ln)
    # A misread gun's reading says nothing of its gain: it keeps to the parts' own weights.
    weight = np.stack(
        [
            np.where(
                misread, p.weight, p.weight * _normal_density(told - p.mean, min(math.hypot(sd, p.sd), 1e3)) + 1e-12
            )
            for p in parts
        ]
    )
    part = (pick[None, :] > np.cumsum(weight / weight.sum(axis=0), axis=0)[:-1]).sum(axis=0)
    mean = np.array([p.mean for p in parts])[part]
    own_sd = np.array([p.sd for p in parts])[part]
    trust = np.where(misread, 0.0, own_sd**2 / (own_sd**2 + sd**2))
    gain: Array = np.exp(mean + trust * (told - mean) + np.sqrt(1 - trust) * own_sd * noise)
    return gain


def _normal_density(z: Array, sd: float) -> Array:
    density: Array = np.exp(-0.5 * (z / sd) ** 2) / (sd * math.sqrt(2 * math.pi))
    return density


def _wear_times(case: Case, wear: Array, knowledge: Knowledge, learned: Learned, rng: np.random.Generator) -> Array:
    """Each particle's wear time; known hours and wear together tell it, unknown hours don't."""
    noise = rng.standard_normal(len(wear))
    tau_sd = learned.wear_time_spread_ln
    if not case.tube.service_hours:
        return learned.wear_time_h * np.exp(tau_sd * noise)
    hours_sd = knowledge.value("service_hours_guess_spread")
    surprise = np.log(wear) - math.log(max(case.tube.service_hours / learned.wear_time_h, 0.02))
    # ln(wear) = ln(hours) - ln(wear time): split the surprise by the two variances.
    tau_share = tau_sd**2 / (tau_sd**2 + hours_sd**2)
    sd = tau_sd * hours_sd / math.hypot(tau_sd, hours_sd)
    return learned.wear_time_h * np.exp(-tau_share * surprise + sd * noise)


def _even(rng: np.random.Generator, count: int) -> Array:
    """Evenly spread random numbers: one in each of ``count`` equal steps."""
    return (np.arange(count) + rng.random(count)) / count


def _draw(cumulative: Array, u: Array) -> NDArray[np.intp]:
    return np.minimum(np.searchsorted(cumulative, u, side="right"), len(cumulative) - 1)
