"""The simulated bench: its controls act as the laws of rings and yoke say, and its figures err as they state."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from tubewright.files.measurements import measurement_from_json
from tubewright.simulate.controls import POLE_PAIRS, Bench


def centre(bench: Bench, gun: str) -> complex:
    found = bench.measured(exact=True)["convergence"][f"{gun}_minus_green_mm"]["centre"]
    return complex(found["x"], found["y"])


def test_the_same_seed_is_the_same_display() -> None:
    assert Bench(7).measured(exact=True) == Bench(7).measured(exact=True)
    assert Bench(7).measured(exact=True) != Bench(8).measured(exact=True)


def test_its_body_reads_as_a_measurement() -> None:
    import json

    read = measurement_from_json(json.dumps(Bench(3).measured()), {})
    assert read.accepted


@pytest.mark.parametrize(("control", "sign"), [("four_pole_rings", -1), ("six_pole_rings", 1)])
def test_rings_move_red_and_blue_as_their_kind_does(control: str, sign: int) -> None:
    bench = Bench(5, calm=True)
    bench.ring_side[control] = 0.0
    before = {gun: centre(bench, gun) for gun in ("red", "blue")}
    bench.set_ring(control, bench.rings[control].tabs_mm + 2, 0.0, steady=True)
    by = {gun: centre(bench, gun) - before[gun] for gun in before}
    assert by["blue"] == pytest.approx(sign * by["red"])
    assert abs(by["red"]) > 0.1


@pytest.mark.parametrize("control", sorted(POLE_PAIRS))
def test_a_ring_comes_round_after_its_share_of_a_turn_and_shut_does_nothing(control: str) -> None:
    ring = Bench(2).rings[control]
    count = POLE_PAIRS[control]
    first = ring.push(count)
    ring.angle_deg += 360 / count
    assert ring.push(count) == pytest.approx(first)
    ring.tabs_mm = 0
    assert abs(ring.push(count)) == 0


@pytest.mark.parametrize(
    "control", ["h_size", "v_linearity", "yoke_tilt_vertical", "trapezoid", "h_hold", "yoke_axial"]
)
def test_a_control_turned_back_leaves_no_trace(control: str) -> None:
    bench = Bench(4)
    before = bench.measured(exact=True)
    bench.turn(control, 0.2, steady=True)
    assert bench.measured(exact=True) != before
    bench.turn(control, -0.2, steady=True)
    after = bench.measured(exact=True)
    for part in ("convergence", "geometry", "top_curl", "purity"):
        assert flat(after[part]) == pytest.approx(flat(before[part]), abs=0.02)


def flat(body: Any) -> list[float]:  # noqa: ANN401 - whatever JSON holds
    if isinstance(body, dict):
        return [number for value in body.values() for number in flat(value)]
    return [float(body)] if isinstance(body, int | float) else []


def test_a_dead_control_does_nothing_and_degaussing_takes_the_patch() -> None:
    bench = Bench(4, dead=("h_size",))
    before = bench.measured(exact=True)
    bench.turn("h_size", 0.5)
    assert bench.measured(exact=True) == before
    bench.state.patch_share = 0.3
    bench.degauss()
    assert bench.state.patch_share < 0.02


def test_figures_err_by_what_they_state() -> None:
    bench = Bench(11)
    truth = centre(bench, "red")
    drawn = [bench.measured()["convergence"]["red_minus_green_mm"]["centre"] for _ in range(200)]
    sd = float(np.std([one["x"] - truth.real for one in drawn]))
    assert sd == pytest.approx(drawn[0]["sd"], rel=4 / math.sqrt(2 * 200))


def test_hidden_directions_differ_between_displays() -> None:
    signs = {math.copysign(1, Bench(seed).gains["h_size"]) for seed in range(12)}
    assert signs == {1.0, -1.0}
