"""Setting up in a real browser: a whole round on a phone, by keyboard, in both themes, and as axe sees it."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, Final

import pytest

from bench.benches import Visitor
from bench.setting import SetUp, set_up
from bench.test_browser import DESKTOP, PHONE, served, tab_to

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
def shown(visitor: Visitor) -> SetUp:
    return set_up(visitor)


@pytest.fixture
def address(shown: SetUp) -> Iterator[str]:
    with served(shown.visitor.app) as url:
        yield url


def confirm(page: Page, *, all_but: int = 0) -> None:
    page.wait_for_selector(".guard-form")
    boxes = page.locator(".guard-form").first.locator("input[name=confirmed]").all()
    for box in boxes[: len(boxes) - all_but]:
        box.check()
    if page.locator("#new_person-off").count() and page.locator("#new_person-off").is_visible():
        page.fill("#new_person-off", "Wren")
    page.locator(".guard-form button.main").first.click()


def test_two_rounds_on_a_phone(open_page: Callable[..., Page], address: str, shown: SetUp) -> None:
    page = open_page(**PHONE)
    page.goto(f"{address}{shown.base}")
    assert page.locator(".turn").count() == 0
    confirm(page, all_but=1)
    page.wait_for_selector("[role=alert]")
    assert page.locator(".turn").count() == 0
    assert shown.visitor.store.confirmations(shown.job) == ()
    confirm(page)
    page.wait_for_selector(".turn")
    count = page.locator(".turn").count()
    assert count > 1
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    # One the wrong way, one otherwise, the rest as said.
    page.locator("#move-yoke_tilt_vertical").get_by_role("button", name="wrong way").tap()
    page.wait_for_selector("#since")
    page.locator("#move-four_pole_rings summary").tap()
    page.fill("#tabs_mm-four_pole_rings", "7")
    page.locator("#move-four_pole_rings label", has_text="anticlockwise").tap()
    page.locator("#move-four_pole_rings").get_by_role("button", name="Write it down so").tap()
    page.wait_for_selector("#since li:nth-child(2)")
    for done in range(3, count + 1):
        page.locator(".turns .main").first.tap()
        page.wait_for_selector(f"#since li:nth-child({done})")
    moves = shown.visitor.store.moves(shown.job)[-count:]
    assert [one.control for one in moves if one.wrong_way] == ["yoke_tilt_vertical"]
    assert next(one.tabs_mm for one in moves if one.control == "four_pole_rings") == 7
    # Undone, and done after all.
    page.locator("#since li", has_text="Six-pole").get_by_role("button", name="Undone").tap()
    page.wait_for_selector("#since li:has-text('put back')")
    page.locator("#since li", has_text="Six-pole").get_by_role("button", name="Undone").tap()
    page.wait_for_selector("#since li:not(:has-text('put back'))")
    page.locator("#since a.main").tap()
    page.wait_for_url("**/photos")
    shown.turn()
    record = shown.photograph()
    page.goto(f"{address}/jobs/{shown.job}/measurements/{record.id}")
    page.get_by_role("link", name="Set-up: what to turn next").tap()
    confirm(page)
    page.wait_for_selector(".turn-brings")
    page.locator(".dock button.main").tap()
    page.wait_for_selector("text=Photograph again: what was turned")
    shown.turn()
    shown.photograph()
    page.reload()
    assert page.locator(".chart img").count() == 2
    assert page.evaluate(
        "[...document.querySelectorAll('.chart img')].every((one) => one.complete && one.naturalWidth)"
    )
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")


def test_the_same_by_keyboard_alone(open_page: Callable[..., Page], address: str, shown: SetUp) -> None:
    page = open_page(**DESKTOP)
    page.goto(f"{address}{shown.base}")
    page.wait_for_selector(".guard-form")
    boxes = page.locator(".guard-form").first.locator("input[name=confirmed]").count()
    for _ in range(boxes):
        tab_to(page, ".guard-form input[name=confirmed]:not(:checked)")
        page.keyboard.press("Space")
    tab_to(page, "#new_person-off")
    page.keyboard.type("Wren")
    tab_to(page, ".guard-form button.main")
    page.keyboard.press("Enter")
    page.wait_for_selector(".turn")
    tab_to(page, "#move-yoke_tilt_vertical summary")
    page.keyboard.press("Enter")
    tab_to(page, "#amount-yoke_tilt_vertical")
    page.keyboard.type("1.5")
    tab_to(page, "#move-yoke_tilt_vertical input[type=radio]")
    page.keyboard.press("Space")
    tab_to(page, "#move-yoke_tilt_vertical details button")
    page.keyboard.press("Enter")
    page.wait_for_selector("#since")
    move = shown.visitor.store.moves(shown.job)[-1]
    assert (move.control, move.amount) == ("yoke_tilt_vertical", 1.5)
    tab_to(page, "#since button[value=at_stop]")
    page.keyboard.press("Enter")
    page.wait_for_selector("#since button[value=at_stop][aria-pressed=true]")
    assert shown.visitor.store.moves(shown.job)[-1].at_stop


def test_axe_finds_nothing_and_nothing_runs_over_the_edge(
    open_page: Callable[..., Page], address: str, shown: SetUp
) -> None:
    from axe_playwright_python.sync_playwright import Axe

    move = shown.visitor.store.moves(shown.job)[0].id
    places = ["", "/moves/new", "/moves/new?control=four_pole_rings", f"/moves/{move}"]
    walks = (
        (PHONE, "light", places),
        (DESKTOP, "dark", places[:1]),
        # Open, with something turned already.
        (PHONE, "dark", places[:1]),
    )
    for number, (size, scheme, walk) in enumerate(walks):
        if number == 2:
            shown.confirm()
            shown.say("four_pole_rings", "as_said")
        page = open_page(**{**size, "color_scheme": scheme})
        for place in walk:
            page.goto(f"{address}{shown.base}{place}")
            found = Axe().run(page, options={"runOnly": {"type": "tag", "values": AXE_TAGS}})
            assert found.violations_count == 0, found.generate_report()
            assert page.evaluate("document.documentElement.scrollWidth <= innerWidth"), place
