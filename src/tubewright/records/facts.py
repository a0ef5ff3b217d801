"""The job as a case, and the closed jobs as experience: facts put together, nothing judged."""

from __future__ import annotations

import datetime as dt
import json
from bisect import bisect_right
from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, TypeVar

from sqlalchemy import Connection, Table, func, select

from tubewright import case
from tubewright.experience import Experience, MendedJob, TreatedGun, WornGun
from tubewright.records import rows, shop
from tubewright.records.changes import Values, row
from tubewright.records.tables import displays, history, jobs, observations, readings, repairs, treatments, tubes

RESTORING: Final = frozenset({"short_boost", "clean", "activate"})  # common practice: what counts as a restoration
USUAL_HEATER_V: Final = 6.3  # from memory: the usual heater of a colour tube, where the record names none
HEATER_TOLERANCE: Final = 0.05  # from memory: working tolerance of a heater supply
LONG_IDLE_YEARS: Final = 2.0  # from memory: estimate; "unused for years"
Thing = TypeVar("Thing")

WEEK: Final = dt.timedelta(weeks=1)

MOST_JOBS: Final = 2000
"""Closed jobs that are learned from: the last changed; a bound on time, and old habits fade."""

_CHUNK: Final = 500
_MOST: Final = {"readings": 2000, "symptoms": 500, "tests": 500, "treatments": 500, "repairs": 500}


# -- one job as a case -------------------------------------------------------------------


def case_of(conn: Connection, job_id: int) -> case.Case:
    """The job as a case.

    Readings and treatments are those that this job took on the tube which is in
    the display (at closing, if closed). Of each symptom, and of each test of each
    gun, and of each fault in the repairs, the latest word counts; tests of the tube itself (``t_…``) are left out
    if they were made on another tube. Getter, neck and burn are as last seen on
    this tube in any job up to this one. ``restorations`` adds to what the tube
    came with the treatments of earlier jobs that count as one.
    """
    job = row(conn, jobs, job_id)
    tube_id = job["tube_id"]
    display = row(conn, displays, job["display_id"])
    noted = rows_of(conn, observations, observations.c.job_id == job_id)
    return case.Case(
        format=1,
        display=case.Display(**{name: display[name] for name in shop.DISPLAY_FIELDS}),
        tube=_tube_then(conn, job),
        use=case.Use(**{name: job[name] for name in rows.USE_FIELDS}),
        costs=case.Costs(**{name: job[name] for name in rows.COST_FIELDS}),
        readings=_last(
            "readings",
            (
                case.Reading(**{name: one[name] for name in rows.READING_FIELDS}, at=one["taken_at"])
                for one in rows_of(conn, readings, readings.c.job_id == job_id)
                if one["tube_id"] in (tube_id, None)
            ),
        ),
        symptoms=_last(
            "symptoms",
            {one["name"]: rows.case_symptom(one) for one in noted if one["sort"] == "symptom"}.values(),
        ),
        tests=_last(
            "tests",
            {
                (one["name"], one["gun"]): rows.case_test(one)
                for one in noted
                if one["sort"] == "test" and (one["tube_id"] in (tube_id, None) or not one["name"].startswith("t_"))
            }.values(),
        ),
        treatments=_last(
            "treatments",
            (
                case.Treatment(gun=one["gun"], kind=one["kind"], outcome=one["outcome"], at=one["at"])
                for one in rows_of(conn, treatments, treatments.c.job_id == job_id)
                if one["tube_id"] in (tube_id, None)
            ),
        ),
        repairs=_last(
            "repairs",
            {
                one["fault"]: rows.case_repair(one) for one in rows_of(conn, repairs, repairs.c.job_id == job_id)
            }.values(),
        ),
    )


def _last(name: str, things: Iterable[Thing]) -> tuple[Thing, ...]:
    return tuple(things)[-_MOST[name] :]


def rows_of(conn: Connection, table: Table, condition: Any) -> list[Mapping[str, Any]]:  # noqa: ANN401 - SQLAlchemy's
    """Rows for which a condition holds, oldest first."""
    when = table.c.taken_at if "taken_at" in table.c else table.c.at
    query = select(table).where(condition).order_by(when, table.c.id)
    return [dict(one) for one in conn.execute(query).mappings()]


def _tube_then(conn: Connection, job: Values) -> case.Tube:
    """The tube as it was known at this job."""
    if job["tube_id"] is None:
        return case.Tube(idle_years=job["idle_years"])
    tube = row(conn, tubes, job["tube_id"])
    known = {name: tube[name] for name in shop.TUBE_FIELDS}
    seen = (observations.c.tube_id == tube["id"]) & (observations.c.sort == "look")
    done = (
        (treatments.c.tube_id == tube["id"])
        & (treatments.c.job_id != job["id"])
        & treatments.c.kind.in_(RESTORING)
        & (treatments.c.at < job["opened_at"])
    )
    for look in rows_of(conn, observations, seen):
        if job["closed_at"] is None or look["at"] <= job["closed_at"]:
            known[look["name"]] = look["value"] if look["name"] == "burn" else look["result"]
    times = [one["gun"] for one in rows_of(conn, treatments, done)]
    if times:
        # Guns are treated one by one; the tube has been through what its most treated gun has.
        of_all = times.count(None)
        most = of_all + max(times.count(gun) for gun in case.GUNS)
        known["restorations"] = min(100, (known["restorations"] or 0) + most)
    return case.Tube(**known, idle_years=job["idle_years"])


# -- closed jobs as experience ---------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class Emission:
    """One emission reading at the rated heater, as a share of the reference gun."""

    job_id: int
    gun: str
    at: dt.datetime
    stage: str | None
    instrument: str | None
    share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class _Life:
    """All that closed jobs wrote down about one tube, oldest first."""

    tube: Values
    emissions: list[Emission]
    treatments: list[Values]
    jobs: dict[int, Values]

    def service_hours(self, first: dt.datetime, last: dt.datetime) -> float | None:
        """Hours run between two moments, by the hours a week that the owner told at each job on the way."""
        told = sorted((job["opened_at"], job["hours_per_week"]) for job in self.jobs.values() if job["hours_per_week"])
        if not told or told[0][0] > first:
            return None
        ends = [*(when for when, _ in told[1:]), last]
        return float(
            sum(
                max(dt.timedelta(0), min(end, last) - max(start, first)) / WEEK * per_week
                for (start, per_week), end in zip(told, ends, strict=True)
            )
        )


def experience(conn: Connection) -> Experience:
    """What the closed jobs have to teach."""
    closed = conn.execute(select(func.count()).select_from(jobs).where(jobs.c.state == "closed")).scalar_one()
    treated: list[TreatedGun] = []
    worn: list[WornGun] = []
    for life in _lives(conn):
        treated.extend(_treated(life))
        worn.extend(_worn(life))
    return Experience(
        treated=tuple(treated),
        worn=tuple(worn),
        known_good=tuple(one.reading for one in shop.known_good_readings(conn, None)),
        mended=tuple(mended_jobs(conn)),
        closed_jobs=closed,
    )


def mended_jobs(conn: Connection) -> Iterator[MendedJob]:
    """The closed jobs that confirmed a fault, by the last word on each fault, symptom and test, newest first.

    What was looked at again after the first fault was mended tells how well it was mended,
    and nothing of what it shows: of such a job the words before that count, where there are any.
    A job that only ruled faults out teaches nothing of which fault shows what, and is left out.
    """
    confirming = select(repairs.c.job_id).where(repairs.c.outcome != "excluded")
    lately = (
        select(jobs.c.id)
        .where(jobs.c.state == "closed", jobs.c.id.in_(confirming))
        .order_by(jobs.c.changed_at.desc(), jobs.c.id.desc())
        .limit(MOST_JOBS)
    )
    ids = list(conn.execute(lately).scalars())
    for start in range(0, len(ids), _CHUNK):
        chunk = ids[start : start + _CHUNK]
        faults: dict[int, dict[str, str]] = {}
        mended_at: dict[int, dt.datetime] = {}
        for one in rows_of(conn, repairs, repairs.c.job_id.in_(chunk)):
            faults.setdefault(one["job_id"], {})[one["fault"]] = one["outcome"]
            if one["outcome"] == "mended":
                mended_at.setdefault(one["job_id"], one["at"])
        symptoms: dict[int, dict[str, bool]] = {}
        results: dict[int, dict[tuple[str, str | None], str | None]] = {}
        for one in _before(rows_of(conn, observations, observations.c.job_id.in_(chunk)), mended_at):
            if one["sort"] == "symptom":
                symptoms.setdefault(one["job_id"], {})[one["name"]] = one["present"]
            elif one["sort"] == "test":
                results.setdefault(one["job_id"], {})[one["name"], one["gun"]] = one["result"]
        for job_id in chunk:
            outcome, seen = faults[job_id], symptoms.get(job_id, {})
            confirmed = tuple(fault for fault, word in outcome.items() if word != "excluded")
            if not confirmed:
                continue
            named = ((test, result) for (test, _), result in results.get(job_id, {}).items() if result is not None)
            yield MendedJob(
                faults=confirmed,
                excluded=tuple(fault for fault, word in outcome.items() if word == "excluded"),
                present=tuple(symptom for symptom, there in seen.items() if there),
                absent=tuple(symptom for symptom, there in seen.items() if not there),
                results=tuple(dict.fromkeys(named)),
            )


def _before(seen: Sequence[Mapping[str, Any]], mended_at: Mapping[int, dt.datetime]) -> Iterator[Mapping[str, Any]]:
    """Observations of each job from before it was mended; all of them where there are none from before."""
    early = [one for one in seen if one["job_id"] not in mended_at or one["at"] <= mended_at[one["job_id"]]]
    known = {one["job_id"] for one in early}
    yield from early
    yield from (one for one in seen if one["job_id"] not in known)


def still_true(conn: Connection, since: int) -> int | None:
    """The last history id if nothing since ``since`` bears on the experience, else None."""
    fresh = conn.execute(select(history).where(history.c.id > since).order_by(history.c.id).limit(_CHUNK)).all()
    if len(fresh) == _CHUNK:
        return None
    in_jobs = set()
    for entry in fresh:
        if entry.action == "import" or entry.table_name in {"tubes", "tube_fittings", "known_good", "instruments"}:
            return None
        if entry.table_name == "jobs":
            states = {json.loads(text)["state"] for text in (entry.before, entry.after) if text}
            if "closed" in states:
                return None
        elif entry.job_id is not None:
            in_jobs.add(entry.job_id)
    hit = select(jobs.c.id).where(jobs.c.id.in_(in_jobs), jobs.c.state == "closed").limit(1)
    if in_jobs and conn.execute(hit).first() is not None:
        return None
    return fresh[-1].id if fresh else since


def last_entry(conn: Connection) -> int:
    """The id of the last entry of the history, 0 at the beginning."""
    return conn.execute(select(func.max(history.c.id))).scalar() or 0


def _lives(conn: Connection) -> Iterator[_Life]:
    lately = (
        select(jobs.c.tube_id)
        .where(jobs.c.state == "closed", jobs.c.tube_id.is_not(None))
        .order_by(jobs.c.changed_at.desc())
        .limit(MOST_JOBS)
    )
    ids = sorted(set(conn.execute(lately).scalars()))
    for start in range(0, len(ids), _CHUNK):
        chunk = ids[start : start + _CHUNK]
        known = {one["id"]: dict(one) for one in conn.execute(select(tubes).where(tubes.c.id.in_(chunk))).mappings()}
        read = rows_of(conn, readings, readings.c.tube_id.in_(chunk) & (readings.c.kind == "emission"))
        done = rows_of(conn, treatments, treatments.c.tube_id.in_(chunk))
        closed = _closed_jobs(conn, {one["job_id"] for one in (*read, *done)})
        lives = {tube_id: _Life(tube=tube, emissions=[], treatments=[], jobs={}) for tube_id, tube in known.items()}
        for one in (*read, *done):
            if one["job_id"] in closed:
                lives[one["tube_id"]].jobs[one["job_id"]] = closed[one["job_id"]]
        for one in read:
            found = emission_of(one, known[one["tube_id"]])
            if found is not None and found.job_id in closed:
                lives[one["tube_id"]].emissions.append(found)
        for one in done:
            if one["job_id"] in closed:
                lives[one["tube_id"]].treatments.append(dict(one))
        yield from lives.values()


def _closed_jobs(conn: Connection, ids: set[int]) -> dict[int, Values]:
    found: dict[int, Values] = {}
    wanted = sorted(ids)
    for start in range(0, len(wanted), _CHUNK):
        query = select(jobs).where(jobs.c.id.in_(wanted[start : start + _CHUNK]), jobs.c.state == "closed")
        found |= {one["id"]: dict(one) for one in conn.execute(query).mappings()}
    return found


def emission_of(reading: Mapping[str, Any], tube: Values) -> Emission | None:
    """The reading as a share of its reference gun; None if it has none or the heater was not at its rating."""
    rated = tube["heater_v"] or USUAL_HEATER_V
    if reading["heater_v"] is not None and abs(reading["heater_v"] / rated - 1) > HEATER_TOLERANCE:
        return None
    if reading["unit"] == "rel":
        share = reading["value"]
    elif reading["reference"]:
        share = reading["value"] / reading["reference"]
    else:
        return None
    return Emission(
        job_id=reading["job_id"],
        gun=reading["gun"],
        at=reading["taken_at"],
        stage=reading["stage"],
        instrument=reading["instrument"],
        share=share,
    )


def _treated(life: _Life) -> Iterator[TreatedGun]:
    for number, done in enumerate(life.treatments):
        if done["outcome"] is None:
            continue
        gun = done["gun"] or _weakest(life, done["at"])
        mine = [one for one in life.emissions if one.gun == gun]
        following = [later["at"] for later in life.treatments[number + 1 :] if later["gun"] in (gun, None)]
        until = next((at for at in following if at > done["at"]), None)
        before = [one for one in mine if came_before(one, done["at"])]
        after = [one for one in mine if not came_before(one, done["at"]) and (until is None or one.at <= until)]
        soon = [one for one in after if one.job_id == done["job_id"]]
        held, holds = _held(life, done, before, [one for one in after if one.job_id != done["job_id"]])
        idle = life.jobs[done["job_id"]]["idle_years"]
        yield TreatedGun(
            kind=done["kind"],
            gun=done["gun"],
            outcome=done["outcome"],
            emission_before=before[-1].share if before else None,
            emission_after=soon[-1].share if soon else None,
            long_idle=idle is not None and idle >= LONG_IDLE_YEARS,
            earlier_restorations=(life.tube["restorations"] or 0)
            + sum(one["kind"] in RESTORING and one["gun"] in (gun, None) for one in life.treatments[:number]),
            hours_held=held,
            still_holding=holds,
        )


def came_before(one: Emission, moment: dt.datetime) -> bool:
    """Whether a reading was taken before something that was done at a moment."""
    # Where times are only known to the day, the stage tells which side a reading belongs to.
    return one.at < moment or (one.at == moment and one.stage != "after")


def _weakest(life: _Life, moment: dt.datetime) -> str | None:
    """The gun that read lowest before a treatment of the whole tube: the one it was done for."""
    latest = {one.gun: one.share for one in life.emissions if came_before(one, moment)}
    return min(latest, key=lambda gun: latest[gun]) if latest else None


def _held(
    life: _Life, done: Values, before: Sequence[Emission], later: Sequence[Emission]
) -> tuple[float | None, bool]:
    """Service hours to the first later reading that is no better than before, or so far."""
    if not before or not later:
        return None, True
    gone = next((one for one in later if one.share <= before[-1].share), None)
    last = gone or later[-1]
    return life.service_hours(done["at"], last.at), gone is None


def _worn(life: _Life) -> Iterator[WornGun]:
    """What guns that nobody ever treated lost from one job to the next, on one instrument."""
    if life.tube["restorations"]:
        return
    for gun in case.GUNS:
        touched = [done["at"] for done in life.treatments if done["gun"] in (gun, None)]
        mine = [one for one in life.emissions if one.gun == gun]
        untreated = mine[: bisect_right([one.at for one in mine], min(touched))] if touched else mine
        for first, second in pairwise(untreated):
            if first.job_id == second.job_id or first.instrument != second.instrument or first.instrument is None:
                continue
            hours = life.service_hours(first.at, second.at)
            if hours and first.share > 0:
                yield WornGun(hours_between=hours, emission_start=first.share, emission_end=second.share)
