"""``treat job:7 --log``: a step written into the job from the terminal, by the same guards as the page's."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest

from bench.treated import worn_job
from cli_runs import Run
from tubewright.bench.treating import HISTORY_STEP
from tubewright.records.store import Store, open_store

FAST = ("--futures", "1000")


def now() -> dt.datetime:
    return dt.datetime.now(dt.UTC).replace(microsecond=0)


@pytest.fixture
def job(place: Path) -> int:
    """A blue gun worth a soak, its socket cleaned, and somebody called Ilse Vane."""
    with open_store(place / "shop.sqlite3") as store:
        store.add_person("Ilse Vane")
        number = worn_job(store, now())
        store.add_test(number, {"id": "p_socket_clean", "result": "no_change"})
    return number


def shop(place: Path) -> Store:
    return open_store(place / "shop.sqlite3")


def asked(run: Run, job: int) -> str:
    body = json.loads(run("treat", f"job:{job}", "--look", "--json", *FAST).out)
    return ",".join(one["caution"] for one in body["next"]["conditions"])


def test_a_shut_step_is_refused_and_nothing_is_stored(run: Run, place: Path, job: int) -> None:
    said = run("treat", f"job:{job}", "--log", "--minutes", "5", "--seen", "glow even", *FAST)
    assert said.code == 3
    assert "not confirmed: Goggles and gauntlets on" in said.err
    other = run("treat", f"job:{job}", "--log", "--kind", "activate", "--gun", "blue", "--minutes", "1", *FAST)
    assert other.code == 3
    assert "is not the next step" in other.err
    with shop(place) as store:
        assert store.job(job).treatments == ()
        assert store.confirmations(job) == ()


def test_a_step_is_logged_with_what_was_seen_and_the_readings_after(run: Run, place: Path, job: int) -> None:
    names = asked(run, job)
    unnamed = run("treat", f"job:{job}", "--log", "--minutes", "5", "--confirmed", names, *FAST)
    assert unnamed.code == 2
    assert "--person" in unnamed.err
    said = run(
        *("treat", f"job:{job}", "--log", "--minutes", "5", "--seen", "glow even", "--confirmed", names),
        *("--person", "ilse vane", "--red", "700", "--green", "0.68mA", "--blue", "330uA", *FAST),
    )
    assert said.code == 0, said.err
    assert "Written into job 1: Soak" in said.err
    assert "read all three guns again" in said.out.replace("\n", " ")
    with shop(place) as store:
        (one,) = store.job(job).treatments
        assert (one.treatment.kind, one.minutes, one.seen, one.person) == ("soak", 5, "glow even", "Ilse Vane")
        after = {r.gun: r.value for r in store.case_of(job).readings if r.stage == "after"}
        assert after == {"red": 700, "green": 680, "blue": 330}
        assert {c.step for c in store.confirmations(job)} == {"soak"}
        assert {c.person for c in store.confirmations(job)} == {"Ilse Vane"}


def test_what_is_confirmed_with_a_name_is_kept_for_the_page(run: Run, place: Path, job: int) -> None:
    names = asked(run, job)
    said = run("treat", f"job:{job}", "--confirmed", names, "--history-unknown", "--person", "Ilse Vane", *FAST)
    assert said.code == 0, said.err
    assert "4-24 hours" in said.out
    with shop(place) as store:
        kept = store.confirmations(job)
    assert {c.step for c in kept} == {"soak", HISTORY_STEP}
    assert run("treat", f"job:{job}", *FAST).code == 0
    assert run("treat", f"job:{job}", "--log", "--minutes", "0.1", *FAST).code == 0
    nobody = run("treat", f"job:{job}", "--confirmed", names, "--person", "Ilse Vanes", *FAST)
    assert nobody.code == 2
    assert "Ilse Vane" in nobody.err


@pytest.mark.parametrize(
    ("args", "said"),
    [
        (("--log",), "how long did it take"),
        (("--log", "--minutes", "soon"), "--minutes"),
        (("--log", "--minutes", "5", "--blue", "33x"), "--blue"),
        (("--log", "--minutes", "5", "--kind", "soke"), "soak"),
        (("--log", "--minutes", "5", "--confirmed", "anode_charg", "--person", "Ilse Vane"), "anode_charge"),
        (("--minutes", "5"), "with --log only"),
    ],
)
def test_what_makes_no_sense_is_wrong_input(run: Run, place: Path, job: int, args: tuple[str, ...], said: str) -> None:
    told = run("treat", f"job:{job}", *args, *FAST)
    assert told.code == 2, told.out
    assert said in told.err
    with shop(place) as store:
        assert store.job(job).treatments == ()


def test_a_file_has_no_log(run: Run) -> None:
    told = run("treat", "pier.toml", "--log", "--minutes", "5")
    assert told.code == 2
    assert "job:7" in told.err


def test_holding_is_answered_from_the_jobs_own_records(run: Run, place: Path, job: int) -> None:
    ended = now() - dt.timedelta(hours=5)
    with shop(place) as store:
        store.add_treatment(job, {"kind": "clean", "gun": "blue", "outcome": "improved", "at": ended})
        for minutes, value in ((10, 520.0), (15, 515.0), (30, 512.0), (60, 510.0)):
            at = ended + dt.timedelta(minutes=minutes)
            row = {"gun": "blue", "kind": "emission", "value": value, "unit": "uA", "minutes_on": 10.0, "at": at}
            store.add_reading(job, {**row, "stage": "after"})
    body = json.loads(run("hold", f"job:{job}", "--gun", "blue", "--json").out)
    assert [one["minutes"] for one in body["readings"]] == [10, 15, 30, 60]
    assert body["unit"] == "uA"
    assert body["hold"]["p10"] < 1
