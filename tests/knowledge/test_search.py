"""Symptoms are found by the words people use."""

from __future__ import annotations

import csv
from pathlib import Path

import pytest

from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.search import find_complaints, find_symptoms, nearest

KNOWLEDGE = load_knowledge()


@pytest.mark.parametrize(
    ("words", "symptom"),
    [
        ("picture bends at the top", "top_curl"),
        ("the top of the image is bent sideways", "top_curl"),
        ("pictuer bendz at top", "top_curl"),
        ("no red", "colour_missing"),
        ("blue looks weak", "colour_weak"),
        ("screen is all green", "colour_full_on"),
        ("one line across the middle", "horizontal_line"),
        ("it rolls", "rolls_vertical"),
        ("purple glow", "neck_violet_glow"),
        ("smells burnt", "burning_smell"),
        ("whites look metallic", "highlight_silvery"),
        ("it hums loudly", "mains_buzz"),
        ("takes minutes to get bright", "slow_picture_warmup"),
        ("coloured edges in the middle", "misconv_centre"),
        ("Blows the fuse at once!", "fuse_blows_instant"),
        ("one colour gone", "colour_missing"),
        ("lost blue", "colour_missing"),
    ],
)
def test_what_people_say_finds_the_symptom_first(words: str, symptom: str) -> None:
    assert find_symptoms(KNOWLEDGE, words)[0].id == symptom


@pytest.mark.parametrize("words", ["too dark", "dim picture", "picture is dull"])
def test_a_dim_picture_is_among_the_first_three(words: str) -> None:
    assert "raster_dim_all" in [symptom.id for symptom in find_symptoms(KNOWLEDGE, words, limit=3)]


@pytest.mark.parametrize("symptom", sorted(KNOWLEDGE.symptoms))
def test_a_symptom_is_found_by_its_own_words(symptom: str) -> None:
    known = KNOWLEDGE.symptoms[symptom]
    for words in (symptom, known.owner_says, known.technician_says):
        assert known in find_symptoms(KNOWLEDGE, words, limit=3), words


def test_unknown_words_find_nothing_and_the_limit_holds() -> None:
    assert find_symptoms(KNOWLEDGE, "zzz qqq") == ()
    assert find_symptoms(KNOWLEDGE, "") == ()
    assert len(find_symptoms(KNOWLEDGE, "picture colour bright line top", limit=5)) == 5


def test_a_mistyped_id_is_answered_with_what_it_may_have_been() -> None:
    assert nearest("raster_dim_al", KNOWLEDGE.symptoms)[0] == "raster_dim_all"
    assert nearest("xyzzy", KNOWLEDGE.symptoms) == ()


def _sayings(seen: str) -> list[tuple[str, list[set[str]]]]:
    """Sayings of our own with what each complaint in them means; any of several symptoms may be meant by one."""
    path = Path(__file__).parents[1] / "reference" / "sayings.csv"
    with path.open(encoding="utf-8", newline="") as lines:
        rows = [row for row in csv.DictReader(lines) if row["seen"] == seen]
    return [(row["saying"], [set(one.strip().split("|")) for one in row["meant"].split("+")]) for row in rows]


@pytest.mark.parametrize(
    ("seen", "least"),
    # The first were there while the words were chosen; the others were written down after that.
    [("while tuning", 90), ("afterwards", 45)],
)
def test_nine_of_ten_sayings_have_what_is_meant_among_the_first_three(seen: str, least: int) -> None:
    sayings = _sayings(seen)
    assert len(sayings) >= least
    missed = []
    for words, meant in sayings:
        if len(meant) == 1:
            groups = [{s.id for s in find_symptoms(KNOWLEDGE, words, limit=3)}]
        else:
            groups = [{s.id for s in c.symptoms} for c in find_complaints(KNOWLEDGE, words, limit=3)]
        if not all(any(group & one for group in groups) for one in meant):
            missed.append(words)
    assert len(missed) <= 0.1 * len(sayings), missed


def test_a_sentence_is_taken_apart_where_it_holds_several_complaints() -> None:
    found = find_complaints(KNOWLEDGE, "No red, and it goes off when hot; also hums")
    assert [one.symptoms[0].id for one in found] == ["colour_missing", "cuts_out_warm_tap", "mains_buzz"]
    assert [one.words for one in found] == ["no red", "it goes off when hot", "hums"]


@pytest.mark.parametrize("words", ["red and blue are swapped", "shakes up and down", "picture bends at the top"])
def test_one_complaint_stays_whole(words: str) -> None:
    assert [one.words for one in find_complaints(KNOWLEDGE, words)] == [words]


def test_words_that_mean_nothing_give_no_complaint() -> None:
    assert find_complaints(KNOWLEDGE, "zzz qqq, and then xyzzy") == ()
    assert find_complaints(KNOWLEDGE, "") == ()
