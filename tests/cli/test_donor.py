"""``donor`` and ``scan`` as a person calls them: cautions first, shelves in TOML and CSV, mistakes named, refusals."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Final

import pytest
from jsonschema_rs import Draft202012Validator

from cli_runs import Run
from tubewright.case import TestResult
from tubewright.files.donor_schema import donor_schema, label_schema
from tubewright.files.tube_fields import value_of as set_value
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import open_store

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


# --- from the shop's own records -----------------------------------------------------------


@pytest.fixture
def shop(place: Path) -> int:
    """A job whose tube is to be replaced, a sister in stock, another tube of the records; gives the job's number."""
    with open_store(place / "shop.sqlite3") as store:
        display = store.add_display({"label": "Pier arcade, machine 7", "chassis": "larkspur_19"})
        tube = store.add_tube({"label": "M46QAA01X01", "gun": "inline", "heater_v": 6.3})
        store.fit_tube(display.id, tube.id)
        job = store.open_job(display.id)
        store.add_test(job.id, TestResult(id="d_eht", value=24000, unit="V"))
        attributes = {"label": "M46QAA01X01", "gun": "inline", "heater_v": 6.3, "neck_mm": 29.1, "pins": "1 focus"}
        store.add_item({"sort": "tube", "kind": "tube", "name": "sister", "quantity": 1, "attributes": attributes})
        store.add_item({"sort": "tube", "kind": "tube", "name": "gone", "quantity": 0, "attributes": attributes})
        store.add_tube({"label": "A48DDD00X", "gun": "delta"})
    return job.id


def test_a_job_is_matched_from_records_and_stock(run: Run, shop: int) -> None:
    shown = run("donor", f"job:{shop}", "--json")
    assert shown.code == 0, shown.err
    body = json.loads(shown.out)
    assert not [error.message for error in Draft202012Validator(donor_schema()).iter_errors(body)]
    assert body["wanted"] == f"job:{shop}"
    assert [(one["label"], one["verdict"]) for one in body["donors"]] == [
        ("M46QAA01X01", "unknown"), ("A48DDD00X", "never"),
    ]  # fmt: skip
    anode = next(one for one in body["donors"][0]["aspects"] if one["id"] == "anode")
    assert "rating" in anode["words"]


def test_what_the_jobs_tests_measured_fills_the_set(run: Run, shop: int, place: Path) -> None:
    with open_store(place / "shop.sqlite3") as store:
        item = next(one for one in store.all_items() if one.name == "sister")
        store.edit_item(item.id, {"attributes": {**item.attributes, "anode_max_kv": 20.0}}, version=item.version)
    body = json.loads(run("donor", f"job:{shop}", "--json").out)
    sister = next(one for one in body["donors"] if one["label"] == "M46QAA01X01")
    assert sister["verdict"] == "never"
    assert "the set gives 24 kV" in sister["headline"]
    typed = json.loads(run("donor", f"job:{shop}", "--eht", "15", "--json").out)
    sister = next(one for one in typed["donors"] if one["label"] == "M46QAA01X01")
    assert sister["verdict"] != "never", "what is typed comes before what was measured"


def test_a_tube_of_the_records_and_a_shelf_of_its_own(run: Run, shop: int, shelf: Path) -> None:
    body = json.loads(run("donor", "tube:1", "--shelf", "shelf.toml", "--json").out)
    assert {"S1", "S2"} <= {one["id"] for one in body["donors"]}
    with_stock = json.loads(run("donor", "--wanted", "shelf1.toml", "--shelf", "stock", "--json").out or "{}")
    assert not with_stock
    (shelf.parent / "shelf1.toml").write_text('[[tube]]\nid = "W"\ngun = "inline"\n', encoding="utf-8")
    with_stock = json.loads(run("donor", "--wanted", "shelf1.toml", "--shelf", "stock", "--json").out)
    assert len(with_stock["donors"]) == 2


@pytest.mark.parametrize(
    ("args", "says"),
    [
        ((), "nobody says which tube is to be replaced"),
        (("job:1", "--wanted", "W1"), "two tubes are named"),
        (("machine 7",), "is neither a job nor a tube"),
        (("job:99",), "there is no job 99"),
        (("tube:99",), "there is no tube 99"),
    ],
)
def test_records_that_are_not_there_are_said_so(run: Run, shop: int, args: tuple[str, ...], says: str) -> None:
    ended = run("donor", *args)
    assert (ended.code, ended.out) == (2, "")
    assert says in ended.err


def test_a_tube_that_another_job_reserved_is_left_out_and_told(run: Run, shop: int, place: Path) -> None:
    with open_store(place / "shop.sqlite3") as store:
        other = store.open_job(store.add_display({"label": "Another"}).id)
        item = next(one for one in store.all_items() if one.name == "sister")
        store.reserve(other.id, item.id)
    ended = run("donor", f"job:{shop}", "--json")
    assert "Left out, because a job has reserved it: sister" in ended.err
    assert [one["label"] for one in json.loads(ended.out)["donors"]] == ["A48DDD00X"]


def test_a_label_as_json_is_as_its_schema_says(run: Run) -> None:
    for label in ("M34AFA63X03", "A5610X", "19VP4", "D14-100GH", "MW36-22"):
        body = json.loads(run("label", label, "--json").out)
        assert not [error.message for error in Draft202012Validator(label_schema()).iter_errors(body)]


def test_a_shelf_file_may_name_the_tuning_capacitor(run: Run, place: Path) -> None:
    text = "[set]\ntuning_nf = 8.2\neht_kv = 24\n[[tube]]\nid = 'a'\n[[tube]]\nid = 'b'\n"
    (place / "s.toml").write_text(text, encoding="utf-8")
    assert run("donor", "--wanted", "a", "--shelf", "s.toml").code == 0
    assert set_value("tuning_nf", "8n2", "") == pytest.approx(8.2)
    assert set_value("tuning_nf", 8.2, "") == pytest.approx(8.2)
