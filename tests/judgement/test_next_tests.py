"""What to do next: by the cost of the whole rest of the repair, from where the set stands now."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from judgement.catalogue import SMALL, bench_test, catalogue, fault, result, symptom
from tubewright.errors import InputError
from tubewright.judgement.diagnosis import diagnose_findings, explain, weigh
from tubewright.judgement.findings import Findings, TakenResult
from tubewright.judgement.next_tests import NOTHING_SUSPECTED, next_steps, quickest_tests
from tubewright.judgement.outcomes import NOTHING_TOLD, outcome_table, outcomes_of
from tubewright.judgement.repair_course import wasted
from tubewright.judgement.workplace import (
    CHASSIS_MINUTES,
    DISCHARGE_MINUTES,
    HOOK_UP_MINUTES,
    OPEN_MINUTES,
    SWITCH_ON_MINUTES,
    Workplace,
    needs_of_repair,
    needs_of_test,
    reach,
    there_and_back,
)
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import BenchTest, Hazard, Knowledge, Needs

REAL = load_knowledge()
PLACES = [
    Workplace(),
    Workplace(cover_open=True),
    Workplace(running=True),
    Workplace(cover_open=True, running=True),
    Workplace(cover_open=True, discharged=True),
    Workplace(cover_open=True, discharged=True, chassis_out=True),
    Workplace(cover_open=True, discharged=True, tube_on_instrument=True),
]
NOT_RUNNING = [place for place in PLACES if not place.running]
NEEDS: list[Needs] = ["anything", "picture", "open", "hands_in", "chassis_out", "instrument", "running_open"]


def outright(test: str, name: str) -> TakenResult:
    return TakenResult(test=test, result=name, gun=None, origin="test", words="")


@st.composite
def evidences(draw: st.DrawFn) -> Findings:
    marks = draw(st.dictionaries(st.sampled_from([*SMALL.symptoms]), st.booleans()))
    pairs = [(t.id, r.id) for t in SMALL.tests.values() for r in t.results if not t.gate]
    chosen = draw(st.lists(st.sampled_from(pairs), max_size=3, unique_by=lambda pair: pair[0]))
    return Findings(
        present=tuple(n for n, on in marks.items() if on),
        absent=tuple(n for n, on in marks.items() if not on),
        results=tuple(outright(*pair) for pair in chosen),
    )


@given(evidences())
@settings(max_examples=40, deadline=None)
def test_a_test_is_worth_something_and_never_repeated(findings: Findings) -> None:
    """No proposal repeats a test but to narrow its result down; each has cautions and tells something."""
    for proposal in quickest_tests(findings, SMALL, limit=20):
        assert (proposal.id in findings.tests_done) is bool(proposal.follows)
        assert proposal.cautions
        assert sum(o.chance for o in proposal.outcomes) == pytest.approx(1)
        assert 0 < proposal.information_bits <= math.log2(len(proposal.outcomes)) + 1e-9
        assert proposal.minutes_saved >= 0
        assert proposal.expected_cost_left >= 0
        assert proposal.words


def test_gates_are_no_evidence() -> None:
    proposals = quickest_tests(Findings(present=("dim", "buzz")), SMALL, limit=20)
    assert "p_discharge" not in {p.id for p in proposals}
    assert {"t_emission", "d_g2"} <= {p.id for p in proposals}


def test_no_suspect_no_test() -> None:
    assert quickest_tests(Findings(), SMALL) == ()
    assert next_steps(Findings(), SMALL) == NOTHING_SUSPECTED


def test_done_tests_are_left_out() -> None:
    findings = Findings(present=("dim",))
    assert "t_emission" not in {p.id for p in quickest_tests(findings, SMALL, limit=20, done=["t_emission"])}


TELLING = result("bad", {"a": 20.0}), result("good", {"a": 0.2})


def two_suspects(*tests: BenchTest, minutes: float = 20) -> Knowledge:
    """Two faults of equal weight, far enough apart in the set that opening the wrong one hurts."""
    return catalogue(
        [symptom("dim")],
        [fault("a", 20, {"dim": 0.5}, minutes=minutes), fault("b", 20, {"dim": 0.5}, minutes=minutes)],
        list(tests),
    )


def order(knowledge: Knowledge, place: Workplace) -> list[str]:
    return [p.id for p in quickest_tests(Findings(present=("dim",)), knowledge, limit=20, workplace=place)]


def test_cold_set_before_running_set() -> None:
    """Of two tests that tell the same, the one in a cold set comes first, and the less hazardous one."""
    knowledge = two_suspects(
        bench_test("hot_hv", *TELLING, hazard="H3", running=True),
        bench_test("hot", *TELLING, hazard="H1", running=True),
        bench_test("also_h1", *TELLING, hazard="H1"),
        bench_test("cold", *TELLING),
        bench_test("slow", *TELLING, minutes=60),
    )
    assert order(knowledge, Workplace())[:4] == ["cold", "also_h1", "hot", "hot_hv"]


@given(
    hazard=st.sampled_from(["H0", "H1", "H2", "H3"]),
    minutes=st.floats(1, 60),
    place=st.sampled_from(NOT_RUNNING),
    cold=st.sampled_from(["anything", "open", "hands_in", "picture"]),
    ratio=st.floats(2, 100),
)
@settings(max_examples=60, deadline=None)
def test_a_running_open_set_ranks_behind_an_equal_test_without(
    hazard: Hazard, minutes: float, place: Workplace, cold: Needs, ratio: float
) -> None:
    """Whatever it tells and takes: unless the set is running and open already, the test that needs that comes last."""
    telling = result("bad", {"a": ratio}), result("good", {"a": 1 / ratio})
    hot = replace(bench_test("hot", *telling, minutes=minutes, hazard=hazard, running=True), needs="running_open")
    knowledge = two_suspects(hot, replace(hot, id="cold", needs=cold, running=cold == "picture"), minutes=60)
    proposals = quickest_tests(Findings(present=("dim",)), knowledge, workplace=place)
    assert [p.id for p in proposals] == ["cold", "hot"]


@given(place=st.sampled_from(PLACES), needs=st.sampled_from(NEEDS))
def test_what_was_reached_costs_nothing_to_reach_again(place: Workplace, needs: Needs) -> None:
    there = reach(place, needs)
    assert reach(there.after, needs).minutes == 0
    assert reach(there.after, needs).after == there.after
    assert there.effort_minutes >= there.minutes >= there.hazard_minutes >= 0
    assert bool(there.steps) is (there.minutes > 0)


@given(place=st.sampled_from(PLACES), first=st.sampled_from(NEEDS), second=st.sampled_from(NEEDS))
def test_no_shortcut_by_way_of_somewhere_else(place: Workplace, first: Needs, second: Needs) -> None:
    """Going elsewhere first never makes the whole way shorter, but that a closed set may stay closed."""
    direct = reach(place, second)
    one = reach(place, first)
    assert one.minutes + reach(one.after, second).minutes >= direct.minutes


def test_the_ways_by_hand() -> None:
    assert reach(Workplace(), "hands_in").minutes == OPEN_MINUTES + DISCHARGE_MINUTES
    assert reach(Workplace(), "chassis_out").minutes == OPEN_MINUTES + DISCHARGE_MINUTES + CHASSIS_MINUTES
    assert reach(Workplace(), "picture").minutes == SWITCH_ON_MINUTES
    assert reach(Workplace(), "running_open").minutes == OPEN_MINUTES + DISCHARGE_MINUTES + HOOK_UP_MINUTES
    running = Workplace(cover_open=True, running=True)
    assert reach(running, "picture").minutes == 0
    assert reach(running, "hands_in").minutes == DISCHARGE_MINUTES
    out = Workplace(cover_open=True, discharged=True, chassis_out=True)
    assert reach(out, "chassis_out").minutes == 0
    assert reach(out, "running_open").minutes == CHASSIS_MINUTES + HOOK_UP_MINUTES
    tried = there_and_back(running, "chassis_out")
    assert tried.minutes == DISCHARGE_MINUTES + 2 * CHASSIS_MINUTES + SWITCH_ON_MINUTES
    assert tried.after == running


@pytest.mark.parametrize("place", PLACES, ids=lambda place: place.words)
@pytest.mark.parametrize("needs", NEEDS)
def test_no_hand_goes_in_unproven(place: Workplace, needs: Needs) -> None:
    """Whatever the way, hands go in only where the set is off and proven empty, and the cautions say so."""
    way = reach(place, needs)
    if needs in {"hands_in", "chassis_out", "instrument"}:
        assert way.after.discharged
        assert not way.after.running
        if not place.discharged:
            assert {"anode_charge", "recharge", "primary_reservoir", "gate_power_off"} <= set(way.cautions)
    if needs == "running_open" and place != way.after:
        assert {"mains_live", "gate_ground_known"} <= set(way.cautions)
    assert set(way.cautions) <= REAL.cautions.keys()


@pytest.mark.parametrize("wrong", ["discharged", "chassis_out", "tube_on_instrument"])
def test_a_set_is_not_both_running_and_taken_apart(wrong: str) -> None:
    with pytest.raises(InputError, match="running"):
        Workplace(running=True, **{wrong: True})


def test_an_open_workplace_makes_the_next_test_cheaper() -> None:
    """After a test with the chassis out, the next such test loses its way there, and one in a running set gains."""
    out = bench_test("out", *TELLING), bench_test("out_too", *TELLING, minutes=6)
    knowledge = two_suspects(
        *(replace(t, needs="chassis_out") for t in out),
        replace(bench_test("live", *TELLING, hazard="H1", running=True, minutes=1), needs="running_open"),
        minutes=60,
    )
    seen = Findings(present=("dim",))
    before = {p.id: p for p in quickest_tests(seen, knowledge)}
    there = before["out"].after
    after = {p.id: p for p in quickest_tests(seen, knowledge, workplace=there)}
    assert before["out_too"].access_minutes == OPEN_MINUTES + DISCHARGE_MINUTES + CHASSIS_MINUTES
    assert after["out_too"].access_minutes == 0
    assert after["live"].access_minutes == CHASSIS_MINUTES + HOOK_UP_MINUTES
    assert after["out_too"].effort_minutes < before["out_too"].effort_minutes
    assert after["live"].effort_minutes < before["live"].effort_minutes
    assert "Nothing has to be opened or closed" in after["out_too"].words
    assert order(knowledge, there)[0] == "out"


@pytest.mark.parametrize("test", [t for t in REAL.tests.values() if not t.gate], ids=lambda t: t.id)
def test_what_a_test_needs_fits_what_is_said_of_it(test: BenchTest) -> None:
    """A running test runs; a test with hands in the set asks for the set to be off and empty."""
    needs = needs_of_test(test)
    if test.running:
        assert needs in {"picture", "running_open"}
    if needs in {"hands_in", "chassis_out", "instrument"}:
        assert not test.running
    if test.id.startswith("t_"):
        assert needs == "instrument"
    if test.id.startswith(("d_", "s_")):
        at_the_plug = {"s_sync_in", "s_rgb_in"}
        assert needs == ("picture" if test.id in at_the_plug else "running_open")
    if test.hazard in {"H2", "H3"} and test.running:
        assert needs == "running_open"


def test_every_repair_says_where_it_is_done() -> None:
    for known in REAL.faults.values():
        if known.hazard in {"H2", "H3", "H4"} and known.subsystem != "sync_wiring":
            assert needs_of_repair(known) != "anything", known.id


def test_the_test_that_separates_the_leaders_comes_first() -> None:
    """Between two suspects of equal weight, a test about a third, unlikely one is no use."""
    knowledge = catalogue(
        [symptom("dim")],
        [
            fault("a", 20, {"dim": 0.5}),
            fault("b", 20, {"dim": 0.5}),
            fault("c", 1, {"dim": 0.5}),
        ],
        [
            bench_test("about_c", result("bad", {"c": 20.0}), result("good", {"c": 0.2})),
            bench_test("about_a", result("bad", {"a": 20.0}), result("good", {"a": 0.2})),
        ],
    )
    first, second = quickest_tests(Findings(present=("dim",)), knowledge)
    assert (first.id, second.id) == ("about_a", "about_c")
    assert first.information_bits > 3 * second.information_bits
    bad = next(o for o in first.outcomes if o.result == "bad")
    assert bad.leading[0][0] == "a"
    assert bad.leading[0][1] > 0.9
    assert "a 9" in bad.words


def test_outcome_promises_what_diagnosis_then_says() -> None:
    """The probabilities announced for an outcome are those of the diagnosis once it is entered."""
    before = Findings(present=("dim",))
    for proposal in quickest_tests(before, SMALL, limit=20):
        for outcome in proposal.outcomes:
            if outcome.result == NOTHING_TOLD:
                continue
            after = diagnose_findings(
                Findings(present=("dim",), results=(outright(proposal.id, outcome.result),)), SMALL
            )
            for name, probability in outcome.leading:
                assert after.posteriors[name] == pytest.approx(probability, abs=2e-3)


def test_a_known_result_is_narrowed_down() -> None:
    """B+ is low: the same test goes on to ask whether the preset moves it, and promises what then holds."""
    knowledge = catalogue(
        [symptom("narrow")],
        [
            fault("preset", 15, {"narrow": 0.5}),
            fault("drift", 15, {"narrow": 0.4}),
            fault("other", 15, {"narrow": 0.4}),
        ],
        [
            bench_test(
                "bplus",
                result("low", {"preset": 5.0, "drift": 5.0}),
                result("low_smooth", {"preset": 20.0, "drift": 2.0}, refines="low"),
                result("low_noisy", {"drift": 20.0, "preset": 0.5}, refines="low"),
                result("right", {"preset": 0.05, "drift": 0.05}),
            )
        ],
    )

    def found(*names: str) -> Findings:
        return Findings(present=("narrow",), results=tuple(outright("bplus", name) for name in names))

    (again,) = quickest_tests(found("low"), knowledge)
    assert (again.id, again.follows) == ("bplus", "low")
    assert {o.result for o in again.outcomes} == {"low_smooth", "low_noisy", NOTHING_TOLD}
    for outcome in again.outcomes:
        after = found("low") if outcome.result == NOTHING_TOLD else found("low", outcome.result)
        posteriors = diagnose_findings(after, knowledge).posteriors
        for name, probability in outcome.leading:
            assert posteriors[name] == pytest.approx(probability, abs=2e-3)
    # A smooth preset still leaves open whether it is noisy elsewhere: that would clear the preset.
    (last,) = quickest_tests(found("low_smooth"), knowledge)
    assert {o.result for o in last.outcomes} == {"low_noisy", NOTHING_TOLD}
    assert quickest_tests(found("low_noisy"), knowledge) == ()
    assert quickest_tests(found("right"), knowledge) == ()


def exclusive_pair(a_minutes: float, b_minutes: float, *tests: BenchTest) -> Knowledge:
    """Two faults of which very nearly one is there, and nothing else can show the symptom."""
    return catalogue(
        [symptom("dim", 1e-9)],
        [fault("a", 1e-3, {"dim": 0.5}, minutes=a_minutes), fault("b", 1e-3, {"dim": 0.5}, minutes=b_minutes)],
        list(tests),
    )


def test_cost_ahead_by_hand() -> None:
    """Two exclusive suspects of 30 and 20 minutes, H2, parts of 3: the cheaper one to be wrong about goes first.

    Wrong about b: half its 20 minutes at 1.6 each, and half of 3 minutes' worth of parts: 17.5;
    about a: 25.5. A way to the boards and back from a running set: 10 minutes proving at
    2.5 each, twice 8 for the chassis, 2 at 1.6 to switch the open set on: 44.2; from the
    closed set 4 more to open it.
    """
    settles = bench_test(
        "settles",
        result("a_bad", {"a": 1e9}),
        result("b_bad", {"b": 1e9}),
        result("good", {"a": 1e-9, "b": 1e-9}),
        minutes=5,
    )
    knowledge = exclusive_pair(30, 20, replace(settles, needs="anything"))
    assert wasted(knowledge.faults["b"], 60.0) == pytest.approx(17.5)
    assert wasted(knowledge.faults["a"], 60.0) == pytest.approx(25.5)
    trip, mending = 44.2, 0.5 * (30 + 20)
    steps = next_steps(Findings(present=("dim",)), knowledge)
    (only,) = steps.tests
    # After the test the right one is opened: its mending, the way there, and 4 minutes to open the set.
    assert only.expected_cost_left == pytest.approx(mending + trip + 4, rel=1e-3)
    # Without it b is opened first; where it is a, b was wrong, and a way more has to be gone.
    assert steps.cost_now == pytest.approx(6 + mending + trip + 4, rel=1e-3)
    assert steps.advice == "test"


def test_without_a_test_the_suspect_that_is_cheaper_to_be_wrong_about_goes_first() -> None:
    blunt = bench_test("blunt", result("a_bad", {"a": 1.001}), result("good", {"a": 0.999}), minutes=50)
    steps = next_steps(Findings(present=("dim",)), exclusive_pair(30, 20, blunt))
    assert steps.advice == "repair"
    assert steps.repair is not None
    assert steps.repair.id == "b"
    assert steps.repair.probability == pytest.approx(0.5, abs=1e-3)
    assert steps.repair.minutes_if_wrong == pytest.approx(17.5)
    # 17.5 and another way to the boards are lost in half of all cases.
    assert steps.cost_now == pytest.approx(25 + 44.2 + 4 + 0.5 * (17.5 + 44.2), rel=1e-3)
    assert "No test is worth its time" in steps.words


def test_a_dearer_hour_makes_parts_cheaper() -> None:
    flyback = REAL.faults["fb_shorted_turns"]
    assert wasted(flyback, 90.0) < wasted(flyback, 60.0) < wasted(flyback, 40.0)


@pytest.mark.parametrize("rate", [0.0, -5.0, math.nan, math.inf])
def test_an_hour_worth_nothing_is_refused(rate: float) -> None:
    with pytest.raises(InputError, match="an hour of the bench"):
        next_steps(Findings(present=("dim",)), SMALL, rate_per_hour=rate)


def test_nothing_likely_and_nothing_to_tell_is_said() -> None:
    knowledge = catalogue(
        [symptom("dim", 0.5)], [fault("a", 1, {"dim": 0.5})], [bench_test("t", result("x", {"a": 1.0001}))]
    )
    steps = next_steps(Findings(present=("dim",)), knowledge)
    assert steps.advice == "nothing"
    assert steps.repair is None
    assert "Nothing in the catalogue is likely" in steps.words


def test_a_repair_carries_its_cautions_and_those_of_the_way() -> None:
    repair = next_steps(Findings(present=("retrace_lines", "hum_bars")), REAL).repair
    assert repair is not None
    assert set(REAL.faults[repair.id].cautions) <= set(repair.cautions)
    test = quickest_tests(Findings(present=("no_raster_no_hv",)), REAL, limit=40)
    for proposal in test:
        if proposal.needs not in {"anything", "picture"}:
            assert {"gate_power_off", "anode_charge"} <= set(proposal.cautions) or proposal.needs == "open"


def test_shares_of_outcomes() -> None:
    """A result that accuses by R comes at most 1/R as often without its fault; shares sum to 1."""
    for test in SMALL.tests.values():
        outcomes = outcomes_of(test.results)
        assert sum(outcome.share for outcome in outcomes) == pytest.approx(1)
        for outcome in outcomes:
            assert all(0 < link < 1 for link in outcome.links.values())
            assert outcome.share <= outcome.leak


@pytest.mark.parametrize("symptoms", [("raster_dim_all",), ("hum_bars", "height_short"), ("top_curl", "snap_arc")])
def test_the_table_agrees_with_one_outcome_at_a_time(symptoms: tuple[str, ...]) -> None:
    """The table worked out at once is what plain products give, outcome by outcome."""
    evidence = weigh(Findings(present=symptoms), REAL)
    posteriors, _ = evidence.posteriors()
    sets = explain(evidence, posteriors)
    ids = [evidence.fault_ids[i] for i in sets.faults]
    table = outcome_table((t for t in REAL.tests.values() if not t.gate), {}, ids, sets.members.astype(np.float64))
    rng = np.random.default_rng(1)
    for entry in table.tests:
        row = int(rng.integers(len(sets.members)))
        there = [fault for fault, on in zip(ids, sets.members[row], strict=True) if on]
        want = []
        for outcome in entry.outcomes:
            unseen = 1.0 - outcome.leak
            for name in there:
                unseen *= 1.0 - outcome.links.get(name, 0.0)
            seen = 1.0 - unseen
            for name in there:
                seen *= outcome.excuses.get(name, 1.0)
            want.append(seen * outcome.share / outcome.leak)
        assert table.told[row, entry.first : entry.past] == pytest.approx(want, rel=1e-9)
        assert table.likelihood[row, entry.first : entry.past] == pytest.approx(np.array(want) / sum(want), rel=1e-9)
