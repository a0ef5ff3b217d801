"""What was done to the tubes: treatments with how long they lasted, what was seen, and their outcome."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection

from tubewright import case
from tubewright.records import checks
from tubewright.records.changes import Change, Values
from tubewright.records.model import TreatmentRecord
from tubewright.records.rows import records_of, treatment_record
from tubewright.records.tables import jobs, treatments
from tubewright.records.transactions import Transactions

MOST_MINUTES: Final = 100_000  # from memory: estimate; ten weeks day and night
LONGEST_STEP: Final = 120


class _Lasted(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    minutes: case.Amount | None = Field(default=None, le=MOST_MINUTES)


class Treatments(Transactions):
    """The part of the store that keeps treatments."""

    def add_treatment(
        self,
        job_id: int,
        treatment: case.Treatment | Mapping[str, object],
        *,
        note: str = "",
        minutes: float | None = None,
        seen: str = "",
        plan_step: str = "",
        by: int | None = None,
    ) -> TreatmentRecord:
        """Write down a treatment of the tube now in the job's display.

        Args:
            job_id: the job it was done in.
            treatment: what was done, on which gun, and what came of it.
            note: whatever else there is to say.
            minutes: how long it lasted.
            seen: what was seen meanwhile.
            plan_step: the id of the plan's step that it was, if of one.
            by: who did it.
        """

        def work(change: Change) -> TreatmentRecord:
            job = change.row(jobs, job_id)
            checked = checks.part(case.Treatment, treatment)
            values: Values = {
                "job_id": job_id,
                "tube_id": job["tube_id"],
                "person_id": change.by,
                "at": checks.moment(checked.at, change.now),
                **checked.model_dump(exclude={"at"}),
                **_more(note=note, minutes=minutes, seen=seen, plan_step=plan_step),
            }
            return _treatment(change.conn, change.insert(treatments, values))

        return self.change(by, work)

    def edit_treatment(
        self,
        treatment_id: int,
        treatment: case.Treatment | Mapping[str, object],
        *,
        version: int,
        note: str | None = None,
        minutes: float | None = None,
        seen: str | None = None,
        plan_step: str | None = None,
        by: int | None = None,
    ) -> TreatmentRecord:
        """Correct a treatment, for instance to add its outcome; what is left None stays, and so does its time."""

        def work(change: Change) -> TreatmentRecord:
            checked = checks.part(case.Treatment, treatment)
            values: Values = checked.model_dump(exclude={"at"})
            if checked.at is not None:
                values["at"] = checks.moment(checked.at, change.now)
            values |= _more(note=note, minutes=minutes, seen=seen, plan_step=plan_step)
            change.update(treatments, treatment_id, values, version=version)
            return _treatment(change.conn, treatment_id)

        return self.change(by, work)

    def remove_treatment(self, treatment_id: int, *, version: int, by: int | None = None) -> None:
        """Strike a treatment out; history keeps it."""
        self.change(by, lambda change: change.delete(treatments, treatment_id, version=version))


def _treatment(conn: Connection, treatment_id: int) -> TreatmentRecord:
    return records_of(conn, treatments, treatments.c.id == treatment_id, treatment_record)[0]


def _more(*, note: str | None, minutes: float | None, seen: str | None, plan_step: str | None) -> Values:
    """What goes beyond the case, as far as it was given."""
    values: Values = {
        name: checks.words(text, name) for name, text in (("note", note), ("seen", seen)) if text is not None
    }
    if plan_step is not None:
        values["plan_step"] = checks.words(plan_step, "plan_step", longest=LONGEST_STEP)
    if minutes is not None:
        values["minutes"] = checks.part(_Lasted, {"minutes": minutes}).minutes
    return values


def check_treatment(values: Values, where: str) -> None:
    """Check a row of treatments from elsewhere as if it had been typed.

    Raises:
        InputError: with its faults.
    """
    checks.part(case.Treatment, {name: values[name] for name in ("gun", "kind", "outcome")}, where)
    checks.part(_Lasted, {"minutes": values["minutes"]}, where)
