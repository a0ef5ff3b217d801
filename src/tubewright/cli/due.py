"""``due``: treated tubes to be read again, jobs that wait too long, and how gains held in the long run."""

from __future__ import annotations

from typing import Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.door import emit, emit_json
from tubewright.cli.shop import ShopOption, known, open_shop


def add(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("due", epilog="Example: tubewright due --ahead 30")(due)


def due(
    *,
    ahead: Annotated[float, typer.Option(metavar="DAYS", min=0, max=3660, help="Look so many days ahead, too.")] = 0.0,
    as_json: Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")] = False,
    shop: ShopOption = None,
) -> None:
    """List tubes to be read again, and jobs without news.

    A tube is read again the day after its treatment, after a month, a quarter,
    half a year and every year; a reading ends the reminder.
    """
    from tubewright.bench.dueing import Dues

    knowledge = known(shop)
    with open_shop(shop) as store:
        answer = Dues().due(store, knowledge, ahead_days=ahead)
    if as_json:
        from tubewright.answers.due import to_json

        emit_json(to_json(answer))
        return
    from tubewright.report.due_text import due_to_text

    emit(due_to_text(answer, width=settings.columns(), colour=settings.colour()))
