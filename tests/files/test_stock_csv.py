"""The stock as CSV: out and in again it is the same; mistakes come all together, and then nothing comes in."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any, Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.answers.stock import Item
from tubewright.answers.stock_kinds import ATTRIBUTES, CAPACITOR_KIND, exact_kind, kinds
from tubewright.errors import Fault, InputError
from tubewright.files.boards import decoded
from tubewright.files.stock_csv import read_stock, stock_csv, stock_from_text
from tubewright.files.stock_fields import BASE_FIELDS
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
KINDS: Final = kinds(KNOWLEDGE)
EXAMPLE: Final = Path(__file__).parents[2] / "docs" / "examples" / "stock.csv"


def read(text: str) -> list[dict[str, Any]]:
    return [dict(line.values) for line in stock_from_text(text, KNOWLEDGE, this_year=2026, name="s.csv").lines]


@pytest.mark.parametrize("separator", [",", ";", "\t"])
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "cp1252"])
def test_separators_and_encodings_are_read_as_they_come(separator: str, encoding: str, tmp_path: Path) -> None:
    lines = [["kind", "capacitance", "Voltage", "pcs"], ["electrolytic", "47 µF", "50", "3"]]
    path = tmp_path / "s.csv"
    path.write_bytes("\r\n".join(separator.join(line) for line in lines).encode(encoding))
    (line,) = read_stock(path, KNOWLEDGE, this_year=2026).lines
    assert line.values["attributes"] == {"capacitance_uf": 47, "voltage_v": 50, CAPACITOR_KIND: "electrolytic"}
    assert line.values["quantity"] == 3


def test_the_example_is_read_whole() -> None:
    found = read_stock(EXAMPLE, KNOWLEDGE, this_year=2026)
    assert not found.remarks
    assert {line.values["sort"] for line in found.lines} == {"part", "tube"}
    assert len(found.lines) >= 8


def test_every_mistake_comes_with_line_and_field_and_nothing_comes_in() -> None:
    text = (
        "code;kind;capacitance;quantity;lead_mm\n"
        "A1;film;100n;2;5\n"
        "A1;elektro;1u;x;5\n"
        "A2;film;0;1;5\n"
        "\n"
        "A3;film;1u;1;wide;7\n"
    )
    with pytest.raises(InputError) as told:
        read(text)
    places = [fault.where for fault in told.value.faults]
    assert places == ["s.csv line 3, kind", "s.csv line 3, quantity", "s.csv line 4, capacitance_uf", "s.csv line 6"]
    with pytest.raises(InputError, match="a1 stands in line 2 already"):
        read("code;kind\nA1;fuse\na1;fuse\n")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "the list is empty"),
        ("kind\n", "there is no item in it"),
        ("kind;capacitanse\nfilm;1u\n", "Did you mean capacitance_uf"),
        ("value;uf\n1;1\n", "two columns hold capacitance_uf"),
        ("place\nA3\n", "no column says what the items are"),
        ("kind;more\nfuse;[1]\n", "no JSON object"),
        ('kind;more\nfuse;"{""voltage_v"": 1}"\n', "no JSON object"),
    ],
)
def test_what_is_no_list_is_told(text: str, says: str) -> None:
    with pytest.raises(InputError, match=says):
        read(text)


def test_a_strange_column_is_passed_over_and_told() -> None:
    found = stock_from_text("kind;zzz\nfuse;1\n", KNOWLEDGE, this_year=2026)
    assert [fault.where for fault in found.remarks] == ["list line 1, heading zzz"]


def test_figures_stand_in_the_unit_of_their_heading() -> None:
    (one,) = read("kind,capacitance_uf,esr_ohm,life_h\nfilm,0.047,0.5,2000\n")
    assert one["attributes"]["capacitance_uf"] == 0.047


def test_no_cell_begins_as_a_formula_and_comes_back_as_it_was() -> None:
    item = Item(id=1, code="A1", sort="part", kind="other", name="=1+1", notes="-a", place="'=x", supplier="@b")
    text = stock_csv([item])
    for row in list(csv.reader(io.StringIO(text)))[1:]:
        assert not any(cell.startswith(("=", "+", "-", "@")) for cell in row)
    (back,) = read(text)
    assert (back["name"], back["notes"], back["place"], back["supplier"]) == ("=1+1", "-a", "'=x", "@b")


def test_what_this_program_does_not_know_is_carried_along() -> None:
    item = Item(id=1, code="A1", sort="part", kind="fuse", name="f", attributes={"glow": "a", "current_a": 2.0})
    (back,) = read(stock_csv([item]))
    assert back["attributes"] == {"glow": "a", "current_a": 2.0}


def test_files_that_cannot_be_read_are_told(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can't be read"):
        read_stock(tmp_path / "none.csv", KNOWLEDGE, this_year=2026)
    (tmp_path / "big.csv").write_bytes(b"x" * 1_000_001)
    with pytest.raises(InputError, match="larger than 1 MB"):
        read_stock(tmp_path / "big.csv", KNOWLEDGE, this_year=2026)


TEXT: Final = st.text(st.characters(exclude_categories=["C", "Z"], include_characters=" "), max_size=12).map(str.strip)
NUMBER: Final = st.decimals("0.001", "9000", places=3).map(float).filter(lambda value: value > 0)
SPECIAL: Final[dict[str, st.SearchStrategy[object]]] = {
    "size_is": st.sampled_from(["nominal", "viewable"]),
    "picture": st.sampled_from(["colour", "mono"]),
    "gun": st.sampled_from(["inline", "delta", "grille", "mono"]),
    "face": st.sampled_from(["flat", "cylinder", "sphere"]),
    "g1": st.sampled_from(["common", "split"]),
    "focus": st.sampled_from(["high", "low", "two", "magnetic"]),
    "mount": st.sampled_from(["ears", "bolts"]),
    "band": st.sampled_from(["tension", "none"]),
    "neck_state": st.sampled_from(["sound", "cracked"]),
    "getter": st.sampled_from(["silver", "unseen"]),
    "yoke": st.booleans(),
    "pins": st.sampled_from(["1 focus", "5 g1, 10 cathode red"]),
    "emission": st.sampled_from(["red 0.8", "red 0.25, green 1, blue 0.7"]),
    "burn": st.sampled_from([0.0, 0.08, 1.0]),
    "restorations": st.integers(0, 5),
    "deflection_deg": st.sampled_from([70.0, 90.0, 110.0]),
    "anode_max_kv": st.sampled_from([25.5, 27.5]),
    "anode_kv": st.sampled_from([24.0]),
    "temp_c": st.sampled_from([85.0, 105.0]),
    "current_a": st.sampled_from([0.25, 3.15]),
    "ripple_a": st.sampled_from([0.25, 1.1]),
}


def values_of(name: str) -> st.SearchStrategy[object]:
    held = ATTRIBUTES[name]
    if name in SPECIAL:
        return SPECIAL[name]
    if held.value == "yes_no":
        return st.booleans()
    if held.value == "choice":
        return st.sampled_from(held.choices)
    if held.value == "whole" or name == "made_year":
        return st.integers(1990, 2026)
    if held.value == "text" or name in {"label", "base"}:
        return TEXT.filter(lambda text: text not in {"", "-", "?"})
    return NUMBER


@st.composite
def stock_items(draw: st.DrawFn) -> list[Item]:
    out = []
    for number in range(draw(st.integers(1, 5))):
        kind = KINDS[draw(st.sampled_from(sorted(KINDS)))]
        names = draw(st.lists(st.sampled_from(kind.attributes), unique=True, max_size=6))
        attributes = {name: draw(values_of(name)) for name in names}
        out.append(
            Item(
                id=number + 1,
                code=f"X{number}",
                sort="tube" if kind.id == "tube" else "part",
                kind=kind.id,
                name=draw(TEXT.filter(bool)),
                attributes=attributes,
                quantity=draw(st.integers(0, 999)),
                minimum=draw(st.integers(0, 99)),
                place=draw(TEXT),
                cost=draw(st.none() | NUMBER),
                currency=draw(st.sampled_from([None, "EUR", "USD"])),
                supplier=draw(TEXT),
                tube_id=draw(st.none() | st.integers(1, 99)),
                notes=draw(TEXT),
            )
        )
    return out


def plain_item(number: int, values: dict[str, Any]) -> Item:
    attributes = {name: value for name, value in values["attributes"].items() if name != CAPACITOR_KIND}
    kept = {name: value for name, value in values.items() if name not in {"attributes", "kind"}}
    return Item(id=number, kind=exact_kind(values["kind"], values["attributes"]), attributes=attributes, **kept)


@given(stock_items())
def test_out_and_in_again_is_the_same(items: list[Item]) -> None:
    text = stock_csv(items)
    back = [plain_item(number, values) for number, values in enumerate(read(text), start=1)]
    assert back == items
    assert stock_csv(back) == text


@given(st.binary(max_size=300))
def test_any_bytes_are_read_or_told(raw: bytes) -> None:
    faults: tuple[Fault, ...] = ()
    try:
        stock_from_text(decoded(b"kind;value;quantity\n" + raw), KNOWLEDGE, this_year=2026)
    except InputError as error:
        faults = error.faults
    assert all(fault.what and fault.mend for fault in faults)


def test_every_base_field_but_the_words_goes_out() -> None:
    head = stock_csv([]).strip().split(",")
    assert head == [name for name in BASE_FIELDS if name != "what"]


def test_the_docs_name_every_column_of_a_part() -> None:
    page = (Path(__file__).parents[2] / "docs" / "stock.md").read_text(encoding="utf-8")
    shelf = (Path(__file__).parents[2] / "docs" / "donor.md").read_text(encoding="utf-8")
    for name in (*BASE_FIELDS, *ATTRIBUTES):
        told = shelf if name in ATTRIBUTES and ATTRIBUTES[name].value == "tube" else page
        assert f"`{name}`" in told, name
