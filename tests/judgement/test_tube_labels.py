"""Type labels: published examples, every division, round trips from the grammars, and what is never told."""

from __future__ import annotations

import csv
import dataclasses
import re
from pathlib import Path
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.judgement.tube_labels import NEVER_TOLD, decode_label, divisions, grammar_parts, tidy_label
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import LabelGrammar

KNOWLEDGE: Final = load_knowledge()
TABLE: Final = Path(__file__).parents[1] / "reference" / "tube_labels.csv"
with TABLE.open(encoding="utf-8", newline="") as handle:
    ROWS: Final = [row for row in csv.DictReader(handle) if row["grammar"]]
CM: Final = {"in": 2.54, "cm": 1.0, "mm": 0.1}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row['label']} ({row['tag']})")
def test_a_published_example_reads_as_published(row: dict[str, str]) -> None:
    reading = decode_label(row["label"], KNOWLEDGE).readings[0]
    assert (reading.grammar, reading.use, reading.picture) == (row["grammar"], row["use"], row["picture"])
    assert (reading.size_is, reading.phosphor, reading.neck) == (row["size_is"], row["phosphor"], row["neck"])
    assert reading.family == row["family"]
    assert reading.diagonal_cm == pytest.approx(float(row["size"]) * CM[row["size_unit"]], abs=0.01)
    assert reading.diagonal_in == pytest.approx(reading.diagonal_cm / 2.54, abs=0.01)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["label"])
def test_spaces_case_and_hyphens_change_nothing(row: dict[str, str]) -> None:
    plain = decode_label(row["label"], KNOWLEDGE).readings[0]
    for typed in (row["label"].lower(), f"  {row['label'][:3]} {row['label'][3:]} ", row["label"].replace("-", "–")):
        assert decode_label(typed, KNOWLEDGE).readings[0] == plain, typed
    hyphened = "-".join(row["label"].replace("-", ""))
    assert (
        decode_label(hyphened, KNOWLEDGE).readings[0]
        == decode_label(row["label"].replace("-", ""), KNOWLEDGE).readings[0]
    )


# Equivalents as in the museum's table (verified there), and P22 and P4 in the worldwide form (verified in the article).
@pytest.mark.parametrize(
    ("letters", "number"),
    [("BE", 11), ("GE", 24), ("GH", 31), ("GJ", 1), ("GL", 2), ("GM", 7), ("GR", 39), ("LD", 33), ("W", 4), ("X", 22)],
)
def test_phosphors_have_their_equivalents(letters: str, number: int) -> None:
    (european,) = decode_label(f"D14-100{letters}", KNOWLEDGE).readings
    (american,) = decode_label(f"14AAAP{number}", KNOWLEDGE).readings
    assert european.phosphor == american.phosphor == f"P{number}"
    assert european.equivalents["EIA"] == f"P{number}"
    assert american.equivalents["European"] == letters


# First screen letters as in the museum's table of the European registration; the second is a serial letter.
@pytest.mark.parametrize(
    ("letter", "light"),
    [
        ("A", "purple"), ("B", "blue"), ("D", "blue-green"), ("G", "green"), ("K", "yellow-green"), ("L", "orange"),
        ("R", "red"), ("V", "yellow"), ("Y", "yellow"), ("W", "white"),
    ],
)  # fmt: skip
def test_first_screen_letters_tell_the_colour_of_the_light(letter: str, light: str) -> None:
    reading = decode_label(f"D14-100{letter}" + ("" if letter == "W" else "A"), KNOWLEDGE).readings[0]
    assert light in reading.light
    assert reading.picture == "mono"


# The four regular expressions of the grammars as they were written down beside the examples, apart from ours.
WRITTEN: Final = {
    "eia": r"\d{1,2}V?[A-Z]{1,4}P\d{1,2}[A-Z]*",
    "pro_electron": r"[ADEFLMPQ]\d{1,2}-\d{2,3}[A-Z]{1,2}",
    "eiaj": r"\d{3}[A-Z]{1,3}B\d{1,2}[A-Z]*",
    "worldwide": r"[AM]\d{2}[A-Z]{3}\d{1,2}[A-Z]{1,2}\d{0,2}",
}


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["label"])
def test_each_example_fits_the_grammar_it_belongs_to_and_no_other_of_those_written_down(row: dict[str, str]) -> None:
    fitting = {name for name, pattern in WRITTEN.items() if re.fullmatch(pattern, row["label"])}
    # The earlier European form, a label without its hyphen, and what is from memory stand outside of them.
    assert fitting == ({row["grammar"]} if row["grammar"] in WRITTEN and row["label"] not in OUTSIDE else set())


OUTSIDE: Final = {"A56100X", "W66AAA023X11"}


@pytest.mark.parametrize(("cm", "inches"), [(34, 14), (36, 15), (41, 17)])
def test_sizes_are_named_as_they_were_sold(cm: int, inches: int) -> None:
    """Verified: the trade article's three sizes."""
    assert decode_label(f"M{cm}AAA00X", KNOWLEDGE).readings[0].sold_as_in == inches


def test_a_label_that_divides_in_two_ways_gives_both_with_the_usual_one_first() -> None:
    usual, other = decode_label("19VABP22", KNOWLEDGE).readings
    assert (usual.size_is, usual.family, usual.unusual) == ("viewable", "AB", False)
    assert (other.size_is, other.family, other.unusual) == ("nominal", "VAB", True)
    usual, other = decode_label("A56100X", KNOWLEDGE).readings[0], decode_label("A5610X", KNOWLEDGE).readings[1]
    assert (usual.written, other.written) == ("A56-100X", "A5-610X")
    assert other.unusual
    assert len(decode_label("A56-10X", KNOWLEDGE).readings) == 1, "a hyphen decides"


def test_v_alone_before_the_p_is_the_registration() -> None:
    (reading,) = decode_label("19VP4", KNOWLEDGE).readings
    assert (reading.size_is, reading.family, reading.unusual) == ("nominal", "V", False)


def test_screen_and_member_that_disagree_leave_the_picture_open() -> None:
    (reading,) = decode_label("M31AAA00WW", KNOWLEDGE).readings
    assert reading.picture == ""
    assert "look at the tube" in reading.remarks[0]


def test_an_unlisted_screen_is_not_guessed() -> None:
    (reading,) = decode_label("M34AAA00G", KNOWLEDGE).readings
    assert (reading.phosphor, reading.picture, reading.light) == ("", "colour", "")
    (reading,) = decode_label("D14-100BA", KNOWLEDGE).readings
    assert (reading.phosphor, reading.light, reading.picture) == ("", "blue", "mono")
    (reading,) = decode_label("19AP99", KNOWLEDGE).readings
    assert (reading.phosphor, reading.picture) == ("", "")


def test_parts_say_how_sure_they_are() -> None:
    (wide,) = decode_label("W66AAA12X", KNOWLEDGE).readings
    assert {part.name: part.kind for part in wide.parts}["use"] == "from memory"
    assert {part.name: part.kind for part in wide.parts}["size"] == "published"
    (american,) = decode_label("19AAAP22", KNOWLEDGE).readings
    assert {part.kind for part in american.parts} == {"from memory"}


@pytest.mark.parametrize(
    ("label", "grammar", "fits", "found"),
    [
        ("M34AFA63", "worldwide", "M34AFA63", ""),
        ("M34AFA63X03Q", "worldwide", "M34AFA63X03", "Q"),
        ("M34AFA63O03", "worldwide", "M34AFA63", "O03"),
        ("A56-X", "pro_electron", "A56", "X"),
        ("19VABC22", "eia", "19VABC", "22"),
    ],
)
def test_what_fits_no_grammar_names_the_nearest_and_the_place(label: str, grammar: str, fits: str, found: str) -> None:
    decoded = decode_label(label, KNOWLEDGE)
    assert decoded.readings == ()
    assert (decoded.misses[0].grammar, decoded.misses[0].fits, decoded.misses[0].found) == (grammar, fits, found)


def test_a_letter_that_looks_like_a_digit_is_pointed_at_and_not_mended() -> None:
    decoded = decode_label("A5O-100X", KNOWLEDGE)
    assert decoded.readings == ()
    assert any("whether O is a digit" in miss.words for miss in decoded.misses)


@pytest.mark.parametrize("grammar", KNOWLEDGE.labels.values(), ids=lambda grammar: grammar.id)
def test_every_grammar_of_ours_is_a_row_of_parts(grammar: LabelGrammar) -> None:
    parts = grammar_parts(grammar.pattern)
    assert [name for name, _ in parts if name] == list(re.compile(grammar.pattern).groupindex)


def test_a_pattern_that_is_no_row_is_matched_as_it_is() -> None:
    assert grammar_parts("(?P<size>(1|2))X") == []
    assert divisions("2X", "(?P<size>(1|2))X") == [{"size": "2"}]
    assert divisions("3X", "(?P<size>(1|2))X") == []


def test_heater_pinout_and_gun_are_never_told() -> None:
    told = " ".join(NEVER_TOLD)
    for word in ("heater", "pinout", "gun", "deflection", "neck", "anode"):
        assert word in told
    assert decode_label("M34AFA63X03", KNOWLEDGE).never_told == NEVER_TOLD


@given(data=st.data(), grammar=st.sampled_from(sorted(KNOWLEDGE.labels)))
def test_a_label_made_by_a_grammar_is_read_by_it(data: st.DataObject, grammar: str) -> None:
    """Generate part by part, write, decode: the parts come back among the readings, and every reading writes back."""
    facts = KNOWLEDGE.labels[grammar]
    parts = {
        name: data.draw(st.from_regex(re.compile(part, re.ASCII), fullmatch=True), label=name)
        for name, part in grammar_parts(facts.pattern)
        if name
    }
    if not parts["size"].strip("0"):
        parts["size"] = "34" if len(parts["size"]) < 3 else "340"
    literals = [part if not name else "" for name, part in grammar_parts(facts.pattern)]
    names = [name for name, _ in grammar_parts(facts.pattern)]
    text = "".join(
        parts[name] if name else literal.replace("-?", "-") for name, literal in zip(names, literals, strict=True)
    )
    readings = [one for one in decode_label(text, KNOWLEDGE).readings if one.grammar == grammar]
    held = [{part.name: part.text for part in one.parts} for one in readings]
    assert {name: text for name, text in parts.items() if text} in held
    assert all(one.written == text for one in readings)
    assert all(0 < one.diagonal_cm < 260 for one in readings)


@given(st.text(max_size=60))
def test_any_text_is_read_or_missed_without_a_crash(text: str) -> None:
    decoded = decode_label(text, KNOWLEDGE)
    assert bool(decoded.readings) != bool(decoded.misses)
    assert tidy_label(tidy_label(text)) == tidy_label(text)


def test_a_shops_own_grammar_is_read_as_far_as_it_goes() -> None:
    """Any pattern may stand there: with other groups, without a size, without words for its parts."""
    own = LabelGrammar(
        id="shop", name="Shop", pattern=r"QQ(?P<size>\w{2})(?P<odd>Z?)", fields={}, example="QQ20Z", kind="from memory",
        source="own",
    )  # fmt: skip
    sizeless = dataclasses.replace(own, id="sizeless", pattern=r"RR(?P<odd>Z)", example="RRZ")
    knowledge = dataclasses.replace(KNOWLEDGE, labels={**KNOWLEDGE.labels, "shop": own, "sizeless": sizeless})
    (reading,) = decode_label("qq20z", knowledge).readings
    assert (reading.grammar, reading.diagonal_cm, reading.picture, reading.phosphor) == ("shop", 20.0, "", "")
    assert decode_label("QQABZ", knowledge).readings == ()
    assert decode_label("RRZ", knowledge).readings == ()
