"""What is due at the shop: later readings of treated tubes, jobs that wait too long, and what later readings showed."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tubewright.answers.assessment import FORMAT, Spread
from tubewright.case import Gun, TreatmentKind
from tubewright.judgement.due import SORT_WORDS, DueReading, DueSort, ReadLater, TreatedLast, due_readings
from tubewright.knowledge.model import Knowledge

DUE_SORTS: Final[tuple[DueSort, ...]] = tuple(SORT_WORDS)
"""Each sort of reminder."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TubeTold:
    """A treated tube as the records tell of it; numbers of records are None where there is none."""

    tube_id: int
    tube: str
    display_id: int | None
    display: str
    owner: str
    open_job: int | None
    treated: tuple[TreatedLast, ...]
    read: tuple[ReadLater, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingTold:
    """A job that waits, and since when nobody changed it."""

    job_id: int
    display: str
    waits_for: str
    since: dt.datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLater:
    """A reading long after a treatment, beside the value at rest that its first readings promised.

    ``value_emission``, ``predicted`` and ``after_emission`` (the last of those first readings) are
    shares of a good gun. ``predicted`` is None where too little was read then, ``after_emission``
    where nothing was, ``same_instrument`` where one of the two isn't known.
    """

    tube_id: int
    tube: str
    display: str
    job_id: int
    gun: Gun
    kind: TreatmentKind
    treated_at: dt.datetime
    predicted: Spread | None
    after_emission: float | None
    value_emission: float
    found_at: dt.datetime
    same_instrument: bool | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Reminder:
    """A tube to be read again: which guns, after what, since when it is due (``days_over`` below 0: still to come)."""

    tube_id: int
    tube: str
    display_id: int | None
    display: str
    owner: str
    open_job: int | None
    guns: tuple[Gun, ...]
    sort: DueSort
    kind: TreatmentKind
    treated_at: dt.datetime
    due_at: dt.datetime
    days_over: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class WaitingJob:
    """A job without news for longer than usual."""

    job_id: int
    display: str
    waits_for: str
    since: dt.datetime
    days_over: float
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class CameBack:
    """How a gain held in the long run: the value at rest that was predicted, and what was found.

    Both are shares of a good gun. ``predicted`` is None where too little was read after the
    treatment; ``kept_ratio`` is found over predicted, or else over ``after_emission``; ``inside``
    says whether the found value lies in the 80 % interval.
    """

    tube_id: int
    tube: str
    display: str
    job_id: int
    gun: Gun
    kind: TreatmentKind
    treated_at: dt.datetime
    found_at: dt.datetime
    predicted: Spread | None
    after_emission: float | None
    value_emission: float
    kept_ratio: float | None
    inside: bool | None
    same_instrument: bool | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Due:
    """Everything that is due at ``at``; the longest overdue first."""

    headline: str
    reminders: tuple[Reminder, ...]
    waiting: tuple[WaitingJob, ...]
    came_back: tuple[CameBack, ...]
    at: dt.datetime

    @property
    def is_anything(self) -> bool:
        """Whether somebody should do something."""
        return bool(self.reminders or self.waiting)


def due(
    tubes: Sequence[TubeTold],
    waiting: Sequence[WaitingTold],
    later: Sequence[FoundLater],
    knowledge: Knowledge,
    *,
    now: dt.datetime,
    ahead_days: float = 0.0,
) -> Due:
    """What is due now, or within some days.

    Args:
        tubes: Every treated tube.
        waiting: Every job that waits.
        later: Readings that came months after a treatment.
        knowledge: The constants named ``due_…``.
        now: The moment; it knows its zone.
        ahead_days: Look so many days ahead, too.
    """
    until = now + dt.timedelta(days=ahead_days)
    reminders = [one for tube in tubes for one in _of_tube(tube, knowledge, now, until)]
    patience = dt.timedelta(days=knowledge.value("due_waiting"))
    stale = [_waiting(one, now) for one in waiting if now - one.since >= patience]
    return Due(
        headline=_headline(len(reminders), len(stale)),
        reminders=tuple(sorted(reminders, key=lambda one: (one.due_at, one.tube_id))),
        waiting=tuple(sorted(stale, key=lambda one: (one.since, one.job_id))),
        came_back=tuple(
            sorted(
                (_came_back(one, knowledge) for one in later), key=lambda one: (one.found_at, one.tube_id), reverse=True
            )
        ),
        at=now,
    )


def to_json(answer: Due) -> dict[str, object]:
    """The published body of ``due``."""
    return {
        "format": FORMAT,
        "headline": answer.headline,
        "reminders": [
            {
                "tube": one.tube_id,
                "tube_label": one.tube,
                "display": one.display_id,
                "display_label": one.display,
                "owner": one.owner,
                "open_job": one.open_job,
                "guns": list(one.guns),
                "sort": one.sort,
                "treatment": one.kind,
                "treated_at": _time(one.treated_at),
                "due_at": _time(one.due_at),
                "days_over": round(one.days_over, 1),
                "words": one.words,
            }
            for one in answer.reminders
        ],
        "waiting": [
            {
                "job": one.job_id,
                "display_label": one.display,
                "waits_for": one.waits_for,
                "since": _time(one.since),
                "days_over": round(one.days_over, 1),
                "words": one.words,
            }
            for one in answer.waiting
        ],
        "came_back": [
            {
                "tube": one.tube_id,
                "tube_label": one.tube,
                "display_label": one.display,
                "job": one.job_id,
                "gun": one.gun,
                "treatment": one.kind,
                "treated_at": _time(one.treated_at),
                "found_at": _time(one.found_at),
                "predicted": None
                if one.predicted is None
                else {name: _plain(getattr(one.predicted, name)) for name in ("median", "p10", "p90")},
                "after": _plain(one.after_emission),
                "found": _plain(one.value_emission),
                "kept": _plain(one.kept_ratio),
                "inside": one.inside,
                "same_instrument": one.same_instrument,
                "words": one.words,
            }
            for one in answer.came_back
        ],
        "at": _time(answer.at),
    }


def _of_tube(tube: TubeTold, knowledge: Knowledge, now: dt.datetime, until: dt.datetime) -> list[Reminder]:
    """The readings of one tube that are due, those of one kind and one day together: they are one visit."""
    groups: dict[tuple[DueSort, dt.date], list[DueReading]] = {}
    for one in due_readings(tube.treated, tube.read, knowledge, until=until):
        groups.setdefault((one.sort, one.due_at.date()), []).append(one)
    found = []
    for (sort, _), readings in groups.items():
        first = min(readings, key=lambda one: one.due_at)
        guns = tuple(one.gun for one in readings)
        over = (now - first.due_at) / dt.timedelta(days=1)
        names = guns[0] if len(guns) == 1 else f"{', '.join(guns[:-1])} and {guns[-1]}"
        when = f"due for {_days(over)}" if over >= 1 else "due today" if over >= 0 else f"due in {_days(-over)}"
        treatment = knowledge.treatments[first.kind].name.partition(":")[0].lower()
        found.append(
            Reminder(
                tube_id=tube.tube_id,
                tube=tube.tube,
                display_id=tube.display_id,
                display=tube.display,
                owner=tube.owner,
                open_job=tube.open_job,
                guns=guns,
                sort=sort,
                kind=first.kind,
                treated_at=first.treated_at,
                due_at=first.due_at,
                days_over=over,
                words=f"Read {names}: {SORT_WORDS[sort]}, after “{treatment}” of {first.treated_at:%Y-%m-%d}, {when}.",
            )
        )
    return found


def _waiting(one: WaitingTold, now: dt.datetime) -> WaitingJob:
    over = (now - one.since) / dt.timedelta(days=1)
    what = f"for {one.waits_for}" if one.waits_for else "and nobody wrote for what"
    return WaitingJob(
        job_id=one.job_id,
        display=one.display,
        waits_for=one.waits_for,
        since=one.since,
        days_over=over,
        words=f"Waits {what}, without news for {_days(over)}: ask.",
    )


def _came_back(one: FoundLater, knowledge: Knowledge) -> CameBack:
    predicted, value = one.predicted, one.value_emission
    base = one.after_emission if predicted is None else predicted.median
    ratio = value / base if base is not None and base > 0 else None
    inside = None if predicted is None else predicted.p10 <= value <= predicted.p90
    days = (one.found_at - one.treated_at) / dt.timedelta(days=1)
    after = _days(days)
    if ratio is None:
        words = f"{value:.2f} of a good gun {after} later; nothing was read after the treatment to compare it with."
    else:
        # After years of service a loss is wear, and says nothing of the treatment.
        kept = "" if days > knowledge.value("due_year") else ", kept"
        if kept and ratio < knowledge.value("due_near_rest_ratio"):
            kept = ", not kept"
        then = (
            f"{base:.2f} of a good gun was read after the treatment"
            if predicted is None
            else f"{base:.2f} of a good gun was predicted at rest ({predicted.p10:.2f} to {predicted.p90:.2f})"
        )
        words = f"{then}, {value:.2f} was found {after} later: {100 * ratio:.0f} %{kept}."
    if one.same_instrument is False:
        words += " It was another instrument: the difference may be the box's."
    return CameBack(
        tube_id=one.tube_id,
        tube=one.tube,
        display=one.display,
        job_id=one.job_id,
        gun=one.gun,
        kind=one.kind,
        treated_at=one.treated_at,
        found_at=one.found_at,
        predicted=predicted,
        after_emission=one.after_emission,
        value_emission=value,
        kept_ratio=ratio,
        inside=inside,
        same_instrument=one.same_instrument,
        words=words,
    )


def _headline(readings: int, stale: int) -> str:
    parts = []
    if readings:
        parts.append(f"{readings} tube{'' if readings == 1 else 's'} to read again")
    if stale:
        parts.append(f"{stale} job{'' if stale == 1 else 's'} waiting without news")
    return f"Due: {' and '.join(parts)}." if parts else "Nothing is due."


def _days(days: float) -> str:
    """A stretch of days in words, roughly: ``5 days``, ``7 weeks``, ``8 months``, ``2.1 years``."""
    if days < 1.5:
        return "a day" if days >= 0.5 else f"{24 * days:.0f} hours"
    if days < 28:
        return f"{days:.0f} days"
    if days < 84:
        return f"{days / 7:.0f} weeks"
    return f"{days / 30.44:.0f} months" if days < 700 else f"{days / 365.25:.1f} years"


def _time(at: dt.datetime) -> str:
    return at.isoformat(timespec="seconds")


def _plain(value: float | None) -> float | None:
    """Four significant digits; more would be false precision."""
    return None if value is None or not math.isfinite(value) else float(f"{value:.4g}")
