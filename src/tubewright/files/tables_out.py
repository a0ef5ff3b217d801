"""Tables of plain rows as CSV or Parquet, written in batches: for spreadsheets, and for reckoning with.

CSV follows RFC 4180: a head, cells apart by commas, lines ended by CR LF, UTF-8. Nothing is
an empty cell, an empty text is ``""``; moments are ISO 8601 with their zone, yes and no are
``true`` and ``false``. A text cell that a spreadsheet would take for a formula gets an
apostrophe before it, and so does one that begins with an apostrophe: to read one back, take
one apostrophe off the front of every text cell that has it (:func:`plain_cell`).

Parquet keeps what each column is: whole numbers of 64 bits, floats of 64 bits, moments in UTC
by the microsecond, yes and no, text. The unit of a column whose name carries one stands in
its metadata under ``unit``; a column of JSON text has ``json`` under ``holds``.
"""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from itertools import islice
from typing import IO, TYPE_CHECKING, Final, Literal

if TYPE_CHECKING:
    import pyarrow as pa  # type: ignore[import-untyped]

Format = Literal["csv", "parquet"]
FORMATS: Final[tuple[Format, ...]] = ("csv", "parquet")
ColumnKind = Literal["text", "integer", "real", "boolean", "time", "json"]
Row = Mapping[str, object]
Progress = Callable[[int], None]
"""Told how many rows of a table are written; what it raises ends the writing."""

BATCH_ROWS: Final = 5000

UNITS: Final[Mapping[str, str]] = {
    "v": "V", "kv": "kV", "a": "A", "ua": "µA", "ma": "mA", "ohm": "Ω", "mohm": "MΩ", "hz": "Hz", "khz": "kHz",
    "mm": "mm", "cm": "cm", "in": "in", "deg": "°", "h": "h", "s": "s", "ms": "ms", "us": "µs", "k": "K", "c": "°C",
    "uf": "µF", "mh": "mH", "w": "W", "pct": "%", "percent": "%", "minutes": "min", "hours": "h", "years": "years",
    "days": "days", "m2": "cd/m²",
}  # fmt: skip
"""What the words of a column's name say of its unit."""

_FORMULA: Final = ("=", "+", "-", "@", "\t", "\r", "\n", "'")
"""How a text begins that a spreadsheet might reckon instead of showing; and the apostrophe itself."""
_QUOTED: Final = re.compile(r'[",\r\n]|^\s|\s$|^$')


def unit_of(column: str) -> str:
    """The unit that a column's name carries; empty if none.

    >>> unit_of("heater_v"), unit_of("hours_per_week"), unit_of("note")
    ('V', 'h/week', '')
    """
    words = column.split("_")
    if "per" in words:
        at = words.index("per")
        over, under = words[at - 1] if at else "", words[-1]
        return f"{UNITS[over]}/{under}" if over in UNITS else ""
    if len(words) == 1:
        return UNITS.get(words[0], "") if words[0] in {"minutes", "hours", "years", "days"} else ""
    return next((UNITS[word] for word in (words[-1], words[0]) if word in UNITS and _tells(word, words)), "")


def _tells(word: str, words: Sequence[str]) -> bool:
    """Whether a word of a name is its unit: symbols stand last, whole words anywhere."""
    return word == words[-1] or len(word) > 3


def write_table(
    to: IO[bytes],
    columns: Mapping[str, ColumnKind],
    rows: Iterable[Row],
    *,
    form: Format,
    progress: Progress | None = None,
) -> int:
    """Write one table; gives the number of its rows.

    Args:
        to: Where to; it need not be seekable.
        columns: Every column and what it holds, in their order.
        rows: The rows; each is let go once it is written.
        form: ``csv`` or ``parquet``.
        progress: Called after each batch.
    """
    count = 0
    for count in table_pieces(to, columns, rows, form=form):
        if progress is not None:
            progress(count)
    return count


def table_pieces(
    to: IO[bytes], columns: Mapping[str, ColumnKind], rows: Iterable[Row], *, form: Format
) -> Iterator[int]:
    """Write one table batch by batch; gives after each how many rows are written.

    Who stops asking stops the writing; the table is whole when there is nothing more to ask.
    """
    return _csv(to, columns, rows) if form == "csv" else _parquet(to, columns, rows)


def _csv(to: IO[bytes], columns: Mapping[str, ColumnKind], rows: Iterable[Row]) -> Iterator[int]:
    to.write((",".join(_quoted(name) for name in columns) + "\r\n").encode())
    kinds = list(columns.items())
    count = 0
    for batch in _batches(rows, BATCH_ROWS):
        lines = (",".join(_cell(row[name], kind) for name, kind in kinds) for row in batch)
        to.write(("\r\n".join(lines) + "\r\n").encode())
        count += len(batch)
        yield count


def _parquet(to: IO[bytes], columns: Mapping[str, ColumnKind], rows: Iterable[Row]) -> Iterator[int]:
    """A row group for each ten batches."""
    import pyarrow as pa
    import pyarrow.parquet as pq  # type: ignore[import-untyped]

    schema = arrow_schema(columns)
    count = 0
    with pq.ParquetWriter(to, schema, compression="zstd") as writer:
        for batch in _batches(rows, 10 * BATCH_ROWS):
            data = [pa.array([row[field.name] for row in batch], type=field.type) for field in schema]
            writer.write_batch(pa.record_batch(data, schema=schema))
            count += len(batch)
            yield count


def arrow_schema(columns: Mapping[str, ColumnKind]) -> pa.Schema:
    """The columns as Parquet keeps them, with units and kinds in their metadata."""
    import pyarrow as pa

    types = {
        "text": pa.string(),
        "json": pa.string(),
        "integer": pa.int64(),
        "real": pa.float64(),
        "boolean": pa.bool_(),
        "time": pa.timestamp("us", tz="UTC"),
    }
    fields = []
    for name, kind in columns.items():
        unit = unit_of(name) if kind in {"integer", "real"} else ""
        told = {**({"unit": unit} if unit else {}), **({"holds": "json"} if kind == "json" else {})}
        fields.append(pa.field(name, types[kind], nullable=name != "id", metadata=told or None))
    return pa.schema(fields)


def plain_cell(cell: str) -> str:
    """A text cell of our CSV as the text was: without the apostrophe that keeps spreadsheets from reckoning it.

    >>> plain_cell("'=2+2"), plain_cell("''tis"), plain_cell("red")
    ('=2+2', "'tis", 'red')
    """
    return cell.removeprefix("'")


def guarded_cell(text: str) -> str:
    """A text as a cell that no spreadsheet takes for a formula.

    >>> guarded_cell("=2+2"), guarded_cell("'tis"), guarded_cell("red")
    ("'=2+2", "''tis", 'red')
    """
    return f"'{text}" if text.startswith(_FORMULA) else text


def _cell(value: object, kind: ColumnKind) -> str:
    if value is None:
        return ""
    if kind in {"text", "json"}:
        return _quoted(guarded_cell(str(value)))
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dt.datetime):
        return value.isoformat()
    return repr(value) if isinstance(value, float) else str(value)


def _quoted(text: str) -> str:
    return '"' + text.replace('"', '""') + '"' if _QUOTED.search(text) else text


def _batches(rows: Iterable[Row], size: int) -> Iterator[list[Row]]:
    running = iter(rows)
    while batch := list(islice(running, size)):
        yield batch
