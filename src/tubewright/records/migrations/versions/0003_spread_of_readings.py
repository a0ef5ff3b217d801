"""A reading's own spread, for what a photograph tells."""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op

revision = "0003"
down_revision = "0002"
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.add_column("readings", sa.Column("spread", sa.Float(), nullable=True))


def downgrade() -> None:
    """The spreads would be lost; a backup is the way back."""
    raise NotImplementedError("restore a backup instead")
