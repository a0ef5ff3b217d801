"""``tables``: the records as plain tables, for spreadsheets and for reckoning with."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from tubewright.cli.door import tell
from tubewright.cli.keep import written
from tubewright.cli.shop import ShopOption, open_shop
from tubewright.errors import Fault, InputError


def add(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("tables", epilog="Example: tubewright tables readings jobs --to november --format parquet")(tables)


def tables(
    names: Annotated[list[str] | None, typer.Argument(metavar="NAME", help="Which tables; all if none.")] = None,
    *,
    to: Annotated[Path, typer.Option("--to", metavar="FOLDER", help="Where to; made if it isn't there.")],
    form: Annotated[str, typer.Option("--format", metavar="csv|parquet", help="What to write.")] = "csv",
    shop: ShopOption = None,
) -> None:
    """Write the shop's tables as CSV or Parquet, a file for each.

    A text that a spreadsheet would take for a formula gets an apostrophe before it in CSV.
    """
    from tubewright.files.tables_out import FORMATS, write_table

    if form not in FORMATS:
        raise typer.BadParameter(f"it can be {' or '.join(FORMATS)}", param_hint="--format")
    with open_shop(shop) as store:
        chosen = _chosen(names or [], store.table_names())
        with written(to):
            to.mkdir(parents=True, exist_ok=True)
            _refuse_there(to, chosen, form)
            for name in chosen:
                path = to / f"{name}.{form}"
                partial = path.with_name(f"{path.name}.partial")
                try:
                    with partial.open("wb") as file:
                        count = write_table(
                            file, store.table_columns(name), store.table_rows(name), form=form, progress=_shown(name)
                        )
                    partial.replace(path)
                except KeyboardInterrupt:
                    tell(f"Stopped at {name}; the tables before it are whole.")
                    raise typer.Exit(130) from None
                finally:
                    partial.unlink(missing_ok=True)
                tell(f"{path}: {count:,} {'row' if count == 1 else 'rows'}")


def _chosen(names: list[str], known: tuple[str, ...]) -> list[str]:
    import difflib

    faults = []
    for name in names:
        if name not in known:
            near = difflib.get_close_matches(name, known, n=2)
            mend = f"Did you mean {' or '.join(near)}?" if near else f"There are {', '.join(known)}."
            faults.append(Fault(what=f"there is no table {name}", where="NAME", mend=mend))
    if faults:
        raise InputError(faults)
    return list(dict.fromkeys(names or known))


def _refuse_there(to: Path, names: list[str], form: str) -> None:
    there = [f"{name}.{form}" for name in names if (to / f"{name}.{form}").exists()]
    if there:
        what = f"{there[0]} is there already" + (f", and {len(there) - 1} more" if len(there) > 1 else "")
        raise InputError(Fault(what=what, where=str(to), mend="Choose another folder."))


def _shown(name: str) -> Callable[[int], None] | None:
    """A line that counts on a terminal; nothing where nobody watches."""
    if not sys.stderr.isatty():
        return None

    def show(rows: int) -> None:
        sys.stderr.write(f"\r{name}: {rows:,} rows\x1b[K\r")
        sys.stderr.flush()

    return show
