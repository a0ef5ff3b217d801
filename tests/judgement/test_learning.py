"""The shop's own outcomes move the trade's figures, by as much as they weigh."""

from __future__ import annotations

import math
from typing import get_args

import numpy as np
import pytest
from scipy.stats import norm

from answers.worked import CAN_BE_REPLACED, GETTER_SEEN, case, emission, knowledge
from tubewright.answers.assess import assess
from tubewright.case import Outcome, TreatmentKind
from tubewright.experience import NO_EXPERIENCE, Experience, TreatedGun, WornGun
from tubewright.judgement.learning import Learned, learn, normal_cdf


def treated(
    count: int,
    outcome: Outcome,
    kind: TreatmentKind = "clean",
    *,
    hours_held: float | None = None,
    still_holding: bool = True,
    earlier_restorations: int = 0,
    long_idle: bool = False,
) -> Experience:
    one = TreatedGun(
        kind=kind,
        gun="red",
        outcome=outcome,
        hours_held=hours_held,
        still_holding=still_holding,
        earlier_restorations=earlier_restorations,
        long_idle=long_idle,
    )
    return Experience(treated=(one,) * count, closed_jobs=count)


def learned(experience: Experience) -> Learned:
    return learn(knowledge(), experience)


def test_the_normal_law_agrees_with_an_independent_program() -> None:
    z = np.linspace(-9, 9, 4001)
    assert np.max(np.abs(normal_cdf(z) - norm.cdf(z))) < 8e-8
    assert normal_cdf(np.zeros((2, 3))).shape == (2, 3)
    assert np.all(np.diff(normal_cdf(z)) >= -1e-7)


def test_a_shop_on_its_first_day_has_the_trades_figures_and_says_so() -> None:
    first = learned(NO_EXPERIENCE)
    for kind in get_args(TreatmentKind):
        facts, odds = knowledge().treatments[kind], first.odds[kind]
        assert (odds.worn, odds.poisoned, odds.loss) == pytest.approx(
            (facts.odds_worn, facts.odds_poisoned, facts.risk_of_loss)
        )
        assert odds.own_share == 0
    assert first.own_share == 0
    assert "no closed job" in first.words
    assert first.wear_time_h == pytest.approx(knowledge().value("wear_time_h"))
    assert first.hold_h == pytest.approx(knowledge().value("hold_h"))


def test_twenty_failures_lower_the_odds_and_twenty_successes_raise_them() -> None:
    prior = learned(NO_EXPERIENCE).odds["clean"]
    bad = learned(treated(20, "unchanged")).odds["clean"]
    good = learned(treated(20, "improved")).odds["clean"]
    assert bad.worn < 0.5 * prior.worn
    assert good.worn > 1.4 * prior.worn
    assert bad.own_share == good.own_share
    assert 0.5 < good.own_share < 1
    assert learned(treated(20, "unchanged")).odds["soak"] == learned(NO_EXPERIENCE).odds["soak"]


def test_own_odds_stay_between_the_trades_and_the_shops_frequency() -> None:
    prior = learned(NO_EXPERIENCE).odds["clean"].worn
    ten = Experience(treated=treated(8, "improved").treated + treated(2, "unchanged").treated)
    assert prior < learned(ten).odds["clean"].worn < 0.8


def test_experience_with_idle_tubes_says_nothing_of_worn_ones() -> None:
    prior, idle = learned(NO_EXPERIENCE).odds["soak"], learned(treated(20, "improved", "soak", long_idle=True))
    assert idle.odds["soak"].poisoned > prior.poisoned
    assert idle.odds["soak"].worn == pytest.approx(prior.worn)


def test_one_lost_tube_is_remembered_but_forbids_nothing() -> None:
    prior, once = learned(NO_EXPERIENCE).odds["clean"].loss, learned(treated(1, "lost")).odds["clean"].loss
    assert prior < once < 3 * prior


def test_more_experience_has_a_larger_share() -> None:
    shares = [learned(treated(n, "improved")).own_share for n in (0, 1, 5, 20, 100)]
    assert shares == sorted(shares)
    assert shares[0] == 0
    assert shares[-1] > 0.85


def test_gains_that_still_last_can_only_lengthen_the_hold() -> None:
    prior = learned(NO_EXPERIENCE).hold_h
    for hours in (100.0, 1000.0, 3000.0, 9000.0):
        assert learned(treated(5, "improved", hours_held=hours, still_holding=True)).hold_h >= prior * (1 - 1e-9)
    long = learned(treated(5, "improved", hours_held=9000.0, still_holding=True)).hold_h
    assert long > 1.3 * prior


def test_gains_that_have_gone_move_the_hold_towards_their_hours() -> None:
    prior = learned(NO_EXPERIENCE).hold_h
    short = learned(treated(6, "improved", hours_held=1000.0, still_holding=False))
    long = learned(treated(6, "improved", hours_held=8000.0, still_holding=False))
    assert 1000 < short.hold_h < prior < long.hold_h < 8000
    assert short.own_share > 0


def test_a_short_hold_after_many_treatments_is_no_bad_sign() -> None:
    """Each later treatment lasts shorter by nature; that is allowed for before it counts."""
    first = learned(treated(6, "improved", hours_held=1500.0, still_holding=False))
    third = learned(treated(6, "improved", hours_held=1500.0, still_holding=False, earlier_restorations=2))
    assert third.hold_h > first.hold_h


def test_cleaned_contacts_teach_nothing_about_how_long_cathodes_hold() -> None:
    washed = learned(treated(6, "improved", "clean_contacts", hours_held=200.0, still_holding=False))
    assert washed.hold_h == pytest.approx(learned(NO_EXPERIENCE).hold_h)


def test_wear_of_the_shops_own_tubes_moves_the_wear_time() -> None:
    prior = learned(NO_EXPERIENCE).wear_time_h
    fast = learned(Experience(worn=(WornGun(hours_between=3000, emission_start=0.8, emission_end=0.3),) * 6))
    slow = learned(Experience(worn=(WornGun(hours_between=30_000, emission_start=0.8, emission_end=0.5),) * 6))
    assert fast.wear_time_h < prior < slow.wear_time_h
    assert 0 < fast.own_share < 1
    assert 0 < slow.own_share < 1


def test_more_worn_guns_teach_more() -> None:
    one = WornGun(hours_between=3000, emission_start=0.8, emission_end=0.3)
    times = [learned(Experience(worn=(one,) * count)).wear_time_h for count in (0, 1, 4, 16)]
    assert times == sorted(times, reverse=True)
    shares = [learned(Experience(worn=(one,) * count)).own_share for count in (0, 1, 4, 16)]
    assert shares == sorted(shares)


@pytest.mark.parametrize("end", [0.59, 0.61, 0.63])
def test_two_readings_a_week_apart_that_differ_by_chance_teach_no_pace(end: float) -> None:
    one = WornGun(hours_between=40, emission_start=0.61, emission_end=end)
    noise = learned(Experience(worn=(one,)))
    assert noise.wear_time_h == pytest.approx(learned(NO_EXPERIENCE).wear_time_h, rel=0.02)
    assert noise.own_share < 0.05


def test_nothing_that_a_shop_enters_makes_a_figure_infinite() -> None:
    odd = Experience(
        treated=(
            TreatedGun(kind="clean", gun=None, outcome="improved", hours_held=0.0),
            TreatedGun(kind="clean", gun=None, outcome="improved", hours_held=1e6, still_holding=False),
            TreatedGun(kind="soak", gun=None, outcome="improved", hours_held=1e6, still_holding=True),
        ),
        worn=(WornGun(hours_between=0, emission_start=0.9, emission_end=0.1),),
    )
    found = learned(odd)
    assert math.isfinite(found.hold_h)
    assert math.isfinite(found.wear_time_h)


def test_a_shop_where_cleaning_fails_is_told_so_in_its_answer() -> None:
    weak = case(
        readings=emission((0.33, 0.34, 0.36), (0.65, 0.66, 0.66)),
        tube=GETTER_SEEN,
        costs=CAN_BE_REPLACED,
        use={"hours_per_week": 6.0},
    )
    success = {}
    for name, experience in {
        "trade": NO_EXPERIENCE,
        "bad": treated(20, "unchanged"),
        "good": treated(20, "improved"),
    }.items():
        given = assess(weak, knowledge(), experience, futures=20_000)
        success[name] = next(o.success for o in given.options if o.id == "clean")
        assert (given.model.own_share > 0) is bool(experience.treated)
        assert given.model.jobs_learned_from == experience.closed_jobs
    assert success["bad"] is not None
    assert success["trade"] is not None
    assert success["good"] is not None
    assert success["bad"] < success["trade"] < success["good"]
