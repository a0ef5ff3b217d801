"""``stock reserve``, ``use``, ``release``, ``job``, ``recap``: what jobs take from the stock."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from tubewright.cli.door import emit_json, tell
from tubewright.cli.shop import ShopOption, known, known_anyway, number_of, open_shop
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

if TYPE_CHECKING:
    from tubewright.records.model import Reservation
    from tubewright.records.store import Store

JsonOption = Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")]
JobOption = Annotated[str, typer.Option("--job", metavar="JOB", help="For which job: 7 or job:7.")]
NumberArgument = Annotated[str, typer.Argument(metavar="NUMBER", help="Of the reservation, as `stock job` shows it.")]


def add(group: typer.Typer) -> None:
    """Add the commands of this module to the group of the stock."""
    group.command("reserve", epilog="Example: tubewright stock reserve 01ABX7Q --job 7 --count 2")(reserve)
    group.command("use", epilog="Example: tubewright stock use 12 --job 7")(use)
    group.command("release", epilog="Example: tubewright stock release 12 --job 7")(release)
    group.command("job", epilog="Example: tubewright stock job job:7")(job)
    group.command("recap", epilog="Example: tubewright stock recap board.csv --job 7 --take")(recap)


def reserve(
    item: Annotated[str, typer.Argument(metavar="CODE", help="The code on its label, or its number.")],
    *,
    job: JobOption,
    count: Annotated[int, typer.Option("--count", min=1, help="How many.")] = 1,
    order: Annotated[bool, typer.Option("--order", help="Even if too few are free: the rest is ordered.")] = False,
    note: Annotated[str, typer.Option(help="What they are for.")] = "",
    as_json: JsonOption = False,
    shop: ShopOption = None,
) -> None:
    """Set pieces of an item aside for a job, at what they cost now."""
    from tubewright.cli.stock import named_item

    with open_shop(shop) as store:
        record = named_item(store, item)
        done = store.reserve(number_of(job, "job"), record.id, count, order=order, note=note)
        short = store.item(record.id).short
    _told(done, "Reserved", as_json=as_json)
    if short:
        tell(f"To order: {short}.")


def use(number: NumberArgument, *, job: JobOption, as_json: JsonOption = False, shop: ShopOption = None) -> None:
    """Note that reserved pieces were fitted; they leave the stock."""
    with open_shop(shop) as store:
        held = _reservation(store, number, job)
        done = store.use(held.id, version=held.version)
    _told(done, "Used", as_json=as_json)


def release(number: NumberArgument, *, job: JobOption, as_json: JsonOption = False, shop: ShopOption = None) -> None:
    """Give reserved or used pieces back to the stock."""
    with open_shop(shop) as store:
        held = _reservation(store, number, job)
        done = store.release(held.id, version=held.version)
    _told(done, "Given back", as_json=as_json)


def job(
    number: Annotated[str, typer.Argument(metavar="JOB", help="7 or job:7.")],
    *,
    as_json: JsonOption = False,
    shop: ShopOption = None,
) -> None:
    """Show the parts of a job with what they cost."""
    from tubewright.answers.stock import parts_json
    from tubewright.bench.stocking import taken_of
    from tubewright.cli.stock import say
    from tubewright.report.stock_text import parts_blocks

    asked = number_of(number, "job")
    with open_shop(shop) as store:
        taken = taken_of(store.reservations(asked))
    if as_json:
        emit_json(parts_json(asked, taken))
        return
    say(parts_blocks(asked, taken))


def recap(
    board: Annotated[Path, typer.Argument(metavar="BOARD.csv", help="The part list, one line for each capacitor.")],
    *,
    job: Annotated[str, typer.Option("--job", metavar="JOB", help="For which job, with --take.")] = "",
    take: Annotated[bool, typer.Option("--take", help="Reserve what fits for the job, and order the rest.")] = False,
    chassis: Annotated[str, typer.Option("--chassis", metavar="ID", help="Hold rails and tuning against it.")] = "",
    hours_per_week: Annotated[str, typer.Option("--hours-per-week", metavar="H", help="Use, past and to come.")] = "",
    air: Annotated[str, typer.Option("--air", metavar="C", help="Air inside the running set.")] = "",
    age: Annotated[str, typer.Option("--age", metavar="YEARS", help="Age of parts whose own isn't in the list.")] = "",
    blanket: Annotated[bool, typer.Option("--blanket", help="Replace all that dries out, worn or not.")] = False,
    as_json: JsonOption = False,
    shop: ShopOption = None,
) -> None:
    """Say what the stock has for a board's recap list.

    By the rules of substitution, place by place. With --take the fitting parts
    are reserved for the job, and the rest goes on the order list.
    """
    from tubewright.answers.profile import named_chassis
    from tubewright.answers.recap import Setting, answer_recap
    from tubewright.answers.stock_kinds import kinds
    from tubewright.answers.stock_recap import recap_from_stock, recap_from_stock_json
    from tubewright.bench.stocking import items_of, take_recap
    from tubewright.cli.stock import say, this_year
    from tubewright.files.boards import read_board
    from tubewright.report.stock_text import recap_stock_blocks

    if take and not job:
        raise InputError(Fault(what="nobody says for which job", where="--job", mend="Add --job 7."))
    knowledge = known(shop) if chassis else known_anyway(shop)
    setting = Setting(
        air_c=_maybe(air, "celsius", "--air"),
        hours_per_week=_maybe(hours_per_week, "hours", "--hours-per-week"),
        age_years=_maybe(age, "years", "--age"),
    )
    profile = named_chassis(chassis, knowledge, where="--chassis")
    held = read_board(board, knowledge, this_year=this_year())
    if held.faults:
        raise InputError(held.faults)
    answer = answer_recap(held.parts, knowledge, setting, chassis=profile, blanket=blanket)
    with open_shop(shop) as store:
        found = recap_from_stock(answer, items_of(store.all_items()), knowledge, this_year=this_year())
        done = take_recap(store, number_of(job, "job"), found, knowledge) if take else None
    cautions = [knowledge.cautions[name].text for name in answer.recap.cautions]
    confirm = [knowledge.cautions[name].confirm for name in answer.recap.cautions if knowledge.cautions[name].confirm]
    if as_json:
        emit_json(recap_from_stock_json(found, kinds(knowledge), cautions=cautions))
    else:
        say(recap_stock_blocks(found, cautions, confirm))
    if done is not None:
        tell(f"Reserved {done.reserved}, on the order list {done.ordered}.")


def _reservation(store: Store, number: str, job: str) -> Reservation:
    wanted = number_of(number, "reservation")
    found = next((one for one in store.reservations(number_of(job, "job")) if one.id == wanted), None)
    if found is None:
        mend = f"`tubewright stock job {number_of(job, 'job')}` shows its reservations."
        raise InputError(Fault(what=f"this job has no reservation {wanted}", where="NUMBER", mend=mend))
    return found


def _told(done: Reservation, did: str, *, as_json: bool) -> None:
    from tubewright.answers.stock import taken_json
    from tubewright.bench.stocking import taken_of

    if as_json:
        emit_json(taken_json(taken_of([done])[0]))
    tell(f"{did}: {done.quantity} of {done.item_code} {done.item_name} for job {done.job_id} (reservation {done.id}).")


def _maybe(text: str, kind: str, option: str) -> float | None:
    return parse_quantity(text, kind=kind, where=option).value if text else None
