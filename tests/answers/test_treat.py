"""``treat``: one tube from its first readings to its aim, and the ways in which the plan refuses to go on."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any, Final

import pytest

from tubewright.answers.treat import Said, require_next, treat
from tubewright.answers.treated import STATE_WORDS, Treated, to_json
from tubewright.case import Case, Gun
from tubewright.errors import InputError, RefusedError
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
MORNING: Final = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
EVERY_CAUTION: Final = tuple(KNOWLEDGE.cautions)


def at(minutes: float) -> dt.datetime:
    return MORNING + dt.timedelta(minutes=minutes)


def read(minutes: float, **levels: float) -> list[dict[str, Any]]:
    return [
        {
            "gun": gun,
            "kind": "emission",
            "value": value,
            "unit": "rel",
            "heater_v": 6.3,
            "minutes_on": 10.0 + k,
            "at": at(minutes + k),
        }
        for gun, value in levels.items()
        for k in (0, 1)
    ]


def leakage(minutes: float, hk: float = 60.0) -> list[dict[str, Any]]:
    return [
        {"kind": kind, "value": value, "unit": "Mohm", "at": at(minutes)}
        for kind, value in (
            ("leakage_heater_cathode", hk),
            ("leakage_cathode_grid1", 60.0),
            ("leakage_grid1_grid2", 300.0),
        )
    ]


def slump(minutes: float, gun: str, value: float) -> dict[str, Any]:
    return {
        "gun": gun,
        "kind": "emission",
        "value": value,
        "unit": "rel",
        "heater_v": 5.5,
        "minutes_on": 15.0,
        "at": at(minutes),
    }


HEATER: Final = {"kind": "heater_voltage", "value": 6.3, "unit": "V", "at": at(-30)}
FIRST: Final = [
    HEATER,
    *leakage(-20),
    *read(0, red=0.70, green=0.68, blue=0.32),
    slump(5, "red", 0.64),
    slump(5, "green", 0.62),
    slump(5, "blue", 0.19),
]
CONTACTS: Final = {"kind": "clean_contacts", "outcome": "unchanged", "at": at(-180)}
SOAKED: Final = {"kind": "soak", "outcome": "unchanged", "at": at(-120)}


def a_case(readings: list[dict[str, Any]], treatments: list[dict[str, Any]], **tube: object) -> Case:
    return Case.model_validate(
        {
            "format": 1,
            "tube": {"heater_v": 6.3, "getter": "silver", "restorations": 0, "service_hours": 20000, **tube},
            "use": {"hours_per_week": 10, "keep_years": 4, "minimum_white": 0.5},
            "costs": {
                "currency": "EUR",
                "bench_rate_per_hour": 45,
                "replacement_tube": 300,
                "replacement_display": 500,
                "parts_value": 20,
            },
            "readings": readings,
            "treatments": treatments,
        }
    )


def ask(case: Case, minutes: float, **more: Any) -> Treated:  # noqa: ANN401 - whatever treat takes
    return treat(case, KNOWLEDGE, now=at(minutes), futures=2000, **more)


def test_the_first_plan_has_the_verdicts_lowest_rung_next_and_tells_how_only_once_it_is_open() -> None:
    case = a_case(FIRST, [CONTACTS])
    shut = ask(case, 15)
    assert shut.advice == "go_on"
    assert shut.next is not None
    assert shut.next.kind == "soak"
    assert not shut.next.open
    assert shut.next.how == ""
    assert all(one.met for one in shut.next.needs)
    with pytest.raises(RefusedError) as refused:
        require_next(shut)
    said = [fault.what for fault in refused.value.faults]
    assert sum(what.startswith("not confirmed") for what in said) == len(shut.next.conditions)
    assert all(".." not in what for what in said)
    assert "Local codes" in refused.value.faults[-1].mend
    wide = ask(case, 15, confirmed=EVERY_CAUTION)
    assert wide.next is not None
    assert wide.next.open
    assert wide.next.how.startswith(KNOWLEDGE.treatments["soak"].how)
    require_next(wide)


def test_one_condition_left_out_keeps_it_shut() -> None:
    case = a_case(FIRST, [CONTACTS])
    shown = ask(case, 15).next
    assert shown is not None
    names = [one.caution for one in shown.conditions]
    for missing in names:
        answer = ask(case, 15, confirmed=[name for name in names if name != missing])
        with pytest.raises(RefusedError, match=missing):
            require_next(answer)


def test_what_was_confirmed_in_the_job_counts_while_it_holds() -> None:
    case = a_case(FIRST, [CONTACTS])
    shown = ask(case, 15).next
    assert shown is not None
    given = [Said(step="soak", caution=one.caution, at=at(14)) for one in shown.conditions]
    fresh = ask(case, 15, confirmations=given).next
    assert fresh is not None
    assert fresh.open
    stale = ask(case, 15 + 600, confirmations=given).next
    assert stale is not None
    assert not stale.open


def test_an_unknown_caution_is_named_with_the_nearest() -> None:
    with pytest.raises(InputError, match="anode_charge"):
        ask(a_case(FIRST, [CONTACTS]), 15, confirmed=["anode_charg"])


def test_a_fact_that_is_missing_is_no_word_to_be_confirmed() -> None:
    case = a_case([one for one in FIRST if not str(one["kind"]).startswith("leakage")], [CONTACTS])
    answer = ask(case, 15, confirmed=EVERY_CAUTION)
    assert answer.next is not None
    assert not answer.next.open
    with pytest.raises(RefusedError, match="leakage and shorts checked this session"):
        require_next(answer)


def test_the_course_of_a_tube_go_on_wait_and_stop() -> None:
    cleaned = {"gun": "blue", "kind": "clean", "outcome": "improved", "at": at(20)}
    rest = [CONTACTS, SOAKED]
    before = ask(a_case(FIRST, rest), 15)
    assert before.advice == "go_on"
    waiting = ask(a_case(FIRST, [*rest, cleaned]), 24, confirmed=EVERY_CAUTION)
    assert waiting.wait_minutes == pytest.approx(6)
    assert waiting.read_again == ("red", "green", "blue")
    assert waiting.next is None or not waiting.next.open
    reached = ask(a_case([*FIRST, *leakage(28), *read(32, red=0.7, green=0.68, blue=0.57)], [*rest, cleaned]), 60)
    assert reached.next is None
    assert reached.guns["blue"].advice == "stop"
    assert {one.rule for one in reached.stops if one.gun == "blue"} == {"target"}
    assert reached.guns["red"].advice == "leave"
    leaks = ask(
        a_case([*FIRST, *leakage(28, hk=0.3), *read(32, red=0.7, green=0.68, blue=0.42)], [*rest, cleaned]),
        60,
        confirmed=EVERY_CAUTION,
    )
    assert leaks.next is None or leaks.next.kind in {"isolate_heater", "clear_short"}
    assert any(one.rule == "leak" and "appeared after" in one.words for one in leaks.stops)


def test_a_gain_that_goes_back_stops_the_gun() -> None:
    cleaned = {"gun": "blue", "kind": "clean", "outcome": "improved", "at": at(20)}
    fall = [(32, 0.50), (40, 0.47), (60, 0.42), (90, 0.37), (150, 0.33), (260, 0.31)]
    rows = [
        {"gun": "blue", "kind": "emission", "value": v, "unit": "rel", "heater_v": 6.3, "minutes_on": 30.0, "at": at(t)}
        for t, v in fall
    ]
    case = a_case([*FIRST, *leakage(28), *read(262, red=0.7, green=0.68), *rows], [CONTACTS, SOAKED, cleaned])
    answer = ask(case, 280)
    assert answer.guns["blue"].advice == "stop"
    stop = next(one for one in answer.stops if one.rule == "not_holding")
    assert stop.gun == "blue"
    assert stop.figures["hold_ratio"] < 0.75
    assert "going back" in answer.guns["blue"].hold


def test_a_tube_that_must_not_be_treated_has_no_next_step() -> None:
    cracked = ask(a_case(FIRST, [CONTACTS], neck="cracked"), 15, confirmed=EVERY_CAUTION)
    assert cracked.next is None
    assert cracked.advice == "stop"
    assert any(one.rule == "hard_stop" for one in cracked.stops)
    require_next(cracked)
    unread = ask(a_case([], []), 0)
    assert unread.next is None
    assert unread.decision == "find_fault_first"
    assert "nothing to treat" in unread.headline.lower()


def test_history_is_known_or_said_to_be_unknown() -> None:
    case = a_case(FIRST, [CONTACTS, SOAKED], restorations=None)
    for answer in (ask(case, 15), ask(case, 15, history_unknown=True)):
        assert not answer.guns["blue"].history_known
    strained = [one for one in ask(case, 15).steps if one.kind in {"clean", "short_boost"}]
    assert strained


@pytest.mark.parametrize("gun", ["red", "blue"])
def test_one_gun_alone_can_be_planned(gun: Gun) -> None:
    answer = ask(a_case(FIRST, [CONTACTS]), 15, gun=gun)
    assert set(answer.guns) == {gun}
    assert {one.gun for one in answer.steps} <= {gun, None}


def test_the_published_body_holds_cautions_first_and_only_what_json_can_carry() -> None:
    answer = ask(a_case(FIRST, [CONTACTS]), 15)
    body = to_json(answer)
    json.dumps(body, allow_nan=False)
    assert list(body)[:2] == ["format", "cautions"]
    assert body["cautions"]
    assert {one.state for one in answer.steps} <= set(STATE_WORDS)
    assert answer.next is not None
    assert 0 < answer.next.gain_probability < 1
    assert 0 < answer.next.risk_of_loss < 0.2


def test_the_same_question_has_the_same_answer() -> None:
    case = a_case(FIRST, [CONTACTS])
    assert to_json(ask(case, 15)) == to_json(ask(case, 15))
