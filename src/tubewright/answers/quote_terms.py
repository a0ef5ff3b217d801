"""The shop's own settings: checked as they are typed, and read as the terms of its quotes and bills."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from typing import Final

import numpy as np

from tubewright.answers.assessment import FORMAT
from tubewright.errors import Fault, InputError
from tubewright.judgement.quote_money import exact
from tubewright.physics.white_points import white_place
from tubewright.quantity import parse_quantity

_LONGEST: Final[Mapping[str, int]] = {
    "shop_name": 120,
    "shop_address": 400,
    "shop_contact": 200,
    "tax_name": 30,
    "warranty_text": 3000,
    "terms_text": 3000,
    "white_name": 60,
    "number_prefix": 12,
    "quote_valid_days": 365,
}
"""How long the texts may be in characters, so that they fit on the papers; and how many days."""

NAMES: Final[Mapping[str, str]] = {
    "shop_name": "Name of the shop",
    "shop_address": "Address",
    "shop_contact": "Contact",
    "currency": "Currency",
    "bench_rate_per_hour": "Bench rate an hour",
    "tax_name": "Name of the tax",
    "tax_percent": "Tax, percent",
    "warranty_text": "Warranty",
    "terms_text": "Terms",
    "quote_valid_days": "Days a quote holds",
    "white_name": "Name of the shop's own white",
    "white_x": "Its x",
    "white_y": "Its y",
    "number_prefix": "Before the numbers of papers",
}
"""Every setting by its key, in words."""

_SEVERAL_LINES: Final = frozenset({"shop_address", "warranty_text", "terms_text"})
_PREFIX: Final = re.compile(r"[A-Za-z0-9][A-Za-z0-9./_-]*")
_CURRENCY: Final = re.compile(r"[A-Z]{3}")
_MOST_TYPED: Final[Mapping[str, int]] = {"tax_percent": 100, "bench_rate_per_hour": 1_000_000}


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopTerms:
    """What the shop puts on its papers; empty or None where it isn't set."""

    name: str = ""
    address: str = ""
    contact: str = ""
    currency: str = ""
    rate_per_hour: Decimal | None = None
    tax_name: str = ""
    tax_percent: Decimal = Decimal(0)
    warranty: str = ""
    terms: str = ""
    valid_days: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class ShopWhite:
    """The shop's own white: CIE 1931 x and y, and where it lies beside the black body."""

    name: str
    x_fraction: float
    y_fraction: float
    cct_k: float
    duv_ratio: float


def checked_settings(changes: Mapping[str, str], now: Mapping[str, str]) -> dict[str, str]:
    """Settings as they may be stored, from what was typed; an empty text takes a setting away.

    Args:
        changes: What was typed, by key.
        now: What is set already; together they must make sense (a white has an x and a y).

    Returns:
        The changes in the form they are kept in: a figure as digits, a currency in capitals.

    Raises:
        InputError: With every fault that was found; ``where`` is the key.
    """
    faults: list[Fault] = []
    found: dict[str, str] = {}
    for key, typed in changes.items():
        if key not in NAMES:
            faults.append(Fault(what="there is no such setting", where=key, mend=_nearest(key)))
            continue
        try:
            found[key] = _checked(key, typed.strip())
        except InputError as error:
            faults += error.faults
    if not faults and found.keys() & {"white_x", "white_y"}:
        faults += _white_faults({**now, **found})
    if faults:
        raise InputError(faults)
    return found


def terms_of(settings: Mapping[str, str]) -> ShopTerms:
    """The terms that the settings make."""
    rate, days = settings.get("bench_rate_per_hour", ""), settings.get("quote_valid_days", "")
    return ShopTerms(
        name=settings.get("shop_name", ""),
        address=settings.get("shop_address", ""),
        contact=settings.get("shop_contact", ""),
        currency=settings.get("currency", ""),
        rate_per_hour=exact(rate) if rate else None,
        tax_name=settings.get("tax_name", ""),
        tax_percent=exact(settings.get("tax_percent") or "0"),
        warranty=settings.get("warranty_text", ""),
        terms=settings.get("terms_text", ""),
        valid_days=int(days) if days else None,
    )


def shop_white(settings: Mapping[str, str]) -> ShopWhite | None:
    """The shop's own white, if it has one."""
    if not settings.get("white_x") or not settings.get("white_y"):
        return None
    x, y = float(settings["white_x"]), float(settings["white_y"])
    place = white_place([x, y])
    return ShopWhite(
        name=settings.get("white_name", ""),
        x_fraction=x,
        y_fraction=y,
        cct_k=float(place.cct_k),
        duv_ratio=float(place.duv_ratio),
    )


def settings_json(settings: Mapping[str, str]) -> dict[str, object]:
    """The published body of ``settings``."""
    white = shop_white(settings)
    return {
        "format": FORMAT,
        "settings": {key: settings.get(key, "") for key in NAMES},
        "white": None
        if white is None
        else {
            "name": white.name,
            "x": white.x_fraction,
            "y": white.y_fraction,
            "cct_k": round(white.cct_k, 1),
            "duv": round(white.duv_ratio, 5),
        },
    }


def _checked(key: str, typed: str) -> str:
    if not typed:
        return ""
    if key == "currency":
        code = typed.upper()
        if not _CURRENCY.fullmatch(code):
            raise _fault(key, f"“{_short(typed)}” is no currency", "Type its three letters, such as EUR.")
        return code
    if key == "quote_valid_days":
        most = _LONGEST[key]
        if not (typed.isascii() and typed.isdigit() and len(typed) < 4 and 0 < int(typed) <= most):
            raise _fault(key, f"“{_short(typed)}” is no number of days", f"Type a whole number from 1 to {most}.")
        return str(int(typed))
    return _text(key, typed) if key in _LONGEST else _figure(key, typed)


def _text(key: str, typed: str) -> str:
    lines = [" ".join(line.split()) for line in typed.replace("\r\n", "\n").replace("\r", "\n").split("\n")]
    if key not in _SEVERAL_LINES:
        lines = [" ".join(line for line in lines if line)]
    text = "\n".join("".join(letter for letter in line if letter.isprintable()) for line in lines).strip()
    if len(text) > _LONGEST[key]:
        raise _fault(key, f"this has {len(text)} characters", f"Keep it to {_LONGEST[key]}.")
    if key == "number_prefix" and not _PREFIX.fullmatch(text):
        raise _fault(key, f"“{_short(text)}” can't stand before a number", "Use letters, digits, and - . / _ only.")
    return text


def _figure(key: str, typed: str) -> str:
    kinds = {"bench_rate_per_hour": "money"}
    bare = typed.removesuffix("%").strip() if key == "tax_percent" else typed
    value = exact(parse_quantity(bare, kind=kinds.get(key, "number"), where=key).value)
    if key == "bench_rate_per_hour" and value > _MOST_TYPED[key]:
        raise _fault(key, f"{value} is too much for an hour", "Type what the shop takes for an hour at the bench.")
    if key == "tax_percent" and value > _MOST_TYPED[key]:
        raise _fault(key, f"{value} % is more than all of it", "Type percent, such as 20 or 7.7.")
    if key in {"white_x", "white_y"} and not 0 < value < 1:
        raise _fault(key, f"{value} is no chromaticity", "CIE 1931 x and y lie between 0 and 1, such as 0.3127.")
    return f"{value.normalize():f}"


def _white_faults(merged: Mapping[str, str]) -> list[Fault]:
    x, y = merged.get("white_x", ""), merged.get("white_y", "")
    if not x and not y:
        return []
    if not x or not y:
        missing = "white_y" if x else "white_x"
        return [Fault(what="one of the two is missing", where=missing, mend="Give x and y, or neither.")]
    if float(x) + float(y) >= 1:
        return [Fault(what=f"x {x} and y {y} together reach 1", where="white_y", mend="Look at both once more.")]
    if not np.isfinite(white_place([float(x), float(y)]).cct_k):
        return [
            Fault(
                what=f"x {x}, y {y} is no white: it lies too far from the black body's line (CIE 15: 0.05 in u, v)",
                where="white_x",
                mend="Take x and y off a meter on a white you like; 6500 K is 0.3127, 0.3290.",
            )
        ]
    return []


def _nearest(key: str) -> str:
    import difflib

    near = difflib.get_close_matches(key, NAMES, n=2, cutoff=0.5)
    return f"Did you mean {' or '.join(near)}?" if near else f"Known are {', '.join(NAMES)}."


def _short(text: str) -> str:
    clean = "".join(letter if letter.isprintable() else "?" for letter in text)
    return clean if len(clean) <= 24 else clean[:23] + "…"


def _fault(where: str, what: str, mend: str) -> InputError:
    return InputError(Fault(what=what, where=where, mend=mend))
