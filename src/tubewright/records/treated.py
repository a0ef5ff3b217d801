"""Tubes that were treated and have gone home: what was done last, and what was read since."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from sqlalchemy import Connection, select

from tubewright import case
from tubewright.records.facts import came_before, emission_of, rows_of
from tubewright.records.tables import displays, jobs, readings, treatments, tube_fittings, tubes
from tubewright.records.transactions import Transactions

CHUNK: Final = 500

_READ: Final = (
    "tube_id", "job_id", "gun", "taken_at", "stage", "instrument", "heater_v", "unit", "value", "reference",
)  # fmt: skip
"""What of a reading tells how it compares to its reference gun."""

_Sort = tuple[str | None, str]
"""The gun and the kind of a treatment."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LastTreatment:
    """The last treatment of its kind of a gun in a closed job; ``gun`` is None for one of the whole tube."""

    job_id: int
    gun: case.Gun | None
    kind: case.TreatmentKind
    outcome: case.Outcome | None
    at: dt.datetime
    minutes: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class LaterReading:
    """An emission reading of a gun since it was treated, as a share of its reference gun, at the rated heater."""

    job_id: int
    gun: case.Gun
    relative: float
    at: dt.datetime
    stage: str | None
    instrument: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatedTube:
    """A tube that a closed job treated.

    Attributes:
        display_id: the display it is in now; None on the shelf.
        on_bench: the job that its display is on the bench with now, if one is not closed.
        treated: of each gun the last treatment of each kind, oldest first.
        readings: emission readings of each gun since the first of these that it got, oldest first.
    """

    tube_id: int
    tube_label: str
    display_id: int | None
    display_label: str
    owner: str
    on_bench: int | None
    treated: tuple[LastTreatment, ...]
    readings: tuple[LaterReading, ...]


class Treated(Transactions):
    """The part of the store that looks back at treated tubes."""

    def closed_treated(self) -> tuple[TreatedTube, ...]:
        """Every tube that a closed job treated, the one treated longest ago first.

        A treatment of the whole tube is one of each gun.
        """
        with self.database.read() as conn:
            of_closed = select(jobs.c.id).where(jobs.c.state == "closed")
            done = rows_of(conn, treatments, treatments.c.tube_id.is_not(None) & treatments.c.job_id.in_(of_closed))
            last: dict[int, dict[_Sort, Mapping[str, Any]]] = {}
            for one in done:
                of_tube = last.setdefault(one["tube_id"], {})
                sort = (one["gun"], one["kind"])
                # Taken out first, so that the last written is the last in order.
                of_tube.pop(sort, None)
                of_tube[sort] = one
            ids = sorted(last)
            found: list[TreatedTube] = []
            for start in range(0, len(ids), CHUNK):
                chunk = ids[start : start + CHUNK]
                found.extend(_tubes(conn, chunk, {tube_id: last[tube_id] for tube_id in chunk}))
        return tuple(sorted(found, key=lambda tube: (max(one.at for one in tube.treated), tube.tube_id)))


def _tubes(
    conn: Connection, ids: Sequence[int], last: Mapping[int, Mapping[_Sort, Mapping[str, Any]]]
) -> list[TreatedTube]:
    now = (tube_fittings.c.tube_id == tubes.c.id) & tube_fittings.c.until.is_(None)
    query = (
        select(tubes, displays.c.id.label("display"), displays.c.label.label("display_label"), displays.c.owner)
        .select_from(
            tubes.outerjoin(tube_fittings, now).outerjoin(displays, displays.c.id == tube_fittings.c.display_id)
        )
        .where(tubes.c.id.in_(ids))
    )
    rows = conn.execute(query).mappings().all()
    of_these = {row["display"] for row in rows if row["display"] is not None}
    open_now = select(jobs.c.display_id, jobs.c.id).where(jobs.c.display_id.in_(of_these), jobs.c.active)
    on_bench = {one.display_id: one.id for one in conn.execute(open_now.order_by(jobs.c.id))}
    read: dict[int, list[Mapping[str, Any]]] = {}
    emissions = (
        select(*(readings.c[name] for name in _READ))
        .where(readings.c.tube_id.in_(ids), readings.c.kind == "emission")
        .order_by(readings.c.taken_at, readings.c.id)
    )
    for found in conn.execute(emissions):
        read.setdefault(found.tube_id, []).append(dict(zip(_READ, found, strict=True)))
    return [
        TreatedTube(
            tube_id=row["id"],
            tube_label=row["label"] or "",
            display_id=row["display"],
            display_label=row["display_label"] or "",
            owner=row["owner"] or "",
            on_bench=on_bench.get(row["display"]),
            treated=tuple(_treatment(one) for one in last[row["id"]].values()),
            readings=_later(dict(row), last[row["id"]], read.get(row["id"], ())),
        )
        for row in rows
    ]


def _treatment(one: Mapping[str, Any]) -> LastTreatment:
    plain = ("job_id", "gun", "kind", "outcome", "at", "minutes")
    return LastTreatment(**{name: one[name] for name in plain})


def _later(
    tube: dict[str, Any], last: Mapping[_Sort, Mapping[str, Any]], read: Sequence[Mapping[str, Any]]
) -> tuple[LaterReading, ...]:
    found = []
    for one in read:
        first = next((done for (gun, _), done in last.items() if gun in (one["gun"], None)), None)
        share = emission_of(one, tube)
        # Where times are only known to the day, the stage tells which side a reading belongs to.
        if first is None or share is None or came_before(share, first["at"]):
            continue
        found.append(
            LaterReading(
                job_id=one["job_id"],
                gun=one["gun"],
                relative=share.share,
                at=one["taken_at"],
                stage=one["stage"],
                instrument=one["instrument"],
            )
        )
    return tuple(found)
