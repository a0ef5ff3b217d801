"""The page docs/cli.md, made from the help of every command.

Write it anew with ``python -m tubewright.cli.reference docs/cli.md``; a test
compares it.
"""

from __future__ import annotations

import inspect
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

import typer

from tubewright.cli import door, settings

WIDTH: Final = 80

_OPENING: Final = """\
# The command line

This page is made from `--help`; `python -m tubewright.cli.reference docs/cli.md` writes it anew.

Answers go to standard output, everything else to standard error. Shell completion: `tubewright --install-completion`.
"""


def reference() -> str:
    """The whole page as Markdown."""
    from tubewright.cli.app import app

    parts = [_OPENING]
    parts += ["## Exit codes\n", _table_in(door), "## Surroundings\n", _table_in(settings)]
    parts.append(
        "## The shop\n\n"
        "Commands that work on the shop's records find them where `--shop` says, else where the variable "
        f"`{settings.SHOP_VARIABLE}` says, else in your user data folder, in the file `{settings.SHOP_FILE}`. "
        "`assess` learns from that shop where there is one.\n"
    )
    for path, text in _helps(typer.main.get_command(app), ("tubewright",), None):
        parts.append(f"{'#' * min(len(path) + 1, 4)} {' '.join(path)}\n\n```text\n{text.rstrip()}\n```\n")
    return "\n".join(parts)


def _table_in(module: object) -> str:
    """The Markdown table in a module's docstring."""
    lines = (inspect.getdoc(module) or "").replace("``", "`").splitlines()
    return "\n".join(line for line in lines if line.startswith("|")) + "\n"


def _helps(command: Any, path: tuple[str, ...], parent: Any) -> Iterator[tuple[tuple[str, ...], str]]:  # noqa: ANN401 - Typer's own types move between its versions
    context = command.context_class(
        command, info_name=path[-1], parent=parent, terminal_width=WIDTH, **command.context_settings
    )
    yield path, command.get_help(context)
    for name, inner in getattr(command, "commands", {}).items():
        yield from _helps(inner, (*path, name), context)


if __name__ == "__main__":
    Path(sys.argv[1]).write_text(reference(), encoding="utf-8", newline="\n")
