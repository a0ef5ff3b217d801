"""What somebody new to the bench stumbled over: cautions, names of fields, the next action, words."""

from __future__ import annotations

import html

import pytest

from bench.benches import Visitor
from bench.browsing import Fields
from tubewright.bench import words
from tubewright.bench.routes.records import caution_texts
from tubewright.knowledge.load import load_knowledge


def test_cautions_come_before_hands_wherever_a_page_leads_them_inside(visitor: Visitor) -> None:
    job = visitor.open_job(getter="silver", neck="sound")
    known = load_knowledge().cautions
    for path, first in ((f"/jobs/{job}", 'id="red_emission"'), ("/displays/1", ">Put it in<")):
        head = html.unescape(visitor.get(path).text.partition(first)[0])
        names = ["local_rules", "anode_charge", "recharge", "primary_reservoir", "implosion", "gate_power_off"]
        for name in [*names, "lifting"] if path == "/displays/1" else [*names, "test_voltage"]:
            assert known[name].text in head, (path, name)
            assert str(known[name].confirm) in head, (path, name)


def test_a_caution_that_is_not_in_the_catalogue_is_never_left_out_quietly(visitor: Visitor) -> None:
    with pytest.raises(KeyError):
        caution_texts(visitor.app.state.bench, ("anode_charge", "no_such_caution"))


def test_the_list_of_faults_names_each_field_and_leads_to_it(visitor: Visitor) -> None:
    job = visitor.open_job()
    text = visitor.post(f"/jobs/{job}/readings", red_reduced="221uA", blue_cutoff="much").text
    assert '<a href="#reduced_heater_v">Heater when turned down</a>: this is empty.' in text
    assert '<a href="#blue_cutoff">Blue, cutoff</a>: ' in text


def test_putting_in_no_tube_is_said_to_be_nothing(visitor: Visitor) -> None:
    visitor.open_job()
    answer = visitor.post("/displays/1/fit", tube="")
    assert answer.status_code == 422
    assert "no tube is chosen" in answer.text
    assert "The shelf is empty" in answer.text


def test_a_closing_note_that_is_too_long_is_kept(visitor: Visitor) -> None:
    job = visitor.open_job()
    answer = visitor.post(f"/jobs/{job}/close", version="1", closing_note="so " * 200)
    assert answer.status_code == 422
    assert 'id="closing_note-wrong"' in answer.text
    assert "so so so" in str(Fields(answer.text).inputs["closing_note"]["value"])
    assert visitor.store.job(job).job.state != "closed"


def test_a_display_on_the_bench_leads_to_its_job(visitor: Visitor) -> None:
    job = visitor.open_job()
    assert f'<a class="button main" href="/jobs/{job}">Go on with its job' in visitor.get("/displays/1").text
    visitor.post(f"/jobs/{job}/close", version="1")
    text = visitor.get("/displays/1").text
    assert "Go on with its job" not in text
    assert "Put it on the bench" in text


def test_what_was_seen_of_the_glass_stands_with_its_tube(visitor: Visitor) -> None:
    job = visitor.open_job(getter="silver", restorations="0")
    for path in (f"/jobs/{job}/facts", "/tubes/1"):
        text = visitor.get(path).text
        assert "<dt>Getter</dt><dd>silver or dark, mirror whole</dd>" in text
        assert "<dt>Restored before</dt><dd>never</dd>" in text
    visitor.post(f"/jobs/{job}/looks", getter="white", burn="8 %")
    for path in (f"/jobs/{job}/facts", "/tubes/1"):
        text = visitor.get(path).text
        assert "<dt>Getter</dt><dd>white or milky, seen 20" in text
        assert "<dt>Burn</dt><dd>8 % of the luminance lost, seen 20" in text


def test_the_reference_says_figures_and_repairs_as_one_would(visitor: Visitor) -> None:
    assert ".. About" not in visitor.get("/reference/faults").text
    sources = visitor.get("/reference/sources").text
    assert "<p>0.85</p>" in sources
    assert "Where in the source: estimate" not in sources
    assert "<p>The reserve at which a reading with 10 % less heater" in sources
    assert "from memory, an estimate" in sources


def test_no_line_ends_between_a_figure_and_its_unit() -> None:
    assert words.unbroken("61 % of it at 6.3 V in 5 hours") == "61\u00a0% of it at 6.3\u00a0V in 5 hours"
    assert words.beyond("Swap the tube: the white is low.", "Swap the tube") == "The white is low."
    assert words.beyond("Worth treating: soak", "Soak") == "Worth treating: soak"
