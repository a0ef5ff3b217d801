"""The diagnosis of a job on the bench: words in, suspects that shift, tests in one touch, the repair and the end."""

from __future__ import annotations

import html
import re
from pathlib import Path

import pytest

from bench.benches import ORIGIN, Visitor, new_store
from tubewright.answers.diagnose import diagnose
from tubewright.answers.diagnosed import to_json
from tubewright.bench.diagnosing import (
    Diagnosing,
    Standing,
    reads_figure,
    shift,
    split_figure,
    unit_of,
    what_changed,
)
from tubewright.bench.words import PLACES as PLACE_WORDS
from tubewright.bench.words import percent
from tubewright.case import Case, Repair, Symptom, TestResult
from tubewright.experience import NO_EXPERIENCE
from tubewright.judgement.workplace import PLACES, Workplace
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE = load_knowledge()


def offered(page: str) -> list[str]:
    return list(dict.fromkeys(re.findall(r'data-mark="(\w+)"', page)))


def suspects(page: str) -> list[str]:
    return re.findall(r'class="suspect" id="fault-(\w+)"', page)


def mark(visitor: Visitor, job: int, symptom: str, now: str, was: str = "") -> None:
    sent = {f"is_{symptom}": now, f"was_{symptom}": was, "then": "diagnosis"}
    answer = visitor.post(f"/jobs/{job}/symptoms", **sent)
    assert answer.headers["location"].startswith(f"/jobs/{job}/diagnosis?")


def page_of(visitor: Visitor, job: int, asked: str = "") -> str:
    answer = visitor.get(f"/jobs/{job}/diagnosis{asked}")
    assert answer.status_code == 200, answer.text[:2000]
    return html.unescape(answer.text).replace("\u00a0", " ")


def case_with(*symptoms: str, **more: object) -> Case:
    return Case.model_validate({"format": 1, "symptoms": [{"id": name} for name in symptoms], **more})


# -- from the owner's words --------------------------------------------------------------------


def test_it_starts_from_what_the_owner_said(visitor: Visitor) -> None:
    job = visitor.open_job(owner_words="No red, and it goes off when hot")
    text = page_of(visitor, job)
    assert "The owner said" in text
    assert {"colour_missing", "cuts_out_warm_tap"} <= set(offered(text))
    assert suspects(text) == []
    assert "What does the owner see or hear?" in text
    assert "tubewright list" not in text


def test_what_is_answered_moves_to_the_noted_and_the_rest_is_still_asked(visitor: Visitor) -> None:
    job = visitor.open_job(owner_words="No red, and it goes off when hot")
    mark(visitor, job, "colour_missing", "present")
    text = page_of(visitor, job)
    assert text.index('id="h-heard"') < text.index('data-mark="cuts_out_warm_tap"') < text.index('id="h-noted"')
    assert text.index('id="h-noted"') < text.index('data-mark="colour_missing"')
    mark(visitor, job, "cuts_out_warm_tap", "absent")
    assert "h-heard" not in page_of(visitor, job)


def test_other_words_find_other_symptoms_and_a_mark_keeps_them(visitor: Visitor) -> None:
    job = visitor.open_job()
    text = page_of(visitor, job, "?q=pictuer+bendz+at+the+top")
    assert offered(text)[0] == "top_curl"
    answer = visitor.post(f"/jobs/{job}/symptoms", is_top_curl="present", was_top_curl="", then="diagnosis", q="bends")
    assert "q=bends" in answer.headers["location"]
    assert "No symptom fits" in page_of(visitor, job, "?q=xyzzy")


def test_a_job_of_no_words_says_what_to_do(visitor: Visitor) -> None:
    assert "as you would to a neighbour" in page_of(visitor, visitor.open_job())


# -- the ranking -------------------------------------------------------------------------------


def test_the_page_shows_what_the_command_line_says(visitor: Visitor) -> None:
    job = visitor.open_job()
    for name in ("top_curl", "mains_buzz"):
        mark(visitor, job, name, "present")
    told = diagnose(visitor.store.case_of(job), KNOWLEDGE)
    text = page_of(visitor, job)
    assert suspects(text) == [f.id for f in told.faults]
    odds = re.findall(r'class="odds"><strong>([^<]+)<', text)
    assert odds == [percent(f.probability) for f in told.faults]
    bars = [float(w) for w in re.findall(r'class="bar-now" x="0" y="0" width="([\d.]+)"', text)]
    assert bars == pytest.approx([100 * f.probability for f in told.faults], abs=0.06)
    assert told.next_tests[0].name in text
    assert told.headline.split(" (")[0] in text


def test_a_finding_shifts_the_ranking_in_words_and_drawing(visitor: Visitor) -> None:
    job = visitor.open_job()
    mark(visitor, job, "top_curl", "present")
    page_of(visitor, job)
    before = {f.id: f.probability for f in diagnose(visitor.store.case_of(job), KNOWLEDGE).faults}
    mark(visitor, job, "bends_with_content", "present")
    text = page_of(visitor, job)
    now = {f.id: f.probability for f in diagnose(visitor.store.case_of(job), KNOWLEDGE).faults}
    fault = "sync_sep_coupling_aged"
    assert now[fault] > before[fault]
    part = text[text.index(f'id="fault-{fault}"') :][:2500]
    assert f"<strong>{percent(now[fault])}</strong>" in part
    assert f"up from {percent(before[fault])}" in part
    line = re.search(r'class="bar-was" x1="([\d.]+)"', part)
    assert line is not None
    assert float(line[1]) == pytest.approx(100 * before[fault], abs=0.06)
    said = re.search(r'class="shift"><strong>(.*?)</strong>(.*?)</p>', text, re.DOTALL)
    assert said is not None
    assert KNOWLEDGE.symptoms["bends_with_content"].owner_says.rstrip(".") in said[1]
    assert f"{percent(before[fault])} → {percent(now[fault])}" in said[2]
    # Looked at again, the same shift stands; and one that goes back is a shift, too.
    assert said[0] in page_of(visitor, job)
    visitor.store.undo(by=None)
    assert "not checked" in page_of(visitor, job)


def test_what_speaks_for_and_against_lies_folded_below(visitor: Visitor) -> None:
    job = visitor.open_job()
    mark(visitor, job, "top_curl", "present")
    mark(visitor, job, "h_jitter_ragged", "absent")
    told = diagnose(visitor.store.case_of(job), KNOWLEDGE)
    text = page_of(visitor, job)
    part = text[text.index(f'id="fault-{told.faults[0].id}"') :]
    assert "<details" in part
    assert "<strong>For:</strong>" in part
    assert "Settled by:" in part
    assert "Sets of faults that explain it" in text
    assert told.method.words in text


def test_findings_that_cannot_all_be_so_are_named_and_nothing_is_lost(visitor: Visitor) -> None:
    job = visitor.open_job()
    mark(visitor, job, "burn_in_ghost", "absent")
    visitor.store.add_repair(job, Repair(fault="tube_burn_in", outcome="found"))
    answer = visitor.get(f"/jobs/{job}/diagnosis")
    assert answer.status_code == 200
    assert 'data-mark="burn_in_ghost"' in answer.text


# -- the next test -----------------------------------------------------------------------------


def open_test(visitor: Visitor, job: int, test: str) -> None:
    visitor.confirm(job, "test", test)


def test_the_next_test_puts_its_cautions_and_conditions_before_its_how(visitor: Visitor) -> None:
    job = visitor.open_job()
    mark(visitor, job, "mains_buzz", "present")
    told = diagnose(visitor.store.case_of(job), KNOWLEDGE)
    test = KNOWLEDGE.tests[told.next_tests[0].id]
    text = page_of(visitor, job)
    part = text[text.index('id="next"') :]
    assert told.next_tests[0].cautions[0] in part
    assert "What it may show" in part
    assert test.how not in part
    open_test(visitor, job, test.id)
    part = page_of(visitor, job)
    part = part[part.index('id="next"') :]
    assert part.index("Before you reach in") < part.index("<strong>How:")
    assert 'name="result" value="' in part


def test_advice_to_open_a_suspect_up_comes_after_its_cautions(visitor: Visitor) -> None:
    job = visitor.open_job()
    mark(visitor, job, "horizontal_line", "present")
    visitor.store.add_test(job, {"id": "o_tap_flex", "result": "responds_vertical"})
    told = diagnose(visitor.store.case_of(job), KNOWLEDGE)
    assert told.advice.kind == "repair"
    fault = next(f for f in told.faults if f.id == told.advice.fault)
    part = page_of(visitor, job)
    part = part[part.index('id="next"') :]
    assert all(-1 < part.find(line) < part.index(told.advice.words[:60]) for line in fault.cautions)


def test_a_result_is_one_touch_and_leads_back(visitor: Visitor) -> None:
    job = visitor.open_job()
    mark(visitor, job, "top_curl", "present")
    open_test(visitor, job, "s_sync_in")
    text = page_of(visitor, job, "?test=s_sync_in")
    assert re.search(r'<button name="result" value="flat_through_v"', text)
    assert "likely; then" in text
    answer = visitor.post(f"/jobs/{job}/tests/s_sync_in", result="flat_through_v", then="diagnosis")
    assert answer.headers["location"].startswith(f"/jobs/{job}/diagnosis")
    assert visitor.store.case_of(job).tests[0].result == "flat_through_v"
    assert suspects(page_of(visitor, job))[0] == "sync_no_serration"


def test_a_figure_is_taken_with_its_unit_and_held_against_the_profile(tmp_path: Path, empty: Path) -> None:
    own = tmp_path / "own.toml"
    own.write_text('[[chassis]]\nid = "larkspur"\nname = "Larkspur 19"\nbplus_v = 127\neht_kv = 24\n', encoding="utf-8")
    knowledge = load_knowledge(own)
    with new_store(tmp_path, empty) as store:
        visitor = Visitor(store, knowledge=knowledge)
        job = visitor.open_job(chassis="larkspur")
        open_test(visitor, job, "d_bplus")
        text = visitor.get(f"/jobs/{job}/tests/d_bplus").text
        assert re.search(r'id="nominal"[^>]*value="127"', text)
        assert "Larkspur 19" in text
        assert re.search(r'id="unit"[^>]*value="V"', text)
        open_test(visitor, job, "d_eht")
        assert re.search(r'id="nominal"[^>]*value="24"', visitor.get(f"/jobs/{job}/tests/d_eht").text)
        sent = {"value": "118 V", "unit": "V", "nominal": "127", "nominal_was": "127", "nominal_unit": "V"}
        assert visitor.post(f"/jobs/{job}/tests/d_bplus", **sent).status_code == 303
        kept = visitor.store.case_of(job).tests[0]
        assert (kept.value, kept.unit, kept.nominal) == (118.0, "V", 127.0)
        # In another unit the figure that stood there says nothing; the profile does.
        sent = {"value": "23000 V", "unit": "kV", "nominal": "24", "nominal_was": "24", "nominal_unit": "kV"}
        assert visitor.post(f"/jobs/{job}/tests/d_eht", **sent).status_code == 303
        kept = visitor.store.case_of(job).tests[1]
        assert (kept.value, kept.unit, kept.nominal) == (23000.0, "V", None)
        assert "/reckon?chassis=larkspur" in visitor.get(f"/jobs/{job}/diagnosis").text
        assert "Larkspur 19" in visitor.get("/reckon?chassis=larkspur").text


def test_a_test_set_aside_stays_away_until_it_is_taken_up_again(visitor: Visitor) -> None:
    job = visitor.open_job()
    mark(visitor, job, "mains_buzz", "present")
    first = diagnose(visitor.store.case_of(job), KNOWLEDGE).next_tests[0]
    assert visitor.post(f"/jobs/{job}/diagnosis/aside", test=first.id).status_code == 303
    text = page_of(visitor, job)
    assert "Set aside (1)" in text
    assert f'<input type="hidden" name="test" value="{first.id}">' not in text
    # It is of this job alone.
    other = visitor.open_job("Ferry hall, left")
    assert "Set aside" not in page_of(visitor, other)
    answer = visitor.post(f"/jobs/{job}/diagnosis/again", test=first.id)
    assert f"test={first.id}" in answer.headers["location"]
    assert "Set aside" not in page_of(visitor, job)


def test_how_the_set_stands_is_chosen_with_a_touch_and_follows_the_last_test(visitor: Visitor) -> None:
    job = visitor.open_job()
    mark(visitor, job, "top_curl", "present")
    pressed = r'value="([\w-]+)" id="stands-[\w-]+" aria-pressed="true"'
    assert re.findall(pressed, page_of(visitor, job)) == ["closed"]
    visitor.post(f"/jobs/{job}/diagnosis/stands", place="chassis")
    assert re.findall(pressed, page_of(visitor, job)) == ["chassis"]
    open_test(visitor, job, "s_sync_in")
    visitor.post(f"/jobs/{job}/tests/s_sync_in", result="good", then="diagnosis")
    assert re.findall(pressed, page_of(visitor, job)) == ["open-running"]
    assert visitor.post(f"/jobs/{job}/diagnosis/stands", place="upside down").status_code == 404


def test_what_stands_open_changes_what_comes_next(visitor: Visitor) -> None:
    job = visitor.open_job()
    mark(visitor, job, "mains_buzz", "present")
    case = visitor.store.case_of(job)
    orders = set()
    for name, place in PLACES.items():
        visitor.post(f"/jobs/{job}/diagnosis/stands", place=name)
        told = diagnose(case, KNOWLEDGE, workplace=place)
        text = page_of(visitor, job)
        assert told.next_tests[0].words.split(".")[0] in text, name
        orders.add(tuple(t.id for t in told.next_tests))
    assert len(orders) > 1


def test_one_step_back_takes_the_last_answer_back(visitor: Visitor) -> None:
    job = visitor.open_job()
    mark(visitor, job, "top_curl", "present")
    mark(visitor, job, "mains_buzz", "present")
    for left in (1, 0):
        found = re.search(r'name="change" value="(\d+)"><input[^>]*>\s*<button id="step-back"', page_of(visitor, job))
        assert found is not None
        visitor.post("/undo", change=found[1], back=f"/jobs/{job}/diagnosis")
        assert len(visitor.store.case_of(job).symptoms) == left
    assert "step-back" not in page_of(visitor, job)


# -- the repair and the end --------------------------------------------------------------------


def test_this_was_it_leads_to_the_repair_and_the_job_teaches(visitor: Visitor) -> None:
    job = visitor.open_job(owner_words="picture bends at the top")
    mark(visitor, job, "top_curl", "present")
    assert f"/jobs/{job}/repairs/new?fault=sync_no_serration" in page_of(visitor, job)
    visitor.confirm(job, "repair", "sync_no_serration")
    sent = {"outcome": "mended", "minutes": "20", "parts": "sync combiner, 2", "note": "edges through V now"}
    answer = visitor.post(f"/jobs/{job}/repairs/new", fault="sync_no_serration", **sent)
    assert answer.headers["location"].startswith(f"/jobs/{job}/diagnosis?said=repair")
    kept = visitor.store.job(job).repairs[0]
    assert (kept.repair.outcome, kept.minutes) == ("mended", 20)
    assert kept.note == "Parts: sync combiner, 2\nedges through V now"
    text = page_of(visitor, job)
    assert 'id="h-after">Mended: ' in text
    assert 'id="gone-top_curl"' in text
    mark(visitor, job, "top_curl", "absent", was="present")
    text = page_of(visitor, job)
    assert "Nothing it came with is there any more" in text
    version = re.search(r'/close">.*?name="version" value="(\d+)"', text, re.DOTALL)
    assert version is not None
    assert visitor.post(f"/jobs/{job}/close", version=version[1], closing_note="Combiner").status_code == 303
    learned = visitor.store.experience().mended[0]
    assert learned.faults == ("sync_no_serration",)
    assert learned.present == ("top_curl",)


def test_a_repair_is_corrected_struck_out_and_taken_back(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.confirm(job, "repair", "rgb_swapped")
    visitor.post(f"/jobs/{job}/repairs/new", fault="rgb_swapped", outcome="mended", parts="none", note="n")
    kept = visitor.store.job(job).repairs[0]
    at = f"/jobs/{job}/repairs/{kept.id}"
    text = visitor.get(at).text
    assert re.search(r'id="parts"[^>]*value="none"', text)
    changed = {"version": str(kept.version), "outcome": "found", "minutes": "5", "parts": "", "note": "loose"}
    assert visitor.post(at, **changed).status_code == 303
    now = visitor.store.job(job).repairs[0]
    assert (now.repair.outcome, now.minutes, now.note) == ("found", 5, "loose")
    assert visitor.post(at, **changed).status_code == 409
    assert visitor.post(at, version=str(now.version), outcome="", note="").status_code == 422
    assert visitor.post(at, version=str(now.version), strike="yes").status_code == 303
    assert visitor.store.job(job).repairs == ()
    visitor.store.undo(by=visitor.store.people()[0].id)
    assert len(visitor.store.job(job).repairs) == 1
    assert visitor.get("/history").text.count("mended") > 0


@pytest.mark.parametrize(
    ("sent", "said"),
    [({}, "Nothing is picked"), ({"outcome": "mended", "minutes": "soon"}, "is not a number")],
)
def test_a_repair_that_says_nothing_is_refused(visitor: Visitor, sent: dict[str, str], said: str) -> None:
    job = visitor.open_job()
    visitor.confirm(job, "repair", "rgb_swapped")
    answer = visitor.post(f"/jobs/{job}/repairs/new", fault="rgb_swapped", note="kept words", **sent)
    assert answer.status_code == 422
    assert said in answer.text
    assert "kept words" in answer.text
    assert visitor.store.job(job).repairs == ()


def test_a_ruled_out_fault_is_written_down_and_weighed(visitor: Visitor) -> None:
    job = visitor.open_job()
    mark(visitor, job, "top_curl", "present")
    page_of(visitor, job)
    visitor.confirm(job, "repair", "sync_no_serration")
    text = visitor.get(f"/jobs/{job}/repairs/new?fault=sync_no_serration&outcome=excluded").text
    assert re.search(r'value="excluded" checked', text)
    visitor.post(f"/jobs/{job}/repairs/new", fault="sync_no_serration", outcome="excluded")
    text = page_of(visitor, job)
    assert suspects(text)[0] != "sync_no_serration"
    assert "ruled out" in text


def test_an_unknown_fault_or_test_is_said_so(visitor: Visitor) -> None:
    job = visitor.open_job()
    for path in (f"/jobs/{job}/repairs/new?fault=xyzzy", f"/jobs/{job}/repairs/99", "/jobs/99/diagnosis"):
        assert visitor.get(path).status_code == 404
    assert visitor.get(f"/jobs/{job}/diagnosis?test=xyzzy").status_code in {404, 422}
    assert visitor.post(f"/jobs/{job}/diagnosis/aside", test="xyzzy").status_code == 404


def test_a_measured_photograph_offers_its_findings(visitor: Visitor) -> None:
    from bench.pictured import add_measurement

    job = visitor.open_job(tube_label="A48XYZ00X01")
    add_measurement(visitor.store, job, stage="before")
    number = visitor.store.job(job).measurements[0].id
    text = page_of(visitor, job)
    ids = re.findall(r'id="take-(\w+)"', text)
    assert ids
    sent = {"take": ids[0], "then": "diagnosis"}
    answer = visitor.post(f"/jobs/{job}/measurements/{number}/findings", **sent)
    assert answer.headers["location"].startswith(f"/jobs/{job}/diagnosis")
    assert [s.id for s in visitor.store.case_of(job).symptoms] == ids[:1]
    assert f'id="take-{ids[0]}"' not in page_of(visitor, job)


def test_a_photograph_from_before_a_repair_offers_nothing_any_more(visitor: Visitor) -> None:
    from bench.pictured import add_measurement

    job = visitor.open_job(tube_label="A48XYZ00X01")
    add_measurement(visitor.store, job, stage="before")
    assert 'id="take-' in page_of(visitor, job)
    visitor.store.add_repair(job, {"fault": "yoke_slipped", "outcome": "mended"})
    assert 'id="take-' not in page_of(visitor, job)


# -- for programs ------------------------------------------------------------------------------


def test_programs_get_the_same_answer(visitor: Visitor) -> None:
    body = case_with("top_curl").model_dump_json(exclude_none=True)
    headers = {"content-type": "application/json", "origin": ORIGIN}
    answer = visitor.client.post("/api/diagnose", content=body, headers=headers)
    assert answer.status_code == 200
    assert answer.json() == to_json(diagnose(case_with("top_curl"), KNOWLEDGE))
    job = visitor.open_job()
    mark(visitor, job, "top_curl", "present")
    assert visitor.get(f"/api/jobs/{job}/diagnose").json()["faults"] == answer.json()["faults"]
    assert visitor.get("/api/jobs/99/diagnose").status_code == 404


# -- the calculators ---------------------------------------------------------------------------


def test_the_index_leads_to_each_calculator_that_is_there(visitor: Visitor) -> None:
    text = visitor.get("/reckon").text
    links = list(re.findall(r'<li><a href="([^"]+)"><strong>', text))
    assert "/heater" in links
    assert all(visitor.get(to).status_code == 200 for to in links)
    assert 'href="/reckon"' in visitor.get("/").text


# -- the parts beneath -------------------------------------------------------------------------


def test_every_place_has_its_words_and_comes_back_from_its_cookie() -> None:
    assert list(PLACES) == list(PLACE_WORDS)
    assert {name: Standing().after(place).place for name, place in PLACES.items()} == {name: name for name in PLACES}
    odd = Workplace(cover_open=False, discharged=True)
    assert Standing().after(odd).place == "empty"


@pytest.mark.parametrize(
    ("typed", "parts"),
    [
        ("107", ("107", "")),
        ("107V", ("107", "V")),
        ("23,5 kV", ("23,5", "kV")),
        ("0.3 Mohm", ("0.3", "Mohm")),
        ("12 %", ("12", "%")),
        ("-5 V", ("-5", "V")),
        ("x", ("x", "")),
        ("", ("", "")),
    ],
)
def test_a_figure_is_parted_from_its_unit(typed: str, parts: tuple[str, str]) -> None:
    assert split_figure(typed) == parts


def test_every_test_that_reads_a_figure_has_a_usual_unit() -> None:
    assert [t.id for t in KNOWLEDGE.tests.values() if reads_figure(t) and not unit_of(t)] == []


def test_the_case_before_the_last_change_is_remembered() -> None:
    kept = Diagnosing()
    first, second = case_with(), case_with("top_curl")
    assert kept.before(1, first) is None
    assert kept.before(1, first) is None
    assert kept.before(1, second) == first
    assert kept.before(1, second) == first
    assert kept.before(2, second) is None
    assert kept.before(1, first) == second


def test_an_answer_is_reckoned_once_and_anew_when_the_shop_has_learned() -> None:
    kept = Diagnosing()
    case = case_with("top_curl")
    told = kept.answer(case, KNOWLEDGE, NO_EXPERIENCE)
    assert kept.answer(case, KNOWLEDGE, NO_EXPERIENCE) is told
    assert kept.answer(case, KNOWLEDGE, NO_EXPERIENCE, Standing(place="chassis")) is not told


def test_what_changed_is_told_in_words() -> None:
    before = case_with("top_curl", tests=[{"id": "d_bplus", "value": 107.0, "unit": "V", "nominal": 120.0}])
    now = before.model_copy(
        update={
            "symptoms": (Symptom(id="top_curl", present=False), Symptom(id="mains_buzz")),
            "tests": (TestResult(id="s_sync_in", result="good"),),
        }
    )
    said = what_changed(before, now, KNOWLEDGE)
    assert "“The top of the picture bends sideways like a flag” absent" in said
    assert "“It hums or buzzes loudly” present" in said
    assert said.endswith("and 1 more")
    back = what_changed(case_with(tests=before.tests), case_with(), KNOWLEDGE)
    assert back == "without Measure B+: 107 V, should be 120"
    mended = case_with(repairs=[{"fault": "rgb_swapped", "outcome": "mended"}])
    assert what_changed(case_with(), mended, KNOWLEDGE).endswith("mended")
    assert "tube changed" in what_changed(case_with(), case_with(tube={"burn": 0.1}), KNOWLEDGE)


def test_a_shift_names_what_moved_most_and_what_is_gone() -> None:
    one = diagnose(case_with("top_curl"), KNOWLEDGE)
    two = diagnose(case_with("mains_buzz"), KNOWLEDGE)
    moved = shift(one, two, "cause")
    assert set(moved.gone) == {f.name for f in one.faults if f.id not in {g.id for g in two.faults}}
    assert "new, " in moved.words
    assert shift(one, one, "cause").words == "nothing moved"


def test_every_result_that_stands_alone_can_be_chosen(visitor: Visitor) -> None:
    job = visitor.open_job()
    for name in ("top_curl", "bends_with_content"):
        mark(visitor, job, name, "present")
    open_test(visitor, job, "s_sync_in")
    text = page_of(visitor, job, "?test=s_sync_in")
    chosen = re.findall(r'name="result" value="(\w+)"', text)
    assert sorted(chosen) == sorted(r.id for r in KNOWLEDGE.tests["s_sync_in"].results if not r.refines)
    assert 'id="none-of-these"' not in text, "right in every way is a result of its own"


def test_what_narrows_a_result_down_may_be_none_of_the_narrower_ones(visitor: Visitor) -> None:
    job = visitor.open_job()
    mark(visitor, job, "colour_full_on", "present")
    visitor.store.add_test(job, {"id": "d_cathodes", "result": "one_low"})
    told = diagnose(visitor.store.case_of(job), KNOWLEDGE)
    assert any(test.id == "d_cathodes" and test.follows for test in told.next_tests)
    visitor.post(f"/jobs/{job}/diagnosis/stands", place="open-running")
    open_test(visitor, job, "d_cathodes")
    text = page_of(visitor, job, "?test=d_cathodes")
    assert 'id="none-of-these"' in text
