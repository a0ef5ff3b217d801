"""The stock answered: items, what of them jobs have reserved, what a job's parts cost, what is to be ordered."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal, TypeAlias

from tubewright.answers.stock_kinds import Kinds, short_words

FORMAT: Final = 1  # number of the published form

State: TypeAlias = Literal["reserved", "used", "released"]
STATE_WORDS: Final[Mapping[State, str]] = {
    "reserved": "reserved",
    "used": "used",
    "released": "given back",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Item:
    """An item of the stock.

    Attributes:
        id: its number in the records.
        code: what its label says.
        sort: a part, or a picture tube.
        kind: id of its kind (:func:`tubewright.answers.stock_kinds.kinds`).
        attributes: what it is like, by the names of :data:`tubewright.answers.stock_kinds.ATTRIBUTES`.
        quantity: how many lie there.
        reserved: how many of them jobs have reserved and not yet used.
        minimum: how many should be left when all that is reserved is taken.
        cost: of one piece.
        tube_id: the tube of the records that it is.
    """

    id: int
    code: str
    sort: Literal["part", "tube"]
    kind: str
    name: str
    attributes: Mapping[str, object] = field(default_factory=dict)
    quantity: int = 1
    reserved: int = 0
    minimum: int = 0
    place: str = ""
    cost: float | None = None
    currency: str | None = None
    supplier: str = ""
    tube_id: int | None = None
    notes: str = ""

    @property
    def free(self) -> int:
        """How many nobody has reserved; below 0 when more is reserved than there is."""
        return self.quantity - self.reserved

    @property
    def short(self) -> int:
        """How many are to be ordered."""
        return max(0, self.minimum - self.free)


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """Pieces of an item that a job reserved, used or gave back; ``cost`` is of one piece, as it was then."""

    id: int
    item_id: int
    item_code: str
    item_name: str
    job_id: int
    quantity: int
    state: State
    cost: float | None = None
    currency: str | None = None
    at: dt.datetime | None = None
    person: str = ""
    note: str = ""

    @property
    def sum_cost(self) -> float | None:
        """What all its pieces cost."""
        return None if self.cost is None else self.cost * self.quantity


@dataclass(frozen=True, slots=True, kw_only=True)
class PartsCost:
    """What the parts of a job cost, by currency ("" where none is named), and how many have no price.

    ``used_cost`` is of what was used, ``reserved_cost`` of what is reserved still.
    """

    used_cost: Mapping[str, float]
    reserved_cost: Mapping[str, float]
    unpriced: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ToOrder:
    """An item that is to be ordered, how many of it, and for which jobs."""

    item: Item
    count: int
    for_jobs: tuple[int, ...]


def parts_cost(taken: Iterable[Taken]) -> PartsCost:
    """What the parts of a job cost; what was given back costs nothing."""
    sums: dict[State, dict[str, float]] = {"used": {}, "reserved": {}}
    unpriced = []
    for one in taken:
        if one.state == "released":
            continue
        if one.sum_cost is None:
            unpriced.append(one.item_name)
            continue
        held = sums[one.state]
        held[one.currency or ""] = held.get(one.currency or "", 0.0) + one.sum_cost
    return PartsCost(used_cost=sums["used"], reserved_cost=sums["reserved"], unpriced=tuple(unpriced))


def cost_words(cost: PartsCost) -> tuple[str, ...]:
    """What the parts cost, in a sentence or two."""
    words = []
    if cost.used_cost:
        words.append(f"Used: {sums_words(cost.used_cost)}.")
    if cost.reserved_cost:
        words.append(f"Reserved: {sums_words(cost.reserved_cost)}.")
    if cost.unpriced:
        names = ", ".join(dict.fromkeys(cost.unpriced))
        words.append(f"Without a price, so not in the sum: {names}.")
    return tuple(words)


def sums_words(sums: Mapping[str, float]) -> str:
    """Amounts by currency: ``12.40 EUR and 3.00 USD``."""
    return " and ".join(f"{amount:.2f} {currency}".strip() for currency, amount in sorted(sums.items()))


def matches(item: Item, asked: str, known: Kinds) -> bool:
    """Whether every word that was asked for stands in what is known of an item."""
    text = " ".join(
        (item.code, item.name, item.kind, item.place, item.supplier, item.notes, *item_words(item, known))
    ).casefold()
    return all(word in text for word in asked.casefold().split())


def item_words(item: Item, known: Kinds) -> tuple[str, ...]:
    """What is known of an item, in a few words each."""
    return short_words(item.kind, item.attributes, known)


def stock_words(item: Item) -> str:
    """How many there are: ``12, of them 3 reserved; 4 to order``."""
    words = str(item.quantity)
    if item.reserved:
        words += f", {item.reserved} reserved" if item.free < 0 else f", of them {item.reserved} reserved"
    return words + (f"; {item.short} to order" if item.short else "")


# --- published forms -------------------------------------------------------------------


def item_json(item: Item, known: Kinds) -> dict[str, Any]:
    """One item as JSON has it."""
    return {
        "id": item.id,
        "code": item.code,
        "sort": item.sort,
        "kind": item.kind,
        "name": item.name,
        "words": list(item_words(item, known)),
        "attributes": dict(item.attributes),
        "quantity": item.quantity,
        "reserved": item.reserved,
        "free": item.free,
        "minimum": item.minimum,
        "to_order": item.short,
        "place": item.place,
        "cost": item.cost,
        "currency": item.currency,
        "supplier": item.supplier,
        "tube": item.tube_id,
        "notes": item.notes,
    }


def stock_json(items: Sequence[Item], known: Kinds) -> dict[str, Any]:
    """A list of items as JSON has it."""
    return {"format": FORMAT, "items": [item_json(item, known) for item in items]}


def taken_json(taken: Taken) -> dict[str, Any]:
    """A reservation as JSON has it."""
    return {
        "id": taken.id,
        "item": taken.item_code,
        "name": taken.item_name,
        "job": taken.job_id,
        "quantity": taken.quantity,
        "state": taken.state,
        "cost": taken.cost,
        "currency": taken.currency,
        "at": None if taken.at is None else taken.at.isoformat(),
        "person": taken.person,
        "note": taken.note,
    }


def show_json(item: Item, taken: Iterable[Taken], known: Kinds) -> dict[str, Any]:
    """One item with its reservations as JSON has it."""
    return {
        "format": FORMAT,
        "item": item_json(item, known),
        "reservations": [taken_json(one) for one in taken],
    }


def parts_json(job_id: int, taken: Sequence[Taken]) -> dict[str, Any]:
    """The parts of a job with what they cost, as JSON has it."""
    cost = parts_cost(taken)

    def amounts(sums: Mapping[str, float]) -> list[dict[str, Any]]:
        return [{"amount": round(amount, 4), "currency": name or None} for name, amount in sorted(sums.items())]

    return {
        "format": FORMAT,
        "job": job_id,
        "parts": [taken_json(one) for one in taken],
        "cost": {
            "used": amounts(cost.used_cost),
            "reserved": amounts(cost.reserved_cost),
            "without_price": list(cost.unpriced),
        },
    }


def order_json(lines: Iterable[ToOrder], known: Kinds) -> dict[str, Any]:
    """The order list as JSON has it."""
    return {
        "format": FORMAT,
        "lines": [
            {"count": line.count, "for_jobs": list(line.for_jobs), "item": item_json(line.item, known)}
            for line in lines
        ],
    }
