"""The first tables, and the guard that lets history only grow."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "displays",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("label", sa.Text(), server_default="", nullable=False),
        sa.Column("diagonal_in", sa.Float(), nullable=True),
        sa.Column("scan_khz", sa.Float(), nullable=True),
        sa.Column("mount", sa.String(length=20), nullable=True),
        sa.Column("owner", sa.Text(), server_default="", nullable=False),
        sa.Column("place", sa.Text(), server_default="", nullable=False),
        sa.Column("notes", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_displays")),
        sa.UniqueConstraint("uid", name=op.f("uq_displays_uid")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "instruments",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("notes", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_instruments")),
        sa.UniqueConstraint("uid", name=op.f("uq_instruments_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_instruments_name", "instruments", ["name"], unique=True)
    op.create_table(
        "people",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_people")),
        sa.UniqueConstraint("uid", name=op.f("uq_people_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index("ix_people_name", "people", ["name"], unique=True)
    op.create_table(
        "search_terms",
        sa.Column("subject", sa.String(length=10), nullable=False),
        sa.Column(
            "term",
            sa.String(length=120).with_variant(sa.String(length=120, collation="C"), "postgresql"),
            nullable=False,
        ),
        sa.Column("row_id", sa.Integer(), autoincrement=False, nullable=False),
        sa.PrimaryKeyConstraint("subject", "term", "row_id", name=op.f("pk_search_terms")),
        sqlite_with_rowid=False,
    )
    op.create_index(op.f("ix_search_terms_subject_row_id"), "search_terms", ["subject", "row_id"], unique=False)
    op.create_table(
        "tubes",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("label", sa.Text(), nullable=True),
        sa.Column("gun", sa.String(length=20), nullable=True),
        sa.Column("heater_v", sa.Float(), nullable=True),
        sa.Column("service_hours", sa.Float(), nullable=True),
        sa.Column("restorations", sa.Integer(), nullable=True),
        sa.Column("burn", sa.Float(), nullable=True),
        sa.Column("getter", sa.String(length=20), nullable=True),
        sa.Column("neck", sa.String(length=20), nullable=True),
        sa.Column("notes", sa.Text(), server_default="", nullable=False),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tubes")),
        sa.UniqueConstraint("uid", name=op.f("uq_tubes_uid")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "history",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("change", sa.String(length=36), nullable=False),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("action", sa.String(length=10), nullable=False),
        sa.Column("table_name", sa.String(length=40), nullable=False),
        sa.Column("row_id", sa.Integer(), nullable=False),
        sa.Column("row_uid", sa.String(length=36), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=True),
        sa.Column("before", sa.Text(), nullable=True),
        sa.Column("after", sa.Text(), nullable=True),
        sa.Column("undoes", sa.String(length=36), nullable=True),
        sa.Column("from_elsewhere", sa.Boolean(), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_history_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_history")),
        sa.UniqueConstraint("uid", name=op.f("uq_history_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_history_change"), "history", ["change"], unique=False)
    op.create_index(op.f("ix_history_job_id_id"), "history", ["job_id", "id"], unique=False)
    op.create_index(op.f("ix_history_person_id_id"), "history", ["person_id", "id"], unique=False)
    op.create_index(op.f("ix_history_table_name_row_id"), "history", ["table_name", "row_id"], unique=False)
    op.create_index(op.f("ix_history_undoes"), "history", ["undoes"], unique=False)
    op.create_table(
        "jobs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("display_id", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=20), nullable=False),
        sa.Column("waits_for", sa.Text(), server_default="", nullable=False),
        sa.Column("owner_words", sa.Text(), server_default="", nullable=False),
        sa.Column("closing_note", sa.Text(), server_default="", nullable=False),
        sa.Column("idle_years", sa.Float(), nullable=True),
        sa.Column("hours_per_week", sa.Float(), nullable=True),
        sa.Column("keep_years", sa.Float(), nullable=True),
        sa.Column("minimum_white", sa.Float(), nullable=True),
        sa.Column("white_point", sa.String(length=20), nullable=True),
        sa.Column("currency", sa.String(length=3), nullable=True),
        sa.Column("bench_rate_per_hour", sa.Float(), nullable=True),
        sa.Column("replacement_tube", sa.Float(), nullable=True),
        sa.Column("replacement_display", sa.Float(), nullable=True),
        sa.Column("parts_value", sa.Float(), nullable=True),
        sa.Column("opened_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("closed_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("active", sa.Boolean(), nullable=False),
        sa.Column("tube_id", sa.Integer(), nullable=True),
        sa.Column("decision", sa.Text(), server_default="", nullable=False),
        sa.Column("headline", sa.Text(), server_default="", nullable=False),
        sa.CheckConstraint("state IN ('open', 'waiting', 'closed')", name=op.f("ck_jobs_state")),
        sa.ForeignKeyConstraint(["display_id"], ["displays.id"], name=op.f("fk_jobs_display_id_displays")),
        sa.ForeignKeyConstraint(["tube_id"], ["tubes.id"], name=op.f("fk_jobs_tube_id_tubes")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_jobs")),
        sa.UniqueConstraint("uid", name=op.f("uq_jobs_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_jobs_active_changed_at_id"), "jobs", ["active", "changed_at", "id"], unique=False)
    op.create_index(op.f("ix_jobs_changed_at_id"), "jobs", ["changed_at", "id"], unique=False)
    op.create_index(op.f("ix_jobs_display_id"), "jobs", ["display_id"], unique=False)
    op.create_index(op.f("ix_jobs_state_changed_at_id"), "jobs", ["state", "changed_at", "id"], unique=False)
    op.create_index(op.f("ix_jobs_tube_id"), "jobs", ["tube_id"], unique=False)
    op.create_table(
        "known_good",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("instrument_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("unit", sa.String(length=10), nullable=False),
        sa.Column("cutoff_v", sa.Float(), nullable=True),
        sa.Column("g2_v", sa.Float(), nullable=True),
        sa.Column("tube_label", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(
            ["instrument_id"], ["instruments.id"], name=op.f("fk_known_good_instrument_id_instruments")
        ),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_known_good_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_known_good")),
        sa.UniqueConstraint("uid", name=op.f("uq_known_good_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_known_good_instrument_id"), "known_good", ["instrument_id"], unique=False)
    op.create_table(
        "tube_fittings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("display_id", sa.Integer(), nullable=False),
        sa.Column("tube_id", sa.Integer(), nullable=False),
        sa.Column("since", sa.DateTime(timezone=True), nullable=False),
        sa.Column("until", sa.DateTime(timezone=True), nullable=True),
        sa.ForeignKeyConstraint(["display_id"], ["displays.id"], name=op.f("fk_tube_fittings_display_id_displays")),
        sa.ForeignKeyConstraint(["tube_id"], ["tubes.id"], name=op.f("fk_tube_fittings_tube_id_tubes")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_tube_fittings")),
        sa.UniqueConstraint("uid", name=op.f("uq_tube_fittings_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_tube_fittings_display_id_since"), "tube_fittings", ["display_id", "since"], unique=False)
    op.create_index(
        "ix_tube_fittings_now_display_id",
        "tube_fittings",
        ["display_id"],
        unique=True,
        sqlite_where=sa.text("until IS NULL"),
        postgresql_where=sa.text("until IS NULL"),
    )
    op.create_index(
        "ix_tube_fittings_now_tube_id",
        "tube_fittings",
        ["tube_id"],
        unique=True,
        sqlite_where=sa.text("until IS NULL"),
        postgresql_where=sa.text("until IS NULL"),
    )
    op.create_index(op.f("ix_tube_fittings_tube_id_since"), "tube_fittings", ["tube_id", "since"], unique=False)
    op.create_table(
        "observations",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("tube_id", sa.Integer(), nullable=True),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("sort", sa.String(length=10), nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("present", sa.Boolean(), nullable=True),
        sa.Column("result", sa.String(length=80), nullable=True),
        sa.Column("gun", sa.String(length=10), nullable=True),
        sa.Column("value", sa.Float(), nullable=True),
        sa.Column("unit", sa.Text(), nullable=True),
        sa.Column("nominal", sa.Float(), nullable=True),
        sa.CheckConstraint("sort IN ('symptom', 'test', 'look')", name=op.f("ck_observations_sort")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_observations_job_id_jobs")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_observations_person_id_people")),
        sa.ForeignKeyConstraint(["tube_id"], ["tubes.id"], name=op.f("fk_observations_tube_id_tubes")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_observations")),
        sa.UniqueConstraint("uid", name=op.f("uq_observations_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_observations_job_id"), "observations", ["job_id"], unique=False)
    op.create_index(op.f("ix_observations_tube_id"), "observations", ["tube_id"], unique=False)
    op.create_table(
        "parts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=True),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("value", sa.Text(), server_default="", nullable=False),
        sa.Column("place", sa.Text(), server_default="", nullable=False),
        sa.Column("quantity", sa.Integer(), nullable=False),
        sa.Column("cost", sa.Float(), nullable=True),
        sa.Column("currency", sa.String(length=3), nullable=True),
        sa.Column("note", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_parts_job_id_jobs")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_parts")),
        sa.UniqueConstraint("uid", name=op.f("uq_parts_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_parts_job_id"), "parts", ["job_id"], unique=False)
    op.create_table(
        "photos",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("pattern", sa.String(length=40), nullable=True),
        sa.Column("raster", sa.String(length=40), nullable=True),
        sa.Column("stage", sa.String(length=10), nullable=True),
        sa.Column("note", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_photos_job_id_jobs")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_photos_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_photos")),
        sa.UniqueConstraint("uid", name=op.f("uq_photos_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_photos_job_id"), "photos", ["job_id"], unique=False)
    op.create_table(
        "readings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("tube_id", sa.Integer(), nullable=True),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("taken_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("gun", sa.String(length=10), nullable=True),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("value", sa.Float(), nullable=False),
        sa.Column("unit", sa.String(length=10), nullable=False),
        sa.Column("reference", sa.Float(), nullable=True),
        sa.Column("reference_cutoff_v", sa.Float(), nullable=True),
        sa.Column("full_scale", sa.Float(), nullable=True),
        sa.Column("g2_v", sa.Float(), nullable=True),
        sa.Column("heater_v", sa.Float(), nullable=True),
        sa.Column("minutes_on", sa.Float(), nullable=True),
        sa.Column("instrument", sa.Text(), nullable=True),
        sa.Column("stage", sa.String(length=10), nullable=True),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_readings_job_id_jobs")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_readings_person_id_people")),
        sa.ForeignKeyConstraint(["tube_id"], ["tubes.id"], name=op.f("fk_readings_tube_id_tubes")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_readings")),
        sa.UniqueConstraint("uid", name=op.f("uq_readings_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_readings_job_id"), "readings", ["job_id"], unique=False)
    op.create_index(op.f("ix_readings_tube_id"), "readings", ["tube_id"], unique=False)
    op.create_table(
        "treatments",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("tube_id", sa.Integer(), nullable=True),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("gun", sa.String(length=10), nullable=True),
        sa.Column("kind", sa.String(length=40), nullable=False),
        sa.Column("outcome", sa.String(length=20), nullable=True),
        sa.Column("note", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_treatments_job_id_jobs")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_treatments_person_id_people")),
        sa.ForeignKeyConstraint(["tube_id"], ["tubes.id"], name=op.f("fk_treatments_tube_id_tubes")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_treatments")),
        sa.UniqueConstraint("uid", name=op.f("uq_treatments_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_treatments_job_id"), "treatments", ["job_id"], unique=False)
    op.create_index(op.f("ix_treatments_tube_id"), "treatments", ["tube_id"], unique=False)
    op.create_table(
        "verdicts",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("case_json", sa.Text(), nullable=False),
        sa.Column("answer_json", sa.Text(), nullable=False),
        sa.Column("model_version", sa.Text(), nullable=False),
        sa.Column("seed", sa.String(length=40), nullable=False),
        sa.Column("decision", sa.Text(), server_default="", nullable=False),
        sa.Column("headline", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_verdicts_job_id_jobs")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_verdicts_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_verdicts")),
        sa.UniqueConstraint("uid", name=op.f("uq_verdicts_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_verdicts_job_id"), "verdicts", ["job_id"], unique=False)
    _let_history_only_grow()


def _let_history_only_grow() -> None:
    if op.get_bind().dialect.name == "sqlite":
        for verb in ("UPDATE", "DELETE"):
            op.execute(
                f"CREATE TRIGGER history_no_{verb.lower()} BEFORE {verb} ON history "
                "BEGIN SELECT RAISE(ABORT, 'history only grows'); END"
            )
        return
    op.execute(
        "CREATE FUNCTION history_only_grows() RETURNS trigger LANGUAGE plpgsql AS "
        "$$ BEGIN RAISE EXCEPTION 'history only grows'; END $$"
    )
    op.execute(
        "CREATE TRIGGER history_no_change BEFORE UPDATE OR DELETE OR TRUNCATE ON history "
        "FOR EACH STATEMENT EXECUTE FUNCTION history_only_grows()"
    )


def downgrade() -> None:
    """There is nothing before the first step; a backup is the way back."""
    raise NotImplementedError("restore a backup instead")
