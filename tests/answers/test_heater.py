"""A heater's supply, in figures and in words that agree."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.answers.heater import (
    SHAPES,
    HeaterAnswer,
    dropping_resistor,
    pulsed_supply,
    sampled_supply,
    winding_turns,
)
from tubewright.errors import InputError
from tubewright.knowledge.load import load_knowledge

VOLTS = st.floats(0.5, 50)


def rms(height: float = 22.28, width: float = 12.0, line: float = 15.734) -> HeaterAnswer:
    return pulsed_supply("half_sine", height_v=height, width_us=width, line_khz=line, ac_coupled=True)


ALL = [
    rms(),
    sampled_supply([0.0, 1.0, 0.0], [0.0, 1.0, 2.0], ac_coupled=False),
    dropping_resistor(source_v=7.4, target_v=6.3, current_a=0.6),
    winding_turns(target_v=6.3, trial_v=4.2, trial_turns=3),
]


@pytest.mark.parametrize("answer", ALL, ids=["pulses", "samples", "resistor", "turns"])
def test_every_caution_is_known_and_anode_and_law_are_among_them(answer: HeaterAnswer) -> None:
    known = load_knowledge().cautions
    assert set(answer.cautions) <= set(known)
    assert {"local_rules", "anode_charge", "recharge"} <= set(answer.cautions)
    assert answer.hazard.startswith("H3")


@pytest.mark.parametrize("shape", SHAPES)
def test_pulses_agree_with_their_samples(shape: str) -> None:
    """One line of each shape, sampled finely, heats as the formula says."""
    period_s, width_s, many = 64e-6, 12e-6, 64_000
    times = [period_s * i / many for i in range(many + 1)]

    def at(t: float) -> float:
        if t >= width_s:
            return 0.0
        part = t / width_s
        return {"half_sine": math.sin(math.pi * part), "rectangle": 1.0, "triangle": 1 - abs(2 * part - 1)}[shape]

    chosen = next(s for s in SHAPES if s == shape)
    for coupled in (True, False):
        sampled = sampled_supply([20 * at(t) for t in times], times, ac_coupled=coupled)
        told = pulsed_supply(chosen, height_v=20, width_us=12, line_khz=15.625, ac_coupled=coupled)
        assert told.figures["rms_v"] == pytest.approx(sampled.figures["rms_v"], rel=1e-3)


@given(source=VOLTS, target=VOLTS, current=st.floats(0.05, 2))
def test_a_resistor_leaves_the_target_and_is_rated_above_its_heat(source: float, target: float, current: float) -> None:
    if source < target:
        with pytest.raises(InputError, match="no resistor raises a voltage"):
            dropping_resistor(source_v=source, target_v=target, current_a=current)
        return
    found = dropping_resistor(source_v=source, target_v=target, current_a=current).figures
    assert source - current * found["resistance_ohm"] == pytest.approx(target)
    assert found["rating_w"] >= found["dissipation_w"]


@given(target=VOLTS, trial=VOLTS, turns=st.integers(1, 12))
def test_the_turns_to_wind_never_exceed_the_target(target: float, trial: float, turns: int) -> None:
    answer = winding_turns(target_v=target, trial_v=trial, trial_turns=turns)
    found = answer.figures
    assert found["whole_turns_v"] <= target * (1 + 1e-9)
    assert (found["whole_turns"] + 1) * trial / turns > target * (1 - 1e-9)
    assert found["whole_turns_v"] + found["short_by_v"] == pytest.approx(target)
    assert re.search(rf"wind {found['whole_turns']:.0f}, which", answer.words)
    assert (" short of it" in answer.words) == (found["short_by_v"] >= 0.005)


def test_words_hold_the_figures() -> None:
    assert rms().words == "True RMS: 6.30 V. An AC meter that averages would show 4.87 V."
    assert "1.8 ohm" in ALL[2].words
    assert "wind 4, which give 5.60 V, 0.70 V short of it" in ALL[3].words


@pytest.mark.parametrize(
    ("ask", "where"),
    [
        (lambda: rms(height=0, line=-1), ["height", "line"]),
        (lambda: rms(width=100), ["width"]),
        (lambda: rms(width=math.nan), ["width"]),
        (lambda: sampled_supply([1.0, 2.0], [1.0, 1.0], ac_coupled=False), ["samples"]),
        (lambda: dropping_resistor(source_v=5, target_v=6.3, current_a=0.6), ["source"]),
        (lambda: dropping_resistor(source_v=0, target_v=0, current_a=0), ["source", "target", "current"]),
        (lambda: winding_turns(target_v=6.3, trial_v=0, trial_turns=0), ["trial", "trial_turns"]),
    ],
)
def test_what_does_not_fit_is_named(ask: Callable[[], HeaterAnswer], where: list[str]) -> None:
    with pytest.raises(InputError) as caught:
        ask()
    assert [fault.where for fault in caught.value.faults] == where
