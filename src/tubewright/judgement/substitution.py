"""Whether a capacitor may stand in the place of another: every dimension looked at, every objection named.

The rules of each place are facts (``[[capacitor_place]]``). What isn't known never
passes in silence: where it could hurt it refuses, elsewhere it becomes a remark.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from tubewright.judgement.capacitor_part import CapacitorPart, capacitance_words
from tubewright.knowledge.model import Knowledge
from tubewright.knowledge.parts import CapacitorKind, CapacitorPlace
from tubewright.physics.preferred_values import is_preferred

Verdict: TypeAlias = Literal["fits", "fits_with_remark", "refused"]
Dimension: TypeAlias = Literal[
    "place",
    "kind",
    "polarity",
    "capacitance",
    "voltage",
    "ripple",
    "esr",
    "temperature",
    "safety_class",
    "pulse",
    "tolerance",
    "size",
    "age",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class Objection:
    """Something against a substitution, or to be minded with it."""

    dimension: Dimension
    refuses: bool
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Substitution:
    """Whether one part may stand in for another at a place.

    Attributes:
        verdict: ``refused`` if any objection refuses.
        objections: the refusing ones first.
        place: id of the place.
        rule: the place's rule in words.
        why: what goes wrong otherwise.
    """

    verdict: Verdict
    objections: tuple[Objection, ...]
    place: str
    rule: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class _Swap:
    """The two parts and where they stand."""

    was: CapacitorPart
    new: CapacitorPart
    place: CapacitorPlace
    knowledge: Knowledge
    was_kind: CapacitorKind | None
    new_kind: CapacitorKind
    stands_at_v: float | None

    @property
    def safety(self) -> bool:
        """Whether this part stands between people and the mains."""
        by_kind = self.was_kind is not None and self.was_kind.safety
        return self.place.safety or by_kind or bool(self.was.safety_class)


def judge_substitution(
    was: CapacitorPart, new: CapacitorPart, place: str, knowledge: Knowledge, *, stands_at_v: float | None = None
) -> Substitution:
    """Whether ``new`` may stand where ``was`` stood.

    Args:
        was: The part that the set was made with.
        new: The candidate.
        place: id of a ``[[capacitor_place]]``.
        knowledge: Kinds, places and figures.
        stands_at_v: Direct voltage at the place, measured or from the set's papers.

    Returns:
        The verdict with every objection; a place that is never altered passes only
        the identical part.

    Raises:
        KeyError: The place or a kind is not in the knowledge.
    """
    at = knowledge.capacitor_places[place]
    new_kind = new.kind_in(knowledge)
    if new_kind is None:
        found: tuple[Objection, ...] = (
            _no("kind", "The candidate's kind is not known, so nothing can be said for it."),
        )
    else:
        swap = _Swap(
            was=was,
            new=new,
            place=at,
            knowledge=knowledge,
            was_kind=was.kind_in(knowledge),
            new_kind=new_kind,
            stands_at_v=stands_at_v,
        )
        looks = _UNTOUCHABLE if at.untouchable else _LOOKS
        found = tuple(objection for look in looks for objection in look(swap))
    found = tuple(sorted(found, key=lambda objection: not objection.refuses))
    refused = any(objection.refuses for objection in found)
    return Substitution(
        verdict="refused" if refused else "fits_with_remark" if found else "fits",
        objections=found,
        place=place,
        rule=at.rule,
        why=at.why,
    )


def _no(dimension: Dimension, words: str) -> Objection:
    return Objection(dimension=dimension, refuses=True, words=words)


def _mind(dimension: Dimension, words: str) -> Objection:
    return Objection(dimension=dimension, refuses=False, words=words)


# --- the part that is never altered --------------------------------------------------


def _identical(swap: _Swap) -> Iterator[Objection]:
    """Value, voltage, kind and pulse rating must be known of both and be the same."""
    was, new = swap.was, swap.new
    named: tuple[tuple[Dimension, str, float | None, float | None], ...] = (
        ("capacitance", "capacitance", was.capacitance_uf, new.capacitance_uf),
        ("voltage", "rated voltage", was.rated_v, new.rated_v),
    )
    for dimension, name, old, fresh in named:
        if old is None or fresh is None:
            yield _no(
                dimension, f"The {name} of {'the part that was' if old is None else 'the candidate'} is not known."
            )
        elif _differ(old, fresh):
            yield _no(
                dimension, f"Its {name} is not the same ({_shown(dimension, fresh)}, was {_shown(dimension, old)})."
            )
    if swap.was_kind is None:
        yield _no("kind", "The kind of the part that was is not known.")
    elif swap.was_kind.id != swap.new_kind.id:
        yield _no("kind", f"It is {swap.new_kind.name}; the part that was is {swap.was_kind.name}.")
    elif not swap.new_kind.pulse:
        yield _no("kind", f"{swap.new_kind.name.capitalize()} is not made for the pulses of a line stage.")
    same_mark = bool(was.mark) and was.mark.strip().casefold() == new.mark.strip().casefold()
    if was.pulse_v_per_us is not None and new.pulse_v_per_us is not None:
        if _above(was.pulse_v_per_us, new.pulse_v_per_us):
            yield _no("pulse", f"Its pulse rating is {new.pulse_v_per_us:g} V/µs; {was.pulse_v_per_us:g} is needed.")
    elif not same_mark:
        yield _no("pulse", "Nothing shows that its pulse rating is the same: give both, or the same maker's type.")
    if was.tolerance_percent is not None and (
        new.tolerance_percent is None or _above(new.tolerance_percent, was.tolerance_percent)
    ):
        yield _no("tolerance", f"Its tolerance is not shown to be {was.tolerance_percent:g} % or better.")
    if was.temperature_c is not None and (new.temperature_c is None or new.temperature_c < was.temperature_c):
        yield _no("temperature", f"Its temperature class is not shown to be {was.temperature_c:g} C or more.")
    yield _mind(
        "place",
        "Measure the new part before it goes in, power up at low B+ first, and measure the anode voltage. "
        "Only an identical part may go here.",
    )


def _differ(one: float, other: float) -> bool:
    # Printed values come through units and decimals; their last bits mean nothing.
    return not math.isclose(one, other, rel_tol=1e-9)


def _above(one: float, other: float) -> bool:
    return one > other and _differ(one, other)


def _shown(dimension: Dimension, value: float) -> str:
    return capacitance_words(value) if dimension == "capacitance" else f"{value:g} V"


# --- everything else -------------------------------------------------------------------


def _kind(swap: _Swap) -> Iterator[Objection]:
    place, new, was = swap.place, swap.new_kind, swap.was_kind
    if place.same_kind:
        if was is None:
            yield _no("kind", "The kind of the part that was is not known, and only the same may stand here.")
        elif was.id != new.id:
            yield _no("kind", f"It is {new.name}; only {was.name}, as the part that was, may stand here.")
        return
    if place.needs_low_esr and new.family == "electrolytic" and not new.low_esr:
        known = swap.new.esr_ohm is not None and swap.was.esr_ohm is not None
        if known:
            yield _mind("kind", "It is not sold as a low-ESR part; its ESR figure is what admits it.")
        else:
            yield _no("kind", "This place asks for a low-ESR part, or for an ESR figure that shows as much.")
    elif new.id not in place.kinds and not _follows(was, new):
        names = [swap.knowledge.capacitor_kinds[kind].name for kind in place.kinds]
        yield _no("kind", f"{new.name.capitalize()} has no place here; what has is {', or '.join(names)}.")
        return
    if was is None:
        yield _mind("kind", "The kind of the part that was is not known; look at it before you order.")
        return
    if new.family == "electrolytic" and was.family in {"film", "ceramic", "mica", "paper"}:
        yield _no("kind", f"The part that was is {was.name}; an electrolytic is no substitute for it.")
    elif new.family != "electrolytic" and new.grade < was.grade and was.family != "electrolytic":
        yield _no("kind", f"{new.name.capitalize()} is a poorer dielectric than {was.name}.")


def _follows(was: CapacitorKind | None, new: CapacitorKind) -> bool:
    """Whether a kind may follow another anywhere: its like, or film for paper."""
    return was is not None and (was.id == new.id or (was.family == "paper" and new.family == "film"))


def _leakage(swap: _Swap) -> Iterator[Objection]:
    place, new, was = swap.place, swap.new_kind, swap.was_kind
    if place.needs_low_leakage and not new.low_leakage:
        if was is not None and was.low_leakage:
            yield _no("kind", f"The part that was is {was.name}, chosen for its low leakage; this is not.")
        else:
            yield _mind("kind", "A low-leakage part, or film where it fits, is better here than an ordinary one.")
    if new.id == "tantalum":
        ratio = swap.knowledge.value("capacitor_tantalum_ratio")
        at = swap.stands_at_v
        if at is not None and swap.new.rated_v is not None and swap.new.rated_v < ratio * at:
            yield _no("voltage", f"A tantalum part fails as a short: at {at:g} V take one of {ratio * at:g} V or more.")
        elif at is None and (was is None or was.id != "tantalum"):
            yield _mind("voltage", f"A tantalum part fails as a short: rate it at {ratio:g} times the voltage there.")


def _polarity(swap: _Swap) -> Iterator[Objection]:
    was, new = swap.was.is_polar(swap.knowledge), swap.new.is_polar(swap.knowledge)
    if new is False:
        return
    if swap.place.polarity == "non_polar" or was is False:
        yield _no(
            "polarity", "A polar part has no place where the part that was is not polar, or the voltage turns round."
        )
    elif was is None and swap.place.polarity == "either":
        yield _no("polarity", "Whether the part that was is polar is not known. Look at its marking or the drawing.")


def _capacitance(swap: _Swap) -> Iterator[Objection]:
    was, new, place = swap.was.capacitance_uf, swap.new.capacitance_uf, swap.place
    if was is None or new is None:
        which = "the part that was" if was is None else "the candidate"
        yield _no("capacitance", f"The capacitance of {which} is not known.")
        return
    least, most = window(place, was, swap.knowledge, safety=swap.safety)
    ratio = new / was
    if _above(ratio, most) or _above(least, ratio):
        side = "more" if ratio > 1 else "less"
        yield _no(
            "capacitance",
            f"{capacitance_words(new)} is {side} than may stand for {capacitance_words(was)} here "
            f"({100 * least:.3g} to {100 * most:.3g} %).",
        )
    elif _differ(was, new):
        kept = place.least_ratio > ratio
        yield _mind(
            "capacitance",
            f"{capacitance_words(new)} for {capacitance_words(was)}, {100 * (ratio - 1):+.0f} %: "
            + ("the successor of a value that is made no more." if kept else "within what this place takes."),
        )


def window(
    place: CapacitorPlace, capacitance_uf: float, knowledge: Knowledge, *, safety: bool = False
) -> tuple[float, float]:
    """The least and the most capacitance at a place, as ratios to the part that was.

    Where the value is a time, a value from before the preferred series may be followed
    by the preferred one just below it, never by a bigger one.
    """
    if place.untouchable:
        return 1.0, 1.0
    timed = place.needs_low_leakage and place.polarity == "either"
    if timed and not safety and not is_preferred(capacitance_uf, "E24"):
        return knowledge.value("capacitor_old_value_least_ratio"), place.most_ratio
    return place.least_ratio, place.most_ratio


def _voltage(swap: _Swap) -> Iterator[Objection]:
    was, new, at = swap.was.rated_v, swap.new.rated_v, swap.stands_at_v
    if swap.safety and was is None and new is None:
        return  # the class says what it bears
    if new is None:
        yield _no("voltage", "The candidate's rated voltage is not known.")
    elif was is None:
        yield _no(
            "voltage", "The rated voltage of the part that was is not known; nothing shows that this one bears it."
        )
    elif _above(was, new):
        yield _no("voltage", f"Its rated voltage, {new:g} V, is below that of the part that was, {was:g} V.")
    if at is not None and new is not None:
        margin = swap.knowledge.value("capacitor_rail_margin_ratio")
        if new < at:
            yield _no("voltage", f"{at:g} V stand there; {new:g} V is too little.")
        elif new < margin * at:
            yield _mind("voltage", f"{at:g} V stand there; {new:g} V leaves little for a high mains. Take the next.")


def _ripple(swap: _Swap) -> Iterator[Objection]:
    if swap.place.ripple == "none":
        return
    was, new = swap.was.ripple_a, swap.new.ripple_a
    if was is not None and new is not None:
        if _above(was, new):
            yield _no("ripple", f"It bears {new:g} A of ripple; the part that was bore {was:g} A.")
    elif was is not None:
        yield _mind("ripple", f"Its ripple current is not given; its data sheet must show {was:g} A or more.")
    elif swap.new_kind.family == "electrolytic":
        yield _mind("ripple", "The ripple current of the part that was is not known; take no smaller a can.")


def _esr(swap: _Swap) -> Iterator[Objection]:
    was, new = swap.was.esr_ohm, swap.new.esr_ohm
    if swap.place.ripple == "none" or was is None:
        return
    if new is None:
        if swap.place.needs_low_esr:
            yield _mind("esr", f"Its ESR is not given; its data sheet must show {was:g} ohm or less.")
    elif _above(new, was):
        yield _no("esr", f"Its ESR, {new:g} ohm, is above that of the part that was when new, {was:g} ohm.")


def _temperature(swap: _Swap) -> Iterator[Objection]:
    least = max(swap.was.temperature_c or 0.0, swap.place.least_c if swap.new_kind.dries else 0.0)
    new = swap.new.temperature_c
    if least <= 0:
        return
    if new is None:
        yield _mind("temperature", f"Its temperature class is not given; it must be {least:g} C or more.")
    elif _above(least, new):
        yield _no("temperature", f"It is a {new:g} C part; {least:g} C is needed.")


def _safety_class(swap: _Swap) -> Iterator[Objection]:
    if not swap.safety:
        return
    was, new = (part.safety_class.strip().upper() for part in (swap.was, swap.new))
    if not swap.new_kind.safety or not new:
        yield _no("safety_class", "Nothing shows that it is certified for this place; only an approved X or Y part is.")
    elif not was:
        yield _no("safety_class", "The class of the part that was is not known. Read it off the part or the drawing.")
    elif was != new:
        yield _no("safety_class", f"Its class is {new}; only the same class, {was}, may stand here.")


def _tolerance(swap: _Swap) -> Iterator[Objection]:
    was, new = swap.was.tolerance_percent, swap.new.tolerance_percent
    # Below this least ratio a place asks for enough capacitance and not for the value itself.
    if was is None or swap.place.least_ratio <= swap.knowledge.value("capacitor_old_value_least_ratio"):
        return
    if new is None:
        yield _mind("tolerance", f"Its tolerance is not given; the part that was had {was:g} %.")
    elif _above(new, was):
        yield _no("tolerance", f"Its tolerance, {new:g} %, is wider than {was:g} %, and the value matters here.")


def _size(swap: _Swap) -> Iterator[Objection]:
    was, new = swap.was, swap.new
    if was.height_mm is not None and new.height_mm is not None and _above(new.height_mm, was.height_mm):
        yield _mind(
            "size", f"It stands {new.height_mm:g} mm high, the part that was {was.height_mm:g} mm: try it first."
        )
    if (
        was.pitch_mm is not None
        and new.pitch_mm is not None
        and abs(new.pitch_mm - was.pitch_mm) > swap.knowledge.value("capacitor_pitch_mm")
    ):
        yield _mind("size", f"Its leads are {new.pitch_mm:g} mm apart, the holes {was.pitch_mm:g} mm.")


def _age(swap: _Swap) -> Iterator[Objection]:
    years = swap.new.made_years
    if years is None or not swap.new_kind.dries:
        return
    if years >= swap.knowledge.value("capacitor_claim_years"):
        yield _no("age", f"It is {years:g} years old itself; its seal is no better than the one it would replace.")
    elif years >= swap.knowledge.value("capacitor_shelf_years"):
        yield _mind(
            "age", f"It has lain {years:g} years: bring it to its rated voltage through a resistor, half an hour."
        )


_Look: TypeAlias = Callable[[_Swap], Iterator[Objection]]
_UNTOUCHABLE: Final[tuple[_Look, ...]] = (_identical,)
_LOOKS: Final[tuple[_Look, ...]] = (
    _safety_class,
    _kind,
    _leakage,
    _polarity,
    _capacitance,
    _voltage,
    _ripple,
    _esr,
    _temperature,
    _tolerance,
    _size,
    _age,
)
