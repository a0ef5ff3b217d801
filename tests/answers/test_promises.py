"""What every answer keeps, whatever the case: honest figures, named gaps, cautions before hands."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator
from typing import Any, get_args

import pytest

from answers.worked import (
    CAN_BE_REPLACED,
    FEW,
    GETTER_SEEN,
    answer,
    case,
    emission,
    judged,
    knowledge,
    names,
    read,
    reckoned,
    with_more,
)
from tubewright.answers.assess import assess
from tubewright.answers.assessment import Assessment, Decision, Figure, Spread, Unknown, to_json
from tubewright.case import GUNS, TreatmentKind
from tubewright.errors import InputError

ALWAYS_WEIGHED = {
    "leave", "adjust", "soak", "clean", "activate", "boost_heater", "swap_tube", "replace_display", "retire",
}  # fmt: skip
"""What a person wants to see compared on every tube."""

PROTECTION = re.compile(r"hold-?down|x-?ray|protection|\btrip", re.IGNORECASE)
DEFEAT = re.compile(r"\b(defeat|bypass|disable|disconnect|link out|jumper|override|remove)", re.IGNORECASE)

DECISIONS = {name for part in get_args(Decision) for name in get_args(part) or (part,)} | set(get_args(TreatmentKind))


@pytest.fixture(params=names())
def given(request: pytest.FixtureRequest) -> Assessment:
    return answer(str(request.param))


def figures(given: Assessment) -> Iterator[tuple[str, Figure]]:
    yield "white now", given.neutral_white_now
    yield "white after", given.neutral_white_after
    for gun, state in given.guns.items():
        yield f"{gun} emission", state.relative_emission
        yield f"{gun} reserve", state.emission_reserve
        yield f"{gun} cutoff", state.cutoff_v
    for option in given.options:
        yield f"{option.id} hours", option.hours
        yield f"{option.id} years", option.years


def chances(given: Assessment) -> Iterator[tuple[str, float]]:
    yield "confidence", given.confidence
    for step in given.plan:
        yield f"reaching {step.do}", step.chance_reached
    for worth in given.would_change:
        yield f"flip by {worth.id}", worth.chance
    for suspect in given.suspects:
        yield suspect.id, suspect.probability
    for option in given.options:
        for name in ("success", "chance_of_keep_years", "risk_of_loss"):
            value = getattr(option, name)
            if value is not None:
                yield f"{option.id} {name}", value


def test_percentiles_stand_in_order_and_nothing_is_negative(given: Assessment) -> None:
    for name, figure in figures(given):
        if isinstance(figure, Spread):
            assert 0 <= figure.p10 <= figure.median <= figure.p90 < math.inf, name


def test_every_chance_lies_between_none_and_certain(given: Assessment) -> None:
    for name, chance in chances(given):
        assert 0 <= chance <= 1, name


def test_later_steps_are_never_reached_more_often_than_earlier_ones_of_one_ladder(given: Assessment) -> None:
    ladder = [step.chance_reached for step in given.plan if not step.when.startswith("once")]
    assert ladder == sorted(ladder, reverse=True)


def test_what_is_unknown_says_why_and_what_would_settle_it(given: Assessment) -> None:
    for name, figure in figures(given):
        if isinstance(figure, Unknown):
            assert len(figure.reason) > 10, name
            assert figure.would_settle, name


def test_the_options_cover_what_a_person_would_ask_about(given: Assessment) -> None:
    listed = [option.id for option in given.options]
    assert len(listed) == len(set(listed))
    assert set(listed) >= ALWAYS_WEIGHED
    for option in given.options:
        figured = (option.success, option.chance_of_keep_years, option.cost, option.risk_of_loss)
        if option.why_not:
            assert all(value is None for value in figured), option.id
            assert isinstance(option.years, Unknown)
        elif option.id == "retire":  # there is no picture any more that could last
            assert option.cost is not None
        else:
            assert all(value is not None for value in figured), option.id
            assert isinstance(option.years, Spread), option.id


def test_the_decision_is_open_and_the_plan_only_holds_open_options(given: Assessment) -> None:
    closed = {option.id for option in given.options if option.why_not}
    assert not closed & {step.do for step in given.plan}
    assert {step.do for step in given.plan} <= DECISIONS


def test_a_step_that_leads_a_hand_into_the_machine_carries_cautions_and_what_to_confirm(given: Assessment) -> None:
    assert given.next_steps
    for step in given.next_steps:
        if step.hazard != "H0":
            assert step.cautions, step.id
            assert step.confirm, step.id
            assert len(step.cautions) == len(step.confirm)
            assert all(text.strip() for text in (*step.cautions, *step.confirm)), step.id


def test_no_step_tells_to_defeat_a_protection(given: Assessment) -> None:
    said = [given.headline, *(s.words for s in given.plan), *(s.words for s in given.next_steps)]
    for words in said:
        for sentence in re.split(r"(?<=[.;:])\s", words):
            if PROTECTION.search(sentence) and DEFEAT.search(sentence):
                assert re.search(r"\b(never|not|don't)\b", sentence, re.IGNORECASE), sentence


def test_the_body_is_plain_json_and_says_the_reason_beside_each_null(given: Assessment) -> None:
    body: Any = json.loads(json.dumps(to_json(given), allow_nan=False))
    assert body["format"] == 1
    assert set(body["guns"]) == set(GUNS)
    held: list[tuple[str, Any, tuple[str, ...]]] = [("neutral_white", body["neutral_white"], ("now", "after"))]
    held += [(gun, body["guns"][gun], ("relative_emission", "emission_reserve", "cutoff_v")) for gun in GUNS]
    held += [(option["id"], option, ("hours", "years")) for option in body["options"]]
    for where, part, fields in held:
        for field in fields:
            if part[field] is None:
                assert part["unknown"][field]["reason"], (where, field)
                assert part["unknown"][field]["would_settle"], (where, field)
            else:
                assert set(part[field]) == {"median", "p10", "p90"}, (where, field)


def test_the_headline_is_a_sentence_for_a_person(given: Assessment) -> None:
    assert given.headline[0].isupper() or given.headline[0].isdigit()
    assert given.headline.endswith(".")
    assert "_" not in given.headline
    assert not re.search(r"\bnan\b|\binf\b|None", given.headline)


@pytest.mark.parametrize("name", names())
def test_the_evidence_is_said_to_point_away_from_the_cathodes_only_where_it_does(name: str) -> None:
    if "points away from the cathodes" in answer(name).headline:
        assert reckoned(read(name)).complaint.probability > 0.5


@pytest.mark.parametrize("name", ["c08", "c10", "v19_spent_round_the_clock"])
def test_the_same_case_and_seed_give_the_same_answer(name: str) -> None:
    again = assess(read(name), knowledge(), seed=1, futures=FEW)
    assert to_json(again) == to_json(answer(name))


def test_another_seed_moves_the_figures_but_hardly() -> None:
    """The seed is a matter of the random draw, so what it changes must lie within the draw's noise."""
    one, two = answer("c08", 1, 50_000), answer("c08", 2, 50_000)
    assert to_json(one) != to_json(two)
    assert one.decision == two.decision
    for option, other in zip(one.options, two.options, strict=True):
        if option.success is not None and other.success is not None:
            assert option.success == pytest.approx(other.success, abs=0.06), option.id


def test_nothing_known_is_said_to_be_unknown() -> None:
    given = answer("v41_nothing_known")
    assert isinstance(given.neutral_white_now, Unknown)
    assert all(isinstance(gun.relative_emission, Unknown) for gun in given.guns.values())
    assert all(gun.state == "not read" for gun in given.guns.values())
    assert "no verdict" in given.headline
    for gap in ("emission of red", "emission of green", "getter", "service hours", "leakage", "another tube"):
        assert any(gap in words for words in given.missing), gap


def test_what_was_given_is_not_called_missing() -> None:
    given = judged(
        case(
            tube={**GETTER_SEEN, "service_hours": 9000.0, "heater_v": 6.3},
            use={"hours_per_week": 8.0, "keep_years": 5.0, "minimum_white": 0.5},
            costs=CAN_BE_REPLACED,
            readings=[
                *emission((0.6, 0.62, 0.61), (0.9, 0.9, 0.9)),
                *({"gun": gun, "kind": "cutoff", "value": 58.0, "unit": "V", "g2_v": 300.0} for gun in GUNS),
                {"kind": "leakage_heater_cathode", "value": 200.0, "unit": "Mohm"},
            ],
        )
    )
    assert given.missing == ()


def test_the_owners_wishes_are_repeated_as_understood() -> None:
    given = answer("v44_last_resort")
    assert (given.minimum_white, given.keep_years, given.hours_per_week) == (0.33, 3, 1)
    assert answer("v01_strong_in_daily_service").currency == "EUR"


def test_ids_that_do_not_exist_are_refused_with_their_name() -> None:
    wrong = with_more(read("c08"), symptoms=[{"id": "smells_of_roses"}], tests=[{"id": "d_rose", "result": "red"}])
    with pytest.raises(InputError) as caught:
        judged(wrong)
    said = str(caught.value)
    assert "smells_of_roses" in said
    assert "d_rose" in said


def test_a_reading_that_climbs_is_called_warming_and_one_that_falls_sinking() -> None:
    early, late = emission((0.40, 0.60, 0.70)), emission((0.50, 0.601, 0.60), minutes_on=25)
    given = judged(case(readings=[*early, *late], tube=GETTER_SEEN))
    assert given.guns["red"].trend.startswith("still warming")
    assert given.guns["green"].trend == "holding"
    assert given.guns["blue"].trend.startswith("sinking")
    said = " ".join(remark.words for remark in given.remarks)
    assert "red is still warming up" in said
    assert "blue sinks" in said


def test_states_follow_the_classes_of_the_trade() -> None:
    """Strong from 0.75, good from 0.55, fair from 0.40, weak from 0.25."""
    given = judged(
        case(readings=emission((0.98, 0.60, 0.32), (0.95, 0.80, 0.60), minutes_on=15), tube={"service_hours": 12000.0})
    )
    assert given.guns["red"].state.startswith("strong")
    assert given.guns["green"].state.startswith("good")
    assert given.guns["blue"].state.startswith("weak")


def test_leakage_is_classed_by_the_pair_it_bridges() -> None:
    given = judged(
        case(
            readings=[
                {"gun": "red", "kind": "leakage_heater_cathode", "value": 0.01, "unit": "Mohm"},
                {"gun": "green", "kind": "leakage_heater_cathode", "value": 5.0, "unit": "Mohm"},
                {"gun": "blue", "kind": "leakage_heater_cathode", "value": 100.0, "unit": "Mohm"},
                {"kind": "leakage_grid1_grid2", "value": 50.0, "unit": "Mohm"},
            ]
        )
    )
    assert given.guns["red"].leakage == {"heater to cathode": "short", "grid 1 to grid 2": "watch"}
    assert given.guns["green"].leakage["heater to cathode"] == "watch"
    assert given.guns["blue"].leakage["heater to cathode"] == "sound"
