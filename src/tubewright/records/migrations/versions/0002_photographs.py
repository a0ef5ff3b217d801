"""Photographs with what they hold, and what was measured from them."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0002"
down_revision = "0001"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_table(
        "photo_files",
        sa.Column("sha256", sa.String(length=64), nullable=False),
        sa.Column("media_type", sa.String(length=40), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("sha256", name=op.f("pk_photo_files")),
    )
    op.create_table(
        "measurements",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("person_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("stage", sa.String(length=10), nullable=True),
        sa.Column("accepted", sa.Boolean(), nullable=False),
        sa.Column("photos_json", sa.Text(), nullable=False),
        sa.Column("settings_json", sa.Text(), nullable=False),
        sa.Column("answer_json", sa.Text(), nullable=False),
        sa.Column("model_version", sa.Text(), nullable=False),
        sa.Column("overlay_sha256", sa.String(length=64), nullable=True),
        sa.Column("headline", sa.Text(), server_default="", nullable=False),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_measurements_job_id_jobs")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_measurements_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_measurements")),
        sa.UniqueConstraint("uid", name=op.f("uq_measurements_uid")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_measurements_job_id"), "measurements", ["job_id"], unique=False)
    op.add_column("photos", sa.Column("preview_sha256", sa.String(length=64), nullable=True))


def downgrade() -> None:
    """Photographs would be lost; a backup is the way back."""
    raise NotImplementedError("restore a backup instead")
