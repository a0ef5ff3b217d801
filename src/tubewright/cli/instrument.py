"""``instrument``: the shop's instruments, and what calibrates them."""

from __future__ import annotations

from typing import Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.door import Door, emit, emit_json, tell
from tubewright.cli.shop import ShopOption, make_shop, open_shop
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

NameArgument = Annotated[str, typer.Argument(metavar="NAME", help="The shop's own name for it.")]


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    group = typer.Typer(
        name="instrument",
        cls=Door,
        help="Keep the shop's instruments and calibrate them.",
        no_args_is_help=True,
    )
    group.command("list", epilog="Example: tubewright instrument list")(list_)
    group.command("add", epilog='Example: tubewright instrument add "grey box"')(add_instrument)
    group.command(
        "known-good", epilog='Example: tubewright instrument known-good "grey box" 62div --cutoff 58 --g2 300'
    )(known_good)
    app.add_typer(group)


def list_(
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Write them as JSON.")] = False,
    shop: ShopOption = None,
) -> None:
    """List the shop's instruments and their known-good readings."""
    with open_shop(shop) as store:
        held = [(instrument, store.known_good(instrument.id)) for instrument in store.instruments()]
    if as_json:
        emit_json(
            [
                {
                    "id": instrument.id,
                    "name": instrument.name,
                    "notes": instrument.notes,
                    "known_good": [
                        {
                            "value": reading.value,
                            "unit": reading.unit,
                            "cutoff_v": reading.cutoff_v,
                            "g2_v": reading.g2_v,
                            "tube_label": reading.tube_label,
                        }
                        for reading in readings
                    ],
                }
                for instrument, readings in held
            ]
        )
        return
    from tubewright.report.describe import Block, Column, Paragraph, Table
    from tubewright.report.text import blocks_to_text

    block: Block = Paragraph(text='No instrument yet. Add one: tubewright instrument add "grey box"')
    if held:
        block = Table(
            caption=f"{len(held)} instrument{'' if len(held) == 1 else 's'}",
            columns=(
                Column(heading="Instrument"),
                Column(heading="Known-good readings", figures=True),
                Column(heading="Notes"),
            ),
            rows=tuple((instrument.name, str(len(readings)), instrument.notes) for instrument, readings in held),
        )
    emit(blocks_to_text([block], width=settings.columns(), colour=settings.colour()))


def add_instrument(
    name: NameArgument,
    *,
    notes: Annotated[str, typer.Option(help="Scale, settings, whatever helps to read it the same way again.")] = "",
    shop: ShopOption = None,
) -> None:
    """Add an instrument to the shop."""
    with make_shop(shop) as store:
        instrument = store.add_instrument(name, notes=notes)
    tell(f"Instrument {instrument.id}: {instrument.name}.")


def known_good(
    name: NameArgument,
    value: Annotated[str, typer.Argument(metavar="VALUE", help="What it shows on a good gun, as 62div or 450uA.")],
    *,
    cutoff: Annotated[str, typer.Option(metavar="V", help="That gun's cutoff, V.")] = "",
    g2: Annotated[str, typer.Option(metavar="V", help="Grid 2 during the reading, V.")] = "",
    tube: Annotated[str, typer.Option(metavar="LABEL", help="The tube's label.")] = "",
    shop: ShopOption = None,
) -> None:
    """Write down an emission reading on a gun known to be good.

    Such readings calibrate the instrument.
    """
    reading = parse_quantity(value, kind="emission", where="VALUE")
    cutoff_v = parse_quantity(cutoff, kind="cutoff", where="--cutoff").value if cutoff else None
    g2_v = parse_quantity(g2, kind="voltage", where="--g2").value if g2 else None
    from tubewright.case import UNITS_OF, Unit

    unit: Unit = next(known for known in UNITS_OF["emission"] if known == reading.unit)
    with open_shop(shop) as store:
        held = {instrument.name: instrument.id for instrument in store.instruments()}
        if name not in held:
            from tubewright.knowledge.search import nearest

            close = nearest(name, held)
            mend = f"Did you mean {close[0]!r}?" if close else f'Add it first: tubewright instrument add "{name}"'
            raise InputError(Fault(what=f"the shop has no instrument named {name!r}", where="NAME", mend=mend))
        store.add_known_good(held[name], value=reading.value, unit=unit, cutoff_v=cutoff_v, g2_v=g2_v, tube_label=tube)
        count = len(store.known_good(held[name]))
    tell(f"Written down; {name} now has {count} known-good reading{'' if count == 1 else 's'}.")
