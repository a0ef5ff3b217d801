"""The grey scale of a job on the page: read, guarded, turned, read again until it is within its tolerances."""

from __future__ import annotations

import json
import re
from typing import Final

from bench.benches import ORIGIN, Visitor
from bench.pictured import add_measurement
from grey_bench import GreyBench, made_up
from measured import measurement
from tubewright.answers.greyscale import GreyReading, grey_target
from tubewright.answers.greyscale_course import grey_course
from tubewright.answers.greyscale_kept import kept_round
from tubewright.answers.measurement import Figure, GunLaw, Tracking, Unsupported
from tubewright.knowledge.load import load_knowledge

MOST_ROUNDS: Final = 10


def grid(readings: list[GreyReading]) -> dict[str, str]:
    """Readings as they would be typed into the grid."""
    fields: dict[str, str] = {}
    for one in readings:
        row = str(round(100 * one.level_ratio)) if one.shown == "white" else one.shown
        fields[f"g_{row}_x"], fields[f"g_{row}_y"] = (f"{part:.4f}" for part in one.place_xy)
        fields[f"g_{row}_light"] = f"{one.luminance_cd_m2:.3f}"
    return fields


def pasted(readings: list[GreyReading]) -> str:
    return "\n".join(
        f"{round(100 * one.level_ratio) if one.shown == 'white' else one.shown}; {one.place_xy[0]}; {one.place_xy[1]}; "
        f"{one.luminance_cd_m2}"
        for one in readings
    )


def advised(page: str) -> dict[str, float]:
    """What the form is filled with: turns by control, clockwise above 0."""
    found = {}
    for control, turns in re.findall(r'name="said_(\w+)" value="([\d.]+)"', page):
        way = re.search(rf'name="way_{control}".*?<option selected>(\w+)<', page, re.DOTALL)
        assert way is not None
        found[control] = float(turns) * (1 if way[1] == "clockwise" else -1)
    return found


def turn(bench: GreyBench, turned: dict[str, float]) -> dict[str, str]:
    """Turn the hidden display, and say so in the fields of the form."""
    fields = {}
    for control, turns in turned.items():
        bench.turn(control, turns)
        fields[f"turn_{control}"] = f"{abs(turns)}"
        fields[f"way_{control}"] = "clockwise" if turns > 0 else "anticlockwise"
    return fields


def confirm(visitor: Visitor, job: int, way: str = "running") -> None:
    """Confirm all that one way of turning asks for."""
    place = f"/jobs/{job}/setup/grey"
    asked = re.findall(rf'id="{way}-(\w+)" name="confirmed"', visitor.get(place).text)
    assert asked
    sent = {"way": way, "confirmed": asked, "new_person": "Wren", "form_token": visitor.token()}
    answer = visitor.client.post(f"{place}/guard", data=sent, headers={"origin": ORIGIN}, follow_redirects=False)
    assert answer.status_code == 303, answer.text


def test_a_display_is_read_and_turned_until_it_is_within_its_tolerances(visitor: Visitor) -> None:
    job, bench = visitor.open_job(), made_up(33)
    place = f"/jobs/{job}/setup/grey"
    assert "Read the steps" in visitor.get(place).text
    assert visitor.post(place, white="D65", kind="inline", **grid(bench.readings(primaries=True))).status_code == 303
    shut = visitor.get(place).text
    assert "shut until each of these is so" in shut
    assert "an eighth of a turn" not in shut, "nothing of what to turn before the guard is open"
    confirm(visitor, job)
    for _ in range(MOST_ROUNDS):
        page = visitor.get(place).text
        if "Within the tolerances" in page:
            break
        turned = advised(page)
        assert turned, page
        fields = turn(bench, turned)
        sent = visitor.post(place, white="D65", kind="inline", **fields, **grid(bench.readings(primaries=True)))
        assert sent.status_code == 303, sent.text
    assert "Within the tolerances (0.015 and 0.015): leave the controls" in page
    rounds = visitor.store.job(job).grey_rounds
    kept = [kept_round(one.readings_json, one.turned_json, retrace_seen=one.retrace_seen) for one in rounds]
    course = grey_course(kept, grey_target("D65", "inline", load_knowledge()))
    assert course.now.state == "done", "the page and the library answer alike"
    assert course.now.gains


def test_all_as_said_stands_for_what_was_advised(visitor: Visitor) -> None:
    job, bench = visitor.open_job(), made_up(33)
    place = f"/jobs/{job}/setup/grey"
    visitor.post(place, white="D65", paste=pasted(bench.readings(primaries=True)))
    assert "said_drive_red" not in visitor.get(place).text
    confirm(visitor, job)
    said = advised(visitor.get(place).text)
    first, *others = said
    fields = {f"said_{control}": f"{abs(turns)}" for control, turns in said.items()} | {f"turn_{first}": "0"}
    fields |= {f"way_{control}": "clockwise" if turns > 0 else "anticlockwise" for control, turns in said.items()}
    visitor.post(place, white="D65", paste=pasted(bench.readings()), as_said="yes", **fields)
    visitor.post(place, white="D65", paste=pasted(bench.readings()), **fields)
    _, as_said, left_alone = visitor.store.job(job).grey_rounds
    assert json.loads(as_said.turned_json) == {one: said[one] for one in others}
    assert json.loads(left_alone.turned_json) == {}


def test_turning_is_not_written_down_before_the_guard_is_open(visitor: Visitor) -> None:
    job, bench = visitor.open_job(), made_up(33)
    place = f"/jobs/{job}/setup/grey"
    visitor.post(place, white="D65", paste=pasted(bench.readings()))
    refused = visitor.post(
        place, white="D65", paste=pasted(bench.readings()), turn_drive_red="1/8", way_drive_red="clockwise"
    )
    assert refused.status_code == 409
    assert 'name="kept_turn_drive_red" value="1/8"' in refused.text
    assert len(visitor.store.job(job).grey_rounds) == 1


def test_a_condition_that_was_not_ticked_keeps_it_shut(visitor: Visitor) -> None:
    job, bench = visitor.open_job(), made_up(33)
    place = f"/jobs/{job}/setup/grey"
    visitor.post(place, white="D65", paste=pasted(bench.readings()))
    refused = visitor.post(f"{place}/guard", way="running", new_person="Wren", confirmed="eht_live")
    assert refused.status_code == 409
    assert "Not confirmed" in refused.text
    assert visitor.store.confirmations(job) == ()
    assert "said_drive_red" not in refused.text


def test_what_says_that_it_is_drained_is_spent_by_the_next_reading(visitor: Visitor) -> None:
    job, bench = visitor.open_job(), made_up(33)
    place = f"/jobs/{job}/setup/grey"
    visitor.post(place, white="D65", paste=pasted(bench.readings()))
    confirm(visitor, job, "off")
    assert "said_" in visitor.get(place).text
    visitor.post(place, white="D65", paste=pasted(bench.readings()))
    assert "said_" not in visitor.get(place).text


def test_every_fault_is_named_at_its_field_and_nothing_is_kept(visitor: Visitor) -> None:
    job = visitor.open_job()
    place = f"/jobs/{job}/setup/grey"
    answer = visitor.post(
        place, white="D65", white_xy="0.9, 0.05", peak="-3", g_10_x="0.3", g_10_y="0,33", g_10_light="abc", g_20_x="7"
    )
    assert answer.status_code == 422
    for said in ("10 %, cd/m2", "Or its x and y", "Peak white wished"):
        assert said in answer.text
    assert 'value="abc"' in answer.text, "what was typed stays"
    assert visitor.store.job(job).grey_rounds == ()
    nothing = visitor.post(place, white="D65")
    assert nothing.status_code == 422
    assert "nothing was read" in nothing.text.lower()


def test_a_reading_is_struck_out_and_taken_back(visitor: Visitor) -> None:
    job, bench = visitor.open_job(), made_up(33)
    place = f"/jobs/{job}/setup/grey"
    visitor.post(place, white="9300K", kind="delta", paste=pasted(bench.readings()))
    there = visitor.store.job(job).grey_rounds[0]
    assert (there.white, there.kind) == ("9300K", "delta")
    assert visitor.post(f"{place}/{there.id}/strike", version=str(there.version)).status_code == 303
    assert visitor.store.job(job).grey_rounds == ()
    visitor.store.undo()
    assert len(visitor.store.job(job).grey_rounds) == 1
    assert visitor.post(f"{place}/99/strike", version="1").status_code == 404


def test_the_shops_own_white_is_offered_first(visitor: Visitor) -> None:
    visitor.store.set_settings({"white_x": "0.29", "white_y": "0.3", "white_name": "hall white"})
    job = visitor.open_job()
    page = visitor.get(f"/jobs/{job}/setup/grey").text
    assert '<option value="0.29,0.3" selected>hall white</option>' in page


def test_a_photograph_of_the_steps_does_until_a_colorimeter_comes(visitor: Visitor) -> None:
    job = visitor.open_job()
    law = GunLaw(
        gamma_ratio=Figure(value=2.4, sd=0.02),
        black_drive_ratio=Figure(value=0.03, sd=0.005),
        bends_at_ratio=None,
        shortfall_ratio=Figure(value=0.0, sd=0.01),
        emission_reserve=Unsupported(reason="straight", would_settle="nothing"),
        strength_ratio=Figure(value=1.0, sd=0.01),
    )
    tracking = Tracking(guns=dict.fromkeys(("red", "green", "blue"), law), white_drift_du_v=Figure(value=0.0, sd=0.001))
    add_measurement(visitor.store, job, answer=measurement(tracking=tracking))
    page = visitor.get(f"/jobs/{job}/setup/grey").text
    assert "the guns against each other only" in page
    assert visitor.get(f"/jobs/{job}/setup/grey/chart.svg").status_code == 200


def test_the_drawing_shows_the_newest_reading(visitor: Visitor) -> None:
    job = visitor.open_job()
    assert visitor.get(f"/jobs/{job}/setup/grey/chart.svg").status_code == 404
    visitor.post(f"/jobs/{job}/setup/grey", white="D65", paste=pasted(made_up(33).readings()))
    drawn = visitor.get(f"/jobs/{job}/setup/grey/chart.svg?theme=dark&size=narrow")
    assert drawn.headers["content-type"].startswith("image/svg+xml")
    assert json.loads(visitor.store.job(job).grey_rounds[0].turned_json) == {}


def test_what_was_confirmed_for_the_controls_stands_with_the_repairs_too(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.post(f"/jobs/{job}/setup/grey", white="D65", paste=pasted(made_up(33).readings()))
    confirm(visitor, job)
    page = visitor.get(f"/jobs/{job}/repairs")
    assert page.status_code == 200
    assert "Cutoff red" in page.text
