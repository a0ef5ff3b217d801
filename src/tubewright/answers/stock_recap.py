"""A board's recap list held against the stock: what lies there and may be fitted, and what must be ordered."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from tubewright.answers.recap import RecapAnswer, buy_words, part_words
from tubewright.answers.stock import FORMAT, Item, item_words
from tubewright.answers.stock_kinds import Kinds
from tubewright.judgement.capacitor_buy import OrderLine
from tubewright.judgement.capacitor_part import CapacitorPart
from tubewright.judgement.stock_fit import Offer, Served, ShelfPart, ShelfService, Wanted, capacitor_of, serve
from tubewright.knowledge.model import Knowledge

__all__ = ["Offer", "RecapFromStock", "Served", "order_attributes", "recap_from_stock", "recap_from_stock_json"]


@dataclass(frozen=True, slots=True, kw_only=True)
class RecapFromStock:
    """How the stock serves a recap list.

    Attributes:
        answer: the plan of the board.
        service: part by part, in the order of need.
        items: the stock by number.
        not_said: names of capacitors in stock whose kind nobody said; no rule lets them in.
        headline: how much of it lies there.
    """

    answer: RecapAnswer
    service: ShelfService
    items: Mapping[int, Item]
    not_said: tuple[str, ...]
    headline: str

    def given(self, served: Served) -> Item | None:
        """The item that a part gets from the stock."""
        return None if served.given is None else self.items[served.given.shelf.key]


def recap_from_stock(
    answer: RecapAnswer, items: Sequence[Item], knowledge: Knowledge, *, this_year: int
) -> RecapFromStock:
    """What the stock has for the parts that a plan replaces.

    Args:
        answer: The plan; what it leaves or never alters gets nothing.
        items: The stock with what is free of each.
        knowledge: The rules of substitution.
        this_year: For the age of what lies there.
    """
    held = {item.id: item for item in items if item.sort == "part" and "capacitance_uf" in item.attributes}
    shelf = [
        ShelfPart(
            key=item.id,
            part=capacitor_of(item.kind, item.attributes, knowledge, this_year=this_year),
            free=item.free,
            cost=item.cost,
        )
        for item in held.values()
    ]
    wanted = [
        Wanted(part=advice.part, buy=advice.buy, stands_at_v=advice.stands_at_v) for advice in answer.recap.ranked
    ]
    service = serve(wanted, shelf, knowledge)
    return RecapFromStock(
        answer=answer,
        service=service,
        items=held,
        not_said=tuple(held[one.key].name for one in shelf if not one.part.kind),
        headline=_headline(service),
    )


def _headline(service: ShelfService) -> str:
    total, there = len(service.served), sum(one.given is not None for one in service.served)
    ordered = sum(line.count for line in service.to_order)
    neither = total - there - ordered
    if not total:
        return "Nothing on this list is to be replaced."
    words = f"{'The only part' if there == total == 1 else f'{there} of {total} parts'} from the stock"
    if ordered:
        words += f", {ordered} to order"
    if neither:
        words += f", {neither} for which nothing could be named"
    return f"{words}."


def order_attributes(line: OrderLine) -> dict[str, Any]:
    """What an item must be like to be ordered for a line: the attributes that the stock keeps."""
    spec = {
        "capacitance_uf": line.capacitance_uf,
        "voltage_v": line.rated_v,
        "temp_c": line.temperature_c,
        "ripple_a": line.least_ripple_a,
        "esr_ohm": line.most_esr_ohm,
        "lead_mm": line.pitch_mm,
        "safety_class": line.safety_class or None,
    }
    return {name: value for name, value in spec.items() if value is not None}


def recap_from_stock_json(found: RecapFromStock, known: Kinds, *, cautions: Sequence[str]) -> dict[str, Any]:
    """The answer as JSON has it, cautions first."""
    kinds = found.answer.kinds

    def offer_json(offer: Offer) -> dict[str, Any]:
        item = found.items[offer.shelf.key]
        return {
            "item": item.code,
            "name": item.name,
            "words": list(item_words(item, known)),
            "free": item.free,
            "verdict": offer.substitution.verdict,
            "mind": [one.words for one in offer.substitution.objections],
        }

    return {
        "format": FORMAT,
        "cautions": list(cautions),
        "headline": found.headline,
        "parts": [
            {
                "ref": one.wanted.part.ref,
                "there": part_words(one.wanted.part.part, kinds),
                "buy": None if one.wanted.buy is None else buy_words(one.wanted.buy, kinds),
                "given": None if one.given is None else found.items[one.given.shelf.key].code,
                "offers": [offer_json(offer) for offer in one.offers],
            }
            for one in found.service.served
        ],
        "reserve": [
            {"item": found.items[key].code, "name": found.items[key].name, "count": len(refs), "refs": list(refs)}
            for key, refs in sorted(found.service.taken.items())
        ],
        "order": [
            {
                "count": line.count,
                "kind": line.kind,
                "words": part_words(_part(line), kinds),
                "attributes": order_attributes(line),
                "refs": list(line.refs),
            }
            for line in found.service.to_order
        ],
        "kind_not_said": list(found.not_said),
    }


def _part(line: OrderLine) -> CapacitorPart:
    return CapacitorPart(
        kind=line.kind,
        capacitance_uf=line.capacitance_uf,
        rated_v=line.rated_v,
        temperature_c=line.temperature_c,
        safety_class=line.safety_class,
    )
