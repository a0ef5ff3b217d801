"""Copies are whole and checked; putting one back loses nothing of what was there."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from records.conftest import START, Clock
from tubewright.errors import InputError
from tubewright.records.backup import backup, restore
from tubewright.records.store import Store, open_store


@pytest.fixture
def shop(tmp_path: Path, empty_file: bytes) -> Store:
    """Records with a job in them."""
    path = tmp_path / "shop.sqlite3"
    path.write_bytes(empty_file)
    store = open_store(path, clock=Clock())
    store.open_job(store.add_display({"label": "Kelp Cavern"}).id)
    return store


def files(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def test_a_copy_is_made_while_the_records_are_in_use(shop: Store, tmp_path: Path) -> None:
    with shop.database.read() as conn:
        conn.exec_driver_sql("SELECT count(*) FROM jobs").all()
        report = backup(shop, tmp_path / "copy.sqlite3")
    assert (report.jobs, report.readings) == (1, 0)
    assert report.bytes > 0
    with open_store(tmp_path / "copy.sqlite3") as copy:
        assert [row.display_label for row in copy.board().rows] == ["Kelp Cavern"]


def test_a_copy_never_runs_over_a_file(shop: Store, tmp_path: Path) -> None:
    (tmp_path / "copy.sqlite3").write_text("precious")
    with pytest.raises(InputError, match="already"):
        backup(shop, tmp_path / "copy.sqlite3")
    assert (tmp_path / "copy.sqlite3").read_text() == "precious"
    with pytest.raises(InputError, match="can't be copied"):
        backup(shop, tmp_path / "no such folder" / "copy.sqlite3")


def test_a_restore_keeps_what_was_there(shop: Store, tmp_path: Path) -> None:
    backup(shop, tmp_path / "copy.sqlite3")
    shop.add_display({"label": "came later"})
    shop.close()
    report = restore(tmp_path / "copy.sqlite3", tmp_path / "shop.sqlite3", now=START)
    assert report.jobs == 1
    assert report.set_aside is not None
    with open_store(tmp_path / "shop.sqlite3") as store:
        assert [one.display.label for one in store.displays().rows] == ["Kelp Cavern"]
    with open_store(report.set_aside) as old:
        assert [one.display.label for one in old.displays().rows] == ["came later", "Kelp Cavern"]
    again = restore(tmp_path / "copy.sqlite3", tmp_path / "shop.sqlite3", now=START)
    assert again.set_aside not in {None, report.set_aside}


def test_a_restore_to_an_empty_place(shop: Store, tmp_path: Path) -> None:
    backup(shop, tmp_path / "copy.sqlite3")
    report = restore(tmp_path / "copy.sqlite3", tmp_path / "new" / "shop.sqlite3", now=START)
    assert report.set_aside is None
    assert files(tmp_path / "new") == {"shop.sqlite3"}


def test_records_in_use_are_not_replaced(shop: Store, tmp_path: Path) -> None:
    backup(shop, tmp_path / "copy.sqlite3")
    with shop.database.read() as conn:
        conn.exec_driver_sql("SELECT count(*) FROM jobs").all()
        with pytest.raises(InputError, match="in use"):
            restore(tmp_path / "copy.sqlite3", tmp_path / "shop.sqlite3", now=START)
    assert shop.board().rows


def test_a_damaged_file_is_set_aside_as_it_is(shop: Store, tmp_path: Path) -> None:
    backup(shop, tmp_path / "copy.sqlite3")
    shop.close()
    (tmp_path / "shop.sqlite3").write_bytes(b"burnt" * 5000)
    report = restore(tmp_path / "copy.sqlite3", tmp_path / "shop.sqlite3", now=START)
    assert report.set_aside is not None
    assert report.set_aside.read_bytes().startswith(b"burnt")


@pytest.mark.parametrize("kind", ["missing", "garbage", "another database", "damaged", "itself"])
def test_what_is_no_backup_changes_nothing(shop: Store, tmp_path: Path, kind: str) -> None:
    backup(shop, tmp_path / "good.sqlite3")
    shop.close()
    path = tmp_path / "copy.sqlite3"
    if kind == "garbage":
        path.write_bytes(b"no database at all" * 500)
    elif kind == "another database":
        with closing(sqlite3.connect(path)) as conn:
            conn.execute("CREATE TABLE recipes (name)")
    elif kind == "damaged":
        good = bytearray((tmp_path / "good.sqlite3").read_bytes())
        good[8192:40960] = b"\x5a" * (40960 - 8192)
        path.write_bytes(good)
    elif kind == "itself":
        path = tmp_path / "shop.sqlite3"
    before = (tmp_path / "shop.sqlite3").read_bytes()
    with pytest.raises(InputError):
        restore(path, tmp_path / "shop.sqlite3", now=START)
    assert (tmp_path / "shop.sqlite3").read_bytes() == before
    assert not any("restor" in name or "partial" in name for name in files(tmp_path))
