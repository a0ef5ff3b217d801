"""What the sync separator's coupling capacitor and leak resistor make of the pulses.

The simplest honest model: the capacitor with the resistor is a high-pass, and the
separator slices at a fixed level, half-way up the pulse in the settled lines. Its mean
wanders where the share of sync changes: down through a field pulse, back up after it.
Edges of finite slope then come late or early, and where the slice leaves the pulse, no
edge comes at all. Picture content is left out: a separator that is pulled by bright
captions needs the whole signal. A separator that clamps on the pulse's tip wanders less.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.physics._arrays import FloatArray
from tubewright.physics.afc.source import EDGE_US, PulseTrain

SLICE_MARGIN_RATIO: Final = 0.05
"""How near to either end of the pulse the slice may come before it misses."""


def level_shift(train: PulseTrain, time_constant_s: FloatArray) -> FloatArray:
    """How far the mean has wandered from the settled lines', over the pulse's height, (batch, slots).

    Args:
        train: The pulses of a frame, repeated for ever.
        time_constant_s: Capacitor times resistor, (batch,); infinite for none.
    """
    slots = len(train.low_share_ratio)
    keep = np.exp(-train.line_us * 1e-6 / 2 / time_constant_s)[:, None]
    # The mean after each half line is a running average of the signal (0, or -1 in sync); the pattern repeats, so its
    # spectrum gives it at once.
    turn = np.exp(2j * np.pi * np.arange(slots) / slots)
    drive = np.fft.fft(-train.low_share_ratio)
    static = np.isinf(time_constant_s)
    keep = np.where(static[:, None], 0.5, keep)
    mean = np.fft.ifft((1 - keep) * drive / (turn - keep)).real
    settled = -np.median(train.width_us[train.present]) / train.line_us
    return np.asarray(np.where(static[:, None], 0.0, mean - settled))


def separated(
    train: PulseTrain, time_constant_s: FloatArray, *, edge_us: float = EDGE_US
) -> tuple[NDArray[np.bool_], FloatArray]:
    """Which pulses get through, and how late their edges come.

    Args:
        train: The pulses of a frame.
        time_constant_s: Of the coupling, (batch,); infinite where it isn't known or plays no part.
        edge_us: How long an edge takes from top to bottom.

    Returns:
        Presence and delay in microseconds, both (batch, slots); the delay is against the slot.
    """
    shift = level_shift(train, time_constant_s)
    depth = 0.5 - shift
    seen = train.present & (depth > SLICE_MARGIN_RATIO) & (depth < 1 - SLICE_MARGIN_RATIO)
    late = train.delay_us - np.where(train.present, shift, 0.0) * edge_us
    return seen, late
