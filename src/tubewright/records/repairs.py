"""What a job came to: faults found, mended or ruled out, and what was confirmed before each step."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection, select

from tubewright import case
from tubewright.errors import Fault, InputError
from tubewright.records import checks
from tubewright.records.changes import Change, Values, row
from tubewright.records.model import ConfirmationRecord, RepairRecord, StepSort
from tubewright.records.rows import confirmation_record, records_of, repair_record
from tubewright.records.tables import confirmations, displays, jobs, observations, repairs
from tubewright.records.transactions import Transactions

MOST_MINUTES: Final = 100_000  # from memory: estimate; ten weeks day and night


class _Spent(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    minutes: case.Amount | None = Field(default=None, le=MOST_MINUTES)


class _Step(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    step_sort: StepSort
    step: case.Identifier
    caution: case.Identifier


class Repairs(Transactions):
    """The part of the store that keeps repairs and confirmations."""

    def add_repair(
        self,
        job_id: int,
        repair: case.Repair | Mapping[str, object],
        *,
        minutes: float | None = None,
        note: str = "",
        by: int | None = None,
    ) -> RepairRecord:
        """Write down a fault that was found, mended or ruled out; ``minutes`` is what it took at the bench."""

        def work(change: Change) -> RepairRecord:
            change.row(jobs, job_id)
            values = _repair_values(change, repair, minutes=minutes, note=note)
            values.setdefault("at", change.now)
            return _repair(change.conn, change.insert(repairs, {"job_id": job_id, "person_id": change.by, **values}))

        return self.change(by, work)

    def edit_repair(
        self,
        repair_id: int,
        repair: case.Repair | Mapping[str, object],
        *,
        version: int,
        minutes: float | None = None,
        note: str | None = None,
        by: int | None = None,
    ) -> RepairRecord:
        """Correct a repair; without ``at`` its time stays, and with ``note`` None its note. ``minutes`` is replaced."""

        def work(change: Change) -> RepairRecord:
            values = _repair_values(change, repair, minutes=minutes, note=note)
            change.update(repairs, repair_id, values, version=version)
            return _repair(change.conn, repair_id)

        return self.change(by, work)

    def remove_repair(self, repair_id: int, *, version: int, by: int | None = None) -> None:
        """Strike a repair out; history keeps it."""
        self.change(by, lambda change: change.delete(repairs, repair_id, version=version))

    def confirm(
        self, job_id: int, step_sort: StepSort, step: str, *, cautions: Mapping[str, str], by: int | None = None
    ) -> tuple[ConfirmationRecord, ...]:
        """Keep that somebody confirmed the conditions of a step, now.

        A confirmation is never edited. One that was given by mistake is taken back with
        :meth:`undo`, which closes the step again; the history keeps both.

        Args:
            job_id: the job at whose display a hand goes in.
            step_sort: what the step is.
            step: its id: of a test, of the fault that is being mended, of a kind of treatment, or of a control.
            cautions: by caution id, the words that were confirmed as they were shown.
            by: who confirmed.
        """

        def work(change: Change) -> tuple[ConfirmationRecord, ...]:
            change.row(jobs, job_id)
            if not cautions:
                raise InputError(
                    Fault(what="nothing was confirmed", where="cautions", mend="Confirm what the step asks for")
                )
            rows = [
                checks.part(_Step, {"step_sort": step_sort, "step": step, "caution": one}).model_dump()
                | {"words": checks.spoken(said, f"cautions.{one}")}
                for one, said in cautions.items()
            ]
            same = {"job_id": job_id, "person_id": change.by, "at": change.now}
            fresh = [change.insert(confirmations, same | values) for values in rows]
            return records_of(change.conn, confirmations, confirmations.c.id.in_(fresh), confirmation_record)

        return self.change(by, work)

    def confirmations(self, job_id: int) -> tuple[ConfirmationRecord, ...]:
        """Everything that was confirmed in a job, oldest first."""
        with self.database.read() as conn:
            row(conn, jobs, job_id)
            return records_of(conn, confirmations, confirmations.c.job_id == job_id, confirmation_record)

    def ids_used(self) -> dict[str, set[str]]:
        """Ids that the records use: of symptoms, tests, faults and chassis profiles."""
        asked = {
            "symptom": select(observations.c.name).where(observations.c.sort == "symptom"),
            "test": select(observations.c.name).where(observations.c.sort == "test"),
            "fault": select(repairs.c.fault),
            "chassis": select(displays.c.chassis).where(displays.c.chassis.is_not(None)),
        }
        with self.database.read() as conn:
            return {noun: set(conn.execute(query.distinct()).scalars()) for noun, query in asked.items()}


def check_repair(values: Values, where: str) -> None:
    """Check a row of repairs from elsewhere as if it had been typed.

    Raises:
        InputError: with its faults.
    """
    checks.part(case.Repair, {name: values[name] for name in ("fault", "outcome")}, where)
    checks.part(_Spent, {"minutes": values["minutes"]}, where)


def check_confirmation(values: Values, where: str) -> None:
    """Check a row of confirmations from elsewhere as if it had been typed.

    Raises:
        InputError: with its faults.
    """
    checks.part(_Step, {name: values[name] for name in ("step_sort", "step", "caution")}, where)
    checks.spoken(values["words"], f"{where}.words")


def _repair(conn: Connection, repair_id: int) -> RepairRecord:
    return records_of(conn, repairs, repairs.c.id == repair_id, repair_record)[0]


def _repair_values(
    change: Change, given: case.Repair | Mapping[str, object], *, minutes: float | None, note: str | None
) -> Values:
    checked = checks.part(case.Repair, given)
    values: Values = checked.model_dump(exclude={"at"})
    values["minutes"] = checks.part(_Spent, {"minutes": minutes}).minutes
    if checked.at is not None:
        values["at"] = checks.moment(checked.at, change.now)
    if note is not None:
        values["note"] = checks.words(note, "note")
    return values
