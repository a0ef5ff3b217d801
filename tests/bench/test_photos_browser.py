"""Photographs on the bench in a real browser: chosen, dropped, watched, looked at, compared; simulated and measured."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from bench.benches import Visitor, new_store
from bench.pictured import add_measurement, small_photo
from bench.test_browser import DESKTOP, PHONE, breaches, open_page, served, tab_to
from bench.test_photos import Stuck
from tubewright.records.store import Store

if TYPE_CHECKING:
    from playwright.sync_api import FileChooser, Page

pytestmark = pytest.mark.browser
__all__ = ["open_page"]  # a fixture that both modules use

MEASURED_MS = 60_000
"""How long a measurement may take on a busy machine."""


@pytest.fixture(scope="session")
def survey_photos(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """A display with a curl and with blue off, and the same one put right."""
    from tubewright.simulate.display import Curl, Misconvergence
    from tubewright.simulate.photograph import take
    from tubewright.simulate.scenes import RASTERS, plain_scene

    folder = tmp_path_factory.mktemp("photos")
    right = plain_scene(raster=RASTERS["arcade-15k-320x240"], megapixels=2.0)
    wrong = replace(
        right,
        display=replace(
            right.display,
            curl=Curl(amplitude_mm=4.0, decay_lines=8.0),
            misconvergence=Misconvergence(corner_mm=(2.5, 0.0)),
        ),
        seed=7,
    )
    paths = {"before": folder / "before.jpg", "after": folder / "after.jpg"}
    for name, scene in (("before", wrong), ("after", right)):
        paths[name].write_bytes(take(scene).jpeg)
    return paths


@pytest.fixture
def measuring(store: Store) -> Iterator[Visitor]:
    """A bench that measures in earnest."""
    visitor = Visitor(store, measure=None)
    yield visitor
    visitor.app.state.measuring.close()


def all_drawn(page: Page) -> None:
    """Every picture that is on show has come and holds something."""
    page.wait_for_load_state("networkidle")
    missing = page.evaluate(
        "[...document.querySelectorAll('main img')].filter((i) => i.checkVisibility() && i.loading !== 'lazy'"
        " && !i.naturalWidth).map((i) => i.src)"
    )
    assert missing == []


def test_from_two_photographs_to_a_finding_and_a_comparison(
    open_page: Callable[..., Page], measuring: Visitor, survey_photos: dict[str, Path]
) -> None:
    job = measuring.open_job(diagonal_in="19")
    page = open_page(**DESKTOP)
    with served(measuring.app) as url:
        page.goto(f"{url}/jobs/{job}/photos")
        page.set_input_files("#photos", survey_photos["before"])
        assert "before.jpg" in page.inner_text("[data-chosen]")
        page.check("input[name=stage][value=before]")
        page.click("button:text-is('Keep and measure')")
        page.wait_for_selector("#h-measured.headline", timeout=MEASURED_MS)
        assert "Measured." in page.inner_text("main")
        assert re.search(r"The top bends [34]\.\d+ mm to the right", page.inner_text("#h-measured"))
        all_drawn(page)
        assert page.evaluate("document.querySelector('.overlay-whole img').naturalWidth") > 1000
        tick = page.locator("#take-top_curl")
        assert "present" in page.inner_text("label[for=take-top_curl]")
        tick.check()
        page.click("button:text-is('Take over what is ticked')")
        page.wait_for_selector("text=Findings taken over")
        page.click(".tabs a:has-text('Symptoms')")
        assert page.is_checked("input[name=is_top_curl][value=present]")
        page.click(".tabs a:has-text('Picture')")
        page.set_input_files("#photos", survey_photos["after"])
        page.check("input[name=stage][value=after]")
        page.click("button:text-is('Keep and measure')")
        page.wait_for_selector("#h-measured.headline", timeout=MEASURED_MS)
        page.click("text=Before and after, side by side")
        page.wait_for_selector("#h-figures")
        all_drawn(page)
        changed = page.inner_text("section:has(#h-figures) > table")
        assert re.search(r"sideways bend of the first line, mm\s+[34]\.\d+.*smaller", changed)
        boxes = [page.locator(f"section:has(#h-{side})").bounding_box() for side in ("before", "after")]
        assert boxes[0] is not None
        assert boxes[1] is not None
        assert boxes[0]["y"] == boxes[1]["y"], "side by side on a desk"
    assert [s.id for s in measuring.store.case_of(job).symptoms] == ["top_curl"]


def test_by_keyboard_alone(open_page: Callable[..., Page], visitor: Visitor, tmp_path: Path) -> None:
    job = visitor.open_job()
    photo = tmp_path / "one.jpg"
    photo.write_bytes(small_photo())
    page = open_page(**DESKTOP)
    choosers: list[FileChooser] = []

    def caught(chooser: FileChooser) -> None:
        choosers.append(chooser)

    # Listened for from the start: a listener that comes with the key press may come too late for it.
    page.on("filechooser", caught)
    with served(visitor.app) as url:
        page.goto(f"{url}/jobs/{job}/photos", wait_until="networkidle")
        tab_to(page, "#photos")
        page.keyboard.press("Space")
        for _ in range(MEASURED_MS // 100):
            if choosers:
                break
            page.wait_for_timeout(100)
        assert choosers[0].is_multiple()
        choosers[0].set_files(photo)
        tab_to(page, "button[value=measure]")
        page.keyboard.press("Enter")
        page.wait_for_selector("#h-measured.headline")
        tab_to(page, "#take-top_curl")
        page.keyboard.press("Space")
        tab_to(page, "#findings button.main")
        page.keyboard.press("Enter")
        page.wait_for_selector("text=Findings taken over")
        assert [s.id for s in visitor.store.case_of(job).symptoms] == ["top_curl"]


def test_without_scripts_the_page_of_progress_leads_on_by_itself(
    open_page: Callable[..., Page], visitor: Visitor, tmp_path: Path
) -> None:
    job = visitor.open_job()
    photo = tmp_path / "one.jpg"
    photo.write_bytes(small_photo())
    page = open_page(**PHONE, java_script_enabled=False)
    with served(visitor.app) as url:
        page.goto(f"{url}/jobs/{job}/photos")
        page.set_input_files("#photos", photo)
        assert page.get_attribute("#photos", "capture") is None
        page.click("button:text-is('Keep and measure')")
        page.wait_for_selector("#h-measured.headline", timeout=15_000)


def test_a_photograph_is_dropped_and_one_too_large_is_told_before_it_is_sent(
    open_page: Callable[..., Page], visitor: Visitor
) -> None:
    job = visitor.open_job()
    page = open_page(**DESKTOP)
    with served(visitor.app) as url:
        page.goto(f"{url}/jobs/{job}/photos")
        handle = page.evaluate_handle(
            "(bytes) => { const t = new DataTransfer();"
            " t.items.add(new File([new Uint8Array(bytes)], 'dropped.jpg', {type: 'image/jpeg'})); return t; }",
            list(small_photo()),
        )
        page.dispatch_event("[data-drop]", "dragenter", {"dataTransfer": handle})
        assert page.locator("[data-drop].over").count() == 1
        page.dispatch_event("[data-drop]", "drop", {"dataTransfer": handle})
        assert "dropped.jpg" in page.inner_text("[data-chosen]")
        page.evaluate("document.querySelector('[data-photos]').dataset.mostMib = '0.001'")
        page.click("button:text-is('Only keep')")
        assert "dropped.jpg: more than" in page.inner_text("#photos-large")
        assert visitor.store.job(job).photos == ()
        page.evaluate("document.querySelector('[data-photos]').dataset.mostMib = '160'")
        page.click("button:text-is('Only keep')")
        page.wait_for_selector("text=Photographs kept.")
        assert [photo.file_name for photo in visitor.store.job(job).photos] == ["dropped.jpg"]


@pytest.fixture(scope="module")
def compared(tmp_path_factory: pytest.TempPathFactory, empty: Path) -> Iterator[str]:
    """A shop with one job that was measured before and after."""
    with new_store(tmp_path_factory.mktemp("compared"), empty) as store:
        visitor = Visitor(store)
        visitor.open_job()
        for stage in ("before", "after"):
            add_measurement(store, 1, stage=stage)
        with served(visitor.app) as url:
            yield url


PAGES = ["/jobs/1/photos", "/jobs/1/measurements/1", "/jobs/1/measurements/compare", "/jobs/1/measure"]


def test_on_a_phone_the_drawing_is_cut_into_what_fits(open_page: Callable[..., Page], compared: str) -> None:
    page = open_page(**PHONE)
    for path in PAGES:
        page.goto(compared + path)
        all_drawn(page)
        assert page.evaluate("document.documentElement.scrollWidth") <= 390, path
    page.goto(f"{compared}/jobs/1/measurements/1")
    assert not page.locator(".overlay-whole").is_visible()
    parts = page.locator(".overlay-parts img")
    assert parts.count() == 2
    for n in range(2):
        parts.nth(n).scroll_into_view_if_needed()
        assert parts.nth(n).is_visible()
        assert parts.nth(n).get_attribute("alt")
    page.goto(f"{compared}/jobs/1/measurements/compare")
    tops = [page.locator(f"section:has(#h-{side})").bounding_box() for side in ("before", "after")]
    assert tops[0] is not None
    assert tops[1] is not None
    assert tops[1]["y"] > tops[0]["y"] + tops[0]["height"] - 1, "one below the other on a phone"


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_these_pages_can_be_used_by_everybody_on_a_phone(
    open_page: Callable[..., Page], compared: str, scheme: str
) -> None:
    page = open_page(**PHONE, color_scheme=scheme)
    found = breaches(page, compared, PAGES)
    assert not found, "\n".join(found)


def test_progress_is_watched_and_called_off(open_page: Callable[..., Page], store: Store) -> None:
    hold = Stuck()
    visitor = Visitor(store, measure=hold)
    job = visitor.open_job()
    sent = visitor.send_photos(job, ("one.jpg", small_photo()))
    page = open_page(**PHONE)
    try:
        with served(visitor.app) as url:
            page.goto(url + sent.headers["location"])
            page.wait_for_selector("text=Looking for the pattern in one.jpg.")
            assert not breaches(page, url, [sent.headers["location"]])
            page.click("button:text-is('Cancel')")
            page.wait_for_selector("text=Stopping at the next step.")
            hold.go_on.set()
            page.wait_for_selector("text=Called off")
    finally:
        hold.go_on.set()
        visitor.app.state.measuring.close()
    assert store.job(job).measurements == ()
