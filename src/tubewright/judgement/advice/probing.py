"""How large a first small move should be, so that the photograph after it tells what the control does.

After a move whose effect is about ``x`` the gain is known to within ``sqrt(h^2 + c^2 / x^2)`` of itself: ``h`` is
the hand's own doubt, ``c`` what of the effect measuring, drift and the other moves of the round leave open. What then
stands to be put right is about ``E^2 + x^2``, ``E`` being the error now and the direction a toss of a coin; and what
stays after putting it right is the product of the two. It is least at ``x = sqrt(E c / h)``. More than the error itself
isn't asked for: turned the wrong way it then at most doubles. And no more than leaves the next photograph readable:
where red or blue stand far from green, the marks of a survey can't be told any more.

``c`` comes from the filter: how sure it would be after such a photograph doesn't depend on what the photograph shows.

Source: derived; that a linear filter's spread can be foreseen is Kalman's (1960).
"""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, Sequence
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.doubts import main_gain
from tubewright.judgement.advice.hand import after_move
from tubewright.judgement.advice.modes import AXES, INDEX, Observation, gun_rows, zone_place
from tubewright.judgement.advice.response import Belief, foreseen
from tubewright.knowledge.model import Knowledge
from tubewright.picture.results import ZONES

Floats = NDArray[np.float64]

PROBE_LEAST: Final = 1.0
PROBE_MOST: Final = 2.5
SWEEPS: Final = 3
SURE_SDS: Final = 1.0
"""Spreads of what all first moves together may do, within which the picture must stay readable."""
SHARE_LEAST: Final = 0.3
"""A smaller share of a first move would teach nothing."""
_GUNS: Final[tuple[Literal["red", "blue"], ...]] = ("red", "blue")


def main_mode(belief: Belief, number: int) -> int:
    """Of the modes that an input is for, the one with the largest error that it can be expected to touch."""
    main = [INDEX[name] for name in belief.effects.inputs[number].main]
    gain = belief.gain_second()[main, number]
    return main[int(np.argmax(np.abs(belief.error[main]) * (gain > 0)))]


def probe_sizes(
    belief: Belief,
    observed: Observation,
    probed: Sequence[int],
    others: Floats,
    knowledge: Knowledge,
    *,
    tried: Collection[int] = (),
    readable_mm: float = math.inf,
    shrink_ratio: float = 1.0,
) -> Mapping[int, float]:
    """By how much to move each of some inputs whose gain is open, all of them in the same round.

    Args:
        belief: What is known now.
        observed: The last photograph: the next will tell as much.
        probed: The inputs.
        others: What else is moved in the round, (inputs,).
        knowledge: The facts.
        tried: Inputs that were moved before.
        readable_mm: How far red or blue may stand from green for a photograph to be read.
        shrink_ratio: What moves the convergence is moved by so much less: it was unreadable after larger moves.

    Returns:
        The amount of each, in its unit, as a size.
    """
    modes = {n: main_mode(belief, n) for n in probed}
    gain = {n: max(float(np.sqrt(belief.gain_second()[modes[n], n])), 1e-9) for n in probed}
    error = {n: abs(float(belief.error[modes[n]])) for n in probed}
    usual = {n: knowledge.constants[f"advice_probe_{belief.effects.inputs[n].unit}"].value for n in probed}
    hand = knowledge.value("advice_hand_sd_ratio")

    def bounded(n: int, effect: float) -> float:
        # What was tried and leans one way, but did little, may go further.
        unit = belief.effects.inputs[n].unit
        most = (
            knowledge.constants[f"advice_most_{unit}"].value
            if n in tried and main_gain(belief, n)[0] > 1
            else PROBE_MOST * usual[n]
        )
        return float(np.clip(effect / gain[n], PROBE_LEAST * usual[n], most))

    sizes = {n: bounded(n, error[n] / 2) for n in probed}
    for _ in range(SWEEPS):
        amounts = others.copy()
        for n, size in sizes.items():
            amounts[n] = size
        after = foreseen(after_move(belief, amounts, knowledge), observed)
        for n in probed:
            pattern = belief.effects.patterns[:, modes[n], n]
            doubt = float(np.sqrt(pattern @ after.gain_cov @ pattern)) * sizes[n]
            effect = gain[n] * sizes[n]
            open_ = np.sqrt(max(doubt**2 - (hand * effect) ** 2, 1e-12))
            sizes[n] = bounded(n, min(float(np.sqrt(error[n] * open_ / hand)), error[n]))
    parts = [n for n in probed if belief.effects.inputs[n].main[0].startswith(("opp_", "com_"))]
    if parts:
        share = shrink_ratio * max(_room(belief, parts, sizes, others, readable_mm), SHARE_LEAST)
        sizes |= {n: share * sizes[n] for n in parts}
    return sizes


def _room(
    belief: Belief, parts: Sequence[int], sizes: Mapping[int, float], others: Floats, readable_mm: float
) -> float:
    """The share of some moves after which red and blue still stand near enough to green to be read, at most 1."""
    if not math.isfinite(readable_mm):
        return 1.0
    rows = np.array([gun_rows(gun, axis, *zone_place(zone)) for zone in ZONES for gun in _GUNS for axis in AXES])
    stands = (rows @ (belief.error + belief.gain @ others)).reshape(-1, 2)
    effect = (rows**2) @ (belief.gain_second()[:, parts] * np.array([sizes[n] for n in parts]) ** 2)
    spread = np.sqrt(effect.sum(axis=1).reshape(-1, 2).sum(axis=1))
    left = np.maximum(readable_mm - np.hypot(stands[:, 0], stands[:, 1]), 0.0)
    return float(min((left / np.maximum(SURE_SDS * spread, 1e-9)).min(), 1.0))
