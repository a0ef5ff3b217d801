"""Sampling in a noisy-OR network that is too tightly tied for an exact walk, with its error.

A population of sets of faults is drawn from what is known beforehand. The present
findings are then added one by one: each set is weighed by how readily it shows the
finding, the population is drawn anew by these weights, and every fault is drawn again
given all others (Gibbs), among them exchanges in which one fault hands what it explains
to another. The product of the mean weights is the evidence. Several populations that
know nothing of each other are bred; how far they differ is the standard error, by the
jackknife.

Time is bounded: work grows with populations x faults x findings, whatever hangs
together.

Source: sequential Monte Carlo with resampling and moves, Del Moral, Doucet and Jasra,
Journal of the Royal Statistical Society B 68 (2006) 411-436 (from memory); jackknife:
Efron and Tibshirani, An Introduction to the Bootstrap, 1993, chapter 11 (from memory).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.network_plan import Group

Floats: TypeAlias = NDArray[np.float64]
Sets: TypeAlias = NDArray[np.bool_]

_RUNS: Final = 16
"""Populations that know nothing of each other; their differences give the error."""
_EACH: Final = 512
"""Sets of faults in each population."""
_FEWEST: Final = 128
"""Sets in each population of a large group."""
_MOST_LINKS: Final = 2_500_000
"""Sets times faults times findings above which populations are kept smaller."""
_SWEEP_AFTER: Final = 4
"""Findings after which all faults are moved, not only those of the finding added last."""
_LAST_SWEEPS: Final = 6
"""Rounds of moves after the last finding."""
_CERTAIN: Final = 1e-12
"""How far a link stays below 1, so that what is hidden can be divided by it again."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Drawn:
    """Sets of faults drawn for one question.

    ``states`` has shape (runs, each, faults); ``log_evidence``, shape (runs,), is each
    run's own estimate. ``chance``, ``links`` and ``leaks`` are the question's numbers.
    """

    states: Sets
    log_evidence: Floats
    chance: Floats
    links: Floats
    leaks: Floats

    @property
    def samples(self) -> int:
        """How many sets there are in all."""
        return int(self.states.shape[0] * self.states.shape[1])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Told:
    """What samples say of each variant of the question.

    Posteriors and their standard errors by variant and fault of the group; ``unlit``
    by variant and finding: the chance that nothing but the group's faults shows it.
    """

    posteriors: Floats
    posterior_sd: Floats
    log_evidence: Floats
    log_evidence_sd: Floats
    unlit: Floats


def sample_group(
    chance: Floats,
    links: Floats,
    leaks: Floats,
    *,
    rng: np.random.Generator,
    runs: int = _RUNS,
    each: int | None = None,
) -> Drawn:
    """Draw sets of faults given that every finding of the group is seen.

    Args:
        chance: Probability of each fault of the group before these findings; shape (faults,).
        links: Chance that a fault alone shows a finding; shape (faults, findings).
        leaks: Chance that a finding is seen without any of these faults; shape (findings,).
        rng: Source of chance.
        runs: Populations.
        each: Sets in each; fewer than usual in a large group if left out, which bounds the time.

    Returns:
        The sets, all of the same weight within a run.
    """
    if each is None:
        each = max(_FEWEST, min(_EACH, _MOST_LINKS // max(1, links.size)))
    links = np.minimum(links, 1.0 - _CERTAIN)
    leaks = np.maximum(leaks, 1e-300)
    herd = _Herd(chance, links, leaks, rng, runs=runs, each=each)
    waiting = list(range(len(leaks)))
    while waiting:
        # The finding that the population shows most readily comes next: it costs the fewest sets.
        shown = 1.0 - herd.hidden[:, waiting].mean(axis=0)
        herd.add(waiting.pop(int(np.argmax(shown))))
    for _ in range(_LAST_SWEEPS):
        herd.sweep()
    return Drawn(
        states=herd.states.reshape(runs, each, -1),
        log_evidence=herd.log_evidence,
        chance=chance,
        links=links,
        leaks=leaks,
    )


class _Herd:
    """All populations side by side: sets by row, and what each leaves hidden of each finding."""

    def __init__(
        self, chance: Floats, links: Floats, leaks: Floats, rng: np.random.Generator, *, runs: int, each: int
    ) -> None:
        self.rng, self.runs, self.each = rng, runs, each
        self.links, self.chance = links, chance
        count = runs * each
        self.states: Sets = rng.random((count, len(chance))) < chance
        self.hidden: Floats = (1.0 - leaks) * np.exp(self.states @ np.log1p(-links))
        self.log_evidence = np.zeros(runs)
        self.added: list[int] = []
        with np.errstate(divide="ignore"):
            self.log_odds = np.log(chance) - np.log1p(-chance)

    def add(self, finding: int) -> None:
        """Weigh every set by one more finding, draw the population anew, and move it."""
        shown = (1.0 - self.hidden[:, finding]).reshape(self.runs, self.each)
        mean = shown.mean(axis=1)
        self.log_evidence += np.log(mean)
        steps = (np.arange(self.each) + self.rng.random((self.runs, 1))) / self.each
        edges = np.cumsum(shown, axis=1) / shown.sum(axis=1, keepdims=True)
        chosen = np.concatenate(
            [
                run * self.each + np.minimum(np.searchsorted(edges[run], steps[run]), self.each - 1)
                for run in range(self.runs)
            ]
        )
        self.states, self.hidden = self.states[chosen], self.hidden[chosen]
        self.added.append(finding)
        if len(self.added) % _SWEEP_AFTER == 0:
            self.sweep()
        else:
            self.sweep(faults=np.flatnonzero(self.links[:, finding] > 0), findings=[finding])

    def sweep(self, *, faults: NDArray[np.intp] | None = None, findings: Sequence[int] | None = None) -> None:
        """Draw faults (all of them if not said) again given all others, then let them change places."""
        added = np.zeros(self.links.shape[1], dtype=bool)
        added[self.added] = True
        for fault in self.rng.permutation(len(self.chance) if faults is None else faults).tolist():
            mine = np.flatnonzero((self.links[fault] > 0) & added)
            if len(mine):
                self._redraw(fault, mine)
            else:
                self._set(fault, self.rng.random(len(self.states)) < self.chance[fault])
        for finding in self.added if findings is None else findings:
            self._exchange(finding, added)

    def _redraw(self, fault: int, mine: NDArray[np.intp]) -> None:
        let_through = 1.0 - self.links[fault, mine]
        without = self.hidden[:, mine] / np.where(self.states[:, fault, np.newaxis], let_through, 1.0)
        log_odds = self.log_odds[fault] + np.log(
            np.prod((1.0 - without * let_through) / np.maximum(1.0 - without, 1e-300), axis=1)
        )
        draw = self.rng.random(len(self.states))
        self._set(fault, draw * (1.0 + np.exp(-np.clip(log_odds, -700, 700))) < 1.0)

    def _set(self, fault: int, there: Sets) -> None:
        """Put a fault in or take it out, and keep what is hidden in step."""
        changed = there != self.states[:, fault]
        mine = np.flatnonzero(self.links[fault] > 0)
        rows = np.flatnonzero(changed)
        if len(rows) and len(mine):
            factor = 1.0 - self.links[fault, mine]
            power = np.where(there[rows, np.newaxis], factor, 1.0 / factor)
            self.hidden[np.ix_(rows, mine)] *= power
        self.states[:, fault] = there

    def _exchange(self, finding: int, added: Sets) -> None:
        """Propose that one present cause of a finding hands over to an absent one (Metropolis)."""
        causes = np.flatnonzero((self.links[:, finding] > 0) & (self.chance > 0))
        if len(causes) < 2:
            return
        there = self.states[:, causes]
        ups = there.sum(axis=1)
        rows = np.flatnonzero((ups > 0) & (ups < len(causes)))
        if len(rows) == 0:
            return
        # One of the present and one of the absent causes, each with even chance: the way back is as likely.
        order = self.rng.random((len(rows), len(causes)))
        out = causes[np.argmax(np.where(there[rows], order, -1.0), axis=1)]
        come = causes[np.argmax(np.where(there[rows], -1.0, order), axis=1)]
        columns = np.flatnonzero(self.links[causes].max(axis=0) > 0)  # nothing else changes
        counted = added[columns]
        before = self.hidden[np.ix_(rows, columns)]
        let_through = 1.0 - self.links[:, columns]
        after = before / let_through[out] * let_through[come]
        ratio = np.prod(
            np.maximum(1.0 - after[:, counted], 0.0) / np.maximum(1.0 - before[:, counted], 1e-300), axis=1
        ) * np.exp(np.clip(self.log_odds[come] - self.log_odds[out], -700, 700))
        taken = self.rng.random(len(rows)) < ratio
        rows = rows[taken]
        self.states[rows, out[taken]] = False
        self.states[rows, come[taken]] = True
        self.hidden[np.ix_(rows, columns)] = after[taken]


def reweighted(drawn: Drawn, *, chance: Floats, links: Floats, leaks: Floats, group: Group) -> Told:
    """Read variants of the question off samples drawn for the first.

    Args:
        drawn: The samples.
        chance: Chances of all faults by variant; shape (variants, all faults).
        links: Shape (variants or 1, all faults, all findings).
        leaks: Leaks by variant; shape (variants, all findings).
        group: Which faults and findings of these the samples are about.

    Returns:
        What each variant says.
    """
    faults, findings = list(group.faults), list(group.findings)
    runs, each, count = drawn.states.shape
    states = drawn.states.reshape(runs * each, count).astype(np.float64)
    variants = len(leaks)
    hidden_then = np.exp(states @ np.log1p(-drawn.links))
    log_then = np.log(np.maximum(1.0 - (1.0 - drawn.leaks) * hidden_then, 1e-300)).sum(axis=1)
    posteriors, posterior_sd = np.empty((variants, count)), np.empty((variants, count))
    logs, log_sd = np.empty(variants), np.empty(variants)
    unlit = np.empty((variants, len(findings)))
    for v in range(variants):
        if len(links) == 1 or v == 0 or np.array_equal(links[v], links[0]):
            hidden = hidden_then
        else:
            own = np.minimum(links[v][np.ix_(faults, findings)], 1.0 - _CERTAIN)
            hidden = np.exp(states @ np.log1p(-own))
        leak = leaks[v, findings]
        shown = 1.0 - (1.0 - leak) * hidden
        log_weight = _log_ratio(states, chance[v, faults], drawn.chance)
        with np.errstate(divide="ignore"):
            log_weight = log_weight + np.log(shown).sum(axis=1) - log_then
        figures = np.hstack([states, (1.0 - leak) * (1.0 - hidden) / np.maximum(shown, 1e-300)])
        means, sds, logs[v], log_sd[v] = _combined(
            figures.reshape(runs, each, -1), log_weight.reshape(runs, each), drawn.log_evidence
        )
        posteriors[v], posterior_sd[v], unlit[v] = means[:count], sds[:count], means[count:]
    return Told(
        posteriors=posteriors, posterior_sd=posterior_sd, log_evidence=logs, log_evidence_sd=log_sd, unlit=unlit
    )


def _log_ratio(states: Floats, chance: Floats, then: Floats) -> Floats:
    """Log of how much likelier each set of faults is beforehand than it was when it was drawn."""
    with np.errstate(divide="ignore", invalid="ignore"):
        there = np.where(then > 0, np.log(chance) - np.log(then), 0.0)
        gone = np.where(then < 1, np.log1p(-chance) - np.log1p(-then), 0.0)
    there, gone = np.maximum(there, -1e4), np.maximum(gone, -1e4)
    ratio: Floats = states @ (there - gone) + gone.sum()
    return ratio


def _combined(figures: Floats, log_weight: Floats, log_evidence: Floats) -> tuple[Floats, Floats, float, float]:
    """Weighted means of all runs with their jackknife errors, and the log evidence with its own."""
    highest = float((log_weight + log_evidence[:, np.newaxis]).max())
    if not np.isfinite(highest):
        return np.zeros(figures.shape[2]), np.zeros(figures.shape[2]), -np.inf, 0.0
    weight = np.exp(log_weight + log_evidence[:, np.newaxis] - highest) / figures.shape[1]
    mass = weight.sum(axis=1)  # each run's estimate of the evidence, to a common factor
    sums = np.einsum("re,ref->rf", weight, figures)
    runs = len(mass)
    total, whole = mass.sum(), sums.sum(axis=0)
    without = (whole - sums) / np.maximum(total - mass, 1e-300)[:, np.newaxis]
    spread = np.sqrt((runs - 1) / runs * ((without - without.mean(axis=0)) ** 2).sum(axis=0))
    logs = np.log(np.maximum(total - mass, 1e-300) / (runs - 1))
    log_sd = float(np.sqrt((runs - 1) / runs * ((logs - logs.mean()) ** 2).sum()))
    return whole / total, spread, highest + float(np.log(total / runs)), log_sd
