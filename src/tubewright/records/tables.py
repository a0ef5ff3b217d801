"""The tables, written so that SQLite and PostgreSQL hold the same.

Every editable row has a whole-number ``id`` that is never used again, a ``uid``
that stays the same in every shop it travels to, and a ``version`` that grows
with each edit. Times are UTC. Columns listed in :data:`DERIVED` repeat what other
rows say, to keep the board quick; they can be rebuilt at any time and are not
part of the history.
"""

from __future__ import annotations

from typing import Final

from sqlalchemy import Boolean, CheckConstraint, Column, Float, Index, Integer, LargeBinary, String, Table, Text, text

from tubewright.records.columns import METADATA, UtcTime, editable, link, words
from tubewright.records.tables_phone import pairings, sent_once, upload_chunks, uploads
from tubewright.records.tables_setup import control_moves, grey_rounds, setup_choices
from tubewright.records.tables_stock import paper_counters, papers, reservations, shop_settings, stock_items

__all__ = [
    "METADATA", "UtcTime", "control_moves", "grey_rounds", "pairings", "paper_counters", "papers", "reservations",
    "sent_once", "setup_choices", "shop_settings", "stock_items", "upload_chunks", "uploads",
]  # fmt: skip
"""What is defined beside this module and found here as well."""

SCHEMA_HEAD: Final = "0007"
"""The migration that this program's tables are at; a test compares it with the scripts."""

_WORD = String(120).with_variant(String(120, collation="C"), "postgresql")
"""Words of the search index compare by code point in either database."""

people: Final = editable("people", Column("name", Text, nullable=False), Column("active", Boolean, nullable=False))

displays: Final = editable(
    "displays",
    words("label"),
    Column("diagonal_in", Float),
    Column("scan_khz", Float),
    Column("mount", String(20)),
    Column("chassis", String(80)),
    words("owner"),
    words("place"),
    words("notes"),
)

tubes: Final = editable(
    "tubes",
    Column("label", Text),
    Column("gun", String(20)),
    Column("heater_v", Float),
    Column("service_hours", Float),
    Column("restorations", Integer),
    Column("burn", Float),
    Column("getter", String(20)),
    Column("neck", String(20)),
    words("notes"),
)

tube_fittings: Final = editable(
    "tube_fittings",
    link("display_id", "displays"),
    link("tube_id", "tubes"),
    Column("since", UtcTime, nullable=False),
    Column("until", UtcTime),
)

jobs: Final = editable(
    "jobs",
    link("display_id", "displays"),
    Column("state", String(20), nullable=False),
    CheckConstraint("state IN ('open', 'waiting', 'closed')", name="state"),
    words("waits_for"),
    words("owner_words"),
    words("closing_note"),
    Column("idle_years", Float),
    Column("hours_per_week", Float),
    Column("keep_years", Float),
    Column("minimum_white", Float),
    Column("white_point", String(20)),
    Column("currency", String(3)),
    Column("bench_rate_per_hour", Float),
    Column("replacement_tube", Float),
    Column("replacement_display", Float),
    Column("parts_value", Float),
    Column("opened_at", UtcTime, nullable=False),
    Column("closed_at", UtcTime),
    # Derived:
    Column("changed_at", UtcTime, nullable=False),
    Column("active", Boolean, nullable=False),
    link("tube_id", "tubes", needed=False),
    words("decision"),
    words("headline"),
)

readings: Final = editable(
    "readings",
    link("job_id", "jobs"),
    link("tube_id", "tubes", needed=False),
    link("person_id", "people", needed=False),
    Column("taken_at", UtcTime, nullable=False),
    Column("gun", String(10)),
    Column("kind", String(40), nullable=False),
    Column("value", Float, nullable=False),
    Column("unit", String(10), nullable=False),
    Column("spread", Float),
    Column("reference", Float),
    Column("reference_cutoff_v", Float),
    Column("full_scale", Float),
    Column("g2_v", Float),
    Column("heater_v", Float),
    Column("minutes_on", Float),
    Column("instrument", Text),
    Column("stage", String(10)),
)

observations: Final = editable(
    "observations",
    link("job_id", "jobs"),
    link("tube_id", "tubes", needed=False),
    link("person_id", "people", needed=False),
    Column("at", UtcTime, nullable=False),
    Column("sort", String(10), nullable=False),
    CheckConstraint("sort IN ('symptom', 'test', 'look')", name="sort"),
    Column("name", String(80), nullable=False),
    Column("present", Boolean),
    Column("result", String(80)),
    Column("gun", String(10)),
    Column("value", Float),
    Column("unit", Text),
    Column("nominal", Float),
)

treatments: Final = editable(
    "treatments",
    link("job_id", "jobs"),
    link("tube_id", "tubes", needed=False),
    link("person_id", "people", needed=False),
    Column("at", UtcTime, nullable=False),
    Column("gun", String(10)),
    Column("kind", String(40), nullable=False),
    Column("outcome", String(20)),
    words("note"),
    Column("minutes", Float),
    words("seen"),
    Column("plan_step", String(120), nullable=False, server_default=""),
)

repairs: Final = editable(
    "repairs",
    link("job_id", "jobs"),
    link("person_id", "people", needed=False),
    Column("at", UtcTime, nullable=False),
    Column("fault", String(80), nullable=False),
    Column("outcome", String(10), nullable=False),
    CheckConstraint("outcome IN ('found', 'mended', 'excluded')", name="outcome"),
    Column("minutes", Float),
    words("note"),
)
"""Faults of the set that a job found, mended or ruled out."""

confirmations: Final = editable(
    "confirmations",
    link("job_id", "jobs"),
    link("person_id", "people", needed=False),
    Column("at", UtcTime, nullable=False),
    Column("step_sort", String(10), nullable=False),
    CheckConstraint("step_sort IN ('test', 'repair', 'treatment', 'control')", name="step_sort"),
    Column("step", String(80), nullable=False),
    Column("caution", String(80), nullable=False),
    # As they were shown: what somebody confirmed stays what it was when the facts are reworded.
    Column("words", Text, nullable=False),
)
"""Conditions that somebody confirmed before a step; nothing edits them."""

verdicts: Final = editable(
    "verdicts",
    link("job_id", "jobs"),
    link("person_id", "people", needed=False),
    Column("at", UtcTime, nullable=False),
    Column("case_json", Text, nullable=False),
    Column("answer_json", Text, nullable=False),
    Column("model_version", Text, nullable=False),
    # A seed may be any size, which no column type of both databases holds.
    Column("seed", String(40), nullable=False),
    words("decision"),
    words("headline"),
)

instruments: Final = editable("instruments", Column("name", Text, nullable=False), words("notes"))

known_good: Final = editable(
    "known_good",
    link("instrument_id", "instruments"),
    link("person_id", "people", needed=False),
    Column("taken_at", UtcTime, nullable=False),
    Column("value", Float, nullable=False),
    Column("unit", String(10), nullable=False),
    Column("cutoff_v", Float),
    Column("g2_v", Float),
    words("tube_label"),
)

photos: Final = editable(
    "photos",
    link("job_id", "jobs"),
    link("person_id", "people", needed=False),
    Column("taken_at", UtcTime, nullable=False),
    Column("file_name", Text, nullable=False),
    Column("sha256", String(64), nullable=False),
    Column("pattern", String(40)),
    Column("raster", String(40)),
    Column("stage", String(10)),
    words("note"),
    Column("preview_sha256", String(64)),
)

measurements: Final = editable(
    "measurements",
    link("job_id", "jobs"),
    link("person_id", "people", needed=False),
    Column("at", UtcTime, nullable=False),
    Column("stage", String(10)),
    Column("accepted", Boolean, nullable=False),
    # The photographs by content, oldest first: what was measured stays known when a row of theirs is struck out.
    Column("photos_json", Text, nullable=False),
    Column("settings_json", Text, nullable=False),
    Column("answer_json", Text, nullable=False),
    Column("model_version", Text, nullable=False),
    Column("overlay_sha256", String(64)),
    words("headline"),
)

photo_files: Final = Table(
    "photo_files",
    METADATA,
    Column("sha256", String(64), primary_key=True),
    Column("media_type", String(40), nullable=False),
    Column("size", Integer, nullable=False),
    Column("data", LargeBinary, nullable=False),
)
"""What photographs hold, once each: never edited, so outside the history; a struck-out row can come back."""

parts: Final = editable(
    "parts",
    link("job_id", "jobs", needed=False),
    Column("name", Text, nullable=False),
    words("value"),
    words("place"),
    Column("quantity", Integer, nullable=False),
    Column("cost", Float),
    Column("currency", String(3)),
    words("note"),
)

history: Final = Table(
    "history",
    METADATA,
    Column("id", Integer, primary_key=True),
    Column("uid", String(36), nullable=False, unique=True),
    Column("change", String(36), nullable=False),
    Column("at", UtcTime, nullable=False),
    link("person_id", "people", needed=False),
    Column("action", String(10), nullable=False),
    Column("table_name", String(40), nullable=False),
    Column("row_id", Integer, nullable=False),
    Column("row_uid", String(36), nullable=False),
    # No foreign key: the history of a job outlives the job.
    Column("job_id", Integer),
    Column("before", Text),
    Column("after", Text),
    Column("undoes", String(36)),
    Column("from_elsewhere", Boolean, nullable=False),
    sqlite_autoincrement=True,
)

search_terms: Final = Table(
    "search_terms",
    METADATA,
    Column("subject", String(10), primary_key=True),
    Column("term", _WORD, primary_key=True),
    Column("row_id", Integer, primary_key=True, autoincrement=False),
    sqlite_with_rowid=False,
)

Index("ix_people_name", people.c.name, unique=True)
Index("ix_instruments_name", instruments.c.name, unique=True)
# A tube is in one display at a time, and a display holds one tube.
for _side in ("display_id", "tube_id"):
    Index(
        f"ix_tube_fittings_now_{_side}",
        tube_fittings.c[_side],
        unique=True,
        sqlite_where=text("until IS NULL"),
        postgresql_where=text("until IS NULL"),
    )
    Index(None, tube_fittings.c[_side], tube_fittings.c.since)
Index(None, jobs.c.active, jobs.c.changed_at, jobs.c.id)
Index(None, jobs.c.state, jobs.c.changed_at, jobs.c.id)
Index(None, jobs.c.changed_at, jobs.c.id)
Index(None, jobs.c.display_id)
Index(None, jobs.c.tube_id)
for _table in (observations, treatments):
    Index(None, _table.c.job_id)
    Index(None, _table.c.tube_id)
Index(None, readings.c.job_id)
Index(None, readings.c.tube_id)
Index(None, repairs.c.job_id)
Index(None, confirmations.c.job_id)
Index(None, verdicts.c.job_id)
Index(None, photos.c.job_id)
Index(None, measurements.c.job_id)
Index(None, parts.c.job_id)
Index(None, known_good.c.instrument_id)
Index(None, history.c.job_id, history.c.id)
Index(None, history.c.person_id, history.c.id)
Index(None, history.c.table_name, history.c.row_id)
Index(None, history.c.change)
Index(None, history.c.undoes)
Index(None, search_terms.c.subject, search_terms.c.row_id)

EDITABLE: Final[tuple[Table, ...]] = (
    people,
    instruments,
    displays,
    tubes,
    tube_fittings,
    jobs,
    readings,
    observations,
    treatments,
    repairs,
    confirmations,
    verdicts,
    known_good,
    photos,
    measurements,
    control_moves,
    grey_rounds,
    setup_choices,
    parts,
    stock_items,
    reservations,
    shop_settings,
    papers,
)
"""Every table that people edit, each after those it points to."""

BY_NAME: Final[dict[str, Table]] = {table.name: table for table in EDITABLE}

DERIVED: Final[dict[str, frozenset[str]]] = {
    "jobs": frozenset({"changed_at", "active", "tube_id", "decision", "headline"}),
    "stock_items": frozenset({"reserved"}),
}
"""Columns that repeat what other rows say."""

NOUNS: Final[dict[str, str]] = {
    "people": "person",
    "instruments": "instrument",
    "displays": "display",
    "tubes": "tube",
    "tube_fittings": "fitting",
    "jobs": "job",
    "readings": "reading",
    "observations": "observation",
    "treatments": "treatment",
    "repairs": "repair",
    "confirmations": "confirmation",
    "verdicts": "verdict",
    "known_good": "known-good reading",
    "photos": "photo",
    "measurements": "measurement",
    "control_moves": "move",
    "grey_rounds": "reading of the grey steps",
    "setup_choices": "choice for the set-up",
    "parts": "part",
    "stock_items": "item",
    "reservations": "reservation",
    "shop_settings": "setting",
    "papers": "paper",
}
"""What a person calls a row of each table."""
