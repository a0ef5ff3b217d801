"""What a measured picture offers to the diagnosis: symptoms that are there, that are not, and that it can't tell.

A figure beyond its target speaks for a symptom, one well within it for the
symptom's absence; what lies between, or may lie there, says nothing. A person
decides which of the offered findings enter the case.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from typing import Final, Literal

from tubewright.judgement.seen_checks import Check, GunKind, Measured, checks
from tubewright.knowledge.model import Knowledge
from tubewright.picture.results import Unsupported

State = Literal["present", "absent", "unknown"]

_NEVER_PRESENT: Final = frozenset({"v_top_stretch", "v_bottom_compress"})
"""Symptoms that a figure can clear but not tell from each other."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SeenFinding:
    """One symptom as a measurement tells it.

    Attributes:
        symptom: Its id in the catalogue.
        state: Whether it is there; ``unknown`` where the photograph couldn't tell.
        words: The figure that says so, or the reason why there is none.
        chance: Chance that the statement is right, given the figure's spread; ``None`` where it is unknown.
        over_target_ratio: The strongest figure over its target; ``None`` where it is unknown.
        would_settle: What would tell, where it is unknown.
    """

    symptom: str
    state: State
    words: str
    chance: float | None
    over_target_ratio: float | None
    would_settle: str = ""


def findings(measured: Measured, knowledge: Knowledge, *, gun: GunKind = "inline") -> tuple[SeenFinding, ...]:
    """The findings that a measurement offers, in the order of the catalogue; those that are there first.

    Args:
        measured: What was measured.
        knowledge: The targets and the catalogue of symptoms.
        gun: Arrangement of the guns.
    """
    by_symptom: dict[str, list[Check]] = {}
    for check in checks(measured, knowledge, gun=gun):
        by_symptom.setdefault(check.symptom, []).append(check)
    surely, share = knowledge.value("seen_surely"), knowledge.value("well_within_share")
    found = [
        finding
        for symptom in knowledge.symptoms
        if symptom in by_symptom
        for finding in [_finding(symptom, by_symptom[symptom], surely, share)]
        if finding is not None
    ]
    present = {finding.symptom for finding in found if finding.state == "present"}
    if "colour_missing" in present:  # a colour that isn't there isn't weak
        found = [finding for finding in found if finding.symptom != "colour_weak"]
    order: tuple[State, ...] = ("present", "absent", "unknown")
    return tuple(sorted(found, key=lambda finding: order.index(finding.state)))


def _finding(symptom: str, parts: Iterable[Check], surely: float, share: float) -> SeenFinding | None:
    parts = list(parts)
    told = [(check, beyond) for check in parts if (beyond := check.chance_beyond()) is not None]
    if told and symptom not in _NEVER_PRESENT:
        # The chance of the surest is the least that any of them is beyond.
        check, chance = max(told, key=lambda pair: (pair[1], _over(pair[0])))
        if chance >= surely:
            return SeenFinding(
                symptom=symptom, state="present", words=check.words, chance=chance, over_target_ratio=_over(check)
            )
    if any(check.only_speaks_for for check in parts):
        return None
    untold = [check.found for check in parts if isinstance(check.found, Unsupported)]
    if untold:
        reason = untold[0]
        return SeenFinding(
            symptom=symptom,
            state="unknown",
            words=reason.reason,
            chance=None,
            over_target_ratio=None,
            would_settle=reason.would_settle,
        )
    # By Boole's inequality the least that none of them is beyond its share.
    chance = 1 - sum(check.chance_beyond(share) or 0.0 for check in parts)
    if chance < surely:
        return None
    worst = max(parts, key=_over)
    return SeenFinding(
        symptom=symptom, state="absent", words=worst.words, chance=chance, over_target_ratio=_over(worst)
    )


def _over(check: Check) -> float:
    if isinstance(check.found, Unsupported):
        return 0.0
    size = abs(check.found.value)
    if check.least:
        return check.reference / max(size, 1e-6)
    return size / check.reference
