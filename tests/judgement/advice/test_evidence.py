"""No move without evidence, no control that isn't there, and what ends or undoes a move."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from setup_session import KNOWLEDGE, Session, bench_with, controls, setup_of
from tubewright.files.measurements import measurement_from_json
from tubewright.judgement.advice.course import Setup, Turned, follow
from tubewright.judgement.advice.modes import INDEX
from tubewright.judgement.advice.plan import plan
from tubewright.judgement.advice.planned import Plan
from tubewright.picture.results import ZONES
from tubewright.simulate.controls import Bench
from tubewright.simulate.display import Misconvergence

INLINE = (
    *("h_hold", "h_size", "v_size", "h_position", "v_position", "v_linearity", "pincushion", "trapezoid", "focus"),
    *("degauss", "purity_rings", "yoke_axial", "yoke_rotation", "four_pole_rings", "six_pole_rings"),
    *("yoke_tilt_vertical", "yoke_tilt_horizontal", "convergence_strips"),
)


def planned(body: dict[str, Any], setup: Setup) -> Plan:
    return plan(follow([measurement_from_json(json.dumps(body), {})], [], setup, KNOWLEDGE), KNOWLEDGE)


@pytest.mark.parametrize("seed", range(12))
def test_a_display_without_errors_is_left_alone(seed: int) -> None:
    bench = bench_with(seed)
    found = planned(bench.measured(), setup_of(bench, controls=INLINE))
    assert (found.state, found.moves) == ("done", ())


def test_noise_alone_hardly_ever_moves_anything() -> None:
    """Photographs so bad that figures of a display in order lie beyond tolerance by their own errors."""
    moved, beyond = 0, 0
    for seed in range(30):
        bench = bench_with(seed)
        bench.noise = replace(
            bench.noise, convergence_mm=0.3, rotation_deg=0.4, bow_pct=1.0, trapezoid_pct=0.7, purity_share=0.03
        )
        found = planned(bench.measured(), setup_of(bench, controls=INLINE))
        beyond += bool(found.failing)
        moved += any(move.control != "degauss" for move in found.moves)
    assert beyond >= 20
    assert moved <= 2


@settings(max_examples=40, deadline=None)
@given(st.sets(st.sampled_from(INLINE)), st.integers(0, 10_000))
def test_a_control_that_is_not_there_is_never_advised(here: set[str], seed: int) -> None:
    bench = Bench(seed)
    found = planned(bench.measured(), setup_of(bench, controls=tuple(sorted(here))))
    assert set(controls(found)) <= here
    assert len(found.moves) <= 10


@pytest.mark.parametrize("zone", ["top_left", "top_right", "bottom_left", "bottom_right"])
@pytest.mark.parametrize("gun", ["red", "blue"])
def test_an_error_in_one_corner_goes_to_its_strip_and_not_to_yoke_or_rings(zone: str, gun: str) -> None:
    bench = bench_with(2)
    body = bench.measured()
    body["convergence"][f"{gun}_minus_green_mm"][zone]["x"] += 3.0
    found = planned(body, setup_of(bench, controls=INLINE))
    assert [(move.control, move.part) for move in found.moves] == [("convergence_strips", zone)]


def test_an_error_everywhere_goes_to_the_rings_and_not_to_strips() -> None:
    bench = bench_with(2)
    body = bench.measured()
    for zone in ZONES:
        body["convergence"]["red_minus_green_mm"][zone]["x"] += 1.2
        body["convergence"]["blue_minus_green_mm"][zone]["x"] -= 1.2
    assert controls(planned(body, setup_of(bench, controls=INLINE))) == ["four_pole_rings"]


@pytest.mark.parametrize("zone", ["top_right", "bottom", "centre", "left"])
def test_something_magnetised_is_degaussed_before_anything_is_done_for_the_landing(zone: str) -> None:
    bench = bench_with(3)
    body = bench.measured()
    for gun in ("red", "green", "blue"):
        figure = body["purity"]["shift"][gun][zone]
        body["purity"]["shift"][gun][zone] = {name: value + 0.25 for name, value in figure.items()}
    found = planned(body, setup_of(bench, controls=INLINE))
    assert found.patch
    assert controls(found) == ["degauss"]


@settings(max_examples=25, deadline=None)
@given(st.integers(0, 500), st.sampled_from(["v_size", "h_position", "trapezoid"]), st.booleans())
def test_what_met_its_end_is_not_sent_further(seed: int, control: str, up: bool) -> None:
    bench = Bench(seed)
    session = Session(bench)
    amount = 0.2 if up else -0.2
    bench.turn(control, amount, steady=True)
    session.turn(control, amount, at_stop="positive" if up else "negative")
    session.photograph()
    for move in session.plan().moves:
        if move.control == control:
            assert move.value * amount < 0


@pytest.mark.parametrize("tabs_mm", [6.0, 14.0, 24.0])
def test_tabs_that_met_their_end_are_opened_no_further(tabs_mm: float) -> None:
    bench = bench_with(5, misconvergence=Misconvergence(four_pole_mm=(-2.5, 1.5)))
    session = Session(bench)
    for angle in (0.0, 30.0):
        bench.set_ring("four_pole_rings", tabs_mm, angle, steady=True)
        stands = replace(session.course().now.rings["four_pole_rings"], tabs_mm=tabs_mm, angle_deg=angle)
        session.turn("four_pole_rings", 0.0, ring=stands, at_stop="positive")
        session.photograph()
    for move in session.plan().moves:
        if move.control == "four_pole_rings" and move.ring is not None and move.sort == "aim":
            assert move.ring.tabs_mm <= tabs_mm + 1e-6


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 1000), st.floats(-0.3, 0.3))
def test_what_was_undone_is_as_if_it_had_not_been(seed: int, amount: float) -> None:
    bench = Bench(seed)
    session = Session(bench)
    session.photograph()
    plain = session.course()
    session.turned.append(Turned(after=1, control="v_size", value=amount, undone=True))
    course = session.course()
    assert np.array_equal(course.now.positions, plain.now.positions)
    assert course.belief.gain == pytest.approx(plain.belief.gain)


@settings(max_examples=15, deadline=None)
@given(st.integers(0, 1000), st.sampled_from([-0.25, -0.1, 0.15, 0.3]))
def test_a_wrong_turn_that_was_said_is_the_opposite_turn(seed: int, amount: float) -> None:
    bench = bench_with(seed, height_ratio=1.06)
    before = measurement_from_json(json.dumps(bench.measured()), {})
    bench.turn("v_size", -amount, steady=True)
    after = measurement_from_json(json.dumps(bench.measured()), {})
    setup = setup_of(bench)
    said = Turned(after=1, control="v_size", value=amount, wrong_way=True)
    was = Turned(after=1, control="v_size", value=-amount)
    courses = [follow([before, after], [one], setup, KNOWLEDGE) for one in (said, was)]
    assert courses[0].belief.mean == pytest.approx(courses[1].belief.mean)
    assert courses[0].now.positions == pytest.approx(courses[1].now.positions)


def test_a_pair_turned_the_wrong_way_unseen_is_found_out() -> None:
    bench = bench_with(5, misconvergence=Misconvergence(four_pole_mm=(-1.0, 0.5)))
    session = Session(bench)
    session.obey(session.plan())
    stands = session.course().now.rings["four_pole_rings"]
    for tabs, angle, really in ((8.0, 10.0, 10.0), (8.0, 40.0, -20.0)):
        bench.set_ring("four_pole_rings", tabs, really, steady=True)
        session.turn("four_pole_rings", 0.0, ring=replace(stands, tabs_mm=tabs, angle_deg=angle))
        session.photograph()
    course = session.course()
    assert [move.ring.angle_deg for move in course.reversed if move.ring is not None] == [40.0]
    assert course.now.rings["four_pole_rings"].angle_deg == pytest.approx(-20.0)


def test_only_what_made_it_worse_is_taken_back() -> None:
    """Height came right; the slant of the sides went wrong, and its control is stuck: the height stays."""
    session = Session(bench_with(4, height_ratio=1.12))
    found = session.finish()
    assert found.state == "done"
    session.bench.turn("trapezoid", 0.6, steady=True)
    session.turn("trapezoid", 0.6)
    session.photograph()
    session.turn("trapezoid", 0.0, at_stop="positive")
    session.turn("trapezoid", 0.0, at_stop="negative")
    session.photograph()
    found = session.plan()
    assert found.state == "out_of_reach"
    assert [(move.sort, move.control) for move in found.moves] == [("undo", "trapezoid")]
    assert found.moves[0].value == pytest.approx(-0.6)


def test_a_control_is_asked_for_by_its_own_part_of_the_errors() -> None:
    session = Session(bench_with(3, misconvergence=Misconvergence(crossed_mm=(3.0, 2.0), four_pole_mm=(0.9, 0.0))))
    error = session.course().belief.error
    assert abs(error[INDEX["opp_x_v"]]) > 1
    assert set(controls(session.plan())) == {"four_pole_rings", "yoke_tilt_vertical"}
