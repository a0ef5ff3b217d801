"""What is wrong with the display: suspects with their probabilities, and where they sit.

A display has several small faults at any time, and an arriving one has a complaint.
So the question "is it the tube?" is put to what was *seen*: the chance that at least
one present symptom or accusing test result is caused by a fault of the tube, or by
one elsewhere. Faults that nothing seen speaks for stay near their priors and are no
suspects, however common they are.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement import network
from tubewright.judgement.explanations import MOST_SUSPECTS, LikelySets, likely_sets
from tubewright.judgement.findings import Findings, odds_ratios
from tubewright.judgement.network import Floats
from tubewright.knowledge.model import Knowledge

WORTH_NAMING: Final = 0.01
"""Suspects below this probability are left out of the list (they stay in ``posteriors``)."""
MOST_NAMED: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class SuspectedFault:
    """A fault that something seen speaks for."""

    id: str
    name: str
    probability: float
    of_the_tube: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """A set of faults that together explain what was seen; empty if nothing known does."""

    faults: tuple[str, ...]
    probability: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Diagnosis:
    """What the findings say.

    ``posteriors`` holds every fault of the catalogue, suspect or not.
    ``probability_tube`` and ``probability_elsewhere`` are the chances that at least
    one thing seen is caused by a fault of the tube, or by a fault elsewhere; both may
    be true at once, and both are 0 while nothing was seen. ``probability_unknown`` is
    the chance that nothing in the catalogue causes any of it. ``unexplained`` are
    present findings that most likely no fault of the catalogue causes.
    ``explanations_cover`` is the share of the probability that the listed
    explanations were chosen from.
    """

    suspects: tuple[SuspectedFault, ...]
    posteriors: Mapping[str, float]
    probability_tube: float
    probability_elsewhere: float
    probability_unknown: float
    unexplained: tuple[str, ...]
    explanations: tuple[Explanation, ...]
    explanations_cover: float
    log_evidence: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """Findings and catalogue as arrays: faults by row, present findings by column.

    ``ratios`` are the factors of test results on the odds of each fault; ``unseen``
    the chance that each fault shows none of the absent findings.
    """

    fault_ids: tuple[str, ...]
    priors: Floats
    links: Floats
    leaks: Floats
    ratios: Floats
    unseen: Floats
    of_the_tube: NDArray[np.bool_]
    log_absent_leaks: float

    @property
    def accused(self) -> NDArray[np.bool_]:
        """Faults that show something present, or that a test result speaks for."""
        shown: NDArray[np.bool_] = np.any(self.links > 0, axis=1)
        return shown | (self.ratios > 1)

    def log_evidence(self, *, ratios: Floats | None = None, links: Floats | None = None, skip: int = -1) -> float:
        """Log evidence with other ratios or links, or with one present finding left out."""
        kept = [j for j in range(len(self.leaks)) if j != skip]
        return self.log_absent_leaks + network.log_evidence(
            self.priors,
            self.links if links is None else links,
            self.leaks,
            kept,
            [],
            odds_ratios=self.unseen * (self.ratios if ratios is None else ratios),
        )


def weigh(findings: Findings, knowledge: Knowledge) -> Evidence:
    """Lay out the findings against the catalogue as arrays."""
    faults = list(knowledge.faults.values())
    ratios = odds_ratios(findings, knowledge)

    def shows(symptoms: tuple[str, ...]) -> Floats:
        rows = [[fault.shows.get(symptom, 0.0) for symptom in symptoms] for fault in faults]
        return np.array(rows, dtype=np.float64).reshape(len(faults), len(symptoms))

    absent_leaks = np.array([knowledge.symptoms[s].leak_probability for s in findings.absent], dtype=np.float64)
    return Evidence(
        fault_ids=tuple(fault.id for fault in faults),
        priors=np.array([fault.per_1000 / 1000 for fault in faults], dtype=np.float64),
        links=shows(findings.present),
        leaks=np.array([knowledge.symptoms[s].leak_probability for s in findings.present], dtype=np.float64),
        ratios=np.array([ratios.get(fault.id, 1.0) for fault in faults], dtype=np.float64),
        unseen=np.prod(1.0 - shows(findings.absent), axis=1),
        of_the_tube=np.array([fault.of_the_tube for fault in faults], dtype=np.bool_),
        log_absent_leaks=float(np.log1p(-absent_leaks).sum()),
    )


def diagnose_findings(findings: Findings, knowledge: Knowledge) -> Diagnosis:
    """Exact posteriors of all faults, and who is to blame for what was seen.

    Args:
        findings: From :func:`tubewright.judgement.findings.gather_findings`.
        knowledge: The catalogue of faults, symptoms and tests.

    Returns:
        The diagnosis.

    Raises:
        InputError: The findings are impossible together.
        RefusedError: More present findings hang together than can be reckoned exactly.
    """
    evidence = weigh(findings, knowledge)
    count = len(findings.present)
    posteriors, logarithm = network.posteriors(
        evidence.priors,
        evidence.links,
        evidence.leaks,
        range(count),
        [],
        odds_ratios=evidence.ratios * evidence.unseen,
    )
    logarithm += evidence.log_absent_leaks
    tube = evidence.of_the_tube
    everyone = np.ones_like(tube)
    sets = explain(evidence, posteriors)
    order = np.argsort(-posteriors, kind="stable")
    accused = evidence.accused
    named = [i for i in order.tolist() if accused[i] and posteriors[i] >= WORTH_NAMING][:MOST_NAMED]
    seen = count > 0 or bool(np.any(evidence.ratios > 1))
    return Diagnosis(
        suspects=tuple(
            SuspectedFault(
                id=evidence.fault_ids[i],
                name=knowledge.faults[evidence.fault_ids[i]].name,
                probability=float(posteriors[i]),
                of_the_tube=bool(tube[i]),
            )
            for i in named
        ),
        posteriors=dict(zip(evidence.fault_ids, posteriors.tolist(), strict=True)),
        probability_tube=1.0 - _none_to_blame(evidence, tube, logarithm),
        probability_elsewhere=1.0 - _none_to_blame(evidence, ~tube, logarithm),
        probability_unknown=_none_to_blame(evidence, everyone, logarithm) if seen else 0.0,
        unexplained=tuple(
            finding for j, finding in enumerate(findings.present) if _only_leaked(evidence, j, logarithm) > 0.5
        ),
        explanations=tuple(
            Explanation(
                faults=tuple(evidence.fault_ids[i] for i in sets.faults[members]), probability=float(probability)
            )
            for members, probability in zip(sets.members[:MOST_NAMED], sets.probabilities[:MOST_NAMED], strict=True)
        ),
        explanations_cover=_cover(evidence, sets, logarithm),
        log_evidence=logarithm,
    )


def explain(evidence: Evidence, posteriors: Floats) -> LikelySets:
    """The most probable sets of accused faults, drawn from the likeliest of them."""
    candidates = np.flatnonzero(evidence.accused & (posteriors > 0) & (evidence.priors < 1))
    chosen = np.sort(candidates[np.argsort(-posteriors[candidates], kind="stable")][:MOST_SUSPECTS])
    return likely_sets(_log_odds(evidence), evidence.links, evidence.leaks, chosen)


def _log_odds(evidence: Evidence) -> Floats:
    with np.errstate(divide="ignore"):  # a fault ruled out for certain has log odds of minus infinity
        odds: Floats = np.log(evidence.priors * evidence.ratios * evidence.unseen) - np.log1p(-evidence.priors)
    return odds


def _none_to_blame(evidence: Evidence, group: NDArray[np.bool_], logarithm: float) -> float:
    """Chance that no fault of a group causes anything that was seen.

    A fault that is present but shows nothing counts with the chance that it keeps
    still: the complement of each link to a present finding, and, for an accusing test
    result of odds ratio R, the 1/R of such results that come without its doing.
    """
    still = np.prod(1.0 - evidence.links, axis=1) * np.minimum(evidence.ratios, 1.0)
    ratios = np.where(group, still, evidence.ratios)
    links = np.where(group[:, np.newaxis], 0.0, evidence.links)
    return min(1.0, math.exp(evidence.log_evidence(ratios=ratios, links=links) - logarithm))


def _only_leaked(evidence: Evidence, finding: int, logarithm: float) -> float:
    """Chance that no fault of the catalogue causes one present finding."""
    leak = float(evidence.leaks[finding])
    if leak == 0:
        return 0.0
    without = evidence.log_evidence(ratios=evidence.ratios * (1.0 - evidence.links[:, finding]), skip=finding)
    return math.exp(math.log(leak) + without - logarithm)


def _cover(evidence: Evidence, sets: LikelySets, logarithm: float) -> float:
    """Share of all explanations by accused faults that the kept sets hold."""
    accused = evidence.accused
    weights = evidence.priors * evidence.ratios * evidence.unseen
    none_present = float(np.log1p(-evidence.priors[accused & (evidence.priors < 1)]).sum())
    others = float(np.log((weights + 1.0 - evidence.priors)[~accused]).sum()) + evidence.log_absent_leaks
    return min(1.0, math.exp(sets.log_mass + none_present + others - logarithm))
