"""A job's treatments: the plan with its guards, one form for a step, a word after every entry, and the holding."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable

import pytest

from bench.benches import Visitor
from bench.treated import worn_job
from tubewright.case import Treatment
from tubewright.records.store import Store

NOW = dt.datetime(2026, 3, 2, 10, 0, tzinfo=dt.UTC)


class Clock:
    """A clock that a test turns."""

    def __init__(self) -> None:
        self.now = NOW

    def __call__(self) -> dt.datetime:
        return self.now

    def on(self, **by: float) -> None:
        self.now += dt.timedelta(**by)


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def bench(store: Store, clock: Clock) -> Visitor:
    return Visitor(store.with_clock(clock))


@pytest.fixture
def job(bench: Visitor) -> int:
    """A weak blue gun; socket and pins not cleaned yet, earlier restorations not known."""
    return worn_job(bench.store, NOW)


def words_of(page: str) -> str:
    main = page.partition("<main")[2].partition("</main")[0]
    return re.sub(r"\s+", " ", re.sub(r"<[^>]+>", " ", main)).replace("\xa0", " ")


def clean_socket(bench: Visitor, job: int) -> None:
    bench.confirm(job, "test", "p_socket_clean")
    assert bench.post(f"/jobs/{job}/tests/p_socket_clean", result="no_change").status_code == 303


def soak(bench: Visitor, job: int, **more: str) -> int:
    fields = {"kind": "soak", "gun": "", "minutes": "12 h", "seen": "glow even", **more}
    return bench.post(f"/jobs/{job}/treatments/new", **fields).status_code


def read_on(bench: Visitor, job: int, **uA: float) -> None:  # noqa: N803 - the unit's own name
    for gun, value in uA.items():
        answer = bench.post(f"/jobs/{job}/treatments/hold", gun=gun, value=str(value))
        assert answer.status_code == 303, answer.text


def test_the_page_leads_lowest_energy_first_and_opens_only_the_next_step(bench: Visitor, job: int) -> None:
    text = bench.get(f"/jobs/{job}/treatments").text
    said = words_of(text)
    assert said.index("Go on") < said.index("Next: Soak") < said.index("The plan, lowest energy first")
    steps = ["Clean socket and pins", "Soak:", "Run in:", "Short boost:", "Clean the cathode", "Activate:"]
    plan = said[said.index("The plan, lowest energy first") :]
    assert [plan.index(one) for one in steps] == sorted(plan.index(one) for one in steps)
    assert re.findall(r'href="(/jobs/\d+/treatments/new\?[^"]+)"', text) == [f"/jobs/{job}/treatments/new?kind=soak"]
    assert "Hands go in only when" in said
    assert "4-24 hours" not in said, "what to do must not be told before it is open"


def test_each_guard_shows_its_state_and_the_way_to_meet_it(bench: Visitor, job: int) -> None:
    text = bench.get(f"/jobs/{job}/treatments").text
    assert f'href="/jobs/{job}/tests/p_socket_clean"' in text
    said = words_of(text)
    assert "open Socket and pins clean" in said
    assert "known Heater voltage verified" in said
    assert "known Leakage and shorts checked this session" in said
    assert "12 of 12 still open" in said
    assert "(p_socket_clean)" not in said
    clean_socket(bench, job)
    assert "known Socket and pins clean" in words_of(bench.get(f"/jobs/{job}/treatments").text)


@pytest.mark.parametrize("kind", ["run_in", "short_boost", "clean", "activate", "clear_short", "boost_heater"])
def test_any_other_step_is_shut_and_a_direct_post_is_refused(bench: Visitor, job: int, kind: str) -> None:
    clean_socket(bench, job)
    text = words_of(bench.get(f"/jobs/{job}/treatments/new?kind={kind}&gun=blue").text)
    assert "Shut." in text
    assert "is not the next step" in text
    assert "How:" not in text
    bench.confirm(job, "treatment", kind)
    answer = bench.post(f"/jobs/{job}/treatments/new", kind=kind, gun="blue", minutes="1", outcome="improved")
    assert answer.status_code == 409
    assert "nothing was stored" in answer.text
    assert bench.store.job(job).treatments == ()


def test_a_shut_step_is_refused_then_confirmed_and_nothing_typed_is_lost(bench: Visitor, job: int) -> None:
    clean_socket(bench, job)
    answer = bench.post(f"/jobs/{job}/treatments/new", kind="soak", gun="", minutes="12 h", seen="glow even")
    assert answer.status_code == 409
    assert "is shut" in answer.text
    assert bench.store.job(job).treatments == ()
    kept = dict(re.findall(r'name="kept_(\w+)" value="([^"]*)"', answer.text))
    assert kept.pop("path") == f"/jobs/{job}/treatments/new"
    assert kept["minutes"] == "12 h"
    bench.confirm(job, "treatment", "soak")
    assert bench.post(f"/jobs/{job}/treatments/new", **kept).status_code == 303
    (one,) = bench.store.job(job).treatments
    assert (one.treatment.kind, one.minutes, one.seen, one.plan_step) == ("soak", 720, "glow even", "soak")
    assert one.person == "Wren"


def test_what_is_not_known_keeps_it_shut_whatever_is_confirmed(bench: Visitor, job: int) -> None:
    bench.confirm(job, "treatment", "soak")
    page = bench.get(f"/jobs/{job}/treatments/new?kind=soak").text
    assert "It stays shut" in page
    assert "How:" not in words_of(page)
    answer = bench.post(f"/jobs/{job}/treatments/new", kind="soak", gun="", minutes="12 h", seen="glow even")
    assert answer.status_code == 409
    said = words_of(answer.text)
    assert "Not known: socket and pins clean" in said
    assert "What you typed, not stored" in said
    assert "glow even" in said
    assert bench.store.job(job).treatments == ()


def test_a_soak_overnight_is_logged_by_what_was_confirmed_when_it_began(bench: Visitor, job: int, clock: Clock) -> None:
    clean_socket(bench, job)
    bench.confirm(job, "treatment", "soak")
    assert "How:" in words_of(bench.get(f"/jobs/{job}/treatments/new?kind=soak").text)
    clock.on(hours=12)
    assert soak(bench, job) == 303
    said = words_of(bench.get(f"/jobs/{job}/treatments").text)
    assert "Wait 60 more minutes" in said
    assert "Read red, green and blue again at" in said


def test_a_confirmation_is_spent_with_its_step(bench: Visitor, job: int, clock: Clock) -> None:
    clean_socket(bench, job)
    bench.confirm(job, "treatment", "soak")
    assert soak(bench, job, minutes="5") == 303
    clock.on(minutes=1)
    shut = re.findall(r'name="confirmed" value="(\w+)"', bench.get(f"/jobs/{job}/guard/treatment/soak").text)
    assert "test_voltage" in shut
    assert "local_rules" not in shut


def test_one_form_takes_the_step_and_the_readings_after_it(bench: Visitor, job: int, clock: Clock) -> None:
    clean_socket(bench, job)
    bench.confirm(job, "treatment", "soak")
    clock.on(hours=13)
    told = {"after_red": "700", "after_green": "680uA", "after_blue": "0,46 mA", "leak_hk": "55M", "ended_ago": "61"}
    assert soak(bench, job, minutes="719", **told) == 303
    case = bench.store.case_of(job)
    after = {one.gun: one for one in case.readings if one.stage == "after" and one.kind == "emission"}
    assert {gun: one.value for gun, one in after.items()} == {"red": 700, "green": 680, "blue": 460}
    assert after["blue"].unit == "uA"
    assert after["blue"].instrument == "grey box"
    assert after["blue"].reference == 1000
    assert after["blue"].minutes_on == 61
    (leak,) = [one for one in case.readings if one.stage == "after" and one.kind == "leakage_heater_cathode"]
    assert leak.value == 55
    (one,) = bench.store.job(job).treatments
    assert one.at == clock.now - dt.timedelta(minutes=61)
    # Nobody said what came of it: the readings did.
    assert one.treatment.outcome == "improved"
    said = words_of(bench.get(f"/jobs/{job}/treatments").text)
    assert "blue 0.33 → 0.46" in said
    assert "Wait" not in said.split("Next:")[0].split("Verdict", 1)[1]


@pytest.mark.parametrize(
    ("fields", "said"),
    [
        ({"minutes": ""}, "This is empty. Say how long it took"),
        ({"minutes": "soon"}, "How long it took : “soon”"),
        ({"after_blue": "33x"}, "“x” is not a unit"),
        ({"ended_ago": "-4"}, "“-4” is negative"),
        ({"outcome": "splendid"}, "not one of the choices"),
    ],
)
def test_what_makes_no_sense_is_said_at_its_field_and_nothing_is_stored(
    bench: Visitor, job: int, fields: dict[str, str], said: str
) -> None:
    clean_socket(bench, job)
    bench.confirm(job, "treatment", "soak")
    before = bench.store.case_of(job)
    answer = bench.post(f"/jobs/{job}/treatments/new", **{"kind": "soak", "gun": "", "minutes": "5", **fields})
    assert answer.status_code == 422
    assert said in words_of(answer.text), words_of(answer.text)
    assert bench.store.case_of(job) == before


def test_after_every_entry_the_condition_is_said_go_on_wait_or_stop(bench: Visitor, job: int, clock: Clock) -> None:
    clean_socket(bench, job)

    def headline() -> str:
        found = re.search(r'id="h-now" class="headline">([^<]+)<', bench.get(f"/jobs/{job}/treatments").text)
        assert found is not None
        return found[1].strip()

    assert headline() == "Go on"
    bench.confirm(job, "treatment", "soak")
    assert soak(bench, job, minutes="5") == 303
    assert headline() == "Wait"
    clock.on(minutes=61)
    read_on(bench, job, red=700, green=680, blue=340)
    assert headline() == "Go on"
    assert bench.store.job(job).treatments[0].treatment.outcome == "unchanged"
    clock.on(minutes=5)
    read_on(bench, job, blue=600)
    assert headline() == "Leave it alone: the aim is reached"
    bench.post(f"/jobs/{job}/readings", blue_hk="10k")
    # A short shuts every rung; only its own remedy stands open.
    said = words_of(bench.get(f"/jobs/{job}/treatments").text)
    assert "Heater to cathode of the blue gun is shorted (0.01 Mohm)" in said
    assert "Next: Feed the heater from an insulated winding" in said or "Next: Clear a short" in said
    assert bench.post(f"/jobs/{job}/treatments/new", kind="clean", gun="blue", minutes="1").status_code == 409


@pytest.mark.parametrize(
    ("course", "said"),
    [
        (lambda add: (add("short_boost", 330), add("short_boost", 335)), "Stop: no further gain"),
        (lambda add: (add("clean", 200),), "Stop: it got worse"),
        (lambda add: (add("activate", 400), add("activate", 460)), "Stop: the restorations that a tube stands"),
    ],
)
def test_each_rule_that_stops_is_named(
    bench: Visitor, job: int, clock: Clock, course: Callable[[Callable[[str, float], None]], object], said: str
) -> None:
    def add(kind: str, blue: float) -> None:
        clock.on(minutes=30)
        bench.store.add_treatment(job, Treatment.model_validate({"kind": kind, "gun": "blue"}))
        clock.on(minutes=30)
        read_on(bench, job, red=700, green=680, blue=blue)

    course(add)
    text = bench.get(f"/jobs/{job}/treatments").text
    assert said in words_of(text)
    assert "treatments/new?kind=" not in text
    answer = bench.post(f"/jobs/{job}/treatments/new", kind="clean", gun="blue", minutes="1")
    assert answer.status_code == 409


def test_one_touch_says_that_nobody_knows_the_history(bench: Visitor, job: int) -> None:
    clean_socket(bench, job)
    before = len(bench.store.confirmations(job))
    assert bench.post(f"/jobs/{job}/treatments/history").status_code == 303
    assert bench.post(f"/jobs/{job}/treatments/history").status_code == 303
    told = bench.store.confirmations(job)[before:]
    assert [(one.step_sort, one.step, one.caution) for one in told] == [("treatment", "history", "history_unknown")]
    assert "Nobody knows whether" in bench.get(f"/jobs/{job}/repairs").text
    away = bench.post(f"/jobs/{job}/treatments/history", back="https://elsewhere.example/")
    assert away.headers["location"].startswith(f"/jobs/{job}/treatments")


def test_an_entry_is_corrected_but_not_turned_into_another_step(bench: Visitor, job: int, clock: Clock) -> None:
    bench.store.add_treatment(job, Treatment(kind="clean", gun="blue"), minutes=1, seen="3 bursts")
    one = bench.store.job(job).treatments[0]
    address = f"/jobs/{job}/treatments/{one.id}"
    assert "3 bursts" in bench.get(address).text
    clock.on(hours=2)
    sent = {"version": str(one.version), "outcome": "improved", "minutes": "90 s", "seen": "4 bursts", "note": "steady"}
    assert bench.post(address, **sent, kind="soak", gun="red").status_code == 303
    again = bench.store.job(job).treatments[0]
    assert (again.treatment.kind, again.treatment.gun, again.treatment.outcome) == ("clean", "blue", "improved")
    assert (again.minutes, again.seen, again.note, again.at) == (1.5, "4 bursts", "steady", one.at)
    assert bench.post(address, **sent).status_code == 409
    late = {**sent, "version": str(again.version), "at": "2031-01-01T10:00"}
    assert "still to come" in words_of(bench.post(address, **late).text)
    assert bench.post(address, version=str(again.version), strike="yes").status_code == 303
    assert bench.store.job(job).treatments == ()
    assert bench.get(address).status_code == 404


def test_an_outcome_that_only_the_readings_tell_is_offered(bench: Visitor, job: int, clock: Clock) -> None:
    bench.store.add_treatment(job, Treatment(kind="clean", gun="blue"))
    clock.on(minutes=15)
    bench.post(f"/jobs/{job}/readings", blue_emission="450uA", reference="1000", emission_unit="uA", minutes_on="15")
    assert "The readings say improved: write that down" in words_of(bench.get(f"/jobs/{job}/treatments").text)
    one = bench.store.job(job).treatments[0]
    assert bench.post(f"/jobs/{job}/treatments/{one.id}/outcome").status_code == 303
    assert bench.store.job(job).treatments[0].treatment.outcome == "improved"


def test_the_readings_after_a_treatment_say_whether_it_holds(bench: Visitor, job: int, clock: Clock) -> None:
    address = f"/jobs/{job}/treatments/hold?gun=blue"
    assert "no treatment of blue" in words_of(bench.get(address).text)
    bench.store.add_treatment(job, Treatment(kind="clean", gun="blue"))
    clock.on(minutes=4)
    early = bench.get(address).text
    assert "Next reading" in early
    assert f'data-due="{(NOW + dt.timedelta(minutes=10)).isoformat()}"' in early
    assert 'aria-live="polite"' in early
    assert "that is 6 minutes from now" in words_of(early)
    for minutes, value in ((10, 600), (15, 590), (30, 570), (60, 548)):
        clock.now = NOW + dt.timedelta(minutes=minutes)
        read_on(bench, job, blue=value)
    after = [one for one in bench.store.case_of(job).readings if one.stage == "after"]
    assert [one.minutes_on for one in after] == [10, 15, 30, 60]
    page = bench.get(address).text
    said = words_of(page)
    for words in ("At rest, the next day", "80 % of the chances", "How far each course is believed", "no change"):
        assert words in said
    assert said.index("What can hurt") < said.index("Make sure of this first") < said.index("Blue emission")
    drawing = bench.get(f"/jobs/{job}/treatments/hold/blue/settling.svg?theme=dark&size=wide")
    assert drawing.status_code == 200
    assert drawing.text.startswith("<svg")
    assert 'alt="How the blue gun settles' in page
    assert bench.get(f"/jobs/{job}/treatments/hold/red/settling.svg").status_code == 404
    assert bench.get(f"/jobs/{job}/treatments/hold?gun=cyan").status_code == 404


def test_a_reading_typed_late_stands_at_its_own_time(bench: Visitor, job: int, clock: Clock) -> None:
    bench.store.add_treatment(job, Treatment(kind="clean", gun="blue"))
    clock.on(minutes=40)
    address = f"/jobs/{job}/treatments/hold"
    assert bench.post(address, gun="blue", value="480", read_ago="25").status_code == 303
    kept = bench.store.case_of(job).readings[-1]
    assert kept.at == NOW + dt.timedelta(minutes=15)
    assert kept.minutes_on == 15
    before = bench.post(address, gun="blue", value="480", read_ago="50")
    assert before.status_code == 422
    assert "before the treatment ended" in words_of(before.text)
    assert bench.post(address, gun="blue", value="").status_code == 422
    clock.on(hours=24)
    cold = bench.post(address, gun="blue", value="470")
    assert cold.status_code == 422
    assert "how long the heater was lit" in words_of(cold.text)
    assert bench.post(address, gun="blue", value="470", minutes_on="10").status_code == 303


def test_what_waited_on_a_phone_is_written_once_and_at_its_own_time(bench: Visitor, job: int, clock: Clock) -> None:
    clean_socket(bench, job)
    bench.confirm(job, "treatment", "soak")
    clock.on(minutes=20)
    sent = {"once_key": "0" * 32, "once_waited_s": "600", "after_blue": "340"}
    assert soak(bench, job, minutes="5", ended_ago="2", **sent) == 303
    assert soak(bench, job, minutes="5", ended_ago="2", **sent) == 303
    (one,) = bench.store.job(job).treatments
    assert one.at == clock.now - dt.timedelta(minutes=12)
    after = [r for r in bench.store.case_of(job).readings if r.stage == "after"]
    assert [(r.value, r.at) for r in after] == [(340, clock.now - dt.timedelta(minutes=10))]
    clock.on(minutes=60)
    for _ in range(2):
        more = {"gun": "blue", "value": "345", "once_key": "1" * 32, "once_waited_s": "300"}
        assert bench.post(f"/jobs/{job}/treatments/hold", **more).status_code == 303
    after = [r for r in bench.store.case_of(job).readings if r.stage == "after"]
    assert [r.value for r in after] == [340, 345]
    assert after[-1].at == clock.now - dt.timedelta(minutes=5)


def test_what_is_logged_here_is_what_the_shop_learns_from(bench: Visitor, job: int, clock: Clock) -> None:
    clean_socket(bench, job)
    bench.confirm(job, "treatment", "soak")
    assert soak(bench, job, minutes="5") == 303
    clock.on(minutes=61)
    read_on(bench, job, red=700, green=680, blue=460)
    assert bench.store.experience().treated == ()
    clock.on(minutes=1)
    bench.store.close_job(job)
    (one,) = bench.store.experience().treated
    assert (one.kind, one.outcome) == ("soak", "improved")
    assert one.emission_before == pytest.approx(0.325)
    assert one.emission_after == pytest.approx(0.46)


def test_a_display_without_a_tube_has_no_plan(bench: Visitor) -> None:
    display = bench.store.add_display({"label": "Ferry hall"}).id
    job = bench.store.open_job(display).id
    assert "There is no tube in this display" in bench.get(f"/jobs/{job}/treatments").text


def test_what_is_to_be_confirmed_after_a_treatment_is_asked_for(bench: Visitor, job: int) -> None:
    bench.store.add_treatment(job, Treatment(kind="boost_heater"))
    text = bench.get(f"/jobs/{job}/treatments").text
    assert "Before it runs on or leaves" in text
    assert 'value="gate_eht_before_release"' in text
