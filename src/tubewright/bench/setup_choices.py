"""What was chosen for setting up a job: kept in the browser at this bench, and handed to the advice."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Final

from fastapi import Request, Response

from tubewright.answers.advise import TOLERANCES
from tubewright.answers.advise_job import Asked
from tubewright.records.model import JobPage

COOKIE: Final = "tubewright_setup"
MONTH_SECONDS: Final = 30 * 24 * 3600
LONGEST_ON: Final = dt.timedelta(hours=48)
"""A switching-on longer ago than this says nothing of the set now."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choices:
    """What was chosen on the page; kept in the browser at this bench.

    Attributes:
        tolerance: What is good enough; "" goes by the guns.
        opening_mm: The opening before the picture; ``None`` goes by the profile.
        at_once: Controls between two photographs; ``None`` for as many as usual.
        since: The measurement that the session begins with; ``None`` for the first.
        on_since: When the set was switched on; ``None`` where nobody said.
    """

    tolerance: str = ""
    opening_mm: tuple[float, float] | None = None
    at_once: int | None = None
    since: int | None = None
    on_since: dt.datetime | None = None

    def asked(self, job: JobPage) -> Asked:
        """The same for the advice."""
        return Asked(
            tolerance=next((one for one in TOLERANCES if one == self.tolerance), None),
            opening_mm=self.opening_mm,
            minutes_on=self.minutes_at(job.measurements[-1].at) if job.measurements else None,
            at_once=self.at_once,
            since=self.since if any(one.id == self.since for one in job.measurements) else None,
        )

    def minutes_at(self, moment: dt.datetime) -> float | None:
        """For how long it had been on then; ``None`` where that isn't known."""
        if self.on_since is None or not dt.timedelta() <= moment - self.on_since <= LONGEST_ON:
            return None
        return (moment - self.on_since).total_seconds() / 60


def choices_of(request: Request) -> Choices:
    """What this browser remembers of the job; what is odd counts as not said."""
    parts = (request.cookies.get(COOKIE, "").split("~") + [""] * 5)[:5]
    tolerance, opening, at_once, since, on_since = parts
    return Choices(
        tolerance=tolerance if tolerance in TOLERANCES else "",
        opening_mm=_sides(opening),
        at_once=_whole(at_once, 20),
        since=_whole(since, 2**31 - 1),
        on_since=None if (seconds := _whole(on_since, 2**40)) is None else dt.datetime.fromtimestamp(seconds, dt.UTC),
    )


def _sides(text: str) -> tuple[float, float] | None:
    try:
        wide, high = (float(side) for side in text.split("x"))
    except ValueError:
        return None
    return (wide, high) if 10 < wide < 5000 and 10 < high < 5000 else None


def _whole(text: str, most: int) -> int | None:
    if not (text.isascii() and text.isdigit()) or len(text) > 13:
        return None
    return int(text) if 1 <= int(text) <= most else None


def remember(answer: Response, job_id: int, choices: Choices) -> Response:
    """Let this browser remember what was chosen for this job."""
    opening = "" if choices.opening_mm is None else f"{choices.opening_mm[0]:g}x{choices.opening_mm[1]:g}"
    on_since = "" if choices.on_since is None else str(int(choices.on_since.timestamp()))
    value = "~".join((choices.tolerance, opening, str(choices.at_once or ""), str(choices.since or ""), on_since))
    answer.set_cookie(COOKIE, value, max_age=MONTH_SECONDS, path=f"/jobs/{job_id}", httponly=True, samesite="lax")
    return answer


def command_of(job: JobPage, choices: Choices) -> str:
    """The same question at a terminal."""
    asked = choices.asked(job)
    words = [f"tubewright advise job:{job.job.id}"]
    if asked.tolerance:
        words.append(f"--tolerance {asked.tolerance}")
    if asked.opening_mm:
        words.append(f"--opening-mm {asked.opening_mm[0]:g} {asked.opening_mm[1]:g}")
    if asked.minutes_on is not None:
        words.append(f"--minutes-on {asked.minutes_on:.0f}")
    if asked.at_once:
        words.append(f"--at-once {asked.at_once}")
    if asked.since:
        words.append(f"--since {asked.since}")
    return " ".join(words)
