"""The scores of the calibration report are right by hand-worked figures, and playing is fair."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any, Final

import numpy as np
import pytest

from tubewright.simulate.tube_truth import SimulatedTube, tracked, usable, white_in_set_truth
from tubewright.simulate.tube_visit import bench_visit, draw_box
from tubewright.simulate.tubes import draw_tube

TOOLS: Final = Path(__file__).parents[2] / "tools"


def _load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, TOOLS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


score: Any = _load("calibration_score")
play: Any = _load("calibration_play")
MINUTES: Final = dict.fromkeys(
    (
        "clean_contacts",
        "soak",
        "run_in",
        "short_boost",
        "clean",
        "activate",
        "clear_short",
        "isolate_heater",
        "boost_heater",
    ),
    30.0,
)

PLAYER: Final[Any] = play.Player(MINUTES, 1)


@pytest.fixture(scope="module")
def sound() -> SimulatedTube:
    rng = np.random.default_rng(50)
    while True:
        tube = draw_tube(rng)
        if usable(tube) and tube.elsewhere == "none" and white_in_set_truth(tube) > 0.8:
            owner = replace(
                tube.owner,
                bench_rate_per_hour=60.0,
                replacement_tube_price=100.0,
                replacement_display_price=500.0,
                parts_worth=20.0,
                keep_years=4.0,
                hours_per_week=5.0,
                minimum_white=0.4,
            )
            return tracked(replace(tube, owner=owner))


def test_coverage_counts_what_lies_inside() -> None:
    spread = (0.4, 0.5, 0.6)
    found = score.coverage("x", [spread, spread, spread, spread, None], [0.5, 0.6, 0.3, 0.9, 0.5])
    assert (found.count, found.unknown_count) == (4, 1)
    assert (found.inside, found.low_share, found.high_share) == (0.5, 0.25, 0.25)
    assert found.ratio_of_median == pytest.approx(1.1)  # the median of 1.0, 1.2, 0.6, 1.8
    assert found.relative_width == pytest.approx(0.4)
    assert score.coverage("x", [None], [1.0]) is None


def test_brier_score_by_hand() -> None:
    found = score.reliability("x", [0.9, 0.9, 0.2, 0.2], [True, False, False, False])
    assert found.brier == pytest.approx((0.01 + 0.81 + 0.04 + 0.04) / 4)
    assert found.base_brier == pytest.approx(0.25 * 0.75)
    assert found.skill_share == pytest.approx(1 - 0.225 / 0.1875)
    assert [(b.count, b.said_probability, b.came_share) for b in found.bins] == [(2, 0.2, 0.0), (2, 0.9, 0.5)]


def test_a_perfect_forecaster_has_all_the_skill_and_a_certain_one_falls_in_the_last_bin() -> None:
    found = score.reliability("x", [1.0, 0.0], [True, False])
    assert found.skill_share == 1
    assert len(found.bins) == 2
    with pytest.raises(ValueError, match="as many"):
        score.reliability("x", [0.5], [])
    assert score.reliability("x", [], []) is None


def test_wilson_against_a_published_example() -> None:
    """81 of 263: 0.2553 to 0.3662 at 95 % (Newcombe 1998); at 90 % the normal quantile is 1.6449 instead of 1.96."""
    low, high = score.wilson(81, 263)
    assert 0.2553 < low < 81 / 263 < high < 0.3662
    assert score.wilson(0, 0) == (0.0, 1.0)
    assert score.wilson(0, 10)[0] == 0


def test_a_year_costs_the_cheapest_replacement_over_the_years_wanted(sound: SimulatedTube) -> None:
    """Tube 100 and three hours at 60 make 280; display 500, half an hour less 20 of parts 510; over 4 years 70."""
    assert play.replacement_price(sound.owner, "swap_tube") == 280
    assert play.replacement_price(sound.owner, "replace_display") == 510
    assert play.price_of_a_year(sound.owner) == 70
    none = replace(sound.owner, replacement_tube_price=None, replacement_display_price=None)
    assert play.price_of_a_year(none) == 450 / 4


def test_a_lasting_tube_left_alone_costs_nothing_and_retiring_costs_all_the_years(sound: SimulatedTube) -> None:
    rng = np.random.default_rng(1)
    lines = PLAYER.lines(sound)
    cost, years = PLAYER.costs(sound, lines["leave"], rng, 40)
    assert np.median(years) > 4
    assert np.median(cost) == 0
    retired, gone = PLAYER.costs(sound, lines["retire"], rng, 3)
    assert retired == pytest.approx(np.full(3, 4 * 70 - 20))
    assert gone == pytest.approx(np.zeros(3))


def test_treating_is_charged_by_the_minute_and_swapping_in_full(sound: SimulatedTube) -> None:
    rng = np.random.default_rng(2)
    start = play.Course(sound, 0.0)
    assert PLAYER.step(start, "soak", ("red",), rng).spent == 30
    assert PLAYER.step(start, "find_fault_first", (), rng).spent == 20
    swapped = PLAYER.step(start, "swap_tube", (), rng)
    assert swapped.spent == 280
    assert swapped.tube.owner == sound.owner
    assert PLAYER.step(start, "leave", (), rng) is start


def test_a_chassis_fault_stays_when_only_the_tube_is_changed(sound: SimulatedTube) -> None:
    rng = np.random.default_rng(3)
    struck = replace(sound, elsewhere="g2_low", elsewhere_left_share=0.5)
    start = play.Course(struck, 0.0)
    assert PLAYER.step(start, "swap_tube", (), rng).tube.elsewhere == "g2_low"
    assert PLAYER.step(start, "replace_display", (), rng).tube.elsewhere == "none"


def test_the_oracle_is_offered_every_simple_rule_could_do(sound: SimulatedTube) -> None:
    names = set(PLAYER.lines(sound))
    assert {"leave", "swap_tube", "replace_display", "retire", "find_fault_first", "soak, clean, activate"} <= names


def test_the_lowest_reading_goes_by_the_reference(sound: SimulatedTube) -> None:
    rng = np.random.default_rng(4)
    box = draw_box(rng)
    low = replace(sound, wear_log=sound.wear_log + np.array([20.0, 0.0, 0.0]))
    first, second = (play.lowest_reading(bench_visit(t, rng, box=box, pins_cleaned=True)) for t in (sound, low))
    assert second < 0.25
    assert first > 0.5
