"""What is wrong with the display: suspects with their probabilities, and where they sit.

A display has several small faults at any time, and an arriving one has a complaint.
So the question "is it the tube?" is put to what was *seen*: the chance that at least
one present symptom or accusing test result is caused by a fault of the tube, or by
one elsewhere. Faults that nothing seen speaks for stay near their priors and are no
suspects, however common they are.

A test result that speaks for faults is a finding to be explained, like a symptom:
each fault it accuses could bring it about, one is enough, and finding that one takes
the blame off the others. The catalogue gives factors on the odds; they become a leak
and links so that any one fault, alone, gets exactly its factor.
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
from tubewright.judgement.findings import Findings, accusations, excuses
from tubewright.judgement.network import Floats
from tubewright.knowledge.model import Knowledge

WORTH_NAMING: Final = 0.01
"""Suspects below this probability are left out of the list (they stay in ``posteriors``)."""
MOST_NAMED: Final = 12
SHOWN_WHEN_TRUE: Final = 0.85
"""Chance that a test shows the fault it speaks for most, when that is there (from memory, estimate)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SuspectedFault:
    """A fault that something seen speaks for."""

    id: str
    name: str
    probability: float
    of_the_tube: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Blame:
    """Chances that a fault of the tube, one elsewhere, or nothing in the catalogue caused what was seen.

    The first two may both be true; the third excludes them. All are 0 while nothing was seen.
    """

    tube: float
    elsewhere: float
    unknown: float
    log_evidence: float


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
    """Findings and catalogue as arrays: faults by row, things seen by column.

    Columns are the present symptoms, then the results that accuse. ``still`` is the
    factor on the odds of each fault by all that speaks against it: absent symptoms
    that it would show, and results that excuse it.
    """

    fault_ids: tuple[str, ...]
    priors: Floats
    links: Floats
    leaks: Floats
    still: Floats
    of_the_tube: NDArray[np.bool_]
    log_absent_leaks: float

    @property
    def accused(self) -> NDArray[np.bool_]:
        """Faults that could show or bring about something that was seen."""
        shown: NDArray[np.bool_] = np.any(self.links > 0, axis=1)
        return shown

    def posteriors(self) -> tuple[Floats, float]:
        """Posterior of every fault, and the log evidence."""
        answer, logarithm = network.posteriors(
            self.priors, self.links, self.leaks, range(len(self.leaks)), [], odds_ratios=self.still
        )
        return answer, logarithm + self.log_absent_leaks

    def log_evidence(self, *, still: Floats, links: Floats, skip: int = -1) -> float:
        """Log evidence with other factors and links, or with one thing seen left out."""
        kept = [j for j in range(len(self.leaks)) if j != skip]
        logarithm = network.log_evidence(self.priors, links, self.leaks, kept, [], odds_ratios=still)
        return logarithm + self.log_absent_leaks


def result_as_finding(ratios: Mapping[str, float]) -> tuple[float, dict[str, float]]:
    """Leak and links that give each accused fault, alone, its factor on the odds.

    With leak b and link l a fault multiplies the chance of the result from b to
    1 - (1 - b)(1 - l), which is to be R b for its factor R.

    Args:
        ratios: Factors above 1 by fault.

    Returns:
        The leak, and the link of each fault.
    """
    leak = SHOWN_WHEN_TRUE / max(ratios.values())
    # A result that speaks for faults only faintly may not come more often than not without them.
    leak = min(leak, 0.5)
    return leak, {fault: 1.0 - (1.0 - ratio * leak) / (1.0 - leak) for fault, ratio in ratios.items()}


def weigh(findings: Findings, knowledge: Knowledge) -> Evidence:
    """Lay out the findings against the catalogue as arrays."""
    faults = list(knowledge.faults.values())

    def shows(symptoms: tuple[str, ...]) -> Floats:
        rows = [[fault.shows.get(symptom, 0.0) for symptom in symptoms] for fault in faults]
        return np.array(rows, dtype=np.float64).reshape(len(faults), len(symptoms))

    results = [result_as_finding(weight.ratios) for weight in accusations(findings, knowledge)]
    rows = [[links.get(fault.id, 0.0) for _, links in results] for fault in faults]
    result_links = np.array(rows, dtype=np.float64).reshape(len(faults), len(results))
    leaks = [knowledge.symptoms[s].leak_probability for s in findings.present] + [leak for leak, _ in results]
    absent_leaks = np.array([knowledge.symptoms[s].leak_probability for s in findings.absent], dtype=np.float64)
    excused = excuses(findings, knowledge)
    return Evidence(
        fault_ids=tuple(fault.id for fault in faults),
        priors=np.array([fault.per_1000 / 1000 for fault in faults], dtype=np.float64),
        links=np.hstack([shows(findings.present), result_links]),
        leaks=np.array(leaks, dtype=np.float64),
        still=np.array([excused.get(fault.id, 1.0) for fault in faults])
        * np.prod(1.0 - shows(findings.absent), axis=1),
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
    posteriors, logarithm = evidence.posteriors()
    tube = evidence.of_the_tube
    blame = _blame(evidence, logarithm)
    sets = explain(evidence, posteriors)
    order = np.argsort(-posteriors, kind="stable")
    accused = evidence.accused
    named = [i for i in order.tolist() if accused[i] and posteriors[i] >= WORTH_NAMING][:MOST_NAMED]
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
        probability_tube=blame.tube,
        probability_elsewhere=blame.elsewhere,
        probability_unknown=blame.unknown,
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


def blame(findings: Findings, knowledge: Knowledge) -> Blame:
    """Who is to blame for what was seen, without the rest of the diagnosis (a few times quicker).

    Raises:
        InputError: The findings are impossible together.
        RefusedError: More present findings hang together than can be reckoned exactly.
    """
    evidence = weigh(findings, knowledge)
    logarithm = evidence.log_evidence(still=evidence.still, links=evidence.links)
    return _blame(evidence, logarithm)


def _blame(evidence: Evidence, logarithm: float) -> Blame:
    if len(evidence.leaks) == 0:
        return Blame(tube=0.0, elsewhere=0.0, unknown=0.0, log_evidence=logarithm)
    tube = evidence.of_the_tube
    return Blame(
        tube=1.0 - _none_to_blame(evidence, tube, logarithm),
        elsewhere=1.0 - _none_to_blame(evidence, ~tube, logarithm),
        unknown=_none_to_blame(evidence, np.ones_like(tube), logarithm),
        log_evidence=logarithm,
    )


def explain(evidence: Evidence, posteriors: Floats) -> LikelySets:
    """The most probable sets of accused faults, drawn from the likeliest of them."""
    candidates = np.flatnonzero(evidence.accused & (posteriors > 0) & (evidence.priors < 1))
    chosen = np.sort(candidates[np.argsort(-posteriors[candidates], kind="stable")][:MOST_SUSPECTS])
    return likely_sets(_log_odds(evidence), evidence.links, evidence.leaks, chosen)


def _log_odds(evidence: Evidence) -> Floats:
    with np.errstate(divide="ignore"):  # a fault ruled out for certain has log odds of minus infinity
        odds: Floats = np.log(evidence.priors * evidence.still) - np.log1p(-evidence.priors)
    return odds


def _none_to_blame(evidence: Evidence, group: NDArray[np.bool_], logarithm: float) -> float:
    """Chance that no fault of a group causes anything that was seen.

    A fault that is present but shows nothing of it counts with the chance that it
    keeps still: the complement of each of its links to something seen.
    """
    silent = evidence.still * np.prod(1.0 - evidence.links, axis=1)
    without = evidence.log_evidence(
        still=np.where(group, silent, evidence.still), links=np.where(group[:, np.newaxis], 0.0, evidence.links)
    )
    return min(1.0, math.exp(without - logarithm))


def _only_leaked(evidence: Evidence, finding: int, logarithm: float) -> float:
    """Chance that no fault of the catalogue causes one thing that was seen."""
    leak = float(evidence.leaks[finding])
    if leak == 0:
        return 0.0
    silent = evidence.still * (1.0 - evidence.links[:, finding])
    without = evidence.log_evidence(still=silent, links=evidence.links, skip=finding)
    return math.exp(math.log(leak) + without - logarithm)


def _cover(evidence: Evidence, sets: LikelySets, logarithm: float) -> float:
    """Share of all explanations by accused faults that the kept sets hold."""
    accused = evidence.accused
    present = evidence.priors * evidence.still
    none_present = float(np.log1p(-evidence.priors[accused & (evidence.priors < 1)]).sum())
    others = float(np.log((present + 1.0 - evidence.priors)[~accused]).sum()) + evidence.log_absent_leaks
    return min(1.0, math.exp(sets.log_mass + none_present + others - logarithm))
