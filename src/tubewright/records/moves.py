"""Controls that were moved to set the picture up, each after the measurement that led to it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Annotated, Final

from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import Connection, select

from tubewright import case
from tubewright.errors import Fault, InputError
from tubewright.records import checks
from tubewright.records.changes import Change, Values, row
from tubewright.records.model import MoveRecord, MoveUnit
from tubewright.records.rows import move_record, records_of
from tubewright.records.tables import control_moves, displays, jobs, measurements
from tubewright.records.transactions import Transactions

MOST_MOVED: Final = 10_000.0  # from memory: estimate; no control has that many turns, degrees, mm or percent
MOST_TABS_MM: Final = 200.0  # from memory: estimate; wider than any ring about a neck

_Yes = Annotated[bool, Field(strict=True)]
_Short = Annotated[str, Field(max_length=40, strict=True)]


class MoveInput(BaseModel):
    """A move of a control as it is written down; see :class:`~tubewright.records.model.MoveRecord`."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    control: case.Identifier
    part: Annotated[str, Field(max_length=80, pattern=r"^([a-z][a-z0-9_]*)?$", strict=True)] = ""
    amount: Annotated[float, Field(ge=-MOST_MOVED, le=MOST_MOVED, allow_inf_nan=False, strict=True)] | None = None
    unit: MoveUnit = "none"
    direction: _Short = ""
    tabs_mm: Annotated[float, Field(ge=0, le=MOST_TABS_MM, allow_inf_nan=False, strict=True)] | None = None
    angle_deg: Annotated[float, Field(ge=-MOST_MOVED, le=MOST_MOVED, allow_inf_nan=False, strict=True)] | None = None
    after_measurement_id: Annotated[int, Field(ge=1, strict=True)] | None = None
    undone: _Yes = False
    wrong_way: _Yes = False
    at_stop: _Yes = False
    note: str = ""
    at: dt.datetime | dt.date | None = None


class Moves(Transactions):
    """The part of the store that keeps the moves of controls."""

    def add_move(self, job_id: int, move: MoveInput | Mapping[str, object], *, by: int | None = None) -> MoveRecord:
        """Write down that a control was moved; without ``at``, now.

        Raises:
            InputError: a field makes no sense, or the measurement is not of this job.
        """

        def work(change: Change) -> MoveRecord:
            change.row(jobs, job_id)
            checked = checks.part(MoveInput, move)
            values = _values(change.conn, job_id, checked)
            values |= {"job_id": job_id, "person_id": change.by, "at": checks.moment(checked.at, change.now)}
            return _move(change.conn, change.insert(control_moves, values))

        return self.change(by, work)

    def edit_move(
        self, move_id: int, changes: Mapping[str, object], *, version: int, by: int | None = None
    ) -> MoveRecord:
        """Correct some fields of a move, or say what became of it (``undone``, ``wrong_way``, ``at_stop``)."""

        def work(change: Change) -> MoveRecord:
            before = change.row(control_moves, move_id)
            kept = {name: before[name] for name in MoveInput.model_fields if name != "at"}
            checked = checks.part(MoveInput, kept | dict(changes))
            values = _values(change.conn, before["job_id"], checked)
            if checked.at is not None:
                values["at"] = checks.moment(checked.at, change.now)
            change.update(control_moves, move_id, values, version=version)
            return _move(change.conn, move_id)

        return self.change(by, work)

    def remove_move(self, move_id: int, *, version: int, by: int | None = None) -> None:
        """Strike a move out that never was; history keeps it. One that was put back is ``undone`` instead."""
        self.change(by, lambda change: change.delete(control_moves, move_id, version=version))

    def moves(self, job_id: int) -> tuple[MoveRecord, ...]:
        """Every move of a job, oldest first."""
        with self.database.read() as conn:
            row(conn, jobs, job_id)
            return records_of(conn, control_moves, control_moves.c.job_id == job_id, move_record)

    def moves_of_display(self, display_id: int) -> tuple[tuple[int, MoveRecord], ...]:
        """Every move that was made on a display in any of its jobs, each with its job's id, oldest first."""
        with self.database.read() as conn:
            row(conn, displays, display_id)
            of_display = select(jobs.c.id).where(jobs.c.display_id == display_id)
            found = records_of(conn, control_moves, control_moves.c.job_id.in_(of_display), move_record)
            return tuple((one.job_id, one) for one in found)


def _move(conn: Connection, move_id: int) -> MoveRecord:
    return records_of(conn, control_moves, control_moves.c.id == move_id, move_record)[0]


def _values(conn: Connection, job_id: int, checked: MoveInput) -> Values:
    """The columns of a move, its measurement looked up."""
    after = checked.after_measurement_id
    if after is not None:
        of_job = conn.execute(select(measurements.c.job_id).where(measurements.c.id == after)).scalar()
        if of_job != job_id:
            raise InputError(
                Fault(
                    what=f"measurement {after} is not one of this job",
                    where="after_measurement_id",
                    mend="Name the last measurement before the move, or none if it came before the first",
                )
            )
    return checked.model_dump(exclude={"at", "note"}) | {"note": checks.words(checked.note, "note")}


def rehang(change: Change, measurement_id: int) -> None:
    """Let moves that were made after a measurement follow the one before it, as this one is going."""
    mine = select(control_moves.c.id).where(control_moves.c.after_measurement_id == measurement_id)
    ids = list(change.conn.execute(mine.order_by(control_moves.c.id)).scalars())
    if not ids:
        return
    going = change.row(measurements, measurement_id)
    earlier = (
        select(measurements.c.id)
        .where(
            measurements.c.job_id == going["job_id"],
            (measurements.c.at < going["at"])
            | ((measurements.c.at == going["at"]) & (measurements.c.id < measurement_id)),
        )
        .order_by(measurements.c.at.desc(), measurements.c.id.desc())
        .limit(1)
    )
    before = change.conn.execute(earlier).scalar()
    for move_id in ids:
        change.update(control_moves, move_id, {"after_measurement_id": before})


def check_move(values: Values, where: str) -> None:
    """Check a row of moves from elsewhere as if it had been typed.

    Raises:
        InputError: with its faults.
    """
    known = {name: values[name] for name in MoveInput.model_fields if name in values and name != "at"}
    checks.part(MoveInput, known, where)
    checks.words(values["note"], f"{where}.note")
