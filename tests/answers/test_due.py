"""What is due, put together: reminders in order, jobs without news, and gains held against their promise."""

from __future__ import annotations

import datetime as dt
from typing import Final

import pytest

from tubewright.answers.assessment import Spread
from tubewright.answers.due import FoundLater, TubeTold, WaitingTold, due, to_json
from tubewright.judgement.due import ReadLater, TreatedLast
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE: Final = load_knowledge()
NOW: Final = dt.datetime(2026, 6, 1, 9, 0, tzinfo=dt.UTC)


def ago(days: float) -> dt.datetime:
    return NOW - dt.timedelta(days=days)


def tube(number: int, treated: float, *read: float) -> TubeTold:
    return TubeTold(
        tube_id=number,
        tube=f"Tube {number}",
        display_id=number,
        display=f"Cabinet {number}",
        owner="Ida Quill",
        open_job=None,
        treated=(TreatedLast(gun=None, kind="soak", outcome="improved", at=ago(treated)),),
        read=tuple(ReadLater(gun=gun, at=ago(one)) for one in read for gun in ("red", "green", "blue")),
    )


def later(
    found: float, predicted: Spread | None, *, after: float | None = None, same: bool | None = True
) -> FoundLater:
    return FoundLater(
        tube_id=1,
        tube="Tube 1",
        display="Cabinet 1",
        job_id=3,
        gun="blue",
        kind="clean",
        treated_at=ago(220),
        predicted=predicted,
        after_emission=after,
        value_emission=found,
        found_at=ago(1),
        same_instrument=same,
    )


def test_the_longest_overdue_comes_first_and_three_guns_are_one_visit() -> None:
    answer = due([tube(1, 1.2), tube(2, 40), tube(3, 40, 9)], [], [], KNOWLEDGE, now=NOW)
    assert [(one.tube_id, one.sort) for one in answer.reminders] == [(2, "month"), (1, "next_day")]
    assert answer.reminders[0].guns == ("red", "green", "blue")
    assert "due for 10 days" in answer.reminders[0].words
    assert answer.headline == "Due: 2 tubes to read again."
    assert answer.is_anything


def test_looking_ahead_tells_what_is_coming() -> None:
    assert not due([tube(1, 28, 20)], [], [], KNOWLEDGE, now=NOW).is_anything
    (soon,) = due([tube(1, 28, 25)], [], [], KNOWLEDGE, now=NOW, ahead_days=7).reminders
    assert soon.days_over == pytest.approx(-2)
    assert "due in 2 days" in soon.words


def test_a_job_without_news_is_asked_about_after_a_fortnight() -> None:
    jobs = [
        WaitingTold(job_id=number, display=f"Cabinet {number}", waits_for=what, since=ago(days))
        for number, what, days in ((1, "a flyback", 20), (2, "", 15), (3, "the owner", 3))
    ]
    answer = due([], jobs, [], KNOWLEDGE, now=NOW)
    assert [one.job_id for one in answer.waiting] == [1, 2]
    assert answer.waiting[0].words == "Waits for a flyback, without news for 20 days: ask."
    assert answer.headline == "Due: 2 jobs waiting without news."


def test_what_was_promised_is_held_against_what_was_found() -> None:
    promised = Spread(median=0.5, p10=0.45, p90=0.55)
    kept, lost, unknown, simple, box = due(
        [],
        [],
        [
            later(0.48, promised),
            later(0.40, promised),
            later(0.48, None),
            later(0.48, None, after=0.6),
            later(0.48, promised, same=False),
        ],
        KNOWLEDGE,
        now=NOW,
    ).came_back
    assert kept.kept_ratio == pytest.approx(0.96)
    assert kept.inside is True
    assert "96 %, kept" in kept.words
    assert "7 months later" in kept.words
    assert lost.inside is False
    assert "80 %, not kept" in lost.words
    assert unknown.kept_ratio is None
    assert "nothing was read" in unknown.words
    assert simple.kept_ratio == pytest.approx(0.8)
    assert simple.inside is None
    assert "0.60 of a good gun was read after the treatment" in simple.words
    assert "another instrument" in box.words


def test_nothing_due_is_said_and_the_body_carries_everything() -> None:
    assert due([], [], [], KNOWLEDGE, now=NOW).headline == "Nothing is due."
    body = to_json(due([tube(1, 1.2)], [], [later(0.48, None)], KNOWLEDGE, now=NOW))
    assert set(body) == {"format", "headline", "reminders", "waiting", "came_back", "at"}
