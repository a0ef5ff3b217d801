"""Parts, changes, stock and readings of an AFC loop as people type them; both doors read them here."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict
from difflib import get_close_matches
from typing import Final

from tubewright.answers.afc_curl import line_at
from tubewright.errors import Fault, InputError
from tubewright.knowledge.chassis import Chassis
from tubewright.physics.afc.changes import PARTS, Part
from tubewright.physics.afc.source import SyncSource
from tubewright.quantity import parse_quantity

PART_NAMES: Final[Mapping[str, str]] = {
    "detector": "detector_v_per_rad",
    "detector-ohm": "detector_ohm",
    "series": "series_ohm",
    "damping": "damping_ohm",
    "capacitor": "capacitor_uf",
    "shunt": "shunt_nf",
    "oscillator": "oscillator_hz_per_v",
    "free-run": "free_run_error_hz",
    "coupling": "coupling_uf",
    "leak": "leak_ohm",
    "capacitor-leak": "capacitor_leak_ohm",
}
"""What each part is called where it is typed, and its field."""

_KINDS: Final = {"ohm": "resistance", "uf": "capacitance", "nf": "capacitance", "hz": "hertz"}
_UNTITLED: Final = frozenset({"detector_v_per_rad", "oscillator_hz_per_v"})


def typed_part(name: str, text: str, where: str) -> float:
    """A part's figure as it was typed, in the unit of its field.

    Args:
        name: The field.
        text: What was typed; a free-running error may have a sign.
        where: Option or field, for the message.

    Raises:
        InputError: It is no such figure.
    """
    kind = "number" if name in _UNTITLED else _KINDS[name.rpartition("_")[2]]
    bare, sign = _signed(text) if name == "free_run_error_hz" else (text, 1)
    value = sign * parse_quantity(bare, kind=kind, where=where).value
    return value * 1000 if name.endswith("_nf") else value


def typed_parts(given: Mapping[str, str], where: Mapping[str, str]) -> dict[str, float | None]:
    """Parts as they were typed; an empty text is one that isn't known.

    Args:
        given: Text by field.
        where: What the door calls each field.

    Raises:
        InputError: Figures that make no sense; all of them together.
    """
    found: dict[str, float | None] = {}
    faults: list[Fault] = []
    for name, text in given.items():
        if not text.strip():
            continue
        try:
            found[name] = typed_part(name, text, where.get(name, name))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    return found


def typed_changes(texts: Iterable[str], where: str) -> dict[str, float | None]:
    """Changes such as ``capacitor=0.47 uF``, by field.

    Raises:
        InputError: A part that there isn't, or a figure that makes no sense; all of them together.
    """
    found: dict[str, float | None] = {}
    for name, values in _pairs(texts, where, several=False):
        found[name] = values[0]
    return found


def typed_stock(texts: Iterable[str], where: str) -> dict[Part, tuple[float, ...]]:
    """What is at hand, such as ``capacitor=0.47uF 0.33uF 0.22uF``, by field; an empty list is nothing at all.

    Raises:
        InputError: A part that no change is made to, or a figure that makes no sense; all of them together.
    """
    found: dict[Part, tuple[float, ...]] = {}
    for name, values in _pairs(texts, where, several=True):
        part = next((one for one in PARTS if one == name), None)
        if part is None:
            names = ", ".join(short for short, field in PART_NAMES.items() if field in PARTS)
            raise InputError(
                Fault(what=f"no change is proposed to the {name}", where=where, mend=f"Stock may name {names}.")
            )
        found[part] = (*found.get(part, ()), *values)
    return found


def _pairs(texts: Iterable[str], where: str, *, several: bool) -> list[tuple[str, tuple[float, ...]]]:
    found, faults = [], []
    for text in texts:
        short, equals, typed = text.partition("=")
        name = PART_NAMES.get(short.strip())
        if not equals or name is None:
            faults.append(_no_part(text, short.strip(), where))
            continue
        each = typed.replace(",", " ").split() if several else [typed]
        try:
            found.append((name, tuple(typed_part(name, one, where) for one in each)))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    return found


def _no_part(text: str, short: str, where: str) -> Fault:
    near = get_close_matches(short, list(PART_NAMES), n=2)
    hint = f"Nearest are {', '.join(near)}." if near else f"Parts are {', '.join(PART_NAMES)}."
    return Fault(
        what=f"“{text[:40]}” names no part with its value", where=where, mend=f"Write capacitor=0.47uF. {hint}"
    )


def typed_readings(
    texts: Sequence[str], source: SyncSource, picture_height_mm: float | None, where: str
) -> list[tuple[float, float]]:
    """Readings such as ``12=3.5`` (line of the frame, mm) or ``30mm=-1.2`` (height from the top, mm).

    Args:
        texts: As typed.
        source: The timing, which says how many lines the height has.
        picture_height_mm: Height of the picture, for readings by height.
        where: Option or field, for the message.

    Raises:
        InputError: A reading that makes no sense, or one by height without the picture's height; all together.
    """
    found, faults = [], []
    for text in texts:
        place, equals, shift = text.partition("=")
        if not equals:
            faults.append(
                Fault(what=f"“{text[:40]}” is no reading", where=where, mend="Write 12=3.5: line 12, 3.5 mm right.")
            )
            continue
        try:
            bare, sign = _signed(shift)
            millimetres = sign * parse_quantity(bare, kind="millimetres", where=where).value
            found.append((_line(place, source, picture_height_mm, where), millimetres))
        except InputError as error:
            faults += error.faults
    if faults:
        raise InputError(faults)
    return found


def _line(place: str, source: SyncSource, picture_height_mm: float | None, where: str) -> float:
    typed = place.strip()
    lines = source.visible_count * (2 if source.interlaced else 1)
    if typed.replace(".", "").isdigit():
        line = parse_quantity(typed, kind="number", where=where).value
    elif picture_height_mm is None:
        raise InputError(
            Fault(
                what="a reading by height needs the picture's height",
                where=where,
                mend="Give the picture's size, or the number of the line.",
            )
        )
    else:
        line = line_at(parse_quantity(typed, kind="millimetres", where=where).value, picture_height_mm, source)
    if line >= lines:
        raise InputError(
            Fault(what=f"“{typed[:20]}” is below the picture", where=where, mend=f"It has {lines} visible lines.")
        )
    return line


def _signed(text: str) -> tuple[str, int]:
    typed = text.strip().replace("−", "-")
    return (typed[1:].lstrip(), -1) if typed.startswith("-") else (typed, 1)


def profile_parts(chassis: Chassis | None) -> dict[str, float | None]:
    """The loop's parts of a profile, by field; empty where it has none."""
    return {} if chassis is None or chassis.afc is None else asdict(chassis.afc)
