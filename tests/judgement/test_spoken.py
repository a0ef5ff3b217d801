"""Clues weighed and put into words, clashes named, and the test that tells two faults apart."""

from __future__ import annotations

import math

import numpy as np
import pytest

from judgement.catalogue import SMALL, bench_test, catalogue, fault, result, symptom
from tubewright.errors import InputError
from tubewright.judgement.clashes import excluding_results, hardly_together, impossible_together
from tubewright.judgement.diagnosis import diagnose_findings, weigh, weighed
from tubewright.judgement.findings import Findings, TakenResult
from tubewright.judgement.network import ImpossibleError
from tubewright.judgement.pulls import named_clues, pulls, telling_test
from tubewright.judgement.spoken import clue_words, strength
from tubewright.knowledge.model import Knowledge


def outright(test: str, name: str) -> TakenResult:
    return TakenResult(test=test, result=name, gun=None, origin="test", words="")


FINDINGS = Findings(
    present=("dim", "buzz"), absent=("tint",), results=(outright("t_emission", "all_good"), outright("d_g2", "low"))
)


def without(findings: Findings, name: str) -> Findings:
    """The findings without one clue, made anew."""
    return Findings(
        present=tuple(s for s in findings.present if s != name),
        absent=tuple(s for s in findings.absent if s != name),
        results=tuple(r for r in findings.results if r.test != name),
    )


def log_odds(probability: float) -> float:
    return math.log(probability / (1 - probability))


def test_a_pull_is_the_change_of_log_odds_without_the_clue() -> None:
    """Each as the difference of two whole diagnoses, the second without that clue."""
    told = weighed(FINDINGS, SMALL, without_each=True)
    moved = pulls(told.solved.posteriors)
    assert [clue.id for clue in told.evidence.clues] == ["dim", "buzz", "tint", "d_g2", "t_emission"]
    for row, clue in enumerate(told.evidence.clues):
        rest = diagnose_findings(without(FINDINGS, clue.id), SMALL).posteriors
        for at, name in enumerate(told.evidence.fault_ids):
            want = log_odds(told.diagnosis.posteriors[name]) - log_odds(rest[name])
            assert moved[row, at] == pytest.approx(want, abs=1e-9)


def test_pulls_point_the_right_way() -> None:
    told = weighed(FINDINGS, SMALL, without_each=True)
    moved = pulls(told.solved.posteriors)
    clues = {clue.id: row for row, clue in enumerate(told.evidence.clues)}
    place = {name: at for at, name in enumerate(told.evidence.fault_ids)}
    assert moved[clues["buzz"], place["cap_dry"]] > 3
    assert moved[clues["t_emission"], place["tube_worn"]] < -2
    assert moved[clues["tint"], place["tube_worn"]] < 0
    first = named_clues(told.evidence.clues, moved, place["cap_dry"], 0.2)[0]
    assert first[0].id == "buzz"
    assert strength(first[1]) == "very strongly"
    assert clue_words(first[0], FINDINGS, SMALL) == "buzz"
    assert clue_words(told.evidence.clues[clues["tint"]], FINDINGS, SMALL) == "Not seen: tint"
    assert clue_words(told.evidence.clues[clues["d_g2"]], FINDINGS, SMALL) == "d g2: low"


def test_the_test_that_tells_two_faults_apart() -> None:
    knowledge = catalogue(
        [symptom("dim")],
        [fault("a", 20, {"dim": 0.5}), fault("b", 20, {"dim": 0.5}), fault("c", 20, {"dim": 0.5})],
        [
            bench_test("of_c", result("bad", {"c": 20.0}), result("good", {"c": 0.2})),
            bench_test("of_both", result("bad", {"a": 20.0, "b": 20.0}), result("good", {"a": 0.2, "b": 0.2})),
            bench_test("of_a", result("bad", {"a": 20.0}), result("good", {"a": 0.05})),
        ],
    )
    findings = Findings(present=("dim",))
    told = weighed(findings, knowledge)
    telling = telling_test("a", "b", told.sets, told.evidence.fault_ids, {}, knowledge)
    assert telling is not None
    assert telling.test == "of_a"
    assert sum(r.chance for r in telling.results) == pytest.approx(1)
    for one in telling.results:
        after = diagnose_findings(Findings(present=("dim",), results=(outright("of_a", one.result),)), knowledge)
        assert one.first_probability == pytest.approx(after.posteriors["a"], abs=2e-3)
        assert one.second_probability == pytest.approx(after.posteriors["b"], abs=2e-3)
    only_c = catalogue([symptom("dim")], [*knowledge.faults.values()], [knowledge.tests["of_c"]])
    assert telling_test("a", "b", told.sets, told.evidence.fault_ids, {}, only_c) is None


def clash_net() -> Knowledge:
    return catalogue(
        [symptom("dim", 0.0), symptom("buzz", 0.0), symptom("tint", 0.1)],
        [fault("a", 20, {"dim": 0.5, "buzz": 1.0}), fault("b", 20, {"tint": 0.5})],
        [bench_test("t", result("bad", {"a": 5.0}), result("good", {"a": 0.2}))],
    )


def test_the_fewest_that_clash_are_named() -> None:
    """Dim needs a, a always buzzes, and no buzz is there; tint and the test have nothing to do with it."""
    knowledge = clash_net()
    findings = Findings(present=("dim", "tint"), absent=("buzz",), results=(outright("t", "bad"),))
    with pytest.raises(ImpossibleError):
        diagnose_findings(findings, knowledge)
    told = impossible_together(weigh(findings, knowledge), findings, knowledge)
    assert isinstance(told, InputError)
    assert "dim" in str(told)
    assert "buzz" in str(told)
    assert "tint" not in str(told)


def test_a_fault_found_that_does_not_show_what_it_always_shows() -> None:
    knowledge = clash_net()
    findings = Findings(absent=("buzz",), found=("a",))
    with pytest.raises(ImpossibleError):
        diagnose_findings(findings, knowledge)
    assert "always shows" in str(impossible_together(weigh(findings, knowledge), findings, knowledge))
    # Once it is mended the symptom may well be gone.
    diagnose_findings(Findings(absent=("buzz",), mended=("a",)), knowledge)


def test_results_that_exclude_each_other() -> None:
    both = Findings(results=(outright("t_emission", "all_low"), outright("t_emission", "all_good")))
    (clash,) = excluding_results(both, SMALL)
    assert clash.findings == ("t_emission/all_low", "t_emission/all_good")
    assert "only one of them can be" in clash.words
    fine = Findings(results=(outright("d_g2", "low"), outright("d_g2", "low_and_stays")))
    assert excluding_results(fine, SMALL) == ()
    (again,) = excluding_results(Findings(results=(outright("d_g2", "low"), outright("d_g2", "right"))), SMALL)
    assert "d g2" in again.words


def test_what_hardly_goes_together_is_said_with_how_hardly() -> None:
    """Two findings against full enumeration of the three faults that bear on them."""
    knowledge = catalogue(
        [symptom("dim", 1e-4), symptom("buzz", 1e-4)],
        [fault("a", 20, {"dim": 0.9, "buzz": 0.99}), fault("b", 1, {"dim": 0.3})],
        [],
    )
    findings = Findings(present=("dim",), absent=("buzz",))
    (clash,) = hardly_together(weigh(findings, knowledge), findings, knowledge)
    chance = dict.fromkeys(("dim", "still", "both"), 0.0)
    for a in (0, 1):
        for b in (0, 1):
            weight = (0.02 if a else 0.98) * (0.001 if b else 0.999)
            dim = 1 - (1 - 1e-4) * (1 - 0.9 * a) * (1 - 0.3 * b)
            still = 1 - 0.99 * a
            chance["dim"] += weight * dim
            chance["still"] += weight * still
            chance["both"] += weight * dim * still
    assert f"{chance['dim'] * chance['still'] / chance['both']:.0f} times" in clash.words
    assert hardly_together(weigh(Findings(present=("dim", "buzz")), knowledge), findings, knowledge) == ()


def test_confirmed_faults_explain_and_are_not_named_again() -> None:
    """Once the cause is found the rest falls back; ruled out, it loses nearly all its odds."""
    before = diagnose_findings(Findings(present=("dim", "buzz")), SMALL)
    found = diagnose_findings(Findings(present=("dim", "buzz"), found=("cap_dry",)), SMALL)
    assert found.posteriors["cap_dry"] == 1
    assert "cap_dry" not in {s.id for s in found.suspects}
    assert found.posteriors["tube_worn"] < before.posteriors["tube_worn"] + 1e-12
    assert found.unexplained == ()
    assert found.probability_unknown < 0.2
    excluded = diagnose_findings(Findings(present=("dim", "buzz"), excluded=("cap_dry",)), SMALL)
    assert log_odds(excluded.posteriors["cap_dry"]) < log_odds(before.posteriors["cap_dry"])


def test_a_confirmed_fault_is_one_that_is_surely_there() -> None:
    """Folding it in gives what its prior of almost 1 would give."""
    nearly = catalogue(
        [*SMALL.symptoms.values()],
        [f if f.id != "cap_dry" else fault("cap_dry", 1000 * (1 - 1e-12), f.shows) for f in SMALL.faults.values()],
        [*SMALL.tests.values()],
    )
    findings = Findings(present=("dim", "buzz"), absent=("tint",), results=(outright("d_g2", "low"),))
    want = diagnose_findings(findings, nearly)
    got = diagnose_findings(
        Findings(present=findings.present, absent=findings.absent, results=findings.results, found=("cap_dry",)), SMALL
    )
    for name in ("tube_worn", "g2_low", "tube_marked"):
        assert got.posteriors[name] == pytest.approx(want.posteriors[name], abs=1e-9)
    assert got.probability_unknown == pytest.approx(want.probability_unknown, abs=1e-9)
    assert got.probability_tube == pytest.approx(want.probability_tube, abs=1e-9)
    assert got.probability_elsewhere == pytest.approx(want.probability_elsewhere, abs=1e-9)
    assert got.log_evidence == pytest.approx(want.log_evidence, abs=1e-6)
    assert got.unexplained_probability == pytest.approx(dict(want.unexplained_probability), abs=1e-9)


def test_strength_in_words_and_what_is_certain_moves_nothing() -> None:
    assert [strength(x) for x in (0.0, 0.3, -0.8, 1.7, -3.5)] == [
        "",
        "a little",
        "clearly",
        "strongly",
        "very strongly",
    ]
    assert bool(np.all(pulls(np.array([[1.0, 0.0], [1.0, 0.0]])) == 0))
