"""A job carried from shop to shop by page and by command, and tables downloaded: nothing lost, nothing half done."""

from __future__ import annotations

import csv
import datetime as dt
import io
import json
import zipfile
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pyarrow.parquet as pq  # type: ignore[import-untyped]
import pytest
from httpx2 import Response

from bench.benches import ORIGIN, Visitor, new_store
from bench.browsing import full_job
from bench.pictured import small_photo
from tubewright.bench.archiving import take_in, write_job
from tubewright.demo.load import load_demo
from tubewright.errors import ConflictError, InputError
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import Store

KNOWN = load_knowledge()


@pytest.fixture
def other(tmp_path: Path, empty: Path) -> Iterator[Store]:
    """Another shop, empty."""
    folder = tmp_path / "other"
    folder.mkdir()
    with new_store(folder, empty) as opened:
        yield opened


def archived(store: Store, job: int) -> bytes:
    out = io.BytesIO()
    assert write_job(store, KNOWN, job, out) == ()
    return out.getvalue()


def job_of(data: bytes) -> Any:  # noqa: ANN401 - any JSON
    with zipfile.ZipFile(io.BytesIO(data)) as whole:
        return json.loads(whole.read("job.json"))


def send(visitor: Visitor, data: bytes, name: str = "job.zip") -> Response:
    return visitor.client.post(
        "/take-in",
        data={"form_token": visitor.token()},
        files=[("archive", (name, data))],
        headers={"origin": ORIGIN},
        follow_redirects=False,
    )


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory, empty: Path) -> Path:
    """A shop with a job that has something of everything: made once, copied for each test."""
    folder = tmp_path_factory.mktemp("filled")
    with new_store(folder, empty) as store:
        fill(Visitor(store))
    return folder / "shop.sqlite3"


@pytest.fixture
def visitor(tmp_path: Path, filled: Path) -> Iterator[Visitor]:
    """Somebody in a shop of their own with that job, which is number 1."""
    with new_store(tmp_path, filled) as store:
        yield Visitor(store)


@pytest.fixture
def job() -> int:
    return 1


def fill(visitor: Visitor) -> None:
    """A job with something of everything: readings, a photograph, measurements, papers, a part."""
    visitor.post("/settings", currency="EUR", bench_rate_per_hour="45", shop_name="Lantern Works")
    number = full_job(visitor)
    visitor.send_photos(number, ("left.jpg", small_photo(7)), then="keep", stage="before")
    assert visitor.post(f"/jobs/{number}/quote", do="give").status_code == 303
    values: dict[str, object] = {"name": "Fuse", "sort": "part", "kind": "fuse", "quantity": 4, "minimum": 0}
    visitor.store.reserve(number, visitor.store.add_item(values).id)
    visitor.store.add_move(number, {"control": "grid2", "amount": 0.25, "unit": "turns", "direction": "up"})


def test_an_archive_holds_the_job_whole_and_is_the_same_file_twice(visitor: Visitor, job: int) -> None:
    answer = visitor.get(f"/jobs/{job}/archive.zip")
    assert answer.status_code == 200
    assert f'filename="tubewright-job-{job}.zip"' in answer.headers["content-disposition"]
    assert int(answer.headers["content-length"]) == len(answer.content)
    assert visitor.get(f"/jobs/{job}/archive.zip").content == answer.content == archived(visitor.store, job)
    with zipfile.ZipFile(io.BytesIO(answer.content)) as whole:
        names = whole.namelist()
        photo = visitor.store.job(job).photos[0]
        assert whole.read(f"photographs/{photo.sha256}.jpg") == visitor.store.file(photo.sha256).data
        assert "papers/quote-Q-0001.pdf" in names
        assert {"sheets/customer.pdf", "sheets/bench.pdf", "readings.csv", "job.json", "MANIFEST.json"} <= set(names)
        assert any(name.startswith("overlays/") for name in names)
        lines = list(csv.DictReader(io.StringIO(whole.read("readings.csv").decode(), newline="")))
        assert len(lines) == len(visitor.store.job(job).readings)
        assert json.loads(whole.read("MANIFEST.json"))["left_out"] == []


def test_there_and_back_gives_the_same_job(visitor: Visitor, job: int, other: Store) -> None:
    data = archived(visitor.store, job)
    there = take_in(other, io.BytesIO(data), "job.zip")
    assert job_of(archived(other, there)) == job_of(data)
    # The papers print the same there, and the case is judged the same.
    with zipfile.ZipFile(io.BytesIO(data)) as ours, zipfile.ZipFile(io.BytesIO(archived(other, there))) as theirs:
        assert theirs.read("papers/quote-Q-0001.pdf") == ours.read("papers/quote-Q-0001.pdf")
    assert other.case_of(there) == visitor.store.case_of(job)


def test_every_job_of_the_demo_shop_comes_through_whole(store: Store, other: Store) -> None:
    load_demo(store, dt.datetime(2026, 3, 1, 10, tzinfo=dt.UTC))
    from tubewright.bench.archiving import files_of, still
    from tubewright.files.archive import read_archive, write_archive

    count = sum(store.counts().values())
    assert count > 20
    for number in range(1, count + 1):
        whole, out = still(store.job_archive(number)), io.BytesIO()
        write_archive(out, whole, files_of(store, whole))
        read = read_archive(out)
        there = other.take_in_job(read.job, read.photos)
        assert still(other.job_archive(there)) == whole, number


def test_a_job_already_here_is_refused_with_its_number(visitor: Visitor, job: int) -> None:
    answer = send(visitor, archived(visitor.store, job))
    assert answer.status_code == 409
    assert f'href="/jobs/{job}"' in answer.text
    with pytest.raises(ConflictError, match=f"it is job {job}"):
        take_in(visitor.store, io.BytesIO(archived(visitor.store, job)), "job.zip")


def test_a_job_comes_in_by_page_and_can_be_taken_back(visitor: Visitor, job: int, other: Store) -> None:
    data = archived(visitor.store, job)
    guest = Visitor(other)
    assert 'type="file"' in guest.get("/take-in").text
    answer = send(guest, data)
    assert answer.status_code == 303
    page = guest.get(answer.headers["location"])
    assert page.status_code == 200
    assert "The job is taken in" in page.text
    assert guest.post("/undo").status_code == 303
    assert other.board().rows == ()
    assert send(guest, data).status_code == 303


@pytest.mark.parametrize("spoil", ["cut", "flip", "empty", "text"])
def test_a_damaged_file_changes_nothing(visitor: Visitor, job: int, other: Store, spoil: str) -> None:
    data = archived(visitor.store, job)
    at = data.index(small_photo(7)) + 400
    spoilt = {"cut": data[:-200], "flip": data[:at] + b"!" + data[at + 1 :], "empty": b"", "text": b"hello"}[spoil]
    guest = Visitor(other)
    answer = send(guest, spoilt)
    assert answer.status_code == 422
    assert "at-fault" in answer.text
    assert other.board().rows == ()
    assert other.history() == ()
    with pytest.raises(InputError):
        take_in(other, io.BytesIO(spoilt), "job.zip")


def test_no_file_and_an_old_form_are_told(visitor: Visitor) -> None:
    empty = visitor.client.post(
        "/take-in", data={"form_token": visitor.token()}, files=[("archive", ("", b""))], headers={"origin": ORIGIN}
    )
    assert empty.status_code == 422
    assert "no file was chosen" in empty.text.lower()
    stale = visitor.client.post(
        "/take-in", data={"form_token": "0" * 64}, files=[("archive", ("a.zip", b"x"))], headers={"origin": ORIGIN}
    )
    assert stale.status_code == 403
    foreign = visitor.client.post(
        "/take-in", data={}, files=[("archive", ("a.zip", b"x"))], headers={"origin": "http://elsewhere.example"}
    )
    assert foreign.status_code == 403


def test_all_tables_come_as_one_zip(visitor: Visitor, job: int) -> None:
    for form in ("csv", "parquet"):
        answer = visitor.get(f"/settings/tables.zip?format={form}")
        assert answer.status_code == 200
        with zipfile.ZipFile(io.BytesIO(answer.content)) as whole:
            assert whole.testzip() is None
            assert set(whole.namelist()) == {f"{name}.{form}" for name in visitor.store.table_names()}
            data = whole.read(f"readings.{form}")
        rows = list(visitor.store.table_rows("readings"))
        if form == "parquet":
            assert pq.read_table(io.BytesIO(data)).to_pylist() == rows
        else:
            lines = list(csv.DictReader(io.StringIO(data.decode(), newline="")))
            assert [float(line["value"]) for line in lines] == [row["value"] for row in rows]
            assert [line["uid"] for line in lines] == [row["uid"] for row in rows]
    assert b"secret" not in visitor.get("/settings/tables.zip").content
    assert job
