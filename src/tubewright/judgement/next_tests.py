"""Which test to do next: what it would save of the repair still ahead, per safe minute.

A test is worth doing if its outcomes would change the order in which suspects are
gone through. For each outcome the work left is reckoned over the most probable
explanations: suspects are opened up in order of probability per minute; a true one
costs its full minutes, a wrong one part of them, until every true one is mended.

How often each result comes follows from the catalogue's factors on the odds of faults:
a result that speaks for a fault by a factor R comes at most 1/R as often without it.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.diagnosis import Evidence, explain, result_as_finding, weigh
from tubewright.judgement.explanations import LikelySets
from tubewright.judgement.findings import Findings
from tubewright.judgement.network import Floats
from tubewright.knowledge.model import BenchTest, Hazard, Knowledge, NamedResult

MOST_ABNORMAL: Final = 0.5
"""Largest share of abnormal outcomes assumed where none of a test's faults is there (from memory, estimate)."""
WRONG_SHARE: Final = 0.5
"""Share of a fault's find-and-mend minutes spent on learning that it is not the one (from memory, estimate)."""
MINUTES_PER_BIT: Final = 10.0
"""What one bit is worth beyond the minutes it saves at once: about one suspect less to open (from memory, estimate)."""
SETTLING_MINUTES: Final = 1.0
"""Minutes to fetch and put away whatever the test needs (from memory, estimate)."""
HAZARD_FACTOR: Final[dict[Hazard, float]] = {"H0": 1.0, "H1": 1.2, "H2": 1.6, "H3": 2.5, "H4": 1.6}
"""What a minute counts in each hazard class when tests are ranked (from memory, estimate)."""
RUNNING_FACTOR: Final = 1.25
"""Further factor for a test in a running, open set (from memory, estimate)."""

NOTHING_TOLD: Final = "nothing_told"
"""Id of the outcome that leaves all as it was; the catalogue holds no such result."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """One way a test could turn out, how likely, and what it would mean.

    ``leading`` are the faults that would then lead, with their probabilities;
    ``elsewhere`` is the chance that a fault outside the tube, or none of the
    catalogue, is then among what is wrong; ``words`` says the same in a sentence.
    """

    result: str
    means: str
    chance: float
    leading: tuple[tuple[str, float], ...]
    elsewhere: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedTest:
    """A test worth doing next.

    ``information_bits`` is what it is expected to tell about which faults are there;
    ``expected_cost_left`` the minutes of repair still expected after it, without its
    own; ``minutes_saved`` how much that is less than without the test. ``cautions``
    are caution ids; they come before the hand goes in. ``follows`` is empty for a test
    not yet taken; for one whose result can be narrowed down, it is what was found.
    """

    id: str
    name: str
    how: str
    minutes: float
    hazard: Hazard
    running: bool
    cautions: tuple[str, ...]
    information_bits: float
    expected_cost_left: float
    minutes_saved: float
    worth_per_minute: float
    follows: str
    outcomes: tuple[Outcome, ...]


def quickest_tests(
    findings: Findings, knowledge: Knowledge, *, limit: int = 5, done: Collection[str] = ()
) -> tuple[ProposedTest, ...]:
    """Tests that separate the suspects soonest and most safely, best first.

    They are tests not yet taken, and tests whose result can be narrowed down: B+ was
    low, but does its preset move it?

    Args:
        findings: What is known.
        knowledge: The catalogue.
        limit: At most so many.
        done: Ids of tests that are known to be done though the findings don't hold them.

    Returns:
        The tests; none if nothing is suspected or no test could tell more.

    Raises:
        InputError: The findings are impossible together.
        RefusedError: More present findings hang together than can be reckoned exactly.
    """
    evidence = weigh(findings, knowledge)
    posteriors, _ = evidence.posteriors()
    sets = explain(evidence, posteriors)
    if len(sets.faults) == 0:
        return ()
    bench = _Bench(evidence, sets, knowledge)
    taken: dict[str, set[str]] = {}
    for result in findings.results:
        taken.setdefault(result.test, set()).add(result.result)
    proposals = [
        bench.propose(test, taken.get(test.id, set()))
        for test in knowledge.tests.values()
        if test.id not in done and not test.gate
    ]
    ranked = sorted(
        (p for p in proposals if p is not None and p.information_bits > 1e-6),
        key=lambda p: (-p.worth_per_minute, p.running, p.minutes, p.id),
    )
    return tuple(ranked[:limit])


class _Bench:
    """The explanations at hand, and what a test would do to them."""

    def __init__(self, evidence: Evidence, sets: LikelySets, knowledge: Knowledge) -> None:
        self.knowledge = knowledge
        self.ids = [evidence.fault_ids[i] for i in sets.faults]
        self.place = {fault: at for at, fault in enumerate(self.ids)}
        self.members = sets.members
        self.numbers = sets.members.astype(np.float64)
        self.chances = sets.probabilities
        self.minutes = np.array([max(knowledge.faults[fault].minutes, 1.0) for fault in self.ids])
        self.now = self.chances @ self.numbers
        outside = ~evidence.of_the_tube[sets.faults]
        self.elsewhere = (np.any(sets.members[:, outside], axis=1) | ~np.any(sets.members, axis=1)).astype(np.float64)
        self.left_now = float(self.minutes_left(self.chances[np.newaxis, :])[0])

    def propose(self, test: BenchTest, taken: Collection[str] = ()) -> ProposedTest | None:
        """The test with its outcomes, or None if it tells nothing (more) of the suspects."""
        found, results = _narrower(test, taken) if taken else (None, _exclusive(test))
        # Outcomes that accuse only faults nobody suspects would teach nothing here.
        outcomes = [o for o in outcomes_of(results) if not o.links or any(fault in self.place for fault in o.links)]
        if not any(fault in self.place for outcome in outcomes for fault in (*outcome.links, *outcome.excuses)):
            return None
        told = np.column_stack([self._chance_of(outcome) for outcome in outcomes])
        if found is not None and not any(r.refines == found.id for r in test.results if r.id in taken):
            # The narrower result takes the place of the one that is known; "nothing more" leaves it.
            known = self._chance_of(_as_outcome(found))
            told /= np.where([o.result == NOTHING_TOLD for o in outcomes], 1.0, known[:, np.newaxis])
        likelihood = told / told.sum(axis=1, keepdims=True)
        joint = likelihood * self.chances[:, np.newaxis]
        chance = joint.sum(axis=0)
        bits = float(np.sum(joint * np.log2(np.maximum(likelihood, 1e-300) / chance)))
        left = float(chance @ self.minutes_left((joint / chance).T))
        saved = max(0.0, self.left_now - left)
        weights = told * self.chances[:, np.newaxis]
        after = (weights / weights.sum(axis=0)).T
        then, elsewhere = after @ self.numbers, after @ self.elsewhere
        effort = (test.minutes + SETTLING_MINUTES) * HAZARD_FACTOR[test.hazard]
        effort *= RUNNING_FACTOR if test.running else 1.0
        return ProposedTest(
            id=test.id,
            name=test.name,
            how=test.how,
            minutes=test.minutes,
            hazard=test.hazard,
            running=test.running,
            cautions=test.cautions,
            information_bits=max(0.0, bits),
            expected_cost_left=left,
            minutes_saved=saved,
            worth_per_minute=(saved + MINUTES_PER_BIT * bits) / effort,
            follows=found.means if found is not None else "",
            outcomes=tuple(
                self._outcome(outcomes[at], float(chance[at]), then[at], float(elsewhere[at]))
                for at in np.argsort(-chance, kind="stable").tolist()
            ),
        )

    def _chance_of(self, outcome: PossibleOutcome) -> Floats:
        """Relative chance of an outcome under each set of faults; shape (sets,)."""
        unseen = np.full(len(self.chances), 1.0 - outcome.leak)
        for fault, link in outcome.links.items():
            if fault in self.place:
                unseen *= 1.0 - link * self.numbers[:, self.place[fault]]
        seen = 1.0 - unseen
        for fault, ratio in outcome.excuses.items():
            if fault in self.place:
                seen *= 1.0 - (1.0 - ratio) * self.numbers[:, self.place[fault]]
        return seen * outcome.share / outcome.leak

    def minutes_left(self, chances: Floats) -> Floats:
        """Expected minutes until all is mended, for rows of probabilities of the sets.

        Args:
            chances: Shape (rows, sets).

        Returns:
            Minutes, shape (rows,).
        """
        marginals = chances @ self.numbers
        count = len(self.minutes)
        nobody = ~np.any(self.members, axis=1)
        answer = np.empty(len(chances))
        for row, (chance, marginal) in enumerate(zip(chances, marginals, strict=True)):
            order = np.argsort(-marginal / self.minutes, kind="stable")
            rank = np.empty(count, dtype=np.int64)
            rank[order] = np.arange(count)
            # The search goes on to the last fault that is there; where it is outside the catalogue, past all suspects.
            last = np.where(nobody, count, np.max(np.where(self.members, rank, -1), axis=1))
            reached = np.cumsum(np.bincount(last, weights=chance, minlength=count + 1)[::-1])[::-1][:count]
            true_chance = marginal[order]
            answer[row] = (true_chance + WRONG_SHARE * (reached - true_chance)) @ self.minutes[order]
        return answer

    def _outcome(
        self, outcome: PossibleOutcome, chance: float, after: NDArray[np.float64], elsewhere: float
    ) -> Outcome:
        order = np.argsort(-after, kind="stable")[:3]
        leading = tuple((self.ids[i], float(after[i])) for i in order if after[i] >= 0.05)
        names = [
            f"{self.knowledge.faults[self.ids[i]].name} {after[i]:.0%} (now {self.now[i]:.0%})"
            for i in order
            if after[i] >= 0.05
        ]
        then = f"then {'; '.join(names)}" if names else "then none of the suspects stands out"
        return Outcome(
            result=outcome.result,
            means=outcome.means,
            chance=chance,
            leading=leading,
            elsewhere=elsewhere,
            words=f"{outcome.means}: {then}",
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PossibleOutcome:
    """One outcome of a test, as a finding that faults bring about or prevent.

    ``share`` is how often it comes where none of the test's faults is there;
    ``leak`` and ``links`` are those of :func:`~tubewright.judgement.diagnosis.result_as_finding`.
    """

    result: str
    means: str
    share: float
    leak: float
    links: Mapping[str, float]
    excuses: Mapping[str, float]


def outcomes_of(results: Sequence[NamedResult]) -> list[PossibleOutcome]:
    """Outcomes that exclude each other; their shares sum to 1.

    Where every named result speaks for some fault, one more is added: none of these.
    """
    if not results:
        return []
    parts = [_as_outcome(result) for result in results]
    abnormal = sum(part.leak for part in parts if part.links)
    scale = min(1.0, MOST_ABNORMAL / abnormal) if abnormal > 0 else 1.0
    rest = 1.0 - abnormal * scale
    if all(part.links for part in parts):
        nothing = NamedResult(id=NOTHING_TOLD, means="none of these is seen", odds_ratios={})
        parts.append(_as_outcome(nothing))
    quiet = sum(not part.links for part in parts)
    return [replace(part, share=part.leak * scale if part.links else rest / quiet) for part in parts]


def _as_outcome(result: NamedResult) -> PossibleOutcome:
    """A result as a finding; its share is its leak."""
    accused = {fault: ratio for fault, ratio in result.odds_ratios.items() if ratio > 1}
    leak, links = result_as_finding(accused) if accused else (1.0, {})
    excused = {fault: ratio for fault, ratio in result.odds_ratios.items() if ratio < 1}
    return PossibleOutcome(result=result.id, means=result.means, share=leak, leak=leak, links=links, excuses=excused)


def _exclusive(test: BenchTest) -> list[NamedResult]:
    """The results of a test that exclude each other.

    A result is left out where those that refine it accuse every fault that it accuses:
    then it never stands alone.
    """
    kept = []
    for result in test.results:
        refining = [other for other in test.results if other.refines == result.id]
        named = {fault for other in refining for fault in _accused(other)}
        if not refining or not _accused(result) <= named:
            kept.append(result)
    return kept


def _narrower(test: BenchTest, taken: Collection[str]) -> tuple[NamedResult | None, list[NamedResult]]:
    """The result found, and those that would narrow it down.

    Where one narrower result is known already, only those still count that would
    clear a fault which it accuses.
    """
    for found in test.results:
        if found.id not in taken and not any(r.refines == found.id for r in test.results if r.id in taken):
            continue
        further = [r for r in test.results if r.refines == found.id and r.id not in taken and _accused(r)]
        blamed = {f for r in test.results if r.id in taken and r.refines == found.id for f in _accused(r)}
        if blamed:
            further = [r for r in further if any(r.odds_ratios.get(fault, 1.0) < 1 for fault in blamed)]
        if further:
            return found, further
    return None, []


def _accused(result: NamedResult) -> frozenset[str]:
    return frozenset(fault for fault, ratio in result.odds_ratios.items() if ratio > 1)
