"""``advise`` on the command line: moves for eyes and for programs, the file of moves, and how it ends."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from jsonschema_rs import Draft202012Validator

from cli_runs import Run
from tubewright.simulate.controls import Bench

OPENING = ("--opening-mm", "360.64", "270.48")


@pytest.fixture
def one(place: Path) -> Path:
    path = place / "one.json"
    path.write_text(json.dumps(Bench(0).measured()), encoding="utf-8")
    return path


def test_advice_for_eyes_has_its_cautions_first(run: Run, one: Path) -> None:
    ended = run("advise", one.name, *OPENING)
    assert (ended.code, ended.err) == (0, "")
    assert ended.out.startswith("Before anything is touched:")
    text = " ".join(ended.out.split())
    assert text.index("Local codes") < text.index("Do these, in this order") < text.index("Four-pole rings")
    assert "a little" in text
    assert max(len(line) for line in ended.out.splitlines()) <= 80


def test_the_json_keeps_to_the_published_schema(run: Run, one: Path) -> None:
    schema = json.loads(run("schema", "advise").out)
    body = json.loads(run("advise", one.name, *OPENING, "--json").out)
    Draft202012Validator(schema).validate(body)
    assert body["state"] == "go_on"


def test_moves_are_appended_as_done_and_read_again(run: Run, one: Path, place: Path) -> None:
    ended = run("advise", one.name, *OPENING, "--moves", "moves.toml", "--append", "--json")
    moves = json.loads(ended.out)["moves"]
    written = (place / "moves.toml").read_text(encoding="utf-8")
    assert written.count("[[move]]") == len(moves)
    again = run("advise", one.name, one.name, *OPENING, "--moves", "moves.toml", "--json")
    assert again.code == 0
    assert len(json.loads(again.out)["history"]) == 2
    run("advise", one.name, one.name, *OPENING, "--moves", "moves.toml", "--append")
    assert (place / "moves.toml").read_text(encoding="utf-8").startswith(written)


def test_only_controls_that_it_has_are_advised(run: Run, one: Path) -> None:
    body = json.loads(run("advise", one.name, *OPENING, "--controls", "h_size,four_pole_rings", "--json").out)
    assert {move["control"] for move in body["moves"]} <= {"h_size", "four_pole_rings", "degauss"}


def test_a_profile_names_the_controls(run: Run, one: Path, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    own = place / "own.toml"
    own.write_text('[[chassis]]\nid = "made_up"\nname = "Made up"\nadjustments = ["h_size"]\n', encoding="utf-8")
    monkeypatch.setenv("TUBEWRIGHT_OWN", str(own))
    body = json.loads(run("advise", one.name, *OPENING, "--chassis", "made_up", "--json").out)
    assert {move["control"] for move in body["moves"]} <= {"h_size", "degauss"}


def test_cold_it_refuses(run: Run, one: Path) -> None:
    ended = run("advise", one.name, "--minutes-on", "5")
    assert ended.code == 3
    assert "warm up" in ended.out


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("none.json",), "can't be read"),
        (("one.json", "--controls", "h_siz"), "Did you mean h_size"),
        (("one.json", "--append"), "--moves"),
        (("one.json", "--moves", "none.toml"), "can't be read"),
        (("one.json", "--opening-mm", "0", "270"), "no picture has this size"),
        (("one.json", "--minutes-on", "nan"), "no time"),
        (("one.json", "--chassis", "none"), "--chassis"),
        (("pier.toml",), "no measurement"),
    ],
)
def test_wrong_input_is_told_in_words(run: Run, one: Path, place: Path, arguments: tuple[str, ...], says: str) -> None:
    (place / "pier.toml").write_text("format = 1\n", encoding="utf-8")
    ended = run("advise", *arguments)
    assert ended.code == 2
    assert says in ended.err
    assert "Traceback" not in ended.err


def test_a_refused_measurement_is_refused(run: Run, place: Path) -> None:
    body = Bench(0).measured() | {"accepted": False, "refused_because": "Too dark."}
    (place / "dark.json").write_text(json.dumps(body), encoding="utf-8")
    ended = run("advise", "dark.json")
    assert ended.code == 3
    assert "Too dark" in ended.err
