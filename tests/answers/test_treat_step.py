"""Only the plan's next step gets into the log, and only with its guards met when it began or now."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final, get_args

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.answers.hold import Held, hold
from tubewright.answers.treat import Said, treat
from tubewright.answers.treat_step import StepDone, require_step, why_not_next
from tubewright.case import GUNS, Case, Gun, TreatmentKind
from tubewright.errors import InputError, RefusedError
from tubewright.judgement.settling_readings import AfterTreatment
from tubewright.judgement.situation import LADDER
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import Knowledge

KNOWLEDGE: Final = load_knowledge()
MORNING: Final = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)
EVERY_CAUTION: Final = tuple(KNOWLEDGE.cautions)
KINDS: Final[tuple[TreatmentKind, ...]] = get_args(TreatmentKind)


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
    values = {"leakage_heater_cathode": hk, "leakage_cathode_grid1": 60.0, "leakage_grid1_grid2": 300.0}
    return [{"kind": kind, "value": v, "unit": "Mohm", "at": at(minutes)} for kind, v in values.items()]


HEATER: Final = {"kind": "heater_voltage", "value": 6.3, "unit": "V", "at": at(-30)}
FIRST: Final = [HEATER, *leakage(-20), *read(0, red=0.70, green=0.68, blue=0.32)]
CONTACTS: Final = {"kind": "clean_contacts", "outcome": "unchanged", "at": at(-180)}
SOAKED: Final = {"kind": "soak", "outcome": "unchanged", "at": at(-120)}


def a_case(readings: list[dict[str, Any]], *treatments: dict[str, Any], **tube: object) -> Case:
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
            "treatments": list(treatments),
        }
    )


def done(kind: TreatmentKind, gun: Gun | None, ended: float, took: float = 0.0) -> StepDone:
    return StepDone(kind=kind, gun=gun, began=at(ended - took), ended=at(ended))


def log(case: Case, step: StepDone, now: float, **more: Any) -> None:  # noqa: ANN401 - whatever it takes
    require_step(case, KNOWLEDGE, step=step, now=at(now), futures=1000, **more)


def confirmed_at(minutes: float, kind: TreatmentKind) -> list[Said]:
    asked = treat(a_case(FIRST, CONTACTS), KNOWLEDGE, now=at(15), futures=1000).next
    assert asked is not None
    assert asked.kind == kind
    return [Said(step=kind, caution=one.caution, at=at(minutes)) for one in asked.conditions]


def unread(told: AfterTreatment, gun: Gun, knowledge: Knowledge, seed: int) -> Held:
    """Nothing known of the holding, at no cost."""
    return hold((), knowledge, gun=gun, seed=seed)


def test_a_step_whose_guards_are_met_now_is_let_in() -> None:
    log(a_case(FIRST, CONTACTS), done("soak", None, 14), 15, confirmed=EVERY_CAUTION)
    # Heat reaches all three, whichever it was done for.
    log(a_case(FIRST, CONTACTS), done("soak", "blue", 14), 15, confirmed=EVERY_CAUTION)


def test_a_guard_left_open_is_named_and_nothing_gets_in() -> None:
    case = a_case(FIRST, CONTACTS)
    with pytest.raises(RefusedError, match="not confirmed"):
        log(case, done("soak", None, 14), 15)
    unread = a_case([HEATER, *read(0, red=0.70, green=0.68, blue=0.32)], CONTACTS)
    with pytest.raises(RefusedError, match="leakage and shorts checked this session"):
        log(unread, done("soak", None, 14), 15, confirmed=EVERY_CAUTION)


def test_a_night_of_soaking_is_judged_by_how_it_began() -> None:
    said = confirmed_at(14, "soak")
    case = a_case([*FIRST, *read(15 + 720, red=0.70, green=0.68, blue=0.36)], CONTACTS)
    log(case, done("soak", None, 15 + 720 - 60, took=660), 15 + 721, confirmations=said)
    # Had it begun before anything was confirmed, it would have been shut then and is shut now.
    with pytest.raises(RefusedError, match="not confirmed"):
        log(case, done("soak", None, 15 + 600, took=602), 15 + 721, confirmations=said)


def test_a_higher_rung_is_not_the_next_step_whoever_confirms_what() -> None:
    case = a_case(FIRST, CONTACTS)
    with pytest.raises(RefusedError, match="is not the next step") as refused:
        log(case, done("activate", "blue", 14), 15, confirmed=EVERY_CAUTION)
    assert "Next is “Soak" in refused.value.faults[0].mend
    # What strained the tube all the same must not vanish from its budget.
    assert "earlier restorations" in refused.value.faults[-1].mend
    with pytest.raises(RefusedError, match="is not the next step") as mild:
        log(case, done("run_in", None, 14), 15, confirmed=EVERY_CAUTION)
    assert all("earlier restorations" not in fault.mend for fault in mild.value.faults)


def test_nothing_is_slipped_in_before_what_was_logged_after_it() -> None:
    said = confirmed_at(14, "soak")
    case = a_case(FIRST, CONTACTS, {"kind": "soak", "outcome": "unchanged", "at": at(200)})
    with pytest.raises(RefusedError):
        log(case, done("soak", None, 190, took=170), 300, confirmations=said)


def test_times_that_cannot_be_are_wrong_input() -> None:
    case = a_case(FIRST, CONTACTS)
    with pytest.raises(InputError, match="in the future"):
        log(case, done("soak", None, 20), 15)
    with pytest.raises(InputError, match="before it began"):
        log(case, done("soak", None, 14, took=-5), 15)


def test_why_a_treatment_is_not_the_next_one_is_told_in_the_plans_own_words() -> None:
    plan = treat(a_case(FIRST, CONTACTS), KNOWLEDGE, now=at(15), futures=1000)
    assert why_not_next(plan, "soak", None, KNOWLEDGE) is None
    later = why_not_next(plan, "clean", "blue", KNOWLEDGE)
    assert later is not None
    assert "later: Its turn comes" in later.what
    other = why_not_next(plan, "clean", "red", KNOWLEDGE)
    assert other is not None
    assert "the plan has it for blue" in other.what
    cracked = treat(a_case(FIRST, CONTACTS, neck="cracked"), KNOWLEDGE, now=at(15), futures=1000)
    stopped = why_not_next(cracked, "soak", None, KNOWLEDGE)
    assert stopped is not None
    assert "Stop." in stopped.mend


@settings(max_examples=30)
@given(
    levels=st.tuples(*[st.floats(0.1, 0.8)] * 3),
    after=st.tuples(*[st.floats(0.05, 0.8)] * 3),
    before=st.lists(st.tuples(st.sampled_from(LADDER), st.sampled_from(GUNS)), max_size=3),
    hk=st.sampled_from([60.0, 60.0, 0.01]),
    restorations=st.sampled_from([None, 0, 2, 4]),
    kind=st.sampled_from(KINDS),
    gun=st.sampled_from([None, *GUNS]),
    aimed=st.booleans(),
)
def test_a_forbidden_step_never_gets_in(
    levels: tuple[float, ...],
    after: tuple[float, ...],
    before: list[tuple[TreatmentKind, Gun]],
    hk: float,
    restorations: int | None,
    kind: TreatmentKind,
    gun: Gun | None,
    aimed: bool,
) -> None:
    rows = [HEATER, *read(0, **dict(zip(GUNS, levels, strict=True)))]
    treatments = []
    for number, (one, of) in enumerate(before):
        start = 100.0 * (number + 1)
        treatments.append({"kind": one, "gun": of, "at": at(start)})
        rows += read(start + 70, **dict(zip(GUNS, after, strict=True)))
    now = 100.0 * (len(before) + 1)
    rows += [*leakage(now - 5, hk), {**HEATER, "at": at(now - 6)}]
    case = a_case(rows, *treatments, restorations=restorations)
    plan = treat(case, KNOWLEDGE, now=at(now), confirmed=EVERY_CAUTION, futures=1000, holds=unread)
    if aimed and plan.next is not None:
        kind, gun = plan.next.kind, plan.next.gun
    allowed = plan.next is not None and plan.next.open and plan.next.kind == kind and plan.next.gun in {gun, None}
    if not allowed:
        with pytest.raises(RefusedError) as refused:
            log(case, done(kind, gun, now), now, confirmed=EVERY_CAUTION, holds=unread)
        assert all(fault.what and fault.mend for fault in refused.value.faults)
        return
    log(case, done(kind, gun, now), now, confirmed=EVERY_CAUTION, holds=unread)
    if KNOWLEDGE.treatments[kind].counts_as > 0:
        # Nothing that strains a gun comes after a stop of that gun, or past a leak.
        assert not any(one.rule == "leak" for one in plan.stops)
        assert not any(one.gun == gun and gun is not None for one in plan.stops)
        # And nothing of lower energy that the plan wants stands open before it.
        rung = KNOWLEDGE.treatments[kind].rung
        assert not any(one.state in {"next", "wait", "later"} and one.rung < rung for one in plan.steps)
