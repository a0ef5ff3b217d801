"""What a proof is made of: everything that one job holds, as plain values with their times.

Whoever keeps the records fills :class:`Work` in; nothing here is judged.
:func:`case_before` and :func:`case_after` cut the job's case in two.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final, Literal

from tubewright.answers.measurement import Measurement
from tubewright.case import (
    GUNS,
    Case,
    Gun,
    Outcome,
    Reading,
    ReadingKind,
    RepairOutcome,
    Symptom,
    TestResult,
    TreatmentKind,
    Tube,
)

Side = Literal["before", "after"]

ALL_GUNS_AT_ONCE: Final[frozenset[TreatmentKind]] = frozenset(
    {"clean_contacts", "soak", "run_in", "short_boost", "boost_heater"}
)
"""Treatments that reach every gun, whichever was named."""


@dataclass(frozen=True, slots=True, kw_only=True)
class NotedSymptom:
    """A symptom as somebody noted it: ``words`` as an owner says it, ``bench_words`` as the bench does."""

    id: str
    words: str
    present: bool
    at: dt.datetime
    bench_words: str = ""
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DoneTest:
    """A bench test with what came of it, also in ``words``."""

    test: TestResult
    name: str
    words: str
    at: dt.datetime
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DoneTreatment:
    """A treatment of the tube; ``other_tube`` where it was done to one that has left the display since."""

    kind: TreatmentKind
    name: str
    gun: Gun | None
    outcome: Outcome | None
    at: dt.datetime
    minutes: float | None = None
    seen: str = ""
    note: str = ""
    person: str = ""
    other_tube: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DoneRepair:
    """A fault found, mended or ruled out."""

    fault: str
    name: str
    outcome: RepairOutcome
    at: dt.datetime
    minutes: float | None = None
    note: str = ""
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class DoneMove:
    """A control that was turned; ``words`` say how far and which way."""

    control: str
    name: str
    words: str
    at: dt.datetime
    undone: bool = False
    at_stop: bool = False
    note: str = ""
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class UsedPart:
    """A part or tube taken for the job; ``cost`` of all pieces together, None where nobody wrote a price."""

    name: str
    code: str
    quantity: int
    state: str
    cost: float | None = None
    currency: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Checked:
    """A condition that somebody confirmed before or after a step, in the words that they were shown."""

    step_sort: str
    step: str
    step_name: str
    caution: str
    words: str
    at: dt.datetime
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Given:
    """A verdict as it was given."""

    number: int
    at: dt.datetime
    decision: str
    headline: str
    model_version: str
    seed: int
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MapNode:
    """Convergence at one place of the picture, millimetres from its middle, right and down positive."""

    x_mm: float
    y_mm: float
    red_mm: tuple[float, float] | None
    blue_mm: tuple[float, float] | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenPicture:
    """A measurement of the picture, and its convergence on a grid as it was kept."""

    number: int
    at: dt.datetime
    headline: str
    measurement: Measurement
    grid: tuple[MapNode, ...] = ()
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyTaken:
    """The tracking error of a grey scale: colour differences and the drift of its colour from dark to bright."""

    at: dt.datetime | None
    worst_delta_e: float
    mean_delta_e: float
    drift_du_v: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Work:
    """One job.

    Attributes:
        case: As the job stands, with the tube that is in the display now.
        came_with: The tube that came, and the readings taken on it, where it was exchanged on this job.
        pictures: Measurement before and after the work, where there is one.
        grey: The same of the grey scale.
    """

    job: int
    label: str
    case: Case
    opened_at: dt.datetime
    changed_at: dt.datetime
    closed_at: dt.datetime | None = None
    state: str = "open"
    owner: str = ""
    place: str = ""
    tube_label: str = ""
    owner_words: str = ""
    closing_note: str = ""
    came_with: tuple[Tube, tuple[Reading, ...]] | None = None
    symptoms: tuple[NotedSymptom, ...] = ()
    tests: tuple[DoneTest, ...] = ()
    treatments: tuple[DoneTreatment, ...] = ()
    repairs: tuple[DoneRepair, ...] = ()
    moves: tuple[DoneMove, ...] = ()
    parts: tuple[UsedPart, ...] = ()
    checks: tuple[Checked, ...] = ()
    verdicts: tuple[Given, ...] = ()
    pictures: Mapping[Side, TakenPicture] = field(default_factory=dict)
    grey: Mapping[Side, GreyTaken] = field(default_factory=dict)

    @property
    def as_of(self) -> dt.datetime:
        """The moment that a paper about this job bears: its closing, or its last change."""
        return self.closed_at or self.changed_at

    @property
    def begun_at(self) -> dt.datetime | None:
        """When something was first done to the set; None if nothing was."""
        done = [t.at for t in self.treatments] + [r.at for r in self.repairs if r.outcome == "mended"]
        done += [m.at for m in self.moves]
        return min(done, default=None)


# -- before and after ------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Sides:
    """The readings of one tube, cut at the work done to it. What lies between two treatments is in neither."""

    before: tuple[Reading, ...]
    after: tuple[Reading, ...]


def sides_of(readings: Sequence[Reading], work: Work) -> Sides:
    """Which readings show the tube as it came and which as it goes.

    What somebody marked as before or after counts as that. An unmarked reading lies before if
    it was taken no later than the first treatment of its gun, and after if later than the last. Treatments
    of the other guns stand in where this one had none, for they may touch it too; where the tube had none,
    the faults that were mended; without those it lies before.
    """
    before: list[Reading] = []
    after: list[Reading] = []
    for reading in readings:
        ends = _ends(reading.gun, work)
        taken = moment(reading.at)
        if reading.stage is not None:
            (before if reading.stage == "before" else after).append(reading)
        elif ends is None or taken is None or taken <= ends[0]:
            before.append(reading)
        elif taken > ends[1]:
            after.append(reading)
    return Sides(before=tuple(before), after=tuple(after))


def treated(gun: Gun | None, work: Work) -> tuple[DoneTreatment, ...]:
    """The treatments of the display's tube that reached a gun; None: of any gun."""
    return tuple(
        t
        for t in work.treatments
        if not t.other_tube and (gun is None or t.gun in {gun, None} or t.kind in ALL_GUNS_AT_ONCE)
    )


def _ends(gun: Gun | None, work: Work) -> tuple[dt.datetime, dt.datetime] | None:
    of_any = [t.at for t in work.treatments if not t.other_tube]
    times = [t.at for t in treated(gun, work)] or of_any or [r.at for r in work.repairs if r.outcome == "mended"]
    return (min(times), max(times)) if times else None


def moment(at: dt.date | dt.datetime | None) -> dt.datetime | None:
    """A time that knows its zone; a day as its midnight."""
    if at is None:
        return None
    if isinstance(at, dt.datetime):
        return at if at.tzinfo else at.replace(tzinfo=dt.UTC)
    return dt.datetime(at.year, at.month, at.day, tzinfo=dt.UTC)


def case_before(work: Work) -> Case:
    """The display as it came: the readings before the work, nothing treated and nothing mended."""
    begun = work.begun_at
    tube, readings = work.came_with or (work.case.tube, sides_of(work.case.readings, work).before)
    first: dict[str, NotedSymptom] = {}
    for one in sorted(work.symptoms, key=lambda s: s.at):
        if begun is None or one.at <= begun:
            first[one.id] = one
    tests = {(t.test.id, t.test.gun): t.test for t in work.tests if begun is None or t.at <= begun}
    return work.case.model_copy(
        update={
            "tube": tube,
            "readings": tuple(r.model_copy(update={"stage": None}) for r in readings),
            "symptoms": tuple(Symptom(id=one.id, present=one.present) for one in first.values()),
            "tests": tuple(tests.values()),
            "treatments": (),
            "repairs": (),
        }
    )


def case_after(work: Work) -> Case:
    """The display as it goes: the readings after the work; of a gun and kind that has none, those before it."""
    sides = readings_of(work)
    if work.came_with is not None:
        return work.case
    anew = {(r.gun, r.kind) for r in sides.after}
    wanted = {id(r) for r in sides.after} | {id(r) for r in sides.before if (r.gun, r.kind) not in anew}
    return work.case.model_copy(update={"readings": tuple(r for r in work.case.readings if id(r) in wanted)})


def readings_of(work: Work) -> Sides:
    """The readings as it came and as it goes; of an exchanged tube the first are those of the tube that came."""
    if work.came_with is not None:
        return Sides(before=work.came_with[1], after=work.case.readings)
    return sides_of(work.case.readings, work)


def unread_guns(work: Work) -> tuple[Gun, ...]:
    """Guns whose emission was not read again after a treatment, or after another tube was put in."""
    read = {r.gun for r in readings_of(work).after if r.kind == "emission"}
    return tuple(
        gun
        for gun in GUNS
        if gun not in read
        and (work.came_with is not None or any(t.kind != "isolate_heater" for t in treated(gun, work)))
    )


def last_reading(
    readings: Sequence[Reading], kind: ReadingKind, gun: Gun | None, *, full_heater_v: float = 0.0
) -> Reading | None:
    """The latest reading of a kind; of emission only one at full heater, which is at least ``full_heater_v``."""
    fit = [
        r
        for r in readings
        if r.kind == kind
        and r.gun == gun
        and not (kind == "emission" and r.heater_v is not None and r.heater_v < full_heater_v)
    ]
    beginning = dt.datetime(1, 1, 1, tzinfo=dt.UTC)
    return max(fit, key=lambda r: moment(r.at) or beginning, default=None)
