"""JSON Schemas of the public contract: the case that goes in, the answer that comes out."""

from __future__ import annotations

from typing import Any, Final, TypeAlias, get_args

from tubewright.answers.assessment import FORMAT, Decision
from tubewright.case import GUNS, PER_GUN, UNITS_OF, Case

Schema: TypeAlias = dict[str, Any]

_DIALECT: Final = "https://json-schema.org/draft/2020-12/schema"


def case_schema() -> Schema:
    """The JSON Schema (2020-12) of a case file, format 1.

    It holds for JSON and for TOML alike, once dates are written as text.
    """
    schema: Schema = Case.model_json_schema()
    reading = schema["$defs"]["Reading"]
    reading["allOf"] = [
        {
            "if": {"properties": {"kind": {"const": kind}}, "required": ["kind"]},
            "then": {
                "properties": {"unit": {"enum": list(units)}}
                | ({"gun": {"enum": list(GUNS)}} if kind in PER_GUN else {})
                | ({"value": {"maximum": 1}} if kind == "shortfall_seen" else {"spread": {"type": "null"}}),
                "required": ["gun"] if kind in PER_GUN else [],
            },
        }
        for kind, units in UNITS_OF.items()
    ]
    test = schema["$defs"]["TestResult"]
    test["oneOf"] = [_has("result", without="value"), _has("value", "unit", without="result")]
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:case:{FORMAT}",
        **schema,
        "title": "Tubewright case, format 1",
    }


def assess_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright assess --json`` writes, format 1."""
    decision: Schema = {"enum": sorted(_words(Decision))}
    gun: Schema = {"enum": list(GUNS)}
    guns: Schema = {"type": "array", "items": gun, "uniqueItems": True}
    chance: Schema = {"type": "number", "minimum": 0, "maximum": 1}
    chance_or_null: Schema = {**chance, "type": ["number", "null"]}
    text: Schema = {"type": "string"}
    texts: Schema = {"type": "array", "items": text}
    number: Schema = {"type": "number"}
    number_or_null: Schema = {"type": ["number", "null"]}
    amount: Schema = {"type": "number", "minimum": 0}
    amount_or_null: Schema = {"type": ["number", "null"], "minimum": 0}
    spread: Schema = {"$ref": "#/$defs/figure"}
    body = {
        "format": {"const": FORMAT},
        "decision": {**decision, "description": "the first step of the best plan"},
        "headline": {**text, "description": "the answer in one sentence"},
        "confidence": {**chance, "description": "chance that this is the best option, given what is known"},
        "plan": _list({"do": decision, "guns": guns, "when": text, "words": text, "chance_reached": chance}),
        "plan_success": {
            **chance_or_null,
            "description": "chance that the treatments of the plan, one after the other, bring the white back",
        },
        "hard_stops": texts,
        "guns": _object(
            {
                name: _object(
                    {
                        "relative_emission": {**spread, "description": "1 = a good gun of this type"},
                        "emission_reserve": {
                            **spread,
                            "description": "temperature-limited over space-charge-limited current at rated heater",
                        },
                        "cutoff_v": spread,
                        "state": text,
                        "trend": text,
                        "leakage": {"type": "object", "additionalProperties": text},
                    },
                    optional=_REASONS,
                )
                for name in GUNS
            }
        ),
        "neutral_white": _object({"now": spread, "after": spread}, optional=_REASONS),
        "wanted": _object({"minimum_white": amount, "keep_years": amount, "hours_per_week": amount}),
        "currency": text,
        "options": _list(
            {
                "id": decision,
                "name": text,
                "guns": guns,
                "success": chance_or_null,
                "hours": spread,
                "years": spread,
                "chance_of_keep_years": chance_or_null,
                "cost": number_or_null,
                "cost_per_year": number_or_null,
                "risk_of_loss": chance_or_null,
                "why_not": {**text, "description": "why it can't be chosen; empty if it can"},
            },
            optional=_REASONS,
        ),
        "would_change": _list(
            {
                "id": text,
                "name": text,
                "gun": {"enum": [*GUNS, None]},
                "at": {**text, "description": "the outcome at which the decision flips"},
                "value": number_or_null,
                "unit": text,
                "flips_to": decision,
                "chance": chance,
                "minutes": amount,
                "worth": {**number, "description": "what knowing it is worth, in the currency of the case"},
            }
        ),
        "suspects": _list({"id": text, "name": text, "probability": chance, "of_the_tube": {"type": "boolean"}}),
        "remarks": _list(
            {"kind": {"enum": ["impossible", "contradiction", "doubt", "note"]}, "words": text, "mend": text}
        ),
        "missing": texts,
        "next_steps": _list(
            {
                "id": text,
                "words": text,
                "minutes": amount_or_null,
                "hazard": {"enum": ["H0", "H1", "H2", "H3", "H4"]},
                "cautions": {**texts, "description": "read these before the step"},
                "confirm": {**texts, "description": "what must be true before a hand goes in"},
            }
        ),
        "model": _object(
            {
                "version": text,
                "seed": {"type": "integer"},
                "futures": {"type": "integer", "minimum": 0},
                "jobs_learned_from": {"type": "integer", "minimum": 0},
                "own_share": {**chance, "description": "share of the answer that is the shop's own experience"},
                "words": text,
            }
        ),
    }
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:assess:{FORMAT}",
        "title": "Tubewright assessment, format 1",
        **_object(body),
        "$defs": {
            "figure": {
                "description": "a figure with its 10, 50 and 90 % points; null beside a reason under 'unknown'",
                "anyOf": [_object({"median": number, "p10": number, "p90": number}), {"type": "null"}],
            },
            "reasons": {
                "description": "why a figure beside this is null, and what would settle it",
                "type": "object",
                "additionalProperties": _object({"reason": text, "would_settle": text}),
            },
        },
    }


_REASONS: Final[Schema] = {"unknown": {"$ref": "#/$defs/reasons"}}


def _object(properties: Schema, optional: Schema | None = None) -> Schema:
    return {
        "type": "object",
        "properties": {**properties, **(optional or {})},
        "required": list(properties),
        "additionalProperties": False,
    }


def _list(properties: Schema, optional: Schema | None = None) -> Schema:
    return {"type": "array", "items": _object(properties, optional)}


def _has(*fields: str, without: str) -> Schema:
    """At least these fields with a value, and none in ``without``."""
    return {
        "required": list(fields),
        "properties": {**{field: {"not": {"type": "null"}} for field in fields}, without: {"type": "null"}},
    }


def _words(annotation: object) -> set[str]:
    """The words of a Literal, or of a union of them."""
    found: set[str] = set()
    for argument in get_args(annotation):
        found |= {argument} if isinstance(argument, str) else _words(argument)
    return found
