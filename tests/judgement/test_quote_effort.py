"""Bench time of options: the verdict's own hours, and spreads that hold what they say."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from tubewright.case import Costs
from tubewright.judgement.quote_effort import (
    LABOUR_LOG_SD,
    SuspectWork,
    Work,
    effort_of,
    search_range,
    time_range,
)
from tubewright.knowledge.load import load_knowledge

KNOWN = load_knowledge()


def test_the_hours_are_those_that_the_verdict_reckons_with() -> None:
    costs = Costs(replacement_tube=180.0, replacement_display=450.0, parts_value=20.0)
    swap = effort_of("swap_tube", (), costs, KNOWN)
    assert [w.minutes for w in swap.works] == [60 * KNOWN.value("swap_hours")]
    assert [g.price for g in swap.goods] == [180.0]
    other = effort_of("replace_display", (), costs, KNOWN)
    assert [g.price for g in other.goods] == [450.0, -20.0]
    # Gun by gun where the treatment goes gun by gun, once where the heater is common to all.
    one, three = (
        effort_of("clean", guns, costs, KNOWN).works[0].minutes for guns in (("red",), ("red", "green", "blue"))
    )
    assert three == 3 * one == 3 * KNOWN.treatments["clean"].attended_minutes
    soak = effort_of("soak", ("red", "green", "blue"), costs, KNOWN)
    assert soak.works[0].minutes == KNOWN.treatments["soak"].attended_minutes
    assert effort_of("leave", (), costs, KNOWN).works == ()


@pytest.mark.parametrize("minutes", [(60.0,), (20.0, 12.0), (30.0, 30.0, 30.0, 12.0), (180.0, 5.0)], ids=str)
def test_eight_in_ten_sums_of_drawn_times_lie_in_the_range(minutes: tuple[float, ...]) -> None:
    # The plain twin: each time drawn by itself, then summed.
    rng = np.random.default_rng(20)
    drawn = (np.array(minutes) * np.exp(LABOUR_LOG_SD * rng.standard_normal((200_000, len(minutes))))).sum(axis=1)
    span = time_range([Work(key=str(n), words="", minutes=m) for n, m in enumerate(minutes)])
    inside = np.mean((drawn >= span.low_minutes) & (drawn <= span.high_minutes))
    assert inside == pytest.approx(0.8, abs=0.006)
    assert span.low_minutes < span.likely_minutes == sum(minutes) < span.high_minutes


def test_what_does_not_vary_has_no_range() -> None:
    span = time_range([Work(key="a", words="", minutes=30.0, varies=False)])
    assert span.low_minutes == span.likely_minutes == span.high_minutes == 30.0
    assert time_range([]).likely_minutes == 0


def test_a_search_ranges_over_its_suspects_by_their_chances() -> None:
    quick, slow = (dataclasses.replace(next(iter(KNOWN.faults.values())), minutes=minutes) for minutes in (10.0, 120.0))
    assert search_range([], 15.0) is None
    mostly = search_range([SuspectWork(fault=slow, probability=0.15), SuspectWork(fault=quick, probability=0.7)], 15.0)
    assert mostly is not None
    assert mostly.likely_minutes == 25.0
    assert mostly.low_minutes < 25.0
    assert mostly.high_minutes > 135.0
    # One in twenty isn't quoted for.
    sure = search_range([SuspectWork(fault=slow, probability=0.04), SuspectWork(fault=quick, probability=0.9)], 0.0)
    assert sure is not None
    assert sure.high_minutes < 20
