"""What is due at the shop, gathered from its records for both doors."""

from __future__ import annotations

import datetime as dt
import threading
from dataclasses import dataclass
from typing import Final

from sqlalchemy import select

from tubewright.answers.assessment import Spread, Unknown
from tubewright.answers.due import Due, FoundLater, TubeTold, WaitingTold, due
from tubewright.answers.treat import HoldOf, hold_of
from tubewright.bench.treating import usual_reading
from tubewright.judgement.due import REMEMBERED, ReadLater, TreatedLast
from tubewright.judgement.settling_readings import after_treatment
from tubewright.knowledge.model import Knowledge
from tubewright.records.model import JobPage
from tubewright.records.store import Store
from tubewright.records.tables import jobs, treatments
from tubewright.records.treated import LaterReading, TreatedTube

MOST_LATER: Final = 30
"""How many later readings are held against what was predicted: the last ones."""
_MOST_WAITING: Final = 500
_SEED: Final = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the records tell that may be due."""

    tubes: tuple[TubeTold, ...]
    waiting: tuple[WaitingTold, ...]
    later: tuple[FoundLater, ...]


class Dues:
    """What the records tell, kept for as long as nothing in them changes."""

    def __init__(self, holds: HoldOf = hold_of) -> None:
        self._holds = holds
        self._lock = threading.Lock()
        self._kept: tuple[int, Told] | None = None

    def due(self, store: Store, knowledge: Knowledge, *, ahead_days: float = 0.0) -> Due:
        """What is due now, or within some days."""
        told = self._told(store, knowledge)
        now = store.clock().astimezone()
        return due(told.tubes, told.waiting, told.later, knowledge, now=now, ahead_days=ahead_days)

    def _told(self, store: Store, knowledge: Knowledge) -> Told:
        latest = store.history(size=1)
        name = latest[0].id if latest else 0
        with self._lock:
            if self._kept is not None and self._kept[0] == name:
                return self._kept[1]
        told = gather(store, knowledge, holds=self._holds)
        with self._lock:
            self._kept = (name, told)
        return told


def gather(store: Store, knowledge: Knowledge, *, holds: HoldOf = hold_of) -> Told:
    """Everything in the records that may be due, or that says how a gain held."""
    closed = store.closed_treated()
    tubes = {one.tube_id: _closed(store, one) for one in closed}
    for page in _open_jobs(store):
        found = _open(page, knowledge)
        if found is not None:
            tubes[found.tube_id] = _merged(tubes.get(found.tube_id), found)
    return Told(
        tubes=tuple(tubes.values()), waiting=_waiting(store), later=_later(store, closed, knowledge, holds=holds)
    )


def _closed(store: Store, tube: TreatedTube) -> TubeTold:
    last = [TreatedLast(gun=one.gun, kind=one.kind, outcome=one.outcome, at=_here(one.at)) for one in tube.treated]
    if any(one.kind not in REMEMBERED for one in last):
        # Contacts that were cleaned since don't end the memory of the restoration before.
        last = [
            TreatedLast(gun=one.treatment.gun, kind=one.treatment.kind, outcome=one.treatment.outcome, at=_here(one.at))
            for one in store.tube_history(tube.tube_id).treatments
        ]
    return TubeTold(
        tube_id=tube.tube_id,
        tube=tube.tube_label or f"Tube {tube.tube_id}",
        display_id=tube.display_id,
        display=tube.display_label or (f"Display {tube.display_id}" if tube.display_id else "on the shelf"),
        owner=tube.owner,
        open_job=tube.on_bench,
        treated=tuple(last),
        read=tuple(ReadLater(gun=one.gun, at=_here(one.at)) for one in tube.readings),
    )


def _open_jobs(store: Store) -> list[JobPage]:
    """The jobs on the bench that have treated their tube."""
    treated = select(treatments.c.job_id).join(jobs, jobs.c.id == treatments.c.job_id).where(jobs.c.state != "closed")
    with store.database.read() as conn:
        ids = list(conn.execute(treated.distinct()).scalars())
    return [store.job(one) for one in ids]


def _open(page: JobPage, knowledge: Knowledge) -> TubeTold | None:
    if page.tube is None:
        return None
    rated, full = page.tube.tube.heater_v, knowledge.value("full_heater_from")
    mine = [one for one in page.treatments if one.tube_id in {page.tube.id, None}]
    return TubeTold(
        tube_id=page.tube.id,
        tube=page.tube.tube.label or f"Tube {page.tube.id}",
        display_id=page.display.id,
        display=page.display.display.label or f"Display {page.display.id}",
        owner=page.display.owner,
        open_job=page.job.id,
        treated=tuple(
            TreatedLast(gun=one.treatment.gun, kind=one.treatment.kind, outcome=one.treatment.outcome, at=_here(one.at))
            for one in mine
        ),
        read=tuple(
            ReadLater(gun=one.reading.gun, at=_here(one.taken_at))
            for one in page.readings
            if one.reading.kind == "emission"
            and one.reading.gun is not None
            and (one.reading.heater_v is None or rated is None or one.reading.heater_v >= rated * full)
        ),
    )


def _merged(closed: TubeTold | None, on_bench: TubeTold) -> TubeTold:
    if closed is None:
        return on_bench
    return TubeTold(
        tube_id=on_bench.tube_id,
        tube=on_bench.tube,
        display_id=on_bench.display_id,
        display=on_bench.display,
        owner=on_bench.owner,
        open_job=on_bench.open_job,
        treated=(*closed.treated, *on_bench.treated),
        read=(*closed.read, *on_bench.read),
    )


def _waiting(store: Store) -> tuple[WaitingTold, ...]:
    found: list[WaitingTold] = []
    at: str | None = None
    while len(found) < _MOST_WAITING:
        page = store.board(state="waiting", page=at, size=100)
        found += [
            WaitingTold(
                job_id=one.job_id,
                display=one.display_label or f"Display {one.display_id}",
                waits_for=one.waits_for,
                since=_here(one.changed_at),
            )
            for one in page.rows
        ]
        at = page.next_page
        if at is None:
            break
    return tuple(found)


def _later(
    store: Store, tubes: tuple[TreatedTube, ...], knowledge: Knowledge, *, holds: HoldOf
) -> tuple[FoundLater, ...]:
    """The last reading of each gun that came when its settling was long over, beside what was promised."""
    over = dt.timedelta(minutes=knowledge.value("settling_latest_minutes"))
    pairs: list[tuple[TreatedTube, LaterReading, int, TreatedLast]] = []
    for tube in tubes:
        last = {
            one.gun: (one.job_id, TreatedLast(gun=one.gun, kind=one.kind, outcome=one.outcome, at=_here(one.at)))
            for one in tube.treated
            if one.kind in REMEMBERED
        }
        newest: dict[str, LaterReading] = {}
        for reading in tube.readings:
            done = last.get(reading.gun) or last.get(None)
            if done is not None and reading.at - done[1].at > over:
                newest[reading.gun] = reading
        for reading in newest.values():
            job_id, done_last = last.get(reading.gun) or last[None]
            pairs.append((tube, reading, job_id, done_last))
    pairs.sort(key=lambda pair: pair[1].at, reverse=True)
    return tuple(_found(store, *pair, knowledge, holds) for pair in pairs[:MOST_LATER])


def _found(
    store: Store,
    tube: TreatedTube,
    reading: LaterReading,
    job_id: int,
    last: TreatedLast,
    knowledge: Knowledge,
    holds: HoldOf,
) -> FoundLater:
    case = store.case_of(job_id)
    told = after_treatment(case, reading.gun, knowledge)
    usual = usual_reading(case, reading.gun, knowledge)
    predicted = None
    if told.trouble is None and told.readings:
        unit = told.readings[0].unit
        good = 1.0 if unit == "rel" else usual.get("reference") if usual.get("unit") == unit else None
        rest = holds(told, reading.gun, knowledge, _SEED).rest
        if isinstance(good, float) and good > 0 and not isinstance(rest, Unknown):
            predicted = Spread(median=rest.median / good, p10=rest.p10 / good, p90=rest.p90 / good)
    box = usual.get("instrument")
    return FoundLater(
        tube_id=tube.tube_id,
        tube=tube.tube_label or f"Tube {tube.tube_id}",
        display=tube.display_label or "on the shelf",
        job_id=job_id,
        gun=reading.gun,
        kind=last.kind,
        treated_at=last.at,
        predicted=predicted,
        value_emission=reading.relative,
        found_at=_here(reading.at),
        same_instrument=None if box is None or reading.instrument is None else box == reading.instrument,
    )


def _here(at: dt.datetime) -> dt.datetime:
    """The moment on the shop's own clock."""
    return at.astimezone()
