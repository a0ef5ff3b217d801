"""Each option alone: what may be chosen, what it brings, and what it costs in years and in risk."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from answers.worked import (
    CAN_BE_REPLACED,
    GETTER_SEEN,
    NOTHING_TO_BE_HAD,
    case,
    emission,
    judged,
    reckoned,
)
from tubewright.answers.assessment import Assessment, OptionAnswer, Spread
from tubewright.judgement.options import gun_needs
from tubewright.physics.colour import TYPICAL_PRIMARIES_XY, WHITES_XY, current_shares, neutral_white

RUNGS = ("clean_contacts", "soak", "run_in", "short_boost", "clean", "activate")


def options(given_answer: Assessment) -> dict[str, OptionAnswer]:
    return {str(option.id): option for option in given_answer.options}


def tube(
    level: float = 0.4,
    kept: float = 0.72,
    *,
    costs: Mapping[str, object] = CAN_BE_REPLACED,
    treatments: tuple[dict[str, Any], ...] = (),
    restorations: int = 0,
    seed: int = 1,
    futures: int = 4000,
    **use: float,
) -> dict[str, OptionAnswer]:
    wanted = {"hours_per_week": 8.0, "keep_years": 5.0, "minimum_white": 0.5} | use
    return options(
        judged(
            case(
                readings=emission((level,) * 3, (kept,) * 3),
                tube={**GETTER_SEEN, "restorations": restorations},
                costs=costs,
                use=wanted,
                treatments=list(treatments),
            ),
            seed,
            futures,
        )
    )


def years(option: OptionAnswer) -> Spread:
    assert isinstance(option.years, Spread)
    return option.years


@given(few=st.floats(min_value=2, max_value=80), more=st.floats(min_value=1.1, max_value=2.1))
@settings(max_examples=10)
def test_more_hours_a_week_never_bring_any_option_more_years(few: float, more: float) -> None:
    seldom, often = tube(hours_per_week=few, futures=2000), tube(hours_per_week=few * more, futures=2000)
    for name, option in seldom.items():
        if not option.why_not and name != "retire":
            for at in ("p10", "median", "p90"):
                assert getattr(years(often[name]), at) <= getattr(years(option), at) * 1.001, (name, at)


@given(few=st.floats(min_value=0.5, max_value=10), more=st.floats(min_value=1.1, max_value=4))
@settings(max_examples=10)
def test_who_wants_more_years_gets_them_less_surely(few: float, more: float) -> None:
    modest, wanting = tube(keep_years=few, futures=2000), tube(keep_years=few * more, futures=2000)
    for name, option in modest.items():
        if option.chance_of_keep_years is not None:
            chance = wanting[name].chance_of_keep_years
            assert chance is not None
            assert chance <= option.chance_of_keep_years + 1e-9, name


@given(low=st.floats(min_value=0.2, max_value=0.6), more=st.floats(min_value=0.02, max_value=0.2))
@settings(max_examples=10)
def test_who_wants_more_white_keeps_the_tube_shorter(low: float, more: float) -> None:
    modest, wanting = tube(minimum_white=low, futures=2000), tube(minimum_white=low + more, futures=2000)
    for name in ("leave", "adjust"):
        assert years(wanting[name]).median <= years(modest[name]).median
        assert wanting[name].success is not None
        assert modest[name].success is not None
        assert wanting[name].success <= modest[name].success + 1e-9  # type: ignore[operator]  # just asserted


def test_hours_and_years_say_the_same_where_wear_decides() -> None:
    for name, option in tube(level=0.7, kept=0.9, hours_per_week=80.0).items():
        if name in {"leave", "adjust"}:
            assert isinstance(option.hours, Spread)
            assert option.hours.median == pytest.approx(years(option).median * 80 * 365.25 / 7, rel=0.05)


def test_guns_that_read_well_have_only_something_to_lose() -> None:
    strong = tube(level=0.75, kept=0.9)
    for name in (*RUNGS, "boost_heater"):
        assert "only something to lose" in strong[name].why_not
    weak = tube(level=0.4)
    assert not any(weak[name].why_not for name in RUNGS)
    assert all(weak[name].guns == ("red", "green", "blue") for name in RUNGS)


def test_only_the_weak_gun_is_treated() -> None:
    found = options(
        judged(case(readings=emission((0.7, 0.34, 0.72), (0.9, 0.66, 0.9)), tube=GETTER_SEEN, costs=CAN_BE_REPLACED))
    )
    assert all(found[name].guns == ("green",) for name in RUNGS)


def test_a_permanent_boost_is_the_last_resort() -> None:
    """Only between 0.2 and 0.4, and only where no other tube can be had."""
    assert "can't be replaced" in tube(level=0.3, kept=0.6)["boost_heater"].why_not
    assert not tube(level=0.3, kept=0.6, costs=NOTHING_TO_BE_HAD)["boost_heater"].why_not
    assert "last resort" in tube(level=0.5, kept=0.8, costs=NOTHING_TO_BE_HAD)["boost_heater"].why_not
    assert "last resort" in tube(level=0.1, kept=0.48, costs=NOTHING_TO_BE_HAD)["boost_heater"].why_not


def test_what_has_no_price_can_not_be_chosen_and_says_so() -> None:
    found = tube(costs=NOTHING_TO_BE_HAD)
    assert "none can be had" in found["swap_tube"].why_not
    assert "none can be had" in found["replace_display"].why_not
    assert not found["retire"].why_not


@pytest.mark.parametrize("kind", RUNGS)
def test_what_was_tried_without_gain_is_not_tried_again(kind: str) -> None:
    tried = tube(treatments=({"kind": kind, "outcome": "unchanged"},))
    assert tried[kind].why_not == "already tried without gain"
    assert [name for name in RUNGS if tried[name].why_not] == [kind]


def test_the_same_rung_twice_on_a_gun_is_enough() -> None:
    twice = [{"gun": "red", "kind": "clean", "outcome": "improved"}] * 2
    found = options(
        judged(
            case(
                readings=emission((0.33, 0.7, 0.7), (0.65, 0.9, 0.9)),
                tube=GETTER_SEEN,
                costs=CAN_BE_REPLACED,
                treatments=twice,
            )
        )
    )
    assert "strips the coating" in found["clean"].why_not


def test_a_tube_stands_no_more_than_a_few_treatments_in_its_life() -> None:
    assert not tube(restorations=1)["clean"].why_not
    worn_out = tube(restorations=4)
    assert "all the treatments it can stand" in worn_out["clean"].why_not
    assert "all the treatments it can stand" in worn_out["activate"].why_not
    assert not worn_out["soak"].why_not


def test_each_earlier_restoration_makes_the_next_less_likely_and_shorter() -> None:
    found = [tube(level=0.33, kept=0.66, restorations=n, futures=20_000)["clean"] for n in range(3)]
    chances = [option.success for option in found]
    assert all(chance is not None for chance in chances)
    assert chances == sorted(chances, reverse=True)  # type: ignore[type-var]  # none is None
    assert years(found[2]).p90 < years(found[0]).p90


def test_strong_activation_risks_the_tube_most_and_soaking_least() -> None:
    found = tube(level=0.25, kept=0.55)
    risks = {name: found[name].risk_of_loss for name in RUNGS}
    assert risks["clean_contacts"] == 0
    assert all(risk is not None for risk in risks.values())
    assert risks["soak"] < risks["short_boost"] < risks["clean"] < risks["activate"]  # type: ignore[operator]  # none is None


def test_long_idleness_favours_the_soak() -> None:
    def soak(idle_years: float) -> float:
        found = options(
            judged(
                case(
                    readings=emission((0.35, 0.33, 0.37), (0.7, 0.7, 0.7)),
                    tube={**GETTER_SEEN, "idle_years": idle_years},
                    costs=CAN_BE_REPLACED,
                ),
                futures=20_000,
            )
        )
        success = found["soak"].success
        assert success is not None
        return success

    assert soak(10.0) > soak(0.0) + 0.05


def test_a_burnt_face_makes_another_tube_more_attractive() -> None:
    """What is saved would still be burnt: the loss of keeping rises, that of swapping doesn't."""

    def losses(burn: float) -> dict[str, float]:
        r = reckoned(
            case(readings=emission((0.6,) * 3, (0.86,) * 3), tube={**GETTER_SEEN, "burn": burn}, costs=CAN_BE_REPLACED)
        )
        return {plan.end: float(plan.loss.mean()) for plan in r.policy.plans if not plan.steps}

    sound, burnt = losses(0.0), losses(0.5)
    assert burnt["leave"] > sound["leave"] + 10
    assert burnt["swap_tube"] == pytest.approx(sound["swap_tube"])


def test_the_gun_that_carries_most_of_the_beam_needs_the_whole_of_the_wanted_white() -> None:
    needs = gun_needs(0.6, [0.2, 0.5, 0.4])
    assert needs == pytest.approx([0.24, 0.6, 0.48])
    for name, white_xy in WHITES_XY.items():
        shares = current_shares(TYPICAL_PRIMARIES_XY, white_xy)
        kept = gun_needs(0.6, [float(share) for share in shares])
        assert float(neutral_white(kept, shares)) == pytest.approx(0.6), name


def test_the_spread_of_what_is_said_holds_the_middle_of_the_futures() -> None:
    r = reckoned(case(readings=emission((0.6,) * 3, (0.85,) * 3), tube=GETTER_SEEN, costs=CAN_BE_REPLACED))
    said = options(judged(case(readings=emission((0.6,) * 3, (0.85,) * 3), tube=GETTER_SEEN, costs=CAN_BE_REPLACED)))
    outcome = next(o for o in r.policy.outcomes if o.id == "leave")
    low, middle, high = np.quantile(outcome.years, (0.1, 0.5, 0.9))
    figure = years(said["leave"])
    assert (figure.p10, figure.median, figure.p90) == pytest.approx((low, middle, high), rel=0.02)
