"""Readings of a grey scale in the records: kept, struck out, taken back, carried elsewhere; nonsense refused."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

import pytest

from tubewright.errors import InputError
from tubewright.records.store import Store, open_store

READINGS: Final = json.dumps([{"shown": "white", "level": 1.0, "x": 0.3127, "y": 0.329, "Y": 98.0, "minutes": None}])
ROUND: Final[dict[str, Any]] = {"readings_json": READINGS, "white": "D65"}


def a_job(store: Store) -> int:
    return store.open_job(store.add_display({"label": "Lantern row 3"}).id).id


def test_rounds_stand_in_the_order_of_their_reading(store: Store) -> None:
    job = a_job(store)
    person = store.add_person("Ida").id
    first = store.add_grey_round(job, ROUND, by=person)
    second = store.add_grey_round(
        job,
        {**ROUND, "turned_json": '{"drive_red": -0.125}', "retrace_seen": True, "peak_cd_m2": 120.0, "swing_v": 60.0},
    )
    assert store.job(job).grey_rounds == (first, second)
    assert (first.person, first.turned_json, first.retrace_seen, first.kind) == ("Ida", "{}", False, "inline")
    assert (second.peak_cd_m2, second.swing_v) == (120.0, 60.0)


def test_a_round_struck_out_comes_back(store: Store) -> None:
    job = a_job(store)
    there = store.add_grey_round(job, ROUND)
    store.remove_grey_round(there.id, version=there.version)
    assert store.job(job).grey_rounds == ()
    store.undo()
    assert [one.readings_json for one in store.job(job).grey_rounds] == [READINGS]


def test_a_round_travels_with_its_job(store: Store, tmp_path: Path) -> None:
    job = a_job(store)
    kept = store.add_grey_round(job, {**ROUND, "white": "0.283,0.298", "kind": "delta"})
    with open_store(tmp_path / "elsewhere.sqlite3") as other:
        there = other.take_in_job(store.job_archive(job), {})
        found = other.job(there).grey_rounds[0]
        assert (found.uid, found.white, found.kind, found.readings_json) == (kept.uid, "0.283,0.298", "delta", READINGS)


@pytest.mark.parametrize(
    ("change", "where"),
    [
        ({"readings_json": "{}"}, "readings_json"),
        ({"readings_json": "no"}, "readings_json"),
        ({"turned_json": "[]"}, "turned_json"),
        ({"white": ""}, "white"),
        ({"kind": "other"}, "kind"),
        ({"peak_cd_m2": 0.0}, "peak_cd_m2"),
        ({"peak_cd_m2": float("nan")}, "peak_cd_m2"),
        ({"swing_v": 5000.0}, "swing_v"),
        ({"more": 1}, "more"),
    ],
)
def test_nonsense_is_refused_and_nothing_kept(store: Store, change: dict[str, Any], where: str) -> None:
    job = a_job(store)
    with pytest.raises(InputError) as told:
        store.add_grey_round(job, {**ROUND, **change})
    assert where in {fault.where.rpartition(".")[2] for fault in told.value.faults}
    assert store.job(job).grey_rounds == ()
