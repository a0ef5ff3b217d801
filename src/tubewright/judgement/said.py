"""What the results of bench tests say of the odds of faults.

Each result carries factors on the odds of faults; one test speaks with one factor per
fault, however many guns or spots it was tried on.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from tubewright.case import Gun
from tubewright.judgement.findings import Findings, TakenResult
from tubewright.knowledge.model import Knowledge


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
        said = _said(findings, name, ids, knowledge)
        for result in knowledge.tests[name].results:
            ratios: dict[str, float] = {}
            for taken, ratio_of in said:
                if taken.result == result.id:
                    for fault, ratio in ratio_of.items():
                        ratios[fault] = max(ratio, ratios.get(fault, 1.0))
            accusing = {fault: ratio for fault, ratio in ratios.items() if ratio > 1}
            if accusing:
                weights.append(Weight(test=name, result=result.id, ratios=accusing))
    return tuple(weights)


def excuses(findings: Findings, knowledge: Knowledge) -> dict[str, float]:
    """The factor below 1 by which all results together lower the odds of faults."""
    total: dict[str, float] = {}
    for factors in excuses_by_test(findings, knowledge).values():
        for fault, factor in factors.items():
            total[fault] = total.get(fault, 1.0) * factor
    return total


def excuses_by_test(findings: Findings, knowledge: Knowledge) -> dict[str, dict[str, float]]:
    """The factors below 1 by which the results of each test lower the odds of faults.

    A fault that any result of a test accuses is not excused by another result of the
    same test: what was found in one place is not undone by its absence in another.
    Where a test was done gun by gun its weakest excuse counts, for the fault may sit
    in the other gun; else its strongest. No test counts twice.
    """
    total: dict[str, dict[str, float]] = {}
    for name, ids in _results_by_test(findings, knowledge).items():
        said = _said(findings, name, ids, knowledge)
        guns: dict[Gun | None, list[Mapping[str, float]]] = {}
        for taken, ratio_of in said:
            guns.setdefault(taken.gun, []).append(ratio_of)
        for fault in dict.fromkeys(fault for _, ratio_of in said for fault in ratio_of):
            if any(ratio_of.get(fault, 1.0) > 1 for _, ratio_of in said):
                continue
            strongest = {gun: min(ratios.get(fault, 1.0) for ratios in of_gun) for gun, of_gun in guns.items()}
            by_gun = max((ratio for gun, ratio in strongest.items() if gun is not None), default=1.0)
            factor = min(by_gun, strongest.get(None, 1.0))
            if factor < 1:
                total.setdefault(name, {})[fault] = factor
    return total


def _said(
    findings: Findings, test: str, ids: set[str], knowledge: Knowledge
) -> list[tuple[TakenResult, Mapping[str, float]]]:
    """What each result of a test says of the odds of faults.

    A result that is only likely counts as the mean of all that it may be, weighted by
    their chances: that is the exact factor for any one fault alone, and it moves without
    a jump as the reading crosses a border.
    """
    ratios = {result.id: result.odds_ratios for result in knowledge.tests[test].results}
    said: list[tuple[TakenResult, Mapping[str, float]]] = []
    for taken in findings.results:
        if taken.test != test or taken.result not in ids:
            continue
        if not taken.shares:
            said.append((taken, ratios[taken.result]))
            continue
        named = dict.fromkeys(fault for result, _ in taken.shares for fault in ratios.get(result, ()))
        blended = {
            fault: sum(share * ratios.get(result, {}).get(fault, 1.0) for result, share in taken.shares)
            for fault in named
        }
        said.append((taken, blended))
    return said


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
