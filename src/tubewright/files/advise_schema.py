"""The JSON Schema of what ``tubewright advise --json`` writes."""

from __future__ import annotations

from typing import get_args

from tubewright.answers.advise import TOLERANCES
from tubewright.answers.advised import FORMAT, Origin, Sort, Standing, State, Way
from tubewright.answers.measurement import ZONES
from tubewright.files.schemas import _DIALECT, Schema, _list, _object


def advise_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright advise --json`` writes, format 1."""
    text: Schema = {"type": "string"}
    text_or_null: Schema = {"type": ["string", "null"]}
    texts: Schema = {"type": "array", "items": text}
    number: Schema = {"type": "number"}
    number_or_null: Schema = {"type": ["number", "null"]}
    size: Schema = {"type": "number", "minimum": 0}
    number_of: Schema = {"type": "integer", "minimum": 1}
    expected = _object({"about": text, "unit": text, "before": size, "after": size, "after_sd": size})
    body = {
        "format": {"const": FORMAT},
        "state": {"enum": sorted(get_args(State))},
        "within_tolerance": {"type": "boolean", "description": "everything measured is within tolerance"},
        "headline": text,
        "tolerance": {"enum": list(TOLERANCES)},
        "cautions": {**texts, "description": "of all moves; read them before the first"},
        "ways": {
            **_list({"way": {"enum": list(get_args(Way))}, "name": text, "words": text, "confirm": texts}),
            "description": "the ways of turning them, and what must be true for each; one of them is enough",
        },
        "moves": _list(
            {
                "cautions": {**texts, "description": "read these before the move"},
                "confirm": {**texts, "description": "what must be true first, whichever way; ways parts them"},
                "hazard": {"enum": ["H0", "H1", "H2", "H3", "H4"]},
                "control": text,
                "name": text,
                "part": text_or_null,
                "sort": {"enum": sorted(get_args(Sort))},
                "direction": text,
                "way": {**text_or_null, "description": "the direction in one word, as it is written down"},
                "amount": text,
                "value": {**number_or_null, "description": "in unit; the sign says which of the two ways"},
                "sd": number_or_null,
                "unit": {"enum": ["turn", "mm", "deg", "cm", None]},
                "tabs_mm": {**number_or_null, "description": "of rings: how far the tabs should stand apart then"},
                "angle_deg": {**number_or_null, "description": "of rings: clockwise as seen from behind"},
                "expected": {"anyOf": [expected, {"type": "null"}]},
                "why": text,
                "disturbs": text,
                "entry": {**text, "description": "lines for the file of moves once it was done"},
            }
        ),
        "remaining": _list(
            {
                "about": text,
                "group": text,
                "zone": {"enum": [*ZONES, None]},
                "gun": {"enum": ["red", "green", "blue", None]},
                "value": size,
                "sd": size,
                "tolerance": size,
                "unit": {"enum": ["mm", "%", "degrees", "share"]},
                "within": {"type": "boolean"},
                "chance_within": {"type": "number", "minimum": 0, "maximum": 1},
            }
        ),
        "unknown": _list({"about": text, "reason": text, "would_settle": text}),
        "notes": texts,
        "history": {
            "type": "array",
            "items": number,
            "description": "what lay beyond tolerance at each photograph, in tolerances",
        },
        "worst": {
            "type": "array",
            "items": number_or_null,
            "description": "the worst figure of each photograph over its tolerance",
        },
        "order": _list(
            {
                "place": {"type": "integer"},
                "id": text,
                "name": text,
                "why": text,
                "disturbs": texts,
                "controls": {**texts, "description": "those that this display has, by name"},
                "standing": {"enum": sorted(get_args(Standing))},
                "beyond": {**texts, "description": "what of it is beyond tolerance, the worst first"},
            }
        ),
        "learned": _list(
            {
                "control": text,
                "name": text,
                "part": text_or_null,
                "per": text,
                "about": text,
                "value": number,
                "sd": size,
                "unit": {"enum": ["mm", "%", "degrees", "share"]},
                "known": {"type": "boolean", "description": "its direction stands beyond doubt"},
                "tries": {"type": "integer", "minimum": 0},
                "origin": {"enum": sorted(get_args(Origin))},
            }
        ),
        "job": {
            "anyOf": [
                _object(
                    {
                        "number": number_of,
                        "photographs": {
                            "type": "array",
                            "items": number_of,
                            "description": "numbers of its measurements, in order",
                        },
                        "pending": {
                            **_list({"move": number_of, "control": text, "name": text, "words": text}),
                            "description": "turned since the last of them: the next photograph tells what it did",
                        },
                        "earlier": {
                            "type": "array",
                            "items": number_of,
                            "description": "earlier jobs on this display that taught something of its controls",
                        },
                    }
                ),
                {"type": "null"},
            ],
            "description": "the records it rests on; null where it was files",
        },
        "model": _object({"version": text}),
    }
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:advise:{FORMAT}",
        "title": "Tubewright advice, format 1",
        **_object(body),
    }
