"""Chassis profiles: what they link to, what they take over by ``like``, and whether they agree with themselves."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any, Final, Protocol

from tubewright.errors import Fault
from tubewright.knowledge.chassis import Chassis, LoopParts, SupplyParts, SyncInput
from tubewright.knowledge.chassis_shape import INNER_TABLES, KEYED
from tubewright.knowledge.facts_text import Entry

PARTS: Final = {"afc": LoopParts, "supply": SupplyParts, "sync_input": SyncInput}

STATED_AS: Final[Mapping[str, tuple[str, float]]] = {
    # test id: the field of the profile that says what it should read, and the factor to base units
    "d_bplus": ("bplus_v", 1.0),
    "d_bplus_dummy": ("bplus_v", 1.0),
    "d_video_supply": ("video_supply_v", 1.0),
    "d_heater_rms": ("heater_v", 1.0),
    "d_eht": ("eht_kv", 1000.0),
    "s_hfree": ("scan_khz", 1000.0),
}

AGREES_WITHIN: Final = 0.01  # from memory: two statements of one figure differ by no more than rounding


class LeadsNowhere(Protocol):
    """Reports a link of an entry that leads nowhere, with the nearest names."""

    def __call__(self, entry: Entry, what: str, name: str, choices: Sequence[str], /) -> None:
        """Report it."""


def check_profiles(
    profiles: Mapping[str, Entry],
    *,
    sound: Callable[[Entry], bool],
    tests: Mapping[str, Entry],
    controls: Mapping[str, Entry],
    lead_nowhere: LeadsNowhere,
    faults: list[Fault],
) -> None:
    """Report what is wrong with profiles beyond the shape of their fields.

    Args:
        profiles: All of them by id.
        sound: Whether the shape of an entry is sound; one that is not is left alone.
        tests: The tests there are, by id.
        controls: The controls there are, by id.
        lead_nowhere: Reports a link that leads nowhere.
        faults: Receives what is wrong.
    """
    circles: set[frozenset[str]] = set()
    for entry in profiles.values():
        if not sound(entry):
            continue
        _check_links(entry, profiles, tests, controls, lead_nowhere, faults)
        line = _lineage(entry, profiles)
        if line is None:
            circle = _circle(entry, profiles)
            if frozenset(circle) not in circles and entry.id in circle:
                circles.add(frozenset(circle))
                way = " → ".join((*circle, circle[0]))
                faults.append(
                    entry.fault(
                        f"its like leads in a circle: {way}", "Take like out of the one that stands on its own", "like"
                    )
                )
        elif all(sound(one) for one in line):
            _check_sense(entry, _merged(line), faults)


def _check_links(
    entry: Entry,
    profiles: Mapping[str, Entry],
    tests: Mapping[str, Entry],
    controls: Mapping[str, Entry],
    lead_nowhere: LeadsNowhere,
    faults: list[Fault],
) -> None:
    values = entry.values
    if "like" in values and values["like"] not in profiles:
        lead_nowhere(entry, "chassis", values["like"], [name for name in profiles if name != entry.id])
    for name in values.get("nominals", {}):
        if name not in tests:
            lead_nowhere(entry, "test", name, list(tests))
        elif not any(result.values.get("quantity") == "ratio" for result in tests[name].inner):
            faults.append(
                entry.fault(
                    f"no result of {name} is read off the ratio to what is nominal", "Take it out of nominals", name
                )
            )
    seen: set[str] = set()
    for name in values.get("adjustments", ()):
        if name not in controls:
            lead_nowhere(entry, "control", name, list(controls))
        elif name in seen:
            faults.append(entry.fault(f"adjustments names {name} twice", "Name each control once", name))
        seen.add(name)


def _lineage(entry: Entry, profiles: Mapping[str, Entry]) -> list[Entry] | None:
    """The profile and those it is like, nearest first; None if that leads in a circle."""
    line = [entry]
    while (like := line[-1].values.get("like")) in profiles:
        after = profiles[str(like)]
        if any(after is one for one in line):
            return None
        line.append(after)
    return line


def _circle(entry: Entry, profiles: Mapping[str, Entry]) -> tuple[str, ...]:
    """The ids of the circle that a profile leads into, in their order."""
    way = [entry.id]
    while (after := str(profiles[way[-1]].values["like"])) not in way:
        way.append(after)
    return tuple(way[way.index(after) :])


def _merged(line: Sequence[Entry]) -> dict[str, Any]:
    """The fields of a profile with those that it takes over; groups of fields are filled field by field."""
    merged: dict[str, Any] = {}
    for entry in reversed(line):
        for name, value in entry.values.items():
            merged[name] = {**merged.get(name, {}), **value} if name in KEYED else value
        for part in entry.inner:
            name = part.table.rpartition(".")[2]
            merged[name] = {**merged.get(name, {}), **part.values}
    return {**merged, "id": line[0].id, "name": line[0].values["name"], "like": line[0].values.get("like", "")}


def _check_sense(entry: Entry, merged: Mapping[str, Any], faults: list[Fault]) -> None:
    """Report figures of one profile that contradict each other, its own and those taken over."""
    sync = merged.get("sync_input", {})
    in_order: tuple[tuple[Mapping[str, Any], str, str, str], ...] = (
        (merged, "eht_kv", "eht_limit_kv", "a set is never run above its rating"),
        (sync, "level_low_v", "level_high_v", "what is low lies below what is high"),
    )
    for held, low, high, why in in_order:
        if low in held and high in held and held[low] > held[high]:
            faults.append(
                entry.fault(f"{low} is {held[low]:g}, above {high} of {held[high]:g}", f"Check both: {why}", low)
            )
    for test, (name, factor) in STATED_AS.items():
        said = merged.get("nominals", {}).get(test)
        if said is not None and name in merged and abs(said / (merged[name] * factor) - 1) > AGREES_WITHIN:
            faults.append(
                entry.fault(
                    f"nominals gives {said:g} for {test}, and {name} says {merged[name] * factor:g}",
                    "Keep the one that is right",
                    test,
                )
            )


def chassis_of(profiles: Mapping[str, Entry], tests: Mapping[str, object]) -> dict[str, Chassis]:
    """The profiles as the rest of the house uses them; they have been checked.

    What a test should read is filled in from the supplies and rates that the profile states.
    """
    found = {}
    for entry in profiles.values():
        line = _lineage(entry, profiles)
        assert line is not None  # noqa: S101  circles have been reported
        merged = _merged(line)
        stated = {
            test: merged[name] * factor
            for test, (name, factor) in STATED_AS.items()
            if name in merged and test in tests
        }
        merged["nominals"] = {name: float(value) for name, value in {**stated, **merged.get("nominals", {})}.items()}
        merged["rails"] = {name: float(value) for name, value in merged.get("rails", {}).items()}
        merged["adjustments"] = tuple(merged.get("adjustments", ()))
        for name in INNER_TABLES:
            if name in merged:
                merged[name] = PARTS[name](**_floats(merged[name]))
        found[entry.id] = Chassis(**_floats(merged))
    return found


def _floats(values: Mapping[str, Any]) -> dict[str, Any]:
    return {name: float(value) if isinstance(value, int) else value for name, value in values.items()}
