"""Patterns on the bench: the list, the files, and the page that shows one and nothing else, in a real browser."""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterator
from itertools import pairwise
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

import cv2
import numpy as np
import pytest
from numpy.typing import NDArray
from PIL import Image

from bench.benches import Visitor, new_store
from bench.test_browser import served
from tubewright.bench.routes import patterns
from tubewright.knowledge.load import load_knowledge
from tubewright.picture.patterns.catalogue import CATALOGUE, Drawing
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.rasters import library
from tubewright.picture.patterns.trade_levels import SHAPES

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

NAME = "arcade-15k-320x240"
NAMES = list(CATALOGUE)


def offered(visitor: Visitor) -> Visitor:
    """The bench with the pages of this module."""
    if not any(getattr(route, "path", "") == "/patterns" for route in visitor.app.routes):
        visitor.app.include_router(patterns.router)
    return visitor


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory, empty: Path) -> Iterator[Visitor]:
    """One bench for all: these pages store nothing."""
    with new_store(tmp_path_factory.mktemp("bench"), empty) as store:
        yield offered(Visitor(store))


def raster_of(name: str = NAME) -> Raster:
    return library(load_knowledge().rasters.values())[name]


def pixels_of(data: bytes) -> NDArray[np.uint8]:
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"))


# --- without a browser ----------------------------------------------------------------


def test_the_list_shows_every_pattern_with_what_it_is_for(bench: Visitor) -> None:
    answer = bench.get("/patterns")
    assert answer.status_code == 200
    for name, pattern in CATALOGUE.items():
        assert f"/patterns/{name}/full?" in answer.text
        assert pattern.title in answer.text
    # A display that is fed wrongly, a room that flashes: told before the first link to a pattern.
    caution = load_knowledge().cautions["line_rate"].text
    assert answer.text.index(caution) < answer.text.index("/full?")
    assert answer.text.index("flashes half the screen") < answer.text.index("/full?")


@pytest.mark.parametrize("name", NAMES)
def test_a_picture_is_the_pattern_at_the_exact_raster(bench: Visitor, name: str) -> None:
    answer = bench.get(f"/patterns/{name}/picture.png?raster={NAME}")
    assert answer.headers["content-type"] == "image/png"
    assert (pixels_of(answer.content) == CATALOGUE[name].frames(raster_of())[0]).all()
    assert answer.headers["content-disposition"] == f'attachment; filename="{name}-{NAME}.png"'


def test_what_the_form_asks_for_is_drawn_and_carried_along(bench: Visitor) -> None:
    raster = "dmt-640x480-60"
    asked = f"raster={raster}&shape=3:4&guns=red_green&level=20&dark=15"
    listed = bench.get(f"/patterns?{asked.replace(':', '%3A')}").text
    assert f"/patterns/grey/full?{asked.replace('&', '&amp;')}" in listed
    seen = pixels_of(bench.get(f"/patterns/grey/picture.png?{asked}").content)
    wanted = Drawing(shape="3:4", guns="red_green", level_pct=20)
    assert (seen == CATALOGUE["grey"].frames(raster_of(raster), wanted)[0]).all()
    full = bench.get(f"/patterns/grey/full?{asked}").text
    assert 'data-dark-ms="900000"' in full
    assert 'data-across="3" data-down="4"' in full


def test_the_second_picture_of_a_moving_pattern_can_be_had(bench: Visitor) -> None:
    first, second = (bench.get(f"/patterns/load/picture.png?raster={NAME}&frame={n}").content for n in (0, 1))
    frames = CATALOGUE["load"].frames(raster_of())
    assert (pixels_of(first) == frames[0]).all()
    assert (pixels_of(second) == frames[1]).all()
    for odd in ("9", "-1", "x", "²", "9" * 50):
        assert bench.get(f"/patterns/load/picture.png?raster={NAME}&frame={odd}").status_code == 200


def test_loop_and_video_come_true_to_the_dot(bench: Visitor, tmp_path: Path) -> None:
    frames = CATALOGUE["load"].frames(raster_of())
    loop = Image.open(io.BytesIO(bench.get(f"/patterns/load/loop.apng?raster={NAME}").content))
    loop.seek(1)
    assert (np.asarray(loop.convert("RGB")) == frames[1]).all()
    answer = bench.get(f"/patterns/load/video.mkv?raster={NAME}")
    assert answer.headers["content-type"] == "video/matroska"
    (tmp_path / "v.mkv").write_bytes(answer.content)
    video = cv2.VideoCapture(str(tmp_path / "v.mkv"))
    read, seen = video.read()
    video.release()
    assert read
    assert (np.asarray(seen)[..., ::-1] == frames[0]).all()


def test_a_picture_that_the_browser_has_is_not_sent_again(bench: Visitor) -> None:
    path = f"/patterns/dots/picture.png?raster={NAME}"
    mark = bench.get(path).headers["etag"]
    assert bench.get(path, {"if-none-match": mark}).status_code == 304
    assert bench.get(path + "&guns=red").headers["etag"] != mark


@pytest.mark.parametrize("paper", ["a4", "letter"])
def test_the_sheet_of_tags_can_be_taken_away(bench: Visitor, paper: str) -> None:
    answer = bench.get(f"/patterns/tags/{paper}.pdf")
    assert answer.content.startswith(b"%PDF")
    assert answer.headers["content-disposition"] == f'attachment; filename="tags-{paper}.pdf"'


@pytest.mark.parametrize(
    ("path", "status"),
    [
        ("/patterns/nothing/full", 404),
        ("/patterns/nothing/picture.png", 404),
        ("/patterns/dots/picture.jpg", 404),
        ("/patterns/tags/a3.pdf", 404),
        ("/patterns?raster=arcade", 422),
        ("/patterns?raster=%00%ff", 422),
        ("/patterns?guns=pink", 422),
        ("/patterns?shape=2:1", 422),
        ("/patterns?level=200", 422),
        ("/patterns?level=nan", 422),
        ("/patterns/dots/full?level=", 200),
        ("/patterns?dark=0", 200),
    ],
)
def test_an_address_that_does_not_fit_gets_a_page_that_says_so(bench: Visitor, path: str, status: int) -> None:
    answer = bench.get(path)
    assert answer.status_code == status
    assert answer.headers["content-type"].startswith("text/html")


def test_the_full_page_has_no_script_or_style_within_and_nothing_from_outside(bench: Visitor) -> None:
    text = bench.get(f"/patterns/crosshatch/full?raster={NAME}").text
    assert not re.search(r"<script(?![^>]*\bsrc=)|\bstyle=|\bon[a-z]+=|<style", text)
    assert not re.search(r"(src|href)=\"(?!/)", text)


# --- in a real browser ------------------------------------------------------------------


@pytest.fixture(scope="module")
def address(bench: Visitor) -> Iterator[str]:
    with served(bench.app) as url:
        yield url


@pytest.fixture
def screen(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Opens pages on a screen of a given size; what went wrong in them is checked at the end."""
    contexts: list[BrowserContext] = []
    wrong: list[str] = []

    def opened(width: int, height: int, dots: float = 1, **settings: Any) -> Page:  # noqa: ANN401 - the browser's own settings
        context = browser.new_context(viewport={"width": width, "height": height}, device_scale_factor=dots, **settings)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(30_000)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda said: wrong.append(said.text) if "Content Security Policy" in said.text else None)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert not wrong


def go_to(page: Page, address: str, name: str, raster: str = NAME, more: str = "") -> None:
    page.goto(f"{address}/patterns/{name}/full?raster={raster}{more}")
    page.wait_for_selector("#stage canvas")
    page.wait_for_selector("#notice:not(.away)")


def quiet(page: Page) -> None:
    """Send the notice away and wait until it has faded."""
    if page.locator("#notice.away").count() == 0:
        page.keyboard.press("i")
    page.wait_for_function(HIDDEN)


HIDDEN = "() => getComputedStyle(document.getElementById('notice')).visibility === 'hidden'"

HIDDEN_ONES = "() => [...document.querySelectorAll('#stage canvas')].map((i) => +i.hidden).join('')"
"""A 1 for each of the pattern's pictures that isn't shown."""


def seen(page: Page) -> NDArray[np.uint8]:
    quiet(page)
    return pixels_of(page.screenshot(scale="device"))


def now(page: Page) -> str:
    found = re.search(r"/patterns/([a-z0-9_]+)/full", page.url)
    assert found
    return found[1]


def step_to(page: Page, name: str) -> None:
    page.keyboard.type(f"{NAMES.index(name) + 1:02d}")
    wait_for(page, name)


def wait_for(page: Page, name: str) -> None:
    page.wait_for_url(f"**/patterns/{name}/full?*")


@pytest.mark.browser
def test_a_screen_of_the_raster_shows_every_dot_and_nothing_else(screen: Callable[..., Page], address: str) -> None:
    page = screen(320, 240)
    go_to(page, address, "crosshatch")
    assert page.text_content("#size") == ""
    assert page.evaluate("getComputedStyle(document.getElementById('stage')).cursor") == "none"
    for name in ("crosshatch", "centre", "multiburst", "survey"):
        step_to(page, name)
        assert (seen(page) == CATALOGUE[name].frames(raster_of())[0]).all(), name


@pytest.mark.browser
@pytest.mark.parametrize("dots", [1, 2])
def test_a_multiple_of_the_raster_is_shown_in_whole_dots(screen: Callable[..., Page], address: str, dots: int) -> None:
    page = screen(1280 // dots, 720 // dots, dots)
    go_to(page, address, "crosshatch")
    drawn = CATALOGUE["crosshatch"].frames(raster_of())[0]
    for across, down in ((4, 3), (2, 2), (2, 4), (6, 4)):
        page.set_viewport_size({"width": 320 * across // dots, "height": 240 * down // dots})
        page.wait_for_function(f"() => document.getElementById('size').textContent.includes('{across} by {down} dots')")
        assert (seen(page) == drawn.repeat(down, axis=0).repeat(across, axis=1)).all()


@pytest.mark.browser
def test_any_other_screen_is_told_that_it_is_scaled_and_keeps_the_shape(
    screen: Callable[..., Page], address: str
) -> None:
    page = screen(1000, 600)
    go_to(page, address, "white")
    assert "1000 by 600" in page.inner_text("#size")
    lit = seen(page).min(axis=2) > 128
    rows, columns = np.flatnonzero(lit.any(axis=1)), np.flatnonzero(lit.any(axis=0))
    across, down = SHAPES["4:3"]
    assert (columns[-1] - columns[0] + 1) / (rows[-1] - rows[0] + 1) == pytest.approx(across / down, rel=0.01)
    assert abs(columns[0] + columns[-1] - 999) <= 1, "in the middle"
    # Resized to a fitting size, the notice goes and the dots are true.
    page.set_viewport_size({"width": 640, "height": 480})
    page.wait_for_function("() => document.getElementById('size').textContent.startsWith('Each dot')")


@pytest.mark.browser
def test_the_keyboard_steps_through_the_patterns_without_leaving_the_page(
    screen: Callable[..., Page], address: str
) -> None:
    page = screen(320, 240)
    go_to(page, address, NAMES[0])
    page.evaluate("window.stayed = true")
    for key, name in (
        ("ArrowRight", NAMES[1]),
        ("ArrowDown", NAMES[2]),
        ("ArrowLeft", NAMES[1]),
        ("Home", NAMES[0]),
        ("ArrowUp", NAMES[-1]),
        ("PageDown", NAMES[0]),
        ("End", NAMES[-1]),
        ("5", NAMES[4]),
        ("3", NAMES[2]),
    ):
        page.keyboard.press(key)
        wait_for(page, name)
        assert page.evaluate("window.stayed") is True
    page.keyboard.type("12")
    wait_for(page, NAMES[11])
    assert (seen(page) == CATALOGUE[NAMES[11]].frames(raster_of())[0]).all()
    assert page.title().startswith(CATALOGUE[NAMES[11]].title)
    page.keyboard.press("Escape")
    page.wait_for_url("**/patterns?raster=*")
    assert NAME in page.input_value("#raster")


@pytest.mark.browser
def test_a_touch_steps_at_the_sides_and_shows_the_way_back_in_the_middle(
    screen: Callable[..., Page], address: str
) -> None:
    page = screen(640, 480, has_touch=True)
    go_to(page, address, NAMES[3])
    quiet(page)
    page.touchscreen.tap(600, 100)
    wait_for(page, NAMES[4])
    page.touchscreen.tap(30, 100)
    wait_for(page, NAMES[3])
    quiet(page)
    page.touchscreen.tap(320, 100)
    page.wait_for_selector("#notice:not(.away)")
    page.locator("#back").tap()
    page.wait_for_url("**/patterns?raster=*")


@pytest.mark.browser
def test_f_fills_the_screen_and_stepping_stays_in_it(screen: Callable[..., Page], address: str) -> None:
    page = screen(320, 240)
    go_to(page, address, NAMES[0])
    page.keyboard.press("f")
    page.wait_for_function("() => document.fullscreenElement !== null")
    page.keyboard.press("ArrowRight")
    wait_for(page, NAMES[1])
    assert page.evaluate("document.fullscreenElement !== null")
    page.keyboard.press("f")
    page.wait_for_function("() => document.fullscreenElement === null")
    assert now(page) == NAMES[1], "left by the key, it stays on its pattern"
    page.keyboard.press("f")
    page.wait_for_function("() => document.fullscreenElement !== null")
    # Escape in a full screen is the browser's: it leaves, and we go back.
    page.evaluate("document.exitFullscreen()")
    page.wait_for_url("**/patterns?raster=*")


@pytest.mark.browser
def test_the_notice_fades_by_itself(screen: Callable[..., Page], address: str) -> None:
    page = screen(640, 480)
    page.clock.install()
    go_to(page, address, "crosshatch")
    assert "Escape" in page.inner_text("#notice")
    assert load_knowledge().cautions["line_rate"].text in page.inner_text("#notice")
    page.clock.run_for(6100)
    page.wait_for_selector("#notice.away", state="attached")
    page.keyboard.press("i")
    page.wait_for_selector("#notice:not(.away)")


@pytest.mark.browser
def test_the_load_change_takes_turns_slowly_and_can_be_stopped(screen: Callable[..., Page], address: str) -> None:
    page = screen(320, 240)
    page.clock.install()
    go_to(page, address, "load")
    assert "flashes" in page.inner_text("#mind")
    page.clock.pause_at(page.evaluate("Date.now()") / 1000 + 0.5)
    page.clock.run_for(2500)
    assert page.evaluate(HIDDEN_ONES) == "01", "the warning stands before anything flashes"
    page.clock.run_for(2000)
    seen_states: list[str] = []
    for _ in range(60):
        seen_states.append(page.evaluate(HIDDEN_ONES))
        page.clock.run_for(100)
    changes = sum(a != b for a, b in pairwise(seen_states))
    assert set(seen_states) == {"01", "10"}
    # Six seconds: a change each second, so a flash in two; three a second would be eighteen.
    assert 5 <= changes <= 6
    page.keyboard.press(" ")
    assert "stands still" in (page.text_content("#mind") or "")
    before = page.evaluate(HIDDEN_ONES)
    page.clock.run_for(5000)
    assert page.evaluate(HIDDEN_ONES) == before


@pytest.mark.browser
def test_who_asked_for_less_motion_gets_none_until_a_key(screen: Callable[..., Page], address: str) -> None:
    page = screen(320, 240, reduced_motion="reduce")
    page.clock.install()
    go_to(page, address, "load")
    page.clock.run_for(5000)
    assert page.evaluate(HIDDEN_ONES) == "01"
    assert "Space starts it" in (page.text_content("#mind") or "")


@pytest.mark.browser
def test_it_goes_dark_after_a_while_and_a_key_brings_it_back(screen: Callable[..., Page], address: str) -> None:
    page = screen(320, 240)
    page.clock.install()
    go_to(page, address, "white")
    assert "dark after 5 minutes" in page.inner_text("#notice")
    page.clock.run_for(4 * 60_000)
    assert page.locator("#veil").is_hidden()
    page.keyboard.press("i")  # a key starts the time anew
    page.clock.run_for(4 * 60_000)
    assert page.locator("#veil").is_hidden()
    page.clock.run_for(61_000)
    assert page.locator("#veil").is_visible()
    assert pixels_of(page.screenshot()).max() == 0
    page.keyboard.press("ArrowRight")
    assert page.locator("#veil").is_hidden()
    assert now(page) == "white", "the key that wakes does nothing else"
    page.keyboard.press("ArrowRight")
    wait_for(page, "red")


@pytest.mark.browser
def test_without_scripts_the_pattern_is_there_and_a_click_goes_on(screen: Callable[..., Page], address: str) -> None:
    page = screen(640, 480, java_script_enabled=False)
    page.goto(f"{address}/patterns/{NAMES[0]}/full?raster={NAME}")
    assert page.locator("#stage img").bounding_box() == {"x": 0, "y": 0, "width": 640, "height": 480}
    page.locator("#stage").click(position={"x": 10, "y": 10})
    assert urlsplit(page.url).path == f"/patterns/{NAMES[1]}/full"


@pytest.mark.browser
def test_both_pages_can_be_used_by_everybody(screen: Callable[..., Page], address: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = screen(1280, 900)
    for scheme, path in (
        ("light", f"/patterns?raster={NAME}"),
        ("dark", f"/patterns?raster={NAME}"),
        ("light", f"/patterns/crosshatch/full?raster={NAME}"),
    ):
        page.emulate_media(color_scheme=scheme)  # type: ignore[arg-type] # one of the two
        page.goto(address + path)
        page.wait_for_load_state("networkidle")
        found = [f"{v['id']}: {v['nodes'][0]['html'][:160]}" for v in Axe().run(page).response["violations"]]
        assert not found, path
    phone = screen(390, 844, 2, is_mobile=True, has_touch=True)
    phone.goto(f"{address}/patterns?raster={NAME}")
    assert phone.evaluate("document.documentElement.scrollWidth") <= 390
