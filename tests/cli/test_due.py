"""``tubewright due``: what is due, in words and as JSON."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

from bench.treated import worn_job
from cli_runs import Run
from tubewright.records.store import open_store


def test_what_is_due_is_listed_and_ends_with_a_reading(run: Run, place: Path) -> None:
    then = dt.datetime.now(dt.UTC) - dt.timedelta(days=40)
    with open_store(place / "shop.sqlite3") as store:
        job = worn_job(store.with_clock(lambda: then), then)
        store.add_treatment(job, {"kind": "clean", "gun": "blue", "outcome": "improved", "at": then})
    said = run("due")
    assert said.code == 0
    assert "Due: 1 tube to read again." in said.out
    assert "job:1" in said.out
    body = json.loads(run("due", "--json").out)
    (one,) = body["reminders"]
    assert (one["sort"], one["guns"], one["open_job"]) == ("month", ["blue"], job)
    with open_store(place / "shop.sqlite3") as store:
        store.add_reading(job, {"gun": "blue", "kind": "emission", "value": 0.5, "unit": "rel"})
    assert "Nothing is due." in run("due").out
    assert "Due: 1 tube" in run("due", "--ahead", "60").out


def test_without_a_shop_it_says_so(run: Run) -> None:
    said = run("due")
    assert said.code == 2
    assert "no shop here yet" in said.err
