"""Hard stops end a tube; shorts, leaks and gas go first, by the remedies that are left."""

from __future__ import annotations

from typing import Any

import pytest

from answers.worked import CAN_BE_REPLACED, case, emission, judged, knowledge
from tubewright.case import Case
from tubewright.judgement.consistency import check
from tubewright.judgement.obstacles import Obstacles, find_obstacles, leakage_words

SOUND = emission((0.62, 0.6, 0.64))
CLEARED = [{"gun": "blue", "kind": "clear_short", "outcome": "unchanged"}]


def found(given_case: Case, **posteriors: float) -> Obstacles:
    return find_obstacles(given_case, check(given_case, knowledge()), knowledge(), posteriors)


def leak(kind: str, mohm: float, gun: str | None = None) -> dict[str, Any]:
    reading = {"kind": f"leakage_{kind}", "value": mohm, "unit": "Mohm"}
    return reading | {"gun": gun} if gun else reading


@pytest.mark.parametrize(
    ("kind", "mohm", "words"),
    [
        ("heater_cathode", 0.01, "short"), ("heater_cathode", 0.5, "leaks"), ("heater_cathode", 5, "watch"),
        ("heater_cathode", 50, "sound"), ("cathode_grid1", 0.04, "short"), ("cathode_grid1", 1, "leaks"),
        ("cathode_grid1", 10, "watch"), ("cathode_grid1", 30, "sound"), ("grid1_grid2", 0.01, "leaks"),
        ("grid1_grid2", 50, "watch"), ("grid1_grid2", 150, "sound"),
    ],
)  # fmt: skip
def test_leakage_is_classed_as_the_trade_does(kind: str, mohm: float, words: str) -> None:
    assert leakage_words(f"leakage_{kind}", mohm, knowledge()) == words  # type: ignore[arg-type]  # built from the table above


@pytest.mark.parametrize(
    ("parts", "reason"),
    [
        ({"tube": {"neck": "cracked"}}, "neck is cracked"),
        ({"tube": {"getter": "white"}}, "getter is white"),
        ({"symptoms": [{"id": "getter_white"}]}, "getter is white"),
        ({"tests": [{"id": "v_getter", "result": "white"}]}, "getter is white"),
        ({"tests": [{"id": "p_heater_ohm", "result": "open"}]}, "open at the bare pins"),
        ({"tests": [{"id": "v_neck_glass", "result": "cracked"}]}, "glass is cracked"),
        ({"readings": [leak("cathode_grid1", 0.01, "blue")], "treatments": CLEARED}, "clearing did not help"),
        (
            {
                "readings": [leak("heater_cathode", 0.01, "green")],
                "treatments": [{"gun": "green", "kind": "isolate_heater", "outcome": "unchanged"}],
            },
            "neither clearing nor an isolated",
        ),
        (
            {
                "readings": [{"kind": "gas", "value": 3.0, "unit": "uA"}],
                "treatments": [{"kind": "soak", "outcome": "unchanged"}],
            },
            "vacuum is failing",
        ),
        (
            {
                "readings": emission((0.05, 0.06, 0.6), reference=1.0),
                "treatments": [{"kind": "clean", "outcome": "unchanged"}],
            },
            "2 guns stay dead",
        ),
    ],
)
def test_hard_stops_end_the_tube_with_their_reason(parts: dict[str, Any], reason: str) -> None:
    stops = found(case(**parts)).hard_stops
    assert len(stops) == 1
    assert reason in stops[0]
    given = judged(case(**parts, costs=CAN_BE_REPLACED))
    assert given.decision == "swap_tube"
    assert reason in given.headline.split(". ")[0]
    assert judged(case(**parts)).decision == "retire"


@pytest.mark.parametrize(
    "parts",
    [
        {"readings": SOUND},
        {"readings": [*SOUND, leak("heater_cathode", 5.0, "red")]},
        {"readings": [*SOUND, leak("cathode_grid1", 1.0, "red")]},
        {"readings": [*SOUND, leak("grid1_grid2", 40.0)]},
        {"readings": [*SOUND, {"kind": "gas", "value": 0.3, "unit": "uA"}]},
        {"readings": [*SOUND, leak("heater_cathode", 0.4, "red")]},
        {"tube": {"getter": "unseen", "neck": "sound"}},
        {"symptoms": [{"id": "getter_white", "present": False}]},
        {
            "readings": emission((0.05, 0.6, 0.6), reference=1.0),
            "treatments": [{"kind": "clean", "outcome": "unchanged"}],
        },
        {"readings": emission((0.05, 0.06, 0.04), reference=1.0)},
    ],
)
def test_what_is_only_to_be_watched_stands_in_nobodys_way(parts: dict[str, Any]) -> None:
    clear = found(case(**parts))
    assert not clear.hard_stops
    assert not clear.to_remove


def test_a_heater_short_offers_the_isolated_feed_and_one_gentle_try_at_clearing() -> None:
    short = found(case(readings=[*SOUND, leak("heater_cathode", 0.01, "green")])).to_remove
    assert [o.gun for o in short] == ["green"]
    odds = {remedy.kind: remedy.success for remedy in short[0].remedies}
    assert odds == {"isolate_heater": 0.85, "clear_short": 0.25}
    again = found(
        case(
            readings=[*SOUND, leak("heater_cathode", 0.01, "green")],
            treatments=[{"gun": "green", "kind": "clear_short", "outcome": "unchanged"}],
        )
    ).to_remove
    assert [remedy.kind for remedy in again[0].remedies] == ["isolate_heater"]


def test_a_leak_matters_once_it_is_seen() -> None:
    reading = leak("heater_cathode", 0.3, "green")
    assert not found(case(readings=[reading])).to_remove
    assert found(case(readings=[reading], symptoms=[{"id": "hum_bars"}])).to_remove
    assert not found(case(readings=[reading], symptoms=[{"id": "hum_bars", "present": False}])).to_remove


def test_an_isolated_heater_is_no_obstacle_any_more() -> None:
    done = [{"gun": "green", "kind": "isolate_heater", "outcome": "improved"}]
    clear = found(case(readings=[leak("heater_cathode", 0.01, "green")], treatments=done))
    assert not clear.to_remove
    other = found(case(readings=[leak("heater_cathode", 0.01, "red")], treatments=done))
    assert other.to_remove


def test_grids_that_leak_are_washed_before_they_are_cleared() -> None:
    leaking = [leak("grid1_grid2", 3.0)]
    assert [r.kind for r in found(case(readings=leaking)).to_remove[0].remedies] == ["clean_contacts", "clear_short"]
    washed = [{"kind": "clean_contacts", "outcome": "unchanged"}]
    assert [r.kind for r in found(case(readings=leaking, treatments=washed)).to_remove[0].remedies] == ["clear_short"]


def test_the_worst_of_repeated_leakage_readings_counts_and_after_goes_before_before() -> None:
    both = [leak("cathode_grid1", 0.01, "blue"), leak("cathode_grid1", 200.0, "blue")]
    assert found(case(readings=[both[0] | {"minutes_on": 5}, both[1]])).to_remove
    healed = [both[0] | {"stage": "before"}, both[1] | {"stage": "after"}]
    assert not found(case(readings=healed)).to_remove


def test_a_treatment_of_another_gun_is_no_try_on_this_one() -> None:
    other = [{"gun": "red", "kind": "clear_short", "outcome": "unchanged"}]
    assert not found(case(readings=[leak("cathode_grid1", 0.01, "blue")], treatments=other)).hard_stops


def test_a_sure_diagnosis_of_a_hopeless_fault_is_a_hard_stop_and_an_unsure_one_is_not() -> None:
    assert found(case(), tube_air=0.97).hard_stops
    assert found(case(), tube_mask_damage=0.97).hard_stops
    assert not found(case(), tube_air=0.9).hard_stops
    assert not found(case(), tube_worn_all=0.999).hard_stops


def test_nothing_of_the_cathode_is_treated_while_an_obstacle_stands() -> None:
    """Never treat with a leak uncleared."""
    given = judged(
        case(
            readings=[*emission((0.3, 0.6, 0.6), (0.65, 0.9, 0.9)), leak("cathode_grid1", 0.01, "blue")],
            costs=CAN_BE_REPLACED,
        )
    )
    assert given.decision == "clear_short"
    closed = {option.id for option in given.options if option.why_not}
    assert closed >= {"soak", "run_in", "short_boost", "clean", "activate"}
    assert all("must go first" in o.why_not for o in given.options if o.id in {"soak", "clean", "activate"})
