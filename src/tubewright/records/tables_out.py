"""The records as plain tables, row by row, for spreadsheets and statistics."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final, Literal

from sqlalchemy import Boolean, Column, Float, Integer, Table, select

from tubewright.errors import Fault, UnknownRecordError
from tubewright.records.tables import EDITABLE, UtcTime, history
from tubewright.records.transactions import Transactions

ColumnKind = Literal["text", "integer", "real", "boolean", "time", "json"]

ROWS_AT_ONCE: Final = 1000
_TABLES: Final[Mapping[str, Table]] = {table.name: table for table in (*EDITABLE, history)}
_JSON: Final[Mapping[str, frozenset[str]]] = {"history": frozenset({"before", "after"})}
"""Columns that hold JSON text though their name doesn't end in ``_json``."""


class TablesOut(Transactions):
    """The part of the store that gives its tables away."""

    def table_names(self) -> tuple[str, ...]:
        """The tables that are given away: all that people write, and the history.

        Photographs, the phones that were let in and the search index are not among them.
        """
        return tuple(_TABLES)

    def table_columns(self, name: str) -> dict[str, ColumnKind]:
        """The columns of a table, in order, and what each holds; every one but ``id`` may also be None.

        Raises:
            UnknownRecordError: there is no such table.
        """
        table = _table(name)
        return {column.name: _kind(table, column) for column in table.columns}

    def table_rows(self, name: str) -> Iterator[dict[str, object]]:
        """The rows of a table by their id, as they are at one moment; times in UTC, JSON as text.

        They come from the database a thousand at a time, so that a large table needs little memory.

        Raises:
            UnknownRecordError: there is no such table.
        """
        return self._rows(_table(name))

    def _rows(self, table: Table) -> Iterator[dict[str, object]]:
        with self.database.read() as conn:
            few = conn.execution_options(yield_per=ROWS_AT_ONCE)
            # Closed even if the reader stops midway: on PostgreSQL a cursor of the server hangs on it.
            with few.execute(select(table).order_by(table.c.id)) as result:
                for found in result.mappings():
                    yield dict(found)


def _table(name: str) -> Table:
    if name not in _TABLES:
        raise UnknownRecordError(
            Fault(what=f"there is no table {name!r}"[:80], where="table", mend=f"Known are {', '.join(_TABLES)}")
        )
    return _TABLES[name]


def _kind(table: Table, column: Column[object]) -> ColumnKind:
    if column.name.endswith("_json") or column.name in _JSON.get(table.name, ()):
        return "json"
    kinds: tuple[tuple[type, ColumnKind], ...] = (
        (UtcTime, "time"),
        (Boolean, "boolean"),
        (Integer, "integer"),
        (Float, "real"),
    )
    return next((kind for sort, kind in kinds if isinstance(column.type, sort)), "text")
