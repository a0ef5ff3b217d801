"""A figure is understood as it is typed at the bench, or refused with the way to write it."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.case import UNITS_OF
from tubewright.errors import InputError
from tubewright.quantity import QUANTITY_KINDS, parse_quantity

UNDERSTOOD = [
    ("6.3", "heater_voltage", 6.3, "V"),
    ("6,3", "heater_voltage", 6.3, "V"),
    ("6.3 V", "voltage", 6.3, "V"),
    ("6V3", "voltage", 6.3, "V"),
    (" 52v ", "cutoff", 52, "V"),
    ("450uA", "emission", 450, "uA"),
    ("450 µA", "emission", 450, "uA"),
    ("450 μA", "emission", 450, "uA"),
    ("450u", "emission", 450, "uA"),
    ("0.45 mA", "emission", 450, "uA"),
    ("0,450 mA", "emission", 450, "uA"),
    ("0.00045 A", "emission", 450, "uA"),
    ("22 %", "emission", 22, "percent"),
    ("33 div", "emission", 33, "div"),
    ("0.33 rel", "emission", 0.33, "rel"),
    ("2.2M", "leakage_heater_cathode", 2.2, "Mohm"),
    ("2M2", "leakage_heater_cathode", 2.2, "Mohm"),
    ("2.2 MΩ", "leakage_cathode_grid1", 2.2, "Mohm"),
    ("2.2 M\u2126", "leakage_cathode_grid1", 2.2, "Mohm"),
    ("470k", "leakage_heater_cathode", 0.47, "Mohm"),
    ("4k7", "leakage_heater_cathode", 0.0047, "Mohm"),
    ("1 G", "leakage_grid1_grid2", 1000, "Mohm"),
    ("30 ohm", "leakage_heater_cathode", 3e-5, "Mohm"),
    ("22", "leakage_heater_cathode", 22, "Mohm"),
    ("650mA", "heater_current", 0.65, "A"),
    ("0.65", "heater_current", 0.65, "A"),
    (".4uA", "gas", 0.4, "uA"),
    ("26 000", "hours", 26000, "h"),
    ("26'000 h", "hours", 26000, "h"),
    ("26k", "hours", 26000, "h"),
    ("2 h", "minutes", 120, "min"),
    ("50 %", "fraction", 0.5, ""),
    ("0.5", "fraction", 0.5, ""),
    ("180,50", "money", 180.5, ""),
    ("15734 Hz", "khz", 15.734, "kHz"),
    ('19"', "inches", 19, "in"),
    ("1e-3", "number", 0.001, ""),
    ("4u7", "capacitance", 4.7, "uF"),
    ("0,47 µF", "capacitance", 0.47, "uF"),
    ("6n8", "capacitance", 0.0068, "uF"),
    ("2200 pF", "capacitance", 0.0022, "uF"),
    ("4k7", "resistance", 4700, "ohm"),
    ("0R47", "resistance", 0.47, "ohm"),
    ("105°C", "celsius", 105, "C"),
    ("850mA", "current", 0.85, "A"),
    ("12.5", "millimetres", 12.5, "mm"),
]


@pytest.mark.parametrize(("text", "kind", "value", "unit"), UNDERSTOOD, ids=[f"{t}-{k}" for t, k, _, _ in UNDERSTOOD])
def test_what_is_typed_is_understood(text: str, kind: str, value: float, unit: str) -> None:
    found = parse_quantity(text, kind=kind)
    assert found.value == pytest.approx(value, rel=1e-12)
    assert found.unit == unit


REFUSED = [
    ("", "cutoff", "nothing here"),
    ("450", "emission", "unit is missing"),
    ("450 V", "emission", "not a unit of an emission reading"),
    ("2.2M", "emission", "m is milli, M is mega"),
    ("0.45 MA", "emission", "m is milli, M is mega"),
    ("2.2m", "leakage_heater_cathode", "m is milli, M is mega"),
    ("-5", "cutoff", "negative"),
    ("−5", "cutoff", "negative"),
    ("nan", "number", "is not a number"),
    ("inf", "number", "is not a number"),
    ("OL", "leakage_heater_cathode", "is not a leakage"),
    (">20M", "leakage_heater_cathode", "highest it can show"),
    ("1,234", "money", "Write 1234 or 1.234"),
    ("1.2.3", "number", "is not a number"),
    ("1,2.3", "number", "is not a number"),
    ("6 3", "voltage", "is not a voltage"),
    ("6²", "voltage", "not a unit"),
    ("٣", "number", "is not a number"),
    ("50", "fraction", "too large"),
    ("650", "heater_current", "too large"),
    ("1e999", "number", "too large"),
    ("1e9999", "number", "not a unit"),
    ("9" * 50, "number", "too long"),
    ("0x10", "number", "not a unit"),
    ("1_000", "number", "not a unit"),
]


@pytest.mark.parametrize(("text", "kind", "says"), REFUSED, ids=[f"{t[:9]}-{k}" for t, k, _ in REFUSED])
def test_what_can_be_misread_is_refused(text: str, kind: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_quantity(text, kind=kind, where="the field")
    (fault,) = caught.value.faults
    assert says in str(fault)
    assert fault.where == "the field"
    assert fault.mend


def test_a_bare_number_takes_the_unit_that_the_page_names() -> None:
    assert parse_quantity("33", kind="emission", default_unit="div") == (33, "div")
    assert parse_quantity("0.45", kind="emission", default_unit="mA") == (450, "uA")
    assert parse_quantity("22 %", kind="emission", default_unit="div") == (22, "percent")


@pytest.mark.parametrize("kind", sorted(UNITS_OF))
def test_the_unit_is_always_one_that_the_case_file_takes(kind: str) -> None:
    known = next(name for name in UNITS_OF if name == kind)
    for unit in UNITS_OF[known]:
        assert parse_quantity(f"1 {unit}", kind=kind).unit in UNITS_OF[known]


@given(st.text(max_size=30), st.sampled_from(QUANTITY_KINDS))
def test_any_text_is_understood_or_refused_never_a_crash(text: str, kind: str) -> None:
    said = ""
    value = 0.0
    try:
        value, _ = parse_quantity(text, kind=kind)
    except InputError as error:
        said = str(error)
    assert not said or said.isprintable()
    assert 0 <= value < 1e12


@given(st.floats(0.001, 9999), st.sampled_from([("uA", 1), ("mA", 1000)]))
def test_a_current_is_scaled_and_nothing_else(value: float, unit: tuple[str, int]) -> None:
    assert parse_quantity(f"{value:.6f} {unit[0]}", kind="emission").value == pytest.approx(
        float(f"{value:.6f}") * unit[1], rel=1e-12
    )
