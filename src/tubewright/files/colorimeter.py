"""Reading a colorimeter's readings of grey steps from a CSV file: level, x, y, Y; typed or saved by an instrument.

Separators may be commas, semicolons, tabs or spaces; decimals may be written with a comma
wherever the separator is another. Headings are not needed where the columns stand in the
usual order. In place of a level may stand red, green, blue (a primary at full level) or off
(the screen with the set switched off).
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from tubewright.answers.greyscale import SHOWN, GreyReading, Shown
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

MAX_BYTES: Final = 500_000
MAX_ROWS: Final = 1000
_MOST_FAULTS: Final = 10
_BLACK_CD_M2: Final = 0.05
"""Up to this an instrument may give no chromaticity."""
_NO_PLACE: Final = (0.3127, 0.3290)
_COLUMNS: Final = ("level", "x", "y", "Y", "shown", "minutes")
_HEADINGS: Final = {
    "level": "level", "step": "level", "video": "level", "grey": "level", "gray": "level", "ire": "level",
    "stimulus": "level", "drive": "level", "x": "x", "y": "y", "Y": "Y", "luminance": "Y", "lum": "Y", "lv": "Y",
    "l": "Y", "cd/m2": "Y", "cd/m²": "Y", "nits": "Y", "shown": "shown", "colour": "shown", "color": "shown",
    "patch": "shown", "minutes": "minutes", "min": "minutes",
}  # fmt: skip
_MEND: Final = "Write level, x, y, Y: 20, 0.3127, 0.3290, 2.1."
_UNIT_BEHIND: Final = re.compile(r"[\s\[(,]")
_NOTHING: Final = frozenset({"", "-", "--", "---", "----", "n/a", "nan"})


@dataclass(frozen=True, slots=True)
class _Row:
    line: int
    cells: list[str]


def read_colorimeter(path: Path) -> tuple[GreyReading, ...]:
    """Readings in the order of the file.

    Args:
        path: A CSV file. A level is in percent; in parts of 1 where none is above 1, of 255
            where one is above 100.

    Raises:
        InputError: It can't be read, or holds what is no reading; all faults together, each
            with line and column.
    """
    try:
        raw = path.read_bytes() if path.stat().st_size <= MAX_BYTES else None
    except OSError as error:
        raise InputError(
            Fault(what=f"the file can't be read ({error.strerror})", where=str(path), mend="Check its name.")
        ) from error
    if raw is None:
        raise InputError(Fault(what="the file is larger than 500 kB", where=path.name, mend="Save the readings only."))
    return parse_colorimeter(_decoded(raw, path.name), path.name)


def parse_colorimeter(text: str, name: str) -> tuple[GreyReading, ...]:
    """The same from text; ``name`` stands in the messages.

    Raises:
        InputError: As for :func:`read_colorimeter`.
    """
    lines = [
        (number, line)
        for number, line in enumerate(text.splitlines(), start=1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise InputError(Fault(what="there is nothing in it", where=name, mend=_MEND))
    if len(lines) > MAX_ROWS:
        raise InputError(Fault(what=f"it has more than {MAX_ROWS} rows", where=name, mend="Keep one staircase."))
    separator = _separator([line for _, line in lines])
    rows = [_Row(number, _cells(line, separator)) for number, line in lines]
    columns = _columns_of(rows[0].cells)
    if columns is not None:
        rows = rows[1:]
        absent = [one for one in ("x", "y", "Y") if one not in columns]
        if absent:
            raise InputError(
                Fault(what=f"no column {' and no column '.join(absent)}", where=f"{name} line 1", mend=_MEND)
            )
    else:
        columns = list(_COLUMNS)
    faults: list[Fault] = []
    read = [found for row in rows if (found := _reading(row, columns, name, faults)) is not None]
    faults += _same_scale(read, name) if not faults else []
    if faults:
        raise InputError(faults[:_MOST_FAULTS])
    if not read:
        raise InputError(Fault(what="there is no reading in it", where=name, mend=_MEND))
    return _levelled(read)


def _decoded(raw: bytes, name: str) -> str:
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", errors="replace")
    if b"\0" in raw:
        raise InputError(Fault(what="this is not text", where=name, mend="Save it as CSV: level, x, y, Y."))
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def _separator(lines: list[str]) -> str:
    for sign in (";", "\t"):
        if 2 * sum(sign in line for line in lines) > len(lines):
            return sign
    words = [line.split() for line in lines]
    # Commas within the words of a row are decimals; behind them they part the columns.
    spaced = [len(row) >= 3 and not any(word.endswith(",") for word in row) for row in words]
    return " " if 2 * sum(spaced) > len(lines) else ","


def _cells(line: str, separator: str) -> list[str]:
    if separator == " ":
        return line.split()
    return [cell.strip() for cell in next(csv.reader(io.StringIO(line), delimiter=separator, skipinitialspace=True))]


def _columns_of(cells: list[str]) -> list[str] | None:
    """What each column holds, if this is a row of headings; a column that means nothing to us is left blank."""
    bare = [(_UNIT_BEHIND.split(cell.strip(), maxsplit=1) or [""])[0] for cell in cells]
    named = [_HEADINGS.get(cell if cell in {"x", "y", "Y"} else cell.lower(), "") for cell in bare]
    if not {"x", "y"} & set(named) or any(re.fullmatch(r"[-+]?[0-9.,]+%?", cell) for cell in cells):
        return None
    return named


@dataclass(frozen=True, slots=True)
class _Read:
    shown: Shown
    level: float | None
    percent: bool
    place: tuple[float, float]
    luminance: float
    minutes: float | None
    where: str


def _reading(row: _Row, columns: list[str], name: str, faults: list[Fault]) -> _Read | None:
    cells = {column: (place, row.cells[place]) for place, column in enumerate(columns) if place < len(row.cells)}
    line = f"{name} line {row.line}"
    before = len(faults)
    missing = [one for one in ("x", "y", "Y") if one not in cells]
    if missing:
        faults.append(Fault(what=f"{' and '.join(missing)} missing in this row", where=line, mend=_MEND))
        return None
    if len(row.cells) > len(columns):
        faults.append(
            Fault(
                what=f"{len(row.cells)} figures where {len(columns)} belong: a decimal comma between commas?",
                where=line,
                mend="Separate by semicolons where decimals have a comma.",
            )
        )
        return None
    shown, level, percent = _what(cells, line, faults)
    luminance = _figure(cells, "Y", line, faults, most=5000.0)
    minutes = None
    if "minutes" in cells and cells["minutes"][1]:
        minutes = _figure(cells, "minutes", line, faults, most=1e6)
    x, y = (cells[one][1].lower() for one in ("x", "y"))
    dark = luminance is not None and luminance <= _BLACK_CD_M2
    if dark and (x in _NOTHING or y in _NOTHING or {x, y} <= {"0", "0.0", "0.0000", "0,0000"}):
        place: tuple[float, float] | None = _NO_PLACE
    else:
        place = _place(cells, line, faults)
    if len(faults) > before or luminance is None or place is None or shown is None:
        return None
    return _Read(shown, level, percent, place, luminance, minutes, line)


def _what(cells: dict[str, tuple[int, str]], line: str, faults: list[Fault]) -> tuple[Shown | None, float | None, bool]:
    """What the screen showed, and the level as it stands there."""
    typed = cells.get("shown", (0, ""))[1].lower()
    place, level = cells.get("level", (0, ""))
    if level.lower() in SHOWN:
        typed, level = level.lower(), ""
    shown = next((one for one in SHOWN if one == (typed or "white")), None)
    if typed in {"grey", "gray", "w"}:
        shown = "white"
    if shown is None:
        faults.append(
            Fault(
                what=f"“{typed[:20]}” is nothing that can be shown",
                where=f"{line} column {cells.get('shown', (0, ''))[0] + 1}",
                mend=f"Write one of {', '.join(SHOWN)}.",
            )
        )
        return None, None, False
    if not level:
        if shown == "white":
            faults.append(Fault(what="the level is missing", where=f"{line} column {place + 1} (level)", mend=_MEND))
        return shown, None, False
    percent = level.endswith("%")
    cells = {**cells, "level": (place, level.removesuffix("%").strip())}
    return shown, _figure(cells, "level", line, faults, most=255.0), percent


def _place(cells: dict[str, tuple[int, str]], line: str, faults: list[Fault]) -> tuple[float, float] | None:
    x, y = (_figure(cells, one, line, faults, most=1.0) for one in ("x", "y"))
    if x is None or y is None:
        return None
    if x <= 0 or y <= 0 or x + y >= 1:
        faults.append(
            Fault(
                what=f"x {x:g} and y {y:g} are no chromaticity",
                where=f"{line} columns {cells['x'][0] + 1} and {cells['y'][0] + 1} (x, y)",
                mend="Both are above 0 and below 1 together; check the order of the columns: level, x, y, Y.",
            )
        )
        return None
    return x, y


def _figure(
    cells: dict[str, tuple[int, str]], column: str, line: str, faults: list[Fault], *, most: float
) -> float | None:
    place, text = cells[column]
    where = f"{line} column {place + 1} ({column})"
    try:
        # Whether a comma separates or marks decimals is known for the whole file by now.
        value = parse_quantity(text.replace(",", "."), kind="number", where=where).value
    except InputError as error:
        faults.extend(error.faults)
        return None
    if value > most:
        faults.append(Fault(what=f"{value:g} is more than {column} can be ({most:g})", where=where, mend=_MEND))
        return None
    return value


def _same_scale(read: list[_Read], name: str) -> list[Fault]:
    marked = {one.percent for one in read if one.level is not None}
    most = max((one.level or 0.0 for one in read), default=0.0)
    if len(marked) > 1 and most <= 1:
        return [Fault(what="some levels are in percent and some not", where=name, mend="Write all in percent.")]
    return [
        Fault(what=f"{one.level:g} % is more than full level", where=one.where, mend="Write 0 to 100 %.")
        for one in read
        if one.percent and (one.level or 0.0) > 100
    ]


def _levelled(read: list[_Read]) -> tuple[GreyReading, ...]:
    levels = [one.level for one in read if one.level is not None]
    most = max(levels, default=0.0)
    full = 100.0 if any(one.percent for one in read) else 1.0 if most <= 1 else 100.0 if most <= 100 else 255.0
    return tuple(
        GreyReading(
            shown=one.shown,
            level_ratio=(one.level / full if one.level is not None else 0.0 if one.shown == "off" else 1.0),
            place_xy=one.place,
            luminance_cd_m2=one.luminance,
            minutes=one.minutes,
            where=one.where,
        )
        for one in read
    )
