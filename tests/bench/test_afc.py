"""The page of the AFC loop: filled from a profile or a measurement, faults at their fields, the drawing in words."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Callable
from html import unescape
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlencode

import pytest

from bench.benches import Visitor
from bench.browsing import Fields
from bench.pictured import add_measurement
from bench.test_browser import DESKTOP, PHONE, address, breaches, open_page
from tubewright.knowledge.chassis import Chassis, LoopParts

if TYPE_CHECKING:
    from playwright.sync_api import Page

__all__ = ["address", "open_page"]  # fixtures

PARTS: Final = {
    "detector_v_per_rad": "2",
    "series_ohm": "10k",
    "damping_ohm": "1k",
    "capacitor_uf": "1 µF",
    "oscillator_hz_per_v": "300",
    "free_run_error_hz": "90",
    "timing": "262p",
    "kind": "no-serrations",
}
PROFILE: Final = Chassis(
    id="larkspur-19",
    name="Larkspur L19",
    scan_khz=15.7,
    field_hz=60.0,
    mains_hz=60.0,
    picture_width_mm=365.0,
    picture_height_mm=272.0,
    afc=LoopParts(
        detector_v_per_rad=2.0,
        series_ohm=10e3,
        damping_ohm=1000.0,
        capacitor_uf=0.47,
        shunt_nf=4.7,
        oscillator_hz_per_v=300.0,
        free_run_error_hz=-60.0,
    ),
)


def asking(work: str, **more: str) -> str:
    return "/reckon/afc?" + urlencode({"work": work, **PARTS, **more})


@pytest.fixture
def with_profile(visitor: Visitor) -> Visitor:
    bench = visitor.app.state.bench
    bench.knowledge = dataclasses.replace(bench.knowledge, chassis={PROFILE.id: PROFILE})
    return visitor


def test_the_empty_form_labels_its_fields_and_asks_for_nothing(visitor: Visitor) -> None:
    answer = visitor.get("/reckon/afc")
    assert answer.status_code == 200
    fields = Fields(answer.text)
    for name, field in fields.inputs.items():
        if field.get("type") not in {"hidden", "checkbox"}:
            assert field.get("id") in fields.labels, name
    assert "Nothing asked yet" in answer.text


def test_the_calculators_lead_here(visitor: Visitor) -> None:
    assert 'href="/reckon/afc"' in visitor.get("/reckon").text


def test_a_prediction_shows_cautions_before_the_answer_and_the_drawing_in_words(visitor: Visitor) -> None:
    answer = visitor.get(asking("predict"))
    assert answer.status_code == 200
    text = unescape(answer.text)
    assert text.index("Before you reach in") < text.index('id="answer"')
    assert text.index("Make sure of this first") < text.index("The first visible line lies")
    assert re.search(r'<img src="[^"]*" alt="Sideways displacement of each line[^"]*As it is: The first visible', text)
    assert "Feed line and field sync separately" in text
    assert 'value="10k"' in text  # what was typed stays


def test_the_drawing_is_served_once(visitor: Visitor) -> None:
    source = re.search(r'<img src="([^"]+)"', visitor.get(asking("what_if", to_capacitor_uf="0.47uF")).text)
    assert source is not None
    drawn = visitor.get(unescape(source[1]))
    assert drawn.headers["content-type"].startswith("image/svg+xml")
    assert "changed" in drawn.text
    assert visitor.get(unescape(source[1]), headers={"if-none-match": drawn.headers["etag"]}).status_code == 304


@pytest.mark.parametrize("name", ["x", "e30=", "d29yaz1wcmVkaWN0", "%F0%9F%98%80", "A" * 9000])
def test_a_drawing_that_there_is_not_is_said_to_be_missing(visitor: Visitor, name: str) -> None:
    assert visitor.get(f"/reckon/afc/drawing/{name}.svg").status_code == 404


def test_what_if_stands_side_by_side(visitor: Visitor) -> None:
    text = unescape(visitor.get(asking("what_if", to_capacitor_uf="0.47 µF", to_damping_ohm="3k3")).text)
    assert "With loop capacitor 0.47 uF, damping resistor 3.3 kohm" in text
    assert re.search(r"as it is.*changed", text, re.DOTALL)


def test_no_part_is_proposed_before_sync_was_tried(visitor: Visitor) -> None:
    bent = {"free_run_error_hz": "250", "vertical_lines": "6"}
    assert "No part is to be changed yet" in visitor.get(asking("best", **bent)).text
    stock = {"stock_damping_ohm": "1k5", "stock_capacitor_uf": "0.68uF"}
    tried = visitor.get(asking("best", sync_tried="yes", **bent, **stock)).text
    assert "Best single change: damping resistor 1.5 kohm" in tried


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"series_ohm": "0"}, "series_ohm"),
        ({"capacitor_uf": ""}, "capacitor_uf"),
        ({"capacitor_uf": "0.47"}, "capacitor_uf"),
        ({"free_run_error_hz": "5000"}, "free_run_error_hz"),
        ({"timing": "626"}, "timing"),
        ({"kind": "none"}, "kind"),
        ({"vertical_lines": "90"}, "vertical_lines"),
        ({"picture_width_mm": "wide"}, "picture_width_mm"),
        ({"mains_hz": "0"}, "mains_hz"),
        ({"chassis": "nowhere"}, "chassis"),
        ({"characteristic": "square"}, "characteristic"),
    ],
)
def test_a_fault_is_shown_and_what_was_typed_stays(visitor: Visitor, more: dict[str, str], field: str) -> None:
    answer = visitor.get(asking("predict", **more))
    assert answer.status_code == 422
    assert "needs mending" in answer.text
    if field not in {"timing", "chassis"}:
        assert f'id="{field}-wrong"' in answer.text
    assert 'value="1k"' in answer.text


def test_all_faults_are_shown_together(visitor: Visitor) -> None:
    text = visitor.get(asking("predict", series_ohm="x", damping_ohm="y", picture_width_mm="z")).text
    assert "3 things need mending" in text


def test_a_change_and_a_stock_that_make_no_sense_are_named(visitor: Visitor) -> None:
    assert 'id="to_capacitor_uf-wrong"' in visitor.get(asking("what_if", to_capacitor_uf="small")).text
    assert visitor.get(asking("what_if")).status_code == 422
    assert visitor.get(asking("best", stock_capacitor_uf="few")).status_code == 422


def test_three_readings_lead_back_to_the_loop(visitor: Visitor) -> None:
    ruler = {"line_1": "0", "mm_1": "4", "line_2": "12", "mm_2": "2.4", "line_3": "40", "mm_3": "-0.4"}
    text = unescape(visitor.get("/reckon/afc?" + urlencode({"work": "curl", "timing": "262p", **ruler})).text)
    assert "natural frequency of" in text
    assert "can't be told apart" in text
    assert "likeliest off" in unescape(visitor.get(asking("curl", **ruler)).text)
    assert visitor.get(asking("curl", **{**ruler, "mm_3": ""})).status_code == 422


def test_a_profile_fills_the_form(with_profile: Visitor) -> None:
    text = unescape(with_profile.get("/reckon/afc?chassis=larkspur-19").text)
    assert "Filled from the profile “Larkspur L19”" in text
    values = {name: field.get("value") for name, field in Fields(text).inputs.items()}
    assert (values["capacitor_uf"], values["series_ohm"], values["free_run_error_hz"]) == ("0.47 uF", "10 kohm", "-60")
    assert values["picture_width_mm"] == "365"
    sent = {
        name: value
        for name, value in values.items()
        if value and not name.startswith(("gated", "takes", "mid", "sync"))
    }
    answered = with_profile.get("/reckon/afc?" + urlencode({**sent, "kind": "no-serrations", "work": "predict"}))
    assert answered.status_code == 200
    assert "525-60, flat field pulse" in answered.text


def test_a_profile_alone_is_enough_to_ask(with_profile: Visitor) -> None:
    answer = with_profile.get("/reckon/afc?chassis=larkspur-19&work=predict&kind=no-serrations")
    assert answer.status_code == 200
    assert "525-60, flat field pulse" in answer.text
    emptied = with_profile.get("/reckon/afc?chassis=larkspur-19&work=predict&capacitor_uf=")
    assert 'id="capacitor_uf-wrong"' in emptied.text


def test_a_measurement_gives_its_curl(visitor: Visitor) -> None:
    job = visitor.open_job()
    record = add_measurement(visitor.store, job)
    link = f"/reckon/afc?measurement={record.id}"
    assert f'href="{link}"' in visitor.get(f"/jobs/{job}/measurements/{record.id}").text
    text = visitor.get(link).text
    assert f"The curl of measurement {record.id} is used" in text
    answer = visitor.get(f"/reckon/afc?measurement={record.id}&work=curl")
    assert answer.status_code == 200
    assert "natural frequency of" in answer.text
    assert visitor.get("/reckon/afc?measurement=999&work=curl").status_code == 404
    assert visitor.get("/reckon/afc?measurement=x&work=curl").status_code == 404


@pytest.mark.browser
@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize("device", [DESKTOP, PHONE], ids=["desk", "phone"])
def test_the_page_can_be_used_by_everybody(
    open_page: Callable[..., Page],
    address: str,
    scheme: str,
    device: dict[str, Any],
) -> None:
    page = open_page(**device, color_scheme=scheme)
    paths = ["/reckon/afc", asking("what_if", to_capacitor_uf="0.47uF"), asking("predict", series_ohm="0")]
    found = breaches(page, address, paths)
    assert not found, "\n".join(found)
    wide = page.evaluate("document.documentElement.scrollWidth - document.documentElement.clientWidth")
    assert wide <= 0, "the page runs off the side"


@pytest.mark.browser
def test_it_can_be_asked_by_keyboard_and_without_script(open_page: Callable[..., Page], address: str) -> None:
    page = open_page(**PHONE, java_script_enabled=False)
    page.goto(address + "/reckon/afc")
    for name, value in PARTS.items():
        if name in {"timing", "kind"}:
            page.select_option(f"#{name}", value)
        else:
            page.fill(f"#{name}", value)
    page.focus("#to_capacitor_uf")
    page.keyboard.type("0.68uF")
    page.press('button[value="what_if"]', "Enter")
    page.wait_for_selector("text=With loop capacitor 0.68 uF")
    page.locator("#answer img").first.wait_for(state="visible")
