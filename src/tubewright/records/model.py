"""What the store gives back: records as plain frozen values, times in UTC.

Each wraps the part of the case it holds (:mod:`tubewright.case`), so that what
was read from the shop can be judged as it is. ``version`` is what an edit must
quote: it changes with every edit, so nobody overwrites what they have not seen.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Generic, Literal, TypeVar

from tubewright import case
from tubewright.experience import KnownGoodReading
from tubewright.records.model_phone import Pairing, UploadRecord
from tubewright.records.model_setup import GreyRoundRecord, MoveRecord, MoveUnit, SetupChoices
from tubewright.records.model_stock import OrderLine, PaperRecord, Reservation, StockItem

__all__ = [
    "GreyRoundRecord",
    "MoveRecord",
    "MoveUnit",
    "OrderLine",
    "Pairing",
    "PaperRecord",
    "Reservation",
    "SetupChoices",
    "StockItem",
    "UploadRecord",
]
"""What is defined beside this module and found here as well."""

JobState = Literal["open", "waiting", "closed"]
JOB_STATES: Final[tuple[JobState, ...]] = ("open", "waiting", "closed")
StepSort = Literal["test", "repair", "treatment", "control"]
Action = Literal["insert", "update", "delete", "import"]
LookName = Literal["getter", "neck", "burn"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Person:
    """Somebody who works at the bench."""

    id: int
    uid: str
    version: int
    name: str
    active: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class DisplayRecord:
    """A display the shop knows, and the tube that is in it now."""

    id: int
    uid: str
    version: int
    display: case.Display
    owner: str = ""
    place: str = ""
    notes: str = ""
    tube_id: int | None = None
    tube_label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class TubeRecord:
    """A picture tube, and the display that it is in now (None: on the shelf)."""

    id: int
    uid: str
    version: int
    tube: case.Tube
    notes: str = ""
    display_id: int | None = None
    display_label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Fitting:
    """A tube's stay in a display; ``until`` is None while it is still there."""

    id: int
    uid: str
    version: int
    display_id: int
    display_label: str
    tube_id: int
    tube_label: str
    since: dt.datetime
    until: dt.datetime | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One visit of a display to the bench."""

    id: int
    uid: str
    version: int
    display_id: int
    tube_id: int | None
    state: JobState
    waits_for: str
    owner_words: str
    closing_note: str
    use: case.Use
    costs: case.Costs
    idle_years: float | None
    opened_at: dt.datetime
    closed_at: dt.datetime | None
    changed_at: dt.datetime
    decision: str = ""
    headline: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingRecord:
    """One reading, which tube it was taken on, when and by whom."""

    id: int
    uid: str
    version: int
    job_id: int
    tube_id: int | None
    reading: case.Reading
    taken_at: dt.datetime
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """What was seen of the glass: getter, neck or burn (the worst spot's lost luminance, 0..1)."""

    name: LookName
    value: str | float


@dataclass(frozen=True, slots=True, kw_only=True)
class ObservationRecord:
    """A symptom, a test result or a look at the glass; exactly one of the three is set."""

    id: int
    uid: str
    version: int
    job_id: int
    tube_id: int | None
    at: dt.datetime
    person: str = ""
    symptom: case.Symptom | None = None
    test: case.TestResult | None = None
    look: Look | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatmentRecord:
    """Something done to the tube, when and by whom.

    ``minutes`` is how long it lasted, ``seen`` what was seen meanwhile, ``plan_step`` the step of a plan
    that it was ("" if of none).
    """

    id: int
    uid: str
    version: int
    job_id: int
    tube_id: int | None
    treatment: case.Treatment
    at: dt.datetime
    note: str = ""
    minutes: float | None = None
    seen: str = ""
    plan_step: str = ""
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class RepairRecord:
    """A fault that was found, mended or ruled out, when and by whom; ``minutes`` it took, if they were noted."""

    id: int
    uid: str
    version: int
    job_id: int
    repair: case.Repair
    at: dt.datetime
    minutes: float | None = None
    note: str = ""
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class ConfirmationRecord:
    """A condition that somebody confirmed before a step, in the words that they were shown."""

    id: int
    uid: str
    version: int
    job_id: int
    at: dt.datetime
    step_sort: StepSort
    step: str
    caution: str
    words: str
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class VerdictRecord:
    """A verdict as it was given: the case and the answer as JSON text, to be replayed."""

    id: int
    uid: str
    version: int
    job_id: int
    case_json: str
    answer_json: str
    model_version: str
    seed: int
    decision: str
    headline: str
    at: dt.datetime
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoRecord:
    """A photograph of the display; what it holds is kept under its SHA-256."""

    id: int
    uid: str
    version: int
    job_id: int
    file_name: str
    sha256: str
    preview_sha256: str | None
    pattern: str | None
    raster: str | None
    stage: str | None
    taken_at: dt.datetime
    note: str = ""
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementRecord:
    """A picture measured from photographs: what was asked, and the answer, as JSON text."""

    id: int
    uid: str
    version: int
    job_id: int
    stage: str | None
    accepted: bool
    photos_json: str
    settings_json: str
    answer_json: str
    model_version: str
    overlay_sha256: str | None
    headline: str
    at: dt.datetime
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredFile:
    """The bytes of a photograph or of a drawing made from one."""

    sha256: str
    media_type: str
    data: bytes


@dataclass(frozen=True, slots=True, kw_only=True)
class JobPage:
    """All of one job, gathered in few questions to the database; lists are oldest first."""

    job: Job
    display: DisplayRecord
    tube: TubeRecord | None
    readings: tuple[ReadingRecord, ...]
    observations: tuple[ObservationRecord, ...]
    treatments: tuple[TreatmentRecord, ...]
    verdicts: tuple[VerdictRecord, ...]
    photos: tuple[PhotoRecord, ...] = ()
    measurements: tuple[MeasurementRecord, ...] = ()
    repairs: tuple[RepairRecord, ...] = ()
    confirmations: tuple[ConfirmationRecord, ...] = ()
    moves: tuple[MoveRecord, ...] = ()
    grey_rounds: tuple[GreyRoundRecord, ...] = ()
    setup_choices: SetupChoices | None = None
    reservations: tuple[Reservation, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardRow:
    """One line of the board."""

    job_id: int
    display_id: int
    display_label: str
    owner: str
    place: str
    tube_id: int | None
    tube_label: str
    state: JobState
    waits_for: str
    decision: str
    headline: str
    opened_at: dt.datetime
    changed_at: dt.datetime


Row = TypeVar("Row")


@dataclass(frozen=True, slots=True, kw_only=True)
class Page(Generic[Row]):
    """One page of a list; hand ``next_page`` back to get the next, None at the end."""

    rows: tuple[Row, ...]
    next_page: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class TubeHistory:
    """A tube over the years: where it sat, and all that was read, seen and done; oldest first."""

    tube: TubeRecord
    fittings: tuple[Fitting, ...]
    jobs: tuple[Job, ...]
    readings: tuple[ReadingRecord, ...]
    observations: tuple[ObservationRecord, ...]
    treatments: tuple[TreatmentRecord, ...]
    verdicts: tuple[VerdictRecord, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """An instrument of the shop; readings name it in their ``instrument``."""

    id: int
    uid: str
    version: int
    name: str
    notes: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownGoodRecord:
    """An emission reading on a gun known to be good, for calibrating an instrument."""

    id: int
    uid: str
    version: int
    instrument_id: int
    instrument: str
    value: float
    unit: case.Unit
    cutoff_v: float | None
    g2_v: float | None
    tube_label: str
    taken_at: dt.datetime
    person: str = ""

    @property
    def reading(self) -> KnownGoodReading:
        """The reading as the judgement takes it."""
        return KnownGoodReading(
            instrument=self.instrument,
            value=self.value,
            unit=self.unit,
            cutoff_v=self.cutoff_v,
            g2_v=self.g2_v,
            tube_label=self.tube_label,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class HistoryRecord:
    """One row changed: what it held before and after. Rows that one person changed at one go share ``change``.

    What came with the records of another shop is ``from_elsewhere``: it is told, and can't be taken back here.
    """

    id: int
    change: str
    at: dt.datetime
    person: str
    action: Action
    table: str
    row_id: int
    job_id: int | None
    before: Mapping[str, object] | None
    after: Mapping[str, object] | None
    undoes: str | None
    from_elsewhere: bool = False
