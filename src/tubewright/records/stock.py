"""Parts and tubes that the shop keeps, and what is to be ordered."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from typing import Annotated, Final

from pydantic import BaseModel, ConfigDict, Field, StringConstraints
from sqlalchemy import Connection, select

from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.records import checks
from tubewright.records.board import show_items
from tubewright.records.changes import Change, Values, unknown
from tubewright.records.model import OrderLine, Page, StockItem
from tubewright.records.model_stock import StockKind, StockSort
from tubewright.records.rows import item_record
from tubewright.records.settings import settings_here
from tubewright.records.tables import reservations, stock_items, tubes
from tubewright.records.transactions import Transactions

CODE_LETTERS: Final = "0123456789ABCDEFGHJKMNPQRSTVWXYZ"
"""Base 32 without the letters that are read as others: I, L, O and U."""
CODE_LENGTH: Final = 7
_MISREAD: Final = str.maketrans("OIL", "011", " -\t")

MOST_PIECES: Final = 1_000_000  # from memory: estimate; no bench keeps more of one part
MOST_COST: Final = 1e9  # from memory: estimate; of one piece, in any currency
MOST_FIGURE: Final = 1e12  # from memory: estimate; nothing about a part is larger, in its unit
MOST_ATTRIBUTES: Final = 40
LONGEST_ATTRIBUTE: Final = 200
_ATTRIBUTE: Final = re.compile(r"[a-z][a-z0-9_]{0,39}")
FIGURES: Final = frozenset(
    {
        "capacitance_uf", "voltage_v", "ripple_a", "esr_ohm", "lead_mm", "diameter_mm", "height_mm", "life_h",
        "tolerance_percent", "resistance_ohm", "power_w", "inductance_mh", "current_a", "frequency_hz", "heater_v",
        "diagonal_in",
    }
)  # fmt: skip
"""Attributes that are figures and never below 0."""
_CHUNK: Final = 500

Currency = Annotated[str, Field(pattern=r"^[A-Z]{3}$", strict=True)]
"""A currency as ISO 4217 names it."""
Pieces = Annotated[int, Field(ge=0, le=MOST_PIECES, strict=True)]
_Words = Annotated[str, Field(max_length=checks.LONGEST_TEXT, strict=True), StringConstraints(strip_whitespace=True)]
_Name = Annotated[
    str,
    Field(min_length=1, max_length=checks.LONGEST_NAME, strict=True),
    StringConstraints(strip_whitespace=True),
]
_Short = Annotated[str, Field(max_length=checks.LONGEST_NAME, strict=True), StringConstraints(strip_whitespace=True)]


class ItemInput(BaseModel):
    """An item as it is written down; see :class:`~tubewright.records.model.StockItem`."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    sort: StockSort = "part"
    name: _Name
    kind: StockKind = "other"
    attributes: Mapping[str, object] = Field(default_factory=dict)
    quantity: Pieces = 0
    minimum: Pieces = 0
    place: _Short = ""
    cost: Annotated[float, Field(ge=0, le=MOST_COST, allow_inf_nan=False)] | None = None
    currency: Currency | None = None
    supplier: _Short = ""
    tube_id: Annotated[int, Field(ge=1, strict=True)] | None = None
    notes: _Words = ""


class Stock(Transactions):
    """The part of the store that keeps the stock."""

    def add_item(self, values: Mapping[str, object], *, by: int | None = None) -> StockItem:
        """Put a sort of part, or a tube, into the stock; the store gives it its code.

        Args:
            values: ``name`` and what else is known of it: ``sort``, ``kind``, ``attributes``,
                ``quantity``, ``minimum``, ``place``, ``cost``, ``currency``, ``supplier``,
                ``tube_id``, ``notes``.
            by: who wrote it down.

        A cost without a currency is in the shop's own, where its settings name one.
        """
        return self.add_items([values], by=by)[0]

    def add_items(self, items: Sequence[Mapping[str, object]], *, by: int | None = None) -> tuple[StockItem, ...]:
        """Put many into the stock in one change: all or none, every fault named (``items[2].quantity``)."""

        def work(change: Change) -> tuple[StockItem, ...]:
            checked: list[Values] = []
            faults: list[Fault] = []
            for number, values in enumerate(items):
                try:
                    checked.append(_values(change.conn, values, f"items[{number}]" if len(items) > 1 else ""))
                except InputError as error:
                    faults.extend(error.faults)
            if faults:
                raise InputError(faults)
            ids = [change.insert(stock_items, one | {"code": fresh_code(change), "reserved": 0}) for one in checked]
            change.finish()
            found: dict[int, StockItem] = {}
            for start in range(0, len(ids), _CHUNK):
                chunk = ids[start : start + _CHUNK]
                rows = change.conn.execute(select(stock_items).where(stock_items.c.id.in_(chunk)))
                found |= {one.id: item_record(one) for one in rows}
            return tuple(found[item_id] for item_id in ids)

        return self.change(by, work)

    def edit_item(
        self, item_id: int, changes: Mapping[str, object], *, version: int, by: int | None = None
    ) -> StockItem:
        """Change some fields of an item; ``attributes`` are replaced whole, its code stays for ever."""

        def work(change: Change) -> StockItem:
            before = change.row(stock_items, item_id)
            kept = {name: before[name] for name in ItemInput.model_fields if name != "attributes"}
            kept["attributes"] = json.loads(before["attributes_json"])
            change.update(stock_items, item_id, _values(change.conn, kept | dict(changes)), version=version)
            change.finish()
            return item_here(change.conn, item_id)

        return self.change(by, work)

    def remove_item(self, item_id: int, *, version: int, by: int | None = None) -> None:
        """Strike out an item that no job ever reserved; history keeps it.

        Raises:
            InputError: a job reserved or used it, and has to know it.
        """

        def work(change: Change) -> None:
            of_item = select(reservations.c.job_id).where(reservations.c.item_id == item_id).distinct()
            in_jobs = sorted(change.conn.execute(of_item).scalars())
            if in_jobs:
                named = ", ".join(str(one) for one in in_jobs[:5]) + (" and others" if len(in_jobs) > 5 else "")
                raise InputError(
                    Fault(
                        what=f"job {named} reserved or used it" if len(in_jobs) == 1 else f"jobs {named} have used it",
                        where=f"item {item_id}",
                        mend="Set its quantity and its minimum to 0 instead; it then only stands in those jobs",
                    )
                )
            change.delete(stock_items, item_id, version=version)

        self.change(by, work)

    def items(
        self, search: str = "", *, sort: StockSort | None = None, page: str | None = None, size: int = 25
    ) -> Page[StockItem]:
        """The stock, newest first; ``search`` is words or their beginnings (name, place, code, kind, supplier)."""
        _known_sort(sort)
        with self.database.read() as conn:
            return show_items(conn, search, sort=sort, page=page, size=size)

    def all_items(self) -> tuple[StockItem, ...]:
        """The whole stock, by name."""
        with self.database.read() as conn:
            rows = conn.execute(select(stock_items).order_by(stock_items.c.name, stock_items.c.id))
            return tuple(item_record(one) for one in rows)

    def item(self, item_id: int) -> StockItem:
        """One item."""
        with self.database.read() as conn:
            return item_here(conn, item_id)

    def item_by_code(self, code: str) -> StockItem:
        """The item with this code, however it was typed: small letters, blanks, O for 0, I or L for 1.

        Raises:
            UnknownRecordError: no item has it.
        """
        with self.database.read() as conn:
            found = conn.execute(select(stock_items).where(stock_items.c.code == plain_code(code))).first()
        if found is None:
            shown = "".join(letter for letter in code[:20] if letter.isprintable())
            raise UnknownRecordError(
                Fault(
                    what=f"nothing in the stock has the code {shown!r}",
                    where="code",
                    mend="Look at the label again, or search the stock by name",
                )
            )
        return item_record(found)

    def order_list(self) -> tuple[OrderLine, ...]:
        """What is to be ordered: items of which less is free than their minimum, by supplier and name."""
        with self.database.read() as conn:
            short = stock_items.c.quantity - stock_items.c.reserved < stock_items.c.minimum
            order = (stock_items.c.supplier, stock_items.c.name, stock_items.c.id)
            rows = conn.execute(select(stock_items).where(short).order_by(*order))
            items = [item_record(one) for one in rows]
            jobs_of = _reserving(conn, [one.id for one in items if one.reserved])
        return tuple(OrderLine(item=one, short=one.short, for_jobs=tuple(jobs_of.get(one.id, ()))) for one in items)


def _reserving(conn: Connection, item_ids: Sequence[int]) -> dict[int, list[int]]:
    """By item, the jobs that have it reserved."""
    found: dict[int, list[int]] = {}
    for start in range(0, len(item_ids), _CHUNK):
        query = (
            select(reservations.c.item_id, reservations.c.job_id)
            .where(reservations.c.item_id.in_(item_ids[start : start + _CHUNK]), reservations.c.state == "reserved")
            .distinct()
            .order_by(reservations.c.item_id, reservations.c.job_id)
        )
        for one in conn.execute(query):
            found.setdefault(one.item_id, []).append(one.job_id)
    return found


def _known_sort(sort: str | None) -> None:
    if sort not in {None, "part", "tube"}:
        raise InputError(Fault(what=f"there is no sort {sort!r}"[:80], where="sort", mend="Use part or tube"))


def item_here(conn: Connection, item_id: int) -> StockItem:
    """One item.

    Raises:
        UnknownRecordError: there is none of that id.
    """
    found = conn.execute(select(stock_items).where(stock_items.c.id == item_id)).first()
    if found is None:
        raise unknown(stock_items, item_id)
    return item_record(found)


def fresh_code(change: Change) -> str:
    """A code that no item has."""
    while True:
        number = change.new_uid().int % len(CODE_LETTERS) ** CODE_LENGTH
        code = ""
        for _ in range(CODE_LENGTH):
            number, letter = divmod(number, len(CODE_LETTERS))
            code += CODE_LETTERS[letter]
        if change.conn.execute(select(stock_items.c.id).where(stock_items.c.code == code)).first() is None:
            return code


def plain_code(code: str) -> str:
    """A code as it is kept, from how somebody typed it.

    >>> plain_code("o1-abl xyz")
    '01AB1XYZ'
    """
    return code.upper().translate(_MISREAD)


def _values(conn: Connection, given: Mapping[str, object], where: str = "") -> Values:
    """The columns of an item, checked."""
    checked = checks.part(ItemInput, given, where)
    values: Values = checked.model_dump(exclude={"attributes"})
    for name in ("name", "place", "supplier", "notes"):
        values[name] = checks.words(values[name], _at(where, name))
    values["attributes_json"] = plain_attributes(checked.attributes, _at(where, "attributes"))
    if values["cost"] is not None and values["currency"] is None:
        values["currency"] = settings_here(conn)["currency"] or None
    if values["tube_id"] is not None:
        if values["sort"] != "tube":
            raise InputError(
                Fault(
                    what="a part is no tube of the records",
                    where=_at(where, "tube_id"),
                    mend="Leave it out, or make the item a tube",
                )
            )
        if conn.execute(select(tubes.c.id).where(tubes.c.id == values["tube_id"])).first() is None:
            raise InputError(
                Fault(
                    what=f"there is no tube {values['tube_id']}",
                    where=_at(where, "tube_id"),
                    mend="Look it up among the tubes; it may be gone",
                )
            )
    return values


def _at(where: str, name: str) -> str:
    return f"{where}.{name}" if where else name


def plain_attributes(given: Mapping[str, object], where: str) -> str:
    """Attributes as JSON text, those without a value left out.

    Raises:
        InputError: a name or a value that can't be kept.
    """
    faults: list[Fault] = []
    kept: dict[str, object] = {}
    for name, value in given.items():
        place = f"{where}.{name}"[:120]
        if not _ATTRIBUTE.fullmatch(str(name)):
            faults.append(Fault(what="this is no name for an attribute", where=place, mend="Use a-z, 0-9 and _"))
        elif value is not None and (fault := _unfit(name, value)) is not None:
            faults.append(Fault(what=fault, where=place, mend="Correct it, or leave it out"))
        elif value is not None:
            kept[name] = value
    if len(given) > MOST_ATTRIBUTES:
        faults.append(Fault(what="these are too many", where=where, mend=f"Give at most {MOST_ATTRIBUTES}"))
    if faults:
        raise InputError(faults)
    return json.dumps(kept, ensure_ascii=False, allow_nan=False, sort_keys=True)


def _unfit(name: str, value: object) -> str | None:
    """Why a value can't be kept under a name."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        if not math.isfinite(value) or abs(value) > MOST_FIGURE:
            return "this is no number that fits"
        return "this is below 0" if name in FIGURES and value < 0 else None
    if name in FIGURES:
        return "this should be a number"
    if isinstance(value, str):
        bad = "\x00" in value or any("\ud800" <= one <= "\udfff" for one in value)
        return f"these are no words of at most {LONGEST_ATTRIBUTE}" if bad or len(value) > LONGEST_ATTRIBUTE else None
    return None if isinstance(value, bool) else "this is neither a number nor words"


def check_item(values: Values, where: str) -> None:
    """Check a row of the stock from elsewhere as if it had been typed.

    Raises:
        InputError: with its faults.
    """
    code = values["code"]
    if len(code) != CODE_LENGTH or not set(code) <= set(CODE_LETTERS):
        raise InputError(Fault(what="this is no code", where=f"{where}.code", mend="Export it again"))
    try:
        attributes = json.loads(values["attributes_json"])
    except ValueError:
        attributes = None
    if not isinstance(attributes, dict):
        raise InputError(Fault(what="this is no JSON object", where=f"{where}.attributes_json", mend="Export it again"))
    # What it points to was checked with its column; here it is a uid.
    known = {name: values[name] for name in ItemInput.model_fields if name in values}
    checks.part(ItemInput, known | {"attributes": attributes, "tube_id": None}, where)
    for name in ("name", "place", "supplier", "notes"):
        checks.words(values[name], f"{where}.{name}")
    plain_attributes(attributes, f"{where}.attributes_json")
