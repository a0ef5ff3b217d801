"""The fields of a tube and of a set as a list holds them: what each may say, and how a typed cell becomes a value."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import fields
from difflib import get_close_matches
from typing import Any, Final

from tubewright.answers.donor import SetFigures, Tube
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

_SUFFIX_KINDS: Final = {
    # the end of a field's name: kind of quantity, and the unit of a figure without one
    "_v": ("voltage", None),
    "_a": ("current", None),
    "_kv": ("kilovolts", None),
    "_mm": ("millimetres", None),
    "_cm": ("millimetres", "cm"),
    "_mh": ("inductance", None),
    "_ohm": ("resistance", None),
    "_khz": ("khz", None),
    "_us": ("microseconds", None),
    "_nf": ("capacitance", "nF"),
    "_hours": ("hours", None),
    "_deg": ("number", None),
    "_percent": ("number", None),
}
_OTHER_KINDS: Final = {"burn": "fraction", "price": "money"}
_SIGNS: Final = {"_deg": ("°", "degrees", "deg"), "_percent": ("%", "percent")}
_WORDS: Final[Mapping[str, Mapping[str, str]]] = {
    # field: what may be written, without hyphens and spaces, and how it is kept
    "size_is": {"nominal": "nominal", "viewable": "viewable"},
    "face": {
        "flat": "flat", "cylinder": "cylinder", "cylindrical": "cylinder", "sphere": "sphere", "spherical": "sphere",
    },
    "picture": {"colour": "colour", "color": "colour", "mono": "mono", "monochrome": "mono"},
    "gun": {
        "inline": "inline", "delta": "delta", "grille": "grille", "aperturegrille": "grille", "mono": "mono",
        "monochrome": "mono",
    },
    "g1": {"common": "common", "joined": "common", "split": "split", "separate": "split"},
    "focus": {"high": "high", "low": "low", "two": "two", "magnetic": "magnetic"},
    "mount": {"ears": "ears", "bolts": "bolts"},
    "band": {"tension": "tension", "shell": "shell", "bonded": "bonded", "loose": "loose", "none": "none"},
    "neck_state": {"sound": "sound", "cracked": "cracked"},
    "getter": {"silver": "silver", "white": "white", "clear": "clear", "unseen": "unseen"},
    "heater_feed": {"parallel": "parallel", "series": "series"},
    "drive": {"cathode": "cathode", "cathodes": "cathode", "grid": "grid", "grids": "grid"},
}  # fmt: skip
_GUNS: Final = {"red": "red", "green": "green", "blue": "blue", "mono": "mono", "white": "mono"}
_YES_NO: Final = {"yes": True, "true": True, "with": True, "no": False, "false": False, "without": False}
_PLAIN_TEXTS: Final = frozenset({"id", "label", "base", "place", "note"})
_LONGEST_TEXT: Final = 400
_MOST_PINS: Final = 24

TUBE_FIELDS: Final = tuple(field.name for field in fields(Tube))
SET_FIELDS: Final = tuple(field.name for field in fields(SetFigures))


def value_of(name: str, raw: object, where: str) -> Any:  # noqa: ANN401 - as varied as the fields
    """The value of one field, in its own unit.

    Args:
        name: Of the field.
        raw: As TOML or a cell holds it.
        where: The place, for messages.

    Raises:
        InputError: It can't be read so.
    """
    if name in _PLAIN_TEXTS:
        return _text(raw, where)
    if name in _WORDS:
        return _word(name, raw, where)
    reader = {"pins": _pins, "emission": _emission, "yoke": _yes_no}.get(name)
    return reader(raw, where) if reader else _figure(name, raw, where)


def _yes_no(raw: object, where: str) -> bool:
    known = raw if isinstance(raw, bool) else _YES_NO.get(str(raw).strip().lower())
    if known is None:
        raise InputError(Fault(what="is neither yes nor no", where=where, mend="Write yes or no."))
    return known


def unknown_field(name: str, known: tuple[str, ...], where: str) -> Fault:
    """The fault of a field that isn't there, with the nearest names."""
    near = get_close_matches(name.lower(), known, n=2, cutoff=0.5)
    mend = f"Did you mean {' or '.join(near)}?" if near else "docs/donor.md lists the fields."
    return Fault(what=f"there is no field “{_shown(name)}”", where=where, mend=mend)


def _figure(name: str, raw: object, where: str) -> float | int:
    if isinstance(raw, bool) or not isinstance(raw, int | float | str):
        raise InputError(Fault(what="is not a figure", where=where, mend="Write a number, with or without its unit."))
    text = repr(raw) if isinstance(raw, int | float) else raw
    if text.lower().strip().lstrip("+-") in ("nan", "inf", "infinity"):
        raise InputError(Fault(what="is not a number", where=where, mend="Leave it out where it isn't known."))
    if name in ("restorations", "made_year"):
        if not text.strip().isdecimal():
            raise InputError(Fault(what=f"“{_shown(text)}” is no whole number", where=where, mend="Write it as 1."))
        return int(text)
    if name in _OTHER_KINDS:
        return parse_quantity(text, kind=_OTHER_KINDS[name], where=where).value
    suffix = next(end for end in _SUFFIX_KINDS if name.endswith(end))
    kind, unit = _SUFFIX_KINDS[suffix]
    for sign in _SIGNS.get(suffix, ()):
        text = text.strip().removesuffix(sign)
    value = parse_quantity(text, kind=kind, default_unit=unit, where=where).value
    if value == 0:
        raise InputError(Fault(what="is zero", where=where, mend="Leave it out where it isn't known."))
    # Lengths come in millimetres, capacitances in microfarads.
    return value / 10 if suffix == "_cm" else value * 1000 if suffix == "_nf" else value


def _word(name: str, raw: object, where: str) -> str:
    known = _WORDS[name]
    plain = str(raw).strip().lower().replace("-", "").replace(" ", "").replace("_", "")
    if plain in known:
        return known[plain]
    near = get_close_matches(plain, known, n=1, cutoff=0.6)
    choices = ", ".join(dict.fromkeys(known.values()))
    mend = f"Did you mean {known[near[0]]}? It may be: {choices}." if near else f"It may be: {choices}."
    raise InputError(Fault(what=f"“{_shown(str(raw))}” is not known here", where=where, mend=mend))


def _text(raw: object, where: str) -> str:
    if not isinstance(raw, str):
        raw = str(raw)
    if len(raw) > _LONGEST_TEXT:
        raise InputError(Fault(what="is too long", where=where, mend=f"Keep it under {_LONGEST_TEXT} characters."))
    return raw.strip()


def _pairs(raw: object, where: str, example: str) -> Iterator[tuple[str, object]]:
    """A table of TOML, or a cell such as ``1 focus, 5 g1``."""
    if isinstance(raw, dict):
        yield from ((str(name).strip(), value) for name, value in raw.items())
        return
    for part in str(raw).replace("|", ",").replace(";", ",").split(","):
        if not part.strip():
            continue
        name, _, value = part.strip().replace("=", " ", 1).replace(":", " ", 1).partition(" ")
        if not value.strip():
            raise InputError(Fault(what=f"“{_shown(part)}” is no pair", where=where, mend=f"Write it as {example}."))
        yield name, value.strip()


def _pins(raw: object, where: str) -> dict[str, str]:
    pairs = list(_pairs(raw, where, "1 focus, 5 g1, 9 heater"))
    if len(pairs) > _MOST_PINS:
        raise InputError(Fault(what=f"has {len(pairs)} pins", where=where, mend="No base has so many."))
    return {pin: " ".join(str(electrode).lower().split()) for pin, electrode in pairs}


def _emission(raw: object, where: str) -> dict[str, float]:
    levels = {}
    for name, value in _pairs(raw, where, "red 0.8, green 0.75, blue 70 %"):
        gun = _GUNS.get(name.lower())
        if gun is None:
            mend = "Guns are red, green, blue or mono."
            raise InputError(Fault(what=f"“{_shown(name)}” is no gun", where=where, mend=mend))
        text = repr(value) if isinstance(value, int | float) and not isinstance(value, bool) else str(value)
        level = parse_quantity(text, kind="number", where=where).value if "%" not in text else _percent(text, where)
        if not 0 <= level <= 2:
            mend = "Write it relative to a good gun: 0.8 or 80 %."
            raise InputError(Fault(what=f"{level:g} is no relative emission", where=where, mend=mend))
        levels[gun] = level
    return levels


def _percent(text: str, where: str) -> float:
    return parse_quantity(text.replace("%", ""), kind="number", where=where).value / 100


def _shown(text: str) -> str:
    return "".join(char if char.isprintable() else "?" for char in text)[:40]
