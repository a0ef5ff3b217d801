"""``treat``: the plan of a tube's treatment, whether its next step may be taken, and the log of a job's steps."""

from __future__ import annotations

import datetime as dt
import enum
from typing import TYPE_CHECKING, Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.asked import asked_case
from tubewright.cli.door import emit, emit_json, tell
from tubewright.cli.shop import ShopOption, experience, known, number_of, open_shop
from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from tubewright.answers.treated import Treated
    from tubewright.case import Gun


class GunName(enum.StrEnum):
    """One gun."""

    red = "red"
    green = "green"
    blue = "blue"


class OutcomeName(enum.StrEnum):
    """What came of a step."""

    improved = "improved"
    unchanged = "unchanged"
    worse = "worse"
    lost = "lost"


def add(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command(
        "treat",
        epilog="Example: tubewright treat job:7 --log --minutes 35 --seen 'glow even' --blue 480uA --person 'Wren'",
    )(treat)


def treat(
    case: Annotated[str, typer.Argument(metavar="CASE", help="A TOML or JSON file, - for standard input, or job:7.")],
    *,
    gun: Annotated[GunName | None, typer.Option(help="Plan for this gun alone; with --log: the step's gun.")] = None,
    confirmed: Annotated[
        str,
        typer.Option(
            metavar="CAUTION,…",
            help="Cautions whose condition you have met, as the plan names them in brackets; kept in a job "
            "if --person says who you are.",
        ),
    ] = "",
    history_unknown: Annotated[
        bool, typer.Option("--history-unknown", help="Say that nobody knows of earlier restorations.")
    ] = False,
    look: Annotated[bool, typer.Option("--look", help="Only look at the plan; open no step.")] = False,
    log: Annotated[bool, typer.Option("--log", help="Write a step that was done into the job (job:7).")] = False,
    kind: Annotated[
        str, typer.Option(metavar="KIND", help="Which step it was; without it the plan's next. For --log.")
    ] = "",
    minutes: Annotated[str, typer.Option(metavar="TIME", help="How long it took: 35, 12h, 5s. For --log.")] = "",
    ended: Annotated[str, typer.Option(metavar="TIME", help="How long ago it ended: 10; else now. For --log.")] = "",
    seen: Annotated[str, typer.Option(metavar="WORDS", help="What was seen meanwhile. For --log.")] = "",
    outcome: Annotated[
        OutcomeName | None, typer.Option(help="What came of it; else the readings tell. For --log.")
    ] = None,
    red: Annotated[str, typer.Option(metavar="READING", help="Emission of red after it: 480uA. For --log.")] = "",
    green: Annotated[str, typer.Option(metavar="READING", help="Emission of green after it. For --log.")] = "",
    blue: Annotated[str, typer.Option(metavar="READING", help="Emission of blue after it. For --log.")] = "",
    minutes_on: Annotated[
        str, typer.Option(metavar="TIME", help="How long the heater was lit; else since it ended. For --log.")
    ] = "",
    note: Annotated[str, typer.Option(metavar="WORDS", help="Anything else. For --log.")] = "",
    person: Annotated[str, typer.Option(metavar="NAME", help="Who confirms and writes it down.")] = "",
    at: Annotated[str, typer.Option(metavar="TIME", help="Now, as 2026-01-31T14:05; else the clock's.")] = "",
    as_json: Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")] = False,
    seed: Annotated[int, typer.Option(min=0, max=2**32 - 1, help="Where the random futures start.")] = 1,
    futures: Annotated[int, typer.Option(min=1000, max=2_000_000, help="How many futures are tried.")] = 100_000,
    shop: ShopOption = None,
) -> None:
    """Plan the treatment of a tube: done, next, shut and why.

    Cautions first. What to do is said only when every guard of the next step is
    met; else it ends with 3. --log writes a step into a job, by the same guards.
    """
    from tubewright.answers.treat import require_next
    from tubewright.case import GUNS

    now = _moment(at)
    said = [one.strip() for one in confirmed.split(",") if one.strip()]
    named_gun = next((one for one in GUNS if gun is not None and one == gun.value), None)
    if log:
        from tubewright.cli.treat_log import Typed, write_step

        typed = Typed(
            kind=kind,
            gun=named_gun,
            minutes=minutes,
            ended=ended,
            seen=seen,
            outcome=outcome.value if outcome else "",
            after={"red": red, "green": green, "blue": blue},
            minutes_on=minutes_on,
            note=note,
        )
        written = write_step(
            case, shop, typed, said=said, history_unknown=history_unknown, person=person, now=now if at else None
        )
        tell(written)
    else:
        _nothing_to_log(kind, minutes, ended, seen, outcome, red, green, blue, minutes_on, note)
        if person and case.startswith("job:"):
            from tubewright.cli.treat_log import keep_said

            keep_said(case, shop, said=said, history_unknown=history_unknown, person=person, gun=named_gun)
    answer = _plan(case, shop, now, named_gun if not log else None, () if log else said, history_unknown, seed, futures)
    if as_json:
        from tubewright.answers.treated import to_json

        emit_json(to_json(answer))
    else:
        from tubewright.report.treat_text import treat_to_text

        emit(treat_to_text(answer, width=settings.columns(), colour=settings.colour()))
    if not look and not log:
        require_next(answer)


def _plan(
    case: str,
    shop: str | None,
    now: dt.datetime,
    gun: Gun | None,
    said: list[str] | tuple[()],
    history_unknown: bool,
    seed: int,
    futures: int,
) -> Treated:
    from tubewright.answers.treat import treat as plan

    if case.startswith("job:"):
        from tubewright.bench.treating import told_of

        with open_shop(shop) as store:
            job = number_of(case, "job")
            told, confirmations = told_of(store, job), store.confirmations(job)
    else:
        told, confirmations = asked_case(case, shop), ()
    return plan(
        told,
        known(shop),
        experience(shop),
        now=now,
        gun=gun,
        confirmed=said,
        confirmations=confirmations,
        history_unknown=history_unknown,
        seed=seed,
        futures=futures,
    )


def _nothing_to_log(*given: object) -> None:
    if any(given):
        raise InputError(
            Fault(what="what was done is written down with --log only", where="--log", mend="Add --log, with job:7.")
        )


def _moment(text: str) -> dt.datetime:
    if not text:
        return dt.datetime.now(dt.UTC).astimezone()
    try:
        read = dt.datetime.fromisoformat(text)
    except ValueError as error:
        raise InputError(
            Fault(
                what=f"{text!r} is no time", where="--at", mend="Write it as 2026-01-31T14:05, in UTC or with +01:00."
            )
        ) from error
    return read if read.tzinfo else read.replace(tzinfo=dt.UTC)
