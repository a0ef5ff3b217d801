"""What one session leaves to the next on the same display: its gains, and how its rings stand.

A gain keeps its size and direction while tube, yoke and board stay together; what may have
changed between two jobs (a clamp, a part, other hands) widens it. A pair of rings is told by
angles from where it stood at first. So its gain is turned on to where it stands at the end,
which is where the next session begins. A figure without a sign (landing, linearity, focus) is
told from the side where it stood at first, which may be the other one the next time: of a gain
on such a figure only the size is carried.

Source: derived; that a control keeps its effect is common practice.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

import numpy as np

from tubewright.judgement.advice.course import Course
from tubewright.judgement.advice.effects import RINGS, CarriedGain, ring_vector
from tubewright.judgement.advice.hand import RingSetting
from tubewright.judgement.advice.modes import FOLDED, INDEX, LANDING, MODES
from tubewright.knowledge.model import Knowledge

ON_THE_TUBE: Final = frozenset(
    {*RINGS, "yoke_axial", "yoke_tilt_vertical", "yoke_tilt_horizontal", "yoke_rotation"}
    | {"convergence_strips", "static_red", "static_green", "static_blue", "blue_lateral", "dynamic_convergence"}
)
"""Controls whose effect belongs to tube and yoke: with another tube nothing of it holds."""

_SIGNLESS: Final = [INDEX[name] for name in (*sorted(FOLDED), *LANDING)]


def learned_gains(course: Course, knowledge: Knowledge, *, without: Collection[str] = ()) -> Mapping[str, CarriedGain]:
    """Gains that a session has taught, as a later one takes them (``Setup.prior_gains``).

    Args:
        course: The whole session, begun with what was known before it.
        knowledge: The facts.
        without: Controls that are not to be carried over: those of :data:`ON_THE_TUBE` if the tube was changed.

    Returns:
        Gains by name, for rings that stand at the end of this session at angle 0 of the next.
    """
    effects, belief = course.effects, course.belief
    mean = belief.mean[len(MODES) :].copy()
    cov = belief.gain_cov.copy()
    for control in set(RINGS) & {one.control for one in effects.inputs}:
        turn = ring_vector(control, 1.0, course.now.rings[control].angle_deg)
        for tag in (control, f"{control} shift"):
            if f"{tag}>along" in effects.gains:
                at = [effects.gains.index(f"{tag}>{way}") for way in ("along", "across")]
                by = np.array([[turn.real, -turn.imag], [turn.imag, turn.real]])
                mean[at] = by @ mean[at]
                cov[np.ix_(at, at)] = by @ cov[np.ix_(at, at)] @ by.T
    widened = knowledge.value("advice_carried_sd_ratio")
    least = knowledge.value("advice_learned_ratio")
    found: dict[str, CarriedGain] = {}
    for n, name in enumerate(effects.gains):
        control = name.partition(">")[0].partition(":")[0].partition(" ")[0]
        # Of rings only what turns with them: their smaller effects are told by place, not by angle.
        turns = control not in RINGS or name.endswith((">along", ">across"))
        if control in without or not turns:
            continue
        sd = float(np.sqrt(cov[n, n]))
        if effects.patterns[n, _SIGNLESS].any():
            tried = any(course.tries(int(k)) for k in np.flatnonzero(effects.patterns[n].any(axis=0)))
            if tried or name in course.setup.prior_gains:
                size = float(np.hypot(mean[n], sd))
                found[name] = CarriedGain(per_unit_ratio=0.0, sd_ratio=float(np.hypot(1, widened)) * size)
            continue
        wide = float(np.hypot(sd, widened * mean[n]))
        if sd <= least * effects.usual_size[n] and wide < effects.usual_size[n]:
            found[name] = CarriedGain(per_unit_ratio=float(mean[n]), sd_ratio=wide)
    return found


def rings_left(course: Course) -> Mapping[str, RingSetting]:
    """How the rings stand for the next session: tabs as they are, their angle counted anew."""
    return {name: RingSetting(tabs_mm=one.tabs_mm) for name, one in course.now.rings.items()}
