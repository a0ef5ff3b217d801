"""What to do next: a test, or opening a suspect up, by what the whole rest of the repair would cost.

A test is worth doing if its outcomes would change what is done after it, and if that
saves more than the test takes, with the way to it: what stands open already makes it
cheap, a set that has to be shut down or put together for it makes it dear. How the
rest of a repair is reckoned is told in :mod:`tubewright.judgement.repair_course`.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from tubewright.errors import Fault, InputError
from tubewright.judgement.diagnosis import Evidence, explain, weigh
from tubewright.judgement.explanations import LikelySets
from tubewright.judgement.findings import Findings
from tubewright.judgement.network import Floats
from tubewright.judgement.outcomes import PossibleOutcome, outcome_table
from tubewright.judgement.repair_course import BENCH_RATE_PER_HOUR, Course, Step
from tubewright.judgement.workplace import Access, Workplace, needs_of_repair, needs_of_test
from tubewright.knowledge.model import Hazard, Knowledge, Needs

WORTH_TELLING: Final = 1e-6
"""Bits below which a test tells nothing."""
LOOK_FIRST_MINUTES: Final = 3.0
"""What it is worth to know before a suspect is opened up that is more likely sound than not (from memory, estimate)."""
TOO_UNLIKELY: Final = 0.05
"""Probability below which opening a suspect up is no advice (from memory, estimate)."""
LEAST_SHOWN: Final = 0.05
LEAST_SAVED: Final = 0.5

CLOSED: Final = Workplace()


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

    ``minutes`` are the test's own; ``access_minutes`` those of the way to it, by
    ``access_steps``; ``effort_minutes`` what both are worth together. ``needs`` is what
    must stand open, ``after`` how the set then stands. ``cautions`` are caution ids of
    the way and of the test; they come before the hand goes in.

    ``information_bits`` is what it is expected to tell about which faults are there;
    ``expected_cost_left`` the minutes' worth of repair still expected after it, without
    its own; ``minutes_saved`` how much that is less than without it;
    ``worth_per_minute`` the saving over the test's own cost, the way there included. Of
    hazardous work a minute counts for more, and parts count as the minutes worked for
    them. ``follows`` is empty for a test not yet taken; for one
    whose result can be narrowed down, it is what was found. ``words`` says why it
    stands where it stands.
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
    needs: Needs
    access_minutes: float
    access_steps: tuple[str, ...]
    effort_minutes: float
    after: Workplace
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ProposedRepair:
    """A suspect worth opening up now.

    ``minutes`` are those to find and mend it if it is the one, ``minutes_if_wrong``
    the minutes' worth lost if it isn't. The other fields are as in :class:`ProposedTest`.
    """

    id: str
    name: str
    repair: str
    probability: float
    minutes: float
    minutes_if_wrong: float
    hazard: Hazard
    cautions: tuple[str, ...]
    expected_cost_left: float
    needs: Needs
    access_minutes: float
    access_steps: tuple[str, ...]
    after: Workplace
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class NextSteps:
    """Tests that could come next, best first, and the suspect that could be opened up instead.

    ``advice`` says which is the better now; ``"nothing"`` if nothing is suspected, or
    no suspect is likely and no test worth its time. ``cost_now`` is the minutes' worth
    of work ahead as it stands, mending included.
    """

    advice: Literal["test", "repair", "nothing"]
    words: str
    tests: tuple[ProposedTest, ...] = ()
    repair: ProposedRepair | None = None
    cost_now: float = 0.0


NOTHING_SUSPECTED: Final = NextSteps(
    advice="nothing",
    words="Nothing seen so far speaks for any fault, so there is nothing to test for.",
)


def quickest_tests(
    findings: Findings,
    knowledge: Knowledge,
    *,
    limit: int = 5,
    done: Collection[str] = (),
    workplace: Workplace = CLOSED,
    rate_per_hour: float = BENCH_RATE_PER_HOUR,
    evidence: Evidence | None = None,
    sets: LikelySets | None = None,
) -> tuple[ProposedTest, ...]:
    """Tests that lead to the end of the repair soonest and most safely, best first.

    They are tests not yet taken, and tests whose result can be narrowed down: B+ was
    low, but does its preset move it? Arguments and errors as :func:`next_steps`.

    Returns:
        The tests; none if nothing is suspected or no test could tell more.
    """
    return next_steps(
        findings,
        knowledge,
        limit=limit,
        done=done,
        workplace=workplace,
        rate_per_hour=rate_per_hour,
        evidence=evidence,
        sets=sets,
    ).tests


def next_steps(
    findings: Findings,
    knowledge: Knowledge,
    *,
    limit: int = 5,
    done: Collection[str] = (),
    workplace: Workplace = CLOSED,
    rate_per_hour: float = BENCH_RATE_PER_HOUR,
    evidence: Evidence | None = None,
    sets: LikelySets | None = None,
) -> NextSteps:
    """The tests worth doing next, and the suspect that could be opened up instead.

    Args:
        findings: What is known.
        knowledge: The catalogue.
        limit: At most so many tests.
        done: Ids of tests that are known to be done though the findings don't hold them.
        workplace: What stands open now.
        rate_per_hour: What the shop earns in an hour, in the currency of its parts;
            it turns the price of a part into minutes.
        evidence: The findings weighed, if the caller has done that already.
        sets: The likely sets of faults of that same evidence.

    Returns:
        The steps, and which is the better.

    Raises:
        InputError: The findings are impossible together, or the rate is nothing to reckon with.
    """
    if not 0 < rate_per_hour < np.inf:
        raise InputError(
            Fault(
                what=f"an hour of the bench is said to earn {rate_per_hour:g}",
                where="rate_per_hour",
                mend="Give what an hour is worth, above 0; leave it out if nothing is earned.",
            )
        )
    if evidence is None or sets is None:
        evidence = weigh(findings, knowledge) if evidence is None else evidence
        posteriors, _ = evidence.posteriors()
        sets = explain(evidence, posteriors)
    if len(sets.faults) == 0:
        return NOTHING_SUSPECTED
    return _Bench(findings, knowledge, evidence, sets, done, workplace, rate_per_hour).advise(limit)


class _Bench:
    """The explanations at hand, and what each step would do to them."""

    def __init__(
        self,
        findings: Findings,
        knowledge: Knowledge,
        evidence: Evidence,
        sets: LikelySets,
        done: Collection[str],
        workplace: Workplace,
        rate_per_hour: float,
    ) -> None:
        self.ids = [evidence.fault_ids[i] for i in sets.faults]
        self.faults = [knowledge.faults[fault] for fault in self.ids]
        self.numbers = sets.members.astype(np.float64)
        self.chances = sets.probabilities
        self.now = self.chances @ self.numbers
        outside = ~evidence.of_the_tube[sets.faults]
        self.elsewhere = (np.any(sets.members[:, outside], axis=1) | ~np.any(sets.members, axis=1)).astype(np.float64)
        taken: dict[str, set[str]] = {}
        for result in findings.results:
            taken.setdefault(result.test, set()).add(result.result)
        open_tests = [test for test in knowledge.tests.values() if test.id not in done and not test.gate]
        self.table = outcome_table(open_tests, taken, self.ids, self.numbers)
        joint = self.table.likelihood * self.chances[:, np.newaxis]
        self.chance = joint.sum(axis=0)
        bits = joint * np.log2(np.maximum(self.table.likelihood, 1e-300) / np.maximum(self.chance, 1e-300))
        self.bits = bits.sum(axis=0)
        self.workplace = workplace
        self.course = Course(
            members=sets.members,
            chances=self.chances,
            faults=self.faults,
            table=self.table,
            workplace=workplace,
            rate_per_hour=rate_per_hour,
        )

    def advise(self, limit: int) -> NextSteps:
        """All steps weighed, and the better kind of step named."""
        steps = self.course.steps
        tests = [step for step in steps if step.sort == "test" and self._tells(step.place) > WORTH_TELLING]
        # A quick test that tells nothing costs little, but nobody wants it second.
        tests.sort(key=lambda step: self.course.now - step.left_minutes < LEAST_SAVED)
        likely = [step for step in steps if step.sort == "repair" and self.now[step.place] >= TOO_UNLIKELY]
        repair = self._repair(likely[0]) if likely else None
        worth = bool(tests) and self.course.now - tests[0].left_minutes >= LEAST_SAVED
        advice: Literal["test", "repair", "nothing"] = "nothing"
        # A look disturbs nothing, so it goes before changing what is more likely sound than not.
        head_start = LOOK_FIRST_MINUTES if likely and self.now[likely[0].place] < 0.5 else 0.0
        if likely and not (worth and tests[0].total < likely[0].total + head_start):
            advice = "repair"
        elif worth:
            advice = "test"
        proposed = tuple(self._test(step) for step in tests[:limit])
        return NextSteps(
            advice=advice,
            words=_advice_words(advice, proposed, repair),
            cost_now=self.course.now,
            tests=proposed,
            repair=repair,
        )

    def _tells(self, place: int) -> float:
        entry = self.table.tests[place]
        return max(0.0, float(self.bits[entry.first : entry.past].sum()))

    def _test(self, step: Step) -> ProposedTest:
        entry = self.table.tests[step.place]
        test = entry.test
        saved = max(0.0, self.course.now - step.left_minutes)
        columns = slice(entry.first, entry.past)
        weights = self.table.told[:, columns] * self.chances[:, np.newaxis]
        after = (weights / np.maximum(weights.sum(axis=0), 1e-300)).T
        then, elsewhere = after @ self.numbers, after @ self.elsewhere
        chance = self.chance[columns]
        return ProposedTest(
            id=test.id,
            name=test.name,
            how=test.how,
            minutes=test.minutes,
            hazard=test.hazard,
            running=test.running,
            cautions=_once(step.access.cautions, test.cautions),
            information_bits=self._tells(step.place),
            expected_cost_left=step.left_minutes,
            minutes_saved=saved,
            worth_per_minute=saved / step.own_minutes,
            follows=entry.found.means if entry.found is not None else "",
            outcomes=tuple(
                self._outcome(entry.outcomes[at], float(chance[at]), then[at], float(elsewhere[at]))
                for at in np.argsort(-chance, kind="stable").tolist()
            ),
            needs=needs_of_test(test),
            access_minutes=step.access.minutes,
            access_steps=step.access.steps,
            effort_minutes=step.own_minutes,
            after=step.access.after,
            words=self._why(step, saved),
        )

    def _repair(self, step: Step) -> ProposedRepair:
        fault = self.faults[step.place]
        chance = float(self.now[step.place])
        wrong = float(self.course.wrong[step.place])
        return ProposedRepair(
            id=fault.id,
            name=fault.name,
            repair=fault.repair,
            probability=chance,
            minutes=fault.minutes,
            minutes_if_wrong=wrong,
            hazard=fault.hazard,
            cautions=_once(step.access.cautions, fault.cautions),
            expected_cost_left=step.left_minutes,
            needs=needs_of_repair(fault),
            access_minutes=step.access.minutes,
            access_steps=step.access.steps,
            after=step.access.after,
            words=(
                f"{fault.name} ({chance:.0%}). If it isn't that, about {wrong:.0f} minutes' worth of work are lost. "
                f"{_way(step.access, self.workplace)}"
            ),
        )

    def _why(self, step: Step, saved: float) -> str:
        ahead = self.course.now
        if saved < LEAST_SAVED:
            gain = f"Saves next to nothing of the {ahead:.0f} minutes' worth of work ahead."
        else:
            gain = (
                f"Saves about {saved:.0f} of the {ahead:.0f} minutes' worth of work ahead, "
                f"and takes {step.own_minutes:.0f} itself."
            )
        return f"{gain} {_way(step.access, self.workplace)}"

    def _outcome(self, outcome: PossibleOutcome, chance: float, after: Floats, elsewhere: float) -> Outcome:
        order = np.argsort(-after, kind="stable")[:3]
        leading = tuple((self.ids[i], float(after[i])) for i in order if after[i] >= LEAST_SHOWN)
        names = [
            f"{self.faults[i].name} {after[i]:.0%} (now {self.now[i]:.0%})" for i in order if after[i] >= LEAST_SHOWN
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


def _once(*groups: tuple[str, ...]) -> tuple[str, ...]:
    """Ids of all groups in order, each once."""
    return tuple(dict.fromkeys(one for group in groups for one in group))


def _way(access: Access, workplace: Workplace) -> str:
    if not access.steps:
        return f"Nothing has to be opened or closed for it ({workplace.words})."
    return f"First {', then '.join(access.steps)}: {access.minutes:.0f} minutes."


def _advice_words(advice: str, tests: tuple[ProposedTest, ...], repair: ProposedRepair | None) -> str:
    if advice == "test":
        return f"Next: {tests[0].name}. {tests[0].words}"
    if advice == "repair" and repair is not None:
        return f"No test is worth its time before this is tried: {repair.words}"
    return (
        "Nothing in the catalogue is likely, and no test is worth its time. "
        "Look again at what was seen, or mark what has been looked for in vain."
    )
