"""Preferred values are those of IEC 60063, nearest is by ratio, and a part's life follows the makers' rule."""

from __future__ import annotations

import csv
import math
from pathlib import Path
from typing import Final

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.physics import capacitor_life as life
from tubewright.physics.preferred_values import (
    SERIES,
    Series,
    at_or_above,
    at_or_below,
    decade,
    is_preferred,
    nearest,
    next_above,
    next_below,
)

TABLE: Final = Path(__file__).parents[1] / "reference" / "preferred_values.csv"
WHICH: Final = st.sampled_from(SERIES)
VALUES: Final = st.floats(1e-13, 1e9)


def tabulated() -> dict[str, list[int]]:
    """Each series as the reference table has it."""
    with TABLE.open(encoding="utf-8", newline="") as file:
        return {row["series"]: [int(word) for word in row["values"].split()] for row in csv.DictReader(file)}


@pytest.mark.parametrize("series", SERIES)
def test_a_decade_is_that_of_the_standard(series: Series) -> None:
    assert list(decade(series)) == tabulated()[series]
    assert len(decade(series)) == int(series[1:])


def test_e24_is_not_the_rounded_geometric_series() -> None:
    rounded = [round(10 ** (1 + step / 24)) for step in range(24)]
    assert {ours for ours, theirs in zip(decade("E24"), rounded, strict=True) if ours != theirs} == {
        27, 30, 33, 36, 39, 43, 47, 82
    }  # fmt: skip


@pytest.mark.parametrize(
    ("value", "series", "near", "above"),
    [  # from the reference package, whose nearest is by difference: of 1234 in E6 it says 1000, by ratio it is 1500
        (1234, "E6", 1500, 1500),
        (1234, "E12", 1200, 1500),
        (1234, "E24", 1200, 1300),
        (87, "E6", 100, 100),
        (87, "E12", 82, 100),
        (87, "E24", 91, 91),
        (475, "E6", 470, 680),
        (475, "E12", 470, 560),
        (475, "E24", 470, 510),
        (5.0, "E6", 4.7, 6.8),
        (5.0, "E12", 4.7, 5.6),
        (5.0, "E24", 5.1, 5.1),
        (0.47, "E6", 0.47, 0.47),
        (1e-9, "E3", 1e-9, 1e-9),
        (999.9, "E24", 1000, 1000),
    ],
)
def test_nearest_and_next(value: float, series: Series, near: float, above: float) -> None:
    assert float(nearest(value, series)) == pytest.approx(near, rel=1e-12)
    assert float(at_or_above(value, series)) == pytest.approx(above, rel=1e-12)


def test_nearest_is_by_ratio_where_the_difference_says_otherwise() -> None:
    # Between 22 and 33 the middle by ratio is 26.94, by difference 27.5.
    assert float(nearest(27.2, "E6")) == 33
    assert float(nearest(26.8, "E6")) == 22
    assert float(nearest(math.sqrt(10 * 22), "E3")) in {10, 22}


@given(value=VALUES, series=WHICH)
def test_what_is_given_is_preferred_and_brackets_the_value(value: float, series: Series) -> None:
    low, high, near = (float(find(value, series)) for find in (at_or_below, at_or_above, nearest))
    assert low <= value * (1 + 1e-9)
    assert high >= value * (1 - 1e-9)
    assert near in {low, high}
    # Nothing preferred is nearer by ratio.
    assert abs(math.log(near / value)) <= min(abs(math.log(low / value)), abs(math.log(high / value))) + 1e-9
    for found in (low, high):
        assert bool(is_preferred(found, series))
        assert float(nearest(found, series)) == found
    up, down = float(next_above(value, series)), float(next_below(value, series))
    assert down < value * (1 - 1e-10)
    assert up > value * (1 + 1e-10)
    if not bool(is_preferred(value, series)):
        assert (down, up) == (low, high)
    assert float(next_below(up, series)) == pytest.approx(low, rel=1e-12)
    assert float(next_above(down, series)) == pytest.approx(high, rel=1e-12)


@given(value=st.floats(1e-3, 1e3), series=WHICH)
def test_a_decade_further_is_ten_times_as_much(value: float, series: Series) -> None:
    assert float(nearest(value * 10, series)) == pytest.approx(float(nearest(value, series)) * 10, rel=1e-9)


def test_arrays_go_through_in_their_shape() -> None:
    values = np.array([[1234, 87], [475, 5.0]])
    assert np.allclose(nearest(values, "E24"), np.array([[1200, 91], [470, 5.1]]), rtol=1e-12)


@pytest.mark.parametrize("value", [0, -1, float("inf"), float("nan")])
def test_what_is_no_value_is_refused(value: float) -> None:
    with pytest.raises(ValueError, match="value must be"):
        nearest(value, "E12")
    with pytest.raises(KeyError):
        decade("E13")


# --- ageing ------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("hours", "rated_c", "core_c", "expected"),
    [  # arithmetic of the makers' rule
        (2000, 85, 45, 32_000),
        (2000, 105, 55, 64_000),
        (2000, 105, 65, 32_000),
        (1000, 85, 60, 5656.85),
        (5000, 105, 60, 113_137),
    ],
)
def test_ten_degrees_halve_the_life(hours: float, rated_c: float, core_c: float, expected: float) -> None:
    assert float(life.life_hours(hours, rated_c=rated_c, ambient_c=core_c)) == pytest.approx(expected, rel=1e-5)


@pytest.mark.parametrize(
    ("energy", "cool", "warm", "factor"),
    [  # exp(E/k (1/T1 - 1/T2)), k = 8.617333e-5 eV/K, worked apart
        (0.7, 45, 55, 2.17727),
        (0.7, 75, 85, 1.91836),
        (0.7, 95, 105, 1.79229),
        (0.4, 55, 65, 1.5194),
        (0.5, 55, 65, 1.6869),
        (0.6, 55, 65, 1.8729),
        (0.7, 55, 65, 2.0793),
        (0.9, 55, 65, 2.5631),
    ],
)
def test_arrhenius(energy: float, cool: float, warm: float, factor: float) -> None:
    assert float(life.arrhenius_factor(energy, cool, warm)) == pytest.approx(factor, rel=4e-5)


@pytest.mark.parametrize(("cool", "energy"), [(45, 0.62360), (60, 0.683), (75, 0.74478), (95, 0.83155)])
def test_the_rule_is_not_one_activation_energy(cool: float, energy: float) -> None:
    found = float(life.doubling_energy_ev(cool))
    assert found == pytest.approx(energy, abs=5e-4 if cool == 60 else 1e-5)
    assert float(life.arrhenius_factor(found, cool, cool + 10)) == pytest.approx(2, rel=1e-12)


@given(
    ambient=st.floats(20, 90),
    warmer=st.floats(0.1, 30),
    ripple=st.floats(0, 1.5),
    more=st.floats(0.01, 1),
)
def test_heat_and_ripple_never_lengthen_a_life(ambient: float, warmer: float, ripple: float, more: float) -> None:
    def reckon(at: float, current: float) -> float:
        return float(life.life_hours(2000, rated_c=105, ambient_c=at, ripple_ratio=current, rated_rise_k=5))

    here = reckon(ambient, ripple)
    assert reckon(ambient + warmer, ripple) < here
    assert reckon(ambient, ripple + more) < here
    # At its rated conditions a part has its rated hours.
    assert reckon(105, 1) == pytest.approx(2000)


def test_ripple_heats_by_its_square_and_voltage_is_an_option() -> None:
    assert float(life.ripple_rise_k(2, 5)) == 20
    assert float(life.voltage_factor(0.5, 3)) == pytest.approx(8)
    assert float(life.voltage_factor(0.5, 0)) == 1


def test_the_spread_of_a_life_adds_in_squares() -> None:
    assert float(life.life_log_sd(part_log_sd=0.3, temperature_sd_k=0)) == pytest.approx(0.3)
    assert float(life.life_log_sd(part_log_sd=0, temperature_sd_k=10)) == pytest.approx(math.log(2))


@pytest.mark.parametrize(
    ("used", "per_year", "age", "expected"),
    [(0, 1000, 0, 15), (22_000, 1000, 0, 10), (40_000, 1000, 0, 0), (0, 1000, 12, 3), (0, 0, 5, 10), (0, 1000, 40, 0)],
)
def test_no_claim_outlives_the_seal(used: float, per_year: float, age: float, expected: float) -> None:
    left = life.years_left(32_000, used_hours=used, hours_per_year=per_year, age_years=age, claim_years=15)
    assert float(left) == pytest.approx(expected)


@pytest.mark.parametrize(
    "call",
    [
        lambda: life.life_hours(0, rated_c=105, ambient_c=40),
        lambda: life.life_hours(2000, rated_c=105, ambient_c=40, ripple_ratio=-1),
        lambda: life.arrhenius_factor(0.7, -300, 20),
        lambda: life.voltage_factor(0, 3),
        lambda: life.years_left(1000, used_hours=-1, hours_per_year=1, age_years=0, claim_years=15),
    ],
)
def test_a_life_without_sense_is_refused(call: object) -> None:
    with pytest.raises(ValueError, match="must"):
        call()  # type: ignore[operator]
