"""Figures for people carry no more precision than they can bear."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.answers.assessment import Spread, Unknown
from tubewright.report import wording


def spread(low: float, middle: float, high: float) -> Spread:
    return Spread(median=middle, p10=low, p90=high)


@pytest.mark.parametrize(
    ("years", "words"),
    [
        (spread(0.25, 0.475, 0.76), "about 6 months (3 to 9)"),
        (spread(1.6, 4.1, 8.3), "about 4 years (1½ to 8)"),
        (spread(0.4, 1.9, 5.2), "about 2 years (5 months to 5 years)"),
        (spread(0.08, 0.5, 2.0), "about 6 months (1 month to 2 years)"),
        (spread(0, 1, 9), "about 12 months (under a month to 9 years)"),
        (spread(0, 0.5, 0.9), "about 6 months (under a month to 11 months)"),
        (spread(5.9, 6.0, 6.1), "about 6 years"),
        (spread(10, 20, 70), "about 20 years (10 years to over 40 years)"),
        (spread(30, 55, 90), "over 40 years (at least 30 years)"),
        (spread(50, 55, 90), "over 40 years"),
        (spread(0, 0, 0), "not at all"),
        (spread(0, 0, 0.5), "most likely not at all (up to 6 months)"),
        (spread(0, 0.01, 0.5), "less than a month (up to 6 months)"),
        (spread(1, math.inf, math.inf), "over 40 years (at least 12 months)"),
        (Unknown(reason="no price", would_settle="a price"), "not known"),
    ],
)
def test_a_time_is_said_in_months_or_years(years: Spread | Unknown, words: str) -> None:
    assert wording.duration(years) == words


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (0, "0 %"),
        (0.001, "under 1 %"),
        (0.034, "3 %"),
        (0.57, "55 %"),
        (0.93, "93 %"),
        (0.9999, "over 99 %"),
        (1, "100 %"),
    ],
)
def test_a_chance_is_said_in_round_figures(probability: float, words: str) -> None:
    assert wording.chance(probability) == words


@pytest.mark.parametrize(
    ("amount", "words"), [(0, "0"), (0.2, "under 1"), (3.2, "3"), (183, "185"), (1234, "1230"), (None, "not known")]
)
def test_an_amount_is_rounded_to_what_an_estimate_can_bear(amount: float | None, words: str) -> None:
    assert wording.money(amount) == words


def test_bench_time_turns_from_minutes_to_hours() -> None:
    assert [wording.minutes(value) for value in (0, 0.4, 8, 89, 90, 150, 1440)] == [
        "no time",
        "under 1 min",
        "8 min",
        "89 min",
        "1½ h",
        "2½ h",
        "24 h",
    ]


@given(st.floats(0, 200), st.floats(0, 200), st.floats(0, 200))
def test_no_time_claims_more_than_two_figures(low: float, middle: float, high: float) -> None:
    low, middle, high = sorted((low, middle, high))
    words = wording.duration(spread(low, middle, high))
    assert all(len(part.rstrip("½)")) <= 2 for part in words.replace("(", " ").split() if part[0].isdigit())


@given(st.floats(0, 1))
def test_a_chance_is_never_said_more_than_three_points_off(probability: float) -> None:
    words = wording.chance(probability)
    number = float("".join(char for char in words if char.isdigit()))
    assert abs(number / 100 - probability) <= 0.0301


@given(st.floats(1e-6, 1e9))
def test_rounding_keeps_two_figures(value: float) -> None:
    assert float(wording.rounded(value)) == pytest.approx(value, rel=0.051)
