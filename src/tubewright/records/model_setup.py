"""Records of setting the picture up: moves of controls, readings of the grey steps, and what was chosen for it."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

MoveUnit = Literal["turns", "degrees", "mm", "cm", "percent", "none"]
SetupTolerance = Literal["", "arcade", "delta", "broadcast"]


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveRecord:
    """A control that was moved.

    Attributes:
        part: which part of the control it was; "" where it has one.
        amount: by how much, in ``unit``; None where it wasn't told.
        direction: which way, in the control's own words.
        tabs_mm: how far the tabs of a pair of rings stand apart since.
        angle_deg: where the middle between them points since.
        after_measurement_id: the measurement that it was made after; None if before the first.
        undone: it was put back before the next photograph.
        wrong_way: it went the other way than written.
        at_stop: the control met its end.
    """

    id: int
    uid: str
    version: int
    job_id: int
    at: dt.datetime
    control: str
    amount: float | None
    unit: MoveUnit
    direction: str
    tabs_mm: float | None
    angle_deg: float | None
    after_measurement_id: int | None
    part: str = ""
    undone: bool = False
    wrong_way: bool = False
    at_stop: bool = False
    note: str = ""
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyRoundRecord:
    """A reading of the grey steps, with what was turned since the one before it.

    Attributes:
        readings_json: the readings, as the answers write them.
        turned_json: turns by control since the reading before, clockwise above 0.
        retrace_seen: retrace lines were seen on a dark picture.
        white: the white that was wished, by its name or by x and y.
        kind: whose tolerances hold.
        peak_cd_m2: peak white wished.
        swing_v: cathode volts from black to full white.
    """

    id: int
    uid: str
    version: int
    job_id: int
    at: dt.datetime
    readings_json: str
    turned_json: str
    retrace_seen: bool
    white: str
    kind: str
    peak_cd_m2: float | None
    swing_v: float | None
    note: str = ""
    person: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class SetupChoices:
    """What was chosen for setting up a job's display; every door goes by it.

    Attributes:
        at: when it was last chosen, by ``person``.
        tolerance: what is good enough; "" goes by the guns.
        opening_width_mm: of the opening before the picture, by a ruler; None goes by the profile.
        opening_height_mm: the same, its height; both are there or neither is.
        at_once: controls between two photographs, at most; None for as many as usual.
        since_measurement_id: the measurement that the session begins with; None for the job's first.
        on_since: when the set was switched on; None where nobody said.
    """

    id: int
    uid: str
    version: int
    job_id: int
    at: dt.datetime
    tolerance: SetupTolerance = ""
    opening_width_mm: float | None = None
    opening_height_mm: float | None = None
    at_once: int | None = None
    since_measurement_id: int | None = None
    on_since: dt.datetime | None = None
    person: str = ""
