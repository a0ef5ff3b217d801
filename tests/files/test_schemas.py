"""The published schemas say what the program reads and writes."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema_rs import Draft202012Validator

from samples import SAMPLE_CASE, sample_answer
from tubewright.answers.assessment import to_json
from tubewright.files import assess_schema, case_schema, read_case

BAD_CASES: list[dict[str, Any]] = tomllib.loads(
    (Path(__file__).parents[1] / "reference" / "bad_cases.toml").read_text(encoding="utf-8")
)["bad"]


def complaints(schema: dict[str, Any], body: object) -> list[str]:
    return [error.message for error in Draft202012Validator(schema).iter_errors(body)]


def test_the_sample_case_fits() -> None:
    assert complaints(case_schema(), tomllib.loads(SAMPLE_CASE)) == []
    assert complaints(case_schema(), json.loads(read_case(SAMPLE_CASE.encode()).model_dump_json())) == []


# What a schema can't say: two readings alike; and it only names the form of a date.
BEYOND_A_SCHEMA = {"duplicate_reading", "date_that_is_none"}


@pytest.mark.parametrize(
    "bad", [bad for bad in BAD_CASES if "this is not TOML" not in bad["says"]], ids=lambda bad: bad["name"]
)
def test_what_the_reader_refuses_the_schema_refuses(bad: dict[str, Any]) -> None:
    data = tomllib.loads(bad["toml"])
    assert bool(complaints(case_schema(), data)) is (bad["name"] not in BEYOND_A_SCHEMA)


def test_the_answer_fits() -> None:
    assert complaints(assess_schema(), to_json(sample_answer())) == []


def test_every_object_of_the_answer_is_closed_and_nothing_in_it_may_be_missing() -> None:
    body = to_json(sample_answer())
    for name in body:
        cut = {key: value for key, value in body.items() if key != name}
        assert complaints(assess_schema(), cut), f"{name} may be left out"
    assert complaints(assess_schema(), {**body, "extra": 1})
    assert complaints(assess_schema(), {**body, "decision": "shrug"})
    assert complaints(assess_schema(), {**body, "confidence": 1.2})
    for name in ("plan", "options", "would_change", "suspects", "remarks", "next_steps"):
        entries = body[name]
        assert isinstance(entries, list)
        first = {key: value for key, value in entries[0].items() if key != "unknown"}
        for key in first:
            cut_entry = {k: v for k, v in first.items() if k != key}
            assert complaints(assess_schema(), {**body, name: [cut_entry]}), f"{name}.{key} may be left out"


def test_schemas_name_no_address_of_the_web_but_the_dialect() -> None:
    text = json.dumps([case_schema(), assess_schema()])
    assert text.replace("https://json-schema.org/draft/2020-12/schema", "").count("://") == 0
