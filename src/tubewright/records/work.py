"""Jobs and what is written down in them: readings, observations, treatments, verdicts."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from typing import Final

from pydantic import BaseModel
from sqlalchemy import Connection, insert, select

from tubewright import case
from tubewright.errors import Fault, InputError
from tubewright.records import checks, shop
from tubewright.records.changes import Change, Values, row
from tubewright.records.model import (
    Job,
    JobPage,
    ObservationRecord,
    ReadingRecord,
    TreatmentRecord,
    TubeHistory,
    VerdictRecord,
)
from tubewright.records.rows import (
    READING_FIELDS,
    job_record,
    observation_record,
    reading_record,
    records_of,
    treatment_record,
    verdict_record,
)
from tubewright.records.tables import (
    displays,
    jobs,
    observations,
    readings,
    treatments,
    tube_fittings,
    verdicts,
)

EDITABLE_TEXTS: Final = ("owner_words", "waits_for", "closing_note")

IMPORT_CHUNK: Final = 2000
"""Readings handed to the database at once."""

# -- pages -----------------------------------------------------------------------------


def job_page(conn: Connection, job_id: int) -> JobPage:
    """All of one job, in seven questions whatever its size."""
    job = job_record(row(conn, jobs, job_id))
    return JobPage(
        job=job,
        display=shop.display(conn, job.display_id),
        tube=shop.tube(conn, job.tube_id) if job.tube_id is not None else None,
        readings=records_of(conn, readings, readings.c.job_id == job_id, reading_record),
        observations=records_of(conn, observations, observations.c.job_id == job_id, observation_record),
        treatments=records_of(conn, treatments, treatments.c.job_id == job_id, treatment_record),
        verdicts=records_of(conn, verdicts, verdicts.c.job_id == job_id, verdict_record),
    )


def jobs_of_display(conn: Connection, display_id: int) -> tuple[Job, ...]:
    """Every job of a display, newest first."""
    row(conn, displays, display_id)
    query = select(jobs).where(jobs.c.display_id == display_id).order_by(jobs.c.opened_at.desc(), jobs.c.id.desc())
    return tuple(job_record(dict(values)) for values in conn.execute(query).mappings())


def tube_history(conn: Connection, tube_id: int) -> TubeHistory:
    """A tube over the years."""
    tube = shop.tube(conn, tube_id)
    mine = select(jobs.c.id).where(jobs.c.tube_id == tube_id)
    query = select(jobs).where(jobs.c.tube_id == tube_id).order_by(jobs.c.opened_at, jobs.c.id)
    stays = conn.execute(shop.fittings_query().where(tube_fittings.c.tube_id == tube_id))
    return TubeHistory(
        tube=tube,
        fittings=tuple(shop.fitting_record(found) for found in stays),
        jobs=tuple(job_record(dict(values)) for values in conn.execute(query).mappings()),
        readings=records_of(conn, readings, readings.c.tube_id == tube_id, reading_record),
        observations=records_of(conn, observations, observations.c.tube_id == tube_id, observation_record),
        treatments=records_of(conn, treatments, treatments.c.tube_id == tube_id, treatment_record),
        verdicts=records_of(conn, verdicts, verdicts.c.job_id.in_(mine), verdict_record),
    )


# -- jobs --------------------------------------------------------------------------------


def open_job(
    change: Change,
    display_id: int,
    *,
    owner_words: str,
    use: case.Use | Mapping[str, object] | None,
    costs: case.Costs | Mapping[str, object] | None,
    idle_years: float | None,
    waits_for: str,
) -> Job:
    """Put a display on the bench."""
    change.row(displays, display_id)
    waiting = checks.words(waits_for, "waits_for")
    values: Values = {
        "display_id": display_id,
        "state": "waiting" if waiting else "open",
        "waits_for": waiting,
        "owner_words": checks.words(owner_words, "owner_words"),
        "closing_note": "",
        **_idle(idle_years),
        **checks.part(case.Use, use or {}, "use").model_dump(),
        **checks.part(case.Costs, costs or {}, "costs").model_dump(),
        "opened_at": change.now,
        "closed_at": None,
        "changed_at": change.now,
        "active": True,
    }
    return _fresh(change, change.insert(jobs, values))


def _idle(idle_years: object) -> Values:
    checked = checks.part(case.Tube, {"idle_years": idle_years})
    return {"idle_years": checked.idle_years}


def _fresh(change: Change, job_id: int) -> Job:
    """The job with its derived columns as they will be after this change."""
    change.finish()
    return job_record(change.row(jobs, job_id))


def edit_job(change: Change, job_id: int, changes: Mapping[str, object], *, version: int) -> Job:
    """Change some fields of a job."""
    before = change.row(jobs, job_id)
    values: Values = {}
    for name, given in changes.items():
        if name in EDITABLE_TEXTS:
            values[name] = checks.words(given, name)
        elif name == "idle_years":
            values |= _idle(given)
        elif name == "use":
            values |= checks.part(case.Use, _part(given, name), name).model_dump()
        elif name == "costs":
            values |= checks.part(case.Costs, _part(given, name), name).model_dump()
        else:
            known = ", ".join((*EDITABLE_TEXTS, "idle_years", "use", "costs"))
            raise InputError(Fault(what="a job has no such field to edit", where=name, mend=f"Known are {known}"))
    if "waits_for" in values and before["state"] != "closed":
        values["state"] = "waiting" if values["waits_for"] else "open"
    change.update(jobs, job_id, values, version=version)
    return _fresh(change, job_id)


def _part(given: object, where: str) -> BaseModel | Mapping[str, object]:
    if isinstance(given, BaseModel | Mapping):
        return given
    raise InputError(Fault(what="this is no group of fields", where=where, mend="Give its fields by name"))


def close_job(change: Change, job_id: int, *, note: str, version: int | None) -> Job:
    """Close a job."""
    if change.row(jobs, job_id)["state"] == "closed":
        raise InputError(Fault(what="this job is closed already", where=f"job {job_id}", mend="Reopen it first"))
    values = {
        "state": "closed",
        "waits_for": "",
        "closed_at": change.now,
        "closing_note": checks.words(note, "note"),
    }
    change.update(jobs, job_id, values, version=version)
    return _fresh(change, job_id)


def reopen_job(change: Change, job_id: int, *, version: int | None) -> Job:
    """Take a closed job up again."""
    if change.row(jobs, job_id)["state"] != "closed":
        raise InputError(Fault(what="this job is not closed", where=f"job {job_id}", mend="Nothing to reopen"))
    change.update(jobs, job_id, {"state": "open", "closed_at": None}, version=version)
    return _fresh(change, job_id)


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


# -- observations, treatments, verdicts ------------------------------------------------------


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


def _treatment(conn: Connection, treatment_id: int) -> TreatmentRecord:
    return records_of(conn, treatments, treatments.c.id == treatment_id, treatment_record)[0]


def add_treatment(
    change: Change, job_id: int, given: case.Treatment | Mapping[str, object], *, note: str
) -> TreatmentRecord:
    """Write a treatment down."""
    job = change.row(jobs, job_id)
    checked = checks.part(case.Treatment, given)
    fresh = change.insert(
        treatments,
        {
            "job_id": job_id,
            "tube_id": job["tube_id"],
            "person_id": change.by,
            "at": checks.moment(checked.at, change.now),
            **checked.model_dump(exclude={"at"}),
            "note": checks.words(note, "note"),
        },
    )
    return _treatment(change.conn, fresh)


def edit_treatment(
    change: Change,
    treatment_id: int,
    given: case.Treatment | Mapping[str, object],
    *,
    version: int,
    note: str | None,
) -> TreatmentRecord:
    """Correct a treatment; without ``at`` its time stays."""
    checked = checks.part(case.Treatment, given)
    values: Values = checked.model_dump(exclude={"at"})
    if checked.at is not None:
        values["at"] = checks.moment(checked.at, change.now)
    if note is not None:
        values["note"] = checks.words(note, "note")
    change.update(treatments, treatment_id, values, version=version)
    return _treatment(change.conn, treatment_id)


def remove_treatment(change: Change, treatment_id: int, *, version: int) -> None:
    """Strike a treatment out."""
    change.delete(treatments, treatment_id, version=version)


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
