"""What is due at the shop, gathered from its records for both doors."""

from __future__ import annotations

import datetime as dt
import threading
import time
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
from tubewright.records.store import Store
from tubewright.records.tables import displays, jobs, readings, treatments, tubes
from tubewright.records.treated import LaterReading, TreatedTube

MOST_LATER: Final = 30
"""How many later readings are held against what was predicted: the last ones."""
_MOST_WAITING: Final = 500
_SEED: Final = 1
_SLOW_S: Final = 0.2  # estimate: a board that comes later than this feels slow
_STALE_S: Final = 60.0  # estimate: reminders are about days


@dataclass(frozen=True, slots=True, kw_only=True)
class Told:
    """What the records tell that may be due."""

    tubes: tuple[TubeTold, ...]
    waiting: tuple[WaitingTold, ...]
    later: tuple[FoundLater, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class _Kept:
    """What was gathered at an entry of the history, when, and how long that took."""

    entry: int
    told: Told
    at_s: float
    took_s: float


class Dues:
    """What the records tell, kept for as long as nothing in them changes."""

    def __init__(self, holds: HoldOf = hold_of) -> None:
        self._holds = holds
        self._lock = threading.Lock()
        self._kept: _Kept | None = None

    def due(self, store: Store, knowledge: Knowledge, *, ahead_days: float = 0.0, at_hand: bool = False) -> Due:
        """What is due now, or within some days.

        Args:
            store: The shop's records.
            knowledge: The constants named ``due_…``.
            ahead_days: Look so many days ahead, too.
            at_hand: In a shop so large that gathering takes its time, what was known
                less than a minute ago will do.
        """
        told = self._told(store, knowledge, at_hand=at_hand)
        now = store.clock().astimezone()
        return due(told.tubes, told.waiting, told.later, knowledge, now=now, ahead_days=ahead_days)

    def _told(self, store: Store, knowledge: Knowledge, *, at_hand: bool) -> Told:
        latest = store.history(size=1)
        entry = latest[0].id if latest else 0
        begun = time.monotonic()
        with self._lock:
            kept = self._kept
        if kept is not None:
            will_do = at_hand and kept.took_s > _SLOW_S and begun - kept.at_s < _STALE_S
            if kept.entry == entry or will_do:
                return kept.told
        told = gather(store, knowledge, holds=self._holds)
        ended = time.monotonic()
        with self._lock:
            self._kept = _Kept(entry=entry, told=told, at_s=ended, took_s=ended - begun)
        return told


def gather(store: Store, knowledge: Knowledge, *, holds: HoldOf = hold_of) -> Told:
    """Everything in the records that may be due, or that says how a gain held."""
    closed = store.closed_treated()
    told = {one.tube_id: _closed(store, one) for one in closed}
    for found in _on_bench(store, knowledge):
        told[found.tube_id] = _merged(told.get(found.tube_id), found)
    return Told(
        tubes=tuple(told.values()), waiting=_waiting(store), later=_later(store, closed, knowledge, holds=holds)
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


def _on_bench(store: Store, knowledge: Knowledge) -> list[TubeTold]:
    """The tubes that jobs on the bench have treated; asked for together, for a shop may have many."""
    full = knowledge.value("full_heater_from")
    treated = select(treatments.c.job_id).where(treatments.c.kind.in_(REMEMBERED))
    on_bench = jobs.c.id.in_(treated) & jobs.c.tube_id.is_not(None) & (jobs.c.state != "closed")
    ids = select(jobs.c.id).where(on_bench)
    with store.database.read() as conn:
        rows = conn.execute(
            select(
                jobs.c.id,
                jobs.c.tube_id,
                jobs.c.display_id,
                displays.c.label,
                displays.c.owner,
                tubes.c.label.label("tube_label"),
                tubes.c.heater_v,
            )
            .join(displays, displays.c.id == jobs.c.display_id)
            .join(tubes, tubes.c.id == jobs.c.tube_id)
            .where(on_bench)
            .order_by(jobs.c.id)
        ).all()
        done = conn.execute(select(treatments).where(treatments.c.job_id.in_(ids)).order_by(treatments.c.at)).all()
        read = conn.execute(
            select(readings.c.job_id, readings.c.tube_id, readings.c.gun, readings.c.heater_v, readings.c.taken_at)
            .where(readings.c.job_id.in_(ids), readings.c.kind == "emission", readings.c.gun.is_not(None))
            .order_by(readings.c.taken_at)
        ).all()
    of_job: dict[int, list[TreatedLast]] = {}
    tube_of = {one.id: one.tube_id for one in rows}
    rated = {one.id: one.heater_v for one in rows}
    for one in done:
        if one.tube_id in {tube_of[one.job_id], None}:
            last = TreatedLast(gun=one.gun, kind=one.kind, outcome=one.outcome, at=_here(one.at))
            of_job.setdefault(one.job_id, []).append(last)
    seen: dict[int, list[ReadLater]] = {}
    for one in read:
        volts = rated[one.job_id]
        hot = one.heater_v is None or volts is None or one.heater_v >= volts * full
        if hot and one.tube_id in {tube_of[one.job_id], None}:
            seen.setdefault(one.job_id, []).append(ReadLater(gun=one.gun, at=_here(one.taken_at)))
    return [
        TubeTold(
            tube_id=one.tube_id,
            tube=one.tube_label or f"Tube {one.tube_id}",
            display_id=one.display_id,
            display=one.label or f"Display {one.display_id}",
            owner=one.owner or "",
            open_job=one.id,
            treated=tuple(of_job.get(one.id, ())),
            read=tuple(seen.get(one.id, ())),
        )
        for one in rows
    ]


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
    predicted, after = None, None
    if told.readings:
        unit = told.readings[0].unit
        good = 1.0 if unit == "rel" else usual.get("reference") if usual.get("unit") == unit else None
        if isinstance(good, float) and good > 0:
            after = told.readings[-1].value / good
            rest = holds(told, reading.gun, knowledge, _SEED).rest
            if not isinstance(rest, Unknown):
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
        after_emission=after,
        value_emission=reading.relative,
        found_at=_here(reading.at),
        same_instrument=None if box is None or reading.instrument is None else box == reading.instrument,
    )


def _here(at: dt.datetime) -> dt.datetime:
    """The moment on the shop's own clock."""
    return at.astimezone()
