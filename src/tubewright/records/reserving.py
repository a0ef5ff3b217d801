"""What jobs reserve of the stock, use of it, and give back."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field
from sqlalchemy import ColumnElement, Connection, select

from tubewright.errors import Fault, InputError
from tubewright.records import checks
from tubewright.records.changes import Change, Values, row
from tubewright.records.model import Reservation
from tubewright.records.model_stock import ReservationState
from tubewright.records.stock import MOST_COST, MOST_PIECES, Currency
from tubewright.records.tables import jobs, people, reservations, stock_items
from tubewright.records.transactions import Transactions


class _Reserving(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)
    quantity: Annotated[int, Field(ge=1, le=MOST_PIECES, strict=True)]


class _Reserved(_Reserving):
    state: ReservationState
    cost: Annotated[float, Field(ge=0, le=MOST_COST, allow_inf_nan=False)] | None
    currency: Currency | None


class Reservations(Transactions):
    """The part of the store that keeps what jobs take from the stock."""

    def reserve(
        self,
        job_id: int,
        item_id: int,
        quantity: int = 1,
        *,
        order: bool = False,
        note: str = "",
        by: int | None = None,
    ) -> Reservation:
        """Set pieces of an item aside for a job, at what they cost now.

        Args:
            job_id: the job they are for.
            item_id: the item.
            quantity: how many.
            order: reserve them even if too few are free; what is lacking is then on the order list.
            note: what they are for.
            by: who reserved them.

        Raises:
            InputError: too few are free; it names how many are.
        """

        def work(change: Change) -> Reservation:
            change.row(jobs, job_id)
            item = change.row(stock_items, item_id)
            wanted = checks.part(_Reserving, {"quantity": quantity}).quantity
            free = item["quantity"] - item["reserved"]
            if wanted > free and not order:
                raise _too_few(item, free)
            values = {
                "item_id": item_id,
                "job_id": job_id,
                "person_id": change.by,
                "at": change.now,
                "quantity": wanted,
                "state": "reserved",
                "cost": item["cost"],
                "currency": item["currency"],
                "note": checks.words(note, "note"),
            }
            return _one(change.conn, change.insert(reservations, values))

        return self.change(by, work)

    def use(self, reservation_id: int, *, version: int, by: int | None = None) -> Reservation:
        """Fit what was reserved: it leaves the stock.

        Raises:
            InputError: it isn't reserved any more, or fewer are on the shelf than were reserved.
        """

        def work(change: Change) -> Reservation:
            before = change.still(reservations, reservation_id, version)
            _only(before, ("reserved",), "used")
            item = change.row(stock_items, before["item_id"])
            left = item["quantity"] - before["quantity"]
            if left < 0:
                raise InputError(
                    Fault(
                        what=f"only {item['quantity']} of {item['name']!r} are in the stock",
                        where=f"reservation {reservation_id}",
                        mend="Enter what has come in, or count the shelf again and correct the quantity",
                    )
                )
            change.update(reservations, reservation_id, {"state": "used"})
            change.update(stock_items, item["id"], {"quantity": left})
            return _one(change.conn, reservation_id)

        return self.change(by, work)

    def release(self, reservation_id: int, *, version: int, by: int | None = None) -> Reservation:
        """Give back what was reserved; of what was used already, the pieces go back to the shelf."""

        def work(change: Change) -> Reservation:
            before = change.still(reservations, reservation_id, version)
            _only(before, ("reserved", "used"), "released")
            change.update(reservations, reservation_id, {"state": "released"})
            if before["state"] == "used":
                item = change.row(stock_items, before["item_id"])
                back = min(MOST_PIECES, item["quantity"] + before["quantity"])
                change.update(stock_items, item["id"], {"quantity": back})
            return _one(change.conn, reservation_id)

        return self.change(by, work)

    def reservations(self, job_id: int) -> tuple[Reservation, ...]:
        """What a job reserved, used and gave back, oldest first."""
        with self.database.read() as conn:
            row(conn, jobs, job_id)
            return reservations_where(conn, reservations.c.job_id == job_id)

    def reservations_of_item(self, item_id: int) -> tuple[Reservation, ...]:
        """Which jobs reserved, used and gave back an item, oldest first."""
        with self.database.read() as conn:
            row(conn, stock_items, item_id)
            return reservations_where(conn, reservations.c.item_id == item_id)


def reservations_where(conn: Connection, condition: ColumnElement[bool]) -> tuple[Reservation, ...]:
    """Reservations with the names of item and person, oldest first."""
    query = (
        select(
            reservations,
            stock_items.c.name.label("item_name"),
            stock_items.c.code.label("item_code"),
            people.c.name.label("person"),
        )
        .select_from(reservations.join(stock_items).outerjoin(people, people.c.id == reservations.c.person_id))
        .where(condition)
        .order_by(reservations.c.at, reservations.c.id)
    )
    return tuple(_record(one) for one in conn.execute(query).mappings())


def _record(found: Mapping[Any, Any]) -> Reservation:
    values = {name: value for name, value in found.items() if name != "person_id"}
    return Reservation(**values | {"person": values["person"] or ""})


def _one(conn: Connection, reservation_id: int) -> Reservation:
    return reservations_where(conn, reservations.c.id == reservation_id)[0]


def _only(before: Values, states: tuple[str, ...], wanted: str) -> None:
    if before["state"] not in states:
        raise InputError(
            Fault(
                what=f"this was {before['state']} already, and can't be {wanted}",
                where=f"reservation {before['id']}",
                mend="Reserve what is needed anew",
            )
        )


def _too_few(item: Values, free: int) -> InputError:
    here = f"{item['quantity']} in the stock, {item['reserved']} reserved"
    some = "none is" if free <= 0 else "only 1 is" if free == 1 else f"only {free} are"
    take = "Put it on the order list" if free <= 0 else f"Take {free}, or put the rest on the order list"
    return InputError(Fault(what=f"{some} free of {item['name']!r} ({here})", where="quantity", mend=take))


def check_reservation(values: Values, where: str) -> None:
    """Check a row of reservations from elsewhere as if it had been typed.

    Raises:
        InputError: with its faults.
    """
    checks.part(_Reserved, {name: values[name] for name in _Reserved.model_fields}, where)
    checks.words(values["note"], f"{where}.note")
