"""The JSON Schema of what ``tubewright grey --json`` writes."""

from __future__ import annotations

from typing import get_args

from tubewright.answers.greyscale import CONTROLS, DISPLAY_KINDS
from tubewright.answers.greyscale_form import State
from tubewright.answers.greyscale_json import FORMAT
from tubewright.case import GUNS
from tubewright.files.schemas import _DIALECT, Schema, _list, _object

_SHOWN = ("white", "red", "green", "blue", "off")


def grey_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright grey --json`` writes, format greyscale-1."""
    text: Schema = {"type": "string"}
    text_or_null: Schema = {"type": ["string", "null"]}
    texts: Schema = {"type": "array", "items": text}
    number: Schema = {"type": "number"}
    number_or_null: Schema = {"type": ["number", "null"]}
    size: Schema = {"type": "number", "minimum": 0}
    size_or_null: Schema = {"type": ["number", "null"], "minimum": 0}
    level: Schema = {"type": "number", "minimum": 0, "maximum": 1}
    flag: Schema = {"type": "boolean"}
    pair: Schema = {"type": "array", "items": number, "minItems": 2, "maxItems": 2}
    error: Schema = {"$ref": "#/$defs/error"}
    figure: Schema = {"$ref": "#/$defs/figure"}
    control: Schema = {"enum": sorted(CONTROLS)}
    why = {"reason": text, "would_settle": text}
    step = {
        "level": level,
        "luminance_cd_m2": {
            **number_or_null,
            "description": "the room's own light taken off; null where a photograph tells the guns' ratios only",
        },
        "xy": {"anyOf": [pair, {"type": "null"}]},
        "cct_k": size_or_null,
        "duv": number_or_null,
        "white_du_v": size_or_null,
        "drift_du_v": size_or_null,
        "delta_e": {**size_or_null, "description": "CIEDE2000"},
        "sd_du_v": size_or_null,
        "guns": {
            "anyOf": [{"type": "array", "items": number_or_null, "minItems": 3, "maxItems": 3}, {"type": "null"}],
            "description": "light of red, green and blue beside what the white asks of them",
        },
        "counted": {**flag, "description": "false where it is too dark to be seen, or to be measured"},
    }
    body = {
        "cautions": {**texts, "description": "read these before anything is turned"},
        "confirm": {**texts, "description": "what must be true before a hand goes in"},
        "format": {"const": FORMAT},
        "state": {"enum": sorted(get_args(State))},
        "relative": {**flag, "description": "from a photograph: the guns against each other only"},
        "headline": text,
        "words": texts,
        "target": _object(
            {
                "white": text,
                "xy": pair,
                "kind": {"enum": sorted(DISPLAY_KINDS)},
                "white_du_v": {**size, "description": "let pass"},
                "drift_du_v": {**size, "description": "let pass"},
                "peak_cd_m2": pair,
            }
        ),
        "error": error,
        "error_before": error,
        "predicted_error": error,
        "predicted_worst_delta_e": figure,
        "final_error": error,
        "steps": _list(step),
        "predicted": _list(step),
        "guns": {
            "type": "object",
            "propertyNames": {"enum": list(GUNS)},
            "additionalProperties": _object(
                {"black": figure, "gamma": figure, "full_cd_m2": figure, "shortfall": figure, "flattens": flag}
            ),
        },
        "limited_by": {"enum": [*GUNS, None]},
        "black": text_or_null,
        "moves": _list(
            {
                "control": control,
                "change": {**number, "description": "of full drive, or of the drive; brighter above 0"},
                "change_sd": size_or_null,
                "light_change": {**number_or_null, "description": "at at_level, over what it is there"},
                "at_level": level,
                "cathode_v": number_or_null,
                "turns": {**number_or_null, "description": "clockwise above 0; null while a turn's effect isn't known"},
                "turns_sd": size_or_null,
                "try_turns": {**size_or_null, "description": "a first small turn, at most"},
            }
        ),
        "watch": _list(
            {
                "after": {"enum": ["screen", "cutoffs", "drives"]},
                "level": level,
                "xy": pair,
                "luminance_cd_m2": size_or_null,
            }
        ),
        "gains": {
            "type": "object",
            "propertyNames": control,
            "additionalProperties": _object({"per_turn": number, "sd": size}),
        },
        "unknown": _list(why),
        "unsupported": {
            "type": "object",
            "additionalProperties": _object(why),
            "description": "why a figure is null, by its place",
        },
        "readings": _list(
            {
                "shown": {"enum": list(_SHOWN)},
                "level": level,
                "x": level,
                "y": level,
                "Y": size,
                "minutes": size_or_null,
            }
        ),
    }
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:grey:{FORMAT}",
        "title": f"Tubewright grey scale, format {FORMAT}",
        **_object(body),
        "$defs": {
            "error": {
                "anyOf": [
                    _object(
                        {
                            "white_du_v": size,
                            "drift_du_v": size,
                            "worst_delta_e": size,
                            "mean_delta_e": size,
                            "worst_level": level,
                            "within": flag,
                        }
                    ),
                    {"type": "null"},
                ]
            },
            "figure": {"anyOf": [_object({"median": number, "p10": number, "p90": number}), {"type": "null"}]},
        },
    }
