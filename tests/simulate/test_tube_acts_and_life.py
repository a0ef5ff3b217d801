"""Treatments keep to the odds and risks of the trade; lives are shorter for those who are worse off."""

from __future__ import annotations

import itertools
from collections import defaultdict
from dataclasses import replace
from typing import Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tubewright.simulate.tube_acts import EFFECTS, act, adjust, mend_elsewhere
from tubewright.simulate.tube_life import HORIZON_YEARS, live, live_many, white_after
from tubewright.simulate.tube_truth import (
    SimulatedTube,
    good_enough,
    relative_emission_truth,
    tracked,
    tracking_truth,
    usable,
    white_in_set_truth,
)
from tubewright.simulate.tubes import draw_tube

USEFUL: Final = 0.10
Odds = dict[tuple[str, str], float]


@pytest.fixture(scope="module")
def weak() -> list[SimulatedTube]:
    rng = np.random.default_rng(30)
    tubes = (draw_tube(rng) for _ in range(5000))
    return [t for t in tubes if t.stop == "none" and relative_emission_truth(t).min() < 0.6]


@pytest.fixture(scope="module")
def odds(weak: list[SimulatedTube]) -> Odds:
    """Share of weak guns that gain 10 points of E, by treatment and kind of gun; and the share harmed or killed."""
    rng = np.random.default_rng(31)
    thrown: dict[tuple[str, str], list[bool]] = defaultdict(list)
    for tube in weak:
        before = relative_emission_truth(tube)
        for kind in EFFECTS:
            after = act(tube, kind, rng).tube
            gain = relative_emission_truth(after) - before
            for gun in np.flatnonzero(before < 0.6):
                harmed = bool((after.lost[gun] and not tube.lost[gun]) or gain[gun] < -0.02)
                thrown[kind, "harm"].append(harmed)
                useful = bool(gain[gun] >= USEFUL)
                thrown[kind, "any"].append(useful)
                if tube.idle_years >= 3:
                    thrown[kind, "idle"].append(useful)
                if tube.idle_years < 0.5:
                    thrown[kind, "worn"].append(useful)
                if 0.25 <= before[gun] < 0.50:
                    thrown[kind, "25-50"].append(useful)
                if 0.10 <= before[gun] < 0.30:
                    thrown[kind, "10-30"].append(useful)
    assert min(len(v) for v in thrown.values()) > 150
    return {key: float(np.mean(v)) for key, v in thrown.items()}


@pytest.mark.parametrize(
    ("kind", "guns", "low", "high"),
    [
        ("soak", "idle", 0.40, 0.60),
        ("soak", "worn", 0.10, 0.15),
        ("run_in", "any", 0.15, 0.25),
        ("short_boost", "any", 0.20, 0.35),
        ("clean", "25-50", 0.45, 0.60),
        ("activate", "10-30", 0.25, 0.40),
        ("soak", "harm", 0.0, 0.005),
        ("run_in", "harm", 0.0, 0.005),
        ("short_boost", "harm", 0.005, 0.015),
        ("clean", "harm", 0.02, 0.04),
        ("activate", "harm", 0.08, 0.15),
    ],
)
def test_treatments_keep_to_the_odds_of_the_trade(odds: Odds, kind: str, guns: str, low: float, high: float) -> None:
    """The trade's ranges, each an estimate, with 0.03 for the noise of this crowd."""
    slack = 0.03 if guns != "harm" else 0.003
    assert low - slack <= odds[kind, guns] <= high + slack


def test_heat_mends_poison_and_not_wear(weak: list[SimulatedTube]) -> None:
    rng = np.random.default_rng(32)
    base = next(t for t in weak if usable(t))
    zero = np.zeros(3)
    poisoned = replace(base, wear_log=zero, poison_log=np.full(3, 3.0), poison_is_hard=np.zeros(3, dtype=np.bool_))
    worn = replace(base, wear_log=np.full(3, 6.0), poison_log=zero, film_log=zero, gain_log=zero)

    def gain(tube: SimulatedTube) -> float:
        lifted = [relative_emission_truth(act(tube, "soak", rng).tube).mean() for _ in range(60)]
        return float(np.mean(lifted) - relative_emission_truth(tube).mean())

    assert gain(poisoned) > 3 * gain(worn)


def test_each_further_activation_has_less_to_work_with(weak: list[SimulatedTube]) -> None:
    rng = np.random.default_rng(33)
    tube = next(t for t in weak if usable(t))
    left = [tube.activator.mean()]
    for _ in range(3):
        tube = act(tube, "activate", rng).tube
        left.append(tube.activator.mean())
    assert all(b < a for a, b in itertools.pairwise(left))


@given(seed=st.integers(0, 10_000), kind=st.sampled_from([*EFFECTS, "clear_short", "isolate_heater", "boost_heater"]))
@settings(max_examples=60)
def test_a_seed_tells_the_outcome_and_the_dead_stay_dead(seed: int, kind: str) -> None:
    tube = draw_tube(np.random.default_rng(seed))
    treatment = kind  # one of the contract's words
    one, two = (act(tube, treatment, np.random.default_rng(seed + 1)) for _ in range(2))  # type: ignore[arg-type] # sampled from the contract's words
    assert one.outcome == two.outcome
    assert np.array_equal(relative_emission_truth(one.tube), relative_emission_truth(two.tube))
    assert (one.tube.lost >= tube.lost).all()
    assert np.isfinite(relative_emission_truth(one.tube)).all()


def test_cleaning_contacts_mends_a_dirty_socket_and_nothing_else(weak: list[SimulatedTube]) -> None:
    rng = np.random.default_rng(34)
    sound = next(t for t in weak if t.elsewhere == "none")
    assert act(sound, "clean_contacts", rng).outcome == "unchanged"
    dirty = replace(sound, elsewhere="socket_dirty", elsewhere_gun=0, elsewhere_left_share=0.2)
    outcomes = [act(dirty, "clean_contacts", rng).outcome for _ in range(100)]
    assert outcomes.count("improved") > 75
    found = [mend_elsewhere(dirty, rng).elsewhere for _ in range(100)]
    assert 75 < found.count("none") < 100


def _years(tube: SimulatedTube, hours_per_week: float, seed: int = 1, count: int = 60) -> NDArray[np.float64]:
    return live_many([tube] * count, hours_per_week, np.random.default_rng(seed))


def _fresh(weak: list[SimulatedTube]) -> SimulatedTube:
    base = next(t for t in weak if usable(t) and t.elsewhere == "none")
    zero = np.zeros(3)
    fresh = replace(base, wear_log=zero + 1.0, poison_log=zero, film_log=zero, gain_log=zero, set_heater_ratio=1.0)
    return tracked(fresh)


def test_lives_are_within_the_horizon_and_repeat_with_the_seed(weak: list[SimulatedTube]) -> None:
    tube = _fresh(weak)
    years = _years(tube, 40)
    assert ((years >= 0) & (years <= HORIZON_YEARS)).all()
    assert np.array_equal(years, _years(tube, 40))
    assert live(tube, 40, np.random.default_rng(2)) == live(tube, 40, np.random.default_rng(2))


def test_more_hours_more_wear_and_more_wanted_white_all_shorten_a_life(weak: list[SimulatedTube]) -> None:
    tube = _fresh(weak)
    usual = np.median(_years(tube, 40))
    assert 0 < usual < HORIZON_YEARS
    assert np.median(_years(tube, 84)) < usual
    assert np.median(_years(tracked(replace(tube, wear_log=tube.wear_log + 1.5)), 40)) < usual
    assert np.median(_years(replace(tube, owner=replace(tube.owner, minimum_white=0.75)), 40)) < usual
    assert np.median(_years(act(tube, "boost_heater", np.random.default_rng(0)).tube, 40)) < usual


def test_what_is_too_dark_today_has_no_years(weak: list[SimulatedTube]) -> None:
    dark = [t for t in weak if white_in_set_truth(t) < t.owner.minimum_white][:30]
    assert len(dark) == 30
    for tube in dark:
        assert live(tube, 10, np.random.default_rng(0)) == 0


def test_a_tinted_picture_has_no_years_until_the_grey_scale_is_set(weak: list[SimulatedTube]) -> None:
    tube = _fresh(weak)
    tinted = replace(tube, tracked_emission=tube.tracked_emission * np.array([1.5, 1.0, 1.0]))
    assert tracking_truth(tinted) == pytest.approx(1 / 1.5)
    assert not good_enough(tinted)
    assert live(tinted, 10, np.random.default_rng(0)) == 0
    assert good_enough(adjust(tinted))
    assert live(adjust(tinted), 10, np.random.default_rng(0)) > 0


def test_a_gain_is_gone_after_its_hours(weak: list[SimulatedTube]) -> None:
    """3 to 6 months of continuous service, 2200 to 4400 h; white never rises on its own."""
    tube = replace(_fresh(weak), wear_log=np.full(3, 5.0), gain_log=np.full(3, 3.0), gain_hold_hours=np.full(3, 3300.0))
    bare = replace(tube, gain_log=np.zeros(3))
    years = np.linspace(0, 1.2, 25)
    luck = {"kh_per_year": 8.736, "pace": 1.0, "hold_years": 1e9, "poison_rate": 0.0}
    white, without = white_after(tube, years, **luck), white_after(bare, years, **luck)
    assert (np.diff(white) <= 1e-12).all()
    assert white[0] > without[0] + 0.1
    gone = years * 8736 > 3300
    assert white[gone] == pytest.approx(without[gone])
    assert (white[~gone] > without[~gone]).all()
