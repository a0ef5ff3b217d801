"""What has been done to a tube so far, round by round, with what each gun read before and after.

A case holds readings and treatments; here they are put in the order of time. What
carries no time is placed on the cautious side: a reading that isn't said to be taken
after a treatment is none that proves it.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from tubewright.case import GUNS, Case, Gun, Outcome, Reading, ReadingKind, Treatment, TreatmentKind
from tubewright.experience import Experience
from tubewright.judgement.references import references_of
from tubewright.knowledge.model import Knowledge

SHARED: Final[frozenset[TreatmentKind]] = frozenset(
    {"clean_contacts", "soak", "run_in", "short_boost", "boost_heater", "isolate_heater"}
)
"""Treatments that reach all guns, whichever was named: they work through socket, heater or beam of the whole tube."""

LEAKAGES: Final[tuple[ReadingKind, ...]] = (
    "leakage_heater_cathode",
    "leakage_cathode_grid1",
    "leakage_grid1_grid2",
)

_FIRST: Final = dt.datetime.min.replace(tzinfo=dt.UTC)
_LAST: Final = dt.datetime.max.replace(tzinfo=dt.UTC)


@dataclass(frozen=True, slots=True, kw_only=True)
class Level:
    """What one gun read: relative emission as shown, and when."""

    gun: Gun
    emission: float
    as_read: str
    at: dt.datetime | None
    retention: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Leakage:
    """One leakage reading."""

    kind: ReadingKind
    gun: Gun | None
    value_mohm: float
    at: dt.datetime | None
    rounds_before: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Round:
    """One treatment, with the levels of all guns before and after it.

    Attributes:
        number: Its place, from 0.
        kind: What was done.
        guns: The guns it reached.
        named: The gun it was entered for; None for the whole tube.
        at: When, if date and time are known.
        outcome: As it was entered.
        before, after: The last level of each gun before it, and before the next round.
    """

    number: int
    kind: TreatmentKind
    guns: tuple[Gun, ...]
    named: Gun | None
    at: dt.datetime | None
    outcome: Outcome | None
    before: Mapping[Gun, Level]
    after: Mapping[Gun, Level]

    def gain_emission(self, gun: Gun) -> float | None:
        """Gain in relative emission of one gun; None where it wasn't read on both sides."""
        if gun not in self.before or gun not in self.after:
            return None
        return self.after[gun].emission - self.before[gun].emission


@dataclass(frozen=True, slots=True, kw_only=True)
class Course:
    """The whole course: its rounds, what each gun reads now, and every leakage reading in order of time.

    ``readings_now`` are the full-heater emission readings of each gun since the last round.
    """

    rounds: tuple[Round, ...]
    now: Mapping[Gun, Level]
    leakages: tuple[Leakage, ...]
    readings_now: Mapping[Gun, tuple[Reading, ...]]

    def of(self, gun: Gun) -> tuple[Round, ...]:
        """The rounds that reached one gun."""
        return tuple(one for one in self.rounds if gun in one.guns)

    def read_since_last(self) -> frozenset[Gun]:
        """Guns whose level was read after the last round."""
        return frozenset(self.rounds[-1].after) if self.rounds else frozenset(self.now)


def course_of(case: Case, knowledge: Knowledge, experience: Experience, *, without: frozenset[int]) -> Course:
    """Put readings and treatments into the order of time.

    Args:
        case: The case.
        knowledge: The constants.
        experience: The shop's own readings calibrate its instruments.
        without: Places in ``case.readings`` of what isn't believed.
    """
    readings = [one for i, one in enumerate(case.readings) if i not in without]
    rated = case.tube.heater_v or knowledge.value("usual_heater_v")
    emission = [one for one in readings if one.kind == "emission" and one.gun is not None]
    references = references_of(emission, rated, knowledge, experience, case.tube.label)
    treatments = _in_order(case.treatments)
    starts = [_key(one.at, None) if one.at is not None else None for one in treatments]
    stretches: list[list[Reading]] = [[] for _ in range(len(treatments) + 1)]
    for one in readings:
        stretches[_stretch(one, treatments, starts)].append(one)
    full = knowledge.value("full_heater_from")
    ratio_of = {id(one): one.value / references[id(one)].value for one in emission}
    levels: list[dict[Gun, Level]] = []
    for stretch in stretches:
        found = {gun: level for gun in GUNS if (level := _level(gun, stretch, ratio_of, rated, full, knowledge))}
        levels.append(found)
    rounds: list[Round] = []
    known: dict[Gun, Level] = dict(levels[0])
    for number, done in enumerate(treatments):
        rounds.append(
            Round(
                number=number,
                kind=done.kind,
                guns=GUNS if done.gun is None or done.kind in SHARED else (done.gun,),
                named=done.gun,
                at=_instant(done.at),
                outcome=done.outcome,
                before=dict(known),
                after=_judged(levels[number + 1], done, knowledge),
            )
        )
        known |= levels[number + 1]
    leakages = tuple(
        Leakage(kind=one.kind, gun=one.gun, value_mohm=one.value, at=_instant(one.at), rounds_before=number)
        for number, stretch in enumerate(stretches)
        for one in sorted(stretch, key=lambda r: _key(r.at, r.stage))
        if one.kind in LEAKAGES
    )
    latest = stretches[-1]
    return Course(
        rounds=tuple(rounds),
        now=known,
        leakages=leakages,
        readings_now={
            gun: tuple(r for r in latest if r.kind == "emission" and r.gun == gun and _is_full(r, rated, full))
            for gun in GUNS
        },
    )


def wait_minutes(kind: TreatmentKind, knowledge: Knowledge) -> float:
    """Minutes after a treatment before a reading counts."""
    return knowledge.value(f"treatment_wait_{kind}")


def _judged(levels: Mapping[Gun, Level], treatment: Treatment, knowledge: Knowledge) -> dict[Gun, Level]:
    """The levels that may be judged: not those read sooner than this treatment lets the gun settle."""
    done = _instant(treatment.at)
    if done is None:
        return dict(levels)
    # A minute's grace: times are written to the minute.
    soonest = done + dt.timedelta(minutes=wait_minutes(treatment.kind, knowledge) - 1)
    return {gun: one for gun, one in levels.items() if one.at is None or one.at >= soonest}


def _level(
    gun: Gun, stretch: Sequence[Reading], ratio_of: Mapping[int, float], rated: float, full: float, knowledge: Knowledge
) -> Level | None:
    """The last warm reading of a gun at full heater; a cold one only where there is no other."""
    mine = sorted((r for r in stretch if r.kind == "emission" and r.gun == gun), key=lambda r: _key(r.at, r.stage))
    hot = [r for r in mine if _is_full(r, rated, full)]
    if not hot:
        return None
    least = knowledge.value("warm_minutes_least")
    warm = [r for r in hot if r.minutes_on is None or r.minutes_on >= least]
    last = (warm or hot)[-1]
    low = [r for r in mine if not _is_full(r, rated, full) and r.unit == last.unit]
    retention = low[-1].value / last.value if low and last.value > 0 else None
    return Level(
        gun=gun,
        emission=ratio_of[id(last)],
        as_read=f"{last.value:g} {last.unit}",
        at=_instant(last.at),
        retention=retention,
    )


def _is_full(reading: Reading, rated: float, full: float) -> bool:
    return reading.heater_v is None or reading.heater_v / rated >= full


def _stretch(reading: Reading, treatments: Sequence[Treatment], starts: Sequence[dt.datetime | None]) -> int:
    """After how many of the treatments a reading was taken."""
    if not treatments:
        return 0
    if reading.at is None:
        # Nothing says when: after everything if it is marked so, else before everything.
        return len(treatments) if reading.stage == "after" else 0
    moment = _key(reading.at, reading.stage)
    # An undated treatment may have come after any dated reading, unless that one is said to be after it.
    return sum(
        1 for start in starts if (start is not None and start < moment) or (start is None and reading.stage == "after")
    )


def _in_order(treatments: Iterable[Treatment]) -> list[Treatment]:
    """By time; what has none comes last, as it was listed."""
    return [
        one
        for _, one in sorted(
            enumerate(treatments), key=lambda pair: (_key(pair[1].at, None) if pair[1].at else _LAST, pair[0])
        )
    ]


def _key(at: dt.date | dt.datetime | None, stage: str | None) -> dt.datetime:
    """A moment to sort by; of a date alone, noon for a treatment, and its morning or evening for a reading."""
    if at is None:
        return _LAST if stage == "after" else _FIRST
    if isinstance(at, dt.datetime):
        return at if at.tzinfo else at.replace(tzinfo=dt.UTC)
    hour = {"before": 0, "after": 23}.get(stage or "", 12)
    return dt.datetime(at.year, at.month, at.day, hour, tzinfo=dt.UTC)


def _instant(at: dt.date | dt.datetime | None) -> dt.datetime | None:
    """The moment where date and time are known."""
    if not isinstance(at, dt.datetime):
        return None
    return at if at.tzinfo else at.replace(tzinfo=dt.UTC)
