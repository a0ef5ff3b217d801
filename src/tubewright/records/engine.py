"""Connections and transactions: one writer at a time, durable before acknowledged.

On SQLite every connection has foreign keys on, write-ahead logging and
``synchronous=FULL``, so that a commit that returned survives a power cut. Writers
queue inside the process and wait for each other between processes.
"""

from __future__ import annotations

import sqlite3
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Final, TypeVar

from sqlalchemy import URL, Connection, Engine, create_engine, event, inspect, make_url, text
from sqlalchemy.engine.interfaces import DBAPIConnection
from sqlalchemy.exc import ArgumentError, DatabaseError, DBAPIError, NoSuchModuleError, OperationalError
from sqlalchemy.pool import ConnectionPoolEntry

from tubewright.errors import Fault, InputError
from tubewright.records.tables import SCHEMA_HEAD

BUSY_WAIT_MS: Final = 5000  # from memory: estimate; a bench's transactions last milliseconds
TRIES: Final = 6  # from memory: estimate; with the wait above about half a minute in all
CACHE_KIB: Final = 32_000  # from memory: estimate; holds the search index of a large shop, measured to halve its time
MIGRATION_LOCK: Final = 7_160_119  # any number of our own: PostgreSQL's advisory lock for migrations
_PASSING_STATES: Final = frozenset({"40001", "40P01", "55P03"})  # PostgreSQL: serialization, deadlock, lock wait

Result = TypeVar("Result")


def url_of(where: str | Path) -> URL:
    """The database URL for a path or a URL.

    Raises:
        InputError: a URL of a database that Tubewright can't use.
    """
    if isinstance(where, Path) or "://" not in where:
        return URL.create("sqlite", database=str(where))
    try:
        url = make_url(where)
    except ArgumentError as error:
        raise InputError(_unusable(where)) from error
    backend = url.get_backend_name()
    if backend == "postgresql":
        return url.set(drivername="postgresql+psycopg")
    if backend == "sqlite":
        return url
    raise InputError(_unusable(where))


def _unusable(where: str) -> Fault:
    return Fault(
        what="this is not a database that Tubewright can use",
        where=where.partition("://")[0],
        mend="Give the path of a SQLite file, or a URL that starts with postgresql://",
    )


class Database:
    """One database: readers side by side, writers one after the other."""

    def __init__(self, where: str | Path) -> None:
        self.url = url_of(where)
        self.path = Path(self.url.database) if self.is_sqlite and self.url.database else None
        if self.is_sqlite and (self.path is None or self.url.database == ":memory:"):
            raise InputError(
                Fault(what="the records need a file", where="database", mend="Give the path of a SQLite file")
            )
        self._engine: Engine | None = None
        self._writer = threading.RLock()
        self._here = threading.local()

    @property
    def is_sqlite(self) -> bool:
        """Whether this is a SQLite file."""
        return self.url.get_backend_name() == "sqlite"

    @property
    def engine(self) -> Engine:
        """The engine, made at first use."""
        with self._writer:
            if self._engine is None:
                self._engine = self._make_engine()
            return self._engine

    def _make_engine(self) -> Engine:
        if not self.is_sqlite:
            try:
                return create_engine(self.url, isolation_level="REPEATABLE READ", pool_pre_ping=True)
            except (ImportError, NoSuchModuleError) as error:
                raise InputError(
                    Fault(
                        what="the PostgreSQL driver is not installed",
                        where="database",
                        mend="pip install 'tubewright[postgres]'",
                    )
                ) from error
        engine = create_engine(self.url, pool_size=10, max_overflow=40, connect_args={"timeout": BUSY_WAIT_MS / 1000})
        event.listen(engine, "connect", _prepare)
        event.listen(engine, "begin", _begin)
        return engine

    @contextmanager
    def read(self) -> Iterator[Connection]:
        """A connection that sees one moment of the records from beginning to end."""
        ours: Connection | None = getattr(self._here, "conn", None)
        if ours is not None:
            yield ours
            return
        with self.engine.connect() as conn, conn.begin():
            yield conn

    @contextmanager
    def together(self) -> Iterator[None]:
        """One transaction for all that this thread reads and writes inside; an error undoes all of it."""
        if getattr(self._here, "conn", None) is not None:
            yield
            return
        with self._writing() as conn:
            self._here.conn = conn
            try:
                yield
            finally:
                del self._here.conn

    @contextmanager
    def _writing(self) -> Iterator[Connection]:
        with (
            self._writer,
            self.engine.connect().execution_options(tubewright_write=True) as conn,
            conn.begin(),
        ):
            yield conn

    def write(self, work: Callable[[Connection], Result]) -> Result:
        """Run ``work`` in one transaction and commit it; run it again while the database is busy."""
        ours: Connection | None = getattr(self._here, "conn", None)
        if ours is not None:
            return work(ours)
        for attempt in range(1, TRIES + 1):
            try:
                with self._writing() as conn:
                    return work(conn)
            except DBAPIError as error:
                if attempt == TRIES or not passes(error):
                    raise
                time.sleep(0.02 * 2**attempt)
        raise AssertionError("the loop returns or raises")

    def migrate(self) -> None:
        """Bring the schema to this program's state; asking what is pending writes nothing."""
        if self.path is not None:
            self.path.parent.mkdir(parents=True, exist_ok=True)
        try:
            with self.engine.connect() as conn:
                found = _version(conn)
            if found == SCHEMA_HEAD:
                return
            self._upgrade()
        except (OperationalError, DatabaseError) as error:
            raise InputError(
                Fault(
                    what=f"the records can't be opened ({error.orig})",
                    where=str(self.path) if self.path else self.url.render_as_string(hide_password=True),
                    mend="Check that this is Tubewright's database and that it may be written to",
                )
            ) from error

    def _upgrade(self) -> None:
        # Alembic is only loaded when there is something to do: it takes longer than opening the file.
        from alembic import command
        from alembic.config import Config
        from alembic.script import ScriptDirectory

        config = Config()
        config.set_main_option("script_location", str(Path(__file__).parent / "migrations").replace("%", "%%"))
        config.set_main_option("path_separator", "os")
        known = {script.revision for script in ScriptDirectory.from_config(config).walk_revisions()}

        def upgrade(conn: Connection) -> None:
            if not self.is_sqlite:
                conn.execute(text("SELECT pg_advisory_xact_lock(:lock)"), {"lock": MIGRATION_LOCK})
            found = _version(conn)
            if found is not None and found not in known:
                raise InputError(
                    Fault(
                        what=f"these records were written by a newer Tubewright (schema {found})",
                        where=str(self.path or "database"),
                        mend="Update Tubewright, or restore a backup made with this version",
                    )
                )
            config.attributes["connection"] = conn
            command.upgrade(config, "head")

        self.write(upgrade)

    def schema_version(self) -> str | None:
        """The migration that the database is at; None for an empty one."""
        with self.read() as conn:
            return _version(conn)

    def close(self) -> None:
        """Let go of every connection."""
        with self._writer:
            if self._engine is not None:
                self._engine.dispose()
                self._engine = None


def _version(conn: Connection) -> str | None:
    if not inspect(conn).has_table("alembic_version"):
        return None
    return conn.execute(text("SELECT version_num FROM alembic_version")).scalar()


def _prepare(connection: DBAPIConnection, _entry: ConnectionPoolEntry) -> None:
    # Transactions are begun by us (_begin), so that a writer takes its lock at the
    # start and not in the middle, where SQLite couldn't wait for it.
    assert isinstance(connection, sqlite3.Connection)  # noqa: S101 - narrows the type for the line below
    connection.isolation_level = None
    for pragma in (
        f"busy_timeout = {BUSY_WAIT_MS}",
        "foreign_keys = ON",
        "journal_mode = WAL",
        "synchronous = FULL",
        f"cache_size = -{CACHE_KIB}",
    ):
        _set(connection, pragma)


def _set(connection: sqlite3.Connection, pragma: str) -> None:
    """Set a pragma; SQLite doesn't wait by itself while another program turns a new file to write-ahead logging."""
    for attempt in range(1, TRIES + 1):
        try:
            connection.execute(f"PRAGMA {pragma}")
        except sqlite3.OperationalError as error:
            if attempt == TRIES or not _is_busy(error):
                raise
            time.sleep(0.02 * 2**attempt)
        else:
            return


def _begin(conn: Connection) -> None:
    writes = conn.get_execution_options().get("tubewright_write", False)
    conn.exec_driver_sql("BEGIN IMMEDIATE" if writes else "BEGIN")


def passes(error: DBAPIError) -> bool:
    """Whether the same work may succeed in a moment."""
    if isinstance(error.orig, sqlite3.OperationalError):
        return _is_busy(error.orig)
    return getattr(error.orig, "sqlstate", None) in _PASSING_STATES


def _is_busy(error: sqlite3.OperationalError) -> bool:
    return "locked" in str(error) or "busy" in str(error)
