"""The facts themselves: complete, linked, sourced, and safe to hand out."""

from __future__ import annotations

import csv
import itertools
import math
import re
from pathlib import Path
from typing import Final, get_args

import pytest

from tubewright.case import TreatmentKind
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import (
    NEAR_CERTAIN_RATIO,
    BenchTest,
    Caution,
    Constant,
    FaultCause,
    Knowledge,
    LabelGrammar,
    LabelLetter,
    LabelPhosphor,
    LabelSize,
    PhosphorSet,
    Symptom,
    TreatmentFacts,
)
from tubewright.knowledge.shapes import SOURCE_KINDS, SUBSYSTEMS

LABELS: Final = Path(__file__).parents[1] / "reference" / "tube_labels.csv"
RULES_OUT: Final = {("tube_worn_all", "d_heater_rms"), ("tube_worn_all", "d_g2")}
"""Results that confirm a fault only by ruling others out, and so carry no weight for it."""


@pytest.fixture(scope="module")
def knowledge() -> Knowledge:
    return load_knowledge()


def test_the_catalogue_is_as_large_as_the_trade_needs(knowledge: Knowledge) -> None:
    assert len(knowledge.faults) >= 90
    assert len(knowledge.symptoms) >= 70
    assert len(knowledge.tests) >= 50
    assert {fault.subsystem for fault in knowledge.faults.values()} == set(SUBSYSTEMS)


def test_every_fault_shows_something_and_can_be_confirmed(knowledge: Knowledge) -> None:
    for fault in knowledge.faults.values():
        assert fault.shows, fault.id
        assert set(fault.shows) <= set(knowledge.symptoms), fault.id
        assert all(0 < chance <= 1 for chance in fault.shows.values()), fault.id
        assert fault.confirmed_by, fault.id
        assert 0 < fault.per_1000 <= 1000, fault.id
        assert fault.minutes > 0, fault.id
        assert fault.parts, fault.id


def test_a_confirming_result_speaks_for_its_fault(knowledge: Knowledge) -> None:
    for fault in knowledge.faults.values():
        for test, name in fault.confirmed_by.items():
            result = next(item for item in knowledge.tests[test].results if item.id == name)
            if (fault.id, test) not in RULES_OUT:
                assert result.odds_ratios[fault.id] > 1, (fault.id, test, name)


def test_every_result_of_a_test_has_weights_within_reason(knowledge: Knowledge) -> None:
    for test in knowledge.tests.values():
        assert len(test.results) >= 2, test.id
        assert any(result.odds_ratios for result in test.results) != test.gate, test.id
        for result in test.results:
            assert set(result.odds_ratios) <= set(knowledge.faults), (test.id, result.id)
            for ratio in result.odds_ratios.values():
                assert 1 / 20 <= ratio <= NEAR_CERTAIN_RATIO, (test.id, result.id)


def test_no_number_falls_into_two_results(knowledge: Knowledge) -> None:
    for test in knowledge.tests.values():
        measured = [result for result in test.results if result.quantity != "none"]
        for one, other in itertools.combinations(measured, 2):
            low = max(-math.inf if part.at_least is None else part.at_least for part in (one, other))
            high = min(math.inf if part.below is None else part.below for part in (one, other))
            assert low >= high, (test.id, one.id, other.id)


def test_a_refined_result_refines_one_that_is_not_refined_itself(knowledge: Knowledge) -> None:
    for test in knowledge.tests.values():
        plain = {result.id for result in test.results if not result.refines}
        assert {result.refines for result in test.results if result.refines} <= plain, test.id


def test_every_symptom_is_shown_by_a_fault_and_every_test_says_something_or_is_a_gate(knowledge: Knowledge) -> None:
    shown = {symptom for fault in knowledge.faults.values() for symptom in fault.shows}
    assert shown == set(knowledge.symptoms)
    for test in knowledge.tests.values():
        cited = any(test.id in fault.confirmed_by for fault in knowledge.faults.values())
        assert cited or test.gate or any(result.odds_ratios for result in test.results), test.id


def test_every_fact_has_a_kind_and_a_source_that_stands_in_the_bibliography(knowledge: Knowledge) -> None:
    facts: list[
        Constant
        | Caution
        | Symptom
        | FaultCause
        | BenchTest
        | TreatmentFacts
        | PhosphorSet
        | LabelGrammar
        | LabelLetter
        | LabelPhosphor
        | LabelSize
    ] = [
        *knowledge.constants.values(),
        *knowledge.cautions.values(),
        *knowledge.symptoms.values(),
        *knowledge.faults.values(),
        *knowledge.tests.values(),
        *knowledge.treatments.values(),
        *knowledge.phosphors.values(),
        *knowledge.labels.values(),
        *knowledge.label_letters.values(),
        *knowledge.label_phosphors.values(),
        *knowledge.label_sizes.values(),
    ]
    for fact in facts:
        assert fact.source in knowledge.sources, fact
        assert fact.kind in SOURCE_KINDS, fact
    # What stands in no publication must not be called published.
    for fact in facts:
        if fact.source in {"bench-practice", "bench-memory"}:
            assert fact.kind != "published", fact
        if fact.kind == "common practice":
            assert fact.source == "bench-practice", fact


def test_every_constant_says_what_it_is(knowledge: Knowledge) -> None:
    for constant in knowledge.constants.values():
        assert math.isfinite(constant.value), constant.id
        assert constant.unit, constant.id
        assert constant.means, constant.id
        assert constant.locator, constant.id


@pytest.mark.parametrize(
    ("constant", "test", "result", "bound"),
    [
        ("leakage_hk_short_mohm", "t_leak_hk", "shorted", "below"),
        ("leakage_hk_bad_mohm", "t_leak_hk", "watch", "at_least"),
        ("leakage_hk_good_mohm", "t_leak_hk", "good", "at_least"),
        ("leakage_kg1_short_mohm", "t_leak_kg1", "shorted", "below"),
        ("leakage_kg1_bad_mohm", "t_leak_kg1", "watch", "at_least"),
        ("leakage_kg1_good_mohm", "t_leak_kg1", "good", "at_least"),
        ("leakage_g1g2_bad_mohm", "t_leak_g1g2", "leaks", "below"),
        ("leakage_g1g2_good_mohm", "t_leak_g1g2", "good", "at_least"),
        ("gas_watch_ua", "t_gas", "watch", "at_least"),
        ("gas_bad_ua", "t_gas", "gassy", "at_least"),
        ("retention_strong", "t_slump", "strong", "at_least"),
        ("retention_watch", "t_slump", "watch", "at_least"),
        ("warmup_quick_s", "t_warmup", "quick", "below"),
        ("warmup_slow_s", "t_warmup", "slow", "at_least"),
        ("cutoff_spread_trackable", "t_cutoff", "wide_spread", "at_least"),
        ("heater_current_tolerance", "t_heater_vi", "in_range", "tolerance"),
        ("bplus_right", "d_bplus", "right", "tolerance"),
    ],
)
def test_a_threshold_is_the_same_in_the_constants_and_in_the_test(
    knowledge: Knowledge, constant: str, test: str, result: str, bound: str
) -> None:
    named = next(item for item in knowledge.tests[test].results if item.id == result)
    if bound == "tolerance":
        assert named.at_least == pytest.approx(1 - knowledge.value(constant))
        assert named.below == pytest.approx(1 + knowledge.value(constant))
    else:
        assert getattr(named, bound) == knowledge.value(constant)


def test_classes_of_a_reading_stand_in_order(knowledge: Knowledge) -> None:
    value = knowledge.value
    for falling in (
        ["emission_strong", "emission_good", "emission_fair", "emission_weak", "emission_dead"],
        ["retention_strong", "retention_watch", "retention_spent", "retention_floor_10"],
        ["retention_floor_10", "retention_floor_12_7", "retention_floor_15"],
        ["sag_strong", "sag_watch", "sag_spent"],
        ["balance_good", "balance_trackable", "balance_lost"],
        ["cutoff_spread_struggle", "cutoff_spread_trackable", "cutoff_spread_spec"],
        ["creep_spent", "creep_watch", "creep_steady_from"],
        ["leakage_hk_good_mohm", "leakage_hk_bad_mohm", "leakage_hk_short_mohm"],
    ):
        values = [value(name) for name in falling]
        assert values == sorted(values, reverse=True), falling
        assert len(set(values)) == len(values), falling


def test_a_step_that_can_hurt_carries_the_cautions_of_its_class_first(knowledge: Knowledge) -> None:
    steps: list[BenchTest | TreatmentFacts] = [*knowledge.tests.values(), *knowledge.treatments.values()]
    for step in steps:
        assert set(step.cautions) <= set(knowledge.cautions)
        of_class = knowledge.hazards[step.hazard].cautions
        assert step.cautions[: len(of_class)] == of_class, step
        if step.hazard != "H0":
            assert of_class, step
            assert step.cautions, step
    for fault in knowledge.faults.values():
        assert fault.hazard in knowledge.hazards


def test_mains_eht_and_glass_defer_to_local_rules_or_to_a_second_person(knowledge: Knowledge) -> None:
    assert "local_rules" in knowledge.hazards["H2"].cautions
    assert "local_rules" in knowledge.hazards["H3"].cautions
    assert {"anode_charge", "recharge"} <= set(knowledge.hazards["H3"].cautions)
    assert {"implosion", "lifting"} <= set(knowledge.hazards["H4"].cautions)
    assert "licence" in knowledge.cautions["local_rules"].text
    assert "21 CFR 1020.10" in knowledge.cautions["x_rays"].text
    assert knowledge.value("x_ray_limit_mr_per_h") == 0.5


def test_no_restoration_without_vacuum_and_leakage_known(knowledge: Knowledge) -> None:
    for treatment in knowledge.treatments.values():
        if treatment.kind_id != "clean_contacts":
            assert {"gate_vacuum_seen", "gate_leakage_known"} <= set(treatment.cautions), treatment.kind_id


def test_what_brings_an_instrument_or_a_hand_to_the_neck_warns_of_charge_and_glass(knowledge: Knowledge) -> None:
    at_the_neck = {"anode_charge", "recharge", "primary_reservoir", "implosion", "gate_power_off"}
    steps: list[BenchTest | TreatmentFacts] = [
        *(test for test in knowledge.tests.values() if test.id.startswith("t_")),
        *(treatment for treatment in knowledge.treatments.values() if treatment.kind_id != "run_in"),
    ]
    mended = [fault for fault in knowledge.faults.values() if fault.hazard != "H0"]
    assert len(mended) > 100
    for fault in mended:
        assert at_the_neck <= set(fault.cautions), fault.id
    assert len(steps) > 15
    for step in steps:
        assert at_the_neck <= set(step.cautions), step


def test_turning_a_set_counts_as_handling_glass(knowledge: Knowledge) -> None:
    assert knowledge.tests["x_rotate"].hazard == "H4"


def test_nothing_advises_to_defeat_the_protection(knowledge: Knowledge) -> None:
    said = [fault.repair for fault in knowledge.faults.values()]
    said += [text for test in knowledge.tests.values() for text in (test.how, *(item.means for item in test.results))]
    said += [text for item in knowledge.treatments.values() for text in (item.how, item.stop_when)]
    for text in said:
        for word in ("defeat", "bypass", "disable"):
            for found in re.finditer(word, text.lower()):
                before = text.lower()[: found.start()]
                harmless = before.endswith("never ") or "capacitor" in text.lower() or "suspect contact" in text
                assert harmless, text


def test_each_kind_of_treatment_of_the_case_file_is_there(knowledge: Knowledge) -> None:
    assert set(knowledge.treatments) == set(get_args(TreatmentKind))


def test_the_ladder_of_treatments_rises_in_energy_and_never_in_safety(knowledge: Knowledge) -> None:
    ladder = ["clean_contacts", "soak", "run_in", "short_boost", "clean", "activate"]
    rungs = [knowledge.treatments[kind] for kind in ladder]
    assert [item.rung for item in rungs] == [0, 1, 2, 3, 4, 5]
    risks = [item.risk_of_loss for item in rungs]
    assert risks == sorted(risks)
    for item in knowledge.treatments.values():
        assert item.best_from < item.best_to
        assert item.odds_worn_sd > 0
        assert item.odds_worn + 2 * item.odds_worn_sd <= 1
    assert knowledge.treatments["activate"].counts_as == 2
    assert knowledge.treatments["soak"].odds_poisoned > knowledge.treatments["soak"].odds_worn


def test_phosphor_primaries_are_chromaticities(knowledge: Knowledge) -> None:
    assert {"ebu", "smpte_c"} <= set(knowledge.phosphors)
    for phosphor in knowledge.phosphors.values():
        for x, y in phosphor.primaries_xy:
            assert 0 < x < 1
            assert 0 < y < 1
            assert x + y <= 1


with LABELS.open(encoding="utf-8", newline="") as handle:
    LABEL_ROWS: Final = list(csv.DictReader(handle))


@pytest.mark.parametrize("row", LABEL_ROWS, ids=lambda row: row["label"])
def test_a_label_fits_its_own_grammar_and_no_other(knowledge: Knowledge, row: dict[str, str]) -> None:
    found = {name: re.fullmatch(grammar.pattern, row["label"]) for name, grammar in knowledge.labels.items()}
    fitting = {name: match for name, match in found.items() if match}
    assert set(fitting) == ({row["grammar"]} if row["grammar"] else set())
    for match in fitting.values():
        assert match["size"] == row["size"]


def test_letters_belong_to_a_part_of_a_grammar(knowledge: Knowledge) -> None:
    for letter in knowledge.label_letters.values():
        assert letter.part in knowledge.labels[letter.grammar].fields, letter.id


def test_each_grammar_explains_the_parts_it_finds(knowledge: Knowledge) -> None:
    for grammar in knowledge.labels.values():
        assert set(re.compile(grammar.pattern).groupindex) == set(grammar.fields), grammar.id
        others = [other for other in knowledge.labels.values() if other.id != grammar.id]
        assert re.fullmatch(grammar.pattern, grammar.example)
        assert not any(re.fullmatch(other.pattern, grammar.example) for other in others), grammar.id
