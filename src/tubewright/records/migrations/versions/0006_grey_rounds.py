"""Readings of a grey scale, each with what was turned before it."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0006"
down_revision = "0005"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "grey_rounds",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("readings_json", sa.Text(), nullable=False),
        sa.Column("turned_json", sa.Text(), nullable=False),
        sa.Column("retrace_seen", sa.Boolean(), nullable=False),
        sa.Column("white", sa.String(length=40), nullable=False),
        sa.Column("kind", sa.String(length=10), nullable=False),
        sa.Column("peak_cd_m2", sa.Float(), nullable=True),
        sa.Column("swing_v", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), server_default="", nullable=False),
        sa.CheckConstraint("kind IN ('inline', 'delta', 'broadcast')", name=op.f("ck_grey_rounds_kind")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_grey_rounds_job_id_jobs")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_grey_rounds_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_grey_rounds")),
        sa.UniqueConstraint("uid", name=op.f("uq_grey_rounds_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_grey_rounds_job_id"), "grey_rounds", ["job_id"], unique=False)


def downgrade() -> None:
    """Readings would be lost; a backup is the way back."""
    raise NotImplementedError("restore a backup instead")
