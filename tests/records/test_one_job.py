"""A job packed in one shop and taken in by another is the same job, whole or not at all."""

from __future__ import annotations

import copy
import hashlib
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import pytest

from records.conftest import Bench, Clock
from tubewright.errors import ConflictError, InputError, UnknownRecordError
from tubewright.records.store import Store, open_store

PHOTO: Final = b"\xff\xd8 not really, but bytes are bytes \xff\xd9"
DRAWING: Final = b"<svg/>"
SHA: Final = hashlib.sha256(PHOTO).hexdigest()
NOT_TOLD: Final = {"exported_at", "history"}


@pytest.fixture
def elsewhere(tmp_path: Path, empty_file: bytes) -> Store:
    """The empty records of another shop."""
    path = tmp_path / "elsewhere.sqlite3"
    path.write_bytes(empty_file)
    return open_store(path, clock=Clock())


@pytest.fixture
def full(bench: Bench) -> Bench:
    """A job with a row in every table that a job may have one in."""
    with bench.store.transaction():
        fill(bench)
    return bench


def fill(bench: Bench) -> None:
    store, job = bench.store, bench.job
    rig = store.add_instrument("rig").id
    store.add_known_good(rig, value=900.0, unit="uA", by=bench.odo)
    red = {"gun": "red", "kind": "emission", "value": 0.3, "unit": "rel", "instrument": "rig"}
    reading = store.add_reading(job, red, by=bench.mara)
    store.edit_reading(reading.id, red | {"value": 0.31}, version=reading.version, by=bench.odo)
    store.add_look(job, getter="silver")
    store.add_treatment(job, {"kind": "clean", "gun": "red"}, minutes=3.0, seen="rose")
    store.add_repair(job, {"fault": "afc_filter_aged", "outcome": "mended"})
    store.confirm(job, "control", "purity_rings", cautions={"implosion": "Goggles."})
    store.save_verdict(
        job, case_json="{}", answer_json="{}", model_version="1", seed=1, decision="soak", headline="Soak."
    )
    store.add_photo(job, PHOTO, media_type="image/jpeg", file_name="a.jpg", preview=b"small")
    measurement = store.save_measurement(
        job,
        photo_shas=[SHA],
        settings_json="{}",
        answer_json="{}",
        accepted=True,
        model_version="1",
        headline="0.4 mm",
        overlay=("image/svg+xml", DRAWING),
    )
    store.add_move(job, {"control": "purity_rings", "tabs_mm": 3.0, "after_measurement_id": measurement.id})
    fuse = store.add_item({"name": "fuse", "kind": "fuse", "quantity": 9, "place": "Drawer 2", "cost": 0.2})
    spare = store.add_item({"name": "A48", "sort": "tube", "kind": "tube", "quantity": 1, "tube_id": bench.tube})
    store.use(store.reserve(job, fuse.id, 2).id, version=1)
    store.reserve(job, spare.id)
    store.add_paper(job, "quote", body_json='{"total": 12}', sha256="0" * 64, by=bench.mara)
    other = store.open_job(store.add_display({"label": "not this one"}).id).id
    store.reserve(other, fuse.id)


def packed(store: Store, job: int) -> tuple[dict[str, Any], dict[str, bytes]]:
    archive = json.loads(json.dumps(store.job_archive(job), allow_nan=False))
    return archive, {sha: store.photo_bytes(sha) for sha in archive["files"]}


def test_it_arrives_as_it_left(full: Bench, elsewhere: Store) -> None:
    archive, files = packed(full.store, full.job)
    assert len(files) == 3
    job = elsewhere.take_in_job(archive, files)
    again, same_files = packed(elsewhere, job)
    # The paper keeps its number; its place in the count was that of the shop it came from.
    assert [one.pop("counter") for tables in (archive, again) for one in tables["tables"]["papers"]] == [1, None]
    assert again["tables"] == archive["tables"]
    assert same_files == files
    page, theirs = elsewhere.job(job), full.store.job(full.job)
    for name in ("readings", "observations", "treatments", "verdicts", "photos", "measurements", "repairs", "moves"):
        assert len(getattr(page, name)) == len(getattr(theirs, name)) > 0, name
    assert [one.words for one in page.confirmations] == ["Goggles."]
    assert page.moves[0].after_measurement_id == page.measurements[0].id
    assert elsewhere.case_of(job) == full.store.case_of(full.job)
    assert [one.number for one in elsewhere.papers(job)] == ["Q-0001"]


def test_its_history_comes_along_marked_as_from_elsewhere(full: Bench, elsewhere: Store) -> None:
    job = elsewhere.take_in_job(*packed(full.store, full.job))
    told = elsewhere.history(job_id=job, size=1000)
    theirs = [one for one in told if one.from_elsewhere]
    assert len(theirs) == len(full.store.history(job_id=full.job, size=1000))
    corrected = next(one for one in theirs if one.action == "update" and one.table == "readings")
    assert corrected.before is not None
    assert (corrected.person, corrected.before["value"]) == ("Odo", 0.3)
    assert {one.action for one in told if not one.from_elsewhere} == {"import"}
    with pytest.raises(UnknownRecordError, match="another shop"):
        elsewhere.undo(history_id=corrected.id)


def test_taking_it_in_can_be_taken_back(full: Bench, elsewhere: Store) -> None:
    archive, files = packed(full.store, full.job)
    elsewhere.take_in_job(archive, files)
    elsewhere.undo()
    assert elsewhere.board(size=100).rows == ()
    assert elsewhere.all_items() == ()
    assert elsewhere.take_in_job(archive, files)


def test_one_that_is_here_already_is_refused_with_its_number(full: Bench, elsewhere: Store) -> None:
    archive, files = packed(full.store, full.job)
    with pytest.raises(ConflictError, match=f"it is job {full.job}"):
        full.store.take_in_job(archive, files)
    elsewhere.open_job(elsewhere.add_display({"label": "ours"}).id)
    job = elsewhere.take_in_job(archive, files)
    before = len(elsewhere.history(size=1000))
    with pytest.raises(ConflictError, match=f"it is job {job}"):
        elsewhere.take_in_job(archive, files)
    assert len(elsewhere.history(size=1000)) == before


def test_what_lies_on_their_shelves_does_not_lie_on_ours(full: Bench, elsewhere: Store) -> None:
    elsewhere.take_in_job(*packed(full.store, full.job))
    found = {one.name: one for one in elsewhere.all_items()}
    assert {name: (one.quantity, one.place) for name, one in found.items()} == {"fuse": (0, ""), "A48": (0, "")}
    assert [(line.item.name, line.short) for line in elsewhere.order_list()] == [("A48", 1)]
    assert {one.name: one.quantity for one in full.store.all_items()} == {"fuse": 7, "A48": 1}


def test_numbers_and_codes_of_theirs_do_not_disturb_ours(full: Bench, elsewhere: Store) -> None:
    ours = elsewhere.open_job(elsewhere.add_display({"label": "ours"}).id).id
    assert elsewhere.add_paper(ours, "quote", body_json="{}").number == "Q-0001"
    archive, files = packed(full.store, full.job)
    taken = elsewhere.add_item({"name": "ours"})
    archive["tables"]["stock_items"][0]["code"] = taken.code
    archive["tables"]["papers"][0]["counter"] = 70
    job = elsewhere.take_in_job(archive, files)
    assert [one.number for one in elsewhere.papers(job)] == ["Q-0001"]
    assert elsewhere.add_paper(job, "quote", body_json="{}").number == "Q-0002"
    assert elsewhere.item_by_code(taken.code).name == "ours"
    assert len({one.code for one in elsewhere.all_items()}) == 3


def _drop_file(archive: Any, files: dict[str, bytes]) -> None:  # noqa: ANN401 - any JSON
    files.pop(SHA)


def _spoil_file(archive: Any, files: dict[str, bytes]) -> None:  # noqa: ANN401 - any JSON
    files[SHA] += b"!"


def _spoil_kind(archive: Any, files: dict[str, bytes]) -> None:  # noqa: ANN401 - any JSON
    archive["files"][SHA]["media_type"] = "text/html"


def _slip_in(archive: Any, files: dict[str, bytes]) -> None:  # noqa: ANN401 - any JSON
    extra = b"something else"
    sha = hashlib.sha256(extra).hexdigest()
    files[sha] = extra
    archive["files"][sha] = {"media_type": "image/jpeg", "size": len(extra)}


def _no_list(archive: Any, files: dict[str, bytes]) -> None:  # noqa: ANN401 - any JSON
    archive["files"] = [SHA]


def _two_jobs(archive: Any, files: dict[str, bytes]) -> None:  # noqa: ANN401 - any JSON
    archive["tables"]["jobs"].append(copy.deepcopy(archive["tables"]["jobs"][0]) | {"uid": "0" * 32})


def _a_shop(archive: Any, files: dict[str, bytes]) -> None:  # noqa: ANN401 - any JSON
    archive["scope"] = "shop"


def _negative(archive: Any, files: dict[str, bytes]) -> None:  # noqa: ANN401 - any JSON
    archive["tables"]["reservations"][0]["quantity"] = 0


@pytest.mark.parametrize(
    "spoil", [_drop_file, _spoil_file, _spoil_kind, _slip_in, _no_list, _two_jobs, _a_shop, _negative]
)
def test_one_with_a_fault_changes_nothing(
    spoil: Callable[[Any, dict[str, bytes]], None], full: Bench, elsewhere: Store
) -> None:
    archive, files = packed(full.store, full.job)
    spoil(archive, files)
    with pytest.raises(InputError):
        elsewhere.take_in_job(archive, files)
    assert elsewhere.history() == ()
    assert elsewhere.people() == ()
    with pytest.raises(UnknownRecordError):
        elsewhere.photo_bytes(SHA)


def test_a_job_that_is_not_there_is_not_packed(bench: Bench) -> None:
    with pytest.raises(UnknownRecordError):
        bench.store.job_archive(99)
