"""The most probable sets of faults that explain what was found.

Marginal posteriors say how likely each fault is; a plan of tests needs to know which
faults go together and which exclude each other. Sets are grown one fault at a time,
the best of each size being kept, and their weights are exact; what the kept sets
leave out is known from the exact evidence and is stated.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.network import Floats

MOST_SUSPECTS: Final = 32
"""Faults that may take part in an explanation; the rest are too unlikely to matter for a plan."""
MOST_SETS: Final = 600
_BEAM: Final = 250
_MOST_FAULTS: Final = 10
_NEGLIGIBLE: Final = 1e-4


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LikelySets:
    """Sets of faults with their probabilities, the best first.

    ``faults`` holds fault indices, shape (suspects,); ``members`` tells which of them
    each set holds, shape (sets, suspects); ``probabilities``, shape (sets,), are
    those of the sets among all explanations that hold no other suspect, and sum to 1.
    ``log_mass`` is the logarithm of the summed weight, where the empty set of faults
    would weigh 1 with no finding present.
    """

    faults: NDArray[np.intp]
    members: NDArray[np.bool_]
    probabilities: Floats
    log_mass: float


def likely_sets(log_odds: Floats, links: Floats, leaks: Floats, faults: NDArray[np.intp]) -> LikelySets:
    """Grow the most probable explanations.

    Args:
        log_odds: Log odds of each fault beforehand, with absent findings and soft
            evidence folded in; shape (all faults,).
        links: Chance that each fault shows each *present* finding; shape
            (all faults, present findings).
        leaks: Leak of each present finding; shape (present findings,).
        faults: Indices of the suspects, at most 62.

    Returns:
        The sets.
    """
    odds = log_odds[faults]
    hidden = 1.0 - links[faults]
    bits = np.int64(1) << np.arange(len(faults), dtype=np.int64)
    masks = np.zeros(1, dtype=np.int64)
    prior = np.zeros(1)
    unshown = (1.0 - leaks)[np.newaxis, :]
    kept = [(masks, prior + _log_shown(unshown))]
    best = float(kept[0][1][0])
    for _ in range(min(_MOST_FAULTS, len(faults))):
        grown = masks[:, np.newaxis] | bits[np.newaxis, :]
        new = grown != masks[:, np.newaxis]
        next_prior = (prior[:, np.newaxis] + odds[np.newaxis, :])[new]
        next_unshown = (unshown[:, np.newaxis, :] * hidden[np.newaxis, :, :])[new]
        next_masks, first = np.unique(grown[new], return_index=True)
        next_prior, next_unshown = next_prior[first], next_unshown[first]
        weight = next_prior + _log_shown(next_unshown)
        order = np.argsort(-weight, kind="stable")[:_BEAM]
        masks, prior, unshown = next_masks[order], next_prior[order], next_unshown[order]
        kept.append((masks, weight[order]))
        gained = float(weight[order[0]])
        # Larger sets only add unlikely faults from here on.
        if best > -np.inf and gained < best + np.log(_NEGLIGIBLE):
            break
        best = max(best, gained)
    all_masks = np.concatenate([m for m, _ in kept])
    all_weights = np.concatenate([w for _, w in kept])
    order = np.argsort(-all_weights, kind="stable")[:MOST_SETS]
    weights = all_weights[order]
    highest = float(weights[0])
    relative = np.exp(weights - highest)
    return LikelySets(
        faults=faults,
        members=(all_masks[order][:, np.newaxis] & bits[np.newaxis, :]) != 0,
        probabilities=relative / relative.sum(),
        log_mass=highest + float(np.log(relative.sum())),
    )


def _log_shown(unshown: Floats) -> Floats:
    """Log chance that all present findings are seen, from each one's chance of staying unseen."""
    with np.errstate(divide="ignore"):  # a finding that the set can't show: weight nought
        logs: Floats = np.log(1.0 - unshown).sum(axis=1)
    return logs
