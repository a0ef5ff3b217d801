"""From a number to a named result of the catalogue."""

from __future__ import annotations

import pytest

from tubewright.errors import InputError
from tubewright.judgement.ranges import result_of_value
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
