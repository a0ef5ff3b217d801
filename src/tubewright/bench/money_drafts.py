"""Lines of quotes and bills that were typed and not yet given out, kept while the bench runs.

Nothing of it is in the records until it is given out; who comes back to the page finds it as it was left.
"""

from __future__ import annotations

import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Final

from tubewright.answers.quote_lines import ExtraLine, typed_line
from tubewright.bench.forms import FormReader
from tubewright.errors import InputError
from tubewright.judgement.quote_money import exact
from tubewright.quantity import parse_quantity

MOST_DRAFTS: Final = 200
LEAST_ROWS: Final = 3
MOST_ROWS: Final = 40


@dataclass(frozen=True, slots=True, kw_only=True)
class TypedRow:
    """A line as it stands in its fields."""

    words: str = ""
    quantity: str = ""
    price: str = ""
    untaxed: bool = False

    @property
    def empty(self) -> bool:
        """Whether nothing was typed."""
        return not (self.words or self.quantity or self.price)


@dataclass(frozen=True, slots=True, kw_only=True)
class MoneyDraft:
    """What was typed on one page: lines, times by key, keys left out, whether all parts are listed."""

    rows: tuple[TypedRow, ...] = ()
    extras: tuple[ExtraLine, ...] = ()
    times: Mapping[str, Decimal | None] = field(default_factory=dict)
    left_out: tuple[str, ...] = ()
    parts_complete: bool = False

    @property
    def shown_rows(self) -> tuple[TypedRow, ...]:
        """The lines with empty ones to type more in."""
        spare = max(LEAST_ROWS - len(self.rows), 2)
        return (*self.rows, *(TypedRow() for _ in range(min(spare, MOST_ROWS - len(self.rows)))))


class MoneyDrafts:
    """The drafts of the bench, by job and sort of paper."""

    def __init__(self) -> None:
        self._held: OrderedDict[tuple[int, str], MoneyDraft] = OrderedDict()
        self._lock = threading.Lock()

    def get(self, job_id: int, sort: str) -> MoneyDraft:
        """What was typed for this job; nothing at first."""
        with self._lock:
            return self._held.get((job_id, sort), MoneyDraft())

    def put(self, job_id: int, sort: str, draft: MoneyDraft) -> None:
        """Remember what was typed."""
        with self._lock:
            self._held[job_id, sort] = draft
            self._held.move_to_end((job_id, sort))
            while len(self._held) > MOST_DRAFTS:
                self._held.popitem(last=False)

    def drop(self, job_id: int, sort: str) -> None:
        """Forget it: it was given out."""
        with self._lock:
            self._held.pop((job_id, sort), None)


def field_of(key: str) -> str:
    """The name of a form's field for a key such as ``repair:12``."""
    return key.replace(":", "-")


def read_draft(read: FormReader, *, works: tuple[str, ...] = (), parts: tuple[str, ...] = ()) -> MoneyDraft:
    """What was typed, faults at their fields; lines in which nothing stands are left out.

    Args:
        read: The form.
        works: Keys of work whose time may be typed.
        parts: Keys of parts that may be left out.
    """
    form = read.form
    rows, extras = [], []
    for number in range(1, MOST_ROWS + 1):
        row = TypedRow(
            words=form.text(f"words_{number}"),
            quantity=form.text(f"quantity_{number}"),
            price=form.text(f"price_{number}"),
            untaxed=bool(form.text(f"untaxed_{number}")),
        )
        if row.empty:
            continue
        rows.append(row)
        where = (f"words_{number}", f"quantity_{number}", f"price_{number}")
        try:
            extras.append(typed_line(row.words, row.quantity, row.price, taxed=not row.untaxed, where=where))
        except InputError as error:
            read.faults += error.faults
    times: dict[str, Decimal | None] = {}
    for key in works:
        typed = form.text(f"time_{field_of(key)}")
        if form.text(f"out_{field_of(key)}"):
            times[key] = None
        elif typed:
            try:
                minutes = parse_quantity(typed, kind="minutes", where=f"time_{field_of(key)}").value
                times[key] = exact(round(minutes, 2))
            except InputError as error:
                read.faults += error.faults
    return MoneyDraft(
        rows=tuple(rows),
        extras=tuple(extras),
        times=times,
        left_out=tuple(key for key in parts if form.text(f"out_{field_of(key)}")),
        parts_complete=bool(form.text("parts_complete")),
    )
