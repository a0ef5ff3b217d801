"""What people type about a grey scale: a white by name or by place, and turns as fractions."""

from __future__ import annotations

from fractions import Fraction
from typing import Final

from tubewright.answers.greyscale_target import WHITE_NAMES
from tubewright.errors import Fault, InputError
from tubewright.quantity import parse_quantity

MOST_TYPED_TURNS: Final = 10.0


def typed_white(typed: str, where: str) -> str | tuple[float, float]:
    """A white as it is typed: its name, or x and y with a comma, a semicolon or a blank between.

    Args:
        typed: ``9300 K``, ``0.283,0.298``; what is neither comes back as it is, for the target to refuse.
        where: The field, for messages.

    Raises:
        InputError: Two parts of which one is no number.
    """
    plain = typed.replace(" ", "").upper()
    named = next((name for name in WHITE_NAMES if name.upper() == plain), None)
    if named is not None:
        return named
    parts = [part for part in typed.replace(";", " ").split() if part]
    if len(parts) == 1:
        parts = parts[0].split(",")
    if len(parts) != 2 or not all(part.strip()[:1].isdigit() or part.strip()[:1] in ".," for part in parts):
        return typed
    x, y = (parse_quantity(part.strip(" ,"), kind="number", where=where).value for part in parts)
    return x, y


def typed_turns(typed: str, where: str, *, example: str = "1/8") -> float:
    """Turns as they are typed: ``1/8``, ``-1/4``, ``0,125``.

    Raises:
        InputError: It is no number, or more than ten turns.
    """
    try:
        turns = float(Fraction(typed.strip().replace("−", "-").replace(",", ".")))
    except (ValueError, ZeroDivisionError, OverflowError) as error:
        raise InputError(
            Fault(what=f"“{typed[:20]}” is no number of turns", where=where, mend=f"Write {example}.")
        ) from error
    if not abs(turns) <= MOST_TYPED_TURNS:
        raise InputError(Fault(what="more than ten turns", where=where, mend="Check the figure: 1/8 is an eighth."))
    return turns
