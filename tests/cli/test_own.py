"""The shop's own file on the command line: found, checked, used, and never in the way of what can do without."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from cli_runs import Run
from tubewright.cli import settings
from tubewright.demo.load import demo_own
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import open_store

PROFILE = '[[chassis]]\nid = "reed_20"\nname = "Reed 20"\nbplus_v = 128\n'
BROKEN = '[[chassis]]\nid = "reed_20"\nname = "Reed 20"\nbplus_v = 0\nlike = "red_20"\n'


@pytest.fixture(autouse=True)
def _no_other_file(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv("TUBEWRIGHT_OWN", raising=False)


def own(place: Path, text: str, name: str = "own.toml") -> Path:
    path = place / name
    path.write_text(text, encoding="utf-8")
    return path


# -- where it is ------------------------------------------------------------------------------


def test_it_lies_beside_the_records_unless_the_environment_says_otherwise(
    place: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    assert settings.own_path() is None
    beside = own(place, PROFILE)
    assert settings.own_path() == beside
    assert settings.own_path(str(place / "elsewhere" / "shop.sqlite3")) is None
    monkeypatch.setenv("TUBEWRIGHT_OWN", str(place / "mine.toml"))
    assert settings.own_path() == place / "mine.toml"


def test_a_database_server_has_it_in_the_data_folder(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TUBEWRIGHT_SHOP", "postgresql://bench@localhost/shop")
    assert settings.own_place().name == "own.toml"
    assert "tubewright" in str(settings.own_place())


# -- check and example ----------------------------------------------------------------------------


def test_the_example_passes_its_own_check(run: Run, place: Path) -> None:
    printed = run("own", "example")
    assert printed.code == 0
    path = own(place, printed.out)
    checked = run("own", "check")
    assert checked.code == 0, checked.err
    # A long path may be broken at the end of a line.
    assert f"{path}:nomistakes." in "".join(checked.out.split())
    assert "2 chassis profiles: hull_19, hull_19_late" in " ".join(checked.out.split())
    assert "3 links" in checked.out
    body = json.loads(run("own", "check", str(path), "--json").out)
    assert body["holds"]["fault"] == ["hull_relay_worn"]
    assert body["unexplained"] == {}


def test_every_mistake_is_told_with_its_line(run: Run, place: Path) -> None:
    path = own(place, BROKEN)
    ended = run("own", "check")
    assert ended.code == 2
    assert f"{path}:4: chassis 'reed_20': bplus_v is 0, not above 0" in ended.err
    assert "Traceback" not in ended.err
    both = own(place, BROKEN + '[[fault]]\nid = "x"\n', "other.toml")
    told = run("own", "check", str(both)).err
    assert f"{both}:4:" in told
    assert f"{both}:6: fault 'x': name is missing" in told


def test_without_a_file_it_says_where_one_would_lie(run: Run, place: Path) -> None:
    ended = run("own", "check")
    assert ended.code == 2
    assert str(place / "own.toml") in ended.err
    assert "tubewright own example" in ended.err
    assert run("own", "check", "nowhere.toml").code == 2


def test_ids_that_nothing_explains_any_more_are_named_and_kept(run: Run, place: Path) -> None:
    with open_store(place / "shop.sqlite3") as store:
        display = store.add_display({"label": "Reed", "chassis": "reed_20"}).id
        job = store.open_job(display).id
        store.add_symptom(job, {"id": "sings"})
        store.add_repair(job, {"fault": "cricket_inside", "outcome": "found"})
    own(place, PROFILE)
    checked = run("own", "check")
    assert checked.code == 0
    assert "symptom: sings" in checked.out
    assert "fault: cricket_inside" in checked.out
    assert "reed_20\n" in checked.out or "chassis: reed_20" not in checked.out
    assert json.loads(run("own", "check", "--json").out)["unexplained"] == {
        "symptom": ["sings"],
        "fault": ["cricket_inside"],
    }
    with open_store(place / "shop.sqlite3") as store:
        assert store.job(job).repairs[0].repair.fault == "cricket_inside"


# -- the other commands ---------------------------------------------------------------------------------


def test_what_it_brings_is_listed_and_may_be_used_in_a_case(run: Run, place: Path) -> None:
    assert run("list", "chassis").out.startswith("There is no chassis profile here.")
    own(place, run("own", "example").out)
    assert "hull_19_late" in run("list", "chassis", "--json").out
    assert "hull_relay_worn" in run("list", "faults", "--search", "relay").out
    case = (
        'format = 1\n[display]\nchassis = "hull_19"\n[[symptoms]]\nid = "hull_click_and_dark"\n'
        '[[tests]]\nid = "p_hull_relay"\nresult = "high"\n'
    )
    (place / "hull.toml").write_text(case, encoding="utf-8")
    ended = run("diagnose", "hull.toml", "--json")
    assert ended.code == 0, ended.err
    assert json.loads(ended.out)["faults"][0]["id"] == "hull_relay_worn"
    assert run("assess", "hull.toml", "--json").code == 0


def test_a_profile_is_shown_field_by_field_with_its_units(run: Run, place: Path) -> None:
    own(place, demo_own().read_text(encoding="utf-8"))
    shown = " ".join(run("list", "chassis", "--search", "dunlin_k2").out.split())
    for words in ("Dunlin K2", "Like orrel_15", "B+ 120 V", "highest EHT 27 kV", "Line loop (AFC): capacitor 4.7", "µF",
                  "Sync input: kind composite", "d_bplus (Measure B+): 120", "h_hold (Horizontal hold)"):  # fmt: skip
        assert words in shown, words
    assert "Nothing fits" not in shown


@pytest.mark.parametrize(
    "args",
    [
        ("list", "symptoms"),
        ("list", "chassis"),
        ("sources",),
        ("raster", "list"),
        ("heater", "turns", "--target", "6.3", "--trial", "4.2", "--trial-turns", "3"),
        ("schema", "case"),
        ("own", "example"),
        ("backup", "copy.sqlite3"),
    ],
    ids=" ".join,
)
def test_a_broken_file_does_not_stop_what_can_do_without(run: Run, place: Path, args: tuple[str, ...]) -> None:
    open_store(place / "shop.sqlite3").close()
    own(place, BROKEN)
    ended = run(*args)
    assert ended.code == 0, ended.err
    if args[0] in {"list", "sources", "raster"}:
        assert "own.toml has a mistake and is left out: tubewright own check" in " ".join(ended.err.split())


@pytest.mark.parametrize("command", ["assess", "diagnose"])
def test_an_answer_is_not_given_while_it_might_be_another(run: Run, place: Path, command: str) -> None:
    own(place, BROKEN)
    ended = run(command, "pier.toml")
    assert ended.code == 2
    assert "own.toml:4: chassis 'reed_20': bplus_v is 0, not above 0" in ended.err
    assert "without it the answer might be another" in " ".join(ended.err.split())
    assert "the records are as they were" in " ".join(ended.err.split())
    (place / "own.toml").unlink()
    assert run(command, "pier.toml").code == 0


# -- the demo shop and the bench -------------------------------------------------------------------------


def test_the_demo_shop_comes_with_its_own_file(run: Run, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("tubewright.demo.load.load_demo", lambda *_: None)  # its records are a matter apart
    told = run("demo", "seaside.sqlite3")
    assert told.code == 0
    assert set(load_knowledge(place / "own.toml").chassis) == {"orrel_15", "dunlin_k2"}
    mine = own(place, PROFILE)
    again = run("demo", "again.sqlite3")
    assert "left out: there is an own.toml already" in " ".join(again.err.split())
    assert mine.read_text(encoding="utf-8") == PROFILE


def test_the_bench_is_handed_the_file(run: Run, place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    handed: dict[str, object] = {}
    monkeypatch.setattr("tubewright.bench.serve.run", lambda where, **more: handed.update(more, where=where))
    path = own(place, PROFILE)
    assert run("bench").code == 0
    assert handed["own"] == path


# -- what a photograph supplies, and controls -------------------------------------------------------------


def test_what_a_photograph_can_supply(run: Run) -> None:
    known = load_knowledge()
    listed = {one["id"]: one["photo"] for one in json.loads(run("list", "symptoms", "--photo", "--json").out)}
    assert listed == {name: one.photo for name, one in known.symptoms.items() if one.photo != "none"}
    assert 0 < len(listed) < len(known.symptoms)
    tests = {one["id"] for one in json.loads(run("list", "tests", "--photo", "--json").out)}
    assert {"o_pattern_photo", "o_primary_fields", "o_grey_steps"} <= tests
    assert "d_bplus" not in tests
    assert "by tubewright measure" in " ".join(run("list", "symptoms", "--photo").out.split())
    refused = run("list", "faults", "--photo")
    assert refused.code == 2
    assert "--photo" in refused.err


def test_a_control_is_shown_with_its_cautions_first(run: Run) -> None:
    known = load_knowledge()
    assert len(json.loads(run("list", "controls", "--json").out)) == len(known.controls) >= 30
    shown = " ".join(run("list", "controls", "--search", "screen_g2").out.replace(" ! ", " ").split())
    step = shown.index("Moves: All three black levels")
    for caution in known.controls["screen_g2"].cautions:
        assert shown.index(" ".join(known.cautions[caution].text.split())) < step


def test_what_mends_a_fault_is_told_with_the_treatments_of_the_tube(run: Run) -> None:
    shown = " ".join(run("list", "faults", "--search", "tube_worn_one").out.split())
    assert "the mildest first: clean_contacts (Clean socket and pins" in shown


def test_what_our_jobs_changed_is_told_and_given_to_programs(run: Run, place: Path) -> None:
    assert run("demo", str(place / "demo.sqlite3")).code == 0
    told = run("own", "learned", "--shop", str(place / "demo.sqlite3"))
    assert told.code == 0
    assert "2 closed jobs of this shop" in told.out
    body = json.loads(run("own", "learned", "--shop", str(place / "demo.sqlite3"), "--json").out)
    assert body["jobs"] == 2
    assert {"fault", "about", "ours", "general", "jobs", "words"} == set(body["figures"][0])
