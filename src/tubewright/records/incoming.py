"""A document of records from elsewhere, checked line by line before anything is written."""

from __future__ import annotations

import datetime as dt
import json
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

from pydantic import BaseModel
from sqlalchemy import Boolean, Column, Float, Integer, String, Table

from tubewright import case
from tubewright.errors import Fault, InputError
from tubewright.records import checks, rows, shop
from tubewright.records.changes import Values
from tubewright.records.greys import check_grey_round
from tubewright.records.model import JOB_STATES
from tubewright.records.moves import check_move
from tubewright.records.papers import check_paper
from tubewright.records.repairs import check_confirmation, check_repair
from tubewright.records.reserving import check_reservation
from tubewright.records.settings import check_setting
from tubewright.records.setup_choices import check_setup_choices
from tubewright.records.stock import check_item
from tubewright.records.tables import BY_NAME, DERIVED, EDITABLE, UtcTime
from tubewright.records.treatments import check_treatment

KIND: Final = "tubewright-records"
VERSION: Final = 1
MOST_FAULTS: Final = 50
"""Faults named before the rest is only counted."""

LARGEST_WHOLE: Final = 2**31 - 1  # what an INTEGER column of PostgreSQL holds
LARGEST_NUMBER: Final = 1e15  # from memory: estimate; nothing at a bench is larger


class _UnfitError(Exception):
    """A value that its column can't hold; the text says why."""


# -- the document's columns --------------------------------------------------------------


def target_of(column: Column[Any]) -> str | None:
    """The table that a column points to."""
    for key in column.foreign_keys:
        return str(key.column.table.name)
    return None


def columns_of(table: Table) -> Iterator[tuple[Column[Any], str]]:
    """The columns that travel, with their keys in a document."""
    hidden = DERIVED.get(table.name, frozenset()) - {"changed_at"}
    for column in table.columns:
        if column.name != "id" and column.name not in hidden:
            yield column, column.name.removesuffix("_id") + "_uid" if target_of(column) else column.name


def parse(text: str, *, where: str = "document") -> object:
    """JSON text as plain data.

    Raises:
        InputError: it is no JSON.
    """

    def refuse(word: str) -> object:
        raise ValueError(f"{word} is no number")

    try:
        return json.loads(text, parse_constant=refuse)
    except (ValueError, RecursionError) as error:
        raise InputError(
            Fault(what=f"this is no JSON ({error})"[:200], where=where, mend="Choose a Tubewright export")
        ) from error


def _fault(what: str, where: str, mend: str = "Export it again from the shop it came from") -> Fault:
    return Fault(what=what, where=where[:200], mend=mend)


# -- the document --------------------------------------------------------------------------


def checked(document: object) -> tuple[dict[str, list[Values]], list[Values]]:
    """The rows of a document by table, and its history, every value checked.

    Raises:
        InputError: with every fault, up to :data:`MOST_FAULTS`.
    """
    if not isinstance(document, dict) or document.get("kind") != KIND:
        raise InputError(_fault("this is no Tubewright export", "kind", "Choose a Tubewright export"))
    if document.get("version") != VERSION:
        found = document.get("version")
        raise InputError(_fault(f"version {found!r} is not known here"[:120], "version", "Update Tubewright"))
    tables, entries = document.get("tables"), document.get("history", [])
    if not isinstance(tables, dict) or not isinstance(entries, list):
        raise InputError(_fault("its tables or its history are missing", "tables"))
    faults = [_fault("there is no such table", f"tables.{name}") for name in tables if name not in BY_NAME]
    uids: dict[str, set[str]] = {table.name: set() for table in EDITABLE}
    found_rows: dict[str, list[Values]] = {table.name: [] for table in EDITABLE}
    for table in EDITABLE:
        lines = tables.get(table.name, [])
        if not isinstance(lines, list):
            faults.append(_fault("this is no list", f"tables.{table.name}"))
            continue
        for number, line in enumerate(lines):
            found = _row(table, line, f"tables.{table.name}[{number}]", uids, faults)
            if found is not None:
                found_rows[table.name].append(found)
    history = [_entry(line, f"history[{number}]", faults) for number, line in enumerate(entries)]
    if len(faults) > MOST_FAULTS:
        more = _fault(f"and {len(faults) - MOST_FAULTS} more faults", "document")
        raise InputError([*faults[:MOST_FAULTS], more])
    if faults:
        raise InputError(faults)
    return found_rows, history


def one_job(document: object, rows: Mapping[str, Sequence[Values]]) -> str | None:
    """The uid of the job that a checked document is about; None if it is about a whole shop."""
    if not isinstance(document, dict) or document.get("scope") != "job" or len(rows["jobs"]) != 1:
        return None
    return str(rows["jobs"][0]["uid"])


def _row(table: Table, line: object, where: str, uids: Mapping[str, set[str]], faults: list[Fault]) -> Values | None:
    """One row, its moments parsed and its values checked; None if it has faults."""
    if not isinstance(line, dict):
        faults.append(_fault("this is no row", where))
        return None
    before = len(faults)
    columns = {key: column for column, key in columns_of(table)}
    faults.extend(_fault("there is no such field", f"{where}.{key}") for key in line if key not in columns)
    values: Values = {}
    for key, column in columns.items():
        try:
            values[key] = _value(column, line.get(key), uids)
        except _UnfitError as error:
            faults.append(_fault(str(error), f"{where}.{key}"))
    if len(faults) > before:
        return None
    if values["uid"] in uids[table.name]:
        faults.append(_fault("this uid occurs twice", f"{where}.uid"))
        return None
    try:
        if (sense := _SENSE.get(table.name)) is not None:
            sense(values, where)
    except InputError as error:
        faults.extend(error.faults)
        return None
    uids[table.name].add(values["uid"])
    return values


def _value(column: Column[Any], value: object, uids: Mapping[str, set[str]]) -> object:
    """A value as its column holds it."""
    if value is None:
        if not column.nullable and column.server_default is None:
            raise _UnfitError("this field is needed")
        return None if column.nullable else ""
    target = target_of(column)
    if target is not None:
        found = _uid(value)
        if found not in uids[target]:
            raise _UnfitError(f"it points to a row of {target} that is not in the document, or has a fault")
        return found
    if column.name == "uid":
        return _uid(value)
    for kind, rule in _RULES:
        if isinstance(column.type, kind):
            return rule(value, column)
    raise AssertionError(f"no rule for the type of {column}")


def _uid(value: object) -> str:
    if isinstance(value, str):
        try:
            return str(uuid.UUID(value))
        except ValueError:
            pass
    raise _UnfitError("this is no uid")


def _moment(value: object, _column: object = None) -> dt.datetime:
    if isinstance(value, str):
        try:
            moment = dt.datetime.fromisoformat(value)
            if moment.tzinfo is not None:
                return moment.astimezone(dt.UTC)
        except (ValueError, OverflowError):
            pass
    raise _UnfitError("this is no moment with its zone, as 2026-03-01T10:00:00+00:00")


def _yes_or_no(value: object, _column: object) -> bool:
    if isinstance(value, bool):
        return value
    raise _UnfitError("this is neither true nor false")


def _whole(value: object, column: Column[Any]) -> int:
    least = 1 if column.name == "version" else 0
    if isinstance(value, int) and not isinstance(value, bool) and least <= value <= LARGEST_WHOLE:
        return value
    raise _UnfitError("this is no whole number that fits")


def _number(value: object, _column: object) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) <= LARGEST_NUMBER:
        return float(value)
    raise _UnfitError("this is no number that fits")


def _text(value: object, column: Column[Any]) -> str:
    if not isinstance(value, str):
        raise _UnfitError("this is no text")
    longest = getattr(column.type, "length", None)
    if longest is not None and len(value) > longest:
        raise _UnfitError(f"this is longer than {longest} characters")
    if "\x00" in value or any("\ud800" <= letter <= "\udfff" for letter in value):
        raise _UnfitError("this holds characters that are no text")
    return value


_RULES: Final[tuple[tuple[type, Callable[[object, Column[Any]], object]], ...]] = (
    (UtcTime, _moment),
    (Boolean, _yes_or_no),
    (Integer, _whole),
    (Float, _number),
    (String, _text),
)


# -- what makes sense in each table: as if it had been typed ----------------------------------


def _pick(values: Values, names: Sequence[str]) -> dict[str, object]:
    return {name: values[name] for name in names}


def _display(values: Values, where: str) -> None:
    checks.part(case.Display, _pick(values, shop.DISPLAY_FIELDS), where)


def _tube(values: Values, where: str) -> None:
    checks.part(case.Tube, _pick(values, shop.TUBE_FIELDS), where)


def _fitting(values: Values, where: str) -> None:
    if values["until"] is not None and values["until"] < values["since"]:
        raise InputError(_fault("the tube left before it came", f"{where}.until"))


def _job(values: Values, where: str) -> None:
    if values["state"] not in JOB_STATES:
        raise InputError(_fault("there is no such state", f"{where}.state"))
    if (values["state"] == "closed") != (values["closed_at"] is not None):
        raise InputError(_fault("a job is closed when it has a time of closing", f"{where}.closed_at"))
    checks.part(case.Use, _pick(values, rows.USE_FIELDS), where)
    checks.part(case.Costs, _pick(values, rows.COST_FIELDS), where)
    checks.part(case.Tube, _pick(values, ["idle_years"]), where)


def _reading(values: Values, where: str) -> None:
    checks.part(case.Reading, _pick(values, rows.READING_FIELDS), where)


def _observation(values: Values, where: str) -> None:
    name = values["name"]
    kind: type[BaseModel]
    if values["sort"] == "symptom":
        kind, given = case.Symptom, {"id": name, "present": values["present"]}
    elif values["sort"] == "test":
        kind = case.TestResult
        given = {"id": name} | _pick(values, ["result", "gun", "value", "unit", "nominal"])
    elif values["sort"] == "look" and name in {"getter", "neck", "burn"}:
        seen = values["value"] if name == "burn" else values["result"]
        if seen is None:
            raise InputError(_fault("nothing is said of what was seen", where))
        kind, given = case.Tube, {name: seen}
    else:
        raise InputError(_fault("there is no such sort of observation", f"{where}.sort"))
    checks.part(kind, given, where)


def _known_good(values: Values, where: str) -> None:
    given = {"kind": "emission", "gun": "green"} | _pick(values, ["value", "unit", "g2_v"])
    checks.part(case.Reading, given | {"reference_cutoff_v": values["cutoff_v"]}, where)


def _verdict(values: Values, where: str) -> None:
    if not values["seed"].removeprefix("-").isdecimal():
        raise InputError(_fault("this is no whole number", f"{where}.seed"))
    parse(values["case_json"], where=f"{where}.case_json")
    parse(values["answer_json"], where=f"{where}.answer_json")


def _measurement(values: Values, where: str) -> None:
    for name in ("photos_json", "settings_json", "answer_json"):
        parse(values[name], where=f"{where}.{name}")


def _named(values: Values, where: str) -> None:
    checks.name(values["name"], f"{where}.name")


_SENSE: Final[Mapping[str, Callable[[Values, str], None]]] = {
    "people": _named,
    "instruments": _named,
    "displays": _display,
    "tubes": _tube,
    "tube_fittings": _fitting,
    "jobs": _job,
    "readings": _reading,
    "observations": _observation,
    "treatments": check_treatment,
    "repairs": check_repair,
    "confirmations": check_confirmation,
    "known_good": _known_good,
    "verdicts": _verdict,
    "measurements": _measurement,
    "control_moves": check_move,
    "grey_rounds": check_grey_round,
    "setup_choices": check_setup_choices,
    "stock_items": check_item,
    "reservations": check_reservation,
    "shop_settings": check_setting,
    "papers": check_paper,
}


# -- the other shop's history -----------------------------------------------------------------


def _entry(line: object, where: str, faults: list[Fault]) -> Values:
    """One entry of the history, checked."""
    if not isinstance(line, dict):
        faults.append(_fault("this is no entry", where))
        return {}
    values: Values = {}
    for key, (needed, rule) in _ENTRY.items():
        value = line.get(key)
        try:
            values[key] = rule(value) if needed or value is not None else None
        except _UnfitError as error:
            faults.append(_fault(str(error), f"{where}.{key}"))
    return values


def _action(value: object) -> str:
    return _one_of(value, ("insert", "update", "delete", "import"))


def _table_name(value: object) -> str:
    return _one_of(value, tuple(BY_NAME))


def _one_of(value: object, known: Sequence[str]) -> str:
    if isinstance(value, str) and value in known:
        return value
    raise _UnfitError(f"this is none of {', '.join(known)}")


def _mapping(value: object) -> dict[str, object]:
    if isinstance(value, dict):
        return value
    raise _UnfitError("this is no row")


_ENTRY: Final[Mapping[str, tuple[bool, Callable[[object], object]]]] = {
    "uid": (True, _uid),
    "change": (True, _uid),
    "at": (True, _moment),
    "person_uid": (False, _uid),
    "action": (True, _action),
    "table": (True, _table_name),
    "row_uid": (True, _uid),
    "job_uid": (False, _uid),
    "before": (False, _mapping),
    "after": (False, _mapping),
    "undoes": (False, _uid),
}
"""The fields of an entry: whether each is needed, and its rule."""
