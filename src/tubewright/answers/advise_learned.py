"""What a display's controls were seen to do, and how that is carried into its next job.

An earlier job's gains come in as further evidence: a normal law that is as narrow as
that job left it and widened by what may have changed since. Beliefs here are normal
laws over the same unknowns, so that multiplying in the earlier law's ratio to the first
guess is the update of a Kalman filter whose measurement is the gains themselves.

Source: product of two normal laws, as in any account of Bayesian linear estimation;
that a control keeps its effect while tube and yoke stay together is common practice.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal

import numpy as np

from tubewright.answers.advised import Learned, Origin
from tubewright.judgement.advice.course import Course, RingSetting, Setup, Turned, follow, known
from tubewright.judgement.advice.effects import RINGS, Input
from tubewright.judgement.advice.modes import FOLDED, MODES
from tubewright.judgement.advice.moves import way
from tubewright.judgement.advice.response import Belief
from tubewright.judgement.seen_checks import Measured
from tubewright.knowledge.model import Knowledge

LEARNED_RATIO: Final = 0.7
"""A gain counts as learned once its standard deviation is below this share of the first guess."""
CARRIED_RATIO: Final = 0.3
"""What may have changed between two jobs, as a share of a gain: a clamp, a part, a hand."""

ON_THE_TUBE: Final = frozenset(
    {*RINGS, "yoke_axial", "yoke_tilt_vertical", "yoke_tilt_horizontal", "yoke_rotation", "wedges"}
    | {"convergence_strips", "static_red", "static_green", "static_blue", "blue_lateral", "dynamic_convergence"}
)
"""Controls whose effect belongs to tube and yoke: with another tube nothing of it is carried over."""

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
        same_tube: The tube was the one that is in the display now.
    """

    measured: Sequence[Measured]
    turned: Sequence[Turned]
    setup: Setup
    same_tube: bool = True


def with_earlier(course: Course, earlier: Sequence[Earlier], knowledge: Knowledge) -> tuple[Course, frozenset[str]]:
    """A course with what earlier jobs taught of the same controls.

    Args:
        course: The session as it went, reckoned on its own.
        earlier: Earlier jobs on this display, oldest first.
        knowledge: The facts.

    Returns:
        The course, and the names of the gains that something was carried over for.
    """
    before: Course | None = None
    tube_stayed = True
    for one in earlier:
        then = follow(one.measured, one.turned, one.setup, knowledge)
        if before is not None:
            then = _joined(then, before, all_gains=tube_stayed or not one.same_tube)[0]
        before, tube_stayed = then, one.same_tube
    if before is None:
        return course, frozenset()
    return _joined(course, before, all_gains=tube_stayed)


def _joined(course: Course, before: Course, *, all_gains: bool) -> tuple[Course, frozenset[str]]:
    """A course with the gains of the one before it multiplied in."""
    ours, theirs = course.effects, before.effects
    first = {name: (mean, sd) for name, mean, sd in zip(theirs.gains, theirs.mean, theirs.sd, strict=True)}
    sd_then = np.sqrt(np.diag(before.belief.gain_cov))
    names = [
        name
        for n, name in enumerate(theirs.gains)
        if name in ours.gains
        and sd_then[n] < LEARNED_RATIO * first[name][1]
        and (all_gains or _control(name) not in ON_THE_TUBE)
    ]
    if not names:
        return course, frozenset()
    there = [theirs.gains.index(name) for name in names]
    here = [len(MODES) + ours.gains.index(name) for name in names]
    mean = before.belief.mean[len(MODES) + np.array(there)]
    guess, spread = np.array([first[name][0] for name in names]), np.array([first[name][1] for name in names])
    cov = before.belief.gain_cov[np.ix_(there, there)]
    # Never wider than half of the first guess allows: what was learned stays worth something.
    cov = cov + np.diag(np.minimum((CARRIED_RATIO * mean) ** 2, 0.5 * spread**2))
    more = np.linalg.inv(cov) - np.diag(spread**-2.0)
    values, vectors = np.linalg.eigh(more)
    keep = values > 1e-9 * np.max(np.abs(values))
    if not keep.any():
        return course, frozenset()
    # What the earlier law says beyond the first guess, as measurements along its own directions.
    along = vectors[:, keep].T
    told = along @ (np.linalg.solve(cov, mean) - guess / spread**2) / values[keep]
    belief = _told(course.belief, here, along, told, np.diag(1 / values[keep]))
    return replace(course, belief=belief), frozenset(names)


def _told(
    belief: Belief,
    places: Sequence[int],
    along: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    told: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
    cov: np.ndarray[tuple[int, ...], np.dtype[np.float64]],
) -> Belief:
    rows = np.zeros((told.size, belief.mean.size))
    rows[:, list(places)] = along
    weight = np.linalg.solve(rows @ belief.cov @ rows.T + cov, rows @ belief.cov).T
    left = np.eye(belief.mean.size) - weight @ rows
    after = left @ belief.cov @ left.T + weight @ cov @ weight.T
    return replace(belief, mean=belief.mean + weight @ (told - rows @ belief.mean), cov=(after + after.T) / 2)


def rings_left(one: Earlier, knowledge: Knowledge) -> Mapping[str, RingSetting]:
    """How the rings stood when an earlier job ended."""
    return follow(one.measured, one.turned, one.setup, knowledge).now.rings


def _control(gain: str) -> str:
    return gain.partition(">")[0].partition(":")[0].partition(" ")[0]


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
                per=f"{PER[one.unit]} {way(one.control, 1.0)}",
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


def _origin(tries: int, before: bool) -> Origin | None:
    found: Mapping[tuple[bool, bool], Literal["here", "earlier", "both"]] = {
        (True, True): "both",
        (True, False): "here",
        (False, True): "earlier",
    }
    return found.get((tries > 0, before))
