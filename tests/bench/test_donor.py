"""The donor's page: cautions before donors, records and stock as the shelf, gaps told, figures kept with the tube."""

from __future__ import annotations

import html
import re
from typing import TYPE_CHECKING, Final

import pytest

from bench.benches import Visitor
from bench.stocked import shelve_tube
from tubewright.bench.stocking import stock_shelf, wanted_tube
from tubewright.case import TestResult
from tubewright.knowledge.load import load_knowledge

if TYPE_CHECKING:
    from httpx2 import Response

KNOWLEDGE: Final = load_knowledge()
SISTER: Final = {
    "gun": "inline", "heater_v": 6.3, "heater_a": 0.65, "base": "ten pins",
    "pins": "1 focus, 5 g1, 9 heater, 10 heater",
    "g1": "common", "deflection_deg": 90.0, "anode_max_kv": 27.5, "focus": "high", "yoke": False, "mount": "ears",
    "bolts_wide_mm": 396.0, "bolts_high_mm": 304.0, "band": "tension", "face": "sphere",
}  # fmt: skip
TYPED: Final = {
    "w_gun": "inline", "w_heater_v": "6.3", "w_heater_a": "650mA", "w_neck_mm": "29.1", "w_base": "ten pins",
    "w_pins": "1 focus, 5 g1, 9 heater, 10 heater", "w_g1": "common", "w_deflection_deg": "90",
    "w_anode_max_kv": "27.5", "w_focus": "high", "w_mount": "ears", "w_bolts_wide_mm": "396", "w_bolts_high_mm": "304",
    "w_band": "tension", "w_face": "sphere", "w_label": "M46QAA02X01", "s_eht_kv": "24", "s_eht_limit_kv": "27.5",
    "s_heater_source_v": "6.3", "s_heater_feed": "parallel", "s_drive": "cathode", "s_tuning_nf": "8.2",
}  # fmt: skip


def plain(answer: Response) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", answer.text)).split())


@pytest.fixture
def job(visitor: Visitor) -> int:
    """A shelf with a sister tube, and a job whose tube is to be replaced."""
    shelve_tube(visitor, **SISTER)
    return visitor.open_job("Pier arcade, machine 7", tube_label="M46QAA02X01", heater_v="6.3")


def ask(visitor: Visitor, job: int, **fields: str) -> Response:
    return visitor.client.get("/donor", params={"job": str(job), **fields})


def test_cautions_stand_before_any_donor(visitor: Visitor, job: int) -> None:
    text = html.unescape(visitor.get(f"/donor?job={job}").text)
    for name in ("local_rules", "implosion", "anode_charge", "x_rays"):
        assert text.index(KNOWLEDGE.cautions[name].text) < text.index('id="donor-1"'), name
    assert text.index("Make sure of this first") < text.index('id="found"')
    for path in ("/donor", f"/donor?donor={visitor.store.all_items()[0].code}"):
        assert KNOWLEDGE.cautions["implosion"].text in html.unescape(visitor.get(path).text)


def test_what_is_not_known_never_fits_and_is_named_with_what_tells(visitor: Visitor, job: int) -> None:
    said = plain(visitor.get(f"/donor?job={job}"))
    assert "Nothing is sure yet" in said
    assert "Find out:" in said


def test_with_all_figures_typed_the_sister_fits(visitor: Visitor, job: int) -> None:
    answer = ask(visitor, job, **TYPED)
    said = plain(answer)
    assert answer.status_code == 200, said
    assert "Best: " in said
    assert "Fits as it is, with the set's own yoke; about 180 minutes." in said
    assert "After any swap" in said
    assert 'value="650mA"' in answer.text, "what was typed stays as typed"
    wide = plain(ask(visitor, job, **{**TYPED, "w_neck_mm": "22.5"}))
    assert "fits as it is" not in wide.casefold()
    high = plain(ask(visitor, job, **{**TYPED, "s_eht_kv": "29", "s_eht_limit_kv": "30"}))
    assert "Never fits" in high


def test_emission_comes_from_the_readings_of_the_records(visitor: Visitor, job: int) -> None:
    shelf = stock_shelf(visitor.store, KNOWLEDGE, for_job=job)
    (donor,) = shelf.tubes
    assert donor.emission == pytest.approx({"red": 0.8, "green": 0.75, "blue": 0.7}, abs=0.02)
    assert (donor.neck_mm, donor.heater_v, donor.place) == (29.1, 6.3, "rack 3")


def test_tests_of_the_job_fill_the_set(visitor: Visitor, job: int) -> None:
    visitor.store.add_test(job, TestResult(id="d_eht", value=24.5, unit="kV"))
    visitor.store.add_test(job, TestResult(id="d_bplus", value=118, unit="V"))
    page = visitor.get(f"/donor?job={job}").text
    assert re.search(r'id="s_eht_kv"[^>]* value="24.5"', page)
    assert re.search(r'id="s_bplus_v"[^>]* value="118"', page)


def test_mistakes_stand_at_their_field_and_nothing_is_lost(visitor: Visitor, job: int) -> None:
    answer = ask(visitor, job, w_neck_mm="wide", s_eht_kv="-3", w_base="ten pins")
    assert answer.status_code == 422
    assert "2 things need mending" in plain(answer)
    for name in ("w_neck_mm", "s_eht_kv"):
        assert f'id="{name}-wrong"' in answer.text
    assert 'value="ten pins"' in answer.text
    assert ask(visitor, job, w_deflection_deg="200").status_code == 422
    assert ask(visitor, job, chassis="none").status_code == 422


def test_figures_are_kept_with_the_tube_and_come_again(visitor: Visitor, job: int) -> None:
    kept = visitor.post("/donor/keep", job=str(job), **{k: v for k, v in TYPED.items() if k.startswith("w_")})
    assert kept.status_code == 303, plain(kept)
    page = visitor.store.job(job)
    assert page.tube is not None
    tube = wanted_tube(visitor.store, page.tube.id, KNOWLEDGE, named="w")
    assert (tube.neck_mm, tube.anode_max_kv, tube.pins["5"]) == (29.1, 27.5, "g1")
    again = visitor.post("/donor/keep", job=str(job), w_neck_mm="29.2")
    assert again.status_code == 303
    tube = wanted_tube(visitor.store, page.tube.id, KNOWLEDGE, named="w")
    assert (tube.neck_mm, tube.base) == (29.2, "ten pins"), "what isn't typed stays"
    items = [item for item in visitor.store.all_items() if item.tube_id == page.tube.id]
    assert [item.quantity for item in items] == [0], "it sits in a set, so none lies on the shelf"
    assert len(stock_shelf(visitor.store, KNOWLEDGE, but_tube=page.tube.id).tubes) == 1
    assert visitor.post("/donor/keep", job=str(job), w_neck_mm="wide").status_code == 422


def test_a_reserved_tube_is_left_out_for_others_and_named(visitor: Visitor, job: int) -> None:
    other = visitor.open_job("Another", tube_label="X1")
    item = next(one for one in visitor.store.all_items() if one.quantity)
    visitor.store.reserve(other, item.id)
    assert "No free tube lies on the shelf; reserved: M46QAA02X01" in plain(visitor.get(f"/donor?job={job}"))
    assert "donor-1" in visitor.get(f"/donor?job={other}").text


def test_a_tube_of_the_records_on_the_shelf_counts_without_an_entry_in_stock(visitor: Visitor) -> None:
    visitor.post("/tubes/new", label="M46QAA09X01", gun="delta")
    job = visitor.open_job(tube_label="M46QAA01X01")
    page = visitor.store.job(job)
    assert page.tube is not None
    visitor.store.edit_tube(page.tube.id, {"label": "M46QAA01X01", "gun": "inline"}, version=page.tube.version)
    said = plain(visitor.get(f"/donor?job={job}"))
    assert "M46QAA09X01" in said
    assert "never fits" in said


def test_where_a_single_tube_would_fit(visitor: Visitor, job: int) -> None:
    item = next(one for one in visitor.store.all_items() if one.quantity)
    said = plain(visitor.get(f"/donor?donor={item.code}"))
    assert "Where M46QAA02X01 would fit" in said
    assert "Pier arcade, machine 7" in said
    assert visitor.get("/donor?donor=ZZZZ").status_code == 404


def test_tube_and_verdict_lead_here(visitor: Visitor, job: int) -> None:
    page = visitor.store.job(job)
    assert page.tube is not None
    assert f'href="/donor?tube={page.tube.id}"' in visitor.get(f"/tubes/{page.tube.id}").text
    assert visitor.get(f"/donor?tube={page.tube.id}").status_code == 200
    visitor.post(f"/jobs/{job}/verdict")
    assert f'href="/donor?job={job}"' in visitor.get(f"/jobs/{job}/verdict").text
    assert 'href="/donor"' in visitor.get("/stock").text


def test_a_label_that_fits_no_form_is_said_so(visitor: Visitor) -> None:
    visitor.post("/tubes/new", label="HELLO")
    tube = visitor.store.tubes().rows[0].id
    assert "It fits no registered form" in plain(visitor.get(f"/tubes/{tube}"))
