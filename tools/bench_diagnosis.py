"""How quick a full diagnosis is, and how it compares with exact inference by a general library.

    python tools/bench_diagnosis.py [--quick]

Three tables: a full diagnosis with every test of the catalogue ranked, with 8 findings
present and 20 absent (aim: under 100 ms in the middle); the same against the number of
findings present; and the posteriors of all faults of random two-layer networks beside
pgmpy's variable elimination on the same network, in the same run, from small ones to the
largest that it can do. The library is asked for in this script only:

    python -m pip install pgmpy
"""

from __future__ import annotations

import argparse
import importlib.util
import itertools
import statistics
import time
import warnings
from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
from numpy.typing import NDArray
from threadpoolctl import threadpool_limits

from tubewright.answers.diagnose import diagnose
from tubewright.case import Case
from tubewright.errors import TubewrightError
from tubewright.judgement.diagnosis import explain, weigh
from tubewright.judgement.findings import Findings
from tubewright.judgement.network import posteriors
from tubewright.judgement.next_tests import next_steps
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import Knowledge

AIM_MS = 100.0
NETS = ((20, 4, 4, 8), (40, 4, 6, 16), (90, 4, 8, 32))
"""Faults, faults that can show each finding, findings present, findings absent."""


def medians(work: Callable[[], object], repeats: int) -> tuple[float, float]:
    """Median and longest of the times, in ms, after one round that isn't counted."""
    work()
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(1000 * (time.perf_counter() - start))
    return statistics.median(times), max(times)


def drawn_findings(knowledge: Knowledge, present: int, absent: int, rng: np.random.Generator) -> Findings:
    """Symptoms that some drawn set of faults does show, and others that it doesn't."""
    faults = list(knowledge.faults.values())
    symptoms = list(knowledge.symptoms.values())
    while True:
        there = [f for f in faults if rng.random() < f.per_1000 / 1000 * (1 + present / 4)]
        shown = []
        for symptom in symptoms:
            hidden = 1 - symptom.leak_probability
            for fault in there:
                hidden *= 1 - fault.shows.get(symptom.id, 0.0)
            if rng.random() > hidden:
                shown.append(symptom.id)
        if len(shown) >= present:
            break
    told = [shown[i] for i in rng.permutation(len(shown))[:present]]
    # What a fault that is there must show can't be absent.
    sure = {s for f in there for s, link in f.shows.items() if link > 0.9}
    quiet = [s.id for s in symptoms if s.id not in shown and s.id not in sure]
    return Findings(present=tuple(told), absent=tuple(quiet[i] for i in rng.permutation(len(quiet))[:absent]))


def case_of(findings: Findings) -> Case:
    """The same as a case."""
    marks = [{"id": s, "present": True} for s in findings.present] + [
        {"id": s, "present": False} for s in findings.absent
    ]
    return Case.model_validate({"format": 1, "symptoms": marks})


def full_diagnosis(knowledge: Knowledge, repeats: int) -> None:
    """The whole answer, and its parts, for 8 findings present and 20 absent."""
    rng = np.random.default_rng(1)
    drawn = [drawn_findings(knowledge, 8, 20, rng) for _ in range(repeats)]
    turns = itertools.cycle(drawn)
    cases = itertools.cycle([case_of(f) for f in drawn])

    def ranked() -> None:
        next_steps(next(turns), knowledge, limit=len(knowledge.tests))

    def looked() -> None:
        evidence = weigh(next(turns), knowledge)
        probabilities, _ = evidence.posteriors()
        explain(evidence, probabilities)

    print(f"Full diagnosis: 8 findings present, 20 absent, all tests ranked; {repeats} cases (aim: {AIM_MS:.0f} ms)")
    for name, work in (
        ("posteriors and explanations", looked),
        ("the same and all tests ranked", ranked),
        ("the published answer", lambda: diagnose(next(cases), knowledge)),
    ):
        middle, longest = medians(work, repeats)
        print(f"  {name:32} median {middle:7.1f} ms   longest {longest:7.1f} ms   of the aim {middle / AIM_MS:5.2f}")


def by_findings(knowledge: Knowledge, repeats: int) -> None:
    """Time of posteriors and of the ranking against the number of findings present."""
    rng = np.random.default_rng(2)
    print("Against the number of findings present (with as many absent, at most 20): posteriors, then with the ranking")
    for count in (1, 2, 4, 6, 8, 10, 12, 14, 16, 18, 20, 24):
        drawn = [drawn_findings(knowledge, count, min(count, 20), rng) for _ in range(repeats)]
        turns = itertools.cycle(drawn)

        def looked(turns: itertools.cycle[Findings] = turns) -> None:
            weigh(next(turns), knowledge).posteriors()

        def ranked(turns: itertools.cycle[Findings] = turns) -> None:
            next_steps(next(turns), knowledge, limit=len(knowledge.tests))

        try:
            first, _ = medians(looked, repeats)
            middle, longest = medians(ranked, repeats)
        except TubewrightError as error:
            print(f"  {count:3}   {error}")
            continue
        print(f"  {count:3}   {first:8.1f} ms   {middle:8.1f} ms   longest {longest:8.1f} ms")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Net:
    """A random two-layer network with what was found."""

    priors: NDArray[np.float64]
    links: NDArray[np.float64]
    leaks: NDArray[np.float64]
    positive: list[int]
    negative: list[int]


def random_net(faults: int, parents: int, positive: int, negative: int, seed: int) -> Net:
    """Priors of 0.5 to 5 %, links of 0.2 to 0.9, leaks of 1 %."""
    rng = np.random.default_rng(seed)
    count = positive + negative
    links = np.zeros((faults, count))
    for finding in range(count):
        links[rng.choice(faults, size=parents, replace=False), finding] = rng.uniform(0.2, 0.9, parents)
    return Net(
        priors=rng.uniform(0.005, 0.05, faults),
        links=links,
        leaks=np.full(count, 0.01),
        positive=list(range(positive)),
        negative=list(range(positive, count)),
    )


def ours(net: Net) -> NDArray[np.float64]:
    """Posteriors of all faults by the library's own walk."""
    return posteriors(net.priors, net.links, net.leaks, net.positive, net.negative)[0]


def theirs(net: Net) -> Callable[[], NDArray[np.float64]]:
    """The same by pgmpy's variable elimination; the network is built beforehand, outside the clock."""
    from pgmpy.factors.discrete import TabularCPD
    from pgmpy.inference import VariableElimination
    from pgmpy.models import DiscreteBayesianNetwork

    model: Any = DiscreteBayesianNetwork()
    names = [f"f{i}" for i in range(len(net.priors))]
    model.add_nodes_from(names)
    tables = [TabularCPD(n, 2, [[1 - p], [p]]) for n, p in zip(names, net.priors.tolist(), strict=True)]
    for finding in range(len(net.leaks)):
        parents = np.flatnonzero(net.links[:, finding]).tolist()
        model.add_edges_from([(names[p], f"s{finding}") for p in parents])
        hidden = [
            (1 - net.leaks[finding])
            * float(np.prod([1 - net.links[p, finding] for p, on in zip(parents, there, strict=True) if on]))
            for there in itertools.product((0, 1), repeat=len(parents))
        ]
        tables.append(
            TabularCPD(
                f"s{finding}",
                2,
                [hidden, [1 - h for h in hidden]],
                evidence=[names[p] for p in parents],
                evidence_card=[2] * len(parents),
            )
        )
    model.add_cpds(*tables)
    inference: Any = VariableElimination(model)
    seen = {f"s{j}": 1 for j in net.positive} | {f"s{j}": 0 for j in net.negative}

    def run() -> NDArray[np.float64]:
        return np.array([inference.query([name], evidence=seen, show_progress=False).values[1] for name in names])

    return run


def beside_pgmpy(repeats: int) -> None:
    """Ratio on the same networks in the same run."""
    print("Posteriors of all faults beside pgmpy's variable elimination on the same network")
    if importlib.util.find_spec("pgmpy") is None:
        print("  pgmpy isn't there: python -m pip install pgmpy, then run this again")
        return
    warnings.simplefilter("ignore")
    for faults, parents, positive, negative in NETS:
        net = random_net(faults, parents, positive, negative, seed=faults)
        run = theirs(net)
        start = time.perf_counter()
        reference = run()
        spent = 1000 * (time.perf_counter() - start)
        if spent * repeats < 20_000:
            spent, _ = medians(run, repeats)
        mine, _ = medians(partial(ours, net), max(repeats, 20))
        apart = float(np.max(np.abs(ours(net) - reference)))
        print(
            f"  {faults:3} faults, {parents} parents, {positive} present, {negative} absent: ours {mine:7.2f} ms   "
            f"pgmpy {spent:9.1f} ms   ratio {spent / mine:8.0f}   largest difference {apart:.0e}"
        )


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="fewer repeats")
    quick = parser.parse_args().quick
    knowledge = load_knowledge()
    with threadpool_limits(1):
        full_diagnosis(knowledge, 10 if quick else 40)
        by_findings(knowledge, 3 if quick else 10)
        beside_pgmpy(2 if quick else 5)


if __name__ == "__main__":
    main()
