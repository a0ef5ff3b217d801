"""Symptoms are found by the words people use."""

from __future__ import annotations

import pytest

from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.search import find_symptoms, nearest

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
