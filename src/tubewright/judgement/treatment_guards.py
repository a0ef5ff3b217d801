"""What must be known before a treatment, and how the case proves it.

Vacuum, socket, heater, leakage, history and a repeated reading are facts that a case
holds or lacks. What a person confirms by word at the bench stands in
:mod:`tubewright.judgement.guards`; both must be met before a step opens.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from tubewright.case import GUNS, Case, Gun, TreatmentKind
from tubewright.judgement.treatment_course import LEAKAGES, SHARED, Course, Leakage
from tubewright.judgement.treatment_stop import strained
from tubewright.knowledge.model import Knowledge

NeedId: TypeAlias = Literal["socket", "vacuum", "heater", "history", "leakage", "repeated"]

HISTORY_UNKNOWN: Final = "history_unknown"
"""Under this name a job keeps, among what was confirmed, that nobody knows of earlier restorations."""
HISTORY_WORDS: Final = "Nobody knows whether this tube was restored before"

_NAMES = dict(
    zip(LEAKAGES, ("heater to cathode", "cathode to grid 1", "grid 1 to grid 2"), strict=True),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """One thing that must be known before a treatment.

    ``met`` says whether the case proves it; ``words`` by which reading or look and when,
    or what is missing; ``mend`` what to do about it.
    """

    id: NeedId
    name: str
    met: bool
    words: str
    mend: str


def needs_of(
    case: Case,
    course: Course,
    kind: TreatmentKind,
    guns: Sequence[Gun],
    knowledge: Knowledge,
    now: dt.datetime,
    *,
    history_unknown: bool = False,
) -> tuple[Need, ...]:
    """What must be known before one treatment of these guns, and whether it is.

    Args:
        case: The case.
        course: What was done and read so far.
        kind: The treatment.
        guns: The guns it is meant for.
        knowledge: The constants and treatments.
        now: The moment; it knows its zone.
        history_unknown: That nobody knows of earlier restorations has been said.
    """
    return tuple(_needs(case, course, kind, guns, knowledge, now, history_unknown=history_unknown))


def _needs(
    case: Case,
    course: Course,
    kind: TreatmentKind,
    guns: Sequence[Gun],
    knowledge: Knowledge,
    now: dt.datetime,
    *,
    history_unknown: bool,
) -> Iterator[Need]:
    if kind == "clean_contacts":
        return
    facts = knowledge.treatments[kind]
    strains = facts.counts_as > 0
    yield _vacuum(case)
    if kind not in {"clear_short", "isolate_heater"}:
        yield _socket(case, course)
    if kind in {"soak", "run_in", "short_boost", "clean", "activate", "boost_heater"}:
        yield _heater(case, knowledge, now)
    if "gate_leakage_known" in facts.cautions:
        yield _leakage(course, guns, knowledge, now)
    if strains:
        yield _history(case, said=history_unknown)
        yield _repeated(course, guns, knowledge)


def _vacuum(case: Case) -> Need:
    looked = [one.result for one in case.tests if one.id == "v_getter" and one.result]
    getter = {"dark": "silver"}.get(looked[-1], looked[-1]) if looked else case.tube.getter
    met = getter == "silver" and case.tube.neck != "cracked"
    if met:
        words = "the getter was seen dark or silvery"
    elif getter in {None, "unseen"}:
        words = "nobody has looked at the getter"
    else:
        words = f"the getter is {getter}: air has got in" if getter in {"white", "clear"} else "the neck is cracked"
    return Need(
        id="vacuum",
        name="vacuum seen",
        met=met,
        words=words,
        mend="Look at getter, neck and tip (v_getter, v_neck_glass).",
    )


def _socket(case: Case, course: Course) -> Need:
    done = any(one.kind == "clean_contacts" for one in course.rounds)
    tested = any(one.id == "p_socket_clean" for one in case.tests)
    met = done or tested
    return Need(
        id="socket",
        name="socket and pins clean",
        met=met,
        words="they were cleaned" if met else "nothing says that socket and pins were cleaned",
        mend="Clean them and read again (p_socket_clean); one low reading in eight is nothing else.",
    )


def _heater(case: Case, knowledge: Knowledge, now: dt.datetime) -> Need:
    rated = case.tube.heater_v or knowledge.value("usual_heater_v")
    tolerance = knowledge.value("heater_tolerance")
    hours = knowledge.value("treatment_session_hours")
    mend = (
        f"Measure it as true RMS in the chassis (d_heater_rms); rated {rated:g} V, {100 * tolerance:.0f} % either way."
    )
    volts = [one for one in case.readings if one.kind == "heater_voltage"]
    if volts:
        last = volts[-1]
        fits = abs(last.value / rated - 1) <= tolerance
        fresh = not isinstance(last.at, dt.datetime) or _fresh(_zoned(last.at), now, hours)
        words = f"{last.value:g} V read{_when(last.at)} of {rated:g} V rated"
        words += "" if fits else f": more than {100 * tolerance:.0f} % off"
        words += "" if fresh else f"; that was over {hours:g} hours ago"
        return Need(id="heater", name="heater voltage verified", met=fits and fresh, words=words, mend=mend)
    found = [one for one in case.tests if one.id == "d_heater_rms"]
    if found:
        last_test = found[-1]
        if last_test.value is not None:
            fits = abs(last_test.value / (last_test.nominal or rated) - 1) <= tolerance
            words = f"{last_test.value:g} V measured of {last_test.nominal or rated:g} V"
        else:
            fits, words = last_test.result == "right", f"measured in the chassis: {last_test.result}"
        return Need(id="heater", name="heater voltage verified", met=fits, words=words, mend=mend)
    return Need(id="heater", name="heater voltage verified", met=False, words="the heater was not measured", mend=mend)


def _history(case: Case, *, said: bool) -> Need:
    count = case.tube.restorations
    words = (
        f"{count} earlier restoration{'' if count == 1 else 's'} known"
        if count is not None
        else "said to be unknown: every one of them is a risk more"
        if said
        else "nothing says whether this tube was restored before"
    )
    return Need(
        id="history",
        name="history of restorations",
        met=count is not None or said,
        words=words,
        mend="Enter restorations, or say that nobody knows (--history-unknown).",
    )


def _leakage(course: Course, guns: Sequence[Gun], knowledge: Knowledge, now: dt.datetime) -> Need:
    hours = knowledge.value("treatment_session_hours")
    # Whatever strained the tube may have loosened a flake: what was measured before it says nothing any more.
    since = max(
        (one.number + 1 for one in course.rounds if strained(one, knowledge) or one.kind == "clear_short"), default=0
    )
    missing, proven = [], []
    for kind in LEAKAGES:
        for gun in guns:
            name = _NAMES[kind] if kind == "leakage_grid1_grid2" else f"{_NAMES[kind]} of {gun}"
            mine = [one for one in course.leakages if one.kind == kind and one.gun in {gun, None}]
            why = _why_stale(mine, since, now, hours)
            if why:
                missing.append(f"{name} {why}")
            else:
                last = mine[-1]
                proven.append(f"{name} {last.value_mohm:g} Mohm{_when(last.at)}")
    return Need(
        id="leakage",
        name="leakage and shorts checked this session",
        met=not missing,
        words="; ".join(dict.fromkeys(missing or proven)),
        mend="Measure heater to cathode, cathode to grid 1 and grid 1 to grid 2, cold and hot, and enter the time.",
    )


def _why_stale(readings: Sequence[Leakage], since: int, now: dt.datetime, hours: float) -> str:
    """Why leakage readings don't count for this session; "" if they do."""
    if not readings:
        return "not measured"
    fresh = [one for one in readings if one.rounds_before >= since]
    if not fresh:
        return "not measured since the last treatment"
    timed = [one for one in fresh if one.at is not None]
    if not timed:
        return "measured, but the time isn't written"
    if not any(_fresh(one.at, now, hours) for one in timed):
        return f"last measured over {hours:g} hours ago"
    return ""


def _repeated(course: Course, guns: Sequence[Gun], knowledge: Knowledge) -> Need:
    wanted, least = int(knowledge.value("treatment_repeats_least")), knowledge.value("treatment_warm_minutes")
    short = []
    for gun in guns:
        count = sum(1 for one in course.readings_now[gun] if one.minutes_on is not None and one.minutes_on >= least)
        if count < wanted:
            short.append(f"{gun} {count} of {wanted}")
    return Need(
        id="repeated",
        name="low reading repeated",
        met=not short,
        words=f"readings at {least:g} minutes or more since the last treatment: {', '.join(short)}"
        if short
        else f"read {wanted} times at {least:g} minutes or more",
        mend=f"Read it again, the heater lit for {least:g} minutes or more, and enter minutes_on.",
    )


def guns_meant(kind: TreatmentKind, gun: Gun | None, weak: Sequence[Gun]) -> tuple[Gun, ...]:
    """The guns that a step is meant for: its own, or all that want it."""
    if gun is not None:
        return (gun,)
    return tuple(one for one in GUNS if one in weak) if kind in SHARED else GUNS


def _fresh(at: dt.datetime | None, now: dt.datetime, hours: float) -> bool:
    return at is not None and dt.timedelta(0) <= now - at <= dt.timedelta(hours=hours)


def _zoned(at: dt.datetime) -> dt.datetime:
    return at if at.tzinfo else at.replace(tzinfo=dt.UTC)


def _when(at: dt.date | dt.datetime | None) -> str:
    if at is None:
        return ""
    return f" at {at:%Y-%m-%d %H:%M}" if isinstance(at, dt.datetime) else f" on {at:%Y-%m-%d}"
