"""What a display's controls were seen to do, and how that is carried into its next job.

A gain learned in an earlier job is where the next one begins, widened by what may have
changed since. That a control keeps its effect while tube and yoke stay together is
common practice.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final, Literal

import numpy as np

from tubewright.answers.advised import Learned, Origin
from tubewright.judgement.advice.carry import ON_THE_TUBE, learned_gains
from tubewright.judgement.advice.course import Course, RingSetting, Setup, Turned, follow, known
from tubewright.judgement.advice.effects import RINGS, CarriedGain, Input
from tubewright.judgement.advice.modes import FOLDED, MODES
from tubewright.judgement.advice.moves import way
from tubewright.judgement.seen_checks import Measured
from tubewright.knowledge.model import Knowledge

PER: Final[Mapping[str, str]] = {"turn": "one turn", "mm": "one mm", "deg": "one degree", "cm": "one cm"}
ABOUT: Final[Mapping[str, tuple[str, str]]] = {
    # tail of a gain's name: what it moves, and the unit
    "width_pct": ("the width", "%"),
    "height_pct": ("the height", "%"),
    "shift_x_mm": ("the picture to the right", "mm"),
    "shift_y_mm": ("the picture down", "mm"),
    "rotation_deg": ("the picture's tilt, clockwise", "degrees"),
    "trapezoid_h_pct": ("the top's width over the bottom's", "%"),
    "side_bow_pct": ("the inward bow of the sides", "%"),
    "linearity_h_pct": ("the horizontal linearity", "%"),
    "linearity_v_pct": ("the vertical linearity", "%"),
    "curl_mm": ("the curl at the top", "mm"),
    "defocus_mm": ("the blur of the spot", "mm"),
    "landing_edge": ("the landing at the edges", "share"),
    "opp_x_v": ("red against blue, sideways at the top and bottom edge", "mm"),
    "opp_y_u": ("red against blue, up and down at the left and right edge", "mm"),
    "opp_x_u": ("red against blue, sideways at the left and right edge", "mm"),
    "opp_y_v": ("red against blue, up and down at the top and bottom edge", "mm"),
    "radial": ("its beam along its line", "mm"),
    "edge": ("the lines at that edge", "mm"),
    "x": ("red against blue in that corner, sideways", "mm"),
    "y": ("red against blue in that corner, up and down", "mm"),
}
RING_ABOUT: Final[Mapping[str, tuple[str, str]]] = {
    "four_pole_rings": ("red and blue apart", "mm"),
    "six_pole_rings": ("red and blue together against green", "mm"),
    "purity_rings": ("the landing of all three", "share"),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Earlier:
    """The set-up of an earlier job on the same display.

    Attributes:
        measured: Its measurements in order.
        turned: What was turned between them.
        setup: How it was set up.
        rings: How the rings stood when it ended, with what was turned after its last photograph.
        same_tube: The tube was the one that is in the display now.
    """

    measured: Sequence[Measured]
    turned: Sequence[Turned]
    setup: Setup
    rings: Mapping[str, RingSetting] = field(default_factory=dict)
    same_tube: bool = True


def gains_taught(earlier: Sequence[Earlier], knowledge: Knowledge) -> Mapping[str, CarriedGain]:
    """What earlier jobs on a display taught of its gains, by name, ready for its next one.

    Args:
        earlier: Their set-ups, oldest first; each begins with what those before it taught.
        knowledge: The facts.
    """
    taught: Mapping[str, CarriedGain] = {}
    for one, after in zip(earlier, [*[one.same_tube for one in earlier[1:]], True], strict=True):
        course = follow(one.measured, one.turned, replace(one.setup, prior_gains=taught), knowledge)
        # Gains that this job neither used nor learned anew are in its course as it began with them.
        taught = learned_gains(course, knowledge, without=() if one.same_tube == after else ON_THE_TUBE)
    return taught


def carried_into(course: Course) -> frozenset[str]:
    """Names of the gains that a session began with as earlier jobs taught them, and that it has not contradicted."""
    effects, prior = course.effects, course.setup.prior_gains
    return frozenset(
        name
        for n, name in enumerate(effects.gains)
        if name in prior and effects.mean[n] == prior[name].per_unit_ratio and effects.sd[n] == prior[name].sd_ratio
    )


def rings_found(last: Earlier, knowledge: Knowledge) -> Mapping[str, RingSetting]:
    """How the rings stand when the job after an earlier one begins, their angles counted anew from that one's end."""
    course = follow(last.measured, last.turned, last.setup, knowledge)
    return {
        name: replace(stands, angle_deg=stands.angle_deg - course.now.rings[name].angle_deg)
        for name, stands in (last.rings or course.now.rings).items()
        if name in course.now.rings
    }


def learned_of(course: Course, carried: Collection[str], knowledge: Knowledge) -> tuple[Learned, ...]:
    """What the controls of a display were seen to do, those tried in this session or in earlier jobs."""
    rows: list[Learned] = []
    for n, one in enumerate(course.effects.inputs):
        if one.control in RINGS:
            if one.part == "x":
                rows += _ring(course, n, one, carried, knowledge)
        else:
            rows += _screw(course, n, one, carried, knowledge)
    return tuple(rows)


def _ring(course: Course, number: int, one: Input, carried: Collection[str], knowledge: Knowledge) -> list[Learned]:
    names = (f"{one.control}>along", f"{one.control}>across")
    places = [course.effects.gains.index(name) for name in names]
    tries = int(max(course.tries(number), course.tries(number + 1)))
    origin = _origin(tries, any(name in carried for name in names))
    if origin is None:
        return []
    mean = course.belief.mean[len(MODES) + np.array(places)]
    cov = course.belief.gain_cov[np.ix_(places, places)]
    (about, unit), factor = RING_ABOUT[one.control], _doubled(course.effects.inputs[number].main[0])
    size = float(np.hypot(*mean))
    # The spread of the vector's length: along the vector itself.
    along = mean / max(size, 1e-12)
    return [
        Learned(
            control=one.control,
            name=knowledge.controls[one.control].name,
            part="",
            per="one mm between the tabs",
            about=about,
            value=factor * size,
            value_sd=factor * float(np.sqrt(along @ cov @ along)) if size > 0 else factor * float(cov[0, 0] ** 0.5),
            unit=unit,
            known=known(course.belief, number, knowledge),
            tries=tries,
            origin=origin,
        )
    ]


def _screw(course: Course, number: int, one: Input, carried: Collection[str], knowledge: Knowledge) -> list[Learned]:
    rows = []
    for place, gain in enumerate(course.effects.gains):
        key, _, tail = gain.partition(">")
        if key != one.key or tail not in ABOUT or not (tail in one.main or tail in {"radial", "edge", "x", "y"}):
            continue
        tries = int(course.tries(number))
        origin = _origin(tries, gain in carried)
        if origin is None:
            continue
        (about, unit), factor = ABOUT[tail], _doubled(tail if tail.startswith("opp") else one.main[0], tail)
        value = factor * float(course.belief.mean[len(MODES) + place])
        sd = factor * float(np.sqrt(course.belief.gain_cov[place, place]))
        rows.append(
            Learned(
                control=one.control,
                name=knowledge.controls[one.control].name,
                part=one.part,
                per=_per(one),
                about=about,
                value=abs(value) if tail in FOLDED else value,
                value_sd=sd,
                unit=unit,
                known=known(course.belief, number, knowledge),
                tries=tries,
                origin=origin,
            )
        )
    return rows


def _doubled(mode: str, tail: str = "") -> float:
    """How much of what is told one unit of a gain is: red against blue is twice what parts them from the middle."""
    return 2.0 if mode.startswith("opp_") and tail not in {"radial", "edge"} else 1.0


def _per(one: Input) -> str:
    """One unit of what is turned, with its way, as the beginning of a sentence."""
    said = way(one.control, 1.0)
    return f"{PER[one.unit]} {said}" if " " not in said else f"{PER[one.unit]}, {said},"


def _origin(tries: int, before: bool) -> Origin | None:
    found: Mapping[tuple[bool, bool], Literal["here", "earlier", "both"]] = {
        (True, True): "both",
        (True, False): "here",
        (False, True): "earlier",
    }
    return found.get((tries > 0, before))
