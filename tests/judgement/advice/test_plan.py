"""The course of a set-up: probe, then amounts, then done; and what ends it otherwise."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any

import pytest

from setup_session import KNOWLEDGE, Session, bench_with, controls, setup_of
from tubewright.files.measurements import measurement_from_json
from tubewright.judgement.advice.back import way_back
from tubewright.judgement.advice.course import Course, follow, known
from tubewright.judgement.advice.effects import ORDER
from tubewright.judgement.advice.modes import INDEX
from tubewright.judgement.advice.plan import plan
from tubewright.picture.results import Unsupported
from tubewright.simulate.display import Misconvergence, Shape


def test_a_display_in_order_is_done_at_once() -> None:
    found = Session(bench_with()).plan()
    assert found.state == "done"
    assert found.moves == ()


def test_nothing_is_advised_before_it_is_warm() -> None:
    wide = bench_with(width_ratio=1.08)
    found = Session(wide, warm=False).plan()
    assert (found.state, found.moves) == ("not_warm", ())
    assert Session(wide).plan().moves


@pytest.mark.parametrize(
    ("state", "control"),
    [
        ({"misconvergence": Misconvergence(four_pole_mm=(0.9, 0.7))}, "four_pole_rings"),
        ({"misconvergence": Misconvergence(six_pole_mm=(0.9, -0.7))}, "six_pole_rings"),
        ({"misconvergence": Misconvergence(crossed_mm=(3.0, -2.5))}, "yoke_tilt_vertical"),
        ({"misconvergence": Misconvergence(size_mm=(3.0, 2.5))}, "yoke_tilt_horizontal"),
        ({"width_ratio": 1.06}, "h_size"),
        ({"height_ratio": 0.93}, "v_size"),
        ({"shape": Shape(shift_x_mm=8.0)}, "h_position"),
        ({"shape": Shape(pincushion_left_pct=4.0, pincushion_right_pct=4.0)}, "pincushion"),
        ({"shape": Shape(trapezoid_h_pct=4.0)}, "trapezoid"),
        ({"shape": Shape(linearity_v_tilt_pct=20.0)}, "v_linearity"),
        ({"curl_mm": 4.0}, "h_hold"),
        ({"focus_turn": 0.6}, "focus"),
    ],
)
def test_one_error_leads_to_the_control_that_is_for_it_a_little_at_first(state: dict[str, Any], control: str) -> None:
    found = Session(bench_with(**state)).plan()
    assert controls(found) == [control]
    assert found.moves[0].sort == "probe"
    assert found.moves[0].expected is None


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
def test_after_one_small_move_the_amount_and_its_direction_are_right(seed: int) -> None:
    session = Session(bench_with(seed, height_ratio=1.12))
    session.obey(session.plan())
    found = session.plan()
    assert "v_size" in controls(found)
    move = next(one for one in found.moves if one.control == "v_size")
    assert move.sort == "aim"
    height = session.bench.state.height_ratio
    needed = (1 / height - 1) / session.bench.gains["v_size"]
    assert move.value == pytest.approx(max(min(needed, 0.75), -0.75), rel=0.35)
    assert move.expected is not None
    assert move.expected.after_ratio < move.expected.before_ratio / 2


@pytest.mark.parametrize("seed", [5, 6, 7])
def test_rings_are_opened_and_turned_to_where_the_beams_meet(seed: int) -> None:
    session = Session(bench_with(seed, misconvergence=Misconvergence(four_pole_mm=(-1.0, 0.5))))
    rounds = 0
    while (found := session.plan()).moves:
        assert set(controls(found)) == {"four_pole_rings"}
        session.obey(found)
        rounds += 1
    assert found.state == "done"
    assert rounds <= 4


def test_degaussing_comes_before_rings_or_yoke_are_blamed_for_impurity() -> None:
    session = Session(bench_with(patch_share=0.3, patch_at=(0.7, -0.6)))
    found = session.plan()
    assert controls(found) == ["degauss"]
    assert found.patch
    session.obey(found)
    assert session.plan().state == "done"


def test_a_stain_without_a_patch_is_degaussed_first_and_tried_by_rings_and_yoke_in_the_same_round() -> None:
    session = Session(bench_with(3, landing_share=(0.05, 0.2)))
    first = session.plan()
    assert not first.patch
    assert controls(first)[0] == "degauss"
    assert "yoke_axial" in controls(first)
    assert {move.sort for move in first.moves[1:]} == {"probe"}


def test_a_patch_hides_what_rings_and_yoke_do_so_they_wait_for_the_degaussing() -> None:
    bench = bench_with(
        3,
        landing_share=(0.05, 0.2),
        patch_share=0.3,
        patch_at=(0.7, -0.6),
        misconvergence=Misconvergence(crossed_mm=(3.0, 2.0)),
    )
    session = Session(bench)
    first = session.plan()
    assert first.patch
    assert controls(first) == ["degauss", "yoke_tilt_vertical"]
    session.obey(first)
    assert "yoke_axial" in controls(session.plan())


def test_moves_come_in_the_order_of_work_and_no_more_than_asked() -> None:
    bench = bench_with(
        2,
        width_ratio=1.06,
        misconvergence=Misconvergence(four_pole_mm=(1.0, 0.5), crossed_mm=(3, 2), size_mm=(2, 3)),
        curl_mm=4.0,
        shape=Shape(trapezoid_h_pct=4.0),
    )
    places = [ORDER[name] for name in controls(Session(bench).plan())]
    assert places == sorted(places)
    assert len(places) == 6
    alone = Session(bench, at_once=1).plan()
    assert controls(alone) == ["h_hold"]  # what comes first disturbs what comes after it


def test_what_was_undone_teaches_nothing_and_moves_nothing() -> None:
    session = Session(bench_with(height_ratio=1.07))
    session.turn("v_size", 0.125, undone=True)
    session.photograph()
    course = session.course()
    assert not known(course.belief, course.effects.column("v_size"), KNOWLEDGE)
    assert course.now.positions[course.effects.column("v_size")] == 0
    assert session.plan().moves[0].sort == "probe"


def wrongly_turned(*, noticed: bool, first: bool) -> Session:
    """A height that is off, and one of two moves that went the other way: the first one, or the one after it."""
    session = Session(bench_with(4, height_ratio=1.25))
    for n, amount in enumerate((0.15, -0.3)):
        wrong = (n == 0) == first
        session.bench.turn("v_size", -amount if wrong else amount, steady=True)
        session.turn("v_size", amount, wrong_way=noticed and wrong)
        session.photograph()
    return session


def gain_of(course: Course) -> float:
    return float(course.belief.gain[INDEX["height_pct"], course.effects.column("v_size")]) / 100


@pytest.mark.parametrize("first", [True, False])
def test_a_wrong_turn_that_was_seen_is_reckoned_with(first: bool) -> None:
    session = wrongly_turned(noticed=True, first=first)
    assert gain_of(session.course()) == pytest.approx(session.bench.gains["v_size"], rel=0.3)


@pytest.mark.parametrize("first", [True, False])
def test_a_wrong_turn_that_nobody_saw_leaves_the_direction_open_and_a_third_move_tells(first: bool) -> None:
    session = wrongly_turned(noticed=False, first=first)
    course = session.course()
    assert course.contradicted == ("v_size",)
    assert not known(course.belief, course.effects.column("v_size"), KNOWLEDGE)
    found = session.plan()
    assert [(move.sort, move.control) for move in found.moves] == [("probe", "v_size")]
    session.obey(found)
    course = session.course()
    assert course.contradicted == ()
    assert [move.value for move in course.reversed] == [0.15 if first else -0.3]
    assert gain_of(course) == pytest.approx(session.bench.gains["v_size"], rel=0.3)
    # Where it stands counts from the way it really went.
    column = course.effects.column("v_size")
    stands = sum((-1 if move in course.reversed else 1) * move.value for move in session.turned)
    assert course.now.positions[column] == pytest.approx(stands)


def test_a_control_at_its_end_is_not_sent_further_and_is_named() -> None:
    session = Session(bench_with(4, height_ratio=1.12))
    session.obey(session.plan())
    move = session.plan().moves[0]
    session.turn("v_size", 0.0, at_stop="positive" if move.value > 0 else "negative")
    session.photograph()
    found = session.plan()
    assert found.state == "out_of_reach"
    assert found.stuck == ("v_size",)


def test_a_control_that_does_nothing_ends_the_advice_as_a_fault() -> None:
    bench = bench_with(6, misconvergence=Misconvergence(four_pole_mm=(1.2, 0.0)))
    bench.dead = ("four_pole_rings",)
    session = Session(bench)
    for _ in range(4):
        found = session.plan()
        if not found.moves:
            break
        session.obey(found)
    assert found.state == "out_of_reach"
    assert found.idle == ("four_pole_rings",)


def test_two_loops_without_a_fifths_gain_end_it() -> None:
    """Something else moves the height back after every move: a fault, not an adjustment."""
    session = Session(bench_with(4, height_ratio=1.12))
    session.obey(session.plan())
    states = []
    for _ in range(6):
        found = session.plan()
        states.append(found.state)
        if found.state != "go_on":
            break
        session.obey(found)
        session.bench.state.height_ratio = 1.12
        session.measured.pop()
        session.photograph()
    assert states[-1] in {"no_gain", "out_of_reach"}
    # One of them goes to trying anew what contradicted itself.
    assert len(states) <= 5


def test_the_way_back_leads_to_the_best_photograph() -> None:
    session = Session(bench_with(4, height_ratio=1.05))
    for amount in (0.1, 0.2):
        worse = amount if session.bench.gains["v_size"] > 0 else -amount
        session.bench.turn("v_size", worse, steady=True)
        session.turn("v_size", worse)
        session.photograph()
    course = session.course()
    assert not course.reversed
    excesses = [one.excess_ratio for one in course.rounds]
    assert excesses == sorted(excesses)
    (back,) = way_back(course)
    assert (back.sort, back.control) == ("undo", "v_size")
    assert abs(back.value) == pytest.approx(0.3)
    session.bench.turn("v_size", back.value, steady=True)
    assert session.bench.state.height_ratio == pytest.approx(1.05, rel=0.01)


def test_a_part_that_no_photograph_shows_is_not_called_good() -> None:
    body = bench_with().measured()
    body["purity"] = None
    body["unsupported"]["purity"] = {"reason": "no light survey", "would_settle": "photograph it"}
    measured = [measurement_from_json(json.dumps(body), {})]
    found = plan(follow(measured, [], setup_of(bench_with()), KNOWLEDGE), KNOWLEDGE)
    assert {one.group for one in found.unknown} == {"purity"}


def test_the_same_course_gives_the_same_plan() -> None:
    session = Session(bench_with(2, width_ratio=1.06, curl_mm=4.0))
    session.obey(session.plan())
    assert session.plan() == session.plan()


def test_what_moves_made_unreadable_leads_back() -> None:
    session = Session(bench_with(4, height_ratio=1.05))
    session.turn("v_size", 0.2)
    nothing = Unsupported(reason="too far apart to be told", would_settle="less")
    parts = ("scale", "convergence", "geometry", "top_curl", "focus", "purity")
    unread: dict[str, Any] = dict.fromkeys(parts, nothing)
    session.measured.append(replace(session.measured[0], accepted=False, **unread))
    found = session.plan()
    assert found.state == "unmeasured"
    assert [move.sort for move in found.moves] == ["undo"]
    assert found.moves[0].value == pytest.approx(-0.2)
