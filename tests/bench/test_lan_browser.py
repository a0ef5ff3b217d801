"""The phone at the bench in a real browser: paired by the drawing, cut off, reloaded, gone on; nothing twice."""

from __future__ import annotations

import contextlib
import hashlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from random import Random
from typing import TYPE_CHECKING, Any

import pytest
import uvicorn

from bench.lans import OpenBench
from bench.pictured import small_photo
from bench.test_browser import DESKTOP, PHONE, breaches, tab_to
from bench.test_lan_sending import new_job
from tubewright.bench.lan import sending
from tubewright.bench.lan.gate import Network
from tubewright.bench.lan.pairing import new_secret
from tubewright.records.store import Store

if TYPE_CHECKING:
    from playwright.sync_api import Browser, BrowserContext, Page, Route

pytestmark = pytest.mark.browser


class FromAfar:
    """The application as a phone meets it: its connections seem to come from the network."""

    def __init__(self, app: Any) -> None:  # noqa: ANN401 - any ASGI application
        self.app = app

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:  # noqa: ANN401
        await self.app({**scope, "client": ("192.168.77.20", 40000)}, receive, send)


class Both:
    """A bench with its own screen and what phones reach, each at an address of its own."""

    def __init__(self, store: Store) -> None:
        with socket.socket() as one:
            one.bind(("127.0.0.1", 0))
            self.port = int(one.getsockname()[1])
        self.store = store
        self.make()

    def make(self) -> None:
        """Start the application anew, as after a restart: its tokens are others."""
        self.bench = OpenBench(self.store, network=Network(address="127.0.0.1", port=self.port))

    @property
    def there(self) -> str:
        """What a phone opens."""
        return self.bench.network.base


@contextlib.contextmanager
def serving(app: Any, port: int = 0) -> Iterator[str]:  # noqa: ANN401 - any ASGI application
    server = uvicorn.Server(
        uvicorn.Config(
            app, host="127.0.0.1", port=port, log_level="warning", lifespan="off", ws="none", proxy_headers=False
        )
    )
    thread = threading.Thread(target=server.run, daemon=True)
    thread.start()
    while not server.started:
        time.sleep(0.02)
        assert thread.is_alive()
    try:
        yield f"http://127.0.0.1:{server.servers[0].sockets[0].getsockname()[1]}"
    finally:
        server.should_exit = True
        thread.join(5)


@pytest.fixture
def both(store: Store) -> Both:
    return Both(store)


@pytest.fixture
def opened(browser: Browser) -> Iterator[Callable[..., Page]]:
    """Pages in contexts of their own; what breaks in their scripts fails the test."""
    contexts: list[BrowserContext] = []
    wrong: list[str] = []

    def make(**given: Any) -> Page:  # noqa: ANN401 - the browser's own settings
        context = browser.new_context(**given)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(30_000)
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.on("console", lambda said: wrong.append(said.text) if "Content Security Policy" in said.text else None)
        return page

    yield make
    for context in contexts:
        context.close()
    assert not wrong


def paired(page: Page, both: Both, name: str = "Wren's phone") -> None:
    """Pair a browser without looking at the big screen."""
    code = both.bench.code().replace(" ", "")
    page.goto(f"{both.there}/pair#{code}")
    page.fill("#name", name)
    page.click("button.main")
    page.wait_for_url("**/phone")


def settled(check: Callable[[], bool], page: Page, *, most_ms: int = 15_000) -> None:
    """Wait for the records, while the browser goes on."""
    for _ in range(most_ms // 50):
        if check():
            return
        page.wait_for_timeout(50)
    raise AssertionError("it did not come")


def read_code(page: Page) -> str:
    """What a camera reads off the page."""
    import cv2
    import numpy as np

    picture = cv2.imdecode(np.frombuffer(page.locator(".qr img").screenshot(), np.uint8), cv2.IMREAD_COLOR)
    assert picture is not None
    text, *_ = cv2.QRCodeDetector().detectAndDecode(picture)
    return text


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_a_phone_scans_the_code_is_let_in_and_the_screen_tells(
    opened: Callable[..., Page], both: Both, scheme: str
) -> None:
    screen, phone, other = opened(**DESKTOP, color_scheme=scheme), opened(**PHONE), opened(**PHONE)
    with serving(both.bench.app) as own, serving(FromAfar(both.bench.app), both.port):
        screen.goto(f"{own}/phones")
        tab_to(screen, "main button.main")
        screen.keyboard.press("Enter")
        screen.wait_for_selector(".qr img")
        link = read_code(screen)
        assert link.startswith(f"{both.there}/pair#")
        before = screen.inner_text("#left")
        screen.wait_for_function("(was) => document.getElementById('left').textContent !== was", arg=before)
        phone.goto(link)
        assert phone.url == f"{both.there}/pair", "the secret stays in no history"
        assert not phone.locator("#code").is_visible()
        assert phone.evaluate("document.activeElement.id") == "name"
        phone.fill("#name", "Ida's phone")
        phone.locator("button.main").tap()
        phone.wait_for_url("**/phone")
        assert "Ida's phone" in phone.inner_text("main")
        screen.wait_for_selector("text=Ida's phone is paired; the code is used up.")
        assert screen.locator(".qr").count() == 0
        # Replayed by who photographed the screen.
        other.goto(link)
        other.locator("button.main").tap()
        assert "doesn't count" in other.inner_text("[role=alert]")
        other.goto(f"{both.there}/jobs/1")
        assert other.url == f"{both.there}/pair"
        screen.click("button:has-text('Shut out')")
        screen.wait_for_selector("text=None.")
        phone.reload()
        assert phone.url == f"{both.there}/pair"


def test_without_scripts_the_code_is_typed(opened: Callable[..., Page], both: Both) -> None:
    phone = opened(**PHONE, java_script_enabled=False)
    job = new_job(both.store)
    with serving(FromAfar(both.bench.app), both.port):
        phone.goto(f"{both.there}/pair")
        phone.fill("#code", both.bench.code().lower())
        phone.locator("button.main").tap()
        phone.wait_for_url("**/phone")
        phone.set_input_files(f"#shoot-{job}", {"name": "a.jpg", "mimeType": "image/jpeg", "buffer": small_photo()})
        phone.locator("button:has-text('Send it')").tap()
        phone.wait_for_selector("text=Photographs kept.")
        phone.goto(f"{both.there}/jobs/{job}")
        phone.fill("#red_cutoff", "48")
        phone.locator("button[data-after-last]").tap()
        phone.wait_for_selector("text=Readings saved.")
    assert len(both.store.job(job).photos) == len(both.store.job(job).readings) == 1


def test_a_photograph_cut_off_goes_on_after_a_reload_and_comes_once(
    opened: Callable[..., Page], both: Both, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(sending, "PIECE_BYTES", 9_000)
    job = new_job(both.store)
    data = small_photo()
    phone = opened(**PHONE)
    pieces: list[str] = []

    def cut(route: Route) -> None:
        pieces.append(route.request.url)
        if len(pieces) == 3:
            route.fetch()  # it arrives, but the phone never hears of it
            route.abort()
        elif len(pieces) > 4:
            route.abort()
        else:
            route.continue_()

    with serving(FromAfar(both.bench.app), both.port):
        paired(phone, both)
        phone.route("**/uploads/*", cut)
        phone.set_input_files(f"#shoot-{job}", {"name": "one.jpg", "mimeType": "image/jpeg", "buffer": data})
        phone.wait_for_selector("text=The bench does not answer; it goes on by itself.")
        settled(lambda: len(pieces) > 4, phone)
        held = both.store.upload(1).received
        assert 0 < held < len(data)
        assert not phone.locator("[data-measure]").is_visible()
        phone.unroute("**/uploads/*")
        phone.context.set_offline(True)
        with pytest.raises(Exception, match="ERR_INTERNET_DISCONNECTED"):
            phone.goto(f"{both.there}/jobs/{job}")
        phone.context.set_offline(False)
        # Any page of the bench takes it up.
        phone.goto(f"{both.there}/jobs/{job}/symptoms")
        phone.wait_for_selector("text=Arrived: 1.")
        phone.locator("[data-measure]").tap()
        phone.wait_for_url(f"**/jobs/{job}/measure?photo=1")
        phone.reload()
        phone.wait_for_timeout(300)
        assert not phone.locator("#sending").is_visible()
    photos = both.store.job(job).photos
    assert [(p.sha256, p.file_name, p.stage) for p in photos] == [
        (hashlib.sha256(data).hexdigest(), "one.jpg", "before")
    ]
    assert both.store.file(photos[0].sha256).data == data


def test_the_whole_form_sends_in_pieces_and_measures_then(
    opened: Callable[..., Page], both: Both, tmp_path: Path
) -> None:
    job = new_job(both.store)
    files = []
    for name in ("one", "two"):
        files.append(tmp_path / f"{name}.jpg")
        files[-1].write_bytes(small_photo() + name.encode())  # behind the end of the picture
    phone = opened(**PHONE)
    with serving(FromAfar(both.bench.app), both.port):
        paired(phone, both)
        phone.goto(f"{both.there}/jobs/{job}/photos")
        phone.set_input_files("#photos", files)
        phone.check("input[name=stage][value=after]")
        phone.fill("#note", "warm")
        phone.click("button:text-is('Keep and measure')")
        phone.wait_for_selector("#h-measured.headline")
        phone.goto(f"{both.there}/jobs/{job}/photos")
        files[0].write_bytes(small_photo())
        phone.set_input_files("#photos", files[:1])
        phone.click("button:text-is('Only keep')")
        phone.wait_for_selector("text=Photographs kept.")
        note = tmp_path / "note.jpg"
        note.write_bytes(b"no photograph at all")
        phone.set_input_files("#photos", note)
        phone.click("button:text-is('Only keep')")
        phone.wait_for_selector("text=Not taken by the bench: 1.")
        assert "note.jpg:" in phone.inner_text("#sending")
        phone.click("button:text-is('Let it go: note.jpg')")
        phone.locator("#sending").wait_for(state="hidden")
    shown = both.store.job(job)
    assert [(p.stage, p.note) for p in shown.photos[:2]] == [("after", "warm")] * 2
    assert len(shown.photos) == 3
    assert len(shown.measurements) == 1
    both.bench.app.state.measuring.close()


def test_readings_typed_without_a_connection_wait_and_are_stored_once(opened: Callable[..., Page], both: Both) -> None:
    job = new_job(both.store)
    phone = opened(**PHONE)
    with serving(FromAfar(both.bench.app), both.port):
        paired(phone, both)
        phone.goto(f"{both.there}/jobs/{job}#grid")
        phone.context.set_offline(True)
        phone.fill("#red_cutoff", "48")
        phone.locator("button[data-after-last]").tap()
        phone.wait_for_selector("text=Waits on this phone: 1.")
        assert phone.input_value("#red_cutoff") == "", "room for the next"
        phone.fill("#blue_cutoff", "51")
        phone.locator("button[data-after-last]").tap()
        phone.wait_for_selector("text=Waits on this phone: 2.")
        assert not breaches_here(phone)
        assert both.store.job(job).readings == ()
        phone.context.set_offline(False)
        phone.wait_for_selector("text=Sent and stored: 2.")
        settled(lambda: len(both.store.job(job).readings) == 2, phone)
        phone.reload()
        phone.wait_for_timeout(300)
        assert not phone.locator("#waits").is_visible()
    assert {r.reading.gun: r.reading.value for r in both.store.job(job).readings} == {"red": 48, "blue": 51}


def test_an_answer_that_is_lost_stores_nothing_twice_and_save_and_judge_waits_as_readings(
    opened: Callable[..., Page], both: Both
) -> None:
    job = new_job(both.store)
    phone = opened(**PHONE)
    lost: list[int] = []

    def lose(route: Route) -> None:
        if route.request.method == "POST" and len(lost) < 3:
            lost.append(route.fetch(max_redirects=0).status)
            route.abort()
        else:
            route.continue_()

    with serving(FromAfar(both.bench.app), both.port):
        paired(phone, both)
        phone.goto(f"{both.there}/jobs/{job}")
        phone.route("**/jobs/**", lose)
        phone.fill("#red_emission", "340uA")
        phone.fill("#heater_v", "6.3") if phone.locator("#heater_v").is_visible() else None
        phone.locator("button:text-is('Save and judge')").tap()
        phone.wait_for_selector("text=Sent and stored: 1.")
    assert lost == [303, 303, 303], "each time it was stored, and the answer lost"
    assert len(both.store.job(job).readings) == 1


def test_what_waits_outlives_a_reload_a_restart_of_the_bench_and_a_pairing_that_ended(
    opened: Callable[..., Page], both: Both
) -> None:
    job = new_job(both.store)
    phone = opened(**PHONE)
    with serving(FromAfar(both.bench.app), both.port):
        paired(phone, both)
        phone.goto(f"{both.there}/jobs/{job}")
    phone.fill("#red_cutoff", "48")
    phone.locator("button[data-after-last]").tap()
    phone.wait_for_selector("text=Waits on this phone: 1.")
    both.make()
    both.store.revoke_all_pairings()
    with serving(FromAfar(both.bench.app), both.port):
        phone.wait_for_selector("text=This phone is no longer paired", timeout=20_000)
        paired(phone, both, "Again")
        phone.wait_for_selector("text=Sent and stored: 1.")
    assert [r.reading.value for r in both.store.job(job).readings] == [48]


def test_what_the_bench_does_not_take_is_shown_with_its_fault(opened: Callable[..., Page], both: Both) -> None:
    job = new_job(both.store)
    phone = opened(**PHONE)
    with serving(FromAfar(both.bench.app), both.port):
        paired(phone, both)
        phone.goto(f"{both.there}/jobs/{job}")
        # At once: the page with the fault, as without a phone's scripts.
        phone.fill("#red_cutoff", "a lot")
        phone.locator("button[data-after-last]").tap()
        phone.wait_for_selector("text=One thing needs mending")
        assert phone.input_value("#red_cutoff") == "a lot"
        # Later: it is kept until somebody looks.
        phone.context.set_offline(True)
        phone.locator("button[data-after-last]").tap()
        phone.wait_for_selector("text=Waits on this phone: 1.")
        phone.context.set_offline(False)
        phone.wait_for_selector("text=Not taken by the bench: 1.")
        phone.locator("#waits button:has-text('Look at it')").tap()
        phone.wait_for_selector("text=One thing needs mending")
        assert phone.input_value("#red_cutoff") == "a lot"
        phone.fill("#red_cutoff", "48")
        phone.locator("button[data-after-last]").tap()
        phone.wait_for_selector("text=Readings saved.")
    assert len(both.store.job(job).readings) == 1


def test_a_guard_is_confirmed_on_the_phone_and_never_late(opened: Callable[..., Page], both: Both) -> None:
    job = new_job(both.store)
    phone = opened(**PHONE)
    with serving(FromAfar(both.bench.app), both.port):
        paired(phone, both)
        phone.locator("a:has-text('Guards')").tap()
        phone.wait_for_selector("text=Shut until confirmed")
        phone.goto(f"{both.there}/jobs/{job}/guard/test/d_bplus")
        for box in phone.locator("input[name=confirmed]").all():
            box.check()
        phone.fill("#new_person-guard", "Wren")
        phone.context.set_offline(True)
        phone.evaluate("document.querySelector('.guard-form').dataset.outboxS = '1'")
        phone.locator(".guard-form button").tap()
        phone.wait_for_selector("text=Waits on this phone: 1.")
        phone.wait_for_timeout(1200)
        phone.context.set_offline(False)
        phone.wait_for_selector("text=too late to count; confirm it afresh")
        assert both.store.confirmations(job) == ()
        phone.locator("#waits button:has-text('Throw it away')").tap()
        phone.locator("#waits").wait_for(state="hidden")
        phone.reload()
        for box in phone.locator("input[name=confirmed]").all():
            box.check()
        phone.fill("#new_person-guard", "Wren")
        phone.locator(".guard-form button").tap()
        phone.wait_for_url(f"**/jobs/{job}/tests/d_bplus**")
    assert both.store.confirmations(job)


def test_touches_on_the_diagnosis_wait_as_well(opened: Callable[..., Page], both: Both) -> None:
    job = new_job(both.store)
    phone = opened(**PHONE)
    with serving(FromAfar(both.bench.app), both.port):
        paired(phone, both)
        phone.goto(f"{both.there}/jobs/{job}/diagnosis?test=v_getter")
        phone.context.set_offline(True)
        phone.locator("#result-v_getter-clear").tap()
        phone.wait_for_selector("text=Waits on this phone: 1.")
        phone.context.set_offline(False)
        phone.wait_for_selector("text=Sent and stored: 1.")
    assert [o.test.result for o in both.store.job(job).observations if o.test] == ["clear"]


def test_our_sha_256_is_that_of_the_standard(opened: Callable[..., Page], both: Both) -> None:
    phone = opened(**PHONE)
    with serving(FromAfar(both.bench.app), both.port):
        paired(phone, both)
        chance = Random(7)  # noqa: S311 - bytes to be hashed
        lengths = [0, 1, 3, 55, 56, 57, 63, 64, 65, 119, 120, 127, 128, 1000, 100_003]
        whole = [chance.randbytes(n) for n in lengths]
        script = """(all) => all.map((bytes) => {
            const sum = new tubewright.Sha256();
            for (let at = 0; at < bytes.length; at += 777) sum.update(Uint8Array.from(bytes.slice(at, at + 777)));
            return sum.hex();
        })"""
        assert phone.evaluate(script, [list(one) for one in whole]) == [
            hashlib.sha256(one).hexdigest() for one in whole
        ]
        # FIPS 180-4's own example.
        assert phone.evaluate(script, [list(b"abc")]) == [
            "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
        ]


def breaches_here(page: Page) -> list[str]:
    """What keeps people from using the page as it stands."""
    from axe_playwright_python.sync_playwright import Axe

    return [f"{one['id']}: {one['help']}" for one in Axe().run(page).response["violations"]]


@pytest.mark.parametrize("scheme", ["light", "dark"])
def test_these_pages_can_be_used_by_everybody(opened: Callable[..., Page], both: Both, scheme: str) -> None:
    job = new_job(both.store)
    phone, screen = opened(**PHONE, color_scheme=scheme), opened(**DESKTOP, color_scheme=scheme)
    with serving(both.bench.app) as own, serving(FromAfar(both.bench.app), both.port):
        phone.goto(f"{both.there}/pair#{new_secret()}")
        assert not breaches_here(phone)
        phone.locator("button.main").tap()
        phone.wait_for_selector("[role=alert]")
        assert not breaches_here(phone)
        paired(phone, both)
        both.bench.code()
        paths = ["/pair", "/phone", f"/phone/guards/{job}", f"/jobs/{job}", f"/jobs/{job}/photos"]
        found = breaches(phone, both.there, paths) + breaches(screen, own, ["/phones"])
        assert not found, "\n".join(found)
        for path in paths:
            phone.goto(both.there + path)
            assert phone.evaluate("document.documentElement.scrollWidth") <= 390, path
        phone.goto(f"{both.there}/phone")
        tops = [box["height"] for one in phone.locator(".hand").all() if (box := one.bounding_box())]
        assert min(tops) >= 48, "for a thumb"


def test_by_keyboard_alone(opened: Callable[..., Page], both: Both) -> None:
    job = new_job(both.store)
    phone = opened(**DESKTOP)
    with serving(FromAfar(both.bench.app), both.port):
        phone.goto(f"{both.there}/pair")
        tab_to(phone, "#code", most=3)
        phone.keyboard.type(both.bench.code())
        tab_to(phone, "#name", most=2)
        phone.keyboard.type("A tablet")
        phone.keyboard.press("Enter")
        phone.wait_for_url("**/phone")
        tab_to(phone, f"#shoot-{job}")
        outline = phone.evaluate("getComputedStyle(document.querySelector('.by-itself .hand')).outlineStyle")
        assert outline == "solid", "where one is can be seen"
        tab_to(phone, ".hand[href$='#grid']", most=3)
        phone.keyboard.press("Enter")
        phone.wait_for_url(f"**/jobs/{job}#grid")
