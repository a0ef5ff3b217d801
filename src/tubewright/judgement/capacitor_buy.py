"""What to buy for a capacitor: kind, preferred value, voltage, temperature class; and lines of an order."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

from tubewright.judgement.capacitor_part import CapacitorPart
from tubewright.judgement.substitution import Objection, judge_substitution, window
from tubewright.knowledge.model import Knowledge
from tubewright.knowledge.parts import CapacitorKind, CapacitorPlace
from tubewright.physics.preferred_values import Series, at_or_above, at_or_below


@dataclass(frozen=True, slots=True, kw_only=True)
class Buy:
    """A part to order: ``spec`` is the least it must be; ``minds`` what to mind with it."""

    spec: CapacitorPart
    minds: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderLine:
    """Equal parts together: how many, for which places on the board.

    ``least_ripple_a``, ``most_esr_ohm`` and ``most_height_mm`` are the strictest of them.
    """

    count: int
    kind: str
    capacitance_uf: float
    rated_v: float | None
    temperature_c: float | None
    safety_class: str
    pitch_mm: float | None
    least_ripple_a: float | None
    most_esr_ohm: float | None
    most_height_mm: float | None
    refs: tuple[str, ...]


def what_to_buy(
    was: CapacitorPart, place: str, knowledge: Knowledge, *, stands_at_v: float | None = None, near_hot: bool = False
) -> Buy | tuple[Objection, ...]:
    """The part to order for one that was, or what stands against any.

    Args:
        was: The part on the board.
        place: id of its place, or "" where it isn't known: then it is judged as the strictest
            place for its kind that isn't safety-critical.
        knowledge: Kinds, places and figures.
        stands_at_v: Direct voltage there.
        near_hot: Whether it stands beside something hot.

    Returns:
        A part that :func:`judge_substitution` lets pass, or its objections.
    """
    kind = was.kind_in(knowledge)
    if kind is None or was.capacitance_uf is None:
        missing = "kind" if kind is None else "capacitance"
        words = f"The {missing} of the part that was is not known."
        return (Objection(dimension="kind" if kind is None else "capacitance", refuses=True, words=words),)
    at = place or usual_place(kind)
    where = knowledge.capacitor_places[at]
    if where.untouchable:
        return (Objection(dimension="place", refuses=True, words=where.rule),)
    least_v = _least_v(was, stands_at_v, knowledge)
    against: tuple[Objection, ...] = ()
    for bought in _kinds_to_buy(was, kind, where, knowledge):
        rated_v = next((volts for volts in bought.rated_v if least_v is not None and volts >= least_v), None)
        if rated_v is None and bought.rated_v:
            words = f"{bought.name.capitalize()} is not sold for so high a voltage."
            against = against or (Objection(dimension="voltage", refuses=True, words=words),)
            continue
        size, size_words = _value_to_buy(was.capacitance_uf, bought, where, knowledge, safety=bool(was.safety_class))
        if size is None:
            return (Objection(dimension="capacitance", refuses=True, words=size_words),)
        spec = CapacitorPart(
            kind=bought.id,
            capacitance_uf=size,
            rated_v=rated_v if bought.rated_v else was.rated_v,
            temperature_c=_class_to_buy(was, bought, where, knowledge),
            ripple_a=was.ripple_a,
            esr_ohm=was.esr_ohm,
            pulse_v_per_us=was.pulse_v_per_us,
            safety_class=was.safety_class,
            tolerance_percent=was.tolerance_percent,
            height_mm=was.height_mm,
            pitch_mm=was.pitch_mm,
        )
        found = judge_substitution(was, spec, at, knowledge, stands_at_v=stands_at_v)
        if found.verdict != "refused":
            minds = [objection.words for objection in found.objections]
            if near_hot and bought.dries:
                minds.append(
                    "Beside something hot: 125 C, or the longest rated hours to be had, and stood off the heat."
                )
            return Buy(spec=spec, minds=tuple(minds))
        against = against or tuple(objection for objection in found.objections if objection.refuses)
    return against


def usual_place(kind: CapacitorKind) -> str:
    """The place whose rules are taken where none is given: none looser for a part of this kind.

    An electrolytic is judged as on a rail that carries current, where it is polar; what
    isn't, as in a coupling, where the value must stay.
    """
    if kind.safety:
        return "mains_safety"
    if kind.id == "electrolytic_bipolar":
        return "non_polar"
    if kind.id == "ceramic_high_voltage":
        return "snubber"
    if kind.pulse:
        return "s_correction"
    if kind.family == "electrolytic" and not kind.low_leakage:
        return "rail"
    return "signal_coupling" if kind.family in {"film", "electrolytic", "paper"} else "decoupling"


def _kinds_to_buy(
    was: CapacitorPart, kind: CapacitorKind, place: CapacitorPlace, knowledge: Knowledge
) -> tuple[CapacitorKind, ...]:
    """Kinds to try in turn: what comes nearest to the part that was before what is dearer or larger."""
    kinds = knowledge.capacitor_kinds
    if place.same_kind:
        return (kind,)
    films = [name for name in place.kinds if kinds[name].family == "film"]
    if kind.family == "electrolytic" and (was.capacitance_uf or 0.0) > knowledge.value("capacitor_film_most_uf"):
        films = []
    if kind.family == "paper":
        names = [*films, "film_polyester"]
    elif kind.family != "electrolytic":
        names = [kind.id, *films]
    elif was.is_polar(knowledge) is False or place.polarity == "non_polar":
        names = [kind.id if not kind.polar else "electrolytic_bipolar", *films]
    elif place.needs_low_esr:
        names = ["electrolytic_low_esr"]
    elif place.needs_low_leakage:
        own = [kind.id] if kind.low_leakage else []
        names = [*own, "electrolytic_low_leakage", *reversed(films), "electrolytic"]
    else:
        names = [name for name in (kind.id, *place.kinds) if name in place.kinds]
    return tuple(kinds[name] for name in dict.fromkeys(names))


def _value_to_buy(
    capacitance_uf: float, kind: CapacitorKind, place: CapacitorPlace, knowledge: Knowledge, *, safety: bool
) -> tuple[float | None, str]:
    """The preferred value for a place: within its window the nearest by ratio, of a coarse series if it can be."""
    least, most = window(place, capacitance_uf, knowledge, safety=safety)
    # Parts of a coarse series are to be had one step finer, not two.
    series: tuple[Series, ...] = ("E3", "E6", "E12", "E24") if kind.series in {"E12", "E24"} else ("E3", "E6", "E12")
    finer = 0.02  # so little nearer, and the coarser series is the easier one to buy
    found = [
        (abs(math.log(near / capacitance_uf)) + step * finer, near)
        for step, name in enumerate(series)
        for near in (float(at_or_above(capacitance_uf, name)), float(at_or_below(capacitance_uf, name)))
        if least <= round(near / capacitance_uf, 6) <= most
    ]
    if found:
        return min(found)[1], ""
    return None, (
        f"No preferred value lies within {100 * least:.3g} to {100 * most:.3g} % of it: order the very value, "
        "or make it of two parts in parallel."
    )


def _least_v(was: CapacitorPart, stands_at_v: float | None, knowledge: Knowledge) -> float | None:
    wanted = [was.rated_v] if was.rated_v is not None else []
    if stands_at_v is not None:
        wanted.append(stands_at_v * knowledge.value("capacitor_rail_margin_ratio"))
    return max(wanted, default=None)


def _class_to_buy(was: CapacitorPart, kind: CapacitorKind, place: CapacitorPlace, knowledge: Knowledge) -> float:
    least = max(was.temperature_c or 0.0, kind.usual_c)
    return max(least, place.least_c, knowledge.value("capacitor_buy_c")) if kind.dries else least


def order(bought: Iterable[tuple[str, Buy]]) -> tuple[OrderLine, ...]:
    """Equal parts put together into lines, by kind, value, voltage; refs in the order they came."""
    groups: dict[tuple[object, ...], list[tuple[str, CapacitorPart]]] = {}
    for ref, buy in bought:
        spec = buy.spec
        key = (spec.kind, spec.capacitance_uf, spec.rated_v, spec.temperature_c, spec.safety_class, spec.pitch_mm)
        groups.setdefault(key, []).append((ref, spec))
    lines = [_line(parts) for parts in groups.values()]
    return tuple(sorted(lines, key=lambda line: (line.kind, line.capacitance_uf, line.rated_v or 0.0)))


def _line(parts: list[tuple[str, CapacitorPart]]) -> OrderLine:
    specs = [spec for _, spec in parts]
    first = specs[0]
    assert first.capacitance_uf is not None  # noqa: S101  what_to_buy gives none without
    return OrderLine(
        count=len(specs),
        kind=first.kind,
        capacitance_uf=first.capacitance_uf,
        rated_v=first.rated_v,
        temperature_c=first.temperature_c,
        safety_class=first.safety_class,
        pitch_mm=first.pitch_mm,
        least_ripple_a=max((spec.ripple_a for spec in specs if spec.ripple_a is not None), default=None),
        most_esr_ohm=min((spec.esr_ohm for spec in specs if spec.esr_ohm is not None), default=None),
        most_height_mm=min((spec.height_mm for spec in specs if spec.height_mm is not None), default=None),
        refs=tuple(ref for ref, _ in parts),
    )
