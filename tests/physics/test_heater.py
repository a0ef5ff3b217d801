"""The heater: temperature, current and warm-up, and the emission course that follows."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq

from tubewright.physics.cathode import emission_fraction, supply_at_temperature, supply_ratio
from tubewright.physics.constants import WARM_UP_TIME_CONSTANT_S
from tubewright.physics.heater import (
    cathode_temperature_k,
    heater_load,
    heater_voltage_from_current_v,
    warm_up_temperature_k,
)
from tubewright.physics.warmup import (
    temperature_for_supply_k,
    warm_up_emission_fraction,
    warm_up_time_s,
    warm_up_times,
)


@given(st.floats(2.0, 12.0), st.floats(0.1, 2.0), st.floats(0.0, 3.0))
def test_power_in_is_power_radiated(heater_v: float, rated_current_a: float, exponent: float) -> None:
    """What the heater draws grows as T^4, and its resistance as T^n: the balance itself."""
    load = heater_load(heater_v, 6.3, rated_current_a, resistance_exponent=exponent)
    warmth = load.temperature_k / 1050.0
    assert load.power_w / (6.3 * rated_current_a) == pytest.approx(float(warmth**4), rel=1e-9)
    assert load.resistance_ohm * rated_current_a / 6.3 == pytest.approx(float(warmth**exponent), rel=1e-9)
    assert load.resistance_ohm * load.current_a == pytest.approx(heater_v, rel=1e-12)
    assert load.power_w == pytest.approx(float(heater_v**2 / load.resistance_ohm), rel=1e-9)


def test_temperature_agrees_with_the_balance_solved_numerically() -> None:
    """A root finder on V^2/R(T) = radiated power, knowing nothing of the closed form."""
    for volts in (4.0, 5.5, 6.3, 7.5):

        def surplus(kelvin: float, volts: float = volts) -> float:
            resistance: float = 10.5 * (kelvin / 1050) ** 1.2
            radiated: float = 6.3**2 / 10.5 * (kelvin / 1050) ** 4
            return volts**2 / resistance - radiated

        assert cathode_temperature_k(volts, 6.3) == pytest.approx(brentq(surplus, 300, 3000), rel=1e-9)


@given(st.floats(3.0, 9.0), st.floats(0.0, 3.0))
def test_voltage_comes_back_from_the_current(heater_v: float, exponent: float) -> None:
    load = heater_load(heater_v, 6.3, 0.6, resistance_exponent=exponent)
    assert heater_voltage_from_current_v(load.current_a, 6.3, 0.6, exponent) == pytest.approx(heater_v, rel=1e-9)


def test_current_tells_nothing_at_exponent_four() -> None:
    with pytest.raises(ValueError, match="below 4"):
        heater_voltage_from_current_v(0.5, 6.3, 0.6, 4.0)


def test_heater_at_rating_is_the_rating() -> None:
    load = heater_load(6.3, 6.3, 0.6)
    assert load.current_a == 0.6
    assert load.temperature_k == 1050.0
    assert load.power_w == pytest.approx(3.78)


@given(st.floats(0.0, 100.0), st.floats(0.5, 30.0), st.floats(0.1, 50.0))
def test_warm_up_rises_and_settles(seconds: float, constant: float, later: float) -> None:
    now, then = warm_up_temperature_k([seconds, seconds + later], constant)
    assert 295.0 <= now <= then <= 1050.0


def test_one_time_constant_does_63_percent() -> None:
    assert warm_up_temperature_k(0.0, 6.0) == 295.0
    assert (warm_up_temperature_k(6.0, 6.0) - 295) / (1050 - 295) == pytest.approx(1 - np.exp(-1))
    assert warm_up_temperature_k(np.inf, 6.0) == 1050.0


@given(st.floats(1e-30, 1.0), st.floats(0.8, 2.2), st.floats(700.0, 1500.0))
def test_temperature_gives_back_its_supply(supply: float, work: float, reference: float) -> None:
    temperature = temperature_for_supply_k(supply, reference, work)
    assert 0 < temperature <= reference
    assert supply_at_temperature(temperature, reference, work) == pytest.approx(supply, rel=1e-9)


def test_no_supply_is_absolute_zero_and_more_than_all_is_refused() -> None:
    assert temperature_for_supply_k([0.0, 1.0]).tolist() == [0.0, 1050.0]
    with pytest.raises(ValueError, match="exceed 1"):
        temperature_for_supply_k(1.01)


@given(st.floats(0.05, 0.95), st.floats(1.0, 20.0), st.floats(0.01, 30.0), st.floats(1.0, 1.6), st.floats(0.5, 4.0))
def test_emission_reaches_the_fraction_at_the_time_given(
    fraction: float, constant: float, reserve: float, work: float, sharpness: float
) -> None:
    seconds = warm_up_time_s(fraction, constant, reserve, work, sharpness=sharpness)
    reached = warm_up_emission_fraction(seconds, constant, reserve, work, sharpness=sharpness)
    assert reached == pytest.approx(fraction, rel=1e-6)


def test_warm_up_agrees_with_the_course_written_out_step_by_step() -> None:
    """Temperature, then supply, then blend, over the settled blend, at 14 s."""
    kelvin = 1050 - 755 * np.exp(-14 / 6)
    supply = (kelvin / 1050) ** 2 * np.exp(1.5 / 8.617333e-5 * (1 / 1050 - 1 / kelvin))
    expected = (4 * supply / (1 + 4 * supply)) / (4 / 5)
    assert warm_up_emission_fraction(14.0, 6.0, 4.0) == pytest.approx(expected, rel=1e-6)


@given(st.floats(0.05, 20.0), st.floats(1.1, 5.0))
def test_less_reserve_comes_up_later(reserve: float, less: float) -> None:
    strong, worn = warm_up_times(6.0, [reserve, reserve / less]).t90_s
    assert worn > strong


def test_strong_gun_at_the_usual_time_constant_falls_into_the_bench_bands() -> None:
    """Half in 8 to 15 s, nine tenths under 30 s: common practice for a strong gun."""
    times = warm_up_times(WARM_UP_TIME_CONSTANT_S, 12.0)
    assert 8 < times.t50_s < 15
    assert times.t50_s < times.t90_s < 30


def test_heat_alone_does_not_explain_a_very_slow_gun() -> None:
    """Even with nothing in reserve t90 stays near five time constants: slower has another cause."""
    assert warm_up_times(1.0, 0.0).t90_s == pytest.approx(4.86, abs=0.02)


def test_warm_up_edges() -> None:
    assert warm_up_time_s(0.0, 6.0, 3.0) == 0.0
    assert warm_up_time_s(0.1, 6.0, 3.0, start_temperature_k=1049.0) == 0.0
    for bad in (
        {"fraction": 1.0},
        {"reserve": np.inf},
        {"sharpness": np.inf},
        {"start_temperature_k": 1050.0},
    ):
        given_values = {"fraction": 0.5, "time_constant_s": 6.0, "reserve": 3.0} | bad
        with pytest.raises(ValueError, match=r"below|finite"):
            warm_up_time_s(**given_values)


def test_warm_up_ends_at_the_settled_emission_of_the_blend() -> None:
    settled = emission_fraction(3.0)
    late = warm_up_emission_fraction(1e3, 6.0, 3.0) * settled
    assert late == pytest.approx(0.75, rel=1e-9)
    assert supply_ratio(6.3, 6.3) == 1.0
