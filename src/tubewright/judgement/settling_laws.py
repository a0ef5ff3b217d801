"""The laws by which a reading may settle after a treatment, each a shape with a size that is left open.

Nobody has published how emission comes to rest after a treatment, so no one law is
trusted: several are put beside each other, and the readings say how far each is to
be believed. A shape is 0 at the end of the treatment and 1 at rest, the next day;
what multiplies it is the whole change, a logarithm, and is the same thing in every
law. Heat that is still on its way in the first minutes is no settling: it is a term of
its own, counted from when the heater was lit, and has no part in the value at rest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias, get_args

import numpy as np
from numpy.typing import NDArray

from tubewright.knowledge.model import Knowledge

Array: TypeAlias = NDArray[np.float64]
LawId: TypeAlias = Literal["still", "exponential", "logarithmic", "stretched", "power", "warm"]
LAWS: Final[tuple[LawId, ...]] = get_args(LawId)

LAW_WORDS: Final[dict[LawId, str]] = {
    "still": "no change",
    "exponential": "exponential course to a rest value",
    "logarithmic": "course along the logarithm of time",
    "stretched": "stretched exponential",
    "power": "power of time",
    "warm": "first minutes of heat, then one of the others",
}
"""Each law in words."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shape:
    """One law with its times fixed.

    Attributes:
        law: The family it counts for.
        course: Which curve the settling follows.
        minutes: Time constant of the settling; 0 where nothing settles.
        exponent: Of a stretched exponential or a power of time; 1 elsewhere.
        warm_minutes: Time constant of the heat's first minutes; 0 without them.
        prior_weight: Chance of this shape before anything is read; all sum to 1.
    """

    law: LawId
    course: LawId
    minutes: float
    exponent: float
    warm_minutes: float
    prior_weight: float


def shapes(knowledge: Knowledge) -> tuple[Shape, ...]:
    """Every shape that is weighed, its chances summing to 1."""
    fast, slow = knowledge.value("settling_fastest_minutes"), knowledge.value("settling_slowest_minutes")
    still, warm = knowledge.value("settling_still_share"), knowledge.value("settling_warm_share")
    # Eight time constants are a factor of 2.3 apart: closer ones can't be told apart by readings of a few percent.
    plain: list[tuple[LawId, float, float]] = [("exponential", float(tau), 1.0) for tau in np.geomspace(fast, slow, 8)]
    plain += [("logarithmic", float(tau), 1.0) for tau in np.geomspace(fast, slow / 10, 4)]
    plain += [("stretched", float(tau), beta) for tau in np.geomspace(fast, slow, 5) for beta in (0.35, 0.6)]
    plain += [("power", float(tau), power) for tau in np.geomspace(fast, slow / 10, 4) for power in (0.3, 0.8)]
    families: tuple[LawId, ...] = ("exponential", "logarithmic", "stretched", "power")
    each = {law: (1 - still) / len(families) / sum(1 for one in plain if one[0] == law) for law in families}
    told = [
        Shape(law="still", course="still", minutes=0.0, exponent=1.0, warm_minutes=0.0, prior_weight=still),
        *(
            Shape(law=law, course=law, minutes=tau, exponent=power, warm_minutes=0.0, prior_weight=each[law])
            for law, tau, power in plain
        ),
    ]
    heats = np.geomspace(
        knowledge.value("settling_warm_fastest_minutes"), knowledge.value("settling_warm_slowest_minutes"), 3
    )
    # Beside heat in the first minutes only the plainest courses can be told apart.
    after = [one for one in told if one.course in {"still", "exponential", "logarithmic"}]
    total = sum(one.prior_weight for one in after)
    heated = [
        Shape(
            law="warm",
            course=one.course,
            minutes=one.minutes,
            exponent=one.exponent,
            warm_minutes=float(tau),
            prior_weight=warm * one.prior_weight / total / len(heats),
        )
        for tau in heats
        for one in after
    ]
    cold = [
        Shape(
            law=one.law,
            course=one.course,
            minutes=one.minutes,
            exponent=one.exponent,
            warm_minutes=0.0,
            prior_weight=(1 - warm) * one.prior_weight,
        )
        for one in told
    ]
    return (*cold, *heated)


def settled_share(these: Sequence[Shape], minutes: Array, rest_minutes: float) -> Array:
    """How much of the whole change is done at each time; 0 at 0, 1 at rest.

    Args:
        these: The shapes, n of them.
        minutes: Minutes after the treatment, (m,), none below 0.
        rest_minutes: When it counts as at rest.

    Returns:
        Shares, (n, m); past rest they may exceed 1, and where nothing settles they are 0.
    """
    # The same shape comes many times, with other sizes of change and scatter: each is reckoned once.
    times = np.append(minutes, rest_minutes)
    known: dict[Shape, Array] = {}
    for one in these:
        if one not in known:
            done = np.zeros(len(times)) if one.course == "still" else _done(one, times)
            known[one] = done[:-1] / (done[-1] or 1.0)
    return np.array([known[one] for one in these]).reshape(len(these), len(minutes))


def warm_share(these: Sequence[Shape], minutes_on: Array) -> Array:
    """How much of the first minutes' shift is still to come, as it counts in a reading; 0 to -1, (n, m)."""
    found = np.zeros((len(these), len(minutes_on)))
    for row, one in enumerate(these):
        if one.warm_minutes > 0:
            found[row] = -np.exp(-minutes_on / one.warm_minutes)
    return found


def _done(one: Shape, minutes: Array) -> Array:
    """An undivided course that is 0 at 0 and rises."""
    x = minutes / one.minutes
    done: Array
    if one.course == "logarithmic":
        done = np.log1p(x)
    elif one.course == "power":
        done = 1.0 - (1.0 + x) ** -one.exponent
    else:
        done = -np.expm1(-(x**one.exponent))
    return done
