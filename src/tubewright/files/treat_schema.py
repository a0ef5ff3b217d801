"""The JSON Schemas of what ``tubewright treat``, ``hold`` and ``due`` write with ``--json``."""

from __future__ import annotations

from typing import get_args

from tubewright.answers.assessment import FORMAT, Decision
from tubewright.answers.due import DUE_SORTS
from tubewright.answers.hold import CLASS_WORDS, LAW_IDS
from tubewright.answers.treated import ADVICE_WORDS, RULE_WORDS, STATE_WORDS
from tubewright.case import GUNS, Outcome, TreatmentKind
from tubewright.files.schemas import _DIALECT, Schema, _list, _object, _words

_TEXT: Schema = {"type": "string"}
_TEXTS: Schema = {"type": "array", "items": _TEXT}
_NUMBER: Schema = {"type": "number"}
_NUMBER_OR_NULL: Schema = {"type": ["number", "null"]}
_CHANCE: Schema = {"type": "number", "minimum": 0, "maximum": 1}
_AMOUNT: Schema = {"type": "number", "minimum": 0}
_AMOUNT_OR_NULL: Schema = {"type": ["number", "null"], "minimum": 0}
_COUNT: Schema = {"type": "integer", "minimum": 0}
_COUNT_OR_NULL: Schema = {"type": ["integer", "null"], "minimum": 0}
_FLAG: Schema = {"type": "boolean"}
_TIME: Schema = {"type": "string", "format": "date-time"}
_GUN: Schema = {"enum": list(GUNS)}
_GUN_OR_NULL: Schema = {"enum": [*GUNS, None], "description": "null: the whole tube"}
_GUNS: Schema = {"type": "array", "items": _GUN, "uniqueItems": True}
_HAZARD: Schema = {"enum": ["H0", "H1", "H2", "H3", "H4"]}
_KIND: Schema = {"enum": list(get_args(TreatmentKind))}


def treat_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright treat --json`` writes, format 1."""
    advice: Schema = {"enum": list(ADVICE_WORDS)}
    outcome: Schema = {"enum": [*get_args(Outcome), None]}
    levels: Schema = {"type": "object", "propertyNames": _GUN, "additionalProperties": _AMOUNT_OR_NULL}
    step = _object(
        {
            "kind": _KIND,
            "name": _TEXT,
            "gun": _GUN_OR_NULL,
            "hazard": _HAZARD,
            "conditions": _list(
                {"caution": _TEXT, "warning": _TEXT, "words": _TEXT, "lasts": _TEXT, "met": _FLAG},
            ),
            "needs": _list({"id": _TEXT, "name": _TEXT, "met": _FLAG, "words": _TEXT, "mend": _TEXT}),
            "open": {**_FLAG, "description": "everything is known, confirmed and waited for"},
            "how": {"type": ["string", "null"], "description": "null while the step is shut"},
            "aim": _TEXT,
            "stop_when": _TEXT,
            "gain_probability": _CHANCE,
            "risk_of_loss": _CHANCE,
            "minutes": _AMOUNT,
            "unattended_hours": _AMOUNT,
            "after": _TEXT,
            "closing": {**_TEXTS, "description": "confirmed after it, before the set runs on or leaves"},
        }
    )
    wait = _object({"words": _TEXT, "minutes": _AMOUNT_OR_NULL, "read_again": _GUNS})
    gun = _object(
        {
            "advice": advice,
            "emission": _AMOUNT_OR_NULL,
            "target": {"type": "array", "items": _AMOUNT, "minItems": 2, "maxItems": 2},
            "needed": _AMOUNT_OR_NULL,
            "restorations": _object({"spent": _AMOUNT, "most": _AMOUNT, "history_known": _FLAG}),
            "words": _TEXT,
            "hold": _TEXT,
        }
    )
    body = {
        "format": {"const": FORMAT},
        "cautions": {**_TEXTS, "description": "of the next step; read them first"},
        "headline": _TEXT,
        "advice": advice,
        "verdict": _object({"decision": {"enum": sorted(_words(Decision))}, "headline": _TEXT}),
        "next": {"anyOf": [step, {"type": "null"}]},
        "wait": {"anyOf": [wait, {"type": "null"}]},
        "stops": _list(
            {
                "rule": {"enum": list(RULE_WORDS)},
                "gun": _GUN_OR_NULL,
                "words": _TEXT,
                "figures": {"type": "object", "additionalProperties": _NUMBER_OR_NULL},
            }
        ),
        "guns": {"type": "object", "propertyNames": _GUN, "additionalProperties": gun},
        "steps": _list(
            {
                "kind": _KIND,
                "name": _TEXT,
                "gun": _GUN_OR_NULL,
                "rung": {**_NUMBER, "description": "place on the ladder of energy"},
                "state": {"enum": list(STATE_WORDS)},
                "words": _TEXT,
                "rounds": _COUNT,
            }
        ),
        "rounds": _list(
            {
                "kind": _KIND,
                "name": _TEXT,
                "gun": _GUN_OR_NULL,
                "at": {"type": ["string", "null"], "format": "date-time"},
                "outcome": {**outcome, "description": "as somebody wrote it down"},
                "judged": {**outcome, "description": "as the readings tell it, for judged_gun"},
                "judged_gun": {"enum": [*GUNS, None]},
                "before": levels,
                "after": levels,
            }
        ),
        "at": _TIME,
        "seed": _COUNT,
    }
    return _schema("treat", "Tubewright plan of treatment", body)


def hold_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright hold --json`` writes, format 1."""
    spread = _object({"median": _NUMBER, "p10": _NUMBER, "p90": _NUMBER})
    spread_or_null: Schema = {"anyOf": [spread, {"type": "null"}]}
    classes = list(CLASS_WORDS)
    body = {
        "format": {"const": FORMAT},
        "cautions": {**_TEXTS, "description": "of taking a reading; read them first"},
        "confirm": _TEXTS,
        "hazard": _HAZARD,
        "headline": _TEXT,
        "words": _TEXTS,
        "gun": {"enum": [*GUNS, None]},
        "unit": _TEXT,
        "rest": {**spread_or_null, "description": "the value at rest: the next day, started cold"},
        "hold": {**spread_or_null, "description": "that over the value 15 minutes after the treatment"},
        "unknown": {
            "type": "object",
            "propertyNames": {"enum": ["rest", "hold"]},
            "additionalProperties": _object({"reason": _TEXT, "would_settle": _TEXT}),
        },
        "hold_class": {"enum": [*classes, None]},
        "class_probability": {"type": "object", "propertyNames": {"enum": classes}, "additionalProperties": _CHANCE},
        "laws": _list({"id": {"enum": list(LAW_IDS)}, "name": _TEXT, "weight": _CHANCE}),
        "noise": {**_AMOUNT_OR_NULL, "description": "scatter of one reading, as a share of it"},
        "worth_having": _FLAG,
        "next_minutes": {**_AMOUNT_OR_NULL, "description": "when to read next, since the treatment"},
        "wait_minutes": {**_AMOUNT_OR_NULL, "description": "when an answer worth having can be expected"},
        "wait": _list({"minutes": _AMOUNT, "width": _AMOUNT, "worth_probability": _CHANCE}),
        "further": _list({"minutes": _AMOUNT, "width": _AMOUNT}),
        "readings": _list({"minutes": _AMOUNT, "value": _AMOUNT, "minutes_on": _AMOUNT_OR_NULL}),
        "left_out": _TEXTS,
        "seed": _COUNT,
    }
    return _schema("hold", "Tubewright answer on a gain's holding", body)


def due_schema() -> Schema:
    """The JSON Schema (2020-12) of what ``tubewright due --json`` writes, format 1."""
    spread = _object({"median": _NUMBER, "p10": _NUMBER, "p90": _NUMBER})
    body = {
        "format": {"const": FORMAT},
        "headline": _TEXT,
        "reminders": _list(
            {
                "tube": _COUNT,
                "tube_label": _TEXT,
                "display": _COUNT_OR_NULL,
                "display_label": _TEXT,
                "owner": _TEXT,
                "open_job": {**_COUNT_OR_NULL, "description": "the job it is on the bench with now"},
                "guns": _GUNS,
                "sort": {"enum": list(DUE_SORTS)},
                "treatment": _KIND,
                "treated_at": _TIME,
                "due_at": _TIME,
                "days_over": {**_NUMBER, "description": "below 0: still to come"},
                "words": _TEXT,
            }
        ),
        "waiting": _list(
            {
                "job": _COUNT,
                "display_label": _TEXT,
                "waits_for": _TEXT,
                "since": _TIME,
                "days_over": _NUMBER,
                "words": _TEXT,
            }
        ),
        "came_back": _list(
            {
                "tube": _COUNT,
                "tube_label": _TEXT,
                "display_label": _TEXT,
                "job": _COUNT,
                "gun": _GUN,
                "treatment": _KIND,
                "treated_at": _TIME,
                "found_at": _TIME,
                "predicted": {
                    "anyOf": [spread, {"type": "null"}],
                    "description": "at rest, as a share of a good gun",
                },
                "after": {**_AMOUNT_OR_NULL, "description": "last read within three days of it, likewise"},
                "found": {**_AMOUNT_OR_NULL, "description": "likewise"},
                "kept": {**_AMOUNT_OR_NULL, "description": "found over predicted, or else over after"},
                "inside": {"type": ["boolean", "null"], "description": "whether it lies in the 80 % interval"},
                "same_instrument": {"type": ["boolean", "null"]},
                "words": _TEXT,
            }
        ),
        "at": _TIME,
    }
    return _schema("due", "Tubewright list of what is due", body)


def _schema(name: str, title: str, body: Schema) -> Schema:
    return {
        "$schema": _DIALECT,
        "$id": f"urn:tubewright:schema:{name}:{FORMAT}",
        "title": f"{title}, format {FORMAT}",
        **_object(body),
    }
