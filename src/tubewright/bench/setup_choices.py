"""What was chosen for setting up a job, as the advice takes it: the same on every screen and at the terminal."""

from __future__ import annotations

import datetime as dt
from typing import Final

from tubewright.answers.advise_job import Asked
from tubewright.records.model import JobPage, SetupChoices

LONGEST_ON: Final = dt.timedelta(hours=48)
"""A switching-on longer ago than this says nothing of the set now."""


def asked_of(job: JobPage) -> Asked:
    """What the job's page was told, for the advice; nothing where nothing was chosen."""
    chosen = job.setup_choices
    if chosen is None:
        return Asked()
    return Asked(
        tolerance=chosen.tolerance or None,
        opening_mm=opening_of(chosen),
        minutes_on=minutes_at(job, job.measurements[-1].at) if job.measurements else None,
        at_once=chosen.at_once,
        since=chosen.since_measurement_id,
    )


def typed_over(kept: Asked, typed: Asked) -> Asked:
    """What was typed now, and what was kept where nothing was typed."""
    return Asked(
        tolerance=typed.tolerance or kept.tolerance,
        opening_mm=typed.opening_mm or kept.opening_mm,
        minutes_on=kept.minutes_on if typed.minutes_on is None else typed.minutes_on,
        at_once=typed.at_once or kept.at_once,
        since=typed.since or kept.since,
    )


def to_keep(job: JobPage, typed: Asked) -> dict[str, object]:
    """What was typed at a terminal, as the records keep it."""
    values: dict[str, object] = {
        "tolerance": typed.tolerance,
        "at_once": typed.at_once,
        "since_measurement_id": typed.since,
    }
    if typed.opening_mm is not None:
        values |= {"opening_width_mm": typed.opening_mm[0], "opening_height_mm": typed.opening_mm[1]}
    if typed.minutes_on is not None and job.measurements:
        values["on_since"] = job.measurements[-1].at - dt.timedelta(minutes=typed.minutes_on)
    return {name: value for name, value in values.items() if value is not None}


def opening_of(chosen: SetupChoices) -> tuple[float, float] | None:
    """Width and height of the opening by a ruler, mm; ``None`` goes by the profile."""
    if chosen.opening_width_mm is None or chosen.opening_height_mm is None:
        return None
    return chosen.opening_width_mm, chosen.opening_height_mm


def minutes_at(job: JobPage, moment: dt.datetime) -> float | None:
    """For how long the set had been on at a moment; ``None`` where that isn't known."""
    on_since = None if job.setup_choices is None else job.setup_choices.on_since
    if on_since is None or not dt.timedelta() <= moment - on_since <= LONGEST_ON:
        return None
    return (moment - on_since).total_seconds() / 60


def options(asked: Asked) -> str:
    """What was asked, as the command line writes it; "" where nothing was."""
    words = []
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
