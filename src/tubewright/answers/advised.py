"""What ``advise`` answers, as frozen values, and its published body (format 1)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

from tubewright.judgement.advice.planned import Sort, State

__all__ = [
    "FORMAT",
    "MODEL_VERSION",
    "Advised",
    "AdvisedMove",
    "ExpectedAnswer",
    "NotKnown",
    "Remaining",
    "Sort",
    "State",
    "to_json",
]

FORMAT: Final = 1
MODEL_VERSION: Final = "1"
"""Changes whenever the same photographs and moves may get another answer."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExpectedAnswer:
    """One error before a move and after the whole round, as a size in ``unit``."""

    about: str
    unit: str
    before_ratio: float
    after_ratio: float
    after_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class AdvisedMove:
    """One thing to do; its cautions are read first.

    Attributes:
        control: Id.
        name: Of the control, for people.
        part: Which part of it; "" where it has one.
        sort: A degaussing, a first small move, an amount, or the way back.
        direction: Which way, in words.
        amount: How far, in words with its spread.
        value: By how much in ``unit``; positive is the first of its two ways. ``None`` for a degaussing.
        value_sd: Its spread.
        unit: turn, mm, deg or cm; "" for a degaussing.
        tabs_mm: Of rings: how far their tabs stand apart then.
        angle_deg: Of rings: how the pair is turned then, clockwise from behind against the first photograph.
        expected: What it should bring; ``None`` while nobody knows.
        why: In words.
        disturbs: What else it touches.
        hazard: Class and words of the hazard.
        cautions: In words.
        confirm: What to make sure of first, in words.
        entry: What to write into the file of moves once it is done.
    """

    control: str
    name: str
    part: str
    sort: Sort
    direction: str
    amount: str
    value: float | None
    value_sd: float | None
    unit: str
    tabs_mm: float | None
    angle_deg: float | None
    expected: ExpectedAnswer | None
    why: str
    disturbs: str
    hazard: str
    cautions: tuple[str, ...]
    confirm: tuple[str, ...]
    entry: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Remaining:
    """One error as it stands, held against its tolerance: the map of what is left.

    Attributes:
        about: What it is.
        group: convergence, purity, or the figure's name.
        zone: Where; "" for the whole picture.
        gun: Whose; "" for all.
        value: Size, in ``unit``.
        value_sd: Its standard deviation.
        tolerance_ratio: What is let pass, in ``unit``.
        unit: mm, %, degrees or share.
        within: Whether it is.
        chance_within: The chance that the true figure is.
    """

    about: str
    group: str
    zone: str
    gun: str
    value: float
    value_sd: float
    tolerance_ratio: float
    unit: str
    within: bool
    chance_within: float


@dataclass(frozen=True, slots=True, kw_only=True)
class NotKnown:
    """What these photographs can't say, why, and what would settle it."""

    about: str
    reason: str
    would_settle: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Advised:
    """The whole answer.

    Attributes:
        state: Where the work stands.
        within_tolerance: Everything measured is within tolerance.
        headline: In one sentence.
        tolerance: The set of tolerances.
        moves: In the order of work.
        cautions: Of all moves together, before any of them.
        remaining: Every measured error.
        unknown: What couldn't be measured.
        notes: What else there is to say: controls at their end, moves that went the other way.
        history_ratio: What lay beyond tolerance at each photograph: root of the sum of squares, in tolerances.
    """

    state: State
    within_tolerance: bool
    headline: str
    tolerance: str
    moves: tuple[AdvisedMove, ...]
    cautions: tuple[str, ...]
    remaining: tuple[Remaining, ...]
    unknown: tuple[NotKnown, ...]
    notes: tuple[str, ...]
    history_ratio: tuple[float, ...]


def to_json(answer: Advised) -> dict[str, Any]:
    """The published body of ``advise``; holds only what JSON can carry."""
    return {
        "format": FORMAT,
        "state": answer.state,
        "within_tolerance": answer.within_tolerance,
        "headline": answer.headline,
        "tolerance": answer.tolerance,
        "cautions": list(answer.cautions),
        "moves": [_move(one) for one in answer.moves],
        "remaining": [
            {
                "about": one.about,
                "group": one.group,
                "zone": one.zone or None,
                "gun": one.gun or None,
                "value": plain(one.value),
                "sd": plain(one.value_sd),
                "tolerance": plain(one.tolerance_ratio),
                "unit": one.unit,
                "within": one.within,
                "chance_within": plain(one.chance_within),
            }
            for one in answer.remaining
        ],
        "unknown": [
            {"about": one.about, "reason": one.reason, "would_settle": one.would_settle} for one in answer.unknown
        ],
        "notes": list(answer.notes),
        "history": [plain(one) for one in answer.history_ratio],
        "model": {"version": MODEL_VERSION},
    }


def plain(value: float | None) -> float | None:
    """Four significant digits; more would be false precision."""
    return None if value is None else float(f"{value:.4g}")


def _move(one: AdvisedMove) -> dict[str, Any]:
    found = one.expected
    return {
        "cautions": list(one.cautions),
        "confirm": list(one.confirm),
        "hazard": one.hazard,
        "control": one.control,
        "name": one.name,
        "part": one.part or None,
        "sort": one.sort,
        "direction": one.direction,
        "amount": one.amount,
        "value": plain(one.value),
        "sd": plain(one.value_sd),
        "unit": one.unit or None,
        "tabs_mm": plain(one.tabs_mm),
        "angle_deg": plain(one.angle_deg),
        "expected": None
        if found is None
        else {
            "about": found.about,
            "unit": found.unit,
            "before": plain(found.before_ratio),
            "after": plain(found.after_ratio),
            "after_sd": plain(found.after_sd),
        },
        "why": one.why,
        "disturbs": one.disturbs,
        "entry": one.entry,
    }
