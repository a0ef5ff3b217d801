"""``hold``: from readings, or from a case with its times, to a word that can be acted on."""

from __future__ import annotations

import datetime as dt
import json
import math
from typing import Any, Final

import pytest

from tubewright.answers.assessment import Spread, Unknown
from tubewright.answers.hold import CLASS_WORDS, hold, span, to_json
from tubewright.case import Case
from tubewright.errors import InputError
from tubewright.judgement.settling_mixture import TimedReading
from tubewright.judgement.settling_readings import after_treatment
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
END: Final = dt.datetime(2026, 3, 2, 10, 0, tzinfo=dt.UTC)
TIMES: Final = (6, 10, 15, 30, 60, 120, 240)


def rows(change: float, tau: float, count: int = len(TIMES)) -> list[TimedReading]:
    wobble = (1.01, 0.99, 1.0, 1.01, 0.99, 1.0, 1.01)
    return [
        TimedReading(minutes=t, value=600 * math.exp(change * (1 - math.exp(-t / tau))) * w, unit="uA")
        for t, w in zip(TIMES[:count], wobble, strict=False)
    ]


def a_case(readings: list[dict[str, Any]], treatments: list[dict[str, Any]] | None = None) -> Case:
    done = [{"gun": "blue", "kind": "clean", "outcome": "improved", "at": END}]
    return Case.model_validate(
        {
            "format": 1,
            "tube": {"heater_v": 6.3},
            "readings": readings,
            "treatments": done if treatments is None else treatments,
        }
    )


def reading(minutes: float, value: float, **more: object) -> dict[str, Any]:
    return {
        "gun": "blue",
        "kind": "emission",
        "value": value,
        "unit": "uA",
        "at": END + dt.timedelta(minutes=minutes),
        **more,
    }


def test_a_gain_that_stays_is_called_lasting() -> None:
    answer = hold(rows(0.0, 60), KNOWLEDGE, gun="blue")
    assert answer.hold_class == "lasting"
    assert answer.worth_having
    assert answer.next_minutes is None
    assert isinstance(answer.rest, Spread)
    assert answer.rest.p10 < 600 < answer.rest.p90
    assert CLASS_WORDS["lasting"][3:] in answer.headline
    assert "next day" in answer.words[-1]


def test_a_gain_that_goes_is_said_to_and_nothing_is_repeated_higher() -> None:
    answer = hold(rows(-0.9, 60), KNOWLEDGE, gun="blue")
    assert answer.hold_class == "going_back"
    assert "do not repeat it higher" in answer.headline


def test_too_early_says_so_and_when_to_read_again() -> None:
    answer = hold(rows(-0.25, 200, 4), KNOWLEDGE)
    assert not answer.worth_having
    assert answer.hold_class is None
    assert answer.headline.startswith("Too early to say")
    assert answer.next_minutes is not None
    assert answer.next_minutes > 30
    assert answer.wait_minutes is not None
    assert answer.wait_minutes >= answer.next_minutes or answer.wait_minutes > 30
    assert [one.minutes for one in answer.wait] == sorted(one.minutes for one in answer.wait)
    assert answer.wait[-1].width_ratio < answer.wait[0].width_ratio
    assert answer.wait[-1].worth_probability > 0.5


@pytest.mark.parametrize(
    ("given", "reason"),
    [
        ([], "0 readings"),
        ([(15.0, 600.0)], "1 reading"),
        ([(1.0, 500.0), (2.0, 560.0), (3.0, 580.0), (20.0, 600.0)], "1 reading"),
        ([(6.0, 600.0), (7.0, 600.0), (8.0, 601.0)], "cover 2 minutes"),
    ],
)
def test_too_few_readings_leave_it_unknown_and_say_what_would_settle_it(
    given: list[tuple[float, float]], reason: str
) -> None:
    answer = hold([TimedReading(minutes=t, value=v) for t, v in given], KNOWLEDGE)
    assert isinstance(answer.hold, Unknown)
    assert isinstance(answer.rest, Unknown)
    assert reason in answer.hold.reason
    assert "60 minutes" in answer.hold.would_settle
    assert answer.class_probability == {}
    body = to_json(answer)
    assert body["hold"] is None
    assert set(body["unknown"]) == {"rest", "hold"}  # type: ignore[call-overload]


@pytest.mark.parametrize(
    "bad",
    [
        {"value": 0.0},
        {"value": math.nan},
        {"value": -3.0},
        {"minutes": -1.0},
        {"minutes": math.inf},
        {"spread_ratio": 0.0},
        {"minutes_on": -2.0},
    ],
)
def test_what_cannot_be_is_refused_in_words(bad: dict[str, float]) -> None:
    made: dict[str, Any] = {"minutes": 10.0, "value": 5.0, **bad}
    with pytest.raises(InputError, match="finite"):
        hold([*rows(0.0, 60), TimedReading(unit="uA", **made)], KNOWLEDGE)


def test_units_are_not_mixed() -> None:
    with pytest.raises(InputError, match="several units"):
        hold([*rows(0.0, 60), TimedReading(minutes=5, value=0.6, unit="rel")], KNOWLEDGE)


def test_the_cautions_of_taking_a_reading_come_with_it() -> None:
    answer = hold(rows(0.0, 60), KNOWLEDGE)
    assert len(answer.cautions) >= 5
    assert len(answer.confirm) >= 5
    body = to_json(answer)
    assert list(body)[:3] == ["format", "cautions", "confirm"]
    json.dumps(body, allow_nan=False)


def test_the_same_question_has_the_same_answer() -> None:
    assert to_json(hold(rows(-0.2, 90), KNOWLEDGE)) == to_json(hold(rows(-0.2, 90), KNOWLEDGE))


def test_a_case_gives_the_readings_after_its_last_treatment() -> None:
    case = a_case(
        [
            reading(-30, 300),
            reading(8, 610),
            reading(20, 605, minutes_on=12),
            reading(25, 420, heater_v=5.5),
            reading(30, 0.6, unit="rel"),
            reading(40, 600, instrument="another"),
            reading(60 * 24 * 9, 590),
            {**reading(0, 600), "at": None},
            {**reading(50, 600), "gun": "red"},
        ]
    )
    found = after_treatment(case, "blue", KNOWLEDGE)
    assert [(one.minutes, one.value, one.minutes_on) for one in found.readings] == [(8, 610, None), (20, 605, 12)]
    said = " ".join(found.left_out)
    for word in ("heater reduced", "differ", "9 days", "without a time"):
        assert word in said
    assert len(found.left_out) == 5


def test_without_times_nothing_is_guessed() -> None:
    untimed = a_case([reading(10, 600)], [{"gun": "blue", "kind": "clean"}])
    found = after_treatment(untimed, "blue", KNOWLEDGE)
    assert found.trouble is not None
    answer = hold(found.readings, KNOWLEDGE, gun="blue", trouble=found.trouble)
    assert isinstance(answer.hold, Unknown)
    assert "no treatment of blue" in answer.hold.reason


def test_heat_for_all_guns_counts_for_each_and_the_last_treatment_decides() -> None:
    later = END + dt.timedelta(minutes=90)
    done = [{"gun": "blue", "kind": "clean", "at": END}, {"kind": "soak", "at": later}]
    found = after_treatment(a_case([reading(30, 600), reading(100, 610)], done), "blue", KNOWLEDGE)
    assert found.treatment == "soak"
    assert [one.minutes for one in found.readings] == [10]


def test_a_time_is_said_as_people_say_it() -> None:
    assert [span(t) for t in (5, 89, 120, 1440)] == ["5 minutes", "89 minutes", "2 hours", "24 hours"]
