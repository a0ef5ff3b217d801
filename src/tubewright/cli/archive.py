"""``archive`` and ``take-in``: one job as one file, from one shop to another."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from tubewright.cli.door import tell
from tubewright.cli.keep import written
from tubewright.cli.shop import ShopOption, known, make_shop, number_of, open_shop
from tubewright.errors import Fault, InputError


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("archive", epilog="Example: tubewright archive job:7 --to job-7.zip")(archive)
    app.command("take-in", epilog="Example: tubewright take-in job-7.zip")(take_in)


def archive(
    job: Annotated[str, typer.Argument(metavar="JOB", help="A job of the shop: job:7.")],
    *,
    to: Annotated[Path, typer.Option("--to", metavar="FILE.zip", help="A new file.")],
    shop: ShopOption = None,
) -> None:
    """Write a job as one file: records, readings, photographs, papers.

    Another shop can take it in. The same job gives the same file.
    """
    from tubewright.bench.archiving import write_job

    if to.exists():
        raise InputError(Fault(what="there is a file of that name already", where=str(to), mend="Choose another name."))
    partial = to.with_name(f"{to.name}.partial")
    with open_shop(shop) as store, written(to):
        try:
            with partial.open("xb") as file:
                left_out = write_job(store, known(shop), number_of(job, "job"), file)
            partial.replace(to)
        finally:
            partial.unlink(missing_ok=True)
    for one in left_out:
        tell(f"Left out: {one}.")
    tell(f"Written to {to}.")


def take_in(
    file: Annotated[Path, typer.Argument(metavar="FILE.zip", help="A file made by archive.")],
    *,
    shop: ShopOption = None,
) -> None:
    """Take a job in that another shop wrote.

    All of it or nothing; one that is here already stays as it is.
    """
    from tubewright.bench.archiving import take_in as take

    try:
        opened = file.open("rb")
    except OSError as error:
        raise InputError(
            Fault(what=f"the file can't be read ({error.strerror or error})", where=str(file), mend="Check its name.")
        ) from error
    with opened, make_shop(shop) as store:
        number = take(store, opened, file.name)
    tell(f"Taken in as job {number}.")
