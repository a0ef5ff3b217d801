"""What the shop says of itself: its name, what an hour costs, the words under its papers."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from decimal import Decimal, InvalidOperation
from typing import Final

from sqlalchemy import Connection, select
from sqlalchemy.exc import IntegrityError

from tubewright.errors import Fault, InputError
from tubewright.records import checks
from tubewright.records.changes import Change, Values
from tubewright.records.tables import shop_settings
from tubewright.records.transactions import Transactions

MOST_RATE: Final = 1e6  # from memory: estimate; of an hour, in any currency
MOST_DAYS: Final = 3650  # from memory: estimate; ten years
LONGEST_ADDRESS: Final = 500
LONGEST_PREFIX: Final = 12

Rule = Callable[[str, str], str]
"""From what was typed, and where, to what is kept."""


def _line(value: str, where: str) -> str:
    text = checks.words(value, where, longest=checks.LONGEST_NAME)
    if "\n" in text or "\r" in text:
        raise InputError(Fault(what="this has more than one line", where=where, mend="Write it in one line"))
    return text


def _lines(longest: int) -> Rule:
    return lambda value, where: checks.words(value, where, longest=longest).replace("\r\n", "\n")


def _like(pattern: str, means: str) -> Rule:
    fits = re.compile(pattern)

    def rule(value: str, where: str) -> str:
        text = checks.words(value, where, longest=checks.LONGEST_NAME)
        if not fits.fullmatch(text):
            raise InputError(Fault(what=f"{text[:40]!r} doesn't fit", where=where, mend=f"Give {means}"))
        return text

    return rule


def _number(least: float, most: float, means: str, *, whole: bool = False) -> Rule:
    def rule(value: str, where: str) -> str:
        text = checks.words(value, where, longest=checks.LONGEST_NAME)
        try:
            number = Decimal(text.replace(",", ".") if text.count(",") == 1 and "." not in text else text)
        except InvalidOperation:
            number = Decimal("NaN")
        fits = number.is_finite() and Decimal(str(least)) <= number <= Decimal(str(most))
        if not fits or (whole and number != number.to_integral_value()):
            raise InputError(Fault(what=f"{text[:40]!r} doesn't fit", where=where, mend=f"Give {means}"))
        plain = f"{number:f}"
        return plain.rstrip("0").rstrip(".") if "." in plain else plain

    return rule


SETTINGS: Final[Mapping[str, Rule]] = {
    "shop_name": _line,
    "shop_address": _lines(LONGEST_ADDRESS),
    "shop_contact": _lines(LONGEST_ADDRESS),
    "currency": _like(r"[A-Z]{3}", "the three letters of a currency, such as EUR"),
    "bench_rate_per_hour": _number(0, MOST_RATE, f"what an hour costs, from 0 to {MOST_RATE:,.0f}"),
    "tax_percent": _number(0, 100, "a percentage from 0 to 100"),
    "tax_name": _line,
    "warranty_text": _lines(checks.LONGEST_TEXT),
    "quote_valid_days": _number(1, MOST_DAYS, f"whole days from 1 to {MOST_DAYS}", whole=True),
    "white_x": _number(0.001, 0.999, "a chromaticity between 0 and 1"),
    "white_y": _number(0.001, 0.999, "a chromaticity between 0 and 1"),
    "white_name": _line,
    "terms_text": _lines(checks.LONGEST_TEXT),
    "number_prefix": _like(
        rf"[A-Za-z0-9._/-]{{0,{LONGEST_PREFIX}}}", f"at most {LONGEST_PREFIX} letters, digits or . _ / -"
    ),
}
"""Every setting that there is, with what it may be. An empty one is not set."""


class Settings(Transactions):
    """The part of the store that keeps the shop's settings."""

    def settings(self) -> dict[str, str]:
        """Every setting by its key; "" where nothing was set. Numbers are written with a point."""
        with self.database.read() as conn:
            return settings_here(conn)

    def set_settings(self, values: Mapping[str, str], *, by: int | None = None) -> dict[str, str]:
        """Set some settings in one change, and leave the others; an empty text takes one back.

        Raises:
            InputError: a key that isn't known, or a value that doesn't fit; nothing is set then.
        """

        def work(change: Change) -> dict[str, str]:
            checked = check_settings(values)
            there: dict[str, Values] = {
                one["key"]: dict(one) for one in change.conn.execute(select(shop_settings)).mappings()
            }
            result = {**dict.fromkeys(SETTINGS, ""), **{key: one["value"] for key, one in there.items()}, **checked}
            _white(result)
            for key, value in checked.items():
                if key not in there:
                    if value:
                        change.insert(shop_settings, {"key": key, "value": value})
                else:
                    change.update(shop_settings, there[key]["id"], {"value": value})
            return result

        try:
            return self.change(by, work)
        except IntegrityError:
            # Another process on PostgreSQL was quicker to set it for the first time; now it is there to be changed.
            return self.change(by, work)


def settings_here(conn: Connection) -> dict[str, str]:
    """Every setting by its key."""
    found = {one.key: one.value for one in conn.execute(select(shop_settings.c.key, shop_settings.c.value))}
    return {key: found.get(key, "") for key in SETTINGS}


def check_settings(values: Mapping[str, object], where: str = "") -> dict[str, str]:
    """Settings as they are kept.

    Raises:
        InputError: with every fault.
    """
    faults: list[Fault] = []
    checked: dict[str, str] = {}
    for key, value in values.items():
        place = f"{where}.{key}" if where else str(key)
        rule = SETTINGS.get(key)
        if rule is None:
            faults.append(
                Fault(what="there is no such setting", where=place[:80], mend=f"Known are {', '.join(SETTINGS)}")
            )
            continue
        try:
            checked[key] = rule(value, place) if isinstance(value, str) and value.strip() else _empty(value, place)
        except InputError as error:
            faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    return checked


def _empty(value: object, where: str) -> str:
    return checks.words(value, where)


def _white(values: Mapping[str, str]) -> None:
    """A white has both coordinates, which leave room for the third."""
    x, y = values["white_x"], values["white_y"]
    if bool(x) != bool(y):
        missing = "white_y" if x else "white_x"
        raise InputError(Fault(what="the white needs both coordinates", where=missing, mend="Give x and y, or neither"))
    if x and Decimal(x) + Decimal(y) > 1:
        raise InputError(
            Fault(what="x and y add up to more than 1", where="white_x", mend="Give chromaticities of CIE 1931")
        )


def check_setting(values: Values, where: str) -> None:
    """Check a row of settings from elsewhere as if it had been typed.

    Raises:
        InputError: with its faults.
    """
    check_settings({values["key"]: values["value"]}, where)
