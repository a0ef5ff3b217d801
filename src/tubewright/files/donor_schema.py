"""The JSON Schemas of what ``tubewright label --json`` and ``tubewright donor --json`` write."""

from __future__ import annotations

from typing import Final, get_args

from tubewright.answers.donor import Verdict
from tubewright.files.schemas import _DIALECT, Schema, _list, _object

FORMAT: Final = 1  # number of the published form

_TEXT: Final[Schema] = {"type": "string"}
_TEXT_OR_NULL: Final[Schema] = {"type": ["string", "null"]}
_TEXTS: Final[Schema] = {"type": "array", "items": _TEXT}
_NUMBER_OR_NULL: Final[Schema] = {"type": ["number", "null"]}
_KIND: Final[Schema] = {"enum": ["published", "common practice", "from memory"]}


def label_schema() -> Schema:
    """The JSON Schema (2020-12) of a decoded type label."""
    reading = {
        "grammar": _TEXT,
        "grammar_name": _TEXT,
        "written": {**_TEXT, "description": "the label with the hyphen where this grammar has one"},
        "kind": _KIND,
        "source": _TEXT,
        "unusual": {"type": "boolean", "description": "can be divided so, but such labels are not known"},
        "use": _TEXT_OR_NULL,
        "diagonal_cm": {"type": "number", "exclusiveMinimum": 0},
        "diagonal_in": {"type": "number", "exclusiveMinimum": 0},
        "size_is": {"enum": ["nominal", "viewable"]},
        "sold_as_in": _NUMBER_OR_NULL,
        "family": _TEXT_OR_NULL,
        "picture": {"enum": ["colour", "mono", None]},
        "phosphor": _TEXT_OR_NULL,
        "light": _TEXT_OR_NULL,
        "equivalents": {"type": "object", "additionalProperties": _TEXT},
        "neck": _TEXT_OR_NULL,
        "remarks": _TEXTS,
        "parts": _list({"part": _TEXT, "text": _TEXT, "means": _TEXT, "kind": _KIND}),
    }
    return _titled("label", "decoded type label", {"label": _TEXT, "readings": _list(reading), "never_told": _TEXTS})


def donor_schema() -> Schema:
    """The JSON Schema (2020-12) of donors held against a wanted tube."""
    verdict: Schema = {"enum": list(get_args(Verdict))}
    aspect = {
        "id": _TEXT,
        "verdict": verdict,
        "words": _TEXT,
        "do": _TEXT_OR_NULL,
        "find_out": _TEXT_OR_NULL,
        "minutes": {"type": "number", "minimum": 0},
        "decisive": {"type": "boolean"},
        "cautions": _TEXTS,
    }
    way = {
        "yoke_from": {"enum": ["set", "donor"]},
        "verdict": {**verdict, "description": "unknown where something decisive is not known"},
        "so_far": verdict,
        "minutes": {"type": "number", "minimum": 0},
        "aspects": _list(aspect),
    }
    number: Schema = {"type": "number"}
    ratio = {"ratio": number, "low_ratio": number, "high_ratio": number}
    one_side: Schema = {"anyOf": [_object(ratio), {"type": "null"}]}
    ratios = ("energy", "drive", "supply", "retrace_low", "retrace_high")
    size = _object(
        {
            "width": {**one_side, "description": "over what it was; null where it can't be told"},
            "height": one_side,
            **{f"{name}_ratio": _NUMBER_OR_NULL for name in ratios},
            "untold": _TEXTS,
            "words": _TEXTS,
        }
    )
    move = {"id": _TEXT, "words": _TEXT, "allowed": {"type": "boolean"}, "refused": _TEXTS}
    match = {
        "rank": {"type": "integer", "minimum": 1},
        "id": _TEXT,
        "label": _TEXT_OR_NULL,
        "place": _TEXT_OR_NULL,
        "price": _NUMBER_OR_NULL,
        "headline": _TEXT,
        "condition": {**_NUMBER_OR_NULL, "description": "what is left in it; 1 is a good tube, null a dead one"},
        **way,
        "other_way": {"anyOf": [_object(way), {"type": "null"}]},
        "measure_first": _TEXTS,
        "size": size,
        "supply": {**_list(move), "description": "what would bring the old width back, past the anode voltage's guard"},
        "remarks": _TEXTS,
    }
    return _titled(
        "donor",
        "donor tubes",
        {
            "cautions": {**_TEXTS, "description": "read these before anything is touched"},
            "confirm": _TEXTS,
            "hazard": _TEXT,
            "wanted": _TEXT,
            "headline": _TEXT,
            "remarks": _TEXTS,
            "donors": _list(match),
            "afterwards": _TEXTS,
        },
    )


def _titled(name: str, title: str, properties: Schema) -> Schema:
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:{name}:{FORMAT}",
        "title": f"Tubewright {title}, format {FORMAT}",
        **_object(properties),
    }
