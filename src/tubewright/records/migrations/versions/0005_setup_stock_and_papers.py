"""More of a treatment, moves of controls, the stock, the shop's settings and papers, and what phones send."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op
from sqlalchemy.schema import SchemaItem

revision = "0005"
down_revision = "0004"
branch_labels = None
depends_on = None

STEP_SORTS = "step_sort IN ('test', 'repair', 'treatment', 'control')"


def upgrade() -> None:
    op.add_column("treatments", sa.Column("minutes", sa.Float(), nullable=True))
    op.add_column("treatments", sa.Column("seen", sa.Text(), server_default="", nullable=False))
    op.add_column("treatments", sa.Column("plan_step", sa.String(length=120), server_default="", nullable=False))
    _confirm_controls()
    _moves()
    _stock()
    _papers()
    _phones()


def _confirm_controls() -> None:
    """Let a move of a control be confirmed as the other steps are."""
    if op.get_bind().dialect.name != "sqlite":
        op.drop_constraint(op.f("ck_confirmations_step_sort"), "confirmations", type_="check")
        op.create_check_constraint(op.f("ck_confirmations_step_sort"), "confirmations", STEP_SORTS)
        return
    # SQLite can't change a constraint: the table is made anew under another name, which then becomes its own.
    columns: list[sa.Column[Any]] = [
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
    ]
    names = ", ".join(column.name for column in columns)
    op.create_table(
        "confirmations_now",
        *columns,
        sa.CheckConstraint(STEP_SORTS, name=op.f("ck_confirmations_step_sort")),
        sa.ForeignKeyConstraint(["job_id"], ["jobs.id"], name=op.f("fk_confirmations_job_id_jobs")),
        sa.ForeignKeyConstraint(["person_id"], ["people.id"], name=op.f("fk_confirmations_person_id_people")),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_confirmations")),
        sa.UniqueConstraint("uid", name=op.f("uq_confirmations_uid")),
        sqlite_autoincrement=True,
    )
    op.execute(f"INSERT INTO confirmations_now ({names}) SELECT {names} FROM confirmations")  # noqa: S608 - our own names
    # Ids are never used again, not even those of rows that are gone.
    op.execute("DELETE FROM sqlite_sequence WHERE name = 'confirmations_now'")
    op.execute(
        "INSERT INTO sqlite_sequence (name, seq) "
        "SELECT 'confirmations_now', seq FROM sqlite_sequence WHERE name = 'confirmations'"
    )
    op.drop_table("confirmations")
    op.rename_table("confirmations_now", "confirmations")
    op.create_index(op.f("ix_confirmations_job_id"), "confirmations", ["job_id"], unique=False)


def _editable(name: str, *columns: sa.Column[Any]) -> list[SchemaItem]:
    """The columns and constraints that every table of the history has."""
    return [
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("uid", sa.String(length=36), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        *columns,
        sa.PrimaryKeyConstraint("id", name=op.f(f"pk_{name}")),
        sa.UniqueConstraint("uid", name=op.f(f"uq_{name}_uid")),
    ]


def _link(table: str, column: str, target: str) -> sa.ForeignKeyConstraint:
    return sa.ForeignKeyConstraint([column], [f"{target}.id"], name=op.f(f"fk_{table}_{column}_{target}"))


def _moves() -> None:
    op.create_table(
        "control_moves",
        *_editable(
            "control_moves",
            sa.Column("job_id", sa.Integer(), nullable=False),
            sa.Column("person_id", sa.Integer(), nullable=True),
            sa.Column("at", sa.DateTime(timezone=True), nullable=False),
            sa.Column("control", sa.String(length=80), nullable=False),
            sa.Column("part", sa.String(length=80), server_default="", nullable=False),
            sa.Column("amount", sa.Float(), nullable=True),
            sa.Column("unit", sa.String(length=10), nullable=False),
            sa.Column("direction", sa.String(length=40), server_default="", nullable=False),
            sa.Column("tabs_mm", sa.Float(), nullable=True),
            sa.Column("angle_deg", sa.Float(), nullable=True),
            sa.Column("after_measurement_id", sa.Integer(), nullable=True),
            sa.Column("undone", sa.Boolean(), nullable=False),
            sa.Column("wrong_way", sa.Boolean(), nullable=False),
            sa.Column("at_stop", sa.Boolean(), nullable=False),
            sa.Column("note", sa.Text(), server_default="", nullable=False),
        ),
        _link("control_moves", "job_id", "jobs"),
        _link("control_moves", "person_id", "people"),
        _link("control_moves", "after_measurement_id", "measurements"),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_control_moves_job_id"), "control_moves", ["job_id"], unique=False)
    op.create_index(
        op.f("ix_control_moves_after_measurement_id"), "control_moves", ["after_measurement_id"], unique=False
    )


def _stock() -> None:
    op.create_table(
        "stock_items",
        *_editable(
            "stock_items",
            sa.Column("code", sa.String(length=20), nullable=False),
            sa.Column("sort", sa.String(length=10), nullable=False),
            sa.Column("name", sa.Text(), nullable=False),
            sa.Column("kind", sa.String(length=20), nullable=False),
            sa.Column("attributes_json", sa.Text(), nullable=False),
            sa.Column("quantity", sa.Integer(), nullable=False),
            sa.Column("minimum", sa.Integer(), nullable=False),
            sa.Column("place", sa.Text(), server_default="", nullable=False),
            sa.Column("cost", sa.Float(), nullable=True),
            sa.Column("currency", sa.String(length=3), nullable=True),
            sa.Column("supplier", sa.Text(), server_default="", nullable=False),
            sa.Column("tube_id", sa.Integer(), nullable=True),
            sa.Column("notes", sa.Text(), server_default="", nullable=False),
            sa.Column("reserved", sa.Integer(), server_default=sa.text("0"), nullable=False),
        ),
        sa.CheckConstraint("sort IN ('part', 'tube')", name=op.f("ck_stock_items_sort")),
        sa.CheckConstraint("quantity >= 0", name=op.f("ck_stock_items_quantity")),
        _link("stock_items", "tube_id", "tubes"),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_stock_items_code"), "stock_items", ["code"], unique=True)
    op.create_index(op.f("ix_stock_items_sort_id"), "stock_items", ["sort", "id"], unique=False)
    op.create_index(op.f("ix_stock_items_tube_id"), "stock_items", ["tube_id"], unique=False)
    op.create_table(
        "reservations",
        *_editable(
            "reservations",
            sa.Column("item_id", sa.Integer(), nullable=False),
            sa.Column("job_id", sa.Integer(), nullable=False),
            sa.Column("person_id", sa.Integer(), nullable=True),
            sa.Column("at", sa.DateTime(timezone=True), nullable=False),
            sa.Column("quantity", sa.Integer(), nullable=False),
            sa.Column("state", sa.String(length=10), nullable=False),
            sa.Column("cost", sa.Float(), nullable=True),
            sa.Column("currency", sa.String(length=3), nullable=True),
            sa.Column("note", sa.Text(), server_default="", nullable=False),
        ),
        sa.CheckConstraint("state IN ('reserved', 'used', 'released')", name=op.f("ck_reservations_state")),
        _link("reservations", "item_id", "stock_items"),
        _link("reservations", "job_id", "jobs"),
        _link("reservations", "person_id", "people"),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_reservations_job_id"), "reservations", ["job_id"], unique=False)
    op.create_index(op.f("ix_reservations_item_id_state"), "reservations", ["item_id", "state"], unique=False)


def _papers() -> None:
    op.create_table(
        "shop_settings",
        *_editable(
            "shop_settings",
            sa.Column("key", sa.String(length=40), nullable=False),
            sa.Column("value", sa.Text(), nullable=False),
        ),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_shop_settings_key"), "shop_settings", ["key"], unique=True)
    op.create_table(
        "papers",
        *_editable(
            "papers",
            sa.Column("job_id", sa.Integer(), nullable=False),
            sa.Column("person_id", sa.Integer(), nullable=True),
            sa.Column("at", sa.DateTime(timezone=True), nullable=False),
            sa.Column("sort", sa.String(length=10), nullable=False),
            sa.Column("number", sa.String(length=40), nullable=False),
            sa.Column("counter", sa.Integer(), nullable=True),
            sa.Column("body_json", sa.Text(), nullable=False),
            sa.Column("sha256", sa.String(length=64), nullable=True),
        ),
        sa.CheckConstraint("sort IN ('quote', 'bill', 'customer', 'bench')", name=op.f("ck_papers_sort")),
        _link("papers", "job_id", "jobs"),
        _link("papers", "person_id", "people"),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_papers_job_id"), "papers", ["job_id"], unique=False)
    op.create_index(op.f("ix_papers_sort_counter"), "papers", ["sort", "counter"], unique=True)
    counters = op.create_table(
        "paper_counters",
        sa.Column("sort", sa.String(length=10), nullable=False),
        sa.Column("last", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("sort", name=op.f("pk_paper_counters")),
    )
    op.bulk_insert(counters, [{"sort": sort, "last": 0} for sort in ("quote", "bill", "customer", "bench")])


def _phones() -> None:
    op.create_table(
        "pairings",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("name", sa.Text(), nullable=False),
        sa.Column("secret_sha256", sa.String(length=64), nullable=False),
        sa.Column("session_sha256", sa.String(length=64), nullable=True),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("expires_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("used_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("last_seen_at", sa.DateTime(timezone=True), nullable=True),
        sa.Column("revoked_at", sa.DateTime(timezone=True), nullable=True),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_pairings")),
        sa.UniqueConstraint("secret_sha256", name=op.f("uq_pairings_secret_sha256")),
        sa.UniqueConstraint("session_sha256", name=op.f("uq_pairings_session_sha256")),
        sqlite_autoincrement=True,
    )
    op.create_table(
        "sent_once",
        sa.Column("key", sa.String(length=120), nullable=False),
        sa.Column("pairing_id", sa.Integer(), nullable=True),
        sa.Column("at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("what", sa.String(length=120), nullable=False),
        sa.Column("answer_json", sa.Text(), nullable=False),
        _link("sent_once", "pairing_id", "pairings"),
        sa.PrimaryKeyConstraint("key", name=op.f("pk_sent_once")),
    )
    op.create_index(op.f("ix_sent_once_at"), "sent_once", ["at"], unique=False)
    op.create_table(
        "uploads",
        sa.Column("id", sa.Integer(), nullable=False),
        sa.Column("key", sa.String(length=120), nullable=False),
        sa.Column("pairing_id", sa.Integer(), nullable=True),
        sa.Column("job_id", sa.Integer(), nullable=False),
        sa.Column("file_name", sa.Text(), nullable=False),
        sa.Column("size", sa.Integer(), nullable=False),
        sa.Column("sha256", sa.String(length=64), nullable=True),
        sa.Column("received", sa.Integer(), nullable=False),
        sa.Column("state", sa.String(length=10), nullable=False),
        sa.Column("made_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("changed_at", sa.DateTime(timezone=True), nullable=False),
        sa.Column("photo_id", sa.Integer(), nullable=True),
        sa.CheckConstraint("state IN ('open', 'done', 'dropped')", name=op.f("ck_uploads_state")),
        _link("uploads", "pairing_id", "pairings"),
        sa.PrimaryKeyConstraint("id", name=op.f("pk_uploads")),
        sa.UniqueConstraint("key", name=op.f("uq_uploads_key")),
        sqlite_autoincrement=True,
    )
    op.create_index(op.f("ix_uploads_state_changed_at"), "uploads", ["state", "changed_at"], unique=False)
    op.create_table(
        "upload_chunks",
        sa.Column("upload_id", sa.Integer(), nullable=False),
        sa.Column("offset", sa.Integer(), nullable=False),
        sa.Column("data", sa.LargeBinary(), nullable=False),
        sa.PrimaryKeyConstraint("upload_id", "offset", name=op.f("pk_upload_chunks")),
    )


def downgrade() -> None:
    """Stock, papers and moves would be lost; a backup is the way back."""
    raise NotImplementedError("restore a backup instead")
