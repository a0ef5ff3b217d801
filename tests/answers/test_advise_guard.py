"""The guard of a round of controls: each of its two ways can be opened."""

from __future__ import annotations

import datetime as dt
from typing import Final, NamedTuple

import pytest

from tubewright.answers.advise_guard import WAYS, Way, asked_ways, control_step, round_guard
from tubewright.judgement.guards import StepSort
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
NOW: Final = dt.datetime(2031, 5, 2, 10, 0, tzinfo=dt.UTC)


class Said(NamedTuple):
    """A confirmation as the records keep it."""

    step_sort: StepSort
    step: str
    caution: str
    at: dt.datetime


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(
    "controls", [("cutoff_red", "drive_red"), ("focus", "h_size", "screen_g2"), ("yoke_tilt_vertical",)]
)
def test_either_way_opens_once_all_that_it_asks_is_confirmed_one_after_the_other(
    way: Way, controls: tuple[str, ...]
) -> None:
    given = []
    asked = round_guard(controls, [], now=NOW, ran_at=None, way=way, knowledge=KNOWLEDGE)
    for n, (control, conditions) in enumerate(asked.left):
        given += [Said("control", control, one.caution, NOW + dt.timedelta(seconds=n)) for one in conditions]
    then = NOW + dt.timedelta(seconds=len(asked.left))
    assert not round_guard(controls, given, now=then, ran_at=None, way=way, knowledge=KNOWLEDGE).left


def test_a_set_that_runs_is_not_asked_to_be_cold_and_a_drained_one_not_to_be_live() -> None:
    running = {one.caution for one in control_step(KNOWLEDGE, "cutoff_red", "running").conditions}
    off = {one.caution for one in control_step(KNOWLEDGE, "cutoff_red", "off").conditions}
    assert "eht_live" in running
    assert not running & {"hot_parts", "anode_charge", "primary_reservoir"}
    assert {"hot_parts", "anode_charge", "primary_reservoir"} <= off
    assert "eht_live" not in off


def test_what_a_round_asks_is_told_for_each_way_alone() -> None:
    off, running = asked_ways(["cutoff_red", "focus"], KNOWLEDGE)
    assert (off.way, running.way) == ("off", "running")
    for one in (off, running):
        guard = round_guard(["cutoff_red", "focus"], [], now=NOW, ran_at=None, way=one.way, knowledge=KNOWLEDGE)
        assert one.confirm == tuple(condition.words for condition in guard.conditions)
    live, drained = KNOWLEDGE.cautions["eht_live"].confirm, KNOWLEDGE.cautions["anode_charge"].confirm
    assert live in running.confirm
    assert live not in off.confirm
    assert drained in off.confirm
    assert drained not in running.confirm


def test_where_no_hand_goes_inside_no_way_is_asked_for() -> None:
    outside = [name for name, one in KNOWLEDGE.controls.items() if one.hazard == "H0" and not one.cautions]
    assert asked_ways([], KNOWLEDGE) == ()
    assert asked_ways(outside, KNOWLEDGE) == ()
