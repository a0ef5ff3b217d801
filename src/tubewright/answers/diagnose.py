"""What is wrong with this display, what speaks for it, and what to test next?

One pure function: the same case, knowledge, experience and seed give the same
answer in every door.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from tubewright.answers.diagnosed import (
    Diagnosed,
    DiagnosisNote,
    FaultAnswer,
    Named,
    NextTest,
    OutcomeAnswer,
    Reckoned,
    SetAnswer,
    Unexplained,
)
from tubewright.case import Case
from tubewright.experience import NO_EXPERIENCE, Experience
from tubewright.judgement.complaint import believed_emission, misread_odds, retentions
from tubewright.judgement.condition import infer_condition
from tubewright.judgement.consistency import check
from tubewright.judgement.diagnosis import Diagnosis, diagnose_findings
from tubewright.judgement.findings import Findings, gather_findings
from tubewright.judgement.learning import learn
from tubewright.judgement.next_tests import ProposedTest, quickest_tests
from tubewright.judgement.readings import normalise
from tubewright.knowledge.model import Hazard, Knowledge

DIAGNOSIS_VERSION: Final = "1"
"""Changes whenever the same case may get another answer."""
PARTICLES: Final = 1000
"""Tubes that fit the readings, from which the emission of each gun is read."""
MOST_NAMED: Final = 6
"""Tests listed as worth doing next."""


def diagnose(case: Case, knowledge: Knowledge, experience: Experience = NO_EXPERIENCE, *, seed: int = 1) -> Diagnosed:
    """Name the suspects, what speaks for and against them, and the next tests.

    Args:
        case: What is known.
        knowledge: The trade's knowledge.
        experience: What the shop's own closed jobs taught; leave it out for the general figures.
        seed: Seed of whatever is sampled.

    Returns:
        The diagnosis.

    Raises:
        InputError: The case names symptoms, tests or results that don't exist, or
            holds findings that are impossible together.
    """
    findings = findings_of(case, knowledge, experience, seed=seed)
    told = diagnose_findings(findings, knowledge)
    tests = quickest_tests(findings, knowledge, limit=MOST_NAMED)
    return Diagnosed(
        headline=_headline(told, findings),
        faults=_faults(told, knowledge),
        explanations=tuple(
            SetAnswer(
                faults=tuple(Named(id=name, name=knowledge.faults[name].name) for name in e.faults),
                probability=e.probability,
            )
            for e in told.explanations
        ),
        explanations_cover=told.explanations_cover,
        probability_tube=told.probability_tube,
        probability_elsewhere=told.probability_elsewhere,
        probability_unknown=told.probability_unknown,
        explains=(),
        findings=(),
        unexplained=tuple(
            Unexplained(id=name, name=knowledge.symptoms[name].owner_says, probability=1.0) for name in told.unexplained
        ),
        separates=None,
        next_tests=tuple(_next_test(test, knowledge) for test in tests),
        repairs=(),
        values=(),
        remarks=(),
        asks=() if findings.present or findings.results else (ASK,),
        learned=(),
        method=Reckoned(kind="exact", largest_sd=0.0, samples=0, words="Reckoned exactly."),
        model=DiagnosisNote(
            version=DIAGNOSIS_VERSION, seed=seed, jobs_learned_from=experience.closed_jobs, words="General figures."
        ),
    )


ASK: Final = "What does the owner see or hear? `tubewright list symptoms` has the words for it."


def findings_of(case: Case, knowledge: Knowledge, experience: Experience = NO_EXPERIENCE, *, seed: int = 1) -> Findings:
    """Everything in a case that speaks for or against a fault, with the guns' emission as ``assess`` believes it."""
    consistency = check(case, knowledge)
    normal = normalise(case, knowledge, experience, without=consistency.discard)
    emission = {}
    if normal.any_emission:
        condition = infer_condition(
            case,
            normal,
            knowledge,
            learn(knowledge, experience),
            np.random.default_rng(seed),
            particles=PARTICLES,
            misread_odds=misread_odds(case, knowledge) * consistency.doubt,
        )
        emission = believed_emission(condition)
    return gather_findings(case, knowledge, emission=emission, retention=retentions(normal))


def _headline(told: Diagnosis, findings: Findings) -> str:
    if not told.suspects:
        return "Nothing is known yet." if not findings.results else "Nothing known so far points at a fault."
    first = told.suspects[0]
    return f"Most likely: {first.name} ({first.probability:.0%})."


def _faults(told: Diagnosis, knowledge: Knowledge) -> tuple[FaultAnswer, ...]:
    answers = []
    for suspect in told.suspects:
        fault = knowledge.faults[suspect.id]
        answers.append(
            FaultAnswer(
                id=fault.id,
                name=fault.name,
                subsystem=fault.subsystem,
                of_the_tube=fault.of_the_tube,
                probability=suspect.probability,
                probability_sd=0.0,
                general_probability=suspect.probability,
                prior_probability=fault.per_1000 / 1000,
                state="suspected",
                hazard=fault.hazard,
                repair=fault.repair,
                minutes=fault.minutes,
                parts=fault.parts,
                confirm_with=fault.confirmed_by,
                **cautions_of(knowledge, fault.hazard, fault.cautions),
            )
        )
    return tuple(answers)


def _next_test(test: ProposedTest, knowledge: Knowledge) -> NextTest:
    return NextTest(
        id=test.id,
        name=test.name,
        how=test.how,
        minutes=test.minutes,
        hazard=test.hazard,
        running=test.running,
        information_bits=test.information_bits,
        expected_cost_left=test.expected_cost_left,
        minutes_saved=test.minutes_saved,
        caution_ids=caution_ids(knowledge, test.hazard, test.cautions),
        follows=test.follows,
        nominal_words="",
        outcomes=tuple(
            OutcomeAnswer(result=o.result, means=o.means, chance=o.chance, leading=o.leading, words=o.words)
            for o in test.outcomes
        ),
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
