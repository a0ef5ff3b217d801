"""The plan of treatment: what comes next, what is shut, when to wait and when to stop, over all sorts of courses."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.case import GUNS, Case, Gun, TreatmentKind
from tubewright.experience import NO_EXPERIENCE
from tubewright.judgement.situation import LADDER
from tubewright.judgement.treatment_course import SHARED, Course, course_of
from tubewright.judgement.treatment_guards import needs_of
from tubewright.judgement.treatment_plan import REMEDIES, TreatmentPlan, Wanted, make_plan
from tubewright.judgement.treatment_stop import GOOD_ENOUGH, HoldWord, Rule, Stop, budget_of, stops_of
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
MORNING: Final = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
NEEDED: Final[dict[Gun, float]] = {"red": 0.5, "green": 0.45, "blue": 0.4}
ALL_OF_BLUE: Final[tuple[tuple[str, tuple[Gun, ...]], ...]] = (
    ("soak", ("blue",)),
    ("run_in", ("blue",)),
    ("short_boost", ("blue",)),
    ("clean", ("blue",)),
    ("activate", ("blue",)),
)


def at(minutes: float) -> dt.datetime:
    return MORNING + dt.timedelta(minutes=minutes)


def read(minutes: float, **levels: float) -> list[dict[str, Any]]:
    """Emission of the named guns, twice each and warm, at a time of the morning."""
    return [
        {"gun": gun, "kind": "emission", "value": value, "unit": "rel", "minutes_on": 10.0 + k, "at": at(minutes + k)}
        for gun, value in levels.items()
        for k in (0, 1)
    ]


def leakage(
    minutes: float, *, hk: float = 60.0, kg1: float = 60.0, g1g2: float = 300.0, gun: Gun | None = None
) -> list[dict[str, Any]]:
    values = {"leakage_heater_cathode": hk, "leakage_cathode_grid1": kg1, "leakage_grid1_grid2": g1g2}
    return [{"kind": kind, "gun": gun, "value": v, "unit": "Mohm", "at": at(minutes)} for kind, v in values.items()]


def done(minutes: float, kind: str, gun: str | None = None, outcome: str | None = None) -> dict[str, Any]:
    return {"kind": kind, "gun": gun, "outcome": outcome, "at": at(minutes)}


def a_case(readings: list[dict[str, Any]], treatments: list[dict[str, Any]], **tube: object) -> Case:
    return Case.model_validate(
        {
            "format": 1,
            "tube": {"heater_v": 6.3, "getter": "silver", "restorations": 0, **tube},
            "readings": [
                {"kind": "heater_voltage", "value": 6.3, "unit": "V", "at": at(-30)},
                *readings,
            ],
            "treatments": treatments,
        }
    )


def history(case: Case) -> Course:
    return course_of(case, KNOWLEDGE, NO_EXPERIENCE, without=frozenset())


def stopped(case: Case, holds: dict[Gun, HoldWord] | None = None) -> tuple[Stop, ...]:
    return stops_of(case, history(case), KNOWLEDGE, needed=NEEDED, normalised={}, holds=holds or {})


def rules(case: Case, gun: Gun, holds: dict[Gun, HoldWord] | None = None) -> set[Rule]:
    return {one.rule for one in stopped(case, holds) if one.gun in {gun, None}}


def planned(
    case: Case,
    *,
    minutes: float,
    wanted: tuple[tuple[str, tuple[Gun, ...]], ...] = ALL_OF_BLUE,
    only: Gun | None = None,
    said: bool = False,
) -> TreatmentPlan:
    return make_plan(
        case,
        history(case),
        KNOWLEDGE,
        wanted=[Wanted(kind=kind, guns=guns) for kind, guns in wanted],  # type: ignore[arg-type]
        stops=stopped(case),
        now=at(minutes),
        only=only,
        history_unknown=said,
    )


BEFORE: Final = [*leakage(-20), *read(0, red=0.70, green=0.68, blue=0.32)]
CONTACTS: Final = done(-40, "clean_contacts", outcome="unchanged")


def test_the_lowest_rung_is_next_and_the_rest_waits_its_turn() -> None:
    plan = planned(a_case(BEFORE, [CONTACTS]), minutes=10)
    states = {(one.kind, one.gun): one.state for one in plan.steps}
    assert states == {
        ("clean_contacts", None): "done",
        ("soak", None): "next",
        ("run_in", None): "later",
        ("short_boost", None): "later",
        ("clean", "blue"): "later",
        ("activate", "blue"): "later",
    }
    assert plan.next_step is not None
    assert all(one.met for one in plan.next_step.needs), plan.next_step.needs
    assert {gun: one.advice for gun, one in plan.guns.items()} == {"red": "leave", "green": "leave", "blue": "go_on"}


def test_after_a_step_all_three_guns_are_read_again_once_it_has_settled() -> None:
    treated = [CONTACTS, done(10, "clean", "blue")]
    just = planned(a_case(BEFORE, treated), minutes=14)
    assert just.waiting is not None
    assert just.waiting.minutes == pytest.approx(6)
    assert just.next_step is not None
    assert just.next_step.state == "wait"
    too_soon = planned(a_case([*BEFORE, *read(13, red=0.7, green=0.68, blue=0.4)], treated), minutes=30)
    assert too_soon.waiting is not None
    assert too_soon.waiting.guns == GUNS
    half = planned(a_case([*BEFORE, *read(21, blue=0.41)], treated), minutes=30)
    assert half.waiting is not None
    assert half.waiting.guns == ("red", "green")
    whole = planned(a_case([*BEFORE, *read(21, red=0.7, green=0.68, blue=0.41)], treated), minutes=30)
    assert whole.waiting is None


def test_a_reading_that_nothing_says_was_taken_after_it_is_no_proof() -> None:
    rows = [
        {"gun": gun, "kind": "emission", "value": value, "unit": "rel", "minutes_on": 10.0}
        for gun, value in (("red", 0.7), ("green", 0.7), ("blue", 0.3))
    ]
    treated = [{"kind": "clean", "gun": "blue", "outcome": "improved"}]
    unsaid = planned(a_case(rows, treated), minutes=0)
    assert unsaid.waiting is not None
    after = [*rows, *({**row, "stage": "after"} for row in rows)]
    assert planned(a_case(after, treated), minutes=0).waiting is None


def test_the_weakest_gun_goes_first_and_one_at_a_time() -> None:
    case = a_case([*leakage(-20), *read(0, red=0.30, green=0.68, blue=0.35)], [CONTACTS])
    both: tuple[Gun, ...] = ("red", "blue")
    plan = planned(case, minutes=10, wanted=(("clean", both), ("activate", both)))
    shown = [(one.kind, one.gun, one.state) for one in plan.steps if one.kind in {"clean", "activate"}]
    assert shown == [
        ("clean", "red", "next"),
        ("clean", "blue", "later"),
        ("activate", "red", "later"),
        ("activate", "blue", "later"),
    ]
    chosen = planned(case, minutes=10, wanted=(("clean", both), ("activate", both)), only="blue")
    assert [(one.kind, one.gun) for one in chosen.steps if one.state == "next"] == [("clean", "blue")]
    assert not any(one.gun == "red" for one in chosen.steps)
    assert set(chosen.guns) == {"blue"}


def test_the_aim_is_a_target_and_never_the_most() -> None:
    treated = [CONTACTS, done(10, "clean", "blue", "improved")]
    reached = a_case([*BEFORE, *leakage(20), *read(25, red=0.7, green=0.68, blue=0.56)], treated)
    assert rules(reached, "blue") == {"target"}
    plan = planned(reached, minutes=40)
    assert plan.next_step is None
    assert plan.guns["blue"].advice == "stop"
    assert "0.55 to 0.60" in plan.guns["blue"].words
    assert {one.state for one in plan.steps if one.gun == "blue"} == {"not_needed"}


def test_guns_that_match_are_enough_if_they_give_what_is_wanted() -> None:
    even = a_case(read(0, red=0.54, green=0.52, blue=0.53), [])
    assert rules(even, "blue") == {"matched"}
    weak = a_case(read(0, red=0.24, green=0.22, blue=0.23), [])
    assert rules(weak, "blue") == set()


def test_two_rounds_without_five_points_are_enough() -> None:
    once = [*BEFORE, *read(25, red=0.7, green=0.68, blue=0.34)]
    twice = [*once, *read(60, red=0.7, green=0.68, blue=0.36)]
    first, second = done(10, "short_boost"), done(40, "clean", "blue")
    assert "no_gain" not in rules(a_case(once, [first]), "blue")
    assert "no_gain" in rules(a_case(twice, [first, second]), "blue")
    helped = [*once, *read(60, red=0.7, green=0.68, blue=0.42)]
    assert "no_gain" not in rules(a_case(helped, [first, second]), "blue")
    # Heat that strains nothing doesn't count as a round.
    mild = [done(10, "soak"), done(40, "run_in")]
    assert "no_gain" not in rules(a_case(twice, mild), "blue")
    # Without readings the outcomes tell.
    told = a_case([], [done(10, "clean", "blue", "unchanged"), done(40, "clean", "blue", "unchanged")])
    assert "no_gain" in rules(told, "blue")


def test_a_gun_that_got_worse_is_left_alone() -> None:
    case = a_case([*BEFORE, *read(25, red=0.7, green=0.68, blue=0.25)], [done(10, "clean", "blue")])
    assert "falling" in rules(case, "blue")
    assert planned(case, minutes=60).next_step is None or planned(case, minutes=60).next_step.gun != "blue"  # type: ignore[union-attr]


@pytest.mark.parametrize(("pair", "value"), [("hk", 0.02), ("hk", 0.5), ("kg1", 0.01), ("kg1", 1.5), ("g1g2", 5.0)])
def test_a_leak_that_appears_shuts_everything_and_says_since_when(pair: str, value: float) -> None:
    after = read(25, red=0.7, green=0.68, blue=0.42)
    leaking: dict[str, Any] = {pair: value}
    case = a_case([*BEFORE, *leakage(30, **leaking), *after], [CONTACTS, done(10, "clean", "blue", "improved")])
    words = [one.words for one in stopped(case) if one.rule == "leak"]
    assert len(words) == 1
    assert "appeared after low-current cleaning" in words[0]
    plan = planned(case, minutes=60)
    assert plan.next_step is None
    assert not any(one.state in {"next", "later", "wait"} for one in plan.steps)
    assert {one.advice for one in plan.guns.values()} == {"stop"}


def test_a_leak_of_one_gun_shuts_the_others_too_for_they_share_heater_and_grid() -> None:
    case = a_case([*leakage(-20, kg1=0.5, gun="red"), *BEFORE], [CONTACTS])
    plan = planned(case, minutes=10)
    assert plan.next_step is None
    assert plan.guns["blue"].advice == "stop"
    assert "of the red gun" in plan.guns["blue"].words


def test_a_leak_is_what_its_remedy_is_for() -> None:
    case = a_case([*leakage(-20, kg1=0.01), *read(0, red=0.7, green=0.68, blue=0.3)], [CONTACTS])
    plan = planned(case, minutes=10, wanted=(("clear_short", ("blue",)), ("clean", ("blue",))))
    assert plan.next_step is not None
    assert plan.next_step.kind == "clear_short"
    assert {one.state for one in plan.steps if one.kind == "clean"} == {"shut"}
    cleared = [*leakage(-20, kg1=0.01), *leakage(30), *read(25, red=0.7, green=0.68, blue=0.3)]
    mended = a_case(cleared, [CONTACTS, done(10, "clear_short", "blue", "improved")])
    assert "leak" not in rules(mended, "blue")


def test_clean_contacts_come_before_what_clears_a_leak_between_grids() -> None:
    case = a_case([*leakage(-20, g1g2=4.0), *read(0, red=0.7, green=0.68, blue=0.3)], [])
    plan = planned(case, minutes=10, wanted=(("clean_contacts", ()), ("clear_short", ())))
    assert [(one.kind, one.state) for one in plan.steps[:2]] == [("clean_contacts", "next"), ("clear_short", "later")]


def test_the_last_resort_is_for_guns_that_nothing_else_may_be_tried_on() -> None:
    spent = a_case(read(0, red=0.7, green=0.68, blue=0.3), [CONTACTS], restorations=4)
    wanted: tuple[tuple[str, tuple[Gun, ...]], ...] = (("clean", ("blue",)), ("boost_heater", ()))
    plan = planned(spent, minutes=10, wanted=wanted)
    assert {one.kind: one.state for one in plan.steps if one.kind in {"clean", "boost_heater"}} == {
        "clean": "shut",
        "boost_heater": "next",
    }
    leaking = a_case([*leakage(-20, hk=0.1), *read(0, red=0.7, green=0.68, blue=0.3)], [CONTACTS], restorations=4)
    assert planned(leaking, minutes=10, wanted=wanted).next_step is None


def test_the_life_of_a_tube_stands_two_to_four_and_a_strong_one_counts_twice() -> None:
    base = read(0, red=0.7, green=0.68, blue=0.2)
    fresh = a_case(base, [done(-2000, "activate", "blue", "improved")], restorations=1)
    assert budget_of(fresh, history(fresh), "blue", KNOWLEDGE).spent_count == 3
    plan = planned(fresh, minutes=10, wanted=(("clean", ("blue",)), ("activate", ("blue",))))
    assert {(one.kind, one.state) for one in plan.steps if one.gun == "blue"} == {
        ("clean", "next"),
        ("activate", "shut"),
    }
    spent = a_case(base, [], restorations=4)
    assert rules(spent, "blue") == {"budget"}
    unknown = a_case(base, [], restorations=None)
    assert not budget_of(unknown, history(unknown), "blue", KNOWLEDGE).known


def test_a_gain_that_goes_back_is_not_chased_higher() -> None:
    case = a_case([*BEFORE, *read(25, red=0.7, green=0.68, blue=0.45)], [done(10, "clean", "blue", "improved")])
    word = HoldWord(hold_ratio=0.6, going_back_probability=0.9, measured=True)
    assert "not_holding" in rules(case, "blue", {"blue": word})
    unsure = HoldWord(hold_ratio=0.74, going_back_probability=0.55, measured=False)
    assert "not_holding" not in rules(case, "blue", {"blue": unsure})


def test_after_an_activation_the_gun_rests_a_day() -> None:
    rows = [*BEFORE, *read(30, red=0.7, green=0.68, blue=0.42)]
    case = a_case(rows, [CONTACTS, done(10, "activate", "blue", "improved")])
    wanted = (("clean", ("blue",)),)
    soon = planned(case, minutes=60, wanted=wanted)  # type: ignore[arg-type]
    assert soon.next_step is None
    assert "hours to go" in next(one.words for one in soon.steps if one.kind == "clean")
    later = planned(case, minutes=60 * 26, wanted=wanted)  # type: ignore[arg-type]
    assert later.next_step is not None


def test_no_rung_is_taken_more_than_twice() -> None:
    rows = [
        *BEFORE,
        *read(25, red=0.7, green=0.68, blue=0.40),
        *read(65, red=0.7, green=0.68, blue=0.48),
    ]
    case = a_case(rows, [CONTACTS, done(10, "clean", "blue", "improved"), done(50, "clean", "blue", "improved")])
    plan = planned(case, minutes=90, wanted=(("clean", ("blue",)), ("activate", ("blue",))))
    clean = next(one for one in plan.steps if one.kind == "clean")
    assert clean.state == "done"
    assert clean.rounds_count == 2
    assert "0.32 to 0.40" in clean.words
    assert "0.40 to 0.48" in clean.words


def test_more_emission_without_more_reserve_is_called_cosmetic() -> None:
    def low(minutes: float, value: float) -> dict[str, Any]:
        return {
            "gun": "blue",
            "kind": "emission",
            "value": value,
            "unit": "rel",
            "minutes_on": 14.0,
            "heater_v": 5.5,
            "at": at(minutes),
        }

    rows = [*BEFORE, low(5, 0.16), *read(25, red=0.7, green=0.68, blue=0.44)]
    treated = [CONTACTS, done(10, "clean", "blue", "improved")]

    def said(value: float) -> str:
        plan = planned(a_case([*rows, low(29, value)], treated), minutes=60, wanted=())
        return next(one.words for one in plan.steps if one.kind == "clean")

    assert "cosmetic" in said(0.20)
    assert "cosmetic" not in said(0.31)


NEED_CASES: Final[dict[str, tuple[list[dict[str, Any]], dict[str, Any]]]] = {
    "vacuum": (BEFORE, {"getter": "unseen"}),
    "history": (BEFORE, {"restorations": None}),
    "leakage": (read(0, red=0.7, green=0.68, blue=0.32), {}),
    "heater": ([{"kind": "heater_voltage", "value": 5.6, "unit": "V", "at": at(-5)}, *BEFORE], {}),
    "repeated": ([*leakage(-20), *read(0, red=0.7, green=0.68), read(0, blue=0.32)[0]], {}),
}


@pytest.mark.parametrize("need", NEED_CASES)
def test_each_thing_that_must_be_known_is_asked_for(need: str) -> None:
    rows, tube = NEED_CASES[need]
    case = a_case(rows, [CONTACTS], **tube)
    found = {one.id: one for one in needs_of(case, history(case), "clean", ("blue",), KNOWLEDGE, at(10))}
    assert [one.id for one in found.values() if not one.met] == [need]
    assert found[need].mend  # type: ignore[index]


def test_history_said_to_be_unknown_is_known_enough() -> None:
    case = a_case(BEFORE, [CONTACTS], restorations=None)
    found = needs_of(case, history(case), "clean", ("blue",), KNOWLEDGE, at(10), history_unknown=True)
    assert all(one.met for one in found)


@pytest.mark.parametrize(
    ("rows", "treatments", "minutes", "why"),
    [
        (leakage(-20), [CONTACTS], 800, "over 12 hours ago"),
        (leakage(-20), [CONTACTS, done(-5, "clean", "blue")], 10, "since the last treatment"),
        ([{k: v for k, v in one.items() if k != "at"} for one in leakage(0)], [CONTACTS], 10, "time isn't written"),
        (leakage(60), [CONTACTS], 10, "over 12 hours ago"),
    ],
)
def test_leakage_is_of_this_session_or_it_is_not_known(
    rows: list[dict[str, Any]], treatments: list[dict[str, Any]], minutes: float, why: str
) -> None:
    case = a_case([*rows, *read(0, red=0.7, green=0.68, blue=0.32)], treatments)
    found = needs_of(case, history(case), "clean", ("blue",), KNOWLEDGE, at(minutes))
    leak = next(one for one in found if one.id == "leakage")
    assert not leak.met
    assert why in leak.words


def test_contacts_are_cleaned_without_any_of_it() -> None:
    case = a_case([], [])
    assert needs_of(case, history(case), "clean_contacts", GUNS, KNOWLEDGE, at(0)) == ()


LEVELS = st.floats(0.05, 0.9)
EVENTS = st.lists(
    st.tuples(
        st.sampled_from([*LADDER, "clear_short", "isolate_heater"]),
        st.sampled_from(GUNS),
        st.sampled_from([None, "improved", "unchanged", "worse", "lost"]),
        st.one_of(st.none(), st.tuples(LEVELS, LEVELS, LEVELS)),
        st.one_of(st.none(), st.floats(0.001, 200.0)),
    ),
    max_size=5,
)
CHOSEN = st.lists(
    st.tuples(
        st.sampled_from([*LADDER, "clear_short", "isolate_heater", "boost_heater"]),
        st.sets(st.sampled_from(GUNS)),
    ),
    max_size=6,
    unique_by=lambda one: one[0],
)


@st.composite
def courses(draw: st.DrawFn) -> Case:
    """Any course that can be written down: readings and treatments in any order, much of it missing."""
    rows: list[dict[str, Any]] = []
    treatments: list[dict[str, Any]] = []
    first = draw(st.one_of(st.none(), st.tuples(LEVELS, LEVELS, LEVELS)))
    if first:
        rows += read(0, **dict(zip(GUNS, first, strict=True)))
    for number, (kind, gun, outcome, levels, hk) in enumerate(draw(EVENTS)):
        start = 60.0 * (number + 1)
        treatments.append(done(start, kind, draw(st.sampled_from([gun, None])), outcome))
        if levels:
            rows += read(start + 40, **dict(zip(GUNS, levels, strict=True)))
        if hk:
            rows += leakage(start + 45, hk=hk, gun=draw(st.sampled_from([None, *GUNS])))
    return a_case(rows, treatments, restorations=draw(st.sampled_from([None, 0, 1, 3])))


@settings(max_examples=120, deadline=None)
@given(case=courses(), chosen=CHOSEN, hour=st.integers(0, 40), only=st.sampled_from([None, *GUNS]))
def test_whatever_happened_no_plan_goes_past_a_stop_or_down_in_energy(
    case: Case, chosen: list[tuple[TreatmentKind, set[Gun]]], hour: int, only: Gun | None
) -> None:
    wanted = [Wanted(kind=kind, guns=tuple(g for g in GUNS if g in guns)) for kind, guns in chosen]
    course = history(case)
    stops = stops_of(case, course, KNOWLEDGE, needed=NEEDED, normalised={}, holds={})
    plan = make_plan(case, course, KNOWLEDGE, wanted=wanted, stops=stops, now=at(60 * hour), only=only)
    coming = [one for one in plan.steps if one.state in {"next", "wait", "later"}]
    # At most one step is open, and it is for one gun or reaches all by its nature.
    assert sum(one.state in {"next", "wait"} for one in coming) <= 1
    assert all(one.gun is not None or one.kind in SHARED or one.kind == "clear_short" for one in coming)
    # Energy never falls from one step to the next, and what is open stands before what is later.
    ladder = [one for one in coming if one.kind not in REMEDIES]
    assert [one.rung for one in ladder] == sorted(one.rung for one in ladder)
    assert [one.state for one in coming] == sorted((one.state for one in coming), key=lambda s: s == "later")
    barred = {one.gun for one in stops if one.rule != "hard_stop"}
    for step in coming:
        if step.kind in REMEDIES or step.kind == "clean_contacts":
            continue
        assert None not in barred
        assert step.gun is None or step.gun not in barred
        assert not any(one.rule == "leak" for one in stops)
    # What was not chosen is never ahead.
    assert {one.kind for one in coming} <= {one.kind for one in wanted}
    # Nothing is next while something must still be read.
    assert plan.waiting is None or not any(one.state == "next" for one in plan.steps)
    for gun, advice in plan.guns.items():
        if any(one.rule not in GOOD_ENOUGH for one in stops if one.gun in {gun, None} or one.rule == "leak"):
            assert advice.advice == "stop" or any(one.kind in REMEDIES for one in coming)
        assert advice.words
    assert all(one.words for one in plan.steps)
