"""How far a control was moved, as people type it: ``1/8 turn``, ``⅛``, ``0.3``, ``1.5 mm``."""

from __future__ import annotations

import math
import re
import unicodedata
from typing import Final

from tubewright.answers.advise import unit_of
from tubewright.errors import Fault, InputError

_AMOUNT: Final = re.compile(
    r"^(?:(?P<over>\d{1,3})\s*[/⁄]\s*(?P<under>\d{1,3})|(?P<plain>\d{1,9}(?:[.,]\d{1,9})?))\s*"
    r"(?:of an? )?(?P<unit>turns?|mm|cm|deg(?:rees?)?|°)?\s*$"
)
MOST_MOVED: Final = {"turn": 20.0, "mm": 100.0, "deg": 180.0, "cm": 30.0}
"""More than this of a control is a slip of the pen."""


def typed_amount(typed: str | float, control: str, where: str) -> float:
    """An amount of a control as it was typed, in the control's own unit.

    Args:
        typed: The text, or a number in the control's unit.
        control: Its id.
        where: What messages call the place.

    Raises:
        InputError: It is no amount, in another unit, below zero, or more than any control goes.
    """
    unit = unit_of(control)
    size = _number(typed, control, unit, where) if isinstance(typed, str) else float(typed)
    if not math.isfinite(size):
        raise InputError(Fault(what=f"{typed!r} is no amount", where=where, mend="Write it as 1/8, 0.3 or 1.5."))
    if size < 0:
        raise InputError(
            Fault(what="this can't be below zero", where=where, mend="Write its size; the direction says which way.")
        )
    if size > MOST_MOVED[unit]:
        raise InputError(
            Fault(what=f"{size:g} {unit} is more than any control goes", where=where, mend="Check the figure.")
        )
    return size


def _number(typed: str, control: str, unit: str, where: str) -> float:
    # A fraction as one sign (an eighth) falls apart into its figures.
    text = unicodedata.normalize("NFKC", typed).lower().strip()
    found = _AMOUNT.match(text)
    if found is None:
        raise InputError(
            Fault(
                what=f"{typed[:40]!r} is no amount",
                where=where,
                mend=f'Write it as "1/8 turn", "1.5 mm" or a number of {unit}.',
            )
        )
    named = (found["unit"] or unit).removesuffix("s").replace("degree", "deg").replace("°", "deg")
    if named != unit:
        raise InputError(
            Fault(what=f"{control} goes by {unit}, not by {named}", where=where, mend=f"Write the amount in {unit}.")
        )
    if found["over"]:
        return int(found["over"]) / int(found["under"]) if int(found["under"]) else math.inf
    return float(found["plain"].replace(",", "."))
