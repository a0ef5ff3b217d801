"""``settings``: what the shop says of itself and reckons with."""

from __future__ import annotations

from typing import Annotated

import typer

from tubewright.cli import settings as surroundings
from tubewright.cli.door import emit, emit_json, tell
from tubewright.cli.shop import ShopOption, make_shop, open_shop
from tubewright.errors import Fault, InputError


def add(app: typer.Typer) -> None:
    """Add the group of commands."""
    group = typer.Typer(
        help="Name, rate, tax, terms and white of the shop.",
        no_args_is_help=True,
        rich_markup_mode=None,
        context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
    )
    group.command("show", epilog="Example: tubewright settings show --json")(show)
    group.command("set", epilog="Example: tubewright settings set currency EUR bench_rate_per_hour 45")(set_)
    app.add_typer(group, name="settings")


def show(
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Write them as JSON.")] = False,
    shop: ShopOption = None,
) -> None:
    """Show every setting of the shop."""
    with open_shop(shop) as store:
        _show(store.settings(), as_json=as_json)


def set_(
    pairs: Annotated[list[str], typer.Argument(metavar="KEY VALUE...", help='Keys, each with its value; "" clears.')],
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Write all settings as JSON afterwards.")] = False,
    shop: ShopOption = None,
) -> None:
    """Set some settings; the others stay as they are."""
    from tubewright.answers.quote_terms import checked_settings

    if len(pairs) % 2:
        raise InputError(
            Fault(what=f"{pairs[-1]} has no value", where="set", mend="Write a key and its value: currency EUR.")
        )
    changes = dict(zip(pairs[::2], pairs[1::2], strict=True))
    with make_shop(shop) as store:
        kept = checked_settings(changes, store.settings())
        now = store.set_settings(kept)
        if as_json:
            _show(now, as_json=True)
    tell(f"Set: {', '.join(kept)}.")


def _show(held: dict[str, str], *, as_json: bool) -> None:
    from tubewright.answers.quote_terms import NAMES, settings_json

    if as_json:
        emit_json(settings_json(held))
        return
    from tubewright.report.describe import Column, Table
    from tubewright.report.text import blocks_to_text

    table = Table(
        caption="The shop",
        columns=(Column(heading="Setting"), Column(heading="Key"), Column(heading="Value")),
        rows=tuple((words, key, " / ".join(held[key].splitlines()) or "not set") for key, words in NAMES.items()),
    )
    emit(blocks_to_text([table], width=surroundings.columns(), colour=surroundings.colour()))
