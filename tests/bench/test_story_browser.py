"""One job from the door to the door in a real browser: the big screen, a phone, one display, all of its chapters."""

from __future__ import annotations

import re
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

import pytest

from bench.story import Cabinet, Clock, Gallery
from bench.test_browser import DESKTOP, PHONE
from bench.test_lan_browser import FromAfar, opened, read_code, serving
from tubewright.bench.app import create_app
from tubewright.bench.lan.gate import Network
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import Store, open_store

if TYPE_CHECKING:
    from playwright.sync_api import Page

pytestmark = pytest.mark.browser
__all__ = ["opened"]  # a fixture that both modules use

PATIENT_MS: Final = 45_000
"""How long any one step may take on a busy machine."""

NAME: Final = "Lantern Quay, machine 4"


@dataclass
class Story:
    """The people's two screens over one shop."""

    store: Store
    clock: Clock
    gallery: Gallery
    cabinet: Cabinet
    screen: Page
    phone: Page
    own: str
    there: str
    job: int = 0

    @property
    def base(self) -> str:
        return f"{self.there}/jobs/{self.job}"

    def show(self, page: Page, name: str) -> None:
        self.gallery.shoot(page, name)


@pytest.fixture
def story(opened: Callable[..., Page], tmp_path: Path) -> Iterator[Story]:
    with socket.socket() as one:
        one.bind(("127.0.0.1", 0))
        port = int(one.getsockname()[1])
    clock = Clock()
    with open_store(tmp_path / "shop.sqlite3", clock=clock) as store:
        app = create_app(store, load_knowledge(), network=Network(address="127.0.0.1", port=port))
        screen, phone = opened(**DESKTOP), opened(**PHONE)
        for page in (screen, phone):
            page.set_default_timeout(PATIENT_MS)
        with serving(app) as own, serving(FromAfar(app), port):
            yield Story(
                store=store,
                clock=clock,
                gallery=Gallery(tmp_path / "pictures"),
                cabinet=Cabinet(),
                screen=screen,
                phone=phone,
                own=own,
                there=f"http://127.0.0.1:{port}",
            )
        app.state.measuring.close()


def type_in(page: Page, **fields: str) -> None:
    """Fill fields in by their ids; a choice is picked."""
    for name, value in fields.items():
        field = page.locator(f"#{name}")
        if field.evaluate("(one) => one.tagName") == "SELECT":
            field.select_option(value)
        else:
            field.fill(value)


def the_shop_says_who_it_is(s: Story) -> None:
    s.screen.goto(f"{s.own}/settings")
    type_in(
        s.screen,
        shop_name="Lantern Lane Tubes",
        shop_address="4 Lantern Lane\nPort Quill",
        currency="EUR",
        bench_rate_per_hour="45",
        tax_name="VAT",
        tax_percent="20",
        warranty_text="Six months on the work.\nNot on the wear of the tube.",
    )
    s.show(s.screen, "settings")
    s.screen.click("button:text-is('Save')")
    s.screen.wait_for_selector("[role=status]")
    assert s.store.settings()["shop_name"] == "Lantern Lane Tubes"


def a_phone_is_let_in(s: Story) -> None:
    s.screen.goto(f"{s.own}/phones")
    s.screen.click("main button.main")
    s.screen.wait_for_selector(".qr img")
    s.show(s.screen, "phones-code")
    link = read_code(s.screen)
    s.phone.goto(link)
    s.phone.fill("#name", "Ida's phone")
    s.show(s.phone, "pair")
    s.phone.locator("main button.main").tap()
    s.phone.wait_for_url("**/phone")
    s.screen.wait_for_selector("text=Ida's phone is paired; the code is used up.")
    s.show(s.screen, "phones-paired")
    s.show(s.phone, "phone-empty")


def the_display_comes_in(s: Story) -> None:
    s.phone.locator("main a:has-text('Put a display on the bench')").tap()
    s.phone.wait_for_selector("#label")
    type_in(
        s.phone,
        label=NAME,
        diagonal_in="19",
        scan_khz="15.7",
        mount="horizontal",
        owner="Ida Quill",
        place="Pier 2",
        tube_label="A48XYZ00X01",
        gun="inline",
        heater_v="6.3",
        service_hours="20k",
        restorations="0",
        getter="silver",
        owner_words="Blue has faded, whites look yellow, and the top of the picture leans over.",
        hours_per_week="10",
        keep_years="4",
        minimum_white="50 %",
        replacement_tube="300",
        replacement_display="500",
        parts_value="20",
    )
    s.show(s.phone, "intake")
    s.phone.locator("button:text-is('Put it on the bench')").tap()
    s.phone.wait_for_selector("#red_emission")
    found = re.search(r"/jobs/(\d+)", s.phone.url)
    assert found is not None
    s.job = int(found[1])
    assert s.store.job(s.job).job.owner_words.startswith("Blue has faded")


def read_guns(s: Story, minutes_on: float, **more: str) -> None:
    """Open the grid, type what the instrument shows, and save it."""
    s.phone.goto(f"{s.base}#grid")
    how = s.phone.locator("details:has(#instrument)")
    if how.get_attribute("open") is None:
        how.locator("summary").tap()
    type_in(s.phone, minutes_on=f"{minutes_on:g}")
    type_in(s.phone, **more)


def saved(s: Story) -> None:
    before = len(s.store.job(s.job).readings)
    s.phone.locator("button[data-after-last]").tap()
    s.phone.wait_for_selector("text=Readings saved.")
    assert len(s.store.job(s.job).readings) > before


def its_guns_are_read_one_by_one(s: Story) -> None:
    sitting = {
        "instrument": "Grey box",
        "emission_unit": "uA",
        "reference": "1000",
        "heater_v": "6.3",
        "reduced_heater_v": "5.5",
        "g2_v": "300",
        "stage": "before",
    }
    read_guns(s, 10, **sitting)
    for gun, emission, cutoff in (("red", "700", "52"), ("green", "680", "51"), ("blue", "320uA", "50")):
        type_in(s.phone, **{f"{gun}_emission": emission, f"{gun}_cutoff": cutoff, f"{gun}_hk": "60"})
        type_in(s.phone, **{f"{gun}_kg1": "60", f"{gun}_g1g2": "200"})
    type_in(s.phone, whole_heater_voltage="6.3 V")
    s.show(s.phone, "readings")
    saved(s)
    s.clock.later(5)
    read_guns(s, 15, stage="before", reduced_heater_v="5.5")
    type_in(s.phone, red_emission="702", green_emission="681", blue_emission="322", blue_reduced="190")
    saved(s)
    s.show(s.phone, "readings-kept")


def confirm(s: Story) -> None:
    """Tick all that a guard asks for, and say who says so."""
    form = s.phone.locator(".guard-form").first
    for box in form.locator("input[name=confirmed]").all():
        box.check()
    somebody = form.locator("input[name=new_person]")
    if somebody.is_visible():
        somebody.fill("Wren")
    form.locator("button.main").tap()


def what_is_seen_is_ticked(s: Story) -> None:
    s.phone.goto(f"{s.base}/symptoms")
    for symptom in ("tint_in_brights", "colour_weak"):
        s.phone.locator(f"input[name=is_{symptom}][value=present]").check()
    s.phone.locator("button:text-is('Save symptoms')").tap()
    s.phone.wait_for_selector("text=Symptoms saved.")
    s.phone.goto(f"{s.base}/tests/p_socket_clean")
    s.show(s.phone, "test-shut")
    assert s.phone.locator("text=How:").count() == 0
    confirm(s)
    s.phone.wait_for_selector("#result-p_socket_clean-no_change")
    s.show(s.phone, "test-open")
    s.phone.locator("#result-p_socket_clean-no_change").tap()
    s.phone.wait_for_selector("text=Test result saved.")
    told = s.store.case_of(s.job)
    assert {one.id for one in told.symptoms} == {"tint_in_brights", "colour_weak"}
    assert {(one.id, one.result) for one in told.tests} == {("p_socket_clean", "no_change")}


def it_is_judged(s: Story) -> None:
    s.screen.goto(f"{s.own}/jobs/{s.job}")
    s.show(s.screen, "job-desk")
    s.screen.click("aside button.main")
    s.screen.wait_for_selector("#h-verdict")
    s.screen.wait_for_load_state("networkidle")
    s.show(s.screen, "verdict")
    assert "blue" in s.screen.inner_text("main")
    assert s.store.job(s.job).verdicts


def send_photograph(s: Story, name: str, stage: str, seed: int) -> None:
    """Take a photograph of the display as it stands, send it from the phone, and wait until it is measured."""
    s.phone.goto(f"{s.base}/photos")
    jpeg = s.cabinet.photograph(seed)
    s.phone.set_input_files("#photos", {"name": f"{name}.jpg", "mimeType": "image/jpeg", "buffer": jpeg})
    s.phone.locator(f"input[name=stage][value='{stage}']").check()
    before = len(s.store.job(s.job).measurements)
    s.phone.locator("button:text-is('Keep and measure')").tap()
    s.phone.wait_for_selector("#h-measured.headline")
    kept = s.store.job(s.job)
    assert len(kept.measurements) == before + 1
    assert kept.measurements[-1].accepted
    assert s.store.file(kept.photos[-1].sha256).data == jpeg


def its_picture_is_measured_before_the_work(s: Story) -> None:
    send_photograph(s, "before", "before", 11)
    assert re.search(r"The top bends [34]\.\d+ mm to the right", s.phone.inner_text("#h-measured"))
    s.show(s.phone, "measured-before")
    s.phone.locator("#take-top_curl").check()
    s.phone.locator("button:text-is('Take over what is ticked')").tap()
    s.phone.wait_for_selector("text=Findings taken over")
    assert "top_curl" in {one.id for one in s.store.case_of(s.job).symptoms}


def a_fault_beside_the_tube_is_found_and_mended(s: Story) -> None:
    s.phone.goto(f"{s.base}/diagnosis?test=s_sync_in")
    s.show(s.phone, "diagnosis")
    if s.phone.locator(".guard-form").count():
        confirm(s)
    s.phone.locator("#result-s_sync_in-flat_through_v").tap()
    s.phone.wait_for_selector("text=Test result saved.")
    s.phone.goto(f"{s.base}/repairs/new?fault=sync_no_serration")
    confirm(s)
    s.phone.wait_for_selector("#minutes")
    s.phone.locator("input[name=outcome][value=mended]").check()
    type_in(s.phone, minutes="20", note="Line and field sync now go in apart.")
    s.show(s.phone, "repair")
    s.phone.locator("button:text-is('Write it into the job')").tap()
    s.phone.wait_for_selector("#h-after")
    s.cabinet.curl_mm = 0.3
    s.show(s.phone, "mended")
    s.phone.locator("label:has(#gone-top_curl)").tap()
    s.phone.wait_for_selector("text=Symptoms saved.")
    told = s.store.case_of(s.job)
    assert [(one.fault, one.outcome) for one in told.repairs] == [("sync_no_serration", "mended")]
    assert not next(one for one in told.symptoms if one.id == "top_curl").present
    s.phone.goto(f"{s.base}/verdict")
    s.phone.locator("button:text-is('Judge again')").tap()
    s.phone.locator("#h-verdict", has_text="blue").wait_for()


def a_step_is_refused_until_its_conditions_are_confirmed(s: Story) -> None:
    s.phone.goto(f"{s.base}/treatments")
    s.show(s.phone, "treatments")
    s.phone.locator("text=Confirm, and open the step").tap()
    s.phone.wait_for_selector(".guard-form")
    s.show(s.phone, "guard")
    assert s.phone.locator("text=How:").count() == 0
    # Somebody sends the step's own form although it was never shown.
    s.phone.evaluate(
        """([to, fields]) => {
            const form = document.createElement("form");
            form.method = "post";
            form.action = to;
            const token = document.querySelector("input[name=form_token]");
            for (const [name, value] of [...fields, [token.name, token.value]]) {
                const field = document.createElement("input");
                [field.name, field.value] = [name, value];
                form.append(field);
            }
            document.body.append(form);
            form.submit();
        }""",
        [f"{s.base}/treatments/new", [["kind", "soak"], ["gun", ""], ["minutes", "12 h"], ["after_blue", "900"]]],
    )
    s.phone.wait_for_selector("[role=alert]")
    s.show(s.phone, "refused")
    assert "not confirmed" in s.phone.inner_text("[role=alert]")
    assert s.store.job(s.job).treatments == ()
    assert not any(one.step_sort == "treatment" for one in s.store.confirmations(s.job))
    assert not any(one.reading.stage == "after" for one in s.store.job(s.job).readings)


def it_is_soaked_for_a_day(s: Story) -> None:
    s.phone.goto(f"{s.base}/treatments/new?kind=soak")
    confirm(s)
    s.phone.wait_for_selector("#minutes")
    assert s.phone.locator("text=How:").is_visible()
    s.show(s.phone, "step-open")
    s.clock.later(12 * 60)
    type_in(
        s.phone,
        minutes="12 h",
        seen="6.3 V all day beside the bench, no drive; glow even",
        after_red="704",
        after_green="683",
    )
    type_in(s.phone, after_blue="606")
    s.phone.locator("button:text-is('Write it down')").tap()
    s.phone.wait_for_selector("text=Step written down")
    s.show(s.phone, "soaked")
    (kept,) = s.store.job(s.job).treatments
    assert (kept.treatment.kind, kept.minutes, kept.person) == ("soak", 720, "Wren")
    assert kept.seen.startswith("6.3 V all day")


def its_gain_is_watched_until_it_holds(s: Story) -> None:
    for number, (wait, value) in enumerate(((10, 597), (10, 592), (20, 588), (60, 586))):
        s.clock.later(wait)
        s.phone.goto(f"{s.base}/treatments/hold?gun=blue")
        s.phone.fill("#value", str(value))
        if not number:
            s.show(s.phone, "hold")
        s.phone.locator("button:text-is('Write it down')").tap()
        s.phone.wait_for_selector("text=Reading written down.")
    s.show(s.phone, "held")
    s.clock.later(20 * 60)
    read_guns(s, 10, stage="after", red_emission="703", green_emission="682", blue_emission="584")
    type_in(s.phone, red_cutoff="52", green_cutoff="51", blue_cutoff="51")
    saved(s)


def it_is_set_up_by_photographs(s: Story) -> None:
    for number, control in enumerate(("four_pole_rings", "six_pole_rings")):
        s.phone.goto(f"{s.base}/setup/moves/new?control={control}&before=yes")
        type_in(s.phone, tabs_mm=f"{s.cabinet.inside.rings[control].tabs_mm:.1f}")
        s.phone.locator("button:text-is('Write it down')").tap()
        s.phone.locator("#turned li li").nth(number).wait_for()
    s.cabinet.seen |= {one.id for one in s.store.moves(s.job)}
    send_photograph(s, "warm", "", 12)
    for number in range(1, 5):
        s.phone.goto(f"{s.base}/setup")
        if not s.phone.locator("#next").count():
            break
        if s.phone.locator(".guard-form").count():
            assert s.phone.locator(".turn").count() == 0, "nothing is told before it is safe to turn"
            s.show(s.phone, f"setup-{number}-shut")
            confirm(s)
        s.phone.wait_for_selector(".turn")
        s.show(s.phone, f"setup-{number}-turn")
        one_left = s.phone.locator(".turn").count() == 1
        s.phone.locator(".turns button.main" if one_left else ".dock button.main").tap()
        s.phone.wait_for_selector("#since")
        s.cabinet.turn(s.store.moves(s.job))
        s.clock.later(5)
        send_photograph(s, f"round-{number}", "after", 12 + number)
    s.phone.goto(f"{s.base}/setup")
    s.show(s.phone, "setup-done")
    assert not s.phone.locator("#next").count(), "nothing is left to turn"
    s.screen.goto(f"{s.own}/jobs/{s.job}/setup")
    s.show(s.screen, "setup-done-desk")


def it_is_proven(s: Story) -> None:
    s.screen.goto(f"{s.own}/jobs/{s.job}/proof")
    s.screen.wait_for_selector("#h-proof")
    assert re.search(r"[1-9]\d* better, 0 worse", s.screen.inner_text("#h-proof"))
    assert re.search(r"sideways bend of the first line, mm\s+[34]\.\d+.*better", s.screen.inner_text("main"))
    assert re.search(r"emission as read, µA\s+32\d.*58\d.*better", s.screen.inner_text("main"))
    s.show(s.screen, "proof")
    s.phone.goto(f"{s.base}/proof")
    s.show(s.phone, "proof-phone")
    s.screen.click('button:text-is("Give out the customer\'s sheet")')
    s.screen.wait_for_selector("[id^=paper-]")
    (paper,) = s.store.papers(s.job)
    got = s.screen.context.request.get(f"{s.own}/jobs/{s.job}/proof/papers/{paper.id}.pdf")
    assert got.ok
    sheets = s.gallery.sheets(got.body(), "customer")
    assert len(sheets) == 2
    for said in (NAME, "Lantern Lane Tubes", "Ida Quill", "Six months on the work."):
        assert said in " ".join(sheets), said
    bench = s.screen.context.request.get(f"{s.own}/jobs/{s.job}/proof/bench.pdf")
    assert NAME in " ".join(s.gallery.sheets(bench.body(), "bench-sheet"))


def it_is_billed_and_goes_home(s: Story) -> None:
    s.screen.goto(f"{s.own}/jobs/{s.job}/quote")
    s.show(s.screen, "quote")
    s.screen.goto(f"{s.own}/jobs/{s.job}/bill")
    s.show(s.screen, "bill")
    for minutes in s.screen.locator("input[name^=time_]").all():
        if not minutes.input_value():
            minutes.fill("30")
    s.screen.click("button[name=do][value=give]")
    s.screen.wait_for_selector("text=Given out")
    bill = next(one for one in s.store.papers(s.job) if one.sort == "bill")
    got = s.screen.context.request.get(f"{s.own}/jobs/{s.job}/bill.pdf?paper={bill.id}")
    words = " ".join(s.gallery.sheets(got.body(), "bill"))
    assert bill.number in words
    assert NAME in words
    s.screen.goto(f"{s.own}/jobs/{s.job}/facts")
    type_in(s.screen, closing_note="Blue soaked and held; sync fed apart; converged.")
    s.screen.click("button:text-is('Close the job')")
    s.screen.wait_for_selector("text=closed")
    assert s.store.job(s.job).job.state == "closed"
    s.screen.goto(s.own)
    s.show(s.screen, "board")


CHAPTERS: Final = (
    the_shop_says_who_it_is,
    a_phone_is_let_in,
    the_display_comes_in,
    its_guns_are_read_one_by_one,
    what_is_seen_is_ticked,
    it_is_judged,
    its_picture_is_measured_before_the_work,
    a_fault_beside_the_tube_is_found_and_mended,
    a_step_is_refused_until_its_conditions_are_confirmed,
    it_is_soaked_for_a_day,
    its_gain_is_watched_until_it_holds,
    it_is_set_up_by_photographs,
    it_is_proven,
    it_is_billed_and_goes_home,
)


def test_a_display_comes_in_is_treated_set_up_proven_and_goes_home(story: Story) -> None:
    for chapter in CHAPTERS:
        try:
            chapter(story)
        except Exception:
            # Where it stopped is seen best.
            for name, page in (("screen", story.screen), ("phone", story.phone)):
                story.gallery.keep(f"stopped-{name}", page.screenshot(full_page=True))
            raise
