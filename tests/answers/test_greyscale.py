"""The whole answer: its state, what it says and refuses, its body, and the next round read back from it."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any, Final

import pytest

from grey_bench import made_up
from tubewright.answers.assessment import Spread
from tubewright.answers.greyscale import (
    CONTROLS,
    GreyAnswer,
    GreyReading,
    grey_from_tracking,
    grey_target,
    reserves_of,
    set_grey,
)
from tubewright.answers.greyscale_json import earlier_round, grey_json
from tubewright.answers.measurement import Figure, GunLaw, Tracking, Unsupported
from tubewright.case import Case
from tubewright.errors import InputError
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
D65: Final = grey_target("D65", "inline", KNOWLEDGE)


def answered(seed: int = 20, *, swing_v: float | None = None) -> GreyAnswer:
    return set_grey(made_up(seed).readings(primaries=True), D65, swing_v=swing_v)


def law(gamma: float = 2.4, black: float = 0.03, shortfall: float = 0.0) -> GunLaw:
    return GunLaw(
        gamma_ratio=Figure(value=gamma, sd=0.02),
        black_drive_ratio=Figure(value=black, sd=0.005),
        bends_at_ratio=None,
        shortfall_ratio=Figure(value=shortfall, sd=0.01),
        emission_reserve=Unsupported(reason="straight", would_settle="nothing"),
        strength_ratio=Figure(value=1.0, sd=0.01),
    )


def tracking(red: GunLaw, green: GunLaw, blue: GunLaw) -> Tracking:
    return Tracking(guns={"red": red, "green": green, "blue": blue}, white_drift_du_v=Figure(value=0.01, sd=0.001))


def test_a_display_out_of_adjustment_is_to_be_turned() -> None:
    answer = answered()
    assert answer.state == "turn"
    assert answer.error is not None
    assert answer.predicted_error is not None
    assert not answer.error.within
    assert answer.predicted_error.within
    assert answer.predicted_error.worst_delta_e < answer.error.worst_delta_e
    assert isinstance(answer.predicted_worst_delta_e, Spread)
    assert [CONTROLS.index(one.control) for one in answer.moves] == sorted(
        CONTROLS.index(one.control) for one in answer.moves
    )
    assert answer.cautions[0] == "local_rules"
    assert {"eht_live", "mains_live", "hot_chassis"} <= set(answer.cautions)
    assert "H3" in answer.hazard


def test_the_words_say_which_way_and_how_far_and_never_raise_the_anode() -> None:
    answer = answered(swing_v=60.0)
    text = " ".join((answer.headline, *answer.words))
    assert "CIEDE2000" in text
    assert "an eighth of a turn at most, then read again" in text
    assert "cathode +" in text or "cathode -" in text
    assert "Leave EHT, B+ and heater alone" in text
    for word in ("raise the EHT", "raise EHT", "raise B+", "raise the heater"):
        assert word not in text


def test_a_display_in_order_is_left_alone() -> None:
    rows = [
        GreyReading(shown="white", level_ratio=k / 10, place_xy=(0.3127, 0.3290), luminance_cd_m2=120 * (k / 10) ** 2.4)
        for k in range(1, 11)
    ]
    answer = set_grey(rows, D65)
    assert answer.state == "done"
    assert not answer.moves
    assert answer.cautions == ("eyes_only",)
    assert "leave the controls" in answer.headline


def test_within_the_tolerances_a_finer_round_is_offered_and_made_when_asked_for() -> None:
    rows = [
        GreyReading(shown="white", level_ratio=k / 10, place_xy=(0.318, 0.329), luminance_cd_m2=120 * (k / 10) ** 2.4)
        for k in range(1, 11)
    ]
    answer = set_grey(rows, D65)
    assert answer.state == "done"
    assert not answer.moves
    assert "A finer round" in " ".join(answer.words)
    finer = set_grey(rows, D65, finer=True)
    assert finer.state == "turn"
    assert finer.predicted_error is not None
    assert finer.error is not None
    assert finer.predicted_error.worst_delta_e < finer.error.worst_delta_e / 2
    assert finer.cautions[0] == "local_rules"


def test_retrace_lines_are_turned_down_even_where_the_colour_is_right() -> None:
    rows = [
        GreyReading(shown="white", level_ratio=k / 10, place_xy=(0.3127, 0.3290), luminance_cd_m2=120 * (k / 10) ** 2.4)
        for k in range(1, 11)
    ]
    answer = set_grey(rows, D65, retrace_seen=True)
    assert answer.state == "turn"
    assert answer.moves[0].control == "screen_g2"
    assert answer.watch[0].after == "screen"
    assert "blanking" in " ".join(answer.words)


def test_too_few_readings_still_tell_the_error_and_say_what_would_settle_the_rest() -> None:
    answer = set_grey(made_up(20).readings((0.2, 0.6, 1.0)), D65)
    assert answer.state == "unknown"
    assert answer.error is not None
    assert not answer.moves
    assert any("ten even steps" in one.would_settle for one in answer.unknown)


def test_guns_of_unequal_law_are_settled_where_no_turn_gains() -> None:
    """Exponents that differ can't be mended by cutoffs and drives; the answer stops asking."""
    bench = made_up(50)
    bench.noise = bench.floor_cd_m2 = 0.0005
    bench.exponent[:] = (3.4, 3.0, 2.6)
    wish = grey_target("D65", "broadcast", KNOWLEDGE)
    for _ in range(4):
        answer = set_grey(bench.readings(primaries=True), wish)
        if answer.state == "settled":
            break
        for one in answer.moves:
            gun = ("red", "green", "blue").index(one.control.partition("_")[2])
            if one.control.startswith("cutoff"):
                bench.bias_v[gun] -= one.change_ratio * bench.swing_v[gun]
            else:
                bench.swing_v[gun] *= 1 + one.change_ratio
    assert answer.state == "settled"
    assert not answer.moves
    assert "As near as these controls bring it" in answer.headline


def test_no_white_at_all_is_a_fault() -> None:
    red = GreyReading(shown="red", level_ratio=1.0, place_xy=(0.64, 0.33), luminance_cd_m2=20.0)
    with pytest.raises(InputError, match="no reading of white"):
        set_grey([red], D65)


def test_before_and_after_and_the_gain_between_them() -> None:
    bench = made_up(21)
    before = bench.readings(primaries=True)
    bench.turn("drive_green", 0.15)
    answer = set_grey(bench.readings(primaries=True), D65, before=before, turned={"drive_green": 0.15})
    assert answer.error_before is not None
    assert "Before: worst" in answer.headline
    assert answer.gains["drive_green"].per_turn_ratio == pytest.approx(bench.per_turn["drive_green"], rel=0.2)
    move = next((one for one in answer.moves if one.control == "drive_green"), None)
    assert move is None or move.turns_ratio is not None


def test_the_body_goes_into_the_next_round() -> None:
    bench = made_up(22)
    first = set_grey(bench.readings(primaries=True), D65)
    bench.turn("cutoff_blue", 0.2)
    second = set_grey(bench.readings(primaries=True), D65, before=first.readings, turned={"cutoff_blue": 0.2})
    body = json.loads(json.dumps(grey_json(second), allow_nan=False))
    readings, gains = earlier_round(body)
    assert len(readings) == len(second.readings)
    assert gains["cutoff_blue"].per_turn_ratio == pytest.approx(second.gains["cutoff_blue"].per_turn_ratio, rel=1e-4)
    third = set_grey(bench.readings(primaries=True), D65, before=readings, gains=gains)
    assert all(one.turns_ratio is not None for one in third.moves if one.control == "cutoff_blue")


@pytest.mark.parametrize(
    "spoil",
    [
        lambda b: b.update(format="other"),
        lambda b: b["readings"][0].update(x="wide"),
        lambda b: b["readings"][0].update(shown="purple"),
        lambda b: b["readings"][0].update(level=7),
        lambda b: b.update(gains={"drive_red": {"per_turn": 0, "sd": 1}}),
        lambda b: b.update(readings=[]),
        lambda b: b.update(readings=3),
        lambda b: b.pop("readings"),
    ],
)
def test_a_damaged_body_is_refused(spoil: Callable[[dict[str, Any]], object]) -> None:
    body = json.loads(json.dumps(grey_json(answered())))
    spoil(body)
    with pytest.raises(InputError):
        earlier_round(body)


def test_every_figure_of_the_body_is_finite_or_has_its_reason() -> None:
    body = grey_json(answered())

    def walk(value: object) -> None:
        if isinstance(value, dict):
            for one in value.values():
                walk(one)
        elif isinstance(value, list):
            for one in value:
                walk(one)
        elif isinstance(value, float):
            assert math.isfinite(value)

    walk(body)
    assert body["guns"]["red"]["gamma"]["p10"] < body["guns"]["red"]["gamma"]["p90"]


def test_a_photograph_tells_the_guns_against_each_other_only() -> None:
    answer = grey_from_tracking(tracking(law(), law(black=-0.03), law(gamma=2.5)), D65)
    assert answer.relative
    assert answer.state == "turn"
    assert any("compares the guns with each other only" in one.reason for one in answer.unknown)
    assert all(one.luminance_cd_m2 is None for one in answer.watch)
    middle = next(one for one in answer.steps if one.level_ratio == 0.5)
    assert middle.white_du_v == pytest.approx(0, abs=1e-6)
    green = next(one for one in answer.moves if one.control == "cutoff_green")
    assert green.change_ratio < 0  # its light begins too early
    body = grey_json(answer)
    assert body["relative"] is True
    assert body["guns"]["red"]["full_cd_m2"] is None
    assert "guns.red.full_cd_m2" in body["unsupported"]


def test_even_guns_of_a_photograph_need_no_turn() -> None:
    answer = grey_from_tracking(tracking(law(), law(), law()), D65)
    assert answer.state == "done"
    assert answer.error is not None
    assert answer.error.drift_du_v < 1e-6


def test_a_flattening_gun_of_a_photograph_is_named_and_not_raised() -> None:
    answer = grey_from_tracking(tracking(law(), law(), law(shortfall=0.3)), D65)
    assert [one.gun for one in answer.guns if one.flattens] == ["blue"]
    assert not [one for one in answer.moves if one.control == "drive_blue" and one.change_ratio > 0.01]
    assert "The blue gun flattens" in " ".join(answer.words)


def test_a_gun_that_no_photograph_measured_is_a_fault() -> None:
    gone = Unsupported(reason="too dark", would_settle="another")
    with pytest.raises(InputError, match="law of blue"):
        grey_from_tracking(Tracking(guns={"red": law(), "green": law(), "blue": gone}, white_drift_du_v=gone), D65)


@pytest.mark.parametrize("white", ["D50", (0.1, 0.7), (0.3, 0.0), (float("nan"), 0.3)])
def test_a_white_that_none_knows_is_a_fault(white: str | tuple[float, float]) -> None:
    with pytest.raises(InputError) as caught:
        grey_target(white, "inline", KNOWLEDGE)
    assert caught.value.faults[0].where == "white"


def test_tolerances_are_those_of_the_kind_of_display() -> None:
    assert grey_target("9300K", "broadcast", KNOWLEDGE).white_du_v == 0.004
    assert grey_target("9300K", "delta", KNOWLEDGE).drift_du_v == 0.02
    assert grey_target((0.2838, 0.2981), "inline", KNOWLEDGE).name == "0.2838, 0.2981"


def test_reserves_come_from_the_case() -> None:
    readings = [
        {"gun": gun, "kind": "emission", "value": value, "unit": "uA", "reference": 1000}
        for gun, value in (("red", 900), ("green", 850), ("blue", 150))
    ]
    case = Case.model_validate({"format": 1, "readings": readings})
    found = reserves_of(case, KNOWLEDGE)
    assert set(found) == {"red", "green", "blue"}
    assert found["blue"] < found["red"]
