"""``tubewright treat``: the plan with its cautions first; the next step opens only with every guard met."""

from __future__ import annotations

import datetime as dt
import json
import tomllib
from pathlib import Path
from typing import Any, Final

import pytest

from cli_runs import Run
from tubewright.records.store import open_store

NOW: Final = ("--at", "2026-03-02T10:00", "--futures", "1000")
CASE: Final = """\
format = 1
readings = [
  { kind = "heater_voltage", value = 6.3, unit = "V", at = 2026-03-02T08:20:00 },
  { kind = "leakage_heater_cathode", value = 60, unit = "Mohm", at = 2026-03-02T08:30:00 },
  { kind = "leakage_cathode_grid1", value = 60, unit = "Mohm", at = 2026-03-02T08:35:00 },
  { kind = "leakage_grid1_grid2", value = 200, unit = "Mohm", at = 2026-03-02T08:40:00 },
  { gun = "red", kind = "emission", value = 0.70, unit = "rel", minutes_on = 10, at = 2026-03-02T09:00:00 },
  { gun = "green", kind = "emission", value = 0.68, unit = "rel", minutes_on = 10, at = 2026-03-02T09:01:00 },
  { gun = "blue", kind = "emission", value = 0.32, unit = "rel", minutes_on = 11, at = 2026-03-02T09:02:00 },
  { gun = "blue", kind = "emission", value = 0.33, unit = "rel", minutes_on = 15, at = 2026-03-02T09:06:00 },
  { gun = "blue", kind = "emission", value = 0.19, unit = "rel", heater_v = 5.5, at = 2026-03-02T09:09:00 },
]
treatments = [{ kind = "clean_contacts", outcome = "unchanged", at = 2026-03-02T08:00:00 }]
[tube]
heater_v = 6.3
getter = "silver"
restorations = 0
service_hours = 20000
[use]
hours_per_week = 10
minimum_white = 0.5
[costs]
currency = "EUR"
bench_rate_per_hour = 45
replacement_tube = 300
replacement_display = 500
parts_value = 20
"""


@pytest.fixture
def case(place: Path) -> str:
    (place / "lantern.toml").write_text(CASE, encoding="utf-8")
    return "lantern.toml"


def body_of(run: Run, *args: str) -> dict[str, Any]:
    body: dict[str, Any] = json.loads(run("treat", *args, *NOW, "--json").out)
    return body


def test_the_step_stays_shut_and_the_words_to_confirm_are_shown_first(run: Run, case: str) -> None:
    said = run("treat", case, *NOW)
    assert said.code == 3
    assert said.out.index("Confirm first") < said.out.index("It stays shut") < said.out.index("The plan, lowest")
    assert "[gate_leakage_known]" in said.out
    assert "4-24 hours" not in said.out, "what to do must not be told before it is open"
    assert "not confirmed: Goggles and gauntlets on" in said.err
    assert "Local codes and licensed practice" in said.err


def test_it_opens_with_everything_confirmed(run: Run, case: str) -> None:
    shut = body_of(run, case)
    names = ",".join(one["caution"] for one in shut["next"]["conditions"])
    said = run("treat", case, *NOW, "--confirmed", names)
    assert said.code == 0
    assert said.err == ""
    assert "4-24 hours" in said.out
    assert said.out.index("Hazard H2") < said.out.index("4-24 hours")
    short = run("treat", case, *NOW, "--confirmed", names.removesuffix(f",{names.rpartition(',')[2]}"))
    assert short.code == 3
    assert short.err.count("tubewright:") == 2


def test_looking_refuses_nothing_and_opens_nothing(run: Run, case: str) -> None:
    said = run("treat", case, *NOW, "--look")
    assert said.code == 0
    assert "4-24 hours" not in said.out


def test_json_carries_the_state_of_each_step(run: Run, case: str) -> None:
    body = body_of(run, case, "--gun", "blue")
    states = {one["kind"]: one["state"] for one in body["steps"]}
    assert states["clean_contacts"] == "done"
    assert states["soak"] == "next"
    assert body["next"]["how"] is None
    assert set(body["guns"]) == {"blue"}
    assert body["cautions"]


def test_a_misspelt_caution_or_time_is_wrong_input(run: Run, case: str) -> None:
    caution = run("treat", case, *NOW, "--confirmed", "anode_charg,implosin")
    assert caution.code == 2
    assert "anode_charge" in caution.err
    assert "implosion" in caution.err
    assert run("treat", case, "--at", "noonish").code == 2
    assert run("treat", "missing.toml").code == 2


def test_a_job_counts_what_was_confirmed_in_it(run: Run, place: Path) -> None:
    now = dt.datetime.now(dt.UTC).replace(microsecond=0)
    told = tomllib.loads(CASE)
    shift = now - dt.datetime(2026, 3, 2, 10, 0, tzinfo=dt.UTC)
    for one in (*told["readings"], *told["treatments"]):
        one["at"] = one["at"].replace(tzinfo=dt.UTC) + shift
    with open_store(place / "shop.sqlite3") as store:
        person = store.add_person("Ilse Vane").id
        display = store.add_display({"label": "Lantern Hall, cabinet 3"}).id
        store.fit_tube(display, store.add_tube(told["tube"]).id, at=now - dt.timedelta(days=1))
        job = store.open_job(display, use=told["use"], costs=told["costs"]).id
        for one in told["readings"]:
            store.add_reading(job, one)
        for one in told["treatments"]:
            store.add_treatment(job, one)
    shut = run("treat", f"job:{job}", "--json", "--futures", "1000")
    assert shut.code == 3, shut.err
    step = json.loads(shut.out)["next"]
    assert all(one["met"] for one in step["needs"]), step["needs"]
    with open_store(place / "shop.sqlite3") as store:
        words = {one["caution"]: one["words"] for one in step["conditions"]}
        store.confirm(job, "treatment", step["kind"], cautions=words, by=person)
    opened = run("treat", f"job:{job}", "--json", "--futures", "1000")
    assert opened.code == 0, opened.err
    assert json.loads(opened.out)["next"]["open"] is True
