"""What is said of the stock: sums by currency, what is short, and a recap list held against what lies there."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

import pytest

from tubewright.answers.recap import Setting, answer_recap
from tubewright.answers.stock import (
    Item,
    Taken,
    ToOrder,
    cost_words,
    item_words,
    matches,
    order_json,
    parts_cost,
    parts_json,
    stock_words,
    sums_words,
)
from tubewright.answers.stock_kinds import attribute_words, exact_kind, kinds, named_kind, stored_kind
from tubewright.answers.stock_recap import order_attributes, recap_from_stock, recap_from_stock_json
from tubewright.errors import InputError
from tubewright.files.boards import read_board
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
KINDS: Final = kinds(KNOWLEDGE)
EXAMPLE: Final = Path(__file__).parents[2] / "docs" / "examples" / "larkspur-19.csv"


def part(number: int, kind: str, attributes: dict[str, object], **more: Any) -> Item:  # noqa: ANN401 - any other field
    return Item(
        id=number, code=f"P{number}", sort="part", kind=kind, name=f"part {number}", attributes=attributes, **more
    )


def taken(number: int, quantity: int, state: str, cost: float | None, currency: str | None = "EUR") -> Taken:
    return Taken(
        id=number, item_id=number, item_code=f"P{number}", item_name=f"part {number}", job_id=7, quantity=quantity,
        state=state, cost=cost, currency=currency,  # type: ignore[arg-type]
    )  # fmt: skip


def test_costs_are_summed_by_currency_and_what_was_given_back_costs_nothing() -> None:
    held = [
        taken(1, 2, "used", 0.14), taken(2, 1, "used", 2.9), taken(3, 1, "reserved", 3.0, "USD"),
        taken(4, 9, "released", 1.0), taken(5, 1, "used", None),
    ]  # fmt: skip
    cost = parts_cost(held)
    assert dict(cost.used_cost) == {"EUR": pytest.approx(3.18)}
    assert dict(cost.reserved_cost) == {"USD": 3.0}
    assert cost_words(cost) == (
        "Used: 3.18 EUR.", "Reserved: 3.00 USD.", "Without a price, so not in the sum: part 5.",
    )  # fmt: skip
    assert parts_json(7, held)["cost"]["used"] == [{"amount": 3.18, "currency": "EUR"}]
    assert sums_words({"": 1.5}) == "1.50"


def test_how_many_there_are_is_said_with_what_is_reserved_and_short() -> None:
    assert stock_words(part(1, "fuse", {}, quantity=12)) == "12"
    assert stock_words(part(1, "fuse", {}, quantity=12, reserved=3, minimum=10)) == "12, of them 3 reserved; 1 to order"
    short = part(1, "fuse", {}, quantity=1, reserved=4, minimum=2)
    assert (short.free, short.short, stock_words(short)) == (-3, 5, "1, 4 reserved; 5 to order")
    body = order_json([ToOrder(item=short, count=5, for_jobs=(3, 7))], KINDS)
    assert (body["lines"][0]["count"], body["lines"][0]["for_jobs"]) == (5, [3, 7])


def test_words_find_an_item_by_anything_known_of_it() -> None:
    item = part(1, "electrolytic_low_esr", {"capacitance_uf": 47.0, "voltage_v": 50.0}, place="drawer A3")
    for asked in ("47", "low-esr", "A3 50", "p1", ""):
        assert matches(item, asked, KINDS), asked
    assert not matches(item, "47 tantalum", KINDS)
    assert item_words(item, KINDS) == ("47 µF 50 V", "low-ESR aluminium electrolytic")


@pytest.mark.parametrize(
    ("name", "value", "words"),
    [
        ("capacitance_uf", 0.0068, "6.8 nF"),
        ("resistance_ohm", 4700.0, "4.7 kohm"),
        ("esr_ohm", 0.3, "0.3 ohm"),
        ("recovery_us", 0.05, "50 ns"),
        ("recovery_us", 2.0, "2 µs"),
        ("polar", False, "no"),
        ("pins", "1 focus, 5 g1", "1 focus, 5 g1"),
        ("mark", "LX-1", "LX-1"),
        ("glow", 3, "3"),
    ],
)
def test_values_are_said_as_they_are_printed(name: str, value: object, words: str) -> None:
    assert attribute_words(name, value) == words


def test_the_records_sort_capacitors_by_family_and_the_exact_kind_comes_back() -> None:
    for kind in kinds(KNOWLEDGE).values():
        stored = stored_kind(kind, KNOWLEDGE)
        assert stored in {"electrolytic", "film", "ceramic", "other"} or not kind.is_capacitor
        assert exact_kind(stored, {"capacitor_kind": kind.id} if kind.is_capacitor else {}) == kind.id
    assert exact_kind("film", {}) == "capacitor"
    assert named_kind("Low ESR", KNOWLEDGE, where="").id == "electrolytic_low_esr"
    assert named_kind("CRT", KNOWLEDGE, where="").id == "tube"
    with pytest.raises(InputError, match="Nearest are resistor"):
        named_kind("resistr", KNOWLEDGE, where="")


def test_a_recap_list_is_served_from_the_stock() -> None:
    board = read_board(EXAMPLE, KNOWLEDGE, this_year=2026)
    answer = answer_recap(board.parts, KNOWLEDGE, Setting(hours_per_week=20))
    stock = [
        part(1, "electrolytic_low_esr",
             {"capacitance_uf": 47.0, "voltage_v": 50.0, "temp_c": 105.0, "esr_ohm": 0.4}, quantity=1),
        part(2, "capacitor", {"capacitance_uf": 47.0, "voltage_v": 50.0}, quantity=9),
        part(3, "electrolytic_low_esr", {"capacitance_uf": 47.0, "voltage_v": 4.0, "temp_c": 105.0}, quantity=9),
        part(4, "resistor", {"resistance_ohm": 4700.0}),
    ]  # fmt: skip
    found = recap_from_stock(answer, stock, KNOWLEDGE, this_year=2026)
    by_ref = {one.wanted.part.ref: one for one in found.service.served}
    given = found.given(by_ref["C911"])
    assert given is not None
    assert given.code == "P1"
    assert found.not_said == ("part 2",)
    assert dict(found.service.taken) == {1: ("C911",)}
    assert found.headline.startswith(f"1 of {len(by_ref)} parts from the stock")
    ordered = {ref for line in found.service.to_order for ref in line.refs}
    assert "C911" not in ordered
    assert ordered
    assert "C401" not in by_ref, "what is never altered is neither offered nor ordered"
    for line in found.service.to_order:
        assert order_attributes(line)["capacitance_uf"] == line.capacitance_uf
    body = recap_from_stock_json(found, KINDS, cautions=["mind"])
    assert next(iter(body)) == "format"
    assert list(body)[1] == "cautions"
    assert body["reserve"] == [{"item": "P1", "name": "part 1", "count": 1, "refs": ["C911"]}]


def test_an_empty_shelf_leaves_the_whole_order() -> None:
    board = read_board(EXAMPLE, KNOWLEDGE, this_year=2026)
    answer = answer_recap(board.parts, KNOWLEDGE, Setting(hours_per_week=20))
    found = recap_from_stock(answer, [], KNOWLEDGE, this_year=2026)
    assert found.service.to_order == answer.recap.order
    count = sum(line.count for line in answer.recap.order)
    assert found.headline == f"0 of {len(answer.recap.ranked)} parts from the stock, {count} to order."
