"""Tables of setting the picture up: moves of controls, readings of the grey steps, and what was chosen for it."""

from __future__ import annotations

from typing import Final

from sqlalchemy import Boolean, CheckConstraint, Column, Float, Index, Integer, String, Text

from tubewright.records.columns import UtcTime, editable, link, words

control_moves: Final = editable(
    "control_moves",
    link("job_id", "jobs"),
    link("person_id", "people", needed=False),
    Column("at", UtcTime, nullable=False),
    Column("control", String(80), nullable=False),
    Column("part", String(80), nullable=False, server_default=""),
    Column("amount", Float),
    Column("unit", String(10), nullable=False),
    Column("direction", String(40), nullable=False, server_default=""),
    Column("tabs_mm", Float),
    Column("angle_deg", Float),
    link("after_measurement_id", "measurements", needed=False),
    Column("undone", Boolean, nullable=False),
    Column("wrong_way", Boolean, nullable=False),
    Column("at_stop", Boolean, nullable=False),
    words("note"),
)
"""Controls that were moved to set the picture up, each after the measurement that led to it."""

grey_rounds: Final = editable(
    "grey_rounds",
    link("job_id", "jobs"),
    link("person_id", "people", needed=False),
    Column("at", UtcTime, nullable=False),
    Column("readings_json", Text, nullable=False),
    Column("turned_json", Text, nullable=False),
    Column("retrace_seen", Boolean, nullable=False),
    Column("white", String(40), nullable=False),
    Column("kind", String(10), nullable=False),
    CheckConstraint("kind IN ('inline', 'delta', 'broadcast')", name="kind"),
    Column("peak_cd_m2", Float),
    Column("swing_v", Float),
    words("note"),
)
"""Readings of a grey scale, each with what was turned before it and what was wished for."""

setup_choices: Final = editable(
    "setup_choices",
    link("job_id", "jobs"),
    link("person_id", "people", needed=False),
    Column("at", UtcTime, nullable=False),
    Column("tolerance", String(10), nullable=False, server_default=""),
    CheckConstraint("tolerance IN ('', 'arcade', 'delta', 'broadcast')", name="tolerance"),
    Column("opening_width_mm", Float),
    Column("opening_height_mm", Float),
    Column("at_once", Integer),
    link("since_measurement_id", "measurements", needed=False),
    Column("on_since", UtcTime),
)
"""What was chosen for setting a job's display up; one row for a job."""

Index(None, control_moves.c.job_id)
Index(None, control_moves.c.after_measurement_id)
Index(None, grey_rounds.c.job_id)
Index(None, setup_choices.c.job_id, unique=True)
Index(None, setup_choices.c.since_measurement_id)
