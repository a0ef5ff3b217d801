"""Whether the facts hang together: every link leads somewhere, nothing is left over."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Mapping, Sequence

from tubewright.errors import Fault
from tubewright.knowledge.facts_text import Entry
from tubewright.knowledge.search import nearest
from tubewright.knowledge.shapes import SUBSYSTEMS


def check_links(entries: Sequence[Entry], sound: Sequence[bool], faults: list[Fault], *, complete: bool = True) -> None:
    """Report links that lead nowhere, ids given twice, and entries that nothing uses.

    Args:
        entries: All entries.
        sound: Whether the shape of each is sound; the links of one that is not are
            left alone, but others may link to it.
        faults: Receives what is wrong.
        complete: Whether all entries could be read. If not, what seems to be left
            over may be used by an entry that could not, so it is not reported.
    """
    by_table: dict[str, dict[str, Entry]] = {}
    for entry in entries:
        held = by_table.setdefault(entry.table, {})
        if entry.id in held:
            first = held[entry.id]
            faults.append(
                entry.fault(
                    f"the id is already taken in {first.file.name}:{first.line()}", "Choose another id", entry.id
                )
            )
            continue
        held[entry.id] = entry
    web = _Web(by_table, faults)
    for entry in itertools.compress(entries, sound):
        web.check(entry)
    if complete:
        web.check_left_over()


class _Web:
    """The entries by table and id, and which of them something uses."""

    def __init__(self, by_table: Mapping[str, Mapping[str, Entry]], faults: list[Fault]) -> None:
        self.by_table = by_table
        self.faults = faults
        self.used: dict[str, set[str]] = {"source": set(), "symptom": set(), "test": set()}
        self.groups = {*SUBSYSTEMS, *by_table.get("group", {})}

    def ids(self, table: str) -> Iterable[str]:
        return self.by_table.get(table, {})

    def check(self, entry: Entry) -> None:
        values = entry.values
        if "source" in values:
            self._link(entry, "source", values["source"])
        if "hazard" in values:
            self._link(entry, "hazard", values["hazard"])
        for caution in values.get("cautions", ()):
            self._link(entry, "caution", caution)
        self._check_cautioned(entry)
        if entry.table == "fault":
            self._check_fault(entry)
        elif entry.table == "group":
            for fault in values["faults"]:
                self._link(entry, "fault", fault)
        elif entry.table == "test":
            self._check_test(entry)
        elif entry.table == "capacitor_place":
            self._link(entry, "capacitor_stage", values["stage"])
            for kind in values["kinds"]:
                self._link(entry, "capacitor_kind", kind)
        elif entry.table == "capacitor_stage":
            for test in values.get("tests", ()):
                self._link(entry, "test", test)
        elif entry.table == "label":
            self._check_label(entry)

    def check_left_over(self) -> None:
        words = {
            "source": ("no entry cites it", "Cite it where it belongs, or remove it"),
            "symptom": ("no fault shows it", "Add it to the shows of a fault, or remove it"),
            "test": ("no fault and no effect cites it", "Add an effect, name it in confirmed_by, or set gate = true"),
        }
        for table, (what, mend) in words.items():
            for name, entry in self.by_table.get(table, {}).items():
                if name not in self.used[table] and not entry.values.get("gate"):
                    self.faults.append(entry.fault(what, mend, name))

    def _link(self, entry: Entry, table: str, name: str) -> bool:
        if name in self.by_table.get(table, {}):
            if table in self.used:
                self.used[table].add(name)
            return True
        self._lead_nowhere(entry, table, name, self.ids(table))
        return False

    def _lead_nowhere(self, entry: Entry, what: str, name: str, choices: Iterable[str]) -> None:
        near = nearest(name, choices)
        mend = f"Did you mean {' or '.join(near)}?" if near else f"Add the {what}, or correct the id"
        self.faults.append(entry.fault(f"no {what} is called {name!r}", mend, name))

    def _check_cautioned(self, entry: Entry) -> None:
        hazard = entry.id if entry.table == "hazard" else entry.values.get("hazard", "H0")
        steps = ("hazard", "test", "treatment")
        if entry.table in steps and hazard != "H0" and not entry.values.get("cautions"):
            self.faults.append(
                entry.fault(f"a step of hazard {hazard} has no caution", "Add cautions = [...] with caution ids")
            )

    def _check_fault(self, entry: Entry) -> None:
        for symptom in entry.values["shows"]:
            self._link(entry, "symptom", symptom)
        for test, result in entry.values["confirmed_by"].items():
            if self._link(entry, "test", test):
                results = [part.id for part in self.by_table["test"][test].inner]
                if result not in results:
                    self._lead_nowhere(entry, f"result of {test}", result, results)

    def _check_test(self, entry: Entry) -> None:
        names: set[str] = set()
        for result in entry.inner:
            if result.id in names:
                self.faults.append(result.fault(f"{entry.id} has this result twice", "Choose another id", result.id))
            names.add(result.id)
        for result in entry.inner:
            values = result.values
            for fault in values.get("odds", {}):
                if self._link(result, "fault", fault):
                    self.used["test"].add(entry.id)
            for group in values.get("groups", {}):
                if group in self.groups:
                    self.used["test"].add(entry.id)
                else:
                    self._lead_nowhere(result, "group", group, self.groups)
            refines = values.get("refines")
            if refines is not None and refines not in names:
                self._lead_nowhere(result, f"result of {entry.id}", refines, names)
            self._check_range(result)

    def _check_range(self, result: Entry) -> None:
        values = result.values
        low, high = values.get("at_least"), values.get("below")
        measured = values.get("quantity", "none") != "none"
        if measured != (low is not None or high is not None):
            self.faults.append(
                result.fault("quantity and range don't belong together", "Give both, or neither", "quantity")
            )
        if low is not None and high is not None and low >= high:
            self.faults.append(result.fault(f"its range {low:g} to {high:g} is empty", "Put at_least under below"))

    def _check_label(self, entry: Entry) -> None:
        try:
            fits = re.fullmatch(entry.values["pattern"], entry.values["example"])
        except re.error as error:
            self.faults.append(entry.fault(f"pattern is not a regular expression: {error}", "Mend it", "pattern"))
            return
        if fits is None:
            self.faults.append(entry.fault("pattern does not fit its own example", "Mend one of the two", "pattern"))
