"""Moves as records keep them: whether they can be reckoned with, and back and forth between them and the advice."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, Protocol

from tubewright.answers.advise import RINGS, GunKind, RingSetting, Turned, unit_of, ways
from tubewright.answers.advised import AdvisedMove
from tubewright.judgement.advice.effects import DELTA, INLINE, effects_of
from tubewright.judgement.advice.moves import length
from tubewright.knowledge.model import Knowledge

UNITS: Final[Mapping[str, str]] = {"turn": "turns", "deg": "degrees", "mm": "mm", "cm": "cm", "": "none"}
"""Units of the advice as records write them."""


class StoredMove(Protocol):
    """A move as it is kept with a job."""

    @property
    def id(self) -> int: ...  # noqa: D102 - as the record says
    @property
    def control(self) -> str: ...  # noqa: D102
    @property
    def part(self) -> str: ...  # noqa: D102
    @property
    def amount(self) -> float | None: ...  # noqa: D102
    @property
    def direction(self) -> str: ...  # noqa: D102
    @property
    def tabs_mm(self) -> float | None: ...  # noqa: D102
    @property
    def angle_deg(self) -> float | None: ...  # noqa: D102
    @property
    def after_measurement_id(self) -> int | None: ...  # noqa: D102
    @property
    def undone(self) -> bool: ...  # noqa: D102
    @property
    def wrong_way(self) -> bool: ...  # noqa: D102
    @property
    def at_stop(self) -> bool: ...  # noqa: D102


class Shelf:
    """The controls there are for an arrangement of guns, with their parts."""

    def __init__(self, gun: GunKind, knowledge: Knowledge) -> None:
        self.gun, self.knowledge = gun, knowledge
        self.other = DELTA if gun == "inline" else INLINE
        inputs = effects_of(set(knowledge.controls) - self.other, knowledge).inputs
        self.effected = frozenset(one.control for one in inputs)
        self.parts: dict[str, tuple[str, ...]] = {}
        for one in inputs:
            if one.part and one.control not in RINGS:
                self.parts[one.control] = (*self.parts.get(one.control, ()), one.part)

    def part(self, control: str, stored: str) -> str | None:
        """A stored part in the words of the advice; ``None`` where it is none of the control's."""
        parts = self.parts.get(control, ())
        return next((part for part in parts if stored in {part, part_id(part)}), None) if parts else ""

    def wrong(self, move: StoredMove) -> str:
        """Why a move can't be reckoned with; "" if it can."""
        if move.control not in self.knowledge.controls:
            return f"Left out: a move of {move.control}, which is no control that is known here."
        why = self._why_not(move)
        return f"Left out: a move of {self.knowledge.controls[move.control].name.lower()}, {why}." if why else ""

    def _why_not(self, move: StoredMove) -> str:
        if move.control in self.other:
            return f"which a tube with {'guns in line' if self.gun == 'inline' else 'a delta gun'} has not got"
        if move.control in RINGS:
            return "" if move.tabs_mm is not None or move.undone or move.at_stop else "without how its tabs stand since"
        if move.control in self.effected and self.part(move.control, move.part) is None:
            return "without which part of it"
        asked = move.control in self.effected and bool(move.amount) and not move.undone
        if asked and move.direction not in ways(move.control):
            return f"whose direction, {move.direction or 'none'}, means nothing for it"
        return ""

    def turned(self, move: StoredMove, after: int) -> Turned:
        """A stored move that can be reckoned with, as the advice takes it."""
        sign = -1.0 if move.direction == ways(move.control)[1] else 1.0
        ring = None
        if move.control in RINGS and move.tabs_mm is not None:
            ring = RingSetting(tabs_mm=move.tabs_mm, angle_deg=move.angle_deg or 0.0)
        positive = move.control in RINGS or sign * (-1 if move.wrong_way else 1) > 0
        return Turned(
            after=after,
            control=move.control,
            part=self.part(move.control, move.part) or "",
            value=0.0 if move.control in RINGS else sign * abs(move.amount or 0.0),
            unit=unit_of(move.control),
            ring=ring,
            wrong_way=move.wrong_way,
            undone=move.undone,
            at_stop="" if not move.at_stop else "positive" if positive else "negative",
        )


def part_id(part: str) -> str:
    """A part as records write it."""
    return part.replace(",", "").replace(" ", "_")


def as_stored(move: AdvisedMove, after_measurement_id: int | None) -> dict[str, object]:
    """An advised move as it is kept once it was done just so."""
    values: dict[str, object] = {
        "control": move.control,
        "part": part_id(move.part),
        "after_measurement_id": after_measurement_id,
        "unit": UNITS[move.unit],
        "direction": move.way,
    }
    if move.tabs_mm is not None and move.angle_deg is not None:
        # Before the answer is rounded for eyes: a hand works to a tenth of a mm and to a degree.
        return values | {
            "unit": "mm",
            "tabs_mm": round(max(move.tabs_mm, 0.0), 1),
            "angle_deg": float(round(move.angle_deg)),
        }
    if move.value is not None:
        values["amount"] = float(f"{abs(move.value):.3g}")
    return values


def in_words(move: StoredMove) -> str:
    """A stored move as one would say it: which way, how far, and what became of it."""
    words = [_how(move), _how_far(move)]
    said = ", ".join(word for word in words if word) or ("once" if move.control == "degauss" else "not told how far")
    part = f"{move.part.replace('_', ' ')}: " if move.part else ""
    became = {
        "put back": move.undone,
        "it went the other way": move.wrong_way,
        "it met its end": move.at_stop,
    }
    return part + "; ".join((said, *(word for word, so in became.items() if so)))


def _how(move: StoredMove) -> str:
    return "" if move.control in RINGS or not move.direction else move.direction


def _how_far(move: StoredMove) -> str:
    if move.control in RINGS:
        if move.tabs_mm is None:
            return ""
        return f"tabs {move.tabs_mm:.1f} mm apart, the pair at {move.angle_deg or 0.0:.0f} degrees"
    if move.amount is None:
        return ""
    return length(abs(move.amount), unit_of(move.control))
