"""The stock in a real browser: on a phone from a scanned label to a used part, by keyboard, and as axe sees it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

import cv2
import numpy as np
import pytest

from bench.benches import Visitor
from bench.stocked import EXAMPLES, fill_stock, shelve_tube
from bench.test_browser import DESKTOP, PHONE, served
from bench.test_diagnosis_browser import AXE_TAGS

if TYPE_CHECKING:
    from playwright.sync_api import Browser, Page

pytestmark = pytest.mark.browser


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


def fits_the_screen(page: Page) -> bool:
    fits: bool = page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    return fits


def test_from_a_scanned_label_to_a_used_part_on_a_phone(
    open_page: Callable[..., Page], address: str, visitor: Visitor
) -> None:
    items = fill_stock(visitor)
    cap = items["220 µF 400 V"]
    visitor.open_job("Pier arcade, machine 7")
    # The label as the big screen draws it, read as a phone's camera reads it.
    desk = open_page(**{**DESKTOP, "device_scale_factor": 3})
    desk.goto(f"{address}/stock/labels?item={cap.id}&sheet=roll-62")
    shot = desk.locator("img.label-sheet").screenshot()
    picture = cv2.imdecode(np.frombuffer(shot, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert picture is not None
    scanned, _, _ = cv2.QRCodeDetector().detectAndDecode(picture)
    assert urlsplit(scanned).path == f"/i/{cap.code}"
    phone = open_page(**PHONE)
    phone.goto(scanned)
    assert urlsplit(phone.url).path == f"/stock/{cap.id}"
    assert fits_the_screen(phone)
    # One touch chooses the job, one reserves; the second piece more than there is goes on the order list.
    phone.select_option("#job", "1")
    phone.fill("#pieces", "3")
    phone.tap("text=Order what is lacking")
    phone.tap("button:text-is('Reserve')")
    phone.wait_for_selector("text=Reserved for the job.")
    assert "2, 3 reserved; 3 to order" in phone.inner_text(".stock-big")
    phone.goto(f"{address}/jobs/1/parts")
    assert fits_the_screen(phone)
    phone.tap("button:has-text('Give back')")
    phone.wait_for_selector("text=Given back to the stock.")
    phone.fill("#q", "220")
    phone.tap(".find button")
    phone.tap("button:text-is('Reserve')")
    phone.wait_for_selector("text=Reserved for the job.")
    phone.tap("button:has-text('Used')")
    phone.wait_for_selector("text=Used; it is off the stock and in the cost.")
    assert visitor.store.item(cap.id).quantity == 1
    assert "Used: 2.90 EUR." in phone.inner_text("main")
    phone.tap("text=Undo")
    phone.wait_for_selector("text=Taken back.")
    assert visitor.store.item(cap.id).quantity == 2


def test_a_boards_list_is_taken_from_the_stock_on_a_phone(
    open_page: Callable[..., Page], address: str, visitor: Visitor
) -> None:
    fill_stock(visitor)
    visitor.open_job("Pier arcade, machine 7")
    phone = open_page(**PHONE)
    phone.goto(f"{address}/jobs/1/parts")
    phone.set_input_files("#file", str(EXAMPLES / "larkspur-19.csv"))
    phone.fill("#hours_per_week", "20")
    phone.tap("text=Look in the stock")
    phone.wait_for_selector("#found table")
    assert fits_the_screen(phone)
    cautions = phone.locator("#found .careful").first.bounding_box()
    headline = phone.locator("#found .answer").bounding_box()
    assert cautions is not None
    assert headline is not None
    assert cautions["y"] < headline["y"]
    phone.tap("text=Reserve and order")
    phone.wait_for_selector("text=Reserved what the stock has; the rest is on the order list.")
    assert visitor.store.order_list()


def test_a_part_is_added_and_found_by_keyboard(open_page: Callable[..., Page], address: str, visitor: Visitor) -> None:
    page = open_page(**DESKTOP)
    page.goto(f"{address}/stock/new")
    page.focus("#what")
    page.keyboard.type("47u 50V 105C low esr")
    page.keyboard.press("Tab")
    page.keyboard.type("20")
    page.keyboard.press("Control+Enter")
    page.wait_for_selector("text=Saved in the stock.")
    page.goto(f"{address}/stock")
    page.focus("#q")
    page.keyboard.type("47 low")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=47 µF 50 V")
    page.goto(f"{address}/stock?q=zzz")
    assert "Nothing fits" in page.inner_text("main")


SMALL: Final = """() => [...document.querySelectorAll(
  'main button, main .button, main input:not([type=hidden], [type=checkbox], [type=radio], [type=file]), main select')]
  .filter((e) => e.getClientRects().length && e.getBoundingClientRect().height < 40)
  .map((e) => e.outerHTML.slice(0, 80))"""
"""What is too low for a thumb."""
PAGES: Final = (
    "/stock", "/stock?q=47", "/stock?show=short", "/stock/new", "/stock/new?kind=tube", "/stock/{tube}", "/stock/{cap}",
    "/stock/{tube}/edit", "/stock/import", "/stock/order", "/stock/labels?item={cap}&job=2", "/jobs/2/parts?q=47",
    "/donor", "/donor?job=2", "/donor?donor={code}", "/tubes/1",
)  # fmt: skip


ON_A_DESK: Final = ("/stock", "/stock/{tube}", "/stock/labels?item={cap}&job=2", "/jobs/2/parts?q=47", "/donor?job=2")


@pytest.mark.parametrize(
    ("screen", "theme", "pages"), [(PHONE, "dark", PAGES), (DESKTOP, "light", ON_A_DESK)], ids=["phone", "desk"]
)
def test_every_page_of_the_stock_is_as_axe_wants_it_and_fits(
    open_page: Callable[..., Page],
    address: str,
    visitor: Visitor,
    screen: dict[str, Any],
    theme: str,
    pages: tuple[str, ...],
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    cap = fill_stock(visitor)["220 µF 400 V"]
    tube = shelve_tube(visitor)
    visitor.open_job("Pier arcade, machine 7", tube_label="M46QAA01X01")
    visitor.store.reserve(2, cap.id, 5, order=True)
    page = open_page(**screen, color_scheme=theme)
    axe = Axe()
    for path in pages:
        page.goto(address + path.format(tube=tube.id, cap=cap.id, code=tube.code))
        assert fits_the_screen(page), path
        found = axe.run(page, options={"runOnly": {"type": "tag", "values": AXE_TAGS}})
        broken = [(one["id"], [node["html"][:120] for node in one["nodes"]]) for one in found.response["violations"]]
        assert not broken, (path, broken)
        small = page.evaluate(SMALL)
        assert not small, (path, small)
