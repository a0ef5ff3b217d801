"""What a plan is made of: moves, what they should bring, and where the work stands."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from tubewright.judgement.advice.hand import RingSetting
from tubewright.judgement.advice.tolerances import Held

Sort = Literal["degauss", "probe", "aim", "undo"]
State = Literal["not_warm", "go_on", "done", "no_gain", "out_of_reach", "unmeasured", "within_doubt"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Expected:
    """One error before and after a move, as a size.

    Attributes:
        about: Which error.
        unit: Of all of them.
        before: Size now.
        after: Size that is expected after it, with the other moves of the round made, too.
        after_sd: Standard deviation of that.
    """

    about: str
    unit: str
    before_ratio: float
    after_ratio: float
    after_sd: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One thing to do.

    Attributes:
        sort: A degaussing, a first small move, an amount, or the way back.
        control: Id.
        part: Which part; "" where it has one.
        value: By how much, in ``unit``; positive as the control's words say.
        value_sd: How sure that is: from the doubt of the gain.
        unit: turn, mm, deg or cm; "" for a degaussing.
        ring: For rings: how the pair should stand then; ``None`` for others.
        ring_now: And how it stands.
        expected: What it should bring; ``None`` while nobody knows.
        about: The error that it is for, in words; "" for a degaussing and the way back.
    """

    sort: Sort
    control: str
    part: str = ""
    value: float = 0.0
    value_sd: float = 0.0
    unit: str = ""
    ring: RingSetting | None = None
    ring_now: RingSetting | None = None
    expected: Expected | None = None
    about: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """What comes next.

    Attributes:
        state: Where the work stands.
        moves: In the order of work.
        failing: What lies beyond its tolerance.
        unknown: What this measurement can't say.
        idle: Controls that were tried and do next to nothing, with their errors standing.
        patch: The pattern of impurity has a patch that rings and yoke can't make: magnetised, or a fault.
        stuck: Controls that stand at an end and would have to go on.
    """

    state: State
    moves: tuple[Move, ...] = ()
    failing: tuple[Held, ...] = ()
    unknown: tuple[Held, ...] = ()
    patch: bool = False
    stuck: tuple[str, ...] = ()
    idle: tuple[str, ...] = ()
