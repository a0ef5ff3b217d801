"""Prices: the owner's where there are any, the trade's where there are none, each assumption named."""

from __future__ import annotations

import pytest

from answers.worked import CAN_BE_REPLACED, NOTHING_TO_BE_HAD, case, emission, judged, knowledge
from tubewright.judgement.money import Prices, prices_of


def prices(**costs: object) -> Prices:
    return prices_of(case(costs=costs), knowledge())


def test_a_replacement_costs_its_price_and_the_bench_time_to_fit_it() -> None:
    found, k = prices(**CAN_BE_REPLACED), knowledge()
    assert found.swap_tube == pytest.approx(180 + 45 * k.value("swap_hours"))
    assert found.replace_display == pytest.approx(450 + 45 * k.value("replace_hours") - 20)
    assert found.retire == pytest.approx(45 * k.value("retire_hours") - 20)
    assert found.assumed == ()


def test_what_has_no_price_can_not_be_had_and_is_said_so() -> None:
    found = prices(**NOTHING_TO_BE_HAD)
    assert found.swap_tube is None
    assert found.replace_display is None
    assert found.worth > 0
    assert found.fallback == found.worth
    assert any("another tube" in words for words in found.assumed)
    assert any("another display" in words for words in found.assumed)


def test_the_cheapest_way_to_a_working_display_is_the_measure() -> None:
    found = prices(**CAN_BE_REPLACED)
    assert found.swap_tube is not None
    assert found.fallback == found.swap_tube
    dear = prices(**{**CAN_BE_REPLACED, "replacement_tube": 2000})
    assert dear.fallback == dear.replace_display


def test_no_bench_rate_is_assumed_and_named() -> None:
    found = prices()
    assert found.rate_per_h == knowledge().value("bench_rate_per_h")
    assert any("bench rate" in words for words in found.assumed)


def test_a_tube_for_nothing_is_not_a_tube_that_can_not_be_had() -> None:
    assert prices(replacement_tube=0.0, bench_rate_per_hour=0.0).swap_tube == 0.0


@pytest.mark.parametrize("scale", [0.1, 7.5, 130.0])
def test_the_currency_does_not_matter(scale: float) -> None:
    """All prices times a factor: the same decision, every cost times the factor."""
    parts = {
        "readings": emission((0.3, 0.33, 0.35), (0.63, 0.65, 0.66)),
        "use": {"hours_per_week": 20.0, "minimum_white": 0.5},
    }
    priced = {key: value for key, value in CAN_BE_REPLACED.items() if isinstance(value, int)}
    one = judged(case(costs=priced, **parts))
    other = judged(case(costs={key: float(value * scale) for key, value in priced.items()}, **parts))
    assert other.decision == one.decision
    assert [step.do for step in other.plan] == [step.do for step in one.plan]
    for option, scaled in zip(one.options, other.options, strict=True):
        if option.cost is not None:
            assert scaled.cost == pytest.approx(scale * option.cost, rel=1e-6), option.id
