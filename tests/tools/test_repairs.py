"""Simulated repairs are fair: the worlds keep the catalogue's figures, the clock charges everybody alike."""

from __future__ import annotations

import importlib.util
import json
import sys
from collections import Counter
from dataclasses import replace
from pathlib import Path
from types import ModuleType
from typing import Any, Final, TypeAlias

import numpy as np
import pytest

from tubewright.judgement.workplace import Workplace
from tubewright.knowledge.load import load_knowledge

World: TypeAlias = Any
"""A world of the tools, which are no package."""
TOOLS: Final = Path(__file__).parents[2] / "tools"
KNOWLEDGE: Final = load_knowledge()


def _load(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, TOOLS / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


world: Any = _load("repairs_world")
play: Any = _load("repairs_play")
report: Any = _load("repairs_report")
soak: Any = _load("soak_repairs")

TRUE: Final[Any] = world.true_world(KNOWLEDGE, 5)
SHIFTED: Final[Any] = world.shifted_world(KNOWLEDGE, 5)


@pytest.mark.parametrize("made", [TRUE, SHIFTED], ids=lambda w: w.name)
def test_twelve_repairs_come_to_their_end(made: World) -> None:
    """Six displays in each world: every fault behind the complaint is confirmed, and the time is paid."""
    for number in range(6):
        display = made.display(number)
        played = play.play(display, made, "ours", KNOWLEDGE)
        assert played.confirmed, played.course
        assert played.opened + played.tests == len(played.course)
        assert played.minutes >= played.tests
        assert played.hazard_minutes <= played.minutes
        assert all(0 <= p <= 1 for _, p, _ in played.guesses)


@pytest.mark.parametrize("policy", list(play.POLICIES))
def test_every_policy_ends_and_repeats_itself(policy: str) -> None:
    display = TRUE.display(3)
    first = play.play(display, TRUE, policy, KNOWLEDGE)
    assert first.confirmed
    assert first == play.play(display, TRUE, policy, KNOWLEDGE)


def test_ours_takes_less_than_opening_by_prior() -> None:
    """A coarse guard on a few repairs; the real comparison is run by hand over thousands."""
    sums = Counter[str]()
    for number in range(100, 108):
        for policy in ("ours", "prior order"):
            sums[policy] += play.play(TRUE.display(number), TRUE, policy, KNOWLEDGE).minutes
    assert sums["ours"] < 0.9 * sums["prior order"]


def test_a_display_is_the_same_each_time_and_told_of_something_a_fault_shows() -> None:
    for number in range(30):
        display = TRUE.display(number)
        assert display == TRUE.display(number)
        assert display.blamed
        assert display.blamed <= display.faults
        assert not set(display.present) & set(display.absent)


def test_faults_come_as_often_as_the_catalogue_says() -> None:
    """Among displays of a world, told of something: common faults are a little commoner than in all, none is lost."""
    wear = KNOWLEDGE.faults["tube_burn_in"].per_1000 / 1000
    share = np.mean(["tube_burn_in" in TRUE.display(n).faults for n in range(400)])
    assert wear < share < 2 * wear


def test_a_test_answers_alike_however_often_it_is_taken() -> None:
    display = TRUE.display(1)
    assert len({TRUE.result(display, "d_bplus") for _ in range(5)}) == 1


def shares(made: World, test: str, faults: frozenset[str], count: int = 4000) -> dict[str, float]:
    rng = np.random.default_rng(1)
    draw = made._pushed if made.pushes else made._weighed
    offered = [r for r in made.results[test] if not made._always_refined(r, made.results[test])]
    seen = Counter(draw(faults, offered, rng) for _ in range(count))
    return {name: n / count for name, n in seen.items()}


def test_a_result_comes_more_often_with_its_fault_by_its_factor() -> None:
    """p_fb_ring: the odds of damped against rings go up by what the catalogue says, within the luck of 4000 draws."""
    results = {r.id: r.odds_ratios.get("fb_shorted_turns", 1.0) for r in KNOWLEDGE.tests["p_fb_ring"].results}
    without, there = (shares(TRUE, "p_fb_ring", frozenset(f)) for f in ((), ("fb_shorted_turns",)))
    raised = (there["damped"] / there["rings"]) / (without["damped"] / without["rings"])
    assert raised == pytest.approx(results["damped"] / results["rings"], rel=0.25)


def test_a_fault_in_the_shifted_world_pushes_its_result() -> None:
    assert shares(SHIFTED, "p_fb_ring", frozenset({"fb_shorted_turns"}))["damped"] > 0.5


def test_the_shifted_world_is_off_by_the_stated_factor() -> None:
    """The logarithm of the odds of all links is spread by that of the factor, and no sure thing stays sure."""
    apart = []
    for fault, shown in SHIFTED.links.items():
        for symptom, link in shown.items():
            was = min(KNOWLEDGE.faults[fault].shows[symptom], 0.98)
            apart.append(np.log(link / (1 - link)) - np.log(was / (1 - was)))
    assert np.mean(apart) == pytest.approx(0, abs=0.1)
    assert np.std(apart) == pytest.approx(np.log(2), rel=0.1)
    for test in KNOWLEDGE.tests.values():
        for mine, theirs in zip(SHIFTED.results[test.id], test.results, strict=True):
            for fault, ratio in theirs.odds_ratios.items():
                assert (mine.ratios[fault] > 1) is (ratio > 1)


def test_the_clock_by_hand() -> None:
    """Closed set, then B+ (running, open): 4 to open, 10 to prove, 4 to hook up, 3 and 1 for the test."""
    display = TRUE.display(3)
    played = play.Played(display=3, world="true", policy="x")
    bench = play._Play(display, TRUE, KNOWLEDGE, played, Workplace())
    bench.test("d_bplus")
    assert played.minutes == 4 + 10 + 4 + 3 + 1
    assert bench.workplace == Workplace(cover_open=True, running=True)
    bench.test("d_cathodes")
    assert played.minutes == 22 + 4 + 1
    # A joint at the neck board: prove, take out, half of 20 minutes, put back, switch on.
    bench.open("neck_board_joint")
    assert played.minutes == 27 + 10 + 8 + 10 + 8 + 2
    assert played.hazard_minutes == 10 + 4 + 4 + 5 + 10 + 10 + 2


def test_a_wrong_part_is_paid_for_and_never_tried_again() -> None:
    display = TRUE.display(3)
    played = play.Played(display=3, world="true", policy="x")
    bench = play._Play(display, TRUE, KNOWLEDGE, played, Workplace())
    assert "fb_case_arc" not in display.faults
    bench.open("fb_case_arc")
    assert played.parts_price == 20.0
    state = bench.state()
    assert state.posteriors[state.evidence.fault_ids.index("fb_case_arc")] == 0


def test_calibration_by_hand() -> None:
    """Four sayings: Brier (0.01 + 0.81 + 0.04 + 0.04) / 4, base rate 1/4, variance of what was said over 3/16."""
    said, came = np.array([0.9, 0.9, 0.2, 0.2]), np.array([1.0, 0.0, 0.0, 0.0])
    found = report.calibration("true", "now", said, came, np.array([1, 2, 3, 4]))
    assert found.brier == pytest.approx(0.225)
    assert found.base_brier == pytest.approx(0.1875)
    assert found.skill == pytest.approx(1 - 0.225 / 0.1875)
    assert found.sharpness == pytest.approx(0.1225 / 0.1875)
    assert [(b.count, b.said, b.came) for b in found.bins] == [(2, 0.2, 0.0), (2, 0.9, 0.5)]
    assert all(b.low <= b.came <= b.high for b in found.bins)


def test_wilson_against_a_published_example() -> None:
    """81 of 263: 0.2553 to 0.3662 at 95 % (Newcombe 1998); at 90 % it lies within."""
    low, high = report.wilson(81, 263)
    assert 0.2553 < low < 81 / 263 < high < 0.3662


def test_a_broken_off_run_goes_on(tmp_path: Path) -> None:
    """What was played is not played again; a line that was cut off is."""
    path = tmp_path / "kept.jsonl"
    records = soak.work(("true", "likeliest, untested", 0, 2, 1))
    path.write_text("".join(json.dumps(r) + "\n" for r in records) + '{"world": "tr', encoding="utf-8")
    back = soak.kept(path)
    assert [r["display"] for r in back] == [0, 1]
    done = {(r["world"], r["policy"], r["display"]) for r in back}
    assert ("true", "likeliest, untested", 0, 2, 1) not in soak.tasks(2, 1, done)
    assert ("true", "ours", 0, 2, 1) in soak.tasks(2, 1, done)


def test_the_page_and_the_picture_can_be_drawn() -> None:
    records = [r for policy in ("ours", "prior order") for r in soak.work(("true", policy, 0, 3, 1))]
    text = soak.page(records, 3, 1)
    assert "prior order" in text
    assert "| true | ours | 3 |" in text
    assert report.picture(report.calibrations(records)).startswith("<svg")


def test_a_repair_with_more_findings_than_can_be_walked_at_once_is_played(monkeypatch: pytest.MonkeyPatch) -> None:
    """A wreck told of in full: more than eighteen things seen; the diagnosis answers all the way."""
    monkeypatch.setattr(world, "MOST_TOLD", 30)
    monkeypatch.setattr(world, "TOLD", 1.0)
    monkeypatch.setattr(world, "DARK", frozenset())
    wrecks = replace(TRUE, priors={fault: min(0.5, 6 * prior) for fault, prior in TRUE.priors.items()})
    display = next(d for d in map(wrecks.display, range(50)) if len(d.present) > 20)
    monkeypatch.setattr(play, "MOST_STEPS", 6)
    played = play.play(display, wrecks, "ours", KNOWLEDGE)
    assert played.most_findings > 20
    assert played.refused == 0
    assert played.tests + played.opened > 0
