"""The page on how it decides names constants that exist, with the values they have."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Final

import pytest

from tubewright.knowledge.load import load_knowledge

ROOT: Final = Path(__file__).parents[1]
PAGE: Final = (ROOT / "docs" / "model.md").read_text(encoding="utf-8")
NOT_CONSTANTS: Final = frozenset({"code", "remarks", "own_share", "shortfall_seen"})
"""Words set as code that are no ids: a sample, fields of the answer, and a kind of reading."""


def code_words() -> set[str]:
    """Plain words set as code, rooms of the house aside."""
    rooms = {path.stem for path in (ROOT / "src" / "tubewright" / "judgement").glob("*.py")}
    prose = re.sub(r"^```.*?^```", "", PAGE, flags=re.MULTILINE | re.DOTALL)
    return set(re.findall(r"`([a-z][a-z0-9_]*)`", prose)) - rooms - NOT_CONSTANTS


def rows() -> list[tuple[str, str]]:
    """Rows of the tables that give values: the figures as text, and the ids beside them."""
    found = re.findall(r"^\|[^|\n]+\| ([0-9][^|\n]*) \| (`[^|\n]+`) \|$", PAGE, flags=re.MULTILINE)
    return [(str(values), str(ids)) for values, ids in found]


@pytest.mark.parametrize("name", sorted(code_words()))
def test_a_constant_named_on_the_page_exists(name: str) -> None:
    assert name in load_knowledge().constants


def test_the_page_names_constants() -> None:
    assert len(code_words()) > 25
    assert len(rows()) > 12


@pytest.mark.parametrize(("values", "ids"), rows())
def test_a_value_on_the_page_is_the_one_in_use(values: str, ids: str) -> None:
    shown = [float(value) for value in re.findall(r"[0-9][0-9.]*(?:e-?[0-9]+)?", values)]
    names = re.findall(r"`([a-z0-9_]+)`", ids)
    knowledge = load_knowledge()
    # A row may name a second constant whose value stands elsewhere; each figure shown belongs to a name.
    assert shown == pytest.approx([knowledge.value(name) for name in names[: len(shown)]])
