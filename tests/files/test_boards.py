"""A board's part list is read as people write it, and a mistake in a line costs that line only."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.answers.recap import OrderLine, Setting, answer_recap
from tubewright.errors import Fault, InputError
from tubewright.files.boards import BoardFile, board_from_bytes, board_from_text, read_board
from tubewright.files.orders import HEADINGS, order_csv
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
EXAMPLE: Final = Path(__file__).parents[2] / "docs" / "examples" / "larkspur-19.csv"


def read(text: str) -> BoardFile:
    return board_from_text(text, KNOWLEDGE, this_year=2026, name="b.csv")


def test_the_example_is_read_whole_and_answered() -> None:
    found = read_board(EXAMPLE, KNOWLEDGE, this_year=2026)
    assert not found.faults
    assert not found.remarks
    assert len(found.parts) == 18
    by_ref = {part.ref: part for part in found.parts}
    assert by_ref["C905"].part.ripple_a == 1.1
    assert by_ref["C401"].part.capacitance_uf == pytest.approx(0.0068)
    assert by_ref["C933"].part == by_ref["C934"].part
    answer = answer_recap(found.parts, KNOWLEDGE, Setting(hours_per_week=20))
    assert answer.recap.ranked[0].part.ref == "C911"


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("ref,value,voltage\nC1,100uF,25V\n", ("C1", 100, 25)),
        ("REF;Value;V\nC1;4,7 µF;6,3\n", ("C1", 4.7, 6.3)),
        ("Reference\tCapacitance (uF)\tVolts\nC1\t0.47\t50 V\n", ("C1", 0.47, 50)),
        ("part,value (nF),rated voltage\nC1,470,63\n", ("C1", 0.47, 63)),
        ("designator,µF,voltage\nC1,100,25\n", ("C1", 100, 25)),
        ("ref,value uF,v\nC1,22,16\n", ("C1", 22, 16)),
        ("ref,value\nC1,100uF/25V\n", ("C1", 100, 25)),
        ("ref;value\nC1;4u7 50 V\n", ("C1", 4.7, 50)),
        ('ref,value,voltage\nC1,"4,7 uF",50\n', ("C1", 4.7, 50)),
        ("# a list\n\nref,value,voltage\n# more\nC1,100uF,25V\n\n", ("C1", 100, 25)),
        ("\ufeffref;value;voltage\r\nC1;100uF;25V\r\n", ("C1", 100, 25)),
        ("value,voltage\n100uF,25V\n", ("line 2", 100, 25)),
    ],
)
def test_lists_are_read_as_people_write_them(text: str, expected: tuple[str, float, float]) -> None:
    for raw in (text.encode(), text.lstrip("\ufeff").encode("utf-16")):
        found = board_from_bytes(raw, KNOWLEDGE, this_year=2026, name="b.csv")
        assert not found.faults
        part = found.parts[0]
        assert (part.ref, part.part.rated_v) == (expected[0], expected[2])
        assert part.part.capacitance_uf == pytest.approx(expected[1])


def test_an_old_windows_file_keeps_its_micro_sign() -> None:
    found = board_from_bytes("ref;value\nC1;100 µF\n".encode("cp1252"), KNOWLEDGE, this_year=2026, name="b.csv")
    assert found.parts[0].part.capacitance_uf == 100


def test_words_of_people_stand_for_kinds_and_places() -> None:
    head = "ref;type;value;function;polarised;hot;damage;made;safety class;tol\n"
    found = read(head + "C1;Low-ESR;100uF;B+;yes;x;bulged;1996;;\nC2;mkp;22nF;AFC;;no;;?;;±5 %\nC3;;100nF;;np;;;;x2;\n")
    assert not found.faults
    first, second, third = found.parts
    assert (first.part.kind, first.place, first.part.polar) == ("electrolytic_low_esr", "rail", True)
    assert (first.near_hot, first.bulging, first.age_years) == (True, True, 30)
    assert (second.part.kind, second.place, second.part.tolerance_percent) == ("film_polypropylene", "loop_filter", 5)
    assert (third.part.kind, third.part.polar, third.part.safety_class) == ("", False, "X2")


@pytest.mark.parametrize(
    ("line", "where", "words"),
    [
        ("C2;100;25;;;", "line 3, column value", "unit is missing"),
        ("C2;hundred uF;25;;;", "line 3, column value", "not a capacitance"),
        ("C2;0 uF;25;;;", "line 3, column value", "more than zero"),
        ("C2;-4uF;25;;;", "line 3, column value", "negative"),
        ("C2;nan;25;;;", "line 3, column value", "not a capacitance"),
        ("C2;100uF;1e99;;;", "line 3, column voltage", "too large"),
        ("C2;100uF;25;rayl;;", "line 3, column place", "no place is called"),
        ("C2;100uF;25;;maybe;", "line 3, column near hot", "neither yes nor no"),
        ("C2;100uF;25;;;19x4", "line 3, column made", "not a year"),
        ("C2;100uF;25;;;2031", "line 3, column made", "not a year"),
        ("C1;100uF;25;;;", "line 3, column ref", "stands in line 2 already"),
        ("C2;100uF;25;;;;;surplus", "line 3", "8 cells under 6 headings"),
    ],
)
def test_a_mistake_is_named_with_its_place_and_costs_its_own_line_only(line: str, where: str, words: str) -> None:
    found = read(f"ref;value;voltage;place;near hot;made\nC1;47uF;25;;;\n{line}\nC3;22uF;16;;;\n")
    assert [part.ref for part in found.parts] == ["C1", "C3"]
    assert len(found.faults) == 1
    assert f"b.csv {where}" in found.faults[0].where
    assert words in found.faults[0].what
    assert found.faults[0].mend


def test_all_mistakes_are_told_together_with_nearest_names() -> None:
    found = read("ref;value;place\nC1;x;rayl\nC2;y;lop filter\nC3;1uF;rail\n")
    assert len(found.faults) == 4
    assert "rail" in found.faults[1].mend
    assert "loop_filter" in found.faults[3].mend
    assert [part.ref for part in found.parts] == ["C3"]


def test_an_unknown_heading_is_passed_over_and_said() -> None:
    found = read("ref;value;colour;voltag\nC1;100uF;blue;25\n")
    assert [part.ref for part in found.parts] == ["C1"]
    assert ["colour" in found.remarks[0].where, "voltage" in found.remarks[1].mend] == [True, True]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "the list is empty"),
        ("\n\n# only words\n", "the list is empty"),
        ("ref;voltage\nC1;25\n", "no heading says which column holds the value"),
        ("value;capacitance\n1uF;2uF\n", "this heading stands for value"),
        ("ref;value\n" + "C;1uF\n" * 2001, "2001 lines"),
    ],
)
def test_what_is_no_list_is_refused(text: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        read(text)


def test_a_file_that_cannot_be_read_is_an_input_error(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="can't be read"):
        read_board(tmp_path / "none.csv", KNOWLEDGE, this_year=2026)
    (tmp_path / "big.csv").write_bytes(b"x" * 1_000_001)
    with pytest.raises(InputError, match="larger than 1 MB"):
        read_board(tmp_path / "big.csv", KNOWLEDGE, this_year=2026)


@given(st.binary(max_size=300))
def test_no_bytes_end_in_anything_but_a_list_or_a_plain_message(raw: bytes) -> None:
    faults: tuple[Fault, ...]
    try:
        faults = board_from_bytes(b"ref;value;place;temp\n" + raw, KNOWLEDGE, this_year=2026, name="b.csv").faults
    except InputError as error:
        faults = error.faults
    assert all(fault.what and fault.mend for fault in faults)


def test_an_order_is_csv_that_no_spreadsheet_obeys() -> None:
    line = OrderLine(
        count=2,
        kind="electrolytic_low_esr",
        capacitance_uf=4.7,
        rated_v=6.3,
        temperature_c=105,
        safety_class="",
        pitch_mm=None,
        least_ripple_a=0.25,
        most_esr_ohm=None,
        most_height_mm=12,
        refs=("=C1", "C2"),
    )
    rows = list(csv.reader(io.StringIO(order_csv([line], {"electrolytic_low_esr": "low-ESR"}))))
    assert tuple(rows[0]) == HEADINGS
    assert rows[1] == ["2", "low-ESR", "4.7", "6.3", "105", "", "0.25", "", "", "12", "'=C1 C2"]
