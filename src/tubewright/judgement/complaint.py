"""Is what the owner complains of the tube's doing at all?

The diagnosis says how likely the complaint has its cause elsewhere, and that hangs
on the tube: a dim picture on good guns is the chassis, on spent ones most likely
the tube. So it is asked once for each class of tube that the particles hold, and
each particle gets the answer of its class.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.case import GUNS, Case, Gun
from tubewright.judgement.condition import Condition
from tubewright.judgement.diagnosis import Diagnosis, Explanation, blame, diagnose_findings
from tubewright.judgement.findings import Findings, gather_findings
from tubewright.judgement.next_tests import ProposedTest, quickest_tests
from tubewright.judgement.readings import NormalisedReadings
from tubewright.judgement.said import accusations, odds_ratios
from tubewright.knowledge.model import Knowledge

Array = NDArray[np.float64]

MENDED_BY_ADJUSTING = frozenset({"geometry_misset", "tube_cutoff_mismatch"})
"""Faults that nothing but turning the set's own controls mends; a screen control set wrong may hide a low grid 2."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Complaint:
    """What was seen, who is suspected, and how likely it lies outside the tube.

    ``elsewhere`` is that chance per particle, and ``weight`` what the symptoms make
    of each particle, summing to 1; both of shape (particles,).
    """

    elsewhere: Array
    weight: Array
    findings: Findings
    diagnosis: Diagnosis
    tests: tuple[ProposedTest, ...]
    look_minutes: float

    @property
    def heard(self) -> bool:
        """Whether anything was seen that needs a cause."""
        return bool(self.findings.present) or bool(np.any(self.elsewhere > 0))

    @property
    def probability(self) -> float:
        """Chance that the complaint has a cause outside the tube."""
        return float(self.elsewhere.mean())

    @property
    def by_adjusting(self) -> bool:
        """Whether the likeliest cause is a control that stands wrong."""
        lead = self.diagnosis.explanations[:1]
        return bool(lead) and _adjusts(lead[0])

    @property
    def adjusting_explains(self) -> float:
        """Chance that controls standing wrong are all that is the matter."""
        return sum(e.probability for e in self.diagnosis.explanations if _adjusts(e))


def _accuses_elsewhere(findings: Findings, diagnosis: Diagnosis, knowledge: Knowledge) -> bool:
    """Whether a result raises faults outside the tube well above what they are anyway.

    A result that is right may name a fault too (a trip at normal supply); that alone
    is no complaint.
    """
    for weight in accusations(findings, knowledge):
        outside = [fault for fault in weight.ratios if not knowledge.faults[fault].of_the_tube]
        now = sum(diagnosis.posteriors[fault] for fault in outside)
        raised = any(
            diagnosis.posteriors[fault]
            >= knowledge.value("accusation_raises") * knowledge.faults[fault].per_1000 / 1000
            for fault in outside
        )
        if (raised and now >= knowledge.value("accusation_heard")) or now >= knowledge.value("accusation_shared"):
            return True
    return False


def _adjusts(explanation: Explanation) -> bool:
    return bool(explanation.faults) and set(explanation.faults) <= MENDED_BY_ADJUSTING


def hear(case: Case, condition: Condition, normal: NormalisedReadings, knowledge: Knowledge) -> Complaint:
    """Weigh the complaint against the state of the guns.

    Raises:
        InputError: Unknown ids, or findings that are impossible together.
    """
    retention = retentions(normal)
    findings = gather_findings(
        case, knowledge, emission=believed_emission(condition), retention=retention, include_readings=True
    )
    diagnosis = diagnose_findings(findings, knowledge)
    elsewhere, likely = np.zeros(condition.particles), np.ones(condition.particles)
    seen = bool(findings.present) or _accuses_elsewhere(findings, diagnosis, knowledge)
    if seen:
        weakest = condition.relative_emission.min(axis=1)
        strongest = condition.relative_emission.max(axis=1)
        limit = knowledge.value("emission_fair") + 0.5 * (
            knowledge.value("emission_good") - knowledge.value("emission_fair")
        )
        classes = [weakest >= limit, (weakest < limit) & (strongest >= limit), strongest < limit]
        for members in classes:
            if members.any():
                medians = np.median(condition.relative_emission[members], axis=0)
                supposed = {gun: float(medians[g]) for g, gun in enumerate(GUNS)}
                elsewhere[members], likely[members] = outside_tube(case, knowledge, supposed, retention)
    tests = quickest_tests(findings, knowledge, limit=6) if seen else ()
    return Complaint(
        elsewhere=elsewhere,
        weight=likely / likely.sum(),
        findings=findings,
        diagnosis=diagnosis,
        tests=tests,
        look_minutes=max(knowledge.value("look_minutes"), tests[0].minutes if tests else 0.0),
    )


def outside_tube(
    case: Case,
    knowledge: Knowledge,
    emission: Mapping[Gun, float],
    retention: Mapping[Gun, float],
) -> tuple[float, float]:
    """What the complaint says of a tube with guns like this.

    Returns:
        Chance that what was seen has a cause outside the tube that is not mended yet, and
        how likely a display with such guns is to show the symptoms it shows.
    """
    findings = gather_findings(case, knowledge, emission=emission, retention=retention, include_readings=True)
    # A fault that is mended has caused its share, but nobody has to look for it again.
    to_blame = blame(findings, knowledge, mended_too=False)
    # How likely the complaint is for a tube like this: the results follow from the guns, so only the rest counts.
    of_the_guns = blame(dataclasses.replace(findings, present=(), absent=()), knowledge).log_evidence
    return min(1.0, to_blame.elsewhere + to_blame.unknown), math.exp(to_blame.log_evidence - of_the_guns)


def misread_odds(case: Case, knowledge: Knowledge) -> float:
    """How far tests of socket, contacts and guns speak for a false reading rather than the cathode."""
    ratios = odds_ratios(gather_findings(case, knowledge, include_readings=False), knowledge)
    cathode = max(ratios.get(f, 1.0) for f in ("tube_worn_one", "tube_worn_all", "tube_idle_poisoned"))
    odds = ratios.get("crt_socket_corroded", 1.0) / cathode
    since = knowledge.value("misread_odds_once_cleaned")
    cleaned = any(t.kind == "clean_contacts" and t.outcome is not None for t in case.treatments)
    if cleaned and any(r.stage == "after" for r in case.readings):
        return min(odds, 1.0) * since  # whatever cleaning changed, these readings were taken after it
    helped = any(t.kind == "clean_contacts" and t.outcome == "improved" for t in case.treatments)
    if helped:
        return odds / since  # cleaning helped, so what was read before it was the contacts
    return odds * since if cleaned else odds


def believed_emission(condition: Condition) -> dict[Gun, float]:
    """Median relative emission of each gun that was read and is not mostly thought misread."""
    return {
        gun: float(np.median(condition.relative_emission[:, g]))
        for g, gun in enumerate(GUNS)
        if condition.read[g] and condition.misread[:, g].mean() < 0.5
    }


def retentions(normal: NormalisedReadings) -> dict[Gun, float]:
    """Reduced-heater over full-heater emission of each gun, by its last pair of readings."""
    return {gun: readings.pairs[-1].retention for gun, readings in normal.guns.items() if readings.pairs}
