"""The pages of one job: what is typed is kept, faults stand at their fields, and cautions come first."""

from __future__ import annotations

import html
import json
import re

import pytest

from bench.benches import Visitor
from bench.browsing import GRID, Fields, full_job
from samples import sample_answer
from tubewright.answers.assess import assess
from tubewright.answers.assessment import to_json
from tubewright.bench.stored import answer_from_json
from tubewright.errors import InputError
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import Store
from tubewright.report.describe import describe


def test_the_grid_stores_what_was_read_with_its_conditions(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.post(f"/jobs/{job}/readings", **GRID)
    stored = {(r.reading.gun, r.reading.kind, r.reading.heater_v): r.reading for r in visitor.store.job(job).readings}
    assert len(stored) == 6
    red = stored["red", "emission", 6.3]
    assert (red.value, red.unit, red.reference, red.reference_cutoff_v, red.g2_v) == (340, "uA", 1000, 52, 300)
    assert stored["red", "emission", 5.5].value == 221
    assert stored["red", "leakage_heater_cathode", 6.3].value == 2.2
    assert stored["red", "leakage_heater_cathode", 6.3].reference is None
    assert stored[None, "heater_current", None].value == 0.65
    assert {r.minutes_on for r in stored.values()} == {10}
    text = visitor.get(f"/jobs/{job}").text
    assert Fields(text).inputs["reference"]["value"] == "1000"
    assert Fields(text).inputs["reduced_heater_v"]["value"] == "5.5"
    assert Fields(text).inputs["red_emission"]["value"] == ""


def test_the_grid_goes_gun_by_gun(visitor: Visitor) -> None:
    """The order in the page is the order of the Tab key: down red, then green, then blue."""
    job = visitor.open_job()
    names = [n for n in Fields(visitor.get(f"/jobs/{job}").text).inputs if n.startswith(("red_", "green_", "blue_"))]
    assert [n.partition("_")[0] for n in names] == ["red"] * 7 + ["green"] * 7 + ["blue"] * 7
    assert names[0] == "red_emission"


def test_bad_input_is_said_at_each_field_and_nothing_is_lost_or_stored(visitor: Visitor) -> None:
    job = visitor.open_job()
    typed = {
        **GRID,
        "red_emission": "34x",
        "green_cutoff": "-5",
        "blue_hk": "twelve",
        "heater_v": "nan",
        "red_gas": "1e999",
        "reduced_heater_v": "",
    }
    answer = visitor.post(f"/jobs/{job}/readings", **typed)
    assert answer.status_code == 422
    fields = Fields(answer.text).inputs
    for name in ("red_emission", "green_cutoff", "blue_hk", "heater_v", "red_gas", "reduced_heater_v"):
        assert fields[name].get("aria-invalid") == "true", name
        assert f'id="{name}-wrong"' in answer.text
        assert f"{name}-wrong" in str(fields[name].get("aria-describedby"))
    for name in GRID:
        if name != "emission_unit":
            assert fields[name].get("value") == typed[name]
    assert fields["red_cutoff"].get("aria-invalid") is None
    assert visitor.store.job(job).readings == ()


def test_a_unit_that_is_missing_or_does_not_fit_the_good_gun_is_asked_for(visitor: Visitor) -> None:
    job = visitor.open_job()
    answer = visitor.post(f"/jobs/{job}/readings", red_emission="340")
    assert "The unit is missing" in answer.text
    answer = visitor.post(f"/jobs/{job}/readings", red_emission="34 div", reference="1000uA")
    assert answer.status_code == 422
    assert "same unit" in answer.text


def test_an_empty_grid_is_not_stored(visitor: Visitor) -> None:
    job = visitor.open_job()
    row = {"red_cutoff": "48", "heater_v": "6.3", "emission_unit": "uA"}
    visitor.post(f"/jobs/{job}/readings", **row)
    stored = len(visitor.store.job(job).readings)
    answer = visitor.post(f"/jobs/{job}/readings")
    assert answer.status_code == 422
    assert "no reading in the grid" in answer.text
    assert len(visitor.store.job(job).readings) == stored


def test_a_reading_is_changed_struck_out_and_brought_back(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.post(f"/jobs/{job}/readings", **GRID)
    record = next(r for r in visitor.store.job(job).readings if r.reading.kind == "cutoff")
    address = f"/jobs/{job}/readings/{record.id}"
    visitor.post(address, version=str(record.version), value="51 V", heater_v="6.3", g2_v="300")
    changed = visitor.store.reading(record.id)
    assert changed.reading.value == 51
    answer = visitor.post(address, version=str(changed.version), strike="yes")
    assert record.id not in {r.id for r in visitor.store.job(job).readings}
    page = visitor.get(answer.headers["location"]).text
    assert "Struck out." in page
    change = re.search(r'name="change" value="(\d+)"', page)
    assert change is not None
    visitor.post("/undo", change=change[1], back=f"/jobs/{job}")
    assert any(r.reading.kind == "cutoff" and r.reading.value == 51 for r in visitor.store.job(job).readings)


def test_two_people_at_one_reading_lose_nothing(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.post(f"/jobs/{job}/readings", red_cutoff="48", g2_v="300")
    record = visitor.store.job(job).readings[0]
    address = f"/jobs/{job}/readings/{record.id}"
    visitor.post(address, version=str(record.version), value="52 V", g2_v="300")
    answer = visitor.post(address, version=str(record.version), value="49.5", g2_v="300")
    assert answer.status_code == 409
    assert "52 V" in answer.text
    assert "49.5" in answer.text
    assert visitor.store.reading(record.id).reading.value == 52
    fields = dict(
        re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', answer.text.partition("As you typed")[2])
    )
    fields.pop("form_token")
    assert visitor.post(address, **fields).status_code == 303
    assert visitor.store.reading(record.id).reading.value == 49.5


def test_a_reading_is_found_on_its_own_job_only(visitor: Visitor) -> None:
    first, second = visitor.open_job(), visitor.open_job(label="Ferry hall")
    visitor.post(f"/jobs/{first}/readings", red_cutoff="48")
    reading = visitor.store.job(first).readings[0].id
    assert visitor.get(f"/jobs/{second}/readings/{reading}").status_code == 404
    assert visitor.post(f"/jobs/{second}/readings/{reading}", version="1", value="1").status_code == 404


# -- findings, treatments, facts ----------------------------------------------------------------


def test_symptoms_are_present_absent_or_not_looked_for(visitor: Visitor) -> None:
    job = visitor.open_job()
    at = f"/jobs/{job}/symptoms"
    visitor.post(at, is_raster_dim_all="present", was_raster_dim_all="", is_hum_bars="absent", was_hum_bars="")
    seen = {s.id: s.present for s in visitor.store.case_of(job).symptoms}
    assert seen == {"raster_dim_all": True, "hum_bars": False}
    visitor.post(at, is_raster_dim_all="", was_raster_dim_all="present", is_hum_bars="absent", was_hum_bars="absent")
    assert {s.id for s in visitor.store.case_of(job).symptoms} == {"hum_bars"}


def test_symptoms_are_found_in_plain_words(visitor: Visitor) -> None:
    job = visitor.open_job()
    text = visitor.get(f"/jobs/{job}/symptoms?q=picture+too+dark").text
    assert 0 < text.count("<fieldset>") <= 12
    assert "was_raster_dim_all" in text


@pytest.mark.parametrize(
    ("sent", "said"),
    [
        ({}, "Nothing is given"),
        ({"value": "107"}, "unit is missing"),
        ({"value": "x", "unit": "V"}, "is not a number"),
        ({"value": "107", "unit": "V", "result": "nonsense"}, "not one of the choices"),
    ],
)
def test_a_test_result_that_says_nothing_is_refused(visitor: Visitor, sent: dict[str, str], said: str) -> None:
    job = visitor.open_job()
    visitor.confirm(job, "test", "d_bplus")
    answer = visitor.post(f"/jobs/{job}/tests/d_bplus", **sent)
    assert answer.status_code == 422
    assert said in answer.text
    assert visitor.store.case_of(job).tests == ()


def test_the_tests_that_the_verdict_names_come_first(visitor: Visitor) -> None:
    def listed(job: int) -> list[str]:
        return re.findall(rf'href="/jobs/{job}/tests/(\w+)"', visitor.get(f"/jobs/{job}/tests").text)

    job = visitor.open_job()
    assert listed(job)[0] != "t_slump"
    visitor.post(f"/jobs/{job}/verdict")
    assert listed(job)[0] == "t_slump"
    assert sorted(listed(job)) == sorted(load_knowledge().tests)
    assert visitor.get(f"/jobs/{job}/tests").text.count("named by the verdict") == 1


def test_a_new_tube_and_its_place_are_taken_back_as_one(visitor: Visitor) -> None:
    visitor.open_job()
    before = visitor.store.tubes()
    visitor.post("/tubes/new", label="Spare 12", heater_v="6.3", fit_into="1")
    assert visitor.store.tubes() != before
    change = re.search(r'name="change" value="(\d+)"', visitor.get("/history").text)
    assert change is not None
    visitor.post("/undo", change=change[1], back="/history")
    assert visitor.store.tubes() == before


def test_every_test_puts_its_cautions_before_its_how(visitor: Visitor) -> None:
    job = visitor.open_job()
    known = load_knowledge()
    pages = [(f"/jobs/{job}/tests/{t.id}", t.hazard) for t in known.tests.values()]
    for path, hazard in pages:
        text = visitor.get(path).text
        if known.hazards[hazard].cautions:
            # Shut: the cautions, and nothing of the how. Open: the how, after them.
            assert "Before you reach in" in text, path
            assert "<strong>How:" not in text, path
            visitor.confirm(job, "test", path.rsplit("/", 1)[1])
            text = visitor.get(path).text
            assert -1 < text.find("Before you reach in") < text.find("<strong>How:"), path


def test_the_next_step_puts_its_cautions_first(visitor: Visitor) -> None:
    job = full_job(visitor)
    text = visitor.get(f"/jobs/{job}/verdict").text
    step = text[text.find('class="steps"') :]
    order = [
        step.find(words)
        for words in ("Mains and B+ are lethal", "Isolation transformer in use", "Run the heater at 6.3 V")
    ]
    assert order == sorted(order)
    assert order[0] > 0


def test_facts_are_changed_only_by_who_saw_the_last_ones(visitor: Visitor) -> None:
    job = visitor.open_job(keep_years="5")
    version = str(visitor.store.job(job).job.version)
    visitor.post(f"/jobs/{job}/facts", version=version, keep_years="7", hours_per_week="6", currency="eur")
    assert visitor.store.case_of(job).use.keep_years == 7
    assert visitor.store.case_of(job).costs.currency == "EUR"
    answer = visitor.post(f"/jobs/{job}/facts", version=version, keep_years="9")
    assert answer.status_code == 409
    assert visitor.store.case_of(job).use.keep_years == 7
    assert Fields(answer.text).inputs["keep_years"]["value"] == "9"


def test_a_job_is_closed_and_taken_up_again(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.post(f"/jobs/{job}/close", version=str(visitor.store.job(job).job.version), closing_note="runs")
    assert visitor.store.job(job).job.state == "closed"
    visitor.post(f"/jobs/{job}/reopen", version=str(visitor.store.job(job).job.version))
    assert visitor.store.job(job).job.state == "open"


def test_a_new_job_with_faults_stores_nothing_and_keeps_what_was_typed(visitor: Visitor) -> None:
    answer = visitor.post(
        "/jobs/new", label="", heater_v="6.3x", keep_years="0", restorations="-1", owner="Ida Quill", burn="3"
    )
    assert answer.status_code == 422
    fields = Fields(answer.text).inputs
    for name in ("label", "heater_v", "keep_years", "restorations", "burn"):
        assert fields[name].get("aria-invalid") == "true", name
    assert fields["owner"]["value"] == "Ida Quill"
    assert visitor.store.displays().rows == ()


# -- verdicts -----------------------------------------------------------------------------------


def test_a_verdict_shows_all_that_the_description_says(visitor: Visitor) -> None:
    job = full_job(visitor)
    text = re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", visitor.get(f"/jobs/{job}/verdict").text))
    said = describe(sample_answer())
    for part in (said.headline, said.decision_words, said.sure, *(s.title for s in said.sections)):
        assert part in text
    for words in (
        "cutoff of each gun at a stated G2",
        "under 0.60",
        "All readings agree.",
        "All prior.",
        "no price given",
    ):
        assert words in text


def test_pages_and_programs_say_what_assess_says(store: Store) -> None:
    """With the program's own judgement: page, API and function agree on the same case."""
    visitor = Visitor(store, assess=None)
    job = visitor.open_job(heater_v="6.3", keep_years="5", hours_per_week="6", minimum_white="50 %")
    visitor.post(f"/jobs/{job}/readings", **GRID)
    answer = assess(store.case_of(job), load_knowledge(), store.experience())
    assert visitor.get(f"/api/jobs/{job}/assess").json() == to_json(answer)
    page = visitor.get(visitor.post(f"/jobs/{job}/verdict").headers["location"]).text.replace("\u00a0", " ")
    assert html.escape(answer.headline).replace("&#x27;", "&#39;") in page
    kept = store.job(job).verdicts[-1]
    assert json.loads(kept.answer_json) == to_json(answer)
    assert "The decision is the same." in visitor.get(f"/jobs/{job}/verdicts/{kept.id}/replay").text


def test_a_kept_verdict_reads_back_as_it_was_given() -> None:
    body = json.dumps(to_json(sample_answer()))
    assert to_json(answer_from_json(body)) == json.loads(body)
    assert describe(answer_from_json(body)) == describe(sample_answer())


@pytest.mark.parametrize("text", ["", "[]", "{}", '{"format": 2}', "null", '{"format": 1, "decision": "leave"}'])
def test_a_damaged_verdict_is_said_to_be_one(text: str) -> None:
    with pytest.raises(InputError, match="can't be read back"):
        answer_from_json(text)


def test_the_same_verdict_is_kept_once_until_something_changes(visitor: Visitor) -> None:
    job = full_job(visitor)
    visitor.post(f"/jobs/{job}/verdict")
    assert len(visitor.store.job(job).verdicts) == 1
    visitor.post(f"/jobs/{job}/readings", green_cutoff="51")
    assert "added or changed since" in visitor.get(f"/jobs/{job}").text
    visitor.post(f"/jobs/{job}/verdict")
    assert len(visitor.store.job(job).verdicts) == 2
    assert "added or changed since" not in visitor.get(f"/jobs/{job}").text


def test_save_and_judge_stores_the_grid_first(visitor: Visitor) -> None:
    job = visitor.open_job()
    answer = visitor.post(f"/jobs/{job}/verdict", **GRID)
    assert "/verdicts/" in answer.headers["location"]
    assert len(visitor.store.job(job).readings) == 6
    wrong = visitor.post(f"/jobs/{job}/verdict", **{**GRID, "red_emission": "oops"})
    assert wrong.status_code == 422
    assert len(visitor.store.job(job).verdicts) == 1


def test_undo_after_save_and_judge_does_not_take_the_verdict(visitor: Visitor) -> None:
    job = visitor.open_job()
    answer = visitor.post(f"/jobs/{job}/verdict", **GRID)
    text = visitor.get(answer.headers["location"]).text
    assert "Readings saved, verdict kept." in text
    assert 'action="/undo"' not in text
