"""Questions of a search put together from the catalogue: all that is said when they are asked."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Final

from tubewright.answers.trace import Search, workplace_of
from tubewright.answers.trace_asking import Telling
from tubewright.answers.trace_questions import AskSymptoms, Choose, Look, Meaning, OpenUp, TakeTest
from tubewright.judgement.findings import Findings, nominal_in_chassis
from tubewright.judgement.next_tests import ProposedTest
from tubewright.judgement.outcomes import NOTHING_TOLD, exclusive, narrower
from tubewright.judgement.workplace import needs_of_repair, needs_of_test, reach
from tubewright.knowledge.model import BenchTest, Knowledge, NamedResult

COMMONEST: Final = 12
"""Symptoms offered to somebody who has no words for what is seen."""


class Putter:
    """Puts questions."""

    def __init__(self, knowledge: Knowledge) -> None:
        self.knowledge = knowledge

    def choose(self, words: str, offered: tuple[str, ...]) -> Choose:
        """Which symptom is meant by some words."""
        symptoms = [self.knowledge.symptoms[name] for name in offered]
        return Choose(words=words, offered=offered, names=tuple((s.owner_says, s.technician_says) for s in symptoms))

    def ask(self, telling: Iterable[Telling]) -> AskSymptoms:
        """Whether the most telling symptoms are there."""

        def named(leading: tuple[tuple[str, float], ...]) -> tuple[tuple[str, float], ...]:
            return tuple((self.knowledge.faults[fault].name, chance) for fault, chance in leading)

        looks = []
        for one in telling:
            symptom = self.knowledge.symptoms[one.id]
            looks.append(
                Look(
                    id=symptom.id,
                    owner_says=symptom.owner_says,
                    technician_says=symptom.technician_says,
                    chance_seen=one.chance_seen,
                    minutes_saved=one.minutes_saved,
                    probability_if_seen=named(one.probability_if_seen),
                    probability_if_not=named(one.probability_if_not),
                )
            )
        return AskSymptoms(looks=tuple(looks))

    def ask_untold(self, name: str) -> AskSymptoms:
        """A symptom that somebody chose though it says little of what is suspected."""
        symptom = self.knowledge.symptoms[name]
        look = Look(
            id=name,
            owner_says=symptom.owner_says,
            technician_says=symptom.technician_says,
            chance_seen=None,
            minutes_saved=0.0,
            probability_if_seen=(),
            probability_if_not=(),
        )
        return AskSymptoms(looks=(look,))

    def take(self, test: ProposedTest, search: Search, findings: Findings) -> TakeTest:
        """What a test shows that the reckoning proposes."""
        facts = self.knowledge.tests[test.id]
        return TakeTest(
            id=test.id,
            name=test.name,
            how=test.how,
            minutes=test.minutes,
            hazard=test.hazard,
            way=test.access_steps,
            way_minutes=test.access_minutes,
            follows=test.follows,
            profile_nominal=self._profile_nominal(search, test.id),
            results=_results(facts, findings, follows=bool(test.follows)),
            meanings=tuple(
                Meaning(result=outcome.result, chance=outcome.chance, words=outcome.words)
                for outcome in test.outcomes
                if outcome.result != NOTHING_TOLD
            ),
            words=test.words,
            after=test.after,
        )

    def take_untold(self, test: BenchTest, search: Search, findings: Findings) -> TakeTest:
        """A test that somebody chose though it can tell nothing of what is suspected."""
        way = reach(workplace_of(search), needs_of_test(test))
        return TakeTest(
            id=test.id,
            name=test.name,
            how=test.how,
            minutes=test.minutes,
            hazard=test.hazard,
            way=way.steps,
            way_minutes=way.minutes,
            follows="",
            profile_nominal=self._profile_nominal(search, test.id),
            results=_results(test, findings, follows=False),
            meanings=(),
            words="It tells nothing of what is suspected now.",
            after=way.after,
        )

    def _profile_nominal(self, search: Search, test: str) -> float | None:
        chassis = self.knowledge.chassis.get(search.start.display.chassis or "")
        return nominal_in_chassis(chassis, test)

    def open_up(self, name: str, search: Search, probability: float, words: str) -> OpenUp:
        """What opening a suspect up comes to."""
        fault = self.knowledge.faults[name]
        way = reach(workplace_of(search), needs_of_repair(fault))
        return OpenUp(
            fault=name,
            name=fault.name,
            repair=fault.repair,
            probability=probability,
            minutes=fault.minutes,
            hazard=fault.hazard,
            way=way.steps,
            way_minutes=way.minutes,
            words=words,
            after=way.after,
        )

    def commonest(self, findings: Findings) -> Choose:
        """Which of the symptoms that displays most often come with is meant."""
        often = dict.fromkeys(self.knowledge.symptoms, 0.0)
        for fault in self.knowledge.faults.values():
            for name, chance in fault.shows.items():
                often[name] += fault.per_1000 * chance
        known = {*findings.present, *findings.absent}
        ranked = sorted(often, key=lambda name: (-often[name], name))
        return self.choose("", tuple([name for name in ranked if name not in known][:COMMONEST]))


def _results(test: BenchTest, findings: Findings, *, follows: bool) -> tuple[NamedResult, ...]:
    """What the test may show: where it goes further, only what narrows down."""
    if follows:
        taken = {result.result for result in findings.results if result.test == test.id}
        _, further = narrower(test, taken)
        return tuple(further)
    return tuple(exclusive(test))
