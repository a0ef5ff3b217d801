"""What is written down in a job: readings, observations, verdicts."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from sqlalchemy import Connection, insert

from tubewright import case
from tubewright.errors import Fault, InputError
from tubewright.records import checks
from tubewright.records.changes import Change, Values, row
from tubewright.records.model import ObservationRecord, ReadingRecord, VerdictRecord
from tubewright.records.rows import (
    READING_FIELDS,
    observation_record,
    reading_record,
    records_of,
    verdict_record,
)
from tubewright.records.tables import jobs, observations, readings, verdicts

IMPORT_CHUNK: Final = 2000
"""Readings handed to the database at once."""

# -- readings ------------------------------------------------------------------------------


def reading(conn: Connection, reading_id: int) -> ReadingRecord:
    """One reading."""
    row(conn, readings, reading_id)
    return records_of(conn, readings, readings.c.id == reading_id, reading_record)[0]


def _reading_values(checked: case.Reading) -> Values:
    return {name: getattr(checked, name) for name in READING_FIELDS}


def add_readings(
    change: Change, job_id: int, given: Sequence[case.Reading | Mapping[str, object]]
) -> tuple[ReadingRecord, ...]:
    """Write readings down, all or none."""
    job = change.row(jobs, job_id)
    checked: list[case.Reading] = []
    faults: list[Fault] = []
    for number, one in enumerate(given):
        try:
            checked.append(checks.part(case.Reading, one, f"readings[{number}]" if len(given) > 1 else ""))
        except InputError as error:
            faults.extend(error.faults)
    if faults:
        raise InputError(faults)
    fresh = [
        change.insert(
            readings,
            {
                "job_id": job_id,
                "tube_id": job["tube_id"],
                "person_id": change.by,
                "taken_at": checks.moment(one.at, change.now),
                **_reading_values(one),
            },
        )
        for one in checked
    ]
    written = {one.id: one for one in records_of(change.conn, readings, readings.c.id.in_(fresh), reading_record)}
    return tuple(written[reading_id] for reading_id in fresh)


def edit_reading(
    change: Change, reading_id: int, given: case.Reading | Mapping[str, object], *, version: int
) -> ReadingRecord:
    """Correct a reading; without ``at`` its time stays."""
    checked = checks.part(case.Reading, given)
    values = _reading_values(checked)
    if checked.at is not None:
        values["taken_at"] = checks.moment(checked.at, change.now)
    change.update(readings, reading_id, values, version=version)
    return reading(change.conn, reading_id)


def remove_reading(change: Change, reading_id: int, *, version: int) -> None:
    """Strike a reading out."""
    change.delete(readings, reading_id, version=version)


def import_readings(change: Change, given: Iterable[tuple[int, case.Reading]]) -> int:
    """Write many readings with the database's bulk insert."""
    waiting: list[Values] = []
    tube_of: dict[int, int | None] = {}
    ids: list[int] = []

    def send() -> None:
        found = change.conn.execute(
            insert(readings).returning(readings.c.id, sort_by_parameter_order=True), waiting
        ).scalars()
        ids.extend(found)
        waiting.clear()

    for job_id, one in given:
        if job_id not in tube_of:
            tube_of[job_id] = change.row(jobs, job_id)["tube_id"]
        waiting.append(
            {
                "uid": str(change.new_uid()),
                "version": 1,
                "job_id": job_id,
                "tube_id": tube_of[job_id],
                "person_id": change.by,
                "taken_at": checks.moment(one.at, change.now),
                **_reading_values(one),
            }
        )
        if len(waiting) >= IMPORT_CHUNK:
            send()
    if waiting:
        send()
    if ids:
        change.note_import(readings, [(one, 1) for one in ids], job_ids=tube_of)
    return len(ids)


# -- observations, verdicts ------------------------------------------------------


def _observe(change: Change, job_id: int, values: Mapping[str, object]) -> ObservationRecord:
    job = change.row(jobs, job_id)
    fresh = change.insert(
        observations,
        {"job_id": job_id, "tube_id": job["tube_id"], "person_id": change.by, "at": change.now, **values},
    )
    return records_of(change.conn, observations, observations.c.id == fresh, observation_record)[0]


def add_symptom(change: Change, job_id: int, given: case.Symptom | Mapping[str, object]) -> ObservationRecord:
    """Note a symptom."""
    checked = checks.part(case.Symptom, given)
    return _observe(change, job_id, {"sort": "symptom", "name": checked.id, "present": checked.present})


def add_test(change: Change, job_id: int, given: case.TestResult | Mapping[str, object]) -> ObservationRecord:
    """Note a test result."""
    checked = checks.part(case.TestResult, given)
    return _observe(change, job_id, {"sort": "test", "name": checked.id, **checked.model_dump(exclude={"id"})})


def add_look(
    change: Change, job_id: int, *, getter: str | None, neck: str | None, burn: float | None
) -> tuple[ObservationRecord, ...]:
    """Note what the glass looks like."""
    seen = checks.part(case.Tube, {"getter": getter, "neck": neck, "burn": burn})
    found = [
        _observe(change, job_id, {"sort": "look", "name": name, "result": word})
        for name, word in (("getter", seen.getter), ("neck", seen.neck))
        if word is not None
    ]
    if seen.burn is not None:
        found.append(_observe(change, job_id, {"sort": "look", "name": "burn", "value": seen.burn}))
    if not found:
        raise InputError(Fault(what="nothing was seen", where="look", mend="Give the getter, the neck or the burn"))
    return tuple(found)


def remove_observation(change: Change, observation_id: int, *, version: int) -> None:
    """Strike an observation out."""
    change.delete(observations, observation_id, version=version)


def save_verdict(
    change: Change,
    job_id: int,
    *,
    case_json: str,
    answer_json: str,
    model_version: str,
    seed: int,
    decision: str,
    headline: str,
) -> VerdictRecord:
    """Keep a verdict."""
    change.row(jobs, job_id)
    for where, document in (("case_json", case_json), ("answer_json", answer_json)):
        try:
            json.loads(document)
        except ValueError as error:
            raise InputError(Fault(what="this is no JSON document", where=where, mend="Send it as JSON")) from error
    fresh = change.insert(
        verdicts,
        {
            "job_id": job_id,
            "person_id": change.by,
            "at": change.now,
            "case_json": case_json,
            "answer_json": answer_json,
            "model_version": checks.name(model_version, "model_version"),
            "seed": str(int(seed)),
            "decision": checks.name(decision, "decision"),
            "headline": checks.words(headline, "headline"),
        },
    )
    return records_of(change.conn, verdicts, verdicts.c.id == fresh, verdict_record)[0]
