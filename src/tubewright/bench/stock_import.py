"""Taking a list of items into the stock: all of it in one change, or nothing."""

from __future__ import annotations

from dataclasses import dataclass

from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.files.stock_csv import StockFile, StockLine
from tubewright.records.model import StockItem
from tubewright.records.store import Store


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenIn:
    """What a list came to: the items, how many of them are new, what is to be told."""

    records: tuple[StockItem, ...]
    added: int
    changed: int
    remarks: tuple[Fault, ...]

    @property
    def words(self) -> str:
        """What was done, in one sentence."""
        said = [f"{self.added} added"] if self.added or not self.changed else []
        said += [f"{self.changed} changed"] if self.changed else []
        return f"Stock: {', '.join(said)}."


def take_in(store: Store, held: StockFile, *, update: bool, name: str, by: int | None = None) -> TakenIn:
    """Take a list in.

    Args:
        store: The shop's records.
        held: The list, read without a fault.
        update: Whether a line with the code of an item changes that item.
        name: What messages call the list.
        by: Who does it.

    Raises:
        InputError: Every line that can't be taken, with its number; then nothing is.
    """
    codes = {item.code: item for item in store.all_items()}
    here = {line.line: _of_code(codes, line) for line in held.lines}
    faults = [
        Fault(
            what=f"the stock holds {line.values['code']} already",
            where=f"{name} line {line.line}, code",
            mend="Say that lines may change what is there, or leave the code out.",
        )
        for line in held.lines
        if here[line.line] is not None and not update
    ]
    faults += _tubes_not_there(store, held, name)
    if faults:
        raise InputError(faults)
    new = [line for line in held.lines if here[line.line] is None]
    records: dict[int, StockItem] = {}
    with store.together():
        try:
            added = store.add_items([_values(line) for line in new], by=by) if new else ()
        except InputError as error:
            raise InputError(_with_line(fault, new, name) for fault in error.faults) from error
        records |= {line.line: record for line, record in zip(new, added, strict=True)}
        trouble: list[Fault] = []
        for line in held.lines:
            record = here[line.line]
            if record is None:
                continue
            try:
                records[line.line] = store.edit_item(record.id, _values(line), version=record.version, by=by)
            except InputError as error:
                trouble += [_at(fault, line, name) for fault in error.faults]
        if trouble:
            raise InputError(trouble)
    strange = [line for line in new if "code" in line.values]
    remarks = tuple(
        Fault(
            what=f"no item had the code {line.values['code']}; it is {records[line.line].code} now",
            where=f"{name} line {line.line}, code",
            mend="Print its label anew.",
        )
        for line in strange
    )
    return TakenIn(
        records=tuple(records[line.line] for line in held.lines),
        added=len(new),
        changed=len(held.lines) - len(new),
        remarks=remarks,
    )


def _tubes_not_there(store: Store, held: StockFile, name: str) -> list[Fault]:
    found = []
    for line in held.lines:
        if line.values["tube_id"] is None:
            continue
        try:
            store.tube(line.values["tube_id"])
        except UnknownRecordError as error:
            found += [_at(Fault(what=one.what, where="tube", mend=one.mend), line, name) for one in error.faults]
    return found


def _of_code(codes: dict[str, StockItem], line: StockLine) -> StockItem | None:
    code = str(line.values.get("code", "")).upper()
    return codes.get(code)


def _values(line: StockLine) -> dict[str, object]:
    return {name: value for name, value in line.values.items() if name != "code"}


def _with_line(fault: Fault, lines: list[StockLine], name: str) -> Fault:
    """A fault of the records (``items[2].quantity``) at its line in the list."""
    head, _, field = fault.where.partition("].")
    number = head.removeprefix("items[")
    line = lines[int(number)] if number.isdigit() and int(number) < len(lines) else lines[0]
    return _at(Fault(what=fault.what, where=field or fault.where, mend=fault.mend), line, name)


def _at(fault: Fault, line: StockLine, name: str) -> Fault:
    field = fault.where.rpartition(".")[2]
    return Fault(what=fault.what, where=f"{name} line {line.line}, {field}", mend=fault.mend)
