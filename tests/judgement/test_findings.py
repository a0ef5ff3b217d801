"""From a case to findings, on a small hand-made catalogue."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from judgement.catalogue import SMALL, bench_test, case, result
from tubewright.case import Gun
from tubewright.errors import InputError
from tubewright.judgement.findings import Findings, TakenResult, gather_findings
from tubewright.judgement.ranges import result_of_value
from tubewright.judgement.said import accusations, excuses, odds_ratios


def taken(findings: Findings) -> set[tuple[str, str]]:
    return {(r.test, r.result) for r in findings.results}


def test_symptoms_present_and_absent() -> None:
    found = gather_findings(case(symptoms=[{"id": "dim"}, {"id": "buzz", "present": False}, {"id": "dim"}]), SMALL)
    assert found.present == ("dim",)
    assert found.absent == ("buzz",)


def test_every_unknown_name_is_reported_with_its_nearest() -> None:
    """Misspelt symptoms, tests and results come back together, each with what was probably meant."""
    with pytest.raises(InputError) as caught:
        gather_findings(
            case(
                symptoms=[{"id": "buz"}],
                tests=[{"id": "d_g3", "result": "low"}, {"id": "d_g2", "result": "lo"}, {"id": "xyzzy", "result": "a"}],
            ),
            SMALL,
        )
    where = {fault.where: fault.mend for fault in caught.value.faults}
    assert set(where) == {"symptoms[0].id", "tests[0].id", "tests[1].result", "tests[2].id"}
    assert "buzz" in where["symptoms[0].id"]
    assert "d_g2" in where["tests[0].id"]
    assert "low" in where["tests[1].result"]
    assert "tubewright list tests" in where["tests[2].id"]


def test_present_and_absent_at_once_is_a_fault() -> None:
    with pytest.raises(InputError, match="both present and absent"):
        gather_findings(case(symptoms=[{"id": "dim"}, {"id": "dim", "present": False}]), SMALL)


@pytest.mark.parametrize(
    ("given", "wanted"),
    [
        ({"id": "d_g2", "value": 190, "unit": "V", "nominal": 400}, {("d_g2", "low")}),
        ({"id": "d_g2", "value": 0.4, "unit": "kV", "nominal": 0.4}, {("d_g2", "right")}),
        ({"id": "d_g2", "value": 47, "unit": "percent"}, {("d_g2", "low")}),
        ({"id": "d_g2", "value": 320, "unit": "V", "nominal": 400}, set()),
        ({"id": "t_leak_hk", "value": 10, "unit": "kohm"}, {("t_leak_hk", "short")}),
        ({"id": "t_leak_hk", "value": 20.0, "unit": "Mohm"}, {("t_leak_hk", "sound")}),
        ({"id": "d_g2", "result": "low"}, {("d_g2", "low")}),
    ],
)
def test_numbers_become_named_results(given: dict[str, Any], wanted: set[tuple[str, str]]) -> None:
    """Units are understood, ranges are half open, a value in no range says nothing."""
    found = gather_findings(case(tests=[given]), SMALL)
    assert taken(found) == wanted
    assert bool(found.silent) is not bool(wanted)


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"id": "d_g2", "value": 190, "unit": "V"}, "needs to know what is nominal"),
        ({"id": "s_ripple", "value": 190, "unit": "V"}, "can't be read off a number.*mains_rate, clean"),
        ({"id": "t_leak_hk", "value": 190, "unit": "V"}, "not a unit of t_leak_hk.*Mohm"),
    ],
)
def test_numbers_that_mean_nothing_here(given: dict[str, Any], words: str) -> None:
    with pytest.raises(InputError, match=words):
        gather_findings(case(tests=[given]), SMALL)


def test_usual_nominal_and_refining_range() -> None:
    """Without a nominal the test's own stands in; of two ranges the refining one wins."""
    test = bench_test(
        "d_rail",
        result("low", quantity="ratio", below=0.9),
        result("dead", quantity="ratio", below=0.1, refines="low"),
        usual_nominal=24.0,
    )
    low = result_of_value(test, value=18, unit="V")
    dead = result_of_value(test, value=1, unit="V")
    assert low is not None
    assert dead is not None
    assert (low.id, dead.id) == ("low", "dead")


@given(st.floats(0, 1e6))
def test_at_most_one_result_per_number(value: float) -> None:
    """Whatever is read, a test answers with one result or none, and the range holds the value."""
    test = SMALL.tests["t_leak_hk"]
    named = result_of_value(test, value=value, unit="Mohm")
    if named is None:
        assert 0.05 <= value < 20
    else:
        assert named.at_least is None or value >= named.at_least
        assert named.below is None or value < named.below


READINGS: list[dict[str, Any]] = [
    {"kind": "leakage_heater_cathode", "gun": "red", "value": 50.0, "unit": "Mohm"},
    {"kind": "leakage_heater_cathode", "gun": "green", "value": 0.01, "unit": "Mohm"},
    {"kind": "cutoff", "gun": "red", "value": 60.0, "unit": "V"},
    {"kind": "cutoff", "gun": "green", "value": 60.0, "unit": "V"},
    {"kind": "cutoff", "gun": "blue", "value": 90.0, "unit": "V"},
]


def test_results_that_follow_from_readings() -> None:
    """Leakages, cutoff spread, slump, emission and the getter speak as the tests they amount to."""
    found = gather_findings(
        case(readings=READINGS, tube={"getter": "white"}),
        SMALL,
        emission={"red": 0.3, "green": 0.6, "blue": 0.62},
        retention={"red": 0.7, "green": 0.95},
    )
    assert taken(found) == {
        ("t_leak_hk", "sound"),
        ("t_leak_hk", "short"),
        ("t_cutoff", "spread"),
        ("t_slump", "large"),
        ("t_slump", "small"),
        ("t_emission", "one_low"),
        ("v_getter", "white"),
    }
    assert all(r.origin == "reading" for r in found.results)
    without = gather_findings(
        case(readings=READINGS, tube={"getter": "white"}), SMALL, emission={"red": 0.3}, include_readings=False
    )
    assert without.results == ()


@pytest.mark.parametrize(
    ("emission", "wanted"),
    [
        ({"red": 0.39, "green": 0.3, "blue": 0.35}, {"all_low"}),
        ({"red": 0.39, "green": 0.1, "blue": 0.35}, {"all_low", "one_low"}),
        ({"red": 0.78, "green": 0.6, "blue": 0.8}, {"all_good"}),
        ({"red": 0.5, "green": 0.5, "blue": 0.55}, set()),
        ({"red": 0.2, "green": 0.6}, {"one_low"}),
        ({"red": 0.2}, set()),
        ({"red": 0.0, "green": 0.0, "blue": 0.0}, {"all_low"}),
    ],
)
def test_emission_in_words(emission: dict[Gun, float], wanted: set[str]) -> None:
    found = gather_findings(case(), SMALL, emission=emission)
    assert {r.result for r in found.results} == wanted


def test_readings_after_a_treatment_replace_those_before() -> None:
    before = {"kind": "leakage_heater_cathode", "gun": "red", "value": 0.01, "unit": "Mohm", "stage": "before"}
    after = {**before, "value": 50.0, "stage": "after"}
    assert taken(gather_findings(case(readings=[before, after]), SMALL)) == {("t_leak_hk", "sound")}


def test_a_test_named_outright_replaces_the_reading() -> None:
    found = gather_findings(case(readings=READINGS[:2], tests=[{"id": "t_leak_hk", "result": "sound"}]), SMALL)
    assert taken(found) == {("t_leak_hk", "sound")}


def test_one_test_speaks_once_per_fault() -> None:
    """A short on one gun is not undone by two sound guns, nor counted three times."""

    def leak(name: str, gun: Gun) -> TakenResult:
        return TakenResult(test="t_leak_hk", result=name, gun=gun, origin="test", words="")

    mixed = Findings(results=(leak("short", "green"), leak("sound", "red"), leak("sound", "blue")))
    assert odds_ratios(mixed, SMALL) == {"tube_worn": 3.0}
    sound = Findings(results=(leak("sound", "red"), leak("sound", "blue")))
    assert odds_ratios(sound, SMALL) == {"tube_worn": 0.5}
    refined = Findings(
        results=tuple(
            TakenResult(test="d_g2", result=name, gun=None, origin="test", words="")
            for name in ("low", "low_and_stays")
        )
    )
    assert odds_ratios(refined, SMALL) == {"g2_low": 20.0}


def test_one_good_gun_excuses_no_other() -> None:
    """An excuse found on one gun counts only as far as the others bear it out; a test without a gun counts whole."""

    def slump(name: str, gun: Gun | None) -> TakenResult:
        return TakenResult(test="t_slump", result=name, gun=gun, origin="reading", words="")

    def ratios(*results: TakenResult) -> dict[str, float]:
        return odds_ratios(Findings(results=results), SMALL)

    assert ratios(slump("small", "red"), slump("small", "blue")) == {"tube_worn": 0.2}
    assert ratios(slump("small", "red"), slump("middling", "blue")) == {}
    assert ratios(slump("small", None)) == {"tube_worn": 0.2}


def test_a_quotient_on_the_bound_counts_as_on_it() -> None:
    """0.9 of 66 over 66 is 0.9 to a technician, whatever the last binary digit says."""
    named = result_of_value(SMALL.tests["t_slump"], value=59.4 / 66, unit="ratio")
    assert named is not None
    assert named.id == "small"


def test_accusations_and_excuses_are_kept_apart() -> None:
    found = Findings(
        results=tuple(
            TakenResult(test=test, result=name, gun=None, origin="test", words="")
            for test, name in (("t_emission", "all_good"), ("d_g2", "low"), ("d_g2", "right"))
        )
    )
    assert [(w.test, w.result, dict(w.ratios)) for w in accusations(found, SMALL)] == [("d_g2", "low", {"g2_low": 5.0})]
    assert excuses(found, SMALL) == {"tube_worn": 0.05}


def test_different_tests_multiply() -> None:
    found = gather_findings(
        case(tests=[{"id": "t_emission", "result": "all_low"}, {"id": "t_slump", "result": "large"}]), SMALL
    )
    assert odds_ratios(found, SMALL) == {"tube_worn": 25.0}


def test_numbers_that_contradict_each_other_are_named() -> None:
    tests = [{"id": "d_g2", "value": v, "unit": "V", "nominal": 400} for v in (190, 400)]
    found = gather_findings(case(tests=tests), SMALL)
    assert len(found.doubts) == 1
    assert "190" in found.doubts[0]
    assert "400" in found.doubts[0]
