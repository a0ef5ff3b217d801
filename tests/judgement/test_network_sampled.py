"""Sampling against the exact walk: what it says of its own error must hold."""

from __future__ import annotations

import math

import numpy as np
import pytest

from tubewright.judgement import network
from tubewright.judgement.network import Floats, Walked, walk


def net(seed: int, faults: int, findings: int, parents: float) -> tuple[Floats, Floats, Floats, Floats]:
    """Weights, links and leaks of a random network, as one variant."""
    rng = np.random.default_rng(seed)
    links = rng.uniform(0.2, 0.95, (faults, findings)) * (rng.random((faults, findings)) < parents / faults)
    priors = rng.uniform(0.002, 0.05, faults)
    return priors[np.newaxis], 1.0 - priors[np.newaxis], links[np.newaxis], np.full((1, findings), 0.01)


def both(seed: int, faults: int = 40, findings: int = 10, parents: float = 7) -> tuple[Walked, Walked]:
    asked = net(seed, faults, findings, parents)
    return walk(*asked), walk(*asked, most_open=0, seed=seed)


@pytest.mark.parametrize("seed", [1, 2])
def test_the_stated_error_holds(seed: int) -> None:
    """Errors against the exact walk are what the standard errors promise, and small."""
    exact, sampled = both(seed)
    assert exact.exact
    assert not sampled.exact
    assert sampled.samples > 0
    told = sampled.posterior_sd > 0
    off = (sampled.posteriors - exact.posteriors)[told] / sampled.posterior_sd[told]
    assert float(np.mean(np.abs(off) < 2)) > 0.8
    assert float(np.abs(off).max()) < 6
    assert sampled.posterior_sd.max() < 0.02
    assert float(np.abs(sampled.posteriors - exact.posteriors).max()) < 0.03
    assert abs(sampled.log_evidence[0] - exact.log_evidence[0]) < 4 * sampled.log_evidence_sd[0] + 0.01


def test_one_seed_one_answer() -> None:
    asked = net(4, 20, 6, 5)
    first, again, other = (walk(*asked, most_open=0, seed=seed) for seed in (1, 1, 2))
    np.testing.assert_array_equal(first.posteriors, again.posteriors)
    assert not np.array_equal(first.posteriors, other.posteriors)


def test_variants_are_read_off_the_same_samples() -> None:
    """A finding left out, a fault made likelier, a leak raised: each as if it were asked alone."""
    present, absent, links, leaks = net(6, 25, 8, 6)
    rows = [present[0]] * 4
    rows[1] = np.where(np.arange(25) == int(np.argmax(links[0].sum(axis=1))), 3 * present[0], present[0])
    levels = np.tile(leaks, (4, 1))
    levels[2, 3] = 1.0
    levels[3] = 0.05
    exact = walk(np.array(rows), absent, links, levels)
    sampled = walk(np.array(rows), absent, links, levels, most_open=0)
    for v in range(4):
        error = np.abs(sampled.posteriors[v] - exact.posteriors[v])
        assert bool(np.all(error < 5 * sampled.posterior_sd[v] + 0.01))
        assert abs(sampled.log_evidence[v] - exact.log_evidence[v]) < 5 * sampled.log_evidence_sd[v] + 0.01


def test_variants_walked_together_are_as_walked_alone() -> None:
    rng = np.random.default_rng(8)
    present = rng.uniform(0.001, 0.2, (5, 30))
    absent = rng.uniform(0.5, 1.0, (5, 30))
    links = rng.uniform(0.1, 0.9, (5, 30, 9)) * (rng.random((30, 9)) < 0.2)
    leaks = rng.uniform(0.001, 0.1, (5, 9))
    leaks[2, 4] = 1.0
    together = walk(present, absent, links, leaks)
    for v in range(5):
        alone = walk(present[v : v + 1], absent[v : v + 1], links[v : v + 1], leaks[v : v + 1])
        np.testing.assert_allclose(together.posteriors[v], alone.posteriors[0], rtol=1e-12)
        assert together.log_evidence[v] == pytest.approx(alone.log_evidence[0], abs=1e-11)
        short = walk(present[v : v + 1], absent[v : v + 1], links[v : v + 1], leaks[v : v + 1], wanted=False)
        assert short.log_evidence[0] == pytest.approx(alone.log_evidence[0], abs=1e-12)


def test_no_case_is_too_large() -> None:
    """Thirty findings that all hang together are answered, with an error and in a bounded time."""
    priors, _, links, leaks = net(9, 50, 30, 12)
    got, logarithm = network.posteriors(priors[0], links[0], leaks[0], list(range(30)), [])
    assert bool(np.all((got >= 0) & (got <= 1)))
    assert math.isfinite(logarithm)


def test_the_width_that_is_still_exact_changes_nothing() -> None:
    """Two faults, as many findings as may be open: exact by the walk and by hand."""
    width = network.MOST_OPEN
    got, _ = network.posteriors(np.full(2, 0.1), np.full((2, width), 0.5), np.full(width, 0.01), list(range(width)), [])
    shown = [1 - 0.99 * 0.5**n for n in range(3)]
    one, two = 0.09 * shown[1] ** width, 0.01 * shown[2] ** width
    assert got[0] == pytest.approx((one + two) / (0.81 * shown[0] ** width + 2 * one + two), rel=1e-10)


def test_a_question_that_can_be_walked_is_exact_though_its_variants_are_sampled(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Too many variants for the time there is: the question itself stays exact, the others keep to their errors."""
    present, absent, links, leaks = net(11, 25, 8, 6)
    levels = np.tile(leaks, (9, 1))
    levels[np.arange(1, 9), np.arange(8)] = 1.0
    rows = np.tile(present, (9, 1))
    exact = walk(rows, absent, links, levels)
    monkeypatch.setattr(network, "_MOST_WORK", 2e4)
    mixed = walk(rows, absent, links, levels)
    assert mixed.exact
    assert mixed.samples > 0
    np.testing.assert_allclose(mixed.posteriors[0], exact.posteriors[0], rtol=1e-12)
    assert mixed.log_evidence[0] == pytest.approx(exact.log_evidence[0], abs=1e-12)
    assert bool(np.all(mixed.posterior_sd[0] == 0))
    for v in range(1, 9):
        error = np.abs(mixed.posteriors[v] - exact.posteriors[v])
        assert bool(np.all(error < 5 * mixed.posterior_sd[v] + 0.01))
        assert abs(mixed.log_evidence[v] - exact.log_evidence[v]) < 5 * mixed.log_evidence_sd[v] + 0.05
