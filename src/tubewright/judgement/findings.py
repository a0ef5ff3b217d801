"""From a case to findings: symptoms seen or looked for in vain, and results of bench tests.

A result may be named in the case, read off a number there, or follow from the tube
readings (the getter, leakages, the slump of a gun and so on). Each carries factors on
the odds of faults; one test speaks with one factor per fault, however many guns or
spots it was tried on.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Literal

from tubewright.case import Case, Gun, ReadingKind
from tubewright.errors import Fault, InputError
from tubewright.judgement.ranges import result_of_value
from tubewright.judgement.readings import current_readings
from tubewright.knowledge.model import BenchTest, Knowledge

ALL_LOW_BELOW: Final = 0.40
"""Relative emission under which every gun counts as worn (from memory, estimate)."""
ONE_LOW_BELOW_OF_BEST: Final = 0.60
"""Share of the best gun under which one gun counts as low (from memory, estimate)."""
ALL_GOOD_FROM: Final = 0.60
"""Relative emission from which no gun counts as worn (from memory, estimate)."""

_GETTER_SAYS: Final[dict[str, str]] = {"silver": "dark", "white": "white", "clear": "clear"}
_NECK_SAYS: Final[dict[str, str]] = {"sound": "sound", "cracked": "cracked"}
_READING_TESTS: Final[dict[ReadingKind, str]] = {
    "leakage_heater_cathode": "t_leak_hk",
    "leakage_cathode_grid1": "t_leak_kg1",
    "leakage_grid1_grid2": "t_leak_g1g2",
    "gas": "t_gas",
    "heater_voltage": "d_heater_rms",
    "heater_current": "t_heater_vi",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenResult:
    """One result of one bench test; ``words`` says where it comes from."""

    test: str
    result: str
    gun: Gun | None
    origin: Literal["test", "reading"]
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What is known of a display, in the ids of the catalogue.

    ``silent`` tells of values that fall in no range of their test and so say nothing;
    ``doubts`` of numbers read twice that contradict each other.
    """

    present: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    results: tuple[TakenResult, ...] = ()
    silent: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()

    @property
    def tests_done(self) -> frozenset[str]:
        """Tests that need not be proposed again."""
        return frozenset(result.test for result in self.results)


def gather_findings(
    case: Case,
    knowledge: Knowledge,
    *,
    emission: Mapping[Gun, float] | None = None,
    retention: Mapping[Gun, float] | None = None,
    include_readings: bool = True,
) -> Findings:
    """Everything in a case that speaks for or against a fault.

    Args:
        case: The case.
        knowledge: Names, ranges and weights of symptoms and tests.
        emission: Relative emission of each gun at rated heater, 1 = reference gun.
        retention: Reduced-heater over full-heater emission of each gun.
        include_readings: Whether results that follow from the tube's readings and from
            its looks count. A caller that weighs those itself leaves them out. A test
            that the case names outright always counts, and takes the place of the
            same test read off the readings.

    Returns:
        The findings.

    Raises:
        InputError: An id or a named result is not in the catalogue (the nearest names
            are offered), a value has no range or no nominal to be held against, or a
            symptom is marked both present and absent. All faults together.
    """
    faults: list[Fault] = []
    present, absent = _symptoms(case, knowledge, faults)
    taken: list[TakenResult] = []
    silent: list[str] = []
    doubts: list[str] = []
    measured: dict[tuple[str, Gun | None], TakenResult] = {}
    for number, given in enumerate(case.tests):
        where = f"tests[{number}]"
        test = knowledge.tests.get(given.id)
        if test is None:
            faults.append(_unknown("test", given.id, knowledge.tests, f"{where}.id"))
            continue
        if given.result is not None:
            names = [result.id for result in test.results]
            if given.result not in names:
                faults.append(_unknown(f"result of {test.id}", given.result, names, f"{where}.result"))
                continue
            taken.append(_taken(test, given.result, "test", f"{test.name}: {given.result}", gun=given.gun))
        elif given.value is not None:
            unit = given.unit or ""
            try:
                named = result_of_value(test, value=given.value, unit=unit, nominal=given.nominal)
            except InputError as error:
                faults += [Fault(what=f.what, where=f"{where}.value", mend=f.mend) for f in error.faults]
                continue
            words = f"{test.name}: {given.value:g} {unit}"
            if named is None:
                silent.append(f"{words} says nothing for or against a fault")
                continue
            result = _taken(test, named.id, "test", words, gun=given.gun)
            first = measured.setdefault((test.id, given.gun), result)
            if first.result != result.result:
                doubts.append(f"{first.words}, but also {given.value:g} {unit}")
            taken.append(result)
    if faults:
        raise InputError(faults)
    if include_readings:
        outright = {result.test for result in taken}
        taken += [
            result
            for result in _from_readings(case, knowledge, emission or {}, retention or {})
            if result.test not in outright
        ]
    taken = list(dict.fromkeys(taken))
    return Findings(present=present, absent=absent, results=tuple(taken), silent=tuple(silent), doubts=tuple(doubts))


@dataclass(frozen=True, slots=True, kw_only=True)
class Weight:
    """How far one result speaks for faults: a factor above 1 on the odds of each."""

    test: str
    result: str
    ratios: Mapping[str, float]


def accusations(findings: Findings, knowledge: Knowledge) -> tuple[Weight, ...]:
    """What speaks for faults: one weight per distinct result.

    A result that several faults could bring about needs only one of them, so these
    are no factors to be multiplied in, but findings to be explained
    (:func:`tubewright.judgement.diagnosis.weigh`).
    """
    weights = []
    for name, ids in _results_by_test(findings, knowledge).items():
        for result in knowledge.tests[name].results:
            ratios = {fault: ratio for fault, ratio in result.odds_ratios.items() if ratio > 1}
            if result.id in ids and ratios:
                weights.append(Weight(test=name, result=result.id, ratios=ratios))
    return tuple(weights)


def excuses(findings: Findings, knowledge: Knowledge) -> dict[str, float]:
    """The factor below 1 by which all results together lower the odds of faults.

    A fault that any result of a test accuses is not excused by another result of the
    same test: what was found in one place is not undone by its absence in another.
    Where a test was done gun by gun its weakest excuse counts, for the fault may sit
    in the other gun; else its strongest. No test counts twice.
    """
    total: dict[str, float] = {}
    for name, ids in _results_by_test(findings, knowledge).items():
        by_id = {result.id: result.odds_ratios for result in knowledge.tests[name].results if result.id in ids}
        guns: dict[Gun | None, list[Mapping[str, float]]] = {}
        for taken in findings.results:
            if taken.test == name and taken.result in by_id:
                guns.setdefault(taken.gun, []).append(by_id[taken.result])
        for fault in dict.fromkeys(fault for ratios in by_id.values() for fault in ratios):
            if any(ratios.get(fault, 1.0) > 1 for ratios in by_id.values()):
                continue
            strongest = {gun: min(ratios.get(fault, 1.0) for ratios in said) for gun, said in guns.items()}
            by_gun = max((ratio for gun, ratio in strongest.items() if gun is not None), default=1.0)
            factor = min(by_gun, strongest.get(None, 1.0))
            if factor < 1:
                total[fault] = total.get(fault, 1.0) * factor
    return total


def odds_ratios(findings: Findings, knowledge: Knowledge) -> dict[str, float]:
    """The factor on the odds of each fault by all results, were it the only one they accuse.

    A plain measure of what the tests say of one fault; the diagnosis itself weighs
    :func:`accusations` and :func:`excuses`, where faults take the blame off each other.
    """
    total = excuses(findings, knowledge)
    strongest: dict[tuple[str, str], float] = {}
    for weight in accusations(findings, knowledge):
        for fault, ratio in weight.ratios.items():
            strongest[weight.test, fault] = max(ratio, strongest.get((weight.test, fault), 1.0))
    for (_, fault), ratio in strongest.items():
        total[fault] = total.get(fault, 1.0) * ratio
    return total


def _results_by_test(findings: Findings, knowledge: Knowledge) -> dict[str, set[str]]:
    """Distinct results of each test; one that refines another replaces it."""
    found: dict[str, set[str]] = {}
    for taken in findings.results:
        found.setdefault(taken.test, set()).add(taken.result)
    for name, ids in found.items():
        # "low, and stays low with the socket off" replaces the plain "low" that it refines.
        ids -= {result.refines for result in knowledge.tests[name].results if result.id in ids}
    return found


def _symptoms(case: Case, knowledge: Knowledge, faults: list[Fault]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    marks: dict[str, bool] = {}
    for number, symptom in enumerate(case.symptoms):
        if symptom.id not in knowledge.symptoms:
            faults.append(_unknown("symptom", symptom.id, knowledge.symptoms, f"symptoms[{number}].id"))
        elif marks.setdefault(symptom.id, symptom.present) is not symptom.present:
            faults.append(
                Fault(
                    what=f"{symptom.id} is marked both present and absent",
                    where=f"symptoms[{number}]",
                    mend="Keep the one that holds now",
                )
            )
    return tuple(i for i, on in marks.items() if on), tuple(i for i, on in marks.items() if not on)


def _unknown(what: str, name: str, known: Iterable[str], where: str) -> Fault:
    near = difflib.get_close_matches(name, list(known), n=3, cutoff=0.5)
    mend = f"Did you mean {' or '.join(near)}?" if near else f"List what is known with `tubewright list {what}s`"
    return Fault(what=f"no {what} is called {name!r}", where=where, mend=mend)


def _taken(
    test: BenchTest, result: str, origin: Literal["test", "reading"], words: str, *, gun: Gun | None = None
) -> TakenResult:
    return TakenResult(test=test.id, result=result, gun=gun, origin=origin, words=words)


def _from_readings(
    case: Case, knowledge: Knowledge, emission: Mapping[Gun, float], retention: Mapping[Gun, float]
) -> Iterator[TakenResult]:
    """Results that follow from the tube's looks and readings; tests that knowledge lacks are passed over."""
    looked: tuple[tuple[dict[str, str], str, str | None, str], ...] = (
        (_GETTER_SAYS, "v_getter", case.tube.getter, "getter"),
        (_NECK_SAYS, "v_neck_glass", case.tube.neck, "neck"),
    )
    for said, name, looks, what in looked:
        says = said.get(looks or "", "")
        if _has(knowledge, name, says):
            yield _taken(knowledge.tests[name], says, "reading", f"{what} {looks}")
    for reading in current_readings(case.readings, knowledge.value("sitting_days")):
        if reading.kind not in _READING_TESTS:
            continue
        name = _READING_TESTS[reading.kind]
        words = " ".join(
            w for w in (reading.gun, reading.kind.replace("_", " "), f"{reading.value:g} {reading.unit}") if w
        )
        yield from _numeric(
            knowledge, name, words, value=reading.value, unit=reading.unit, nominal=reading.reference, gun=reading.gun
        )
    yield from _cutoff_spread(case, knowledge)
    for gun, share in retention.items():
        yield from _numeric(knowledge, "t_slump", f"{gun} keeps {share:.2f} at reduced heater", value=share, gun=gun)
    for result, words in _emission_results(emission):
        if _has(knowledge, "t_emission", result):
            yield _taken(knowledge.tests["t_emission"], result, "reading", words)


def _has(knowledge: Knowledge, test: str, result: str) -> bool:
    return test in knowledge.tests and any(result == r.id for r in knowledge.tests[test].results)


def _numeric(
    knowledge: Knowledge,
    name: str,
    words: str,
    *,
    value: float,
    unit: str = "ratio",
    nominal: float | None = None,
    gun: Gun | None = None,
) -> Iterator[TakenResult]:
    if name not in knowledge.tests:
        return
    test = knowledge.tests[name]
    try:
        named = result_of_value(test, value=value, unit=unit, nominal=nominal)
    except InputError:
        return  # a reading without what is nominal says nothing here; it still counts in its own right
    if named is not None:
        yield _taken(test, named.id, "reading", words, gun=gun)


def _cutoff_spread(case: Case, knowledge: Knowledge) -> Iterator[TakenResult]:
    """Largest over smallest cutoff among guns read at one grid-2 voltage."""
    by_g2: dict[float | None, dict[Gun, float]] = {}
    for reading in current_readings(case.readings, knowledge.value("sitting_days")):
        if reading.kind == "cutoff" and reading.gun is not None and reading.value > 0:
            by_g2.setdefault(reading.g2_v, {})[reading.gun] = reading.value
    complete = [cutoffs for cutoffs in by_g2.values() if len(cutoffs) == 3]
    if complete:
        spread = max(complete[-1].values()) / min(complete[-1].values())
        yield from _numeric(knowledge, "t_cutoff", f"cutoffs differ by {spread:.2f}", value=spread)


def _emission_results(emission: Mapping[Gun, float]) -> Iterator[tuple[str, str]]:
    if len(emission) < 2:
        return
    weakest = min(emission, key=lambda gun: emission[gun])
    best = max(emission.values())
    if len(emission) == 3 and best < ALL_LOW_BELOW:
        yield "all_low", f"every gun below {ALL_LOW_BELOW:g} of a good one"
    if len(emission) == 3 and emission[weakest] >= ALL_GOOD_FROM:
        yield "all_good", f"every gun at {ALL_GOOD_FROM:g} of a good one or better"
    if best > 0 and emission[weakest] < ONE_LOW_BELOW_OF_BEST * best:
        yield "one_low", f"{weakest} gives {emission[weakest] / best:.2f} of the best gun"
