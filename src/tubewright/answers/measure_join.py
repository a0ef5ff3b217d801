"""Results of several photographs made one: by weight, or the one that tells most."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import TypeVar

import numpy as np

from tubewright.picture.results import Figure, Focus, Known, Purity, TopCurl, Tracking, Unsupported, Wear

Part = TypeVar("Part", TopCurl, Focus, Purity, Tracking, Wear)


def joined_curl(found: Sequence[TopCurl | Unsupported]) -> tuple[TopCurl | Unsupported, str, list[int]]:
    """Curls of several photographs by weight; the profile is the best one's. With words and who was used."""
    curls = [(n, curl) for n, curl in enumerate(found) if isinstance(curl, TopCurl)]
    told = [(n, curl) for n, curl in curls if isinstance(curl.amplitude_mm, Figure)]
    if len(told) < 2:
        best, at = best_of(found)
        return best, "", [] if at is None else [at]
    best_curl = min(told, key=lambda pair: pair[1].amplitude_mm.sd if isinstance(pair[1].amplitude_mm, Figure) else 9e9)
    joined = TopCurl(
        amplitude_mm=weighted([curl.amplitude_mm for _, curl in told]),
        settle_lines=weighted([curl.settle_lines for _, curl in told]),
        overshoot_ratio=weighted([curl.overshoot_ratio for _, curl in told]),
        profile=best_curl[1].profile,
    )
    return joined, f"the top curl is the mean of {len(told)} photographs by weight", [n for n, _ in told]


def weighted(figures: Sequence[Known]) -> Known:
    """The mean of figures by the inverse squares of their standard deviations; of those that are known.

    Where they scatter more than those say, the spread grows to match. Source: the scale factor of the Particle Data
    Group's Review of Particle Physics (2022), introduction, section 5.2.2.

    Example:
        >>> weighted([Figure(value=1.0, sd=0.1), Figure(value=1.2, sd=0.1)])
        Figure(value=1.1, sd=0.1)
    """
    known = [figure for figure in figures if isinstance(figure, Figure)]
    if not known:
        return figures[0]
    value = np.array([figure.value for figure in known])
    weight = 1 / np.maximum([figure.sd for figure in known], 1e-9) ** 2
    mean = float(np.sum(weight * value) / np.sum(weight))
    sd = float(1 / np.sqrt(np.sum(weight)))
    if len(known) > 1:
        sd *= max(1.0, float(np.sqrt(np.sum(weight * (value - mean) ** 2) / (len(known) - 1))))
    return Figure(value=float(f"{mean:.12g}"), sd=float(f"{sd:.12g}"))


def best_of(found: Sequence[Part | Unsupported]) -> tuple[Part | Unsupported, int | None]:
    """The result that tells most: fewest figures missing, then the smallest spreads; and its place."""
    told = [(n, part) for n, part in enumerate(found) if not isinstance(part, Unsupported)]
    if not told:
        return found[0], None
    at, best = min(told, key=lambda pair: _worth(pair[1]))
    return best, at


def _worth(part: object) -> tuple[int, float]:
    figures = list(_figures_in(part))
    spreads = [np.log(max(figure.sd, 1e-12)) for figure in figures if isinstance(figure, Figure)]
    return sum(isinstance(figure, Unsupported) for figure in figures), float(np.mean(spreads)) if spreads else 0.0


def tells(part: object) -> bool:
    """Whether there is any figure in it."""
    return any(isinstance(figure, Figure) for figure in _figures_in(part))


def _figures_in(part: object) -> list[Known]:
    if isinstance(part, Figure | Unsupported):
        return [part]
    if isinstance(part, Mapping):
        return [figure for inner in part.values() for figure in _figures_in(inner)]
    if is_dataclass(part) and not isinstance(part, type):
        return [figure for one in fields(part) for figure in _figures_in(getattr(part, one.name))]
    return []
