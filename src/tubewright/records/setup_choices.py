"""What was chosen for setting a job's display up: kept with the job, so that every door goes by it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Annotated, Final

from pydantic import AwareDatetime, BaseModel, ConfigDict, Field, field_validator
from sqlalchemy import Connection, select
from sqlalchemy.exc import IntegrityError

from tubewright.errors import Fault, InputError
from tubewright.records import checks
from tubewright.records.changes import Change, Values, row
from tubewright.records.model import SetupChoices
from tubewright.records.model_setup import SetupTolerance
from tubewright.records.rows import records_of, setup_choices_record
from tubewright.records.tables import jobs, measurements, setup_choices
from tubewright.records.transactions import Transactions

LEAST_OPENING_MM: Final = 10.0  # from memory: estimate; below any picture
MOST_OPENING_MM: Final = 5000.0  # from memory: estimate; far above any tube
MOST_AT_ONCE: Final = 20  # from memory: estimate; more than any set has to be turned

_Side = Annotated[float, Field(gt=LEAST_OPENING_MM, lt=MOST_OPENING_MM, allow_inf_nan=False)]


class SetupChoicesInput(BaseModel):
    """What may be chosen; ``None``, and an empty tolerance, take a choice back."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    tolerance: SetupTolerance = ""
    opening_width_mm: _Side | None = None
    opening_height_mm: _Side | None = None
    at_once: Annotated[int, Field(ge=1, le=MOST_AT_ONCE, strict=True)] | None = None
    since_measurement_id: Annotated[int, Field(ge=1, strict=True)] | None = None
    on_since: AwareDatetime | None = None

    @field_validator("on_since")
    @classmethod
    def _in_utc(cls, moment: dt.datetime | None) -> dt.datetime | None:
        try:
            return None if moment is None else moment.astimezone(dt.UTC)
        except OverflowError:
            raise ValueError("this is no moment that a set was switched on") from None


_NOTHING: Final[Values] = SetupChoicesInput().model_dump()


class Choosing(Transactions):
    """The part of the store that keeps what was chosen for a set-up."""

    def setup_choices(self, job_id: int) -> SetupChoices | None:
        """What was chosen for setting a job's display up; ``None`` where nothing ever was.

        Raises:
            UnknownRecordError: there is no such job.
        """
        with self.database.read() as conn:
            row(conn, jobs, job_id)
            return _here(conn, job_id)

    def set_setup_choices(
        self, job_id: int, values: Mapping[str, object], *, by: int | None = None
    ) -> SetupChoices | None:
        """Choose what is named in ``values`` and leave the rest as it was chosen before.

        Args:
            job_id: whose set-up it is.
            values: some fields of :class:`SetupChoicesInput`; None takes a choice back.
            by: who chose.

        Returns:
            What is chosen now; None where nothing is and nothing ever was.

        Raises:
            InputError: a field makes no sense, one side of the opening is missing, or the
                measurement is not one of the job; nothing is changed then.
        """

        def work(change: Change) -> SetupChoices | None:
            change.row(jobs, job_id)
            found = _row(change.conn, job_id)
            before = {name: (found or _NOTHING)[name] for name in SetupChoicesInput.model_fields}
            checked = checks.part(SetupChoicesInput, before | dict(values))
            _both_sides(checked)
            _of_this_job(change.conn, job_id, checked.since_measurement_id)
            fresh = checked.model_dump()
            if fresh != before:
                stamp: Values = {"person_id": change.by, "at": change.now}
                if found is None:
                    change.insert(setup_choices, {"job_id": job_id, **stamp, **fresh})
                else:
                    change.update(setup_choices, found["id"], stamp | fresh)
            return _here(change.conn, job_id)

        try:
            return self.change(by, work)
        except IntegrityError:
            # Another process on PostgreSQL was quicker to choose for the first time; now it is there to be changed.
            return self.change(by, work)


def let_go(change: Change, measurement_id: int) -> None:
    """Let a session that begins with a measurement begin with the job's first, as this one is going."""
    mine = select(setup_choices.c.id).where(setup_choices.c.since_measurement_id == measurement_id)
    for row_id in list(change.conn.execute(mine).scalars()):
        change.update(setup_choices, row_id, {"since_measurement_id": None})


def check_setup_choices(values: Values, where: str) -> None:
    """Check a row of choices from elsewhere as if it had been typed.

    Raises:
        InputError: with its faults.
    """
    # Which measurement it is was looked up already, by its uid.
    known = {
        name: values[name]
        for name in SetupChoicesInput.model_fields
        if name in values and name != "since_measurement_id"
    }
    _both_sides(checks.part(SetupChoicesInput, known, where), f"{where}.")


def _row(conn: Connection, job_id: int) -> Values | None:
    found = conn.execute(select(setup_choices).where(setup_choices.c.job_id == job_id)).mappings().first()
    return None if found is None else dict(found)


def _here(conn: Connection, job_id: int) -> SetupChoices | None:
    found = records_of(conn, setup_choices, setup_choices.c.job_id == job_id, setup_choices_record)
    return found[0] if found else None


def _both_sides(checked: SetupChoicesInput, where: str = "") -> None:
    if (checked.opening_width_mm is None) != (checked.opening_height_mm is None):
        missing = "opening_height_mm" if checked.opening_height_mm is None else "opening_width_mm"
        raise InputError(
            Fault(
                what="one side of the opening is missing",
                where=f"{where}{missing}",
                mend="Give width and height, or neither",
            )
        )


def _of_this_job(conn: Connection, job_id: int, measurement_id: int | None) -> None:
    if measurement_id is None:
        return
    of_job = conn.execute(select(measurements.c.job_id).where(measurements.c.id == measurement_id)).scalar()
    if of_job != job_id:
        raise InputError(
            Fault(
                what=f"measurement {measurement_id} is not one of this job",
                where="since_measurement_id",
                mend="Name one of its own, or none to begin with the first",
            )
        )
