"""What may stand in for a capacitor: never less than was, never polar for non-polar, nothing at all for some."""

from __future__ import annotations

import dataclasses
import random
from collections.abc import Iterator
from typing import Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.judgement.capacitor_part import CapacitorPart, capacitance_words
from tubewright.judgement.substitution import judge_substitution
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
PLACES: Final = sorted(KNOWLEDGE.capacitor_places)
KINDS: Final = sorted(KNOWLEDGE.capacitor_kinds)


SHORT: Final = {
    "el": "electrolytic",
    "lesr": "electrolytic_low_esr",
    "lleak": "electrolytic_low_leakage",
    "bip": "electrolytic_bipolar",
    "pet": "film_polyester",
    "pp": "film_polypropylene",
    "pulse": "film_pulse",
    "safe": "film_safety",
    "hvc": "ceramic_high_voltage",
}


def part(words: str, **more: object) -> CapacitorPart:
    """A part from ``kind uF V C``."""
    kind, capacitance, rated, temperature = words.split()
    kind = SHORT.get(kind, kind)
    found = CapacitorPart(
        kind=kind, capacitance_uf=float(capacitance), rated_v=float(rated), temperature_c=float(temperature)
    )
    return dataclasses.replace(found, **more)  # type: ignore[arg-type]


TUNING: Final = part("pulse 0.0068 1600 85", pulse_v_per_us=3000, tolerance_percent=5)
RESERVOIR: Final = part("el 220 400 85", ripple_a=1.1)
LOOP: Final = part("el 4.7 50 85")
X2: Final = part("safe 0.1 275 85", safety_class="X2")


@pytest.mark.parametrize(
    ("place", "was", "new", "verdict", "dimensions"),
    [
        ("primary_reservoir", RESERVOIR, part("el 220 400 105", ripple_a=1.2), "fits", ""),
        ("primary_reservoir", RESERVOIR, part("el 270 450 105", ripple_a=1.2), "fits_with_remark", "capacitance"),
        ("primary_reservoir", RESERVOIR, part("el 220 400 105"), "fits_with_remark", "ripple"),
        ("primary_reservoir", RESERVOIR, part("el 330 400 105", ripple_a=2), "refused", "capacitance"),
        ("primary_reservoir", RESERVOIR, part("el 180 400 105", ripple_a=2), "refused", "capacitance"),
        ("primary_reservoir", RESERVOIR, part("el 220 400 105", ripple_a=0.9), "refused", "ripple"),
        ("primary_reservoir", RESERVOIR, part("el 220 350 85", ripple_a=2), "refused", "voltage temperature"),
        ("rail", part("el 100 160 85"), part("lesr 100 160 105"), "fits_with_remark", "ripple"),
        ("rail", part("el 100 160 85"), part("el 100 160 105"), "refused", "kind ripple"),
        ("rail", part("el 100 160 85", esr_ohm=0.6, ripple_a=0.4),
         part("el 100 160 105", esr_ohm=0.5, ripple_a=0.5), "fits_with_remark", "kind"),
        ("rail", part("el 100 160 85", esr_ohm=0.6, ripple_a=0.4),
         part("el 100 160 105", esr_ohm=0.7, ripple_a=0.5), "refused", "esr kind"),
        ("rail", part("el 100 35 85"), part("polymer 100 35 105"), "refused", "kind ripple"),
        ("loop_filter", LOOP, part("lleak 4.7 50 85"), "fits", ""),
        ("loop_filter", LOOP, part("pet 4.7 63 85"), "fits", ""),
        ("loop_filter", LOOP, part("el 4.7 50 105"), "fits_with_remark", "kind"),
        ("loop_filter", LOOP, part("pet 5.6 63 85"), "refused", "capacitance"),
        ("loop_filter", LOOP, part("pet 3.9 63 85"), "refused", "capacitance"),
        ("loop_filter", part("el 50 25 85"), part("lleak 47 25 85"), "fits_with_remark", "capacitance"),
        ("loop_filter", part("el 50 25 85"), part("lleak 51 25 85"), "refused", "capacitance"),
        ("loop_filter", part("tantalum 1 35 85"), part("el 1 50 105"), "refused", "kind"),
        ("loop_filter", part("pet 0.1 63 85"), part("lleak 0.1 63 85"), "refused", "kind polarity"),
        ("loop_filter", part("pp 0.01 63 85"), part("pet 0.01 63 85"), "refused", "kind"),
        ("loop_filter", LOOP, part("tantalum 4.7 50 85"), "fits_with_remark", "voltage"),
        ("signal_coupling", part("bip 10 25 85"), part("el 10 25 85"), "refused", "polarity kind"),
        ("signal_coupling", part("el 10 25 85"), part("bip 10 25 105"), "fits_with_remark", "kind"),
        ("non_polar", part("bip 4.7 50 85"), part("bip 4.7 50 105"), "fits_with_remark", "ripple"),
        ("non_polar", part("bip 4.7 50 85"), part("el 4.7 100 105"), "refused", "kind polarity ripple"),
        ("s_correction", part("pulse 0.39 250 85"), part("pulse 0.39 250 85"), "fits", ""),
        ("s_correction", part("pulse 0.39 250 85"), part("pet 0.39 250 85"), "refused", "kind"),
        ("s_correction", part("pulse 0.39 250 85"), part("pulse 0.47 250 85"), "refused", "capacitance"),
        ("retrace_tuning", TUNING, TUNING, "fits_with_remark", "place"),
        ("retrace_tuning", TUNING, dataclasses.replace(TUNING, rated_v=2000), "refused", "voltage place"),
        ("retrace_tuning", TUNING, dataclasses.replace(TUNING, capacitance_uf=0.0082), "refused", "capacitance place"),
        ("retrace_tuning", TUNING, dataclasses.replace(TUNING, pulse_v_per_us=None), "refused", "pulse place"),
        ("retrace_tuning", dataclasses.replace(TUNING, pulse_v_per_us=None, mark="QX 12"),
         dataclasses.replace(TUNING, pulse_v_per_us=None, mark="qx 12 "), "fits_with_remark", "place"),
        ("mains_safety", X2, X2, "fits", ""),
        ("mains_safety", X2, dataclasses.replace(X2, safety_class="X1"), "refused", "safety_class"),
        ("mains_safety", X2, dataclasses.replace(X2, safety_class=""), "refused", "safety_class"),
        ("mains_safety", X2, part("pp 0.1 630 85"), "refused", "kind safety_class"),
        ("mains_safety", dataclasses.replace(X2, safety_class=""), X2, "refused", "safety_class"),
        ("snubber", part("hvc 0.001 2000 85"), part("ceramic 0.001 1000 85"), "refused", "kind voltage"),
        ("decoupling", part("ceramic 0.1 50 85"), part("pet 0.1 63 85"), "fits", ""),
        ("decoupling", part("pet 0.1 63 85"), part("ceramic 0.1 100 85"), "refused", "kind"),
        ("decoupling", part("ceramic 0.1 50 85"), part("ceramic 0.22 50 85"), "fits_with_remark", "capacitance"),
        ("signal_coupling", part("paper 0.047 400 70"), part("pet 0.047 400 85"), "fits", ""),
    ],
)  # fmt: skip
def test_the_rules_of_the_trade(
    place: str, was: CapacitorPart, new: CapacitorPart, verdict: str, dimensions: str
) -> None:
    found = judge_substitution(was, new, place, KNOWLEDGE)
    assert found.verdict == verdict, found.objections
    assert {objection.dimension for objection in found.objections} == set(dimensions.split())
    assert all(objection.words.endswith(".") for objection in found.objections)
    refusals = [objection.refuses for objection in found.objections]
    assert refusals == sorted(refusals, reverse=True)


@pytest.mark.parametrize("field", ["capacitance_uf", "rated_v", "kind"])
@pytest.mark.parametrize("place", PLACES)
def test_what_is_not_known_of_the_candidate_never_passes_in_silence(place: str, field: str) -> None:
    at = KNOWLEDGE.capacitor_places[place]
    sound = part(f"{at.kinds[0]} 1 400 125", ripple_a=1, safety_class="X2" if at.safety else "", pulse_v_per_us=1)
    blank = dataclasses.replace(sound, **{field: "" if field == "kind" else None})  # type: ignore[arg-type]
    assert judge_substitution(sound, sound, place, KNOWLEDGE).verdict != "refused"
    assert judge_substitution(sound, blank, place, KNOWLEDGE).verdict == "refused"


def test_the_voltage_that_stands_there_counts_too() -> None:
    was, new = (
        part("electrolytic_low_esr 100 100 105", ripple_a=1),
        part("electrolytic_low_esr 100 160 105", ripple_a=1),
    )
    assert judge_substitution(was, new, "rail", KNOWLEDGE, stands_at_v=127).verdict == "fits"
    assert judge_substitution(was, new, "rail", KNOWLEDGE, stands_at_v=150).verdict == "fits_with_remark"
    assert judge_substitution(was, was, "rail", KNOWLEDGE, stands_at_v=127).verdict == "refused"
    dry = part("tantalum 4.7 25 85")
    assert judge_substitution(dry, dry, "loop_filter", KNOWLEDGE, stands_at_v=12).verdict == "fits"
    assert judge_substitution(dry, dry, "loop_filter", KNOWLEDGE, stands_at_v=18).verdict == "refused"


def test_size_and_age_are_minded() -> None:
    was = part("electrolytic 220 400 85", ripple_a=1, height_mm=30, pitch_mm=10)
    new = part("electrolytic 220 400 105", ripple_a=1, height_mm=35, pitch_mm=7.5, made_years=6)
    found = judge_substitution(was, new, "primary_reservoir", KNOWLEDGE)
    assert found.verdict == "fits_with_remark"
    assert [objection.dimension for objection in found.objections] == ["size", "size", "age"]
    old = dataclasses.replace(new, made_years=25)
    assert judge_substitution(was, old, "primary_reservoir", KNOWLEDGE).verdict == "refused"


# --- laws ------------------------------------------------------------------------

MAYBE: Final = st.none() | st.sampled_from([0.5, 1.0, 2.0])
PARTS: Final = st.builds(
    CapacitorPart,
    kind=st.sampled_from(["", *KINDS]),
    capacitance_uf=st.none() | st.sampled_from([0.001, 0.0047, 0.0068, 0.1, 1.0, 4.7, 47.0, 50.0, 100.0, 220.0]),
    rated_v=st.none() | st.sampled_from([16.0, 25.0, 50.0, 160.0, 400.0, 1600.0, 2000.0]),
    polar=st.none() | st.booleans(),
    temperature_c=st.none() | st.sampled_from([70.0, 85.0, 105.0, 125.0]),
    ripple_a=MAYBE,
    esr_ohm=MAYBE,
    pulse_v_per_us=MAYBE,
    safety_class=st.sampled_from(["", "X1", "X2", "Y1", "Y2"]),
    tolerance_percent=st.none() | st.sampled_from([5.0, 10.0, 20.0]),
    mark=st.sampled_from(["", "QX 12", "QX 13"]),
)


CHOICES: Final[dict[str, list[object]]] = {
    "kind": ["", *KINDS],
    "capacitance_uf": [None, 0.0047, 0.1, 1.0, 3.9, 4.7, 5.0, 47.0, 50.0, 56.0, 100.0],
    "rated_v": [None, 16.0, 25.0, 50.0, 160.0, 400.0],
    "polar": [None, True, False],
    "temperature_c": [None, 70.0, 85.0, 105.0, 125.0],
    "ripple_a": [None, 0.5, 1.0, 2.0],
    "esr_ohm": [None, 0.5, 1.0, 2.0],
    "safety_class": ["", "X1", "X2", "Y1", "Y2"],
    "tolerance_percent": [None, 5.0, 10.0, 20.0],
}


def pairs(seed: int, count: int) -> Iterator[tuple[CapacitorPart, CapacitorPart, str]]:
    """Pairs that start alike and sound for a place, then differ in up to three fields each."""
    rng = random.Random(seed)  # noqa: S311 - no secret
    for _ in range(count):
        place = rng.choice(PLACES)
        at = KNOWLEDGE.capacitor_places[place]
        kind, size = rng.choice(at.kinds), rng.choice([4.7, 5.0, 50.0, 100.0])
        same = part(f"{kind} {size} 100 105", ripple_a=1, esr_ohm=1, safety_class="X2" if at.safety else "")
        both = []
        for _ in range(2):
            fields = rng.sample(sorted(CHOICES), rng.randint(0, 3))
            both.append(dataclasses.replace(same, **{field: rng.choice(CHOICES[field]) for field in fields}))  # type: ignore[arg-type]
        yield both[0], both[1], place


@pytest.mark.parametrize("seed", [1, 2])
def test_what_passes_is_never_worse_than_what_was(seed: int) -> None:
    passed = 0
    for was, new, place in pairs(seed, 4000):
        if judge_substitution(was, new, place, KNOWLEDGE).verdict == "refused":
            continue
        passed += 1
        at = KNOWLEDGE.capacitor_places[place]
        safety = at.safety or bool(was.safety_class) or (bool(was.kind) and KNOWLEDGE.capacitor_kinds[was.kind].safety)
        assert (was.rated_v is None and safety) or (new.rated_v or 0) >= (was.rated_v or 0) > 0
        if safety:
            assert new.safety_class == was.safety_class != ""
            assert KNOWLEDGE.capacitor_kinds[new.kind].safety
        if at.polarity == "non_polar" or was.is_polar(KNOWLEDGE) is False:
            assert new.is_polar(KNOWLEDGE) is False
        if was.ripple_a is not None and new.ripple_a is not None and at.ripple != "none":
            assert new.ripple_a >= was.ripple_a
        if was.temperature_c is not None and new.temperature_c is not None:
            assert new.temperature_c >= was.temperature_c
        assert was.capacitance_uf is not None
        assert new.capacitance_uf is not None
        if place == "loop_filter":
            assert new.capacitance_uf <= was.capacitance_uf * 1.006
        assert not at.untouchable  # no pulse rating and no maker's type was given
    assert passed > 500


@settings(max_examples=200)
@given(
    was=PARTS,
    change=st.sampled_from(
        [{"capacitance_uf": 0.0047}, {"capacitance_uf": 0.0069}, {"rated_v": 2000.0}, {"rated_v": 1000.0},
         {"kind": "film_polypropylene"}, {"kind": "ceramic_high_voltage"}, {"pulse_v_per_us": 2999.0}]
    ),
)  # fmt: skip
def test_nothing_about_the_tuning_capacitor_is_ever_changed(was: CapacitorPart, change: dict[str, object]) -> None:
    changed = dataclasses.replace(TUNING, **change)  # type: ignore[arg-type]
    assert judge_substitution(TUNING, changed, "retrace_tuning", KNOWLEDGE).verdict == "refused"
    if was.capacitance_uf is None or was.rated_v is None or not was.kind:
        assert judge_substitution(was, TUNING, "retrace_tuning", KNOWLEDGE).verdict == "refused"


def test_a_better_part_is_never_refused_where_its_equal_passes() -> None:
    """More voltage, more ripple, less ESR, a higher temperature class: none of it may turn the verdict."""
    for place in PLACES:
        at = KNOWLEDGE.capacitor_places[place]
        if at.untouchable:
            continue
        same = part(f"{at.kinds[0]} 10 100 105", ripple_a=1, esr_ohm=0.5, safety_class="X2" if at.safety else "")
        better = dataclasses.replace(same, rated_v=160, ripple_a=2, esr_ohm=0.2, temperature_c=125)
        assert judge_substitution(same, same, place, KNOWLEDGE).verdict == "fits", place
        assert judge_substitution(same, better, place, KNOWLEDGE).verdict == "fits", place


def test_capacitances_are_said_as_they_are_printed() -> None:
    said = [capacitance_words(value) for value in (2200, 4.7, 1, 0.47, 0.0068, 0.00022, 1e-6)]
    assert said == ["2200 µF", "4.7 µF", "1 µF", "470 nF", "6.8 nF", "220 pF", "1 pF"]
