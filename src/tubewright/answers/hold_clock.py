"""When the next reading after a treatment is taken: the time that a clock on the bench counts down to."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal, TypeAlias

from tubewright.answers.hold import Held, span
from tubewright.case import Gun
from tubewright.judgement.settling_readings import AfterTreatment
from tubewright.judgement.treatment_course import wait_minutes
from tubewright.knowledge.model import Knowledge

Asks: TypeAlias = Literal["first", "next", "proof", "nothing"]


@dataclass(frozen=True, slots=True, kw_only=True)
class NextRead:
    """The reading that is asked for next.

    Attributes:
        asks: the first one, a further one, the proof of the next day, or nothing any more.
        gun: Of which gun.
        treated_at: When its treatment ended.
        minutes: When to read, in minutes after that; None if nothing is asked for.
        due_at: The same as a moment.
        left_minutes: From now until then; 0 or less: it is due.
        words: The same in a sentence, without the time of day.
    """

    asks: Asks
    gun: Gun
    treated_at: dt.datetime
    minutes: float | None
    due_at: dt.datetime | None
    left_minutes: float | None
    words: str


def next_read(
    answer: Held, told: AfterTreatment, gun: Gun, knowledge: Knowledge, *, now: dt.datetime
) -> NextRead | None:
    """The reading of a gun that is asked for next, and when.

    Args:
        answer: What is known of its holding.
        told: The readings after its last treatment.
        gun: Which gun.
        knowledge: The waits.
        now: The moment; it knows its zone.

    Returns:
        None where no treatment with date and time is known.
    """
    if told.at is None or told.treatment is None:
        return None
    proven = any(one.minutes >= knowledge.value("treatment_hold_proof_minutes") for one in answer.readings)
    rest = knowledge.value("settling_rest_minutes")
    asks: Asks
    minutes: float | None
    if not answer.readings:
        asks, minutes = "first", wait_minutes(told.treatment, knowledge)
        words = f"Read the {gun} gun {span(minutes)} after the treatment, and write it down: the clock starts there."
    elif proven:
        asks, minutes, words = "nothing", None, "Read the next day: the answer stands."
    elif (following := _following(answer, rest)) is not None:
        asks, minutes = "next", following
        words = f"Read the {gun} gun again {span(minutes)} after the treatment, nothing else touched."
    else:
        asks, minutes = "proof", rest
        words = (
            f"Prove it the next day: started cold, the {gun} gun ten minutes after the heater is lit, "
            "on the same instrument."
        )
    if minutes is None:
        return NextRead(
            asks=asks, gun=gun, treated_at=told.at, minutes=None, due_at=None, left_minutes=None, words=words
        )
    due = told.at + dt.timedelta(minutes=minutes)
    return NextRead(
        asks=asks,
        gun=gun,
        treated_at=told.at,
        minutes=minutes,
        due_at=due,
        left_minutes=(due - now).total_seconds() / 60,
        words=words,
    )


def _following(answer: Held, rest: float) -> float | None:
    """When to read next before the proof of the next day; None if nothing more is asked until then."""
    if answer.next_minutes is None or answer.next_minutes < rest:
        return answer.next_minutes
    # The next day tells most; until then a reading at about twice the time of the last keeps the course in sight.
    last = max(one.minutes for one in answer.readings)
    return next((one.minutes for one in answer.wait if 1.9 * last <= one.minutes < rest), None)
