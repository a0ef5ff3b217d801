"""The chassis of a display, the faults that a job came to, and what was confirmed before each step."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0004"
down_revision = "0003"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("displays", sa.Column("chassis", sa.String(length=80), nullable=True))
    op.create_table(
        "repairs",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("fault", sa.String(length=80), nullable=False),
        sa.Column("outcome", sa.String(length=10), nullable=False),
        sa.Column("minutes", sa.Float(), nullable=True),
        sa.Column("note", sa.Text(), server_default="", nullable=False),
        sa.CheckConstraint("outcome IN ('found', 'mended', 'excluded')", name=op.f("ck_repairs_outcome")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_repairs_job_id_jobs")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_repairs_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_repairs")),
        sa.UniqueConstraint("uid", name=op.f("uq_repairs_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_repairs_job_id"), "repairs", ["job_id"], unique=False)
    op.create_table(
        "confirmations",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("step_sort", sa.String(length=10), nullable=False),
        sa.Column("step", sa.String(length=80), nullable=False),
        sa.Column("caution", sa.String(length=80), nullable=False),
        sa.Column("words", sa.Text(), nullable=False),
        sa.CheckConstraint("step_sort IN ('test', 'repair', 'treatment')", name=op.f("ck_confirmations_step_sort")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_confirmations_job_id_jobs")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_confirmations_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_confirmations")),
        sa.UniqueConstraint("uid", name=op.f("uq_confirmations_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_confirmations_job_id"), "confirmations", ["job_id"], unique=False)


def downgrade() -> None:
    """Repairs and confirmations would be lost; a backup is the way back."""
    raise NotImplementedError("restore a backup instead")
