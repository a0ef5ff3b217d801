"""What one click stored, one click takes back."""

from __future__ import annotations

import re

from bench.benches import Visitor


def take_back(visitor: Visitor, text: str) -> None:
    """Press the button that a page offers after something was stored."""
    fields = dict(re.findall(r'name="(change|back)" value="([^"]*)"', text.partition('action="/undo"')[2]))
    assert fields
    assert visitor.post("/undo", **fields).status_code == 303


def test_symptoms_saved_with_one_click(visitor: Visitor) -> None:
    job = visitor.open_job()
    answer = visitor.post(f"/jobs/{job}/symptoms", is_mains_buzz="present", is_corona_hiss="absent")
    assert len(visitor.store.job(job).observations) == 2
    lines = re.findall(r"<strong>([^<]*)</strong>", visitor.get("/history").text)
    assert lines[0] == "2 findings added"
    take_back(visitor, visitor.get(answer.headers["location"]).text)
    assert visitor.store.job(job).observations == ()
    assert len(visitor.store.board().rows) == 1


def test_a_job_opened_with_a_new_display_and_its_tube(visitor: Visitor) -> None:
    answer = visitor.post("/jobs/new", label="Ferry hall", tube_label="A34QZV")
    take_back(visitor, visitor.get(answer.headers["location"]).text)
    assert visitor.store.board().rows == ()
    assert visitor.store.displays().rows == ()
    assert visitor.store.tubes().rows == ()
