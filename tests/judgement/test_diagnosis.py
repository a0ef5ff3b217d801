"""Who is to blame for what was seen: against full enumeration, and as laws."""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from judgement.catalogue import SMALL, bench_test, case, catalogue, fault, result, symptom
from tubewright.judgement.diagnosis import Diagnosis, blame, diagnose_findings, explain, weigh
from tubewright.judgement.findings import Findings, TakenResult, gather_findings
from tubewright.judgement.said import accusations, excuses
from tubewright.knowledge.model import Knowledge


def outright(test: str, name: str) -> TakenResult:
    return TakenResult(test=test, result=name, gun=None, origin="test", words="")


def enumerated(findings: Findings, knowledge: Knowledge) -> dict[str, float]:
    """The slow plain twin of the blame: every fault there or not, every link active or not."""
    faults = list(knowledge.faults.values())
    excused = excuses(findings, knowledge)
    seen: dict[str, tuple[float, Mapping[str, float]]] = {
        name: (
            knowledge.symptoms[name].leak_probability,
            {f.id: f.shows[name] for f in faults if name in f.shows},
        )
        for name in findings.present
    }
    for weight in accusations(findings, knowledge):
        leak = 0.85 / max(weight.ratios.values())
        seen[f"{weight.test}/{weight.result}"] = (
            min(leak, 0.5),
            {f: (r * min(leak, 0.5) - min(leak, 0.5)) / (1 - min(leak, 0.5)) for f, r in weight.ratios.items()},
        )
    sums = {"evidence": 0.0, "tube": 0.0, "elsewhere": 0.0, "unknown": 0.0}
    for on in itertools.product((False, True), repeat=len(faults)):
        there = [f for f, is_on in zip(faults, on, strict=True) if is_on]
        chance = math.prod(
            f.per_1000 / 1000 * excused.get(f.id, 1.0) if is_on else 1 - f.per_1000 / 1000
            for f, is_on in zip(faults, on, strict=True)
        )
        for name in findings.absent:
            chance *= (1 - knowledge.symptoms[name].leak_probability) * math.prod(
                1 - f.shows.get(name, 0.0) for f in there
            )
        ways = [(f.of_the_tube, name, links[f.id]) for f in there for name, (_, links) in seen.items() if f.id in links]
        for active in itertools.product((False, True), repeat=len(ways)):
            weight_here = chance
            for (_, _, p), is_active in zip(ways, active, strict=True):
                weight_here *= p if is_active else 1 - p
            working = [way for way, is_active in zip(ways, active, strict=True) if is_active]
            for name, (leak, _) in seen.items():
                if name not in {shown for _, shown, _ in working}:
                    weight_here *= leak
            sums["evidence"] += weight_here
            sums["tube"] += weight_here * any(tube for tube, _, _ in working)
            sums["elsewhere"] += weight_here * any(not tube for tube, _, _ in working)
            sums["unknown"] += weight_here * (not working)
    return {name: total / sums["evidence"] for name, total in sums.items()} | {"evidence": sums["evidence"]}


SEEN = [
    Findings(present=("dim",)),
    Findings(present=("dim", "buzz"), absent=("tint",)),
    Findings(present=("dim", "tint"), results=(outright("t_emission", "all_good"),)),
    Findings(present=("dim",), results=(outright("d_g2", "low"), outright("t_emission", "all_low"))),
    Findings(present=("buzz", "ghost"), absent=("dim",), results=(outright("s_ripple", "mains_rate"),)),
    Findings(results=(outright("d_g2", "low"),)),
]


@pytest.mark.parametrize("findings", SEEN)
def test_blame_agrees_with_enumeration(findings: Findings) -> None:
    got = diagnose_findings(findings, SMALL)
    want = enumerated(findings, SMALL)
    assert got.probability_tube == pytest.approx(want["tube"], abs=1e-12)
    assert got.probability_elsewhere == pytest.approx(want["elsewhere"], abs=1e-12)
    assert got.probability_unknown == pytest.approx(want["unknown"], abs=1e-12)
    assert got.log_evidence == pytest.approx(math.log(want["evidence"]), abs=1e-12)
    short = blame(findings, SMALL)
    assert (short.tube, short.elsewhere, short.unknown) == pytest.approx(
        (got.probability_tube, got.probability_elsewhere, got.probability_unknown), abs=1e-12
    )


@pytest.mark.parametrize("ratio", [1.2, 2.0, 5.0, 20.0, 1000.0])
def test_one_accused_fault_gets_its_factor(ratio: float) -> None:
    """Alone, an accused fault's odds change by exactly the catalogue's factor."""
    knowledge = catalogue([], [fault("a", 20, {}), fault("b", 50, {})], [bench_test("t", result("bad", {"a": ratio}))])
    got = diagnose_findings(Findings(results=(outright("t", "bad"),)), knowledge).posteriors
    assert got["a"] / (1 - got["a"]) == pytest.approx(ratio * 0.02 / 0.98, rel=1e-12)
    assert got["b"] == pytest.approx(0.05, rel=1e-12)


def test_one_culprit_takes_the_blame_off_the_others() -> None:
    """A result that three faults could bring about needs only one: once it is found, the others fall back."""
    accused = {"a": 20.0, "b": 20.0, "c": 20.0}
    knowledge = catalogue(
        [],
        [fault(name, 20, {}) for name in accused],
        [bench_test("t", result("bad", accused)), bench_test("u", result("a", {"a": 1000.0}))],
    )
    first = diagnose_findings(Findings(results=(outright("t", "bad"),)), knowledge).posteriors
    found = diagnose_findings(Findings(results=(outright("t", "bad"), outright("u", "a"))), knowledge).posteriors
    assert sum(first.values()) < 1.1
    assert found["a"] > 0.95
    assert found["b"] < 0.3 * first["b"]


@pytest.mark.parametrize("findings", SEEN)
def test_explanations_are_exact(findings: Findings) -> None:
    """Where all sets of suspects can be kept they cover everything, and their sums are the posteriors."""
    got = diagnose_findings(findings, SMALL)
    assert got.explanations_cover == pytest.approx(1, abs=1e-9)
    for suspect in got.suspects:
        total = sum(e.probability for e in got.explanations if suspect.id in e.faults)
        assert total == pytest.approx(suspect.probability, abs=2e-3)


def test_nothing_seen_blames_nothing() -> None:
    """A hundred small priors are not a complaint: posteriors stay at the priors, nobody is to blame."""
    many = catalogue([symptom("dim")], [fault(f"f{i}", 20, {"dim": 0.5}) for i in range(100)], [])
    got = diagnose_findings(Findings(), many)
    assert got.suspects == ()
    assert (got.probability_tube, got.probability_elsewhere, got.probability_unknown) == (0, 0, 0)
    assert list(got.posteriors.values()) == pytest.approx([0.02] * 100)


def test_blame_follows_what_is_seen() -> None:
    """Common faults that show nothing of what is seen are neither suspects nor to blame."""
    others = [fault(f"f{i}", 200, {"buzz": 0.9}) for i in range(40)]
    knowledge = catalogue(
        [symptom("dim"), symptom("buzz")], [fault("tube_worn", 100, {"dim": 0.9}, subsystem="tube"), *others], []
    )
    got = diagnose_findings(Findings(present=("dim",)), knowledge)
    assert [s.id for s in got.suspects] == ["tube_worn"]
    assert got.probability_tube > 0.85
    assert got.probability_elsewhere == 0


def test_benign_marks_are_suspects_only_when_seen() -> None:
    seen = diagnose_findings(Findings(present=("dim", "ghost")), SMALL)
    unseen = diagnose_findings(Findings(present=("dim",)), SMALL)
    assert "tube_marked" in {s.id for s in seen.suspects}
    assert "tube_marked" not in {s.id for s in unseen.suspects}
    assert unseen.posteriors["tube_marked"] == pytest.approx(0.2)


def test_unexplained_findings_are_named() -> None:
    """A finding that the catalogue hardly explains is said to be unexplained."""
    knowledge = catalogue(
        [symptom("dim"), symptom("odd", 0.2)],
        [fault("g2_low", 150, {"dim": 0.6}), fault("rare", 0.1, {"odd": 0.5})],
        [],
    )
    assert diagnose_findings(Findings(present=("dim", "odd")), knowledge).unexplained == ("odd",)
    assert diagnose_findings(Findings(present=("odd",)), knowledge).probability_unknown > 0.9


names = st.sampled_from([*SMALL.symptoms])
pairs = [(t.id, r.id) for t in SMALL.tests.values() for r in t.results if not t.gate]


@st.composite
def evidences(draw: st.DrawFn) -> Findings:
    marks = draw(st.dictionaries(names, st.booleans()))
    chosen = draw(st.lists(st.sampled_from(pairs), max_size=3, unique_by=lambda pair: pair[0]))
    return Findings(
        present=tuple(n for n, on in marks.items() if on),
        absent=tuple(n for n, on in marks.items() if not on),
        results=tuple(outright(*pair) for pair in chosen),
    )


@given(evidences())
@settings(max_examples=60, deadline=None)
def test_probabilities_are_probabilities(findings: Findings) -> None:
    got = diagnose_findings(findings, SMALL)
    figures = [
        *got.posteriors.values(),
        got.probability_tube,
        got.probability_elsewhere,
        got.probability_unknown,
        got.explanations_cover,
        *(e.probability for e in got.explanations),
    ]
    assert all(0 <= p <= 1 + 1e-12 for p in figures)
    ranked = [s.probability for s in got.suspects]
    assert ranked == sorted(ranked, reverse=True)
    if findings.present or accusations(findings, SMALL):
        assert got.probability_tube + got.probability_elsewhere + got.probability_unknown >= 1 - 1e-9


def test_sets_of_faults_go_together() -> None:
    """Two findings with no fault in common need two faults; the best explanation holds both."""
    got: Diagnosis = diagnose_findings(gather_findings(case(symptoms=[{"id": "tint"}, {"id": "buzz"}]), SMALL), SMALL)
    assert set(got.explanations[0].faults) == {"tube_worn", "cap_dry"}


def test_cover_tells_what_the_kept_sets_leave_out() -> None:
    """With more likely faults than a set may hold, the cover is below 1 and says how far."""
    knowledge = catalogue(
        [symptom(f"s{i}", 1e-6) for i in range(12)],
        [fault(f"f{i}", 100, {f"s{i}": 0.5}) for i in range(12)],
        [],
    )
    got = diagnose_findings(Findings(present=tuple(knowledge.symptoms)), knowledge)
    assert got.explanations_cover < 1e-3
    assert all(p > 0.99 for p in got.posteriors.values())


def test_impossible_sets_weigh_nothing() -> None:
    """A finding without a leak can't be explained by the empty set."""
    knowledge = catalogue([symptom("dim", 0.0)], [fault("a", 20, {"dim": 0.5})], [])
    findings = Findings(present=("dim",))
    evidence = weigh(findings, knowledge)
    sets = explain(evidence, np.array([1.0]))
    assert sets.members[0].tolist() == [True]
    assert sets.probabilities[0] == pytest.approx(1)
    assert diagnose_findings(findings, knowledge).probability_unknown == pytest.approx(0, abs=1e-15)
