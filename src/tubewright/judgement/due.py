"""When a treated tube is to be read again: the next day, after a month, a quarter, half a year, and every year.

A reading ends the reminders that it answers: it must come nearer to their time than to
that of the reminder before, in the sense of ratios of time.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from tubewright.case import GUNS, Gun, Outcome, TreatmentKind
from tubewright.judgement.settling_readings import RAISES_EMISSION
from tubewright.knowledge.model import Knowledge

DueSort: TypeAlias = Literal["next_day", "month", "quarter", "half_year", "year"]

SORT_WORDS: Final[dict[DueSort, str]] = {
    "next_day": "the next day's reading, started cold",
    "month": "a month on",
    "quarter": "a quarter on",
    "half_year": "half a year on",
    "year": "the yearly reading",
}
"""Each reminder in words."""

REMEMBERED: Final[frozenset[TreatmentKind]] = RAISES_EMISSION | {"boost_heater"}
"""Treatments whose gain is looked at again."""


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatedLast:
    """The last treatment of one gun; ``gun`` None where it reached all three. ``at`` knows its zone."""

    gun: Gun | None
    kind: TreatmentKind
    outcome: Outcome | None
    at: dt.datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadLater:
    """A reading of one gun's emission; ``at`` knows its zone."""

    gun: Gun
    at: dt.datetime


@dataclass(frozen=True, slots=True, kw_only=True)
class DueReading:
    """One reading that is due, or will be: which gun, after what, and when."""

    gun: Gun
    sort: DueSort
    kind: TreatmentKind
    treated_at: dt.datetime
    due_at: dt.datetime


def due_readings(
    treated: Sequence[TreatedLast], read: Sequence[ReadLater], knowledge: Knowledge, *, until: dt.datetime
) -> tuple[DueReading, ...]:
    """The readings of one tube that are due by a moment: for each gun at most one, the latest that isn't answered.

    Args:
        treated: The last treatment of each gun, or of all.
        read: Emission readings of the tube, in any order.
        knowledge: The constants named ``due_…``.
        until: The moment; it knows its zone.
    """
    found = []
    for gun in GUNS:
        last = _last(treated, gun)
        if last is None or last.outcome in {"lost", "worse", "unchanged"}:
            continue
        ages = [(one.at - last.at) / dt.timedelta(days=1) for one in read if one.gun == gun and last.at < one.at]
        age = (until - last.at) / dt.timedelta(days=1)
        if age > _days(knowledge)[-1][1] + knowledge.value("due_year"):
            continue
        passed = [(sort, days) for sort, days in _days(knowledge) if days <= age]
        if not passed:
            continue
        sort, days = passed[-1]
        if any(one >= _answers_from(days, knowledge) for one in ages):
            continue
        found.append(
            DueReading(
                gun=gun,
                sort=sort,
                kind=last.kind,
                treated_at=last.at,
                due_at=last.at + dt.timedelta(days=days),
            )
        )
    return tuple(found)


def _days(knowledge: Knowledge) -> list[tuple[DueSort, float]]:
    """Each reminder with its age in days, the earliest first."""
    year = knowledge.value("due_year")
    return [
        ("next_day", knowledge.value("due_next_day")),
        ("month", knowledge.value("due_month")),
        ("quarter", knowledge.value("due_quarter")),
        ("half_year", knowledge.value("due_half_year")),
        *(("year", year * number) for number in range(1, int(knowledge.value("due_years_most")) + 1)),
    ]


def _answers_from(days: float, knowledge: Knowledge) -> float:
    """The age in days from which a reading answers a reminder."""
    earlier = [one for _, one in _days(knowledge) if one < days]
    if not earlier:
        return knowledge.value("treatment_hold_proof_minutes") / (24 * 60)
    return math.sqrt(earlier[-1] * days)


def _last(treated: Sequence[TreatedLast], gun: Gun) -> TreatedLast | None:
    mine = [one for one in treated if one.gun in {gun, None} and one.kind in REMEMBERED]
    return max(mine, key=lambda one: one.at, default=None)
