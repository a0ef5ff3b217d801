"""What is likely of a tube before any reading: how cathodes behave, and what past it may have.

All of it is laid out on grids. A past is how far the tube is worn and how deeply
idleness has poisoned it, the same for its three guns; each gun then lies about it.
A scale is how far all readings of one sitting are off together: a little, by the
reference, or a lot, by a wrong setting.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.case import Case
from tubewright.judgement.learning import Learned
from tubewright.knowledge.model import Knowledge
from tubewright.physics.cathode import emission_fraction

Array = NDArray[np.float64]

X: Array = np.linspace(math.log(0.004), math.log(250.0), 93)
"""Grid of ln(reserve): from a dead cathode to one whose slump can't be seen."""

_NODES: Array = np.linspace(-2.6, 2.6, 7)
"""Nodes for the shared reference, in its standard deviations; weighed by the normal density."""

_WEAR_NODES: Array = np.linspace(-3.0, 3.0, 13)
"""The same for the shared wear."""

_WRONG_SETTINGS: Array = np.log(np.array([0.35, 0.44, 0.54, 0.64, 0.75, 0.86]))
"""How low a wrong setting may put all readings (grid 2 at half its voltage: about a third); evenly weighed."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Law:
    """One way the cathodes may behave, and how often they do.

    ``fall`` is by how much more ln(reserve) falls until half emission than it does
    for evenly emitting cathodes, which the wear time is stated for.
    """

    knee: float
    work_function_ev: float
    good_reserve: float
    good_fraction: float
    fall: float
    share: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pasts:
    """Possible pasts of a tube: arrays of shape (pasts,), and the guns' reserves given each.

    ``wear`` is service hours over wear time; ``reserve`` has shape (laws, pasts, x)
    and sums to 1 over x.
    """

    weight: Array
    wear: Array
    poisoned: NDArray[np.bool_]
    reserve: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scales:
    """How far all readings of a sitting are off: logarithms, weights, and whether a setting was wrong."""

    log: Array
    weight: Array
    wrong: NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class GainPart:
    """One kind of gun: share of guns, mean and spread of ln(gain)."""

    weight: float
    mean: float
    sd: float


def laws(knowledge: Knowledge) -> list[Law]:
    """The ways cathodes may behave: even or patchy, well or poorly activated."""
    patchy = knowledge.value("patchy_share")
    kinds = (
        (knowledge.value("knee_sharp"), knowledge.value("reserve_of_good_gun"), 1 - patchy),
        (knowledge.value("knee_patchy"), knowledge.value("reserve_of_good_gun_patchy"), patchy),
    )
    to_half = [math.log(good / _reserve_at_half(knee, good)) for knee, good, _ in kinds]
    return [
        Law(
            knee=knee,
            work_function_ev=phi,
            good_reserve=good,
            good_fraction=float(emission_fraction(good, knee)),
            fall=half / to_half[0],
            share=share / 2,
        )
        for (knee, good, share), half in zip(kinds, to_half, strict=True)
        for phi in (knowledge.value("work_function_low_ev"), knowledge.value("work_function_high_ev"))
    ]


def pasts(case: Case, knowledge: Knowledge, learned: Learned, of_laws: list[Law]) -> Pasts:
    """Every past on the grid: worn, or worn and poisoned to one of four depths."""
    nodes, node_weight = _wear(case, knowledge, learned)
    share = poison_share(case, knowledge)
    # Four equal shares of an exponential law of depths.
    depths = -knowledge.value("poison_depth") * np.log1p(-(np.arange(4) + 0.5) / 4)
    depth = np.repeat([0.0, *depths], len(nodes))
    wear = np.tile(nodes, 1 + len(depths))
    weight = np.concatenate([(1 - share) * node_weight, *([share * node_weight / len(depths)] * len(depths))])
    reserve = np.stack([_reserve(wear * law.fall, depth, law.good_reserve, knowledge) for law in of_laws])
    return Pasts(weight=weight, wear=wear, poisoned=depth > 0, reserve=reserve)


def scales(sd_ln: float, knowledge: Knowledge) -> Scales:
    """What all readings of a sitting may be off by together."""
    share = knowledge.value("wrong_setting_share")
    weight = np.exp(-0.5 * _NODES**2)
    wrong = np.full(len(_WRONG_SETTINGS), share / len(_WRONG_SETTINGS))
    return Scales(
        log=np.concatenate([sd_ln * _NODES, _WRONG_SETTINGS]),
        weight=np.concatenate([(1 - share) * weight / weight.sum(), wrong]),
        wrong=np.concatenate([np.zeros(len(_NODES), dtype=bool), np.ones(len(_WRONG_SETTINGS), dtype=bool)]),
    )


def gains(knowledge: Knowledge) -> tuple[GainPart, ...]:
    """Evenly emitting guns, and those that emit from part of their area."""
    share = knowledge.value("partial_area_share")
    return (
        GainPart(
            weight=1 - share, mean=-knowledge.value("gun_under_reference"), sd=knowledge.value("gun_to_gun_spread")
        ),
        GainPart(
            weight=share,
            mean=-knowledge.value("gun_under_reference") - knowledge.value("partial_area_loss"),
            sd=knowledge.value("partial_area_spread"),
        ),
    )


def poison_share(case: Case, knowledge: Knowledge) -> float:
    """Chance, before any reading, that idleness has poisoned this tube."""
    idle = case.tube.idle_years
    if idle is None:
        return knowledge.value("poison_share_unknown")
    long = idle >= knowledge.value("poison_idle_years")
    return knowledge.value("poison_share_idle" if long else "poison_share_used")


def _wear(case: Case, knowledge: Knowledge, learned: Learned) -> tuple[Array, Array]:
    """Service hours over wear time: nodes and their weights."""
    hours = case.tube.service_hours
    if hours is None:
        median, sd = knowledge.value("wear_unknown_median"), knowledge.value("wear_unknown_spread")
    else:
        median = max(hours / learned.wear_time_h, 0.02)
        sd = math.hypot(knowledge.value("service_hours_guess_spread"), learned.wear_time_spread_ln)
    weight = np.exp(-0.5 * _WEAR_NODES**2)
    nodes: Array = median * np.exp(sd * _WEAR_NODES)
    return nodes, weight / weight.sum()


def _reserve(wear: Array, depth: Array, good_reserve: float, knowledge: Knowledge) -> Array:
    """Weight of a gun's ln(reserve) given each past; shape (pasts, x)."""
    mean = math.log(good_reserve) - wear - depth
    spread = knowledge.value("reserve_of_good_gun_spread")
    sd = np.sqrt(
        spread**2
        + (knowledge.value("gun_wear_spread") * wear) ** 2
        + (knowledge.value("gun_poison_spread") * depth) ** 2
    )

    def about(loss: float) -> Array:
        law: Array = np.exp(-0.5 * ((X[None, :] + loss - mean[:, None]) / sd[:, None]) ** 2)
        law /= law.sum(axis=1, keepdims=True)
        return law

    # Now and then one gun of a tube has worn far ahead of the others, exponentially far.
    share = knowledge.value("single_gun_share")
    losses = -knowledge.value("single_gun_depth") * np.log1p(-(np.arange(8) + 0.5) / 8)
    ahead: Array = np.mean([about(float(loss)) for loss in losses], axis=0)
    return (1 - share) * about(0.0) + share * ahead


def _reserve_at_half(knee: float, good_reserve: float) -> float:
    """The reserve at which a gun gives half of what it gave when good; the blend turned round."""
    fraction = 0.5 * float(emission_fraction(good_reserve, knee))
    return float((fraction**-knee - 1.0) ** (-1.0 / knee))
