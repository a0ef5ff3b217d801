"""Widths of bars, fitted all at once, against bars drawn from the normal distribution's own table."""

from __future__ import annotations

from statistics import NormalDist

import numpy as np
import pytest

from tubewright.picture.strips import fitted_spreads

U = np.linspace(-8, 8, 99)


def bar(centre: float, sd: float, height: float, floor: float) -> list[float]:
    """A bar of four pixels under a Gaussian: its share between both edges (Python's own normal distribution)."""
    spot = NormalDist(centre, sd)
    return [floor + height * (spot.cdf(u + 2) - spot.cdf(u - 2)) for u in U]


def test_spreads_of_many_bars_are_what_they_were_drawn_with() -> None:
    drawn = [(0.0, 0.6, 1.0, 0.0), (0.8, 0.3, 0.02, 0.001), (-1.1, 1.4, 30.0, -0.6), (0.2, 2.2, 1.0, 0.0)]
    found = fitted_spreads(U, np.array([bar(*one) for one in drawn]), 4)
    assert found == pytest.approx([one[1] for one in drawn], rel=1e-4)


def test_noise_moves_a_spread_no_more_than_it_should() -> None:
    noise = np.random.default_rng(5).normal(0, 0.01, (40, U.size))
    found = fitted_spreads(U, bar(0.1, 0.7, 1.0, 0.0) + noise, 4)
    assert found.mean() == pytest.approx(0.7, abs=0.01)
    assert found.std() < 0.03


def test_what_is_no_bar_has_no_spread() -> None:
    dark, unknown = np.zeros(U.size), np.full(U.size, np.nan)
    two = np.array(bar(-5.0, 0.4, 1.0, 0.0)) + bar(5.0, 0.4, 1.0, 0.0)
    found = fitted_spreads(U, np.array([dark, unknown, two, bar(0, 0.6, 1, 0)]), 4)
    assert np.isnan(found[:3]).all()
    assert found[3] == pytest.approx(0.6, rel=1e-4)
