"""``tubewright hold``: files of readings, cases and jobs in; words, JSON and a drawing out."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

import pytest

from cli_runs import Run

READINGS: Final = "minutes,value\n6,612\n10,604\n15,598\n30,585\n60,561\n"
STEADY: Final = "6;0,60\n10;0,60\n15;0,598\n30;0,601\n60;0,60\n120;0,60\n240;0,602\n480;0,60\n"
CASE: Final = """\
format = 1
[tube]
heater_v = 6.3
[[treatments]]
gun = "blue"
kind = "clean"
outcome = "improved"
at = 2026-03-02T10:00:00
"""


def of_blue(minutes: int, value: float) -> str:
    hour, minute = 10 + minutes // 60, minutes % 60
    return (
        f'[[readings]]\ngun = "blue"\nkind = "emission"\nvalue = {value}\nunit = "uA"\n'
        f"at = 2026-03-02T{hour:02d}:{minute:02d}:00\n"
    )


def test_cautions_come_first_and_then_the_answer(run: Run, place: Path) -> None:
    (place / "red.csv").write_text(READINGS, encoding="utf-8")
    said = run("hold", "red.csv", "--gun", "red", "--unit", "uA")
    assert said.code == 0
    assert said.out.index("Hazard H2") < said.out.index("Confirm first") < said.out.index("Too early to say")
    assert "534 uA" in said.out or " uA (" in said.out
    assert "What reading on is expected to bring" in said.out
    assert "expected to bring" in said.out


def test_json_has_every_figure(run: Run, place: Path) -> None:
    (place / "steady.csv").write_text(STEADY, encoding="utf-8")
    body = json.loads(run("hold", "steady.csv", "--json").out)
    assert list(body)[:2] == ["format", "cautions"]
    assert body["hold_class"] == "lasting"
    assert body["hold"]["p10"] < 1 < body["hold"]["p90"]
    assert body["worth_having"] is True
    assert sum(body["class_probability"].values()) == pytest.approx(1, abs=1e-3)
    assert len(body["readings"]) == 8


def test_a_course_is_drawn_with_words_beside_it(run: Run, place: Path) -> None:
    (place / "red.csv").write_text(READINGS, encoding="utf-8")
    assert run("hold", "red.csv", "--gun", "red", "--draw", "red.svg").code == 0
    drawn = (place / "red.svg").read_text(encoding="utf-8")
    assert drawn.startswith("<svg")
    assert "time after the treatment" in drawn
    assert "read again" in drawn
    nowhere = run("hold", "red.csv", "--draw", "no/such/folder.svg")
    assert nowhere.code == 2
    (place / "one.csv").write_text("5,600\n", encoding="utf-8")
    early = run("hold", "one.csv", "--draw", "one.svg")
    assert early.code == 2
    assert "no course to draw yet" in early.err


def test_toml_gives_gun_and_unit(run: Run, place: Path) -> None:
    rows = "".join(
        f"[[readings]]\nminutes = {t}\nvalue = {v}\nspread = 0.02\n" for t, v in ((6, 60.0), (15, 59.0), (60, 57.5))
    )
    (place / "blue.toml").write_text(f'gun = "blue"\nunit = "percent"\n{rows}', encoding="utf-8")
    body = json.loads(run("hold", "blue.toml", "--json").out)
    assert (body["gun"], body["unit"]) == ("blue", "percent")
    other = run("hold", "blue.toml", "--gun", "red")
    assert other.code == 2
    assert "holds the blue gun" in other.err


def test_a_case_with_times_is_read_and_one_without_says_what_is_missing(run: Run, place: Path) -> None:
    told = CASE + "".join(of_blue(t, v) for t, v in ((8, 610.0), (15, 600.0), (30, 590.0), (60, 585.0)))
    (place / "case.toml").write_text(told, encoding="utf-8")
    body = json.loads(run("hold", "case.toml", "--gun", "blue", "--json").out)
    assert [one["minutes"] for one in body["readings"]] == [8, 15, 30, 60]
    assert body["unit"] == "uA"
    red = json.loads(run("hold", "case.toml", "--gun", "red", "--json").out)
    assert red["hold"] is None
    assert "no treatment of red" in red["unknown"]["hold"]["reason"]
    assert "at = 2026-01-31T14:05:00" in " ".join(run("hold", "case.toml", "--gun", "red").out.split())
    whose = run("hold", "case.toml")
    assert whose.code == 2
    assert "--gun red" in whose.err


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("a.csv", "minutes,value\n10,nan\n", "not finite"),
        ("a.csv", "minutes,value\n10,0\n", "shows nothing"),
        ("a.csv", "minutes,value\n-5,3\n", "no time after a treatment"),
        ("a.csv", "minutes,value\n10,3\n20,three\n", "line 3, value"),
        ("a.csv", "minutes,volts\n10,3\n", "'volts' is no column"),
        ("a.csv", "minutes\n10\n", "column value is missing"),
        ("a.csv", "10,3,4,5\n", "more figures than columns"),
        ("a.csv", "", "no reading in it"),
        ("a.toml", "[[readings]]\nminutes = 10\n", "value is missing"),
        ("a.toml", 'gun = "cyan"\n[[readings]]\nminutes = 10\nvalue = 3\n', "is no gun"),
        ("a.toml", "[[readings]]\nminutes = 10\nvalue = 3\nspread = 4\n", "4 % is 0.04"),
        ("a.toml", "colour = 3\n", "has no place here"),
        ("a.toml", "= 3\n", "not TOML"),
        ("a.toml", "readings = 3\n", "no list of tables"),
    ],
)
def test_what_is_wrong_with_a_file_is_said_with_its_place(
    run: Run, place: Path, name: str, text: str, words: str
) -> None:
    (place / name).write_text(text, encoding="utf-8")
    said = run("hold", name)
    assert said.code == 2
    assert words in said.err
    assert name in said.err


def test_all_faults_of_a_file_are_told_together(run: Run, place: Path) -> None:
    (place / "a.csv").write_text("minutes,value,spread\n10,0,9\n-4,3,0.1\n", encoding="utf-8")
    said = run("hold", "a.csv").err
    assert said.count("tubewright:") == 3


def test_a_file_that_is_not_there_is_said_to_be_missing(run: Run) -> None:
    said = run("hold", "none.csv")
    assert said.code == 2
    assert "none.csv" in said.err
