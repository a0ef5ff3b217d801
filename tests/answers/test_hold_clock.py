"""The time of the next reading after a treatment, from the first to the proof of the next day."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

import pytest

from tubewright.answers.hold_clock import NextRead, next_read
from tubewright.answers.treat import hold_of
from tubewright.case import Case
from tubewright.judgement.settling_readings import after_treatment
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
DONE: Final = dt.datetime(2026, 3, 2, 9, 0, tzinfo=dt.UTC)


def asked(now: float, *read: tuple[float, float], kind: str = "clean", treated: bool = True) -> NextRead | None:
    rows: list[dict[str, Any]] = [
        {
            "gun": "blue",
            "kind": "emission",
            "value": value,
            "unit": "uA",
            "minutes_on": min(minutes, 15.0) if minutes < 1000 else 10.0,
            "at": DONE + dt.timedelta(minutes=minutes),
        }
        for minutes, value in read
    ]
    done = [{"gun": "blue", "kind": kind, "at": DONE}] if treated else []
    case = Case.model_validate({"format": 1, "readings": rows, "treatments": done})
    told = after_treatment(case, "blue", KNOWLEDGE)
    answer = hold_of(told, "blue", KNOWLEDGE, 1)
    return next_read(answer, told, "blue", KNOWLEDGE, now=DONE + dt.timedelta(minutes=now))


def test_without_a_treatment_no_clock_runs() -> None:
    assert asked(5, treated=False) is None


@pytest.mark.parametrize(("kind", "wait"), [("clean", 10), ("activate", 15), ("soak", 60)])
def test_the_first_reading_waits_as_the_treatment_asks(kind: str, wait: float) -> None:
    found = asked(4, kind=kind)
    assert found is not None
    assert (found.asks, found.minutes, found.left_minutes) == ("first", wait, wait - 4)
    assert found.due_at == DONE + dt.timedelta(minutes=wait)


def test_each_reading_moves_the_clock_on_and_a_time_gone_by_is_due_now() -> None:
    last = 0.0
    read: list[tuple[float, float]] = []
    for minutes in (10.0, 15.0, 30.0, 60.0):
        read.append((minutes, 600.0 - minutes / 4))
        found = asked(minutes, *read)
        assert found is not None
        assert found.minutes is not None
        assert found.minutes > last
        last = found.minutes
        assert found.left_minutes == pytest.approx(found.minutes - minutes)
    late = asked(5000, *read)
    assert late is not None
    assert late.left_minutes is not None
    assert late.left_minutes < 0


def test_an_answer_worth_having_is_proven_the_next_day_and_then_nothing_is_asked() -> None:
    steady = [
        (10.0, 600.0),
        (15.0, 602.0),
        (30.0, 599.0),
        (60.0, 600.0),
        (120.0, 601.0),
        (240.0, 600.0),
        (480.0, 600.0),
    ]
    proof = asked(500, *steady)
    assert proof is not None
    assert (proof.asks, proof.minutes) == ("proof", 1440)
    assert "started cold" in proof.words
    over = asked(1500, *steady, (1440.0, 598.0))
    assert over is not None
    assert (over.asks, over.minutes, over.due_at) == ("nothing", None, None)
