"""The JSON Schema of what ``tubewright proof --json`` writes."""

from __future__ import annotations

from typing import get_args

from tubewright.answers.proof_form import FORMAT, Verdict
from tubewright.case import GUNS
from tubewright.files.schemas import _DIALECT, Schema, _list, _object


def proof_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright proof --json`` writes, format 1."""
    text: Schema = {"type": "string"}
    text_or_null: Schema = {"type": ["string", "null"]}
    texts: Schema = {"type": "array", "items": text}
    number: Schema = {"type": "number"}
    line: Schema = {"$ref": "#/$defs/line"}
    lines: Schema = {"type": "array", "items": line}
    whole: Schema = {"type": "integer", "minimum": 0}
    taken = {
        "anyOf": [_object({"measurement": whole, "at": text, "headline": text}), {"type": "null"}],
    }
    body = {
        "format": {"const": FORMAT},
        "job": whole,
        "label": text,
        "as_of": {**text, "description": "closing of the job, or its last change"},
        "exchanged": {"type": "boolean", "description": "another tube is in the display than the one that came"},
        "headline": text,
        "wanted": _object(
            {
                "minimum_white": number,
                "keep_years": number,
                "hours_per_week": number,
                "hours_per_week_assumed": {"type": "boolean"},
            }
        ),
        "guns": _object(
            {gun: _object({"figures": lines, "state_before": text, "state_after": text_or_null}) for gun in GUNS}
        ),
        "shared": lines,
        "white": line,
        "years": line,
        "hours": line,
        "years_set_up": line,
        "picture": _object({"before": taken, "after": taken, "unlike": text, "figures": lines}),
        "grey": lines,
        "came": texts,
        "found": texts,
        "done": texts,
        "remains": {**texts, "description": "what was not done, not taken again, or is still wrong"},
        "expect": texts,
        "checks": _list({"step_sort": text, "step": text, "caution": text, "words": text, "at": text, "person": text}),
        "verdicts": _list(
            {
                "number": whole,
                "at": text,
                "decision": text,
                "headline": text,
                "model_version": text,
                "seed": {"type": "integer"},
            }
        ),
        "model": _object({"version": text, "seed": {"type": "integer"}}),
    }
    figure: Schema = {
        "anyOf": [
            _object({name: {"type": ["number", "null"]} for name in ("median", "p10", "p90")}),
            {"type": "null"},
        ]
    }
    reason = _object({"reason": text, "would_settle": text})
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:proof:{FORMAT}",
        "title": "Tubewright proof, format 1",
        **_object(body),
        "$defs": {
            "line": _object(
                {
                    "name": text,
                    "group": text,
                    "about": text,
                    "unit": text,
                    "before": figure,
                    "after": figure,
                    "verdict": {"enum": list(get_args(Verdict))},
                },
                optional={
                    "why": {**text, "description": "why the change isn't known"},
                    "unit_before": text,
                    "unknown": _object({}, optional={"before": reason, "after": reason}),
                },
            )
        },
    }
