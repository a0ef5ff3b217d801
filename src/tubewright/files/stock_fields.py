"""What people type of an item of the stock, field by field or in a few words, as the values that are kept."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from difflib import get_close_matches
from typing import Any, Final

from tubewright.answers.stock import Item
from tubewright.answers.stock_kinds import (
    ATTRIBUTES,
    CAPACITOR_KIND,
    CAPACITOR_UNSAID,
    Attribute,
    Kind,
    kinds,
    named_kind,
    short_words,
    stored_kind,
)
from tubewright.errors import Fault, InputError
from tubewright.files.stock_words import from_words
from tubewright.files.tube_fields import value_of
from tubewright.knowledge.model import Knowledge
from tubewright.quantity import parse_quantity

BASE_FIELDS: Final = (
    "code", "what", "kind", "name", "quantity", "minimum", "place", "cost", "currency", "supplier", "tube", "notes",
)  # fmt: skip
"""What is kept of every item, beside the attributes of its kind; ``what`` says kind and attributes in a few words."""

_LONGEST: Final = {"notes": 3000}
_LONGEST_TEXT: Final = 200
MOST_PIECES: Final = 1_000_000
_BASE_UNIT: Final = {"capacitance": "uF"}
"""Unit of a bare figure under a heading that names it, where the kind of quantity has none of its own."""
_YES: Final = frozenset({"yes", "y", "true", "1", "x", "polar", "+"})
_NO: Final = frozenset({"no", "n", "false", "0", "non-polar", "nonpolar", "np", "bp", "bipolar"})
_NOT_SAID: Final = frozenset({"", "-", "?"})


@dataclass(slots=True, kw_only=True)
class TypedItem:
    """The fields of one item as typed, what they come to, and what is wrong with them.

    Attributes:
        cells: field to what was typed.
        where: the place of a field, for messages.
        bare_units: whether a bare figure is in the unit that its field is named for.
    """

    cells: Mapping[str, object]
    where: Callable[[str], str]
    bare_units: bool = False
    faults: list[Fault] = field(default_factory=list)

    def text(self, name: str) -> str:
        """What stands in a field, without blanks around it."""
        raw = self.cells.get(name)
        return "" if raw is None else str(raw).strip()

    def fault(self, name: str, what: str, mend: str) -> None:
        """Note that something is wrong with a field."""
        self.faults.append(Fault(what=what, where=self.where(name), mend=mend))

    def finish(self) -> None:
        """Raise all that was found wrong, if anything was."""
        if self.faults:
            raise InputError(self.faults)


def item_values(typed: TypedItem, knowledge: Knowledge, *, this_year: int) -> dict[str, Any]:
    """The values of an item that is new or wholly typed again; what is wrong stands in ``typed.faults``.

    Args:
        typed: Its fields; :data:`BASE_FIELDS` and the attributes of its kind.
        knowledge: Holds the kinds of capacitors.
        this_year: The last year in which a part can have been made.
    """
    attributes: dict[str, Any] = {}
    kind: Kind | None = None
    named = typed.text("kind")
    if named not in _NOT_SAID:
        kind = _caught(typed, lambda: named_kind(named, knowledge, where=typed.where("kind")))
    if typed.text("what") and (kind is not None or named in _NOT_SAID):
        said = _caught(typed, lambda: from_words(typed.text("what"), knowledge, kind=kind, where=typed.where("what")))
        if said is not None:
            kind, attributes = said
    for name in (name for name in typed.cells if name in ATTRIBUTES and typed.text(name) not in _NOT_SAID):
        value = _attribute(typed, name, this_year=this_year)
        if value is None:
            continue
        if name in attributes and attributes[name] != value:
            typed.fault(name, f"the words of the item say another {ATTRIBUTES[name].words}", "Give it once.")
        attributes[name] = value
    if kind is None and "capacitance_uf" in attributes:
        kind = kinds(knowledge)[CAPACITOR_UNSAID]
    if kind is None:
        if not typed.faults:
            mend = "Say resistor, fuse, tube, film, electrolytic ...; or type what it is: 47u 50V 105C."
            typed.fault("kind", "its kind is missing", mend)
        return {}
    for name in attributes:
        if name not in kind.attributes:
            mend = f"What is kept of it: {', '.join(ATTRIBUTES[one].words for one in kind.attributes)}."
            typed.fault(name, f"{_of_kind(kind)} has no {ATTRIBUTES[name].words} here", mend)
    values = {
        "sort": "tube" if kind.id == "tube" else "part",
        "kind": stored_kind(kind, knowledge),
        "attributes": _ordered(kind, attributes) | ({CAPACITOR_KIND: kind.id} if kind.is_capacitor else {}),
        "quantity": _whole(typed, "quantity", 1),
        "minimum": _whole(typed, "minimum", 0),
        **{name: _words(typed, name) for name in ("place", "supplier", "notes")},
        **_money(typed),
        "tube_id": _number(typed, "tube"),
    }
    values["name"] = _words(typed, "name") or made_name(kind.id, values["attributes"], knowledge)
    if typed.text("code"):
        values["code"] = _words(typed, "code")
    return values


def cells_of(item: Item) -> dict[str, str]:
    """An item as somebody would type it again: every field with its unit, read back by :func:`item_values`."""
    base = {
        "kind": item.kind,
        "name": item.name,
        "quantity": str(item.quantity),
        "minimum": str(item.minimum),
        "place": item.place,
        "cost": "" if item.cost is None else cell(item.cost),
        "currency": item.currency or "",
        "supplier": item.supplier,
        "tube": "" if item.tube_id is None else str(item.tube_id),
        "notes": item.notes,
    }
    return base | {name: typed_cell(name, value) for name, value in item.attributes.items() if name in ATTRIBUTES}


def typed_cell(name: str, value: object) -> str:
    """An attribute as somebody would type it, with its unit."""
    held = ATTRIBUTES[name]
    figure = held.value == "figure" and isinstance(value, int | float) and not isinstance(value, bool)
    return f"{cell(value)} {held.unit}" if figure else cell(value)


def edited_values(item: Item, typed: TypedItem, knowledge: Knowledge, *, this_year: int) -> dict[str, Any]:
    """The values of an item that was there before, from all its fields as typed now.

    A name that was made from what is known of it is made anew; attributes that this
    program doesn't know stay. What is wrong stands in ``typed.faults``.
    """
    values = item_values(typed, knowledge, this_year=this_year)
    if typed.faults:
        return values
    made = item.name == made_name(item.kind, item.attributes, knowledge)
    if made and typed.text("name") == item.name:
        kind = named_kind(typed.text("kind"), knowledge, where="kind")
        values["name"] = made_name(kind.id, values["attributes"], knowledge)
    strange = {name: value for name, value in item.attributes.items() if name not in ATTRIBUTES}
    values["attributes"] = {**values["attributes"], **strange}
    values.pop("code", None)
    return values


_NOT_IN_NAME: Final = frozenset({"made_year", "lead_mm", "height_mm", "ripple_a", "esr_ohm", "life_h", "mark"})


def made_name(kind: str, attributes: Mapping[str, object], knowledge: Knowledge) -> str:
    """What an item is called where nobody named it: what is known of it, the most telling first."""
    words = short_words(kind, {k: v for k, v in attributes.items() if k not in _NOT_IN_NAME}, kinds(knowledge))
    if kind == "tube":
        return str(attributes.get("label") or "") or "picture tube"
    mark = str(attributes.get("mark") or "")
    return ", ".join([mark, *words[:3]] if mark else words[:3])[:_LONGEST_TEXT]


def _of_kind(kind: Kind) -> str:
    return f"{'an' if kind.name[:1] in 'aeiou' else 'a'} {kind.name}"


def _ordered(kind: Kind, attributes: Mapping[str, Any]) -> dict[str, Any]:
    return {name: attributes[name] for name in kind.attributes if name in attributes}


def _caught(typed: TypedItem, work: Callable[[], Any]) -> Any:  # noqa: ANN401 - whatever the work gives
    """What the work gives, or None with its faults noted."""
    try:
        return work()
    except InputError as error:
        typed.faults += error.faults
        return None


def _words(typed: TypedItem, name: str) -> str:
    text = typed.text(name)
    most = _LONGEST.get(name, _LONGEST_TEXT)
    if len(text) > most:
        typed.fault(name, f"this has {len(text)} characters", f"Keep it to {most}.")
    return text


def _whole(typed: TypedItem, name: str, usual: int) -> int:
    found = _number(typed, name)
    return usual if found is None else found


def _number(typed: TypedItem, name: str) -> int | None:
    text = typed.text(name)
    if text in _NOT_SAID:
        return None
    if not (text.isascii() and text.isdigit()) or len(text) > 9 or int(text) > MOST_PIECES:
        typed.fault(name, f"“{text[:24]}” is no whole number up to {MOST_PIECES}", "Write digits only, such as 12.")
        return None
    return int(text)


def _money(typed: TypedItem) -> dict[str, Any]:
    cost, currency = None, typed.text("currency").upper()
    if typed.text("cost") not in _NOT_SAID:
        found = _caught(typed, lambda: parse_quantity(typed.text("cost"), kind="money", where=typed.where("cost")))
        cost = None if found is None else found.value
    if currency and not re.fullmatch(r"[A-Z]{3}", currency):
        typed.fault("currency", f"“{currency[:24]}” is no currency", "Write three letters, such as EUR.")
    return {"cost": cost, "currency": currency or None}


def _attribute(typed: TypedItem, name: str, *, this_year: int) -> Any:  # noqa: ANN401 - as varied as the fields
    raw, where = typed.cells[name], typed.where(name)
    return _caught(
        typed, lambda: attribute_value(name, raw, where=where, this_year=this_year, bare_unit=typed.bare_units)
    )


def attribute_value(
    name: str,
    raw: object,
    *,
    where: str,
    this_year: int,
    bare_unit: bool = False,
) -> Any:  # noqa: ANN401 - as varied as the fields
    """The value of one attribute as it is kept.

    Args:
        name: One of :data:`tubewright.answers.stock_kinds.ATTRIBUTES`.
        raw: As typed.
        where: The place, for messages.
        this_year: The last year in which a part can have been made.
        bare_unit: A bare capacitance is in microfarads, as the field's name says.

    Raises:
        InputError: It can't be read so.
    """
    held = ATTRIBUTES[name]
    if held.value == "tube":
        found = value_of(name, raw, where)
        # The records keep figures, words and yes or no; pins and emission are kept as they are typed.
        kept = ", ".join(f"{key} {cell(one)}" for key, one in found.items()) if isinstance(found, dict) else found
        if isinstance(kept, str) and len(kept) > _LONGEST_TEXT:
            raise _wrong(f"this has {len(kept)} characters", where, f"Keep it to {_LONGEST_TEXT}.")
        return kept
    text = str(raw).strip()
    match held.value:
        case "figure":
            return _figure(held, text, where, bare_unit=bare_unit)
        case "whole":
            return _year_or_count(name, text, where, this_year)
        case "yes_no":
            plain = text.casefold()
            if plain not in _YES | _NO:
                raise _wrong(f"“{text[:24]}” is neither yes nor no", where, "Write yes or no.")
            return plain in _YES
        case "choice":
            by_word = {one.casefold(): one for one in held.choices}
            if text.casefold() not in by_word:
                mend = f"It may be {', '.join(held.choices)}."
                raise _wrong(f"“{text[:24]}” is no {held.words}", where, mend)
            return by_word[text.casefold()]
        case _:
            if len(text) > _LONGEST_TEXT:
                raise _wrong(f"this has {len(text)} characters", where, f"Keep it to {_LONGEST_TEXT}.")
            return text


def cell(value: object) -> str:
    """An attribute as a cell or a field of a form holds it: readable by the same reader again."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, int | float):
        return str(int(value)) if float(value).is_integer() and abs(value) < 1e15 else repr(float(value))
    return str(value)


def _figure(held: Attribute, text: str, where: str, *, bare_unit: bool) -> float:
    typed = text.removeprefix("±").strip()
    if held.unit == "%":
        typed = typed.removesuffix("%").strip()
    if held.unit == "V/µs":
        typed = re.sub(r"\s*V/[uµμ]s$", "", typed)
    unit = _BASE_UNIT.get(held.quantity) if bare_unit else None
    value = parse_quantity(typed, kind=held.quantity, default_unit=unit, where=where).value
    if value <= 0:
        raise _wrong("this must be more than zero", where, "Leave it empty where it isn't known.")
    return value


def _year_or_count(name: str, text: str, where: str, this_year: int) -> int:
    if name == "made_year":
        if not (re.fullmatch(r"(19|20)[0-9]{2}", text) and int(text) <= this_year):
            raise _wrong(f"“{text[:24]}” is no year up to {this_year}", where, "Write it in four digits: 2019.")
    elif not re.fullmatch(r"[1-9][0-9]{0,3}", text):
        raise _wrong(f"“{text[:24]}” is no whole number", where, "Write digits only, such as 4.")
    return int(text)


def _wrong(what: str, where: str, mend: str) -> InputError:
    return InputError(Fault(what=what, where=where, mend=mend))


def unknown_field(name: str, where: str) -> Fault | None:
    """The fault of a field that isn't there, where one that is looks like it."""
    known = (*BASE_FIELDS, *ATTRIBUTES)
    plain = name.casefold().strip().replace(" ", "_")
    near = [one for one in known if one.startswith(f"{plain}_")] or get_close_matches(plain, known, n=2, cutoff=0.75)
    if not near:
        return None
    return Fault(what=f"there is no field “{name[:40]}”", where=where, mend=f"Did you mean {' or '.join(near)}?")
