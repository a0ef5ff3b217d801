"""The diagnosis in a real browser: from a complaint to a closed job, by keyboard, on a phone, and as axe sees it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, Final

import pytest

from bench.benches import Visitor
from bench.test_browser import DESKTOP, PHONE, served, tab_to
from tubewright.case import Symptom
from tubewright.records.store import Store

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser

SETTLED: Final = "#live:not([aria-busy])"
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
def address(visitor: Visitor) -> Iterator[str]:
    with served(visitor.app) as url:
        yield url


def tick_all(page: Page) -> None:
    for box in page.locator("#next input[name=confirmed], .guard-form input[name=confirmed]").all():
        box.check()


def test_from_a_complaint_to_a_closed_job_on_a_phone(
    open_page: Callable[..., Page], address: str, visitor: Visitor, store: Store
) -> None:
    visitor.open_job("Pier arcade, machine 7")
    page = open_page(**PHONE)
    page.goto(f"{address}/jobs/1/diagnosis")
    page.fill("#q", "picture bends at the top")
    page.tap(".find button")
    page.wait_for_selector("#is-top_curl-present")
    page.locator("#is-top_curl-present").scroll_into_view_if_needed()
    top = page.evaluate("document.querySelector('#is-top_curl-present').getBoundingClientRect().top")
    page.tap("#is-top_curl-present")
    page.wait_for_selector("#fault-sync_no_serration")
    # In place: no new page, the finger's place and the focus as they were, and the news where they are heard.
    assert page.evaluate("document.activeElement.id") == "is-top_curl-present"
    now = page.evaluate("document.querySelector('#is-top_curl-present').getBoundingClientRect().top")
    assert abs(now - top) < 2
    assert "%" in page.inner_text("[data-shift]")
    page.fill("#q", "edges bend where it is bright")
    page.tap(".find button")
    page.tap("#is-bends_with_content-absent")
    page.wait_for_selector(".shift")
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    # The next test is shut, refuses, and opens once each condition is confirmed.
    page.goto(f"{address}/jobs/1/diagnosis?test=s_sync_in")
    assert page.locator("#next button[name=result]").count() == 0
    page.locator("#next input[name=confirmed]").first.check()
    page.fill("#new_person-guard", "Wren")
    page.tap("#next .guard-form button.main")
    page.wait_for_selector("[role=alert]")
    assert store.confirmations(1) == ()
    tick_all(page)
    page.tap(".guard-form button.main")
    page.wait_for_selector("#result-s_sync_in-flat_through_v")
    assert {one.person for one in store.confirmations(1)} == {"Wren"}
    page.tap("#result-s_sync_in-flat_through_v")
    page.wait_for_selector("text=Test result saved.")
    assert page.evaluate("document.activeElement.id") == "now"
    assert store.case_of(1).tests[0].result == "flat_through_v"
    first = page.locator(".suspect").first
    first.locator("summary").tap()
    first.locator("a", has_text="This was it").tap()
    page.wait_for_selector(".guard-form")
    tick_all(page)
    page.tap(".guard-form button.main")
    page.wait_for_selector("#minutes")
    page.fill("#minutes", "20")
    page.fill("#parts", "sync combiner")
    page.tap(".dock button.main")
    page.wait_for_selector("#after")
    page.tap("#gone-top_curl")
    page.wait_for_selector("text=Nothing it came with is there any more")
    page.locator("#after button", has_text="Close the job").tap()
    page.wait_for_selector("text=The job is closed.")
    assert store.job(1).job.state == "closed"
    assert store.experience().mended[0].faults == ("sync_no_serration",)


def test_the_same_by_keyboard_alone(open_page: Callable[..., Page], address: str, visitor: Visitor) -> None:
    visitor.open_job("Ferry hall, left", owner_words="It hums, and the picture bends at the top")
    page = open_page(**DESKTOP)
    page.goto(f"{address}/jobs/1/diagnosis")
    tab_to(page, "[name=is_mains_buzz]")
    # From "not checked" up past "absent" to "present", each sent as it is passed.
    page.keyboard.press("ArrowUp")
    page.wait_for_selector("#h-noted")
    page.wait_for_selector(SETTLED)
    assert page.evaluate("document.activeElement.id") == "is-mains_buzz-absent"
    page.keyboard.press("ArrowUp")
    page.wait_for_selector(".suspect")
    page.wait_for_selector(SETTLED)
    assert page.evaluate("document.activeElement.id") == "is-mains_buzz-present"
    assert [(s.id, s.present) for s in visitor.store.case_of(1).symptoms] == [("mains_buzz", True)]
    tab_to(page, "#aside")
    first = page.inner_text("#h-next")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Set aside (1)")
    assert page.inner_text("#h-next") != first
    assert page.evaluate("document.activeElement.id") == "aside"


def test_fast_fingers_lose_no_mark(open_page: Callable[..., Page], address: str, visitor: Visitor) -> None:
    visitor.open_job("Ferry hall, left", owner_words="It hums, it is blurry, no red, and the picture bends at the top")
    page = open_page(**DESKTOP)
    page.goto(f"{address}/jobs/1/diagnosis")
    wanted = ["mains_buzz", "defocus_all", "colour_missing", "top_curl"]
    page.evaluate("(ids) => ids.forEach((id) => document.getElementById(`is-${id}-present`).click())", wanted)
    page.wait_for_selector("#h-noted ~ .rows > li:nth-child(4)")
    assert {s.id: s.present for s in visitor.store.case_of(1).symptoms} == dict.fromkeys(wanted, True)


def test_without_script_every_step_is_a_plain_form(
    open_page: Callable[..., Page], address: str, visitor: Visitor
) -> None:
    visitor.open_job("Ferry hall, left", owner_words="The picture bends at the top")
    page = open_page(**DESKTOP, java_script_enabled=False)
    page.goto(f"{address}/jobs/1/diagnosis")
    page.check("#is-top_curl-present")
    page.click(".save-marks button")
    assert page.locator("#fault-sync_no_serration").count() == 1
    page.click("#stands-running")
    assert page.get_attribute("#stands-running", "aria-pressed") == "true"
    page.click("#step-back")
    assert page.locator(".suspect").count() == 0


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_axe_finds_nothing_on_the_new_pages(
    open_page: Callable[..., Page], address: str, visitor: Visitor, theme: str
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    job = visitor.open_job("Ferry hall, left", owner_words="It hums")
    visitor.store.add_symptom(job, Symptom(id="top_curl"))
    visitor.get(f"/jobs/{job}/diagnosis")
    visitor.store.add_symptom(job, Symptom(id="bends_with_content"))
    visitor.confirm(job, "test", "d_eht")
    visitor.post(f"/jobs/{job}/tests/d_eht", result="right")
    visitor.confirm(job, "repair", "rgb_swapped")
    visitor.post(f"/jobs/{job}/repairs/new", fault="rgb_swapped", outcome="mended")
    page = open_page(**PHONE, color_scheme=theme)
    found = []
    # In the states that the walk over every page does not meet: mended, still to be confirmed, shut.
    for path in (f"/jobs/{job}/diagnosis", f"/jobs/{job}/guard/test/s_ripple", f"/jobs/{job}/repairs"):
        page.goto(address + path)
        told = Axe().run(page, options={"runOnly": {"type": "tag", "values": AXE_TAGS}}).response
        found += [f"{path}: {v['id']} {v['nodes'][0]['html'][:120]}" for v in told["violations"]]
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), path
    assert not found
