"""Where a function crosses zero between two places, for many functions at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics._arrays import FloatArray, answer, numbers


def zero_between(function: Callable[[FloatArray], FloatArray], low: ArrayLike, high: ArrayLike) -> FloatArray:
    """The place between ``low`` and ``high`` where a function crosses zero.

    Args:
        function: Takes an array of places and gives the values there, element by element.
        low: One end of each bracket; any shape.
        high: The other end; broadcasts. The values at both ends have opposite signs.

    Returns:
        As the places; NaN where the values at both ends have one sign or are NaN.

    Source: false position in which an end that stays counts for half (the Illinois rule),
    with a bisection wherever three steps have not halved the bracket.

    >>> round(float(zero_between(lambda x: x**2 - 2, 0.0, 2.0)), 12)
    1.414213562373
    """
    a, b = (np.array(part) for part in np.broadcast_arrays(numbers(low), numbers(high)))
    fa, fb = function(a), function(b)
    with np.errstate(invalid="ignore"):
        hopeless = ~(np.sign(fa) * np.sign(fb) <= 0)
    # A zero at the first end would otherwise be stepped over.
    first = fa == 0
    a, b = np.where(first, b, a), np.where(first, a, b)
    fa, fb = np.where(first, fb, fa), np.where(first, fa, fb)
    width = np.abs(b - a)
    close = 64 * np.finfo(np.float64).eps * np.maximum(np.abs(a), np.abs(b))
    for step in range(100):
        if np.all((np.abs(b - a) <= close) | (fb == 0) | hopeless):
            break
        middle = (a + b) / 2
        with np.errstate(divide="ignore", invalid="ignore"):
            place = b - fb * (b - a) / (fb - fa)
            if step % 3 == 2:
                place = np.where(np.abs(b - a) > width / 2, middle, place)
                width = np.abs(b - a)
            # A step this small goes a little too far, so that the bracket closes from the other side too.
            place = b + np.copysign(np.maximum(np.abs(place - b), close / 2), a - b)
            place = np.where((place > np.minimum(a, b)) & (place < np.maximum(a, b)), place, middle)
            place = np.where(fb == 0, b, place)
            value = function(place)
            crosses = np.sign(value) * np.sign(fb) < 0
            a, fa = np.where(crosses, b, a), np.where(crosses, fb, fa / 2)
        b, fb = place, value
    return answer(np.where(hopeless, np.nan, b))
