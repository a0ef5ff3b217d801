"""What was chosen for a set-up: one row for a job, kept, taken back, carried elsewhere; nonsense is refused."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pytest

from records.conftest import Bench
from tubewright.errors import ConflictError, InputError, UnknownRecordError
from tubewright.records.exchange import export_shop, import_document
from tubewright.records.store import Store, open_store

OPENING = {"opening_width_mm": 361.0, "opening_height_mm": 270.5}


def measured(store: Store, job: int) -> int:
    return store.save_measurement(
        job,
        photo_shas=["0" * 64],
        settings_json="{}",
        answer_json="{}",
        accepted=True,
        model_version="1",
        headline="0.8 mm at the left edge",
    ).id


def test_what_is_named_is_chosen_and_the_rest_stays(bench: Bench) -> None:
    store = bench.store
    assert store.setup_choices(bench.job) is None
    assert store.job(bench.job).setup_choices is None
    store.set_setup_choices(bench.job, {"tolerance": "broadcast", **OPENING}, by=bench.odo)
    on_since = dt.datetime(2031, 3, 1, 11, 0, tzinfo=dt.timezone(dt.timedelta(hours=2)))
    since = measured(store, bench.job)
    now = store.set_setup_choices(
        bench.job, {"at_once": 1, "since_measurement_id": since, "on_since": on_since}, by=bench.mara
    )
    assert now is not None
    assert (now.tolerance, now.opening_width_mm, now.opening_height_mm) == ("broadcast", 361.0, 270.5)
    assert (now.at_once, now.since_measurement_id, now.on_since) == (1, since, on_since)
    assert (now.person, now.version) == ("Mara", 2)
    assert store.job(bench.job).setup_choices == store.setup_choices(bench.job) == now


def test_an_empty_choice_takes_one_back(bench: Bench) -> None:
    bench.store.set_setup_choices(bench.job, {"tolerance": "delta", "at_once": 3})
    now = bench.store.set_setup_choices(bench.job, {"tolerance": "", "at_once": None})
    assert now is not None
    assert (now.tolerance, now.at_once) == ("", None)


def test_the_same_again_writes_nothing(bench: Bench) -> None:
    store = bench.store
    assert store.set_setup_choices(bench.job, {"tolerance": ""}) is None
    first = store.set_setup_choices(bench.job, {"at_once": 3}, by=bench.odo)
    before = store.history()
    assert store.set_setup_choices(bench.job, {"at_once": 3}, by=bench.mara) == first
    assert store.history() == before


def test_choosing_is_taken_back_as_any_change_and_stands_in_the_history(bench: Bench) -> None:
    store = bench.store
    store.set_setup_choices(bench.job, {"at_once": 3}, by=bench.odo)
    store.set_setup_choices(bench.job, {"at_once": 1}, by=bench.odo)
    told = store.history(job_id=bench.job)[0]
    assert (told.table, told.person, told.after and told.after["at_once"]) == ("setup_choices", "Odo", 1)
    store.undo(by=bench.odo)
    kept = store.setup_choices(bench.job)
    assert kept is not None
    assert kept.at_once == 3
    store.undo(by=bench.odo)
    assert store.setup_choices(bench.job) is None
    store.set_setup_choices(bench.job, {"at_once": 2}, by=bench.odo)
    kept = store.setup_choices(bench.job)
    assert kept is not None
    assert kept.at_once == 2


def test_a_session_lets_go_of_a_measurement_that_is_struck_out(bench: Bench) -> None:
    store = bench.store
    first, second = measured(store, bench.job), measured(store, bench.job)
    store.set_setup_choices(bench.job, {"since_measurement_id": second, "at_once": 2})
    store.remove_measurement(second, version=1)
    kept = store.setup_choices(bench.job)
    assert kept is not None
    assert (kept.since_measurement_id, kept.at_once) == (None, 2)
    store.undo()
    kept = store.setup_choices(bench.job)
    assert kept is not None
    assert kept.since_measurement_id == second
    assert first in {one.id for one in store.job(bench.job).measurements}


def test_a_measurement_that_a_session_begins_with_is_not_taken_back_unseen(bench: Bench) -> None:
    store = bench.store
    since = measured(store, bench.job)
    store.set_setup_choices(bench.job, {"since_measurement_id": since}, by=bench.odo)
    with pytest.raises(ConflictError):
        store.undo()
    assert [one.id for one in store.job(bench.job).measurements] == [since]


def test_choices_travel_with_their_job(bench: Bench, tmp_path: Path) -> None:
    store = bench.store
    measured(store, bench.job)
    since = measured(store, bench.job)
    kept = store.set_setup_choices(bench.job, {"tolerance": "arcade", "since_measurement_id": since, **OPENING})
    assert kept is not None
    with open_store(tmp_path / "elsewhere.sqlite3") as other:
        there = other.job(other.take_in_job(store.job_archive(bench.job), {}))
        found = there.setup_choices
        assert found is not None
        assert (found.uid, found.tolerance, found.opening_height_mm) == (kept.uid, "arcade", 270.5)
        assert found.since_measurement_id == there.measurements[1].id
        # Both shops choose on: what was chosen here holds, and the rest of the other shop's records arrives.
        mine = other.set_setup_choices(there.job.id, {"tolerance": "delta"})
        store.set_setup_choices(bench.job, {"tolerance": "broadcast"})
        assert import_document(other, export_shop(store)).differ == (f"setup_choices {kept.uid}",)
        assert other.setup_choices(there.job.id) == mine


def test_two_shops_that_each_chose_for_one_job_can_still_exchange(bench: Bench, tmp_path: Path) -> None:
    store = bench.store
    with open_store(tmp_path / "elsewhere.sqlite3") as other:
        there = other.take_in_job(store.job_archive(bench.job), {})
        mine = other.set_setup_choices(there, {"at_once": 1})
        theirs = store.set_setup_choices(bench.job, {"at_once": 4})
        assert theirs is not None
        assert f"setup_choices {theirs.uid}" in import_document(other, export_shop(store)).differ
        assert other.setup_choices(there) == mine


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"tolerance": "perfect"}, "tolerance"),
        ({"opening_width_mm": 361.0}, "opening_height_mm"),
        ({"opening_height_mm": 270.0}, "opening_width_mm"),
        ({"opening_width_mm": 3.0, "opening_height_mm": 270.0}, "opening_width_mm"),
        ({"opening_width_mm": float("nan"), "opening_height_mm": 270.0}, "opening_width_mm"),
        ({"at_once": 0}, "at_once"),
        ({"at_once": 21}, "at_once"),
        ({"at_once": True}, "at_once"),
        ({"since_measurement_id": 99}, "since_measurement_id"),
        ({"on_since": dt.datetime(2031, 3, 1)}, "on_since"),  # noqa: DTZ001 - on purpose
        ({"on_since": "0001-01-01T00:00:00+14:00"}, "on_since"),
        ({"more": 1}, "more"),
    ],
)
def test_nonsense_is_refused_and_nothing_kept(bench: Bench, change: dict[str, Any], where: str) -> None:
    bench.store.set_setup_choices(bench.job, {"at_once": 2})
    before = bench.store.setup_choices(bench.job)
    with pytest.raises(InputError) as told:
        bench.store.set_setup_choices(bench.job, {"tolerance": "delta", **change})
    assert where in {fault.where.rpartition(".")[2] for fault in told.value.faults}
    assert bench.store.setup_choices(bench.job) == before


def test_a_measurement_of_another_job_and_a_job_that_is_not_there_are_refused(bench: Bench) -> None:
    store = bench.store
    other = store.open_job(store.add_display({"label": "not this one"}).id).id
    since = measured(store, other)
    with pytest.raises(InputError, match="not one of this job"):
        store.set_setup_choices(bench.job, {"since_measurement_id": since})
    with pytest.raises(UnknownRecordError):
        store.setup_choices(999)
    with pytest.raises(UnknownRecordError):
        store.set_setup_choices(999, {"at_once": 1})


@pytest.mark.parametrize(
    ("change", "where"),
    [({"tolerance": "perfect"}, "tolerance"), ({"at_once": 40}, "at_once"), ({"opening_width_mm": None}, "opening")],
)
def test_choices_from_elsewhere_are_checked_as_if_typed(
    bench: Bench, change: dict[str, Any], where: str, tmp_path: Path
) -> None:
    bench.store.set_setup_choices(bench.job, {"at_once": 2, **OPENING})
    document = export_shop(bench.store)
    document["tables"]["setup_choices"][0] |= change
    with open_store(tmp_path / "elsewhere.sqlite3") as other:
        with pytest.raises(InputError, match=rf"setup_choices\[0\]\.{where}"):
            import_document(other, document)
        assert other.board().rows == ()
