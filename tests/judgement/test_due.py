"""When a treated tube is read again, and which reading ends a reminder."""

from __future__ import annotations

import datetime as dt
from typing import Final

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.case import GUNS, Gun, Outcome
from tubewright.judgement.due import ReadLater, TreatedLast, due_readings
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
DONE: Final = dt.datetime(2026, 3, 2, 12, 0, tzinfo=dt.UTC)


def day(days: float) -> dt.datetime:
    return DONE + dt.timedelta(days=days)


def cleaned(gun: Gun | None = "blue", outcome: Outcome | None = "improved") -> TreatedLast:
    return TreatedLast(gun=gun, kind="clean", outcome=outcome, at=DONE)


def sorts(now: float, *read: float, treated: TreatedLast | None = None) -> list[str]:
    found = due_readings(
        [treated or cleaned()], [ReadLater(gun="blue", at=day(one)) for one in read], KNOWLEDGE, until=day(now)
    )
    return [one.sort for one in found]


@pytest.mark.parametrize(
    ("now", "read", "due"),
    [
        (0.5, (), []),
        (1.0, (), ["next_day"]),
        (1.0, (0.1, 0.2), ["next_day"]),
        (2.0, (0.9,), []),
        (31, (0.9,), ["month"]),
        (31, (4,), ["month"]),
        (31, (12,), []),
        (95, (12,), ["quarter"]),
        (95, (80,), []),
        (200, (80,), ["half_year"]),
        (366, (150,), ["year"]),
        (800, (366,), ["year"]),
        (800, (600,), []),
        (1900, (), []),
    ],
)
def test_a_reminder_comes_in_time_and_a_reading_near_it_ends_it(
    now: float, read: tuple[float, ...], due: list[str]
) -> None:
    assert sorts(now, *read) == due


@pytest.mark.parametrize("outcome", ["lost", "worse", "unchanged"])
def test_nothing_is_looked_for_where_nothing_was_gained(outcome: Outcome) -> None:
    assert sorts(40, treated=cleaned(outcome=outcome)) == []


def test_a_treatment_of_the_whole_tube_asks_for_every_gun_and_contacts_for_none() -> None:
    soaked = TreatedLast(gun=None, kind="soak", outcome=None, at=DONE)
    found = due_readings([soaked], [ReadLater(gun="red", at=day(1.2))], KNOWLEDGE, until=day(2))
    assert [one.gun for one in found] == ["green", "blue"]
    contacts = TreatedLast(gun=None, kind="clean_contacts", outcome="improved", at=day(0.5))
    assert [one.kind for one in due_readings([soaked, contacts], [], KNOWLEDGE, until=day(2))] == ["soak"] * 3


@given(
    now=st.floats(0, 1500),
    read=st.lists(st.tuples(st.sampled_from(GUNS), st.floats(-50, 1500)), max_size=6),
)
def test_at_most_one_reminder_a_gun_never_early_and_none_right_after_a_reading(
    now: float, read: list[tuple[Gun, float]]
) -> None:
    told = [ReadLater(gun=gun, at=day(one)) for gun, one in read]
    found = due_readings([cleaned(gun=None)], told, KNOWLEDGE, until=day(now))
    assert len({one.gun for one in found}) == len(found)
    assert all(one.due_at <= day(now) for one in found)
    just_read = [*told, *(ReadLater(gun=gun, at=day(now)) for gun in GUNS)]
    assert due_readings([cleaned(gun=None)], just_read, KNOWLEDGE, until=day(now)) == ()
