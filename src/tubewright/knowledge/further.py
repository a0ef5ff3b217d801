"""Results and links that one file adds to the faults, symptoms and tests of another."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from typing import Any, Final

from tubewright.knowledge.facts_text import Entry

SORTS: Final[Mapping[str, tuple[str, ...]]] = {
    # what a link is of: the fields that belong to it
    "symptom": ("symptom", "shown_by"),
    "fault": ("fault", "confirmed_by"),
    "test": ("test", "result", "odds"),
}


def sort_of(link: Entry) -> str:
    """What a link is of, or "" where its fields don't make one link of one sort."""
    given = set(link.values)
    return next((sort for sort, fields in SORTS.items() if given == set(fields)), "")


def results_of(by_table: Mapping[str, Mapping[str, Entry]], further: Iterable[Entry]) -> dict[str, list[Entry]]:
    """All results of each test, those added elsewhere included."""
    found = {name: list(test.inner) for name, test in by_table.get("test", {}).items()}
    for entry in further:
        test = entry.values.get("test")
        if isinstance(test, str) and test in found:
            found[test].append(entry)
    return found


def woven(entries: Iterable[Entry]) -> list[Entry]:
    """The entries with every further result and link in its place; all has been checked."""
    copies = [replace(entry, values=dict(entry.values), inner=_copied(entry.inner)) for entry in entries]
    held = {(entry.table, entry.id): entry for entry in copies if entry.table in {"fault", "test"}}
    for entry in copies:
        if entry.table == "result":
            values = {name: value for name, value in entry.values.items() if name != "test"}
            held["test", entry.values["test"]].inner.append(replace(entry, values=values))
    for entry in copies:
        if entry.table == "link":
            _weave(entry.values, held)
    return [entry for entry in copies if entry.table not in {"result", "link"}]


def _copied(entries: Iterable[Entry]) -> list[Entry]:
    return [replace(entry, values=dict(entry.values)) for entry in entries]


def _weave(link: Mapping[str, Any], held: Mapping[tuple[str, str], Entry]) -> None:
    if "symptom" in link:
        for fault, chance in link["shown_by"].items():
            values = held["fault", fault].values
            values["shows"] = {**values["shows"], link["symptom"]: chance}
    elif "fault" in link:
        values = held["fault", link["fault"]].values
        values["confirmed_by"] = {**values["confirmed_by"], **link["confirmed_by"]}
    else:
        result = next(part for part in held["test", link["test"]].inner if part.id == link["result"])
        result.values["odds"] = {**result.values.get("odds", {}), **link["odds"]}
