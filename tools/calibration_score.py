"""Scores of forecasts against what came of them; plain arithmetic, no simulator and no estimator."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import sqrt
from typing import Final

import numpy as np
from numpy.typing import NDArray

Z90: Final = 1.6449
"""Half width of a 90 % interval in standard deviations. Source: published, any table of the normal distribution."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Coverage:
    """How often truths lay in their 80 % intervals, and on which side they missed.

    ``ratio_of_median`` is the median of truth over forecast median (1 is unbiased);
    ``relative_width`` the median of (p90 - p10) over the median.
    """

    name: str
    count: int
    unknown_count: int
    inside: float
    low_share: float
    high_share: float
    low_edge: float
    high_edge: float
    ratio_of_median: float
    relative_width: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """Forecasts that said about the same, and how often it came true (with a 90 % interval)."""

    count: int
    said_probability: float
    came_share: float
    low_share: float
    high_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Reliability:
    """Brier score of a set of forecasts, beside that of always naming the base rate."""

    name: str
    count: int
    said_probability: float
    came_share: float
    brier: float
    base_brier: float
    bins: tuple[Bin, ...]

    @property
    def skill_share(self) -> float:
        """What is won over naming the base rate: 1 is perfect, 0 is none, negative is worse."""
        return 1.0 - self.brier / self.base_brier if self.base_brier > 0 else 0.0


def wilson(hits: float, count: int) -> tuple[float, float]:
    """90 % interval of a share (Wilson's score interval); (0, 1) for no trials."""
    if count == 0:
        return 0.0, 1.0
    share, z2 = hits / count, Z90 * Z90
    centre = (share + z2 / (2 * count)) / (1 + z2 / count)
    half = Z90 * sqrt(share * (1 - share) / count + z2 / (4 * count * count)) / (1 + z2 / count)
    return max(centre - half, 0.0), min(centre + half, 1.0)


def coverage(
    name: str, forecasts: Sequence[tuple[float, float, float] | None], truths: Sequence[float]
) -> Coverage | None:
    """Score 80 % intervals.

    Args:
        name: What is forecast.
        forecasts: (p10, median, p90) each, or None where the figure was withheld.
        truths: What was true, as many.

    Returns:
        The score, or None if nothing was forecast. A truth on the edge is inside.
    """
    pairs = [(f, t) for f, t in zip(forecasts, truths, strict=True) if f is not None]
    if not pairs:
        return None
    low, middle, high = (np.array([f[i] for f, _ in pairs]) for i in range(3))
    truth = np.array([t for _, t in pairs])
    slack = 1e-9 + 5e-4 * np.abs(truth)
    under, over = truth < low - slack, truth > high + slack
    inside = int((~under & ~over).sum())
    edges = wilson(inside, len(pairs))
    known = (middle > 0.02) & (truth > 0.02)
    return Coverage(
        name=name,
        count=len(pairs),
        unknown_count=len(forecasts) - len(pairs),
        inside=inside / len(pairs),
        low_share=float(under.mean()),
        high_share=float(over.mean()),
        low_edge=edges[0],
        high_edge=edges[1],
        ratio_of_median=float(np.median(truth[known] / middle[known])) if known.any() else float("nan"),
        relative_width=float(np.median((high - low)[known] / middle[known])) if known.any() else float("nan"),
    )


def reliability(name: str, said: Sequence[float], came: Sequence[bool], bins: int = 10) -> Reliability | None:
    """Score probabilities.

    Args:
        name: What is forecast.
        said: Probabilities.
        came: Whether it came true, as many.
        bins: Equal parts of 0..1 to sort the forecasts into; empty ones are left out.
    """
    p, y = np.asarray(said, dtype=np.float64), np.asarray(came, dtype=np.float64)
    if p.shape != y.shape:
        raise ValueError("as many outcomes as forecasts")
    if p.size == 0:
        return None
    place = np.minimum((p * bins).astype(int), bins - 1)
    found = []
    for index in range(bins):
        here = place == index
        if here.any():
            low, high = wilson(float(y[here].sum()), int(here.sum()))
            found.append(
                Bin(
                    count=int(here.sum()),
                    said_probability=float(p[here].mean()),
                    came_share=float(y[here].mean()),
                    low_share=low,
                    high_share=high,
                )
            )
    base = float(y.mean())
    return Reliability(
        name=name,
        count=int(p.size),
        said_probability=float(p.mean()),
        came_share=base,
        brier=float(((p - y) ** 2).mean()),
        base_brier=base * (1.0 - base),
        bins=tuple(found),
    )


def mean_and_error(values: NDArray[np.float64]) -> tuple[float, float]:
    """Mean and its standard error."""
    return float(values.mean()), float(values.std(ddof=1) / sqrt(len(values))) if len(values) > 1 else 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Findings:
    """All scores of one run, ready to be told."""

    tubes: int
    futures: int
    seed: int
    plays: int
    coverages: tuple[Coverage, ...]
    reliabilities: tuple[Reliability, ...]
    by_treatment: tuple[Reliability, ...]
    regrets: dict[str, tuple[float, float]]
    regrets_by_group: dict[str, dict[str, tuple[float, float]]]
    oracle_cost: tuple[float, float]
    decisions: dict[tuple[str, str], int]
    oracle_choices: dict[str, int]
    group_counts: dict[str, int]
    refused: dict[str, int]
    seconds: float
