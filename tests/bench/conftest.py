"""Fixtures of the bench's tests."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from bench.benches import Visitor, empty_shop, new_store
from tubewright.records.store import Store


@pytest.fixture(scope="session")
def empty(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return empty_shop(tmp_path_factory.mktemp("empty"))


@pytest.fixture
def store(tmp_path: Path, empty: Path) -> Iterator[Store]:
    with new_store(tmp_path, empty) as opened:
        yield opened


@pytest.fixture
def visitor(store: Store) -> Visitor:
    return Visitor(store)
