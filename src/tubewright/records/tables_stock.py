"""Tables of what the shop has and sends: parts and tubes in stock, its settings, its papers."""

from __future__ import annotations

from typing import Final

from sqlalchemy import CheckConstraint, Column, Float, Index, Integer, String, Table, Text, text

from tubewright.records.columns import METADATA, UtcTime, editable, link, words

stock_items: Final = editable(
    "stock_items",
    Column("code", String(20), nullable=False),
    Column("sort", String(10), nullable=False),
    CheckConstraint("sort IN ('part', 'tube')", name="sort"),
    Column("name", Text, nullable=False),
    Column("kind", String(20), nullable=False),
    Column("attributes_json", Text, nullable=False),
    Column("quantity", Integer, nullable=False),
    CheckConstraint("quantity >= 0", name="quantity"),
    Column("minimum", Integer, nullable=False),
    words("place"),
    Column("cost", Float),
    Column("currency", String(3)),
    words("supplier"),
    link("tube_id", "tubes", needed=False),
    words("notes"),
    # Derived: how many of it jobs have reserved and not yet used.
    Column("reserved", Integer, nullable=False, server_default=text("0")),
)

reservations: Final = editable(
    "reservations",
    link("item_id", "stock_items"),
    link("job_id", "jobs"),
    link("person_id", "people", needed=False),
    Column("at", UtcTime, nullable=False),
    Column("quantity", Integer, nullable=False),
    Column("state", String(10), nullable=False),
    CheckConstraint("state IN ('reserved', 'used', 'released')", name="state"),
    # As it was when it was reserved: what a job cost stays what it was.
    Column("cost", Float),
    Column("currency", String(3)),
    words("note"),
)

shop_settings: Final = editable(
    "shop_settings", Column("key", String(40), nullable=False), Column("value", Text, nullable=False)
)
"""What the shop says of itself: one row for each thing that was set."""

papers: Final = editable(
    "papers",
    link("job_id", "jobs"),
    link("person_id", "people", needed=False),
    Column("at", UtcTime, nullable=False),
    Column("sort", String(10), nullable=False),
    CheckConstraint("sort IN ('quote', 'bill', 'customer', 'bench')", name="sort"),
    Column("number", String(40), nullable=False),
    # None for a paper of another shop, which has no part in the count here.
    Column("counter", Integer),
    # What it said, so that it can be printed again word for word.
    Column("body_json", Text, nullable=False),
    Column("sha256", String(64)),
)

paper_counters: Final = Table(
    "paper_counters",
    METADATA,
    Column("sort", String(10), primary_key=True),
    Column("last", Integer, nullable=False),
)
"""The last number given to each sort of paper, outside the history: one that was taken back is not given again."""

Index("ix_stock_items_code", stock_items.c.code, unique=True)
Index(None, stock_items.c.sort, stock_items.c.id)
Index(None, stock_items.c.tube_id)
Index(None, reservations.c.job_id)
Index(None, reservations.c.item_id, reservations.c.state)
Index("ix_shop_settings_key", shop_settings.c.key, unique=True)
Index(None, papers.c.job_id)
Index("ix_papers_sort_counter", papers.c.sort, papers.c.counter, unique=True)
