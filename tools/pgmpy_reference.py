"""Reference figures for the diagnosis: exact inference by pgmpy on networks small enough for it.

    python tools/pgmpy_reference.py tests/reference/pgmpy_networks.json   # writes the table
    python tools/pgmpy_reference.py --time                                # a ratio to ours in the same run

pgmpy is no dependency of ours, not even of the tests: it brings half a gigabyte and
warns at its own import. Run this in an environment of its own that has pgmpy, and for
``--time`` this package as well. The table names the version it was made with.
"""

from __future__ import annotations

import argparse
import itertools
import json
import time
import warnings
from pathlib import Path
from typing import Any

import numpy as np

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    import pgmpy
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.inference import VariableElimination
    from pgmpy.models import DiscreteBayesianNetwork

NETWORKS = ((3, 2, 2, 1, 0), (5, 4, 3, 2, 1), (8, 6, 3, 3, 2), (10, 8, 4, 4, 3), (14, 9, 3, 5, 3), (20, 12, 4, 4, 6))
"""Faults, findings, parents of each finding, present ones, absent ones."""


def network(seed: int, faults: int, findings: int, parents: int, present: int, absent: int) -> dict[str, Any]:
    """A random network with some findings seen, some looked for in vain, and soft evidence on some faults."""
    rng = np.random.default_rng(seed)
    links = np.zeros((faults, findings))
    for finding in range(findings):
        mine = rng.choice(faults, parents, replace=False)
        links[mine, finding] = rng.uniform(0.2, 0.9, parents)
    order = rng.permutation(findings).tolist()
    ratios = np.where(rng.random(faults) < 0.3, rng.choice([0.05, 0.2, 2.0, 5.0, 20.0], faults), 1.0)
    return {
        "priors": rng.uniform(0.005, 0.3, faults).tolist(),
        "links": links.tolist(),
        "leaks": rng.uniform(0.005, 0.1, findings).tolist(),
        "ratios": ratios.tolist(),
        "positive": sorted(order[:present]),
        "negative": sorted(order[present : present + absent]),
    }


def model_of(net: dict[str, Any]) -> tuple[Any, dict[str, int]]:
    """The network with every table written out, and the evidence; soft evidence as a child that is seen."""
    priors, links, leaks = np.array(net["priors"]), np.array(net["links"]), np.array(net["leaks"])
    model = DiscreteBayesianNetwork()
    model.add_nodes_from([f"d{i}" for i in range(len(priors))])
    cpds = [TabularCPD(f"d{i}", 2, [[1 - p], [p]]) for i, p in enumerate(priors)]
    evidence: dict[str, int] = {}
    for j in (*net["positive"], *net["negative"]):
        mine = np.flatnonzero(links[:, j]).tolist()
        model.add_edges_from([(f"d{i}", f"f{j}") for i in mine])
        hidden = [
            (1 - leaks[j]) * float(np.prod([1 - links[i, j] for i, on in zip(mine, state, strict=True) if on]))
            for state in itertools.product((0, 1), repeat=len(mine))
        ]
        cpds.append(TabularCPD(f"f{j}", 2, [hidden, [1 - h for h in hidden]], [f"d{i}" for i in mine], [2] * len(mine)))
        evidence[f"f{j}"] = int(j in net["positive"])
    for i, ratio in enumerate(net["ratios"]):
        if ratio != 1:
            model.add_edge(f"d{i}", f"s{i}")
            seen = [1 / (1 + ratio), ratio / (1 + ratio)]
            cpds.append(TabularCPD(f"s{i}", 2, [[1 - s for s in seen], seen], [f"d{i}"], [2]))
            evidence[f"s{i}"] = 1
    model.add_cpds(*cpds)
    return model, evidence


def posteriors(net: dict[str, Any]) -> list[float]:
    """Posterior of every fault by variable elimination."""
    model, evidence = model_of(net)
    engine = VariableElimination(model)
    return [
        float(engine.query([f"d{i}"], evidence=evidence, show_progress=False).values[1])
        for i in range(len(net["priors"]))
    ]


def asia() -> dict[str, Any]:
    """The chest clinic network of Lauritzen and Spiegelhalter (1988), with posteriors for several findings."""
    model = DiscreteBayesianNetwork(
        [("A", "T"), ("S", "L"), ("S", "B"), ("T", "E"), ("L", "E"), ("E", "X"), ("E", "D"), ("B", "D")]
    )
    two = [2]
    model.add_cpds(
        TabularCPD("A", 2, [[0.99], [0.01]]),
        TabularCPD("S", 2, [[0.5], [0.5]]),
        TabularCPD("T", 2, [[0.99, 0.95], [0.01, 0.05]], ["A"], two),
        TabularCPD("L", 2, [[0.99, 0.9], [0.01, 0.1]], ["S"], two),
        TabularCPD("B", 2, [[0.7, 0.4], [0.3, 0.6]], ["S"], two),
        TabularCPD("E", 2, [[1, 0, 0, 0], [0, 1, 1, 1]], ["T", "L"], [2, 2]),
        TabularCPD("X", 2, [[0.95, 0.02], [0.05, 0.98]], ["E"], two),
        TabularCPD("D", 2, [[0.9, 0.2, 0.3, 0.1], [0.1, 0.8, 0.7, 0.9]], ["E", "B"], [2, 2]),
    )
    engine = VariableElimination(model)
    cases: tuple[dict[str, int], ...]
    cases = ({}, {"D": 1}, {"X": 1}, {"A": 1, "D": 1}, {"A": 1, "D": 1, "X": 1}, {"A": 1, "D": 1, "X": 0},
             {"S": 1, "A": 1, "D": 1, "X": 1}, {"A": 1, "S": 0, "D": 1}, {"D": 1, "X": 1})  # fmt: skip
    return {
        "cases": [
            {
                "evidence": evidence,
                "posteriors": {
                    name: float(engine.query([name], evidence=evidence, show_progress=False).values[1])
                    for name in "ASTLBEXD"
                    if name not in evidence
                },
            }
            for evidence in cases
        ]
    }


def compare_time() -> None:
    """Both engines on the largest network that pgmpy does within seconds, in one run."""
    from tubewright.judgement import network as ours

    net = network(7, 40, 40, 4, 6, 16) | {"ratios": [1.0] * 40}
    arrays = np.array(net["priors"]), np.array(net["links"]), np.array(net["leaks"]), net["positive"], net["negative"]
    start = time.perf_counter()
    theirs = posteriors(net)
    middle = time.perf_counter()
    for _ in range(20):
        got, _ = ours.posteriors(*arrays)
    own = (time.perf_counter() - middle) / 20
    worst = float(np.abs(got - np.array(theirs)).max())
    print(f"40 faults, 6 present, 16 absent: pgmpy {middle - start:.2f} s, ours {1000 * own:.2f} ms, ", end="")
    print(f"ratio {own / (middle - start):.2e}, largest difference {worst:.1e}")


def main() -> None:
    """Write the table, or time."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("table", nargs="?", type=Path)
    parser.add_argument("--time", action="store_true")
    given = parser.parse_args()
    if given.time:
        compare_time()
    if given.table is not None:
        nets = [network(seed, *shape) for seed, shape in enumerate(NETWORKS, start=1)]
        made = {
            "source": f"pgmpy {pgmpy.__version__}, VariableElimination, tables written out; tools/pgmpy_reference.py",
            "networks": [net | {"posteriors": posteriors(net)} for net in nets],
            "asia": asia(),
        }
        given.table.write_text(json.dumps(made, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
