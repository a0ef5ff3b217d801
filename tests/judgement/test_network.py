"""The noisy-OR engine against outside figures, full enumeration and exact fractions."""

from __future__ import annotations

import itertools
import math
import time
import tomllib
from collections.abc import Sequence
from fractions import Fraction
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tubewright.errors import InputError
from tubewright.judgement import network

TABLE = tomllib.loads((Path(__file__).parent.parent / "reference" / "noisy_or.toml").read_text(encoding="utf-8"))
PUBLISHED = [(net, case) for net in TABLE["network"] for case in net["cases"]]


@pytest.mark.parametrize(("net", "case"), PUBLISHED)
def test_outside_figures(net: dict[str, Any], case: dict[str, Any]) -> None:
    """Posteriors agree with an independent engine to the six digits given."""
    got, log_evidence = network.posteriors(
        np.array(net["priors"]), np.array(net["links"]), np.array(net["leaks"]), case["positive"], case["negative"]
    )
    np.testing.assert_allclose(got, case["posteriors"], atol=1e-6)
    if "evidence" in case:
        assert math.exp(log_evidence) == pytest.approx(case["evidence"], abs=1e-6)


def enumerate_all(
    priors: Sequence[Any],
    links: Sequence[Sequence[Any]],
    leaks: Sequence[Any],
    positive: Sequence[int],
    negative: Sequence[int],
    *,
    ratios: Sequence[Any],
) -> tuple[list[Any], Any]:
    """The slow plain twin: sums over every set of faults. Works on floats and on exact fractions."""
    one = priors[0] * 0 + 1
    evidence = one * 0
    masses = [one * 0 for _ in priors]
    for present in itertools.product((False, True), repeat=len(priors)):
        weight = one
        for i, on in enumerate(present):
            weight *= priors[i] * ratios[i] if on else 1 - priors[i]
        for finding in (*positive, *negative):
            not_seen = 1 - leaks[finding]
            for i, on in enumerate(present):
                if on:
                    not_seen *= 1 - links[i][finding]
            weight *= 1 - not_seen if finding in positive else not_seen
        evidence += weight
        for i, on in enumerate(present):
            if on:
                masses[i] += weight
    return [mass / evidence for mass in masses], evidence


probability = st.floats(0.001, 0.999)


@st.composite
def nets(draw: st.DrawFn) -> dict[str, Any]:
    faults = draw(st.integers(1, 6))
    findings = draw(st.integers(1, 6))
    rows = st.lists(probability | st.just(0.0), min_size=findings, max_size=findings)
    marks = draw(st.lists(st.sampled_from("+- "), min_size=findings, max_size=findings))
    return {
        "priors": draw(st.lists(probability, min_size=faults, max_size=faults)),
        "links": draw(st.lists(rows, min_size=faults, max_size=faults)),
        "leaks": draw(st.lists(probability, min_size=findings, max_size=findings)),
        "positive": [j for j, mark in enumerate(marks) if mark == "+"],
        "negative": [j for j, mark in enumerate(marks) if mark == "-"],
        "ratios": draw(st.lists(st.floats(0.001, 1000), min_size=faults, max_size=faults)),
    }


def ask(net: dict[str, Any]) -> tuple[NDArray[np.float64], float]:
    return network.posteriors(
        np.array(net["priors"]),
        np.array(net["links"]),
        np.array(net["leaks"]),
        net["positive"],
        net["negative"],
        odds_ratios=np.array(net["ratios"]),
    )


@given(nets())
@settings(max_examples=80, deadline=None)
def test_agrees_with_enumeration(net: dict[str, Any]) -> None:
    """On any small network the walk gives what summing over all sets of faults gives."""
    want, evidence = enumerate_all(
        net["priors"], net["links"], net["leaks"], net["positive"], net["negative"], ratios=net["ratios"]
    )
    got, log_evidence = ask(net)
    np.testing.assert_allclose(got, want, rtol=1e-12, atol=1e-12)
    assert log_evidence == pytest.approx(math.log(evidence), abs=1e-11)
    alone = network.log_evidence(
        np.array(net["priors"]),
        np.array(net["links"]),
        np.array(net["leaks"]),
        net["positive"],
        net["negative"],
        odds_ratios=np.array(net["ratios"]),
    )
    assert alone == pytest.approx(log_evidence, abs=1e-12)


def inclusion_exclusion(
    priors: NDArray[np.float64], links: NDArray[np.float64], leaks: NDArray[np.float64], positive: list[int]
) -> float:
    """Probability of the findings by the alternating sum; here to show what it loses."""
    total = 0.0
    for size in range(len(positive) + 1):
        for subset in itertools.combinations(positive, size):
            columns = list(subset)
            not_shown = np.prod(1 - links[:, columns], axis=1)
            total += (-1) ** size * np.prod(1 - leaks[columns]) * np.prod(1 - priors + priors * not_shown)
    return total


def test_extreme_leaks_keep_every_digit() -> None:
    """Twelve present findings with leaks of 1e-9 agree with exact fractions; nothing cancels.

    The alternating sum on the same numbers is off by more than the answer itself: the
    evidence is some 1e-20, and the sum subtracts numbers near 1, which carry 1e-16.
    """
    rng = np.random.default_rng(5)
    faults, findings = 8, 12
    priors = rng.uniform(0.0005, 0.005, faults)
    links = rng.uniform(0.2, 0.9, (faults, findings)) * (rng.random((faults, findings)) < 0.25)
    leaks = np.full(findings, 1e-9)
    positive = list(range(findings))
    want, evidence = enumerate_all(
        [Fraction(p) for p in priors.tolist()],
        [[Fraction(x) for x in row] for row in links.tolist()],
        [Fraction(x) for x in leaks.tolist()],
        positive,
        [],
        ratios=[Fraction(1)] * faults,
    )
    got, log_evidence = network.posteriors(priors, links, leaks, positive, [])
    np.testing.assert_allclose(got, [float(p) for p in want], rtol=1e-12)
    assert log_evidence == pytest.approx(math.log(evidence), abs=1e-12)
    assert float(evidence) < 1e-17
    lost = abs(inclusion_exclusion(priors, links, leaks, positive) / float(evidence) - 1)
    ours = abs(math.exp(log_evidence) / float(evidence) - 1)
    assert ours < 1e-12
    assert lost > 1


def test_all_from_leaks() -> None:
    """Findings that no fault shows are explained by their leaks alone, however small."""
    got, log_evidence = network.posteriors(np.array([0.1]), np.zeros((1, 40)), np.full(40, 1e-9), list(range(40)), [])
    assert got.tolist() == [pytest.approx(0.1)]
    assert log_evidence == pytest.approx(40 * math.log(1e-9))


@given(nets(), st.data())
@settings(max_examples=60, deadline=None)
def test_monotone_in_soft_evidence(net: dict[str, Any], data: st.DataObject) -> None:
    """A result that speaks more for a fault never lowers that fault."""
    i = data.draw(st.integers(0, len(net["priors"]) - 1))
    before, _ = ask(net)
    raised = [*net["ratios"]]
    raised[i] *= 3
    after, _ = ask({**net, "ratios": raised})
    assert after[i] >= before[i] * (1 - 1e-12)


@given(nets(), st.data())
@settings(max_examples=60, deadline=None)
def test_absent_finding_never_accuses(net: dict[str, Any], data: st.DataObject) -> None:
    """With nothing present, marking a finding absent lowers every fault that shows it and moves no other."""
    quiet = {**net, "positive": [], "negative": []}
    j = data.draw(st.integers(0, len(net["leaks"]) - 1))
    before, _ = ask(quiet)
    after, _ = ask({**quiet, "negative": [j]})
    linked = np.array(net["links"])[:, j] > 0
    assert np.all(after[linked] <= before[linked])
    np.testing.assert_allclose(after[~linked], before[~linked], rtol=1e-14)


@given(nets(), st.data())
@settings(max_examples=60, deadline=None)
def test_present_finding_never_excuses_all(net: dict[str, Any], data: st.DataObject) -> None:
    """With nothing else known, seeing a finding raises every fault that shows it."""
    quiet = {**net, "positive": [], "negative": []}
    j = data.draw(st.integers(0, len(net["leaks"]) - 1))
    before, _ = ask(quiet)
    after, _ = ask({**quiet, "positive": [j]})
    assert np.all(after >= before * (1 - 1e-12))


def test_explaining_away() -> None:
    """A second finding that points at another fault takes blame off the first."""
    net = TABLE["network"][0]
    arrays = np.array(net["priors"]), np.array(net["links"]), np.array(net["leaks"])
    one, _ = network.posteriors(*arrays, [0], [])
    both, _ = network.posteriors(*arrays, [0, 1], [])
    assert both[0] < one[0]
    assert both[1] > one[1]


def test_many_findings_in_small_groups() -> None:
    """Forty present findings that hang together only in a chain stay exact and quick."""
    faults = 41
    links = np.zeros((faults, 40))
    for j in range(40):
        links[j, j] = 0.8
        links[j + 1, j] = 0.4
    priors = np.full(faults, 0.02)
    leaks = np.full(40, 0.01)
    got, log_evidence = network.posteriors(priors, links, leaks, list(range(40)), [])
    # The same chain by a two-state recursion written for it alone.
    state = {False: 0.98, True: 0.02}
    for _ in range(40):
        nxt = {
            on: sum(
                state[was] * (0.02 if on else 0.98) * (1 - 0.99 * (0.2 if was else 1) * (0.6 if on else 1))
                for was in (False, True)
            )
            for on in (False, True)
        }
        state = nxt
    assert log_evidence == pytest.approx(math.log(sum(state.values())), abs=1e-11)
    assert got[-1] == pytest.approx(state[True] / sum(state.values()), rel=1e-11)


def test_impossible_evidence_is_named() -> None:
    """A finding present that nothing can show, not even a leak."""
    arrays = np.array([0.1]), np.array([[0.0, 1.0]]), np.array([0.0, 0.0])
    with pytest.raises(InputError, match="can't occur together"):
        network.posteriors(*arrays, [0], [])
    assert network.log_evidence(*arrays, [0], []) == -math.inf
    with pytest.raises(InputError, match="can't occur together"):
        network.posteriors(np.array([1.0]), *arrays[1:], [], [1])


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"priors": [1.2, 0.1]}, "outside 0..1"),
        ({"priors": [math.nan, 0.1]}, "outside 0..1"),
        ({"ratios": [math.inf, 1.0]}, "not finite"),
        ({"ratios": [1.0]}, "don't fit"),
        ({"negative": [0]}, "given twice"),
    ],
)
def test_bad_arguments(change: dict[str, Any], words: str) -> None:
    net: dict[str, Any] = {
        "priors": [0.1, 0.1],
        "links": [[0.5], [0.5]],
        "leaks": [0.1],
        "positive": [0],
        "negative": [],
        "ratios": [1.0, 1.0],
    }
    with pytest.raises(InputError, match=words):
        ask({**net, **change})


def test_speed_of_a_large_network() -> None:
    """Ninety faults, twenty per finding, eight present and twenty absent: far inside a tenth of a second."""
    rng = np.random.default_rng(1)
    links = rng.uniform(0.2, 0.9, (90, 40)) * (rng.random((90, 40)) < 20 / 90)
    arrays = rng.uniform(0.005, 0.05, 90), links, np.full(40, 0.01)
    times = []
    for _ in range(5):
        start = time.perf_counter()
        network.posteriors(*arrays, list(range(8)), list(range(8, 28)))
        times.append(time.perf_counter() - start)
    assert min(times) < 0.1


@given(nets(), st.randoms(use_true_random=False))
@settings(max_examples=50, deadline=None)
def test_no_order_of_faults_or_findings_matters(net: dict[str, Any], random: Random) -> None:
    faults = random.sample(range(len(net["priors"])), len(net["priors"]))
    findings = random.sample(range(len(net["leaks"])), len(net["leaks"]))
    place = {old: new for new, old in enumerate(findings)}
    turned = {
        "priors": [net["priors"][i] for i in faults],
        "links": [[net["links"][i][j] for j in findings] for i in faults],
        "leaks": [net["leaks"][j] for j in findings],
        "positive": [place[j] for j in reversed(net["positive"])],
        "negative": [place[j] for j in reversed(net["negative"])],
        "ratios": [net["ratios"][i] for i in faults],
    }
    here, logarithm = ask(net)
    there, same = ask(turned)
    np.testing.assert_allclose(there, here[faults], rtol=1e-9, atol=1e-13)
    assert same == pytest.approx(logarithm, abs=1e-10)


@given(nets(), st.data())
@settings(max_examples=60, deadline=None)
def test_a_cause_made_surer_takes_blame_off_the_others(net: dict[str, Any], data: st.DataObject) -> None:
    """With one finding seen and nothing else, what speaks more for one of its causes never raises another."""
    j = data.draw(st.integers(0, len(net["leaks"]) - 1))
    i = data.draw(st.integers(0, len(net["priors"]) - 1))
    one = {**net, "positive": [j], "negative": []}
    surer = {**one, "ratios": [5 * r if k == i else r for k, r in enumerate(net["ratios"])]}
    before, _ = ask(one)
    after, _ = ask(surer)
    others = np.arange(len(before)) != i
    assert np.all(after[others] <= before[others] * (1 + 1e-9))


@given(nets(), st.data())
@settings(max_examples=60, deadline=None)
def test_a_sure_leak_takes_a_finding_out(net: dict[str, Any], data: st.DataObject) -> None:
    """A finding that is seen in any case says nothing, present or not told."""
    j = data.draw(st.integers(0, len(net["leaks"]) - 1))
    others = [k for k in net["positive"] if k != j]
    leaks = [1.0 if k == j else leak for k, leak in enumerate(net["leaks"])]
    rest = {**net, "leaks": leaks, "negative": [k for k in net["negative"] if k != j]}
    with_it, _ = ask({**rest, "positive": [*others, j]})
    without, _ = ask({**rest, "positive": others})
    np.testing.assert_allclose(with_it, without, rtol=1e-9, atol=1e-13)
