"""What the type label of a picture tube says by the registration bodies' grammars, and what it can't say.

A label is divided in every way that a grammar allows; each way is a reading with its
grammar. Where none fits, :func:`nearest` says how far each grammar gets and what stands
in its way. Nothing is guessed: a letter that the facts don't name stays without meaning.

>>> from tubewright.knowledge.load import load_knowledge
>>> (reading,) = decode_label("m34 afa63-x03", load_knowledge()).readings
>>> reading.written, reading.use, reading.diagonal_cm, reading.picture
('M34AFA63X03', 'monitor', 34.0, 'colour')
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from tubewright.knowledge.model import Knowledge, LabelGrammar, LabelPhosphor, SourceKind

Picture: TypeAlias = Literal["colour", "mono", ""]

NEVER_TOLD: Final = (
    "heater voltage and current",
    "base and pinout",
    "kind of gun, and whether its first grids are joined",
    "deflection angle",
    "neck diameter",
    "anode rating",
)
"""What no grammar puts into a label: look the type up in its data sheet, or measure."""

_LONGEST: Final = 40
_DASHES: Final = re.compile("[\u2010-\u2015\u2212_/.]")
_GROUP: Final = re.compile(r"\(\?P<(?P<name>\w+)>(?P<pattern>[^()]*)\)|(?P<plain>[^()]+)")
_OLD_EIA_LETTERS: Final = "V"


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelPart:
    """One part of a label: its name in the grammar, what stands there, what it means, and how sure that is.

    ``means`` is empty where a part has no meaning or none that the facts name.
    """

    name: str
    text: str
    means: str
    kind: SourceKind


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelReading:
    """One way to read a label.

    Attributes:
        grammar: id of the grammar.
        grammar_name: the register in words.
        kind: whether the grammar is published or from memory.
        source: key of its source.
        written: the label as the grammar writes it.
        use: what the tube was registered for; empty where the grammar doesn't say.
        diagonal_cm: the size, cm.
        diagonal_in: the same, inches.
        size_is: whether that is the nominal size (of the bulb) or the viewable diagonal.
        sold_as_in: inches that such tubes were sold as, where the facts name them.
        family: the letters of family or registration.
        picture: colour or mono; empty where it can't be told.
        phosphor: the registered phosphor (``P22``), where it can be named.
        light: what it looks like, in words.
        equivalents: what other registers call it, by grammar.
        neck: digits of parts fitted to the neck.
        parts: every part in order.
        remarks: what to know about this reading.
        unusual: whether another reading of the same text is the usual one.
    """

    grammar: str
    grammar_name: str
    kind: SourceKind
    source: str
    written: str
    use: str
    diagonal_cm: float
    diagonal_in: float
    size_is: Literal["nominal", "viewable"]
    sold_as_in: float | None
    family: str
    picture: Picture
    phosphor: str
    light: str
    equivalents: Mapping[str, str]
    neck: str
    parts: tuple[LabelPart, ...]
    remarks: tuple[str, ...]
    unusual: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelMiss:
    """How far a grammar gets on a label that it doesn't fit: what fits, what should follow, what stands there."""

    grammar: str
    grammar_name: str
    example: str
    fits: str
    wanted: str
    found: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class LabelDecoded:
    """A label with all its readings, the usual one first; without any, the nearest grammars with what doesn't fit."""

    asked: str
    readings: tuple[LabelReading, ...]
    misses: tuple[LabelMiss, ...]
    never_told: tuple[str, ...] = NEVER_TOLD


def tidy_label(text: str) -> str:
    """A label without spaces, in capitals, every kind of dash a hyphen."""
    plain = unicodedata.normalize("NFKC", text)
    return _DASHES.sub("-", re.sub(r"\s+", "", plain)).upper().strip("-\"'")


def decode_label(text: str, knowledge: Knowledge) -> LabelDecoded:
    """Every reading of a tube type label.

    Hyphens count where they stand; where nothing fits so, the label is read without them.

    Args:
        text: As printed on the tube, in any case, with or without spaces.
        knowledge: Holds the grammars and what their letters mean.

    Returns:
        The readings, usual ones first, or the nearest grammars where there is none.
    """
    label = tidy_label(text)[:_LONGEST]
    readings = list(_readings(label, knowledge))
    if not readings and "-" in label:
        readings = list(_readings(label.replace("-", ""), knowledge))
    readings.sort(key=lambda one: (one.unusual, one.grammar))
    misses = () if readings else nearest(label.replace("-", ""), knowledge)
    return LabelDecoded(asked=text, readings=tuple(readings), misses=misses)


def grammar_parts(pattern: str) -> list[tuple[str, str]]:
    """A grammar's pattern as a row of parts: name and pattern; text between the groups has no name.

    Empty where the pattern isn't such a row (a shop's own may be any regular expression).
    """
    parts = [(m["name"] or "", m["pattern"] if m["name"] else m["plain"]) for m in _GROUP.finditer(pattern)]
    rebuilt = "".join(f"(?P<{name}>{part})" if name else part for name, part in parts)
    return parts if rebuilt == pattern else []


def divisions(label: str, pattern: str) -> list[dict[str, str]]:
    """Every way in which a pattern's groups can share a label out among them.

    Args:
        label: In capitals without spaces.
        pattern: Of a grammar.

    >>> divisions("5610X", "(?P<size>[0-9]{1,2})-?(?P<serial>[0-9]{2,3})(?P<screen>X)")
    [{'size': '56', 'serial': '10', 'screen': 'X'}, {'size': '5', 'serial': '610', 'screen': 'X'}]
    """
    parts = grammar_parts(pattern)
    if not parts:
        found = re.fullmatch(pattern, label)
        return [{name: held or "" for name, held in found.groupdict().items()}] if found else []
    return list(_divided(label, [(name, re.compile(part)) for name, part in parts]))


def _divided(rest: str, parts: list[tuple[str, re.Pattern[str]]]) -> Iterator[dict[str, str]]:
    if not parts:
        if not rest:
            yield {}
        return
    (name, pattern), *others = parts
    for length in range(len(rest), -1, -1):
        if pattern.fullmatch(rest, 0, length):
            for below in _divided(rest[length:], others):
                yield {name: rest[:length], **below} if name else below


def nearest(label: str, knowledge: Knowledge) -> tuple[LabelMiss, ...]:
    """How far each grammar gets on a label that none of them fits, those that get furthest first.

    Args:
        label: In capitals, without spaces and hyphens.
        knowledge: Holds the grammars.
    """
    reached = []
    for grammar in knowledge.labels.values():
        parts = grammar_parts(grammar.pattern)
        if not parts:
            continue
        at, count = _furthest(label, [(name, re.compile(part)) for name, part in parts])
        reached.append((at, count, _miss(label, grammar, parts, at, count)))
    best = max((at for at, _, _ in reached), default=0)
    if best == 0:
        return tuple(miss for _, _, miss in reached)
    reached.sort(key=lambda one: (-one[0], -one[1]))
    return tuple(miss for at, _, miss in reached if at >= max(1, best - 2))


def _furthest(rest: str, parts: list[tuple[str, re.Pattern[str]]]) -> tuple[int, int]:
    """How many characters and parts of a grammar fit from the start."""
    if not parts:
        return 0, 0
    best = (0, 0)
    for length in range(len(rest), -1, -1):
        if parts[0][1].fullmatch(rest, 0, length):
            at, count = _furthest(rest[length:], parts[1:])
            best = max(best, (length + at, 1 + count))
    return best


def _miss(label: str, grammar: LabelGrammar, parts: list[tuple[str, str]], at: int, count: int) -> LabelMiss:
    fits, found = label[:at], label[at:]
    if count == len(parts):
        wanted = "the end of the label"
    else:
        name, pattern = parts[count]
        wanted = grammar.fields.get(name) or f"“{pattern}”"
    after = f"after {fits} " if fits else "at its start "
    stands = f"not {found}" if found else "but the label ends there"
    words = f"{grammar.name}: {after}there should be: {wanted}; {stands}"
    return LabelMiss(
        grammar=grammar.id,
        grammar_name=grammar.name,
        example=grammar.example,
        fits=fits,
        wanted=wanted,
        found=found,
        words=words + _look_alike(found, parts[count][1] if count < len(parts) else ""),
    )


def _look_alike(found: str, pattern: str) -> str:
    """A reminder where a letter stands for a digit that looks like it, or the other way round."""
    if found[:1] in {"O", "I", "S", "B", "Z"} and r"\d" in pattern:
        return f"; look again whether {found[0]} is a digit"
    if found[:1] in {"0", "1", "5", "8", "2"} and "A-" in pattern:
        return f"; look again whether {found[0]} is a letter"
    return ""


def _readings(label: str, knowledge: Knowledge) -> Iterator[LabelReading]:
    for grammar in knowledge.labels.values():
        for held in divisions(label, grammar.pattern):
            size = held.get("size", "")
            if size.isdecimal() and int(size) > 0:
                yield _reading(held, grammar, knowledge)


def _reading(held: Mapping[str, str], grammar: LabelGrammar, knowledge: Knowledge) -> LabelReading:
    size = float(held["size"])
    cm = {"in": 2.54, "cm": 1.0, "mm": 0.1}[grammar.size_unit] * size
    phosphor, picture, told = _screen(held, grammar.id, knowledge)
    viewable = grammar.size_is == "viewable" or bool(held.get("viewable"))
    remarks = [words for words in (told, phosphor.note if phosphor else "") if words]
    remarks += _remarks(held, grammar)
    sizes = knowledge.label_sizes.values()
    sold = next((one.sold_as_in for one in sizes if grammar.id == "worldwide" and one.viewable_cm == size), None)
    return LabelReading(
        grammar=grammar.id,
        grammar_name=grammar.name,
        kind=grammar.kind,
        source=grammar.source,
        written=_written(held, grammar),
        use=_letters(grammar.id, "use", held.get("use", ""), knowledge)[0],
        diagonal_cm=round(cm, 2),
        diagonal_in=round(cm / 2.54, 2),
        size_is="viewable" if viewable else "nominal",
        sold_as_in=sold,
        family=held.get("family") or held.get("registration") or "",
        picture=picture,
        phosphor=phosphor.id if phosphor else "",
        light=phosphor.light if phosphor else _light(held, grammar.id, knowledge),
        equivalents=_equivalents(phosphor),
        neck=held.get("neck", ""),
        parts=tuple(_parts(held, grammar, phosphor, knowledge)),
        remarks=tuple(remarks),
        unusual=_unusual(held, grammar),
    )


def _parts(
    held: Mapping[str, str], grammar: LabelGrammar, phosphor: LabelPhosphor | None, knowledge: Knowledge
) -> Iterator[LabelPart]:
    viewable = "smallest viewable diagonal" if grammar.id == "worldwide" else "viewable diagonal"
    is_viewable = grammar.size_is == "viewable" or held.get("viewable")
    for name, text in held.items():
        if not text:
            continue
        means, kind = _letters(grammar.id, name, text, knowledge)
        if name == "size":
            means = f"{viewable if is_viewable else 'nominal size'}, {grammar.size_unit}"
        elif name in ("phosphor", "screen") and phosphor is not None:
            means, kind = phosphor.light, phosphor.kind
        yield LabelPart(
            name=name, text=text, means=means or grammar.fields.get(name, ""), kind=_weaker(kind, grammar.kind)
        )


def _weaker(kind: SourceKind | None, of_grammar: SourceKind) -> SourceKind:
    """A part is as sure as the less sure of its meaning and its grammar."""
    return kind if kind is not None and of_grammar == "published" else of_grammar


def _letters(grammar: str, part: str, letters: str, knowledge: Knowledge) -> tuple[str, SourceKind | None]:
    """What letters mean in a part of a grammar, and how sure that is."""
    for entry in knowledge.label_letters.values():
        if (entry.grammar, entry.part) == (grammar, part) and entry.letters == letters:
            return entry.means, entry.kind
    return "", None


def _screen(held: Mapping[str, str], grammar: str, knowledge: Knowledge) -> tuple[LabelPhosphor | None, Picture, str]:
    """The phosphor, colour or mono, and what is to be said of it."""
    if grammar == "worldwide":
        return _worldwide_screen(held, knowledge)
    known = knowledge.label_phosphors
    if held.get("phosphor", "").isdecimal():
        number = f"P{int(held['phosphor'])}"
        phosphor = known.get(number)
        told = "" if phosphor else f"{number} is not among the phosphors known here."
        return phosphor, phosphor.picture if phosphor else "", told
    letters = held.get("screen", "")
    if grammar == "european_earlier" and letters not in ("W", "X"):
        return None, "mono", ""
    phosphor = next((one for one in known.values() if letters and one.european == letters), None)
    picture: Picture = phosphor.picture if phosphor else "mono" if letters and letters[0] != "X" else ""
    return phosphor, picture, ""


def _worldwide_screen(held: Mapping[str, str], knowledge: Knowledge) -> tuple[LabelPhosphor | None, Picture, str]:
    letters = held["phosphor"]
    phosphor = next((one for one in knowledge.label_phosphors.values() if one.worldwide == letters), None)
    picture: Picture = "mono" if len(held["member"]) == 1 else "colour"
    if (len(letters) == 1) != (picture == "colour"):
        told = (
            f"The member number says {picture}, the number of letters for the screen says the other: look at the tube."
        )
        return phosphor, "", told
    told = (
        "" if phosphor else f"Screen {letters} is neither P22 nor P4; the worldwide list of other screens isn't here."
    )
    return phosphor, picture, told


def _light(held: Mapping[str, str], grammar: str, knowledge: Knowledge) -> str:
    """What an unlisted screen looks like, from its first letter."""
    letters = held.get("screen", "")
    return _letters(grammar, "screen", letters, knowledge)[0] or _letters(grammar, "screen", letters[:1], knowledge)[0]


def _equivalents(phosphor: LabelPhosphor | None) -> dict[str, str]:
    if phosphor is None:
        return {}
    named = {"EIA": phosphor.id, "European": phosphor.european, "worldwide": phosphor.worldwide}
    return {register: letters for register, letters in named.items() if letters}


def _written(held: Mapping[str, str], grammar: LabelGrammar) -> str:
    if grammar.id in ("pro_electron", "european_earlier"):
        after = ("issue",) if grammar.id == "european_earlier" else ("serial", "screen")
        front = "".join(text for name, text in held.items() if name not in after)
        return f"{front}-{''.join(held[name] for name in after)}"
    literal = {"eia": "P", "eiaj": "B"}.get(grammar.id, "")
    return "".join((literal if name == "phosphor" else "") + text for name, text in held.items())


def _remarks(held: Mapping[str, str], grammar: LabelGrammar) -> Iterator[str]:
    if grammar.id == "worldwide":
        yield "The cm are the viewable diagonal; the inches in which such tubes were sold are more."
        if len(held["member"]) == 3:
            yield "Three digits of member are from memory; the published form has two for colour."
        if held.get("neck"):
            yield (
                "The digits at the end stand for parts on the neck, such as the yoke; each maker counts them anew, "
                "so equal digits of two makers say nothing."
            )
    if grammar.id == "eia":
        if held.get("viewable"):
            yield "V after the inches: they are the viewable diagonal."
        elif held["registration"].startswith(_OLD_EIA_LETTERS):
            yield "Read so, V is the first letter of the registration and the inches are those of the bulb."
        else:
            yield "Without a V the inches are those of the bulb; the viewable diagonal is less."
    if grammar.id == "european_earlier":
        yield "The cm may be rounded from the inches of the tube's first maker: measure."


def _unusual(held: Mapping[str, str], grammar: LabelGrammar) -> bool:
    """Whether another way to read the same text is the usual one."""
    if grammar.id == "eia":
        # V as viewable came with two and three letters; registrations of four letters are not known here.
        return (
            not held.get("viewable")
            and held["registration"].startswith(_OLD_EIA_LETTERS)
            and len(held["registration"]) > 1
        )
    if grammar.id in ("pro_electron", "european_earlier"):
        return len(held["size"]) == 1 and len(held.get("serial") or held["issue"]) > 2
    return False
