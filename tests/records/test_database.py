"""The file: its settings, its migrations, and what happens to a file that is none of ours."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import threading
from contextlib import closing
from pathlib import Path

import pytest
from alembic.autogenerate import compare_metadata
from alembic.config import Config
from alembic.migration import MigrationContext
from alembic.script import ScriptDirectory

import tubewright.records.migrations
from tubewright import case
from tubewright.errors import ConflictError, InputError
from tubewright.records.store import Store, open_store
from tubewright.records.tables import METADATA, SCHEMA_HEAD


def test_the_tables_are_those_of_the_last_migration(store: Store) -> None:
    with store.database.read() as conn:
        context = MigrationContext.configure(conn, opts={"compare_type": True})
        assert compare_metadata(context, METADATA) == []
    assert store.database.schema_version() == SCHEMA_HEAD


def test_the_head_is_named_right() -> None:
    config = Config()
    config.set_main_option("script_location", str(Path(str(tubewright.records.migrations.__file__)).parent))
    config.set_main_option("path_separator", "os")
    assert ScriptDirectory.from_config(config).get_heads() == [SCHEMA_HEAD]


def test_every_connection_is_careful(tmp_path: Path) -> None:
    with open_store(tmp_path / "new" / "folder" / "shop.sqlite3") as store, store.database.read() as conn:
        found = {
            name: conn.exec_driver_sql(f"PRAGMA {name}").scalar()
            for name in ("foreign_keys", "journal_mode", "synchronous", "busy_timeout")
        }
    assert found == {"foreign_keys": 1, "journal_mode": "wal", "synchronous": 2, "busy_timeout": 5000}


def test_migrating_again_writes_nothing(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite3"
    open_store(path).close()
    before = path.read_bytes()
    open_store(path).close()
    assert path.read_bytes() == before


def test_opening_what_is_up_to_date_does_without_alembic(tmp_path: Path) -> None:
    """Alembic takes longer to import than the board to draw."""
    path = tmp_path / "shop.sqlite3"
    open_store(path).close()
    program = (
        "import sys; from tubewright.records.store import open_store; "
        f"open_store({str(path)!r}).board(); print('alembic' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"


def test_records_of_a_newer_program_are_left_alone(tmp_path: Path) -> None:
    path = tmp_path / "shop.sqlite3"
    open_store(path).close()
    with closing(sqlite3.connect(path)) as conn:
        conn.execute("UPDATE alembic_version SET version_num = '9999'")
        conn.commit()
    with pytest.raises(InputError, match="newer Tubewright"):
        open_store(path)


@pytest.mark.parametrize("where", ["mysql://host/shop", "postgres+nonsense://", ":memory:", "://"])
def test_what_is_no_database_of_ours_is_refused(where: str) -> None:
    with pytest.raises(InputError):
        open_store(where)


def test_a_file_that_is_no_database_is_refused_and_kept(tmp_path: Path) -> None:
    path = tmp_path / "letter.txt"
    path.write_bytes(b"Dear Maren, " * 500)
    with pytest.raises(InputError, match="can't be opened"):
        open_store(path)
    assert path.read_bytes() == b"Dear Maren, " * 500


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may write anywhere")
def test_a_folder_that_may_not_be_written_is_said_so(tmp_path: Path) -> None:
    tmp_path.chmod(0o500)
    with pytest.raises(InputError):
        open_store(tmp_path / "shop.sqlite3")


def test_two_programs_may_open_an_empty_place_at_once(tmp_path: Path) -> None:
    faults: list[BaseException] = []

    def start() -> None:
        try:
            open_store(tmp_path / "shop.sqlite3").close()
        except BaseException as error:  # noqa: BLE001 - handed to the test
            faults.append(error)

    threads = [threading.Thread(target=start) for _ in range(4)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert faults == []


def test_writers_of_one_store_and_of_several_take_turns(store: Store) -> None:
    """Forty writes by four writers, two on one store and two on their own: all are kept."""
    where = store.database.url.render_as_string(hide_password=False)
    with Store(where) as second, Store(where) as third:
        job = store.open_job(store.add_display({"label": "Kelp Cavern"}).id).id
        faults: list[BaseException] = []

        def write(mine: Store, first: int) -> None:
            try:
                for number in range(first, first + 10):
                    mine.add_reading(job, case.Reading(kind="gas", value=float(number), unit="uA"))
                    mine.board()
            except BaseException as error:  # noqa: BLE001 - handed to the test
                faults.append(error)

        threads = [
            threading.Thread(target=write, args=(mine, first))
            for mine, first in ((store, 0), (store, 10), (second, 20), (third, 30))
        ]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert faults == []
        assert sorted(one.reading.value for one in store.job(job).readings) == [float(n) for n in range(40)]


def test_of_many_editors_at_once_exactly_one_gets_through(store: Store) -> None:
    """Six people correct the same reading they all saw: one does, five are told."""
    where = store.database.url.render_as_string(hide_password=False)
    job = store.open_job(store.add_display({"label": "Kelp Cavern"}).id).id
    seen = store.add_reading(job, case.Reading(kind="gas", value=1.0, unit="uA"))
    told: list[ConflictError] = []
    done: list[float] = []

    def correct(number: int) -> None:
        with Store(where) as mine:
            given = case.Reading(kind="gas", value=2.0 + number, unit="uA")
            try:
                done.append(mine.edit_reading(seen.id, given, version=seen.version).reading.value)
            except ConflictError as error:
                told.append(error)

    threads = [threading.Thread(target=correct, args=(number,)) for number in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert len(told) == 5
    assert [store.reading(seen.id).reading.value] == done
    assert all(f"to {done[0]}" in str(error) for error in told)
