"""A board's part list from CSV, read with tolerance.

A line that can't be read is reported with its place and left out; the others stand.
"""

from __future__ import annotations

import csv
import dataclasses
import io
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from difflib import get_close_matches
from pathlib import Path
from typing import Any, Final

from tubewright.answers.recap import BoardPart, CapacitorPart
from tubewright.errors import Fault, InputError
from tubewright.files.board_rows import BoardRow, plain
from tubewright.knowledge.model import Knowledge

MOST_BYTES: Final = 1_000_000
MOST_LINES: Final = 2_000
_LONGEST_NOTE: Final = 200

COLUMNS: Final[Mapping[str, tuple[str, ...]]] = {
    "ref": ("reference", "part", "position", "designator", "name", "nr", "no"),
    "kind": ("type", "dielectric", "sort", "technology"),
    "value": ("capacitance", "cap", "uf", "μf", "nominal", "printed"),
    "voltage": ("v", "volts", "rated v", "rated voltage", "rating", "vdc"),
    "place": ("function", "role", "where", "circuit", "job"),
    "stage": ("group", "section"),
    "temp": ("temperature", "temp class", "temperature class", "c", "celsius"),
    "polarity": ("polar", "polarised", "polarized"),
    "ripple": ("ripple current", "rated ripple", "ripple rating"),
    "ripple_flowing": ("ripple measured", "flowing", "measured ripple"),
    "esr": ("esr new", "new esr", "esr rated", "esr when new"),
    "esr_measured": ("measured esr", "esr found"),
    "measured": ("measured value", "value measured", "reads", "measured capacitance"),
    "leakage_ratio": ("leakage", "leakage times"),
    "damage": ("bulging", "bulged", "leaking", "cracked", "seen"),
    "near_hot": ("hot", "near heat", "beside hot"),
    "runs_c": ("temperature there", "measured temperature", "runs at", "temp measured"),
    "age_years": ("age", "years", "years old"),
    "made": ("year", "made in", "date", "date code", "year made"),
    "hours": ("hours run", "used hours", "run hours"),
    "stands_at": ("voltage there", "dc there", "working voltage", "applied", "measured voltage"),
    "rail": ("supply", "rail name"),
    "safety": ("safety class", "xy", "x/y"),
    "tolerance": ("tol", "tolerance percent"),
    "pulse": ("dv/dt", "v/us", "pulse rating"),
    "life": ("life hours", "endurance", "rated hours", "rated life"),
    "height": ("height mm", "h"),
    "pitch": ("lead pitch", "lead spacing", "pitch mm"),
    "mark": ("maker type", "printed type", "marking"),
    "notes": ("note", "remark", "remarks", "comment"),
}
"""Headings that are understood, by the name of the column; case, underscores and units don't count."""

_POLAR: Final = frozenset({"polar", "+", "+-", "+/-", "yes", "polarised", "polarized", "p", "y"})
_NON_POLAR: Final = frozenset(
    {"non-polar", "nonpolar", "non polar", "np", "bp", "bipolar", "no", "none", "n", "unpolarised"}
)
_SAFETY: Final = frozenset({"X1", "X2", "X3", "Y1", "Y2", "Y3", "Y4"})
_BOTH: Final = re.compile(r"^(?P<value>.+?)[\s/,x@]+(?P<volts>[0-9.,]+\s*k?[vV])$")


@dataclass(frozen=True, slots=True, kw_only=True)
class BoardFile:
    """What a part list holds: the lines that could be read, what is wrong with the others, columns passed over."""

    parts: tuple[BoardPart, ...]
    faults: tuple[Fault, ...]
    remarks: tuple[Fault, ...]


def read_board(path: Path, knowledge: Knowledge, *, this_year: int) -> BoardFile:
    """A board's part list from a file.

    Args:
        path: A CSV file; which columns it may have, :data:`COLUMNS` says.
        knowledge: Kinds, places and stages.
        this_year: For parts of which the year of making is given.

    Raises:
        InputError: It can't be read at all, is too large, or has no heading that says value.
    """
    try:
        raw = path.read_bytes() if path.stat().st_size <= MOST_BYTES else None
    except OSError as error:
        raise InputError(
            Fault(what=f"the file can't be read ({error.strerror})", where=str(path), mend="Check its name.")
        ) from error
    if raw is None:
        raise InputError(
            Fault(what="the file is larger than 1 MB", where=path.name, mend="Save one board's list only.")
        )
    return board_from_bytes(raw, knowledge, this_year=this_year, name=path.name)


def board_from_bytes(raw: bytes, knowledge: Knowledge, *, this_year: int, name: str) -> BoardFile:
    """A board's part list from the bytes of a file, in UTF-8, UTF-16 or an old Windows encoding.

    Raises:
        InputError: As :func:`read_board`.
    """
    return board_from_text(decoded(raw), knowledge, this_year=this_year, name=name)


def decoded(raw: bytes) -> str:
    """The text of a file in UTF-8, UTF-16 or an old Windows encoding; what can't be read becomes a mark."""
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")):
        return raw.decode("utf-16", errors="replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        # Spreadsheets on Windows: the micro sign is one byte there.
        return raw.decode("cp1252", errors="replace")


def board_from_text(text: str, knowledge: Knowledge, *, this_year: int, name: str = "list") -> BoardFile:
    """A board's part list from CSV text.

    Args:
        text: Lines of cells separated by ``;``, ``,`` or tabs, the first of them headings.
        knowledge: Kinds, places and stages.
        this_year: For parts of which the year of making is given.
        name: What messages call it.

    Returns:
        The parts that could be read, and every fault with line and column.

    Raises:
        InputError: No headings, none of them for the value, a heading twice, or far too many lines.
    """
    lines = csv_lines(text, name)
    if not lines:
        raise InputError(Fault(what="the list is empty", where=name, mend="Give headings, then a line for each part."))
    at, head = lines[0]
    headed = _head(head, name, at)
    faults: list[Fault] = []
    if len(lines) - 1 > MOST_LINES:
        raise InputError(
            Fault(what=f"the list has {len(lines) - 1} lines", where=name, mend=f"Give at most {MOST_LINES}.")
        )
    parts: list[BoardPart] = []
    seen: dict[str, int] = {}
    for number, cells in lines[1:]:
        if not any(cell.strip() for cell in cells):
            continue
        if any(cell.strip() for cell in cells[len(headed.columns) :]):
            faults.append(
                Fault(
                    what=f"there are {len(cells)} cells under {len(headed.columns)} headings",
                    where=f"{name} line {number}",
                    mend="A decimal comma? Put the cell in quotes, or separate cells by semicolons.",
                )
            )
            continue
        named = {column: cell for column, cell in zip(headed.columns, cells, strict=False) if column}
        row = BoardRow(line=number, cells=named, units=headed.units, headings=headed.headings, file=name)
        found = _parts_of(row, knowledge, this_year, seen)
        faults += row.faults
        if not row.faults:
            parts += found
    return BoardFile(parts=tuple(parts), faults=tuple(faults), remarks=headed.remarks)


def csv_lines(text: str, name: str) -> list[tuple[int, list[str]]]:
    """The lines of CSV text with something in them, each with its number in the file; notes after # are left out.

    Cells may be separated by ``;``, tabs or ``,``: by what the first line has most of.

    Raises:
        InputError: It is no CSV.
    """
    first = next((line for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")), "")
    delimiter = max(";\t,", key=first.count)  # of equal counts the first: a comma may be a decimal one
    reader = csv.reader(io.StringIO(text), delimiter=delimiter, skipinitialspace=True)
    try:
        return [
            (reader.line_num, cells)
            for cells in reader
            if any(cell.strip() for cell in cells) and not cells[0].lstrip().startswith("#")
        ]
    except csv.Error as error:
        raise InputError(
            Fault(what=f"this is not CSV ({error})", where=f"{name} line {reader.line_num}", mend="Save it as CSV.")
        ) from error


_UNITS: Final = {
    **dict.fromkeys(("µf", "μf", "uf"), "uF"),
    "nf": "nF",
    "pf": "pF",
    "ma": "mA",
    "a": "A",
    "mohm": "mΩ",
    "mω": "mΩ",
    **dict.fromkeys(
        ("v", "ohm", "ω", "c", "°c", "mm", "h", "hours", "years", "%", "percent", "times", "v/µs", "v/us"), ""
    ),
}
"""Units that a heading may name, and what they say of bare figures under it; "" is what is usual there anyway."""


@dataclass(frozen=True, slots=True, kw_only=True)
class _Head:
    """The columns in their order ("" for one that isn't known), their units, what they are headed, what is odd."""

    columns: tuple[str, ...]
    units: Mapping[str, str]
    headings: Mapping[str, str]
    remarks: tuple[Fault, ...]


def _head(cells: Sequence[str], name: str, line: int) -> _Head:
    known = {plain(word): column for column, words in COLUMNS.items() for word in (column, *words)}
    columns: list[str] = []
    units: dict[str, str] = {}
    headings: dict[str, str] = {}
    remarks: list[Fault] = []
    for cell in cells:
        column, unit = _column(cell, known)
        where = f"{name} line {line}, heading {cell.strip()[:40] or 'without words'}"
        if column and column in headings:
            what = f"this heading stands for {column}, as {headings[column]} does"
            raise InputError(Fault(what=what, where=where, mend="Drop one of them."))
        if column:
            headings[column], units[column] = cell.strip()[:40], unit
        elif cell.strip():
            near = get_close_matches(plain(cell), list(known), n=2, cutoff=0.7)
            ids = list(dict.fromkeys(known[word] for word in near))
            mend = f"Did you mean {' or '.join(ids)}?" if ids else "Nothing is lost by it."
            remarks.append(Fault(what="this heading is not known; its column is passed over", where=where, mend=mend))
        columns.append(column)
    if not units.get("measured"):
        units["measured"] = units.get("value", "")
    if "value" not in headings:
        mend = f"Head the columns {', '.join(list(COLUMNS)[:6])} and so on."
        what = "no heading says which column holds the value"
        raise InputError(Fault(what=what, where=f"{name} line {line}", mend=mend))
    return _Head(columns=tuple(columns), units=units, headings=headings, remarks=tuple(remarks))


def _column(heading: str, known: Mapping[str, str]) -> tuple[str, str]:
    """The column that a heading stands for ("" for none), and the unit it names."""
    bracket = re.search(r"[(\[]([^)\]]*)[)\]]", heading)
    if bracket is not None:
        rest = heading[: bracket.start()] + heading[bracket.end() :]
        unit = _UNITS.get(bracket[1].strip().casefold(), "")
        return known.get(plain(rest), ""), unit
    bare = plain(heading)
    if bare in known:
        return known[bare], _UNITS.get(bare, "")
    rest, _, last = bare.rpartition(" ")
    return (known.get(rest, ""), _UNITS[last]) if last in _UNITS else ("", "")


def _names(entries: Iterable[Any]) -> dict[str, str]:
    """Ids by id, name and words, all in plain form."""
    out: dict[str, str] = {}
    for entry in entries:
        for word in (entry.id, entry.name, *getattr(entry, "words", ())):
            out.setdefault(plain(word), entry.id)
    return out


def _parts_of(row: BoardRow, knowledge: Knowledge, this_year: int, seen: dict[str, int]) -> list[BoardPart]:
    """The parts of a line: one, or equal ones where it names several references."""
    refs = [ref[:40] for ref in re.split(r"[\s,+]+", row.text("ref")) if ref] or [f"line {row.line}"]
    for ref in refs:
        if ref.casefold() in seen:
            row.fault("ref", f"{ref[:24]} stands in line {seen[ref.casefold()]} already", "Give each part one line.")
        seen.setdefault(ref.casefold(), row.line)
    first = BoardPart(
        line=row.line,
        ref=refs[0],
        part=_part_of(row, knowledge),
        place=row.choice("place", "place", _names(knowledge.capacitor_places.values())),
        stage=row.choice("stage", "stage", _names(knowledge.capacitor_stages.values())),
        near_hot=row.flag("near_hot"),
        runs_c=row.figure("runs_c", "celsius"),
        flowing_a=row.figure("ripple_flowing", "current"),
        measured_uf=row.figure("measured", "capacitance"),
        measured_esr_ohm=row.figure("esr_measured", "resistance"),
        leakage_ratio=row.figure("leakage_ratio", "number"),
        bulging=row.flag("damage"),
        age_years=_age(row, this_year),
        used_hours=row.figure("hours", "hours", zero=True),
        stands_at_v=row.figure("stands_at", "voltage"),
        rail=row.text("rail")[:40],
        notes=row.text("notes")[:_LONGEST_NOTE],
    )
    return [first, *(dataclasses.replace(first, ref=ref) for ref in refs[1:])]


def _part_of(row: BoardRow, knowledge: Knowledge) -> CapacitorPart:
    value, volts = row.text("value"), row.text("voltage")
    both = _BOTH.fullmatch(value)
    if both and not volts:
        value, volts = both["value"], both["volts"]
    polarity = plain(row.text("polarity"))
    polar: bool | None = None
    if polarity in _POLAR | _NON_POLAR:
        polar = polarity in _POLAR
    elif polarity not in {"", "?"}:
        row.fault("polarity", f"“{polarity[:24]}” is no polarity", "Write polar or non-polar.")
    safety = row.text("safety").upper()
    if safety and safety not in _SAFETY:
        row.fault("safety", f"“{safety[:24]}” is no safety class", "Write X1, X2, Y1 or Y2 as printed on the part.")
    # 10 and 10 % mean the same here.
    tolerance = row.figure("tolerance", "number", typed=row.text("tolerance").strip("%± ").strip())
    return CapacitorPart(
        kind=row.choice("kind", "kind of capacitor", _names(knowledge.capacitor_kinds.values())),
        capacitance_uf=row.figure("value", "capacitance", typed=value),
        rated_v=row.figure("voltage", "voltage", typed=volts),
        polar=polar,
        temperature_c=row.figure("temp", "celsius"),
        ripple_a=row.figure("ripple", "current"),
        esr_ohm=row.figure("esr", "resistance"),
        pulse_v_per_us=row.figure("pulse", "number"),
        safety_class=safety if safety in _SAFETY else "",
        tolerance_percent=tolerance,
        life_hours=row.figure("life", "hours"),
        height_mm=row.figure("height", "millimetres"),
        pitch_mm=row.figure("pitch", "millimetres"),
        mark=row.text("mark")[:60],
    )


def _age(row: BoardRow, this_year: int) -> float | None:
    age, made = row.figure("age_years", "years", zero=True), row.text("made")
    if not made or made == "?":
        return age
    if not (re.fullmatch(r"(19|20)[0-9]{2}", made) and int(made) <= this_year):
        row.fault(
            "made", f"“{made[:24]}” is not a year up to {this_year}", "Write the year in four digits, such as 1994."
        )
        return None
    if age is not None:
        row.fault("made", "both age and year are given", "Give one of them.")
        return None
    return float(this_year - int(made))
