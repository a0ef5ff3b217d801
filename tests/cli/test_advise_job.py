"""``advise`` on a job of the shop: its own measurements and moves, written down again, and what it refuses."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest
from jsonschema_rs import Draft202012Validator

from cli_runs import Run
from tubewright.answers.measurement_json import to_json
from tubewright.files.measurements import measurement_from_json
from tubewright.records.store import Store, open_store
from tubewright.simulate.controls import Bench


@pytest.fixture
def bench() -> Bench:
    return Bench(0, calm=True)


@pytest.fixture
def store(place: Path) -> Store:
    store = open_store(place / "shop.sqlite3")
    display = store.add_display({"label": "Pier arcade, machine 7"})
    store.open_job(display.id)
    return store


def photograph(store: Store, bench: Bench) -> None:
    answer = measurement_from_json(json.dumps(bench.measured()), {})
    store.save_measurement(
        1,
        photo_shas=["0" * 64],
        settings_json="{}",
        answer_json=json.dumps(to_json(answer)),
        accepted=True,
        model_version="1",
        headline="Measured.",
    )


def test_a_job_is_advised_on_and_its_moves_are_written_down(run: Run, store: Store, bench: Bench) -> None:
    photograph(store, bench)
    ended = run("advise", "job:1", "--json")
    assert (ended.code, ended.err) == (0, "")
    body = json.loads(ended.out)
    Draft202012Validator(json.loads(run("schema", "advise").out)).validate(body)
    assert body["job"] == {"number": 1, "photographs": [1], "pending": [], "earlier": []}
    saved = run("advise", "job:1", "--save")
    assert "Written into job 1" in saved.err + saved.out
    assert [one.control for one in store.moves(1)] == [move["control"] for move in body["moves"]]
    again = json.loads(run("advise", "job:1", "--json").out)
    assert [one["control"] for one in again["job"]["pending"]] == [move["control"] for move in body["moves"]]
    twice = run("advise", "job:1", "--save")
    assert twice.code == 2
    assert "no photograph shows yet" in twice.err
    assert len(store.moves(1)) == len(body["moves"])
    text = run("advise", "job:1").out
    assert text.startswith("Before anything is touched:")
    said = " ".join(text.split())
    off, running = said.split("Unplugged and drained, once each of these is so:")[1].split(
        "Or: With the set running, once each of these is so:"
    )
    for way, part in zip(body["ways"], (off, running), strict=True):
        assert part.strip().startswith(way["words"])
        assert all(" ".join(one.split()) in part for one in way["confirm"])
    assert text.count("once each of these is so:") == 2
    assert "Turned since the last photograph" in text
    assert max(len(line) for line in text.splitlines()) <= 80


def test_what_was_learned_is_told(run: Run, store: Store, bench: Bench) -> None:
    photograph(store, bench)
    run("advise", "job:1", "--save")
    for one in store.moves(1):
        if one.tabs_mm is not None:
            bench.set_ring(one.control, one.tabs_mm, one.angle_deg or 0.0)
    photograph(store, bench)
    ended = run("advise", "job:1")
    assert "What its controls were seen to do" in ended.out
    assert "Step 4 of 10" in ended.out
    assert json.loads(run("advise", "job:1", "--json").out)["learned"]


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (("job:1",), "no measurement"),
        (("job:9",), "no job 9"),
        (("job:x",), "not the number of a job"),
        (("job:1", "one.json"), "has its own measurements"),
        (("job:1", "--moves", "moves.toml"), "knows this itself"),
        (("job:1", "--minutes-on", "nan"), "no time"),
        (("job:1", "--opening-mm", "1", "1"), "no picture has this size"),
        (("job:1", "--since", "7"), "no measurement 7"),
        (("one.json", "--save"), "for a job"),
        (("one.json", "--since", "1"), "for a job"),
    ],
)
def test_wrong_input_is_told_in_words(run: Run, store: Store, arguments: tuple[str, ...], says: str) -> None:
    assert store.moves(1) == ()
    ended = run("advise", *arguments)
    assert ended.code == 2
    assert says in ended.err.lower()
    assert "Traceback" not in ended.err


def test_cold_it_refuses(run: Run, store: Store, bench: Bench) -> None:
    photograph(store, bench)
    assert run("advise", "job:1", "--minutes-on", "5").code == 3


def test_what_was_chosen_on_the_page_holds_where_nothing_is_typed(run: Run, store: Store, bench: Bench) -> None:
    photograph(store, bench)
    plain = json.loads(run("advise", "job:1", "--tolerance", "arcade", "--at-once", "6", "--json").out)
    typed = run("advise", "job:1", "--tolerance", "broadcast", "--at-once", "1", "--json")
    assert json.loads(typed.out) != plain
    assert typed.err == ""
    store.set_setup_choices(1, {"tolerance": "broadcast", "at_once": 1})
    chosen = run("advise", "job:1", "--json")
    assert chosen.out == typed.out
    assert "--tolerance broadcast --at-once 1" in " ".join(chosen.err.split())
    over = json.loads(run("advise", "job:1", "--tolerance", "arcade", "--at-once", "6", "--json").out)
    assert over == plain
    kept = store.setup_choices(1)
    assert kept is not None
    assert (kept.tolerance, kept.at_once) == ("broadcast", 1)


def test_options_are_kept_with_the_job_when_that_is_asked_for(run: Run, store: Store, bench: Bench) -> None:
    photograph(store, bench)
    assert store.setup_choices(1) is None
    options = ("--opening-mm", "361", "270.5", "--minutes-on", "45", "--since", "1", "--keep")
    assert run("advise", "job:1", *options).code == 0
    kept = store.setup_choices(1)
    assert kept is not None
    assert (kept.opening_width_mm, kept.opening_height_mm, kept.since_measurement_id) == (361.0, 270.5, 1)
    assert kept.on_since == store.job(1).measurements[0].at - dt.timedelta(minutes=45)
    assert run("advise", "job:1", "--at-once", "99", "--keep").code == 2
    nothing = run("advise", "job:1", "--keep", "--save")
    assert nothing.code == 2
    assert "no option was typed" in nothing.err.lower()
    assert store.moves(1) == ()
    assert store.setup_choices(1) == kept
    assert run("advise", "one.json", "--keep").code == 2


def test_a_case_says_how_the_guns_stand(run: Run, place: Path) -> None:
    (place / "delta.toml").write_text('format = 1\n[tube]\ngun = "delta"\n', encoding="utf-8")
    (place / "one.json").write_text(json.dumps(Bench(3, gun="delta").measured()), encoding="utf-8")
    body = json.loads(run("advise", "delta.toml", "one.json", "--json").out)
    assert body["tolerance"] == "delta"
    assert "static_convergence" in {step["id"] for step in body["order"]}
    assert body["job"] is None
