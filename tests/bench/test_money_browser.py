"""The shop's settings, quote, bill and the way in for another shop's job, in a real browser."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from bench.benches import Visitor, new_store
from bench.browsing import full_job
from bench.test_browser import DESKTOP, PHONE, breaches, open_page, served, tab_to

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser
__all__ = ["open_page"]
PAGES: Final = ["/settings", "/jobs/1/quote", "/jobs/1/bill", "/take-in"]


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory, empty: Path) -> Iterator[tuple[str, Visitor]]:
    """A shop with its settings, a full job and a quote that was given out."""
    with new_store(tmp_path_factory.mktemp("money"), empty) as store:
        visitor = Visitor(store)
        visitor.post("/settings", shop_name="Lantern Works", currency="EUR", bench_rate_per_hour="45", tax_percent="20")
        full_job(visitor)
        assert visitor.post("/jobs/1/quote", words_1="Parcel", price_1="7.50", do="give").status_code == 303
        with served(visitor.app) as url:
            yield url, visitor


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_the_pages_can_be_read_by_everybody(
    open_page: Callable[..., Page], shop: tuple[str, Visitor], theme: str
) -> None:
    page = open_page(**{**(PHONE if theme == "dark" else DESKTOP), "color_scheme": theme, "bypass_csp": True})
    assert breaches(page, shop[0], PAGES) == []


def test_no_page_is_wider_than_a_phone_and_the_buttons_are_under_the_thumb(
    open_page: Callable[..., Page], shop: tuple[str, Visitor]
) -> None:
    page = open_page(**PHONE)
    for path in PAGES:
        page.goto(shop[0] + path)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, path
        box = page.locator(".dock button").first.bounding_box()
        assert box is not None
        assert box["height"] >= 44


def test_a_bill_is_made_by_keyboard_alone(open_page: Callable[..., Page], shop: tuple[str, Visitor]) -> None:
    url, visitor = shop
    page = open_page(**DESKTOP, java_script_enabled=True)
    page.goto(f"{url}/jobs/1/bill")
    treatment = visitor.store.job(1).treatments[0].id
    tab_to(page, f"#time_treatment-{treatment}")
    page.keyboard.type("20")
    tab_to(page, "#words_1")
    page.keyboard.type("Drive out")
    tab_to(page, "#quantity_1")
    page.keyboard.type("45 min")
    tab_to(page, "#price_1")
    page.keyboard.type("40")
    tab_to(page, "button[value=reckon]")
    page.keyboard.press("Enter")
    page.wait_for_selector(".sums")
    assert "54.00 EUR" in page.inner_text(".sums").replace("\u00a0", " ")
    tab_to(page, "button[value=give]")
    page.keyboard.press("Enter")
    page.wait_for_selector("text=Given out, and kept with the job.")
    assert [paper.number for paper in visitor.store.papers(1)] == ["Q-0001", "B-0001"]


def test_a_job_is_carried_from_shop_to_shop_without_scripts(
    open_page: Callable[..., Page], shop: tuple[str, Visitor], tmp_path: Path, empty: Path
) -> None:
    page = open_page(**PHONE, java_script_enabled=False, accept_downloads=True)
    page.goto(f"{shop[0]}/jobs/1/proof")
    with page.expect_download() as download:
        page.click("a[href$='archive.zip']")
    file = tmp_path / "job.zip"
    download.value.save_as(file)
    with new_store(tmp_path, empty) as store, served(Visitor(store).app) as there:
        page.goto(f"{there}/take-in")
        page.set_input_files("#archive", file)
        page.click("button:text-is('Take it in')")
        page.wait_for_selector("text=The job is taken in")
        assert store.case_of(1) == shop[1].store.case_of(1)
        page.goto(f"{there}/take-in")
        page.set_input_files("#archive", file)
        page.click("button:text-is('Take it in')")
        page.wait_for_selector("text=Open job 1")
