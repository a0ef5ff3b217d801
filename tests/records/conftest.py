"""Records to test with: in a SQLite file, and in PostgreSQL where a server is named."""

from __future__ import annotations

import datetime as dt
import os
import random
import uuid
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

import pytest
from sqlalchemy import create_engine, text

from tubewright.records.engine import url_of
from tubewright.records.store import Store, open_store

SERVER: Final = "TUBEWRIGHT_TEST_POSTGRES"
"""Names a PostgreSQL database, as a URL, whose contents may be thrown away."""

START: Final = dt.datetime(2031, 3, 1, 9, 0, tzinfo=dt.UTC)
_LEFT_OUT: Final = pytest.StashKey[int]()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave the PostgreSQL tests out where no server is named."""
    if os.environ.get(SERVER):
        return
    left_out = [item for item in items if item.get_closest_marker("postgres")]
    if left_out:
        config.stash[_LEFT_OUT] = len(left_out)
        config.hook.pytest_deselected(items=left_out)
        items[:] = [item for item in items if not item.get_closest_marker("postgres")]


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    """Say in one line what was left out and how to run it."""
    if (count := config.stash.get(_LEFT_OUT, 0)) > 0:
        terminalreporter.write_line(f"{count} PostgreSQL tests left out: set {SERVER} to the URL of an empty database")


class Clock:
    """A clock that moves a second with every look at it, and jumps when told."""

    def __init__(self) -> None:
        self.now = START

    def __call__(self) -> dt.datetime:
        self.now += dt.timedelta(seconds=1)
        return self.now

    def pass_days(self, days: float) -> None:
        """Let days go by."""
        self.now += dt.timedelta(days=days)


def fresh_uids(seed: int = 1) -> random.Random:
    """A source of uids that are the same every time."""
    return random.Random(seed)  # noqa: S311 - uids of a test, not secrets


@pytest.fixture(scope="session")
def empty_file(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """A migrated SQLite file without records, as bytes: copying it is quicker than migrating."""
    path = tmp_path_factory.mktemp("empty") / "empty.sqlite3"
    store = open_store(path)
    store.close()
    return path.read_bytes()


@pytest.fixture
def clock() -> Clock:
    """The clock of the store under test."""
    return Clock()


@pytest.fixture(params=["sqlite", pytest.param("postgres", marks=pytest.mark.postgres)])
def store(request: pytest.FixtureRequest, tmp_path: Path, empty_file: bytes, clock: Clock) -> Iterator[Store]:
    """Empty records, once in each kind of database."""
    rng = fresh_uids()
    if request.param == "sqlite":
        path = tmp_path / "shop.sqlite3"
        path.write_bytes(empty_file)
        with open_store(path, clock=clock, new_uid=lambda: uuid.UUID(int=rng.getrandbits(128), version=4)) as opened:
            yield opened
        return
    url = url_of(os.environ[SERVER])
    schema = f"t{uuid.uuid4().hex}"
    admin = create_engine(url)
    with admin.begin() as conn:
        conn.execute(text(f"CREATE SCHEMA {schema}"))
    try:
        inside = url.update_query_dict({"options": f"-csearch_path={schema}"}).render_as_string(hide_password=False)
        with open_store(inside, clock=clock, new_uid=lambda: uuid.UUID(int=rng.getrandbits(128), version=4)) as opened:
            yield opened
    finally:
        with admin.begin() as conn:
            conn.execute(text(f"DROP SCHEMA {schema} CASCADE"))
        admin.dispose()


@dataclass(frozen=True, slots=True, kw_only=True)
class Bench:
    """A small shop: two people, a display with a tube in it, a job."""

    store: Store
    mara: int
    odo: int
    display: int
    tube: int
    job: int


def small_shop(store: Store) -> Bench:
    """A small shop in these records."""
    with store.transaction():
        mara, odo = store.add_person("Mara").id, store.add_person("Odo").id
        given = {"label": "Kelp Cavern", "diagonal_in": 19.0}
        display = store.add_display(given, owner="Ana", place="Pier", by=mara).id
        tube = store.add_tube({"label": "A48QZV00X01", "heater_v": 6.3, "restorations": 0}, by=mara).id
        store.fit_tube(display, tube, by=mara)
        job = store.open_job(display, owner_words="dim", use={"hours_per_week": 10.0}, by=mara).id
    return Bench(store=store, mara=mara, odo=odo, display=display, tube=tube, job=job)


@pytest.fixture(scope="session")
def small_file(
    tmp_path_factory: pytest.TempPathFactory, empty_file: bytes
) -> tuple[bytes, Callable[[Store], Bench], dt.datetime]:
    """A SQLite file with a small shop in it, as bytes, what it is as records of a store, and when it was written."""
    path = tmp_path_factory.mktemp("small") / "small.sqlite3"
    path.write_bytes(empty_file)
    clock, rng = Clock(), fresh_uids(2)
    with open_store(path, clock=clock, new_uid=lambda: uuid.UUID(int=rng.getrandbits(128), version=4)) as store:
        made = small_shop(store)
    return path.read_bytes(), lambda store: replace(made, store=store), clock.now


@pytest.fixture
def bench(store: Store, clock: Clock, small_file: tuple[bytes, Callable[[Store], Bench], dt.datetime]) -> Bench:
    """A small shop in the records under test."""
    if store.database.path is None:
        return small_shop(store)
    # Copying it is quicker than writing it.
    data, shop_in, clock.now = small_file
    store.close()
    store.database.path.write_bytes(data)
    return shop_in(store)
