"""A shop or a job travels as one document, arrives once, and whole or not at all."""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import settings as examples
from hypothesis import strategies as st

from records.conftest import START, Bench, Clock
from tubewright import case
from tubewright.demo.load import load_demo
from tubewright.errors import InputError, UnknownRecordError
from tubewright.records.exchange import export_job, export_shop, import_document, import_file, write_export
from tubewright.records.store import Store, open_store


@pytest.fixture
def elsewhere(tmp_path: Path, empty_file: bytes) -> Store:
    """The empty records of another shop."""
    path = tmp_path / "elsewhere.sqlite3"
    path.write_bytes(empty_file)
    return open_store(path, clock=Clock())


@pytest.fixture(scope="module")
def demo_document(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Any]:
    """The demo shop as a document."""
    with open_store(tmp_path_factory.mktemp("demo") / "demo.sqlite3", clock=Clock()) as store:
        load_demo(store, START)
        return export_shop(store)


def test_a_whole_shop_arrives_as_it_left(demo_document: dict[str, Any], elsewhere: Store) -> None:
    report = import_document(elsewhere, json.loads(json.dumps(demo_document)))
    assert report.present == 0
    assert report.added["jobs"] == len(demo_document["tables"]["jobs"])
    back = export_shop(elsewhere)
    assert back["tables"] == demo_document["tables"]
    known = {entry["uid"] for entry in demo_document["history"]}
    assert [entry for entry in back["history"] if entry["uid"] in known] == demo_document["history"]


def test_the_other_shop_answers_the_same(tmp_path: Path, elsewhere: Store) -> None:
    with open_store(tmp_path / "demo.sqlite3", clock=Clock()) as ours:
        load_demo(ours, START)
        import_document(elsewhere, export_shop(ours))
        for row in ours.board(size=100).rows:
            (same,) = elsewhere.board(row.display_label, state=row.state).rows
            assert (same.tube_label, same.waits_for, same.changed_at) == (
                row.tube_label,
                row.waits_for,
                row.changed_at,
            )
            assert elsewhere.case_of(same.job_id) == ours.case_of(row.job_id)
        assert elsewhere.experience() == ours.experience()


def test_twice_is_once(demo_document: dict[str, Any], elsewhere: Store) -> None:
    import_document(elsewhere, demo_document)
    before = export_shop(elsewhere)
    again = import_document(elsewhere, demo_document)
    assert again.added == {}
    assert again.present == sum(len(rows) for rows in demo_document["tables"].values())
    assert again.differ == ()
    assert export_shop(elsewhere)["tables"] == before["tables"]
    assert export_shop(elsewhere)["history"] == before["history"]


def test_what_is_here_stays_and_what_differs_is_named(bench: Bench) -> None:
    document = export_shop(bench.store)
    bench.store.edit_display(bench.display, {"label": "Moth Harbour"}, version=1)
    report = import_document(bench.store, document)
    assert report.differ == (f"displays {document['tables']['displays'][0]['uid']}",)
    assert bench.store.display(bench.display).display.label == "Moth Harbour"


def test_one_job_brings_what_it_speaks_of(bench: Bench, elsewhere: Store) -> None:
    store = bench.store
    rig = store.add_instrument("rig").id
    store.add_known_good(rig, value=900.0, unit="uA", by=bench.odo)
    store.add_reading(
        bench.job, {"gun": "red", "kind": "emission", "value": 0.3, "unit": "rel", "instrument": "rig"}, by=bench.mara
    )
    store.add_look(bench.job, getter="silver")
    store.open_job(store.add_display({"label": "not this one"}).id)
    report = import_document(elsewhere, export_job(store, bench.job))
    assert report.added == {
        "people": 2,
        "instruments": 1,
        "displays": 1,
        "tubes": 1,
        "tube_fittings": 1,
        "jobs": 1,
        "readings": 1,
        "observations": 1,
        "known_good": 1,
    }
    (row,) = elsewhere.board().rows
    assert elsewhere.case_of(row.job_id) == store.case_of(bench.job)


def test_people_and_instruments_of_the_same_name_are_the_same(bench: Bench, elsewhere: Store) -> None:
    here = elsewhere.add_person("Mara").id
    bench.store.add_reading(bench.job, {"kind": "gas", "value": 0.1, "unit": "uA"}, by=bench.mara)
    import_document(elsewhere, export_shop(bench.store))
    assert [person.name for person in elsewhere.people()] == ["Mara", "Odo"]
    assert elsewhere.history(person_id=here, size=50)


def test_an_import_can_be_undone(demo_document: dict[str, Any], elsewhere: Store) -> None:
    import_document(elsewhere, demo_document)
    elsewhere.undo()
    assert elsewhere.board(size=100).rows == ()
    assert elsewhere.tubes().rows == ()
    assert elsewhere.board(state="closed").rows == ()


def test_what_happened_elsewhere_is_not_undone_here(bench: Bench, elsewhere: Store) -> None:
    import_document(elsewhere, export_shop(bench.store))
    entry = next(one for one in elsewhere.history(size=100) if one.action == "insert")
    with pytest.raises(InputError, match="another shop"):
        elsewhere.undo(history_id=entry.id)


def _set(*path: object, value: object) -> Callable[[Any], None]:
    def change(document: Any) -> None:  # noqa: ANN401 - any JSON
        here = document
        for step in path[:-1]:
            here = here[step]
        here[path[-1]] = value

    return change


FAULTY = {
    "not ours": (_set("kind", value="recipe"), "kind"),
    "from the future": (_set("version", value=99), "version"),
    "no tables": (_set("tables", value=7), "tables"),
    "an unknown table": (_set("tables", "secrets", value=[]), "tables.secrets"),
    "a table that is no list": (_set("tables", "jobs", value={}), "tables.jobs"),
    "a row that is no row": (_set("tables", "jobs", 0, value=3), "tables.jobs[0]"),
    "an unknown field": (_set("tables", "jobs", 0, "mood", value="blue"), "tables.jobs[0].mood"),
    "no uid": (_set("tables", "tubes", 0, "uid", value=None), "tables.tubes[0].uid"),
    "a uid that is none": (_set("tables", "tubes", 0, "uid", value="T1"), "tables.tubes[0].uid"),
    "text for a number": (_set("tables", "readings", 0, "value", value="0.3"), "tables.readings[0].value"),
    "a negative emission": (_set("tables", "readings", 0, "value", value=-1.0), "tables.readings[0].value"),
    "a unit that doesn't fit": (_set("tables", "readings", 0, "unit", value="V"), "tables.readings[0]"),
    "a huge number": (_set("tables", "readings", 0, "value", value=10**400), "tables.readings[0].value"),
    "a version of nought": (_set("tables", "readings", 0, "version", value=0), "tables.readings[0].version"),
    "a yes for a number": (_set("tables", "readings", 0, "version", value=True), "tables.readings[0].version"),
    "a time without zone": (
        _set("tables", "readings", 0, "taken_at", value="2031-03-01T10:00:00"),
        "tables.readings[0].taken_at",
    ),
    "an unknown job": (
        _set("tables", "readings", 0, "job_uid", value="00000000-0000-4000-8000-000000000000"),
        "tables.readings[0].job_uid",
    ),
    "a state that is none": (_set("tables", "jobs", 0, "state", value="lost"), "tables.jobs[0].state"),
    "closed without a time": (_set("tables", "jobs", 0, "closed_at", value=None), "tables.jobs[0].closed_at"),
    "a gun that is none": (_set("tables", "treatments", 0, "gun", value="teal"), "tables.treatments[0].gun"),
    "a sort that is none": (_set("tables", "observations", 0, "sort", value="dream"), "tables.observations[0].sort"),
    "a history that is none": (_set("history", 0, "action", value="forge"), "history[0].action"),
}


@pytest.mark.parametrize("name", FAULTY)
def test_a_fault_is_named_and_nothing_comes_in(name: str, demo_document: dict[str, Any], elsewhere: Store) -> None:
    change, where = FAULTY[name]
    document = copy.deepcopy(demo_document)
    change(document)
    with pytest.raises(InputError) as caught:
        import_document(elsewhere, document)
    assert where in {fault.where for fault in caught.value.faults}
    assert elsewhere.history() == ()
    assert elsewhere.people() == ()


def test_a_tube_in_two_displays_at_once_is_refused_whole(bench: Bench, elsewhere: Store) -> None:
    import_document(elsewhere, export_shop(bench.store))
    other = bench.store.add_display({"label": "Moth Harbour"}).id
    bench.store.fit_tube(other, bench.tube)
    bench.store.add_reading(bench.job, {"kind": "gas", "value": 0.1, "unit": "uA"})
    with pytest.raises(InputError, match="one display only"):
        import_document(elsewhere, export_shop(bench.store))
    assert [one.display.label for one in elsewhere.displays().rows] == ["Kelp Cavern"]


@pytest.mark.parametrize("garbage", [b"", b"[" * 2_000_000, b"\xff\xfe\x00", b'{"kind": NaN}', b"null", b"[1]", b"{}"])
def test_garbage_is_refused(garbage: bytes, tmp_path: Path, elsewhere: Store) -> None:
    path = tmp_path / "garbage.json"
    path.write_bytes(garbage)
    with pytest.raises(InputError):
        import_file(elsewhere, path)
    with pytest.raises(InputError):
        import_file(elsewhere, tmp_path / "missing.json")
    assert elsewhere.history() == ()


def test_a_file_is_written_whole(bench: Bench, tmp_path: Path, elsewhere: Store) -> None:
    path = tmp_path / "shop.json"
    write_export(export_shop(bench.store), path)
    assert import_file(elsewhere, path).added["jobs"] == 1
    assert sorted(one.name for one in tmp_path.glob("shop.json*")) == ["shop.json"]


TEXTS = st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00"), max_size=30)
READINGS = st.builds(
    case.Reading,
    gun=st.sampled_from(case.GUNS),
    kind=st.just("emission"),
    value=st.floats(0, 1e6),
    unit=st.sampled_from(["rel", "uA", "percent"]),
    reference=st.none() | st.floats(1e-3, 1e6),
    heater_v=st.none() | st.floats(0.1, 30),
    minutes_on=st.none() | st.floats(0, 1e5),
    instrument=st.none() | TEXTS,
    stage=st.sampled_from([None, "before", "after"]),
    at=st.none() | st.datetimes(min_value=START.replace(tzinfo=None)),
)


@given(
    label=TEXTS.filter(lambda text: bool(text.strip())),
    owner=TEXTS,
    words=TEXTS,
    taken=st.lists(READINGS, max_size=8),
)
@examples(max_examples=12)
def test_whatever_was_written_makes_the_round_trip(
    tmp_path_factory: pytest.TempPathFactory,
    empty_file: bytes,
    label: str,
    owner: str,
    words: str,
    taken: list[case.Reading],
) -> None:
    """Texts of any script and figures of any size arrive as they left."""
    folder = tmp_path_factory.mktemp("trip")
    for name in ("here", "there"):
        (folder / name).write_bytes(empty_file)
    with open_store(folder / "here", clock=Clock()) as here, open_store(folder / "there", clock=Clock()) as there:
        display = here.add_display({"label": label}, owner=owner).id
        here.fit_tube(display, here.add_tube({}).id)
        job = here.open_job(display, owner_words=words).id
        here.add_readings(job, taken)
        document = export_shop(here)
        import_document(there, json.loads(json.dumps(document)))
        assert export_shop(there)["tables"] == document["tables"]
        assert there.case_of(there.board().rows[0].job_id) == here.case_of(job)
    shutil.rmtree(folder)


def test_what_was_done_at_one_go_stays_one_when_it_travels(bench: Bench, elsewhere: Store) -> None:
    with bench.store.together():
        for name in ("dim", "no_red"):
            bench.store.add_symptom(bench.job, {"id": name, "present": True}, by=bench.odo)
    import_document(elsewhere, export_shop(bench.store))
    told = [entry for entry in elsewhere.history(size=1000) if entry.table == "observations"]
    assert len({entry.change for entry in told if entry.action == "insert"}) == 1
    assert sum(entry.action == "insert" for entry in told) == 2
    with pytest.raises(UnknownRecordError):
        elsewhere.undo(history_id=next(entry.id for entry in told if entry.action == "insert"))
