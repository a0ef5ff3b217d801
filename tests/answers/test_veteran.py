"""On every worked case the decision is one that a veteran would sign, whatever the seed."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any, Final, get_args

import pytest

from answers.worked import answer, names
from tubewright.case import TreatmentKind

VETERAN: Final[dict[str, dict[str, Any]]] = tomllib.loads(
    Path(__file__).with_name("veteran.toml").read_text(encoding="utf-8")
)


def test_every_case_has_its_verdict_and_every_verdict_its_case() -> None:
    assert sorted(VETERAN) == names()


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("name", VETERAN)
def test_the_decision_is_one_the_veteran_would_sign(name: str, seed: int) -> None:
    given = answer(name, seed)
    assert given.decision in VETERAN[name]["decisions"], f"{VETERAN[name]['why']} Said: {given.headline}"


@pytest.mark.parametrize("name", [name for name in VETERAN if VETERAN[name].get("never")])
def test_the_plan_holds_nothing_the_veteran_forbids(name: str) -> None:
    planned = {step.do for step in answer(name).plan}
    assert not planned & set(VETERAN[name]["never"]), VETERAN[name]["why"]


@pytest.mark.parametrize("name", VETERAN)
def test_the_plan_begins_with_the_decision(name: str) -> None:
    given = answer(name)
    assert given.plan[0].do == given.decision
    assert given.plan[0].chance_reached == 1.0


def test_one_worn_gun_goes_on_to_a_cleaning_and_no_further_at_first() -> None:
    """Partial wear of one gun: soak, look, then the light cleaning; the strong rung is never the first."""
    given = answer("c08")
    kinds = [step.do for step in given.plan]
    assert kinds[0] == "soak"
    assert "clean" in kinds
    assert "activate" not in kinds[: kinds.index("clean")]


def test_sound_guns_are_left_alone() -> None:
    """Green and blue read above 0.55: no step and no option touches them."""
    given = answer("c08")
    treated = [step.guns for step in given.plan if step.do in get_args(TreatmentKind) and step.guns]
    assert treated
    assert all(guns == ("red",) for guns in treated)
    assert all(set(option.guns) <= {"red"} for option in given.options)
    treating = next(step for step in given.next_steps if step.id == given.decision)
    assert treating.words.endswith("Guns: red.")


@pytest.mark.parametrize("name", [name for name in VETERAN if answer(name).decision in get_args(TreatmentKind)])
def test_what_would_stop_a_treatment_is_tested_before_it(name: str) -> None:
    """After the treatment a dirty socket or a leak that was there before it tells nothing any more."""
    given = answer(name)
    steps = [step.id for step in given.next_steps]
    assert steps[-1] == given.decision
    assert set(steps[:-1]) == {item.id for item in given.would_change} & {"p_socket_clean", "t_leak_hk", "t_leak_kg1"}


def test_a_plan_of_treatments_says_its_chance_as_a_whole() -> None:
    """The rungs one after the other do better than the best of them alone, and no better than all together."""
    given = answer("c08")
    treated = {(step.do, step.guns) for step in given.plan}
    alone = [o.success for o in given.options if (o.id, o.guns) in treated and o.success is not None]
    assert given.plan_success is not None
    assert max(alone[:-1]) < given.plan_success < sum(alone[:-1])
    assert given.plan_success == pytest.approx(1 - given.plan[-1].chance_reached, abs=0.15)


@pytest.mark.parametrize("name", [name for name in VETERAN if answer(name).hard_stops])
def test_a_hard_stop_gives_its_reason_first(name: str) -> None:
    given = answer(name)
    assert given.decision in {"retire", "swap_tube"}
    assert given.headline.startswith(given.hard_stops[0])
    assert given.hard_stops[0] in given.next_steps[0].words
    assert not given.would_change
    for option in given.options:
        if option.id not in {"retire", "swap_tube", "replace_display"}:
            assert option.why_not, option.id


def test_hard_stops_are_the_ones_meant() -> None:
    assert {name for name in VETERAN if answer(name).hard_stops} == {
        "c02", "v08_two_guns_shorted_for_good", "v10_grids_leak_for_good", "v12_gas_after_a_long_soak",
        "v13_strong_but_cracked", "v14_heater_open_at_bare_pins", "v37_crack_found_by_looking",
        "v38_dead_after_cleaning",
    }  # fmt: skip
