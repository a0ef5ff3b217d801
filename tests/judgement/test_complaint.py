"""Whether what the owner complains of is the tube's doing hangs on the tube."""

from __future__ import annotations

import pytest

from answers.worked import CAN_BE_REPLACED, GETTER_SEEN, case, emission, judged, knowledge, read, reckoned, with_more
from tubewright.judgement.complaint import Complaint, misread_odds

STRONG = emission((0.8, 0.82, 0.85), (0.92, 0.93, 0.92))
SPENT = emission((0.18, 0.2, 0.19), (0.5, 0.52, 0.5))


def heard(**parts: object) -> Complaint:
    return reckoned(case(tube=GETTER_SEEN, costs=CAN_BE_REPLACED, **parts), futures=1000).complaint


def test_without_a_complaint_nothing_lies_elsewhere() -> None:
    silent = heard(readings=STRONG)
    assert not silent.heard
    assert silent.probability == 0.0
    assert silent.tests == ()
    assert not judged(case(readings=STRONG, tube=GETTER_SEEN)).suspects


@pytest.mark.parametrize(
    ("test", "result"),
    [
        ("d_bplus", "right"), ("d_eht", "right"), ("d_rails", "all_right"), ("d_cathodes", "all_even"),
        ("x_gun_swap", "stays_on_gun"), ("s_rgb_in", "right"), ("s_sync_in", "good"), ("s_sync_sep", "clean"),
        ("p_fuse_ohm", "good"), ("p_heater_ohm", "good"), ("p_bridge_diode", "good"),
    ],
)  # fmt: skip
def test_a_test_that_came_out_right_is_no_complaint(test: str, result: str) -> None:
    strong = case(
        readings=STRONG,
        tube=GETTER_SEEN,
        costs=CAN_BE_REPLACED,
        use={"hours_per_week": 6.0, "minimum_white": 0.5},
        tests=[{"id": test, "result": result}],
    )
    given = judged(strong)
    assert given.decision == "leave"
    assert not given.suspects


@pytest.mark.parametrize(
    ("test", "result"),
    [("d_bplus", "zero"), ("d_rails", "missing"), ("x_gun_swap", "moves_with_drive"), ("p_bridge_diode", "shorted")],
)
def test_a_result_that_accuses_the_chassis_is_a_complaint_without_any_symptom(test: str, result: str) -> None:
    accused = heard(readings=STRONG, tests=[{"id": test, "result": result}])
    assert accused.heard
    assert accused.probability > 0.9
    assert accused.tests


@pytest.mark.parametrize("name", ["c01", "c03", "c04", "c05", "c07", "v26_weakness_follows_the_drive"])
@pytest.mark.parametrize("rate", [0, 45])
def test_a_bench_that_charges_nothing_finds_the_fault_first_as_well(name: str, rate: float) -> None:
    """An unpaid hour is still somebody's evening: a look is dear enough to be weighed, and so is a come-back."""
    unpaid = with_more(read(name), costs={"bench_rate_per_hour": rate})
    assert judged(unpaid).decision == "find_fault_first"
    weighing = reckoned(unpaid, futures=1000).weighing
    assert weighing.rework > 0
    assert weighing.look > 0


def test_a_dim_picture_on_good_guns_is_the_chassis_and_on_spent_ones_the_tube() -> None:
    dim = [{"id": "raster_dim_all"}]
    assert heard(readings=STRONG, symptoms=dim).probability > 0.9
    assert heard(readings=SPENT, symptoms=dim).probability < 0.4


def test_a_weak_colour_on_an_even_tube_is_the_video_stage() -> None:
    pale = [{"id": "colour_weak"}]
    assert heard(readings=STRONG, symptoms=pale).probability > 0.9
    one_low = emission((0.25, 0.7, 0.72), (0.58, 0.9, 0.9))
    assert heard(readings=one_low, symptoms=pale).probability < 0.4


def test_exchanging_the_drives_decides_between_gun_and_stage() -> None:
    pale, one_low = [{"id": "colour_weak"}], emission((0.4, 0.7, 0.72), (0.75, 0.9, 0.9))
    stays = heard(readings=one_low, symptoms=pale, tests=[{"id": "x_gun_swap", "result": "stays_on_gun"}])
    moves = heard(readings=one_low, symptoms=pale, tests=[{"id": "x_gun_swap", "result": "moves_with_drive"}])
    assert moves.probability > stays.probability + 0.3


def test_a_fault_that_no_cathode_has_is_elsewhere_whatever_the_tube() -> None:
    for readings in (STRONG, SPENT):
        assert heard(readings=readings, symptoms=[{"id": "top_curl"}]).probability > 0.9


def test_each_kind_of_tube_gets_its_own_answer() -> None:
    """Where the readings leave it open whether the guns are good, so is the chance."""
    unsure = heard(readings=emission((150, 160, 155), unit="uA"), symptoms=[{"id": "raster_dim_all"}])
    assert unsure.elsewhere.max() > unsure.elsewhere.min() + 0.3
    assert unsure.elsewhere.min() < unsure.probability < unsure.elsewhere.max()
    assert ((unsure.elsewhere >= 0) & (unsure.elsewhere <= 1)).all()


def test_cleaning_that_changed_a_reading_makes_it_a_false_one_and_cleaning_that_did_not_clears_it() -> None:
    base = case(readings=emission((0.2, 0.7, 0.7)))
    odds = {
        result: misread_odds(with_more(base, tests=[{"id": "p_socket_clean", "result": result}]), knowledge())
        for result in ("changes", "no_change")
    }
    assert odds["changes"] > 5 * misread_odds(base, knowledge())
    assert odds["no_change"] < misread_odds(base, knowledge())


def test_readings_taken_after_cleaning_are_trusted() -> None:
    after = case(
        readings=emission((0.2, 0.7, 0.7), stage="after"),
        treatments=[{"gun": "red", "kind": "clean_contacts", "outcome": "unchanged"}],
    )
    assert misread_odds(after, knowledge()) < 0.5


def test_a_complaint_comes_with_the_quickest_test_that_tells() -> None:
    given = judged(read("c03"))
    assert given.decision == "find_fault_first"
    assert given.suspects[0].id == "screen_divider_fault"
    assert given.next_steps[0].minutes is not None
    assert "Quickest test that tells" in given.headline


def test_a_sure_suspect_is_mended_not_tested_for() -> None:
    given = judged(read("c05"))
    assert given.next_steps[0].id == "heater_feed_drift"
    assert "Confirm and mend" in given.headline


@pytest.mark.parametrize(
    "name", ["c03", "c04", "c05", "c06", "c07", "v25_dim_with_low_bplus", "v34_starved_in_the_chassis"]
)
def test_suspects_outside_the_tube_lead_where_the_evidence_points_away_from_it(name: str) -> None:
    given = judged(read(name))
    assert given.suspects
    assert not given.suspects[0].of_the_tube
    assert all(suspect.probability < 0.3 for suspect in given.suspects if suspect.of_the_tube)


def test_the_tube_is_read_before_money_goes_into_the_chassis() -> None:
    given = judged(read("c01"))
    assert "Read the tube before money goes into the chassis" in given.headline
    assert "t_emission" in {step.id for step in given.next_steps}


def test_a_stain_that_neither_degaussing_nor_turning_moves_is_the_mask() -> None:
    assert judged(read("v39_purity_stain_fixed_to_glass")).suspects[0].id == "tube_mask_damage"


def test_a_fault_that_is_mended_is_no_reason_to_look_for_it_again() -> None:
    """It explains what it brought about; what is left is the tube's, and the verdict goes on to it."""
    one_low = emission((0.25, 0.7, 0.72), (0.58, 0.9, 0.9))
    seen: dict[str, object] = {"readings": one_low, "tests": [{"id": "s_sync_in", "result": "flat_through_v"}]}
    there = [{"id": "colour_weak"}, {"id": "top_curl"}]
    gone = [{"id": "colour_weak"}, {"id": "top_curl", "present": False}]
    fault = {"fault": "sync_no_serration", "outcome": "found"}
    assert heard(**seen, symptoms=there).probability > 0.9
    assert heard(**seen, symptoms=there, repairs=[fault]).probability > 0.9
    mended = [{**fault, "outcome": "mended"}]
    assert heard(**seen, symptoms=there, repairs=mended).probability < 0.4
    assert heard(**seen, symptoms=gone, repairs=mended).probability < 0.4
    # A complaint that the mended fault can't have brought about still wants its cause.
    dim = [{"id": "raster_dim_all"}]
    assert heard(readings=STRONG, tests=seen["tests"], symptoms=dim, repairs=mended).probability > 0.9
