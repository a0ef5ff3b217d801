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

from tubewright.case import Case, Gun, ReadingKind, TestResult
from tubewright.errors import Fault, InputError
from tubewright.judgement.ranges import NominalFrom, nominal_of, shares_of_value
from tubewright.judgement.readings import current_readings
from tubewright.judgement.screens import bound_to_be_absent
from tubewright.knowledge.chassis import Chassis
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
    """One result of one bench test; ``words`` says where it comes from.

    Where it was read off a number near the border of its range, ``shares`` holds the
    chance of every result that may be the true one ("" for none), ``result`` being the
    likeliest of those that have a name. It is empty where the result is certain.
    """

    test: str
    result: str
    gun: Gun | None
    origin: Literal["test", "reading"]
    words: str
    shares: tuple[tuple[str, float], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadValue:
    """A number that the case gives for a test, what it was held against, and what it may stand for.

    ``reference`` is what is nominal, in ``unit``. ``shares`` are the chances of the
    results by id, "" for none of them.
    """

    test: str
    gun: Gun | None
    value: float
    unit: str
    reference: float | None
    reference_from: NominalFrom
    shares: tuple[tuple[str, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """What is known of a display, in the ids of the catalogue.

    ``bound`` are symptoms that can't be there beside those that are; nobody need say so.
    ``silent`` tells of values that fall in no range of their test and so say nothing;
    ``doubts`` of numbers read twice that contradict each other. ``values`` are the
    numbers that the case gives for its tests. ``found`` and ``mended`` are faults that
    the search has confirmed, ``excluded`` those it has ruled out.
    """

    present: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    bound: tuple[str, ...] = ()
    results: tuple[TakenResult, ...] = ()
    silent: tuple[str, ...] = ()
    doubts: tuple[str, ...] = ()
    values: tuple[ReadValue, ...] = ()
    found: tuple[str, ...] = ()
    mended: tuple[str, ...] = ()
    excluded: tuple[str, ...] = ()

    @property
    def confirmed(self) -> tuple[str, ...]:
        """Faults that are known to be, or to have been, there."""
        return (*self.found, *self.mended)

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
    doubts: list[str] = []
    settled = _repairs(case, knowledge, faults, doubts)
    chassis = _chassis(case, knowledge, doubts)
    taken: list[TakenResult] = []
    silent: list[str] = []
    values: list[ReadValue] = []
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
            try:
                read = _read(test, given, chassis)
            except InputError as error:
                faults += [Fault(what=f.what, where=f"{where}.value", mend=f.mend) for f in error.faults]
                continue
            values.append(read)
            words = f"{test.name}: {read.value:g} {read.unit}"
            result = _of_shares(test, read.shares, "test", words, gun=given.gun)
            if result is None or read.shares[0][0] == "":
                silent.append(f"{words} says nothing for or against a fault")
            if result is None:
                continue
            first = measured.setdefault((test.id, given.gun), result)
            if first.result != result.result:
                doubts.append(f"{first.words}, but also {given.value:g} {read.unit}")
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
    return Findings(
        present=present,
        absent=absent,
        bound=tuple(name for name in bound_to_be_absent(present, knowledge) if name not in absent),
        results=tuple(dict.fromkeys(taken)),
        silent=tuple(silent),
        doubts=tuple(doubts),
        values=tuple(values),
        found=tuple(fault for fault, outcome in settled.items() if outcome == "found"),
        mended=tuple(fault for fault, outcome in settled.items() if outcome == "mended"),
        excluded=tuple(fault for fault, outcome in settled.items() if outcome == "excluded"),
    )


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


def _repairs(case: Case, knowledge: Knowledge, faults: list[Fault], doubts: list[str]) -> dict[str, str]:
    """The last word on each fault that was found, mended or excluded."""
    settled: dict[str, str] = {}
    told = list(enumerate(case.repairs))
    if all(repair.at is not None for repair in case.repairs):
        told.sort(key=lambda pair: str(pair[1].at))  # as they came about, however they were listed
    for number, repair in told:
        if repair.fault not in knowledge.faults:
            faults.append(_unknown("fault", repair.fault, knowledge.faults, f"repairs[{number}].fault"))
            continue
        before = settled.get(repair.fault)
        if before is not None and (before == "excluded") is not (repair.outcome == "excluded"):
            name = knowledge.faults[repair.fault].name
            doubts.append(f"{name} is given as {before} and then as {repair.outcome}; the later word holds")
        settled[repair.fault] = repair.outcome
    return settled


def _chassis(case: Case, knowledge: Knowledge, doubts: list[str]) -> Chassis | None:
    named = case.display.chassis
    if named is not None and named not in knowledge.chassis:
        doubts.append(f"there is no profile {named!r} here, so what is right in that chassis is not known")
    return knowledge.chassis.get(named) if named else None


def nominal_in_chassis(chassis: Chassis | None, test: str) -> float | None:
    """What a test should read in a set of this kind, in base units; None if there is no profile or it doesn't say."""
    return None if chassis is None else chassis.nominal(test)


def _read(test: BenchTest, given: TestResult, chassis: Chassis | None) -> ReadValue:
    """A number of the case with what it is held against.

    Raises:
        InputError: It can't be held against anything.
    """
    value, unit = given.value or 0.0, given.unit or ""
    of_chassis = nominal_in_chassis(chassis, test.id)
    shares = shares_of_value(test, value=value, unit=unit, nominal=given.nominal, of_chassis=of_chassis)
    nominal = nominal_of(test, unit=unit, given=given.nominal, of_chassis=of_chassis)
    return ReadValue(
        test=test.id,
        gun=given.gun,
        value=value,
        unit=unit,
        reference=nominal.value,
        reference_from=nominal.origin,
        shares=tuple(shares.items()),
    )


def _of_shares(
    test: BenchTest,
    shares: Iterable[tuple[str, float]],
    origin: Literal["test", "reading"],
    words: str,
    *,
    gun: Gun | None = None,
) -> TakenResult | None:
    """The result behind a number; None if no result can be the true one."""
    held = tuple(shares)
    named = [(share, result) for result, share in held if result]
    if not named:
        return None
    likeliest = max(named)[1]
    return TakenResult(
        test=test.id,
        result=likeliest,
        gun=gun,
        origin=origin,
        words=words,
        shares=held if len(held) > 1 else (),
    )


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
        shares = shares_of_value(test, value=value, unit=unit, nominal=nominal)
    except InputError:
        return  # a reading without what is nominal says nothing here; it still counts in its own right
    result = _of_shares(test, shares.items(), "reading", words, gun=gun)
    if result is not None:
        yield result


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
