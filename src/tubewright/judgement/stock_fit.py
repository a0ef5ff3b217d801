"""Which part on the shelf may stand in for one on a board, and how a shelf serves a whole list.

The rules are those of :mod:`tubewright.judgement.substitution`; nothing here loosens
them. What the shelf can't serve is ordered as if there were no shelf.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field

from tubewright.judgement.capacitor_buy import Buy, OrderLine, order, usual_place
from tubewright.judgement.capacitor_part import CapacitorPart
from tubewright.judgement.capacitor_wear import BoardPart
from tubewright.judgement.substitution import Substitution, judge_substitution
from tubewright.knowledge.model import Knowledge


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfPart:
    """A capacitor on the shelf: ``key`` is whatever the caller knows it by, ``free`` how many nobody has reserved."""

    key: int
    part: CapacitorPart
    free: int
    cost: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Offer:
    """A part on the shelf that may stand there, with what is to be minded."""

    shelf: ShelfPart
    substitution: Substitution


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """A part to be replaced: what was there, what would be bought for it."""

    part: BoardPart
    buy: Buy | None
    stands_at_v: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Served:
    """What the shelf has for one part: every fitting offer, the best first, and the one that is given to it."""

    wanted: Wanted
    offers: tuple[Offer, ...]
    given: Offer | None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShelfService:
    """How a shelf serves a list.

    Attributes:
        served: part by part, in the order of need.
        taken: for which parts each item is given, by key.
        again: for which parts an item that fits has to be bought again, because none of it is free.
        new: what must be ordered that no item of the stock is.
        to_order: all that must be ordered, put together.
    """

    served: tuple[Served, ...]
    taken: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    again: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    new: tuple[OrderLine, ...] = ()
    to_order: tuple[OrderLine, ...] = ()


def capacitor_of(kind: str, attributes: Mapping[str, object], knowledge: Knowledge, *, this_year: int) -> CapacitorPart:
    """The capacitor that an item of the stock is; what isn't kept of it is not known.

    Args:
        kind: id of the item's kind.
        attributes: As kept with it.
        knowledge: Holds the kinds of capacitors.
        this_year: For its age on the shelf.
    """

    def figure(name: str) -> float | None:
        value = attributes.get(name)
        sound = isinstance(value, int | float) and not isinstance(value, bool) and math.isfinite(value) and value > 0
        return float(value) if sound and isinstance(value, int | float) else None

    made, polar = figure("made_year"), attributes.get("polar")
    return CapacitorPart(
        kind=kind if kind in knowledge.capacitor_kinds else "",
        capacitance_uf=figure("capacitance_uf"),
        rated_v=figure("voltage_v"),
        polar=polar if isinstance(polar, bool) else None,
        temperature_c=figure("temp_c"),
        ripple_a=figure("ripple_a"),
        esr_ohm=figure("esr_ohm"),
        pulse_v_per_us=figure("pulse_v_per_us"),
        safety_class=str(attributes.get("safety_class") or ""),
        tolerance_percent=figure("tolerance_percent"),
        life_hours=figure("life_h"),
        height_mm=figure("height_mm"),
        pitch_mm=figure("lead_mm"),
        made_years=None if made is None else max(0.0, this_year - made),
        mark=str(attributes.get("mark") or ""),
    )


def fitting(wanted: Wanted, shelf: Iterable[ShelfPart], knowledge: Knowledge) -> tuple[Offer, ...]:
    """The parts of a shelf that may stand where one was, the best first; how many there are doesn't count here.

    Before others comes what needs no remark, then the nearer capacitance, the lower
    voltage, the cheaper part. Where the place isn't known it is judged as
    :func:`tubewright.judgement.capacitor_buy.what_to_buy` does, as the strictest for its kind.
    """
    was = wanted.part.part
    kind = was.kind_in(knowledge)
    place = wanted.part.place or ("" if kind is None else usual_place(kind))
    if not place or was.capacitance_uf is None:
        return ()
    offers = []
    for one in shelf:
        if one.part.capacitance_uf is None:
            continue
        found = judge_substitution(was, one.part, place, knowledge, stands_at_v=wanted.stands_at_v)
        if found.verdict != "refused":
            offers.append(Offer(shelf=one, substitution=found))
    return tuple(sorted(offers, key=lambda offer: _preference(offer, was)))


def _preference(offer: Offer, was: CapacitorPart) -> tuple[float, ...]:
    part = offer.shelf.part
    off = 0.0
    if part.capacitance_uf is not None and was.capacitance_uf is not None:
        off = abs(math.log(part.capacitance_uf / was.capacitance_uf))
    cost = offer.shelf.cost
    return (
        len(offer.substitution.objections),
        round(off, 6),
        part.rated_v or 0.0,
        math.inf if cost is None else cost,
        offer.shelf.key,
    )


def serve(wanted: Sequence[Wanted], shelf: Sequence[ShelfPart], knowledge: Knowledge) -> ShelfService:
    """How a shelf serves a list.

    Args:
        wanted: In the order of need: who comes first is served first.
        shelf: With how many of each are free.
        knowledge: The rules of the places.

    Returns:
        For each part its offers and the one that is given; an item is given only as often
        as it is free. What is left over is put together as an order.
    """
    left = {one.key: max(0, one.free) for one in shelf}
    taken: dict[int, tuple[str, ...]] = {}
    again: dict[int, tuple[str, ...]] = {}
    served = []
    lacking: list[tuple[str, Buy]] = []
    strange: list[tuple[str, Buy]] = []
    for one in wanted:
        ref = one.part.ref
        offers = fitting(one, shelf, knowledge)
        given = next((offer for offer in offers if left[offer.shelf.key] > 0), None)
        served.append(Served(wanted=one, offers=offers, given=given))
        if given is not None:
            left[given.shelf.key] -= 1
            taken[given.shelf.key] = (*taken.get(given.shelf.key, ()), ref)
        elif one.buy is not None:
            lacking.append((ref, one.buy))
            if offers:
                key = offers[0].shelf.key
                again[key] = (*again.get(key, ()), ref)
            else:
                strange.append((ref, one.buy))
    return ShelfService(served=tuple(served), taken=taken, again=again, new=order(strange), to_order=order(lacking))
