"""One more entry in the log: the case as it stood, and what its readings say came of it."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

import pytest

from tubewright.case import Case
from tubewright.experience import NO_EXPERIENCE
from tubewright.judgement.treatment_course import course_of
from tubewright.judgement.treatment_entry import as_of, gun_meant, outcome_of
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
NOON: Final = dt.datetime(2026, 3, 2, 12, 0, tzinfo=dt.UTC)


def at(minutes: float) -> dt.datetime:
    return NOON + dt.timedelta(minutes=minutes)


def read(minutes: float, **levels: float) -> list[dict[str, Any]]:
    return [
        {"gun": gun, "kind": "emission", "value": value, "unit": "rel", "minutes_on": 15.0, "at": at(minutes)}
        for gun, value in levels.items()
    ]


def a_case(readings: list[dict[str, Any]], *treatments: dict[str, Any]) -> Case:
    return Case.model_validate({"format": 1, "readings": readings, "treatments": list(treatments)})


def test_what_came_later_is_left_out_and_what_has_no_time_stays() -> None:
    case = a_case(
        [*read(-10, blue=0.3), *read(10, blue=0.4), {**read(0, red=0.7)[0], "at": None}],
        {"kind": "soak", "at": at(-5)},
        {"kind": "clean", "gun": "blue", "at": at(5)},
        {"kind": "run_in", "at": NOON.date()},
        {"kind": "activate", "gun": "blue", "at": NOON.date() + dt.timedelta(days=1)},
    )
    then = as_of(case, NOON)
    assert [one.value for one in then.readings] == [0.3, 0.7]
    assert [one.kind for one in then.treatments] == ["soak", "run_in"]
    assert as_of(case, at(60 * 24 * 2)) == case


@pytest.mark.parametrize(
    ("before", "after", "said"),
    [(0.30, 0.35, "improved"), (0.30, 0.34, "unchanged"), (0.30, 0.25, "worse"), (0.30, 0.27, "unchanged")],
)
def test_the_readings_say_what_came_of_it(before: float, after: float, said: str) -> None:
    case = a_case([*read(-10, blue=before), *read(15, blue=after)], {"kind": "clean", "gun": "blue", "at": at(0)})
    (one,) = course_of(case, KNOWLEDGE, NO_EXPERIENCE, without=frozenset()).rounds
    assert outcome_of(one, KNOWLEDGE) == said


def test_a_reading_too_soon_says_nothing_yet() -> None:
    case = a_case([*read(-10, blue=0.3), *read(3, blue=0.5)], {"kind": "clean", "gun": "blue", "at": at(0)})
    (one,) = course_of(case, KNOWLEDGE, NO_EXPERIENCE, without=frozenset()).rounds
    assert outcome_of(one, KNOWLEDGE) is None


def test_what_reached_all_guns_was_meant_for_the_weakest() -> None:
    case = a_case([*read(-10, red=0.7, blue=0.3), *read(70, red=0.5, blue=0.4)], {"kind": "soak", "at": at(0)})
    (one,) = course_of(case, KNOWLEDGE, NO_EXPERIENCE, without=frozenset()).rounds
    assert gun_meant(one) == "blue"
    assert outcome_of(one, KNOWLEDGE) == "improved"
