"""The command recap lists what to do, cautions first, writes the order, and loses no line to another's mistake."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path
from typing import Final

import pytest

from cli_runs import Run
from tubewright.knowledge.load import load_knowledge

EXAMPLE: Final = Path(__file__).parents[2] / "docs" / "examples" / "larkspur-19.csv"
PROFILE: Final = (
    '[[chassis]]\nid = "larkspur-19"\nname = "Larkspur L19"\nbplus_v = 118\ntuning_nf = 8.2\nsource = "a good one"\n'
)


@pytest.fixture
def board(place: Path) -> str:
    shutil.copy(EXAMPLE, place / "board.csv")
    return "board.csv"


def test_the_plan_is_shown_cautions_first(run: Run, board: str) -> None:
    ended = run("recap", board, "--hours-per-week", "20")
    assert ended.code == 0, ended.err
    text = " ".join(ended.out.split())
    assert text.index("Local codes") < text.index("Confirm first") < text.index("> 18 capacitors")
    assert text.index("> 18 capacitors") < text.index("Rank Part") < text.index("Group 1: Mains") < text.index("Order:")
    assert "never alter" in text
    assert "maintenance, not diagnosis" in text


def test_json_says_the_same_and_the_order_is_written_once(run: Run, board: str, place: Path) -> None:
    ended = run("recap", board, "--hours-per-week", "20", "--order", "order.csv", "--json")
    body = json.loads(ended.out)
    assert list(body)[:3] == ["format", "cautions", "alarms"]
    assert body["cautions"][0] == load_knowledge().cautions["local_rules"].text
    assert body["first"][0] == "C911"
    assert "C401" not in {ref for line in body["order"] for ref in line["refs"]}
    with (place / "order.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [int(row["count"]) for row in rows] == [line["count"] for line in body["order"]]
    assert sum(int(row["count"]) for row in rows) == len(body["first"])
    again = run("recap", board, "--order", "order.csv")
    assert (again.code, "there already" in again.err) == (2, True)


def test_a_mistake_costs_its_line_and_the_exit_code(run: Run, place: Path) -> None:
    (place / "bad.csv").write_text("ref;kind;value;place\nC1;elko;100uF;rail\nC2;elko;1O0uF;rail\n", encoding="utf-8")
    ended = run("recap", "bad.csv", "--age", "30", "--json")
    assert ended.code == 2
    assert "bad.csv line 3, column value" in ended.err
    body = json.loads(ended.out)
    assert len(body["faults"]) == 1
    assert [part["ref"] for group in body["groups"] for part in group["parts"]] == ["C1"]
    # Without a rated voltage nothing may be ordered for it.
    assert body["groups"][0]["parts"][0]["do"] == "look"


def test_the_profile_of_a_chassis_is_held_against_the_list(
    run: Run, board: str, place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (place / "own.toml").write_text(PROFILE, encoding="utf-8")
    monkeypatch.setenv("TUBEWRIGHT_OWN", str(place / "own.toml"))
    missing = run("recap", board, "--chassis", "larkspur-19")
    assert missing.code == 2
    assert "no rail '24 V'" in missing.err
    (place / "own.toml").write_text(PROFILE + "[chassis.rails]\n'24 V' = 24.3\n", encoding="utf-8")
    body = json.loads(run("recap", board, "--chassis", "larkspur-19", "--json").out)
    assert "8.2 nF" in body["alarms"][0]
    assert {p["stands_at_v"] for g in body["groups"] for p in g["parts"] if p["ref"] == "C931"} == {118}
    wrong = run("recap", board, "--chassis", "larkspur-91")
    assert (wrong.code, "Nearest are larkspur-19" in wrong.err) == (2, True)


@pytest.mark.parametrize(
    ("new", "verdict"),
    [
        ("100uF 160V low-esr 105C 0.5A", "fits"),
        ("100 µF 160 V low esr", "fits_with_remark"),
        ("100uF 100V low-esr 105C 0.5A", "refused"),
        ("100uF 160V tantalum 105C 0.5A", "refused"),
    ],
)
def test_one_part_against_another(run: Run, new: str, verdict: str) -> None:
    was = "100uF 160V electrolytic 85C 400mA"
    body = json.loads(run("capacitor", "swap", "--place", "b+", "--was", was, "--new", new, "--json").out)
    assert body["verdict"] == verdict
    assert body["place"] == "rail"
    assert list(body)[:2] == ["cautions", "confirm"]
    shown = run("capacitor", "swap", "--place", "rail", "--was", was, "--new", new).out
    assert shown.index("  ! ") < shown.index("\n> ")


@pytest.mark.parametrize(
    ("args", "words"),
    [
        (("swap", "--place", "rayl", "--was", "1uF", "--new", "1uF"), "Nearest are rail"),
        (("swap", "--place", "rail", "--was", "1uF 2uF", "--new", "1uF"), "--was: “2uF” says capacitance twice"),
        (("swap", "--place", "rail", "--was", "1uF wibble", "--new", "1uF"), "“wibble” is not understood"),
        (("life", "100nF 63V film"), "doesn't dry out"),
        (("life", "100uF electrolytic", "--air", "nan"), "--air"),
        (("life", "100uF electrolytic", "--hours-per-week", "-3"), "negative"),
        (("preferred", "many"), "VALUE: this is no value"),
        (("preferred", "0"), "more than zero"),
    ],
)
def test_mistakes_are_told_plainly(run: Run, args: tuple[str, ...], words: str) -> None:
    ended = run("capacitor", *args)
    assert ended.code == 2
    assert words in ended.err
    assert not ended.out


def test_a_life_and_preferred_values(run: Run) -> None:
    body = json.loads(run("capacitor", "life", "1000uF 25V electrolytic 105C 2000h", "--at", "65", "--json").out)
    # The rule gives 32 000 h; the middle part outlives its printed endurance by half.
    assert body["hours"]["median"] == 48_000
    assert body["years_left"] is None
    assert body["years_left_because"]
    words = run("capacitor", "life", "1000uF 25V electrolytic 105C 2000h", "--at", "65", "--age", "30").out
    assert "past the age" in words
    rows = {row["series"]: row for row in json.loads(run("capacitor", "preferred", "50uF", "--json").out)}
    assert (rows["E6"]["nearest"], rows["E24"]["nearest"], rows["E6"]["unit"]) == (47, 51, "uF")
    assert "IEC 60063" in run("capacitor", "preferred", "4k7").out
