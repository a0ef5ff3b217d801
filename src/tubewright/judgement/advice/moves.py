"""Moves in words: which way, how far, and how sure that is."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from tubewright.judgement.advice.planned import Move

WAYS: Final[Mapping[str, tuple[str, str]]] = {
    # control: what a positive amount is, and a negative one
    "yoke_tilt_vertical": ("the front of the yoke up", "the front of the yoke down"),
    "yoke_tilt_horizontal": (
        "the front of the yoke to the right, as seen from behind",
        "the front of the yoke to the left, as seen from behind",
    ),
    "yoke_axial": ("forward, towards the screen", "back, away from the screen"),
    "yoke_rotation": ("clockwise, as seen from behind", "anticlockwise, as seen from behind"),
    "convergence_strips": ("further in, towards the yoke's middle", "further out"),
}
SCREW: Final = ("clockwise", "anticlockwise")

SIXTEENTHS: Final[Mapping[int, str]] = {
    1: "a sixteenth of a turn",
    2: "an eighth of a turn",
    3: "three sixteenths of a turn",
    4: "a quarter of a turn",
    5: "five sixteenths of a turn",
    6: "three eighths of a turn",
    8: "half a turn",
    10: "five eighths of a turn",
    12: "three quarters of a turn",
    16: "a whole turn",
}
UNIT_WORDS: Final[Mapping[str, str]] = {"turn": "turns", "mm": "mm", "deg": "degrees", "cm": "cm"}
LEAST_TURN_DEG: Final = 0.5
LEAST_TABS_MM: Final = 0.1


def way(control: str, value: float) -> str:
    """Which way an amount goes."""
    positive, negative = WAYS.get(control, SCREW)
    return positive if value >= 0 else negative


def direction(move: Move) -> str:
    """Which way, in words."""
    if move.sort == "degauss":
        return "over the whole screen, then slowly away to arm's length before it is switched off"
    if move.ring is None or move.ring_now is None:
        return way(move.control, move.value)
    turn = move.ring.angle_deg - move.ring_now.angle_deg
    words = []
    if abs(move.value) >= LEAST_TABS_MM:
        words.append("tabs apart" if move.value > 0 else "tabs together")
    if abs(turn) >= LEAST_TURN_DEG:
        words.append(f"the pair {'clockwise' if turn > 0 else 'anticlockwise'}, as seen from behind")
    return ", and ".join(words) or "as it stands"


def amount(move: Move) -> str:
    """How far, in words; while nobody knows what the control does, only a little."""
    if move.sort == "degauss":
        return "once, without haste"
    how_far = _ring(move) if move.ring is not None else length(abs(move.value), move.unit)
    if move.sort == "probe":
        return f"a little ({how_far}), then photograph again"
    if move.sort == "undo":
        return f"{how_far}, back to where it stood"
    spread = 0.0 if move.ring is not None else move.value_sd
    low, high = abs(move.value) - spread, abs(move.value) + spread
    if spread > 0 and f"{low:.2g}" != f"{high:.2g}":
        return f"{how_far} (likely {max(low, 0):.2g} to {high:.2g} {UNIT_WORDS[move.unit]})"
    if move.ring is not None:
        return f"{how_far} (give or take {move.value_sd:.1f} mm)"
    return how_far


def _ring(move: Move) -> str:
    if move.ring is None or move.ring_now is None:
        return ""
    turn = move.ring.angle_deg - move.ring_now.angle_deg
    words = []
    if abs(move.value) >= LEAST_TABS_MM:
        words.append(f"tabs from {move.ring_now.tabs_mm:.1f} to {move.ring.tabs_mm:.1f} mm apart")
    if abs(turn) >= LEAST_TURN_DEG:
        words.append(f"the pair turned by {abs(turn):.0f} degrees")
    return ", ".join(words) or "as it stands"


def length(size: float, unit: str) -> str:
    """An amount in words: of a turn in sixteenths, which a hand can tell apart."""
    if unit != "turn":
        return f"{size:.1f} {UNIT_WORDS[unit]}"
    sixteenths = max(round(16 * size), 1)
    known = min(SIXTEENTHS, key=lambda one: abs(one - sixteenths))
    if abs(known - sixteenths) <= 1 and sixteenths <= max(SIXTEENTHS):
        return SIXTEENTHS[known]
    return f"{size:.2g} turns"
