"""The way back: where the work ends and an error is worse than a photograph has shown it, what it hangs on returns."""

from __future__ import annotations

from collections.abc import Callable
from collections.abc import Set as AbstractSet
from typing import Final

from tubewright.judgement.advice.course import Course, Round, group_of
from tubewright.judgement.advice.effects import RINGS
from tubewright.judgement.advice.planned import Move

WORSE_RATIO: Final = 0.1
"""By this share, and as much of a tolerance, errors may be beyond their best before anything is taken back."""


_NO_CHANGE: Final = 1e-9


def way_back(course: Course) -> list[Move]:
    """Moves back to where each kind of error was at its best, if it is clearly worse now.

    Only what is for that kind goes back: what has come right by other moves stays right. Where nothing can be
    read any more, everything goes back to the best photograph.
    """
    read = [one for one in course.rounds if any(figure.within is not None for figure in one.held)]
    if not read:
        return []
    if course.now not in read:
        best = min(read, key=lambda one: one.excess_ratio)
        return _to(course, best, {group_of(name) for one in course.effects.inputs for name in one.main})
    moves: list[Move] = []
    for group in sorted({figure.group for figure in course.now.held}):
        best = min(read, key=_excess_in(group))
        if course.now.excess_of([group]) > (1 + WORSE_RATIO) * best.excess_of([group]) + WORSE_RATIO:
            moves += _to(course, best, {group})
    return moves


def _excess_in(group: str) -> Callable[[Round], float]:
    return lambda one: one.excess_of([group])


def _to(course: Course, best: Round, groups: AbstractSet[str]) -> list[Move]:
    """Moves of what is for some kinds of errors to where it stood at a photograph."""
    now, moves = course.now, list[Move]()
    for n, one in enumerate(course.effects.inputs):
        if not groups & {group_of(name) for name in one.main}:
            continue
        if one.control in RINGS:
            then, stands = best.rings[one.control], now.rings[one.control]
            if one.part == "x" and then != stands:
                by = then.tabs_mm - stands.tabs_mm
                moves.append(Move(sort="undo", control=one.control, value=by, unit="mm", ring=then, ring_now=stands))
            continue
        by = float(best.positions[n] - now.positions[n])
        if abs(by) > _NO_CHANGE:
            moves.append(Move(sort="undo", control=one.control, part=one.part, value=by, unit=one.unit))
    return moves
