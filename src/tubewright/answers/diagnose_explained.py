"""The parts of a diagnosis that say why: what speaks for and against whom, and what would tell the first two apart."""

from __future__ import annotations

from typing import Final

from tubewright.answers.diagnosed import (
    FaultExplained,
    FindingExplained,
    Named,
    Pull,
    SeparatingResult,
    Separation,
)
from tubewright.judgement.diagnosis import Weighed
from tubewright.judgement.findings import Findings
from tubewright.judgement.network import Floats
from tubewright.judgement.pulls import named_clues, telling_test
from tubewright.judgement.spoken import (
    A_LITTLE,
    clue_sentence,
    clue_words,
    fault_sentence,
    strength,
    telling_sentence,
)
from tubewright.knowledge.model import Hazard, Knowledge

MOST_LEADING: Final = 4
"""Leading faults for which it is said what speaks for and against them."""
LEADING_FROM: Final = 0.05
"""Probability from which a fault leads (from memory, estimate)."""


def named(fault: str, knowledge: Knowledge) -> Named:
    """A fault by id and in words."""
    return Named(id=fault, name=knowledge.faults[fault].name)


def leading_faults(told: Weighed) -> list[str]:
    """The faults of which it is worth saying what speaks for them; the first two whatever their chance."""
    suspects = told.diagnosis.suspects[:MOST_LEADING]
    return [s.id for n, s in enumerate(suspects) if n < 2 or s.probability >= LEADING_FROM]


def fault_explained(
    fault: str, told: Weighed, changes: Floats, findings: Findings, knowledge: Knowledge
) -> FaultExplained:
    """What speaks for and against one fault."""
    at = told.evidence.fault_ids.index(fault)
    said = [
        Pull(
            finding=clue.id,
            result=clue.result,
            kind=clue.kind,
            name=clue_words(clue, findings, knowledge),
            log_odds=pull,
            words=strength(pull),
        )
        for clue, pull in named_clues(told.evidence.clues, changes, at, A_LITTLE)
    ]
    speaks_for = tuple(p for p in said if p.log_odds > 0)
    against = tuple(p for p in said if p.log_odds < 0)
    name = knowledge.faults[fault].name
    return FaultExplained(
        fault=fault,
        name=name,
        speaks_for=speaks_for,
        speaks_against=against,
        words=fault_sentence(name, [(p.name, p.log_odds) for p in speaks_for], [(p.name, p.log_odds) for p in against]),
    )


def findings_explained(
    leading: list[str], told: Weighed, changes: Floats, findings: Findings, knowledge: Knowledge
) -> tuple[FindingExplained, ...]:
    """What each finding says of the leading faults."""
    places = [(knowledge.faults[fault].name, told.evidence.fault_ids.index(fault)) for fault in leading]
    return tuple(
        FindingExplained(
            finding=clue.id,
            result=clue.result,
            kind=clue.kind,
            words=clue_sentence(
                clue_words(clue, findings, knowledge), [(name, float(changes[row, at])) for name, at in places]
            ),
        )
        for row, clue in enumerate(told.evidence.clues)
    )


def separation(told: Weighed, findings: Findings, knowledge: Knowledge) -> Separation | None:
    """The test that would tell the first two faults apart best; None where none would."""
    if len(told.diagnosis.suspects) < 2:
        return None
    first, second = (named(suspect.id, knowledge) for suspect in told.diagnosis.suspects[:2])
    taken: dict[str, set[str]] = {}
    for result in findings.results:
        taken.setdefault(result.test, set()).add(result.result)
    telling = telling_test(first.id, second.id, told.sets, told.evidence.fault_ids, taken, knowledge)
    if telling is None:
        return None
    test = knowledge.tests[telling.test]
    return Separation(
        first=first,
        second=second,
        test=Named(id=test.id, name=test.name),
        minutes=test.minutes,
        hazard=test.hazard,
        results=tuple(
            SeparatingResult(
                result=r.result,
                means=r.means,
                chance=r.chance,
                first_probability=r.first_probability,
                second_probability=r.second_probability,
            )
            for r in telling.results
        ),
        words=telling_sentence(telling, first.name, second.name, knowledge),
        **cautions_of(knowledge, test.hazard, test.cautions),
    )


def caution_ids(knowledge: Knowledge, hazard: Hazard, extra: tuple[str, ...]) -> tuple[str, ...]:
    """The cautions of a step: those of its hazard class first, then its own."""
    return tuple(dict.fromkeys([*knowledge.hazards[hazard].cautions, *extra]))


def cautions_of(knowledge: Knowledge, hazard: Hazard, extra: tuple[str, ...]) -> dict[str, tuple[str, ...]]:
    """The cautions of a step in words, and what to confirm before it."""
    ids = caution_ids(knowledge, hazard, extra)
    return {
        "cautions": tuple(knowledge.cautions[i].text for i in ids),
        "confirm": tuple(knowledge.cautions[i].confirm for i in ids if knowledge.cautions[i].confirm),
    }
