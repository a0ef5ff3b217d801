"""The form of an answer on the grey scale: plain figures, each step, each gun, each move."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal, TypeAlias

from tubewright.answers.assessment import Figure, Unknown
from tubewright.judgement.greyscale import GreyError, GreyStep, GreyTarget
from tubewright.judgement.greyscale_advice import Move
from tubewright.judgement.greyscale_fit import GreyReading
from tubewright.judgement.greyscale_gains import Control, Gain
from tubewright.picture.results import GunName

State: TypeAlias = Literal["done", "turn", "settled", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyGun:
    """One gun's law: where its light begins, its exponent, its light and how far it falls behind at full level."""

    gun: GunName
    black_ratio: Figure
    gamma_ratio: Figure
    full_cd_m2: Figure
    shortfall_ratio: Figure
    flattens: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Watch:
    """What the instrument should show at a level once a group of controls is turned."""

    after: Literal["screen", "cutoffs", "drives"]
    level_ratio: float
    place_xy: tuple[float, float]
    luminance_cd_m2: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyAnswer:
    """The whole answer.

    Attributes:
        state: "done" within the tolerances; "turn" with moves to make; "settled" where no turn would gain enough;
            "unknown" where the readings can't tell.
        relative: True from photographs: guns against each other, the middle grey taken as right.
        steps: Each step as it is.
        error: Tracking error now.
        error_before: That of the earlier readings, if any were given.
        guns: The guns' laws.
        moves: What to turn now, in order.
        watch: What to read while turning.
        predicted: Steps once the moves are made.
        predicted_error: Tracking error then.
        predicted_worst_delta_e: Its worst CIEDE2000, with what isn't known of guns and phosphors in it.
        final_error: Once cutoffs and drives are right as well, where the screen comes first; where all is within
            the tolerances already, what going on would bring.
        limited_by: Gun that sets the peak white.
        gains: What a turn of each control does, as far as it was learned.
        unknown: What can't be told, why, and what would settle it.
        readings: Those that the answer rests on, so that the next one can be compared.
    """

    state: State
    relative: bool
    target: GreyTarget
    steps: tuple[GreyStep, ...]
    error: GreyError | None
    error_before: GreyError | None
    guns: tuple[GreyGun, ...]
    moves: tuple[Move, ...]
    watch: tuple[Watch, ...]
    predicted: tuple[GreyStep, ...]
    predicted_error: GreyError | None
    predicted_worst_delta_e: Figure
    final_error: GreyError | None
    limited_by: str
    black: str
    gains: Mapping[Control, Gain]
    unknown: tuple[Unknown, ...]
    headline: str
    words: tuple[str, ...]
    cautions: tuple[str, ...]
    hazard: str
    readings: tuple[GreyReading, ...] = ()
