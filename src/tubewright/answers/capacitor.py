"""Single capacitors answered: may this stand in for that, how long does it last, which value can be bought."""

from __future__ import annotations

import dataclasses
import re
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from typing import Any, Final

from tubewright.errors import Fault, InputError
from tubewright.judgement.capacitor_part import CapacitorPart
from tubewright.judgement.capacitor_wear import BoardPart, Life, Setting, life_of
from tubewright.judgement.recap import HAND_CAUTIONS
from tubewright.judgement.substitution import Substitution, Verdict, judge_substitution
from tubewright.knowledge.model import Knowledge
from tubewright.physics.preferred_values import SERIES, at_or_above, at_or_below, is_preferred, nearest
from tubewright.quantity import parse_quantity

VERDICT_WORDS: Final[Mapping[Verdict, str]] = {
    "fits": "It may stand there.",
    "fits_with_remark": "It may stand there; mind what is said.",
    "refused": "Don't fit it.",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SwapAnswer:
    """Whether one part may stand in for another, with the cautions of the place."""

    was: CapacitorPart
    new: CapacitorPart
    substitution: Substitution
    place_name: str
    words: str
    cautions: tuple[str, ...]


def swap(
    was: CapacitorPart, new: CapacitorPart, place: str, knowledge: Knowledge, *, stands_at_v: float | None = None
) -> SwapAnswer:
    """Whether ``new`` may stand in for ``was`` at a place, by its id.

    Raises:
        InputError: No such place (named ``place``).
    """
    at = named_place(place, knowledge)
    found = judge_substitution(was, new, at, knowledge, stands_at_v=stands_at_v)
    held = knowledge.capacitor_places[at]
    return SwapAnswer(
        was=was,
        new=new,
        substitution=found,
        place_name=held.name,
        words=VERDICT_WORDS[found.verdict],
        cautions=tuple(dict.fromkeys([*HAND_CAUTIONS, *held.cautions])),
    )


def swap_json(answer: SwapAnswer) -> dict[str, Any]:
    """The answer as JSON has it; the texts of its cautions are added by the door."""
    found = answer.substitution
    return {
        "verdict": found.verdict,
        "words": answer.words,
        "place": found.place,
        "objections": [
            {"dimension": one.dimension, "refuses": one.refuses, "words": one.words} for one in found.objections
        ],
        "rule": found.rule,
        "why": found.why,
        "was": dataclasses.asdict(answer.was),
        "new": dataclasses.asdict(answer.new),
    }


def named_place(typed: str, knowledge: Knowledge) -> str:
    """The id of a place by its id, its name or what people call it.

    Raises:
        InputError: No such place (named ``place``).
    """
    known = _names(knowledge.capacitor_places)
    found = known.get(_plain(typed))
    if found is not None:
        return found
    near = list(dict.fromkeys(known[name] for name in get_close_matches(_plain(typed), list(known), n=3, cutoff=0.6)))
    mend = f"Nearest are {', '.join(near)}." if near else f"Use one of {', '.join(knowledge.capacitor_places)}."
    raise InputError(Fault(what=f"no place is called “{typed[:40]}”", where="place", mend=mend))


_FIGURES: Final[tuple[tuple[str, str, str], ...]] = (
    # what follows a number (the longer first), the field, the kind of quantity
    (r"V/[uµμ]s", "pulse_v_per_us", "number"),
    (r"[uµμnp]F|mfd", "capacitance_uf", "capacitance"),
    (r"kV|V", "rated_v", "voltage"),
    (r"°?C", "temperature_c", "celsius"),
    (r"mA|A", "ripple_a", "current"),
    (r"mohm|mΩ|ohms?|Ω", "esr_ohm", "resistance"),
    (r"%", "tolerance_percent", "number"),
    (r"mm", "height_mm", "millimetres"),
    (r"hours|h", "life_hours", "hours"),
    (r"years|y", "made_years", "years"),
    (r"[uµμnp]", "capacitance_uf", "capacitance"),
)


def part_from_words(words: str, knowledge: Knowledge, *, where: str) -> CapacitorPart:
    """A capacitor from what somebody wrote of it: ``100uF 25V electrolytic 105C 850mA 0.2ohm``.

    Understood are capacitance, voltage, temperature class (C), ripple (A), ESR (ohm),
    tolerance (%), height (mm), rated hours (h), age (years), pulse rating (V/µs), a
    safety class (X2), and a kind. Their order doesn't matter.

    Raises:
        InputError: Something in it is not understood, or given twice.

    Example:
        >>> from tubewright.knowledge.load import load_knowledge
        >>> found = part_from_words("4u7 50V low leakage", load_knowledge(), where="new")
        >>> found.capacitance_uf, found.rated_v, found.kind
        (4.7, 50.0, 'electrolytic_low_leakage')
    """
    found: dict[str, Any] = {}
    faults: list[Fault] = []
    rest = words[:300]
    written = re.compile(r"(?<![\w.,])([0-9]+[uµμnp][0-9]+)(?!\w)")
    rest = written.sub(lambda hit: _take(hit[1], "capacitance_uf", "capacitance", found, faults, where), rest)
    for suffix, name, kind in _FIGURES:
        pattern = re.compile(
            rf"(?<![\w.,])([0-9]*[.,]?[0-9]+\s*k?)\s*({suffix})(?![\w/])", re.IGNORECASE if len(suffix) > 4 else 0
        )

        def taken(hit: re.Match[str], name: str = name, kind: str = kind) -> str:
            unit = "" if kind == "number" else hit[2]
            return _take(f"{hit[1].strip()}{unit}", name, kind, found, faults, where)

        rest = pattern.sub(taken, rest)
    safety = re.search(r"(?<!\w)([XY][1-4])(?!\w)", rest, re.IGNORECASE)
    if safety:
        found["safety_class"] = safety[1].upper()
    _kind_from(rest, safety[0] if safety else "", found, faults, knowledge, where)
    if faults:
        raise InputError(faults)
    return CapacitorPart(**found)


def _take(typed: str, name: str, kind: str, found: dict[str, Any], faults: list[Fault], where: str) -> str:
    """Put a figure into its field, and leave a blank where it stood."""
    if name in found:
        faults.append(Fault(what=f"“{typed}” says {name.rpartition('_')[0]} twice", where=where, mend="Give it once."))
        return " "
    try:
        found[name] = parse_quantity(typed, kind=kind, where=where).value
    except InputError as error:
        faults.extend(error.faults)
        return " "
    if not found[name] > 0:
        faults.append(Fault(what=f"“{typed}” must be more than zero", where=where, mend="Check the figure."))
    return " "


def _kind_from(
    rest: str, safety: str, found: dict[str, Any], faults: list[Fault], knowledge: Knowledge, where: str
) -> None:
    known = _names(knowledge.capacitor_kinds)
    typed = _plain(re.sub(r"[;,]", " ", rest.replace(safety, " ") if safety else rest))
    if typed in known:
        found["kind"] = known[typed]
    elif typed:
        # The longest name that stands in it; what is left over must be words about polarity.
        names = sorted((name for name in known if re.search(rf"(?<!\w){re.escape(name)}(?!\w)", typed)), key=len)
        left = _plain(typed.replace(names[-1], " ")) if names else typed
        if names:
            found["kind"] = known[names[-1]]
        words = [word for word in left.split() if word not in {"polar", "capacitor", "electrolytic", "cap"}]
        if words:
            near = get_close_matches(" ".join(words), list(known), n=3, cutoff=0.6)
            ids = list(dict.fromkeys(known[name] for name in near))
            mend = f"Nearest are {', '.join(ids)}." if ids else f"Kinds are {', '.join(knowledge.capacitor_kinds)}."
            faults.append(Fault(what=f"“{' '.join(words)[:40]}” is not understood", where=where, mend=mend))
    elif safety:
        found["kind"] = "film_safety" if safety.upper().startswith("X") else "ceramic_safety"


def _plain(text: str) -> str:
    return " ".join(text.replace("_", " ").casefold().split())


def _names(entries: Mapping[str, Any]) -> dict[str, str]:
    out: dict[str, str] = {}
    for entry in entries.values():
        for word in (entry.id, entry.name, *entry.words):
            out.setdefault(_plain(word), entry.id)
    return out


# --- life and values -----------------------------------------------------------------------


def lifetime(
    part: CapacitorPart,
    knowledge: Knowledge,
    setting: Setting,
    *,
    place: str = "",
    near_hot: bool = False,
    runs_c: float | None = None,
    flowing_a: float | None = None,
    stands_at_v: float | None = None,
) -> Life:
    """The life of one part and what is left of it.

    Raises:
        InputError: A kind that doesn't dry out or isn't known (named ``part``), or a temperature without sense.
    """
    kind = part.kind_in(knowledge)
    if kind is None or not kind.dries:
        what = "its kind is not known" if kind is None else f"{kind.name} doesn't dry out; the rule says nothing of it"
        raise InputError(Fault(what=what, where="part", mend="Name a wet electrolytic."))
    at = named_place(place, knowledge) if place else ""
    board = BoardPart(
        line=0,
        ref="",
        part=part,
        place=at,
        near_hot=near_hot,
        runs_c=runs_c,
        flowing_a=flowing_a,
        stands_at_v=stands_at_v,
    )
    found = life_of(board, setting, knowledge)
    assert found is not None  # noqa: S101  it dries, as was asked above
    return found


@dataclass(frozen=True, slots=True, kw_only=True)
class PreferredRow:
    """What one series has around a value, in the value's own unit, and how far off the nearest is."""

    series: str
    nearest_value: float
    below_value: float
    above_value: float
    off_percent: float
    holds: bool


def preferred(value: float) -> tuple[PreferredRow, ...]:
    """What every series of IEC 60063 has around a value; the nearest is by ratio.

    Raises:
        InputError: The value is not above zero (named ``value``).
    """
    if not value > 0 or value == float("inf"):
        raise InputError(Fault(what="this must be more than zero", where="value", mend="Check the figure."))
    rows = []
    for series in SERIES:
        near = float(nearest(value, series))
        rows.append(
            PreferredRow(
                series=series,
                nearest_value=near,
                below_value=float(at_or_below(value, series)),
                above_value=float(at_or_above(value, series)),
                off_percent=100 * (near / value - 1),
                holds=bool(is_preferred(value, series)),
            )
        )
    return tuple(rows)
