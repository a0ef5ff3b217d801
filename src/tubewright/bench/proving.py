"""A job of the records as the proof takes it: everything with its words, before and after in their places."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Mapping
from typing import Any, Final

from tubewright import case
from tubewright.answers.greyscale import reserves_of
from tubewright.answers.greyscale_kept import kept_course
from tubewright.answers.proof_work import (
    Checked,
    DoneMove,
    DoneRepair,
    DoneTest,
    DoneTreatment,
    Given,
    GreyTaken,
    MapNode,
    NotedSymptom,
    Side,
    TakenPicture,
    UsedPart,
    Work,
)
from tubewright.bench import words
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.files.measurements import measurement_from_json
from tubewright.knowledge.model import Knowledge
from tubewright.picture.patterns.rasters import library
from tubewright.records.model import JobPage, MeasurementRecord, MoveRecord, PhotoRecord
from tubewright.records.store import Store

SIDES: Final[tuple[Side, ...]] = ("before", "after")


def work_of(
    store: Store,
    knowledge: Knowledge,
    job: JobPage,
    *,
    chosen: Mapping[Side, int] | None = None,
) -> Work:
    """One job as the proof takes it.

    Args:
        store: The shop's records.
        knowledge: For the names of what was done.
        job: The job.
        chosen: Measurements to set side by side, by number, where not the newest of either stage.

    Raises:
        UnknownRecordError: A measurement was chosen that this job doesn't hold, or whose photographs were refused.
        InputError: A measurement can't be read back.
    """
    pictures = measurements_of(job, chosen or {})
    case_now = store.case_of(job.job.id)
    return Work(
        job=job.job.id,
        label=job.display.display.label or f"Display {job.display.id}",
        case=case_now,
        opened_at=job.job.opened_at,
        changed_at=job.job.changed_at,
        closed_at=job.job.closed_at,
        state=job.job.state,
        owner=job.display.owner,
        place=job.display.place,
        tube_label=job.tube.tube.label or "" if job.tube else "",
        owner_words=job.job.owner_words,
        closing_note=job.job.closing_note,
        came_with=_came_with(store, job),
        symptoms=tuple(
            NotedSymptom(
                id=o.symptom.id,
                words=_symptom(knowledge, o.symptom.id)[0],
                bench_words=_symptom(knowledge, o.symptom.id)[1],
                present=o.symptom.present,
                at=o.at,
                person=o.person,
            )
            for o in job.observations
            if o.symptom is not None
        ),
        tests=tuple(
            DoneTest(
                test=o.test,
                name=_test_name(knowledge, o.test.id),
                words=_result(knowledge, o.test),
                at=o.at,
                person=o.person,
            )
            for o in job.observations
            if o.test is not None
        ),
        treatments=tuple(
            DoneTreatment(
                kind=t.treatment.kind,
                name=words.decision(t.treatment.kind),
                gun=t.treatment.gun,
                outcome=t.treatment.outcome,
                at=t.at,
                minutes=t.minutes,
                seen=t.seen,
                note=t.note,
                person=t.person,
                other_tube=t.tube_id is not None and t.tube_id != job.job.tube_id,
            )
            for t in job.treatments
        ),
        repairs=tuple(
            DoneRepair(
                fault=r.repair.fault,
                name=_fault(knowledge, r.repair.fault),
                outcome=r.repair.outcome,
                at=r.at,
                minutes=r.minutes,
                note=r.note,
                person=r.person,
            )
            for r in job.repairs
        ),
        moves=tuple(_move(m, knowledge) for m in job.moves),
        parts=tuple(
            UsedPart(
                name=r.item_name,
                code=r.item_code,
                quantity=r.quantity,
                state=r.state,
                cost=None if r.cost is None else r.cost * r.quantity,
                currency=r.currency or "",
            )
            for r in job.reservations
        ),
        checks=tuple(
            Checked(
                step_sort=c.step_sort,
                step=c.step,
                step_name=_step_name(knowledge, c.step_sort, c.step),
                caution=c.caution,
                words=c.words,
                at=c.at,
                person=c.person,
            )
            for c in job.confirmations
        ),
        verdicts=tuple(
            Given(
                number=v.id,
                at=v.at,
                decision=words.decision(v.decision),
                headline=v.headline,
                model_version=v.model_version,
                seed=v.seed,
                person=v.person,
            )
            for v in job.verdicts
        ),
        pictures={side: _taken(record, knowledge) for side, record in pictures.items()},
        grey=_grey(job, case_now, knowledge),
    )


def measurements_of(job: JobPage, chosen: Mapping[Side, int]) -> dict[Side, MeasurementRecord]:
    """The measurement of either side: the one chosen, else the newest of that stage.

    Raises:
        UnknownRecordError: One was chosen that isn't there, or that holds no figures.
    """
    accepted = [m for m in job.measurements if m.accepted]
    found: dict[Side, MeasurementRecord] = {}
    for side in SIDES:
        if side in chosen:
            record = next((m for m in accepted if m.id == chosen[side]), None)
            if record is None:
                raise UnknownRecordError(
                    Fault(
                        what=f"measurement {chosen[side]} isn't one of this job's",
                        where=side,
                        mend="Pick one from the list.",
                    )
                )
            found[side] = record
            continue
        of_side = [m for m in accepted if m.stage == side]
        if of_side:
            found[side] = of_side[-1]
    return found


def photos_of(job: JobPage, chosen: Mapping[Side, int]) -> dict[Side, PhotoRecord]:
    """The photograph of either side: the one chosen, else what was measured or taken last on that side.

    Raises:
        UnknownRecordError: One was chosen that isn't there.
    """
    found: dict[Side, PhotoRecord] = {}
    measured = measurements_of(job, {})
    for side in SIDES:
        if side in chosen:
            record = next((p for p in job.photos if p.id == chosen[side]), None)
            if record is None:
                raise UnknownRecordError(
                    Fault(
                        what=f"photograph {chosen[side]} isn't one of this job's",
                        where=f"{side}_photo",
                        mend="Pick one from the list.",
                    )
                )
            found[side] = record
            continue
        of_side = [p for p in job.photos if p.stage == side and p.preview_sha256]
        shas = set(_shas(measured[side])) if side in measured else set()
        best = [p for p in of_side if p.sha256 in shas] or of_side
        if best:
            found[side] = best[-1]
    return found


def _shas(record: MeasurementRecord) -> list[str]:
    try:
        found = json.loads(record.photos_json)
    except ValueError:
        return []
    return [one for one in found if isinstance(one, str)] if isinstance(found, list) else []


def _taken(record: MeasurementRecord, knowledge: Knowledge) -> TakenPicture:
    return TakenPicture(
        number=record.id,
        at=record.at,
        headline=record.headline,
        measurement=measurement_from_json(record.answer_json, library(knowledge.rasters.values())),
        grid=grid_of(json.loads(record.answer_json)),
        person=record.person,
    )


def grid_of(body: Mapping[str, Any]) -> tuple[MapNode, ...]:
    """The convergence on a grid out of a measurement's body; nothing where it holds none.

    Raises:
        InputError: The body is damaged.
    """
    found = body.get("convergence") or {}
    try:
        return tuple(
            MapNode(
                x_mm=float(node["x_mm"]),
                y_mm=float(node["y_mm"]),
                red_mm=_pair(node["red_minus_green_mm"]),
                blue_mm=_pair(node["blue_minus_green_mm"]),
            )
            for node in found.get("grid", ())
        )
    except (KeyError, TypeError, ValueError) as error:
        raise InputError(
            Fault(
                what=f"this measurement can't be read back ({type(error).__name__}: {error})",
                where="measurement",
                mend="Measure again: the photographs are kept.",
            )
        ) from error


def _pair(found: Mapping[str, float] | None) -> tuple[float, float] | None:
    return None if found is None else (float(found["x"]), float(found["y"]))


def _grey(job: JobPage, case_now: case.Case, knowledge: Knowledge) -> dict[Side, GreyTaken]:
    """The grey scale's error by the first reading of its steps, and by the last where there are several."""
    if not job.grey_rounds:
        return {}
    try:
        course = kept_course(job.grey_rounds, knowledge, reserves=reserves_of(case_now, knowledge))
    except InputError:  # shown where the grey scale itself is opened
        return {}
    taken = [
        GreyTaken(
            at=kept.at,
            worst_delta_e=error.worst_delta_e,
            mean_delta_e=error.mean_delta_e,
            drift_du_v=error.drift_du_v,
        )
        for kept, error in zip(job.grey_rounds, course.errors, strict=True)
        if error is not None
    ]
    found: dict[Side, GreyTaken] = {}
    if taken:
        found["before"] = taken[0]
    if len(taken) > 1:
        found["after"] = taken[-1]
    return found


def _came_with(store: Store, job: JobPage) -> tuple[case.Tube, tuple[case.Reading, ...]] | None:
    """The tube that came and its readings, where another is in the display now."""
    now = job.job.tube_id
    if now is None:
        return None
    seen: list[tuple[dt.datetime, int]] = []
    seen += [(r.taken_at, r.tube_id) for r in job.readings if r.tube_id is not None]
    seen += [(t.at, t.tube_id) for t in job.treatments if t.tube_id is not None]
    others = sorted((at, tube) for at, tube in seen if tube != now)
    if not others:
        return None
    old = others[0][1]
    readings = tuple(r.reading.model_copy(update={"at": r.taken_at}) for r in job.readings if r.tube_id == old)
    return store.tube(old).tube, readings


# -- names ------------------------------------------------------------------------------------


def _symptom(knowledge: Knowledge, name: str) -> tuple[str, str]:
    found = knowledge.symptoms.get(name)
    plain = name.replace("_", " ")
    return (found.owner_says, found.technician_says) if found else (plain, plain)


def _test_name(knowledge: Knowledge, name: str) -> str:
    found = knowledge.tests.get(name)
    return found.name if found else name.replace("_", " ")


def _fault(knowledge: Knowledge, name: str) -> str:
    found = knowledge.faults.get(name)
    return found.name if found else name.replace("_", " ")


def _step_name(knowledge: Knowledge, sort: str, name: str) -> str:
    match sort:
        case "test":
            return _test_name(knowledge, name)
        case "repair":
            return _fault(knowledge, name)
        case "control":
            found = knowledge.controls.get(name)
            return found.name if found else name.replace("_", " ")
        case _:
            return words.decision(name)


def _result(knowledge: Knowledge, test: case.TestResult) -> str:
    """What came of a test, in words."""
    if test.result is not None:
        known = knowledge.tests.get(test.id)
        found = next((r for r in known.results if r.id == test.result), None) if known else None
        return found.means if found else test.result.replace("_", " ")
    told = f"{words.number(test.value, 4)} {test.unit or ''}".strip()
    return told + (f", nominal {words.number(test.nominal, 4)}" if test.nominal is not None else "")


def _move(record: MoveRecord, knowledge: Knowledge) -> DoneMove:
    found = knowledge.controls.get(record.control)
    parts = []
    if record.amount is not None:
        unit = {"percent": "%", "none": ""}.get(record.unit, record.unit)
        parts.append(f"{words.number(record.amount)} {unit}".strip())
    parts += [part for part in (record.direction, record.part) if part]
    if record.tabs_mm is not None:
        parts.append(f"tabs {words.number(record.tabs_mm)} mm apart")
    if record.angle_deg is not None:
        parts.append(f"pointing to {words.number(record.angle_deg)}°")
    if record.wrong_way:
        parts.append("it went the other way than written")
    return DoneMove(
        control=record.control,
        name=found.name if found else record.control.replace("_", " "),
        words=", ".join(parts),
        at=record.at,
        undone=record.undone,
        at_stop=record.at_stop,
        note=record.note,
        person=record.person,
    )
