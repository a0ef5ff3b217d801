"""People, displays, tubes, fittings and instruments."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any, Final

from sqlalchemy import Connection, Row, Select, Table, select

from tubewright import case
from tubewright.errors import Fault, InputError
from tubewright.records import checks
from tubewright.records.changes import Change, Values, row, unknown
from tubewright.records.model import DisplayRecord, Fitting, Instrument, KnownGoodRecord, Person, TubeRecord
from tubewright.records.tables import displays, instruments, known_good, people, tube_fittings, tubes

DISPLAY_FIELDS: Final = tuple(case.Display.model_fields)
TUBE_FIELDS: Final = tuple(name for name in case.Tube.model_fields if name != "idle_years")

_NOW: Final = tube_fittings.c.until.is_(None)


# -- people ------------------------------------------------------------------------


def people_here(conn: Connection) -> tuple[Person, ...]:
    """Everybody, by name."""
    return tuple(Person(**found) for found in conn.execute(select(people).order_by(people.c.name)).mappings())


def add_person(change: Change, name: str) -> Person:
    """Add somebody, or find them."""
    return Person(**_by_name(change, people, name, {"active": True}))


def _by_name(change: Change, table: Table, name: str, more: Values) -> Values:
    """The row of this name, written now if there is none."""
    name = checks.name(name, "name")
    found = change.conn.execute(select(table.c.id).where(table.c.name == name)).scalar()
    return change.row(table, change.insert(table, {"name": name, **more}) if found is None else found)


def _found(conn: Connection, query: Select[Any], table: Table, row_id: int) -> Row[Any]:
    """The one row of a query that is of this row."""
    found = conn.execute(query.where(table.c.id == row_id)).first()
    if found is None:
        raise unknown(table, row_id)
    return found


# -- displays ------------------------------------------------------------------------


def displays_query() -> Select[Any]:
    """Displays with the tube that is in each now."""
    return select(displays, tube_fittings.c.tube_id.label("tube_id"), tubes.c.label.label("tube_label")).select_from(
        displays.outerjoin(tube_fittings, (tube_fittings.c.display_id == displays.c.id) & _NOW).outerjoin(
            tubes, tubes.c.id == tube_fittings.c.tube_id
        )
    )


def display_record(found: Row[Any]) -> DisplayRecord:
    """A row of :func:`displays_query` as a record."""
    values = found._mapping  # noqa: SLF001 - SQLAlchemy's documented way to a row's names
    return DisplayRecord(
        id=values["id"],
        uid=values["uid"],
        version=values["version"],
        display=case.Display(**{name: values[name] for name in DISPLAY_FIELDS}),
        owner=values["owner"],
        place=values["place"],
        notes=values["notes"],
        tube_id=values["tube_id"],
        tube_label=values["tube_label"] or "",
    )


def display(conn: Connection, display_id: int) -> DisplayRecord:
    """One display."""
    return display_record(_found(conn, displays_query(), displays, display_id))


def _display_values(given: case.Display | Mapping[str, object]) -> Values:
    checked = checks.part(case.Display, given)
    values = checked.model_dump()
    values["label"] = checks.name(checked.label or "", "label")
    return values


def _texts(**given: str | None) -> Values:
    return {name: checks.words(text, name) for name, text in given.items() if text is not None}


def add_display(
    change: Change, given: case.Display | Mapping[str, object], *, owner: str, place: str, notes: str
) -> DisplayRecord:
    """Write a display down."""
    values = _display_values(given) | _texts(owner=owner, place=place, notes=notes)
    return display(change.conn, change.insert(displays, values))


def edit_display(
    change: Change,
    display_id: int,
    given: case.Display | Mapping[str, object],
    *,
    version: int,
    owner: str | None,
    place: str | None,
    notes: str | None,
) -> DisplayRecord:
    """Replace what is known of a display."""
    values = _display_values(given) | _texts(owner=owner, place=place, notes=notes)
    change.update(displays, display_id, values, version=version)
    return display(change.conn, display_id)


# -- tubes ---------------------------------------------------------------------------


def tubes_query() -> Select[Any]:
    """Tubes with the display that each is in now."""
    return select(
        tubes, tube_fittings.c.display_id.label("display_id"), displays.c.label.label("display_label")
    ).select_from(
        tubes.outerjoin(tube_fittings, (tube_fittings.c.tube_id == tubes.c.id) & _NOW).outerjoin(
            displays, displays.c.id == tube_fittings.c.display_id
        )
    )


def tube_record(found: Row[Any]) -> TubeRecord:
    """A row of :func:`tubes_query` as a record."""
    values = found._mapping  # noqa: SLF001 - SQLAlchemy's documented way to a row's names
    return TubeRecord(
        id=values["id"],
        uid=values["uid"],
        version=values["version"],
        tube=case.Tube(**{name: values[name] for name in TUBE_FIELDS}),
        notes=values["notes"],
        display_id=values["display_id"],
        display_label=values["display_label"] or "",
    )


def tube(conn: Connection, tube_id: int) -> TubeRecord:
    """One tube."""
    return tube_record(_found(conn, tubes_query(), tubes, tube_id))


def _tube_values(given: case.Tube | Mapping[str, object]) -> Values:
    values = checks.part(case.Tube, given).model_dump()
    if values.pop("idle_years") is not None:
        raise InputError(
            Fault(
                what="years unused belong to one visit to the bench",
                where="idle_years",
                mend="Write them into the job",
            )
        )
    if values["label"] is not None:
        values["label"] = checks.words(values["label"], "label")
    return values


def add_tube(change: Change, given: case.Tube | Mapping[str, object], *, notes: str) -> TubeRecord:
    """Write a tube down."""
    return tube(change.conn, change.insert(tubes, _tube_values(given) | _texts(notes=notes)))


def edit_tube(
    change: Change, tube_id: int, given: case.Tube | Mapping[str, object], *, version: int, notes: str | None
) -> TubeRecord:
    """Replace what is known of a tube."""
    change.update(tubes, tube_id, _tube_values(given) | _texts(notes=notes), version=version)
    return tube(change.conn, tube_id)


# -- fittings --------------------------------------------------------------------------


def fittings_query() -> Select[Any]:
    """Fittings with the names of both sides, oldest first."""
    return (
        select(tube_fittings, displays.c.label.label("display_label"), tubes.c.label.label("tube_label"))
        .join_from(tube_fittings, displays)
        .join(tubes, tubes.c.id == tube_fittings.c.tube_id)
        .order_by(tube_fittings.c.since, tube_fittings.c.id)
    )


def fitting_record(found: Row[Any]) -> Fitting:
    """A row of :func:`fittings_query` as a record."""
    values = dict(found._mapping)  # noqa: SLF001 - SQLAlchemy's documented way to a row's names
    values["tube_label"] = values["tube_label"] or ""
    return Fitting(**values)


def _fitting(conn: Connection, fitting_id: int) -> Fitting:
    return fitting_record(conn.execute(fittings_query().where(tube_fittings.c.id == fitting_id)).one())


def _end(change: Change, found: Values, at: dt.datetime) -> None:
    if at < found["since"]:
        raise InputError(
            Fault(
                what=f"the tube was only fitted at {found['since']:%Y-%m-%d %H:%M} UTC",
                where="at",
                mend="Give a later time",
            )
        )
    change.update(tube_fittings, found["id"], {"until": at})


def _stays_now(conn: Connection, condition: Any) -> list[Values]:  # noqa: ANN401 - SQLAlchemy's own condition
    return [dict(found) for found in conn.execute(select(tube_fittings).where(_NOW, condition)).mappings()]


def fit_tube(change: Change, display_id: int, tube_id: int, *, at: dt.datetime | None) -> Fitting:
    """Put a tube into a display; nothing happens if it is in there already."""
    change.row(displays, display_id)
    change.row(tubes, tube_id)
    moment = checks.moment(at, change.now)
    _not_ahead(moment, change.now)
    here = (tube_fittings.c.display_id == display_id) | (tube_fittings.c.tube_id == tube_id)
    for found in _stays_now(change.conn, here):
        if found["display_id"] == display_id and found["tube_id"] == tube_id:
            return _fitting(change.conn, found["id"])
        _end(change, found, moment)
    fresh = change.insert(tube_fittings, {"display_id": display_id, "tube_id": tube_id, "since": moment, "until": None})
    return _fitting(change.conn, fresh)


def _not_ahead(moment: dt.datetime, now: dt.datetime) -> None:
    if moment > now:
        raise InputError(Fault(what="this time has not come yet", where="at", mend="Give the time it was done"))


def take_out_tube(change: Change, display_id: int, *, at: dt.datetime | None) -> Fitting:
    """Take the tube out of a display."""
    change.row(displays, display_id)
    moment = checks.moment(at, change.now)
    _not_ahead(moment, change.now)
    found = _stays_now(change.conn, tube_fittings.c.display_id == display_id)
    if not found:
        raise InputError(
            Fault(what="there is no tube in this display", where=f"display {display_id}", mend="Nothing to take out")
        )
    _end(change, found[0], moment)
    return _fitting(change.conn, found[0]["id"])


# -- instruments -------------------------------------------------------------------------


def instruments_here(conn: Connection) -> tuple[Instrument, ...]:
    """The instruments, by name."""
    return tuple(
        Instrument(**found) for found in conn.execute(select(instruments).order_by(instruments.c.name)).mappings()
    )


def add_instrument(change: Change, name: str, *, notes: str) -> Instrument:
    """Add an instrument, or find it."""
    return Instrument(**_by_name(change, instruments, name, _texts(notes=notes)))


def known_good_readings(conn: Connection, instrument_id: int | None) -> tuple[KnownGoodRecord, ...]:
    """Readings on known-good guns, oldest first."""
    query = (
        select(known_good, instruments.c.name.label("instrument"), people.c.name.label("person"))
        .select_from(known_good.join(instruments).outerjoin(people, people.c.id == known_good.c.person_id))
        .order_by(known_good.c.taken_at, known_good.c.id)
    )
    if instrument_id is not None:
        row(conn, instruments, instrument_id)
        query = query.where(known_good.c.instrument_id == instrument_id)
    found = []
    for values in conn.execute(query).mappings():
        kept = {key: value for key, value in values.items() if key != "person_id"}
        found.append(KnownGoodRecord(**kept | {"person": kept["person"] or ""}))
    return tuple(found)


def add_known_good(
    change: Change,
    instrument_id: int,
    *,
    value: float,
    unit: case.Unit,
    cutoff_v: float | None,
    g2_v: float | None,
    tube_label: str,
) -> KnownGoodRecord:
    """Write down a reading on a known-good gun; it is checked as a reading of emission would be."""
    change.row(instruments, instrument_id)
    found = checks.part(
        case.Reading,
        {
            "kind": "emission",
            "gun": "green",  # which gun it was doesn't matter for a good one, but emission must name one
            "value": value,
            "unit": unit,
            "reference_cutoff_v": cutoff_v,
            "g2_v": g2_v,
        },
    )
    if found.value == 0:
        raise InputError(Fault(what="a good gun doesn't read 0", where="value", mend="Give what the instrument showed"))
    fresh = change.insert(
        known_good,
        {
            "instrument_id": instrument_id,
            "person_id": change.by,
            "taken_at": change.now,
            "value": found.value,
            "unit": found.unit,
            "cutoff_v": found.reference_cutoff_v,
            "g2_v": found.g2_v,
            "tube_label": checks.words(tube_label, "tube_label"),
        },
    )
    return next(one for one in known_good_readings(change.conn, instrument_id) if one.id == fresh)
