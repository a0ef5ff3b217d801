"""How a bench test could turn out, and how likely each way is under each set of faults.

How often each result comes follows from the catalogue's factors on the odds of faults:
a result that speaks for a fault by a factor R comes at most 1/R as often without it.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from tubewright.judgement.diagnosis import result_as_finding
from tubewright.judgement.network import Floats
from tubewright.knowledge.model import BenchTest, NamedResult

MOST_ABNORMAL: Final = 0.5
"""Largest share of abnormal outcomes assumed where none of a test's faults is there (from memory, estimate)."""

NOTHING_TOLD: Final = "nothing_told"
"""Id of the outcome that leaves all as it was; the catalogue holds no such result."""

_NO_LESS: Final = 1e-300


@dataclass(frozen=True, slots=True, kw_only=True)
class PossibleOutcome:
    """One outcome of a test, as a finding that faults bring about or prevent.

    ``share`` is how often it comes where none of the test's faults is there, ``quiet``
    marks what then comes as a rule;
    ``leak`` and ``links`` are those of :func:`~tubewright.judgement.diagnosis.result_as_finding`.
    """

    result: str
    means: str
    share: float
    leak: float
    links: Mapping[str, float]
    excuses: Mapping[str, float]
    quiet: bool = False


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TestOutcomes:
    """A test that could tell something, with its outcomes as columns of the table.

    ``found`` is the result known already, where the test would only narrow it down.
    ``first`` and ``past`` bound its columns.
    """

    # pytest would take the name for a test of its own
    __test__ = False

    test: BenchTest
    found: NamedResult | None
    outcomes: tuple[PossibleOutcome, ...]
    first: int
    past: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class OutcomeTable:
    """Every outcome of every test that could tell something.

    ``likelihood`` is the chance of each outcome under each set of faults, shape (sets,
    outcomes), summing to 1 over the outcomes of one test; ``told`` the factor by which
    the diagnosis will weigh each set once that outcome is entered, of the same shape.
    """

    tests: tuple[TestOutcomes, ...]
    likelihood: Floats
    told: Floats


def outcome_table(
    tests: Iterable[BenchTest], taken: Mapping[str, Collection[str]], faults: Sequence[str], numbers: Floats
) -> OutcomeTable:
    """Lay out what tests could tell of the suspects.

    Args:
        tests: Those that may be proposed.
        taken: Results already found, by test.
        faults: Ids of the suspects.
        numbers: Which of them each set holds, as 0 or 1; shape (sets, suspects).

    Returns:
        The table; a test that tells nothing (more) of any suspect has no columns.
    """
    place = {fault: at for at, fault in enumerate(faults)}
    kept: list[TestOutcomes] = []
    columns: list[PossibleOutcome] = []
    for test in tests:
        done = taken.get(test.id, ())
        found, results = narrower(test, done) if done else (None, exclusive(test))
        if not any(fault in place for result in results for fault in result.odds_ratios):
            continue
        # Outcomes that accuse only faults nobody suspects would teach nothing here.
        outcomes = [
            o
            for o in outcomes_of(results, narrowing=found is not None)
            if o.quiet or any(fault in place for fault in o.links)
        ]
        if not any(fault in place for outcome in outcomes for fault in (*outcome.links, *outcome.excuses)):
            continue
        first = len(columns)
        columns += outcomes
        kept.append(TestOutcomes(test=test, found=found, outcomes=tuple(outcomes), first=first, past=len(columns)))
    told = _chances(columns, place, numbers)
    for entry in kept:
        found = entry.found
        if found is not None and not any(
            r.refines == found.id for r in entry.test.results if r.id in taken.get(entry.test.id, ())
        ):
            # The narrower result takes the place of the one that is known; "nothing more" leaves it.
            known = _chances([_as_outcome(found)], place, numbers)
            replaces = np.array([o.result != NOTHING_TOLD for o in entry.outcomes])
            told[:, entry.first : entry.past] /= np.where(replaces, known, 1.0)
    starts = [entry.first for entry in kept]
    counts = [entry.past - entry.first for entry in kept]
    sums = np.add.reduceat(told, starts, axis=1) if starts else np.ones((len(numbers), 0))
    return OutcomeTable(tests=tuple(kept), likelihood=told / np.repeat(sums, counts, axis=1), told=told)


def _chances(columns: Sequence[PossibleOutcome], place: Mapping[str, int], numbers: Floats) -> Floats:
    """Relative chance of each outcome under each set; shape (sets, outcomes)."""
    unshown = np.zeros((len(place), len(columns)))
    excused = np.zeros((len(place), len(columns)))
    for at, outcome in enumerate(columns):
        for fault, link in outcome.links.items():
            if fault in place:
                unshown[place[fault], at] = np.log(max(1.0 - link, _NO_LESS))
        for fault, ratio in outcome.excuses.items():
            if fault in place:
                excused[place[fault], at] = np.log(max(ratio, _NO_LESS))
    leaks = np.array([outcome.leak for outcome in columns])
    shares = np.array([outcome.share for outcome in columns])
    seen = 1.0 - (1.0 - leaks) * np.exp(numbers @ unshown)
    answer: Floats = seen * np.exp(numbers @ excused) * shares / leaks
    return answer


def outcomes_of(results: Sequence[NamedResult], *, narrowing: bool = False) -> list[PossibleOutcome]:
    """Outcomes that exclude each other; their shares sum to 1.

    The quiet ones, which come where none of the test's faults is there, accuse nobody; or
    where every result accuses somebody, they are those that excuse somebody, too ("good",
    "it stays there"). Where there is no such result either, and where results only narrow
    down one that is known, one is added: none of these.
    """
    if not results:
        return []
    parts = [_as_outcome(result) for result in results]
    accusing_all = all(part.links for part in parts)
    if accusing_all and (narrowing or not any(part.excuses for part in parts)):
        parts.append(_as_outcome(NamedResult(id=NOTHING_TOLD, means="none of these is seen", odds_ratios={})))
        accusing_all = False
    quiet = [bool(part.excuses) if accusing_all else not part.links for part in parts]
    abnormal = sum(part.leak for part, is_quiet in zip(parts, quiet, strict=True) if not is_quiet)
    scale = min(1.0, MOST_ABNORMAL / abnormal) if abnormal > 0 else 1.0
    rest = (1.0 - abnormal * scale) / sum(quiet)
    return [
        replace(part, share=rest if is_quiet else part.leak * scale, quiet=is_quiet)
        for part, is_quiet in zip(parts, quiet, strict=True)
    ]


def _as_outcome(result: NamedResult) -> PossibleOutcome:
    """A result as a finding; its share is its leak."""
    accused = {fault: ratio for fault, ratio in result.odds_ratios.items() if ratio > 1}
    leak, links = result_as_finding(accused) if accused else (1.0, {})
    excused = {fault: ratio for fault, ratio in result.odds_ratios.items() if ratio < 1}
    return PossibleOutcome(result=result.id, means=result.means, share=leak, leak=leak, links=links, excuses=excused)


def exclusive(test: BenchTest) -> list[NamedResult]:
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


def narrower(test: BenchTest, taken: Collection[str]) -> tuple[NamedResult | None, list[NamedResult]]:
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
