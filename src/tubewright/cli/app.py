"""The command ``tubewright``, put together from a module per group."""

from __future__ import annotations

from typing import Annotated

import typer

import tubewright
from tubewright.cli import (
    advise,
    afc,
    archive,
    assess,
    bench,
    diagnose,
    donor,
    due,
    grey,
    heater,
    hold,
    instrument,
    keep,
    label,
    lists,
    measure,
    own,
    pattern,
    phones,
    proof,
    quote,
    raster,
    recap,
    replay,
    settings_shop,
    simulate,
    source,
    stock,
    supply,
    tables,
    trace,
    treat,
)
from tubewright.cli.door import Door, speak_utf8

app = typer.Typer(
    name="tubewright",
    cls=Door,
    help="Is this picture tube worth saving, and what is the next safe step?",
    epilog="Exit codes: 0 answered, 1 our own failure, 2 wrong input, 3 refused.",
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    no_args_is_help=True,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 100},
)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"tubewright {tubewright.__version__}")
        raise typer.Exit


@app.callback()
def _tubewright(
    *,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Say which version this is.")
    ] = False,
) -> None:
    pass


for _module in (
    assess,
    diagnose,
    trace,
    treat,
    hold,
    due,
    measure,
    advise,
    grey,
    proof,
    pattern,
    raster,
    lists,
    own,
    heater,
    label,
    donor,
    stock,
    afc,
    recap,
    source,
    supply,
    instrument,
    replay,
    simulate,
    quote,
    settings_shop,
    archive,
    tables,
    bench,
    phones,
    keep,
):
    _module.add(app)


def main() -> None:
    """Run the command line; ends the process with its exit code."""
    speak_utf8()
    app(prog_name="tubewright")
