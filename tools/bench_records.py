"""How quick the records are, and how little a large shop slows them down.

Builds a shop of 100 tubes and one of 100,000 tubes with 1,000,000 readings in a
temporary folder, times board, search and job page in both, and sets the speed of
inserts beside the plain sqlite3 module. Prints a table; ``--json`` prints data.
"""

from __future__ import annotations

import argparse
import datetime as dt
import json
import random
import sqlite3
import statistics
import tempfile
import time
import uuid
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

from sqlalchemy import Connection, Table, insert

from tubewright import case
from tubewright.records import derived
from tubewright.records.store import Store, open_store
from tubewright.records.tables import displays, jobs, readings, tube_fittings, tubes

START = dt.datetime(2020, 1, 1, tzinfo=dt.UTC)
PLACES = ("pier", "museum", "arcade", "home", "pub", "store")
NAMES = ("Quillback", "Lanterns", "Tidewheel", "Grebe", "Cobble", "Moth", "Brasswhistle", "Saltpan", "Ferry", "Kelp")
OWNERS = ("Rell", "Pask", "Crake", "Tamblin", "Osk", "Balint", "Vane", "Sorrow")
READINGS_PER_TUBE = 10
CHUNK = 5000


def in_chunks(rows: Iterable[dict[str, Any]]) -> Iterator[list[dict[str, Any]]]:
    """The rows, some thousands at a time."""
    chunk: list[dict[str, Any]] = []
    for row in rows:
        chunk.append(row)
        if len(chunk) == CHUNK:
            yield chunk
            chunk = []
    if chunk:
        yield chunk


def fill(conn: Connection, table: Table, rows: Iterable[dict[str, Any]]) -> None:
    """Insert rows in bulk."""
    for chunk in in_chunks(rows):
        conn.execute(insert(table), chunk)


def build(store: Store, count: int, seed: int) -> None:
    """A shop of ``count`` tubes, each in a display with one job and ten readings; four jobs in ten not closed."""
    rng = random.Random(seed)  # noqa: S311 - invented rows

    def row(number: int, **values: Any) -> dict[str, Any]:  # noqa: ANN401 - whatever the columns hold
        return {"id": number, "uid": str(uuid.UUID(int=rng.getrandbits(128), version=4)), "version": 1, **values}

    numbers = range(1, count + 1)

    def display(number: int) -> dict[str, Any]:
        return row(
            number,
            label=f"{rng.choice(NAMES)} {number}",
            owner=f"{rng.choice(OWNERS)} {rng.randrange(1000)}",
            place=rng.choice(PLACES),
            diagonal_in=19.0,
        )

    def job(number: int) -> dict[str, Any]:
        state = rng.choices(("open", "waiting", "closed"), (1, 3, 6))[0]
        opened = START + dt.timedelta(minutes=rng.randrange(3_000_000))
        return row(
            number,
            display_id=number,
            state=state,
            waits_for=f"part {rng.randrange(500)}" if state == "waiting" else "",
            owner_words="dark and slow to warm up",
            opened_at=opened,
            closed_at=opened + dt.timedelta(days=3) if state == "closed" else None,
            changed_at=opened + dt.timedelta(days=3),
            active=state != "closed",
            hours_per_week=20.0,
        )

    def reading(number: int) -> dict[str, Any]:
        tube = (number - 1) // READINGS_PER_TUBE + 1
        return row(
            number,
            job_id=tube,
            tube_id=tube,
            taken_at=START + dt.timedelta(minutes=number),
            gun=case.GUNS[number % 3],
            kind="emission",
            value=rng.random(),
            unit="rel",
            heater_v=6.3,
            instrument="rig",
        )

    def work(conn: Connection) -> None:
        fill(conn, displays, (display(number) for number in numbers))
        fill(conn, tubes, (row(n, label=f"A48Q{chr(65 + n % 26)}V{n % 100:02}X01", heater_v=6.3) for n in numbers))
        fill(conn, tube_fittings, (row(n, display_id=n, tube_id=n, since=START) for n in numbers))
        fill(conn, jobs, (job(number) for number in numbers))
        fill(conn, readings, (reading(number) for number in range(1, count * READINGS_PER_TUBE + 1)))
        every = set(numbers)
        derived.refresh(conn, derived.Stale(jobs=set(every), displays=set(every), tubes=set(every)), None)

    store.database.write(work)


def seconds(work: Callable[[], object], repeats: int) -> float:
    """Median time of one call."""
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return statistics.median(times)


def questions(store: Store, count: int) -> dict[str, Callable[[], object]]:
    """What is timed: the same questions in a shop of any size."""
    rng = random.Random(7)  # noqa: S311 - which job to open
    second = store.board().next_page

    def some_job() -> int:
        return rng.randrange(1, count + 1)

    return {
        "board, first page": store.board,
        "board, a later page": lambda: store.board(page=second),
        "board, closed jobs": lambda: store.board(state="closed"),
        "counts of the board": store.counts,
        "search, one display": lambda: store.board(f"{some_job()}"),
        "search, a common word": lambda: store.board("pier"),
        "search, two common words": lambda: store.board("pier kelp"),
        "search, beginning of a name": lambda: store.board("tidew"),
        "search, an owner": lambda: store.board("crake 77"),
        "search, nothing found": lambda: store.board("zeppelin"),
        "displays, first page": store.displays,
        "job page": lambda: store.job(some_job()),
        "tube history": lambda: store.tube_history(some_job()),
        "case of a job": lambda: store.case_of(some_job()),
    }


def inserts(folder: Path) -> dict[str, float]:
    """Readings per second: bulk through the store, one acknowledged at a time, and the plain sqlite3 module."""
    found = {}
    store = open_store(folder / "inserts.sqlite3")
    job = store.open_job(store.add_display({"label": "bench"}).id).id
    one = case.Reading(gun="red", kind="emission", value=0.5, unit="rel", heater_v=6.3, instrument="rig")
    count = 100_000
    start = time.perf_counter()
    store.import_readings((job, one) for _ in range(count))
    found["store, bulk"] = count / (time.perf_counter() - start)
    start = time.perf_counter()
    store.database.write(lambda conn: fill(conn, readings, (plain(number, job) for number in range(count))))
    found["SQLAlchemy Core, bulk"] = count / (time.perf_counter() - start)
    found["store, one per commit, with history"] = 1 / seconds(lambda: store.add_reading(job, one), 200)
    store.close()
    conn = sqlite3.connect(folder / "plain.sqlite3", isolation_level=None)
    conn.execute("PRAGMA journal_mode = WAL")
    conn.execute("PRAGMA synchronous = FULL")
    keys = list(plain(0, 1))
    conn.execute(f"CREATE TABLE readings (id INTEGER PRIMARY KEY, {', '.join(keys)})")
    conn.execute("CREATE INDEX by_job ON readings (job_id)")
    conn.execute("CREATE INDEX by_uid ON readings (uid)")
    statement = f"INSERT INTO readings ({', '.join(keys)}) VALUES ({', '.join('?' for _ in keys)})"  # noqa: S608 - our own names
    start = time.perf_counter()
    conn.execute("BEGIN")
    conn.executemany(statement, ([str(value) for value in plain(number, 1).values()] for number in range(count)))
    conn.execute("COMMIT")
    found["plain sqlite3, bulk"] = count / (time.perf_counter() - start)
    row = [str(value) for value in plain(0, 1).values()]
    found["plain sqlite3, one per commit"] = 1 / seconds(lambda: conn.execute(statement, row), 200)
    conn.close()
    return found


def plain(number: int, job: int) -> dict[str, Any]:
    """One reading as a row."""
    return {
        "uid": str(uuid.uuid4()),
        "version": 1,
        "job_id": job,
        "taken_at": START + dt.timedelta(seconds=number),
        "gun": "red",
        "kind": "emission",
        "value": 0.5,
        "unit": "rel",
        "heater_v": 6.3,
        "instrument": "rig",
    }


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--small", type=int, default=100, help="tubes in the small shop")
    parser.add_argument("--large", type=int, default=100_000, help="tubes in the large shop")
    parser.add_argument("--repeats", type=int, default=40)
    parser.add_argument("--json", action="store_true")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        times: dict[str, dict[str, float]] = {}
        for size, count in (("small", given.small), ("large", given.large)):
            store = open_store(folder / f"{size}.sqlite3")
            start = time.perf_counter()
            build(store, count, seed=3)
            took = time.perf_counter() - start
            if not given.json:
                print(f"{count} tubes, {count * READINGS_PER_TUBE} readings: built in {took:.1f} s")
            for what, ask in questions(store, count).items():
                ask()
                times.setdefault(what, {})[size] = seconds(ask, given.repeats)
            if size == "large":
                start = time.perf_counter()
                store.experience()
                learned = time.perf_counter() - start
            store.close()
        rates = inserts(folder)
    if given.json:
        print(json.dumps({"seconds": times, "rows_per_second": rates, "experience_seconds": learned}, indent=1))
        return
    print(f"{'':32}{'small':>10}{'large':>10}{'ratio':>8}")
    for what, both in times.items():
        print(
            f"{what:32}{both['small'] * 1e3:7.2f} ms{both['large'] * 1e3:7.2f} ms{both['large'] / both['small']:8.2f}"
        )
    print(f"experience of the large shop: {learned:.2f} s the first time")
    for what, rate in rates.items():
        print(f"{what:40}{rate:12,.0f} rows/s")


if __name__ == "__main__":
    main()
