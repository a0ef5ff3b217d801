"""One change at a time: within the sizes of a step, from what is at hand, and never at any price."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from physics.afc.loops import MIDDLE, QUICK, SLOW, flat
from tubewright.physics.afc.changes import (
    Limits,
    Part,
    predict,
    preferred,
    try_changes,
    within_reach,
)
from tubewright.physics.preferred_values import is_preferred

AGED = replace(SLOW, capacitor_uf=1.0, damping_ohm=680.0)


def test_steps_keep_to_their_size_and_to_preferred_values() -> None:
    reach = within_reach(replace(MIDDLE, coupling_uf=0.1, leak_ohm=1e6))
    assert {part for part, _ in reach} == {"capacitor_uf", "damping_ohm", "shunt_nf", "coupling_uf", "leak_ohm"}
    sizes: dict[Part, tuple[float, float]] = {"capacitor_uf": (0.45, 0.75), "damping_ohm": (1.25, 1.6)}
    for part, value in reach:
        assert bool(is_preferred(value, "E12")), (part, value)
        low, high = sizes.get(part, (0.4, 2.3))
        assert low <= value / float(getattr(replace(MIDDLE, coupling_uf=0.1, leak_ohm=1e6), part)) <= high


def test_the_capacitor_is_never_cut_to_a_third() -> None:
    stock: dict[Part, tuple[float, ...]] = {"capacitor_uf": (0.33, 0.22, 0.1)}
    assert [v for part, v in within_reach(SLOW, stock) if part == "capacitor_uf"] == []


def test_only_what_is_in_stock_is_proposed() -> None:
    stock: dict[Part, tuple[float, ...]] = {"capacitor_uf": (0.47, 2.2), "damping_ohm": (1000.0,), "shunt_nf": ()}
    assert within_reach(AGED, stock) == [("capacitor_uf", 0.47), ("damping_ohm", 1000.0)]


def test_a_part_that_plays_no_part_is_left_out() -> None:
    assert {part for part, _ in within_reach(replace(MIDDLE, shunt_nf=0.0))} == {"capacitor_uf", "damping_ohm"}


def test_the_best_leaves_the_least_bend_of_those_allowed() -> None:
    found = try_changes(AGED, flat(6), picture_width_mm=370.0, mains_hz=50.0)
    assert found.best is not None
    bend = found.predicted.bend_mm
    allowed = [bend[c.number] for c in found.changes if not c.costs]
    assert bend[found.best.number] == min(allowed) < 0.9 * bend[0]
    assert not found.best.costs


def test_each_change_is_one_part_of_the_loop_as_it_is() -> None:
    found = try_changes(AGED, flat(6), picture_width_mm=370.0, mains_hz=50.0)
    for change in found.changes:
        assert found.predicted.parts[change.number] == replace(AGED, **{change.part: change.value})


def test_the_prediction_of_a_change_is_that_of_the_changed_loop() -> None:
    found = try_changes(AGED, flat(6), picture_width_mm=370.0, mains_hz=50.0)
    change = found.changes[-1]
    alone = predict([replace(AGED, **{change.part: change.value})], flat(6), picture_width_mm=370.0, mains_hz=50.0)
    assert float(found.predicted.bend_mm[change.number]) == pytest.approx(float(alone.bend_mm[0]), rel=1e-4)


def test_tighter_limits_bar_more() -> None:
    loose = try_changes(AGED, flat(6), picture_width_mm=370.0, mains_hz=50.0, limits=Limits(jitter_ratio=9.0))
    tight = try_changes(AGED, flat(6), picture_width_mm=370.0, mains_hz=50.0, limits=Limits(jitter_ratio=0.5))
    assert loose.best is not None
    assert tight.best is None
    assert all("jitter" in " ".join(c.costs) for c in tight.changes)


def test_a_curl_made_short_but_large_is_barred() -> None:
    found = try_changes(AGED, flat(6), picture_width_mm=370.0, mains_hz=50.0, limits=Limits(largest_ratio=0.5))
    assert found.best is None
    assert all("most displaced" in " ".join(c.costs) for c in found.changes)


def test_a_change_that_would_ring_is_barred() -> None:
    found = try_changes(
        AGED, flat(6), picture_width_mm=370.0, mains_hz=50.0, limits=Limits(damping_ratio=0.9, jitter_ratio=9.0)
    )
    capacitors = [c for c in found.changes if c.part == "capacitor_uf"]
    assert capacitors
    assert all("damping" in " ".join(c.costs) for c in capacitors)


def test_a_smaller_shunt_costs_ripple_and_is_barred_by_it() -> None:
    found = try_changes(
        replace(QUICK, shunt_nf=22.0), flat(6), picture_width_mm=370.0, mains_hz=50.0, limits=Limits(ripple_db=1.0)
    )
    shunts = [c for c in found.changes if c.part == "shunt_nf"]
    assert shunts
    assert all("ripple" in " ".join(c.costs) for c in shunts)


def test_where_nothing_bends_nothing_is_proposed() -> None:
    found = try_changes(replace(AGED, free_run_error_hz=0.0), flat(6), picture_width_mm=370.0, mains_hz=50.0)
    assert found.best is None


@pytest.mark.parametrize(
    ("low", "high", "values"),
    [(0.45, 0.75, (0.47, 0.56, 0.68)), (90.0, 130.0, (100.0, 120.0)), (9.9, 10.1, (10.0,)), (11.0, 11.5, ())],
)
def test_preferred_values_between_two(low: float, high: float, values: tuple[float, ...]) -> None:
    assert preferred(low, high) == values


def test_figures_come_out_finite() -> None:
    found = try_changes(AGED, flat(6), picture_width_mm=370.0, mains_hz=50.0)
    assert np.isfinite(found.predicted.bend_mm).all()
