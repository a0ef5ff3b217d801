"""The JSON Schemas of a quote and of a bill, as ``--json`` writes them and as they are kept with a job."""

from __future__ import annotations

from typing import Final

from tubewright.answers.assessment import FORMAT
from tubewright.case import GUNS
from tubewright.files.schemas import _DIALECT, _REASONS, Schema, _list, _object

_TEXT: Final[Schema] = {"type": "string"}
_TEXTS: Final[Schema] = {"type": "array", "items": _TEXT}
_MONEY: Final[Schema] = {
    "type": "string",
    "pattern": r"^-?[0-9]+(\.[0-9]+)?$",
    "description": "a decimal number as text, so that no digit is lost",
}
_DAY: Final[Schema] = {"type": "string", "format": "date"}


def _or_null(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


_LINE: Final[Schema] = _object(
    {
        "key": _TEXT,
        "words": _TEXT,
        "quantity": {**_MONEY, "description": "pieces, or minutes"},
        "counted": {"enum": ["piece", "min"]},
        "unit_price": {**_or_null(_MONEY), "description": "of a piece, or of an hour; null where it isn't known"},
        "amount": _or_null(_MONEY),
        "taxed": {"type": "boolean"},
        "basis": {**_TEXT, "description": "where time and price come from"},
    }
)
_SUM: Final[Schema] = {"net": _MONEY, "taxed_net": _MONEY, "tax": _MONEY, "total": _MONEY}
_HEAD: Final[Schema] = {
    "shop": _object({"name": _TEXT, "address": _TEXT, "contact": _TEXT}),
    "customer": _TEXT,
    "display": _TEXT,
    "tube": _TEXT,
    "job": {"type": "integer", "minimum": 1},
    "day": _DAY,
    "tax": _object({"name": _TEXT, "percent": _MONEY}),
    "currency": {**_TEXT, "pattern": "^([A-Z]{3})?$", "description": "ISO 4217; empty where none is set"},
    "rate_per_hour": _or_null(_MONEY),
    "missing": {**_TEXTS, "description": "what is missing before anything can be priced"},
    "warranty": _TEXT,
    "terms": _TEXT,
}


def quote_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright quote --json`` writes, format 1."""
    chance: Schema = {"type": ["number", "null"], "minimum": 0, "maximum": 1}
    number: Schema = {"type": "number"}
    option = _object(
        {
            "id": _TEXT,
            "name": _TEXT,
            "guns": {"type": "array", "items": {"enum": list(GUNS)}, "uniqueItems": True},
            "recommended": {"type": "boolean"},
            "what": _TEXT,
            "steps": {**_TEXTS, "description": "of a plan that goes on until the picture is good enough"},
            "lines": {"type": "array", "items": _LINE},
            "if_needed": _list({"line": _LINE, "chance": {"type": "number", "minimum": 0, "maximum": 1}}),
            "price": {
                **_or_null(_object({**_SUM, "low": _or_null(_MONEY), "high": _or_null(_MONEY), "words": _TEXT})),
                "description": "null where a cost is unknown; low and high with tax, in round figures",
            },
            "before_parts": _TEXT,
            "missing": {**_TEXTS, "description": "which costs are unknown"},
            "success": {**chance, "description": "chance that the picture is good enough afterwards"},
            "keep_chance": {**chance, "description": "chance that it stays so as long as was wanted"},
            "years": _or_null(_object({"median": number, "p10": number, "p90": number})),
            "chance_words": _TEXT,
            "years_words": _TEXT,
            "gives": _TEXTS,
            "may_go_wrong": _TEXTS,
        },
        optional=_REASONS,
    )
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:quote:{FORMAT}",
        "title": "Tubewright quote, format 1",
        **_object(
            {
                "format": {"const": FORMAT},
                "sort": {"const": "quote"},
                "complete": {"type": "boolean", "description": "the recommended option has its price"},
                **_HEAD,
                "valid_until": _or_null(_DAY),
                "headline": _TEXT,
                "recommended": {**_TEXT, "description": "id of the option that the verdict chose"},
                "options": {"type": "array", "items": option},
                "closed": _list({"id": _TEXT, "name": _TEXT, "why": _TEXT}),
                "follows_lead": _TEXT,
                "follows": {**_TEXTS, "description": "what comes after the recommended option, if it comes to that"},
                "notes": _TEXTS,
                "model": _object({"version": _TEXT, "seed": {"type": "integer"}}),
            }
        ),
        "$defs": {
            "reasons": {
                "description": "why a figure beside this is null, and what would settle it",
                "type": "object",
                "additionalProperties": _object({"reason": _TEXT, "would_settle": _TEXT}),
            }
        },
    }


def bill_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright bill --json`` writes, format 1."""
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:bill:{FORMAT}",
        "title": "Tubewright bill, format 1",
        **_object(
            {
                "format": {"const": FORMAT},
                "sort": {"const": "bill"},
                "complete": {"type": "boolean", "description": "nothing is missing, and it may be given out"},
                **_HEAD,
                "lines": {"type": "array", "items": _LINE},
                "sum": {**_or_null(_object(_SUM)), "description": "null while something is missing"},
                "left_out": {"type": "array", "items": _LINE, "description": "done or used, and not charged"},
            }
        ),
    }


def settings_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright settings --json`` writes."""
    from tubewright.answers.quote_terms import NAMES

    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:settings:{FORMAT}",
        "title": "Tubewright settings of the shop, format 1",
        **_object(
            {
                "format": {"const": FORMAT},
                "settings": _object({key: {**_TEXT, "description": words} for key, words in NAMES.items()}),
                "white": _or_null(
                    _object(
                        {
                            "name": _TEXT,
                            "x": {"type": "number"},
                            "y": {"type": "number"},
                            "cct_k": {"type": "number"},
                            "duv": {"type": "number"},
                        }
                    )
                ),
            }
        ),
    }
