"""The JSON Schema of what ``tubewright diagnose --json`` writes."""

from __future__ import annotations

from tubewright.answers.assessment import FORMAT
from tubewright.files.schemas import _DIALECT, Schema, _list, _object

_HAZARDS = ["H0", "H1", "H2", "H3", "H4"]


def diagnose_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright diagnose --json`` writes, format 1."""
    text: Schema = {"type": "string"}
    texts: Schema = {"type": "array", "items": text}
    number: Schema = {"type": "number"}
    chance: Schema = {"type": "number", "minimum": 0, "maximum": 1}
    amount: Schema = {"type": "number", "minimum": 0}
    count: Schema = {"type": "integer", "minimum": 0}
    hazard: Schema = {"enum": _HAZARDS}
    step: Schema = {
        "cautions": {**texts, "description": "read these before the step"},
        "confirm": {**texts, "description": "what must be true before a hand goes in"},
    }
    kind: Schema = {"enum": ["symptom", "no_symptom", "test"]}
    pulls = _list(
        {
            "finding": text,
            "result": {**text, "description": "of a test; else empty"},
            "kind": kind,
            "name": text,
            "log_odds": {**number, "description": "what the finding adds to the logarithm of the fault's odds"},
            "words": text,
        }
    )
    separates = _object(
        {
            "first": text,
            "second": text,
            **step,
            "test": text,
            "name": text,
            "minutes": amount,
            "hazard": hazard,
            "results": _list({"result": text, "means": text, "chance": chance, "first": chance, "second": chance}),
            "words": text,
        }
    )
    body = {
        "format": {"const": FORMAT},
        "headline": {**text, "description": "the answer in one sentence"},
        "at_once": {**texts, "description": "what can't wait for the next step: the set is doing harm as it stands"},
        "faults": _list(
            {
                "id": text,
                "name": text,
                "subsystem": text,
                "of_the_tube": {"type": "boolean"},
                "probability": {**chance, "description": "after all findings; several faults may be there at once"},
                "standard_error": {**amount, "description": "of the probability; 0 where it is exact"},
                "general_probability": {**chance, "description": "by the trade's general figures alone"},
                "prior_probability": {**chance, "description": "before any finding"},
                "state": {"enum": ["suspected", "excluded"]},
                "hazard": hazard,
                **step,
                "repair": text,
                "minutes": amount,
                "parts": texts,
                "confirm_with": {
                    "type": "object",
                    "additionalProperties": text,
                    "description": "tests that settle it, and what they then show",
                },
            }
        ),
        "explanations": _list({"faults": texts, "probability": chance}),
        "explanations_cover": {**chance, "description": "share of all explanations these were chosen from"},
        "blame": {
            **_object({"tube": chance, "elsewhere": chance, "unknown": chance}),
            "description": "chances that a fault of the tube, one elsewhere, or nothing known causes what was seen",
        },
        "explains": _list({"fault": text, "for": pulls, "against": pulls, "words": text}),
        "findings": _list({"finding": text, "result": text, "kind": kind, "words": text}),
        "unexplained": _list({"id": text, "name": text, "probability": chance}),
        "separates": {"anyOf": [separates, {"type": "null"}]},
        "next_tests": _list(
            {
                "id": text,
                **step,
                "caution_ids": texts,
                "name": text,
                "how": text,
                "minutes": amount,
                "hazard": hazard,
                "running": {"type": "boolean", "description": "in a set that is switched on and open"},
                "information_bits": amount,
                "expected_cost_left": {**amount, "description": "minutes of repair still expected after it"},
                "minutes_saved": amount,
                "follows": {**text, "description": "what the same test showed, where it goes further"},
                "nominal": {**text, "description": "what the reading is held against"},
                "access_minutes": amount,
                "access_steps": {**texts, "description": "the way to it as the set stands now"},
                "words": {**text, "description": "why it stands where it stands"},
                "outcomes": _list(
                    {
                        "result": text,
                        "means": text,
                        "chance": chance,
                        "leading": _list({"id": text, "probability": chance}),
                        "words": text,
                    }
                ),
            }
        ),
        "advice": _object(
            {
                "kind": {"enum": ["test", "repair", "nothing"]},
                "fault": {**text, "description": "the suspect that could be opened up; else empty"},
                "access_steps": texts,
                "expected_cost_left": {**amount, "description": "minutes' worth of work without any further test"},
                "words": text,
            }
        ),
        "repairs": _list(
            {
                "fault": text,
                "name": text,
                "state": {"enum": ["found", "mended", "excluded"]},
                "words": text,
                "hazard": hazard,
                **step,
                "repair": text,
                "minutes": amount,
            }
        ),
        "values": _list(
            {
                "test": text,
                "value": number,
                "unit": text,
                "nominal": {"type": ["number", "null"], "description": "what is right, in the same unit"},
                "nominal_from": {"enum": ["case", "chassis", "usual", "none"]},
                "shares": {
                    "type": "object",
                    "additionalProperties": chance,
                    "description": "chance that each result is the true one; '' for none of them",
                },
                "words": text,
            }
        ),
        "remarks": _list(
            {"kind": {"enum": ["impossible", "contradiction", "doubt", "note"]}, "words": text, "mend": text}
        ),
        "stands": {**text, "description": "how the set is taken to stand; the way to each step starts there"},
        "asks": {**texts, "description": "what to find out first, where hardly anything is known"},
        "learned": _list(
            {"fault": text, "about": text, "ours": chance, "general": chance, "jobs": count, "words": text}
        ),
        "method": _object(
            {
                "kind": {"enum": ["exact", "sampled"]},
                "largest_standard_error": {**amount, "description": "of any probability in the answer"},
                "samples": count,
                "words": text,
            }
        ),
        "model": _object({"version": text, "seed": {"type": "integer"}, "jobs_learned_from": count, "words": text}),
    }
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:diagnose:{FORMAT}",
        "title": "Tubewright diagnosis, format 1",
        **_object(body),
    }
