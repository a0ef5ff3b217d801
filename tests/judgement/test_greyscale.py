"""Guns out of readings, what readings can't tell, and advice that brings a hidden display to its white."""

from __future__ import annotations

import statistics
from typing import Final

import numpy as np
import pytest

from grey_bench import EBU_XY, GreyBench, made_up
from tubewright.judgement.greyscale import (
    GreyError,
    GreyTarget,
    Sound,
    doubt_of_fit,
    grey_error,
    grey_steps,
    look_over,
    predicted_steps,
)
from tubewright.judgement.greyscale_advice import MOST_TURN, GreyPlan, after_moves, plan_moves, turned
from tubewright.judgement.greyscale_fit import (
    GreyFit,
    GreyReading,
    fit_greys,
    light_of,
    packed,
    phosphor_matrix,
)
from tubewright.judgement.greyscale_gains import Control, Gain, bent_guns, hint_of, learn_gains
from tubewright.physics.colour import WHITES_XY, xy_from_xyz
from tubewright.picture.results import Unsupported

LEVELS: Final = tuple(k / 10 for k in range(11))


def target(white: str = "D65", du_v: float = 0.015) -> GreyTarget:
    return GreyTarget(
        name=white,
        white_xy=(float(WHITES_XY[white][0]), float(WHITES_XY[white][1])),
        kind="inline",
        white_du_v=du_v,
        drift_du_v=du_v,
        peak_low_cd_m2=100,
        peak_high_cd_m2=170,
    )


def law_readings(
    full: tuple[float, float, float] = (22.0, 70.0, 7.0),
    black: tuple[float, float, float] = (0.02, 0.04, 0.0),
    gamma: tuple[float, float, float] = (2.3, 2.4, 2.5),
    *,
    levels: tuple[float, ...] = LEVELS,
    seed: int = 3,
    noise: float = 0.003,
    primaries: bool = True,
) -> list[GreyReading]:
    """Readings of three pure power laws, reckoned here and not by the fit."""
    rng = np.random.default_rng(seed)
    columns = np.array([[x / y, 1.0, (1 - x - y) / y] for x, y in EBU_XY]).T

    def reading(lights: list[float], shown: str, level: float) -> GreyReading:
        xyz = columns @ np.array(lights) * (1 + noise * rng.standard_normal(3)) + 0.005 * rng.standard_normal(3)
        xyz = np.maximum(xyz, 0.001)
        return GreyReading(
            shown=shown,  # type: ignore[arg-type]
            level_ratio=level,
            place_xy=(float(xyz[0] / xyz.sum()), float(xyz[1] / xyz.sum())),
            luminance_cd_m2=float(xyz[1]),
        )

    def light(gun: int, level: float) -> float:
        return float(full[gun] * (max(level - black[gun], 0.0) / (1 - black[gun])) ** gamma[gun])

    found = [reading([light(g, level) for g in range(3)], "white", level) for level in levels]
    if primaries:
        for gun, name in enumerate(("red", "green", "blue")):
            found.append(reading([full[g] if g == gun else 0.0 for g in range(3)], name, 1.0))
    return found


def planned(fit: GreyFit, wish: GreyTarget, **given: object) -> GreyPlan:
    plan = plan_moves(fit, wish, **given)  # type: ignore[arg-type]
    assert isinstance(plan, GreyPlan)
    return plan


def test_three_laws_are_found_within_their_spread() -> None:
    fit = fit_greys(law_readings())
    for row, found, true in (
        (1, fit.black_ratio, (0.02, 0.04, 0.0)),
        (2, np.log(fit.gamma_ratio), np.log((2.3, 2.4, 2.5))),
        (0, np.log(fit.full_cd_m2), np.log((22.0, 70.0, 7.0))),
    ):
        assert np.all(np.abs(found - true) < 3 * fit.sd(row) + 1e-3), row
    assert fit.misfit_ratio < 1.5
    assert np.abs(fit.primaries_xy - EBU_XY).max() < 0.004


def test_spreads_hold_what_they_promise() -> None:
    inside = []
    for seed in range(20):
        fit = fit_greys(law_readings(seed=seed), seed=seed)
        low, high = np.quantile(fit.draws[:, 3:6], [0.1, 0.9], axis=0)
        inside += list((low <= (0.02, 0.04, 0.0)) & (np.array((0.02, 0.04, 0.0)) <= high))
    assert 0.7 <= float(np.mean(inside)) <= 1.0


def test_unread_phosphors_leave_the_lights_less_sure() -> None:
    read, unread = fit_greys(law_readings()), fit_greys(law_readings(primaries=False))
    assert np.all(unread.sd(0) > 2 * read.sd(0))
    assert np.all(np.abs(np.log(unread.full_cd_m2) - np.log((22.0, 70.0, 7.0))) < 3 * unread.sd(0))


def test_turning_is_what_the_law_says() -> None:
    """A shift and a factor on the root, reckoned anew from the root itself."""
    p = packed(
        np.array([20.0, 70.0, 7.0]), np.array([0.02, -0.01, 0.05]), np.array([2.4, 2.5, 2.3]), np.zeros(3), EBU_XY
    )
    after = light_of(turned(p, np.array([0.03, -0.02, 0.0]), np.array([0.9, 1.1, 1.2])), np.array([0.5]))[0]
    for gun, (full, black, gamma, shift, factor) in enumerate(
        [(20.0, 0.02, 2.4, 0.03, 0.9), (70.0, -0.01, 2.5, -0.02, 1.1), (7.0, 0.05, 2.3, 0.0, 1.2)]
    ):
        slope = full ** (1 / gamma) / (1 - black)
        assert after[gun] == pytest.approx((slope * factor * 0.5 - slope * black + slope * shift) ** gamma)


def test_a_step_is_compared_with_a_neutral_just_as_light() -> None:
    wish = target()
    neutral = [
        GreyReading(shown="white", level_ratio=k / 10, place_xy=wish.white_xy, luminance_cd_m2=100 * (k / 10) ** 2.4)
        for k in range(1, 11)
    ]
    error = grey_error(grey_steps(neutral, wish), wish)
    assert isinstance(error, GreyError)
    assert error.within
    assert error.worst_delta_e < 1e-6
    assert error.white_du_v < 1e-6
    tinted = grey_error(grey_steps(neutral, target("9300K")), target("9300K"))
    assert isinstance(tinted, GreyError)
    # D65 to CIE daylight of 9300 K, from the two chromaticities: 0.0243 in u'v'.
    assert tinted.white_du_v == pytest.approx(0.0243, abs=2e-4)
    assert tinted.drift_du_v < 1e-6


def test_light_of_the_room_is_taken_off() -> None:
    bench = made_up(4)
    bench.noise = bench.floor_cd_m2 = 0.0
    dark = grey_steps(bench.readings(), target())
    bench.room_xyz = np.array([0.9, 1.0, 1.3])
    lit = grey_steps(bench.readings(), target())
    assert lit[-1].luminance_cd_m2 == pytest.approx(dark[-1].luminance_cd_m2, abs=0.02)
    assert lit[3].place_xy == pytest.approx(dark[3].place_xy, abs=2e-4)


def reasons(sound: Sound) -> str:
    return " | ".join(one.reason for one in sound.refused)


def test_too_few_or_one_sided_steps_are_refused() -> None:
    assert "only 3 usable steps" in reasons(look_over(law_readings(levels=(0.2, 0.5, 1.0))))
    assert "nothing was read below 40 %" in reasons(look_over(law_readings(levels=(0.4, 0.5, 0.6, 0.8, 1.0))))
    assert "nothing was read above 50 %" in reasons(look_over(law_readings(levels=(0.1, 0.2, 0.3, 0.4, 0.5))))
    assert not look_over(law_readings()).refused


def test_a_set_that_drifts_or_is_cold_is_refused() -> None:
    rows = law_readings()
    first = rows[5]
    moved = GreyReading(
        shown="white", level_ratio=first.level_ratio, place_xy=(first.place_xy[0] + 0.01, first.place_xy[1]),
        luminance_cd_m2=first.luminance_cd_m2,
    )  # fmt: skip
    assert "was read 2 times and moved" in reasons(look_over([*rows, moved]))
    assert not look_over([*rows, first]).refused
    cold = GreyReading(shown="white", level_ratio=0.1, place_xy=(0.3, 0.3), luminance_cd_m2=0.5, minutes=4)
    assert "4 minutes only" in reasons(look_over([*rows, cold]))


def test_clipped_highlights_are_left_out_and_the_drives_with_them() -> None:
    rows = law_readings(primaries=False)
    top = next(one for one in rows if one.level_ratio == 0.8)
    clipped = [
        one
        if one.level_ratio <= 0.8
        else GreyReading(
            shown="white", level_ratio=one.level_ratio, place_xy=top.place_xy, luminance_cd_m2=top.luminance_cd_m2
        )
        for one in rows
    ]
    sound = look_over(clipped)
    assert sound.no_drives is not None
    assert not sound.refused
    assert max(one.level_ratio for one in sound.used) == 0.8
    plan = planned(fit_greys(sound.used), target(), drives_known=False)
    assert not [one for one in plan.moves if one.control.startswith("drive")]
    assert look_over(rows).no_drives is None


def test_one_spent_gun_is_no_clipping_and_is_named() -> None:
    bench = made_up(6)
    bench.limit_ua = np.array([6000.0, 300.0, 6000.0])
    sound = look_over(bench.readings(primaries=True))
    assert sound.no_drives is None
    bent = bent_guns(fit_greys(sound.used))
    assert [one.gun for one in bent] == ["green"]


def test_straight_guns_are_not_called_bent() -> None:
    for seed in range(6):
        assert not bent_guns(fit_greys(made_up(seed).readings(primaries=True))), seed


def test_no_gun_is_asked_for_more_than_it_was_seen_to_give() -> None:
    for seed in range(6):
        fit = fit_greys(made_up(seed, weak=seed % 2 == 0).readings())
        plan = planned(fit, target())
        assert np.all(plan.final.full_cd_m2 <= 1.01 * fit.full_cd_m2), seed
    strong = planned(fit, target(), reserves=dict.fromkeys(("red", "green", "blue"), 5.0))
    assert 1.02 < strong.final.full_cd_m2.max() / plan.final.full_cd_m2.max() <= 1.11


def test_a_flattening_gun_is_lowered_and_the_others_to_it() -> None:
    bench = made_up(6)
    bench.limit_ua = np.array([6000.0, 300.0, 6000.0])
    fit = fit_greys(bench.readings(primaries=True))
    plan = planned(fit, target())
    assert plan.limited_by == "green"
    assert np.all(plan.final.full_cd_m2 < fit.full_cd_m2)
    shortfall = -np.expm1(-(plan.final.bend_ln[1] - min(plan.final.bend_ln[0], plan.final.bend_ln[2])))
    assert shortfall < 0.08


def test_a_wished_peak_lowers_all() -> None:
    fit = fit_greys(law_readings())
    plan = planned(fit, target(), wanted_peak_cd_m2=60.0)
    assert float(plan.final.full_cd_m2.sum()) == pytest.approx(60.0, rel=0.03)
    assert plan.limited_by == ""


def test_a_white_outside_the_phosphors_is_refused() -> None:
    fit = fit_greys(law_readings())
    wish = GreyTarget(
        name="odd", white_xy=(0.10, 0.30), kind="inline", white_du_v=0.015, drift_du_v=0.015, peak_low_cd_m2=100,
        peak_high_cd_m2=170,
    )  # fmt: skip
    assert isinstance(plan_moves(fit, wish), Unsupported)


@pytest.mark.parametrize(("black", "says", "sign"), [(-0.08, "glows", -1), (0.15, "crushed", 1)])
def test_the_screen_comes_first_where_all_three_blacks_are_off(black: float, says: str, sign: int) -> None:
    fit = fit_greys(law_readings(black=(black, black + 0.01, black)))
    plan = planned(fit, target())
    assert plan.black == says
    assert plan.moves[0].control == "screen_g2"
    assert np.sign(plan.moves[0].change_ratio) == sign
    assert not [one for one in plan.moves if one.control.startswith("cutoff")]
    assert plan.after.black_ratio == pytest.approx([0.02] * 3, abs=0.03)


def test_retrace_lines_lower_the_screen_a_little() -> None:
    plan = planned(fit_greys(law_readings()), target(), retrace_seen=True)
    assert plan.black == "retrace"
    assert plan.moves[0].control == "screen_g2"
    assert -0.05 < plan.moves[0].change_ratio < 0


def test_volts_at_the_cathode_rise_where_light_falls() -> None:
    fit = fit_greys(law_readings(black=(0.0, 0.05, 0.0)))
    plan = planned(fit, target(), swing_v=50.0)
    for one in plan.moves:
        if one.control.startswith("cutoff"):
            assert one.cathode_v == pytest.approx(-50 * one.change_ratio)
        else:
            assert one.cathode_v is None


def rounds(bench: GreyBench, wish: GreyTarget, *, most: int = 10, primaries: bool = False) -> tuple[int, list[float]]:
    """Read, advise, turn: how many turns of the whole until the display is within; and its scores on the way.

    Whoever turns here sees nothing but the advice: a first turn of a control goes the wrong way half of the time.
    """
    gains: dict[Control, Gain] = {}
    before: GreyFit | None = None
    turns: dict[Control, float] = {}
    scores = []
    for number in range(most + 1):
        readings = bench.readings(primaries=primaries)
        error = grey_error(grey_steps(readings, wish), wish)
        assert isinstance(error, GreyError)
        scores.append(max(error.white_du_v / wish.white_du_v, error.drift_du_v / wish.drift_du_v))
        if error.within:
            return number, scores
        sound = look_over(readings)
        assert not sound.refused, sound.refused
        fit = fit_greys(sound.used, hint=None if before is None else hint_of(before))
        assert doubt_of_fit(fit) is None
        if before is not None:
            gains, _ = learn_gains(before, fit, turns, gains)
        plan = planned(fit, wish, gains=gains, tried=turns, earlier=before, drives_known=sound.no_drives is None)
        turns = {}
        for one in plan.moves:
            amount = one.turns_ratio
            if amount is None:
                assert one.probe_ratio is not None
                amount = one.probe_ratio * float(np.sign(one.change_ratio))
            assert abs(amount) <= MOST_TURN
            bench.turn(one.control, amount)
            turns[one.control] = amount
        before = fit
    return most + 1, scores


def test_hidden_displays_come_within_tolerance_in_a_few_rounds() -> None:
    found = [rounds(made_up(seed, weak=seed % 4 == 0), target()) for seed in range(100, 140)]
    counts = [count for count, _ in found]
    assert statistics.median(counts) <= 3
    assert max(counts) <= 7
    assert all(scores[-1] <= 1 for _, scores in found)


def test_a_display_with_its_screen_too_high_comes_home_too() -> None:
    counts = [rounds(made_up(seed, screen_off_v=30.0), target("9300K"))[0] for seed in range(200, 204)]
    assert max(counts) <= 7


def test_a_gain_is_learned_with_its_sign() -> None:
    bench = made_up(31)
    before = fit_greys(bench.readings())
    turns: dict[Control, float] = {"cutoff_red": 0.15, "drive_green": -0.2, "drive_blue": 0.0}
    for control, amount in turns.items():
        bench.turn(control, amount)
    hint = hint_of(before)
    gains, unlearned = learn_gains(before, fit_greys(bench.readings(), hint=hint), turns)
    assert not unlearned
    assert set(gains) == {"cutoff_red", "drive_green"}
    # A higher cathode is darker: volts over the swing, sign turned.
    true = -bench.per_turn["cutoff_red"] / bench.swing_v[0]
    assert gains["cutoff_red"].per_turn_ratio == pytest.approx(true, rel=0.25)
    assert gains["drive_green"].per_turn_ratio == pytest.approx(bench.per_turn["drive_green"], rel=0.25)


def test_a_control_that_did_nothing_is_not_learned() -> None:
    bench = made_up(32)
    before = fit_greys(bench.readings())
    gains, unlearned = learn_gains(before, fit_greys(bench.readings()), {"cutoff_blue": 0.25})
    assert not gains
    assert "noise" in unlearned["cutoff_blue"].reason


def test_a_cutoff_turned_together_with_an_unknown_screen_is_not_learned() -> None:
    bench = made_up(33)
    before = fit_greys(bench.readings())
    bench.turn("screen_g2", 0.2)
    bench.turn("cutoff_red", 0.2)
    _, unlearned = learn_gains(before, fit_greys(bench.readings()), {"cutoff_red": 0.2, "screen_g2": 0.2})
    assert "cutoff_red" in unlearned


def test_a_prediction_is_what_is_then_measured() -> None:
    """The plan's controls turned by exactly what it asks, on a display of other code: read again, it is there."""
    wish = target()
    for seed in range(40, 46):
        bench = made_up(seed)
        fit = fit_greys(bench.readings(primaries=True))
        plan = planned(fit, wish)
        bench.bias_v -= plan.shift * bench.swing_v
        bench.swing_v *= plan.factor
        then = grey_error(predicted_steps(plan.after, np.array(LEVELS), wish), wish)
        found = grey_error(grey_steps(bench.readings(), wish), wish)
        assert isinstance(then, GreyError)
        assert isinstance(found, GreyError)
        assert found.white_du_v == pytest.approx(then.white_du_v, abs=0.006), seed
        assert found.within, seed


def test_readings_of_no_display_are_doubted() -> None:
    rng = np.random.default_rng(9)
    odd = [
        GreyReading(
            shown="white", level_ratio=k / 10, place_xy=(0.3 + 0.08 * rng.random(), 0.3), luminance_cd_m2=5.0 + k % 3
        )
        for k in range(1, 11)
    ]
    assert doubt_of_fit(fit_greys(odd)) is not None
    assert doubt_of_fit(fit_greys(law_readings())) is None


def test_matrix_and_moves_agree_with_colours_of_their_own() -> None:
    fit = fit_greys(law_readings())
    same = after_moves(fit, np.zeros(3), np.ones(3))
    assert same.parameters == pytest.approx(fit.parameters, abs=1e-9)
    assert xy_from_xyz(phosphor_matrix(EBU_XY).T) == pytest.approx(EBU_XY)
