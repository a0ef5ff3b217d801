"""What a shop keeps on its shelf: sorts and kinds of items, and the attributes by which each kind is told apart.

A capacitor's kinds are those of the knowledge, so that what lies on the shelf can be
held against the rules of a place. A tube's attributes are those by which donors are
compared (:class:`tubewright.answers.donor.Tube`).
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Final, Literal, TypeAlias

from tubewright.errors import Fault, InputError
from tubewright.judgement.capacitor_part import capacitance_words
from tubewright.knowledge.model import Knowledge

Value: TypeAlias = Literal["figure", "text", "yes_no", "choice", "whole", "tube"]
"""How an attribute is written; ``tube`` is a field of a tube on a shelf list."""

SAFETY_CLASSES: Final = ("X1", "X2", "X3", "Y1", "Y2", "Y3", "Y4")


@dataclass(frozen=True, slots=True, kw_only=True)
class Attribute:
    """One thing that is known of an item.

    Attributes:
        name: as it is kept, with its unit at the end.
        words: as a person says it.
        value: how it is written.
        quantity: kind of quantity of a figure.
        unit: printed after the figure.
        choices: what a choice may be.
        hint: how to type it.
    """

    name: str
    words: str
    value: Value = "figure"
    quantity: str = ""
    unit: str = ""
    choices: tuple[str, ...] = ()
    hint: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Kind:
    """One kind of item: its id, its name, what people also call it, its attributes in their order."""

    id: str
    name: str
    words: tuple[str, ...]
    attributes: tuple[str, ...]
    is_capacitor: bool = False


Kinds: TypeAlias = Mapping[str, Kind]
"""Kinds by their id, as :func:`kinds` gives them."""


def _figure(name: str, words: str, quantity: str, unit: str, hint: str = "") -> Attribute:
    return Attribute(name=name, words=words, quantity=quantity, unit=unit, hint=hint)


def _tube(name: str, words: str, unit: str = "", hint: str = "") -> Attribute:
    return Attribute(name=name, words=words, value="tube", unit=unit, hint=hint)


_ALL: Final = (
    _figure("capacitance_uf", "capacitance", "capacitance", "µF", "47u, 4u7, 470 nF"),
    _figure("voltage_v", "rated voltage", "voltage", "V"),
    _figure("temp_c", "temperature class", "celsius", "C"),
    _figure("tolerance_percent", "tolerance", "number", "%"),
    _figure("ripple_a", "ripple current", "current", "A", "850 mA"),
    _figure("esr_ohm", "ESR when new", "resistance", "ohm"),
    _figure("lead_mm", "lead spacing", "millimetres", "mm"),
    _figure("height_mm", "height", "millimetres", "mm"),
    _figure("life_h", "rated life", "hours", "h"),
    _figure("pulse_v_per_us", "pulse rating", "number", "V/µs"),
    _figure("resistance_ohm", "resistance", "resistance", "ohm", "4k7"),
    _figure("power_w", "power", "watts", "W"),
    _figure("current_a", "current", "current", "A"),
    _figure("inductance_mh", "inductance", "inductance", "mH"),
    _figure("recovery_us", "recovery time", "microseconds", "µs", "50 ns"),
    Attribute(name="polar", words="polar", value="yes_no"),
    Attribute(name="fusible", words="fusible and flameproof", value="yes_no"),
    Attribute(name="safety_class", words="safety class", value="choice", choices=SAFETY_CLASSES),
    Attribute(name="polarity", words="polarity", value="choice", choices=("npn", "pnp", "n-channel", "p-channel")),
    Attribute(name="speed", words="speed", value="choice", choices=("fast", "slow")),
    Attribute(name="ways", words="ways", value="whole"),
    Attribute(name="made_year", words="made in", value="whole", hint="The year."),
    Attribute(name="package", words="package", value="text"),
    Attribute(name="chassis", words="made for", value="text", hint="Chassis or set."),
    Attribute(name="mark", words="type as printed", value="text"),
    _tube("label", "type as printed", hint="As on the tube: M34AFA63X03."),
    _tube("diagonal_cm", "diagonal", "cm"),
    _tube("size_is", "the diagonal is", hint="nominal or viewable"),
    _tube("picture", "picture", hint="colour or mono"),
    _tube("gun", "guns", hint="inline, delta, grille, mono"),
    _tube("face", "face", hint="flat, cylinder, sphere"),
    _tube("heater_v", "heater", "V"),
    _tube("heater_a", "heater current", "A"),
    _tube("neck_mm", "neck", "mm"),
    _tube("base", "base"),
    _tube("pins", "pins", hint="1 focus, 5 g1, 9 heater"),
    _tube("g1", "first grids", hint="common or split"),
    _tube("deflection_deg", "deflection angle", "degrees"),
    _tube("anode_max_kv", "anode voltage, rating", "kV"),
    _tube("anode_kv", "anode voltage, usual", "kV"),
    _tube("focus", "focus", hint="high, low, two, magnetic"),
    _tube("focus_percent", "focus over anode voltage", "%"),
    _tube("yoke", "its own yoke comes along", hint="yes or no"),
    _tube("line_mh", "line yoke", "mH"),
    _tube("line_ohm", "line yoke, resistance", "ohm"),
    _tube("field_mh", "field yoke", "mH"),
    _tube("field_ohm", "field yoke, resistance", "ohm"),
    _tube("mount", "mounting", hint="ears or bolts"),
    _tube("bolts_wide_mm", "holes apart, across", "mm"),
    _tube("bolts_high_mm", "holes apart, upright", "mm"),
    _tube("band", "protection band", hint="tension, shell, bonded, loose, none"),
    _tube("neck_state", "neck is", hint="sound or cracked"),
    _tube("getter", "getter", hint="silver, white, clear, unseen"),
    _tube("emission", "emission", hint="red 0.8, green 0.75, blue 70 %: relative to a good gun"),
    _tube("burn", "light lost in the worst spot", hint="0.08 or 8 %"),
    _tube("service_hours", "hours run", "h"),
    _tube("restorations", "restored before", hint="how often"),
)

ATTRIBUTES: Final[Mapping[str, Attribute]] = {one.name: one for one in _ALL}
"""Every attribute by its name."""

CAPACITOR: Final = (
    "capacitance_uf", "voltage_v", "temp_c", "polar", "tolerance_percent", "ripple_a", "esr_ohm", "lead_mm",
    "height_mm", "life_h", "safety_class", "pulse_v_per_us", "made_year", "mark",
)  # fmt: skip
TUBE: Final = (
    "label", "diagonal_cm", "size_is", "picture", "gun", "face", "heater_v", "heater_a", "neck_mm", "base", "pins",
    "g1", "deflection_deg", "anode_max_kv", "anode_kv", "focus", "focus_percent", "yoke", "line_mh", "line_ohm",
    "field_mh", "field_ohm", "mount", "bolts_wide_mm", "bolts_high_mm", "band", "neck_state", "getter", "emission",
    "burn", "service_hours", "restorations", "made_year",
)  # fmt: skip

CAPACITOR_UNSAID: Final = "capacitor"
"""Id of the kind of a capacitor of which nobody said the kind; no rule lets it stand in for anything."""

_OTHERS: Final = (
    Kind(
        id=CAPACITOR_UNSAID, name="capacitor, kind not said", words=("cap", "c"), attributes=CAPACITOR,
        is_capacitor=True,
    ),
    Kind(
        id="resistor", name="resistor", words=("res", "r"),
        attributes=("resistance_ohm", "power_w", "tolerance_percent", "voltage_v", "fusible", "lead_mm", "mark"),
    ),
    Kind(
        id="transistor", name="transistor", words=("fet", "mosfet", "bjt"),
        attributes=("mark", "polarity", "voltage_v", "current_a", "power_w", "package"),
    ),
    Kind(id="diode", name="diode", words=("rectifier", "zener"),
         attributes=("mark", "voltage_v", "current_a", "recovery_us", "package")),
    Kind(id="ic", name="integrated circuit", words=("chip", "integrated circuit"), attributes=("mark", "package")),
    Kind(id="coil", name="coil", words=("choke", "inductor"),
         attributes=("inductance_mh", "current_a", "resistance_ohm", "mark")),
    Kind(id="transformer", name="transformer", words=("flyback", "line output transformer"),
         attributes=("mark", "chassis")),
    Kind(id="fuse", name="fuse", words=(), attributes=("current_a", "speed", "voltage_v", "package")),
    Kind(id="connector", name="connector", words=("plug", "socket"), attributes=("ways", "lead_mm", "mark")),
    Kind(id="tube", name="picture tube", words=("crt", "picture tube"), attributes=TUBE),
    Kind(id="other", name="other part", words=(), attributes=("mark", "chassis", "package")),
)  # fmt: skip


def kinds(knowledge: Knowledge) -> dict[str, Kind]:
    """Every kind by its id: the capacitors of the knowledge first, then the others."""
    held = {
        one.id: Kind(id=one.id, name=one.name, words=one.words, attributes=CAPACITOR, is_capacitor=True)
        for one in knowledge.capacitor_kinds.values()
    }
    return held | {one.id: one for one in _OTHERS}


CAPACITOR_KIND: Final = "capacitor_kind"
"""Name of the attribute that says a capacitor's exact kind; the records sort it by its family."""
_STORED_FAMILIES: Final = frozenset({"electrolytic", "film", "ceramic"})


def stored_kind(kind: Kind, knowledge: Knowledge) -> str:
    """How the records sort an item of this kind: a capacitor by its family, others by their kind."""
    if not kind.is_capacitor:
        return kind.id
    held = knowledge.capacitor_kinds.get(kind.id)
    return held.family if held is not None and held.family in _STORED_FAMILIES else "other"


def exact_kind(stored: str, attributes: Mapping[str, object]) -> str:
    """The id of an item's kind, from what the records hold of it."""
    said = attributes.get(CAPACITOR_KIND)
    if isinstance(said, str) and said:
        return said
    return CAPACITOR_UNSAID if stored == "film" else stored


def named_kind(typed: str, knowledge: Knowledge, *, where: str) -> Kind:
    """The kind of that id, name or usual word.

    Raises:
        InputError: There is none; the nearest are offered.
    """
    known = kinds(knowledge)
    words: dict[str, str] = {}
    for kind in known.values():
        for word in (kind.id, kind.name, *kind.words):
            words.setdefault(_plain(word), kind.id)
    found = words.get(_plain(typed))
    if found is not None:
        return known[found]
    near = list(dict.fromkeys(words[one] for one in get_close_matches(_plain(typed), list(words), n=3, cutoff=0.6)))
    mend = f"Nearest are {', '.join(near)}." if near else f"Use one of {', '.join(known)}."
    raise InputError(Fault(what=f"no kind of item is called “{typed[:40]}”", where=where, mend=mend))


def _plain(text: str) -> str:
    return " ".join(text.replace("_", " ").casefold().split())


def attribute_words(name: str, value: object) -> str:
    """One attribute's value as it is printed: ``47 µF``, ``29.1 mm``, ``yes``."""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return _figure_words(name, value) if isinstance(value, int | float) else str(value)


def _figure_words(name: str, value: float) -> str:
    held = ATTRIBUTES.get(name)
    unit = held.unit if held else ""
    if name == "capacitance_uf" and math.isfinite(value) and value > 0:
        return capacitance_words(float(value))
    if name == "recovery_us" and value < 1:
        return f"{_number(1000 * value)} ns"
    return _ohm(float(value)) if unit == "ohm" else f"{_number(value)} {unit}".strip()


def _ohm(value: float) -> str:
    for unit, scale in (("Mohm", 1e6), ("kohm", 1e3)):
        if value >= scale:
            return f"{_number(value / scale)} {unit}"
    return f"{_number(value)} ohm"


def _number(value: float) -> str:
    return str(int(value)) if float(value).is_integer() and abs(value) < 1e15 else f"{value:.6g}"


_SELF_TOLD: Final = frozenset(
    {"capacitance_uf", "voltage_v", "temp_c", "resistance_ohm", "power_w", "current_a", "mark", "polarity", "package"}
)
_SHORT: Final[Mapping[str, str]] = {
    "tolerance_percent": "±{}", "ripple_a": "ripple {}", "esr_ohm": "ESR {}", "lead_mm": "leads {} apart",
    "height_mm": "{} high", "life_h": "{} rated", "safety_class": "class {}", "made_year": "of {}",
    "recovery_us": "recovers in {}", "ways": "{} ways",
}  # fmt: skip


def short_words(kind: str, attributes: Mapping[str, object], known_kinds: Kinds) -> tuple[str, ...]:
    """What is known of an item in a few words each, the kind among them; of a tube, what a donor is told by first."""
    known = known_kinds.get(kind)
    if known is not None and known.id == "tube":
        names = ("label", "diagonal_cm", "gun", "heater_v", "neck_mm", "deflection_deg", "anode_max_kv", "base")
        told = [name for name in names if name in attributes]
        return tuple(
            attribute_words(name, attributes[name])
            if name in ("label", "diagonal_cm", "gun", "base")
            else f"{ATTRIBUTES[name].words} {attribute_words(name, attributes[name])}"
            for name in told
        )
    named = known.name if known is not None else kind
    return tuple(_shortened(named, known, attributes))


def _shortened(named: str, kind: Kind | None, attributes: Mapping[str, object]) -> Iterator[str]:
    order = kind.attributes if kind is not None else tuple(attributes)
    head = [name for name in ("capacitance_uf", "resistance_ohm", "inductance_mh") if name in attributes]
    head += [name for name in ("voltage_v",) if name in attributes and head]
    if head:
        yield " ".join(attribute_words(name, attributes[name]) for name in head)
    yield named
    for name in order:
        if name not in attributes or name in head:
            continue
        value = attributes[name]
        if isinstance(value, bool):
            if name == "polar":
                if kind is None or (kind.is_capacitor and not value and kind.id != "electrolytic_bipolar"):
                    yield "not polar"
                continue
            if value:
                yield ATTRIBUTES[name].words
        elif name == "speed" and kind is not None and kind.id == "fuse":
            yield str(value)
        elif name in _SELF_TOLD:
            yield attribute_words(name, value)
        else:
            yield _SHORT.get(name, f"{ATTRIBUTES[name].words if name in ATTRIBUTES else name} {{}}").format(
                attribute_words(name, value)
            )
