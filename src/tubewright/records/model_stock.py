"""Records of what the shop has in stock, what jobs reserved of it, and the papers it sent."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

StockSort = Literal["part", "tube"]
StockKind = Literal[
    "electrolytic", "film", "ceramic", "resistor", "transistor", "diode", "ic", "coil", "transformer", "fuse",
    "connector", "tube", "other",
]  # fmt: skip
ReservationState = Literal["reserved", "used", "released"]
PaperSort = Literal["quote", "bill", "customer", "bench"]
PAPER_SORTS: Final[tuple[PaperSort, ...]] = ("quote", "bill", "customer", "bench")


@dataclass(frozen=True, slots=True, kw_only=True)
class StockItem:
    """A sort of part, or a tube, that the shop keeps.

    Attributes:
        code: short text that no other item has, made by the store, for its label.
        attributes: what it is like, as plain JSON values by name.
        quantity: how many lie on the shelf.
        minimum: how many should be there when all that is reserved has been taken.
        cost: of one piece, in ``currency``.
        reserved: how many of them jobs have reserved and not yet used.
    """

    id: int
    uid: str
    version: int
    code: str
    sort: StockSort
    name: str
    kind: StockKind
    attributes: Mapping[str, object]
    quantity: int
    minimum: int
    place: str = ""
    cost: float | None = None
    currency: str | None = None
    supplier: str = ""
    tube_id: int | None = None
    notes: str = ""
    reserved: int = 0

    @property
    def free(self) -> int:
        """How many nobody has reserved; below 0 when more is reserved than there is."""
        return self.quantity - self.reserved

    @property
    def short(self) -> int:
        """How many are to be ordered, so that the minimum is left when all that is reserved has been taken."""
        return max(0, self.minimum - self.free)


@dataclass(frozen=True, slots=True, kw_only=True)
class Reservation:
    """Pieces of an item that a job reserved, used or gave back; ``cost`` is of one piece, as it was then."""

    id: int
    uid: str
    version: int
    item_id: int
    item_name: str
    item_code: str
    job_id: int
    quantity: int
    state: ReservationState
    cost: float | None
    currency: str | None
    at: dt.datetime
    person: str = ""
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class OrderLine:
    """An item that is to be ordered, how many of it, and the jobs that have it reserved."""

    item: StockItem
    short: int
    for_jobs: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperRecord:
    """A paper that was made of a job: its number, and what it said, as JSON text, so that it can be printed again."""

    id: int
    uid: str
    version: int
    job_id: int
    sort: PaperSort
    number: str
    at: dt.datetime
    body_json: str
    sha256: str | None = None
    person: str = ""
