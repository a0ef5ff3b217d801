"""The demo shop: complete, the same every time, and true to what the program knows."""

from __future__ import annotations

import datetime as dt
import io
from collections.abc import Iterator
from pathlib import Path
from typing import Final

import pytest
from pypdf import PdfReader
from starlette.testclient import TestClient

from tubewright.bench.app import create_app
from tubewright.bench.dueing import Dues
from tubewright.demo.load import demo_own, demo_shop, load_demo
from tubewright.errors import InputError
from tubewright.judgement.guards import guarded, open_conditions
from tubewright.knowledge.load import load_knowledge
from tubewright.records.exchange import export_shop
from tubewright.records.model import JOB_STATES, JobPage
from tubewright.records.store import Store, open_store

NOW = dt.datetime(2031, 6, 1, 12, 0, tzinfo=dt.UTC)


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """The demo shop, loaded once for all tests that only read."""
    with open_store(tmp_path_factory.mktemp("demo") / "demo.sqlite3", clock=lambda: NOW) as store:
        load_demo(store, NOW)
        yield store


HOME: Final = {"Bell Buoy, upright", "Anchor Draughts, small table"}
"""Displays that went home again."""


def test_twelve_displays_each_with_a_job_on_the_bench_and_two_that_went_home(shop: Store) -> None:
    board = shop.board(size=100).rows
    assert len(board) == 12
    assert {row.display_label for row in board} | HOME == {one.display.label for one in shop.displays(size=100).rows}
    assert not {row.display_label for row in board} & HOME
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
    mended, later = sorted(shop.experience().mended, key=lambda one: one.faults)
    assert later.faults == ("sync_no_serration",)
    assert mended.faults == ("reservoir_cap_dried",)
    assert mended.excluded == ("ground_loop",)
    assert set(mended.present) & set(knowledge.faults["reservoir_cap_dried"].shows)
    assert dict(knowledge.faults["reservoir_cap_dried"].confirmed_by).items() & set(mended.results)
    (row,) = shop.board("reservoir", state="closed").rows
    page = shop.job(row.job_id)
    assert {one.caution for one in page.confirmations} >= {"anode_charge", "primary_reservoir", "gate_power_off"}
    repaired = page.repairs[-1].at
    assert all(one.at <= repaired for one in page.confirmations if one.caution in {"anode_charge", "gate_power_off"})
    assert any(one.at > repaired for one in page.confirmations), "and what comes after, before it went home"


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
        *("waits_for", "symptoms", "absent", "gone", "look", "tests", "read", "treat", "repair"),
        *("photos", "moves", "parts", "grey"),
    }
    known_readings = {
        *("hour", "stage", "gun", "minutes", "heater_v", "instrument", "unit", "emission", "cutoff"),
        *("leak_heater_cathode", "heater_current"),
    }
    for visit in demo_shop()["visit"]:
        assert set(visit) <= known, visit["display"]
        for one in visit.get("read", ()):
            assert set(one) <= known_readings, visit["display"]
        for one in visit.get("parts", ()):
            assert set(one) <= {"hour", "item", "quantity", "used", "order"}, visit["display"]
        for one in visit.get("grey", ()):
            assert set(one) <= {"hour", "white", "peak_cd_m2", "turned", "steps", "guns", "room"}, visit["display"]


def finished(shop: Store) -> JobPage:
    """The job of last week that has something of everything."""
    (row,) = (one for one in shop.board("Bell Buoy", state="closed").rows if one.display_label == "Bell Buoy, upright")
    return shop.job(row.job_id)


def test_last_week_s_job_has_something_of_everything(shop: Store) -> None:
    job = finished(shop)
    assert NOW - dt.timedelta(days=9) < (job.job.closed_at or NOW) < NOW - dt.timedelta(days=6)
    assert [one.stage for one in job.photos] == ["before", "after"]
    assert [one.accepted for one in job.measurements] == [True, True]
    assert len(shop.moves(job.job.id)) == 6
    assert {one.state for one in shop.reservations(job.job.id)} == {"used"}
    assert len(job.grey_rounds) == 2
    assert {one.stage for one in (each.reading for each in job.readings)} == {"before", "after"}


def test_its_treatments_were_confirmed_before_they_were_begun(shop: Store) -> None:
    knowledge = load_knowledge()
    job = finished(shop)
    assert [one.plan_step for one in job.treatments] == ["soak", "clean:blue"]
    for one in job.treatments:
        assert one.seen
        assert one.minutes
        began = one.at - dt.timedelta(minutes=one.minutes)
        step = guarded(knowledge, "treatment", one.treatment.kind)
        assert not open_conditions(step, job.confirmations, began), one.treatment.kind


def test_the_stock_has_something_to_order_and_something_for_a_job(shop: Store) -> None:
    items = shop.all_items()
    assert sum(one.sort == "part" for one in items) == 12
    assert sum(one.sort == "tube" for one in items) == 2
    assert all(one.attributes and one.place for one in items)
    lines = shop.order_list()
    assert len(lines) >= 3
    assert any(one.for_jobs for one in lines)
    assert any(one.item.sort == "tube" for one in lines)


def test_what_is_due_is_told(shop: Store) -> None:
    told = Dues().due(shop, load_knowledge())
    assert "Anchor Draughts, small table" in {one.display for one in told.reminders}


PAGES: Final = (
    ("", "Bell Buoy"),
    ("/treatments", "Current rose at the second burst"),
    ("/treatments/hold?gun=blue", "What will stay"),
    ("/photos", "before.jpg"),
    ("/measurements/compare", "smaller"),
    ("/setup", "Photographs and moves"),
    ("/setup/grey", "9300"),
    ("/parts", "10 µF 63 V"),
    ("/proof", "Before and after"),
    ("/quote", "What can be done"),
    ("/bill", "10 µF 63 V"),
)


def test_every_page_of_last_week_s_job_opens_and_says_what_was_done(shop: Store) -> None:
    base = "http://127.0.0.1:8765"
    client = TestClient(create_app(shop, load_knowledge()), base_url=base, raise_server_exceptions=True)
    for path, words in PAGES:
        answer = client.get(f"/jobs/{finished(shop).job.id}{path}")
        assert answer.status_code == 200, path
        assert words in answer.text, path
    for path, words in (("/stock", "47 µF 50 V"), ("/stock/order", "10 nF 2000 V"), ("/due", "Anchor Draughts")):
        answer = client.get(path)
        assert answer.status_code == 200, path
        assert words in answer.text, path


def test_the_customer_s_sheet_of_last_week_s_job_has_two_pages(shop: Store) -> None:
    client = TestClient(create_app(shop, load_knowledge()), base_url="http://127.0.0.1:8765")
    sheet = client.get(f"/jobs/{finished(shop).job.id}/proof/customer.pdf")
    pages = PdfReader(io.BytesIO(sheet.content)).pages
    assert len(pages) == 2
    words = " ".join(" ".join(page.extract_text() for page in pages).split())
    for said in ("Bell Buoy", "Lanternfish Bench", "Six months on our work"):
        assert said in words
