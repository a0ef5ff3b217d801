"""The bench in a real browser: by keyboard alone, on a phone, in both themes, with nothing from outside."""

from __future__ import annotations

import contextlib
import re
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

import pytest
import uvicorn

from bench.benches import Visitor, new_store
from bench.browsing import GRID, every_page, full_job
from tubewright.records.store import Store

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page

pytestmark = pytest.mark.browser

PHONE: Final[dict[str, Any]] = {
    "viewport": {"width": 390, "height": 844},
    "has_touch": True,
    "is_mobile": True,
    "device_scale_factor": 2,
}
DESKTOP: Final[dict[str, Any]] = {"viewport": {"width": 1280, "height": 900}}


@contextlib.contextmanager
def served(app: Any) -> Iterator[str]:  # noqa: ANN401 - any ASGI application
    server = uvicorn.Server(
        uvicorn.Config(app, host="127.0.0.1", port=0, log_level="warning", lifespan="off", ws="none")
    )
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
    try:
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(5)


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Opens pages that remember what they asked for and what went wrong; both are checked at the end."""
    contexts: list[BrowserContext] = []
    asked: list[str] = []
    wrong: list[str] = []

    def opened(**settings: Any) -> Page:  # noqa: ANN401 - the browser's own settings
        context = browser.new_context(**settings)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(30_000)
        page.on("request", lambda request: asked.append(request.url))
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda said: wrong.append(said.text) if "Content Security Policy" in said.text else None)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert {urlsplit(url).hostname for url in asked if not url.startswith("data:")} <= {"127.0.0.1"}
    assert not wrong


@pytest.fixture
def address(visitor: Visitor) -> Iterator[str]:
    with served(visitor.app) as url:
        yield url


@pytest.fixture(scope="module")
def filled(tmp_path_factory: pytest.TempPathFactory, empty: Path) -> Iterator[tuple[str, Visitor]]:
    """A shop with one full job, shared by the tests that only look."""
    with new_store(tmp_path_factory.mktemp("filled"), empty) as store:
        visitor = Visitor(store)
        full_job(visitor)
        with served(visitor.app) as url:
            yield url, visitor


def tab_to(page: Page, what: str, *, most: int = 120) -> None:
    """Press Tab until the element is reached."""
    for _ in range(most):
        page.keyboard.press("Tab")
        if page.evaluate("(s) => document.activeElement?.matches(s) ?? false", what):
            return
    raise AssertionError(f"the Tab key does not reach {what}")


def test_from_an_empty_shop_to_the_verdict_by_keyboard_alone(
    open_page: Callable[..., Page], address: str, store: Store
) -> None:
    page = open_page(**DESKTOP)
    page.goto(address)
    tab_to(page, "main a.button.main")
    page.keyboard.press("Enter")
    page.wait_for_selector("#label")
    tab_to(page, "#label")
    page.keyboard.type("Pier arcade, machine 7")
    tab_to(page, "#heater_v")
    page.keyboard.type("6,3 V")
    tab_to(page, "#keep_years")
    page.keyboard.type("5")
    page.keyboard.press("Control+Enter")
    page.wait_for_selector("#red_emission")
    # A fresh job begins with its cautions, then how the tube is read; Enter goes on into the grid and down the gun.
    assert "Before you reach in" in page.evaluate("document.activeElement.textContent")
    tab_to(page, "#instrument", most=2)
    page.keyboard.type("Grey box")
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "emission_unit"
    page.focus("#stage")
    tab_to(page, "#red_emission", most=2)
    for figure in ("340uA", "", "48", "2.2M", "", "", ""):
        page.keyboard.type(figure)
        page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "green_emission"
    for figure in ("760uA", "", "51", "", "", "", "", "720uA", "", "50", "", "", "", ""):
        page.keyboard.type(figure)
        page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.textContent") == "Save"
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Readings saved.")
    assert len(store.job(1).readings) == 7
    tab_to(page, "aside button.main")
    page.keyboard.press("Enter")
    page.wait_for_selector("#h-verdict")
    assert "Soak the red gun overnight" in page.inner_text("#h-verdict")
    assert page.locator("#s-next_steps").is_visible()


def test_the_same_on_a_phone_with_a_thumb(open_page: Callable[..., Page], address: str, store: Store) -> None:
    page = open_page(**PHONE)
    page.goto(address)
    page.tap("main a.button.main")
    page.fill("#label", "Ferry hall, left")
    button = page.locator("button:text-is('Put it on the bench')")
    box = button.bounding_box()
    assert box is not None
    assert box["y"] > 700, "the first thing to do is under the thumb"
    assert box["height"] >= 44
    button.tap()
    page.wait_for_selector("#red_emission")
    page.fill("#red_emission", "340uA")
    page.fill("#blue_cutoff", "50")
    page.locator("button:text-is('Save and judge')").tap()
    page.wait_for_selector("#h-verdict")
    assert len(store.job(1).readings) == 2
    assert page.evaluate("document.documentElement.scrollWidth") <= 390


def test_without_scripts_everything_still_works(open_page: Callable[..., Page], address: str, store: Store) -> None:
    page = open_page(**PHONE, java_script_enabled=False)
    page.goto(f"{address}/jobs/new")
    page.fill("#label", "Ferry hall, left")
    page.click("button:text-is('Put it on the bench')")
    page.fill("#red_cutoff", "48")
    page.click("button:text-is('Save')")
    page.wait_for_selector("text=Readings saved.")
    page.click("button:text-is('Undo')")
    page.wait_for_selector("text=Taken back.")
    assert store.job(1).readings == ()
    page.goto(f"{address}/jobs/1/symptoms")
    page.fill("#q", "picture too dark")
    page.click("button:text-is('Find')")
    page.check("input[name=is_raster_dim_all][value=present]")
    page.click("button:text-is('Save symptoms')")
    page.wait_for_selector("text=Symptoms saved.")
    assert [s.id for s in store.case_of(1).symptoms] == ["raster_dim_all"]


def test_no_page_is_wider_than_a_phone(open_page: Callable[..., Page], filled: tuple[str, Visitor]) -> None:
    url, visitor = filled
    page = open_page(**PHONE)
    for path in every_page(visitor):
        page.goto(url + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, path


def breaches(page: Page, address: str, paths: list[str]) -> list[str]:
    """What an automatic check for accessibility finds on these pages."""
    from axe_playwright_python.sync_playwright import Axe

    found = []
    for path in paths:
        page.goto(address + path)
        found += [
            f"{path}: {v['id']}: {v['nodes'][0]['html'][:160]} {v['nodes'][0]['any'][:1]}"
            for v in Axe().run(page).response["violations"]
        ]
    return found


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_every_page_can_be_used_by_everybody(
    open_page: Callable[..., Page], filled: tuple[str, Visitor], scheme: str
) -> None:
    """Each page in one of the two; both share every colour's name, and the phone's pages are walked in both."""
    url, visitor = filled
    page = open_page(**DESKTOP, color_scheme=scheme)
    # The long lists of the reference are made from one template; one of them stands for all.
    paths = [p for p in every_page(visitor) if not p.startswith("/reference/")]
    walked = [*paths, "/reference/treatments", "/nothing"]
    found = breaches(page, url, walked[scheme == "dark" :: 2])
    assert not found, "\n".join(found)


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_the_phone_pages_can_be_used_by_everybody(
    open_page: Callable[..., Page], filled: tuple[str, Visitor], scheme: str
) -> None:
    url, _ = filled
    page = open_page(**PHONE, color_scheme=scheme)
    found = breaches(page, url, ["/", "/jobs/1", "/jobs/1/verdict", "/tubes/1"])
    assert not found, "\n".join(found)


def test_a_fault_is_reached_first_and_named_at_its_field(
    open_page: Callable[..., Page], address: str, visitor: Visitor
) -> None:
    visitor.open_job()
    page = open_page(**DESKTOP)
    page.goto(f"{address}/jobs/1")
    page.fill("#red_emission", "34x")
    page.fill("#red_cutoff", "48")
    page.click("button:text-is('Save')")
    page.wait_for_selector("#red_emission-wrong")
    assert page.evaluate("document.activeElement.getAttribute('role')") == "alert"
    assert page.input_value("#red_emission") == "34x"
    assert page.input_value("#red_cutoff") == "48"


def test_two_people_change_one_reading_and_choose(
    open_page: Callable[..., Page], address: str, visitor: Visitor
) -> None:
    visitor.open_job()
    visitor.post("/jobs/1/readings", red_cutoff="48")
    reading = visitor.store.job(1).readings[0].id
    first, second = open_page(**DESKTOP), open_page(**DESKTOP)
    for page in (first, second):
        page.goto(f"{address}/jobs/1/readings/{reading}")
    first.fill("#value", "52")
    first.click("button:text-is('Save the change')")
    first.wait_for_selector("text=Reading changed.")
    second.fill("#value", "49.5")
    second.click("button:text-is('Save the change')")
    second.wait_for_selector("text=Somebody else changed this reading")
    assert "52 V" in second.inner_text("main")
    assert "49.5" in second.inner_text("main")
    assert visitor.store.reading(reading).reading.value == 52
    second.click("button:text-is('Put yours in its place')")
    second.wait_for_selector("text=Reading changed.")
    assert visitor.store.reading(reading).reading.value == 49.5


def test_undo_brings_a_struck_out_reading_back(open_page: Callable[..., Page], address: str, visitor: Visitor) -> None:
    visitor.open_job()
    visitor.post("/jobs/1/readings", **GRID)
    page = open_page(**DESKTOP)
    page.goto(f"{address}/jobs/1")
    page.click("a:has-text('Change') >> nth=0")
    page.click("button:text-is('Strike it out')")
    page.wait_for_selector("text=Struck out.")
    assert len(visitor.store.job(1).readings) == 5
    page.click("button:text-is('Undo')")
    page.wait_for_selector("text=Taken back.")
    assert len(visitor.store.job(1).readings) == 6


def test_the_theme_changes_and_stays(open_page: Callable[..., Page], filled: tuple[str, Visitor]) -> None:
    url, _ = filled
    page = open_page(**DESKTOP, color_scheme="light")
    page.goto(f"{url}/jobs/1/verdict")
    light = page.evaluate("getComputedStyle(document.body).backgroundColor")
    page.click(".top button[name=theme]:visible")
    page.wait_for_selector("html[data-theme=dark]")
    assert urlsplit(page.url).path == "/jobs/1/verdict"
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") != light
    shown = page.evaluate("[...document.querySelectorAll('.chart source, .chart img')].map((i) => i.srcset || i.src)")
    assert shown
    assert all("theme=dark" in source for source in shown)


def test_pictures_are_drawn(open_page: Callable[..., Page], filled: tuple[str, Visitor]) -> None:
    url, _ = filled
    page = open_page(**PHONE)
    for path in ("/jobs/1/verdict", "/tubes/1"):
        page.goto(url + path, wait_until="networkidle")
        widths = page.evaluate("[...document.querySelectorAll('.chart img')].map((i) => i.naturalWidth)")
        assert widths
        assert all(0 < width <= 380 for width in widths)


def test_lists_narrow_while_one_types(open_page: Callable[..., Page], filled: tuple[str, Visitor]) -> None:
    url, _ = filled
    page = open_page(**DESKTOP)
    page.goto(f"{url}/reference")
    before = page.locator("#entries > li:visible").count()
    page.fill("#q", "hum")
    after = page.locator("#entries > li:visible").count()
    assert 0 < after < before
    assert re.match(rf"{after} of {before} shown", page.inner_text("#shown"))
