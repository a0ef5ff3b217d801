"""The demo shop: complete, the same every time, and true to what the program knows."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from pathlib import Path

import pytest

from tubewright.demo.load import demo_own, demo_shop, load_demo
from tubewright.errors import InputError
from tubewright.knowledge.load import load_knowledge
from tubewright.records.exchange import export_shop
from tubewright.records.model import JOB_STATES
from tubewright.records.store import Store, open_store

NOW = dt.datetime(2031, 6, 1, 12, 0, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """The demo shop, loaded once for all tests that only read."""
    with open_store(tmp_path_factory.mktemp("demo") / "demo.sqlite3", clock=lambda: NOW) as store:
        load_demo(store, NOW)
        yield store


def test_twelve_displays_each_with_a_job_on_the_bench(shop: Store) -> None:
    assert len(shop.displays(size=100).rows) == 12
    board = shop.board(size=100).rows
    assert len(board) == 12
    assert {row.display_label for row in board} == {one.display.label for one in shop.displays(size=100).rows}
    assert all(row.tube_label for row in board)
    assert all(row.changed_at <= NOW for row in board)
    assert sum(row.state == "waiting" for row in board) >= 5


def test_every_symptom_test_and_result_is_known(shop: Store) -> None:
    knowledge = load_knowledge()
    for state in JOB_STATES:
        for row in shop.board(state=state, size=100).rows:
            found = shop.case_of(row.job_id)
            assert {one.id for one in found.symptoms} <= set(knowledge.symptoms)
            for test in found.tests:
                results = {result.id for result in knowledge.tests[test.id].results}
                assert test.result is None or test.result in results


def test_there_is_something_to_learn(shop: Store) -> None:
    found = shop.experience()
    assert found.closed_jobs >= 15
    assert {one.kind for one in found.treated} >= {"clean", "soak", "activate"}
    assert {one.outcome for one in found.treated} == {"improved", "unchanged", "lost"}
    assert sum(one.hours_held is not None for one in found.treated) >= 6
    assert not all(one.still_holding for one in found.treated)
    assert any(one.long_idle for one in found.treated)
    assert len(found.worn) >= 5
    assert {one.instrument for one in found.known_good} == {"Grey box"}


def test_a_closed_job_confirmed_a_fault(shop: Store) -> None:
    knowledge = load_knowledge()
    (mended,) = shop.experience().mended
    assert mended.faults == ("reservoir_cap_dried",)
    assert mended.excluded == ("ground_loop",)
    assert set(mended.present) & set(knowledge.faults["reservoir_cap_dried"].shows)
    assert dict(knowledge.faults["reservoir_cap_dried"].confirmed_by).items() & set(mended.results)
    (row,) = shop.board("reservoir", state="closed").rows
    page = shop.job(row.job_id)
    assert {one.caution for one in page.confirmations} >= {"anode_charge", "primary_reservoir", "gate_power_off"}
    assert max(one.at for one in page.confirmations) <= page.repairs[-1].at


def test_its_own_file_is_sound_and_its_displays_use_it(shop: Store) -> None:
    profiles = load_knowledge(demo_own()).chassis
    assert len(profiles) == 2
    used = {one.display.chassis for one in shop.displays(size=100).rows} - {None}
    assert used == set(profiles)
    for one in shop.displays(size=100).rows:
        if one.display.chassis:
            assert profiles[one.display.chassis].name in one.notes
            assert profiles[one.display.chassis].scan_khz == one.display.scan_khz


def test_a_tube_moved_between_displays(shop: Store) -> None:
    moved = [one for one in shop.tubes(size=100).rows if len(shop.tube_history(one.id).fittings) > 1]
    assert moved
    history = shop.tube_history(moved[0].id)
    assert len({stay.display_id for stay in history.fittings}) > 1
    assert history.readings
    assert any(one.display_id is None for one in shop.tubes(size=100).rows), "a spare on the shelf"


def test_tube_labels_follow_the_public_grammars(shop: Store) -> None:
    import re

    grammars = load_knowledge().labels.values()
    for one in shop.tubes(size=100).rows:
        assert any(re.match(grammar.pattern, one.tube.label or "") for grammar in grammars), one.tube.label


def test_it_is_the_same_every_time(shop: Store, tmp_path: Path) -> None:
    with open_store(tmp_path / "again.sqlite3", clock=lambda: NOW) as again:
        load_demo(again, NOW)
        assert export_shop(again) == export_shop(shop)


def test_it_only_goes_into_empty_records(shop: Store) -> None:
    before = export_shop(shop)
    with pytest.raises(InputError, match="already"):
        load_demo(shop, NOW)
    assert export_shop(shop) == before


def test_the_data_speaks_of_no_figure_it_doesn_t_use() -> None:
    """A field that the loader doesn't know would be lost in silence."""
    known = {
        *("display", "days_ago", "closed_after", "person", "owner_words", "note", "use", "costs", "idle_years"),
        *("waits_for", "symptoms", "absent", "look", "tests", "read", "treat", "repair"),
    }
    known_readings = {
        *("hour", "stage", "minutes", "heater_v", "instrument", "unit", "emission", "cutoff"),
        *("leak_heater_cathode", "heater_current"),
    }
    for visit in demo_shop()["visit"]:
        assert set(visit) <= known, visit["display"]
        for one in visit.get("read", ()):
            assert set(one) <= known_readings, visit["display"]
