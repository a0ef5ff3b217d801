"""What closed jobs teach: counted once, shared out, and gone when a job is struck out."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from judgement.catalogue import SMALL, bench_test, catalogue, fault, result, symptom
from tubewright.experience import NO_EXPERIENCE, Experience, MendedJob
from tubewright.judgement.diagnosis import diagnose_findings
from tubewright.judgement.faults_learned import (
    LINK_WORTH_JOBS,
    NEW_LINK_JOBS,
    PRIOR_WORTH_JOBS,
    SILENCE_IS_ABSENCE,
    learn_faults,
)
from tubewright.judgement.findings import Findings


def learned(*jobs: MendedJob) -> Experience:
    return Experience(mended=jobs, closed_jobs=len(jobs))


def test_nothing_learned_is_the_catalogue_itself() -> None:
    assert learn_faults(SMALL, NO_EXPERIENCE).knowledge is SMALL
    strange = learned(MendedJob(faults=("of_another_shop",), present=("dim",)))
    got = learn_faults(SMALL, strange)
    assert got.knowledge is SMALL
    assert got.jobs == 0


def test_how_often_a_fault_comes_by_hand() -> None:
    """The general figure counts as so many jobs: (100 x 0.04 + 3) / (100 + 4)."""
    jobs = [MendedJob(faults=("cap_dry",))] * 3 + [MendedJob(faults=("g2_low",))]
    got = learn_faults(SMALL, learned(*jobs)).knowledge.faults
    assert got["cap_dry"].per_1000 == pytest.approx(1000 * (PRIOR_WORTH_JOBS * 0.04 + 3) / (PRIOR_WORTH_JOBS + 4))
    assert got["tube_worn"].per_1000 == pytest.approx(1000 * PRIOR_WORTH_JOBS * 0.2 / (PRIOR_WORTH_JOBS + 4))


def test_a_symptom_by_hand() -> None:
    """Alone, a fault is answerable for what was seen but for the leak; what was looked for in vain counts against."""
    got = learn_faults(SMALL, learned(MendedJob(faults=("cap_dry",), present=("buzz",), absent=("dim",))))
    shows = got.knowledge.faults["cap_dry"].shows
    share = 0.8 / (1 - 0.99 * 0.2)
    assert shows["buzz"] == pytest.approx((LINK_WORTH_JOBS * 0.8 + share) / (LINK_WORTH_JOBS + 1))
    assert shows["dim"] == pytest.approx(LINK_WORTH_JOBS * 0.2 / (LINK_WORTH_JOBS + 1))
    silent = learn_faults(SMALL, learned(MendedJob(faults=("cap_dry",), present=("buzz",))))
    assert silent.knowledge.faults["cap_dry"].shows["dim"] == pytest.approx(
        LINK_WORTH_JOBS * 0.2 / (LINK_WORTH_JOBS + SILENCE_IS_ABSENCE)
    )


def test_a_symptom_of_two_faults_is_shared_out() -> None:
    """Seen with two confirmed faults it counts for both together less than twice, and more for the likelier one."""
    job = MendedJob(faults=("g2_low", "cap_dry"), present=("dim",))
    got = {f.fault: f for f in learn_faults(SMALL, learned(job)).figures if f.about == "dim"}
    worth = LINK_WORTH_JOBS + 1
    shares = {name: f.ours_probability * worth - LINK_WORTH_JOBS * f.general_probability for name, f in got.items()}
    hidden = 0.99 * 0.4 * 0.8
    assert shares["g2_low"] == pytest.approx(0.6 / (1 - hidden))
    assert shares["cap_dry"] == pytest.approx(0.2 / (1 - hidden))
    assert sum(shares.values()) < 2 * shares["g2_low"]


def test_a_new_connection_needs_more_than_one_job() -> None:
    job = MendedJob(faults=("cap_dry",), present=("tint",))
    assert "tint" not in learn_faults(SMALL, learned(job)).knowledge.faults["cap_dry"].shows
    more = learn_faults(SMALL, learned(*[job] * NEW_LINK_JOBS)).knowledge.faults["cap_dry"].shows
    assert 0 < more["tint"] < 0.3


def test_a_test_result_moves_its_factor() -> None:
    """Always seen with the fault, its factor rises; seen without trouble all the same, its excuse weakens."""
    seen = MendedJob(faults=("cap_dry",), results=(("s_ripple", "mains_rate"),))
    fooled = MendedJob(faults=("cap_dry",), results=(("s_ripple", "clean"),))

    def factors(job: MendedJob) -> dict[str, float]:
        test = learn_faults(SMALL, learned(*[job] * 10)).knowledge.tests["s_ripple"]
        return {r.id: r.odds_ratios["cap_dry"] for r in test.results}

    assert factors(seen)["mains_rate"] > 20
    assert factors(seen)["clean"] < 0.2
    assert 1 <= factors(fooled)["mains_rate"] < 20
    assert 0.2 < factors(fooled)["clean"] <= 1
    untaken = learn_faults(SMALL, learned(MendedJob(faults=("cap_dry",)))).knowledge.tests
    assert untaken == SMALL.tests


jobs = st.builds(
    MendedJob,
    faults=st.lists(st.sampled_from([*SMALL.faults]), min_size=1, max_size=3, unique=True).map(tuple),
    present=st.lists(st.sampled_from(["dim", "buzz"]), unique=True).map(tuple),
    absent=st.lists(st.sampled_from(["tint", "ghost"]), unique=True).map(tuple),
    results=st.lists(
        st.sampled_from([(t.id, r.id) for t in SMALL.tests.values() for r in t.results]), max_size=3, unique=True
    ).map(tuple),
)


@given(st.lists(jobs, max_size=8), jobs, st.randoms(use_true_random=False))
@settings(max_examples=60, deadline=None)
def test_striking_a_job_out_takes_its_lesson_away(kept: list[MendedJob], struck: MendedJob, random: object) -> None:
    """With the job and without it again is as if it had never been; and no order of jobs matters."""
    before = learn_faults(SMALL, learned(*kept))
    with_it = learn_faults(SMALL, learned(*kept, struck))
    again = learn_faults(SMALL, replace(learned(*kept, struck), mended=tuple(kept), closed_jobs=len(kept)))
    assert again == before
    assert with_it.jobs == before.jobs + 1
    backwards = learn_faults(SMALL, learned(struck, *reversed(kept)))
    for name, fault_of in with_it.knowledge.faults.items():
        assert backwards.knowledge.faults[name].per_1000 == pytest.approx(fault_of.per_1000)
        assert backwards.knowledge.faults[name].shows == pytest.approx(dict(fault_of.shows))


@given(st.lists(jobs, min_size=1, max_size=20))
@settings(max_examples=60, deadline=None)
def test_learned_figures_are_probabilities(kept: list[MendedJob]) -> None:
    got = learn_faults(SMALL, learned(*kept))
    assert all(0 <= f.ours_probability <= 1 for f in got.figures)
    for test in got.knowledge.tests.values():
        for one in test.results:
            for name, ratio in one.odds_ratios.items():
                general = next(r for r in SMALL.tests[test.id].results if r.id == one.id).odds_ratios[name]
                assert ratio > 0
                assert (ratio >= 1 - 1e-12) if general > 1 else (ratio <= 1 + 1e-12)
    diagnose_findings(Findings(present=("dim", "buzz")), got.knowledge)


def test_the_shops_own_faults_rise_in_the_ranking() -> None:
    """Two faults that the catalogue puts level: the one this shop keeps finding comes first."""
    knowledge = catalogue(
        [symptom("dim")],
        [fault("a", 20, {"dim": 0.5}), fault("b", 20, {"dim": 0.5})],
        [bench_test("t", result("bad", {"a": 5.0}), result("good", {"a": 0.2}))],
    )
    own = learn_faults(knowledge, learned(*[MendedJob(faults=("b",), present=("dim",))] * 10))
    got = diagnose_findings(Findings(present=("dim",)), own.knowledge)
    assert got.suspects[0].id == "b"
    assert "10 closed jobs" in own.words
