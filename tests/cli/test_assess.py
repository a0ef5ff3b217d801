"""``assess`` answers a file, standard input and a job alike, and bad input ends in plain messages."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema_rs import Draft202012Validator

from cli_runs import Run
from samples import SAMPLE_CASE
from tubewright.errors import Fault, RefusedError
from tubewright.files import assess_schema

BAD: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parents[1] / "reference" / "bad_cases.toml").read_text(encoding="utf-8")
)["bad"]
FEW = ("--futures", "2000")


def test_a_case_is_answered_for_eyes(run: Run) -> None:
    ended = run("assess", "pier.toml", *FEW)
    assert ended.code == 0
    assert ended.err == ""
    for heading in ("CONDITION", "WHAT COULD BE DONE", "DO THIS NEXT", "HOW THIS WAS WORKED OUT"):
        assert heading in ended.out
    assert "Emission," in ended.out
    assert "EUR" in ended.out
    assert "\x1b" not in ended.out
    assert max(len(line) for line in ended.out.splitlines()) <= 80


def test_the_json_answer_keeps_the_published_schema(run: Run) -> None:
    ended = run("assess", "pier.toml", "--json", *FEW)
    assert ended.code == 0
    body = json.loads(ended.out)
    assert [error.message for error in Draft202012Validator(assess_schema()).iter_errors(body)] == []
    assert body["model"]["futures"] == 2000


@pytest.mark.parametrize("name", sorted(p.name for p in (Path(__file__).parents[1] / "cases").glob("*.toml")))
def test_the_answer_to_each_worked_case_keeps_the_schema(run: Run, name: str) -> None:
    case = Path(__file__).parents[1] / "cases" / name
    ended = run("assess", str(case), "--json", *FEW)
    assert ended.code == 0, ended.err
    assert [error.message for error in Draft202012Validator(assess_schema()).iter_errors(json.loads(ended.out))] == []


def test_a_file_standard_input_and_json_give_one_answer(run: Run, place: Path) -> None:
    asked = [*FEW, "--seed", "7", "--json"]
    from_file = run("assess", "pier.toml", *asked)
    assert run("assess", "-", *asked, typed=SAMPLE_CASE.encode()).out == from_file.out
    (place / "pier.json").write_text(json.dumps(tomllib.loads(SAMPLE_CASE)), encoding="utf-8")
    assert run("assess", "pier.json", *asked).out == from_file.out
    assert json.loads(from_file.out)["model"]["seed"] == 7


@pytest.mark.parametrize("bad", BAD, ids=lambda bad: bad["name"])
def test_bad_input_ends_with_2_and_one_message(run: Run, place: Path, bad: dict[str, Any]) -> None:
    (place / "bad.toml").write_text(bad["toml"], encoding="utf-8")
    ended = run("assess", "bad.toml")
    assert ended.code == 2
    assert ended.out == ""
    lines = ended.err.splitlines()
    assert len(lines) == 1
    assert lines[0].startswith("tubewright: bad.toml")
    for part in bad["says"]:
        assert part in lines[0]


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["assess", "none.toml"], "there is no such file"),
        (["assess", "."], "."),
        (["assess", "job:7"], "there is no shop here yet"),
        (["assess", "job:seven"], "is not the number of a job"),
        (["assess", "pier.toml", "--shop", "none.sqlite3"], "there is no shop here yet"),
        (["assess", "pier.toml", "--keep"], "only a job of the shop can keep its verdict"),
        (["assess", "pier.toml", "--futures", "3"], "--futures"),
        (["assess", "pier.toml", "--sede", "3"], "--sede"),
        (["asses", "pier.toml"], "assess"),
        (["list", "symptom"], "symptoms"),
        (
            ["heater", "resistor", "--source", "5", "--target", "6.3", "--current", "0.6"],
            "no resistor raises a voltage",
        ),
        (["heater", "resistor", "--source", "a lot", "--target", "6.3", "--current", "0.6"], "is not a voltage"),
        (["heater", "rms", "--width", "12", "--line", "15.7"], "--height is missing"),
        (["heater", "rms", "--samples", "pier.toml"], "fewer than two samples"),
        (["restore", "none.sqlite3"], "there is no such file"),
        (["restore", "pier.toml"], "can't be copied"),
        (["backup", "copy.sqlite3"], "there is no shop here yet"),
        (["import", "pier.toml"], "no JSON"),
        (["replay", "12"], "there is no shop here yet"),
        (["demo", "pier.toml"], "already there"),
    ],
    ids=lambda value: " ".join(value) if isinstance(value, list) else None,
)
def test_what_can_be_mended_ends_with_2_and_says_how(run: Run, args: list[str], says: str) -> None:
    ended = run(*args)
    assert ended.code == 2
    assert says in " ".join(ended.err.split())
    assert "Traceback" not in ended.err
    assert ended.out == ""


def test_a_number_no_test_can_be_read_off_is_met_at_its_line(run: Run) -> None:
    typed = b"format = 1\n[[tests]]\nid = 'v_getter'\nvalue = 3\nunit = 'V'\n[[tests]]\nid = 'nothing'\nresult = 'x'\n"
    ended = run("assess", "-", typed=typed)
    assert ended.code == 2
    first, second = ended.err.splitlines()
    assert first.startswith("tubewright: standard input line 4, tests[0].value: v_getter can't be read off a number")
    assert second.startswith("tubewright: standard input line 7, tests[1].id: 'nothing' is not a test I know")


def test_ten_megabytes_of_garbage_on_standard_input_end_with_one_message(run: Run) -> None:
    ended = run("assess", "-", typed=bytes(range(256)) * 40_000)
    assert ended.code == 2
    assert len(ended.err.splitlines()) == 1
    assert "a case has 2 MB at most" in ended.err


def test_a_refusal_ends_with_3(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise RefusedError(Fault(what="the guard is not confirmed", where="step", mend="Confirm it first."))

    monkeypatch.setattr("tubewright.answers.assess.assess", refuse)
    ended = run("assess", "pier.toml")
    assert ended.code == 3
    assert ended.err == "tubewright: step: the guard is not confirmed. Confirm it first.\n"


def test_our_own_failure_ends_with_1_one_line_and_a_log(run: Run, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("a sum of\nnothing")

    monkeypatch.setattr("tubewright.answers.assess.assess", fail)
    ended = run("assess", "pier.toml")
    assert ended.code == 1
    assert len(ended.err.splitlines()) == 1
    assert "our own failure" in ended.err
    assert "Traceback" not in ended.err
    log = (place / "failures.log").read_text(encoding="utf-8")
    assert "Traceback" in log
    assert "ZeroDivisionError" in log


def test_a_log_that_cannot_be_written_does_not_hide_the_failure(
    run: Run, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("TUBEWRIGHT_LOG", str(place / "pier.toml" / "failures.log"))
    monkeypatch.setattr("tubewright.answers.assess.assess", lambda *_, **__: 1 / 0)
    ended = run("assess", "pier.toml")
    assert ended.code == 1
    assert "ZeroDivisionError" in ended.err
    assert "could not be written" in ended.err


def test_both_schemas_are_printed(run: Run) -> None:
    assert json.loads(run("schema").out)["$id"] == "urn:tubewright:schema:case:1"
    assert json.loads(run("schema", "case").out)["$id"] == "urn:tubewright:schema:case:1"
    assert json.loads(run("schema", "assess").out)["$id"] == "urn:tubewright:schema:assess:1"
