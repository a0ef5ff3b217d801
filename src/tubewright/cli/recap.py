"""``recap``: a board's capacitors; ``capacitor``: a single one against another, its life, its preferred value."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, TypeVar

import typer

from tubewright.cli import settings
from tubewright.cli.door import Door, emit, emit_json, printable, tell
from tubewright.cli.shop import known, known_anyway
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

if TYPE_CHECKING:
    from tubewright.answers.recap import Life, OrderLine
    from tubewright.knowledge.model import Knowledge
    from tubewright.report.describe import Block

Result = TypeVar("Result")

JsonOption = Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")]
AirOption = Annotated[str, typer.Option("--air", metavar="C", help="Air inside the running set, degrees Celsius.")]
HoursOption = Annotated[str, typer.Option("--hours-per-week", metavar="H", help="Use, past and to come.")]
ExponentOption = Annotated[
    str,
    typer.Option(
        "--voltage-exponent", metavar="N", help="Reckon the voltage into the life, 2.5 to 5; 0 leaves it out."
    ),
]


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("recap", epilog="Example: tubewright recap board.csv --hours-per-week 20 --order order.csv")(recap)
    group = typer.Typer(
        name="capacitor",
        cls=Door,
        help="One capacitor against another, its life, its preferred value.",
        no_args_is_help=True,
    )
    group.command(
        "swap",
        epilog='Example: tubewright capacitor swap --place rail --was "100uF 160V electrolytic 85C" '
        '--new "100uF 160V low-esr 105C"',
    )(swap)
    group.command("life", epilog='Example: tubewright capacitor life "1000uF 25V electrolytic 85C 2000h" --air 50')(
        life
    )
    group.command("preferred", epilog="Example: tubewright capacitor preferred 50uF")(preferred)
    app.add_typer(group)


def recap(
    board: Annotated[Path, typer.Argument(metavar="BOARD.csv", help="The part list, one line for each capacitor.")],
    *,
    order: Annotated[
        Path | None, typer.Option("--order", metavar="FILE", help="Write the order to a new CSV file.")
    ] = None,
    chassis: Annotated[
        str, typer.Option("--chassis", metavar="ID", help="Hold rails and tuning against a profile.")
    ] = "",
    air: AirOption = "",
    hours_per_week: HoursOption = "",
    age: Annotated[str, typer.Option("--age", metavar="YEARS", help="Age of parts whose own isn't in the list.")] = "",
    voltage_exponent: ExponentOption = "0",
    blanket: Annotated[bool, typer.Option("--blanket", help="Replace all that dries out, worn or not.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Say which capacitors of a board to replace, and order them.

    Lines with mistakes are named and left out; the answer covers the others, and the exit code is 2.
    """
    from tubewright.answers.profile import named_chassis
    from tubewright.answers.recap import Setting, answer_recap, recap_json
    from tubewright.files.boards import read_board

    knowledge = known() if chassis else known_anyway()
    setting = Setting(
        air_c=_maybe(air, "celsius", "--air"),
        hours_per_week=_maybe(hours_per_week, "hours", "--hours-per-week"),
        age_years=_maybe(age, "years", "--age"),
        voltage_exponent=_maybe(voltage_exponent, "number", "--voltage-exponent") or 0.0,
    )
    profile = named_chassis(chassis, knowledge, where="--chassis")
    if order is not None and order.exists():
        raise InputError(Fault(what="the file is there already", where=str(order), mend="Name a new one."))
    held = read_board(board, knowledge, this_year=dt.datetime.now(dt.UTC).year)
    if held.faults and not held.parts:
        raise InputError(held.faults)
    answer = answer_recap(held.parts, knowledge, setting, chassis=profile, blanket=blanket)
    if as_json:
        emit_json(recap_json(answer, _texts(knowledge, answer.recap.cautions), (*held.faults, *held.remarks)))
    else:
        from tubewright.report.recap_text import recap_blocks

        groups = [_texts(knowledge, group.cautions) for group in answer.recap.groups]
        cautions = answer.recap.cautions
        _emit(recap_blocks(answer, _texts(knowledge, cautions), _confirm(knowledge, cautions), groups))
    if order is not None:
        _write_order(order, answer.recap.order, answer.kinds)
    for fault in held.remarks:
        tell(f"tubewright: {fault}")
    if held.faults:
        tell(f"tubewright: {len(held.faults)} mistakes; their lines are left out of all this:")
        raise InputError(held.faults)


def _write_order(path: Path, lines: Iterable[OrderLine], kinds: Mapping[str, str]) -> None:
    from tubewright.files.orders import order_csv

    try:
        with path.open("x", encoding="utf-8", newline="") as file:
            file.write(order_csv(lines, kinds))
    except OSError as error:
        mend = "Name a place that can be written to."
        raise InputError(Fault(what=f"can't be written ({error.strerror})", where=str(path), mend=mend)) from error
    tell(f"Order written to {printable(str(path))}.")


def swap(
    *,
    place: Annotated[str, typer.Option("--place", metavar="PLACE", help="Where it stands: rail, loop_filter, ...")],
    was: Annotated[str, typer.Option("--was", metavar="WORDS", help="The part that was, as printed on it.")],
    new: Annotated[str, typer.Option("--new", metavar="WORDS", help="The part you would fit.")],
    stands_at: Annotated[str, typer.Option("--stands-at", metavar="V", help="Direct voltage there.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Say whether one capacitor may stand in for another."""
    from tubewright.answers import capacitor

    knowledge = known_anyway()

    def work() -> capacitor.SwapAnswer:
        old = capacitor.part_from_words(was, knowledge, where="--was")
        fresh = capacitor.part_from_words(new, knowledge, where="--new")
        at_v = _maybe(stands_at, "voltage", "--stands-at")
        return capacitor.swap(old, fresh, place, knowledge, stands_at_v=at_v)

    answer = _named(work)
    texts, confirm = _texts(knowledge, answer.cautions), _confirm(knowledge, answer.cautions)
    if as_json:
        emit_json({"cautions": texts, "confirm": confirm, **capacitor.swap_json(answer)})
        return
    from tubewright.report.recap_text import swap_blocks

    kinds = {kind.id: kind.name for kind in knowledge.capacitor_kinds.values()}
    _emit(swap_blocks(answer, kinds, texts, confirm))


def life(
    part: Annotated[str, typer.Argument(metavar="PART", help='As printed: "1000uF 25V electrolytic 85C 2000h".')],
    *,
    place: Annotated[str, typer.Option("--place", metavar="PLACE", help="Where it stands.")] = "",
    air: AirOption = "",
    at: Annotated[
        str, typer.Option("--at", metavar="C", help="Temperature measured beside it, instead of --air.")
    ] = "",
    near_hot: Annotated[bool, typer.Option("--near-hot", help="It stands beside something hot.")] = False,
    hours_per_week: HoursOption = "",
    age: Annotated[str, typer.Option("--age", metavar="YEARS", help="Since it was made.")] = "",
    flowing: Annotated[str, typer.Option("--flowing", metavar="A", help="Ripple current that flows.")] = "",
    stands_at: Annotated[str, typer.Option("--stands-at", metavar="V", help="Direct voltage there.")] = "",
    voltage_exponent: ExponentOption = "0",
    as_json: JsonOption = False,
) -> None:
    """Reckon an electrolytic's life, and what is left of it."""
    from tubewright.answers import capacitor
    from tubewright.answers.recap import Setting, life_json, life_words

    knowledge = known_anyway()

    def work() -> Life:
        setting = Setting(
            air_c=_maybe(air, "celsius", "--air"),
            hours_per_week=_maybe(hours_per_week, "hours", "--hours-per-week"),
            age_years=_maybe(age, "years", "--age"),
            voltage_exponent=_maybe(voltage_exponent, "number", "--voltage-exponent") or 0.0,
        )
        return capacitor.lifetime(
            capacitor.part_from_words(part, knowledge, where="PART"),
            knowledge,
            setting,
            place=place,
            near_hot=near_hot,
            runs_c=_maybe(at, "celsius", "--at"),
            flowing_a=_maybe(flowing, "current", "--flowing"),
            stands_at_v=_maybe(stands_at, "voltage", "--stands-at"),
        )

    found = _named(work)
    if as_json:
        emit_json(life_json(found))
        return
    for line in life_words(found):
        emit(line)


def preferred(
    value: Annotated[str, typer.Argument(metavar="VALUE", help="A number, or one with its unit: 50uF, 4k7.")],
    *,
    as_json: JsonOption = False,
) -> None:
    """Give the preferred values around a value, series by series."""
    from tubewright.answers import capacitor
    from tubewright.report.recap_text import preferred_table

    figure, unit = _value(value)
    rows = _named(lambda: capacitor.preferred(figure))
    if as_json:
        emit_json(
            [
                {
                    "series": row.series,
                    "nearest": float(f"{row.nearest_value:.9g}"),
                    "not_above": float(f"{row.below_value:.9g}"),
                    "not_below": float(f"{row.above_value:.9g}"),
                    "off_percent": float(f"{row.off_percent:.4g}"),
                    "holds": row.holds,
                    "unit": unit,
                }
                for row in rows
            ]
        )
        return
    _emit([preferred_table(rows, unit)])


def _value(typed: str) -> tuple[float, str]:
    """A value in whichever of the kinds understands it."""
    for kind in ("number", "capacitance", "resistance"):
        try:
            return parse_quantity(typed, kind=kind, where="VALUE")
        except InputError:
            continue
    mend = "Type a number, a capacitance or a resistance: 1234, 50uF, 4k7."
    raise InputError(Fault(what="this is no value", where="VALUE", mend=mend))


def _maybe(text: str, kind: str, option: str) -> float | None:
    return parse_quantity(text, kind=kind, where=option).value if text else None


def _named(work: Callable[[], Result]) -> Result:
    """What ``work`` gives; its faults under the names that the command line has for them."""
    names = {"place": "--place", "part": "PART", "value": "VALUE"}
    try:
        return work()
    except InputError as error:
        raise InputError(
            Fault(what=f.what, where=names.get(f.where, f.where), mend=f.mend) for f in error.faults
        ) from error


def _texts(knowledge: Knowledge, ids: tuple[str, ...]) -> list[str]:
    return [knowledge.cautions[name].text for name in ids]


def _confirm(knowledge: Knowledge, ids: tuple[str, ...]) -> list[str]:
    return [knowledge.cautions[name].confirm for name in ids if knowledge.cautions[name].confirm]


def _emit(blocks: list[Block]) -> None:
    from tubewright.report.text import blocks_to_text

    emit(blocks_to_text(blocks, width=settings.columns(), colour=settings.colour()))
