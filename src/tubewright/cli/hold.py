"""``hold``: readings after a treatment in; what will stay, and how long to wait for a surer word."""

from __future__ import annotations

import enum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tubewright.cli import settings
from tubewright.cli.asked import asked_case
from tubewright.cli.door import emit, emit_json
from tubewright.cli.shop import ShopOption, known
from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from tubewright.answers.hold import Held


class GunName(enum.StrEnum):
    """One gun."""

    red = "red"
    green = "green"
    blue = "blue"


def add(app: typer.Typer) -> None:
    """Add the command of this module."""
    app.command("hold", epilog="Example: tubewright hold red-after.csv --draw red-after.svg")(hold)


def hold(
    readings: Annotated[
        str,
        typer.Argument(
            metavar="READINGS",
            help="A CSV or TOML file of minutes and readings, a case file with times, or job:7.",
        ),
    ],
    *,
    gun: Annotated[GunName | None, typer.Option(help="Which gun; needed for a case and a job.")] = None,
    unit: Annotated[str, typer.Option(metavar="UNIT", help="Unit of a CSV file's readings, for the words.")] = "",
    draw: Annotated[Path | None, typer.Option("--draw", metavar="FILE.svg", help="Draw the course, too.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")] = False,
    seed: Annotated[int, typer.Option(min=0, max=2**32 - 1, help="Where the random courses start.")] = 1,
    shop: ShopOption = None,
) -> None:
    """Say whether a treatment's gain will hold, and how long to wait.

    Cautions first. From readings over the minutes after it.
    """
    found = _answer(readings, gun, unit, shop, seed)
    if draw is not None:
        _draw(found, draw)
    if as_json:
        from tubewright.answers.hold import to_json

        emit_json(to_json(found))
        return
    from tubewright.report.hold_text import hold_to_text

    emit(hold_to_text(found, width=settings.columns(), colour=settings.colour()))


def _answer(named: str, gun: GunName | None, unit: str, shop: str | None, seed: int) -> Held:
    import dataclasses

    from tubewright.answers.hold import hold as judge
    from tubewright.case import GUNS
    from tubewright.judgement.settling_readings import after_treatment

    named_gun = next((one for one in GUNS if gun is not None and one == gun.value), None)

    knowledge = known(shop)
    if not named.startswith("job:") and not _is_case(named):
        from tubewright.files.settlings import read_settling

        file = read_settling(Path(named))
        if named_gun is not None and file.gun is not None and named_gun != file.gun:
            raise InputError(
                Fault(what=f"the file holds the {file.gun} gun", where="--gun", mend=f"Leave it out, or {file.gun}.")
            )
        rows = [dataclasses.replace(one, unit=unit or one.unit) for one in file.readings]
        return judge(rows, knowledge, gun=named_gun or file.gun, seed=seed)
    if named_gun is None:
        raise InputError(
            Fault(what="which gun?", where="--gun", mend="Add --gun red, --gun green or --gun blue."),
        )
    told = after_treatment(asked_case(named, shop), named_gun, knowledge)
    return judge(told.readings, knowledge, gun=named_gun, left_out=told.left_out, trouble=told.trouble, seed=seed)


def _is_case(named: str) -> bool:
    """Whether a file is a case rather than a list of readings: only a case says its format."""
    if named == "-":
        return True
    path = Path(named)
    if path.suffix.lower() == ".json":
        return True
    if path.suffix.lower() != ".toml":
        return False
    import tomllib

    try:
        return "format" in tomllib.loads(path.read_text(encoding="utf-8-sig"))
    except (OSError, ValueError):
        return False


def _draw(found: Held, place: Path) -> None:
    from tubewright.report.frame import to_svg
    from tubewright.report.hold_charts import has_chart, settling_chart

    if not has_chart(found):
        raise InputError(
            Fault(what="there is no course to draw yet", where="--draw", mend="Leave it out until there are readings.")
        )
    drawn = to_svg(settling_chart(found))
    try:
        place.write_text(drawn, encoding="utf-8")
    except OSError as error:
        what = f"{place} can't be written: {error.strerror}"
        raise InputError(Fault(what=what, where="--draw", mend="Name another file.")) from error
