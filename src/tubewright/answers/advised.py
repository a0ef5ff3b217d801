"""What ``advise`` answers, as frozen values, and its published body (format 1)."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final, Literal

from tubewright.judgement.advice.planned import Sort, State

__all__ = [
    "FORMAT",
    "MODEL_VERSION",
    "Advised",
    "AdvisedMove",
    "AskedWay",
    "Done",
    "ExpectedAnswer",
    "Learned",
    "NotKnown",
    "OfJob",
    "OrderStep",
    "Origin",
    "Remaining",
    "Sort",
    "Standing",
    "State",
    "Way",
    "to_json",
]

FORMAT: Final = 1
Standing = Literal["now", "waits", "within", "unknown", "yours", "not_needed", "absent"]
"""Of a step in the order: advised on now, beyond tolerance but not its turn, within, not known, not for a photograph
to tell, left out as nothing asks for it, or without a control on this display."""
Origin = Literal["here", "earlier", "both"]
"""Where a gain was learned: in this session, in earlier jobs of the same display, or in both."""
Way = Literal["off", "running"]
"""Of turning a control: with the set unplugged and drained, or with it running."""
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
        way: The same in one word, as it is written down; "" for rings and a degaussing.
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
        confirm: What to make sure of first, in words, whichever way; :class:`AskedWay` parts the ways.
        entry: What to write into the file of moves once it is done.
    """

    control: str
    name: str
    part: str
    sort: Sort
    direction: str
    way: str
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
class OrderStep:
    """A step in the order of work on this display, and how it stands.

    Attributes:
        place: Its number.
        id: Of the step.
        name: What is done.
        why: Why it stands there.
        disturbs: What it disturbs, to be looked at again.
        controls: Names of those of its controls that this display has.
        standing: How it stands.
        beyond: What of it is beyond tolerance, in words, the worst first.
    """

    place: int
    id: str
    name: str
    why: str
    disturbs: tuple[str, ...]
    controls: tuple[str, ...]
    standing: Standing
    beyond: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Learned:
    """What a control of this display was seen to do.

    Attributes:
        control: Id.
        name: Of the control, for people.
        part: Which part of it; "" where it has one.
        per: One unit of what is turned, in words, with its way.
        about: What it moves, in words.
        value: By how much per unit; of figures without a sign, and of rings, the size.
        value_sd: Its standard deviation.
        unit: mm, %, degrees or share.
        known: Its direction stands beyond doubt, so that amounts can be given.
        tries: How often it was moved in this session.
        origin: Where that was learned.
    """

    control: str
    name: str
    part: str
    per: str
    about: str
    value: float
    value_sd: float
    unit: str
    known: bool
    tries: int
    origin: Origin


@dataclass(frozen=True, slots=True, kw_only=True)
class Done:
    """A move that a job holds and that no photograph shows yet.

    Attributes:
        move: Its number among the shop's moves.
        control: Id.
        name: Of the control, for people.
        words: Which way and how far.
    """

    move: int
    control: str
    name: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class OfJob:
    """Which of a job's records an advice rests on.

    Attributes:
        number: The job's.
        photographs: Numbers of its measurements, in order.
        pending: What was turned since the last of them.
        earlier: Earlier jobs on the same display that taught something of its controls.
    """

    number: int
    photographs: tuple[int, ...]
    pending: tuple[Done, ...]
    earlier: tuple[int, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class AskedWay:
    """What one way of turning the controls of a round asks to be true first.

    Attributes:
        way: With the set off and drained, or running.
        name: What it is called.
        words: Whom it is for.
        confirm: What to make sure of, all of it, in words.
    """

    way: Way
    name: str
    words: str
    confirm: tuple[str, ...]


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
        ways: What each of the two ways of turning them asks for; one of them is enough. None where no hand goes inside.
        remaining: Every measured error.
        unknown: What couldn't be measured.
        notes: What else there is to say: controls at their end, moves that went the other way.
        history_ratio: What lay beyond tolerance at each photograph: root of the sum of squares, in tolerances.
        worst_ratio: The worst figure of each photograph over its tolerance; ``None`` where nothing was measured.
        order: The order of work on this display, and where one stands in it.
        learned: What its controls were seen to do.
        job: The records it rests on; ``None`` where it was files.
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
    worst_ratio: tuple[float | None, ...] = ()
    order: tuple[OrderStep, ...] = ()
    learned: tuple[Learned, ...] = ()
    job: OfJob | None = None
    ways: tuple[AskedWay, ...] = ()


def to_json(answer: Advised) -> dict[str, Any]:
    """The published body of ``advise``; holds only what JSON can carry."""
    return {
        "format": FORMAT,
        "state": answer.state,
        "within_tolerance": answer.within_tolerance,
        "headline": answer.headline,
        "tolerance": answer.tolerance,
        "cautions": list(answer.cautions),
        "ways": [
            {"way": one.way, "name": one.name, "words": one.words, "confirm": list(one.confirm)} for one in answer.ways
        ],
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
        "worst": [plain(one) for one in answer.worst_ratio],
        "order": [
            {
                "place": one.place,
                "id": one.id,
                "name": one.name,
                "why": one.why,
                "disturbs": list(one.disturbs),
                "controls": list(one.controls),
                "standing": one.standing,
                "beyond": list(one.beyond),
            }
            for one in answer.order
        ],
        "learned": [
            {
                "control": one.control,
                "name": one.name,
                "part": one.part or None,
                "per": one.per,
                "about": one.about,
                "value": plain(one.value),
                "sd": plain(one.value_sd),
                "unit": one.unit,
                "known": one.known,
                "tries": one.tries,
                "origin": one.origin,
            }
            for one in answer.learned
        ],
        "job": None
        if answer.job is None
        else {
            "number": answer.job.number,
            "photographs": list(answer.job.photographs),
            "pending": [
                {"move": one.move, "control": one.control, "name": one.name, "words": one.words}
                for one in answer.job.pending
            ],
            "earlier": list(answer.job.earlier),
        },
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
        "way": one.way or None,
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
