"""A slow plain engine for any network of yes and no: it sums over everything. Only for tests.

It knows nothing of noisy-OR, so it can be held against a published network of another
make, and our engine can then be held against it.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True)
class Node:
    """One yes-or-no: the nodes it hangs on, and the chance of yes for their states."""

    parents: tuple[str, ...]
    chance: Callable[..., float]


def enumerate_network(
    nodes: Mapping[str, Node], evidence: Mapping[str, bool], asked: Sequence[str]
) -> tuple[dict[str, float], float]:
    """Posterior chance of yes for the nodes asked, and the chance of the evidence, by the sum over all states."""
    free = [name for name in nodes if name not in evidence]
    total = 0.0
    sums = dict.fromkeys(asked, 0.0)
    for states in itertools.product((False, True), repeat=len(free)):
        world = {**evidence, **dict(zip(free, states, strict=True))}
        weight = math.prod(
            chance if world[name] else 1.0 - chance
            for name, node in nodes.items()
            for chance in [node.chance(*(world[parent] for parent in node.parents))]
        )
        total += weight
        for name in asked:
            if world[name]:
                sums[name] += weight
    return {name: mass / total for name, mass in sums.items()}, total


def chest_clinic() -> dict[str, Node]:
    """The network of Lauritzen and Spiegelhalter, Journal of the Royal Statistical Society B 50 (1988) 157-224."""
    breathless = {(False, False): 0.1, (False, True): 0.8, (True, False): 0.7, (True, True): 0.9}
    return {
        "A": Node((), lambda: 0.01),
        "S": Node((), lambda: 0.5),
        "T": Node(("A",), lambda a: 0.05 if a else 0.01),
        "L": Node(("S",), lambda s: 0.10 if s else 0.01),
        "B": Node(("S",), lambda s: 0.60 if s else 0.30),
        "E": Node(("T", "L"), lambda t, x: float(t or x)),
        "X": Node(("E",), lambda e: 0.98 if e else 0.05),
        "D": Node(("E", "B"), lambda e, b: breathless[e, b]),
    }


def noisy_or(
    priors: Sequence[float],
    links: Sequence[Sequence[float]],
    leaks: Sequence[float],
    ratios: Sequence[float],
    findings: Sequence[int],
) -> tuple[dict[str, Node], dict[str, bool]]:
    """A network of ours as one of any make: d0, d1 ... are faults, f0, f1 ... findings, s0 ... soft evidence, seen."""
    nodes = {f"d{i}": Node((), lambda p=prior: p) for i, prior in enumerate(priors)}
    for j in findings:
        causes = tuple(i for i in range(len(priors)) if links[i][j] > 0)

        def shown(*on: bool, j: int = j, causes: tuple[int, ...] = causes) -> float:
            hidden = 1.0 - leaks[j]
            for i, there in zip(causes, on, strict=True):
                hidden *= 1.0 - links[i][j] if there else 1.0
            return 1.0 - hidden

        nodes[f"f{j}"] = Node(tuple(f"d{i}" for i in causes), shown)
    soft = {f"s{i}": ratio for i, ratio in enumerate(ratios) if ratio != 1}
    for name, ratio in soft.items():
        nodes[name] = Node((f"d{name[1:]}",), lambda there, r=ratio: r / (1.0 + r) if there else 1.0 / (1.0 + r))
    return nodes, dict.fromkeys(soft, True)
