"""``donor`` and ``scan`` as a person calls them: cautions first, shelves in TOML and CSV, mistakes named, refusals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

import pytest

from cli_runs import Run
from tubewright.knowledge.load import load_knowledge

EXAMPLE: Final = Path(__file__).parents[2] / "docs" / "examples" / "tubes" / "shelf.toml"
_PINS: Final = "ten;1 focus, 5 g1, 9 heater, 10 heater"
CSV: Final = f"""# an invented shelf
id;label;gun;heater_v;heater_a;neck_mm;base;pins;g1;deflection_deg;anode_max_kv;focus;line_mh;field_ohm;band;yoke;\
emission_red;emission_green;emission_blue
W1;M46QAA01X01;in-line;6,3 V;650mA;29.1 mm;{_PINS};common;90;27.5;high;1.25;12;tension;yes;;;
A1;M46QAA01X01;inline;6.3;0.64;2.91 cm;{_PINS};joined;90°;27.5 kV;high;1.25;12;tension;no;80 %;0.75;0.7
"""
OWN: Final = """
[[chassis]]
id = "larkspur_19"
name = "Larkspur 19"
eht_kv = 24.0
eht_limit_kv = 27.5
heater_v = 6.3
source = "a good one on the bench"
"""


@pytest.fixture
def shelf(place: Path) -> Path:
    """The example shelf, in the folder of the test."""
    path = place / "shelf.toml"
    path.write_text(EXAMPLE.read_text(encoding="utf-8"), encoding="utf-8")
    return path


def test_cautions_stand_before_any_donor(run: Run, shelf: Path) -> None:
    shown = run("donor", "--wanted", "W1", "--shelf", "shelf.toml")
    assert shown.code == 0, shown.err
    words = " ".join(shown.out.replace(" ! ", " ").split())
    before = words.partition("Best: S1")[0]
    known = load_knowledge().cautions
    for name in ("local_rules", "implosion", "anode_charge", "lifting", "x_rays", "gate_power_off"):
        assert known[name].text in before, name
    assert "Confirm first" in before
    for word in ("S2", "never fits", "Only with its own yoke and rings", "Find out:", "minutes"):
        assert word in words


def test_one_donor_alone_and_as_json(run: Run, shelf: Path) -> None:
    body = json.loads(run("donor", "--wanted", "W1", "--shelf", "shelf.toml", "--donor", "S2", "--json").out)
    (donor,) = body["donors"]
    assert (donor["id"], donor["verdict"], donor["yoke_from"]) == ("S2", "adapt", "donor")
    assert body["cautions"]
    assert all(len(text) > 20 for text in body["cautions"])


def test_a_csv_shelf_with_units_and_a_profile(run: Run, place: Path) -> None:
    (place / "shelf.csv").write_text(CSV, encoding="utf-8")
    (place / "own.toml").write_text(OWN, encoding="utf-8")
    shown = run("donor", "--wanted", "W1", "--shelf", "shelf.csv", "--chassis", "larkspur_19", "--json")
    assert shown.code == 0, shown.err
    (donor,) = json.loads(shown.out)["donors"]
    assert (donor["verdict"], donor["id"]) == ("fits", "A1")
    without = run("donor", "--wanted", "W1", "--shelf", "shelf.csv", "--json")
    assert json.loads(without.out)["donors"][0]["verdict"] == "unknown", "the anode voltage isn't known"
    typed = run("donor", "--wanted", "W1", "--shelf", "shelf.csv", "--eht", "24", "--heater", "6.3", "--json")
    assert json.loads(typed.out)["donors"][0]["verdict"] == "fits"


def test_wanted_and_donor_may_be_files_of_their_own(run: Run, place: Path) -> None:
    (place / "wanted.toml").write_text("[set]\neht_kv = 24\n[[tube]]\nid = 'W'\ngun = 'inline'\n", encoding="utf-8")
    (place / "one.toml").write_text("[[tube]]\nid = 'D'\ngun = 'delta'\n", encoding="utf-8")
    shown = run("donor", "--wanted", "wanted.toml", "--donor", "one.toml", "--json")
    assert json.loads(shown.out)["headline"] == "D never fits."


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "[[tube]]\nid = 'a'\nheater_volts = 6.3\n",
            "shelf.toml line 3, heater_volts: there is no field “heater_volts”. Did you mean heater_",
        ),
        ("[[tube]]\nid = 'a'\ngun = 'inlne'\n", "Did you mean inline?"),
        ("[[tube]]\nid = 'a'\nheater_v = nan\n", "is not a number"),
        ("[[tube]]\nid = 'a'\nheater_v = 0\n", "is zero"),
        ("[[tube]]\nid = 'a'\nheater_v = -6.3\n", "negative"),
        ("[[tube]]\nid = 'a'\nneck_mm = [1]\n", "is not a figure"),
        ("[[tube]]\ngun = 'inline'\n", "the tube has no id"),
        ("[[tube]]\nid = 'a'\n[[tube]]\nid = 'a'\n", "two tubes have the id “a”"),
        ("[[tube]]\nid = 'a'\nemission = { red = 80 }\n", "80 is no relative emission"),
        ("[[tube]]\nid = 'a'\nyoke = 'perhaps'\n", "neither yes nor no"),
        ("[[tubes]]\nid = 'a'\n", "there is no part “tubes”"),
        ("tube = 3\n", "tube is no list of entries"),
        ("[[tube\n", "this is not TOML"),
        ("", "there is no tube in it"),
        ("[set]\nehtkv = 24\n[[tube]]\nid = 'a'\n", "Did you mean eht_kv"),
    ],
)
def test_mistakes_on_the_shelf_are_named_with_their_line(run: Run, place: Path, text: str, says: str) -> None:
    (place / "shelf.toml").write_text(text, encoding="utf-8")
    ended = run("donor", "--wanted", "a", "--shelf", "shelf.toml")
    assert (ended.code, ended.out) == (2, "")
    assert says in ended.err
    assert "Traceback" not in ended.err


def test_mistakes_in_csv_are_named_all_together(run: Run, place: Path) -> None:
    (place / "shelf.csv").write_text("id,gun,burn\na,inlne,0.1\nb,delta,7\nc,delta,0.1,9\n", encoding="utf-8")
    ended = run("donor", "--wanted", "a", "--shelf", "shelf.csv")
    assert ended.code == 2
    for part in ("shelf.csv line 2, gun", "shelf.csv line 3, burn", "shelf.csv line 4: more cells"):
        assert part in ended.err
    (place / "shelf.csv").write_text("name,gunn\na,delta\n", encoding="utf-8")
    ended = run("donor", "--wanted", "a", "--shelf", "shelf.csv")
    assert "Did you mean gun" in ended.err
    assert "no column “id”" in ended.err


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (("--wanted", "W9", "--shelf", "shelf.toml"), "there is no tube “W9”. Did you mean W1"),
        (("--wanted", "W1", "--shelf", "none.toml"), "can't be read"),
        (("--wanted", "shelf.toml", "--donor", "shelf.toml"), "holds several tubes"),
        (("--wanted", "W1", "--shelf", "shelf.toml", "--eht", "0"), "--eht: this must be more than zero"),
        (("--wanted", "W1", "--shelf", "shelf.toml", "--eht", "nan"), "--eht"),
        (("--wanted", "W1", "--shelf", "shelf.toml", "--chassis", "no_such"), "--chassis"),
        (("--wanted", "W1", "--shelf", "shelf.toml", "--retrace", "100"), "--retrace: the retrace is as long"),
    ],
)
def test_wrong_options_get_a_plain_word(run: Run, shelf: Path, args: tuple[str, ...], says: str) -> None:
    ended = run("donor", *args)
    assert (ended.code, ended.out) == (2, ""), ended.out
    assert says in ended.err


def test_the_scan_gives_the_worked_figure_after_its_cautions(run: Run) -> None:
    shown = run("scan", "--eht", "25", "--new-eht", "24")
    assert shown.code == 0, shown.err
    before, _, after = shown.out.partition("> The picture's width grows by 2.1 %")
    assert "Confirm first" in before
    assert "+2.062 %" in after


def test_the_scan_refuses_what_raises_the_anode_voltage(run: Run) -> None:
    ended = run("scan", "--eht", "24", "--new-eht", "25")
    assert (ended.code, ended.out) == (3, "")
    assert "--limit" in ended.err
    ended = run("scan", "--eht", "24", "--limit", "24.5", "--yoke", "1.25", "--new-yoke", "1.1", "--line", "15.7",
                "--retrace", "11")  # fmt: skip
    assert ended.code == 3
    assert "--new-yoke" in ended.err
    assert "beyond its rating" in ended.err


def test_the_scan_names_options_in_its_mistakes(run: Run) -> None:
    ended = run("scan", "--new-yoke", "1.1")
    assert ended.code == 2
    assert "--yoke: what it was before is missing" in ended.err
    assert run("scan").code == 2
