"""A hazardous step stays shut until each of its conditions is confirmed, and who confirmed what is kept."""

from __future__ import annotations

import datetime as dt
import re

import pytest

from bench.benches import ORIGIN, Visitor
from tubewright.judgement.guards import guarded
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import Store

KNOWLEDGE = load_knowledge()
HOW = "<strong>How:"
SHUT = "It is shut until each of these is so"


def boxes(page: str) -> list[str]:
    return re.findall(r'name="confirmed" value="(\w+)"', page)


def confirm(visitor: Visitor, path: str, confirmed: list[str], **more: str) -> int:
    sent = {"confirmed": confirmed, "form_token": visitor.token(), **more}
    return visitor.client.post(path, data=sent, headers={"origin": ORIGIN}, follow_redirects=False).status_code


def test_a_test_with_conditions_is_shut_and_one_without_is_open(visitor: Visitor) -> None:
    job = visitor.open_job()
    seen = set()
    for test in KNOWLEDGE.tests:
        text = visitor.get(f"/jobs/{job}/tests/{test}").text
        asked = [c.caution for c in guarded(KNOWLEDGE, "test", test).conditions]
        assert boxes(text) == asked, test
        assert (SHUT in text) == bool(asked), test
        assert (HOW in text) == (not asked), test
        seen.add(bool(asked))
    assert seen == {True, False}


def test_a_test_of_no_hazard_is_taken_at_once(visitor: Visitor) -> None:
    job = visitor.open_job()
    free = next(t for t in KNOWLEDGE.tests.values() if not guarded(KNOWLEDGE, "test", t.id).conditions and t.results)
    assert visitor.post(f"/jobs/{job}/tests/{free.id}", result=free.results[0].id).status_code == 303
    assert visitor.store.job(job).confirmations == ()


@pytest.mark.parametrize(
    ("path", "fields", "kept"),
    [
        ("tests/d_bplus", {"value": "107", "unit": "V", "nominal": "120"}, "107"),
        ("repairs/new", {"fault": "fb_shorted_turns", "outcome": "mended", "note": "ringing dead"}, "ringing dead"),
    ],
)
def test_what_is_sent_to_a_shut_step_is_refused_and_not_lost(
    visitor: Visitor, path: str, fields: dict[str, str], kept: str
) -> None:
    job = visitor.open_job()
    answer = visitor.post(f"/jobs/{job}/{path}", **fields)
    assert answer.status_code == 409
    assert "is shut" in answer.text
    assert f'value="{kept}"' in answer.text
    page = visitor.store.job(job)
    assert not (page.repairs)
    assert not (visitor.store.case_of(job).tests)
    # Confirmed, with what was typed still there: one touch saves it.
    guard = re.search(r'action="(/jobs/\d+/guard/\w+/\w+)"', answer.text)
    assert guard is not None
    carried = dict(re.findall(r'name="(kept_\w+)" value="([^"]*)"', answer.text))
    sent = {**carried, "confirmed": boxes(answer.text), "new_person": "Wren", "form_token": visitor.token()}
    opened = visitor.client.post(guard[1], data=sent, headers={"origin": ORIGIN}, follow_redirects=False)
    assert opened.status_code == 200
    assert f'value="{kept}"' in opened.text
    again = re.search(rf'<form method="post" action="(/jobs/{job}/{path})"', opened.text)
    assert again is not None
    assert visitor.post(again[1], **fields).status_code == 303
    page = visitor.store.job(job)
    assert page.repairs or visitor.store.case_of(job).tests


def test_all_must_be_confirmed_and_by_somebody(visitor: Visitor) -> None:
    job = visitor.open_job()
    path = f"/jobs/{job}/guard/test/d_bplus"
    asked = boxes(visitor.get(path).text)
    assert len(asked) > 2
    assert confirm(visitor, path, asked[1:], new_person="Wren") == 409
    assert confirm(visitor, path, asked) == 409
    assert confirm(visitor, path, [], new_person="Wren") == 409
    assert visitor.store.confirmations(job) == ()
    assert confirm(visitor, path, asked, new_person="Wren") == 303
    kept = visitor.store.confirmations(job)
    assert {one.caution for one in kept} == set(asked)
    assert {(one.person, one.step_sort, one.step) for one in kept} == {("Wren", "test", "d_bplus")}
    assert {one.words for one in kept} == {KNOWLEDGE.cautions[name].confirm for name in asked}
    assert HOW in visitor.get(f"/jobs/{job}/tests/d_bplus").text


def test_a_refusal_keeps_what_was_ticked(visitor: Visitor) -> None:
    job = visitor.open_job()
    path = f"/jobs/{job}/guard/test/d_bplus"
    asked = boxes(visitor.get(path).text)
    sent = {"confirmed": asked[:2], "new_person": "Wren", "form_token": visitor.token()}
    text = visitor.client.post(path, data=sent, headers={"origin": ORIGIN}).text
    assert re.findall(r'value="(\w+)" checked', text) == asked[:2]
    assert 'value="Wren"' in text


def test_who_is_at_the_bench_needs_no_second_word(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.post("/people", name="Ida")
    path = f"/jobs/{job}/guard/test/d_bplus"
    assert confirm(visitor, path, boxes(visitor.get(path).text)) == 303
    assert {one.person for one in visitor.store.confirmations(job)} == {"Ida"}


def test_who_confirmed_what_and_when_stands_with_the_job(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.confirm(job, "test", "d_bplus", who="Wren")
    text = visitor.get(f"/jobs/{job}/repairs").text
    assert "Measure B+" in text
    assert "by Wren" in text
    assert KNOWLEDGE.cautions["mains_live"].confirm.replace("  ", " ")[:30] in text
    assert "confirmation" in visitor.get("/history").text


def test_taking_a_confirmation_back_shuts_the_step(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.confirm(job, "test", "d_bplus")
    visitor.store.undo(by=visitor.store.people()[0].id)
    assert SHUT in visitor.get(f"/jobs/{job}/tests/d_bplus").text
    assert visitor.post(f"/jobs/{job}/tests/d_bplus", value="107", unit="V").status_code == 409


def test_a_confirmation_runs_out(store: Store) -> None:
    now = [dt.datetime(2026, 11, 25, 9, 0, tzinfo=dt.UTC)]
    visitor = Visitor(store.with_clock(lambda: now[0]))
    job = visitor.open_job()
    visitor.confirm(job, "test", "d_bplus")
    assert HOW in visitor.get(f"/jobs/{job}/tests/d_bplus").text
    now[0] += dt.timedelta(minutes=31)
    text = visitor.get(f"/jobs/{job}/tests/d_bplus").text
    assert HOW not in text
    assert "mains_live" in boxes(text)
    # What holds for the rest of the job isn't asked again.
    assert "local_rules" not in boxes(text)
    assert visitor.post(f"/jobs/{job}/tests/d_bplus", value="107", unit="V").status_code == 409


def test_what_the_running_set_undoes_is_asked_for_at_the_same_time(visitor: Visitor) -> None:
    """Hooks go on with the anode drained: that it was drained for another step half an hour ago is no help."""
    job = visitor.open_job()
    visitor.confirm(job, "test", "v_wiring_ground")
    assert "anode_charge" in {one.caution for one in visitor.store.confirmations(job)}
    path = f"/jobs/{job}/guard/test/x_gun_swap"
    assert {"anode_charge", "mains_live"} <= set(boxes(visitor.get(path).text))
    visitor.confirm(job, "test", "x_gun_swap")
    assert HOW in visitor.get(f"/jobs/{job}/tests/x_gun_swap").text
    # And the set has run since: the glance inside is shut again.
    assert SHUT in visitor.get(f"/jobs/{job}/tests/v_wiring_ground").text


def test_what_is_due_after_a_step_is_asked_for_and_kept(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.confirm(job, "test", "d_eht")
    visitor.post(f"/jobs/{job}/tests/d_eht", result="right")
    closing = [c.caution for c in guarded(KNOWLEDGE, "test", "d_eht").closing]
    assert closing
    for place in ("diagnosis", "repairs"):
        text = visitor.get(f"/jobs/{job}/{place}").text
        assert "Before it runs on or leaves" in text
        assert all(f'value="{name}"' in text for name in closing)
    back = {"back": f"/jobs/{job}/repairs", "new_person": "Wren"}
    assert confirm(visitor, f"/jobs/{job}/after/test/d_eht", [], **back) == 422
    assert confirm(visitor, f"/jobs/{job}/after/test/d_eht", closing, **back) == 303
    assert "Before it runs on or leaves" not in visitor.get(f"/jobs/{job}/diagnosis").text


@pytest.mark.parametrize("path", ["test/nonsense", "nonsense/d_bplus", "repair/d_bplus"])
def test_a_step_that_is_not_there_is_said_so(visitor: Visitor, path: str) -> None:
    job = visitor.open_job()
    assert visitor.get(f"/jobs/{job}/guard/{path}").status_code == 404


def test_the_words_defer_to_local_rules(visitor: Visitor) -> None:
    job = visitor.open_job()
    assert "licensed practice come before anything" in visitor.get(f"/jobs/{job}/guard/test/d_eht").text
