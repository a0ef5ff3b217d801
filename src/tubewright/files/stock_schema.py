"""The JSON Schemas of what ``tubewright stock`` writes with ``--json``."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Final, get_args

from tubewright.answers.stock import FORMAT, State
from tubewright.files.schemas import _DIALECT, Schema, _list, _object

_TEXT: Final[Schema] = {"type": "string"}
_TEXT_OR_NULL: Final[Schema] = {"type": ["string", "null"]}
_TEXTS: Final[Schema] = {"type": "array", "items": _TEXT}
_COUNT: Final[Schema] = {"type": "integer", "minimum": 0}
_NUMBER: Final[Schema] = {"type": "integer", "minimum": 1}
_WHOLE_OR_NULL: Final[Schema] = {"type": ["integer", "null"]}
_MONEY: Final[Schema] = {"type": ["number", "null"], "minimum": 0}
_CURRENCY: Final[Schema] = {"type": ["string", "null"], "pattern": "^[A-Z]{3}$"}
_ATTRIBUTES: Final[Schema] = {
    "type": "object",
    "description": "what it is like; figures in the unit at the end of the name",
    "additionalProperties": {"type": ["number", "string", "boolean"]},
}


def _item() -> Schema:
    return _object(
        {
            "id": _NUMBER,
            "code": {**_TEXT, "description": "what its label says"},
            "sort": {"enum": ["part", "tube"]},
            "kind": _TEXT,
            "name": _TEXT,
            "words": {**_TEXTS, "description": "what is known of it, in a few words each"},
            "attributes": _ATTRIBUTES,
            "quantity": _COUNT,
            "reserved": _COUNT,
            "free": {"type": "integer", "description": "below 0 when more is reserved than there is"},
            "minimum": _COUNT,
            "to_order": _COUNT,
            "place": _TEXT,
            "cost": {**_MONEY, "description": "of one piece"},
            "currency": _CURRENCY,
            "supplier": _TEXT,
            "tube": {**_WHOLE_OR_NULL, "description": "the tube of the records that it is"},
            "notes": _TEXT,
        }
    )


def _taken() -> Schema:
    return _object(
        {
            "id": _NUMBER,
            "item": _TEXT,
            "name": _TEXT,
            "job": _NUMBER,
            "quantity": _NUMBER,
            "state": {"enum": list(get_args(State))},
            "cost": {**_MONEY, "description": "of one piece, as it was when it was reserved"},
            "currency": _CURRENCY,
            "at": _TEXT_OR_NULL,
            "person": _TEXT,
            "note": _TEXT,
        }
    )


def _whole(name: str, title: str, properties: Schema) -> Schema:
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:{name}:{FORMAT}",
        "title": f"Tubewright {title}, format {FORMAT}",
        **_object({"format": {"const": FORMAT}, **properties}),
    }


def stock_schema() -> Schema:
    """Of ``tubewright stock list --json`` and ``stock import --json``."""
    return _whole("stock", "stock", {"items": {"type": "array", "items": _item()}})


def stock_item_schema() -> Schema:
    """Of ``tubewright stock show``, ``add`` and ``edit`` with ``--json``."""
    return _whole(
        "stock-item",
        "item of the stock",
        {"item": _item(), "reservations": {"type": "array", "items": _taken()}},
    )


def stock_reservation_schema() -> Schema:
    """Of ``tubewright stock reserve``, ``use`` and ``release`` with ``--json``."""
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:stock-reservation:{FORMAT}",
        "title": f"Tubewright reservation, format {FORMAT}",
        **_taken(),
    }


def stock_parts_schema() -> Schema:
    """Of ``tubewright stock job --json``."""
    amounts = _list({"amount": {"type": "number", "minimum": 0}, "currency": _CURRENCY})
    cost = _object({"used": amounts, "reserved": amounts, "without_price": _TEXTS})
    return _whole(
        "stock-parts",
        "parts of a job",
        {"job": _NUMBER, "parts": {"type": "array", "items": _taken()}, "cost": cost},
    )


def stock_order_schema() -> Schema:
    """Of ``tubewright stock order --json``."""
    line = {"count": _NUMBER, "for_jobs": {"type": "array", "items": _NUMBER}, "item": _item()}
    return _whole("stock-order", "order list", {"lines": _list(line)})


def stock_recap_schema() -> Schema:
    """Of ``tubewright stock recap --json``."""
    offer = {
        "item": _TEXT,
        "name": _TEXT,
        "words": _TEXTS,
        "free": {"type": "integer"},
        "verdict": {"enum": ["fits", "fits_with_remark"]},
        "mind": _TEXTS,
    }
    part = {
        "ref": _TEXT,
        "there": _TEXT,
        "buy": _TEXT_OR_NULL,
        "given": {**_TEXT_OR_NULL, "description": "code of the item that it gets"},
        "offers": _list(offer),
    }
    line = {"count": _NUMBER, "kind": _TEXT, "words": _TEXT, "attributes": _ATTRIBUTES, "refs": _TEXTS}
    return _whole(
        "stock-recap",
        "recap list served from the stock",
        {
            "cautions": {**_TEXTS, "description": "read these before the first joint is opened"},
            "headline": _TEXT,
            "parts": _list(part),
            "reserve": _list({"item": _TEXT, "name": _TEXT, "count": _NUMBER, "refs": _TEXTS}),
            "order": _list(line),
            "kind_not_said": {**_TEXTS, "description": "capacitors in stock whose kind nobody said; never offered"},
        },
    )


SCHEMAS: Final[Mapping[str, Callable[[], Schema]]] = {
    "stock": stock_schema,
    "stock-item": stock_item_schema,
    "stock-reservation": stock_reservation_schema,
    "stock-parts": stock_parts_schema,
    "stock-order": stock_order_schema,
    "stock-recap": stock_recap_schema,
}
"""By the name under which ``tubewright schema`` prints them."""
