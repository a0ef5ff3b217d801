"""What comes in is checked with the types of the case, and every fault names its field."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Final, TypeVar

from pydantic import BaseModel, ValidationError

from tubewright.errors import Fault, InputError

Part = TypeVar("Part", bound=BaseModel)

LONGEST_TEXT: Final = 4000
"""Characters a person may write in one field of their own words."""

LONGEST_NAME: Final = 120


def part(kind: type[Part], given: BaseModel | Mapping[str, object], where: str = "") -> Part:
    """``given`` as ``kind``, checked.

    Raises:
        InputError: with a fault for every field that is wrong.
    """
    try:
        if isinstance(given, kind):
            # Checked when it was made, but a copy may have been altered unchecked.
            return kind.model_validate(given.model_dump())
        return kind.model_validate(dict(given))
    except ValidationError as error:
        raise InputError(faults(error, kind, where)) from error


def faults(error: ValidationError, kind: type[BaseModel], where: str = "") -> list[Fault]:
    """Every fault that pydantic found, in words and with its field."""
    found = []
    for detail in error.errors():
        path = ".".join(str(step) for step in detail["loc"])
        place = ".".join(filter(None, (where, path))) or kind.__name__.lower()
        if detail["type"] == "extra_forbidden":
            found.append(
                Fault(what="there is no such field", where=place, mend=f"Known are {', '.join(kind.model_fields)}")
            )
            continue
        if detail["type"] == "missing":
            found.append(Fault(what="this field is needed", where=place, mend="Fill it in"))
            continue
        words = detail["msg"].removeprefix("Value error, ").removeprefix("Input should be ")
        given = detail.get("input")
        shown = f" (got {given!r})" if isinstance(given, str | int | float | bool | None) else ""
        if detail["type"] == "value_error":
            found.append(Fault(what=words, where=place, mend="Correct it and send it again"))
        else:
            found.append(Fault(what=f"this value doesn't fit{shown[:80]}", where=place, mend=f"It should be {words}"))
    return found


def words(value: object, where: str, *, longest: int = LONGEST_TEXT) -> str:
    """``value`` as text without blanks around it.

    Raises:
        InputError: it is no text, too long, or holds a NUL character, which PostgreSQL can't store.
    """
    if not isinstance(value, str):
        raise InputError(Fault(what="this is not text", where=where, mend="Give words"))
    if len(value) > longest:
        raise InputError(
            Fault(what=f"this is {len(value)} characters long", where=where, mend=f"Use at most {longest}")
        )
    if "\x00" in value or any("\ud800" <= letter <= "\udfff" for letter in value):
        raise InputError(Fault(what="this holds characters that are no text", where=where, mend="Type it again"))
    return value.strip()


def name(value: object, where: str) -> str:
    """``value`` as a name: short text that isn't empty."""
    text = words(value, where, longest=LONGEST_NAME)
    if not text:
        raise InputError(Fault(what="the name is empty", where=where, mend="Fill it in"))
    return text


def spoken(value: object, where: str) -> str:
    """``value`` as words of a sentence: text that isn't empty."""
    text = words(value, where)
    if not text:
        raise InputError(Fault(what="there are no words here", where=where, mend="Give them as they were shown"))
    return text


def moment(value: dt.datetime | dt.date | None, otherwise: dt.datetime) -> dt.datetime:
    """``value`` in UTC: a time without zone is taken as UTC, a day as its midnight."""
    if value is None:
        return otherwise
    if isinstance(value, dt.datetime):
        return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)
    return dt.datetime(value.year, value.month, value.day, tzinfo=dt.UTC)


def sha(value: object, where: str) -> str:
    """``value`` as the SHA-256 of something, in 64 small hexadecimal digits.

    Raises:
        InputError: it is something else.
    """
    if isinstance(value, str) and len(value) == 64 and set(value) <= set("0123456789abcdef"):
        return value
    raise InputError(Fault(what="this is no SHA-256", where=where, mend="Give its 64 hexadecimal digits, small"))
