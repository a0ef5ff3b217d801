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

    The copy is checked; the bench may be running meanwhile. The shop's own file of faults and chassis profiles is
    copied beside it.
    """
    from tubewright.records.backup import backup as copy
    from tubewright.records.own_copy import back_up_own, check_free

    own = settings.own_path(shop)
    with open_shop(shop) as store, written(file):
        if own is not None and own.exists():
            check_free(file)
        report = copy(store, file)
    tell(f"Copied {_counted(report.jobs, 'job')} and {_counted(report.readings, 'reading')} to {report.path}.")
    if own is None:
        return
    if not own.exists():
        tell(f"The shop's own file was not copied: there is no {own}, though {settings.OWN_VARIABLE} names it.")
        return
    with written(file):
        tell(f"The shop's own file {own} is copied to {back_up_own(own, file)}.")


def restore(
    file: Annotated[Path, typer.Argument(metavar="FILE", help="A copy made by backup.")],
    *,
    shop: ShopOption = None,
) -> None:
    """Put a copy in the place of the shop's records.

    What was there is kept beside it. Close the bench first. The shop's own file is put back as well if one lies beside
    the copy.
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
    _restore_own(file, settings.own_path(shop) or settings.own_place(shop))


def _restore_own(file: Path, place: Path) -> None:
    """Put back the shop's own file that lies beside a copy, and say what became of the one that was there."""
    from tubewright.records.own_copy import restore_own

    with written(place):
        own = restore_own(file, place, now=dt.datetime.now(dt.UTC))
    if own is None:
        if place.exists():
            tell(f"No own file lies beside the copy; {place} stays as it is.")
    elif own.same:
        tell(f"The shop's own file {own.path} is the same as the one beside the copy.")
    else:
        kept = f" The one that was there is now {own.set_aside}." if own.set_aside else ""
        tell(f"Put back the shop's own file {own.path}.{kept}")


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
