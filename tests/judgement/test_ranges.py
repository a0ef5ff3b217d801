"""From a number to a named result of the catalogue."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.errors import InputError
from tubewright.judgement.ranges import nominal_of, result_of_value, shares_of_value, spread_of
from tubewright.knowledge.load import load_knowledge

TESTS = load_knowledge().tests


@pytest.mark.parametrize(
    ("test", "value", "unit", "nominal", "result"),
    [
        ("d_bplus", 107, "V", 120, "low"),
        ("d_bplus", 120, "V", 120, "right"),
        ("d_bplus", 118, "V", 120, "slightly_low"),
        ("d_bplus", 135, "V", 120, "high"),
        ("d_bplus", 0, "V", 120, "zero"),
        ("d_bplus", 107, "V", None, None),
        ("d_bplus", 107, "A", None, None),
        ("d_heater_rms", 5.1, "V", None, "low"),
        ("d_heater_rms", 5100, "mV", None, "low"),
        ("d_heater_rms", 6.3, "V", None, "right"),
        ("d_heater_rms", 12.6, "V", 12.6, "right"),
        ("d_heater_rms", 7.0, "V", 6.3, "high"),
        ("d_g2", 190, "V", 400, "low"),
        ("d_video_supply", 150, "V", 180, "low"),
        ("d_rails", 24.1, "V", 24, "all_right"),
        ("d_rails", 3, "V", 24, "missing"),
        ("d_raw_dc", 155, "V", 155, "right"),
        ("d_eht", 26, "kV", 24, "above_limit"),
        ("d_focus", 5.9, "kV", 6, "steady"),
        ("p_input_ohm", 37.5, "ohm", None, "doubled"),
        ("p_input_ohm", 75, "ohm", 75, "right"),
        ("p_input_ohm", 1, "kohm", None, "missing"),
        ("p_ground_ohm", 0.5, "ohm", None, None),
        ("t_leak_hk", 0.01, "Mohm", None, "shorted"),
        ("t_leak_hk", 100, "kohm", None, "leaks"),
        ("t_leak_kg1", 25, "Mohm", None, "good"),
        ("t_leak_g1g2", 50, "Mohm", None, "watch"),
        ("t_gas", 2000, "nA", None, "gassy"),
        ("t_slump", 0.70, "ratio", None, "spent"),
        ("t_slump", 94, "percent", None, "strong"),
        ("t_warmup", 22, "s", None, "quick"),
        ("t_warmup", 2, "min", None, "slow"),
        ("t_cutoff", 1.5, "ratio", None, "wide_spread"),
        ("t_heater_vi", 0.43, "A", 0.65, "third_low"),
        ("t_heater_vi", 0.74, "A", 0.65, "high"),
        ("t_emission", 0.3, "rel", None, None),  # one gun's number says nothing of all three
        ("v_getter", 1, "V", None, None),
    ],
)
def test_a_number_becomes_the_result_it_stands_for(
    test: str, value: float, unit: str, nominal: float | None, result: str | None
) -> None:
    """``None``: no range holds it, or the number can't be held against this test at all."""
    try:
        named = result_of_value(TESTS[test], value=value, unit=unit, nominal=nominal)
    except InputError:
        named = None
    assert (named.id if named else None) == result


BPLUS = TESTS["d_bplus"]


@given(st.floats(60.0, 190.0))
def test_shares_are_chances(volts: float) -> None:
    shares = shares_of_value(BPLUS, value=volts, unit="V", nominal=127)
    assert sum(shares.values()) == pytest.approx(1)
    assert all(0 < share <= 1 for share in shares.values())
    assert list(shares.values()) == sorted(shares.values(), reverse=True)


@given(st.floats(115.0, 140.0), st.floats(1e-6, 0.02))
def test_shares_move_without_a_jump(volts: float, step: float) -> None:
    """A hundredth of a volt moves no share by more than the law of the reading allows: its greatest density."""
    here, there = (shares_of_value(BPLUS, value=v, unit="V", nominal=127) for v in (volts, volts + step))
    steepest = 2 * step / (spread_of(volts, "V") * math.sqrt(2 * math.pi)) + 1e-5
    for name in {*here, *there}:
        assert abs(here.get(name, 0.0) - there.get(name, 0.0)) <= steepest


@given(st.floats(60.0, 126.0), st.floats(0.0, 20.0))
def test_a_lower_reading_never_makes_a_low_result_less_likely(volts: float, less: float) -> None:
    def low(value: float) -> float:
        shares = shares_of_value(BPLUS, value=value, unit="V", nominal=127)
        return sum(share for name, share in shares.items() if name in {"low", "slightly_low", "zero"})

    assert low(volts - less) >= low(volts) - 1e-9


@pytest.mark.parametrize(
    ("value", "unit", "nominal", "result"),
    [(107, "V", 120, "low"), (120, "V", 120, "right"), (135, "V", 120, "high"), (0, "V", 120, "zero")],
)
def test_far_from_every_border_one_result_counts_in_full(value: float, unit: str, nominal: float, result: str) -> None:
    shares = shares_of_value(BPLUS, value=value, unit=unit, nominal=nominal)
    assert next(iter(shares)) == result
    assert shares[result] > 0.8


def test_on_a_border_it_is_even_and_one_spread_below_it_is_five_to_one() -> None:
    """A leakage on the border of 0.05 Mohm, and one standard deviation under it: the normal law's 0.8413."""
    on = shares_of_value(TESTS["t_leak_hk"], value=50.0, unit="kohm")
    assert on["shorted"] == pytest.approx(0.5, abs=1e-6)
    assert on["leaks"] == pytest.approx(0.5, abs=1e-6)
    under = 50.0 / (1 + spread_of(1e5, "ohm") / 1e5)
    assert shares_of_value(TESTS["t_leak_hk"], value=under, unit="kohm")["shorted"] == pytest.approx(0.8413, abs=1e-4)


def test_units_do_not_matter() -> None:
    in_volts = shares_of_value(TESTS["d_heater_rms"], value=5.75, unit="V")
    in_millivolts = shares_of_value(TESTS["d_heater_rms"], value=5750, unit="mV")
    assert in_millivolts == pytest.approx(dict(in_volts))


def test_who_says_what_is_nominal() -> None:
    """The case first, then the profile of the chassis, then what is usual."""
    test = TESTS["d_heater_rms"]
    assert nominal_of(test, unit="V", given=12.6, of_chassis=11.0).origin == "case"
    assert nominal_of(test, unit="mV", given=None, of_chassis=11.0).value == pytest.approx(11000)
    assert nominal_of(test, unit="V", given=None).origin == "usual"
    assert nominal_of(BPLUS, unit="V", given=None).value is None


def test_a_count_has_no_spread() -> None:
    assert dict(shares_of_value(TESTS["p_fb_ring"], value=8, unit="rings")) == {"rings": 1.0}
