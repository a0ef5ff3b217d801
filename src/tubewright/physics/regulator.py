"""A linear regulator behind a rectifier: whether the valleys leave it room, and where they cease to.

A regulator passes the ripple on as soon as the valley of its input comes within its
drop-out of its output. It is taken for one that draws a constant current, as a series
regulator does; a switching one draws more current at less voltage and runs out sooner.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, non_negative, numbers, positive
from tubewright.physics.bracket import zero_between
from tubewright.physics.rectifier import Rectifier, capacitor_input
from tubewright.physics.supply_constants import SILICON_DROP_V


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Headroom:
    """What the valleys leave: ``spare_v`` is negative where the output dips, by ``dip_v`` in each valley.

    ``regulator_w`` is what the regulator turns into heat while it holds. NaN where the
    supply can't carry the load at all.
    """

    valley_v: FloatArray
    spare_v: FloatArray
    dip_v: FloatArray
    input_max_v: FloatArray
    regulator_w: FloatArray


def headroom(
    rectifier: Rectifier,
    *,
    output_v: ArrayLike,
    dropout_v: ArrayLike,
    peak_v: ArrayLike,
    mains_hz: ArrayLike,
    reservoir_f: ArrayLike,
    load_a: ArrayLike,
    mains_ratio: ArrayLike = 1.0,
    source_ohm: ArrayLike = 0.0,
    esr_ohm: ArrayLike = 0.0,
    diode_v: ArrayLike = SILICON_DROP_V,
) -> Headroom:
    """What the valleys of a raw supply leave a regulator, at a given mains.

    Args:
        rectifier: As for :func:`~tubewright.physics.rectifier.capacitor_input`, and so what is not named here.
        output_v: What the regulator should give, V; any shape, and all the rest broadcast.
        dropout_v: The least it needs between input and output, V.
        peak_v: Open-circuit peak of the winding at the nominal mains, V.
        mains_hz: Hz.
        reservoir_f: F.
        load_a: Constant current drawn, A.
        mains_ratio: Mains over its nominal value, 1 for nominal.
        source_ohm: ohm.
        esr_ohm: ohm.
        diode_v: V.

    Raises:
        ValueError: As there, an output, a current or a mains not above zero, or a negative drop-out.

    Source: derived.

    >>> left = headroom("bridge", output_v=130.0, dropout_v=3.0, peak_v=170.0, mains_hz=60.0,
    ...                 reservoir_f=100e-6, load_a=0.5, diode_v=0.0)
    >>> round(float(left.valley_v), 1), round(float(left.spare_v), 1)
    (137.2, 4.2)
    """
    output, dropout = positive("output_v", output_v), non_negative("dropout_v", dropout_v)
    amps = positive("load_a", load_a)
    state = capacitor_input(
        rectifier,
        peak_v=positive("peak_v", peak_v) * positive("mains_ratio", mains_ratio),
        mains_hz=mains_hz,
        reservoir_f=reservoir_f,
        load_a=amps,
        source_ohm=source_ohm,
        esr_ohm=esr_ohm,
        diode_v=diode_v,
    )
    spare = state.min_v - output - dropout
    return Headroom(
        valley_v=state.min_v,
        spare_v=answer(spare),
        dip_v=answer(np.maximum(-spare, 0)),
        input_max_v=state.max_v,
        regulator_w=answer(np.maximum(state.mean_v - output, 0) * amps),
    )


def least_mains_ratio(
    rectifier: Rectifier,
    *,
    output_v: ArrayLike,
    dropout_v: ArrayLike,
    peak_v: ArrayLike,
    mains_hz: ArrayLike,
    reservoir_f: ArrayLike,
    load_a: ArrayLike,
    source_ohm: ArrayLike = 0.0,
    esr_ohm: ArrayLike = 0.0,
    diode_v: ArrayLike = SILICON_DROP_V,
) -> FloatArray:
    """The mains, over its nominal value, below which the regulator lets ripple through.

    Args:
        rectifier: As for :func:`headroom`, and so the rest.
        output_v: V.
        dropout_v: V.
        peak_v: V.
        mains_hz: Hz.
        reservoir_f: F.
        load_a: A.
        source_ohm: ohm.
        esr_ohm: ohm.
        diode_v: V.

    Returns:
        A ratio; above 1 where the nominal mains is too little; NaN where four times as much would not do.

    Raises:
        ValueError: As for :func:`headroom`.

    Source: :func:`headroom` turned round.

    >>> ratio = least_mains_ratio("bridge", output_v=130.0, dropout_v=3.0, peak_v=170.0, mains_hz=60.0,
    ...                           reservoir_f=100e-6, load_a=0.5, diode_v=0.0)
    >>> round(float(ratio), 3)
    0.974
    """
    peak = positive("peak_v", peak_v)
    needed = positive("output_v", output_v) + non_negative("dropout_v", dropout_v)

    def spare(ratio: FloatArray) -> FloatArray:
        left = headroom(
            rectifier,
            output_v=output_v,
            dropout_v=dropout_v,
            peak_v=peak,
            mains_hz=mains_hz,
            reservoir_f=reservoir_f,
            load_a=load_a,
            mains_ratio=ratio,
            source_ohm=source_ohm,
            esr_ohm=esr_ohm,
            diode_v=diode_v,
        ).spare_v
        return np.where(np.isnan(left), -needed, left)

    shape = np.broadcast_shapes(
        *(
            np.shape(part)
            for part in (needed, peak, mains_hz, reservoir_f, load_a, source_ohm, esr_ohm, diode_v)
        )
    )  # fmt: skip
    return answer(zero_between(spare, np.full(shape, 1 / 100), np.full(shape, 4)))


def most_load_a(
    rectifier: Rectifier,
    *,
    output_v: ArrayLike,
    dropout_v: ArrayLike,
    peak_v: ArrayLike,
    mains_hz: ArrayLike,
    reservoir_f: ArrayLike,
    mains_ratio: ArrayLike = 1.0,
    source_ohm: ArrayLike = 0.0,
    esr_ohm: ArrayLike = 0.0,
    diode_v: ArrayLike = SILICON_DROP_V,
) -> FloatArray:
    """The load above which the regulator lets ripple through, A.

    Args:
        rectifier: As for :func:`headroom`, and so the rest.
        output_v: V.
        dropout_v: V.
        peak_v: V.
        mains_hz: Hz.
        reservoir_f: F.
        mains_ratio: Mains over its nominal value.
        source_ohm: ohm.
        esr_ohm: ohm.
        diode_v: V.

    Returns:
        Amperes; NaN where not even the least load leaves room.

    Raises:
        ValueError: As for :func:`headroom`.

    Source: :func:`headroom` turned round.

    >>> most = most_load_a("bridge", output_v=130.0, dropout_v=3.0, peak_v=170.0, mains_hz=60.0,
    ...                    reservoir_f=100e-6, diode_v=0.0)
    >>> round(float(most), 3)
    0.575
    """
    peak = positive("peak_v", peak_v) * positive("mains_ratio", mains_ratio)
    needed = positive("output_v", output_v) + non_negative("dropout_v", dropout_v)

    def spare(decades: FloatArray) -> FloatArray:
        left = headroom(
            rectifier,
            output_v=output_v,
            dropout_v=dropout_v,
            peak_v=peak,
            mains_hz=mains_hz,
            reservoir_f=reservoir_f,
            load_a=10**decades,
            source_ohm=source_ohm,
            esr_ohm=esr_ohm,
            diode_v=diode_v,
        ).spare_v
        return np.where(np.isnan(left), -needed, left)

    shape = np.broadcast_shapes(
        *(np.shape(part) for part in (needed, peak, mains_hz, reservoir_f, source_ohm, esr_ohm, diode_v))
    )
    # From a millionth of what the reservoir could give in a radian, up to a thousand times it.
    scale = np.log10(2 * np.pi * numbers(mains_hz) * numbers(reservoir_f) * peak)
    found: FloatArray = 10 ** zero_between(spare, np.broadcast_to(scale - 6, shape), np.broadcast_to(scale + 3, shape))
    return answer(found)
