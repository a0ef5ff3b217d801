"""``treat``: the plan of a tube's treatment, and whether its next step may be taken."""

from __future__ import annotations

import datetime as dt
import enum
from typing import TYPE_CHECKING, Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.asked import asked_case
from tubewright.cli.door import emit, emit_json
from tubewright.cli.shop import ShopOption, experience, known, number_of, open_shop
from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from tubewright.answers.treat import Said


class GunName(enum.StrEnum):
    """One gun."""

    red = "red"
    green = "green"
    blue = "blue"


def add(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("treat", epilog="Example: tubewright treat pier.toml --gun red --look")(treat)


def treat(
    case: Annotated[str, typer.Argument(metavar="CASE", help="A TOML or JSON file, - for standard input, or job:7.")],
    *,
    gun: Annotated[GunName | None, typer.Option(help="Plan for this gun alone.")] = None,
    confirmed: Annotated[
        str,
        typer.Option(
            metavar="CAUTION,…",
            help="Cautions whose condition you have met, as the plan names them in brackets.",
        ),
    ] = "",
    history_unknown: Annotated[
        bool, typer.Option("--history-unknown", help="Say that nobody knows of earlier restorations.")
    ] = False,
    look: Annotated[bool, typer.Option("--look", help="Only look at the plan; open no step.")] = False,
    at: Annotated[str, typer.Option(metavar="TIME", help="Now, as 2026-01-31T14:05; else the clock's.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")] = False,
    seed: Annotated[int, typer.Option(min=0, max=2**32 - 1, help="Where the random futures start.")] = 1,
    futures: Annotated[int, typer.Option(min=1000, max=2_000_000, help="How many futures are tried.")] = 100_000,
    shop: ShopOption = None,
) -> None:
    """Plan the treatment of a tube: done, next, shut and why.

    Cautions first. What to do is said only when every guard of the next step is
    met; else it ends with 3.
    """
    from tubewright.answers.treat import require_next
    from tubewright.answers.treat import treat as plan
    from tubewright.case import GUNS

    now = _moment(at)
    answer = plan(
        asked_case(case, shop),
        known(shop),
        experience(shop),
        now=now,
        gun=next((one for one in GUNS if gun is not None and one == gun.value), None),
        confirmed=[one.strip() for one in confirmed.split(",") if one.strip()],
        confirmations=_confirmed_before(case, shop),
        history_unknown=history_unknown,
        seed=seed,
        futures=futures,
    )
    if as_json:
        from tubewright.answers.treated import to_json

        emit_json(to_json(answer))
    else:
        from tubewright.report.treat_text import treat_to_text

        emit(treat_to_text(answer, width=settings.columns(), colour=settings.colour()))
    if not look:
        require_next(answer)


def _confirmed_before(case: str, shop: str | None) -> tuple[Said, ...]:
    """What was confirmed in the job before; a file holds no confirmations."""
    if not case.startswith("job:"):
        return ()
    from tubewright.answers.treat import Said

    with open_shop(shop) as store:
        return tuple(
            Said(step_sort=one.step_sort, step=one.step, caution=one.caution, at=one.at)
            for one in store.confirmations(number_of(case, "job"))
        )


def _moment(text: str) -> dt.datetime:
    if not text:
        return dt.datetime.now(dt.UTC)
    try:
        read = dt.datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError(
            Fault(
                what=f"{text!r} is no time", where="--at", mend="Write it as 2026-01-31T14:05, in UTC or with +01:00."
            )
        ) from error
    return read if read.tzinfo else read.replace(tzinfo=dt.UTC)
