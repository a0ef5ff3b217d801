"""``diagnose``: findings in, suspects and next tests out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.asked import asked_case
from tubewright.cli.door import emit, emit_json
from tubewright.cli.shop import ShopOption, experience, known

if TYPE_CHECKING:
    from tubewright.answers.diagnosed import Diagnosed


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("diagnose", epilog="Example: tubewright diagnose pier.toml --json")(diagnose)


def diagnose(
    case: Annotated[str, typer.Argument(metavar="CASE", help="A TOML or JSON file, - for standard input, or job:7.")],
    *,
    as_json: Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")] = False,
    general: Annotated[bool, typer.Option("--general", help="Leave out what this shop's own jobs taught.")] = False,
    stands: Annotated[
        str, typer.Option(metavar="HOW", help="How the set stands; else as the case's tests left it.")
    ] = "",
    seed: Annotated[int, typer.Option(min=0, max=2**32 - 1, help="Where the random numbers start.")] = 1,
    shop: ShopOption = None,
) -> None:
    """Say what is most likely wrong, why, and what to test next.

    Each test and repair with its cautions first.
    """
    from tubewright.answers.diagnose import diagnose as judge
    from tubewright.experience import NO_EXPERIENCE
    from tubewright.judgement.workplace import PLACES

    if stands and stands not in PLACES:
        raise typer.BadParameter(f"it can stand {', '.join(PLACES)}", param_hint="--stands")
    asked = asked_case(case, shop)
    taught = NO_EXPERIENCE if general else experience(shop)
    show(judge(asked, known(shop), taught, seed=seed, workplace=PLACES.get(stands)), as_json=as_json)


def show(answer: Diagnosed, *, as_json: bool) -> None:
    """Print an answer."""
    if as_json:
        from tubewright.answers.diagnosed import to_json

        emit_json(to_json(answer))
        return
    from tubewright.report.diagnose_text import diagnosed_to_text

    emit(diagnosed_to_text(answer, width=settings.columns(), colour=settings.colour()))
