"""Rounds in a row: what one teaches the next, and that it is what the rounds one by one would say."""

from __future__ import annotations

import json
from typing import Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from grey_bench import GreyBench, made_up
from tubewright.answers.greyscale import Control, GreyTarget, grey_target, set_grey
from tubewright.answers.greyscale_course import GreyRound, grey_course
from tubewright.answers.greyscale_json import readings_json
from tubewright.answers.greyscale_kept import kept_round
from tubewright.errors import InputError
from tubewright.knowledge.load import load_knowledge

D65: Final[GreyTarget] = grey_target("D65", "inline", load_knowledge())
MOST_ROUNDS: Final = 10


def played(bench: GreyBench) -> list[GreyRound]:
    """Read, turn what it says, and read again, until it says that nothing is to be turned."""
    rounds = [GreyRound(readings=tuple(bench.readings(primaries=True)))]
    for _ in range(MOST_ROUNDS):
        answer = grey_course(rounds, D65).now
        if answer.state != "turn":
            break
        turned: dict[Control, float] = {}
        for move in answer.moves:
            amount = move.turns_ratio if move.turns_ratio is not None else (move.probe_ratio or 0.0)
            bench.turn(move.control, amount)
            turned[move.control] = amount
        rounds.append(GreyRound(readings=tuple(bench.readings(primaries=True)), turned=turned))
    return rounds


def test_a_display_is_brought_to_its_white_by_what_the_rounds_before_taught() -> None:
    course = grey_course(played(made_up(33)), D65)
    assert course.now.state == "done"
    first, last = course.errors[0], course.errors[-1]
    assert first is not None
    assert last is not None
    assert last.within
    assert last.worst_delta_e < first.worst_delta_e / 2
    assert course.now.gains


def test_the_rounds_together_say_what_they_say_one_by_one() -> None:
    rounds = played(made_up(32))
    course = grey_course(rounds, D65)
    first = set_grey(rounds[0].readings, D65)
    second = set_grey(rounds[1].readings, D65, before=rounds[0].readings, turned=rounds[1].turned, gains=first.gains)
    assert course.answers[0] == first
    assert course.answers[1] == second


def test_turns_before_the_first_reading_teach_nothing() -> None:
    one = GreyRound(readings=tuple(made_up(34).readings()), turned={"drive_red": 0.125})
    assert not grey_course([one], D65).now.gains


def test_no_round_is_said_so() -> None:
    with pytest.raises(InputError, match="nothing was read yet"):
        grey_course([], D65)


@given(seed=st.integers(0, 50), turns=st.floats(-10, 10), lines=st.booleans())
@settings(max_examples=20, deadline=None)
def test_a_round_comes_back_from_where_it_was_kept(seed: int, turns: float, *, lines: bool) -> None:
    readings = made_up(seed).readings(primaries=True)
    kept = kept_round(json.dumps(readings_json(readings)), json.dumps({"drive_red": turns}), retrace_seen=lines)
    assert kept == GreyRound(readings=tuple(readings), turned={"drive_red": turns}, retrace_seen=lines)


@pytest.mark.parametrize(
    ("readings", "turned"),
    [
        ("{}", "{}"),
        ("[1]", "{}"),
        ('[{"shown": "white"}]', "{}"),
        ("[]", "[]"),
        ("[]", '{"drive_red": "far"}'),
        ("", ""),
    ],
)
def test_what_was_not_kept_by_us_is_refused(readings: str, turned: str) -> None:
    with pytest.raises(InputError, match="not kept by us"):
        kept_round(readings, turned, retrace_seen=False)
