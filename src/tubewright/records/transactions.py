"""Writing to the records: transactions, and the marks by which the history knows what was done at one go."""

from __future__ import annotations

import copy
import datetime as dt
import threading
import uuid
from collections.abc import Callable, Iterator
from contextlib import AbstractContextManager, contextmanager
from pathlib import Path
from types import TracebackType
from typing import Self, TypeVar

from sqlalchemy import Connection

from tubewright.records.changes import Change
from tubewright.records.engine import Database

Result = TypeVar("Result")


def utc_now() -> dt.datetime:
    """The time now, in UTC; the clock that records use unless they are handed another."""
    return dt.datetime.now(dt.UTC)


class Transactions:
    """A database with a clock and a source of uids: every change of the records goes through here.

    Threads may share one: readers run side by side, writers one after the other.
    """

    def __init__(
        self,
        where: str | Path,
        *,
        clock: Callable[[], dt.datetime] = utc_now,
        new_uid: Callable[[], uuid.UUID] = uuid.uuid4,
    ) -> None:
        self.clock = clock
        self.new_uid = new_uid
        self.database = Database(where)
        self._click = threading.local()

    def migrate(self) -> None:
        """Bring the schema up to date; creates the file and its folder. Quick when nothing is to do.

        Raises:
            InputError: the file was written by a newer Tubewright, or is no database.
        """
        self.database.migrate()

    def close(self) -> None:
        """Let go of every connection."""
        self.database.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    @contextmanager
    def together(self) -> Iterator[None]:
        """All calls of this thread inside are kept, or none; what one person does in them is one change.

        It stands in the history under one mark and is taken back as one: meant for
        what a person does with one click. An undo inside stays a change of its own.
        """
        with self.transaction():
            if hasattr(self._click, "marks"):
                yield
                return
            self._click.marks = {}
            try:
                yield
            finally:
                del self._click.marks

    def transaction(self) -> AbstractContextManager[None]:
        """All calls of this thread inside are kept, or none; each stays a change of its own."""
        return self.database.together()

    def with_clock(self, clock: Callable[[], dt.datetime], *, new_uid: Callable[[], uuid.UUID] | None = None) -> Self:
        """The same records, written with another clock (and source of uids): for imports and the demo shop."""
        other = copy.copy(self)
        other.clock = clock
        other.new_uid = new_uid or self.new_uid
        return other

    def change(self, by: int | None, work: Callable[[Change], Result]) -> Result:
        """Run ``work`` as one change in one transaction, again from its start if the database was busy.

        Every method that writes goes through here; so does exchange.
        """
        marks: dict[int | None, str] = getattr(self._click, "marks", {})

        def attempt(conn: Connection) -> Result:
            change = Change(conn, by=by, now=self.clock(), new_uid=self.new_uid, mark=marks.get(by))
            result = work(change)
            change.finish()
            if change.undoes is None:
                marks[by] = change.uid
            return result

        return self.database.write(attempt)
