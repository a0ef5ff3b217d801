"""Whether the facts hang together: every link leads somewhere, nothing is left over."""

from __future__ import annotations

import itertools
import re
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from tubewright.errors import Fault
from tubewright.knowledge.facts_text import Entry
from tubewright.knowledge.further import SORTS, results_of, sort_of
from tubewright.knowledge.profiles import check_profiles
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
        if entry.table in _NAMELESS:
            continue
        if entry.id in held:
            first = held[entry.id]
            faults.append(
                entry.fault(
                    f"the id is already taken in {first.file.name}:{first.line()}", "Choose another id", entry.id
                )
            )
            continue
        held[entry.id] = entry
    whole = list(itertools.compress(entries, sound))
    web = _Web(by_table, [entry for entry in whole if entry.table == "result"], faults)
    for entry in whole:
        web.check(entry)
    web.check_results()
    all_sound = {id(entry) for entry in whole}
    check_profiles(
        by_table.get("chassis", {}),
        sound=lambda entry: id(entry) in all_sound,
        tests=by_table.get("test", {}),
        controls=by_table.get("control", {}),
        lead_nowhere=web.lead_nowhere,
        faults=faults,
    )
    if complete:
        web.check_left_over()


_NAMELESS: Final = frozenset({"link", "result"})
"""Tables whose entries add to others: links have no id, and the id of a result counts within its test."""


class _Web:
    """The entries by table and id, and which of them something uses."""

    def __init__(
        self, by_table: Mapping[str, Mapping[str, Entry]], further: Sequence[Entry], faults: list[Fault]
    ) -> None:
        self.by_table = by_table
        self.faults = faults
        self.used: dict[str, set[str]] = {"source": set(), "caution": set(), "symptom": set(), "test": set()}
        self.results = results_of(by_table, further)
        self.linked: set[tuple[str, ...]] = set()
        self.groups = {*SUBSYSTEMS, *by_table.get("group", {})}

    def ids(self, table: str) -> Iterable[str]:
        return self.by_table.get(table, {})

    def check(self, entry: Entry) -> None:
        values = entry.values
        if "source" in values and entry.table != "chassis":  # a profile says where it comes from in the shop's words
            self._link(entry, "source", values["source"])
        if "hazard" in values:
            self._link(entry, "hazard", values["hazard"])
        for caution in values.get("cautions", ()):
            self._link(entry, "caution", caution)
        self._check_cautioned(entry)
        by_table = {
            "fault": self._check_fault,
            "group": self._check_members,
            "result": self._check_owner,
            "link": self._check_further,
            "hold": self._check_hold,
            "capacitor_place": self._check_place,
            "capacitor_stage": self._check_stage,
            "label": self._check_label,
            "setup_step": self._check_setup_step,
        }
        if entry.table in by_table:
            by_table[entry.table](entry)

    def _check_setup_step(self, entry: Entry) -> None:
        for control in entry.values["controls"]:
            self._link(entry, "control", control)

    def check_left_over(self) -> None:
        words = {
            "source": ("no entry cites it", "Cite it where it belongs, or remove it"),
            "caution": (
                "nothing uses it",
                "Name it in the cautions of a step, say where the program shows it, or remove it",
            ),
            "symptom": ("no fault shows it", "Add it to the shows of a fault, or remove it"),
            "test": ("no fault and no effect cites it", "Add an effect, name it in confirmed_by, or set gate = true"),
        }
        for table, (what, mend) in words.items():
            for name, entry in self.by_table.get(table, {}).items():
                if name not in self.used[table] and not entry.values.get("gate") and not entry.values.get("where"):
                    self.faults.append(entry.fault(what, mend, name))

    def _link(self, entry: Entry, table: str, name: str, *, uses: bool = True) -> bool:
        if name in self.by_table.get(table, {}):
            if uses and table in self.used:
                self.used[table].add(name)
            return True
        self.lead_nowhere(entry, table, name, self.ids(table))
        return False

    def lead_nowhere(self, entry: Entry, what: str, name: str, choices: Iterable[str]) -> None:
        near = nearest(name, choices)
        mend = f"Did you mean {' or '.join(near)}?" if near else f"Add the {what}, or correct the id"
        self.faults.append(entry.fault(f"no {what} is called {name!r}", mend, name))

    def _check_cautioned(self, entry: Entry) -> None:
        hazard = entry.id if entry.table == "hazard" else entry.values.get("hazard", "H0")
        if entry.table not in {"hazard", "test", "treatment", "control"} or entry.values.get("cautions"):
            return
        step = f"a step of hazard {hazard}" if hazard != "H0" else "a step on a running set"
        if hazard != "H0" or entry.values.get("running"):
            self.faults.append(entry.fault(f"{step} has no caution", "Add cautions = [...] with caution ids"))

    def _check_members(self, entry: Entry) -> None:
        for fault in entry.values["faults"]:
            self._link(entry, "fault", fault)

    def _check_owner(self, entry: Entry) -> None:
        self._link(entry, "test", entry.values["test"])

    def _check_place(self, entry: Entry) -> None:
        self._link(entry, "capacitor_stage", entry.values["stage"])
        for kind in entry.values["kinds"]:
            self._link(entry, "capacitor_kind", kind)

    def _check_stage(self, entry: Entry) -> None:
        for test in entry.values.get("tests", ()):
            self._link(entry, "test", test)

    def _check_fault(self, entry: Entry) -> None:
        for symptom in entry.values["shows"]:
            self._link(entry, "symptom", symptom)
        for test, result in entry.values["confirmed_by"].items():
            self._check_result(entry, test, result)
        for treatment in entry.values.get("treatments", ()):
            self._link(entry, "treatment", treatment)
        for group in entry.values.get("groups", ()):
            self._check_group(entry, group)

    def _check_result(self, entry: Entry, test: str, result: str) -> bool:
        if not self._link(entry, "test", test):
            return False
        results = [part.id for part in self.results[test]]
        if result not in results:
            self.lead_nowhere(entry, f"result of {test}", result, results)
        return result in results

    def _check_group(self, entry: Entry, group: str) -> bool:
        if group not in self.groups:
            self.lead_nowhere(entry, "group", group, self.groups)
        return group in self.groups

    def _check_hold(self, entry: Entry) -> None:
        values = entry.values
        self._link(entry, "caution", values["id"], uses=False)
        for caution in values.get("undone_by", ()):
            self._link(entry, "caution", caution, uses=False)
        if (values["holds"] == "minutes") and "minutes" not in values:
            self.faults.append(entry.fault("it says nothing of how many minutes", "Add minutes = ...", "holds"))
        if values["holds"] == "job" and "minutes" in values:
            self.faults.append(
                entry.fault("what holds for the job has no minutes", "Take minutes out, or say for a step", "minutes")
            )

    def _check_further(self, entry: Entry) -> None:
        """A link adds what is not yet said; it doesn't change what another entry says."""
        values = entry.values
        sort = sort_of(entry)
        if not sort:
            may = "; or ".join(" and ".join(fields) for fields in SORTS.values())
            self.faults.append(entry.fault("its fields don't make one link", f"Give {may}, and nothing else"))
            return
        if sort == "symptom":
            there = self._link(entry, "symptom", values["symptom"])
            for fault in values["shown_by"]:
                if self._link(entry, "fault", fault) and there:
                    shows = self.by_table["fault"][fault].values.get("shows")
                    self._once(entry, (fault, values["symptom"]), shows, fault)
        elif sort == "fault":
            there = self._link(entry, "fault", values["fault"])
            for test, result in values["confirmed_by"].items():
                if self._check_result(entry, test, result) and there:
                    confirmed_by = self.by_table["fault"][values["fault"]].values.get("confirmed_by")
                    self._once(entry, (values["fault"], test), confirmed_by, test)
        elif self._check_result(entry, values["test"], values["result"]):
            result = next(part for part in self.results[values["test"]] if part.id == values["result"])
            for fault in values["odds"]:
                if self._link(entry, "fault", fault):
                    self._once(entry, (values["test"], values["result"], fault), result.values.get("odds"), fault)

    def _once(self, entry: Entry, link: tuple[str, ...], said: object, token: str) -> None:
        """A link is given once, and not where the entry itself gives it."""
        if link in self.linked or (isinstance(said, dict) and link[-1] in said):
            self.faults.append(
                entry.fault(
                    f"the link of {' and '.join(link)} is already given",
                    "Leave this one out; jobs teach the rest",
                    token,
                )
            )
        self.linked.add(link)

    def check_results(self) -> None:
        """Check the results of every test together, wherever they are written."""
        for test, results in self.results.items():
            self._check_results(self.by_table["test"][test], results)

    def _check_results(self, entry: Entry, results: Sequence[Entry]) -> None:
        names: set[str] = set()
        for result in results:
            if result.id in names:
                self.faults.append(result.fault(f"{entry.id} has this result twice", "Choose another id", result.id))
            names.add(result.id)
        for result in results:
            values = result.values
            for fault in values.get("odds", {}):
                if self._link(result, "fault", fault):
                    self.used["test"].add(entry.id)
            for group in values.get("groups", {}):
                if self._check_group(result, group):
                    self.used["test"].add(entry.id)
            refines = values.get("refines")
            if refines is not None and refines not in names:
                self.lead_nowhere(result, f"result of {entry.id}", refines, names)
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
