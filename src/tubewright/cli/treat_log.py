"""Writing a step of treatment into a job from the terminal: what was typed, who says so, and the same guards."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, get_args

from tubewright.case import GUNS, Case, Gun, Outcome, TreatmentKind
from tubewright.cli.shop import known, number_of, open_shop
from tubewright.errors import Fault, InputError, RefusedError
from tubewright.quantity import parse_quantity

if TYPE_CHECKING:
    from tubewright.bench.treating import Entry
    from tubewright.knowledge.model import Knowledge
    from tubewright.records.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class Typed:
    """A step as it was typed; "" for what was not. ``after`` holds the readings after it by gun."""

    kind: str
    gun: Gun | None
    minutes: str
    ended: str
    seen: str
    outcome: str
    after: Mapping[Gun, str]
    minutes_on: str
    note: str


def write_step(
    named: str,
    shop: str | None,
    typed: Typed,
    *,
    said: Sequence[str],
    history_unknown: bool,
    person: str,
    now: dt.datetime | None = None,
) -> str:
    """Write a step into the log of a job, and what was said before it; returns what to say.

    Raises:
        InputError: It can't be read, or isn't a job; everything that is wrong is told.
        RefusedError: The plan has another step, or a guard is open; nothing is stored.
    """
    from tubewright.bench.treating import log_step, plan_of

    _a_job(named)
    knowledge = known(shop)
    with open_shop(shop) as opened:
        store = opened if now is None else opened.with_clock(lambda: now)
        job = number_of(named, "job")
        who = _who(store, person, needed=bool(said))
        _check_said(said, knowledge)
        kind = _kind(typed.kind)
        if kind is None or typed.gun is None:
            coming = plan_of(store, knowledge, job).next
            if kind is None and coming is None:
                raise RefusedError(
                    Fault(
                        what="the plan has no next step to write down",
                        where=named,
                        mend=f"`tubewright treat {named} --look` says why.",
                    )
                )
            kind = kind or (coming.kind if coming else None)
            gun = typed.gun or (coming.gun if coming is not None and coming.kind == kind else None)
        else:
            gun = typed.gun
        assert kind is not None  # noqa: S101 - refused above otherwise
        entry = _entry(typed, kind, gun, store.case_of(job), store.clock(), knowledge)
        log_step(store, knowledge, job, entry, confirmed=said, history_unknown=history_unknown, by=who)
    whose = f" of the {gun} gun" if gun else ""
    return f"Written into job {job}: {knowledge.treatments[kind].name}{whose}."


def keep_said(
    named: str, shop: str | None, *, said: Sequence[str], history_unknown: bool, person: str, gun: Gun | None
) -> None:
    """Keep in the job what is confirmed for the plan's next step, and that nobody knows its history."""
    from tubewright.bench.treating import keep_confirmed, plan_of, say_history_unknown

    knowledge = known(shop)
    with open_shop(shop) as store:
        job = number_of(named, "job")
        who = _who(store, person, needed=True)
        _check_said(said, knowledge)
        with store.together():
            if history_unknown:
                say_history_unknown(store, job, by=who)
            coming = plan_of(store, knowledge, job, gun=gun).next if said else None
            if coming is not None:
                keep_confirmed(store, knowledge, job, coming.kind, said, by=who)


def _a_job(named: str) -> None:
    if not named.startswith("job:"):
        raise InputError(
            Fault(
                what="a step is logged in a job of the shop",
                where="--log",
                mend="Write job:7; into a case file the treatment is written by hand.",
            )
        )


def _kind(text: str) -> TreatmentKind | None:
    if not text:
        return None
    kinds: tuple[TreatmentKind, ...] = get_args(TreatmentKind)
    found = next((one for one in kinds if one == text), None)
    if found is None:
        from tubewright.knowledge.search import nearest

        near = nearest(text, dict.fromkeys(kinds))
        mend = f"Did you mean {' or '.join(near)}?" if near else f"One of {', '.join(kinds)}."
        raise InputError(Fault(what=f"{text!r} is no treatment I know", where="--kind", mend=mend))
    return found


def _check_said(said: Sequence[str], knowledge: Knowledge) -> None:
    from tubewright.answers.treat import check_ids

    check_ids(said, knowledge)


def _entry(
    typed: Typed, kind: TreatmentKind, gun: Gun | None, case: Case, now: dt.datetime, knowledge: Knowledge
) -> Entry:
    from tubewright.bench.treating import Entry, usual_reading

    faults: list[Fault] = []

    def minutes_of(text: str, where: str) -> float | None:
        if not text:
            return None
        try:
            return parse_quantity(text, kind="minutes", where=where).value
        except InputError as error:
            faults.extend(error.faults)
            return None

    took = minutes_of(typed.minutes, "--minutes")
    if not typed.minutes:
        faults.append(
            Fault(what="how long did it take?", where="--minutes", mend="Add --minutes 35, or --minutes 12h, or 5s.")
        )
    ago = minutes_of(typed.ended, "--ended") or 0.0
    lit = minutes_of(typed.minutes_on, "--minutes-on")
    readings: list[dict[str, object]] = []
    for one in GUNS:
        text = typed.after.get(one, "")
        if not text:
            continue
        usual = usual_reading(case, one, knowledge)
        unit = usual.get("unit")
        try:
            value = parse_quantity(
                text, kind="emission", default_unit=str(unit) if unit is not None else None, where=f"--{one}"
            )
        except InputError as error:
            faults.extend(error.faults)
            continue
        if value.unit != unit:
            usual = {name: kept for name, kept in usual.items() if name not in {"reference", "full_scale"}}
        readings.append(
            {
                **usual,
                "gun": one,
                "kind": "emission",
                "value": value.value,
                "unit": value.unit,
                "minutes_on": ago if lit is None else lit,
            }
        )
    if faults:
        raise InputError(faults)
    outcomes: tuple[Outcome, ...] = get_args(Outcome)
    return Entry(
        kind=kind,
        gun=gun,
        minutes=took,
        ended=now - dt.timedelta(minutes=ago),
        seen=typed.seen,
        outcome=next((one for one in outcomes if one == typed.outcome), None),
        note=typed.note,
        readings=readings,
    )


def _who(store: Store, name: str, *, needed: bool) -> int | None:
    """Who is at the bench; a confirmation needs a name that is known here."""
    from tubewright.knowledge.search import nearest

    if not name:
        if needed:
            raise InputError(
                Fault(
                    what="who confirms it? It is kept with the job",
                    where="--person",
                    mend="Add --person and a name that the bench's page of people knows.",
                )
            )
        return None
    people = {one.name.casefold(): one for one in store.people() if one.active}
    found = people.get(name.strip().casefold())
    if found is not None:
        return found.id
    near = [people[one].name for one in nearest(name.casefold(), people)]
    raise InputError(
        Fault(
            what=f"nobody called {name!r} works here",
            where="--person",
            mend=f"Did you mean {' or '.join(near)}?" if near else "Add them on the bench's page of people.",
        )
    )
