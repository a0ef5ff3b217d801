"""What can't be right in a case is named, and what hangs on it is not believed."""

from __future__ import annotations

import pytest

from answers.worked import GETTER_SEEN, case, cutoffs, emission, judged, knowledge, reckoned
from tubewright.answers.assessment import Unknown
from tubewright.case import Case
from tubewright.judgement.consistency import Consistency, check


def checked(given_case: Case) -> Consistency:
    return check(given_case, knowledge())


def words(found: Consistency) -> str:
    return " ".join(o.words for o in found.objections)


@pytest.mark.parametrize(
    "sound",
    [
        case(),
        case(readings=emission((0.9, 0.95, 0.92), (0.93, 0.94, 0.93))),
        case(readings=emission((0.2, 0.25, 0.3), (0.45, 0.5, 0.55))),
        case(readings=[*emission((0.6, 0.6, 0.6)), *cutoffs((55, 60, 62))]),
        case(readings=emission((0.05, 0.04, 0.05), (0.45, 0.45, 0.45)), symptoms=[{"id": "raster_dim_all"}]),
        case(readings=emission((0.3, 0.31, 0.3)), tube={"getter": "silver"}),
        case(readings=emission((30, 31, 30), unit="div", full_scale=50)),
    ],
)
def test_nothing_is_said_against_readings_that_agree(sound: Case) -> None:
    assert not checked(sound).objections
    assert checked(sound).doubt == 1.0
    assert not checked(sound).discard


def test_emission_that_rises_as_the_heater_falls_is_impossible_and_left_out() -> None:
    found = checked(case(readings=emission((0.5, 0.6, 0.6), (1.25, 0.9, 0.9))))
    assert [o.kind for o in found.objections] == ["impossible"]
    assert "red rises" in words(found)
    assert found.discard == {3}
    assert found.doubt > 1


def test_within_what_two_readings_differ_by_chance_no_rise_is_claimed() -> None:
    assert not checked(case(readings=emission((0.5, 0.6, 0.6), (1.03, 1.0, 0.99)))).objections


@pytest.mark.parametrize(("heater_v", "floor"), [(5.67, 0.48), (5.5, 0.39), (5.355, 0.32)])
def test_a_retention_below_the_floor_names_the_heater_and_is_not_used(heater_v: float, floor: float) -> None:
    """Even a spent cathode keeps 0.48, 0.39, 0.32 at 10, 12.7, 15 per cent less heater."""
    full = emission((0.5, None, None))

    def with_slump(kept: float) -> Consistency:
        low = {"gun": "red", "kind": "emission", "value": 0.5 * kept, "unit": "rel", "heater_v": heater_v}
        return checked(case(readings=[*full, low]))

    assert not with_slump(floor + 0.03).objections
    wrong = with_slump(floor - 0.08)
    assert [o.kind for o in wrong.objections] == ["contradiction"]
    assert "heater was lower" in words(wrong)
    assert wrong.discard == {1}


def test_a_discarded_slump_leaves_the_reserve_as_wide_as_without_it() -> None:
    below = reckoned(case(readings=emission((0.5, 0.5, 0.5), (0.2, 0.2, 0.2))))
    without = reckoned(case(readings=emission((0.5, 0.5, 0.5))))
    assert below.condition.reserve.tolist() == without.condition.reserve.tolist()
    assert below.confidence < without.confidence or below.confidence < 0.9


def test_three_dead_guns_and_a_bright_picture_withhold_the_answer() -> None:
    given = judged(
        case(readings=emission((0.03, 0.04, 0.02)), symptoms=[{"id": "retrace_lines"}, {"id": "raster_too_bright"}])
    )
    assert given.decision == "find_fault_first"
    assert "All three guns read as dead" in given.headline
    assert isinstance(given.neutral_white_now, Unknown)
    assert all(isinstance(gun.relative_emission, Unknown) for gun in given.guns.values())


def test_a_picture_said_not_to_be_dim_counts_as_bright() -> None:
    dead = emission((0.03, 0.04, 0.02))
    assert checked(case(readings=dead, symptoms=[{"id": "raster_dim_all", "present": False}])).withhold
    assert not checked(case(readings=dead, symptoms=[{"id": "raster_dim_all"}])).withhold


def test_three_guns_that_read_next_to_nothing_without_a_reason_are_read_again() -> None:
    dark = emission((0.02, 0.01, 0.015))
    assert checked(case(readings=dark)).withhold
    assert judged(case(readings=dark, tube={"getter": "silver"})).decision == "find_fault_first"
    heater = {"kind": "heater_current", "value": 0.6, "unit": "A"}
    for explained in (
        case(readings=dark, tube={"service_hours": 40_000.0}),
        case(readings=dark, tube={"restorations": 2}),
        case(readings=[*dark, heater]),
        case(readings=emission((0.02, 0.3, 0.015))),
    ):
        assert not checked(explained).withhold


def test_two_guns_that_rise_on_less_heater_spoil_the_whole_sitting() -> None:
    one = checked(case(readings=emission((0.4, 0.41, 0.42), (1.3, 0.7, 0.7))))
    two = case(readings=emission((0.4, 0.41, 0.42), (1.3, 1.25, 0.7)))
    assert not one.withhold
    assert checked(two).withhold
    given_answer = judged(two)
    assert given_answer.decision == "find_fault_first"
    assert isinstance(given_answer.neutral_white_now, Unknown)


def test_low_readings_taken_cold_are_taken_again_and_good_ones_stand() -> None:
    low = case(readings=emission((0.2, 0.22, 0.25), minutes_on=1), tube={"getter": "silver"})
    good = case(readings=emission((0.7, 0.72, 0.75), minutes_on=1), tube={"getter": "silver"})
    assert checked(low).withhold
    assert judged(low).decision == "find_fault_first"
    assert "t_emission" in {step.id for step in judged(low).next_steps}
    assert not checked(good).withhold
    assert judged(good).decision == "leave"
    mixed = case(readings=[*emission((0.2, 0.22, 0.25), minutes_on=1), *emission((0.3, 0.32, 0.35), minutes_on=10)])
    assert not checked(mixed).withhold


def test_one_gun_alive_is_no_contradiction_to_a_bright_picture() -> None:
    assert not checked(case(readings=emission((0.03, 0.04, 0.7)), symptoms=[{"id": "retrace_lines"}])).withhold


def test_a_cutoff_of_zero_is_thrown_out_and_the_cutoff_said_to_be_unknown() -> None:
    given_case = case(readings=[*emission((0.6, 0.6, 0.6)), *cutoffs((0, 58, 60))])
    found = checked(given_case)
    assert [o.kind for o in found.objections] == ["impossible"]
    assert found.discard == {3}
    given = judged(given_case)
    assert isinstance(given.guns["red"].cutoff_v, Unknown)
    assert not isinstance(given.guns["green"].cutoff_v, Unknown)


def test_a_white_getter_on_living_guns_is_contradicted_and_no_hard_stop() -> None:
    given = judged(case(readings=emission((0.6, 0.62, 0.64)), tube={"getter": "white"}))
    assert not given.hard_stops
    assert any(remark.kind == "contradiction" and "getter" in remark.words for remark in given.remarks)
    spent = judged(case(readings=emission((0.0, 0.01, 0.0)), tube={"getter": "white"}))
    assert spent.hard_stops


def test_beyond_full_scale_is_no_reading() -> None:
    found = checked(case(readings=emission((60, 40, 41), unit="div", full_scale=50)))
    assert found.discard == {0}
    assert "full scale" in words(found)


def test_far_more_than_a_good_gun_is_doubted() -> None:
    found = checked(case(readings=emission((2.5, 0.8, 0.9), reference=1.0)))
    assert "more than tubes" in words(found)
    assert not found.discard


def test_no_heater_current_speaks_of_no_cathode() -> None:
    current = {"kind": "heater_current", "value": 3.0, "unit": "mA"}
    found = checked(case(readings=[*emission((0.0, 0.0, 0.0)), current]))
    assert found.withhold
    assert found.discard == {0, 1, 2}
    assert "p_heater_ohm" in {o.settled_by for o in found.objections}
    running = {"kind": "heater_current", "value": 650.0, "unit": "mA"}
    assert not checked(case(readings=[*emission((0.6, 0.6, 0.6)), running])).objections


def test_a_heater_far_above_rated_is_warned_of() -> None:
    found = checked(case(readings=emission((0.7, 0.7, 0.7), rated_v=9.0), tube={"heater_v": 6.3}))
    assert "would harm" in words(found)
    assert "don't repeat" in found.objections[0].mend


def test_cutoffs_that_differ_more_than_guns_of_one_tube_are_doubted() -> None:
    assert "factor of 1.75" in words(checked(case(readings=cutoffs((40, 70, 60)))))
    assert not checked(case(readings=cutoffs((45, 70, 60)))).objections


def test_every_objection_says_how_to_mend_it() -> None:
    strange = case(
        readings=[
            *emission((0.5, 0.5, 0.5), (1.4, 0.1, 0.9)),
            *cutoffs((0, 40, 80)),
            {"gun": "red", "kind": "emission", "value": 70, "unit": "div", "full_scale": 50},
        ],
        tube={"getter": "white"},
    )
    found = checked(strange)
    assert len(found.objections) >= 5
    assert all(o.mend.endswith(".") and len(o.mend) > 20 for o in found.objections)


def test_contradictions_cost_confidence() -> None:
    sound = judged(case(readings=emission((0.6, 0.62, 0.64), (0.9, 0.9, 0.9)), tube=GETTER_SEEN))
    strange = judged(case(readings=emission((0.6, 0.62, 0.64), (0.2, 0.2, 0.2)), tube=GETTER_SEEN))
    assert strange.decision == sound.decision
    assert strange.confidence < 0.8 * sound.confidence
