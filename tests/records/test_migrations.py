"""Records of every earlier schema open in this one, and lose nothing."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any, Final

import pytest
from alembic import command
from alembic.config import Config
from sqlalchemy import create_engine

import tubewright.records.migrations
from records.conftest import START, Clock
from tubewright.case import Reading
from tubewright.demo.load import load_demo
from tubewright.records.store import Store, open_store

JPEG: Final = b"\xff\xd8 not really, but bytes are bytes \xff\xd9"
AGREED: Final = {"anode_charge": "Anode drained.", "primary_reservoir": "Under 10 V."}
Rows = dict[str, list[dict[str, Any]]]


@pytest.fixture(scope="module")
def full(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The demo shop, with rows in every table that a schema ever had."""
    path = tmp_path_factory.mktemp("full") / "full.sqlite3"
    with open_store(path, clock=Clock()) as store:
        load_demo(store, START)
        job = store.board().rows[0].job_id
        store.add_repair(job, {"fault": "afc_filter_aged", "outcome": "mended"})
        store.confirm(job, "repair", "afc_filter_aged", cautions=AGREED)
        store.confirm(job, "test", "d_bplus", cautions=AGREED)
        # The last id is gone, and must not be given again.
        store.undo()
        store.add_photo(job, JPEG, media_type="image/jpeg", file_name="a.jpg")
    return path


def rows_of(path: Path) -> Rows:
    """Every row of every table, as the file holds it."""
    with closing(sqlite3.connect(path)) as conn:
        conn.row_factory = sqlite3.Row
        names = [name for (name,) in conn.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        return {
            name: [dict(row) for row in conn.execute(f"SELECT * FROM {name}")]  # noqa: S608 - names of tables
            for name in names
            if name not in {"alembic_version", "sqlite_sequence"}
        }


def as_of(schema: str, full: Path, path: Path) -> None:
    """Write the full shop as the program of that schema kept it: its tables and columns, filled."""
    config = Config()
    config.set_main_option("script_location", str(Path(str(tubewright.records.migrations.__file__)).parent))
    config.set_main_option("path_separator", "os")
    engine = create_engine(f"sqlite:///{path}")
    with engine.begin() as conn:
        config.attributes["connection"] = conn
        command.upgrade(config, schema)
    engine.dispose()
    with closing(sqlite3.connect(path)) as old:
        old.execute("ATTACH ? AS full", (str(full),))
        names = [name for (name,) in old.execute("SELECT name FROM main.sqlite_master WHERE type = 'table'")]
        for name in set(names) - {"alembic_version", "sqlite_sequence"}:
            columns = ", ".join(row[1] for row in old.execute(f"PRAGMA main.table_info({name})"))
            known = f" WHERE table_name IN ({', '.join(repr(one) for one in names)})" if name == "history" else ""
            if name == "confirmations" and schema < "0005":
                known = " WHERE step_sort != 'control'"
            old.execute(f"DELETE FROM {name}")  # noqa: S608 - what the migration itself put in
            old.execute(f"INSERT INTO {name} ({columns}) SELECT {columns} FROM full.{name}{known}")  # noqa: S608 - names of tables
        old.execute(
            "UPDATE sqlite_sequence SET seq = f.seq FROM full.sqlite_sequence AS f WHERE f.name = sqlite_sequence.name"
        )
        old.commit()


@pytest.mark.parametrize("schema", ["0001", "0002", "0003", "0004", "0005"])
def test_an_older_shop_gains_what_is_new_and_loses_nothing(schema: str, full: Path, tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite3"
    as_of(schema, full, path)
    before = rows_of(path)
    assert min(len(before[name]) for name in ("displays", "jobs", "readings", "history", "search_terms")) > 5
    with open_store(path) as store:
        after = rows_of(path)
        assert set(before) <= set(after)
        for name, rows in before.items():
            kept = [{column: row[column] for column in old} for old, row in zip(rows, after[name], strict=True)]
            assert kept == rows, name
        fresh = {column for row in after["treatments"] for column in row} - set(before["treatments"][0])
        assert {row[column] for row in after["treatments"] for column in fresh} <= {None, ""}
        with closing(sqlite3.connect(path)) as conn:
            assert conn.execute("PRAGMA foreign_key_check").fetchall() == []
            assert conn.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        _all_of_it_works(store)


def _all_of_it_works(store: Store) -> None:
    """Whatever is new can be written into a shop that was there before."""
    job = store.board().rows[0].job_id
    store.add_photo(job, JPEG + b".", media_type="image/jpeg", file_name="b.jpg")
    store.add_reading(job, Reading(gun="red", kind="shortfall_seen", value=0.2, unit="rel", spread=0.03))
    store.add_repair(job, {"fault": "yoke_slipped", "outcome": "found"})
    store.confirm(job, "control", "purity_rings", cautions=AGREED)
    store.add_treatment(job, {"kind": "clean"}, minutes=3.0)
    store.add_move(job, {"control": "purity_rings"})
    item = store.add_item({"name": "fuse", "quantity": 1})
    store.reserve(job, item.id)
    store.set_settings({"shop_name": "Pier Tubes"})
    store.add_paper(job, "quote", body_json="{}")
    page = store.job(job)
    assert len(page.moves) == len(page.reservations) == len(store.papers(job)) == 1


def test_ids_of_what_is_gone_are_not_given_again(full: Path, tmp_path: Path) -> None:
    """The table of confirmations is made anew for 0005; its count goes on where it was."""
    path = tmp_path / "shop.sqlite3"
    as_of("0004", full, path)
    with closing(sqlite3.connect(path)) as old:
        last = old.execute("SELECT seq FROM sqlite_sequence WHERE name = 'confirmations'").fetchone()[0]
    assert last > max(row["id"] for row in rows_of(path)["confirmations"])
    with open_store(path) as store:
        job = store.board().rows[0].job_id
        given = store.confirm(job, "control", "purity_rings", cautions=AGREED)
        assert [one.id for one in given] == [last + 1, last + 2]
