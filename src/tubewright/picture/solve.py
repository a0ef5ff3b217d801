"""Least squares with what was likely before: the best unknowns, how sure they are, and how large their kinds run.

Unknowns carry a mean and a standard deviation from before (or none: flat). Rows
of measurements carry a standard error. The best unknowns are found by Gauss and
Newton's rule with shortened steps; single wild measurements lose weight (Huber);
the noise of a kind of measurement is raised where its residuals ask for it; the
likely size of a group of unknowns is learned from the group (a step of
expectation and maximisation each round). What is left is the usual normal
approximation of the posterior: mean and covariance.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

_HUBER: Final = 3.0
"""Residuals beyond so many standard errors lose weight. At 3 a normal residual loses next to nothing."""
_ROUNDS: Final = 30
_HALVINGS: Final = 8
_NOISE_ROUNDS: Final = 4
"""Rounds at most of telling the noise at the bottom; our choice."""
_SETTLED: Final = 1e-4
"""A step is the last when no unknown moves by more than this share of its posterior standard deviation or so: the
step's own length in the metric of the curvature."""
_AHEAD: Final = 0.1
"""Share of a step over which its bend is taken; as its source advises."""
_GOOD_ENOUGH: Final = 0.05
"""Steps that end at this many standard deviations still left an answer worth giving."""
_GROUP_DOUBTS: Final = 0.5
"""A group's likely size as set beforehand counts as so many of its members."""


@dataclass(slots=True, eq=False)
class Rows:
    """Measurements of one kind, linear about the present unknowns.

    Attributes:
        kind: What they are measurements of.
        columns: The unknowns that they depend on, (k,).
        slopes: By how much, (m, k).
        off: Measured minus expected, (m,).
        error: Standard error of each, (m,), in the same unit.
    """

    kind: str
    columns: NDArray[np.int64]
    slopes: Floats
    off: Floats
    error: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Group:
    """Unknowns whose likely size is learned from themselves: all are ``likely`` times one common factor."""

    columns: NDArray[np.int64]


@dataclass(slots=True, eq=False)
class Unknowns:
    """What is sought.

    Attributes:
        value: Present best values, (p,).
        mean: What they were thought to be before, (p,).
        likely: Standard deviation before, (p,); for flat ones a scale of the size expected, (p,).
        flat: Nothing was known of it before, (p,).
    """

    value: Floats
    mean: Floats
    likely: Floats
    flat: NDArray[np.bool_]
    slots: dict[str, slice] = field(default_factory=dict)

    @staticmethod
    def none() -> Unknowns:
        """To be filled by ``add``."""
        empty = np.empty(0)
        return Unknowns(empty, empty, empty, np.empty(0, dtype=np.bool_))

    def add(
        self,
        name: str,
        mean: Floats | Sequence[float],
        likely: Floats | Sequence[float],
        *,
        flat: bool | Sequence[bool],
    ) -> None:
        """Append unknowns under a name."""
        start = len(self.value)
        self.mean = np.concatenate([self.mean, np.asarray(mean, dtype=np.float64)])
        self.value = self.mean.copy()
        self.likely = np.concatenate([self.likely, np.asarray(likely, dtype=np.float64)])
        self.flat = np.concatenate([self.flat, np.broadcast_to(np.asarray(flat, dtype=np.bool_), len(mean))])
        self.slots[name] = slice(start, len(self.value))

    def columns(self, name: str) -> NDArray[np.int64]:
        """Where the unknowns of a name stand."""
        at = self.slots[name]
        return np.arange(at.start, at.stop)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Posterior:
    """What is known after.

    Attributes:
        value: Best values, (p,).
        root: Lower Cholesky root of the precision in units of ``likely``, (p, p).
        likely: Those units, (p,).
        noise: Noise found beyond the stated standard errors, by kind, in the measurements' unit.
        misfit: Root of chi-square per degree of freedom with the errors as stated, by kind.
        settled: Whether the steps came to rest.
    """

    value: Floats
    root: Floats
    likely: Floats
    noise: dict[str, float]
    misfit: dict[str, float]
    settled: bool

    def spread(self, slopes: Floats, columns: NDArray[np.int64]) -> Floats:
        """A root of the covariance of linear functions, (m, k) over columns (k,): rows (m, p), whose products it is."""
        from scipy.linalg import solve_triangular

        whole = np.zeros((len(self.value), len(slopes)))
        whole[columns] = (slopes * self.likely[columns]).T
        return np.asarray(solve_triangular(self.root, whole, lower=True, check_finite=False).T)

    def sd(self, slopes: Floats, columns: NDArray[np.int64]) -> Floats:
        """Standard deviation of linear functions, (m, k) over columns (k,), (m,)."""
        return np.asarray(np.linalg.norm(self.spread(slopes, columns), axis=1))

    def draws(self, rng: np.random.Generator, count: int) -> Floats:
        """Unknowns drawn from the posterior, (count, p)."""
        from scipy.linalg import solve_triangular

        noise = rng.standard_normal((len(self.value), count))
        steps = solve_triangular(self.root, noise, lower=True, trans="T", check_finite=False)
        return np.asarray(self.value + (steps * self.likely[:, None]).T)


def solve(
    unknowns: Unknowns,
    rows_at: Callable[[Floats], list[Rows]],
    *,
    fold: Callable[[Floats], Floats] | None = None,
    groups: Sequence[Group] = (),
    learned: int = 4,
    stages: Sequence[NDArray[np.int64]] = (),
    progress: Callable[[float], None] | None = None,
) -> Posterior:
    """The posterior of the unknowns.

    Args:
        unknowns: What is sought; its values are the start, and are changed.
        rows_at: Measurements, linear about given unknowns.
        fold: Called after each step taken; may carry part of the unknowns elsewhere (a turn into its base) and
            returns the unknowns with that part reset.
        groups: Unknowns whose likely size is learned.
        learned: Rounds of learning sizes and noise.
        stages: Solved one after the other for these unknowns alone, before all are free.
        progress: Called with the share done, 0 to 1.
    """
    before = unknowns.likely.copy()
    noise: dict[str, float] = {}
    every = np.arange(len(unknowns.value))
    for stage in stages:
        _descend(unknowns, rows_at, fold, noise, stage, _ROUNDS, settled=0.3, robust=False)
    rows, root, settled = _descend(unknowns, rows_at, fold, noise, every, _ROUNDS, settled=0.3, robust=False)
    misfit: dict[str, float] = {}
    for turn in range(learned):
        if progress is not None:
            progress((turn + 1) / (learned + 1))
        held = _held(root)
        misfit = _raise_noise(rows, noise, held, unknowns)
        _learn_sizes(unknowns, groups, before, held)
        rows, root, settled = _descend(unknowns, rows_at, fold, noise, every, 3, settled=0.1)
    rows, root, settled = _descend(unknowns, rows_at, fold, noise, every, _ROUNDS, settled=_SETTLED)
    for _ in range(_NOISE_ROUNDS):
        # Noise learned on the way down counts what the way still had to go; at the bottom it is told anew.
        told = dict(noise)
        misfit = _raise_noise(rows, noise, _held(root), unknowns)
        rows, root, settled = _descend(unknowns, rows_at, fold, noise, every, _ROUNDS, settled=_SETTLED)
        if all(told.get(kind, 0.0) - now <= 0.2 * told.get(kind, 0.0) for kind, now in noise.items()):
            break
    if progress is not None:
        progress(1.0)
    return Posterior(
        value=unknowns.value.copy(),
        root=root,
        likely=unknowns.likely.copy(),
        noise=dict(noise),
        misfit=misfit,
        settled=settled,
    )


def _descend(
    unknowns: Unknowns,
    rows_at: Callable[[Floats], list[Rows]],
    fold: Callable[[Floats], Floats] | None,
    noise: dict[str, float],
    free: NDArray[np.int64],
    rounds: int,
    *,
    settled: float,
    robust: bool = True,
) -> tuple[list[Rows], Floats, bool]:
    """Steps of Gauss and Newton in the free unknowns until one is shorter than ``settled`` standard deviations."""
    from scipy.linalg import cho_solve, cholesky

    rows = rows_at(unknowns.value)
    for _ in range(rounds):
        weights = [_weights(part, noise, robust=robust) for part in rows]
        matrix, pull = _normal(unknowns, rows, weights, free)
        root = cholesky(matrix, lower=True, check_finite=False)
        step = cho_solve((root, True), pull, check_finite=False)
        length = float(np.sqrt(step @ pull))
        cost = _cost(unknowns, unknowns.value, rows, weights)
        bend = np.zeros_like(step)
        share, taken = 1.0, False
        for attempt in range(_HALVINGS):
            tried = unknowns.value.copy()
            tried[free] += (share * step + share**2 * bend) * unknowns.likely[free]
            there = rows_at(tried)
            if _cost(unknowns, tried, there, weights) <= cost * (1 + 1e-9) + 1e-9:
                taken = True
                break
            if attempt == 0:
                bend = cho_solve((root, True), _bend(unknowns, rows_at, rows, weights, free, step), check_finite=False)
            else:
                share /= 2
        if taken:
            unknowns.value = tried if fold is None else fold(tried)
            rows = there
        if length < settled or not taken:
            return rows, root, length < max(settled, _GOOD_ENOUGH)
    return rows, root, length < _GOOD_ENOUGH


def _weights(part: Rows, noise: dict[str, float], *, robust: bool) -> Floats:
    """One over the variance of each row, less where the residual is wild."""
    variance = part.error**2 + noise.get(part.kind, 0.0) ** 2
    if not robust:
        return np.asarray(1 / variance)
    wild = np.abs(part.off) / np.sqrt(variance)
    return np.asarray(np.minimum(1, _HUBER / np.maximum(wild, 1e-12)) / variance)


def _normal(
    unknowns: Unknowns, rows: list[Rows], weights: list[Floats], free: NDArray[np.int64]
) -> tuple[Floats, Floats]:
    """Normal equations in units of ``likely``, for the free unknowns."""
    size = len(unknowns.value)
    matrix, pull = np.zeros((size, size)), np.zeros(size)
    for part, weight in zip(rows, weights, strict=True):
        scaled = part.slopes * (np.sqrt(weight)[:, None] * unknowns.likely[part.columns])
        matrix[np.ix_(part.columns, part.columns)] += scaled.T @ scaled
        pull[part.columns] += scaled.T @ (np.sqrt(weight) * part.off)
    held = np.where(unknowns.flat, 1e-9, 1.0)
    matrix[np.arange(size), np.arange(size)] += held
    pull += np.where(unknowns.flat, 0.0, (unknowns.mean - unknowns.value) / unknowns.likely)
    return matrix[np.ix_(free, free)], pull[free]


def _bend(
    unknowns: Unknowns,
    rows_at: Callable[[Floats], list[Rows]],
    rows: list[Rows],
    weights: list[Floats],
    free: NDArray[np.int64],
    step: Floats,
) -> Floats:
    """How the way bends that keeps the measurements as they are: the right hand side for a step's second order.

    Where pose, glass and shape can stand in for each other, a straight step leaves the narrow curved valley that they
    form. Source: geodesic acceleration, Transtrum and Sethna, arXiv:1201.5885 (2012), equation 11, with the second
    derivative along the step by a difference.
    """
    ahead = unknowns.value.copy()
    ahead[free] += _AHEAD * step * unknowns.likely[free]
    moved = np.zeros_like(unknowns.value)
    moved[free] = step * unknowns.likely[free]
    pull = np.zeros_like(unknowns.value)
    for part, later, weight in zip(rows, rows_at(ahead), weights, strict=True):
        straight = part.slopes @ moved[part.columns]
        second = 2 / _AHEAD * ((part.off - later.off) / _AHEAD - straight)
        pull[part.columns] -= 0.5 * unknowns.likely[part.columns] * (part.slopes.T @ (weight * second))
    return pull[free]


def _cost(unknowns: Unknowns, value: Floats, rows: list[Rows], weights: list[Floats]) -> float:
    prior = np.where(unknowns.flat, 0.0, (value - unknowns.mean) / unknowns.likely)
    fit = sum(float(weight @ part.off**2) for part, weight in zip(rows, weights, strict=True))
    return float(prior @ prior) + fit


def _held(root: Floats) -> Floats:
    """Variance of each unknown after, over its variance before, (p,)."""
    from scipy.linalg import solve_triangular

    inverse = solve_triangular(root, np.eye(len(root)), lower=True, check_finite=False)
    return np.asarray(np.sum(inverse**2, axis=0))


def _raise_noise(rows: list[Rows], noise: dict[str, float], held: Floats, unknowns: Unknowns) -> dict[str, float]:
    """Noise beyond the stated errors, kind by kind, from residuals that are larger than the errors allow.

    The unknowns that the measurements fixed take up as many residuals; they are shared out by the number of rows.
    """
    fixed = float(np.sum(np.where(unknowns.flat, 1.0, np.maximum(1 - held, 0.0))))
    total = sum(len(part.off) for part in rows)
    left = max(1 - fixed / max(total, 1), 0.1)
    misfit: dict[str, float] = {}
    for kind in sorted({part.kind for part in rows}):
        parts = [part for part in rows if part.kind == kind]
        off = np.concatenate([part.off for part in parts])
        error = np.concatenate([part.error for part in parts])
        limit = _HUBER * np.sqrt(error**2 + noise.get(kind, 0.0) ** 2)
        square = float(np.mean(np.minimum(np.abs(off), limit) ** 2)) / left
        misfit[kind] = float(np.sqrt(np.mean((off / error) ** 2) / left))
        noise[kind] = float(np.sqrt(max(square - float(np.mean(error**2)), 0.0)))
    return misfit


def _learn_sizes(unknowns: Unknowns, groups: Sequence[Group], before: Floats, held: Floats) -> None:
    for group in groups:
        at = group.columns
        now = (unknowns.value[at] - unknowns.mean[at]) ** 2 + held[at] * unknowns.likely[at] ** 2
        squares = now / before[at] ** 2
        factor = np.sqrt((_GROUP_DOUBTS + float(squares.sum())) / (_GROUP_DOUBTS + len(at)))
        unknowns.likely[at] = before[at] * factor
