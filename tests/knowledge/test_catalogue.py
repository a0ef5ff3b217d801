"""The catalogue as a whole: big enough, every fault can be found and told from every other, every step is cautioned."""

from __future__ import annotations

import itertools
from typing import Final, get_args

import pytest

from tubewright.case import TreatmentKind
from tubewright.judgement.diagnosis import Diagnosis, diagnose_findings
from tubewright.judgement.findings import Findings, TakenResult
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
FAULTS: Final = sorted(KNOWLEDGE.faults)
TESTS: Final = sorted(test.id for test in KNOWLEDGE.tests.values() if not test.gate)
TYPICAL: Final = 0.3
"""Chance from which a fault typically shows a symptom; where none reaches it, its commonest counts."""
FOUND: Final = 0.5
STRONG: Final = 5.0
"""Ratio of odds at which one result of a test tells two faults apart."""

LEFT_OPEN: Final = {
    "tube_mask_damage": (
        "a bent mask and one magnetised beyond the wand look alike until the rings have been tried as well"
    ),
}
"""Faults that their own tests only bring to the top of the list, and why."""

INSEPARABLE: Final[dict[frozenset[str], str]] = {}
"""Pairs that no bench test tells apart, with the reason. There is none now: in each pair a test names one alone."""


def typical(fault: str) -> tuple[str, ...]:
    """What a fault typically shows."""
    shows = KNOWLEDGE.faults[fault].shows
    return tuple(s for s, chance in shows.items() if chance >= TYPICAL) or (max(shows, key=lambda s: shows[s]),)


def confirmed(fault: str) -> Diagnosis:
    """The diagnosis when everything typical is seen and the confirming tests agree."""
    taken = tuple(
        TakenResult(test=test, result=result, gun=None, origin="test", words="")
        for test, result in KNOWLEDGE.faults[fault].confirmed_by.items()
    )
    return diagnose_findings(Findings(present=typical(fault), results=taken), KNOWLEDGE)


def test_it_is_as_big_as_the_trade_needs() -> None:
    assert len(KNOWLEDGE.faults) >= 90
    assert len(KNOWLEDGE.symptoms) >= 70
    assert len(KNOWLEDGE.tests) >= 50
    assert set(KNOWLEDGE.treatments) == set(get_args(TreatmentKind))


@pytest.mark.parametrize("fault", FAULTS)
def test_what_a_fault_shows_and_its_own_tests_find_it(fault: str) -> None:
    told = confirmed(fault)
    if fault in LEFT_OPEN:
        assert told.suspects[0].id == fault
        assert told.posteriors[fault] < FOUND, "it can be found now: take it off the list"
    else:
        assert told.posteriors[fault] > FOUND


@pytest.mark.parametrize("fault", FAULTS)
def test_a_confirming_result_speaks_for_its_fault(fault: str) -> None:
    """Some single result is strong; a result that only clears the rivals may be neutral, but none excuses the fault."""
    facts = KNOWLEDGE.faults[fault]
    ratios = []
    for test, name in facts.confirmed_by.items():
        result = next(r for r in KNOWLEDGE.tests[test].results if r.id == name)
        ratios.append(result.odds_ratios.get(fault, 1.0))
    assert min(ratios) >= 1
    assert max(ratios) >= 2


def test_every_two_faults_are_told_apart_by_some_test() -> None:
    """Swapping the whole chassis tells only which half it is, and doesn't count."""
    said: dict[str, dict[tuple[str, str], float]] = {fault: {} for fault in FAULTS}
    for test in KNOWLEDGE.tests.values():
        if test.id == "x_chassis":
            continue
        for result in test.results:
            for fault, ratio in result.odds_ratios.items():
                said[fault][test.id, result.id] = max(ratio, 1e-3)
    alike = set()
    for one, other in itertools.combinations(FAULTS, 2):
        keys = said[one].keys() | said[other].keys()
        quotients = (said[one].get(key, 1.0) / said[other].get(key, 1.0) for key in keys)
        if not any(quotient >= STRONG or quotient <= 1 / STRONG for quotient in quotients):
            alike.add(frozenset({one, other}))
    assert alike == set(INSEPARABLE)


@pytest.mark.parametrize("name", TESTS)
def test_a_test_can_speak_for_a_fault_and_against_one(name: str) -> None:
    ratios = [result.odds_ratios for result in KNOWLEDGE.tests[name].results]
    assert any(ratio > 1 for said in ratios for ratio in said.values())
    assert any(ratio < 1 for said in ratios for ratio in said.values())


def test_every_symptom_may_come_from_outside_the_catalogue_but_seldom_does() -> None:
    for symptom in KNOWLEDGE.symptoms.values():
        assert 0 < symptom.leak_probability < 0.05, symptom.id


@pytest.mark.parametrize("fault", FAULTS)
def test_a_repair_carries_the_cautions_of_what_it_touches(fault: str) -> None:
    facts = KNOWLEDGE.faults[fault]
    held = set(facts.cautions)
    assert facts.repair.endswith(".")
    if facts.hazard == "H0":
        return
    assert {"gate_power_off", "anode_charge", "recharge", "primary_reservoir"} <= held
    if facts.hazard in {"H2", "H3"}:
        assert "local_rules" in held
    if facts.hazard == "H4":
        assert {"implosion", "lifting"} <= held


@pytest.mark.parametrize(
    ("fault", "cautions"),
    [
        ("tuning_cap_open", {"tuning_capacitor", "x_rays", "gate_eht_before_release"}),
        ("tuning_cap_short", {"tuning_capacitor", "x_rays", "gate_eht_before_release"}),
        ("holddown_false", {"holddown", "x_rays", "gate_eht_before_release"}),
        ("fb_shorted_turns", {"gate_bplus_first", "gate_eht_before_release"}),
        ("bplus_set_wrong", {"x_rays", "gate_eht_before_release"}),
        ("reg_sense_drift", {"x_rays", "gate_eht_before_release"}),
        ("series_reg_short", {"x_rays", "gate_eht_before_release"}),
        ("reservoir_cap_dried", {"primary_reservoir", "fire"}),
        ("mains_filter_cap_short", {"primary_reservoir", "fire"}),
        ("hot_short", {"gate_bplus_first", "gate_eht_before_release"}),
    ],
)
def test_what_can_raise_the_eht_or_start_a_fire_says_so(fault: str, cautions: set[str]) -> None:
    assert cautions <= set(KNOWLEDGE.faults[fault].cautions)


@pytest.mark.parametrize("name", sorted(KNOWLEDGE.tests))
def test_a_test_of_a_class_carries_its_cautions(name: str) -> None:
    test = KNOWLEDGE.tests[name]
    held = set(test.cautions)
    assert set(KNOWLEDGE.hazards[test.hazard].cautions) <= held
    if test.hazard == "H3":
        assert held & {"anode_charge", "eht_live"}
    if test.hazard == "H4":
        assert {"implosion", "lifting"} <= held


@pytest.mark.parametrize("kind", sorted(KNOWLEDGE.treatments))
def test_a_treatment_of_the_tube_is_cautioned(kind: str) -> None:
    treatment = KNOWLEDGE.treatments[kind]
    assert treatment.hazard == "H0" or treatment.cautions
    if kind in {"short_boost", "activate"}:  # the boost for good stays within what may run unattended
        assert "heater_excess" in treatment.cautions
    if kind in {"clean", "activate"}:
        assert "gate_leakage_known" in treatment.cautions


def test_the_likeliest_faults_are_those_a_bench_sees_most() -> None:
    """Worn and burnt tubes, magnetised masks and misadjustment come before any single part."""
    ranked = sorted(KNOWLEDGE.faults.values(), key=lambda fault: -fault.per_1000)
    assert {fault.id for fault in ranked[:6]} == {
        "tube_burn_in", "tube_worn_all", "tube_worn_one", "mask_magnetised", "geometry_misset", "screen_set_wrong",
    }  # fmt: skip
