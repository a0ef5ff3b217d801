"""Findings that can't both be, or hardly both: named, so that somebody can look again."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from tubewright.errors import Fault, InputError
from tubewright.judgement.evidence import Clue, Evidence
from tubewright.judgement.findings import Findings, TakenResult
from tubewright.judgement.network import Floats, walk
from tubewright.judgement.spoken import clue_words
from tubewright.knowledge.model import Knowledge, NamedResult

HARDLY_TOGETHER: Final = 10.0
"""From so many times less often together than if they had nothing to do with each other (from memory, estimate)."""
MOST_CLASHES: Final = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class Clash:
    """Findings that don't go together, by id, and a sentence that names them."""

    findings: tuple[str, ...]
    words: str


def excluding_results(findings: Findings, knowledge: Knowledge) -> tuple[Clash, ...]:
    """Results of one test, of one gun, that exclude each other."""
    clashes = []
    for one, other in itertools.combinations(findings.results, 2):
        if one.test != other.test or one.result == other.result or not _same_place(one, other):
            continue
        test = knowledge.tests[one.test]
        by_id = {result.id: result for result in test.results}
        if _exclude(by_id[one.result], by_id[other.result]):
            both = f"{by_id[one.result].means}, and also {by_id[other.result].means}"
            words = f"{test.name}: {both}; only one of them can be."
            clashes.append(Clash(findings=(f"{one.test}/{one.result}", f"{other.test}/{other.result}"), words=words))
    return tuple(clashes)


def _same_place(one: TakenResult, other: TakenResult) -> bool:
    return one.gun == other.gun


def _exclude(one: NamedResult, other: NamedResult) -> bool:
    if one.refines == other.id or other.refines == one.id:
        return False
    if one.quantity != "none" and one.quantity == other.quantity and one.unit == other.unit:
        low, high = sorted((one, other), key=lambda r: -math.inf if r.at_least is None else r.at_least)
        return low.below is not None and high.at_least is not None and low.below <= high.at_least
    for clears, accuses in ((one, other), (other, one)):
        if clears.odds_ratios and all(ratio < 1 for ratio in clears.odds_ratios.values()):
            blamed = {fault for fault, ratio in accuses.odds_ratios.items() if ratio > 1}
            if blamed and blamed <= set(clears.odds_ratios):
                return True
    return False


def hardly_together(evidence: Evidence, findings: Findings, knowledge: Knowledge) -> tuple[Clash, ...]:
    """Pairs of which the one is seen although the other speaks against all that usually shows it.

    What is seen and what speaks against are compared two and two, as they would be
    beforehand: how much less often they come together than two things that have nothing
    to do with each other. Two things that are both seen never clash in that way.
    """
    seen = [clue for clue in evidence.clues if clue.columns]
    against = [clue for clue in evidence.clues if bool(np.any(clue.lowers < 1))]
    if not seen or not against:
        return ()
    priors = evidence.priors
    columns = [clue.columns[0] for clue in seen]
    hidden = 1.0 - priors[:, np.newaxis] * evidence.links[:, columns]  # chance that the fault leaves it hidden
    lowers = np.array([clue.lowers for clue in against]).T
    alone = np.prod(hidden, axis=0) * (1.0 - evidence.leaks[columns])
    # The chance of each fault once the one clue is known, and what it then still shows of the other.
    left = priors[:, np.newaxis] * lowers / (1.0 - priors[:, np.newaxis] * (1.0 - lowers))
    both = np.prod(1.0 - left[:, np.newaxis, :] * evidence.links[:, columns][:, :, np.newaxis], axis=0)
    shown_then = 1.0 - (1.0 - evidence.leaks[columns])[:, np.newaxis] * both
    rarer = (1.0 - alone)[:, np.newaxis] / np.maximum(shown_then, 1e-300)
    clashes = []
    for flat in np.argsort(-rarer, axis=None, kind="stable")[:MOST_CLASHES]:
        at, other = divmod(int(flat), len(against))
        if rarer[at, other] < HARDLY_TOGETHER or seen[at].id == against[other].id:
            continue
        first, second = clue_words(seen[at], findings, knowledge), clue_words(against[other], findings, knowledge)
        clashes.append(
            Clash(
                findings=(seen[at].id, against[other].id),
                words=f"“{first}” hardly goes with “{second}”: together they come {rarer[at, other]:.0f} times less "
                "often than one would think of each alone.",
            )
        )
    return tuple(clashes)


def impossible_together(evidence: Evidence, findings: Findings, knowledge: Knowledge) -> InputError:
    """What to say of findings that no set of known faults allows, naming the fewest that clash.

    Clues are dropped one by one for as long as the rest is still impossible; what is
    left can't spare any.
    """
    for fault, symptom in itertools.product(findings.found, findings.absent):
        if knowledge.faults[fault].shows.get(symptom, 0.0) >= 1:
            said = knowledge.symptoms[symptom].owner_says.rstrip(".")
            return _told([f"“{knowledge.faults[fault].name}” found", f"not seen: “{said}”, which it always shows"])
    kept = list(evidence.clues)
    for clue in evidence.clues:
        rest = [other for other in kept if other is not clue]
        if not _possible(evidence, rest):
            kept = rest
    return _told([f"“{clue_words(clue, findings, knowledge)}”" for clue in kept])


def _told(names: list[str]) -> InputError:
    return InputError(
        Fault(
            what=f"these can't all be: {'; '.join(names)}",
            where="findings",
            mend="Look again at one of them; everything else goes together.",
        )
    )


def _possible(evidence: Evidence, clues: list[Clue]) -> bool:
    still: Floats = np.prod([evidence.ruled, *(clue.lowers for clue in clues)], axis=0)
    leaks = np.ones_like(evidence.leaks)
    columns = [column for clue in clues for column in clue.columns]
    leaks[columns] = evidence.leaks[columns]
    walked = walk(
        (evidence.priors * still)[np.newaxis],
        (1.0 - evidence.priors)[np.newaxis],
        evidence.links[np.newaxis],
        leaks[np.newaxis],
        wanted=False,
    )
    return bool(walked.log_evidence[0] > -math.inf)
