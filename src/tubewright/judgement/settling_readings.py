"""The readings that a settling is read from: those of one gun after its last treatment, as a case holds them."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tubewright.case import Case, Gun, Reading, Treatment, TreatmentKind
from tubewright.judgement.settling import warm_readings
from tubewright.judgement.settling_mixture import TimedReading
from tubewright.knowledge.model import Knowledge

RAISES_EMISSION: Final[frozenset[TreatmentKind]] = frozenset({"soak", "run_in", "short_boost", "clean", "activate"})
"""Treatments after which the question of holding is asked."""

_SHARED: Final[frozenset[TreatmentKind]] = frozenset({"soak", "run_in", "short_boost"})


@dataclass(frozen=True, slots=True, kw_only=True)
class Unsettled:
    """Why nothing can be said of the settling, and what would settle it."""

    reason: str
    would_settle: str


@dataclass(frozen=True, slots=True, kw_only=True)
class AfterTreatment:
    """The readings of one gun after its last treatment (``at``), as a case holds them; what was left out and why."""

    readings: tuple[TimedReading, ...]
    treatment: TreatmentKind | None
    left_out: tuple[str, ...]
    trouble: Unsettled | None
    at: dt.datetime | None = None


def too_few(readings: Sequence[TimedReading], knowledge: Knowledge) -> Unsettled | None:
    """Why these readings are too few to say anything; None if they aren't."""
    warm = warm_readings(readings, knowledge)
    fewest, span = int(knowledge.value("settling_fewest_readings")), knowledge.value("settling_least_span_minutes")
    least = knowledge.value("warm_minutes_least")
    if len(warm) < fewest:
        count = f"{len(warm)} reading{'' if len(warm) == 1 else 's'}"
        return Unsettled(
            reason=f"{count} with the heater on for {least:g} minutes or more, and {fewest} are the fewest that tell",
            would_settle="read the same gun, nothing else touched, at 10, 15, 30 and 60 minutes after the treatment",
        )
    covered = max(one.minutes for one in warm) - min(one.minutes for one in warm)
    if covered < span:
        return Unsettled(
            reason=f"the readings cover {covered:g} minutes, and under {span:g} scatter looks like a fall",
            would_settle="read on: 30 and 60 minutes after the treatment, nothing else touched",
        )
    return None


def after_treatment(case: Case, gun: Gun, knowledge: Knowledge) -> AfterTreatment:
    """The readings of a gun after its last treatment, with their minutes.

    Only readings that carry date and time count, as does the treatment; those at
    reduced heater, of another unit, instrument or grid 2 are left out.
    """
    last = _last_treatment(case, gun)
    if last is None:
        return _nothing(
            None,
            f"no treatment of {gun} with date and time",
            f"enter the treatment of {gun} with the time it ended (at = 2026-01-31T14:05:00)",
        )
    begun = _moment(last.at)
    rated = case.tube.heater_v or knowledge.value("usual_heater_v")
    full, latest = knowledge.value("full_heater_from"), knowledge.value("settling_latest_minutes")
    rows: list[tuple[Reading, float]] = []
    left: list[str] = []
    undated = 0
    for one in case.readings:
        if one.kind != "emission" or one.gun != gun or one.stage == "before":
            continue
        if not isinstance(one.at, dt.datetime):
            undated += 1
            continue
        minutes = (_moment(one.at) - begun).total_seconds() / 60
        if minutes < 0:
            continue
        if minutes > latest:
            left.append(f"{one.value:g} {one.unit} after {minutes / 1440:.0f} days: that is life, no longer settling")
            continue
        if one.heater_v is not None and one.heater_v / rated < full:
            left.append(f"{one.value:g} {one.unit} at {minutes:.0f} min: heater reduced to {one.heater_v:g} V")
        elif one.value <= 0:
            left.append(f"a reading of nothing at {minutes:.0f} min")
        else:
            rows.append((one, minutes))
    if undated:
        left.append(f"{undated} reading{'' if undated == 1 else 's'} without a time of day")
    rows.sort(key=lambda row: row[1])
    kept: list[TimedReading] = []
    for one, minutes in rows:
        first = rows[0][0]
        if (one.unit, one.instrument, one.g2_v) != (first.unit, first.instrument, first.g2_v):
            left.append(f"{one.value:g} {one.unit} at {minutes:.0f} min: unit, instrument or grid 2 differ")
            continue
        kept.append(TimedReading(minutes=minutes, value=one.value, unit=one.unit, minutes_on=one.minutes_on))
    return AfterTreatment(readings=tuple(kept), treatment=last.kind, left_out=tuple(left), trouble=None, at=begun)


def _last_treatment(case: Case, gun: Gun) -> Treatment | None:
    mine = [
        one
        for one in case.treatments
        if one.kind in RAISES_EMISSION
        and (one.gun in {gun, None} or one.kind in _SHARED)
        and isinstance(one.at, dt.datetime)
    ]
    return max(mine, key=lambda one: _moment(one.at), default=None)


def _nothing(kind: TreatmentKind | None, reason: str, would_settle: str) -> AfterTreatment:
    return AfterTreatment(
        readings=(), treatment=kind, left_out=(), trouble=Unsettled(reason=reason, would_settle=would_settle)
    )


def _moment(at: dt.date | dt.datetime | None) -> dt.datetime:
    """A comparable moment; what carries no zone is taken as UTC."""
    assert isinstance(at, dt.datetime)  # noqa: S101 - callers have checked
    return at if at.tzinfo else at.replace(tzinfo=dt.UTC)
