"""Reading the readings after a treatment from a file: minutes and what the instrument showed, as CSV or TOML."""

from __future__ import annotations

import csv
import io
import math
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tubewright.answers.hold import TimedReading
from tubewright.case import GUNS, Gun
from tubewright.errors import Fault, InputError

MAX_SETTLING_BYTES: Final = 1_000_000
MOST_READINGS: Final = 200
_MOST_FAULTS: Final = 20
_COLUMNS: Final = ("minutes", "value", "minutes_on", "spread")
_MEND: Final = (
    "Give minutes since the treatment and the reading: 15, 0.58; or with a heading minutes,value,minutes_on,spread."
)
_LONGEST_MINUTES: Final = 1_000_000.0


@dataclass(frozen=True, slots=True, kw_only=True)
class SettlingFile:
    """The readings of one gun after one treatment, and which gun and unit if the file says so."""

    readings: tuple[TimedReading, ...]
    gun: Gun | None
    unit: str


def read_settling(path: Path) -> SettlingFile:
    """The readings in a file.

    CSV: columns ``minutes, value`` with or without a heading; with one also ``minutes_on``
    (since the heater was last lit) and ``spread`` (repeatability of the reading, 0.04 for
    4 %). TOML: ``gun`` and ``unit`` if wanted, and ``[[readings]]`` with the same names.

    Args:
        path: The file; ``.toml`` for TOML, anything else is read as CSV.

    Raises:
        InputError: It can't be read, or holds something that can't be so; all faults together.
    """
    try:
        raw = path.read_bytes() if path.stat().st_size <= MAX_SETTLING_BYTES else None
    except OSError as error:
        raise InputError(
            Fault(what=f"the file can't be read ({error.strerror})", where=str(path), mend="Check its name.")
        ) from error
    if raw is None:
        raise InputError(Fault(what="the file is larger than 1 MB", where=path.name, mend="One treatment only."))
    text = raw.decode("utf-8-sig", errors="replace")
    found, faults = _toml(text, path.name) if path.suffix.lower() == ".toml" else _csv(text, path.name)
    if not faults and not found.readings:
        faults.append(Fault(what="there is no reading in it", where=path.name, mend=_MEND))
    if len(found.readings) > MOST_READINGS:
        faults.append(
            Fault(what=f"more than {MOST_READINGS} readings", where=path.name, mend="Leave out what stands close.")
        )
    if faults:
        raise InputError(faults[:_MOST_FAULTS])
    return found


def _csv(text: str, name: str) -> tuple[SettlingFile, list[Fault]]:
    faults: list[Fault] = []
    readings: list[TimedReading] = []
    head = text[:2000]
    delimiter = ";" if ";" in head else "\t" if "\t" in head else ","
    columns: tuple[str, ...] = ("minutes", "value")
    try:
        for number, cells in enumerate(csv.reader(io.StringIO(text), delimiter=delimiter), start=1):
            told = [cell.strip() for cell in cells]
            if not any(told) or told[0].startswith("#"):
                continue
            where = f"{name} line {number}"
            if not readings and not faults and _figure(told[0], delimiter) is None:
                columns = tuple(cell.lower() for cell in told)
                faults += [
                    Fault(what=f"{one!r} is no column I know", where=where, mend=f"Use {', '.join(_COLUMNS)}.")
                    for one in columns
                    if one not in _COLUMNS
                ]
                faults += [
                    Fault(what=f"the column {one} is missing", where=where, mend=_MEND)
                    for one in ("minutes", "value")
                    if one not in columns
                ]
                if faults:
                    break
                continue
            if len(told) > len(columns):
                faults.append(Fault(what="there are more figures than columns", where=where, mend=_MEND))
                continue
            row: dict[str, object] = {
                column: cell if (value := _figure(cell, delimiter)) is None else value
                for column, cell in zip(columns, told, strict=False)
                if cell
            }
            _take(row, where, "", readings, faults)
    except csv.Error as error:
        faults.append(Fault(what=f"this is not CSV ({error})", where=name, mend=_MEND))
    return SettlingFile(readings=tuple(readings), gun=None, unit=""), faults


def _toml(text: str, name: str) -> tuple[SettlingFile, list[Fault]]:
    empty = SettlingFile(readings=(), gun=None, unit="")
    try:
        told = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        return empty, [Fault(what=f"this is not TOML ({error})", where=name, mend="Check that line.")]
    known = {"gun", "unit", "readings"}
    faults = [
        Fault(what=f"{key!r} has no place here", where=name, mend=f"Use {', '.join(sorted(known))}.")
        for key in told
        if key not in known
    ]
    gun = next((one for one in GUNS if one == told.get("gun")), None)
    if gun is None and "gun" in told:
        faults.append(Fault(what=f"{told['gun']!r} is no gun", where=f"{name}, gun", mend="Use red, green or blue."))
    unit = told.get("unit", "")
    if not isinstance(unit, str) or len(unit) > 20:
        faults.append(Fault(what="the unit is no short text", where=f"{name}, unit", mend='Write unit = "uA".'))
        unit = ""
    rows = told.get("readings", [])
    readings: list[TimedReading] = []
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        faults.append(Fault(what="readings is no list of tables", where=name, mend="Write [[readings]] before each."))
        return empty, faults
    for number, row in enumerate(rows, start=1):
        where = f"{name}, readings {number}"
        odd = [key for key in row if key not in _COLUMNS]
        faults += [
            Fault(what=f"{key!r} has no place here", where=where, mend=f"Use {', '.join(_COLUMNS)}.") for key in odd
        ]
        _take({key: value for key, value in row.items() if key not in odd}, where, unit, readings, faults)
    return SettlingFile(readings=tuple(readings), gun=gun, unit=unit), faults


def _take(row: Mapping[str, object], where: str, unit: str, readings: list[TimedReading], faults: list[Fault]) -> None:
    """One reading into the list, or all that is wrong with it."""
    figures: dict[str, float] = {}
    wrong = [
        Fault(what=f"{column} is missing", where=where, mend=_MEND)
        for column in ("minutes", "value")
        if column not in row
    ]
    for column, value in row.items():
        trouble = ""
        if isinstance(value, bool) or not isinstance(value, int | float):
            trouble = f"{value!r} is no number"
        elif not math.isfinite(value):
            trouble = "it is not finite"
        elif column == "value" and value <= 0:
            trouble = f"{value:g} is no reading to reckon with: a gun that shows nothing has settled at nothing"
        elif column in {"minutes", "minutes_on"} and not 0 <= value <= _LONGEST_MINUTES:
            trouble = f"{value:g} is no time after a treatment"
        elif column == "spread" and not 0 < value <= 1:
            trouble = f"{value:g} is no share: 4 % is 0.04"
        else:
            figures[column] = float(value)
        if trouble:
            wrong.append(Fault(what=trouble, where=f"{where}, {column}", mend=_MEND))
    faults += wrong
    if not wrong:
        readings.append(
            TimedReading(
                minutes=figures["minutes"],
                value=figures["value"],
                unit=unit,
                minutes_on=figures.get("minutes_on"),
                spread_ratio=figures.get("spread"),
            )
        )


def _figure(cell: str, delimiter: str) -> float | None:
    try:
        return float(cell.replace(",", ".") if delimiter == ";" else cell)
    except ValueError:
        return None
