"""A tube treated in a real browser: a guard refused and then confirmed, on a phone; the clock; and as axe sees it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, Final

import pytest

from bench.benches import Visitor
from bench.test_browser import PHONE, served
from bench.treated import worn_job
from tubewright.case import Treatment
from tubewright.records.store import Store

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

AXE_TAGS: Final = ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"]


@pytest.fixture
def open_page(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Opens pages; whatever goes wrong in one of them fails the test at its end."""
    contexts = []
    wrong: list[str] = []

    def opened(**settings: Any) -> Page:  # noqa: ANN401 - the browser's own settings
        context = browser.new_context(**settings)
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


@pytest.fixture
def job(store: Store) -> int:
    number = worn_job(store, dt.datetime.now(dt.UTC))
    store.add_test(number, {"id": "p_socket_clean", "result": "no_change"})
    return number


@pytest.fixture
def address(visitor: Visitor) -> Iterator[str]:
    with served(visitor.app) as url:
        yield url


def test_a_guard_is_refused_then_confirmed_and_the_step_written_down_on_a_phone(
    open_page: Callable[..., Page], address: str, store: Store, job: int
) -> None:
    page = open_page(**PHONE)
    page.goto(f"{address}/jobs/{job}/treatments")
    assert page.inner_text("#h-now") == "Go on"
    page.tap("text=Confirm, and open the step")
    page.wait_for_selector(".guard-form")
    assert page.locator("text=How:").count() == 0
    # One box is left out: it stays shut, and what was ticked stays ticked.
    boxes = page.locator(".guard-form input[name=confirmed]")
    for one in boxes.all()[1:]:
        one.check()
    page.fill("#new_person-guard", "Wren")
    page.tap(".guard-form button.main")
    page.wait_for_selector("[role=alert]")
    assert store.confirmations(job) == ()
    assert page.locator(".guard-form input[name=confirmed]:checked").count() == boxes.count() - 1
    page.locator(".guard-form input[name=confirmed]:not(:checked)").check()
    page.tap(".guard-form button.main")
    page.wait_for_selector("#minutes")
    assert page.locator("text=How:").is_visible()
    page.fill("#minutes", "5")
    page.fill("#seen", "glow even")
    page.fill("#after_blue", "330")
    page.tap("button:text-is('Write it down')")
    page.wait_for_selector("text=Step written down")
    assert page.inner_text("#h-now") == "Wait"
    assert page.evaluate("document.documentElement.scrollWidth") <= 390
    (kept,) = store.job(job).treatments
    assert (kept.treatment.kind, kept.minutes, kept.seen, kept.person) == ("soak", 5, "glow even", "Wren")
    # The guard's word is spent: the same step sent again is refused.
    page.goto(f"{address}/jobs/{job}/treatments/new?kind=activate&gun=blue")
    assert page.locator("text=is not the next step").is_visible()


def test_the_clock_counts_down_asks_aloud_and_survives_the_page_being_loaded_again(
    open_page: Callable[..., Page], address: str, store: Store, job: int
) -> None:
    ended = dt.datetime.now(dt.UTC) - dt.timedelta(minutes=10, seconds=-4)
    store.add_treatment(job, Treatment(kind="clean", gun="blue", at=ended))
    page = open_page(**PHONE)
    page.goto(f"{address}/jobs/{job}/treatments/hold?gun=blue")
    left = page.locator("[data-clock-left]")
    left.wait_for(state="visible")
    assert left.inner_text() in {"0:04", "0:03", "0:02", "0:01"}
    sound = page.locator("[data-clock-sound]")
    assert sound.get_attribute("aria-pressed") == "false", "it sounds only if somebody asks for it"
    sound.tap()
    page.reload()
    assert page.locator("[data-clock-sound]").get_attribute("aria-pressed") == "true"
    said = page.locator("[data-clock-said]")
    assert said.get_attribute("aria-live") == "polite"
    page.locator("[data-clock-said]", has_text="It is time").wait_for(state="attached")
    assert (said.text_content() or "") == "It is time: read the blue gun."
    assert page.locator("[data-clock-left]").inner_text() == "It is time"
    assert page.title().startswith("It is time")
    page.fill("#value", "520")
    page.tap("button:text-is('Write it down')")
    page.wait_for_selector("text=Reading written down.")
    assert page.locator("[data-clock-left]").inner_text() != "It is time"
    assert store.case_of(job).readings[-1].value == 520
    page.locator("[data-clock-sound]").tap()
    assert page.locator("[data-clock-sound]").get_attribute("aria-pressed") == "false"


def test_without_scripts_the_page_says_the_time_of_day(
    open_page: Callable[..., Page], address: str, store: Store, job: int
) -> None:
    ended = dt.datetime.now(dt.UTC)
    store.add_treatment(job, Treatment(kind="clean", gun="blue", at=ended))
    page = open_page(**PHONE, java_script_enabled=False)
    page.goto(f"{address}/jobs/{job}/treatments/hold?gun=blue")
    due = (ended + dt.timedelta(minutes=10)).astimezone().strftime("%H:%M")
    assert due in page.inner_text(".clock-time")
    assert not page.locator("[data-clock-asks]").is_visible()
    page.fill("#value", "520")
    page.click("button:text-is('Write it down')")
    page.wait_for_selector("text=Reading written down.")
    assert store.case_of(job).readings[-1].value == 520


def test_the_pages_can_be_used_by_everybody(
    open_page: Callable[..., Page], address: str, visitor: Visitor, store: Store, job: int
) -> None:
    """In the dark on a phone; the tests of every page look at the rest."""
    from axe_playwright_python.sync_playwright import Axe

    now = dt.datetime.now(dt.UTC)
    store.add_treatment(job, Treatment(kind="soak", outcome="improved", at=now - dt.timedelta(minutes=200)))
    for minutes in (190, 150, 120, 90, 61):
        for gun, value in (("red", 700.0), ("green", 680.0), ("blue", 380.0 + minutes / 10)):
            at = now - dt.timedelta(minutes=minutes)
            row = {"gun": gun, "kind": "emission", "value": value, "unit": "uA", "reference": 1000.0, "at": at}
            store.add_reading(job, {**row, "minutes_on": 200.0 - minutes, "stage": "after"})
    visitor.confirm(job, "treatment", "soak")
    entry = store.job(job).treatments[0].id
    paths = [
        f"/jobs/{job}/treatments",
        f"/jobs/{job}/treatments/new?kind=soak",
        f"/jobs/{job}/treatments/{entry}",
        f"/jobs/{job}/treatments/hold?gun=blue",
        "/due?ahead=month",
    ]
    found = []
    page = open_page(**PHONE, color_scheme="dark")
    for path in paths:
        page.goto(address + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, path
        breaches = Axe().run(page, options={"runOnly": AXE_TAGS}).response["violations"]
        found += [f"{path}: {one['id']}: {one['nodes'][0]['html'][:160]}" for one in breaches]
    assert not found, "\n".join(found)
