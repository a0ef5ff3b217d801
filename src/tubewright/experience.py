"""What a shop has learned from its own closed jobs, as plain data.

Records collect it, judgement learns from it; nobody computes anything here. An
empty :class:`Experience` is a shop on its first day.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from tubewright.case import Gun, Outcome, TreatmentKind, Unit


@dataclass(frozen=True, slots=True, kw_only=True)
class TreatedGun:
    """One treatment of one gun whose outcome is known.

    Relative emissions are 1 for a reference gun; ``hours_held`` are service hours
    until the gain was gone, or so far if ``still_holding``.
    """

    kind: TreatmentKind
    gun: Gun | None
    outcome: Outcome
    emission_before: float | None = None
    emission_after: float | None = None
    long_idle: bool = False
    earlier_restorations: int = 0
    hours_held: float | None = None
    still_holding: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class WornGun:
    """Two readings of one untreated gun on one instrument, and the service hours between."""

    hours_between: float
    emission_start: float
    emission_end: float


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownGoodReading:
    """An emission reading on a gun known to be good: what calibrates an instrument."""

    instrument: str
    value: float
    unit: Unit
    cutoff_v: float | None = None
    g2_v: float | None = None
    tube_label: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class MendedJob:
    """One closed job in which at least one fault was confirmed by its repair.

    ``faults`` are ids of faults that were found or mended, ``excluded`` of those that
    were ruled out. ``present`` and ``absent`` are ids of symptoms by the last word on
    each. ``results`` are (test id, result id), where a result was named; a bare number
    needs the knowledge of its test to be read, and is left out.
    """

    faults: tuple[str, ...]
    excluded: tuple[str, ...] = ()
    present: tuple[str, ...] = ()
    absent: tuple[str, ...] = ()
    results: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Experience:
    """All that one shop has to teach."""

    treated: tuple[TreatedGun, ...] = ()
    worn: tuple[WornGun, ...] = ()
    known_good: tuple[KnownGoodReading, ...] = ()
    mended: tuple[MendedJob, ...] = ()
    closed_jobs: int = 0


NO_EXPERIENCE: Final = Experience()
