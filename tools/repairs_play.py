"""Plays one repair to its end: a policy tests and opens, the world answers, a clock runs.

Every policy knows the catalogue and the diagnosis after each finding; what differs is
how it chooses the next step. All are charged alike: the test's minutes and those of
the way to it, part of a suspect's minutes for opening it up, and the parts that
opening the wrong one costs. A repair ends when every fault that the owner's complaint
comes from is confirmed: by a result that settles the matter, or by opening it up.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Final, Literal

import numpy as np
from repairs_world import NONE_SEEN, Display, World

from tubewright.errors import InputError, RefusedError
from tubewright.judgement.diagnosis import Evidence, explain, weigh
from tubewright.judgement.explanations import LikelySets
from tubewright.judgement.findings import Findings, TakenResult
from tubewright.judgement.network import Floats
from tubewright.judgement.next_tests import next_steps
from tubewright.judgement.outcomes import OutcomeTable, outcome_table
from tubewright.judgement.repair_course import PARTS_PRICE, PARTS_RISK, SETTLING_MINUTES, WRONG_SHARE
from tubewright.judgement.workplace import Access, Workplace, needs_of_repair, needs_of_test, reach, there_and_back
from tubewright.knowledge.model import NEAR_CERTAIN_RATIO, Knowledge

MOST_STEPS: Final = 80
SURE_ENOUGH: Final = 0.25
"""The baselines open a suspect from this probability on: the best for them of 0.25, 0.3, 0.35, 0.5 and 0.8."""
TELLS: Final = 0.05
"""Bits below which the baselines take no test."""
ORDER: Final = ("v", "o", "p", "t", "d", "s", "x")
"""The fixed order: look, operate, unpowered, tube, voltages, signals, exchange."""

Kind = Literal["test", "open", "stop"]


@dataclass(slots=True)
class State:
    """What a policy may know."""

    knowledge: Knowledge
    findings: Findings
    evidence: Evidence
    posteriors: Floats
    sets: LikelySets
    done: set[str]
    excluded: set[str]
    workplace: Workplace

    def table(self) -> tuple[OutcomeTable, Floats, list[str]]:
        """What tests could tell, the bits of each, and the suspects."""
        ids = [self.evidence.fault_ids[i] for i in self.sets.faults]
        numbers = self.sets.members.astype(np.float64)
        taken: dict[str, set[str]] = {}
        for result in self.findings.results:
            taken.setdefault(result.test, set()).add(result.result)
        tests = [t for t in self.knowledge.tests.values() if t.id not in self.done and not t.gate]
        table = outcome_table(tests, taken, ids, numbers)
        joint = table.likelihood * self.sets.probabilities[:, np.newaxis]
        chance = np.maximum(joint.sum(axis=0), 1e-300)
        each = (joint * np.log2(np.maximum(table.likelihood, 1e-300) / chance)).sum(axis=0)
        bits = np.array([each[e.first : e.past].sum() for e in table.tests])
        return table, bits, ids

    def likeliest(self) -> tuple[str, float]:
        """The suspect with the highest posterior, and that."""
        if len(self.sets.faults) == 0:
            return "", 0.0
        at = int(self.sets.faults[np.argmax(self.posteriors[self.sets.faults])])
        return self.evidence.fault_ids[at], float(self.posteriors[at])


Policy = Callable[[State], tuple[Kind, str]]


def ours(state: State) -> tuple[Kind, str]:
    """What the library advises."""
    steps = next_steps(
        state.findings,
        state.knowledge,
        limit=1,
        done=state.done,
        workplace=state.workplace,
        evidence=state.evidence,
        sets=state.sets,
    )
    if steps.advice == "test":
        return "test", steps.tests[0].id
    if steps.advice == "repair" and steps.repair is not None:
        return "open", steps.repair.id
    return "stop", ""


def by_prior(state: State) -> tuple[Kind, str]:
    """No test at all: open what could show the complaint, the commonest first."""
    could = np.flatnonzero(state.evidence.accused & (state.posteriors > 0))
    if len(could) == 0:
        return "stop", ""
    return "open", state.evidence.fault_ids[int(could[np.argmax(state.evidence.priors[could])])]


def by_entropy(state: State) -> tuple[Kind, str]:
    """The test with the most bits, until one suspect stands out."""
    suspect, chance = state.likeliest()
    if chance >= SURE_ENOUGH:
        return "open", suspect
    table, bits, _ = state.table()
    if len(bits) and bits.max() >= TELLS:
        return "test", table.tests[int(np.argmax(bits))].test.id
    return ("open", suspect) if suspect else ("stop", "")


def in_order(state: State) -> tuple[Kind, str]:
    """The tests that tell something, in the order of the trade, until one suspect stands out."""
    suspect, chance = state.likeliest()
    if chance >= SURE_ENOUGH:
        return "open", suspect
    table, bits, _ = state.table()
    telling = [e.test.id for e, b in zip(table.tests, bits, strict=True) if b >= TELLS]
    if telling:
        ids = list(state.knowledge.tests)
        return "test", min(telling, key=lambda t: (ORDER.index(t.partition("_")[0]), ids.index(t)))
    return ("open", suspect) if suspect else ("stop", "")


def untested(state: State) -> tuple[Kind, str]:
    """No test, but the diagnosis: the likeliest suspect is opened, again and again."""
    suspect, _ = state.likeliest()
    return ("open", suspect) if suspect else ("stop", "")


POLICIES: Final[dict[str, Policy]] = {
    "ours": ours,
    "prior order": by_prior,
    "entropy only": by_entropy,
    "fixed order": in_order,
    "likeliest, untested": untested,
}
"""Ours, the three baselines, and the diagnosis without any choice of tests."""


@dataclass(slots=True)
class Played:
    """How one repair went.

    ``guesses`` holds for every step (numbered from 0, before any test) the posterior of
    each accused fault, and whether it was there. ``refused`` counts findings that could
    not be reckoned together, so that the oldest result was forgotten.
    """

    display: int
    world: str
    policy: str
    tests: int = 0
    opened: int = 0
    minutes: float = 0.0
    hazard_minutes: float = 0.0
    parts_price: float = 0.0
    confirmed: bool = False
    refused: int = 0
    most_findings: int = 0
    course: list[str] = field(default_factory=list)
    guesses: list[tuple[int, float, bool]] = field(default_factory=list)


def play(
    display: Display, world: World, policy: str, knowledge: Knowledge, *, workplace: Workplace | None = None
) -> Played:
    """Play one repair to its end.

    Args:
        display: What is wrong, and what was told.
        world: Answers the tests.
        policy: Name of the policy.
        knowledge: What the policy goes by.
        workplace: How the set stands at the start; a closed set if left out.

    Returns:
        How it went.
    """
    played = Played(display=display.number, world=world.name, policy=policy)
    bench = _Play(display, world, knowledge, played, workplace or Workplace())
    while bench.blamed and played.tests + played.opened < MOST_STEPS:
        state = bench.state()
        bench.note(state)
        kind, what = POLICIES[policy](state)
        if kind == "stop":  # nothing advised: whatever is likeliest is opened, as a person would
            what, _ = state.likeliest()
            if not what:
                break
            kind = "open"
        if kind == "test":
            bench.test(what)
        else:
            bench.open(what)
    played.confirmed = not bench.blamed
    return played


class _Play:
    def __init__(
        self, display: Display, world: World, knowledge: Knowledge, played: Played, workplace: Workplace
    ) -> None:
        self.display, self.world, self.knowledge, self.played = display, world, knowledge, played
        self.workplace = workplace
        self.blamed = set(display.blamed)
        self.there = set(display.faults)
        self.findings = Findings(present=display.present, absent=display.absent)
        self.done: set[str] = set()
        self.excluded: set[str] = set()

    def state(self) -> State:
        """The diagnosis as it stands."""
        while True:
            try:
                evidence = weigh(self.findings, self.knowledge)
                out = np.array([fault in self.excluded for fault in evidence.fault_ids])
                evidence = dataclasses.replace(evidence, still=np.where(out, 0.0, evidence.still))
                posteriors, _ = evidence.posteriors()
                sets = explain(evidence, posteriors)
            except (InputError, RefusedError):
                # Findings that can't be reckoned together: forget the oldest result, and say so in the count.
                if not self.findings.results:
                    raise
                self.played.refused += 1
                self.findings = dataclasses.replace(self.findings, results=self.findings.results[1:])
            else:
                break
        self.played.most_findings = max(self.played.most_findings, len(evidence.leaks))
        return State(
            knowledge=self.knowledge,
            findings=self.findings,
            evidence=evidence,
            posteriors=posteriors,
            sets=sets,
            done=self.done,
            excluded=self.excluded,
            workplace=self.workplace,
        )

    def note(self, state: State) -> None:
        """What is said of every accused fault, and whether it is there."""
        step = self.played.tests + self.played.opened
        for at in np.flatnonzero(state.evidence.accused & (state.posteriors > 0)).tolist():
            fault = state.evidence.fault_ids[at]
            self.played.guesses.append((step, float(state.posteriors[at]), fault in self.there))

    def test(self, name: str) -> None:
        """Take a test, and enter what it shows."""
        test = self.knowledge.tests[name]
        self._go(reach(self.workplace, needs_of_test(test)))
        minutes = test.minutes + SETTLING_MINUTES
        self.played.minutes += minutes
        self.played.hazard_minutes += minutes if test.hazard in {"H2", "H3", "H4"} else 0.0
        self.played.tests += 1
        known = next((r.result for r in self.findings.results if r.test == name), "")
        base = next((r.refines for r in test.results if r.id == known), "") or known
        shown = self.world.result(self.display, name, base)
        self.played.course.append(f"{name}={shown}")
        if shown == NONE_SEEN or any(r.test == name and r.result == shown for r in self.findings.results):
            self.done.add(name)
            return
        taken = TakenResult(test=name, result=shown, gun=None, origin="test", words="")
        self.findings = dataclasses.replace(self.findings, results=(*self.findings.results, taken))
        ratios = next(r.odds_ratios for r in test.results if r.id == shown)
        for fault in [f for f in self.blamed if ratios.get(f, 1.0) >= NEAR_CERTAIN_RATIO]:
            self._confirm(fault)

    def open(self, fault_id: str) -> None:
        """Open a suspect up."""
        fault = self.knowledge.faults[fault_id]
        self._go(there_and_back(self.workplace, needs_of_repair(fault)))
        minutes = WRONG_SHARE * fault.minutes
        self.played.minutes += minutes
        self.played.hazard_minutes += minutes if fault.hazard in {"H2", "H3", "H4"} else 0.0
        self.played.opened += 1
        self.played.course.append(f"open {fault_id}{' !' if fault_id in self.blamed else ''}")
        if fault_id in self.there:
            self._confirm(fault_id)
        else:
            self.excluded.add(fault_id)
            self.played.parts_price += PARTS_RISK * min((PARTS_PRICE[p] for p in fault.parts), default=0.0)

    def _go(self, access: Access) -> None:
        self.played.minutes += access.minutes
        self.played.hazard_minutes += access.hazard_minutes
        self.workplace = access.after

    def _confirm(self, fault: str) -> None:
        """The fault is mended: what it alone showed is gone, and results that accuse it no longer hold."""
        self.blamed.discard(fault)
        self.there.discard(fault)
        self.excluded.add(fault)
        causes = self.display.causes
        left = tuple(s for s in self.findings.present if not causes[s] or causes[s] & self.there)
        results = tuple(r for r in self.findings.results if not self._accuses(r, fault))
        self.findings = dataclasses.replace(self.findings, present=left, results=results)
        self.display = dataclasses.replace(self.display, faults=frozenset(self.there))

    def _accuses(self, taken: TakenResult, fault: str) -> bool:
        results = self.knowledge.tests[taken.test].results
        return any(r.id == taken.result and r.odds_ratios.get(fault, 1.0) > 1 for r in results)


def cost(played: Played, rate_per_hour: float) -> float:
    """Minutes and parts of one repair in minutes."""
    return played.minutes + played.parts_price / rate_per_hour * 60
