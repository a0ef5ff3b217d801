"""``phones``: letting phones in and shutting them out without the page, for a bench whose machine has no screen."""

from __future__ import annotations

import datetime as dt
from typing import Annotated

import typer

from tubewright.cli.door import Door, emit, printable, tell
from tubewright.cli.shop import ShopOption, number_of, open_shop


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    group = typer.Typer(
        cls=Door,
        help="Phones at the bench: let one in, list them, shut out.",
        no_args_is_help=True,
        rich_markup_mode=None,
    )
    group.command("list", epilog="Example: tubewright phones list")(list_)
    group.command("code", epilog="Example: tubewright phones code")(code)
    group.command("shut-out", epilog="Example: tubewright phones shut-out 3")(shut_out)
    app.add_typer(group, name="phones")


def list_(*, shop: ShopOption = None) -> None:
    """List the paired phones.

    Each with its number, since when it is paired and when it was last seen.
    """
    with open_shop(shop) as store:
        paired = [one for one in store.pairings() if one.used_at is not None]
    if not paired:
        emit("No phone is paired.")
        return
    for one in paired:
        state = f"shut out {_moment(one.revoked_at)}" if one.revoked_at else f"last seen {_moment(one.last_seen_at)}"
        emit(f"{one.id:4}  {printable(one.name)}, paired {_moment(one.used_at)}, {state}")


def code(
    *,
    address: Annotated[str | None, typer.Option(metavar="IP", help="As the bench was opened; else the first.")] = None,
    port: Annotated[int, typer.Option(min=1, max=65535, help="Where the bench listens.")] = 8765,
    encrypted: Annotated[bool, typer.Option("--encrypted", help="The bench was opened with a certificate.")] = False,
    shop: ShopOption = None,
) -> None:
    """Show a code that lets one phone in.

    It counts once and for a few minutes. The bench must be open with --lan, on the same records.
    """
    import io

    import segno

    from tubewright.bench.lan.addresses import chosen, own_addresses
    from tubewright.bench.lan.gate import Network
    from tubewright.bench.lan.pairing import CODE_MINUTES, digest, in_groups, new_secret

    found = str(chosen(address, own_addresses()))
    base = Network(address=found, port=port, scheme="https" if encrypted else "http").base
    secret = new_secret()
    with open_shop(shop) as store:
        store.add_pairing("", digest(secret), store.clock() + dt.timedelta(minutes=CODE_MINUTES))
    drawing = io.StringIO()
    segno.make(f"{base}/pair#{secret}", error="m", micro=False).terminal(drawing, compact=True)
    emit(drawing.getvalue())
    emit(f"Scan it, or open {base}/pair and type {in_groups(secret)}")
    tell(f"It counts once, for {CODE_MINUTES:g} minutes. Who uses it may use the whole bench.")


def shut_out(
    phone: Annotated[str, typer.Argument(metavar="PHONE", help="The phone's number as listed, or all.")],
    *,
    shop: ShopOption = None,
) -> None:
    """Shut a phone out, or all of them.

    It counts at once, also while the bench is open.
    """
    with open_shop(shop) as store:
        if phone == "all":
            count = store.revoke_all_pairings()
            tell(f"Shut out {count} phone{'' if count == 1 else 's'}, codes on show among them.")
        else:
            found = store.revoke_pairing(number_of(phone, "phone"))
            tell(f"{found.name or 'The code'} is shut out.")


def _moment(at: dt.datetime | None) -> str:
    return at.astimezone().strftime("%Y-%m-%d %H:%M") if at is not None else "never"
