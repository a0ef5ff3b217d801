"""Stock, moves, settings and papers travel with a shop or a job; phones and what they send stay."""

from __future__ import annotations

import copy
import datetime as dt
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from records.conftest import Bench, Clock, small_shop
from tubewright.errors import InputError
from tubewright.records.backup import backup, restore
from tubewright.records.exchange import export_job, export_shop, import_document
from tubewright.records.store import Store, open_store

SECRET, SESSION = "5" * 64, "a" * 64


@pytest.fixture
def elsewhere(tmp_path: Path, empty_file: bytes) -> Store:
    """The empty records of another shop."""
    path = tmp_path / "elsewhere.sqlite3"
    path.write_bytes(empty_file)
    return open_store(path, clock=Clock())


@pytest.fixture
def full(bench: Bench, clock: Clock) -> Bench:
    """A shop with a row in every new table, a phone and a file on its way."""
    with bench.store.transaction():
        fill(bench, clock)
    return bench


@pytest.fixture(scope="module")
def document(tmp_path_factory: pytest.TempPathFactory, empty_file: bytes) -> dict[str, Any]:
    """Such a shop as a document."""
    path = tmp_path_factory.mktemp("full") / "full.sqlite3"
    path.write_bytes(empty_file)
    clock = Clock()
    with open_store(path, clock=clock) as store, store.transaction():
        fill(small_shop(store), clock)
        return export_shop(store)


def fill(bench: Bench, clock: Clock) -> None:
    store, job = bench.store, bench.job
    store.add_treatment(job, {"kind": "clean"}, minutes=3.0, seen="rose", plan_step="red-1")
    measurement = store.save_measurement(
        job,
        photo_shas=["0" * 64],
        settings_json="{}",
        answer_json="{}",
        accepted=True,
        model_version="1",
        headline="0.4 mm",
    )
    store.add_move(job, {"control": "tilt", "amount": 0.5, "after_measurement_id": measurement.id, "wrong_way": True})
    item = store.add_item({"name": "fuse", "quantity": 1, "minimum": 2, "attributes": {"current_a": 2.0}}).id
    store.use(store.reserve(job, item).id, version=1)
    store.reserve(job, item, 2, order=True)
    store.set_settings({"shop_name": "Pier Tubes", "number_prefix": "P"})
    store.add_paper(job, "bill", body_json='{"total": 12}')
    store.add_pairing("phone", SECRET, clock.now + dt.timedelta(hours=1))
    let_in = store.use_pairing(SECRET, SESSION, "Odo's phone")
    assert let_in is not None
    store.once("key-0001", "reading", lambda: '"here"', pairing_id=let_in.id)
    upload = store.begin_upload("photo-0001", job, "a.jpg", 100, None, let_in.id)
    store.take_chunk(upload.id, 0, b"x" * 50)


def test_a_shop_moves_house(full: Bench, elsewhere: Store) -> None:
    document = json.loads(json.dumps(export_shop(full.store)))
    report = import_document(elsewhere, document)
    assert {name: report.added[name] for name in ("control_moves", "stock_items", "reservations", "papers")} == {
        "control_moves": 1,
        "stock_items": 1,
        "reservations": 2,
        "papers": 1,
    }
    assert export_shop(elsewhere)["tables"] == document["tables"]
    assert elsewhere.settings() == full.store.settings()
    (line,) = elsewhere.order_list()
    assert (line.item.quantity, line.item.reserved, line.short) == (0, 2, 4)
    assert [one.name for one in elsewhere.items("fuse").rows] == ["fuse"]
    job = elsewhere.board().rows[0].job_id
    assert elsewhere.add_paper(job, "bill", body_json="{}").number == "PB-0002"
    again = import_document(elsewhere, document)
    assert (again.added, again.differ) == ({}, ())
    elsewhere.undo()
    elsewhere.undo()
    assert elsewhere.all_items() == ()
    assert set(elsewhere.settings().values()) == {""}


def test_a_shop_that_has_work_of_its_own_keeps_its_own_name(full: Bench, elsewhere: Store) -> None:
    elsewhere.open_job(elsewhere.add_display({"label": "ours"}).id)
    report = import_document(elsewhere, export_shop(full.store))
    assert "shop_settings" not in report.added
    assert [what.split()[0] for what in report.differ] == ["shop_settings"] * 2
    assert set(elsewhere.settings().values()) == {""}


def test_a_job_brings_its_items_and_leaves_the_shelf_behind(full: Bench, elsewhere: Store) -> None:
    document = export_job(full.store, full.job)
    assert document["tables"]["shop_settings"] == []
    import_document(elsewhere, document)
    (row,) = elsewhere.board().rows
    page = elsewhere.job(row.job_id)
    assert [(one.item_name, one.state, one.quantity) for one in page.reservations] == [
        ("fuse", "used", 1),
        ("fuse", "reserved", 2),
    ]
    assert (page.treatments[0].minutes, page.treatments[0].plan_step) == (3.0, "red-1")
    assert page.moves[0].after_measurement_id == page.measurements[0].id
    assert (elsewhere.all_items()[0].quantity, elsewhere.all_items()[0].minimum) == (0, 0)
    # In the shop it came from, it finds all as it was.
    assert import_document(full.store, document).differ == ()


def test_phones_and_what_they_send_stay_here(full: Bench) -> None:
    told = json.dumps([export_shop(full.store), full.store.job_archive(full.job)])
    for word in (SECRET, SESSION, "Odo's phone", "key-0001", "photo-0001", "pairing", "upload"):
        assert word not in told, word


@pytest.mark.parametrize(
    ("table", "field", "value"),
    [
        ("treatments", "minutes", -1.0),
        ("treatments", "plan_step", "x" * 121),
        ("control_moves", "control", "Tilt!"),
        ("control_moves", "amount", 1e12),
        ("control_moves", "unit", "furlongs"),
        ("control_moves", "tabs_mm", -4.0),
        ("control_moves", "undone", None),
        ("control_moves", "note", "x" * 4001),
        ("stock_items", "code", "lowercase"),
        ("stock_items", "code", "ILOU123"),
        ("stock_items", "sort", "heap"),
        ("stock_items", "name", " "),
        ("stock_items", "quantity", -1),
        ("stock_items", "quantity", 2**31 - 1),
        ("stock_items", "cost", -0.5),
        ("stock_items", "currency", "eur"),
        ("stock_items", "attributes_json", "[]"),
        ("stock_items", "attributes_json", "{"),
        ("stock_items", "attributes_json", '{"current_a": -2}'),
        ("stock_items", "attributes_json", '{"current_a": NaN}'),
        ("reservations", "state", "lost"),
        ("reservations", "quantity", 0),
        ("reservations", "cost", -1.0),
        ("reservations", "currency", "12A"),
        ("shop_settings", "key", "shop_colour"),
        ("shop_settings", "value", "two\nlines"),
        ("papers", "sort", "poem"),
        ("papers", "number", ""),
        ("papers", "counter", 0),
        ("papers", "body_json", "{"),
        ("papers", "sha256", "abc"),
    ],
)
def test_a_document_with_nonsense_in_it_changes_nothing(
    table: str, field: str, value: object, document: dict[str, Any], elsewhere: Store
) -> None:
    document = copy.deepcopy(document)
    document["tables"][table][0][field] = value
    with pytest.raises(InputError) as caught:
        import_document(elsewhere, document)
    assert all(f"tables.{table}[0]" in fault.where for fault in caught.value.faults[:1])
    assert elsewhere.history() == ()
    assert elsewhere.all_items() == ()


def test_two_of_a_kind_that_must_be_one_are_refused_whole(full: Bench, elsewhere: Store) -> None:
    document = export_shop(full.store)
    twin = dict(document["tables"]["stock_items"][0]) | {"uid": "00000000-0000-4000-8000-000000000000"}
    document["tables"]["stock_items"].append(twin)
    with pytest.raises(InputError, match="contradict"):
        import_document(elsewhere, document)
    assert elsewhere.all_items() == ()


def test_a_backup_holds_all_of_it_and_of_secrets_only_hashes(full: Bench, tmp_path: Path) -> None:
    if full.store.database.path is None:
        pytest.skip("a backup is of a SQLite file")
    backup(full.store, tmp_path / "copy.sqlite3")
    restore(tmp_path / "copy.sqlite3", tmp_path / "back.sqlite3", now=full.store.clock())
    with open_store(tmp_path / "back.sqlite3") as back:
        assert export_shop(back)["tables"] == export_shop(full.store)["tables"]
        assert back.pairings() == full.store.pairings()
        upload = back.upload_by_key("photo-0001")
        assert upload is not None
        assert upload.received == 50
        assert back.once("key-0001", "reading", lambda: "") == ('"here"', False)
        assert back.order_list() == full.store.order_list()
    with closing(sqlite3.connect(tmp_path / "back.sqlite3")) as conn:
        columns = [row[1] for row in conn.execute("PRAGMA table_info(pairings)")]
    assert [name for name in columns if "secret" in name or "session" in name] == ["secret_sha256", "session_sha256"]
