"""Treatments of a job, for both doors: the plan from its records, and one more step written into its log."""

from __future__ import annotations

import datetime as dt
import threading
from collections import OrderedDict
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from tubewright.answers.hold import Held
from tubewright.answers.treat import HoldOf, hold_of, rounds_of, treat
from tubewright.answers.treat_step import StepDone, require_step
from tubewright.answers.treated import RoundAnswer, Treated
from tubewright.case import Case, Gun, Outcome, Treatment, TreatmentKind
from tubewright.judgement.guards import guarded
from tubewright.judgement.settling_readings import AfterTreatment
from tubewright.judgement.treatment_guards import HISTORY_UNKNOWN, HISTORY_WORDS
from tubewright.knowledge.model import Knowledge
from tubewright.records.model import ConfirmationRecord, TreatmentRecord
from tubewright.records.store import Store

HISTORY_STEP: Final = "history"
"""The step under which it is kept that nobody knows of earlier restorations."""
_MOST_KEPT: Final = 64


class Holds:
    """Answers on the holding of gains, kept by the readings they come from: each is reckoned once."""

    def __init__(self) -> None:
        self._held: OrderedDict[tuple[object, ...], Held] = OrderedDict()
        self._lock = threading.Lock()

    def __call__(self, told: AfterTreatment, gun: Gun, knowledge: Knowledge, seed: int) -> Held:
        """The answer, kept or fresh."""
        name = (told.readings, told.left_out, told.trouble, gun, seed, id(knowledge))
        with self._lock:
            if name in self._held:
                self._held.move_to_end(name)
                return self._held[name]
        answer = hold_of(told, gun, knowledge, seed)
        with self._lock:
            self._held[name] = answer
            while len(self._held) > _MOST_KEPT:
                self._held.popitem(last=False)
        return answer


def told_of(store: Store, job_id: int) -> Case:
    """A job as a case whose times are those of the shop's own clock, as its words tell them."""

    def here(at: dt.date | dt.datetime | None) -> dt.date | dt.datetime | None:
        return at.astimezone() if isinstance(at, dt.datetime) and at.tzinfo else at

    case = store.case_of(job_id)
    return case.model_copy(
        update={
            "readings": tuple(one.model_copy(update={"at": here(one.at)}) for one in case.readings),
            "treatments": tuple(one.model_copy(update={"at": here(one.at)}) for one in case.treatments),
        }
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Entry:
    """A step as it is written down.

    Attributes:
        kind: The treatment.
        gun: Its gun; None where it reaches all.
        minutes: How long it took.
        ended: When it ended; knows its zone.
        seen: What was seen meanwhile.
        outcome: What came of it in the person's own word; None leaves it to the readings.
        note: Anything else.
        readings: Readings taken after it, as the store takes them; they are marked so.
    """

    kind: TreatmentKind
    gun: Gun | None
    minutes: float | None
    ended: dt.datetime
    seen: str = ""
    outcome: Outcome | None = None
    note: str = ""
    readings: Sequence[Mapping[str, object]] = field(default=())


def plan_of(
    store: Store, knowledge: Knowledge, job_id: int, *, holds: HoldOf = hold_of, gun: Gun | None = None
) -> Treated:
    """The plan of treatment of a job as its records stand now."""
    return treat(
        told_of(store, job_id),
        knowledge,
        store.experience(),
        now=store.clock().astimezone(),
        gun=gun,
        confirmations=store.confirmations(job_id),
        holds=holds,
    )


def log_step(
    store: Store,
    knowledge: Knowledge,
    job_id: int,
    entry: Entry,
    *,
    confirmed: Sequence[str] = (),
    history_unknown: bool = False,
    by: int | None = None,
    holds: HoldOf = hold_of,
) -> None:
    """Write a step into the log of a job, with the readings taken after it, if the plan has it open.

    Args:
        store: The shop's records.
        knowledge: The trade's knowledge.
        job_id: The job.
        entry: What was done.
        confirmed: Cautions whose condition is said to be met; kept with the job.
        history_unknown: That nobody knows of earlier restorations is said; kept with the job.
        by: Who writes it.
        holds: What reckons the holding of gains.

    Raises:
        InputError: Something in the entry can't be; nothing is stored.
        RefusedError: The step is not the plan's next one, or a guard of it is open; nothing is stored.
    """
    now = store.clock().astimezone()
    ended = min(entry.ended, now)
    step = StepDone(
        kind=entry.kind, gun=entry.gun, began=ended - dt.timedelta(minutes=entry.minutes or 0.0), ended=entry.ended
    )
    given: tuple[ConfirmationRecord, ...] = store.confirmations(job_id)
    require_step(
        told_of(store, job_id),
        knowledge,
        store.experience(),
        step=step,
        now=now,
        confirmed=confirmed,
        confirmations=given,
        history_unknown=history_unknown,
        holds=holds,
    )
    with store.together():
        if confirmed:
            keep_confirmed(store, knowledge, job_id, entry.kind, confirmed, by=by)
        if history_unknown:
            say_history_unknown(store, job_id, by=by)
        store.add_treatment(
            job_id,
            Treatment(kind=entry.kind, gun=entry.gun, outcome=entry.outcome, at=entry.ended),
            minutes=entry.minutes,
            seen=entry.seen,
            note=entry.note,
            plan_step=entry.kind if entry.gun is None else f"{entry.kind}:{entry.gun}",
            by=by,
        )
        if entry.readings:
            store.add_readings(job_id, [{**one, "stage": "after"} for one in entry.readings], by=by)
        judge_rounds(store, knowledge, job_id, by=by)


def keep_confirmed(
    store: Store, knowledge: Knowledge, job_id: int, kind: TreatmentKind, said: Sequence[str], *, by: int | None
) -> None:
    """Keep which conditions of a treatment were confirmed; what isn't one of its conditions is left out."""
    words = {one.caution: one.words for one in guarded(knowledge, "treatment", kind).conditions if one.caution in said}
    if words:
        store.confirm(job_id, "treatment", kind, cautions=words, by=by)


def say_history_unknown(store: Store, job_id: int, *, by: int | None) -> None:
    """Keep that nobody knows of earlier restorations; once is enough."""
    if not any(one.caution == HISTORY_UNKNOWN for one in store.confirmations(job_id)):
        store.confirm(job_id, "treatment", HISTORY_STEP, cautions={HISTORY_UNKNOWN: HISTORY_WORDS}, by=by)


def judge_rounds(store: Store, knowledge: Knowledge, job_id: int, *, by: int | None) -> int:
    """Give every step without an outcome the one that its readings tell; returns how many.

    An outcome that a person wrote down is never changed.
    """
    job = store.job(job_id)
    unsaid = [one for one in job.treatments if one.treatment.outcome is None]
    if not unsaid:
        return 0
    case = store.case_of(job_id)
    rounds = rounds_of(case, knowledge, store.experience())
    judged = 0
    for record in unsaid:
        found = round_of(record, rounds)
        if found is not None and found.judged is not None:
            changed = record.treatment.model_copy(update={"outcome": found.judged, "at": None})
            store.edit_treatment(record.id, changed, version=record.version, by=by)
            judged += 1
    return judged


def round_of(record: TreatmentRecord, rounds: Sequence[RoundAnswer]) -> RoundAnswer | None:
    """The round of the course that an entry of the log is."""
    return next(
        (
            one
            for one in rounds
            if (one.kind, one.gun, one.at) == (record.treatment.kind, record.treatment.gun, record.at)
        ),
        None,
    )


def usual_reading(case: Case, gun: Gun, knowledge: Knowledge) -> dict[str, object]:
    """How the last emission reading of a gun was taken at full heater: unit, instrument, references, volts."""
    rated, full = case.tube.heater_v, knowledge.value("full_heater_from")
    mine = [
        one
        for one in case.readings
        if one.kind == "emission"
        and one.gun == gun
        and (one.heater_v is None or rated is None or one.heater_v >= rated * full)
    ]
    others = [one for one in case.readings if one.kind == "emission"]
    last = (mine or others)[-1:]
    if not last:
        return {}
    names = ("unit", "instrument", "reference", "reference_cutoff_v", "full_scale", "g2_v", "heater_v")
    found = {name: value for name in names if (value := getattr(last[0], name)) is not None}
    if not mine:
        found.pop("heater_v", None)
    return found
