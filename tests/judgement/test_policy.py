"""Plans climb from the gentlest rung, stop when the picture is good, and the cheapest one is chosen."""

from __future__ import annotations

import itertools
from collections.abc import Mapping

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
    names,
    read,
    reckoned,
    with_more,
)
from tubewright.answers.reckoning import Reckoning
from tubewright.case import Case
from tubewright.knowledge.model import Knowledge

ENERGY = ("clean_contacts", "soak", "run_in", "short_boost", "clean", "activate")


def worn(level: float = 0.33, kept: float = 0.66, **parts: object) -> Case:
    return case(readings=emission((level,) * 3, (kept,) * 3), tube=GETTER_SEEN, **parts)


@pytest.mark.parametrize("name", names())
def test_every_plan_considered_climbs_from_low_energy_to_high(name: str) -> None:
    r = reckoned(read(name), futures=1000)
    for plan in r.policy.plans:
        rungs = [ENERGY.index(step.kind) for step in plan.steps if step.kind in ENERGY]
        if not r.obstacles.to_remove:
            assert rungs == sorted(set(rungs)), [step.kind for step in plan.steps]
        assert np.all(np.isfinite(plan.loss))


@pytest.mark.parametrize("name", names())
def test_nothing_stronger_is_planned_while_a_soak_is_still_to_be_tried(name: str) -> None:
    r = reckoned(read(name), futures=1000)
    if r.obstacles.to_remove or "soak" not in {o.id for o in r.policy.outcomes if not o.why_not}:
        return
    for plan in r.policy.plans:
        kinds = [step.kind for step in plan.steps]
        if {"short_boost", "clean", "activate"} & set(kinds):
            assert "soak" in kinds


def test_the_plan_followed_is_the_cheapest() -> None:
    r = reckoned(worn(costs=CAN_BE_REPLACED))
    assert float(r.plan.loss.mean()) == pytest.approx(float(r.policy.losses.mean(axis=1).min()))


def test_a_plan_costs_what_its_rungs_cost_weighed_by_how_often_they_are_reached() -> None:
    """The loss of a plan, reckoned by hand from its rungs and its end."""
    r = reckoned(worn(costs=CAN_BE_REPLACED))
    ends = {plan.end: plan.loss for plan in r.policy.plans if not plan.steps}
    lost = np.min(np.stack([ends[end] for end in ("swap_tube", "replace_display", "retire")]), axis=0)
    checked = 0
    for plan in r.policy.plans:
        if plan.then is not None or plan.end not in ends:
            continue
        by_hand = np.zeros_like(plan.loss)
        open_ = np.ones_like(plan.loss)
        for rung in plan.steps:
            by_hand += open_ * (rung.spend + rung.success * rung.after + rung.lost * lost)
            open_ = open_ * (1 - rung.success - rung.lost)
        assert np.allclose(plan.loss, by_hand + open_ * ends[plan.end])
        checked += 1
    assert checked > 20


def test_chances_of_one_rung_never_exceed_certainty() -> None:
    for plan in reckoned(worn(0.1, 0.48, costs=CAN_BE_REPLACED)).policy.plans:
        for rung in plan.steps:
            assert np.all(rung.success >= 0)
            assert np.all(rung.lost >= 0)
            assert np.all(rung.success + rung.lost <= 1 + 1e-12)


def gives_up(r: Reckoning) -> bool:
    return r.decision in {"swap_tube", "replace_display", "retire"}


@given(price=st.floats(min_value=0, max_value=600), more=st.floats(min_value=1.05, max_value=5))
@settings(max_examples=10)
def test_a_dearer_tube_is_never_more_attractive(price: float, more: float) -> None:
    def swap(cost: float) -> Reckoning:
        return reckoned(worn(0.25, 0.58, costs={"bench_rate_per_hour": 45.0, "replacement_tube": cost}), futures=1000)

    cheap, dear = swap(price), swap(price * more + 1)
    if dear.decision == "swap_tube":
        assert cheap.decision == "swap_tube"
    assert dear.prices.swap_tube is not None
    assert cheap.prices.swap_tube is not None
    assert dear.prices.swap_tube > cheap.prices.swap_tube


def test_as_the_price_of_a_tube_rises_the_decision_leaves_it_once_and_for_good() -> None:
    swapped = [
        judged(worn(0.22, 0.56, costs={"bench_rate_per_hour": 45.0, "replacement_tube": float(price)})).decision
        == "swap_tube"
        for price in (0, 25, 50, 100, 200, 400, 800)
    ]
    assert swapped[0]
    assert not swapped[-1]
    assert sum(a != b for a, b in itertools.pairwise(swapped)) == 1


def test_a_tube_that_was_never_treated_is_not_given_up_at_home() -> None:
    for level, kept in ((0.25, 0.58), (0.33, 0.66), (0.42, 0.74)):
        at_home = worn(level, kept, costs=NOTHING_TO_BE_HAD, use={"hours_per_week": 4.0, "minimum_white": 0.5})
        assert not gives_up(reckoned(at_home)), level


def test_the_harder_the_service_the_sooner_a_cheap_tube_pays() -> None:
    cheap = {"bench_rate_per_hour": 45.0, "replacement_tube": 20.0}
    decisions = [
        judged(worn(0.25, 0.58, costs=cheap, use={"hours_per_week": hours, "minimum_white": 0.5})).decision
        for hours in (3.0, 100.0)
    ]
    assert decisions[1] == "swap_tube"


def test_while_an_obstacle_stands_the_plan_removes_it_or_gives_up(knowledge_of_trade: Knowledge) -> None:
    r = reckoned(read("c10"))
    for plan in r.policy.plans:
        if plan.steps:
            assert plan.steps[0].kind in {"isolate_heater", "clear_short"}
            assert plan.then is not None
    assert r.plan.then is not None
    assert knowledge_of_trade.treatments["isolate_heater"].odds_worn == pytest.approx(
        float(r.plan.steps[0].success.mean()), abs=0.02
    )


@pytest.fixture
def knowledge_of_trade() -> Knowledge:
    return reckoned(read("c10")).knowledge


def test_a_hard_stop_leaves_only_another_tube_or_the_parts_bin() -> None:
    r = reckoned(read("v13_strong_but_cracked"))
    assert {plan.first for plan in r.policy.plans} <= {"swap_tube", "retire"}


def doubtful(kept: float, tests: list[dict[str, str]] | None = None) -> Case:
    """One gun at a quarter beside two good ones."""
    return case(
        readings=emission((0.251, 0.701, 0.702), (kept, 0.9, 0.9)),
        tube=GETTER_SEEN,
        costs=CAN_BE_REPLACED,
        use={"hours_per_week": 8.0, "minimum_white": 0.5},
        tests=tests or [],
    )


def test_a_low_reading_that_is_likely_false_is_proven_before_anything_else() -> None:
    holds, slumps = reckoned(doubtful(0.92), futures=1000), reckoned(doubtful(0.6), futures=1000)
    assert {plan.first for plan in holds.policy.plans} == {"clean_contacts"}
    assert {plan.first for plan in slumps.policy.plans} >= {"soak", "leave", "swap_tube"}
    proven = reckoned(doubtful(0.92, [{"id": "p_socket_clean", "result": "no_change"}]), futures=1000)
    assert proven.condition.misread[:, 0].mean() < holds.condition.misread[:, 0].mean()


@pytest.mark.parametrize("costs", [CAN_BE_REPLACED, NOTHING_TO_BE_HAD, {}])
@pytest.mark.parametrize("level", [0.201, 0.301, 0.351])
def test_three_guns_low_together_that_hold_their_emission_are_read_again_and_not_swapped(
    level: float, costs: Mapping[str, object]
) -> None:
    """Settings and contacts are proven first: worn cathodes would slump."""
    given_answer = judged(
        case(readings=emission((level, 1.02 * level, level), (0.91, 0.92, 0.9)), tube=GETTER_SEEN, costs=costs)
    )
    assert given_answer.decision == "clean_contacts"
    assert not {"swap_tube", "replace_display", "retire", "activate"} & {step.do for step in given_answer.plan}
    assert given_answer.next_steps


@pytest.mark.parametrize("kept", [(0.861, 0.9, 0.9), (0.92, 0.9, 0.9)])
def test_a_gun_read_at_a_fifth_that_hardly_slumps_is_neither_left_nor_given_up(kept: tuple[float, ...]) -> None:
    given_answer = judged(
        case(
            readings=emission((0.21, 0.71, 0.72), kept),
            tube=GETTER_SEEN,
            costs=CAN_BE_REPLACED,
            use={"hours_per_week": 8.0, "minimum_white": 0.5},
        )
    )
    assert given_answer.decision == "clean_contacts"


@pytest.mark.parametrize("values", [(None, 0.3, 0.31), (None, None, 0.3), (0.31, None, 0.3)])
@pytest.mark.parametrize("costs", [CAN_BE_REPLACED, NOTHING_TO_BE_HAD])
def test_a_tube_is_not_given_up_because_a_gun_was_not_read(
    values: tuple[float | None, ...], costs: Mapping[str, object]
) -> None:
    use = {"hours_per_week": 8.0, "minimum_white": 0.5}
    whole, part = (
        reckoned(case(readings=emission(given_values), use=use, costs=costs, tube=GETTER_SEEN))
        for given_values in ((0.31, 0.3, 0.31), values)
    )
    assert not gives_up(whole)
    assert not gives_up(part)


def test_one_weak_gun_read_on_a_dim_display_does_not_retire_it() -> None:
    dim = with_more(read("v40_only_a_dim_picture"), readings=emission((0.34, None, None)))
    assert not gives_up(reckoned(dim))


@pytest.mark.parametrize("seed", range(6))
def test_a_dim_but_living_tube_of_unknown_worth_does_not_end_in_the_parts_bin(seed: int) -> None:
    """No prices at all: a tired white at the end of the ladder is still a picture."""
    home = read("c08")
    assert home.costs.replacement_tube is None
    assert home.costs.replacement_display is None
    last = judged(home, seed, 10_000).plan[-1].do
    assert last in {"leave", "adjust"}


def test_who_names_the_price_of_another_display_does_not_do_without_one() -> None:
    """A spent and burnt tube in hard service: the display that can be had is had."""
    assert judged(read("v42_burnt_and_spent")).decision in {"replace_display", "swap_tube"}
    ends = {p.end: float(p.loss.mean()) for p in reckoned(worn(0.2, 0.55, costs=CAN_BE_REPLACED)).policy.plans}
    assert ends["retire"] > ends["replace_display"]


def test_strong_guns_are_never_treated_whatever_the_prices() -> None:
    for costs in (CAN_BE_REPLACED, NOTHING_TO_BE_HAD, {}):
        for level in (0.62, 0.75, 0.95):
            r = reckoned(worn(level, 0.9, costs=costs, use={"minimum_white": 0.5}))
            assert all(not plan.steps for plan in r.policy.plans)
            assert r.decision == "leave", (level, costs)
