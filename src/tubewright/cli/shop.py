"""Reaching the shop's records from a command."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeAlias

import typer

from tubewright.cli import settings
from tubewright.cli.door import tell
from tubewright.errors import Fault, InputError, UnknownRecordError

if TYPE_CHECKING:
    from tubewright.experience import Experience
    from tubewright.knowledge.model import Knowledge
    from tubewright.records.store import Store

ShopOption: TypeAlias = Annotated[
    str | None,
    typer.Option("--shop", metavar="PATH", help="The shop's records; else TUBEWRIGHT_SHOP, else your data folder."),
]


def exists(where: Path | str) -> bool:
    """Whether there are records to open; a database server is taken to be there."""
    return isinstance(where, str) or where.is_file()


def open_shop(given: str | None) -> Store:
    """The shop's records, which must exist.

    Raises:
        InputError: There are none yet.
    """
    where = settings.shop_path(given)
    if not exists(where):
        raise InputError(
            Fault(
                what="there is no shop here yet",
                where=str(where),
                mend="Start one with `tubewright bench`, or try the invented one: `tubewright bench --demo`.",
            )
        )
    from tubewright.records.store import open_store

    return open_store(where)


def make_shop(given: str | None) -> Store:
    """The shop's records, made if there are none yet."""
    from tubewright.records.store import open_store

    return open_store(settings.shop_path(given))


def experience(given: str | None) -> Experience:
    """What the shop has learned; nothing where there is no shop.

    Raises:
        InputError: A shop was named that is not there.
    """
    from tubewright.experience import NO_EXPERIENCE

    if given is None and not exists(settings.shop_path()):
        return NO_EXPERIENCE
    with open_shop(given) as store:
        return store.experience()


def known(given: str | None = None) -> Knowledge:
    """What the trade knows, together with the shop's own file where there is one.

    Raises:
        InputError: There are mistakes in the shop's own file; each with file and line.
    """
    from tubewright.knowledge.load import load_knowledge

    own = settings.own_path(given)
    try:
        return load_knowledge(own)
    except InputError as error:
        if own is None:  # a mistake of ours, not of the shop
            raise
        kept = Fault(
            what="this shop's own file isn't sound, and without it the answer might be another",
            where=str(own),
            mend="Mend it (`tubewright own check` says when it is), or move it away; the records are as they were.",
        )
        raise InputError([*error.faults, kept]) from error


def known_anyway(given: str | None = None) -> Knowledge:
    """The same for what can do without the shop's own file: mistakes in it are told, and it is left out."""
    from tubewright.knowledge.load import load_knowledge

    try:
        return known(given)
    except InputError as error:
        mistakes = len(error.faults) - 1
        noun = "a mistake" if mistakes == 1 else f"{mistakes} mistakes"
        tell(f"{settings.own_path(given)} has {noun} and is left out: tubewright own check")
        return load_knowledge()


def number_of(text: str, what: str) -> int:
    """The number of a record as it was typed, with or without ``what:`` before it.

    Raises:
        InputError: It is no number.
    """
    number = text.removeprefix(f"{what}:")
    if not (number.isascii() and number.isdigit() and len(number) < 19):
        raise InputError(Fault(what=f"{text!r} is not the number of a {what}", where="", mend=f"Write {what}:7."))
    return int(number)


def job_of_verdict(store: Store, number: int) -> int:
    """The job that a verdict belongs to.

    Raises:
        UnknownRecordError: The shop holds no such verdict.
    """
    from sqlalchemy import select

    from tubewright.records.tables import verdicts

    with store.database.read() as conn:
        job: int | None = conn.execute(select(verdicts.c.job_id).where(verdicts.c.id == number)).scalar()
    if job is None:
        raise no_verdict(number)
    return job


def no_verdict(number: int) -> UnknownRecordError:
    """What is said when a verdict is asked for that the shop does not hold."""
    return UnknownRecordError(
        Fault(what=f"the shop has no verdict {number}", where="VERDICT", mend="The page of its job shows the numbers.")
    )
