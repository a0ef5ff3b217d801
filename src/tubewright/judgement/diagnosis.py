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
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement import network
from tubewright.judgement.explanations import MOST_SUSPECTS, LikelySets, likely_sets
from tubewright.judgement.findings import Findings
from tubewright.judgement.network import Floats, Walked
from tubewright.judgement.said import accusations, excuses_by_test
from tubewright.knowledge.model import Knowledge

WORTH_NAMING: Final = 0.01
"""Suspects below this probability are left out of the list (they stay in ``posteriors``)."""
MOST_NAMED: Final = 12
EXCLUDED_FACTOR: Final = 0.05
"""Factor on the odds of a fault that somebody ruled out: strong, but people err (from memory, estimate)."""
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
    posterior_sd: Mapping[str, float]
    unexplained_probability: Mapping[str, float]
    samples: int


ClueKind = Literal["symptom", "no_symptom", "test"]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Clue:
    """One thing that is known: a symptom seen or looked for in vain, or the outcome of a test.

    ``columns`` are what it adds to be explained; ``lowers``, shape (faults,), is the
    factor by which it lowers the odds of faults.
    """

    kind: ClueKind
    id: str
    result: str
    columns: tuple[int, ...]
    lowers: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Evidence:
    """Findings and catalogue as arrays: faults by row, things seen by column.

    Columns are the present symptoms, then the results that accuse. ``still`` is the
    factor on the odds of each fault by all that speaks against it: absent symptoms
    that it would show, results that excuse it, and whoever ruled it out.

    A fault that the search has confirmed explains what it explains: its ``priors`` is 1,
    its ``links`` are 0 and what it shows is folded into the ``leaks``, so that it takes no
    further part. ``own_leaks`` are the leaks without it; ``confirmed_links`` has a row
    for each of ``confirmed``. ``ruled`` is the part of ``still`` that comes of ruling out.
    """

    fault_ids: tuple[str, ...]
    priors: Floats
    links: Floats
    leaks: Floats
    still: Floats
    of_the_tube: NDArray[np.bool_]
    log_absent_leaks: float
    clues: tuple[Clue, ...]
    ruled: Floats
    own_leaks: Floats
    confirmed: NDArray[np.intp]
    confirmed_links: Floats

    @property
    def accused(self) -> NDArray[np.bool_]:
        """Faults that could show or bring about something that was seen."""
        shown: NDArray[np.bool_] = np.any(self.links > 0, axis=1)
        return shown

    def posteriors(self) -> tuple[Floats, float]:
        """Posterior of every fault, and the log evidence.

        Raises:
            InputError: The findings are impossible together.
        """
        solved = self.solve()
        return solved.posteriors[0], float(solved.log_evidence[0])

    def solve(self, *, without_each: bool = False, seed: int = 1) -> Walked:
        """Posteriors and log evidence, and if wanted the same without each clue in turn.

        Returns:
            The first variant is that of all clues; the others follow the order of ``clues``.

        Raises:
            InputError: The findings are impossible together.
        """
        left_out = self.clues if without_each else ()
        still = np.vstack([self.still, *_without_each(self, left_out)])
        leaks = np.tile(self.leaks, (len(still), 1))
        for row, clue in enumerate(left_out, start=1):
            leaks[row, list(clue.columns)] = 1.0
        return self._walked(still, self.links[np.newaxis], leaks, seed=seed, wanted=True)

    def log_evidences(self, *, still: Floats, links: Floats, leaks: Floats, seed: int = 1) -> Walked:
        """Log evidence of the question itself, and of variants with other factors, links and leaks.

        Args:
            still: Factors on the odds, shape (variants, faults).
            links: Shape (variants, faults, columns).
            leaks: Shape (variants, columns).
            seed: Where the random numbers start, should the network have to be sampled.

        Raises:
            InputError: The findings are impossible together.
        """
        return self._walked(
            np.vstack([self.still, still]),
            np.concatenate([self.links[np.newaxis], links]),
            np.vstack([self.leaks, leaks]),
            seed=seed,
            wanted=False,
        )

    def _walked(self, still: Floats, links: Floats, leaks: Floats, *, seed: int, wanted: bool) -> Walked:
        walked = network.walk(
            self.priors * still, (1.0 - self.priors)[np.newaxis], links, leaks, seed=seed, wanted=wanted
        )
        if walked.log_evidence[0] == -math.inf or self.log_absent_leaks == -math.inf:
            raise network.ImpossibleError
        return replace(walked, log_evidence=walked.log_evidence + self.log_absent_leaks)


def _without_each(evidence: Evidence, clues: tuple[Clue, ...]) -> Floats:
    """The factors of all clues but one, for each; shape (clues, faults). Some factors are 0."""
    if not clues:
        return np.empty((0, len(evidence.still)))
    lowers = np.array([clue.lowers for clue in clues])
    zero = lowers == 0
    rest = np.where(zero, 1.0, lowers)
    product = np.prod(rest, axis=0) / rest
    others_zero = zero.sum(axis=0) - zero
    return np.where(others_zero > 0, 0.0, product) * evidence.ruled


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
    count = len(faults)
    place = {fault.id: at for at, fault in enumerate(faults)}

    def shows(symptoms: tuple[str, ...]) -> Floats:
        rows = [[fault.shows.get(symptom, 0.0) for symptom in symptoms] for fault in faults]
        return np.array(rows, dtype=np.float64).reshape(count, len(symptoms))

    accusing = accusations(findings, knowledge)
    results = [result_as_finding(weight.ratios) for weight in accusing]
    rows = [[links.get(fault.id, 0.0) for _, links in results] for fault in faults]
    links = np.hstack([shows(findings.present), np.array(rows, dtype=np.float64).reshape(count, len(results))])
    own_leaks = np.array(
        [knowledge.symptoms[s].leak_probability for s in findings.present] + [leak for leak, _ in results],
        dtype=np.float64,
    )
    priors = np.array([fault.per_1000 / 1000 for fault in faults], dtype=np.float64)
    absent = shows(findings.absent)
    absent_leaks = np.array([knowledge.symptoms[s].leak_probability for s in findings.absent], dtype=np.float64)
    confirmed = np.array([place[fault] for fault in findings.confirmed if fault in place], dtype=np.intp)
    there = np.array([place[fault] for fault in findings.found if fault in place], dtype=np.intp)
    with np.errstate(divide="ignore"):
        log_absent = float(np.log1p(-absent_leaks).sum() + np.log1p(-absent[there]).sum())
    clues = _clues(findings, absent, [weight.test for weight in accusing], excuses_by_test(findings, knowledge), place)
    ruled = np.ones(count)
    ruled[[place[fault] for fault in findings.excluded if fault in place]] = EXCLUDED_FACTOR
    confirmed_links = links[confirmed]
    priors[confirmed], links[confirmed], ruled[confirmed] = 1.0, 0.0, 1.0
    for clue in clues:
        clue.lowers[confirmed] = 1.0
    return Evidence(
        fault_ids=tuple(place),
        priors=priors,
        links=links,
        leaks=1.0 - (1.0 - own_leaks) * np.prod(1.0 - confirmed_links, axis=0) if len(confirmed) else own_leaks,
        still=np.prod([ruled, *(clue.lowers for clue in clues)], axis=0),
        of_the_tube=np.array([fault.of_the_tube for fault in faults], dtype=np.bool_),
        log_absent_leaks=log_absent,
        clues=clues,
        ruled=ruled,
        own_leaks=own_leaks,
        confirmed=confirmed,
        confirmed_links=confirmed_links,
    )


def _clues(
    findings: Findings,
    absent: Floats,
    accusing: list[str],
    excused: Mapping[str, Mapping[str, float]],
    place: Mapping[str, int],
) -> tuple[Clue, ...]:
    """Present symptoms, absent ones and tests, each with what it adds to explain and what it speaks against."""
    nothing = np.ones(len(absent))
    clues = [
        Clue(kind="symptom", id=name, result="", columns=(column,), lowers=nothing.copy())
        for column, name in enumerate(findings.present)
    ]
    clues += [
        Clue(kind="no_symptom", id=name, result="", columns=(), lowers=1.0 - absent[:, at])
        for at, name in enumerate(findings.absent)
    ]
    named = {taken.test: taken.result for taken in reversed(findings.results)}
    for test in dict.fromkeys([*accusing, *excused]):
        lowers = nothing.copy()
        for fault, factor in excused.get(test, {}).items():
            lowers[place[fault]] = factor
        columns = tuple(len(findings.present) + at for at, name in enumerate(accusing) if name == test)
        clues.append(Clue(kind="test", id=test, result=named[test], columns=columns, lowers=lowers))
    return tuple(clues)


def diagnose_findings(findings: Findings, knowledge: Knowledge, *, seed: int = 1) -> Diagnosis:
    """Posteriors of all faults, and who is to blame for what was seen.

    Args:
        findings: From :func:`tubewright.judgement.findings.gather_findings`.
        knowledge: The catalogue of faults, symptoms and tests.
        seed: Where the random numbers start, should the network have to be sampled.

    Returns:
        The diagnosis.

    Raises:
        InputError: The findings are impossible together.
    """
    evidence = weigh(findings, knowledge)
    solved = evidence.solve(seed=seed)
    posteriors, logarithm = solved.posteriors[0], float(solved.log_evidence[0])
    tube = evidence.of_the_tube
    to_blame, only_leaked = _blame(evidence, seed=seed, leaked=len(findings.present))
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


def blame(findings: Findings, knowledge: Knowledge, *, seed: int = 1) -> Blame:
    """Who is to blame for what was seen, without the rest of the diagnosis (a few times quicker).

    Raises:
        InputError: The findings are impossible together.
    """
    return _blame(weigh(findings, knowledge), seed=seed)[0]


def _blame(evidence: Evidence, *, seed: int, leaked: int = 0) -> tuple[Blame, list[float]]:
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
    for group in groups:
        mine = group[evidence.confirmed]
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
