"""Jobs from opening to closing, and the pages that gather all of one job or one tube."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from pydantic import BaseModel
from sqlalchemy import Connection, select

from tubewright import case
from tubewright.errors import Fault, InputError
from tubewright.records import checks, shop
from tubewright.records.changes import Change, Values, row
from tubewright.records.model import Job, JobPage, TubeHistory
from tubewright.records.reserving import reservations_where
from tubewright.records.rows import (
    confirmation_record,
    grey_round_record,
    job_record,
    measurement_record,
    move_record,
    observation_record,
    photo_record,
    reading_record,
    records_of,
    repair_record,
    setup_choices_record,
    treatment_record,
    verdict_record,
)
from tubewright.records.tables import (
    confirmations,
    control_moves,
    displays,
    grey_rounds,
    jobs,
    measurements,
    observations,
    photos,
    readings,
    repairs,
    reservations,
    setup_choices,
    treatments,
    tube_fittings,
    verdicts,
)

EDITABLE_TEXTS: Final = ("owner_words", "waits_for", "closing_note")

# -- pages -----------------------------------------------------------------------------


def job_page(conn: Connection, job_id: int) -> JobPage:
    """All of one job, in fifteen questions whatever its size."""
    job = job_record(row(conn, jobs, job_id))
    return JobPage(
        job=job,
        display=shop.display(conn, job.display_id),
        tube=shop.tube(conn, job.tube_id) if job.tube_id is not None else None,
        readings=records_of(conn, readings, readings.c.job_id == job_id, reading_record),
        observations=records_of(conn, observations, observations.c.job_id == job_id, observation_record),
        treatments=records_of(conn, treatments, treatments.c.job_id == job_id, treatment_record),
        verdicts=records_of(conn, verdicts, verdicts.c.job_id == job_id, verdict_record),
        photos=records_of(conn, photos, photos.c.job_id == job_id, photo_record),
        measurements=records_of(conn, measurements, measurements.c.job_id == job_id, measurement_record),
        repairs=records_of(conn, repairs, repairs.c.job_id == job_id, repair_record),
        confirmations=records_of(conn, confirmations, confirmations.c.job_id == job_id, confirmation_record),
        moves=records_of(conn, control_moves, control_moves.c.job_id == job_id, move_record),
        grey_rounds=records_of(conn, grey_rounds, grey_rounds.c.job_id == job_id, grey_round_record),
        setup_choices=next(
            iter(records_of(conn, setup_choices, setup_choices.c.job_id == job_id, setup_choices_record)), None
        ),
        reservations=reservations_where(conn, reservations.c.job_id == job_id),
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
