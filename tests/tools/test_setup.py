"""Closed loop: the advice alone sets up drawn displays and leaves none worse. The long run is a tool of its own."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path
from types import ModuleType
from typing import Final

import pytest

from tubewright.knowledge.load import load_knowledge

TOOL: Final = Path(__file__).parents[2] / "tools" / "soak_setup.py"
KNOWLEDGE: Final = load_knowledge()


@pytest.fixture(scope="module")
def soak() -> ModuleType:
    spec = importlib.util.spec_from_file_location("soak_setup", TOOL)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["soak_setup"] = module
    spec.loader.exec_module(module)
    return module


@pytest.mark.parametrize("seed", [101, 102, 103, 104])
def test_advice_alone_brings_a_display_within_tolerance(soak: ModuleType, seed: int) -> None:
    played = soak.play(seed, KNOWLEDGE, gun="delta" if seed == 104 else "inline", wrong_way=0.0)
    assert played.state in {"done", "within_doubt"}
    assert played.rounds < soak.MOST_ROUNDS
    assert played.after <= 0.1 < played.before
    assert played.all_after < played.all_before
    assert not played.worse


def test_a_dead_control_ends_the_advice_and_the_display_is_no_worse(soak: ModuleType) -> None:
    played = soak.play(103, KNOWLEDGE, dead=("four_pole_rings",))
    assert played.rounds < soak.MOST_ROUNDS
    assert not played.worse


def test_the_report_names_a_display_left_worse(soak: ModuleType, capsys: pytest.CaptureFixture[str]) -> None:
    worse = soak.Played(
        seed=7, state="done", rounds=2, controls=3, before=1.0, after=2.0, all_before=9, all_after=16, worst="x"
    )
    assert worse.worse
    assert not soak.report([worse], "Made up")
    assert "left worse than they came: 1 [7]" in capsys.readouterr().out
