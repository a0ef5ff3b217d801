"""What a hand does to the inputs: how far each goes, how closely the amount is met, and where rings stand since."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.effects import Effects, ring_vector
from tubewright.judgement.advice.response import Belief, moved
from tubewright.knowledge.model import Knowledge

Floats = NDArray[np.float64]
Stop = Literal["", "positive", "negative"]

_NO_CHANGE: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class RingSetting:
    """How a pair of rings stands.

    Attributes:
        tabs_mm: How far the tabs of the two stand apart.
        angle_deg: Where the middle between them points, clockwise as seen from behind; where it stood at first is 0.
    """

    tabs_mm: float
    angle_deg: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Turned:
    """What a hand did to one control.

    Attributes:
        after: After which photograph, counted from 1.
        control: Id of the control.
        part: Which part of it; "" where it has one.
        value: By how much, in ``unit``; positive as the control's words say. Of rings and of degaussing: not used.
        unit: turn, mm, deg or cm.
        ring: How the pair of rings stands since; ``None`` for other controls.
        wrong_way: It went the other way than written: the amount counts with the other sign.
        undone: It was put back before the next photograph.
        at_stop: The control has met its end on that side.
    """

    after: int
    control: str
    part: str = ""
    value: float = 0.0
    unit: str = "turn"
    ring: RingSetting | None = None
    wrong_way: bool = False
    undone: bool = False
    at_stop: Stop = ""

    @property
    def key(self) -> str:
        """Name of the input among those of a display; rings have two, ``:x`` and ``:y`` after their id."""
        return f"{self.control}:{self.part}" if self.part else self.control


def step_of(effects: Effects, move: Turned, rings: Mapping[str, RingSetting]) -> tuple[Floats, dict[str, RingSetting]]:
    """By how much a move moved each input, and how the rings stand since."""
    step, after = np.zeros(len(effects.inputs)), dict(rings)
    if move.undone:
        return step, after
    if move.ring is not None and move.control in rings:
        was, now = rings[move.control], move.ring
        if move.wrong_way:
            now = replace(now, angle_deg=2 * was.angle_deg - now.angle_deg)
        after[move.control] = now
        by = ring_vector(move.control, now.tabs_mm, now.angle_deg) - ring_vector(
            move.control, was.tabs_mm, was.angle_deg
        )
        step[effects.column(f"{move.control}:x")] = by.real
        step[effects.column(f"{move.control}:y")] = by.imag
        step[np.abs(step) < _NO_CHANGE] = 0.0
        return step, after
    if any(one.key == move.key for one in effects.inputs):
        step[effects.column(move.key)] = -move.value if move.wrong_way else move.value
    return step, after


def hand_sd(effects: Effects, amounts: Floats, knowledge: Knowledge) -> Floats:
    """How closely a hand met the amounts, (inputs,)."""
    ratio = knowledge.value("advice_hand_sd_ratio")
    least = np.array([knowledge.constants[f"advice_hand_sd_{one.unit}"].value for one in effects.inputs])
    return np.where(amounts != 0, np.hypot(ratio * amounts, least), 0.0)


def after_move(belief: Belief, amounts: Floats, knowledge: Knowledge) -> Belief:
    """The belief after a hand moved the inputs by about these amounts, and before a photograph."""
    return moved(
        belief,
        amounts,
        hand_sd(belief.effects, amounts, knowledge),
        drift_sd=knowledge.value("advice_field_mm_sd"),
        side_ratio=knowledge.value("advice_side_effect_ratio"),
    )
