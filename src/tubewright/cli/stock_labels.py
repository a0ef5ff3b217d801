"""``stock labels``: labels with a QR code for items of the stock, displays and jobs."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

import typer

from tubewright.cli.door import printable, tell
from tubewright.cli.shop import ShopOption, known_anyway, number_of, open_shop
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

if TYPE_CHECKING:
    from tubewright.report.labels import LabelSheet

SizeHelp: Final = "mm; else as the sheet has it."
LOCAL_BASE: Final = "http://127.0.0.1:8765"
"""Where the bench answers on its own machine."""


def add(group: typer.Typer) -> None:
    """Add the command of this module to the group of the stock."""
    group.command(
        "labels", epilog="Example: tubewright stock labels 01ABX7Q --to labels.pdf --base http://192.0.2.7:8765"
    )(labels)


def labels(
    items: Annotated[list[str] | None, typer.Argument(metavar="[CODE]...", help="Items; all if none is named.")] = None,
    *,
    to: Annotated[Path, typer.Option("--to", metavar="FILE", help="A new file that ends in .pdf or .svg.")],
    base: Annotated[
        str, typer.Option("--base", metavar="URL", help="The address under which phones reach the bench.")
    ] = LOCAL_BASE,
    job: Annotated[list[str] | None, typer.Option("--job", metavar="JOB", help="A label for a job as well.")] = None,
    display: Annotated[
        list[str] | None, typer.Option("--display", metavar="N", help="A label for a display as well.")
    ] = None,
    copies: Annotated[int, typer.Option(min=1, max=100, help="Of each label.")] = 1,
    sheet: Annotated[str, typer.Option(help="a4-21, a4-24, letter-30 or roll-62, all from memory.")] = "a4-21",
    skip: Annotated[int, typer.Option(min=0, help="Places of the first sheet that are used already.")] = 0,
    paper_wide: Annotated[str, typer.Option(metavar="MM", help=f"Paper, {SizeHelp}")] = "",
    paper_high: Annotated[str, typer.Option(metavar="MM", help=f"Paper, {SizeHelp}")] = "",
    wide: Annotated[str, typer.Option(metavar="MM", help=f"One label, {SizeHelp}")] = "",
    high: Annotated[str, typer.Option(metavar="MM", help=f"One label, {SizeHelp}")] = "",
    columns: Annotated[int | None, typer.Option(min=1, help="Labels in a row.")] = None,
    rows: Annotated[int | None, typer.Option(min=1, help="Labels in a column.")] = None,
    left: Annotated[str, typer.Option(metavar="MM", help="Left of the first label, mm.")] = "",
    top: Annotated[str, typer.Option(metavar="MM", help="Above the first label, mm.")] = "",
    across: Annotated[str, typer.Option(metavar="MM", help="Gap between columns, mm.")] = "",
    down: Annotated[str, typer.Option(metavar="MM", help="Gap between rows, mm.")] = "",
    shop: ShopOption = None,
) -> None:
    """Write labels with a QR code.

    The code opens the item, the job or the display on a phone.
    """
    from tubewright.bench.labelling import labels_for
    from tubewright.cli.stock import named_item, write_new
    from tubewright.report.labels import base_address, labels_pdf, labels_svg, reaches_phones

    if to.suffix.lower() not in {".pdf", ".svg"}:
        raise InputError(Fault(what="it ends in neither .pdf nor .svg", where="--to", mend="Write --to labels.pdf."))
    sizes = {
        "paper_width_mm": paper_wide, "paper_height_mm": paper_high, "label_width_mm": wide, "label_height_mm": high,
        "left_mm": left, "top_mm": top, "gap_across_mm": across, "gap_down_mm": down,
    }  # fmt: skip
    grid = _sheet(sheet, sizes, columns, rows)
    address = base_address(base, where="--base")
    with open_shop(shop) as store:
        named = [named_item(store, one) for one in items or []]
        jobs = [store.job(number_of(one, "job")) for one in job or []]
        displays = [store.display(number_of(one, "display")) for one in display or []]
        if not (named or jobs or displays):
            named = list(store.all_items())
        made = labels_for(named, address, known_anyway(shop), jobs=jobs, displays=displays, copies=copies)
    try:
        if to.suffix.lower() == ".svg":
            pages = labels_svg(made, grid, skip=skip)
            for number, page in enumerate(pages, start=1):
                write_new(to if len(pages) == 1 else to.with_stem(f"{to.stem}-{number}"), page.encode("utf-8"))
        else:
            write_new(to, labels_pdf(made, grid, skip=skip, at=dt.datetime.now(dt.UTC)).pdf)
    except InputError as error:
        raise InputError(_as_options(error)) from error
    tell(f"{len(made)} {'label' if len(made) == 1 else 'labels'} written to {printable(str(to))}.")
    if not reaches_phones(address):
        tell(
            f"Their codes open {address}, which no phone reaches: give --base with the bench's address in your network."
        )


_FIELDS: Final = {
    "paper_width_mm": "--paper-wide", "paper_height_mm": "--paper-high", "label_width_mm": "--wide",
    "label_height_mm": "--high", "left_mm": "--left", "top_mm": "--top", "gap_across_mm": "--across",
    "gap_down_mm": "--down", "columns": "--columns", "rows": "--rows", "sheet": "--sheet", "skip": "--skip",
    "base": "--base", "items": "CODE",
}  # fmt: skip


def _sheet(name: str, sizes: dict[str, str], columns: int | None, rows: int | None) -> LabelSheet:
    from tubewright.report.labels import sheet_of

    given: dict[str, float | None] = {
        field: parse_quantity(text, kind="millimetres", where=_FIELDS[field]).value
        for field, text in sizes.items()
        if text
    }
    try:
        return sheet_of(name, given | {"columns": columns, "rows": rows})
    except InputError as error:
        raise InputError(_as_options(error)) from error


def _as_options(error: InputError) -> list[Fault]:
    return [Fault(what=one.what, where=_FIELDS.get(one.where, one.where), mend=one.mend) for one in error.faults]
