"""What is replaced first, what is left, what is never touched; and that nothing is ordered that may not be fitted."""

from __future__ import annotations

import dataclasses
import math
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.judgement.capacitor_buy import Buy, order, what_to_buy
from tubewright.judgement.capacitor_part import CapacitorPart
from tubewright.judgement.capacitor_wear import BoardPart, Setting, highest_new_esr_ohm, life_of, measured
from tubewright.judgement.recap import Advice, Recap, plan_recap
from tubewright.judgement.substitution import judge_substitution
from tubewright.knowledge.chassis import Chassis
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
SETTING: Final = Setting(hours_per_week=20, air_c=45)
RAIL: Final = BoardPart(
    line=2,
    ref="C1",
    part=CapacitorPart(kind="electrolytic", capacitance_uf=100, rated_v=25, temperature_c=85, life_hours=2000),
    place="rail",
    age_years=10,
)
TUNING: Final = BoardPart(
    line=3,
    ref="C2",
    part=CapacitorPart(kind="film_pulse", capacitance_uf=0.0068, rated_v=1600),
    place="retrace_tuning",
    age_years=10,
)


def change(part: BoardPart, **fields: object) -> BoardPart:
    """The part with some fields changed; those of what is printed on it by their names there."""
    printed = {field.name for field in dataclasses.fields(CapacitorPart)}
    inner = {name: value for name, value in fields.items() if name in printed}
    outer = {name: value for name, value in fields.items() if name not in printed}
    return dataclasses.replace(part, part=dataclasses.replace(part.part, **inner), **outer)  # type: ignore[arg-type]


def plan(*parts: BoardPart, setting: Setting = SETTING, chassis: Chassis | None = None, blanket: bool = False) -> Recap:
    numbered = [dataclasses.replace(p, line=n, ref=f"{p.ref}" or f"C{n}") for n, p in enumerate(parts, start=2)]
    return plan_recap(numbered, KNOWLEDGE, setting, chassis=chassis, blanket=blanket)


def only(part: BoardPart, **more: object) -> Advice:
    return plan(part, **more).groups[0].advices[0]  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("fields", "do", "words"),
    [
        ({}, "leave", "used up with a chance of"),
        ({"age_years": None}, "look", "neither its age nor a measurement"),
        ({"age_years": 25.0}, "replace", "25 years old"),
        ({"age_years": 19.0}, "leave", "used up"),
        ({"near_hot": True}, "replace", "beside something hot"),
        ({"used_hours": 60_000.0}, "replace", "60 000 h run"),
        ({"bulging": True}, "first", "bulged"),
        ({"measured_uf": 79.0}, "first", "79 %"),
        ({"measured_uf": 81.0}, "leave", "used up"),
        ({"measured_uf": 160.0}, "first", "leaks"),
        ({"measured_esr_ohm": 0.7, "esr_ohm": 0.2}, "first", "3.5 times"),
        ({"measured_esr_ohm": 0.5, "esr_ohm": 0.2, "measured_uf": 98.0, "age_years": 25.0}, "leave", "measures as it"),
        ({"measured_esr_ohm": 2.1}, "first", "above the 2 ohm"),
        ({"leakage_ratio": 3.5}, "first", "leakage 3.5 times"),
        ({"stands_at_v": 26.0}, "first", "rated 25 V where 26 V stand"),
        ({"kind": ""}, "look", "kind is not known"),
        ({"kind": "paper", "rated_v": 400.0}, "first", "paper and wax"),
        ({"kind": "film_polyester", "rated_v": 63.0}, "leave", "doesn't dry out"),
        ({"kind": "tantalum", "age_years": 40.0, "place": "loop_filter"}, "leave", "doesn't dry out"),
        ({"capacitance_uf": None, "age_years": 30.0}, "look", "years old"),
    ],
)
def test_what_is_done_and_why(fields: dict[str, object], do: str, words: str) -> None:
    found = only(change(RAIL, **fields))
    assert found.do == do, found.reasons
    assert words in " ".join(found.reasons)
    assert (found.rank > 0) == (do in {"first", "replace"}) == (found.buy is not None)


def test_the_tuning_capacitor_is_never_on_the_order() -> None:
    for fields in ({}, {"bulging": True}, {"age_years": 60.0}, {"measured_uf": 0.003}, {"kind": "paper"}):
        found = plan(change(TUNING, **fields), blanket=True)
        assert found.groups[0].advices[0].do == "never"
        assert not found.order
        assert {"tuning_capacitor", "x_rays", "gate_eht_before_release"} <= set(found.cautions)
    assert plan(change(TUNING, measured_uf=0.006)).alarms
    assert not plan(change(TUNING, measured_uf=0.0069)).alarms


def test_the_profile_is_held_against_the_list() -> None:
    chassis = Chassis(id="larkspur", name="Larkspur L19", rails={"24 V": 24.5}, bplus_v=118, tuning_nf=8.2)
    found = plan(change(RAIL, rail="24 v"), TUNING, chassis=chassis)
    assert "8.2 nF" in found.alarms[0]
    assert "6.8 nF" in found.alarms[0]
    advices = {advice.part.ref: advice for group in found.groups for advice in group.advices}
    assert advices["C1"].stands_at_v == 24.5
    on_bplus = only(change(RAIL, rail="B+", rated_v=100.0), chassis=chassis)
    assert (on_bplus.do, on_bplus.stands_at_v) == ("first", 118)
    assert on_bplus.buy is not None
    assert on_bplus.buy.spec.rated_v == 160
    # Two parts in parallel make up the whole.
    pair = [change(TUNING, capacitance_uf=0.0047, ref="C5"), change(TUNING, capacitance_uf=0.0035, ref="C6")]
    assert not plan(*pair, chassis=chassis).alarms


def test_measured_wear_comes_before_reckoned_wear_and_heat_before_cool() -> None:
    found = plan(
        change(RAIL, ref="cool", age_years=30.0),
        change(RAIL, ref="hot", age_years=30.0, near_hot=True),
        change(RAIL, ref="worn", age_years=2.0, bulging=True),
        change(RAIL, ref="ripple", age_years=30.0, ripple_a=0.5, flowing_a=1.0),
    )
    assert [advice.part.ref for advice in found.ranked] == ["worn", "hot", "ripple", "cool"]
    assert [advice.rank for advice in found.ranked] == [1, 2, 3, 4]
    assert "carries 1 A of ripple, rated 0.5 A" in found.ranked[2].reasons


def test_groups_come_by_stage_each_with_power_and_test() -> None:
    places = ["signal_coupling", "loop_filter", "field_boost", "s_correction", "rail", "primary_reservoir", ""]
    found = plan(*(change(RAIL, ref=f"C{n}", place=place) for n, place in enumerate(places)))
    assert [group.stage for group in found.groups] == ["primary", "rails", "line", "field", "sync", "signal", ""]
    assert all(group.test and group.cautions for group in found.groups)
    assert {caution for group in found.groups for caution in group.cautions} <= set(found.cautions)


def test_a_blanket_recap_takes_all_that_dries_and_nothing_else() -> None:
    film = change(RAIL, ref="film", kind="film_polyester", rated_v=63.0, place="loop_filter")
    young = change(RAIL, ref="young", age_years=1.0, measured_uf=100.0, measured_esr_ohm=0.1, esr_ohm=0.1)
    assert not plan(film, young).ranked
    assert [advice.part.ref for advice in plan(film, young, blanket=True).ranked] == ["young"]


@given(
    kind=st.sampled_from(sorted(KNOWLEDGE.capacitor_kinds)),
    place=st.sampled_from(["", *sorted(KNOWLEDGE.capacitor_places)]),
    capacitance=st.sampled_from([0.001, 0.047, 0.1, 1, 4.7, 5, 20, 25, 33, 50, 100, 220, 2200]),
    rated=st.sampled_from([6.3, 16, 25, 50, 100, 160, 250, 400, 1600]),
    ripple=st.none() | st.just(0.5),
    stands=st.none() | st.sampled_from([5.0, 24.0, 127.0]),
    safety=st.sampled_from(["", "X2", "Y1"]),
)
def test_whatever_is_ordered_may_be_fitted(
    kind: str, place: str, capacitance: float, rated: float, ripple: float | None, stands: float | None, safety: str
) -> None:
    was = CapacitorPart(kind=kind, capacitance_uf=capacitance, rated_v=rated, ripple_a=ripple, safety_class=safety)
    found = what_to_buy(was, place, KNOWLEDGE, stands_at_v=stands)
    if not isinstance(found, Buy):
        assert found
        assert all(objection.refuses for objection in found)
        return
    assert (found.spec.rated_v or 0) >= rated
    for at in [place] if place else []:
        assert judge_substitution(was, found.spec, at, KNOWLEDGE, stands_at_v=stands).verdict != "refused"
    if place == "loop_filter":
        assert (found.spec.capacitance_uf or 1e9) <= capacitance * 1.005


@pytest.mark.parametrize(
    ("kind", "capacitance", "rated", "place", "bought"),
    [
        ("electrolytic", 220, 400, "primary_reservoir", ("electrolytic", 220, 400, 105)),
        ("electrolytic", 50, 25, "loop_filter", ("electrolytic_low_leakage", 47, 25, 105)),
        ("electrolytic", 4.7, 160, "loop_filter", ("film_polyester", 4.7, 250, 85)),
        ("electrolytic", 250, 35, "yoke_coupling", ("electrolytic", 270, 35, 105)),
        ("electrolytic", 30, 40, "rail", ("electrolytic_low_esr", 33, 50, 105)),
        ("electrolytic_bipolar", 10, 25, "signal_coupling", ("electrolytic_bipolar", 10, 25, 105)),
        ("paper", 0.05, 400, "signal_coupling", ("film_polypropylene", 0.047, 400, 85)),
        ("film_polyester", 0.022, 63, "loop_filter", ("film_polyester", 0.022, 63, 85)),
    ],
)
def test_what_is_bought(
    kind: str, capacitance: float, rated: float, place: str, bought: tuple[str, float, float, float]
) -> None:
    found = what_to_buy(CapacitorPart(kind=kind, capacitance_uf=capacitance, rated_v=rated), place, KNOWLEDGE)
    assert isinstance(found, Buy), found
    spec = found.spec
    assert (spec.kind, spec.rated_v, spec.temperature_c) == (bought[0], *bought[2:])
    assert spec.capacitance_uf == pytest.approx(bought[1])


def test_an_order_counts_equal_parts_and_keeps_the_strictest_of_them() -> None:
    spec = CapacitorPart(kind="electrolytic_low_esr", capacitance_uf=100, rated_v=25, temperature_c=105, ripple_a=0.3)
    other = dataclasses.replace(spec, ripple_a=0.8, esr_ohm=0.2, height_mm=12)
    wide = dataclasses.replace(spec, pitch_mm=5)
    lines = order(
        [("C1", Buy(spec=spec, minds=())), ("C2", Buy(spec=wide, minds=())), ("C9", Buy(spec=other, minds=()))]
    )
    assert [(line.count, line.refs) for line in lines] == [(2, ("C1", "C9")), (1, ("C2",))]
    assert (lines[0].least_ripple_a, lines[0].most_esr_ohm, lines[0].most_height_mm) == (0.8, 0.2, 12)


def test_the_life_of_a_part_is_the_rule_with_its_spread() -> None:
    """2000 h at 85 C, rated ripple both ways, 10 K of rail over 45 C of air: 2 to the 3rd, and half as much again."""
    found = life_of(RAIL, SETTING, KNOWLEDGE)
    assert found is not None
    assert found.runs_c == 55
    assert found.median_hours == pytest.approx(2000 * 8 * 1.5)
    spread = math.log(found.p90_hours / found.p10_hours) / (2 * 1.2816)
    assert spread == pytest.approx(math.hypot(0.4, 8 * math.log(2) / 10), rel=1e-3)
    assert found.used_hours == pytest.approx(10 * 52.1775 * 20)
    assert found.median_years is not None
    assert found.median_years <= 15 - 10
    assert life_of(change(RAIL, runs_c=55.0), SETTING, KNOWLEDGE).p90_hours < found.p90_hours  # type: ignore[union-attr]
    assert life_of(TUNING, SETTING, KNOWLEDGE) is None


@given(hotter=st.floats(0.5, 30), older=st.floats(0.5, 20))
def test_heat_and_age_only_ever_add_to_the_chance_of_wear(hotter: float, older: float) -> None:
    def chance(part: BoardPart) -> float:
        found = life_of(part, SETTING, KNOWLEDGE)
        assert found is not None
        assert found.worn_probability is not None
        return found.worn_probability

    here = chance(change(RAIL, runs_c=55.0))
    assert chance(change(RAIL, runs_c=55 + hotter)) > here
    assert chance(change(RAIL, runs_c=55.0, age_years=10 + older)) > here


def test_the_highest_esr_of_a_new_part_is_its_loss_over_its_reactance() -> None:
    # tan d 0.15 at 25 V: 0.15 / (2 pi 120 Hz 100 uF) = 1.99 ohm
    assert highest_new_esr_ohm(RAIL.part, KNOWLEDGE) == pytest.approx(1.9894, rel=1e-4)
    assert highest_new_esr_ohm(CapacitorPart(kind="electrolytic"), KNOWLEDGE) is None
    # Below that limit an ESR without the figure of a new part decides nothing.
    assert measured(change(RAIL, measured_esr_ohm=1.5, measured_uf=100.0), KNOWLEDGE).says == "none"
