"""Reads the reference tables of this room; each row names its source."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Final

REFERENCE: Final = Path(__file__).parents[1] / "reference"


def table(name: str) -> list[dict[str, str]]:
    """The rows of one table in ``tests/reference``, as text."""
    with (REFERENCE / name).open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert all(row["source"] for row in rows), f"{name}: a row without its source"
    return rows
