"""The line retrace: its time, its pulse, and how the anode voltage follows when a part or a voltage changes.

During retrace the line inductance swings for half a cycle with the tuning capacitance, and
the pulse of that swing, stepped up, is the anode voltage. Less capacitance, less
inductance, a longer line or more B+ make it higher.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, positive


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class AnodeRatio:
    """The anode voltage after a change over that before, between what two readings of the pulse give.

    ``low_ratio`` follows the whole pulse at the collector, ``high_ratio`` (further from
    1) what it stands above B+, which is what a winding steps up. Tuning of the
    winding to a harmonic moves a real set between the two or a little beyond.
    """

    low_ratio: FloatArray
    high_ratio: FloatArray


def retrace_time_s(inductance_h: ArrayLike, capacitance_f: ArrayLike) -> FloatArray:
    """The time of a retrace: half a cycle of line inductance and tuning capacitance, s.

    Args:
        inductance_h: All of the line inductance (yoke, beside the transformer's), H; any shape.
        capacitance_f: All of the tuning capacitance, F; broadcasts.

    Raises:
        ValueError: Either is not above zero.

    Source: the swing of a lossless circuit, ``pi sqrt(L C)``.

    >>> round(float(retrace_time_s(1.5e-3, 6.8e-9)) * 1e6, 4)
    10.0334
    """
    return answer(np.pi * np.sqrt(positive("inductance_h", inductance_h) * positive("capacitance_f", capacitance_f)))


def pulse_peak_v(supply_v: ArrayLike, line_s: ArrayLike, retrace_s: ArrayLike) -> FloatArray:
    """The peak of the retrace pulse at the collector of the line output stage, V.

    Args:
        supply_v: B+, V; any shape.
        line_s: Line period, s; broadcasts.
        retrace_s: Retrace time, s; broadcasts, shorter than the line.

    Raises:
        ValueError: Anything not above zero, or a retrace as long as the line.

    Source: derived. The coil gains during scan what it loses in a half sine,
    ``B (1 + pi/2 (T/t - 1))``.

    >>> round(float(pulse_peak_v(110.0, 63.5556e-6, 10.0334e-6)), 1)
    1031.7
    """
    line, retrace = positive("line_s", line_s), positive("retrace_s", retrace_s)
    if np.any(retrace >= line):
        raise ValueError("retrace_s must be shorter than line_s")
    return answer(positive("supply_v", supply_v) * (1 + np.pi / 2 * (line / retrace - 1)))


def anode_ratio(
    supply_v: tuple[ArrayLike, ArrayLike],
    line_s: tuple[ArrayLike, ArrayLike],
    retrace_s: tuple[ArrayLike, ArrayLike],
) -> AnodeRatio:
    """How the anode voltage changes when B+, line rate or retrace time do.

    Args:
        supply_v: B+ before and after, V; any shapes that broadcast.
        line_s: Line period before and after, s.
        retrace_s: Retrace time before and after, s.

    Raises:
        ValueError: As for :func:`pulse_peak_v`.

    Source: the anode voltage goes as the pulse, with the turns as they are: :func:`pulse_peak_v`
    after over before, with and without the B+ that it stands on.

    >>> ratio = anode_ratio((110, 110), (63.5556e-6, 63.5556e-6), (10.0334e-6, 9.5185e-6))
    >>> round(float(ratio.low_ratio), 4), round(float(ratio.high_ratio), 4)
    (1.0574, 1.0642)
    """
    before, after = (pulse_peak_v(supply_v[i], line_s[i], retrace_s[i]) for i in (0, 1))
    whole = after / before
    above = (after - positive("supply_v", supply_v[1])) / (before - positive("supply_v", supply_v[0]))
    return AnodeRatio(low_ratio=answer(whole), high_ratio=answer(above))


def series_share(coil_h: ArrayLike, yoke_h: ArrayLike) -> FloatArray:
    """The share of the scan current that a coil in series with the yoke leaves, where the voltage stays.

    Args:
        coil_h: Width coil, H; any shape.
        yoke_h: Yoke, H; broadcasts.

    Raises:
        ValueError: Either is not above zero.

    Source: derived; current goes as voltage over all inductance.

    >>> round(float(series_share(0.1e-3, 1.0e-3)), 3)
    0.909
    """
    yoke = positive("yoke_h", yoke_h)
    return answer(yoke / (yoke + positive("coil_h", coil_h)))
