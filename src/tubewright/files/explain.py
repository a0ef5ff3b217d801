"""The findings of :mod:`pydantic` in the words of somebody who typed the case."""

from __future__ import annotations

import difflib
import types
import typing
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from typing import Any, Final, get_args, get_origin

from pydantic import BaseModel

from tubewright.case import UNITS_OF, Case
from tubewright.errors import InputError
from tubewright.files.lines import Path
from tubewright.quantity import parse_quantity

NOT_A_DATE: Final = "Write it as 2026-11-25, or with the time as 2026-11-25T14:30:00."

UNIT_MEANS: Final = {
    "rel": "rel (1 = what a good gun gives)",
    "uA": "uA (microampere)",
    "mA": "mA (milliampere)",
    "V": "V (volt)",
    "Mohm": "Mohm (megohm)",
    "A": "A (ampere)",
    "percent": "percent (of the instrument's scale)",
    "div": "div (scale divisions)",
}
"""Each unit of the case file in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class FieldFault:
    """One fault of a case: ``path`` leads to the field, as ``("readings", 2, "unit")``."""

    path: Path
    what: str
    mend: str
    also: Path | None = None


def dotted(path: Path) -> str:
    """A path in the form people read: ``readings[2].unit``."""
    words = ""
    for part in path:
        name = "" if isinstance(part, int) else _tame(part)
        words += f"[{part}]" if isinstance(part, int) else f".{name}" if words else name
    return words


def nearest(word: str, known: Iterable[str]) -> tuple[str, ...]:
    """Up to three known words that look like ``word``, best first."""
    pool = sorted(known)
    close = difflib.get_close_matches(word.lower()[:80], pool, n=3, cutoff=0.6)
    parts = [name for name in pool if len(word) > 3 and word.lower() in name and name not in close]
    return tuple((close + parts)[:3])


def shown(value: object, longest: int = 40) -> str:
    """A value as a message may quote it: short, on one line, nothing a terminal obeys."""
    return _tame(repr(value[: 2 * longest]) if isinstance(value, str) else _digits(value), longest)


def _digits(value: object) -> str:
    try:
        return str(value)
    except ValueError:  # Python writes no whole number of more than some thousand digits
        return "…"


def _tame(text: str, longest: int = 40) -> str:
    cut = text if len(text) <= longest else text[: longest - 1] + "…"
    return "".join(char if char.isprintable() else "?" for char in cut)


def from_pydantic(detail: Mapping[str, Any], data: Mapping[str, object]) -> list[FieldFault]:
    """The faults in one finding; none where the caller says it better."""
    path: Path = tuple(part for part in detail["loc"] if part not in {"datetime", "date"})
    kind, given, limits = str(detail["type"]), detail["input"], detail.get("ctx", {})
    if kind == "value_error" and path[:1] == ("readings",):
        return []  # checked apart, so that it is also said beside another fault of the reading
    what, mend = _explained(kind, path, given, limits, data)
    return [FieldFault(path=path, what=what, mend=mend)]


def _explained(
    kind: str, path: Path, given: object, limits: Mapping[str, Any], data: Mapping[str, object]
) -> tuple[str, str]:
    """What is wrong and how to mend it; the first line that applies says it."""
    name = str(path[-1]) if path else "the case"
    if path == ("format",):
        return _wrong_format(kind, given)
    if name == "at" and kind != "missing":
        return f"{shown(given)} is not a date", NOT_A_DATE
    if kind in {"extra_forbidden", "missing", "literal_error"}:
        by_path = {"extra_forbidden": _unknown_field, "missing": _missing, "literal_error": _not_allowed}
        return by_path[kind](path, given)
    if kind in {"float_type", "int_type", "int_from_float"} and isinstance(given, int) and abs(given) > 2**53:
        return f"{name} is {shown(given)}, which is too large", "Check the figure and its unit."
    if kind in {"float_type", "int_type", "int_from_float"}:
        belongs = "a number" if kind == "float_type" else "a whole number"
        return f"{name} is {kind_of(given)} where {belongs} belongs", _number_mend(path, given, data)
    return _BY_KIND.get(kind, _doesnt_fit)(name, given, limits)


def _too_small(name: str, given: object, limits: Mapping[str, Any]) -> tuple[str, str]:
    floor = limits.get("gt", limits.get("ge", 0))
    if isinstance(given, (int, float)) and given < 0 and floor == 0:
        return f"{name} is {shown(given)}, and it can't be negative", "Write it without the minus sign."
    least = "more than" if "gt" in limits else "at least"
    return (
        f"{name} is {shown(given)}, which is too small",
        f"It must be {least} {floor:g}; leave it out if it is not known.",
    )


def _too_large(name: str, given: object, limits: Mapping[str, Any]) -> tuple[str, str]:
    ceiling = limits.get("lt", limits.get("le", 0))
    if ceiling == 1:
        return f"{name} is {shown(given)}, but it is a fraction from 0 to 1", "Half is 0.5."
    return f"{name} is {shown(given)}, which is too large", f"It may be {ceiling:g} at most; check the unit."


def _bad_pattern(name: str, given: object, _limits: Mapping[str, Any]) -> tuple[str, str]:
    if name == "currency":
        return f"{shown(given)} is not a currency code", 'Write three capitals, such as "EUR".'
    return (
        f"{shown(given)} is not an id",
        "Ids are small letters, figures and underscores, such as raster_dim_all.",
    )


def _doesnt_fit(name: str, given: object, _limits: Mapping[str, Any]) -> tuple[str, str]:
    return f"{name} is {shown(given)}, which does not fit", "`tubewright schema case` shows what it may be."


_Explanation = Callable[[str, object, Mapping[str, Any]], tuple[str, str]]


def _not_text(name: str, given: object, _limits: Mapping[str, Any]) -> tuple[str, str]:
    return f"{name} is {kind_of(given)} where text belongs", f'Put it in quotes: {name} = "...".'


def _not_group(name: str, given: object, _limits: Mapping[str, Any]) -> tuple[str, str]:
    return f"{name} is {kind_of(given)} where a group of fields belongs", f"Write [{name}] and its fields below."


def _not_list(name: str, given: object, _limits: Mapping[str, Any]) -> tuple[str, str]:
    return f"{name} is {kind_of(given)} where a list belongs", f"Begin each entry with [[{name}]]."


_BY_KIND: Final[Mapping[str, _Explanation]] = {
    "finite_number": lambda name, given, _: (
        f"{name} is {shown(given)}, which is not a number",
        "Leave it out if it is not known.",
    ),
    "greater_than": _too_small,
    "greater_than_equal": _too_small,
    "less_than": _too_large,
    "less_than_equal": _too_large,
    "string_type": _not_text,
    "string_unicode": lambda name, _, __: (f"{name} holds signs that no text can hold", "Type it anew."),
    "string_too_long": lambda name, _, limits: (
        f"{name} has more than {limits['max_length']} characters",
        "Shorten it.",
    ),
    "string_pattern_mismatch": _bad_pattern,
    "bool_type": lambda name, given, _: (
        f"{name} is {kind_of(given)} where yes or no belongs",
        f"Write {name} = true or {name} = false.",
    ),
    "too_long": lambda name, _, limits: (
        f"there are more than {limits['max_length']} {name}",
        "Keep the ones that matter to this tube.",
    ),
    "model_type": _not_group,
    "model_attributes_type": _not_group,
    "tuple_type": _not_list,
    "list_type": _not_list,
    "value_error": lambda _, __, limits: (str(limits.get("error")), "Mend this entry or leave it out."),
}


def _wrong_format(kind: str, given: object) -> tuple[str, str]:
    if kind == "missing":
        return "the format number is missing", "Begin the file with format = 1."
    return (
        f"format is {shown(given)}, and this version reads format 1",
        "Write format = 1 without quotes; a file of a later format needs a later Tubewright.",
    )


def _unknown_field(path: Path, _given: object) -> tuple[str, str]:
    name = str(path[-1])
    model = _model_at(path[:-1])
    fields = tuple(model.model_fields) if model else ()
    close = nearest(name, fields)
    home = next((part for part, field in Case.model_fields.items() if name in _fields_of(field.annotation)), None)
    if home and home != path[0]:
        mend = f"{name} belongs under [{home}]."
    elif close:
        mend = f"Did you mean {close[0]}?"
    else:
        mend = f"Known here: {', '.join(fields)}."
    return f"unknown field {shown(name)}", mend


def _not_allowed(path: Path, given: object) -> tuple[str, str]:
    name = str(path[-1])
    allowed = _choices(path)
    word = given if isinstance(given, str) else ""
    same = (choice for choice in allowed if choice.lower() == word.lower())
    close = next(same, None) or next(iter(nearest(word, allowed)), None)
    listed = ", ".join(UNIT_MEANS.get(choice, choice) for choice in allowed)
    mend = f"Did you mean {close}? " if close else ""
    return f"{shown(given)} is not a {name} I know", f"{mend}Use one of: {listed}."


def _missing(path: Path, _given: object) -> tuple[str, str]:
    name = str(path[-1])
    allowed = _choices(path)
    if name == "unit":
        mend = f"Add the unit of the value: {', '.join(UNIT_MEANS.values())}."
    elif allowed:
        mend = f"Add {name}, one of: {', '.join(allowed)}."
    else:
        mend = f"Add {name}, or leave the whole entry out."
    return f"{name} is missing", mend


def _number_mend(path: Path, given: object, data: Mapping[str, object]) -> str:
    name = str(path[-1])
    if not isinstance(given, str):
        return f"Write {name} as a bare number, or leave it out."
    kind: object = None
    if path[:1] == ("readings",) and name == "value":
        entries = data.get("readings")
        entry = entries[path[1]] if isinstance(entries, list) and isinstance(path[1], int) else None
        kind = entry.get("kind") if isinstance(entry, dict) else None
    if isinstance(kind, str) and kind in UNITS_OF:
        try:
            value, unit = parse_quantity(given, kind=kind)
        except InputError:
            pass
        else:
            return f'Write the number alone and its unit beside it: {name} = {value:g} and unit = "{unit}".'
    try:
        number, _ = parse_quantity(given, kind="number")
    except InputError:
        return "Write the number alone, without quotes and without its unit; the decimal mark is a point."
    return f"Write the number without quotes: {name} = {number:g}."


def kind_of(value: object) -> str:
    """What somebody would call a value: the text ..., the number ..., a list."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f"the text {shown(value)}"
    if isinstance(value, (int, float)):
        return f"the number {shown(value)}"
    if isinstance(value, dict):
        return "a group of fields"
    if isinstance(value, list):
        return "a list"
    return "nothing" if value is None else shown(value)


def _model_at(path: Path) -> type[BaseModel] | None:
    model: type[BaseModel] = Case
    for part in path:
        if isinstance(part, int):
            continue
        field = model.model_fields.get(part)
        inner = next(iter(_models_in(field.annotation)), None) if field else None
        if inner is None:
            return None
        model = inner
    return model


def _models_in(annotation: object) -> Iterable[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    for argument in get_args(annotation):
        yield from _models_in(argument)


def _fields_of(annotation: object) -> tuple[str, ...]:
    model = next(iter(_models_in(annotation)), None)
    return tuple(model.model_fields) if model else ()


def _choices(path: Path) -> tuple[str, ...]:
    """The words that the field at ``path`` may hold, where it is a closed list."""
    model = _model_at(path[:-1])
    field = model.model_fields.get(str(path[-1])) if model else None
    if field is None:
        return ()
    return tuple(_literals(field.annotation))


def _literals(annotation: object) -> Iterable[str]:
    if get_origin(annotation) is typing.Literal:
        yield from (str(choice) for choice in get_args(annotation))
    elif get_origin(annotation) in {typing.Union, types.UnionType, typing.Annotated}:
        for argument in get_args(annotation):
            yield from _literals(argument)
