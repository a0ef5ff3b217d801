"""A job's measurements and moves put together for the advice, and what earlier jobs of the same display bring."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
from dataclasses import dataclass
from typing import Any

import pytest

from tubewright.answers.advise import Earlier, RingSetting, advise
from tubewright.answers.advise_guard import control_step, round_guard, shut_controls, was_open
from tubewright.answers.advise_job import Asked, JobSetup, Taken, checked, job_setup
from tubewright.answers.advise_stored import as_stored, in_words
from tubewright.answers.advise_typed import typed_amount
from tubewright.answers.measurement import Measurement, Unsupported
from tubewright.errors import InputError
from tubewright.files.measurements import measurement_from_json
from tubewright.judgement.guards import StepSort
from tubewright.knowledge.chassis import Chassis
from tubewright.knowledge.load import load_knowledge
from tubewright.simulate.controls import Bench

KNOWLEDGE = load_knowledge()
MADE_UP = Chassis(
    id="made_up",
    name="Made up",
    adjustments=("h_size", "four_pole_rings", "yoke_tilt_vertical"),
    picture_width_mm=360,
    picture_height_mm=270,
)


@dataclass(frozen=True, kw_only=True)
class Move:
    """A stored move, as the records give it."""

    id: int = 1
    control: str = "h_size"
    part: str = ""
    amount: float | None = None
    direction: str = ""
    tabs_mm: float | None = None
    angle_deg: float | None = None
    after_measurement_id: int | None = None
    undone: bool = False
    wrong_way: bool = False
    at_stop: bool = False


def measurement(bench: Bench) -> Measurement:
    return measurement_from_json(json.dumps(bench.measured()), {})


NO_SAYING = Asked()
BENCH = Bench(0, calm=True)
SEEN = measurement(BENCH)
NOTHING = dataclasses.replace(
    SEEN,
    accepted=False,
    refused_because="Too dark.",
    **{  # type: ignore[arg-type] # each takes it
        name: Unsupported(reason="too dark", would_settle="light")
        for name in ("convergence", "geometry", "purity", "focus", "top_curl")
    },
)


def taken(number: int, found: Measurement = SEEN) -> Taken:
    return Taken(id=number, accepted=found.accepted, measured=found)


def gathered(photos: list[Taken], moves: list[Move], asked: Asked = NO_SAYING, **more: object) -> JobSetup:
    given = {"gun": "inline", "chassis": None, **more}
    return job_setup(photos, moves, asked=asked, knowledge=KNOWLEDGE, **given)  # type: ignore[arg-type]


def test_moves_stand_after_the_photograph_they_were_made_after() -> None:
    moves = [
        Move(id=1, control="degauss"),
        Move(id=2, control="four_pole_rings", tabs_mm=4.0),
        Move(id=3, amount=0.25, direction="anticlockwise", after_measurement_id=11),
        Move(id=4, amount=0.1, direction="clockwise", after_measurement_id=13),
    ]
    found = gathered([taken(11), taken(12, NOTHING), taken(13)], moves)
    assert found.photographs == (11, 13)
    assert found.setup.degaussed
    assert found.setup.rings["four_pole_rings"] == RingSetting(tabs_mm=4.0)
    (turned,) = found.turned
    assert (turned.after, turned.value, turned.unit) == (1, -0.25, "turn")
    assert found.pending == (4,)


def test_a_last_photograph_that_moves_spoilt_counts_and_others_that_were_refused_do_not() -> None:
    spoilt = [Move(amount=0.25, direction="clockwise", after_measurement_id=1)]
    assert gathered([taken(1), taken(2, NOTHING)], spoilt).photographs == (1, 2)
    assert gathered([taken(1), taken(2, NOTHING)], []).photographs == (1,)
    assert not gathered([taken(1, NOTHING)], []).photographs


def test_one_of_grey_steps_alone_is_passed_over() -> None:
    grey = dataclasses.replace(NOTHING, accepted=True, refused_because="")
    assert gathered([taken(1), taken(2, grey)], []).photographs == (1,)


def test_controls_and_opening_come_from_the_profile_and_what_was_moved_is_there() -> None:
    found = gathered([taken(1)], [Move(control="focus", amount=0.1, direction="clockwise")], chassis=MADE_UP)
    assert set(found.setup.controls) == {*MADE_UP.adjustments, "degauss", "focus"}
    assert found.setup.opening_mm == pytest.approx((360, 270))
    assert any("Made up" in note for note in found.notes)
    said = gathered([taken(1)], [], Asked(opening_mm=(361, 271)), chassis=MADE_UP)
    assert said.setup.opening_mm == pytest.approx((361, 271))


def test_what_can_not_be_reckoned_with_is_left_out_and_said() -> None:
    moves = [
        Move(control="knob"),
        Move(control="static_red", amount=1.0, direction="clockwise"),
        Move(control="four_pole_rings", angle_deg=3.0, after_measurement_id=1),
        Move(control="convergence_strips", amount=1.0, direction="in", after_measurement_id=1),
        Move(amount=1.0, direction="sideways", after_measurement_id=1),
    ]
    found = gathered([taken(1), taken(2)], moves)
    assert not found.turned
    assert len(found.notes) == 5
    assert all(note.startswith("Left out: a move of ") for note in found.notes)


@pytest.mark.parametrize("gun", ["inline", "delta"])
def test_what_is_advised_is_kept_and_read_back_as_advised(gun: str) -> None:
    bench = Bench(1, gun="delta" if gun == "delta" else "inline")
    first = gathered([taken(1, measurement(bench))], [], gun=gun)
    answer = advise(first.measured, first.turned, first.setup, KNOWLEDGE)
    stored = [Move(id=n, **_fields(as_stored(move, 1))) for n, move in enumerate(answer.moves, start=1)]
    again = gathered([taken(1, measurement(bench)), taken(2, measurement(bench))], stored, gun=gun)
    assert not again.notes
    for move, turned in zip(answer.moves, again.turned, strict=True):
        assert (turned.control, turned.part) == (move.control, move.part)
        if move.tabs_mm is not None:
            assert turned.ring is not None
            assert turned.ring.tabs_mm == pytest.approx(move.tabs_mm, abs=0.06)
        elif move.value is not None:
            assert turned.value == pytest.approx(move.value, rel=0.01)
    assert all(in_words(one) for one in stored)


def _fields(values: dict[str, object]) -> dict[str, Any]:
    return {name: value for name, value in values.items() if name != "unit"}


def test_what_makes_no_sense_is_told_all_together() -> None:
    wrong = Asked(opening_mm=(0, 270), minutes_on=float("nan"), at_once=0, tolerance="best")  # type: ignore[arg-type]
    with pytest.raises(InputError) as raised:
        checked(wrong)
    assert len(raised.value.faults) == 4
    with pytest.raises(InputError, match="no measurement 9"):
        gathered([taken(1)], [], Asked(since=9))


@pytest.mark.parametrize(
    ("typed", "control", "amount"),
    [
        ("1/8", "h_size", 0.125),
        ("⅜ turn", "h_size", 0.375),
        ("1,5 mm", "yoke_axial", 1.5),
        ("2 deg", "yoke_rotation", 2),
    ],
)
def test_amounts_are_read_as_people_write_them(typed: str, control: str, amount: float) -> None:
    assert typed_amount(typed, control, "amount") == amount


# -- earlier jobs ------------------------------------------------------------------------------


def session(bench: Bench, rounds: int, before: tuple[Earlier, ...] = ()) -> Earlier:
    """A set-up by its advice."""
    photos, moves = [taken(1, measurement(bench))], list[Move]()
    for n in range(1, rounds + 1):
        now = gathered(photos, moves, earlier=before)
        for move in advise(now.measured, now.turned, now.setup, KNOWLEDGE, earlier=before).moves:
            values = as_stored(move, n)
            moves.append(Move(id=len(moves) + 1, **_fields(values)))
            if move.tabs_mm is not None and move.angle_deg is not None:
                bench.set_ring(move.control, move.tabs_mm, move.angle_deg, steady=True)
            elif move.value is not None:
                bench.turn(move.control, move.value, steady=True)
        photos.append(taken(n + 1, measurement(bench)))
    done = gathered(photos, moves, earlier=before)
    return Earlier(measured=done.measured, turned=done.turned, setup=done.setup, rings=done.rings)


def test_an_earlier_job_spares_the_small_first_moves_and_says_so() -> None:
    bench = Bench(0, calm=True)
    for ring in bench.rings.values():
        ring.tabs_mm = 5.0
    first = session(bench, 3)
    wrong = bench.state.misconvergence
    bench.state.misconvergence = dataclasses.replace(wrong, four_pole_mm=(1.4, -0.9), six_pole_mm=(0.8, 0.7))
    fresh = gathered([taken(1, measurement(bench))], [])
    alone = advise(fresh.measured, (), fresh.setup, KNOWLEDGE)
    assert {move.sort for move in alone.moves} == {"probe"}
    known = gathered([taken(1, measurement(bench))], [], earlier=(first,))
    told = advise(known.measured, (), known.setup, KNOWLEDGE, earlier=(first,))
    rings = next(move for move in told.moves if move.control == "four_pole_rings")
    assert rings.sort == "aim"
    assert rings.expected is not None
    assert rings.expected.after_ratio < 0.5 * rings.expected.before_ratio
    assert {one.origin for one in told.learned} == {"earlier"}
    assert any("earlier jobs" in note for note in told.notes)
    # Done so, the picture is better at once: what was carried over points the right way.
    before = max(one.value / one.tolerance_ratio for one in told.remaining if one.zone == "centre")
    for move in told.moves:
        if move.tabs_mm is not None and move.angle_deg is not None:
            stood = known.rings[move.control]
            bench.set_ring(
                move.control,
                bench.rings[move.control].tabs_mm + move.tabs_mm - stood.tabs_mm,
                bench.rings[move.control].angle_deg + move.angle_deg - stood.angle_deg,
                steady=True,
            )
    after = advise([measurement(bench)], (), fresh.setup, KNOWLEDGE)
    assert max(one.value / one.tolerance_ratio for one in after.remaining if one.zone == "centre") < before / 2


def test_with_another_tube_only_what_belongs_to_the_board_is_carried_over() -> None:
    bench = Bench(7)
    first = session(bench, 2)
    other = dataclasses.replace(first, same_tube=False)
    now = gathered([taken(1, measurement(bench))], [], earlier=(other,))
    told = advise(now.measured, (), now.setup, KNOWLEDGE, earlier=(other,))
    carried = {one.control for one in told.learned}
    assert carried <= {"h_size", "v_size", "h_position", "v_position", "v_linearity", "h_hold", "focus"}
    kept = advise(now.measured, (), now.setup, KNOWLEDGE, earlier=(first,))
    assert any(one.control.endswith("rings") or one.control.startswith("yoke") for one in kept.learned)


def test_the_worst_figure_falls_and_every_step_has_a_standing() -> None:
    bench = Bench(0, calm=True)
    done = session(bench, 3)
    told = advise(done.measured, done.turned, done.setup, KNOWLEDGE)
    assert len(told.worst_ratio) == 4
    assert told.worst_ratio[0] is not None
    assert told.worst_ratio[-1] is not None
    assert told.worst_ratio[-1] < told.worst_ratio[0] / 2
    assert [step.place for step in told.order] == list(range(1, 11))
    beyond = {about for step in told.order for about in step.beyond}
    assert {one.about for one in told.remaining if not one.within} <= beyond


# -- the guard -----------------------------------------------------------------------------------

NOON = dt.datetime(2026, 3, 2, 12, tzinfo=dt.UTC)


@dataclass(frozen=True, kw_only=True)
class Said:
    """A confirmation."""

    caution: str
    at: dt.datetime
    step: str = "four_pole_rings"
    step_sort: StepSort = "control"


def said(way: str, at: dt.datetime) -> list[Said]:
    step = control_step(KNOWLEDGE, "four_pole_rings", "off" if way == "off" else "running")
    return [Said(caution=one.caution, at=at) for one in step.conditions]


@pytest.mark.parametrize("way", ["off", "running"])
def test_either_way_opens_a_control_and_half_of_each_does_not(way: str) -> None:
    now, asked = NOON + dt.timedelta(minutes=5), ["four_pole_rings"]
    given = said(way, NOON)
    assert not shut_controls(asked, given, now=now, ran_at=None, knowledge=KNOWLEDGE)
    halves = [*said("off", NOON)[1:-1], *said("running", NOON)[1:-1]]
    assert shut_controls(asked, halves, now=now, ran_at=None, knowledge=KNOWLEDGE) == {"four_pole_rings"}


def test_drained_is_drained_until_the_set_ran_again() -> None:
    now, given = NOON + dt.timedelta(minutes=5), said("off", NOON)
    ran = NOON + dt.timedelta(minutes=1)
    assert shut_controls(["four_pole_rings"], given, now=now, ran_at=ran, knowledge=KNOWLEDGE)
    left = round_guard(["four_pole_rings"], given, now=now, ran_at=ran, way="off", knowledge=KNOWLEDGE)
    assert {"anode_charge", "recharge"} <= {one.caution for one in left.open}
    assert not was_open("four_pole_rings", given, now=now, ran_at=ran, knowledge=KNOWLEDGE)


def test_what_was_done_while_it_was_open_may_be_written_down_later() -> None:
    late, given = NOON + dt.timedelta(hours=2), said("off", NOON)
    assert shut_controls(["four_pole_rings"], given, now=late, ran_at=None, knowledge=KNOWLEDGE)
    assert was_open("four_pole_rings", given, now=late, ran_at=None, knowledge=KNOWLEDGE)


def test_every_control_that_leads_a_hand_inside_is_shut_at_first() -> None:
    shut = shut_controls(KNOWLEDGE.controls, [], now=NOON, ran_at=None, knowledge=KNOWLEDGE)
    inside = {one.id for one in KNOWLEDGE.controls.values() if one.hazard != "H0"}
    assert inside <= shut
