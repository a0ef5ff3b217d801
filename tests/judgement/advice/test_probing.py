"""First moves: large enough to be told, as the best of many tried ones is, and no larger than the picture bears."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from setup_session import KNOWLEDGE, Session, bench_with, controls
from tubewright.judgement.advice.effects import effects_of
from tubewright.judgement.advice.modes import INDEX, MODES, Observation
from tubewright.judgement.advice.plan import plan
from tubewright.judgement.advice.probing import probe_sizes
from tubewright.judgement.advice.response import Belief, first_belief
from tubewright.picture.results import Unsupported
from tubewright.simulate.display import Misconvergence, Shape

NONE = Unsupported(reason="not looked at", would_settle="nothing")


def one_figure(mode: str, sd: float) -> Observation:
    row = np.zeros((1, len(MODES)))
    row[0, INDEX[mode]] = 1
    return Observation(value=np.zeros(1), rows=row, cov=np.array([[sd**2]]), folded=(), landing=NONE, singles={})


def left_over(size: float, error: float, sd: float, gain_sd: float, rng: np.random.Generator) -> float:
    """Mean square left after a first move of a size, a photograph, and the amount that this asks for, by trying."""
    hand = KNOWLEDGE.value("advice_hand_sd_ratio")
    gain = gain_sd * rng.choice([-1, 1], 4000) * np.exp(rng.normal(0, 0.35, 4000))
    stands = error + gain * size * (1 + hand * rng.standard_normal(4000))
    seen = stands + sd * rng.standard_normal(4000)
    step = seen - error
    told = step * size / (size**2 + ((sd / gain_sd) ** 2 + (hand * size) ** 2))
    amount = -seen * told / (told**2 + (sd / size) ** 2 + (hand * told) ** 2)
    return float(np.mean((stands + gain * amount * (1 + hand * rng.standard_normal(4000))) ** 2))


@pytest.mark.parametrize(("error", "sd"), [(6.0, 0.3), (4.0, 0.6), (9.0, 0.6), (5.0, 1.0)])
def test_a_first_move_is_about_as_large_as_the_best_of_many_tried(error: float, sd: float) -> None:
    effects = effects_of(["h_position"], KNOWLEDGE)
    start = first_belief(effects)
    mean, cov = start.mean.copy(), start.cov.copy()
    mode = INDEX["shift_x_mm"]
    mean[mode], cov[mode, mode] = error, sd**2
    belief = Belief(effects=effects, mean=mean, cov=cov)
    size = probe_sizes(belief, one_figure("shift_x_mm", sd), [0], np.zeros(1), KNOWLEDGE)[0]
    gain_sd = float(effects.sd[0])
    tried = np.linspace(0.125, 0.3125, 16)  # as far as first moves go
    best = min(left_over(one, error, sd, gain_sd, np.random.default_rng(5)) for one in tried)
    ours = left_over(size, error, sd, gain_sd, np.random.default_rng(5))
    assert ours <= 1.25 * best


def test_worse_photographs_ask_for_larger_first_moves() -> None:
    sizes = []
    for factor in (0.5, 1.0, 2.0):
        bench = bench_with(2, shape=Shape(shift_y_mm=7.0))
        bench.noise = replace(bench.noise, overscan_pct=0.3 * factor, size_ratio=0.002 * factor)
        sizes.append({move.control: move.value for move in Session(bench).plan().moves}["v_position"])
    assert sizes == sorted(sizes)


@pytest.mark.parametrize("apart", [0.8, 1.4, 1.9])
def test_the_nearer_to_unreadable_the_smaller_are_first_moves_of_convergence(apart: float) -> None:
    def probe(readable_ratio: float) -> float:
        session = Session(bench_with(2, misconvergence=Misconvergence(four_pole_mm=(apart, 0.0))))
        course = replace(session.course(), readable_mm=readable_ratio * apart)
        return sum(abs(move.value) for move in plan(course, KNOWLEDGE).moves if move.control == "four_pole_rings")

    assert probe(1.05) < probe(1.6) <= probe(10.0)


def test_after_a_photograph_that_could_not_be_read_all_goes_back_and_is_tried_by_half() -> None:
    session = Session(bench_with(5, misconvergence=Misconvergence(four_pole_mm=(1.2, 0.5))))
    first = session.plan()
    session.obey(first)
    parts = ("scale", "convergence", "geometry", "top_curl", "focus", "purity")
    unread: dict[str, Any] = dict.fromkeys(parts, NONE)
    session.measured[-1] = replace(session.measured[-1], accepted=False, **unread)
    back = session.plan()
    assert back.state == "unmeasured"
    assert {move.sort for move in back.moves} == {"undo"}
    assert set(controls(back)) == set(controls(first))
    session.obey(back)
    again = session.plan()
    assert again.state == "go_on"
    sizes = [
        next(abs(one.value) for one in found.moves if one.control == "four_pole_rings") for found in (first, again)
    ]
    assert sizes[1] < 0.75 * sizes[0]
