"""What was chosen for setting a job's display up: one row for a job, instead of a cookie in each browser."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0007"
down_revision = "0006"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "setup_choices",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("tolerance", sa.String(length=10), server_default="", nullable=False),
        sa.Column("opening_width_mm", sa.Float(), nullable=True),
        sa.Column("opening_height_mm", sa.Float(), nullable=True),
        sa.Column("at_once", sa.Integer(), nullable=True),
        sa.Column("since_measurement_id", sa.Integer(), nullable=True),
        sa.Column("on_since", sa.DateTime(timezone=True), nullable=True),
        sa.CheckConstraint(
            "tolerance IN ('', 'arcade', 'delta', 'broadcast')", name=op.f("ck_setup_choices_tolerance")
        ),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_setup_choices_job_id_jobs")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_setup_choices_person_id_people")),
        sa.ForeignKeyConstraint(
            ["since_measurement_id"],
            ["measurements.id"],
            name=op.f("fk_setup_choices_since_measurement_id_measurements"),
        ),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_setup_choices")),
        sa.UniqueConstraint("uid", name=op.f("uq_setup_choices_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_setup_choices_job_id"), "setup_choices", ["job_id"], unique=True)
    op.create_index(
        op.f("ix_setup_choices_since_measurement_id"), "setup_choices", ["since_measurement_id"], unique=False
    )


def downgrade() -> None:
    """Choices would be lost; a backup is the way back."""
    raise NotImplementedError("restore a backup instead")
