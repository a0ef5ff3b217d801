"""What ``treat``, ``hold`` and ``due`` write fits the schemas that are published for it, and nothing less does."""

from __future__ import annotations

import datetime as dt
import json
from typing import Any, Final

import pytest
from jsonschema_rs import Draft202012Validator

from tubewright.answers import due as due_answers
from tubewright.answers import hold as hold_answers
from tubewright.answers.assessment import Spread
from tubewright.answers.treat import treat
from tubewright.answers.treated import to_json as treat_json
from tubewright.case import Case
from tubewright.files.treat_schema import due_schema, hold_schema, treat_schema
from tubewright.judgement.due import TreatedLast
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
NOW: Final = dt.datetime(2026, 3, 2, 10, 0, tzinfo=dt.UTC)


def complaints(schema: dict[str, Any], body: object) -> list[str]:
    return [error.message for error in Draft202012Validator(schema).iter_errors(body)]


def plan(*treatments: dict[str, Any], confirmed: bool = False, **tube: object) -> dict[str, object]:
    rows = [
        {"gun": gun, "kind": "emission", "value": value, "unit": "rel", "minutes_on": 12.0}
        for gun, value in (("red", 0.7), ("green", 0.68), ("blue", 0.32))
    ]
    case = Case.model_validate({"format": 1, "readings": rows, "treatments": list(treatments), "tube": tube})
    said = tuple(KNOWLEDGE.cautions) if confirmed else ()
    return treat_json(treat(case, KNOWLEDGE, now=NOW, confirmed=said, futures=1000))


@pytest.mark.parametrize(
    "body",
    [
        plan(),
        plan(confirmed=True),
        plan({"kind": "clean", "gun": "blue", "outcome": "worse"}),
        plan({"kind": "soak", "at": NOW - dt.timedelta(minutes=5)}),
        plan(neck="cracked"),
    ],
    ids=["plain", "confirmed", "done", "waiting", "stopped"],
)
def test_plans_fit(body: dict[str, object]) -> None:
    assert complaints(treat_schema(), json.loads(json.dumps(body, allow_nan=False))) == []


def held(*readings: tuple[float, float]) -> dict[str, object]:
    told = [hold_answers.TimedReading(minutes=t, value=v, unit="uA") for t, v in readings]
    return hold_answers.to_json(hold_answers.hold(told, KNOWLEDGE, gun="blue"))


@pytest.mark.parametrize(
    "body", [held(), held((10, 600), (15, 595), (30, 580), (60, 570))], ids=["nothing read", "read"]
)
def test_answers_on_the_holding_fit(body: dict[str, object]) -> None:
    assert complaints(hold_schema(), json.loads(json.dumps(body, allow_nan=False))) == []


def listed() -> dict[str, object]:
    tube = due_answers.TubeTold(
        tube_id=1,
        tube="A48",
        display_id=None,
        display="on the shelf",
        owner="",
        open_job=None,
        treated=(TreatedLast(gun="blue", kind="clean", outcome=None, at=NOW - dt.timedelta(days=2)),),
        read=(),
    )
    waits = due_answers.WaitingTold(job_id=3, display="Ferry hall", waits_for="", since=NOW - dt.timedelta(days=30))
    later = [
        due_answers.FoundLater(
            tube_id=1,
            tube="A48",
            display="Ferry hall",
            job_id=3,
            gun="blue",
            kind="clean",
            treated_at=NOW - dt.timedelta(days=90),
            predicted=predicted,
            after_emission=None,
            value_emission=0.5,
            found_at=NOW,
            same_instrument=None,
        )
        for predicted in (None, Spread(median=0.5, p10=0.4, p90=0.6))
    ]
    return due_answers.to_json(due_answers.due([tube], [waits], later, KNOWLEDGE, now=NOW))


def test_the_list_of_what_is_due_fits() -> None:
    assert complaints(due_schema(), json.loads(json.dumps(listed(), allow_nan=False))) == []


@pytest.mark.parametrize(
    ("schema", "body"),
    [(treat_schema(), plan()), (hold_schema(), held()), (due_schema(), listed())],
    ids=["treat", "hold", "due"],
)
def test_nothing_may_be_missing_and_nothing_more_be_there(schema: dict[str, Any], body: dict[str, object]) -> None:
    for name in body:
        assert complaints(schema, {key: value for key, value in body.items() if key != name}), name
    assert complaints(schema, {**body, "extra": 1})
    for name, entries in body.items():
        if isinstance(entries, list) and entries and isinstance(entries[0], dict):
            for key in entries[0]:
                cut = {k: v for k, v in entries[0].items() if k != key}
                assert complaints(schema, {**body, name: [cut]}), f"{name}.{key}"
