"""Closed loop: the advice alone sets up drawn displays and leaves none worse. The long run is a tool of its own."""

from __future__ import annotations

import importlib
import sys
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any, Final

import pytest

from tubewright.knowledge.load import load_knowledge

TOOLS: Final = Path(__file__).parents[2] / "tools"
KNOWLEDGE: Final = load_knowledge()


@pytest.fixture(scope="module")
def soak() -> Iterator[ModuleType]:
    before = list(sys.path)
    sys.path.insert(0, str(TOOLS))
    yield importlib.import_module("soak_setup")
    sys.path[:] = before


@pytest.mark.parametrize("seed", [101, 102, 104])
def test_advice_alone_brings_a_display_and_its_greys_within_tolerance(soak: ModuleType, seed: int) -> None:
    played = soak.sound(seed, wrong_way=0.0)
    assert played.state in {"done", "within_doubt"}
    assert played.grey_state in {"done", "settled"}
    assert played.rounds <= soak.AIM_WORST
    assert played.after <= 0.1 < played.before
    assert played.all_after < played.all_before
    assert not played.worse


def test_a_dead_control_ends_the_advice_and_the_display_is_no_worse(soak: ModuleType) -> None:
    played = soak.faulty(104, wrong_way=0.0, grey=False)
    assert played.rounds < 12
    assert not played.worse


def test_a_display_that_comes_back_is_sooner_in_order_with_what_it_taught(soak: ModuleType) -> None:
    options: dict[str, Any] = {"wrong_way": 0.0, "grey": False}
    rounds = dict.fromkeys(("anew", "with gains"), 0)
    for seed in (111, 112, 113):
        for what in rounds:
            # The first job is played again for each: a display that comes back is the one that was left.
            left = soak.sound(seed, **options).left
            assert left.gains
            known = left if what == "with gains" else replace(left, gains={})
            rounds[what] += soak.sound(seed, **options, again=1, known=known).rounds
    assert rounds["with gains"] < rounds["anew"]


def test_the_report_names_a_display_left_worse(soak: ModuleType, capsys: pytest.CaptureFixture[str]) -> None:
    worse = soak.Played(
        seed=7, state="done", rounds=2, controls=3, before=1.0, after=2.0, all_before=9, all_after=16, worst="x"
    )
    assert worse.worse
    assert not soak.report([worse], "Made up")
    assert "left worse than they came: 1 [7]" in capsys.readouterr().out
