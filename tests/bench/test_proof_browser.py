"""The proof in a real browser: as axe sees it, on a phone, by keyboard, with every picture loaded."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest

from bench.benches import Visitor, new_store
from bench.proven import proven_job
from bench.test_browser import DESKTOP, PHONE, served
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
def store(tmp_path: Path, empty: Path) -> Iterator[Store]:
    with new_store(tmp_path, empty) as opened:
        proven_job(opened)
        yield opened


@pytest.fixture
def address(visitor: Visitor) -> Iterator[str]:
    with served(visitor.app) as url:
        yield url


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_axe_finds_nothing_folded_or_not(open_page: Callable[..., Page], address: str, scheme: str) -> None:
    from axe_playwright_python.sync_playwright import Axe

    page = open_page(**DESKTOP, color_scheme=scheme)
    page.goto(f"{address}/jobs/1/proof")
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    found = Axe().run(page, options={"runOnly": AXE_TAGS})
    assert found.response["violations"] == []


def test_on_a_phone_the_sides_stand_one_above_the_other_and_nothing_sticks_out(
    open_page: Callable[..., Page], address: str
) -> None:
    page = open_page(**PHONE)
    page.goto(f"{address}/jobs/1/proof")
    page.evaluate("document.querySelectorAll('details').forEach(one => one.open = true)")
    page.evaluate("document.querySelectorAll('img').forEach(one => one.loading = 'eager')")
    page.wait_for_function("[...document.images].filter(one => one.offsetParent).every(one => one.complete)")
    assert page.evaluate("[...document.images].filter(one => one.offsetParent).every(one => one.naturalWidth > 0)")
    assert page.evaluate("document.documentElement.scrollWidth") <= page.viewport_size["width"]  # type: ignore[index]
    first, second = (page.locator(f"#h-{side}").bounding_box() for side in ("before", "after"))
    assert first is not None
    assert second is not None
    assert second["y"] > first["y"] + 200
    assert abs(second["x"] - first["x"]) < 2


def test_on_a_desk_the_sides_stand_beside_each_other(open_page: Callable[..., Page], address: str) -> None:
    page = open_page(**DESKTOP)
    page.goto(f"{address}/jobs/1/proof")
    for name in ("#h-before, #h-after", ".proof-maps figcaption"):
        boxes = [one.bounding_box() for one in page.locator(name).all()[:2]]
        assert boxes[0] is not None
        assert boxes[1] is not None
        assert abs(boxes[0]["y"] - boxes[1]["y"]) < 2
        assert boxes[1]["x"] > boxes[0]["x"] + 200


def test_a_sheet_is_given_out_by_keyboard_and_found_in_the_list(
    open_page: Callable[..., Page], address: str, store: Store
) -> None:
    page = open_page(**DESKTOP)
    page.goto(f"{address}/jobs/1/proof")
    page.focus("text=Give out the customer's sheet")
    page.keyboard.press("Enter")
    page.wait_for_selector("[role=status]:has-text('Given out')")
    assert page.locator("a:has-text('C-0001')").is_visible()
    assert [paper.number for paper in store.papers(1)] == ["C-0001"]
    page.focus("text=Undo")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Taken back.")
    assert store.papers(1) == ()


def test_others_are_set_side_by_side_by_keyboard(open_page: Callable[..., Page], address: str) -> None:
    page = open_page(**DESKTOP)
    page.goto(f"{address}/jobs/1/proof")
    page.focus("summary:has-text('Set others side by side')")
    page.keyboard.press("Enter")
    page.select_option("#before", index=1)
    page.focus("text=Set side by side")
    page.keyboard.press("Enter")
    page.wait_for_url("**before=*")
    assert page.inner_text("#h-proof")
