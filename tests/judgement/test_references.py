"""Our engine, and the plain engine of the tests, against pgmpy and a published network."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest

from judgement.general import chest_clinic, enumerate_network, noisy_or
from tubewright.judgement import network

TABLE: Final[dict[str, Any]] = json.loads(
    (Path(__file__).parent.parent / "reference" / "pgmpy_networks.json").read_text(encoding="utf-8")
)

CLINIC: Final = [
    # The published network's posteriors to six digits, by hand of several authors and full enumeration.
    ({}, {"T": 0.010400, "L": 0.055000, "B": 0.450000, "E": 0.064828, "X": 0.110290, "D": 0.435971}),
    ({"D": True}, {"S": 0.633997, "T": 0.018845, "L": 0.102759, "B": 0.833967, "E": 0.120536, "X": 0.162098}),
    ({"A": True, "D": True}, {"S": 0.625920, "T": 0.087751, "L": 0.099525, "B": 0.811402, "X": 0.219539}),
    ({"A": True, "D": True, "X": False}, {"S": 0.604512, "T": 0.002249, "L": 0.002550, "B": 0.862761, "E": 0.004672}),
    ({"A": True, "D": True, "X": True}, {"S": 0.702025, "T": 0.391712, "L": 0.444271, "B": 0.628822, "E": 0.813769}),
    ({"A": True, "S": False, "D": True}, {"T": 0.112835, "L": 0.022567, "B": 0.717942, "E": 0.134274, "X": 0.174874}),
]


@pytest.mark.parametrize(("evidence", "wanted"), CLINIC)
def test_the_plain_engine_knows_the_published_network(evidence: dict[str, bool], wanted: dict[str, float]) -> None:
    got, _ = enumerate_network(chest_clinic(), evidence, [*wanted])
    assert got == pytest.approx(wanted, abs=1e-6)


def test_the_published_networks_evidence() -> None:
    nodes = chest_clinic()
    assert enumerate_network(nodes, {"A": True, "D": True}, [])[1] == pytest.approx(0.004501375, abs=1e-9)
    assert enumerate_network(nodes, {"A": True, "D": True, "X": False}, [])[1] == pytest.approx(
        0.00351314825, abs=1e-11
    )


@pytest.mark.parametrize("case", TABLE["asia"]["cases"])
def test_the_plain_engine_agrees_with_pgmpy_on_it(case: dict[str, Any]) -> None:
    evidence = {name: bool(state) for name, state in case["evidence"].items()}
    got, _ = enumerate_network(chest_clinic(), evidence, [*case["posteriors"]])
    assert got == pytest.approx(case["posteriors"], abs=1e-12)


@pytest.mark.parametrize("net", TABLE["networks"], ids=lambda net: f"{len(net['priors'])} faults")
def test_our_engine_agrees_with_pgmpy(net: dict[str, Any]) -> None:
    """Present, absent and soft findings, up to twenty faults: to 1e-12."""
    got, _ = network.posteriors(
        np.array(net["priors"]),
        np.array(net["links"]),
        np.array(net["leaks"]),
        net["positive"],
        net["negative"],
        odds_ratios=np.array(net["ratios"]),
    )
    np.testing.assert_allclose(got, net["posteriors"], atol=1e-12, rtol=1e-11)


@pytest.mark.parametrize("net", TABLE["networks"][:3], ids=lambda net: f"{len(net['priors'])} faults")
def test_our_engine_agrees_with_the_plain_one(net: dict[str, Any]) -> None:
    nodes, soft = noisy_or(
        net["priors"], net["links"], net["leaks"], net["ratios"], [*net["positive"], *net["negative"]]
    )
    evidence = soft | {f"f{j}": True for j in net["positive"]} | {f"f{j}": False for j in net["negative"]}
    faults = [f"d{i}" for i in range(len(net["priors"]))]
    plain, _ = enumerate_network(nodes, evidence, faults)
    got, _ = network.posteriors(
        np.array(net["priors"]),
        np.array(net["links"]),
        np.array(net["leaks"]),
        net["positive"],
        net["negative"],
        odds_ratios=np.array(net["ratios"]),
    )
    assert got.tolist() == pytest.approx([plain[name] for name in faults], abs=1e-12)
    # With nothing seen, the chance of one finding is a sum done by hand.
    j = net["positive"][0]
    hidden = (1 - net["leaks"][j]) * float(
        np.prod([1 - net["priors"][i] * net["links"][i][j] for i in range(len(faults))])
    )
    logarithm = network.log_evidence(np.array(net["priors"]), np.array(net["links"]), np.array(net["leaks"]), [j], [])
    assert np.exp(logarithm) == pytest.approx(1 - hidden, rel=1e-12)
