"""The door every law shares: numbers or arrays in, checked for sense, floats or arrays out."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]
"""What every law gives: an array, or a plain numpy float where only plain numbers went in."""


def numbers(value: ArrayLike) -> FloatArray:
    """The value as double precision; NaN and infinities pass."""
    return np.asarray(value, dtype=np.float64)


def non_negative(name: str, value: ArrayLike) -> FloatArray:
    """The value as double precision, refused where it is below zero; NaN passes.

    Raises:
        ValueError: An element is negative.
    """
    array = numbers(value)
    if np.any(array < 0):
        raise ValueError(f"{name} must not be negative, got {float(np.nanmin(array)):g}")
    return array


def positive(name: str, value: ArrayLike) -> FloatArray:
    """The value as double precision, refused where it is zero or below; NaN passes.

    Raises:
        ValueError: An element is zero or negative.
    """
    array = numbers(value)
    if np.any(array <= 0):
        raise ValueError(f"{name} must be above zero, got {float(np.nanmin(array)):g}")
    return array


def vectors(name: str, value: ArrayLike, *last: int) -> FloatArray:
    """The value as double precision with the trailing shape asked for.

    Raises:
        ValueError: The trailing axes have another shape.
    """
    array = numbers(value)
    if array.shape[-len(last) :] != last:
        raise ValueError(f"{name} must have the trailing shape {last}, got the shape {array.shape}")
    return array


def answer(array: ArrayLike) -> FloatArray:
    """The result; a single number comes out as a numpy float, which is a float."""
    result: FloatArray = np.asarray(array, dtype=np.float64)[()]
    return result
