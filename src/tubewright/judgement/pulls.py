"""How far each clue pulls at each fault, and which test would tell the first two apart."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tubewright.judgement.evidence import Clue
from tubewright.judgement.explanations import LikelySets
from tubewright.judgement.network import Floats
from tubewright.judgement.outcomes import outcome_table
from tubewright.knowledge.model import Knowledge

LEAST_MOVED: Final = 0.02
"""Expected change below which a test doesn't tell two faults apart (from memory, estimate)."""
ALMOST_AS_TELLING: Final = 0.8
"""Share of the largest change from which a safer or shorter test is taken instead (from memory, estimate)."""
_ALMOST: Final = 1e-15


def pulls(posteriors: Floats) -> Floats:
    """Change of every fault's log odds by each clue: with all clues, against all but that one.

    The clues are not independent, so what they pull does not sum to the whole way from
    the prior: two symptoms of one fault each count for less once the other is known,
    and a finding that another fault explains speaks against the first.

    Args:
        posteriors: With all clues first, then without each; shape (1 + clues, faults).

    Returns:
        Natural logarithms, shape (clues, faults); above 0 the clue speaks for the fault.
    """
    sure = np.clip(posteriors, _ALMOST, 1.0 - _ALMOST)
    log_odds = np.log(sure) - np.log1p(-sure)
    moved: Floats = log_odds[0] - log_odds[1:]
    return moved


@dataclass(frozen=True, slots=True, kw_only=True)
class TellingResult:
    """A result of the test that tells two faults apart, and what each would then be."""

    result: str
    means: str
    chance: float
    first_probability: float
    second_probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TellingTest:
    """The test with about the largest expected change between two faults, the safest such.

    ``moved_probability`` is that change: of the difference of their probabilities, on the
    average over the results.
    """

    test: str
    moved_probability: float
    results: tuple[TellingResult, ...]


def telling_test(
    first: str,
    second: str,
    sets: LikelySets,
    fault_ids: Sequence[str],
    taken: Mapping[str, Collection[str]],
    knowledge: Knowledge,
) -> TellingTest | None:
    """The test that would move two faults farthest apart; None if none would to speak of.

    Args:
        first: Id of a fault.
        second: Id of another.
        sets: Likely sets of faults.
        fault_ids: Ids of all faults, to which the sets point.
        taken: Results found so far, by test.
        knowledge: The catalogue.
    """
    ids = [fault_ids[i] for i in sets.faults]
    if first not in ids or second not in ids:
        return None
    members = sets.members.astype(np.float64)
    tests = [test for test in knowledge.tests.values() if not test.gate]
    table = outcome_table(tests, taken, ids, members)
    joint = table.likelihood * sets.probabilities[:, np.newaxis]
    chance = joint.sum(axis=0)
    pair = members[:, [ids.index(first), ids.index(second)]]
    entered = table.told * sets.probabilities[:, np.newaxis]
    then = (entered.T @ pair) / np.maximum(entered.sum(axis=0), 1e-300)[:, np.newaxis]
    now = sets.probabilities @ pair
    moved = chance * np.abs((then[:, 0] - then[:, 1]) - (now[0] - now[1]))
    change = [float(moved[entry.first : entry.past].sum()) for entry in table.tests]
    if not change or max(change) < LEAST_MOVED:
        return None
    # Of tests that tell about as much, the safest and shortest.
    near = [at for at, much in enumerate(change) if much >= ALMOST_AS_TELLING * max(change)]
    chosen = min(near, key=lambda at: (table.tests[at].test.hazard, table.tests[at].test.minutes, -change[at]))
    best, most = table.tests[chosen], change[chosen]
    return TellingTest(
        test=best.test.id,
        moved_probability=most,
        results=tuple(
            TellingResult(
                result=outcome.result,
                means=outcome.means,
                chance=float(chance[best.first + at]),
                first_probability=float(then[best.first + at, 0]),
                second_probability=float(then[best.first + at, 1]),
            )
            for at, outcome in sorted(enumerate(best.outcomes), key=lambda pair: -chance[best.first + pair[0]])
        ),
    )


def named_clues(clues: Sequence[Clue], changes: Floats, fault: int, least: float) -> list[tuple[Clue, float]]:
    """Clues that pull at a fault by at least so much, the weightiest first."""
    order = np.argsort(-np.abs(changes[:, fault]), kind="stable")
    return [(clues[at], float(changes[at, fault])) for at in order if abs(changes[at, fault]) >= least]
