"""Readings as they are taken, corrected and struck out."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from tubewright import case
from tubewright.records import work as _work
from tubewright.records.model import ReadingRecord
from tubewright.records.transactions import Transactions


class Readings(Transactions):
    """The part of the store that keeps readings."""

    def reading(self, reading_id: int) -> ReadingRecord:
        """One reading."""
        with self.database.read() as conn:
            return _work.reading(conn, reading_id)

    def add_reading(
        self, job_id: int, reading: case.Reading | Mapping[str, object], *, by: int | None = None
    ) -> ReadingRecord:
        """Write down a reading on the tube now in the job's display; without ``at`` it is taken now."""
        return self.add_readings(job_id, [reading], by=by)[0]

    def add_readings(
        self, job_id: int, readings: Sequence[case.Reading | Mapping[str, object]], *, by: int | None = None
    ) -> tuple[ReadingRecord, ...]:
        """Write down several readings in one change: all or none, every fault named (``readings[2].value``)."""
        return self.change(by, lambda change: _work.add_readings(change, job_id, readings))

    def edit_reading(
        self,
        reading_id: int,
        reading: case.Reading | Mapping[str, object],
        *,
        version: int,
        by: int | None = None,
    ) -> ReadingRecord:
        """Correct a reading; ``version`` is the one the person saw."""
        return self.change(by, lambda change: _work.edit_reading(change, reading_id, reading, version=version))

    def remove_reading(self, reading_id: int, *, version: int, by: int | None = None) -> None:
        """Strike a reading out; history keeps it, and :meth:`undo` brings it back."""
        self.change(by, lambda change: _work.remove_reading(change, reading_id, version=version))

    def import_readings(self, readings: Iterable[tuple[int, case.Reading]], *, by: int | None = None) -> int:
        """Write many (job id, reading) in one transaction, with one entry in the history; gives their number."""
        return self.change(by, lambda change: _work.import_readings(change, readings))
