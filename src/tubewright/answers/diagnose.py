"""What is wrong with this display, what speaks for it, and what to test next?

One pure function: the same case, knowledge, experience and seed give the same
answer in every door.
"""

from __future__ import annotations

from collections.abc import Collection
from typing import Final

import numpy as np

from tubewright.answers.assessment import Remark
from tubewright.answers.diagnose_explained import (
    caution_ids,
    cautions_of,
    fault_explained,
    findings_explained,
    leading_faults,
    named,
    separation,
)
from tubewright.answers.diagnosed import (
    Advice,
    Diagnosed,
    DiagnosisNote,
    FaultAnswer,
    LearnedFigure,
    NextTest,
    OutcomeAnswer,
    Reckoned,
    RepairAnswer,
    RepairState,
    SetAnswer,
    Unexplained,
    ValueAnswer,
)
from tubewright.answers.learned import learned_figures
from tubewright.case import Case
from tubewright.experience import NO_EXPERIENCE, Experience
from tubewright.judgement.at_once import cannot_wait
from tubewright.judgement.clashes import excluding_results, hardly_together, impossible_together
from tubewright.judgement.complaint import believed_emission, misread_odds, retentions
from tubewright.judgement.condition import infer_condition
from tubewright.judgement.consistency import check
from tubewright.judgement.diagnosis import Diagnosis, Weighed, diagnose_findings, weighed
from tubewright.judgement.evidence import weigh
from tubewright.judgement.faults_learned import LearnedFaults, learn_faults
from tubewright.judgement.findings import Findings, gather_findings
from tubewright.judgement.learning import learn
from tubewright.judgement.network import ImpossibleError
from tubewright.judgement.next_tests import NextSteps, ProposedTest, next_steps
from tubewright.judgement.pulls import pulls
from tubewright.judgement.readings import normalise
from tubewright.judgement.repair_course import BENCH_RATE_PER_HOUR
from tubewright.judgement.spoken import (
    value_sentence,
)
from tubewright.judgement.workplace import Workplace, stands_after
from tubewright.knowledge.model import Knowledge

DIAGNOSIS_VERSION: Final = "1"
"""Changes whenever the same case may get another answer."""
PARTICLES: Final = 1000
"""Tubes that fit the readings, from which the emission of each gun is read."""
MOST_NAMED: Final = 6
"""Tests listed as worth doing next."""

ASK: Final = (
    "What does the owner see or hear? The first complaint is enough to start; `tubewright list symptoms` has the words."
)
"""What is asked where nothing is known."""


def diagnose(
    case: Case,
    knowledge: Knowledge,
    experience: Experience = NO_EXPERIENCE,
    *,
    seed: int = 1,
    workplace: Workplace | None = None,
    set_aside: Collection[str] = (),
) -> Diagnosed:
    """Name the suspects, what speaks for and against them, and the next tests.

    Args:
        case: What is known.
        knowledge: The trade's knowledge.
        experience: What the shop's own closed jobs taught; leave it out for the general figures.
        seed: Seed of whatever is sampled.
        workplace: What stands open now; with nothing said, what the case's tests left open, in their order.
        set_aside: Ids of tests that nobody wants proposed now.

    Returns:
        The diagnosis.

    Raises:
        InputError: The case names symptoms, tests, results or faults that don't exist, or
            holds findings that are impossible together: the fewest that clash are named.
    """
    place = stands_after((test.id for test in case.tests), knowledge) if workplace is None else workplace
    learned = learn_faults(knowledge, experience)
    ours = learned.knowledge
    findings = findings_of(case, knowledge, experience, seed=seed)
    try:
        told = weighed(findings, ours, without_each=True, seed=seed)
    except ImpossibleError:
        raise impossible_together(weigh(findings, ours), findings, ours) from None
    general = diagnose_findings(findings, knowledge, seed=seed) if learned.jobs else told.diagnosis
    steps = next_steps(
        findings,
        ours,
        limit=MOST_NAMED,
        done=set_aside,
        workplace=place,
        rate_per_hour=case.costs.bench_rate_per_hour or BENCH_RATE_PER_HOUR,
        evidence=told.evidence,
        sets=told.sets,
    )
    changes = pulls(told.solved.posteriors)
    leading = leading_faults(told)
    return Diagnosed(
        headline=_headline(told.diagnosis, findings, ours),
        at_once=cannot_wait(findings.present, ours),
        faults=_faults(told.diagnosis, general, findings, knowledge, ours),
        explanations=tuple(
            SetAnswer(faults=tuple(named(name, ours) for name in e.faults), probability=e.probability)
            for e in told.diagnosis.explanations
        ),
        explanations_cover=told.diagnosis.explanations_cover,
        probability_tube=told.diagnosis.probability_tube,
        probability_elsewhere=told.diagnosis.probability_elsewhere,
        probability_unknown=told.diagnosis.probability_unknown,
        explains=tuple(fault_explained(fault, told, changes, findings, ours) for fault in leading),
        findings=findings_explained(leading, told, changes, findings, ours),
        unexplained=tuple(
            Unexplained(
                id=name,
                name=ours.symptoms[name].owner_says.rstrip("."),
                probability=told.diagnosis.unexplained_probability[name],
            )
            for name in told.diagnosis.unexplained
        ),
        separates=separation(told, findings, ours),
        next_tests=tuple(_next_test(test, case, ours) for test in steps.tests),
        advice=_advice(steps),
        stands=place.words,
        repairs=_repairs(findings, ours),
        values=tuple(
            ValueAnswer(
                test=read.test,
                name=ours.tests[read.test].name,
                value=read.value,
                unit=read.unit,
                reference=read.reference,
                reference_from=read.reference_from,
                shares=dict(read.shares),
                words=value_sentence(read, ours),
            )
            for read in findings.values
        ),
        remarks=_remarks(told, findings, ours),
        asks=() if findings.present or findings.results or findings.confirmed else (ASK,),
        learned=_learned(learned, told.diagnosis, knowledge),
        method=_method(told),
        model=DiagnosisNote(version=DIAGNOSIS_VERSION, seed=seed, jobs_learned_from=learned.jobs, words=learned.words),
    )


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


def _headline(told: Diagnosis, findings: Findings, knowledge: Knowledge) -> str:
    settled = ", ".join(knowledge.faults[fault].name for fault in findings.confirmed)
    before = f"Confirmed: {settled}. " if settled else ""
    if not told.suspects:
        if before:
            return f"{before}Nothing else that was found points at a further fault."
        known = findings.present or findings.results
        return "Nothing that was found points at a fault of the catalogue." if known else "Nothing is known yet."
    first, *rest = told.suspects
    if told.probability_unknown > max(0.5, first.probability):
        chance = _percent(told.probability_unknown)
        return f"{before}Most likely ({chance}) none of the faults in the catalogue; of these {first.name} leads."
    also = f", before {rest[0].name} ({_percent(rest[0].probability)})" if rest else ""
    rather = "Most likely" if first.probability >= 0.5 else "Not settled yet; first comes"
    return f"{before}{rather}: {first.name} ({_percent(first.probability)}){also}."


def _percent(chance: float) -> str:
    """A chance in words: in steps of five where it is open, finer towards the ends."""
    if not 0.005 <= chance <= 0.995:
        return "over 99 %" if chance > 0.5 else "under 1 %"
    step = 5 if 0.1 <= chance <= 0.9 else 1
    return f"{round(100 * chance / step) * step} %"


def _faults(
    told: Diagnosis, general: Diagnosis, findings: Findings, knowledge: Knowledge, ours: Knowledge
) -> tuple[FaultAnswer, ...]:
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
                probability_sd=told.posterior_sd[fault.id],
                general_probability=general.posteriors[fault.id],
                prior_probability=ours.faults[fault.id].per_1000 / 1000,
                state="excluded" if fault.id in findings.excluded else "suspected",
                hazard=fault.hazard,
                repair=fault.repair,
                minutes=fault.minutes,
                parts=fault.parts,
                confirm_with=fault.confirmed_by,
                **cautions_of(knowledge, fault.hazard, fault.cautions),
            )
        )
    return tuple(answers)


_STATE_WORDS: Final[dict[RepairState, str]] = {
    "found": "found; it explains what it explains, and is still to be mended",
    "mended": "mended; it explains what it explains",
    "excluded": "ruled out by somebody, so its odds count for a twentieth",
}


def _repairs(findings: Findings, knowledge: Knowledge) -> tuple[RepairAnswer, ...]:
    settled: list[tuple[RepairState, tuple[str, ...]]] = [
        ("found", findings.found),
        ("mended", findings.mended),
        ("excluded", findings.excluded),
    ]
    return tuple(
        RepairAnswer(
            id=fault,
            name=knowledge.faults[fault].name,
            state=state,
            words=f"{knowledge.faults[fault].name}: {_STATE_WORDS[state]}.",
            hazard=knowledge.faults[fault].hazard,
            repair=knowledge.faults[fault].repair,
            minutes=knowledge.faults[fault].minutes,
            **cautions_of(knowledge, knowledge.faults[fault].hazard, knowledge.faults[fault].cautions),
        )
        for state, faults in settled
        for fault in faults
    )


def _remarks(told: Weighed, findings: Findings, knowledge: Knowledge) -> tuple[Remark, ...]:
    remarks = [
        Remark(kind="contradiction", words=clash.words, mend="Keep the one that holds now.")
        for clash in excluding_results(findings, knowledge)
    ]
    remarks += [
        Remark(kind="doubt", words=clash.words, mend="Look again, or take it for the work of something unusual.")
        for clash in hardly_together(told.evidence, findings, knowledge)
    ]
    remarks += [Remark(kind="doubt", words=f"{_capital(doubt)}.", mend="") for doubt in findings.doubts]
    remarks += [Remark(kind="note", words=f"{_capital(words)}.", mend="") for words in findings.silent]
    return tuple(remarks)


def _capital(words: str) -> str:
    return words[:1].upper() + words[1:]


def _learned(told: LearnedFaults, diagnosis: Diagnosis, knowledge: Knowledge) -> tuple[LearnedFigure, ...]:
    """The figures of the suspects that the shop's own jobs have moved."""
    named = {suspect.id for suspect in diagnosis.suspects}
    return tuple(figure for figure in learned_figures(told, knowledge) if figure.fault in named)


def _method(told: Weighed) -> Reckoned:
    if told.solved.exact:
        words = "Reckoned exactly, nothing sampled."
        if told.solved.samples:
            words = f"The chances are exact; what each finding speaks for was read off {told.solved.samples} samples."
        return Reckoned(kind="exact", largest_sd=0.0, samples=told.solved.samples, words=words)
    sd = float(told.solved.posterior_sd[0].max())
    return Reckoned(
        kind="sampled",
        largest_sd=sd,
        samples=told.solved.samples,
        words=(
            f"So many findings hang together that they were sampled, {told.solved.samples} times; the standard error "
            f"of a chance is {100 * sd:.1g} points of a hundred at the most."
        ),
    )


def _advice(steps: NextSteps) -> Advice:
    repair = steps.repair
    return Advice(
        kind=steps.advice,
        words=steps.words,
        fault="" if repair is None else repair.id,
        access_steps=() if repair is None else repair.access_steps,
        expected_cost_left=steps.cost_now,
    )


def _next_test(test: ProposedTest, case: Case, knowledge: Knowledge) -> NextTest:
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
        nominal_words=nominal_words(test.id, case, knowledge),
        access_minutes=test.access_minutes,
        access_steps=test.access_steps,
        words=test.words,
        outcomes=tuple(
            OutcomeAnswer(result=o.result, means=o.means, chance=o.chance, leading=o.leading, words=o.words)
            for o in test.outcomes
        ),
        **cautions_of(knowledge, test.hazard, test.cautions),
    )


_BASE_UNITS: Final = {"d_eht": ("kV", 1e-3), "d_focus": ("kV", 1e-3), "p_input_ohm": ("ohm", 1.0)}


def nominal_words(test: str, case: Case, knowledge: Knowledge) -> str:
    """What the reading is held against, where that is known."""
    unit, factor = _BASE_UNITS.get(test, ("V", 1.0))
    chassis = knowledge.chassis.get(case.display.chassis or "")
    of_chassis = None if chassis is None else chassis.nominal(test)
    if of_chassis is not None and chassis is not None and test.startswith(("d_", "p_input")):
        return f"Right in {chassis.name}: {of_chassis * factor:g} {unit}."
    usual = knowledge.tests[test].usual_nominal
    return f"Usual: {usual * factor:g} {unit}." if usual is not None else ""
