"""The stock as CSV, out and in: what goes out comes in again as it was; what is wrong stops all of it."""

from __future__ import annotations

import csv
import io
import json
import re
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tubewright.answers.stock import Item
from tubewright.answers.stock_kinds import ATTRIBUTES, CAPACITOR_KIND
from tubewright.errors import Fault, InputError
from tubewright.files.board_rows import plain
from tubewright.files.boards import csv_lines, decoded
from tubewright.files.stock_fields import BASE_FIELDS, TypedItem, cell, item_values, unknown_field
from tubewright.knowledge.model import Knowledge

MOST_BYTES: Final = 1_000_000
MOST_LINES: Final = 5_000

_ALSO: Final[Mapping[str, tuple[str, ...]]] = {
    "code": ("item", "no", "number of item"),
    "what": ("words", "description", "item in words"),
    "kind": ("type", "sort of part", "dielectric"),
    "name": ("called",),
    "quantity": ("count", "pieces", "pcs", "qty", "stock"),
    "minimum": ("min", "at least", "order below"),
    "place": ("where", "drawer", "shelf", "box", "location"),
    "cost": ("price", "unit cost", "each"),
    "supplier": ("from", "shop", "vendor", "source"),
    "tube": ("tube number", "tube record"),
    "notes": ("note", "remark", "remarks", "comment"),
    "capacitance_uf": ("capacitance", "value", "uf", "µf"),
    "voltage_v": ("voltage", "v", "volts", "rated voltage"),
    "temp_c": ("temp", "temperature", "temperature class", "c"),
    "tolerance_percent": ("tolerance", "tol", "%"),
    "ripple_a": ("ripple", "ripple current"),
    "esr_ohm": ("esr",),
    "lead_mm": ("pitch", "lead pitch", "lead spacing", "leads", "raster"),
    "height_mm": ("height",),
    "life_h": ("life", "endurance", "rated hours", "life hours"),
    "polar": ("polarised", "polarized"),
    "safety_class": ("safety", "class"),
    "pulse_v_per_us": ("pulse", "dv/dt", "v/us", "v/µs"),
    "made_year": ("made", "year", "date code"),
    "mark": ("marking", "printed", "maker type", "part number"),
    "resistance_ohm": ("resistance", "ohm"),
    "power_w": ("power", "watts", "w"),
    "current_a": ("current", "a"),
    "inductance_mh": ("inductance", "mh"),
    "recovery_us": ("recovery",),
}
"""Headings that are understood beside the names themselves; case, blanks and underscores don't count."""

_OUT: Final = tuple(name for name in BASE_FIELDS if name != "what")
_MORE: Final = "more"
"""The column of attributes that this program doesn't know, as JSON."""
_ARMED: Final = re.compile(r"'*[=+\-@\t\r]")


@dataclass(frozen=True, slots=True, kw_only=True)
class StockLine:
    """One line of the file: its number, the values of its item."""

    line: int
    values: Mapping[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class StockFile:
    """A list that could be read whole, and the columns that were passed over."""

    lines: tuple[StockLine, ...]
    remarks: tuple[Fault, ...]


def stock_csv(items: Iterable[Item]) -> str:
    """The stock as CSV: commas between cells, points in figures, each figure in the unit of its heading.

    Only the attributes that some item has get a column. No cell begins as a formula does.
    """
    held = list(items)
    used = [name for name in ATTRIBUTES if any(name in item.attributes for item in held)]
    unknown = any(name not in ATTRIBUTES for item in held for name in item.attributes)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([*_OUT, *used, *([_MORE] if unknown else [])])
    for item in held:
        base = {
            "code": item.code,
            "kind": item.kind,
            "name": item.name,
            "quantity": str(item.quantity),
            "minimum": str(item.minimum),
            "place": item.place,
            "cost": "" if item.cost is None else cell(item.cost),
            "currency": item.currency or "",
            "supplier": item.supplier,
            "tube": "" if item.tube_id is None else str(item.tube_id),
            "notes": item.notes,
        }
        cells = [base[name] for name in _OUT]
        cells += [cell(item.attributes[name]) if name in item.attributes else "" for name in used]
        if unknown:
            more = {name: value for name, value in item.attributes.items() if name not in ATTRIBUTES}
            cells.append(json.dumps(more, ensure_ascii=False, sort_keys=True) if more else "")
        writer.writerow([unarmed(one) for one in cells])
    return out.getvalue()


def unarmed(text: str) -> str:
    """A cell that no spreadsheet takes for a formula; :func:`_armed_again` gives back what it was."""
    return f"'{text}" if _ARMED.match(text) else text


def _armed_again(text: str) -> str:
    return text[1:] if text.startswith("'") and _ARMED.match(text) else text


def read_stock(path: Path, knowledge: Knowledge, *, this_year: int) -> StockFile:
    """A stock list from a CSV file.

    Raises:
        InputError: It can't be read, or something in it is wrong: every fault with line and field.
    """
    try:
        raw = path.read_bytes() if path.stat().st_size <= MOST_BYTES else None
    except OSError as error:
        why = f"the file can't be read ({error.strerror})"
        raise InputError(Fault(what=why, where=str(path), mend="Check its name.")) from error
    if raw is None:
        raise InputError(Fault(what="the file is larger than 1 MB", where=path.name, mend="Split the list."))
    return stock_from_text(decoded(raw), knowledge, this_year=this_year, name=path.name)


def stock_from_text(text: str, knowledge: Knowledge, *, this_year: int, name: str = "list") -> StockFile:
    """A stock list from CSV text.

    Args:
        text: Headings, then a line for each item; separated by ``;``, ``,`` or tabs.
        knowledge: Kinds of capacitors.
        this_year: The last year in which a part can have been made.
        name: What messages call it.

    Raises:
        InputError: Something in it is wrong: every fault with line and field. Nothing is taken in part.
    """
    lines = csv_lines(text, name)
    if not lines:
        raise InputError(Fault(what="the list is empty", where=name, mend="Give headings, then a line for each item."))
    if len(lines) - 1 > MOST_LINES:
        raise InputError(
            Fault(what=f"the list has {len(lines) - 1} lines", where=name, mend=f"Give at most {MOST_LINES}.")
        )
    at, head = lines[0]
    faults: list[Fault] = []
    columns, remarks = _columns(head, f"{name} line {at}", faults)
    found: list[StockLine] = []
    codes: dict[str, int] = {}
    for number, cells in lines[1:] if not faults else ():
        line = _line(cells, columns, name, number, knowledge, this_year, faults)
        if line is None:
            continue
        code = str(line.values.get("code", "")).casefold()
        if code and code in codes:
            what = f"the code {line.values['code']} stands in line {codes[code]} already"
            faults.append(Fault(what=what, where=f"{name} line {number}, code", mend="Give each item one line."))
        codes.setdefault(code, number)
        found.append(line)
    if not found and not faults:
        faults.append(Fault(what="there is no item in it", where=name, mend="Give a line for each item."))
    if faults:
        raise InputError(faults)
    return StockFile(lines=tuple(found), remarks=tuple(remarks))


def _columns(head: Sequence[str], where: str, faults: list[Fault]) -> tuple[list[str], list[Fault]]:
    """The field of each column, "" for one that is passed over."""
    known = {plain(word): name for name in (*BASE_FIELDS, *ATTRIBUTES, _MORE) for word in (name, *_ALSO.get(name, ()))}
    columns: list[str] = []
    remarks: list[Fault] = []
    for heading in head:
        name = known.get(plain(heading), "")
        place = f"{where}, heading {heading.strip()[:40] or 'without words'}"
        if name and name in columns:
            faults.append(Fault(what=f"two columns hold {name}", where=place, mend="Drop one of them."))
        if not name and heading.strip():
            near = unknown_field(heading.strip(), place)
            if near is not None:
                faults.append(near)
            else:
                what = "this heading is not known; its column is passed over"
                remarks.append(Fault(what=what, where=place, mend="docs/stock.md lists the columns."))
        columns.append(name)
    if "kind" not in columns and "what" not in columns:
        mend = "Head a column kind, or one what with words such as 47u 50V 105C."
        faults.append(Fault(what="no column says what the items are", where=where, mend=mend))
    return columns, remarks


def _line(
    cells: Sequence[str],
    columns: Sequence[str],
    name: str,
    number: int,
    knowledge: Knowledge,
    this_year: int,
    faults: list[Fault],
) -> StockLine | None:
    if any(one.strip() for one in cells[len(columns) :]):
        what = f"there are {len(cells)} cells under {len(columns)} headings"
        mend = "A decimal comma? Put the cell in quotes, or separate cells by semicolons."
        faults.append(Fault(what=what, where=f"{name} line {number}", mend=mend))
        return None
    held = {
        column: _armed_again(one.strip()) for column, one in zip(columns, cells, strict=False) if column and one.strip()
    }
    typed = TypedItem(cells=held, where=lambda field: f"{name} line {number}, {field}", bare_units=True)
    more = _more(typed)
    values = item_values(typed, knowledge, this_year=this_year)
    faults += typed.faults
    if typed.faults:
        return None
    values["attributes"] = {**values["attributes"], **more}
    return StockLine(line=number, values=values)


def _more(typed: TypedItem) -> dict[str, Any]:
    text = typed.text(_MORE)
    if not text:
        return {}
    try:
        held = json.loads(text)
    except ValueError:
        held = None
    if not isinstance(held, dict) or any(name in ATTRIBUTES or name == CAPACITOR_KIND for name in held):
        typed.fault(_MORE, "this is no JSON object of further attributes", "Leave it as it was written, or empty.")
        return {}
    return held
