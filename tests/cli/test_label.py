"""``label`` as a person calls it: readings in words and as JSON, unknown forms with the nearest grammar."""

from __future__ import annotations

import json

import pytest

from cli_runs import Run


def test_a_label_is_told_in_words_with_what_it_never_tells(run: Run) -> None:
    shown = run("label", "m34 afa63-x03")
    assert shown.code == 0, shown.err
    words = " ".join(shown.out.split())
    for part in ("monitor", "34 cm (13.4 inches) viewable, sold as 14 inches", "colour", "P22", "AFA", "03"):
        assert part in words
    for part in ("heater", "pinout", "gun", "deflection angle"):
        assert part in words.partition("A label never tells")[2]


def test_as_json_every_reading_has_its_grammar(run: Run) -> None:
    body = json.loads(run("label", "19VABP22", "--json").out)
    assert [(one["grammar"], one["size_is"], one["kind"]) for one in body["readings"]] == [
        ("eia", "viewable", "from memory"),
        ("eia", "nominal", "from memory"),
    ]
    assert body["readings"][0]["use"] is None
    assert body["readings"][0]["equivalents"] == {"EIA": "P22", "European": "X", "worldwide": "X"}
    assert "heater voltage and current" in body["never_told"]


def test_two_readings_are_said_to_be_two(run: Run) -> None:
    assert "can be read in 2 ways" in run("label", "19VABP22").out


@pytest.mark.parametrize(
    ("label", "says"),
    [
        ("M34AFA63", "after M34AFA63 there should be: X three-colour"),
        ("HELLO", "begins like no registered form"),
        ("  ", "there is no label here"),
        ("A5O-100X", "look again whether O is a digit"),
    ],
)
def test_an_unknown_form_is_named_and_not_guessed(run: Run, label: str, says: str) -> None:
    ended = run("label", label)
    assert (ended.code, ended.out) == (2, "")
    assert says in ended.err
    assert "Traceback" not in ended.err


def test_what_a_terminal_would_obey_is_not_passed_on(run: Run) -> None:
    ended = run("label", "\x1b[31mZZ")
    assert ended.code == 2
    assert "\x1b" not in ended.err
