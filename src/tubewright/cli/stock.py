"""``stock``: the shop's parts and tubes: list, add, edit, carry in and out, order, label."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from tubewright.cli import settings, stock_job, stock_labels
from tubewright.cli.door import Door, emit, emit_json, printable, tell
from tubewright.cli.shop import ShopOption, known_anyway, make_shop, open_shop
from tubewright.errors import Fault, InputError, UnknownRecordError

if TYPE_CHECKING:
    from tubewright.answers.stock import Item
    from tubewright.answers.stock_kinds import Kinds
    from tubewright.knowledge.model import Knowledge
    from tubewright.records.model import StockItem
    from tubewright.records.store import Store
    from tubewright.report.describe import Block

JsonOption = Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")]
ItemArgument = Annotated[str, typer.Argument(metavar="CODE", help="The code on its label, or its number.")]
KindOption = Annotated[str, typer.Option(help="Its kind: film, resistor, fuse, tube ...; else from the words.")]
NameOption = Annotated[str, typer.Option(help="Its name; else made from what is known of it.")]
CountOption = Annotated[str, typer.Option(metavar="N", help="How many there are.")]
MinimumOption = Annotated[str, typer.Option(metavar="N", help="Order when fewer are left.")]
PlaceOption = Annotated[str, typer.Option(help="Where it lies.")]
CostOption = Annotated[str, typer.Option(metavar="AMOUNT", help="Of one piece.")]
CurrencyOption = Annotated[str, typer.Option(help="Three letters: EUR.")]
SupplierOption = Annotated[str, typer.Option(help="Whom it comes from.")]
TubeOption = Annotated[str, typer.Option(metavar="N", help="The tube of the records that it is.")]
NotesOption = Annotated[str, typer.Option(help="Anything else.")]
SetOption = Annotated[
    list[str] | None,
    typer.Option("--set", metavar="NAME=VALUE", help="An attribute, such as esr_ohm=0.3; empty takes it out."),
]
_OPTION_OF: Final = {"quantity": "--count", "tube": "--tube", "what": "WORDS"}


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    group = typer.Typer(
        name="stock", cls=Door, help="Keep, reserve, order and label parts and tubes.",
        no_args_is_help=True,
    )  # fmt: skip
    group.command("list", epilog='Example: tubewright stock list "47u 50"')(list_)
    group.command("show", epilog="Example: tubewright stock show 01ABX7Q")(show)
    group.command("add", epilog='Example: tubewright stock add "47u 50V 105C low esr" --count 20 --place A3')(add_item)
    group.command("edit", epilog="Example: tubewright stock edit 01ABX7Q --count 18 --set esr_ohm=0.3")(edit)
    group.command("remove", epilog="Example: tubewright stock remove 01ABX7Q")(remove)
    group.command("import", epilog="Example: tubewright stock import stock.csv")(import_)
    group.command("export", epilog="Example: tubewright stock export stock.csv")(export)
    group.command("order", epilog="Example: tubewright stock order --csv order.csv")(order)
    stock_job.add(group)
    stock_labels.add(group)
    app.add_typer(group)


def list_(
    words: Annotated[str, typer.Argument(metavar="[WORDS]", help="Only what holds all of these.")] = "",
    *,
    tubes: Annotated[bool, typer.Option("--tubes", help="Only tubes.")] = False,
    parts: Annotated[bool, typer.Option("--parts", help="Only parts.")] = False,
    short: Annotated[bool, typer.Option("--short", help="Only what is to be ordered.")] = False,
    as_json: JsonOption = False,
    shop: ShopOption = None,
) -> None:
    """List what lies in stock."""
    from tubewright.answers.stock import matches, stock_json
    from tubewright.bench.stocking import items_of
    from tubewright.report.describe import Paragraph
    from tubewright.report.stock_text import stock_table

    known = kinds_here(shop)
    with open_shop(shop) as store:
        held = items_of(store.all_items())
    sorts = {"tube"} if tubes and not parts else {"part"} if parts and not tubes else {"part", "tube"}
    found = [item for item in held if item.sort in sorts and (item.short or not short) and matches(item, words, known)]
    if as_json:
        emit_json(stock_json(found, known))
        return
    empty = "Nothing fits." if held else 'The stock is empty. Add to it: tubewright stock add "47u 50V 105C" --count 20'
    say([stock_table(found, known) if found else Paragraph(text=empty)])


def show(item: ItemArgument, *, as_json: JsonOption = False, shop: ShopOption = None) -> None:
    """Show an item with its attributes and what jobs took of it."""
    from tubewright.answers.stock import show_json
    from tubewright.bench.stocking import item_of, taken_of
    from tubewright.report.stock_text import item_blocks

    known = kinds_here(shop)
    with open_shop(shop) as store:
        record = named_item(store, item)
        taken = taken_of(store.reservations_of_item(record.id))
    if as_json:
        emit_json(show_json(item_of(record), taken, known))
        return
    say(item_blocks(item_of(record), taken, known))


def add_item(
    words: Annotated[
        str, typer.Argument(metavar="WORDS", help="What it is: 47u 50V 105C low esr; resistor 4k7 0.5W; tube M34...")
    ] = "",
    *,
    kind: KindOption = "",
    name: NameOption = "",
    count: CountOption = "",
    minimum: MinimumOption = "",
    place: PlaceOption = "",
    cost: CostOption = "",
    currency: CurrencyOption = "",
    supplier: SupplierOption = "",
    tube: TubeOption = "",
    notes: NotesOption = "",
    attribute: SetOption = None,
    as_json: JsonOption = False,
    shop: ShopOption = None,
) -> None:
    """Put an item into the stock; its code is given to it."""
    from tubewright.files.stock_fields import TypedItem, item_values

    knowledge = known_anyway(shop)
    given = {
        "what": words, "kind": kind, "name": name, "quantity": count, "minimum": minimum, "place": place,
        "cost": cost, "currency": currency, "supplier": supplier, "tube": tube, "notes": notes,
    }  # fmt: skip
    typed = TypedItem(cells=_given(given) | _attributes(attribute), where=_option)
    values = item_values(typed, knowledge, this_year=this_year())
    if typed.faults:
        raise InputError(typed.faults)
    with make_shop(shop) as store:
        record = store.add_item(values)
    _told(record, knowledge, "Added", as_json=as_json)


def edit(
    item: ItemArgument,
    *,
    kind: KindOption = "",
    name: NameOption = "",
    count: CountOption = "",
    minimum: MinimumOption = "",
    place: PlaceOption = "",
    cost: CostOption = "",
    currency: CurrencyOption = "",
    supplier: SupplierOption = "",
    tube: TubeOption = "",
    notes: NotesOption = "",
    attribute: SetOption = None,
    as_json: JsonOption = False,
    shop: ShopOption = None,
) -> None:
    """Change an item; what isn't named stays as it is."""
    from tubewright.bench.stocking import item_of
    from tubewright.files.stock_fields import TypedItem, cells_of, edited_values

    knowledge = known_anyway(shop)
    given = {
        "kind": kind, "name": name, "quantity": count, "minimum": minimum, "place": place,
        "cost": cost, "currency": currency, "supplier": supplier, "tube": tube, "notes": notes,
    }  # fmt: skip
    changes = _given(given) | _attributes(attribute)
    if not changes:
        mend = "Name a field, such as --count 12 or --set esr_ohm=0.3."
        raise InputError(Fault(what="nothing is to be changed", where="", mend=mend))
    with open_shop(shop) as store:
        record = named_item(store, item)
        held = item_of(record)
        typed = TypedItem(cells={**cells_of(held), **changes}, where=_option)
        values = edited_values(held, typed, knowledge, this_year=this_year())
        if typed.faults:
            raise InputError(typed.faults)
        record = store.edit_item(record.id, values, version=record.version)
    _told(record, knowledge, "Changed", as_json=as_json)


def remove(item: ItemArgument, *, shop: ShopOption = None) -> None:
    """Strike out an item that no job ever reserved; the history keeps it."""
    with open_shop(shop) as store:
        record = named_item(store, item)
        store.remove_item(record.id, version=record.version)
    tell(f"Struck out: {record.code} {record.name}.")


def import_(
    file: Annotated[Path, typer.Argument(metavar="FILE.csv", help="Headings, then a line for each item.")],
    *,
    update: Annotated[
        bool, typer.Option("--update", help="Lines with the code of an item change it; else they are refused.")
    ] = False,
    as_json: JsonOption = False,
    shop: ShopOption = None,
) -> None:
    """Take a list of items into the stock: all of it or nothing.

    Every mistake is named with line and field.
    """
    from tubewright.answers.stock import stock_json
    from tubewright.bench.stock_import import take_in
    from tubewright.bench.stocking import items_of
    from tubewright.files.stock_csv import read_stock

    knowledge = known_anyway(shop)
    held = read_stock(file, knowledge, this_year=this_year())
    with make_shop(shop) as store:
        done = take_in(store, held, update=update, name=file.name)
    for fault in (*held.remarks, *done.remarks):
        tell(f"tubewright: {fault}")
    if as_json:
        emit_json(stock_json(items_of(done.records), kinds_here(shop)))
    tell(done.words)


def export(
    file: Annotated[str, typer.Argument(metavar="FILE.csv", help="A new file, or - for standard output.")],
    *,
    shop: ShopOption = None,
) -> None:
    """Write the stock as CSV, to be imported again."""
    from tubewright.bench.stocking import items_of
    from tubewright.files.stock_csv import stock_csv

    with open_shop(shop) as store:
        held = items_of(store.all_items())
    text = stock_csv(held)
    if file == "-":
        emit(text.replace("\r\n", "\n"))
        return
    write_new(Path(file), text.encode("utf-8"))
    tell(f"{len(held)} items written to {printable(file)}.")


def order(
    *,
    csv: Annotated[
        Path | None, typer.Option("--csv", metavar="FILE", help="Write it to a new CSV file as well.")
    ] = None,
    as_json: JsonOption = False,
    shop: ShopOption = None,
) -> None:
    """Say what is to be ordered, and for which jobs."""
    from tubewright.answers.stock import order_json
    from tubewright.bench.stocking import order_of
    from tubewright.files.stock_orders import order_list_csv
    from tubewright.report.stock_text import order_blocks

    known = kinds_here(shop)
    with open_shop(shop) as store:
        lines = order_of(store.order_list())
    if csv is not None:
        write_new(csv, order_list_csv(lines, known).encode("utf-8"))
    if as_json:
        emit_json(order_json(lines, known))
    else:
        say(order_blocks(lines, known))
    if csv is not None:
        tell(f"Order written to {printable(str(csv))}.")


# --- what the commands of the stock share ----------------------------------------------


def named_item(store: Store, named: str) -> StockItem:
    """The item of a code, or of a number.

    Raises:
        UnknownRecordError: There is none.
    """
    if named.isascii() and named.isdigit() and len(named) < 7:  # a code has seven letters
        return store.item(int(named))
    try:
        return store.item_by_code(named)
    except UnknownRecordError as error:
        mend = "`tubewright stock list` shows the codes."
        raise UnknownRecordError(Fault(what=one.what, where="CODE", mend=mend) for one in error.faults) from error


def kinds_here(shop: str | None) -> Kinds:
    """The kinds of items there are, by id."""
    from tubewright.answers.stock_kinds import kinds

    return kinds(known_anyway(shop))


def this_year() -> int:
    """The year now, by the clock of this machine."""
    return dt.datetime.now(dt.UTC).year


def say(blocks: list[Block]) -> None:
    """Print blocks of words and tables."""
    from tubewright.report.text import blocks_to_text

    emit(blocks_to_text(blocks, width=settings.columns(), colour=settings.colour()))


def write_new(path: Path, data: bytes) -> None:
    """Write a file that isn't there yet.

    Raises:
        InputError: There is one, or it can't be written.
    """
    try:
        with path.open("xb") as file:
            file.write(data)
    except FileExistsError as error:
        raise InputError(Fault(what="the file is there already", where=str(path), mend="Name a new one.")) from error
    except OSError as error:
        mend = "Name a place that can be written to."
        raise InputError(Fault(what=f"can't be written ({error.strerror})", where=str(path), mend=mend)) from error


def _given(options: Mapping[str, str]) -> dict[str, str]:
    return {name: value for name, value in options.items() if value}


def _attributes(pairs: list[str] | None) -> dict[str, str]:
    """Attributes as ``--set NAME=VALUE`` gives them."""
    from tubewright.answers.stock_kinds import ATTRIBUTES
    from tubewright.files.stock_fields import unknown_field

    found: dict[str, str] = {}
    faults: list[Fault] = []
    for pair in pairs or []:
        name, sign, value = pair.partition("=")
        name = name.strip()
        if not sign:
            faults.append(Fault(what=f"“{pair[:40]}” has no =", where="--set", mend="Write it as esr_ohm=0.3."))
        elif name not in ATTRIBUTES:
            near = unknown_field(name, "--set")
            mend = "docs/stock.md lists the attributes."
            faults.append(near or Fault(what=f"there is no attribute “{name[:40]}”", where="--set", mend=mend))
        else:
            found[name] = value.strip()
    if faults:
        raise InputError(faults)
    return found


def _option(field: str) -> str:
    from tubewright.answers.stock_kinds import ATTRIBUTES

    if field in ATTRIBUTES:
        return f"--set {field}"
    return _OPTION_OF.get(field, f"--{field.replace('_', '-')}")


def _told(record: StockItem, knowledge: Knowledge, did: str, *, as_json: bool) -> None:
    from tubewright.answers.stock import FORMAT, item_json
    from tubewright.bench.stocking import item_of

    item: Item = item_of(record)
    from tubewright.answers.stock_kinds import kinds

    body: dict[str, Any] = {"format": FORMAT, "item": item_json(item, kinds(knowledge)), "reservations": []}
    if as_json:
        emit_json(body)
    tell(f"{did}: {item.code} {item.name}.")
