"""What a part is, from a few words as people write them on a bag: ``47u 50V 105C low esr 5mm pitch``."""

from __future__ import annotations

import re
from typing import Any, Final

from tubewright.answers.capacitor import part_from_words
from tubewright.answers.stock_kinds import ATTRIBUTES, CAPACITOR_UNSAID, Kind, kinds
from tubewright.errors import Fault, InputError
from tubewright.knowledge.model import Knowledge
from tubewright.quantity import parse_quantity

_FROM_PART: Final = {
    # field of a capacitor as people write it: attribute of the stock
    "capacitance_uf": "capacitance_uf",
    "rated_v": "voltage_v",
    "polar": "polar",
    "temperature_c": "temp_c",
    "ripple_a": "ripple_a",
    "esr_ohm": "esr_ohm",
    "pulse_v_per_us": "pulse_v_per_us",
    "safety_class": "safety_class",
    "tolerance_percent": "tolerance_percent",
    "life_hours": "life_h",
    "height_mm": "height_mm",
}
_PITCH: Final = re.compile(
    r"(?<!\w)(?:(?:pitch|leads?|rm|raster)\s*(?P<a>[0-9]+(?:[.,][0-9]+)?)\s*(?:mm)?"
    r"|(?P<b>[0-9]+(?:[.,][0-9]+)?)\s*mm\s*(?:pitch|leads?|apart|raster))(?!\w)",
    re.IGNORECASE,
)
_UNITS: Final = re.compile(r"%|[A-Za-zµμΩ°]{1,5}")


def from_words(words: str, knowledge: Knowledge, *, kind: Kind | None, where: str) -> tuple[Kind, dict[str, Any]]:
    """Kind and attributes from what somebody wrote: ``47u 50V 105C low esr 5mm pitch``, ``resistor 4k7 0.5W 5%``.

    Args:
        words: In any order; decimal commas and units as people write them.
        knowledge: Holds the kinds of capacitors.
        kind: Where it is known already.
        where: The place, for messages.

    Raises:
        InputError: Something in it is not understood, or nothing says what it is.
    """
    text = words.strip()[:300]
    if kind is None:
        kind, text = _leading_kind(text, knowledge)
    if kind is None or kind.is_capacitor:
        return _capacitor(text, knowledge, kind, where)
    if kind.id == "tube":
        return kind, {"label": text} if text else {}
    return kind, _plain_part(text, kind, where)


def _leading_kind(text: str, knowledge: Knowledge) -> tuple[Kind | None, str]:
    """The kind that a word names, where it is none of a capacitor's; and the rest."""
    known = [one for one in kinds(knowledge).values() if not one.is_capacitor]
    for kind in known:
        for word in sorted((kind.id, kind.name, *kind.words), key=len, reverse=True):
            if len(word) < 2:
                continue
            found = re.search(rf"(?<![\w-]){re.escape(word)}s?(?![\w-])", text, re.IGNORECASE)
            if found:
                return kind, " ".join((text[: found.start()] + " " + text[found.end() :]).split())
    return None, text


def _capacitor(text: str, knowledge: Knowledge, kind: Kind | None, where: str) -> tuple[Kind, dict[str, Any]]:
    attributes: dict[str, Any] = {}
    rest = re.sub(r"(?<=[0-9uµμnpFf])/(?=[0-9])", " ", text)
    pitch = _PITCH.search(rest)
    if pitch:
        typed = (pitch["a"] or pitch["b"]).replace(",", ".")
        attributes["lead_mm"] = parse_quantity(typed, kind="millimetres", where=where).value
        rest = f"{rest[: pitch.start()]} {rest[pitch.end() :]}"
    polar = re.search(r"(?<![\w-])(non-?polar|np|bipolar|bp)(?![\w-])", rest, re.IGNORECASE)
    part = part_from_words(" ".join(rest.split()), knowledge, where=where)
    if part.capacitance_uf is None and kind is None:
        mend = "Say what it is: 47u 50V 105C for a capacitor; resistor 4k7 0.5W; fuse 3.15A slow; tube M34AFA63X03."
        raise _wrong("nothing in this says what it is", where, mend)
    for name, target in _FROM_PART.items():
        value = getattr(part, name)
        if value is not None and value != "":
            attributes[target] = value
    if part.kind and kind is not None and kind.id not in (part.kind, CAPACITOR_UNSAID):
        said = knowledge.capacitor_kinds[part.kind].name
        raise _wrong(f"the words say {said}, the kind says {kind.name}", where, "Give it once.")
    if polar and part.kind == "":
        attributes["polar"] = False
    known = kinds(knowledge)
    return known[part.kind] if part.kind else kind or known[CAPACITOR_UNSAID], attributes


def _plain_part(text: str, kind: Kind, where: str) -> dict[str, Any]:
    """Attributes of anything but a capacitor or a tube: figures by their units; what is left is the type."""
    found: dict[str, Any] = {}
    text = re.sub(r"(?<![\w./])1/([248])\s*W", lambda hit: f"{1 / int(hit[1]):g}W", text)
    tokens = text.replace("±", "").replace(";", " ").split()
    left: list[str] = []
    at = 0
    while at < len(tokens):
        joined = tokens[at] + tokens[at + 1] if at + 1 < len(tokens) and _UNITS.fullmatch(tokens[at + 1]) else ""
        if joined and re.fullmatch(r"[0-9.,]+", tokens[at]) and _take(joined, kind, found, where):
            at += 2
            continue
        if not _take(tokens[at], kind, found, where):
            left.append(tokens[at])
        at += 1
    if left and "mark" in kind.attributes:
        found["mark"] = " ".join(left)
    elif left and "package" in kind.attributes:
        found["package"] = " ".join(left)
    elif left:
        raise _wrong(f"“{' '.join(left)[:40]}” is not understood", where, "Put it into the notes.")
    return found


def _take(token: str, kind: Kind, found: dict[str, Any], where: str) -> bool:
    """Put a token into the attribute that understands it."""
    fuse = re.fullmatch(r"([TF])([0-9.,]+\s*m?A)", token) if kind.id == "fuse" else None
    if fuse:
        found["speed"] = "slow" if fuse[1] == "T" else "fast"
        token = fuse[2]
    for name in kind.attributes:
        held = ATTRIBUTES[name]
        if held.value == "choice" and token.casefold() in {one.casefold() for one in held.choices}:
            found[name] = token.casefold() if name != "safety_class" else token.upper()
            return True
        if held.value == "yes_no" and token.casefold() in held.words.split():
            found[name] = True
            return True
        # A bare number says nothing: it may be a type.
        if held.value == "figure" and name not in found and not re.fullmatch(r"[0-9.,]+", token):
            try:
                typed = token.removesuffix("%") if held.unit == "%" and token.endswith("%") else token
                if held.unit == "%" and typed == token:
                    continue
                value = parse_quantity(typed, kind=held.quantity, where=where).value
            except InputError:
                continue
            if value > 0:
                found[name] = value
                return True
    return False


def _wrong(what: str, where: str, mend: str) -> InputError:
    return InputError(Fault(what=what, where=where, mend=mend))
