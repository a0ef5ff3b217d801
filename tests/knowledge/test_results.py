"""From a number to a named result."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.results import convert, named_result, needs_nominal

TESTS = load_knowledge().tests


@pytest.mark.parametrize(
    ("test", "value", "unit", "nominal", "result"),
    [
        ("d_bplus", 107, "V", 120, "low"),
        ("d_bplus", 120, "V", 120, "right"),
        ("d_bplus", 118, "V", 120, "slightly_low"),
        ("d_bplus", 0.135, "kV", 120, None),  # nominal is then in kV too: 0.001 of it
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
    found = named_result(TESTS[test], value, unit, nominal)
    if test == "d_bplus" and unit == "kV":
        assert found is not None
        assert found.id == "zero"
        found = named_result(TESTS[test], value, unit, nominal, nominal_unit="V")
        assert found is not None
        assert found.id == "high"
        return
    assert (found.id if found else None) == result


@pytest.mark.parametrize("share", [0.9, 59.4 / 66, 1 - 0.1, 0.3 * 3])
def test_a_bound_belongs_to_the_upper_range_whatever_rounding_took(share: float) -> None:
    found = named_result(TESTS["t_slump"], share, "ratio", None)
    assert found is not None
    assert found.id == "strong"


def test_it_is_known_which_tests_need_a_nominal_value() -> None:
    assert needs_nominal(TESTS["d_bplus"])
    assert not needs_nominal(TESTS["d_heater_rms"])
    assert not needs_nominal(TESTS["t_slump"])


@given(st.floats(1e-6, 1e6), st.sampled_from([("kV", "V"), ("uA", "mA"), ("Mohm", "kohm"), ("percent", "ratio")]))
def test_converting_there_and_back_changes_nothing(value: float, units: tuple[str, str]) -> None:
    there = convert(value, *units)
    assert there is not None
    assert convert(there, units[1], units[0]) == pytest.approx(value)


def test_units_of_different_kinds_do_not_convert() -> None:
    assert convert(1, "V", "A") is None
    assert convert(1, "furlong", "V") is None
    assert convert(1, "furlong", "furlong") == 1


@given(st.sampled_from(sorted(TESTS)), st.floats(0, 1e6), st.sampled_from(["V", "Mohm", "uA", "ratio", "s"]))
def test_no_number_finds_a_result_outside_its_range(test: str, value: float, unit: str) -> None:
    found = named_result(TESTS[test], value, unit, 100.0)
    if found is not None:
        assert found.quantity != "none"
        assert found in TESTS[test].results
