"""``bench``: the pages in the browser. ``demo``: an invented shop to try things on."""

from __future__ import annotations

import contextlib
from pathlib import Path
from typing import Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.door import tell
from tubewright.cli.shop import ShopOption
from tubewright.errors import Fault, InputError

HOST = "127.0.0.1"
"""The bench listens to this machine only, unless it is told to listen to the shop's network as well."""


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("bench", epilog="Example: tubewright bench --demo")(bench)
    app.command("demo", epilog="Example: tubewright demo seaside.sqlite3")(demo)


def bench(
    *,
    port: Annotated[int, typer.Option(min=0, max=65535, help="Where it listens; 0 takes a free port.")] = 8765,
    browser: Annotated[bool, typer.Option("--browser/--no-browser", help="Open the browser on it.")] = True,
    with_demo: Annotated[bool, typer.Option("--demo", help="Work on an invented shop; yours is left alone.")] = False,
    lan: Annotated[bool, typer.Option("--lan", help="Listen to the shop's network, too, for paired phones.")] = False,
    address: Annotated[
        str | None, typer.Option(metavar="IP", help="With --lan: which of this machine's addresses; else the first.")
    ] = None,
    certificate: Annotated[
        Path | None, typer.Option(metavar="FILE", help="With --lan: encrypt; a certificate as PEM.")
    ] = None,
    key: Annotated[Path | None, typer.Option(metavar="FILE", help="The certificate's key, as PEM.")] = None,
    shop: ShopOption = None,
) -> None:
    """Open the bench in the browser.

    Board, jobs, readings, verdicts. It listens to this machine only. With --lan paired phones in the shop's own
    network reach it as well: by plain HTTP, unless a certificate is given.
    """
    given = [name for name, one in (("--address", address), ("--certificate", certificate), ("--key", key)) if one]
    if given and not lan:
        raise InputError(
            Fault(what=f"{given[0]} is for the shop's network", where=given[0], mend="Add --lan, or leave it out.")
        )
    from tubewright.bench.serve import Lan, run

    # Ctrl+C is how the bench is meant to be closed, so it is no failure.
    with contextlib.suppress(KeyboardInterrupt):
        run(
            settings.shop_path(shop),
            host=HOST,
            port=port,
            open_browser=browser,
            demo=with_demo,
            own=settings.own_path(shop),
            own_place=settings.own_place(shop),
            lan=Lan(address=address, certificate=certificate, key=key) if lan else None,
        )


def demo(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A new file for the invented shop.")] = Path(
        "tubewright-demo.sqlite3"
    ),
) -> None:
    """Write an invented shop to a file, to try things on."""
    if file.exists():
        raise InputError(Fault(what="this file is already there", where=str(file), mend="Name a new one."))
    from tubewright.demo.load import demo_own, load_demo
    from tubewright.records.store import open_store

    with open_store(file) as store:
        load_demo(store, store.clock())
    tell(f"The invented shop is in {file}. Open it: tubewright bench --shop {file}")
    own = file.with_name(settings.OWN_FILE)
    if own.exists():
        tell(f"Its chassis profiles are left out: there is an {own} already.")
    else:
        own.write_bytes(demo_own().read_bytes())
        tell(f"Its chassis profiles are in {own}.")
