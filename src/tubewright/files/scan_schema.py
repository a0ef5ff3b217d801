"""The JSON Schema of what ``tubewright scan --json`` writes."""

from __future__ import annotations

from typing import Final

from tubewright.files.schemas import _DIALECT, Schema, _list, _object

FORMAT: Final = 1  # number of the published form


def scan_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright scan --json`` writes."""
    text: Schema = {"type": "string"}
    texts: Schema = {"type": "array", "items": text}
    above: Schema = {"type": "number", "exclusiveMinimum": 0}
    ratio: Schema = {"type": ["number", "null"], "exclusiveMinimum": 0}
    side: Schema = {
        "anyOf": [_object({"ratio": above, "low_ratio": above, "high_ratio": above}), {"type": "null"}],
        "description": "over what it was; null where it can't be told",
    }
    body = {
        "cautions": {**texts, "description": "read these before anything is touched"},
        "confirm": {**texts, "description": "what must be true before a hand goes in"},
        "hazard": text,
        "headline": text,
        "width": side,
        "height": side,
        **{f"{name}_ratio": ratio for name in ("energy", "drive", "supply", "retrace_low", "retrace_high")},
        "untold": {**texts, "description": "why a ratio is null"},
        "words": texts,
        "supply": {
            **_list({"id": text, "words": text, "allowed": {"type": "boolean"}, "refused": texts}),
            "description": "what would bring the old width back, past the anode voltage's guard",
        },
    }
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:scan:{FORMAT}",
        "title": f"Tubewright change of scan, format {FORMAT}",
        **_object(body),
    }
