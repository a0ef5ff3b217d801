"""What people type of a part becomes its attributes; what can't be read is told, and nothing is guessed."""

from __future__ import annotations

from typing import Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.answers.stock_kinds import ATTRIBUTES, kinds, short_words
from tubewright.errors import Fault, InputError
from tubewright.files.stock_fields import TypedItem, attribute_value, item_values
from tubewright.files.stock_words import from_words
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()


def typed(**cells: str) -> tuple[dict[str, Any], list[str]]:
    asked = TypedItem(cells=cells, where=lambda field: field)
    values = item_values(asked, KNOWLEDGE, this_year=2026)
    return values, [f"{fault.where}: {fault.what}" for fault in asked.faults]


@pytest.mark.parametrize(
    ("words", "kind", "attributes"),
    [
        ("47u 50V 105C", "capacitor", {"capacitance_uf": 47, "voltage_v": 50, "temp_c": 105}),
        ("4u7/50V bipolar", "electrolytic_bipolar", {"capacitance_uf": 4.7, "voltage_v": 50}),
        (
            "47 µF 50 V 105 C low ESR 250 mA 0,3ohm 5000h 20% 5mm pitch",
            "electrolytic_low_esr",
            {"capacitance_uf": 47, "voltage_v": 50, "temp_c": 105, "ripple_a": 0.25, "esr_ohm": 0.3, "life_h": 5000,
             "tolerance_percent": 20, "lead_mm": 5},
        ),
        ("100n X2 275V rm 15", "film_safety",
         {"capacitance_uf": 0.1, "voltage_v": 275, "safety_class": "X2", "lead_mm": 15}),
        ("6n8 1600V pulse 2000V/us", "film_pulse",
         {"capacitance_uf": 0.0068, "voltage_v": 1600, "pulse_v_per_us": 2000}),
        ("10u 63V non-polar", "electrolytic_bipolar", {"capacitance_uf": 10, "voltage_v": 63}),
        ("resistor 4k7 0.5W 5%", "resistor", {"resistance_ohm": 4700, "power_w": 0.5, "tolerance_percent": 5}),
        ("1/4W 330R fusible resistor", "resistor", {"resistance_ohm": 330, "power_w": 0.25, "fusible": True}),
        ("fuse T3.15A 250 V", "fuse", {"speed": "slow", "current_a": 3.15, "voltage_v": 250}),
        ("fuse 2A fast", "fuse", {"speed": "fast", "current_a": 2}),
        ("transistor QX51A npn 1500V 8A", "transistor",
         {"mark": "QX51A", "polarity": "npn", "voltage_v": 1500, "current_a": 8}),
        ("diode 50ns 1A 600V", "diode", {"recovery_us": 0.05, "current_a": 1, "voltage_v": 600}),
        ("flyback LK-19", "transformer", {"mark": "LK-19"}),
        ("choke 10mH 1A", "coil", {"inductance_mh": 10, "current_a": 1}),
        ("tube M34AFA63X03", "tube", {"label": "M34AFA63X03"}),
    ],
)  # fmt: skip
def test_words_become_attributes(words: str, kind: str, attributes: dict[str, object]) -> None:
    found, held = from_words(words, KNOWLEDGE, kind=None, where="what")
    assert found.id == kind
    assert held == {name: pytest.approx(v) if isinstance(v, float) else v for name, v in attributes.items()}


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("", "nothing in this says what it is"),
        ("a thing", "is not understood"),
        ("50V 105C", "nothing in this says what it is"),
        ("47u 47u 50V", "twice"),
        ("47u 50V wobble", "“wobble” is not understood"),
        ("0u 50V", "more than zero"),
    ],
)
def test_words_that_say_too_little_are_told(words: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        from_words(words, KNOWLEDGE, kind=None, where="what")


def test_a_bare_number_is_no_resistance() -> None:
    found, held = from_words("ic 7812", KNOWLEDGE, kind=None, where="what")
    assert (found.id, held) == ("ic", {"mark": "7812"})


def test_an_item_is_named_and_sorted_by_what_is_known_of_it() -> None:
    values, faults = typed(what="47u 50V 105C low esr", quantity="20", cost="0,12", currency="eur", place="A3")
    assert not faults
    assert values["name"] == "47 µF 50 V, low-ESR aluminium electrolytic, 105 C"
    assert (values["sort"], values["kind"], values["quantity"], values["minimum"]) == ("part", "electrolytic", 20, 0)
    assert values["attributes"]["capacitor_kind"] == "electrolytic_low_esr"
    assert (values["cost"], values["currency"], values["place"]) == (0.12, "EUR", "A3")
    values, faults = typed(kind="tube", label="M46QAA01X01", neck_mm="2.91 cm", emission="red 80 %, blue 0.7")
    assert not faults
    assert (values["sort"], values["kind"], values["name"]) == ("tube", "tube", "M46QAA01X01")
    assert values["attributes"] == {
        "label": "M46QAA01X01", "neck_mm": 29.1, "emission": "red 0.8, blue 0.7",
    }  # fmt: skip


@pytest.mark.parametrize(
    ("cells", "says"),
    [
        ({}, "kind: its kind is missing"),
        ({"kind": "elektrolitic"}, "kind: no kind of item is called"),
        ({"kind": "film", "capacitance_uf": "100"}, "capacitance_uf: the unit is missing"),
        ({"kind": "film", "capacitance_uf": "-1u"}, "capacitance_uf: “-1u” is negative"),
        ({"kind": "film", "capacitance_uf": "0u"}, "capacitance_uf: this must be more than zero"),
        ({"kind": "film", "capacitance_uf": "nan"}, "capacitance_uf: “nan” is not a capacitance"),
        ({"kind": "resistor", "capacitance_uf": "1u"}, "capacitance_uf: a resistor has no capacitance here"),
        ({"what": "47u 50V", "voltage_v": "63"}, "voltage_v: the words of the item say another rated voltage"),
        ({"what": "47u 50V low esr", "kind": "tantalum"}, "what: the words say low-ESR aluminium electrolytic"),
        ({"kind": "fuse", "quantity": "some"}, "quantity: “some” is no whole number"),
        ({"kind": "fuse", "quantity": "-3"}, "quantity: “-3” is no whole number"),
        ({"kind": "fuse", "cost": "cheap"}, "cost: “cheap” is not an amount of money"),
        ({"kind": "fuse", "currency": "euros"}, "currency: “EUROS” is no currency"),
        ({"kind": "film", "safety_class": "Z2"}, "safety_class: “Z2” is no safety class"),
        ({"kind": "film", "polar": "perhaps"}, "polar: “perhaps” is neither yes nor no"),
        ({"kind": "film", "made_year": "2027"}, "made_year: “2027” is no year up to 2026"),
        ({"kind": "tube", "neck_mm": "wide"}, "neck_mm: “wide” is not a length"),
        ({"kind": "fuse", "name": "x" * 201}, "name: this has 201 characters"),
    ],
)
def test_mistakes_are_told_at_their_field(cells: dict[str, str], says: str) -> None:
    _, faults = typed(**cells)
    assert any(fault.startswith(says) for fault in faults), faults


def test_all_mistakes_are_told_together() -> None:
    _, faults = typed(kind="film", capacitance_uf="x", voltage_v="y", quantity="z")
    assert len(faults) == 3


def test_every_attribute_of_every_kind_is_known() -> None:
    for kind in kinds(KNOWLEDGE).values():
        assert set(kind.attributes) <= set(ATTRIBUTES), kind.id
        assert short_words(kind.id, {}, kinds(KNOWLEDGE)) == ((kind.name,) if kind.id != "tube" else ())


def test_a_percent_sign_and_a_slope_may_stand_or_not() -> None:
    for text in ("5", "5 %", "±5%"):
        assert attribute_value("tolerance_percent", text, where="", this_year=2026) == 5
    for text in ("2000", "2000 V/us", "2000V/µs"):
        assert attribute_value("pulse_v_per_us", text, where="", this_year=2026) == 2000


@given(st.text(max_size=60))
def test_any_words_are_read_or_told(words: str) -> None:
    faults: tuple[Fault, ...] = ()
    kind = kinds(KNOWLEDGE)["other"]
    attributes: dict[str, Any] = {}
    try:
        kind, attributes = from_words(words, KNOWLEDGE, kind=None, where="what")
    except InputError as error:
        faults = error.faults
    assert all(fault.what and fault.mend for fault in faults)
    assert set(attributes) <= set(kind.attributes)
