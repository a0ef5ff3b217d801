"""How sure the gain of an input is: whether its direction is known, and whether it does anything at all."""

from __future__ import annotations

import numpy as np

from tubewright.judgement.advice.effects import RINGS
from tubewright.judgement.advice.modes import INDEX
from tubewright.judgement.advice.response import Belief
from tubewright.knowledge.model import Knowledge


def known(belief: Belief, number: int, knowledge: Knowledge) -> bool:
    """Whether the direction of an input is known: its main effect stands well off nothing.

    The two inputs of a pair of rings share one gain: what is known of the one is known of the other.
    """
    control, inputs = belief.effects.inputs[number].control, belief.effects.inputs
    parts = [n for n, one in enumerate(inputs) if one.control == control] if control in RINGS else [number]
    return max(main_gain(belief, n)[0] for n in parts) > knowledge.value("advice_known_sd")


def idle(belief: Belief, number: int, knowledge: Knowledge) -> bool:
    """Whether an input was tried and does next to nothing: surely far less than such a control should."""
    return _less(belief, number, knowledge.value("advice_idle_ratio"))


def faint(belief: Belief, number: int, knowledge: Knowledge) -> bool:
    """Whether what an input does is likely less than half of what such a control should."""
    return _less(belief, number, knowledge.value("advice_faint_ratio"))


def _less(belief: Belief, number: int, ratio: float) -> bool:
    """Whether the root mean square of each main effect of an input is below a share of what is usual."""
    effects, modes = belief.effects, [INDEX[name] for name in belief.effects.inputs[number].main]
    patterns = effects.patterns[:, modes, number]
    before = np.sqrt((patterns**2).T @ effects.usual_size**2)
    now = np.sqrt(belief.gain_second()[modes, number])
    return bool((now < ratio * before).all())


def main_gain(belief: Belief, number: int) -> tuple[float, float]:
    """The strongest main effect of an input in its standard deviations, and that deviation as a share of it.

    For rings the two inputs share one gain, size and turn; its whole counts.
    """
    effects, modes = belief.effects, [INDEX[name] for name in belief.effects.inputs[number].main]
    column = belief.gain[modes, number]
    patterns = effects.patterns[:, modes, number]
    cov = patterns.T @ belief.gain_cov @ patterns
    sd = np.sqrt(np.maximum(np.diag(cov), 1e-18))
    if effects.inputs[number].control in RINGS:
        size, doubt = float(np.hypot(*column)), float(np.sqrt(np.trace(cov) / 2))
        return size / doubt, doubt / max(size, 1e-12)
    best = int(np.argmax(np.abs(column) / sd))
    size = abs(float(column[best]))
    return size / float(sd[best]), float(sd[best]) / max(size, 1e-12)
