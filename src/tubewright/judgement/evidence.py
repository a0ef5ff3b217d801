"""Findings and catalogue laid out as arrays: what is to be explained, and what speaks against whom.

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
from tubewright.judgement.findings import Findings
from tubewright.judgement.network import Floats, Walked
from tubewright.judgement.said import accusations, excuses_by_test
from tubewright.knowledge.model import Knowledge

EXCLUDED_FACTOR: Final = 0.05
"""Factor on the odds of a fault that somebody ruled out: strong, but people err (from memory, estimate)."""
SHOWN_WHEN_TRUE: Final = 0.85
"""Chance that a test shows the fault it speaks for most, when that is there (from memory, estimate)."""

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
    that it would show, results that excuse it, and whoever or whatever rules it out.

    A fault that the search has confirmed explains what it explains: its ``priors`` is 1,
    its ``links`` are 0 and what it shows is folded into the ``leaks``, so that it takes no
    further part. ``own_leaks`` are the leaks without it; ``confirmed_links`` has a row
    for each of ``confirmed``. ``ruled`` is the part of ``still`` that comes of ruling out,
    and of symptoms that can't be there.
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
    ruled = np.prod(1.0 - shows(findings.bound), axis=1)
    ruled[[place[fault] for fault in findings.excluded if fault in place]] *= EXCLUDED_FACTOR
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
