"""Preferred values: the series in which capacitors and resistors are made.

Source: IEC 60063. E3 to E24 are tabulated there and are not the rounded geometric
series; E48 to E192 are, to three figures, but for one value.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Final, Literal, TypeAlias

import numpy as np
from numpy.typing import ArrayLike, NDArray

from tubewright.physics._arrays import FloatArray, answer, positive

Series: TypeAlias = Literal["E3", "E6", "E12", "E24", "E48", "E96", "E192"]

BoolArray: TypeAlias = NDArray[np.bool_]

# As the standard prints them. E3 to E24 differ from the rounded powers at 27, 30, 33, 36, 39, 43, 47 and 82.
_PRINTED: Final[Mapping[str, str]] = {
    "E3": "10 22 47",
    "E6": "10 15 22 33 47 68",
    "E12": "10 12 15 18 22 27 33 39 47 56 68 82",
    "E24": "10 11 12 13 15 16 18 20 22 24 27 30 33 36 39 43 47 51 56 62 68 75 82 91",
}
_ROUNDED: Final = ("E48", "E96", "E192")
# The formula gives 919 (10^(185/192) is 9.194); the standard prints 920.
_EXCEPTIONS: Final[Mapping[str, str]] = {"919": "920"}

SERIES: Final[tuple[Series, ...]] = ("E3", "E6", "E12", "E24", "E48", "E96", "E192")
"""Every series, the coarsest first; the number is how many values a decade has."""

E6_TOLERANCE_PERCENT: Final = 20  # iec-60063
E12_TOLERANCE_PERCENT: Final = 10  # iec-60063
E24_TOLERANCE_PERCENT: Final = 5  # iec-60063


@lru_cache(maxsize=8)
def decade(series: Series) -> tuple[int, ...]:
    """The values of one decade, two figures each to E24 and three from E48 on.

    Source: IEC 60063, the tables of E3 to E24 and of E48 to E192.

    Raises:
        KeyError: No such series.

    Example:
        >>> decade("E6")
        (10, 15, 22, 33, 47, 68)
    """
    if series in _PRINTED:
        return tuple(int(word) for word in _PRINTED[series].split())
    if series not in _ROUNDED:
        raise KeyError(series)
    count = int(series[1:])
    rounded = (str(round(100 * 10 ** (step / count))) for step in range(count))
    return tuple(int(_EXCEPTIONS.get(word, word) if series == "E192" else word) for word in rounded)


def nearest(value: ArrayLike, series: Series) -> FloatArray:
    """The preferred value nearest by ratio, of any shape and in whatever unit comes in.

    By ratio because tolerances are ratios: of 1 and 10 the middle is 3.2, not 5.5.
    Where a value lies just between two, the higher one is given.

    Raises:
        ValueError: A value is not above zero, or not finite.

    Example:
        >>> [float(v) for v in nearest([1234, 87, 475, 5.0], "E12")]
        [1200.0, 82.0, 470.0, 4.7]
    """
    low, high = _neighbours(value, series)
    array = positive("value", value)
    # Compared as products: no logarithm rounds an exact middle to one side.
    return answer(np.where(array * array < low * high, low, high))


def at_or_below(value: ArrayLike, series: Series) -> FloatArray:
    """The largest preferred value that is not above the value; shapes and errors as :func:`nearest`."""
    low, high = _neighbours(value, series)
    array = positive("value", value)
    return answer(np.where(_same(high, array), high, low))


def at_or_above(value: ArrayLike, series: Series) -> FloatArray:
    """The smallest preferred value that is not below the value; shapes and errors as :func:`nearest`.

    Example:
        >>> float(at_or_above(1234, "E24")), float(at_or_above(475, "E6"))
        (1300.0, 680.0)
    """
    low, high = _neighbours(value, series)
    array = positive("value", value)
    return answer(np.where(_same(low, array), low, high))


def next_above(value: ArrayLike, series: Series) -> FloatArray:
    """The smallest preferred value that is above the value, also of one that is preferred itself."""
    return _beside(value, series, up=True)


def next_below(value: ArrayLike, series: Series) -> FloatArray:
    """The largest preferred value that is below the value, also of one that is preferred itself."""
    return _beside(value, series, up=False)


def is_preferred(value: ArrayLike, series: Series) -> BoolArray:
    """Whether a value stands in the series; shapes and errors as :func:`nearest`.

    Example:
        >>> bool(is_preferred(0.47, "E6")), bool(is_preferred(50, "E24"))
        (True, False)
    """
    low, high = _neighbours(value, series)
    array = positive("value", value)
    found: BoolArray = np.asarray(_same(low, array) | _same(high, array))[()]
    return found


def _same(one: FloatArray, other: FloatArray) -> BoolArray:
    """Whether two values are equal but for the rounding of their last digits."""
    return np.asarray(np.isclose(one, other, rtol=1e-9, atol=0))


def _beside(value: ArrayLike, series: Series, *, up: bool) -> FloatArray:
    array = positive("value", value)
    low, high = _neighbours(value, series)
    if up:
        # A hair over a preferred value the search stands already in the next gap.
        return answer(np.where(_same(high, array), _neighbours(array * _over(series), series)[1], high))
    return answer(np.where(_same(low, array), _neighbours(array / _over(series), series)[0], low))


def _over(series: Series) -> float:
    """A step that leaves a preferred value and stays in the gap after it."""
    return float(10 ** (1 / (4 * len(decade(series)))))


def _neighbours(value: ArrayLike, series: Series) -> tuple[FloatArray, FloatArray]:
    """The preferred values around each value: the last that is not above it, the first that is above that one."""
    array = positive("value", value)
    if not np.all(np.isfinite(array)):
        raise ValueError("value must be finite")
    marks = np.array(decade(series), dtype=np.float64)
    ladder = np.concatenate([marks, marks[:2] * 10])
    scale = np.floor(np.log10(array)) - np.log10(marks[0])
    share = _shifted(array, -scale)
    # The logarithm of a power of ten may fall a hair to either side of a whole number.
    scale = scale + np.where(share >= ladder[-2] * (1 - 1e-9), 1, 0) - np.where(share < marks[0] * (1 - 1e-9), 1, 0)
    place = np.searchsorted(ladder, _shifted(array, -scale) * (1 + 1e-9), side="right") - 1
    place = np.clip(place, 0, len(ladder) - 2)
    return _shifted(ladder[place], scale), _shifted(ladder[place + 1], scale)


def _shifted(value: FloatArray, places: FloatArray) -> FloatArray:
    """The value with its decimal point moved to the right.

    Divided where it goes left: 47 / 100 is 0.47 to the last bit, 47 * 0.01 is not.
    """
    power = np.power(10, np.abs(places))
    return np.asarray(np.where(places < 0, value / power, value * power), dtype=np.float64)
