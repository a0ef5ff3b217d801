"""The first page of a phone: open jobs only, what is due at each, one touch away."""

from __future__ import annotations

import datetime as dt
import re

import pytest

from bench.benches import Visitor
from bench.lans import OpenBench
from bench.test_lan_gate import Timeless
from bench.test_lan_sending import new_job
from tubewright.bench.lan.phone import MOST_JOBS, TIMED_HOURS
from tubewright.case import Display, Treatment
from tubewright.records.store import Store


@pytest.fixture
def bench(store: Store) -> OpenBench:
    return OpenBench(store, clock_s=Timeless())


def test_an_empty_shop_says_so(bench: OpenBench) -> None:
    assert "No job is open" in bench.phone().get("/phone").text


def test_open_jobs_are_there_with_their_places_and_closed_ones_are_not(bench: OpenBench) -> None:
    job = new_job(bench.store)
    closed = bench.store.open_job(bench.store.add_display(Display(label="Harbour kiosk")).id)
    bench.store.close_job(closed.id, version=closed.version)
    page = bench.phone().get("/phone").text
    assert "Pier arcade, machine 7" in page
    assert "Harbour kiosk" not in page
    for to in (f"/jobs/{job}#grid", f"/jobs/{job}/diagnosis", f"/phone/guards/{job}", f"/jobs/{job}/treatments"):
        assert f'href="{to}"' in page
    assert re.search(rf'<form[^>]*action="/jobs/{job}/photos"[^>]*enctype="multipart/form-data"', page)
    assert 'capture="environment"' in page
    assert "Before you reach in" in page


def test_many_open_jobs_lead_to_the_board(bench: OpenBench) -> None:
    for number in range(MOST_JOBS + 1):
        bench.store.open_job(bench.store.add_display(Display(label=f"Machine {number}")).id)
    page = bench.phone().get("/phone").text
    assert page.count("data-shoot=") == MOST_JOBS
    assert "All open jobs" in page


def test_a_timer_is_offered_for_the_guns_that_were_treated_lately(bench: OpenBench) -> None:
    job = new_job(bench.store)
    now = bench.store.clock()
    bench.store.add_treatment(job, Treatment(kind="soak", gun="red", at=now - dt.timedelta(hours=2)))
    bench.store.add_treatment(job, Treatment(kind="soak", gun="blue", at=now - dt.timedelta(hours=TIMED_HOURS + 24)))
    page = bench.phone().get("/phone").text
    assert f"/jobs/{job}/treatments/hold?gun=red" in page
    assert "hold?gun=blue" not in page
    bench.store.add_treatment(job, Treatment(kind="soak", at=now))
    page = bench.phone().get("/phone").text
    assert page.count("/treatments/hold?gun=") == 3


def test_every_link_of_the_page_leads_somewhere(bench: OpenBench) -> None:
    job = new_job(bench.store)
    bench.store.add_treatment(job, Treatment(kind="soak", gun="red"))
    phone = bench.phone()
    links = set(re.findall(r'href="(/[^"#]*)', phone.get("/phone").text))
    assert len(links) > 15
    wrong = {to: status for to in links if (status := phone.get(to).status_code) != 200}
    assert wrong == {}


def test_guards_to_confirm_stand_on_one_page(visitor: Visitor) -> None:
    job = visitor.open_job(tube_label="A48XYZ00X01", heater_v="6.3")
    visitor.post(f"/jobs/{job}/verdict")
    page = visitor.get(f"/phone/guards/{job}").text
    assert "Shut until confirmed" in page
    assert f'href="/jobs/{job}/guard/treatment/soak"' in page
    visitor.confirm(job, "treatment", "soak")
    page = visitor.get(f"/phone/guards/{job}").text
    assert f'href="/jobs/{job}/treatments/new?kind=soak"' in page
    assert visitor.get("/phone/guards/99").status_code == 404


def test_a_phone_works_at_the_whole_bench(bench: OpenBench) -> None:
    from bench.browsing import every_page, full_job

    visitor = Visitor(bench.store)
    full_job(visitor)
    phone = bench.phone()
    statuses = {path: phone.get(path).status_code for path in every_page(visitor) if path != "/phones"}
    assert {path for path, status in statuses.items() if status not in {200, 303}} == set()
    for path in ("/patterns", f"/jobs/1/photos/{bench.store.job(1).photos[0].id}/file", "/api/jobs/1/case"):
        assert phone.get(path).status_code == 200
