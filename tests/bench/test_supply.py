"""The pages of supply and anode: answers, faults at their fields, refusals, profiles, and use by everybody."""

from __future__ import annotations

import dataclasses
import re
from html import unescape
from typing import TYPE_CHECKING
from urllib.parse import urlencode

import pytest

from bench.benches import Visitor
from bench.browsing import Fields
from chassis_made_up import LARKSPUR
from tubewright.knowledge.load import load_knowledge

if TYPE_CHECKING:
    from playwright.sync_api import Browser

SUPPLY = {
    "rectifier": "bridge",
    "secondary": "115 V",
    "hz": "50",
    "source_ohm": "2",
    "reservoir": "220uF",
    "load": "600 mA",
}
STAGE = {"bplus": "107", "eht": "21.4", "line": "15.734", "retrace": "11", "tuning": "6.8"}


@pytest.fixture
def profiled(visitor: Visitor) -> Visitor:
    bench = visitor.app.state.bench
    bench.knowledge = dataclasses.replace(load_knowledge(), chassis={LARKSPUR.id: LARKSPUR})
    return visitor


def asked(visitor: Visitor, path: str, **fields: str) -> str:
    answer = visitor.get(f"{path}?{urlencode(fields)}")
    assert answer.status_code == 200, answer.text
    return unescape(answer.text)


def asked_in_vain(visitor: Visitor, path: str, **fields: str) -> str:
    answer = visitor.get(f"{path}?{urlencode(fields)}")
    assert answer.status_code == 422, answer.text
    return unescape(answer.text)


def test_the_empty_pages_begin_with_the_cautions(visitor: Visitor) -> None:
    for path in ("/reckon/supply", "/reckon/anode"):
        page = asked(visitor, path)
        assert page.index("Local codes and licensed-electrician rules") < page.index('<form method="get"')
        fields = Fields(page)
        typed = {name for name, marks in fields.inputs.items() if marks.get("type") != "hidden"}
        assert {marks["id"] for name, marks in fields.inputs.items() if name in typed} <= fields.labels
        assert "Answer</h2>" not in page


def test_ripple_is_reckoned_and_drawn(visitor: Visitor) -> None:
    page = asked(visitor, "/reckon/supply", work="ripple", width="360", field="50.1", new_reservoir="330u", **SUPPLY)
    assert "Ripple 21.1 V peak to peak at 100 Hz" in page
    assert "After the change: ripple 14.3 V" in page
    assert "2 bars, moving down, 10 s from edge to edge" in page
    drawing = re.search(r'src="(/reckon/supply/drawn/[^"]+)"', page)
    assert drawing is not None
    drawn = visitor.get(drawing[1])
    assert drawn.status_code == 200
    assert drawn.headers["content-type"].startswith("image/svg+xml")
    # What was typed stands in the form again.
    assert Fields(page).inputs["secondary"]["value"] == "115 V"


def test_each_question_has_its_answer(visitor: Visitor) -> None:
    assert "For 12 V of ripple: 680 µF, 200 V." in asked(
        visitor, "/reckon/supply", work="filter", wanted="12", **SUPPLY
    )
    room = asked(visitor, "/reckon/supply", work="headroom", output="130", dropout="3", mains="230", **SUPPLY)
    assert "ripple through at low mains" in room
    seen = asked(visitor, "/reckon/supply", work="hum", field="60.6", hz="60", bars="1", seconds="1.7")
    assert "The bars come at mains rate." in seen
    held = asked(visitor, "/reckon/anode", work="anode", capacitance="2", charged="25", drain="10M")
    assert "0.625 J" in held
    assert "drain it again, prove it again" in held
    raised = asked(visitor, "/reckon/anode", work="eht", limit="27.5", new_bplus="120", **STAGE)
    assert "This raises the anode voltage, within its rating" in raised
    assert "0.5 mR/h" in raised


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"limit": "27.5", "new_bplus": "140"}, "beyond its rating of 27.5 kV"),
        ({"new_bplus": "120"}, "its rating isn't known"),
        ({"limit": "27.5", "new_tuning": "6.1"}, "is replaced like for like"),
    ],
)
def test_the_guard_refuses_on_the_page(visitor: Visitor, fields: dict[str, str], said: str) -> None:
    page = asked_in_vain(visitor, "/reckon/anode", work="eht", **STAGE, **fields)
    assert "Refused</h2>" in page
    assert said in page
    assert "Answer</h2>" not in page


def test_a_fault_stands_at_its_field(visitor: Visitor) -> None:
    page = asked_in_vain(visitor, "/reckon/supply", work="ripple", **{**SUPPLY, "reservoir": "big", "hz": ""})
    fields = Fields(page).inputs
    assert fields["reservoir"]["aria-invalid"] == "true"
    assert fields["hz"]["aria-invalid"] == "true"
    assert "“big” is not a capacitance" in page
    charge = asked_in_vain(visitor, "/reckon/anode", work="anode", capacitance="2", charged="250")
    assert Fields(charge).inputs["charged"]["aria-invalid"] == "true"


def test_a_profile_fills_the_fields_and_what_is_typed_wins(profiled: Visitor) -> None:
    fields = Fields(asked(profiled, "/reckon/supply", chassis="larkspur_19")).inputs
    assert (fields["secondary"]["value"], fields["reservoir"]["value"]) == ("115 V", "330 uF")
    assert (fields["output"]["value"], fields["width"]["value"]) == ("120 V", "360 mm")
    assert fields["chassis"]["value"] == "larkspur_19"
    page = asked(profiled, "/reckon/supply", work="ripple", chassis="larkspur_19", reservoir="100uF")
    assert Fields(page).inputs["reservoir"]["value"] == "100uF"
    assert "Answer</h2>" in page
    # A field that was emptied stays empty.
    assert Fields(asked(profiled, "/reckon/supply", chassis="larkspur_19", esr="")).inputs["esr"]["value"] == ""


def test_what_must_be_measured_is_never_filled(profiled: Visitor) -> None:
    fields = Fields(asked(profiled, "/reckon/anode", chassis="larkspur_19")).inputs
    assert [fields[name]["value"] for name in ("bplus", "eht", "retrace", "tuning")] == ["", "", "", ""]
    assert fields["limit"]["value"] == "27.5 kV"
    assert fields["design_bplus"]["value"] == "120 V"


def test_an_unknown_profile_is_said_with_the_nearest(profiled: Visitor) -> None:
    page = asked_in_vain(profiled, "/reckon/supply", chassis="larkspur")
    assert "there is no chassis profile “larkspur”".lower() in page.lower()
    assert "larkspur_19" in page


@pytest.mark.parametrize(
    "packed", ["x", "%E2%82%AC", "d29yaz1oZWF0ZXI", "d29yaz1yaXBwbGU", "d29yaz1odW0maHo9NTAmZmllbGQ9NTA"]
)
def test_a_drawing_that_is_none_is_not_found(visitor: Visitor, packed: str) -> None:
    assert visitor.get(f"/reckon/supply/drawn/{packed}.svg").status_code == 404


def test_markup_in_a_field_stays_text(visitor: Visitor) -> None:
    answer = visitor.get("/reckon/supply?" + urlencode({"work": "ripple", "hz": "<script>alert(1)</script>"}))
    assert "<script>alert" not in answer.text


@pytest.mark.browser
def test_the_pages_can_be_used_by_everybody_on_a_phone(browser: Browser, profiled: Visitor) -> None:
    from axe_playwright_python.sync_playwright import Axe

    from bench.test_browser import PHONE, served

    with served(profiled.app) as url:
        for theme in ("light", "dark"):
            context = browser.new_context(**PHONE, color_scheme=theme, java_script_enabled=True)
            page = context.new_page()
            for path in (
                "/reckon/supply?chassis=larkspur_19&work=ripple",
                "/reckon/anode?" + urlencode({"work": "eht", "limit": "27.5", "new_bplus": "140", **STAGE}),
                "/reckon/supply?work=ripple&hz=x",
            ):
                page.goto(url + path)
                width = page.evaluate("document.documentElement.scrollWidth")
                assert width <= 390, path
                found = Axe().run(page)
                assert found.violations_count == 0, found.generate_report()
            context.close()
        plain = browser.new_context(**PHONE, java_script_enabled=False)
        page = plain.new_page()
        page.goto(url + "/reckon/supply?chassis=larkspur_19")
        page.fill("#bars", "2")
        page.fill("#seconds", "20")
        page.get_by_role("button", name="Reckon the bars").click()
        assert "The bars come at twice mains rate." in page.inner_text("#found")
        page.get_by_role("button", name="Reckon the ripple").click()
        page.wait_for_selector("#found img")
        page.wait_for_load_state("load")
        assert page.locator("#found img").evaluate("(image) => image.naturalWidth") > 100
        plain.close()
