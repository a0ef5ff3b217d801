"""What a session leaves to the next one on the same display."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from setup_session import KNOWLEDGE, Session, bench_with
from tubewright.judgement.advice.carry import ON_THE_TUBE, learned_gains, rings_left
from tubewright.judgement.advice.course import RingSetting
from tubewright.judgement.advice.effects import CarriedGain
from tubewright.judgement.advice.modes import INDEX
from tubewright.simulate.display import Misconvergence


def test_what_was_learned_is_carried_and_widened_and_the_rest_is_not() -> None:
    session = Session(bench_with(4, height_ratio=1.12))
    session.finish()
    course = session.course()
    found = learned_gains(course, KNOWLEDGE)
    gain = found["v_size>height_pct"]
    assert gain.per_unit_ratio / 100 == pytest.approx(session.bench.gains["v_size"], rel=0.2)
    here = float(np.sqrt(course.belief.gain_cov[(n := course.effects.gains.index("v_size>height_pct")), n]))
    assert gain.sd_ratio > here
    assert not any(name.startswith("h_size") for name in found)


def test_with_carried_gains_the_first_round_already_goes_by_an_amount() -> None:
    session = Session(bench_with(4, height_ratio=1.12))
    session.finish()
    gains = learned_gains(session.course(), KNOWLEDGE)
    session.bench.state.height_ratio = 0.93
    later = Session(session.bench, prior_gains=gains)
    move = next(one for one in later.plan().moves if one.control == "v_size")
    assert move.sort == "aim"
    assert move.value * session.bench.gains["v_size"] > 0
    anew = Session(session.bench)
    assert next(one for one in anew.plan().moves if one.control == "v_size").sort == "probe"


def test_the_gain_of_rings_is_turned_to_where_they_stand_at_the_end() -> None:
    bench = bench_with(5, misconvergence=Misconvergence(four_pole_mm=(-1.0, 0.8)))
    session = Session(bench)
    session.finish()
    course = session.course()
    gains, left = learned_gains(course, KNOWLEDGE), rings_left(course)["four_pole_rings"]
    assert left.angle_deg == 0
    assert abs(course.now.rings["four_pole_rings"].angle_deg) > 5
    ring = bench.rings["four_pole_rings"]
    before = ring.push(2)
    ring.tabs_mm += 0.5
    opened = (ring.push(2) - before) / 0.5
    told = complex(*(gains[f"four_pole_rings>{way}"].per_unit_ratio for way in ("along", "across")))
    # It acts on half of red minus blue by as much.
    assert told == pytest.approx(opened, abs=0.25 * abs(opened))


def test_of_a_figure_without_a_sign_only_the_size_of_a_gain_is_carried() -> None:
    session = Session(bench_with(2, focus_turn=0.5))
    session.finish()
    gain = learned_gains(session.course(), KNOWLEDGE)["focus>defocus_mm"]
    assert gain.per_unit_ratio == 0
    assert gain.sd_ratio == pytest.approx(2 * abs(session.bench.gains["focus"]), rel=0.5)


def test_with_another_tube_nothing_of_rings_and_yoke_is_carried() -> None:
    session = Session(bench_with(5, height_ratio=1.1, misconvergence=Misconvergence(four_pole_mm=(-1.0, 0.8))))
    session.finish()
    found = learned_gains(session.course(), KNOWLEDGE, without=ON_THE_TUBE)
    assert "v_size>height_pct" in found
    assert not any(name.startswith("four_pole") for name in found)


def test_a_carried_gain_that_does_not_hold_any_more_is_given_up() -> None:
    """The other direction than in the earlier job: a part was changed."""
    bench = bench_with(4, height_ratio=1.15)
    truth = 100 * bench.gains["v_size"]
    session = Session(bench, prior_gains={"v_size>height_pct": CarriedGain(per_unit_ratio=-truth, sd_ratio=3.0)})
    found = session.finish()
    assert found.state == "done"
    course = session.course()
    learned = course.belief.gain[INDEX["height_pct"], course.effects.column("v_size")]
    assert learned == pytest.approx(truth, rel=0.3)
    assert course.reversed == ()


def test_carried_gains_of_controls_that_are_not_there_are_passed_over() -> None:
    session = Session(bench_with(4, height_ratio=1.12))
    strange = {"nothing>at_all": CarriedGain(per_unit_ratio=1.0, sd_ratio=0.1)}
    session.setup = replace(session.setup, prior_gains=strange)
    assert session.plan().moves


def test_rings_stand_where_they_were_left() -> None:
    session = Session(bench_with(3))
    session.turn("six_pole_rings", 0.0, ring=RingSetting(tabs_mm=7.0, angle_deg=12.0))
    session.photograph()
    assert rings_left(session.course())["six_pole_rings"] == RingSetting(tabs_mm=7.0)
