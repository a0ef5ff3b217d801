"""Setting a display up on its page: rounds to the end, what goes otherwise, what is refused, and what is kept."""

from __future__ import annotations

import dataclasses
import json
import re
from pathlib import Path
from typing import Final

import pytest
from typer.testing import CliRunner

from bench.benches import Visitor
from bench.setting import SetUp, set_up, words
from tubewright.case import Repair
from tubewright.cli import app as command
from tubewright.records.store import Store


@pytest.fixture
def shown(visitor: Visitor) -> SetUp:
    return set_up(visitor)


def command_json(store: Store, job: int, monkeypatch: pytest.MonkeyPatch, tmp_path: Path, *more: str) -> dict:  # type: ignore[type-arg]
    monkeypatch.setenv("TUBEWRIGHT_LOG", str(tmp_path / "failures.log"))
    where = str(store.database.engine.url.database)
    ended = CliRunner().invoke(command, ["advise", f"job:{job}", "--json", "--shop", where, *more])
    assert ended.exit_code == 0, ended.stderr
    found: dict = json.loads(ended.stdout)  # type: ignore[type-arg]
    return found


def test_before_a_photograph_it_says_to_take_one_and_shows_the_order(visitor: Visitor) -> None:
    job = visitor.open_job("Pier arcade, machine 7")
    page = words(visitor.get(f"/jobs/{job}/setup").text)
    assert "Photograph first, then turn" in page
    assert "10. Focus" in page or "Focus at last" in page
    assert "Four-pole" not in page.split("The order of work")[0].replace("four-pole", "")


def test_the_tab_leads_to_it_and_a_measurement_back(shown: SetUp) -> None:
    page = shown.visitor.get(f"/jobs/{shown.job}").text
    assert f'href="{shown.base}"' in page
    measured = shown.visitor.store.job(shown.job).measurements[0].id
    assert f'href="{shown.base}"' in shown.visitor.get(f"/jobs/{shown.job}/measurements/{measured}").text
    assert f'href="/jobs/{shown.job}/photos"' in shown.page()


def test_which_way_and_how_far_is_not_shown_before_all_is_confirmed(shown: SetUp) -> None:
    page = words(shown.page())
    assert "Local codes" in page
    assert "a little (" not in page
    assert "Done as said" not in page
    refused = shown.confirm(leave_out=1)
    assert refused.status_code == 409
    assert "Not confirmed" in refused.text
    assert shown.visitor.store.confirmations(shown.job) == ()
    assert "a little (" not in words(refused.text)
    assert shown.confirm().status_code == 303
    page = words(shown.page())
    assert "a little (" in page
    assert page.index("Local codes") < page.index("a little (")
    given = shown.visitor.store.confirmations(shown.job)
    assert {one.step_sort for one in given} == {"control"}
    assert {one.person for one in given} == {"Wren"}


def test_nobody_named_is_told(shown: SetUp) -> None:
    block = shown.page().split('name="way" value="running"')[1].split("</form>")[0]
    asked = re.findall(r'name="confirmed" value="(\w+)"', block)
    answer = shown.post("/guard", way="running", confirmed=asked)
    assert answer.status_code == 409
    assert "nobody is named" in answer.text.lower()


def test_each_way_asks_for_its_own(shown: SetUp) -> None:
    off, running = shown.page().split('name="way" value="off"')[1].split('name="way" value="running"')
    asked = [set(re.findall(r'name="confirmed" value="(\w+)"', part.split("</form>")[0])) for part in (off, running)]
    assert {"anode_charge", "recharge", "primary_reservoir"} <= asked[0]
    assert "eht_live" not in asked[0]
    assert {"eht_live", "mains_live"} <= asked[1]
    assert "anode_charge" not in asked[1]


def test_rounds_on_the_page_until_it_is_done(shown: SetUp) -> None:
    for _ in range(6):
        page = shown.round()
        if "within tolerance." in page and "Done: everything" in page:
            break
    assert "Done: everything measured is within tolerance." in page
    assert f'href="/jobs/{shown.job}/setup/grey"' in page
    assert f'href="/jobs/{shown.job}/proof"' in page
    assert "From photograph to photograph" in page
    said = words(page)
    assert re.search(r"Four-pole rings: one mm between the tabs moves red and blue apart by \d", said)
    assert "Learned here." in said


def test_a_photograph_undoes_what_says_that_the_set_is_drained(shown: SetUp) -> None:
    shown.confirm()
    assert 'class="guard-form"' not in shown.page()
    shown.photograph()
    page = shown.page()
    assert 'value="anode_charge"' in page
    assert 'value="local_rules"' not in page.split('name="way" value="off"')[1].split("</form>")[0]


def test_page_and_command_say_the_same(
    shown: SetUp, store: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    page = shown.round()
    shown.confirm()
    page = words(shown.page())
    told = command_json(store, shown.job, monkeypatch, tmp_path)
    assert told["headline"] in page
    assert told["moves"]
    for move in told["moves"]:
        assert move["amount"] in page
        assert move["direction"].lower() in page.lower()
        assert move["why"] in page
        if move["expected"]:
            assert f"{move['expected']['before']:.2f} → {move['expected']['after']:.2f}" in page
    beyond = [one for one in told["remaining"] if not one["within"]]
    assert f"Beyond tolerance: {len(beyond)}" in page
    for one in beyond:
        assert f"{one['value']:.2f} ± {one['sd']:.2f}" in page or one["unit"] != "mm"
    assert len(told["learned"]) == page.count("Learned here.")
    assert [step["name"] for step in told["order"]] == [step["name"] for step in told["order"] if step["name"] in page]
    assert told["job"]["photographs"] == [one.id for one in store.job(shown.job).measurements]


def test_turned_the_wrong_way_is_kept_and_reckoned_with(shown: SetUp) -> None:
    shown.display.gains = {name: abs(gain) for name, gain in shown.display.gains.items()}
    shown.confirm()
    tilt = "yoke_tilt_vertical"
    assert shown.say(tilt, "wrong_way").status_code == 303
    (move,) = [one for one in shown.visitor.store.moves(shown.job) if one.control == tilt]
    assert move.wrong_way
    assert "it went the other way" in shown.page()
    # One touch takes it back, and one says it again.
    for wrong in (False, True):
        now = next(one for one in shown.visitor.store.moves(shown.job) if one.id == move.id)
        answer = shown.post(f"/moves/{move.id}", became="wrong_way", version=str(now.version))
        assert answer.status_code == 303
        now = next(one for one in shown.visitor.store.moves(shown.job) if one.id == move.id)
        assert now.wrong_way is wrong


def test_undone_counts_as_not_turned(
    shown: SetUp, store: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    shown.confirm()
    moves = shown.do_all()
    for one in moves:
        assert shown.post(f"/moves/{one.id}", became="undone", version=str(one.version)).status_code == 303
    shown.photograph()
    told = command_json(store, shown.job, monkeypatch, tmp_path)
    assert told["learned"] == []
    assert "put back" in shown.page()


def test_at_its_stop_is_not_advised_further(
    shown: SetUp, store: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    shown.confirm()
    tilt = "yoke_tilt_vertical"
    assert shown.say(tilt, "at_stop").status_code == 303
    (move,) = [one for one in store.moves(shown.job) if one.control == tilt]
    assert move.at_stop
    assert move.amount is None
    shown.turn()
    shown.photograph()
    told = command_json(store, shown.job, monkeypatch, tmp_path)
    again = [one for one in told["moves"] if one["control"] == tilt]
    assert all(one["way"] != move.direction for one in again)


def test_done_differently_is_read_as_people_type_it(shown: SetUp) -> None:
    shown.confirm()
    assert shown.say("yoke_tilt_vertical", "differently", amount="1,2 mm", way="down").status_code == 303
    fields = {"tabs_mm": "6.5", "turned_deg": "20", "way": "anticlockwise"}
    assert shown.say("four_pole_rings", "differently", **fields).status_code == 303
    tilt, ring = shown.visitor.store.moves(shown.job)[-2:]
    assert (tilt.control, tilt.amount, tilt.unit, tilt.direction) == ("yoke_tilt_vertical", 1.2, "mm", "down")
    assert (ring.tabs_mm, ring.angle_deg) == (6.5, -20.0)


SENSELESS: Final[tuple[tuple[dict[str, str], str], ...]] = (
    ({}, "this is empty"),
    ({"amount": "a bit", "way": "up"}, "is no amount"),
    ({"amount": "nan", "way": "up"}, "is no amount"),
    ({"amount": "-1", "way": "up"}, "is no amount"),
    ({"amount": "1/0", "way": "up"}, "is no amount"),
    ({"amount": "500", "way": "up"}, "more than any control goes"),
    ({"amount": "3 deg", "way": "up"}, "goes by mm"),
    ({"amount": "1"}, "nothing is picked"),
    ({"amount": "1", "way": "sideways"}, "not one of the choices"),
)


def test_what_makes_no_sense_is_told_at_its_field_and_kept(shown: SetUp) -> None:
    shown.confirm()
    before = shown.visitor.store.moves(shown.job)
    for fields, says in SENSELESS:
        answer = shown.say("yoke_tilt_vertical", "differently", **fields)
        assert answer.status_code == 422, fields
        assert says in words(answer.text).lower(), fields
        assert f'value="{fields.get("amount", "")}"' in answer.text
    assert shown.visitor.store.moves(shown.job) == before


def test_a_move_that_nobody_confirmed_is_refused_kept_and_then_saved(shown: SetUp) -> None:
    store = shown.visitor.store
    shown.confirm()
    seen = shown.seen()["four_pole_rings"]
    store.undo(history_id=next(one.id for one in store.history(job_id=shown.job) if one.table == "confirmations"))
    assert store.confirmations(shown.job) == ()
    fields = {"move": "four_pole_rings", "control": "four_pole_rings", "seen": seen, "what": "differently"}
    answer = shown.post("/moves", tabs_mm="6.5", turned_deg="12", way="clockwise", **fields)
    assert answer.status_code == 409
    assert 'name="kept_tabs_mm" value="6.5"' in answer.text
    block = answer.text.split('name="way" value="off"')[1].split("</form>")[0]
    hidden = dict(re.findall(r'name="(kept_\w+)" value="([^"]*)"', block))
    asked = re.findall(r'name="confirmed" value="(\w+)"', block)
    opened = shown.post("/guard", way="off", confirmed=asked, new_person="Wren", **hidden)
    assert opened.status_code == 200
    assert "Now save what you typed" in opened.text
    again = dict(
        re.findall(r'type="hidden" name="(\w+)" value="([^"]*)"', opened.text.split(f'action="{shown.base}/moves"')[1])
    )
    assert (
        shown.visitor.post(f"{shown.base}/moves", **{k: v for k, v in again.items() if k != "form_token"}).status_code
        == 303
    )
    ring = store.moves(shown.job)[-1]
    assert (ring.control, ring.tabs_mm, ring.angle_deg) == ("four_pole_rings", 6.5, 12.0)


def test_advice_that_has_changed_meanwhile_is_not_written_down(shown: SetUp) -> None:
    shown.confirm()
    seen = shown.seen()
    shown.do_all()
    shown.photograph()
    before = shown.visitor.store.moves(shown.job)
    answer = shown.post("/moves", move="four_pole_rings", seen=seen["four_pole_rings"], what="as_said")
    assert answer.status_code == 409
    assert "another one by now" in answer.text
    assert shown.visitor.store.moves(shown.job) == before


def test_all_of_a_round_in_one_touch_is_one_change(shown: SetUp) -> None:
    shown.confirm()
    marks = list(shown.seen().values())
    before = shown.visitor.store.moves(shown.job)
    answer = shown.post("/moves", what="all", seen=marks)
    assert answer.status_code == 303
    assert len(shown.visitor.store.moves(shown.job)) == len(before) + len(marks)
    change = re.search(r"change=(\d+)", answer.headers["location"])
    assert change
    shown.visitor.post("/undo", change=change[1], back=shown.base)
    assert shown.visitor.store.moves(shown.job) == before


def test_a_move_is_corrected_and_struck_out(shown: SetUp) -> None:
    shown.confirm()
    (*_, move) = shown.do_all()
    page = shown.visitor.get(f"{shown.base}/moves/{move.id}")
    assert page.status_code == 200
    stale = shown.post(f"/moves/{move.id}", became="undone", version="99")
    assert stale.status_code == 409
    assert shown.post(f"/moves/{move.id}", strike="yes", version=str(move.version)).status_code == 303
    assert all(one.id != move.id for one in shown.visitor.store.moves(shown.job))
    assert shown.visitor.get(f"{shown.base}/moves/{move.id}").status_code == 404


def test_something_that_was_not_advised_is_written_down(shown: SetUp) -> None:
    assert "What was turned" in shown.visitor.get(f"{shown.base}/moves/new").text
    assert shown.visitor.get(f"{shown.base}/moves/new?control=nothing").status_code == 404
    page = shown.visitor.get(f"{shown.base}/moves/new?control=h_hold").text
    assert page.index("Local codes") < page.index("How far")
    bad = shown.post("/moves/new", control="h_hold", amount="lots", way="clockwise", note="the cold joint")
    assert bad.status_code == 422
    assert "the cold joint" in bad.text
    assert shown.post("/moves/new", control="h_hold", amount="⅛", way="clockwise").status_code == 303
    move = shown.visitor.store.moves(shown.job)[-1]
    assert (move.control, move.amount, move.unit, move.direction) == ("h_hold", 0.125, "turns", "clockwise")
    missing = shown.post("/moves/new", control="convergence_strips", amount="1", way="in")
    assert missing.status_code == 422
    assert "which part" in missing.text
    assert (
        shown.post("/moves/new", control="convergence_strips", amount="1", way="in", part="top_left").status_code == 303
    )


def test_what_was_chosen_is_kept_and_reckoned_with(shown: SetUp) -> None:
    assert "arcade display" in words(shown.page())
    answer = shown.post(
        "/choices", tolerance="broadcast", opening_width="361 mm", opening_height="270,5", at_once="1", since=""
    )
    assert answer.status_code == 303
    page = words(shown.page())
    assert "tolerances for broadcast type" in page
    assert "--tolerance broadcast --opening-mm 361 270.5 --at-once 1" in page
    assert "tubewright advise job:1" in page
    chosen = shown.visitor.store.setup_choices(shown.job)
    assert chosen is not None
    assert (chosen.tolerance, chosen.opening_width_mm, chosen.opening_height_mm) == ("broadcast", 361.0, 270.5)
    shown.confirm()
    assert len(shown.seen()) == 1
    for wrong, says in (
        ({"opening_width": "361"}, "one of the two is missing"),
        ({"opening_width": "2", "opening_height": "270"}, "no side of a picture"),
        ({"at_once": "99"}, "not a whole number"),
        ({"tolerance": "perfect"}, "not one of the choices"),
        ({"since": "77"}, "no such measurement"),
    ):
        bad = shown.post("/choices", **{"tolerance": "arcade", **wrong})
        assert bad.status_code == 422
        assert says in words(bad.text)
    assert "tolerances for broadcast type" in words(shown.page())


def said(shown: SetUp) -> str:
    """The page's words, a mark right behind its word."""
    return words(shown.page()).replace(" :", ":")


def grey_round(x: float, y: float) -> dict[str, str]:
    """A reading of the grey steps, all of one colour."""
    steps = [
        {"shown": "white", "level": k / 10, "x": x, "y": y, "Y": 100 * (k / 10) ** 2.4, "minutes": None}
        for k in range(1, 11)
    ]
    return {"readings_json": json.dumps(steps), "white": "D65"}


def test_the_grey_scale_is_told_by_its_newest_reading(shown: SetUp) -> None:
    store = shown.visitor.store
    assert "Grey scale: not read yet" in said(shown)
    store.add_grey_round(shown.job, grey_round(0.280, 0.300))
    page = said(shown)
    assert "Grey scale: beyond tolerance at its newest reading" in page
    assert "(0.015 let pass)" in page
    kept = store.add_grey_round(shown.job, grey_round(0.3127, 0.3290))
    page = said(shown)
    assert re.search(r"Grey scale: within tolerance at its newest reading, .{4,40} \(of 2\): white is 0\.0000", page)
    assert "read it again" not in page
    # What was done to the set since the reading may have changed its greys.
    store.add_move(shown.job, {"control": "cut_red", "amount": 0.125, "unit": "turns", "direction": "clockwise"})
    page = said(shown)
    assert "Something was turned since: read it again" in page
    store.undo()
    assert "read it again" not in said(shown)
    store.remove_grey_round(kept.id, version=kept.version)
    assert "Grey scale: beyond tolerance" in said(shown)


def test_what_was_never_a_reading_of_greys_is_not_known(shown: SetUp) -> None:
    shown.visitor.store.add_grey_round(shown.job, {"readings_json": "[1]", "white": "D65"})
    assert "Grey scale: not known at its newest reading" in said(shown)


def test_another_browser_sees_what_was_chosen_and_it_can_be_taken_back(shown: SetUp) -> None:
    answer = shown.post("/choices", tolerance="broadcast", opening_width="", opening_height="", at_once="2")
    assert "tubewright_setup" not in answer.headers.get("set-cookie", "")
    shown.visitor.client.cookies.clear()
    page = shown.page()
    assert "tolerances for broadcast type" in words(page)
    assert re.search(r'name="at_once"[^>]*value="2"', page)
    shown.visitor.client.cookies.set("tubewright_setup", "delta~100x100~1~~")
    assert "tolerances for broadcast type" in words(shown.page())
    assert "choice for the set-up" in shown.visitor.get("/history").text.lower()
    undone = shown.visitor.store.undo()
    assert [one.table for one in undone] == ["setup_choices"]
    page = words(shown.page())
    assert "arcade display" in page
    assert "tolerances for broadcast type" not in page


def test_a_cold_set_is_waited_for(shown: SetUp) -> None:
    assert shown.post("/choices", minutes_on="5").status_code == 303
    page = words(shown.page())
    assert "let it warm up" in page
    assert "Done as said" not in page
    assert shown.post("/choices", minutes_on="soon").status_code == 422
    assert shown.post("/choices", minutes_on="45").status_code == 303
    assert "let it warm up" not in words(shown.page())


def test_a_curl_beyond_tolerance_leads_to_the_loop_filled_from_the_photograph(visitor: Visitor) -> None:
    made = set_up(visitor)
    made.display.state.curl_mm = 6.0
    record = made.photograph()
    assert f'href="/reckon/afc?measurement={record.id}"' in made.page()
    assert visitor.get(f"/reckon/afc?measurement={record.id}").status_code == 200


def test_what_the_last_job_taught_is_where_the_next_begins(
    shown: SetUp, store: Store, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    visitor = shown.visitor
    for _ in range(2):
        shown.round()
    store.close_job(shown.job)
    display = store.job(shown.job).display
    answer = visitor.post("/jobs/new", display=str(display.id), label="Pier arcade, machine 7")
    again = int(re.match(r"/jobs/(\d+)", answer.headers["location"])[1])  # type: ignore[index]
    second = SetUp(visitor=visitor, display=shown.display, job=again)
    second.display.state.misconvergence = dataclasses.replace(
        second.display.state.misconvergence, four_pole_mm=(1.2, -0.8)
    )
    second.photograph()
    page = words(second.page())
    assert "Learned earlier jobs." in page
    assert f"Begun with what job {shown.job} taught" in page
    told = command_json(store, again, monkeypatch, tmp_path)
    assert told["job"]["earlier"] == [shown.job]
    ring = next(one for one in told["moves"] if one["control"] == "four_pole_rings")
    assert ring["sort"] == "aim"
    assert any("earlier jobs" in note for note in told["notes"])


def test_after_a_repair_the_session_begins_anew(shown: SetUp) -> None:
    store = shown.visitor.store
    shown.round()
    store.add_repair(shown.job, Repair(fault="rgb_swapped", outcome="mended"))
    assert "Something was mended since the last photograph" in words(shown.page())
    shown.photograph()
    page = words(shown.page())
    assert "After photograph 1" in page
    assert "first photograph after the last repair" in page


def test_a_photograph_that_moves_made_unreadable_leads_back(shown: SetUp) -> None:
    shown.confirm()
    shown.do_all()
    shown.photograph(refused="Nothing that looks like the survey.")
    page = words(shown.page())
    assert "photograph better, or go back" in page
    shown.confirm()
    assert "back to where it stood" in words(shown.page())


def test_a_delta_gun_has_its_own_order(visitor: Visitor) -> None:
    made = set_up(visitor, 3, gun="delta")
    page = words(made.page())
    assert "magnets of red, green and blue" in page
    assert "Convergence in the middle, roughly: four-pole" not in page
    assert "tolerances for a delta gun" in page


def test_the_drawings_are_drawn(shown: SetUp) -> None:
    shown.round()
    for name in ("map", "rounds"):
        answer = shown.visitor.get(f"{shown.base}/{name}.svg?theme=dark&size=narrow")
        assert answer.status_code == 200
        assert answer.headers["content-type"].startswith("image/svg")
    assert shown.visitor.get(f"{shown.base}/other.svg").status_code == 404
    page = words(shown.page())
    alt = re.search(r'alt="(Against green[^"]+)"', shown.page())
    assert alt
    assert "middle: red" in alt[1]
    assert page


def test_a_closed_job_asks_for_nothing_more_to_be_turned(shown: SetUp) -> None:
    assert "Turn next" in words(shown.page())
    shown.visitor.store.close_job(shown.job)
    page = words(shown.page())
    assert "This job is closed" in page
    assert "Turn next" not in page
    assert 'name="confirmed"' not in shown.page()
