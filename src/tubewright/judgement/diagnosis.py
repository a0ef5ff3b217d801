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

from tubewright.judgement.evidence import Clue, Evidence, result_as_finding, weigh
from tubewright.judgement.explanations import MOST_SUSPECTS, LikelySets, likely_sets
from tubewright.judgement.findings import Findings
from tubewright.judgement.network import Floats, Walked
from tubewright.knowledge.model import Knowledge

__all__ = [
    "Blame",
    "Clue",
    "Diagnosis",
    "Evidence",
    "Explanation",
    "SuspectedFault",
    "Weighed",
    "blame",
    "diagnose_findings",
    "explain",
    "result_as_finding",
    "weigh",
    "weighed",
]

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
    posterior_sd: Mapping[str, float]
    unexplained_probability: Mapping[str, float]
    samples: int


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Weighed:
    """A diagnosis with everything it rests on.

    ``solved`` holds the answer to all clues first, and if asked for that without each
    clue after it; ``sets`` are the likely explanations.
    """

    evidence: Evidence
    solved: Walked
    sets: LikelySets
    diagnosis: Diagnosis


def diagnose_findings(findings: Findings, knowledge: Knowledge, *, seed: int = 1) -> Diagnosis:
    """Posteriors of all faults, and who is to blame for what was seen; arguments as :func:`weighed`."""
    return weighed(findings, knowledge, seed=seed).diagnosis


def weighed(findings: Findings, knowledge: Knowledge, *, without_each: bool = False, seed: int = 1) -> Weighed:
    """Posteriors of all faults, who is to blame for what was seen, and what that rests on.

    Args:
        findings: From :func:`tubewright.judgement.findings.gather_findings`.
        knowledge: The catalogue of faults, symptoms and tests.
        without_each: Whether the posteriors without each clue are wanted too.
        seed: Where the random numbers start, should the network have to be sampled.

    Returns:
        The diagnosis.

    Raises:
        InputError: The findings are impossible together.
    """
    evidence = weigh(findings, knowledge)
    solved = evidence.solve(without_each=without_each, seed=seed)
    posteriors, logarithm = solved.posteriors[0], float(solved.log_evidence[0])
    to_blame, only_leaked = _blame(evidence, seed=seed, leaked=len(findings.present))
    sets = explain(evidence, posteriors)
    accused = evidence.accused
    named = [i for i in np.argsort(-posteriors, kind="stable").tolist() if accused[i]]
    diagnosis = Diagnosis(
        suspects=tuple(
            SuspectedFault(
                id=evidence.fault_ids[i],
                name=knowledge.faults[evidence.fault_ids[i]].name,
                probability=float(posteriors[i]),
                of_the_tube=bool(evidence.of_the_tube[i]),
            )
            for i in named[:MOST_NAMED]
            if posteriors[i] >= WORTH_NAMING
        ),
        posteriors=dict(zip(evidence.fault_ids, posteriors.tolist(), strict=True)),
        probability_tube=to_blame.tube,
        probability_elsewhere=to_blame.elsewhere,
        probability_unknown=to_blame.unknown,
        unexplained=tuple(
            finding for finding, chance in zip(findings.present, only_leaked, strict=True) if chance > 0.5
        ),
        explanations=tuple(
            Explanation(
                faults=tuple(evidence.fault_ids[i] for i in sets.faults[members]), probability=float(probability)
            )
            for members, probability in zip(sets.members[:MOST_NAMED], sets.probabilities[:MOST_NAMED], strict=True)
        ),
        explanations_cover=_cover(evidence, sets, logarithm),
        log_evidence=logarithm,
        posterior_sd=dict(zip(evidence.fault_ids, solved.posterior_sd[0].tolist(), strict=True)),
        unexplained_probability=dict(zip(findings.present, only_leaked, strict=True)),
        samples=solved.samples,
    )
    return Weighed(evidence=evidence, solved=solved, sets=sets, diagnosis=diagnosis)


def blame(findings: Findings, knowledge: Knowledge, *, seed: int = 1, mended_too: bool = True) -> Blame:
    """Who is to blame for what was seen, without the rest of the diagnosis (a few times quicker).

    Args:
        findings: What was seen.
        knowledge: The catalogue of faults, symptoms and tests.
        seed: Where the random numbers start, should the network have to be sampled.
        mended_too: Whether a fault that has been mended is still to blame for what it caused. Without it, it
            explains what it explains, but is no reason to look for anything.

    Raises:
        InputError: The findings are impossible together.
    """
    return _blame(weigh(findings, knowledge), seed=seed, gone=() if mended_too else findings.mended)[0]


def _blame(evidence: Evidence, *, seed: int, leaked: int = 0, gone: tuple[str, ...] = ()) -> tuple[Blame, list[float]]:
    """Who is to blame; and for each of the first columns the chance that no fault of the catalogue causes it.

    The chance that no fault of a group causes anything that was seen is the evidence
    with that group silenced, over the evidence as it is. A fault that is present but
    shows nothing of it counts with the chance that it keeps still: the complement of
    each of its links to something seen.
    """
    tube = evidence.of_the_tube
    groups = [tube, ~tube, np.ones_like(tube)] if len(evidence.leaks) else []
    silent = evidence.still * np.prod(1.0 - evidence.links, axis=1)
    still = [np.where(group, silent, evidence.still) for group in groups]
    links = [np.where(group[:, np.newaxis], 0.0, evidence.links) for group in groups]
    leaks, factors = [], []
    here = np.array([evidence.fault_ids[at] not in gone for at in evidence.confirmed], dtype=np.bool_)
    for group in groups:
        mine = group[evidence.confirmed] & here
        leaks.append(1.0 - (1.0 - evidence.own_leaks) * np.prod(1.0 - evidence.confirmed_links[~mine], axis=0))
        factors.append(float(np.prod(1.0 - evidence.confirmed_links[mine])))
    for column in range(leaked):
        still.append(evidence.still * (1.0 - evidence.links[:, column]))
        links.append(evidence.links)
        leaks.append(np.where(np.arange(len(evidence.leaks)) == column, 1.0, evidence.leaks))
        factors.append(float(evidence.own_leaks[column] * np.prod(1.0 - evidence.confirmed_links[:, column])))
    shape = len(still), *evidence.links.shape
    walked = evidence.log_evidences(
        still=np.array(still).reshape(shape[:2]),
        links=np.array(links).reshape(shape),
        leaks=np.array(leaks).reshape(shape[0], shape[2]),
        seed=seed,
    )
    logarithm = float(walked.log_evidence[0])
    shares = [
        min(1.0, factor * math.exp(min(700.0, float(log) - logarithm)))
        for factor, log in zip(factors, walked.log_evidence[1:], strict=True)
    ]
    if groups and not here.all():
        # With all others silent the columns stand alone. What is mended may have caused each: then none is unknown.
        by_mended = 1.0 - np.prod(1.0 - evidence.confirmed_links[~here], axis=0)
        shares[2] *= 1.0 - float(np.prod(by_mended / leaks[2]))
    if not groups:
        return Blame(tube=0.0, elsewhere=0.0, unknown=0.0, log_evidence=logarithm), []
    return Blame(tube=1.0 - shares[0], elsewhere=1.0 - shares[1], unknown=shares[2], log_evidence=logarithm), shares[3:]


def explain(evidence: Evidence, posteriors: Floats) -> LikelySets:
    """The most probable sets of accused faults, drawn from the likeliest of them."""
    candidates = np.flatnonzero(evidence.accused & (posteriors > 0) & (evidence.priors < 1))
    chosen = np.sort(candidates[np.argsort(-posteriors[candidates], kind="stable")][:MOST_SUSPECTS])
    return likely_sets(_log_odds(evidence), evidence.links, evidence.leaks, chosen)


def _log_odds(evidence: Evidence) -> Floats:
    with np.errstate(divide="ignore"):  # a fault ruled out for certain has log odds of minus infinity
        odds: Floats = np.log(evidence.priors * evidence.still) - np.log1p(-evidence.priors)
    return odds


def _cover(evidence: Evidence, sets: LikelySets, logarithm: float) -> float:
    """Share of all explanations by accused faults that the kept sets hold."""
    accused = evidence.accused
    present = evidence.priors * evidence.still
    none_present = float(np.log1p(-evidence.priors[accused & (evidence.priors < 1)]).sum())
    others = float(np.log((present + 1.0 - evidence.priors)[~accused]).sum()) + evidence.log_absent_leaks
    return min(1.0, math.exp(sets.log_mass + none_present + others - logarithm))
