"""Finding every fault of a case at once, each with its field and how to mend it.

:class:`tubewright.case.Case` decides what is valid; this module adds what a single
field can't show: two readings of the same thing, ids that the trade knowledge
lacks, and units beside a fault elsewhere in the same reading.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final, Protocol, get_args

from pydantic import ValidationError

from tubewright.case import PER_GUN, UNITS_OF, Case, Reading, RepairOutcome, TestResult
from tubewright.errors import InputError
from tubewright.files.explain import NOT_A_DATE, UNIT_MEANS, FieldFault, from_pydantic, kind_of, nearest, shown
from tubewright.files.lines import Path
from tubewright.knowledge.model import BenchTest, Knowledge

_MOST_FAULTS: Final = 100


class ReadsOff(Protocol):
    """How a number stands for a named result of a test; raises InputError where it can't."""

    def __call__(
        self, test: BenchTest, /, *, value: float, unit: str, nominal: float | None, of_chassis: float | None
    ) -> object:
        """The result that the number stands for; ``of_chassis`` is what the profile says, in base units."""


def check_case(
    data: object, knowledge: Knowledge | None = None, reads_off: ReadsOff | None = None
) -> tuple[Case | None, tuple[FieldFault, ...]]:
    """The case that plain data holds, or everything that is wrong with it.

    Args:
        data: What a TOML or JSON reader gives: dictionaries, lists, numbers, text, dates.
        knowledge: Where ids of symptoms, tests and results are looked up; without
            it they are only checked for form.
        reads_off: What says whether a test can be read off a number in that unit;
            without it any number and unit will do.

    Returns:
        The case and no faults, or ``None`` and at least one fault, in the order of
        the fields.
    """
    if not isinstance(data, dict):
        whole = FieldFault(
            path=(), what=f"the case is {kind_of(data)}, not a set of named fields", mend="Begin with format = 1."
        )
        return None, (whole,)
    faults = _too_many(data)
    if faults:
        return None, tuple(faults)
    case: Case | None = None
    untold = 0
    try:
        case = Case.model_validate(data)
    except ValidationError as error:
        details = error.errors(include_url=False)
        untold = max(0, len(details) - _MOST_FAULTS)
        for detail in details[:_MOST_FAULTS]:
            faults += from_pydantic(detail, data)
    faults += _dates_as_numbers(data)
    readings = _members(data, "readings")
    faults += _misfits(readings)
    faults += _duplicates(readings)
    faults += _present_and_absent(_members(data, "symptoms"))
    faults += _found_and_excluded(_members(data, "repairs"))
    if knowledge is not None:
        faults += _unknown_ids(data, knowledge)
        if reads_off is not None:
            faults += _unreadable_values(data, knowledge, reads_off)
    found = tuple({(fault.path, fault.what): fault for fault in faults}.values())
    untold += max(0, len(found) - _MOST_FAULTS)
    if untold:
        rest = FieldFault(path=(), what=f"there are {untold} more faults like these", mend="Mend these first.")
        found = (*found[:_MOST_FAULTS], rest)
    return (None, found) if found else (case, ())


def _too_many(data: Mapping[str, object]) -> list[FieldFault]:
    """Lists longer than a case may hold, seen before each of their entries is looked at."""
    faults = []
    for name, field in Case.model_fields.items():
        most = next((limit.max_length for limit in field.metadata if hasattr(limit, "max_length")), None)
        entries = data.get(name)
        if most is not None and isinstance(entries, list) and len(entries) > most:
            faults.append(
                FieldFault(
                    path=(name,),
                    what=f"there are {len(entries)} {name}, and a case holds {most} at most",
                    mend="Keep the ones that matter to this tube.",
                )
            )
    return faults


def _dates_as_numbers(data: Mapping[str, object]) -> list[FieldFault]:
    """A bare number would be taken for seconds since 1970, which nobody means."""
    return [
        FieldFault(
            path=(part, number, "at"),
            what=f"{shown(entry['at'])} is not a date",
            mend=NOT_A_DATE,
        )
        for part in ("readings", "treatments", "repairs")
        for number, entry in enumerate(_members(data, part))
        if isinstance(entry.get("at"), (int, float))
    ]


def _misfits(readings: Sequence[Mapping[str, object]]) -> list[FieldFault]:
    """Units that don't measure their kind of reading, and readings that lack their gun."""
    faults = []
    for number, entry in enumerate(readings):
        kind, unit = entry.get("kind"), entry.get("unit")
        known = next((name for name in UNITS_OF if name == kind), None)
        if known is None:
            continue
        if isinstance(unit, str) and unit in UNIT_MEANS and unit not in UNITS_OF[known]:
            fitting = " or ".join(UNIT_MEANS[u] for u in UNITS_OF[known])
            faults.append(
                FieldFault(
                    path=("readings", number, "unit"),
                    what=f"a reading of {kind} can't be in {unit}",
                    mend=f"Give it in {fitting}.",
                )
            )
        if known in PER_GUN and entry.get("gun") is None:
            faults.append(
                FieldFault(
                    path=("readings", number),
                    what=f"a reading of {kind} needs its gun",
                    mend='Add gun = "red", "green" or "blue".',
                )
            )
    return faults


def _duplicates(readings: Sequence[Mapping[str, object]]) -> list[FieldFault]:
    first: dict[tuple[object, ...], int] = {}
    faults = []
    for number, entry in enumerate(readings):
        try:
            reading = Reading.model_validate(entry)
        except ValidationError:
            continue  # said already
        same = first.setdefault(reading.circumstances(), number)
        if same != number:
            subject = f"{reading.gun} {reading.kind}" if reading.gun else reading.kind
            faults.append(
                FieldFault(
                    path=("readings", number),
                    what=f"this {subject} was already given, under the same conditions, as readings[{same}]",
                    mend="Keep one, or say what differs: at, minutes_on, heater_v, g2_v, instrument or stage.",
                    also=("readings", same),
                )
            )
    return faults


def _present_and_absent(symptoms: Sequence[Mapping[str, object]]) -> list[FieldFault]:
    first: dict[str, tuple[int, bool]] = {}
    faults = []
    for number, entry in enumerate(symptoms):
        name, present = entry.get("id"), entry.get("present", True)
        if not isinstance(name, str) or not isinstance(present, bool):
            continue
        before, said = first.setdefault(name, (number, present))
        if said is not present:
            faults.append(
                FieldFault(
                    path=("symptoms", number),
                    what=f"{name} is both present and absent; the other word stands in symptoms[{before}]",
                    mend="Keep the one that is true now.",
                    also=("symptoms", before),
                )
            )
    return faults


def _found_and_excluded(repairs: Sequence[Mapping[str, object]]) -> list[FieldFault]:
    """A fault that is both there and ruled out, unless the times say which word is the later one."""
    first: dict[str, tuple[int, bool, bool]] = {}
    faults = []
    for number, entry in enumerate(repairs):
        name, outcome, dated = entry.get("fault"), entry.get("outcome"), entry.get("at") is not None
        if not isinstance(name, str) or outcome not in get_args(RepairOutcome):
            continue
        before, excluded, dated_before = first.setdefault(name, (number, outcome == "excluded", dated))
        if excluded != (outcome == "excluded") and not (dated and dated_before):
            faults.append(
                FieldFault(
                    path=("repairs", number),
                    what=f"{name} is both excluded and found; the other word stands in repairs[{before}]",
                    mend="Keep the one that is true now, or give both an at.",
                    also=("repairs", before),
                )
            )
    return faults


def _unreadable_values(data: Mapping[str, object], knowledge: Knowledge, reads_off: ReadsOff) -> list[FieldFault]:
    faults = []
    display = data.get("display")
    named = display.get("chassis") if isinstance(display, dict) else None
    chassis = knowledge.chassis.get(named) if isinstance(named, str) else None
    for number, entry in enumerate(_members(data, "tests")):
        try:
            given = TestResult.model_validate(entry)
        except ValidationError:
            continue  # said already
        test = knowledge.tests.get(given.id)
        if test is None or given.value is None:
            continue
        try:
            reads_off(
                test,
                value=given.value,
                unit=given.unit or "",
                nominal=given.nominal,
                of_chassis=None if chassis is None else chassis.nominal(test.id),
            )
        except InputError as error:
            faults += [
                FieldFault(path=("tests", number, fault.where or "value"), what=fault.what, mend=f"{fault.mend}.")
                for fault in error.faults
            ]
    return faults


def _unknown_ids(data: Mapping[str, object], knowledge: Knowledge) -> list[FieldFault]:
    faults = []
    display = data.get("display")
    chassis = display.get("chassis") if isinstance(display, dict) else None
    if isinstance(chassis, str) and chassis not in knowledge.chassis:
        faults.append(_unknown_id(("display", "chassis"), "chassis", chassis, knowledge.chassis, "chassis"))
    for number, entry in enumerate(_members(data, "symptoms")):
        name = entry.get("id")
        if isinstance(name, str) and name not in knowledge.symptoms:
            faults.append(_unknown_id(("symptoms", number, "id"), "symptom", name, knowledge.symptoms, "symptoms"))
    for number, entry in enumerate(_members(data, "repairs")):
        name = entry.get("fault")
        if isinstance(name, str) and name not in knowledge.faults:
            faults.append(_unknown_id(("repairs", number, "fault"), "fault", name, knowledge.faults, "faults"))
    for number, entry in enumerate(_members(data, "tests")):
        name, result = entry.get("id"), entry.get("result")
        if not isinstance(name, str):
            continue
        test = knowledge.tests.get(name)
        if test is None:
            faults.append(_unknown_id(("tests", number, "id"), "test", name, knowledge.tests, "tests"))
        elif isinstance(result, str):
            results = [known.id for known in test.results]
            if result not in results:
                close = nearest(result, results)
                mend = f"Did you mean {close[0]}? " if close else ""
                faults.append(
                    FieldFault(
                        path=("tests", number, "result"),
                        what=f"{shown(result)} is not a result of {name}",
                        mend=f"{mend}Its results are: {', '.join(results)}.",
                    )
                )
    return faults


def _unknown_id(path: Path, noun: str, name: str, known: Iterable[str], listing: str) -> FieldFault:
    close = nearest(name, known)
    mend = f"Did you mean {' or '.join(close)}? " if close else ""
    where_from = " Profiles stand in your own file; `tubewright own example` shows one." if noun == "chassis" else ""
    return FieldFault(
        path=path,
        what=f"{shown(name)} is not a {noun} I know",
        mend=f"{mend}`tubewright list {listing}` shows them all.{where_from}",
    )


def _members(data: object, part: str) -> list[dict[str, object]]:
    """The entries of one list of the case; anything that is not a table stands as empty."""
    entries = data.get(part) if isinstance(data, dict) else None
    if not isinstance(entries, list):
        return []
    return [entry if isinstance(entry, dict) else {} for entry in entries[:2000]]
