"""Settings, quote, bill, archive and tables from the command line."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path

import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from jsonschema_rs import Draft202012Validator

from cli_runs import Run
from samples import SAMPLE_CASE
from tubewright.case import Case
from tubewright.files import read_case
from tubewright.files.quote_schema import bill_schema, quote_schema, settings_schema
from tubewright.records.store import open_store


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop with its settings and one job: made once, copied for each test."""
    case: Case = read_case(SAMPLE_CASE.encode())
    path = tmp_path_factory.mktemp("prepared") / "shop.sqlite3"
    with open_store(path) as store:
        store.set_settings({"currency": "EUR", "bench_rate_per_hour": "45", "tax_name": "VAT", "tax_percent": "20"})
        store.add_person("Wren")
        display = store.add_display(case.display, owner="Ida Quill")
        store.fit_tube(display.id, store.add_tube(case.tube).id)
        job = store.open_job(display.id, use=case.use, costs=case.costs)
        store.add_readings(job.id, case.readings)
        store.add_repair(job.id, {"fault": "rgb_lead_open", "outcome": "mended"}, minutes=40.0)
    return path


@pytest.fixture
def shop(place: Path, prepared: Path) -> Path:
    """The shop of this test."""
    return Path(shutil.copy(prepared, place / "shop.sqlite3"))


def test_settings_are_set_and_shown(run: Run, shop: Path) -> None:
    assert shop.exists()
    assert (
        run(
            "settings", "set", "currency", "eur", "bench_rate_per_hour", "45", "white_x", "0.3127", "white_y", ".329"
        ).code
        == 0
    )
    body = json.loads(run("settings", "show", "--json").out)
    assert not list(Draft202012Validator(settings_schema()).iter_errors(body))
    assert body["settings"]["currency"] == "EUR"
    assert round(body["white"]["cct_k"], -2) == 6500
    assert "45" in run("settings", "show").out
    assert run("settings", "set", "currency", "").code == 0
    assert json.loads(run("settings", "show", "--json").out)["settings"]["currency"] == ""


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["currency", "EURO"], "no currency"),
        (["bench_rate_per_hour", "minus"], "not an amount"),
        (["currensy", "EUR"], "Did you mean currency"),
        (["currency"], "has no value"),
        (["white_x", "0.9", "white_y", "0.05"], "no white"),
    ],
)
def test_a_wrong_setting_is_told(run: Run, shop: Path, args: list[str], says: str) -> None:
    assert shop.exists()
    ended = run("settings", "set", *args)
    assert ended.code == 2
    assert says in ended.err


def test_a_quote_is_told_kept_and_printed_again(run: Run, shop: Path) -> None:
    assert shop.exists()
    told = run("quote", "job:1", "--line", "Parcel; 2; 7.50")
    assert told.code == 0
    assert "(recommended)" in told.out
    assert "Parcel" in told.out
    assert "draft" in told.out
    assert "isn't kept" in told.err
    body = json.loads(run("quote", "job:1", "--json").out)
    assert not list(Draft202012Validator(quote_schema()).iter_errors(body))
    kept = run("quote", "job:1", "--keep", "--person", "wren", "--pdf", "one.pdf")
    assert kept.code == 0, kept.err
    assert "Q-0001" in kept.err
    assert run("settings", "set", "bench_rate_per_hour", "90").code == 0
    again = run("quote", "job:1", "--number", "q-0001", "--pdf", "two.pdf")
    assert again.code == 0
    assert Path("one.pdf").read_bytes() == Path("two.pdf").read_bytes()
    assert "Q-0001" in again.out


def test_a_bill_asks_and_adds_up(run: Run, shop: Path) -> None:
    with open_store(shop) as store:
        store.add_treatment(1, {"kind": "soak", "gun": "red"})
    asked = run("bill", "job:1", "--keep")
    assert asked.code == 2
    assert "nobody noted it" in asked.err
    draft = run("bill", "job:1")
    assert "--time treatment:1=20" in draft.err
    body = json.loads(
        run(
            "bill",
            "job:1",
            "--time",
            "treatment:1=20",
            "--line",
            "Parcel; 1; 7.50",
            "--untaxed",
            "Stamp; 1; 1",
            "--json",
        ).out
    )
    assert not list(Draft202012Validator(bill_schema()).iter_errors(body))
    assert body["sum"] == {"net": "53.50", "taxed_net": "52.50", "tax": "10.50", "total": "64.00"}
    out = json.loads(run("bill", "job:1", "--time", "treatment:1=out", "--json").out)
    assert out["sum"]["net"] == "30.00"
    kept = run("bill", "job:1", "--time", "treatment:1=out", "--keep")
    assert kept.code == 0
    assert "B-0001" in kept.err


@pytest.mark.parametrize(
    ("args", "says"),
    [
        (["quote", "job:9"], "no job 9"),
        (["quote", "7x"], "not the number of a job"),
        (["quote", "job:1", "--line", "Parcel"], "three parts"),
        (["quote", "job:1", "--line", "Parcel; x; y"], "not a number"),
        (["quote", "job:1", "--number", "Q-0009"], "Given out: none yet"),
        (["quote", "job:1", "--keep", "--person", "Nobody"], "Known are Wren"),
        (["bill", "job:1", "--time", "repair:99=5"], "It has: repair:1"),
        (["bill", "job:1", "--time", "repair:1"], "names no time"),
        (["bill", "job:1", "--time", "repair:1=nan"], "is not a time"),
        (["bill", "job:1", "--without", "part:5"], "no part:5"),
        (["tables", "reading", "--to", "x"], "Did you mean readings"),
        (["tables", "--to", "x", "--format", "xml"], "csv or parquet"),
        (["take-in", "nowhere.zip"], "can't be read"),
        (["take-in", "pier.toml"], "no whole zip"),
        (["archive", "job:9", "--to", "x.zip"], "no job 9"),
        (["archive", "job:1", "--to", "pier.toml"], "already"),
    ],
    ids=lambda value: value if isinstance(value, str) else " ".join(value),
)
def test_what_can_not_be_done_is_said(run: Run, shop: Path, args: list[str], says: str) -> None:
    assert shop.exists()
    ended = run(*args)
    assert ended.code == 2
    assert says in " ".join(ended.err.split())
    assert not Path("x.zip").exists()
    assert not Path("x.zip.partial").exists()


def test_a_job_goes_to_another_shop_and_no_further_twice(run: Run, shop: Path) -> None:
    assert shop.exists()
    assert run("quote", "job:1", "--keep").code == 0
    assert run("archive", "job:1", "--to", "one.zip").code == 0
    there = run("take-in", "one.zip", "--shop", "other.sqlite3")
    assert there.code == 0, there.err
    assert "as job 1" in there.err
    assert run("archive", "job:1", "--to", "two.zip", "--shop", "other.sqlite3").code == 0
    again = run("take-in", "one.zip", "--shop", "other.sqlite3")
    assert again.code == 2
    assert "it is job 1" in again.err


def test_tables_are_written_and_never_over_others(run: Run, shop: Path) -> None:
    assert shop.exists()
    assert run("tables", "--to", "all").code == 0
    with Path("all/readings.csv").open(newline="", encoding="utf-8") as file:
        assert [line["gun"] for line in csv.DictReader(file)] == ["red", "red"]
    assert run("tables", "readings", "jobs", "--to", "some", "--format", "parquet").code == 0
    assert sorted(path.name for path in Path("some").iterdir()) == ["jobs.parquet", "readings.parquet"]
    assert pq.read_table("some/readings.parquet")["value"].to_pylist() == [0.33, 0.23]
    over = run("tables", "readings", "--to", "some", "--format", "parquet")
    assert over.code == 2
    assert "there already" in over.err


@pytest.mark.parametrize("which", ["quote", "bill", "settings"])
def test_the_schemas_are_published(run: Run, which: str) -> None:
    assert json.loads(run("schema", which).out)["$id"] == f"urn:tubewright:schema:{which}:1"
