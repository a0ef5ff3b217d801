"""The JSON Schema of what ``tubewright measure --json`` writes."""

from __future__ import annotations

from tubewright.answers.measurement import EDGES, FORMAT, GUNS, ZONES
from tubewright.files.schemas import _DIALECT, Schema, _list, _object


def measure_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright measure --json`` writes, format 1."""
    text: Schema = {"type": "string"}
    text_or_null: Schema = {"type": ["string", "null"]}
    texts: Schema = {"type": "array", "items": text}
    number: Schema = {"type": "number"}
    number_or_null: Schema = {"type": ["number", "null"]}
    amount_or_null: Schema = {"type": ["number", "null"], "minimum": 0}
    figure: Schema = {"$ref": "#/$defs/figure"}
    zone_or_null: Schema = {"enum": [*ZONES, None]}
    pattern: Schema = {"enum": ["survey", "survey_light", None]}
    pair: Schema = {"anyOf": [_object({"x": number, "y": number}), {"type": "null"}]}
    vector: Schema = {"$ref": "#/$defs/vector"}
    vectors: Schema = {"anyOf": [_object(dict.fromkeys(ZONES, vector)), {"type": "null"}]}
    by_zone = _object(dict.fromkeys(ZONES, figure))
    by_edge = _object(dict.fromkeys(EDGES, figure))
    figures = ("gamma", "black_drive", "bends_at", "shortfall", "emission_reserve", "strength")
    at_least = {**amount_or_null, "description": "what the reserve surely exceeds, bend or no bend"}
    law = _or_null({**dict.fromkeys(figures, figure), "reserve_at_least": at_least})
    body = {
        "format": {"const": FORMAT},
        "accepted": {"type": "boolean", "description": "something could be measured"},
        "refused_because": {**text_or_null, "description": "why nothing could, and how to shoot it better"},
        "quality": _object(
            {
                "exposure": {"enum": ["good", "dark", "bright", "refused", "unknown"]},
                "exposure_s": amount_or_null,
                "fields_in_exposure": amount_or_null,
                "sharpness": {**amount_or_null, "description": "standard deviation of the blur, pixels"},
                "clipping": {**amount_or_null, "description": "share of the picture at the camera's limit, percent"},
                "banding": {**amount_or_null, "description": "swing of brightness between rows, percent"},
                "warnings": texts,
                "notes": {**texts, "description": "what was taken for granted, and which photograph told what"},
                "photos": _list(
                    {
                        "name": text,
                        "pattern": pattern,
                        "refused_because": text_or_null,
                        "used_for": texts,
                        "warnings": texts,
                    }
                ),
            }
        ),
        "orientation": _object(
            {
                "rotated_deg": {**number_or_null, "description": "clockwise positive, -180 to 180"},
                "mirrored": {"type": ["boolean", "null"]},
            }
        ),
        "scale": _object(
            {
                "mm_per_px": figure,
                "reference": {"enum": ["tags", "picture_size", "none"]},
                "width_mm": figure,
                "height_mm": figure,
            }
        ),
        "convergence": _or_null(
            {
                "red_minus_green_mm": vectors,
                "blue_minus_green_mm": vectors,
                "worst_mm": figure,
                "worst_zone": zone_or_null,
                "fringes": {"enum": ["tags", "two_shots", "not_separated"]},
                "grid": _list(
                    {"x_mm": number, "y_mm": number, "red_minus_green_mm": pair, "blue_minus_green_mm": pair}
                ),
            }
        ),
        "geometry": _or_null(
            {
                "pincushion_pct": by_edge,
                "trapezoid_h_pct": figure,
                "trapezoid_v_pct": figure,
                "rotation_deg": figure,
                "parallelogram_deg": figure,
                "bow_vertical_axis_pct": figure,
                "bow_horizontal_axis_pct": figure,
                "linearity_h_pct": figure,
                "linearity_v_pct": figure,
                "overscan_pct": by_edge,
                "glass_radius_mm": figure,
                "camera_tilt_deg": figure,
            }
        ),
        "top_curl": _or_null({"amplitude_mm": figure, "settle_lines": figure, "overshoot": figure}),
        "hum": _or_null({"displacement_mm": figure, "brightness_pct": figure, "period_lines": figure}),
        "focus": _or_null(
            {"spot_h_mm": by_zone, "spot_v_mm": by_zone, "camera_blur": {"enum": ["taken_off", "included"]}}
        ),
        "purity": _or_null(
            {"shift": _object(dict.fromkeys(GUNS, by_zone)), "worst": _object(dict.fromkeys(GUNS, figure))}
        ),
        "tracking": _or_null(
            {
                "guns": _object(dict.fromkeys(GUNS, law)),
                "white_drift_du_v": figure,
            }
        ),
        "wear": _or_null({"depth": figure, "area_pct": figure, "at_zone": zone_or_null}),
        "unsupported": {
            "description": "path of every figure that is null, why, and what would settle it",
            "type": "object",
            "additionalProperties": _object({"reason": text, "would_settle": text}),
        },
        "model": _object({"version": text, "pattern": pattern, "raster": text_or_null}),
    }
    points = _list(
        {
            "gun": {"enum": ["red", "blue"], "description": "the displacement is this gun's minus green's"},
            "column": {"type": "integer", "minimum": 0},
            "row": {"type": "integer", "minimum": 0},
            **dict.fromkeys(
                (
                    "x_mm",
                    "y_mm",
                    "dx_mm",
                    "dy_mm",
                    "sd_mm",
                    "smooth_dx_mm",
                    "smooth_dy_mm",
                    "photo_x_px",
                    "photo_y_px",
                ),
                number_or_null,
            ),
        }
    )
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:measure:{FORMAT}",
        "title": "Tubewright measurement, format 1",
        **_object(
            body,
            optional={
                "points": {**points, "description": "with --points: every mark of an outer gun"},
                "changes": _changes(number),
            },
        ),
        "$defs": {
            "figure": {
                "description": "a figure with its 10, 50 and 90 % points; null where 'unsupported' has its path",
                "anyOf": [_object({"median": number, "p10": number, "p90": number}), {"type": "null"}],
            },
            "vector": {
                "description": "millimetres, x right and y down, with the standard deviation along either axis",
                "anyOf": [_object({"x": number, "y": number, "sd": {**number, "minimum": 0}}), {"type": "null"}],
            },
        },
    }


def _or_null(properties: Schema) -> Schema:
    return {"anyOf": [_object(properties), {"type": "null"}]}


def _changes(number: dict[str, object]) -> dict[str, object]:
    maybe = {"anyOf": [number, {"type": "null"}]}
    change = {"anyOf": [_object({"value": number, "sd": {**number, "minimum": 0}}), {"type": "null"}]}
    words = {"type": "string"}
    verdict = {"enum": ["smaller", "larger", "same", "unknown"]}
    one = {"group": words, "figure": words, "unit": words, "before": maybe, "after": maybe}
    return {
        "description": "with --before: each figure then and now; 'same' lies within the spread",
        "type": "array",
        "items": _object({**one, "change": change, "verdict": verdict}),
    }
