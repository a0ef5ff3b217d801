"""``backup``, ``restore``, ``export``, ``import``: carrying the shop's records about."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.door import tell
from tubewright.cli.shop import ShopOption, make_shop, number_of, open_shop
from tubewright.errors import Fault, InputError


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("backup", epilog="Example: tubewright backup shop-november.sqlite3")(backup)
    app.command("restore", epilog="Example: tubewright restore shop-november.sqlite3")(restore)
    app.command("export", epilog="Example: tubewright export pier-7.json --job 7")(export)
    app.command("import", epilog="Example: tubewright import pier-7.json")(import_)


def backup(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A new file for the copy.")],
    *,
    shop: ShopOption = None,
) -> None:
    """Copy the shop's records to a file.

    The copy is checked; the bench may be running meanwhile.
    """
    from tubewright.records.backup import backup as copy

    with open_shop(shop) as store, written(file):
        report = copy(store, file)
    tell(f"Copied {_counted(report.jobs, 'job')} and {_counted(report.readings, 'reading')} to {report.path}.")


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A copy made by backup.")],
    *,
    shop: ShopOption = None,
) -> None:
    """Put a copy in the place of the shop's records.

    What was there is kept beside it. Close the bench first.
    """
    from tubewright.records.backup import restore as put_back

    where = settings.shop_path(shop)
    if isinstance(where, str):
        raise InputError(
            Fault(what="these records are on a database server", where=where, mend="Use the server's own tools.")
        )
    with written(where):
        report = put_back(file, where, now=dt.datetime.now(dt.UTC))
    kept = f" What was there is now {report.set_aside}." if report.set_aside else ""
    tell(f"Put back {_counted(report.jobs, 'job')} and {_counted(report.readings, 'reading')}.{kept}")


def export(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A new file.")],
    *,
    job: Annotated[str, typer.Option("--job", metavar="NUMBER", help="Only this job and what it speaks of.")] = "",
    shop: ShopOption = None,
) -> None:
    """Write the shop's records, or one job, as JSON.

    Another shop can import it.
    """
    from tubewright.records import exchange

    if file.exists():
        raise InputError(
            Fault(what="there is a file of that name already", where=str(file), mend="Choose another name.")
        )
    with open_shop(shop) as store, written(file):
        document = exchange.export_job(store, number_of(job, "job")) if job else exchange.export_shop(store)
        exchange.write_export(document, file)
    tell(f"Written to {file}.")


def import_(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A document made by export.")],
    *,
    shop: ShopOption = None,
) -> None:
    """Add what an exported document holds.

    What the shop has already stays as it is; all of it is added or nothing.
    """
    from tubewright.records import exchange

    with make_shop(shop) as store:
        report = exchange.import_file(store, file)
    added = sum(report.added.values())
    tell(f"Added {_counted(added, 'record')}; {_counted(report.present, 'record')} already here.")
    for line in report.differ:
        tell(f"Left as it is here, though it differs: {line}")


@contextmanager
def written(path: Path) -> Iterator[None]:
    """Turn trouble with writing a file into a message about that file."""
    try:
        yield
    except OSError as error:
        raise InputError(
            Fault(
                what=f"the file can't be written ({error.strerror or error})",
                where=str(path),
                mend="Check the folder, its permissions and the room on the disk.",
            )
        ) from error


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}{'' if number == 1 else 's'}"
