"""Where one stands in the order of setting up."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Final

from tubewright.answers.advised import OrderStep, Standing
from tubewright.judgement.advice.course import Course
from tubewright.judgement.advice.planned import Plan
from tubewright.judgement.advice.tolerances import Held
from tubewright.knowledge.chassis import SetupStep
from tubewright.knowledge.model import Knowledge

ROUGH: Final = frozenset({"rough_convergence", "static_convergence"})
"""Convergence before purity."""
TWICE: Final = frozenset({"fine_convergence", "fine_static"})
"""And once more after it."""


def order_of(course: Course, found: Plan, knowledge: Knowledge) -> tuple[OrderStep, ...]:
    """The steps for this arrangement of guns, each with how it stands."""
    steps = [step for step in knowledge.setup_steps.values() if step.guns in {"both", course.setup.gun}]
    moved = frozenset(move.control for move in found.moves if move.sort != "undo")
    return tuple(
        OrderStep(
            place=step.place,
            id=step.id,
            name=step.name,
            why=step.why,
            disturbs=step.disturbs,
            controls=tuple(knowledge.controls[one].name for one in step.controls if one in course.setup.controls),
            standing=_standing(step, course, found, moved),
            beyond=tuple(one.about for one in _worst_first(step, found.failing)),
        )
        for step in sorted(steps, key=lambda step: step.place)
    )


def _standing(step: SetupStep, course: Course, found: Plan, moved: frozenset[str]) -> Standing:
    purity = [one.within for one in course.now.held if one.group == "purity"]
    looked = any(one is not None for one in purity)
    mine = bool(moved & set(step.controls))
    if step.place == 1:
        return "now" if not course.setup.warm or "h_hold" in moved else "yours"
    if step.id == "degauss":
        return "now" if mine else "within" if course.now.degaussed else "not_needed" if looked else "unknown"
    if step.id in TWICE and not _landing_moved(course):
        # Nothing has moved it since it was set roughly: once is enough, unless purity is still to come.
        return "waits" if False in purity else "not_needed" if looked else "unknown"
    if step.id in ROUGH and _landing_moved(course) and False not in purity:
        return "within"
    # Focus and size are turned in two places of the order: they count where their own figures stand.
    wanted = bool(step.zones) or any(one.group in step.groups for one in found.failing)
    if mine and wanted and not (step.id in TWICE and False in purity):
        return "now"
    return _by_figures(step, course) if step.groups else "yours"


def _landing_moved(course: Course) -> bool:
    """Whether rings or yoke were moved for the landing in this session, which moves the convergence."""
    return any(
        course.tries(n) > 0
        for n, one in enumerate(course.effects.inputs)
        if one.control in {"purity_rings", "yoke_axial"}
    )


def _by_figures(step: SetupStep, course: Course) -> Standing:
    figures = [one.within for one in _of(step, course.now.held)]
    if False in figures:
        return "waits" if set(step.controls) & set(course.setup.controls) else "absent"
    return "within" if figures and all(figures) else "unknown"


def _of(step: SetupStep, figures: Collection[Held]) -> Iterator[Held]:
    for one in figures:
        if one.group not in step.groups:
            continue
        # A gun that wasn't measured at all has no zone: it leaves both middle and edges unknown.
        where = "centre" if one.zone == "centre" else "edges"
        if not step.zones or one.zone is None or where in step.zones:
            yield one


def _worst_first(step: SetupStep, failing: Collection[Held]) -> list[Held]:
    return sorted(_of(step, failing), key=lambda one: -(one.over_ratio or 0.0))
