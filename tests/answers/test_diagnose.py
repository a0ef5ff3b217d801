"""The whole answer of ``diagnose``: the veteran's cases, repairs, learning, clashes, nominals, and size."""

from __future__ import annotations

import dataclasses
import itertools
import tomllib
from functools import cache
from pathlib import Path
from typing import Final

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema_rs import Draft202012Validator

from tubewright.answers.diagnose import diagnose, nominal_words
from tubewright.answers.diagnosed import Diagnosed, to_json
from tubewright.case import Case
from tubewright.errors import Fault, InputError
from tubewright.experience import Experience, MendedJob
from tubewright.files.diagnose_schema import diagnose_schema
from tubewright.judgement.workplace import Workplace
from tubewright.knowledge.chassis import Chassis
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import Knowledge
from tubewright.report.diagnose_text import diagnosed_to_text

CASES: Final = Path(__file__).parent.parent / "cases"
VETERAN: Final[dict[str, tuple[str, ...]]] = {
    "c01": ("v_dry_joint",),
    "c02": ("tube_air",),
    "c03": ("screen_divider_fault",),
    "c04": ("reg_sense_drift", "bplus_set_wrong"),
    "c05": ("heater_feed_drift",),
    "c06": ("crt_socket_corroded",),
    "c07": ("vout_transistor_open", "video_channel_dead"),
    "c08": ("tube_worn_one",),
    "c09": ("sync_no_serration",),
    "c10": ("tube_hk_short",),
}
"""The veteran's first fault; two where he puts them about level."""
TRAPS: Final = ("c03", "c04", "c05", "c06", "c07")
"""A picture that looks like a worn tube and isn't."""


@cache
def knowledge() -> Knowledge:
    return load_knowledge()


def read(name: str) -> Case:
    (path,) = CASES.glob(f"{name}*.toml")
    return Case.model_validate(tomllib.loads(path.read_text(encoding="utf-8")))


def case(**parts: object) -> Case:
    return Case.model_validate({"format": 1, **parts})


@cache
def answer(name: str) -> Diagnosed:
    return diagnose(read(name), knowledge())


def probability(told: Diagnosed, fault: str) -> float:
    return next((f.probability for f in told.faults if f.id == fault), 0.0)


@pytest.mark.parametrize("name", VETERAN)
def test_the_veterans_fault_is_among_the_first_three(name: str) -> None:
    first = [fault.id for fault in answer(name).faults[:3]]
    assert set(first) & set(VETERAN[name]), first


def test_the_veterans_fault_comes_first_in_most() -> None:
    right = [name for name, wanted in VETERAN.items() if answer(name).faults[0].id in wanted]
    assert len(right) >= 8, right


@pytest.mark.parametrize("name", TRAPS)
def test_traps_never_blame_the_tube(name: str) -> None:
    told = answer(name)
    assert told.probability_elsewhere > max(0.5, told.probability_tube)
    assert not told.faults[0].of_the_tube
    assert all(f.probability < 0.1 for f in told.faults if f.of_the_tube)


@pytest.mark.parametrize("name", sorted(path.stem for path in CASES.glob("*.toml")))
def test_every_case_gets_an_answer_that_keeps_the_schema(name: str) -> None:
    told = answer(name)
    body = to_json(told)
    assert [error.message for error in Draft202012Validator(diagnose_schema()).iter_errors(body)] == []
    assert told.method.kind == "exact"
    ranked = [fault.probability for fault in told.faults]
    assert ranked == sorted(ranked, reverse=True)
    steps = [(f.id, f.hazard, f.cautions) for f in told.faults] + [
        (t.id, t.hazard, t.cautions) for t in told.next_tests
    ]
    for step, hazard, cautions in steps:
        assert cautions or hazard == "H0", step
    if told.separates is not None:
        assert told.separates.cautions or told.separates.hazard == "H0"
        assert {told.separates.first.id, told.separates.second.id} == {f.id for f in told.faults[:2]}


def test_the_seed_does_not_move_an_exact_answer() -> None:
    dim = case(symptoms=[{"id": "raster_dim_all"}, {"id": "width_narrow"}])
    one, other = (diagnose(dim, knowledge(), seed=seed) for seed in (1, 2))
    assert one.faults == other.faults


def test_nothing_given_asks_for_what_the_owner_sees() -> None:
    told = diagnose(case(), knowledge())
    assert told.headline == "Nothing is known yet."
    assert "owner" in told.asks[0]
    assert told.faults == ()
    assert told.next_tests == ()


def test_what_speaks_for_and_against_is_said() -> None:
    told = answer("c03")
    first = told.explains[0]
    assert first.fault == "screen_divider_fault"
    assert any(pull.finding == "d_g2" and pull.log_odds > 1 for pull in first.speaks_for)
    assert all(pull.log_odds < 0 for pull in first.speaks_against)
    assert {f.finding for f in told.findings} >= {"raster_dim_all", "d_g2", "d_bplus"}
    assert any("speaks" in f.words and "for" in f.words for f in told.findings)


# -- numbers near a border


def bplus(volts: float, **display: object) -> Case:
    taken = {"id": "d_bplus", "value": volts, "unit": "V"} | ({} if display else {"nominal": 127})
    return case(symptoms=[{"id": "width_narrow"}], tests=[taken], display=display)


def test_a_volt_does_not_decide() -> None:
    """Across both borders of B+ the chance of a supply fault moves without a jump, and only one way."""
    told = [diagnose(bplus(121.0 + 0.25 * step), knowledge()) for step in range(24)]
    blamed = [probability(one, "reg_sense_drift") + probability(one, "bplus_set_wrong") for one in told]
    assert blamed[0] > 0.35
    assert blamed[-1] < 0.1
    assert max(abs(b - a) for a, b in itertools.pairwise(blamed)) < 0.12
    assert all(b <= a + 1e-9 for a, b in itertools.pairwise(blamed))


def test_the_nominal_comes_from_the_chassis_profile() -> None:
    known = dataclasses.replace(
        knowledge(), chassis={"pier_19": Chassis(id="pier_19", name="Pier 19", bplus_v=127.0, source="a good one")}
    )
    from_profile = diagnose(bplus(118.0, chassis="pier_19"), known)
    from_case = diagnose(bplus(118.0), known)
    assert [(f.id, f.probability) for f in from_profile.faults] == [(f.id, f.probability) for f in from_case.faults]
    assert from_profile.values[0].reference_from == "chassis"
    assert "profile of the chassis" in from_profile.values[0].words
    assert from_case.values[0].reference_from == "case"
    with pytest.raises(InputError, match="nominal"):
        diagnose(bplus(118.0, label="no profile"), known)
    unmeasured = case(symptoms=[{"id": "width_narrow"}, {"id": "raster_dim_all"}], display={"chassis": "pier_19"})
    words = {t.id: t.nominal_words for t in diagnose(unmeasured, known).next_tests}
    assert words.get("d_bplus", "127 V") != ""
    assert nominal_words("d_bplus", unmeasured, known) == "Right in Pier 19: 127 V."
    assert nominal_words("d_bplus", unmeasured, knowledge()) == ""
    assert nominal_words("d_heater_rms", unmeasured, knowledge()) == "Usual: 6.3 V."


def test_a_profile_that_is_gone_is_said() -> None:
    told = diagnose(case(symptoms=[{"id": "width_narrow"}], display={"chassis": "gone"}), knowledge())
    assert any("gone" in remark.words for remark in told.remarks)


def test_near_a_border_both_results_are_named() -> None:
    words = diagnose(bplus(125.8), knowledge()).values[0].words
    assert "near a border" in words
    assert "%" in words


# -- repairs


def test_a_mended_fault_explains_and_is_not_proposed_again() -> None:
    before = diagnose(case(symptoms=[{"id": "top_curl"}]), knowledge())
    leader = before.faults[0].id
    after = diagnose(case(symptoms=[{"id": "top_curl"}], repairs=[{"fault": leader, "outcome": "mended"}]), knowledge())
    assert leader not in {f.id for f in after.faults}
    assert [(r.id, r.state) for r in after.repairs] == [(leader, "mended")]
    assert after.headline.startswith("Confirmed:")
    second = before.faults[1].id
    assert probability(after, second) < probability(before, second)
    assert not any(e.fault == leader for e in after.explains)


def test_a_fault_found_is_still_to_be_mended_with_its_cautions_first() -> None:
    told = diagnose(
        case(symptoms=[{"id": "top_curl"}], repairs=[{"fault": "afc_filter_aged", "outcome": "found"}]), knowledge()
    )
    (found,) = told.repairs
    assert found.state == "found"
    assert found.cautions
    text = " ".join(diagnosed_to_text(told).split())
    assert "FOUND, AND STILL TO BE MENDED" in text
    assert text.index(" ".join(found.cautions[0].split()[:8])) < text.index("Mend: Filter capacitor")


def test_an_excluded_fault_falls_back() -> None:
    before = diagnose(case(symptoms=[{"id": "top_curl"}]), knowledge())
    leader = before.faults[0].id
    after = diagnose(
        case(symptoms=[{"id": "top_curl"}], repairs=[{"fault": leader, "outcome": "excluded"}]), knowledge()
    )
    assert probability(after, leader) < 0.3 * probability(before, leader)
    assert after.faults[0].id != leader
    changed = case(
        symptoms=[{"id": "top_curl"}],
        repairs=[{"fault": leader, "outcome": "excluded"}, {"fault": leader, "outcome": "found"}],
    )
    told = diagnose(changed, knowledge())
    assert [r.state for r in told.repairs] == ["found"]
    assert any("later word holds" in remark.words for remark in told.remarks)


def test_unknown_names_are_answered_with_the_nearest() -> None:
    with pytest.raises(InputError) as caught:
        diagnose(
            case(symptoms=[{"id": "top_curll"}], repairs=[{"fault": "afc_to_slow", "outcome": "found"}]), knowledge()
        )
    mends = {fault.where: fault.mend for fault in caught.value.faults}
    assert "top_curl" in mends["symptoms[0].id"]
    assert "afc_too_slow" in mends["repairs[0].fault"]


# -- contradictions


def test_results_that_exclude_each_other_are_named_and_nothing_is_lost() -> None:
    told = diagnose(
        case(
            symptoms=[{"id": "width_narrow"}],
            tests=[{"id": "d_bplus", "result": "low"}, {"id": "d_bplus", "result": "right"}],
        ),
        knowledge(),
    )
    assert any(remark.kind == "contradiction" and "Measure B+" in remark.words for remark in told.remarks)
    assert told.faults


def test_found_but_not_showing_what_it_always_shows_is_refused_by_name() -> None:
    certain = next((f.id, s) for f in knowledge().faults.values() for s, link in f.shows.items() if link >= 1)
    with pytest.raises(InputError, match="always shows"):
        diagnose(
            case(
                symptoms=[{"id": certain[1], "present": False}],
                repairs=[{"fault": certain[0], "outcome": "found"}],
            ),
            knowledge(),
        )


# -- learning


def test_the_shops_own_jobs_move_the_answer_and_can_be_left_out() -> None:
    curl = case(symptoms=[{"id": "top_curl"}])
    general = diagnose(curl, knowledge())
    rare = general.faults[3].id
    jobs = Experience(mended=(MendedJob(faults=(rare,), present=("top_curl",)),) * 60, closed_jobs=60)
    ours = diagnose(curl, knowledge(), jobs)
    assert ours.faults[0].id == rare
    assert ours.faults[0].general_probability == pytest.approx(probability(general, rare))
    assert ours.model.jobs_learned_from == 60
    assert "60 closed jobs" in ours.model.words
    figures = {(f.fault, f.about): f for f in ours.learned}
    assert figures[rare, ""].ours_probability > figures[rare, ""].general_probability
    assert figures[rare, "top_curl"].jobs == 60
    assert diagnose(curl, knowledge()).faults == general.faults


# -- any size


def test_a_case_of_any_size_is_answered_with_its_error() -> None:
    """Every symptom of the catalogue at once: far beyond the exact walk, and still an answer."""
    told = diagnose(case(symptoms=[{"id": name} for name in knowledge().symptoms]), knowledge())
    assert told.method.kind == "sampled"
    assert 0 < told.method.largest_sd < 0.2
    assert "standard error" in told.method.words
    assert all(0 <= f.probability <= 1 for f in told.faults)
    assert any(f.probability_sd > 0 for f in told.faults)


def test_what_stands_open_makes_its_tests_cheaper() -> None:
    dim = case(symptoms=[{"id": "raster_dim_all"}, {"id": "width_narrow"}])
    closed = diagnose(dim, knowledge())
    out = diagnose(dim, knowledge(), workplace=Workplace(cover_open=True, discharged=True, chassis_out=True))
    cheaper = {t.id: t.access_minutes for t in out.next_tests if t.id.startswith("p_")}
    dearer = {t.id: t.access_minutes for t in closed.next_tests}
    assert all(minutes <= dearer.get(name, minutes) for name, minutes in cheaper.items())


SYMPTOMS: Final = sorted(knowledge().symptoms)
RESULTS: Final = sorted((t.id, r.id) for t in knowledge().tests.values() for r in t.results)
FAULTS: Final = sorted(knowledge().faults)

anything = st.builds(
    case,
    symptoms=st.lists(
        st.fixed_dictionaries({"id": st.sampled_from(SYMPTOMS), "present": st.booleans()}),
        max_size=16,
        unique_by=lambda symptom: symptom["id"],
    ),
    tests=st.lists(st.sampled_from(RESULTS).map(lambda pair: {"id": pair[0], "result": pair[1]}), max_size=8),
    repairs=st.lists(
        st.fixed_dictionaries(
            {"fault": st.sampled_from(FAULTS), "outcome": st.sampled_from(["found", "mended", "excluded"])}
        ),
        max_size=3,
    ),
)


@given(anything)
@settings(max_examples=40, deadline=None)
def test_whatever_is_entered_gets_an_answer_or_the_names_of_what_clashes(entered: Case) -> None:
    told: Diagnosed | None = None
    refused: tuple[Fault, ...] = ()
    try:
        told = diagnose(entered, knowledge())
    except InputError as error:
        refused = error.faults
    if told is None:
        assert all(fault.what and fault.mend for fault in refused)
        return
    body = to_json(told)
    assert [error.message for error in Draft202012Validator(diagnose_schema()).iter_errors(body)] == []
    confirmed = {r.fault for r in entered.repairs} & {r.id for r in told.repairs if r.state != "excluded"}
    assert not confirmed & {f.id for f in told.faults}
    for f in told.faults:
        assert 0 <= f.probability <= 1
    assert diagnosed_to_text(told)


def test_what_does_harm_now_comes_before_everything() -> None:
    told = diagnose(case(symptoms=[{"id": "horizontal_line"}]), knowledge())
    assert knowledge().cautions["bright_line"].text in told.at_once[0]
    text = diagnosed_to_text(told)
    assert text.startswith("AT ONCE: ")
    assert not diagnose(case(symptoms=[{"id": "top_curl"}]), knowledge()).at_once


@pytest.mark.parametrize(
    ("tests", "stands"),
    [([], "off, closed"), (["d_bplus"], "running, back off"), (["d_bplus", "p_esr_sweep"], "off, chassis out")],
)
def test_the_set_is_taken_to_stand_as_its_tests_left_it(tests: list[str], stands: str) -> None:
    """Never as proven empty: nobody knows how long ago that was."""
    results = {"d_bplus": "right", "p_esr_sweep": "all_low"}
    known = case(symptoms=[{"id": "width_narrow"}], tests=[{"id": test, "result": results[test]} for test in tests])
    assert diagnose(known, knowledge()).stands == stands
    assert diagnose(known, knowledge(), workplace=Workplace(running=True)).stands == "running, closed"
