"""Colour: what white the phosphors make, what share of it each gun carries, what is left.

Chromaticities are CIE 1931 2-degree ``x, y``; last axis ``(x, y)``. Three guns are
always in the order red, green, blue. Light adds: everything here is linear.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from tubewright.physics import constants as c
from tubewright.physics._arrays import FloatArray, answer, non_negative, numbers, vectors


def daylight_xy(temperature_k: ArrayLike) -> FloatArray:
    """Chromaticity of CIE daylight of a colour temperature.

    Args:
        temperature_k: Correlated colour temperature, K, 4000 to 25 000; any shape.

    Returns:
        ``(..., 2)``: x, y.

    Raises:
        ValueError: A temperature outside the range of the formula.

    Source: cie-15, daylight illuminants. The formula's scale is that of 1967: since the
    radiation constant was revised its 9300 K measures 9295 K, and D65 has 6504 K.

    >>> daylight_xy(9300.0).round(6).tolist()
    [0.283145, 0.297113]
    """
    kelvin = numbers(temperature_k)
    if np.any((kelvin < c.DAYLIGHT_MIN_K) | (kelvin > c.DAYLIGHT_MAX_K)):
        raise ValueError(f"temperature_k must lie in {c.DAYLIGHT_MIN_K:g} to {c.DAYLIGHT_MAX_K:g} K")
    low = ((c.DAYLIGHT_LOW_A3 / kelvin + c.DAYLIGHT_LOW_A2) / kelvin + c.DAYLIGHT_LOW_A1) / kelvin + c.DAYLIGHT_LOW_A0
    high = (
        (c.DAYLIGHT_HIGH_A3 / kelvin + c.DAYLIGHT_HIGH_A2) / kelvin + c.DAYLIGHT_HIGH_A1
    ) / kelvin + c.DAYLIGHT_HIGH_A0
    x = np.where(kelvin <= c.DAYLIGHT_SPLIT_K, low, high)
    return np.stack([x, (c.DAYLIGHT_B2 * x + c.DAYLIGHT_B1) * x + c.DAYLIGHT_B0], axis=-1)


def _fixed(array: ArrayLike) -> FloatArray:
    result = numbers(array)
    result.flags.writeable = False
    return result


WHITES_XY: Final[Mapping[str, FloatArray]] = MappingProxyType(
    {
        "D65": _fixed([c.D65_X, c.D65_Y]),
        "9300K": _fixed(daylight_xy(c.WHITE_9300K_CCT_K)),
        "9300K+27MPCD": _fixed([c.WHITE_9300K_27MPCD_X, c.WHITE_9300K_27MPCD_Y]),
    }
)
"""White points a display may be set to, by the name a case gives them.

"9300K" is CIE daylight of that temperature, a little green of the black body.
"9300K+27MPCD" is the trade's receiver white. Its coordinates are its definition: by
today's formulas they lie near 8950 K and 28 steps off the black body, not on the
9300 K line that the name promises.
"""

TYPICAL_PRIMARIES_XY: Final[FloatArray] = _fixed(
    [
        [c.PHOSPHOR_RED_X, c.PHOSPHOR_RED_Y],
        [c.PHOSPHOR_GREEN_X, c.PHOSPHOR_GREEN_Y],
        [c.PHOSPHOR_BLUE_X, c.PHOSPHOR_BLUE_Y],
    ]
)
"""Phosphors to reckon with while the tube's own are unknown: the EBU set, as ``[gun, (x, y)]``.

Real tubes named P22 differ from it and from each other by about 0.015 in x and y.
"""


def xyz_from_xy(xy: ArrayLike, luminance: ArrayLike = 1.0) -> FloatArray:
    """Tristimulus values ``(..., 3)`` of a chromaticity ``(..., 2)`` at a luminance.

    Raises:
        ValueError: The last axis is not two long, or a ``y`` is not above zero.

    >>> xyz_from_xy([0.3127, 0.3290]).round(6).tolist()
    [0.950456, 1.0, 1.089058]
    """
    place = vectors("xy", xy, 2)
    x, y = place[..., 0], place[..., 1]
    if np.any(y <= 0):
        raise ValueError("y must be above zero: a chromaticity without luminance has no tristimulus values")
    level = numbers(luminance)
    return np.stack(np.broadcast_arrays(x / y * level, level, (1 - x - y) / y * level), axis=-1)


def xy_from_xyz(xyz: ArrayLike) -> FloatArray:
    """Chromaticity ``(..., 2)`` of tristimulus values ``(..., 3)``; NaN for no light at all.

    Raises:
        ValueError: The last axis is not three long.

    >>> xy_from_xyz([0.95, 1.0, 1.09]).round(4).tolist()
    [0.3125, 0.3289]
    """
    values = vectors("xyz", xyz, 3)
    total = values.sum(axis=-1, keepdims=True)
    with np.errstate(divide="ignore", invalid="ignore"):
        return np.where(total == 0, np.nan, values[..., :2] / total)


def uv_prime_from_xy(xy: ArrayLike) -> FloatArray:
    """CIE 1976 ``u', v'`` of a chromaticity; shapes ``(..., 2)``.

    Raises:
        ValueError: The last axis is not two long.

    Source: cie-15: u' = 4x/(-2x + 12y + 3), v' = 9y/(-2x + 12y + 3).

    >>> uv_prime_from_xy([0.3127, 0.3290]).round(6).tolist()
    [0.19783, 0.46832]
    """
    place = vectors("xy", xy, 2)
    x, y = place[..., 0], place[..., 1]
    scale = -2 * x + 12 * y + 3
    return np.stack([4 * x / scale, 9 * y / scale], axis=-1)


def xy_from_uv_prime(uv_prime: ArrayLike) -> FloatArray:
    """Chromaticity of CIE 1976 ``u', v'``; :func:`uv_prime_from_xy` turned round.

    Raises:
        ValueError: The last axis is not two long.

    >>> xy_from_uv_prime([0.19783, 0.46832]).round(4).tolist()
    [0.3127, 0.329]
    """
    place = vectors("uv_prime", uv_prime, 2)
    u, v = place[..., 0], place[..., 1]
    scale = 6 * u - 16 * v + 12
    return np.stack([9 * u / scale, 4 * v / scale], axis=-1)


def delta_uv_prime(xy: ArrayLike, reference_xy: ArrayLike) -> FloatArray:
    """Distance of two chromaticities in ``u', v'``; about 0.004 is just seen side by side.

    Raises:
        ValueError: A last axis is not two long.

    >>> round(float(delta_uv_prime([0.281, 0.311], [0.2831, 0.2971])), 4)
    0.0103
    """
    step = uv_prime_from_xy(xy) - uv_prime_from_xy(reference_xy)
    return answer(np.hypot(step[..., 0], step[..., 1]))


def correlated_colour_temperature_k(xy: ArrayLike) -> FloatArray:
    """Correlated colour temperature by the formula of Hernandez-Andres, Lee and Romero (1999), K.

    Args:
        xy: Chromaticity ``(..., 2)``, near the black body (daylight and set whites).

    Returns:
        Kelvin; NaN where the formula leaves its range of 3000 to 50 000 K. Within 20 K
        of the exact search at the three whites here (McCamy's is off by 60 K at 9300 K).

    Raises:
        ValueError: The last axis is not two long.

    Source: hernandez-1999, table 1.

    >>> round(float(correlated_colour_temperature_k([0.2831, 0.2971])))
    9302
    """
    place = vectors("xy", xy, 2)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        slope = (place[..., 0] - c.CCT_XE) / (place[..., 1] - c.CCT_YE)
        kelvin = (
            c.CCT_C0
            + c.CCT_C1 * np.exp(-slope / c.CCT_N1)
            + c.CCT_C2 * np.exp(-slope / c.CCT_N2)
            + c.CCT_C3 * np.exp(-slope / c.CCT_N3)
        )
        return answer(np.where((kelvin >= c.CCT_MIN_K) & (kelvin <= c.CCT_MAX_K), kelvin, np.nan))


def rgb_to_xyz_matrix(primaries_xy: ArrayLike, white_xy: ArrayLike) -> FloatArray:
    """The matrix from linear red, green, blue (1 each for white) to X, Y, Z (Y = 1 for white).

    Args:
        primaries_xy: ``(..., 3, 2)``, rows red, green, blue.
        white_xy: ``(..., 2)``; leading axes broadcast.

    Returns:
        ``(..., 3, 3)``; rows X, Y, Z, columns red, green, blue.

    Raises:
        ValueError: A wrong trailing shape, a ``y`` not above zero, or three primaries on
            one line, which make no white.

    Source: derivation; light adds, and one of each primary must make the white.

    >>> rgb_to_xyz_matrix(TYPICAL_PRIMARIES_XY, WHITES_XY["D65"])[1].round(4).tolist()
    [0.222, 0.7067, 0.0713]
    """
    primaries = vectors("primaries_xy", primaries_xy, 3, 2)
    third = 1 - primaries.sum(axis=-1, keepdims=True)
    columns = np.swapaxes(np.concatenate([primaries, third], axis=-1), -1, -2)
    white = xyz_from_xy(white_xy)
    try:
        weights = np.linalg.solve(columns, white[..., None])
    except np.linalg.LinAlgError as error:
        raise ValueError("primaries_xy lie on one line and can't make a white") from error
    matrix: FloatArray = columns * np.swapaxes(weights, -1, -2)
    return matrix


def luminance_shares(primaries_xy: ArrayLike, white_xy: ArrayLike) -> FloatArray:
    """Each gun's share of the luminance of a white; ``(..., 3)``, summing to 1.

    A negative share means that the white lies outside the phosphors' triangle.

    Raises:
        ValueError: As for :func:`rgb_to_xyz_matrix`.

    >>> luminance_shares(TYPICAL_PRIMARIES_XY, WHITES_XY["9300K"]).round(4).tolist()
    [0.1895, 0.7144, 0.096]
    """
    shares: FloatArray = rgb_to_xyz_matrix(primaries_xy, white_xy)[..., 1, :]
    return shares


def relative_efficiency(primaries_xy: ArrayLike, white_xy: ArrayLike, shares_of_current: ArrayLike) -> FloatArray:
    """Light per beam current of each phosphor, against green, from a white and its currents.

    Tube data sheets print what share of the beam current each gun gives for a stated
    white. Luminance share over current share is then the efficiency.

    Args:
        primaries_xy: ``(..., 3, 2)``.
        white_xy: ``(..., 2)``, the white the currents were stated for.
        shares_of_current: ``(..., 3)``, any scale (per cent will do).

    Returns:
        ``(..., 3)``, green 1.

    Raises:
        ValueError: A wrong shape, or a share not above zero.

    Source: derivation.

    >>> relative_efficiency(TYPICAL_PRIMARIES_XY, WHITES_XY["D65"], [38, 36, 26]).round(3).tolist()
    [0.298, 1.0, 0.14]
    """
    currents = vectors("shares_of_current", shares_of_current, 3)
    if np.any(currents <= 0):
        raise ValueError("shares_of_current must be above zero")
    efficiency = luminance_shares(primaries_xy, white_xy) / currents
    result: FloatArray = efficiency / efficiency[..., 1:2]
    return result


TYPICAL_EFFICIENCY: Final[FloatArray] = _fixed(
    relative_efficiency(
        TYPICAL_PRIMARIES_XY, WHITES_XY["D65"], [c.D65_CURRENT_RED, c.D65_CURRENT_GREEN, c.D65_CURRENT_BLUE]
    )
)
"""Light per beam current, green 1, of an ordinary tube; from data-sheet shares kept in memory.

Red phosphors differ most from tube to tube; older sets needed up to half of the beam
current in red. Give the tube's own shares to :func:`relative_efficiency` where known.
"""


def current_shares(
    primaries_xy: ArrayLike, white_xy: ArrayLike, efficiency: ArrayLike = TYPICAL_EFFICIENCY
) -> FloatArray:
    """The share of the whole beam current that each gun must carry for a white.

    Args:
        primaries_xy: ``(..., 3, 2)``.
        white_xy: ``(..., 2)``.
        efficiency: ``(..., 3)``, light per beam current of each phosphor; any scale.

    Returns:
        ``(..., 3)``, summing to 1.

    Raises:
        ValueError: A wrong shape, an efficiency not above zero, or a white outside the
            phosphors' triangle.

    Source: derivation; the default efficiency from memory.

    >>> current_shares(TYPICAL_PRIMARIES_XY, WHITES_XY["9300K+27MPCD"]).round(3).tolist()
    [0.289, 0.385, 0.326]
    """
    light_per_current = vectors("efficiency", efficiency, 3)
    if np.any(light_per_current <= 0):
        raise ValueError("efficiency must be above zero")
    shares = luminance_shares(primaries_xy, white_xy)
    if np.any(shares < 0):
        raise ValueError("white_xy lies outside the triangle of primaries_xy: no currents make it")
    currents = shares / light_per_current
    result: FloatArray = currents / currents.sum(axis=-1, keepdims=True)
    return result


def neutral_white(relative_emission_rgb: ArrayLike, current_shares: ArrayLike) -> FloatArray:
    """The neutral white a tube can still make, as a fraction of a good tube's.

    Each gun carries its share of every white, so the white stops growing where the
    first gun runs out: ``min(E_g / need_g) / min(1 / need_g)``. A gun that is not asked
    for much may fade a good way before it limits anything; equal fading of all three
    gives just that fraction.

    Args:
        relative_emission_rgb: ``(..., 3)``, each gun's emission over that of a good gun
            of the type; may exceed 1.
        current_shares: ``(3,)`` or ``(..., 3)``, from :func:`current_shares`.

    Returns:
        ``(...)``; 1 for a good tube, above 1 for a better one, 0 with a gun dead, NaN
        where a gun's emission is NaN.

    Raises:
        ValueError: A wrong shape, a negative emission, or a share not above zero.

    Source: derivation. Taken for granted: the video stages can drive the guns that far,
    and good guns of a type are alike.

    >>> float(neutral_white([1.0, 1.0, 0.5], [0.4, 0.36, 0.24]))  # blue had room to spare
    0.8333333333333334
    """
    emission = vectors("relative_emission_rgb", non_negative("relative_emission_rgb", relative_emission_rgb), 3)
    needs = vectors("current_shares", current_shares, 3)
    if np.any(needs <= 0):
        raise ValueError("current_shares must be above zero")
    # As E x (largest need / need) a good tube comes out as 1 to the last digit.
    scaled = emission * (needs.max(axis=-1, keepdims=True) / needs)
    # Pair by pair: several times faster than a minimum over an axis three long.
    return answer(np.minimum(np.minimum(scaled[..., 0], scaled[..., 1]), scaled[..., 2]))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WhiteShift:
    """What becomes of the white when the guns no longer give what they were set to.

    ``luminance`` is over that of the white as set; ``delta_uv_prime`` the distance
    from it. Chromaticity and distance are NaN where no gun gives anything.
    """

    xy: FloatArray
    luminance: FloatArray
    delta_uv_prime: FloatArray


def white_shift(
    gun_fractions: ArrayLike,
    primaries_xy: ArrayLike = TYPICAL_PRIMARIES_XY,
    white_xy: ArrayLike = WHITES_XY["D65"],
) -> WhiteShift:
    """The white that is seen when each gun gives a fraction of its set current.

    Args:
        gun_fractions: ``(..., 3)``, 1 for a gun still giving what it was set to.
        primaries_xy: ``(3, 2)``.
        white_xy: ``(2,)``, the white as set.

    Raises:
        ValueError: A wrong shape, or a negative fraction.

    Source: derivation.

    >>> shift = white_shift([0.8, 1.0, 1.0])
    >>> shift.xy.round(4).tolist(), round(float(shift.luminance), 4), round(float(shift.delta_uv_prime), 4)
    ([0.2975, 0.329], 0.9556, 0.0107)
    """
    fractions = vectors("gun_fractions", non_negative("gun_fractions", gun_fractions), 3)
    xyz = fractions @ np.swapaxes(rgb_to_xyz_matrix(primaries_xy, white_xy), -1, -2)
    xy = xy_from_xyz(xyz)
    return WhiteShift(xy=xy, luminance=answer(xyz[..., 1]), delta_uv_prime=delta_uv_prime(xy, white_xy))
