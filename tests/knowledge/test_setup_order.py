"""The order of setting up: whole for either arrangement of guns, and every control in it known."""

from __future__ import annotations

import pytest

from tubewright.answers.advise import usual_controls
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE = load_knowledge()


@pytest.mark.parametrize("gun", ["inline", "delta"])
def test_the_order_counts_from_warming_up_to_the_last_look(gun: str) -> None:
    places = sorted(step.place for step in KNOWLEDGE.setup_steps.values() if step.guns in {"both", gun})
    assert places == list(range(1, 11))


@pytest.mark.parametrize("gun", ["inline", "delta"])
def test_every_control_that_is_advised_on_has_its_step(gun: str) -> None:
    named = {
        control for step in KNOWLEDGE.setup_steps.values() if step.guns in {"both", gun} for control in step.controls
    }
    assert usual_controls("delta" if gun == "delta" else "inline") <= named


def test_every_step_has_a_source() -> None:
    assert all(step.source in KNOWLEDGE.sources and step.why for step in KNOWLEDGE.setup_steps.values())
