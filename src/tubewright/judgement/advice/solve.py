"""How far to turn what: least squares with bounds, held back by what isn't known.

What is made small is the expected sum of squares of all errors, each over its
tolerance. Expected, because gains are unsure: turning by an amount a control whose
gain is spread adds that spread times the amount, squared. So the spread regularises by
itself, and a control whose direction is unknown isn't moved at all.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.response import Belief

Floats = NDArray[np.float64]

SWEEPS: Final = 200
CLOSE: Final = 1e-7


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Problem:
    """Errors over their tolerances, and what the inputs do to them.

    Attributes:
        weights: Components per mode: each component over its tolerance, (components, modes).
        error: Components now, (components,).
        error_cov: Their covariance.
        gain: Components per unit of input, (components, inputs).
        spread: Curvature that the doubt of the gains and of the hand adds, (inputs, inputs).
        unsure: Per input, a square root of the covariance of its gain: (inputs, components, gains).
    """

    weights: Floats
    error: Floats
    error_cov: Floats
    gain: Floats
    spread: Floats
    unsure: Floats

    def loss(self, amounts: Floats) -> float:
        """The expected sum of squares after moves; what no move changes is left out."""
        left = self.error + self.gain @ amounts
        return float(left @ left + amounts @ self.spread @ amounts)

    def gained(self, amounts: Floats, inputs: list[int]) -> tuple[float, float]:
        """By how much the moves of some inputs, among all, lessen the expected loss; and how unsure that is."""
        without = amounts.copy()
        without[inputs] = 0.0
        better = self.loss(without) - self.loss(amounts)
        change = self.gain[:, inputs] @ amounts[inputs]
        left = self.error + self.gain @ amounts
        doubt = 4 * change @ self.error_cov @ change
        along = np.einsum("ick,i,c->k", self.unsure[inputs], amounts[inputs], left)
        return better, float(np.sqrt(doubt + 4 * along @ along))


def problem(belief: Belief, weights: Floats, hand_ratio: float) -> Problem:
    """The problem that a belief poses."""
    effects = belief.effects
    shaped = np.einsum("cm,kmi->kci", weights, effects.patterns)
    root = np.linalg.cholesky(belief.gain_cov + 1e-15 * np.eye(len(effects.gains)))
    unsure = np.einsum("kci,kl->icl", shaped, root)
    gain = weights @ belief.gain
    inputs, components, gains = unsure.shape
    flat = unsure.reshape(inputs, components * gains)
    spread = flat @ flat.T
    by_hand = np.diag((gain**2).sum(axis=0) + np.diag(spread)) * hand_ratio**2
    return Problem(
        weights=weights,
        error=weights @ belief.error,
        error_cov=weights @ belief.error_cov @ weights.T,
        gain=gain,
        spread=spread + by_hand,
        unsure=unsure,
    )


def best_amounts(posed: Problem, low: Floats, high: Floats) -> Floats:
    """The amounts that make the expected loss least within bounds, by descent along one input after the other.

    The problem is convex, so this ends at its least value.
    """
    square = posed.gain.T @ posed.gain + posed.spread
    slope = posed.gain.T @ posed.error
    amounts = np.zeros(low.size)
    steep = np.diag(square)
    for _ in range(SWEEPS):
        before = amounts.copy()
        for n in np.flatnonzero((high > low) & (steep > 0)):
            free = amounts[n] - (slope[n] + square[n] @ amounts) / steep[n]
            amounts[n] = min(max(free, low[n]), high[n])
        if np.abs(amounts - before).max(initial=0.0) < CLOSE:
            break
    return amounts
