"""What the tables are made of: their common columns, moments in UTC, and names that both databases give alike."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

from sqlalchemy import (
    CheckConstraint,
    Column,
    DateTime,
    Dialect,
    ForeignKey,
    Integer,
    MetaData,
    String,
    Table,
    Text,
    TypeDecorator,
)


class UtcTime(TypeDecorator[dt.datetime]):
    """A moment: only times that know their zone go in, and UTC comes out."""

    impl = DateTime(timezone=True)
    cache_ok = True

    def process_bind_param(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:
        """Turn a moment into what the database stores."""
        if value is None:
            return None
        if value.tzinfo is None:
            raise ValueError(f"a time without its zone can't be stored: {value.isoformat()}")
        moment = value.astimezone(dt.UTC)
        return moment.replace(tzinfo=None) if dialect.name == "sqlite" else moment

    def process_result_value(self, value: dt.datetime | None, dialect: Dialect) -> dt.datetime | None:  # noqa: ARG002 - the base class sets the form
        """Turn what the database stored into a moment."""
        if value is None:
            return None
        return value.replace(tzinfo=dt.UTC) if value.tzinfo is None else value.astimezone(dt.UTC)


NAMING: Final = {
    "ix": "ix_%(table_name)s_%(column_0_N_name)s",
    "uq": "uq_%(table_name)s_%(column_0_N_name)s",
    "ck": "ck_%(table_name)s_%(constraint_name)s",
    "fk": "fk_%(table_name)s_%(column_0_N_name)s_%(referred_table_name)s",
    "pk": "pk_%(table_name)s",
}
METADATA: Final = MetaData(naming_convention=NAMING)


def editable(name: str, *columns: Column[Any] | CheckConstraint) -> Table:
    """A table whose rows people edit."""
    return Table(
        name,
        METADATA,
        Column("id", Integer, primary_key=True),
        Column("uid", String(36), nullable=False, unique=True),
        Column("version", Integer, nullable=False),
        *columns,
        sqlite_autoincrement=True,
    )


def words(name: str) -> Column[str]:
    """A column of a person's own words; empty where nothing was written."""
    return Column(name, Text, nullable=False, server_default="")


def link(name: str, target: str, *, needed: bool = True) -> Column[int]:
    """A column that points to a row of another table."""
    return Column(name, Integer, ForeignKey(f"{target}.id"), nullable=not needed)
