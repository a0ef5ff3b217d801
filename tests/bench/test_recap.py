"""The pages of recap and source give what the command line gives; cautions first, faults told, nothing needs script."""

from __future__ import annotations

import csv
import html
import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest

from bench.benches import ORIGIN, Visitor
from tubewright.bench.app import create_app
from tubewright.knowledge.load import load_knowledge

if TYPE_CHECKING:
    from httpx2 import Response

EXAMPLE: Final = Path(__file__).parents[2] / "docs" / "examples" / "larkspur-19.csv"
CAUTIONS: Final = load_knowledge().cautions
PROFILE: Final = """
[[chassis]]
id = "larkspur-19"
name = "Larkspur L19"
scan_khz = 15.7
field_hz = 60
bplus_v = 118
tuning_nf = 8.2
source = "a good one"
[chassis.rails]
"24 V" = 24.3
[chassis.sync_input]
kind = "composite"
polarity = "negative"
level_high_v = 2.0
termination_ohm = 4700
video_v_pp = 3.0
video_termination_ohm = 1000
"""


@pytest.fixture
def profiled(visitor: Visitor, tmp_path: Path) -> Visitor:
    """The same bench with a chassis profile."""
    (tmp_path / "own.toml").write_text(PROFILE, encoding="utf-8")
    visitor.app.state.bench.knowledge = load_knowledge(tmp_path / "own.toml")
    return visitor


def send(visitor: Visitor, data: bytes | None = None, **fields: str) -> Response:
    """Send the list as the page's form does, with a file or without."""
    files = [("file", ("board.csv", data or b"") if data is not None else ("", b""))]
    return visitor.client.post(
        "/reckon/recap",
        data={**fields, "form_token": visitor.token()},
        files=files,
        headers={"origin": ORIGIN},
        follow_redirects=False,
    )


def plain(answer: Response) -> str:
    return " ".join(html.unescape(re.sub(r"<[^>]+>", " ", answer.text)).split())


def test_a_list_sent_as_a_file_gets_its_plan_cautions_first(visitor: Visitor) -> None:
    answer = send(visitor, EXAMPLE.read_bytes(), hours_per_week="20")
    assert answer.status_code == 200
    text = html.unescape(answer.text)
    assert text.index(CAUTIONS["local_rules"].text) < text.index(CAUTIONS["anode_charge"].confirm)
    assert text.index(CAUTIONS["anode_charge"].confirm) < text.index('id="found"') < text.index("Group 1: Mains")
    said = plain(answer)
    assert "18 capacitors: 1 to replace first" in said
    assert "C911 1 47 µF 50 V" in said
    assert "never alter" in said
    assert "maintenance, not diagnosis" in said


def test_a_typed_list_does_as_well_and_stays_in_its_field(visitor: Visitor) -> None:
    typed = EXAMPLE.read_text(encoding="utf-8")
    answer = send(visitor, board=typed, hours_per_week="20", blanket="on")
    assert answer.status_code == 200
    field = re.search(r'<textarea id="board"[^>]*>(.*?)</textarea>', answer.text, re.DOTALL)
    assert field is not None
    assert "C911;electrolytic;47uF" in html.unescape(field[1])
    assert re.search(r'id="blanket"[^>]* checked', answer.text)


def test_the_order_is_taken_away_as_the_page_promises(visitor: Visitor) -> None:
    page = send(visitor, EXAMPLE.read_bytes(), hours_per_week="20").text
    form = page.partition('action="/reckon/recap/order.csv"')[2].partition("</form>")[0]
    fields = {name: html.unescape(value) for name, value in re.findall(r'name="(\w+)" value="([^"]*)"', form)}
    answer = visitor.client.post("/reckon/recap/order.csv", data=fields, headers={"origin": ORIGIN})
    assert answer.status_code == 200
    assert answer.headers["content-disposition"] == 'attachment; filename="order.csv"'
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert {"C911", "C933 C934"} <= {row["refs"] for row in rows}
    assert "C401" not in answer.text


def test_a_line_with_a_mistake_is_named_and_the_others_stand(visitor: Visitor) -> None:
    answer = send(
        visitor, board="ref;kind;value;voltage;place;age\nC1;elko;100uF;25;rail;30\nC2;elko;1O0uF;25;rail;30\n"
    )
    assert answer.status_code == 200
    said = plain(answer)
    assert "list line 3, column value" in said
    assert "1 capacitor: 1 to replace with its group" in said


@pytest.mark.parametrize(
    ("fields", "words"),
    [
        ({}, "there is no list yet"),
        ({"board": "ref;voltage\nC1;25\n"}, "no heading says which column holds the value"),
        ({"board": "ref;value\nC1;100uF\n", "air": "hot"}, "is not a temperature"),
        ({"board": "ref;value\nC1;100uF\n", "chassis": "none"}, "no chassis profile is called"),
        ({"board": "ref;value\nC1;x\n"}, "is not a capacitance"),
    ],
)
def test_what_cannot_be_answered_is_told_and_kept(visitor: Visitor, fields: dict[str, str], words: str) -> None:
    answer = send(visitor, None, **fields)
    assert answer.status_code == 422
    assert words in plain(answer).lower()
    assert 'id="found"' not in answer.text
    assert html.escape(fields.get("board", "").strip())[:20] in answer.text


def test_a_file_that_is_no_list_or_too_large_is_told(visitor: Visitor) -> None:
    assert send(visitor, b"\x00\xff\x13" * 50).status_code == 422
    assert "larger than 1 MB" in plain(send(visitor, b"x" * 1_000_001))
    far = send(visitor, b"x" * 2_200_000)
    assert far.status_code == 413
    assert "part list" in far.text
    assert "photographs" not in far.text


def test_a_foreign_page_cannot_post_a_list(visitor: Visitor) -> None:
    answer = visitor.client.post(
        "/reckon/recap", data={"board": "ref;value\nC1;1uF\n"}, files=[("file", ("b.csv", b""))], headers={"origin": "http://x.example"}
    )  # fmt: skip
    assert answer.status_code == 403


def test_a_profile_fills_both_pages(profiled: Visitor) -> None:
    page = profiled.get("/reckon/recap?chassis=larkspur-19").text
    assert re.search(r'value="larkspur-19" selected', page)
    answer = send(profiled, EXAMPLE.read_bytes(), chassis="larkspur-19")
    assert "8.2 nF of retrace tuning" in plain(answer)
    source = profiled.get("/reckon/source?chassis=larkspur-19")
    assert "Filled from the profile “Larkspur L19”: line rate 15.7 kHz" in plain(source)
    fit = profiled.get("/reckon/source?work=fit&chassis=larkspur-19&levels=vsis&raster=dmt-640x480-60")
    assert "switch off now" in plain(fit)


def test_one_part_against_another(visitor: Visitor) -> None:
    query = "work=swap&place=rail&was=100uF+160V+electrolytic+85C&new=100uF+100V+low-esr+105C"
    answer = visitor.get(f"/reckon/recap?{query}")
    said = plain(answer)
    assert answer.status_code == 200
    assert "Don't fit it." in said
    assert "below that of the part that was, 160 V" in said
    assert visitor.get("/reckon/recap?work=swap&place=rail&was=1uF&new=wibble").status_code == 422


@pytest.mark.parametrize(
    ("query", "status", "words"),
    [
        ("", 200, "Does it fit?"),
        ("work=fit", 200, "Not everything is known"),
        ("work=fit&levels=vsis&raster=arcade-15k-320x240&made_for=game-board&display_khz=15.7", 200, "One XNOR gate"),
        ("work=fit&levels=vsis&line_khz=x", 422, "is not a line rate"),
        ("work=fit&levels=none", 422, "not one of the choices"),
        ("work=fit&line_khz=0", 422, "more than zero"),
        ("work=fit&chassis=none", 422, "no chassis profile is called"),
        ("work=pad&pad_level=1.4&pad_target=0.7", 200, "ohm in series"),
        ("work=pad&pad_level=0.7&pad_target=1", 422, "An amplifier is wanted"),
        ("work=pad", 422, "this is empty"),
        ("work=magic", 200, "Does it fit?"),
    ],
)
def test_the_page_of_sources(visitor: Visitor, query: str, status: int, words: str) -> None:
    answer = visitor.get(f"/reckon/source?{query}")
    assert answer.status_code == status
    assert words.lower() in plain(answer).lower()
    text = html.unescape(answer.text)
    caution = CAUTIONS["line_rate"]
    assert text.index(caution.text) < text.index(caution.confirm) < text.index("<form", text.index("<main"))


def test_nothing_typed_comes_back_as_markup(visitor: Visitor) -> None:
    nasty = "<script>alert(1)</script>"
    for answer in (
        send(visitor, board=f"ref;value;voltage\n{nasty};100uF;25\n", age="30"),
        send(visitor, board=f"ref;value;{nasty}\nC1;100uF;25\n"),
        visitor.get(f"/reckon/recap?work=swap&place=rail&was={nasty}&new=1uF"),
        visitor.get(f"/reckon/source?work=fit&line_khz={nasty}"),
    ):
        assert nasty not in answer.text


# --- in a real browser ---------------------------------------------------------------


@pytest.fixture
def address(store: Any) -> Iterator[str]:  # noqa: ANN401 - the shop's own store
    from bench.test_browser import served

    with served(create_app(store, load_knowledge())) as url:
        yield url


@pytest.fixture
def open_page(browser: Any) -> Iterator[Callable[[dict[str, Any]], Any]]:  # noqa: ANN401 - the driver's own types
    contexts = []

    def opened(settings: dict[str, Any]) -> Any:  # noqa: ANN401
        context = browser.new_context(**settings)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(30_000)
        return page

    yield opened
    for context in contexts:
        context.close()


PHONE: Final = {"viewport": {"width": 390, "height": 844}, "has_touch": True, "is_mobile": True}


@pytest.mark.browser
@pytest.mark.parametrize(("scheme", "script"), [("dark", True), ("light", False)])
def test_on_a_phone_in_both_themes_with_and_without_script(
    open_page: Callable[[dict[str, Any]], Any], address: str, scheme: str, script: bool
) -> None:
    page = open_page({**PHONE, "color_scheme": scheme, "java_script_enabled": script})
    page.goto(f"{address}/reckon/recap")
    page.set_input_files("#file", str(EXAMPLE))
    page.fill("#hours_per_week", "20")
    page.click("text=Make the list")
    page.wait_for_selector("#h-found")
    assert "C911" in page.inner_text("main")
    with page.expect_download() as loaded:
        page.click("text=Order as CSV")
    assert loaded.value.suggested_filename == "order.csv"
    pages = ["/reckon/source?work=fit&levels=vsis&raster=dmt-640x480-60&made_for=vsis&display_khz=15.7"]
    if not script:
        page.goto(f"{address}{pages[0]}")
        assert "switch off now" in page.inner_text("main")
        return
    from axe_playwright_python.sync_playwright import Axe

    # The pages as they open are looked at with all the others; here it is the answers.
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    found = Axe().run(page).response
    assert not [(one["id"], one["nodes"][0]["target"]) for one in found["violations"]]
