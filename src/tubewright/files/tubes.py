"""Reading a shelf of tubes, TOML or CSV: one entry or line for each tube, and what is known of the set."""

from __future__ import annotations

import csv
import io
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from tubewright.answers.donor import SetFigures, Tube
from tubewright.errors import Fault, InputError
from tubewright.files.lines import toml_lines
from tubewright.files.tube_fields import SET_FIELDS, TUBE_FIELDS, unknown_field, value_of

MAX_SHELF_BYTES: Final = 2_000_000
MAX_TUBES: Final = 2000


@dataclass(frozen=True, slots=True, kw_only=True)
class Shelf:
    """Tubes in the order of the file, and the set's figures if the file has them."""

    name: str
    tubes: tuple[Tube, ...]
    figures: dict[str, Any]

    def tube(self, tube_id: str) -> Tube | None:
        """The tube of that id."""
        return next((tube for tube in self.tubes if tube.id == tube_id), None)


def read_tubes(path: Path) -> Shelf:
    """The tubes of a file: TOML with ``[[tube]]`` and ``[set]``, or CSV with a line for each tube.

    Args:
        path: Of the file; what doesn't end in ``.toml`` is read as CSV.

    Raises:
        InputError: It can't be read, or entries are wrong; all faults together, each with its line.
    """
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_SHELF_BYTES + 1)
    except (OSError, ValueError) as error:
        why = getattr(error, "strerror", None) or "its name can't be"
        raise InputError(
            Fault(what=f"the file can't be read ({why})", where=str(path), mend="Check its name.")
        ) from error
    if len(raw) > MAX_SHELF_BYTES:
        raise InputError(Fault(what="the file is larger than 2 MB", where=path.name, mend="Split the list."))
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(Fault(what="the file is not UTF-8 text", where=path.name, mend="Save it as UTF-8.")) from error
    read = _from_toml if path.suffix.lower() == ".toml" else _from_csv
    faults: list[Fault] = []
    tubes, figures = read(text, path.name, faults)
    faults += _doubles(tubes, path.name)
    if not tubes and not faults:
        faults.append(Fault(what="there is no tube in it", where=path.name, mend="Add [[tube]] entries or lines."))
    if len(tubes) > MAX_TUBES:
        faults = [Fault(what=f"more than {MAX_TUBES} tubes", where=path.name, mend="Split the list.")]
    if faults:
        raise InputError(faults)
    return Shelf(name=path.name, tubes=tuple(tubes), figures=figures)


def _from_toml(text: str, name: str, faults: list[Fault]) -> tuple[list[Tube], dict[str, Any]]:
    try:
        document = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError) as error:
        faults.append(Fault(what=f"this is not TOML ({error})", where=name, mend="Mend the line."))
        return [], {}
    lines = toml_lines(text)
    for key in document:
        if key not in ("tube", "set"):
            line = lines.get((key,), 1)
            mend = "The file holds [[tube]] entries and one [set]."
            faults.append(Fault(what=f"there is no part “{key}”", where=f"{name} line {line}", mend=mend))
    entries, held = document.get("tube", []), document.get("set", {})
    if not isinstance(entries, list) or not all(isinstance(entry, dict) for entry in entries):
        faults.append(Fault(what="tube is no list of entries", where=name, mend="Write [[tube]] above each."))
        entries = []
    if not isinstance(held, dict):
        faults.append(Fault(what="set is no group of fields", where=name, mend="Write [set] above them."))
        held = {}
    tubes = []
    for number, entry in enumerate(entries):
        base = lines.get(("tube", number), 1)
        at = {key: lines.get(("tube", number, key), base) for key in entry}
        tube = _tube(entry, {key: f"{name} line {at[key]}, {key}" for key in entry}, f"{name} line {base}", faults)
        tubes += [tube] if tube else []
    places = {key: f"{name} line {lines.get(('set', key), 1)}, {key}" for key in held}
    return tubes, _values(held, SET_FIELDS, places, faults)


def _from_csv(text: str, name: str, faults: list[Fault]) -> tuple[list[Tube], dict[str, Any]]:
    rows = [
        (number, row)
        for number, row in enumerate(_rows(text, name, faults), start=1)
        if any(cell.strip() for cell in row) and not row[0].lstrip().startswith("#")
    ]
    if not rows:
        return [], {}
    headline, headings = rows[0][0], [cell.strip().lower().replace(" ", "_") for cell in rows[0][1]]
    known = (*TUBE_FIELDS, "emission_red", "emission_green", "emission_blue")
    strange = [heading for heading in headings if heading and heading not in known]
    faults += [unknown_field(heading, known, f"{name} line {headline}") for heading in strange]
    if "id" not in headings:
        faults.append(Fault(what="no column “id”", where=f"{name} line {headline}", mend="Give each tube its own id."))
    if strange or "id" not in headings:
        return [], {}
    tubes = []
    for number, row in rows[1:]:
        if len(row) > len(headings):
            mend = "Put cells with separators in them between quotes."
            faults.append(Fault(what="more cells than headings", where=f"{name} line {number}", mend=mend))
            continue
        cells = {key: cell.strip() for key, cell in zip(headings, row, strict=False) if key and cell.strip()}
        guns = {gun: cells.pop(f"emission_{gun}", "") for gun in ("red", "green", "blue")}
        entry: dict[str, Any] = dict(cells)
        if any(guns.values()):
            entry["emission"] = {gun: value for gun, value in guns.items() if value}
        places = {key: f"{name} line {number}, {key}" for key in entry}
        tube = _tube(entry, places, f"{name} line {number}", faults)
        tubes += [tube] if tube else []
    return tubes, {}


def _rows(text: str, name: str, faults: list[Fault]) -> list[list[str]]:
    head = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "")
    delimiter = max(";,\t", key=head.count)
    try:
        return list(csv.reader(io.StringIO(text), delimiter=delimiter))
    except csv.Error as error:
        faults.append(Fault(what=f"this is not CSV ({error})", where=name, mend="Save it as CSV."))
        return []


def _tube(entry: Mapping[str, Any], places: Mapping[str, str], where: str, faults: list[Fault]) -> Tube | None:
    before = len(faults)
    values = _values(entry, TUBE_FIELDS, places, faults)
    if not values.get("id") and "id" not in entry:
        faults.append(Fault(what="the tube has no id", where=where, mend="Give it one of the shop's own."))
    elif "id" in values and not values["id"]:
        faults.append(Fault(what="the id is empty", where=where, mend="Give it one of the shop's own."))
    return Tube(**values) if len(faults) == before else None


def _values(
    entry: Mapping[str, Any], known: tuple[str, ...], places: Mapping[str, str], faults: list[Fault]
) -> dict[str, Any]:
    values = {}
    for key, raw in entry.items():
        if key not in known:
            faults.append(unknown_field(key, known, places[key]))
            continue
        try:
            values[key] = value_of(key, raw, places[key])
        except InputError as error:
            faults.extend(error.faults)
    return values


def _doubles(tubes: Iterable[Tube], name: str) -> list[Fault]:
    seen: set[str] = set()
    found = []
    for tube in tubes:
        if tube.id in seen:
            found.append(Fault(what=f"two tubes have the id “{tube.id}”", where=name, mend="Give each its own."))
        seen.add(tube.id)
    return found


def set_figures(*held: Mapping[str, Any]) -> SetFigures:
    """The set's figures; where several say something, the first does."""
    merged: dict[str, Any] = {}
    for one in reversed(held):
        merged |= {name: value for name, value in one.items() if value is not None}
    return SetFigures(**merged)
