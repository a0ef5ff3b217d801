"""Figures without a sign: each photograph leaves open on which side of their best they stand, and both are followed.

Linearity, focus and landing show their size alone. They are always taken as they are shown;
what is open then is whether the side has changed since the photograph before. So a photograph
splits what is known into branches, one with the errors and gains of such a figure as they were,
one with both of them the other way round, each weighed by how well it foresaw what is seen.
Nothing tells the two signs of such a figure and all its gains together apart, so no sign is lost.

Where two branches disagree on the direction of a control, the mean of both is near nothing and
the control counts as unknown: it is tried, not turned by an amount.

Source: Gaussian sum filter, Sorenson and Alspach, Recursive Bayesian estimation using Gaussian
sums (1971).
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.modes import INDEX, LANDING, MODES, Observation
from tubewright.judgement.advice.response import Belief, corrected, landing_rows
from tubewright.picture.results import Unsupported

Floats = NDArray[np.float64]

MOST_BRANCHES: Final = 8
LEAST_WEIGHT: Final = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Branch:
    """One way in which the signs may have gone.

    Attributes:
        weight: Its chance among all branches.
        belief: What is known then.
    """

    weight: float
    belief: Belief


def seen(branches: Sequence[Branch], observed: Observation) -> tuple[Branch, ...]:
    """The branches after a photograph, the likeliest first."""
    plain = [n for n in range(observed.value.size) if n not in observed.folded]
    found = tuple(
        Branch(
            weight=one.weight * _evidence(one.belief, observed, plain),
            belief=corrected(
                one.belief, observed.value[plain], observed.rows[plain], observed.cov[np.ix_(plain, plain)]
            ),
        )
        for one in branches
    )
    for n in observed.folded:
        row = observed.rows[[n]]
        modes = np.flatnonzero(row[0])
        found = _split(found, modes, observed.value[[n]], row, observed.cov[np.ix_([n], [n])])
    if not isinstance(observed.landing, Unsupported):
        modes = np.array([INDEX[name] for name in LANDING])
        found = _split(found, modes, observed.landing.value_ratio, landing_rows(), observed.landing.cov_ratio)
    return _kept(found)


def merged(branches: Sequence[Branch]) -> Belief:
    """One normal law with the mean and covariance of all branches together."""
    if len(branches) == 1:
        return branches[0].belief
    weights = np.array([one.weight for one in branches])
    weights = weights / weights.sum()
    means = np.array([one.belief.mean for one in branches])
    mean = weights @ means
    off = means - mean
    cov = np.asarray(sum(w * one.belief.cov for w, one in zip(weights, branches, strict=True)))
    return Belief(effects=branches[0].belief.effects, mean=mean, cov=cov + (off * weights[:, None]).T @ off)


def each(branches: Sequence[Branch], change: Callable[[Belief], Belief]) -> tuple[Branch, ...]:
    """The branches with what is known changed alike in all."""
    return tuple(Branch(weight=one.weight, belief=change(one.belief)) for one in branches)


def other_side(belief: Belief, modes: Sequence[int] | NDArray[np.intp]) -> Belief:
    """The same belief told with some figures, and all gains on them, the other way round."""
    sign = np.ones(belief.mean.size)
    sign[modes] = -1.0
    touches = np.abs(belief.effects.patterns[:, modes, :]).any(axis=(1, 2))
    sign[len(MODES) :][touches] = -1.0
    return Belief(effects=belief.effects, mean=sign * belief.mean, cov=sign[:, None] * belief.cov * sign)


def _split(
    branches: Sequence[Branch], modes: NDArray[np.intp], value: Floats, rows: Floats, cov: Floats
) -> tuple[Branch, ...]:
    found = []
    every = list(range(value.size))
    for one in branches:
        turned = other_side(one.belief, modes)
        # Where it is the same both ways there is nothing to tell apart.
        sides = [one.belief] if np.array_equal(turned.mean, one.belief.mean) else [one.belief, turned]
        for side in sides:
            chance = _normal(value - rows @ side.error, rows @ side.error_cov @ rows.T + cov) if every else 1.0
            found.append(Branch(weight=one.weight * chance / len(sides), belief=corrected(side, value, rows, cov)))
    return _kept(found)


def _kept(branches: Sequence[Branch]) -> tuple[Branch, ...]:
    """The likeliest of the branches, their weights adding up to one."""
    order = sorted(branches, key=lambda one: -one.weight)
    total = sum(one.weight for one in order)
    if not total > 0:
        # Nothing foresaw this: none is likelier than another.
        return tuple(Branch(weight=1 / len(order), belief=one.belief) for one in order[:MOST_BRANCHES])
    kept = [one for one in order[:MOST_BRANCHES] if one.weight > LEAST_WEIGHT * total]
    total = sum(one.weight for one in kept)
    return tuple(Branch(weight=one.weight / total, belief=one.belief) for one in kept)


def _evidence(belief: Belief, observed: Observation, plain: Sequence[int]) -> float:
    rows, cov = observed.rows[plain], observed.cov[np.ix_(plain, plain)]
    return _normal(observed.value[plain] - rows @ belief.error, rows @ belief.error_cov @ rows.T + cov)


def _normal(apart: Floats, cov: Floats) -> float:
    """Density of a normal law, up to a factor that is the same for all branches."""
    if apart.size == 0:
        return 1.0
    distance = float(apart @ np.linalg.solve(cov, apart))
    return math.exp(max(-0.5 * (distance + float(np.linalg.slogdet(cov)[1])), -600.0))
