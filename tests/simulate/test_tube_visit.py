"""Bench visits are valid cases, honest about the tube, and as untidy as people are."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.case import Case
from tubewright.knowledge.load import load_knowledge
from tubewright.simulate.tube_truth import reference_current, relative_emission_truth
from tubewright.simulate.tube_visit import Box, bench_visit, draw_box, shown
from tubewright.simulate.tubes import draw_tube


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=60)
def test_every_visit_is_a_valid_case_without_duplicates(seed: int) -> None:
    rng = np.random.default_rng(seed)
    case = bench_visit(draw_tube(rng), rng)
    assert Case.model_validate(case.model_dump()) == case
    seen = Counter(reading.circumstances() for reading in case.readings)
    assert all(count == 1 for count in seen.values())
    assert case.readings


def test_a_seed_tells_the_case() -> None:
    tube = draw_tube(np.random.default_rng(4))
    assert bench_visit(tube, np.random.default_rng(5)) == bench_visit(tube, np.random.default_rng(5))
    assert bench_visit(tube, np.random.default_rng(5)) != bench_visit(tube, np.random.default_rng(6))


def test_people_leave_out_what_people_leave_out() -> None:
    rng = np.random.default_rng(6)
    cases = [bench_visit(draw_tube(rng), rng) for _ in range(400)]
    heaters = [{r.heater_v for r in c.readings if r.kind == "emission" and r.heater_v is not None} for c in cases]
    assert 0.4 < np.mean([len(h) > 1 or (bool(h) and min(h) < 6) for h in heaters]) < 0.7
    assert 0.45 < np.mean([any(r.kind == "cutoff" for r in c.readings) for c in cases]) < 0.75
    assert 0.2 < np.mean([c.tube.service_hours is not None for c in cases]) < 0.5
    units = Counter(r.unit for c in cases for r in c.readings if r.kind == "emission")
    assert set(units) == {"uA", "mA", "percent", "div", "rel"}
    unreferenced = np.mean([all(r.reference is None for r in c.readings) for c in cases])
    assert 0.15 < unreferenced < 0.4


def _plain(box: Box) -> Box:
    fields = {name: getattr(box, name) for name in Box.__slots__}
    return Box(**{**fields, "scale_exponent": 1.0, "heater_ratio_true": 1.0, "g2_v": 300.0, "full_scale_ua": 1e5})


def test_a_box_without_faults_shows_the_truth_up_to_its_scale() -> None:
    rng = np.random.default_rng(7)
    box = _plain(draw_box(rng))
    tube = replace(draw_tube(rng), cutoff_v=np.full(3, 52.0), elsewhere="none")
    marks = shown(tube, box, heater_ratio=1.0, minutes_on=60.0)
    again = marks / marks.max()
    assert again == pytest.approx(relative_emission_truth(tube) / relative_emission_truth(tube).max(), rel=1e-3)
    assert reference_current() > 0


def test_the_needle_rises_with_heat_and_minutes_and_falls_with_a_dirty_pin() -> None:
    rng = np.random.default_rng(8)
    box = _plain(draw_box(rng))
    tube = replace(draw_tube(rng), elsewhere="socket_dirty", elsewhere_gun=1, elsewhere_left_share=0.3)
    early = shown(tube, box, heater_ratio=1.0, minutes_on=1.0)
    late = shown(tube, box, heater_ratio=1.0, minutes_on=15.0)
    cool = shown(tube, box, heater_ratio=0.88, minutes_on=15.0)
    dirty = shown(tube, box, heater_ratio=1.0, minutes_on=15.0, clean=False)
    assert (early < late).all()
    assert (cool < late).all()
    assert dirty[1] == pytest.approx(0.3 * late[1])
    assert dirty[0] == late[0]


def test_a_dead_tube_reads_nothing_and_says_so() -> None:
    rng = np.random.default_rng(9)
    while (tube := draw_tube(rng)).stop != "air":
        pass
    case = bench_visit(tube, rng)
    emission = [r.value for r in case.readings if r.kind == "emission"]
    assert emission
    assert max(emission) == 0
    assert not any(r.kind == "cutoff" for r in case.readings)


def test_the_same_box_reads_the_same_tube_alike() -> None:
    """Between visits only the person's five to eight percent and the minutes change."""
    rng = np.random.default_rng(10)
    spreads = []
    for _ in range(60):
        tube, box = draw_tube(rng), draw_box(rng)
        if tube.stop != "none":
            continue
        pair = []
        for _visit in range(2):
            case = bench_visit(tube, rng, box=box, pins_cleaned=True)
            first = [r.value for r in case.readings if r.kind == "emission" and r.gun == "green"]
            pair.append(first[0] if first else np.nan)
        if min(pair) > 0.2 * box.full_scale:
            spreads.append(abs(np.log(pair[0] / pair[1])))
    assert len(spreads) > 15
    assert np.median(spreads) < 0.15


def test_every_symptom_and_test_is_in_the_catalogue() -> None:
    """A word that the judgement does not know would be evidence thrown away."""
    knowledge = load_knowledge()
    rng = np.random.default_rng(11)
    for _ in range(400):
        case = bench_visit(draw_tube(rng), rng)
        assert {s.id for s in case.symptoms} <= set(knowledge.symptoms)
        for test in case.tests:
            results = {r.id for r in knowledge.tests[test.id].results}
            assert test.result is None or test.result in results


def test_after_a_hunt_for_a_fault_the_voltages_are_known() -> None:
    rng = np.random.default_rng(12)
    for _ in range(20):
        case = bench_visit(draw_tube(rng), rng, set_measured=True)
        assert {"d_heater_rms", "d_g2", "d_bplus"} <= {test.id for test in case.tests}
