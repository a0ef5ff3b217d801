"""Photographs and readings over a line that breaks: a short run; the long one is a tool of its own."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Final

import pytest

TOOL: Final = Path(__file__).parents[2] / "tools" / "soak_uploads.py"


@pytest.fixture(scope="module")
def soak() -> ModuleType:
    spec = importlib.util.spec_from_file_location("soak_uploads", TOOL)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["soak_uploads"] = module
    spec.loader.exec_module(module)
    return module


def test_ten_of_each_arrive_once_and_whole_over_a_line_that_breaks(soak: ModuleType) -> None:
    counts, wrong, words = soak.play(uploads=10, readings=10, seed=3)
    assert wrong == []
    assert words == "10 of 10 photographs arrived once and whole; 10 of 10 readings stored once"
    # It was no quiet day: without these the run shows nothing.
    assert counts.cut["to the bench"] > 5
    assert counts.cut["to the phone"] > 5
    assert counts.died + counts.restarts > 0
