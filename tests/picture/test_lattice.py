"""Spots become a lattice, whatever the view, with strays and gaps."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.picture.lattice import Lattice, join


def _spots(
    *, columns: int = 20, rows: int = 15, turn_deg: float = 0.0, tilt: float = 0.0, bend: float = 0.0
) -> tuple[np.ndarray, np.ndarray]:
    """Nodes (n, 2) and their places (n, 2) under a turn, a perspective and a bend."""
    nodes = np.stack(np.meshgrid(np.arange(columns), np.arange(rows)), axis=-1).reshape(-1, 2)
    x, y = ((nodes - [columns / 2, rows / 2]) * 40).T
    x, y = x + bend * y * y, y + 0.5 * bend * x * x
    depth = 1 + tilt * x
    c, s = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
    return nodes, np.stack([(c * x - s * y) / depth, (s * x + c * y) / depth], axis=1) + 1000


def _agrees(lattice: Lattice, nodes: np.ndarray) -> bool:
    """The same lattice, up to a turn, a mirror image and a start elsewhere."""
    seen = np.stack([lattice.across, lattice.along], axis=1).astype(float)
    true = nodes[lattice.spot].astype(float)
    fit = np.linalg.lstsq(np.c_[seen, np.ones(len(seen))], true, rcond=None)[0]
    whole = np.rint(fit)
    return bool(np.abs(fit - whole).max() < 1e-6 and abs(round(np.linalg.det(whole[:2]))) == 1)


@settings(max_examples=40, deadline=None)
@given(
    turn_deg=st.floats(-180, 180),
    tilt=st.floats(-2e-4, 2e-4),
    bend=st.floats(-1e-4, 1e-4),
    seed=st.integers(0, 1000),
)
def test_a_lattice_is_joined_from_any_side(turn_deg: float, tilt: float, bend: float, seed: int) -> None:
    nodes, places = _spots(turn_deg=turn_deg, tilt=tilt, bend=bend)
    places = places + np.random.default_rng(seed).normal(0, 1.0, places.shape)
    lattice = join(*places.T)
    assert lattice is not None
    assert len(lattice.spot) == len(nodes)
    assert _agrees(lattice, nodes)


@pytest.mark.parametrize("dark", [0, 1, 2])
def test_a_gun_that_is_dark_leaves_gaps_that_are_bridged(dark: int) -> None:
    nodes, places = _spots(turn_deg=4)
    lit = nodes.sum(axis=1) % 3 != dark
    lattice = join(*places[lit].T)
    assert lattice is not None
    assert len(lattice.spot) == lit.sum()
    assert _agrees(lattice, nodes[lit])


def test_missing_marks_and_strays_do_not_spoil_it() -> None:
    rng = np.random.default_rng(5)
    nodes, places = _spots(turn_deg=-7, tilt=1e-4)
    keep = rng.random(len(nodes)) > 0.15
    strays = rng.uniform(places.min(), places.max(), (25, 2))
    lattice = join(*np.concatenate([places[keep], strays]).T)
    assert lattice is not None
    ours = lattice.spot < keep.sum()
    assert ours.sum() > 0.95 * keep.sum()
    good = Lattice(spot=lattice.spot[ours], across=lattice.across[ours], along=lattice.along[ours])
    assert _agrees(good, nodes[keep])


def test_scattered_spots_are_no_lattice() -> None:
    rng = np.random.default_rng(2)
    lattice = join(*rng.uniform(0, 1000, (2, 400)))
    assert lattice is None or len(lattice.spot) < 200


def test_a_handful_is_no_lattice() -> None:
    assert join(np.arange(10.0), np.zeros(10)) is None
