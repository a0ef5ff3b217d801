"""What a photograph says of itself: how it was taken, which way up it is, how its numbers stand for light."""

from __future__ import annotations

import math
import struct
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.files.tiff import Tags, TiffError, tiff_directories

Primaries = Literal["srgb", "display_p3", "camera", "other"]

SAME_CURVE: Final = 0.004
"""Curves that differ by less than this in linear light, of 1, are one: one step of 8 bits at the top (estimate)."""
_SAME_COLOUR: Final = 0.01  # in the entries of a primaries matrix; sRGB and Display P3 differ by 0.08 and more


@dataclass(frozen=True, slots=True, kw_only=True)
class Taken:
    """How a photograph was taken, as its EXIF block tells; ``None`` and 1 where it doesn't.

    ``turned`` is the EXIF orientation, 1 to 8, and ``readable`` is false when the block is there but broken.
    """

    exposure_s: float | None = None
    focal_35mm: float | None = None
    zoomed_ratio: float = 1.0
    camera: str = ""
    iso: float | None = None
    turned: int = 1
    readable: bool = True


def taken(exif: bytes) -> Taken:
    """How a photograph was taken. A broken block is no reason to refuse a sound picture.

    Source: Exif 2.32 (CIPA DC-008-2019), 4.6.4 and 4.6.5.
    """
    if not exif:
        return Taken()
    start = exif[:6] == b"Exif\x00\x00"
    try:
        directories = tiff_directories(exif[6:] if start else exif)
    except TiffError:
        return Taken(readable=False)
    exposure = _sane(_first(directories, 33434), 1e-6, 600)
    if exposure is None and (speed := _first(directories, 37377)) is not None and abs(speed) < 30:
        exposure = 2.0**-speed  # APEX: time value
    turned = directories[0].whole(274, 1)
    maker, model = directories[0].text(271), directories[0].text(272)
    return Taken(
        exposure_s=exposure,
        focal_35mm=_sane(_first(directories, 41989), 4, 2000),
        zoomed_ratio=_sane(_first(directories, 41988), 1, 200) or 1.0,
        camera=model if model.lower().startswith(maker.lower()) else f"{maker} {model}".strip(),
        iso=_sane(_first(directories, 34855), 1, 1e7),
        turned=turned if 1 <= turned <= 8 else 1,
    )


def _first(directories: tuple[Tags, ...], tag: int) -> float | None:
    return next((number for tags in directories if (number := tags.number(tag)) is not None), None)


def _sane(value: float | None, lowest: float, highest: float) -> float | None:
    return value if value is not None and math.isfinite(value) and lowest <= value <= highest else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Colours:
    """What an ICC profile says: each channel's curve where it isn't sRGB's, and whose primaries they are.

    ``curves`` are (3, 4096): linear light over coded values from 0 to 1; ``None`` for the curve of sRGB.
    """

    curves: NDArray[np.float64] | None = None
    primaries: Primaries = "srgb"
    readable: bool = True


def colours(profile: bytes) -> Colours:
    """Curves and primaries of a matrix profile; sRGB where there is no profile or it can't be read.

    Source: ICC.1:2022, 7.2, 7.3, 10.6 (curveType), 10.18 (parametricCurveType) and 10.31 (XYZType).
    """
    if not profile:
        return Colours()
    try:
        parts = _profile_parts(profile)
        coded = np.linspace(0, 1, 4096)
        curves = np.stack([_curve(parts[key], coded) for key in (b"rTRC", b"gTRC", b"bTRC")])
        matrix = np.stack([_xyz(parts[key]) for key in (b"rXYZ", b"gXYZ", b"bXYZ")], axis=1)
    except (KeyError, ValueError, struct.error, IndexError, OverflowError):
        return Colours(readable=False)
    if not np.isfinite(curves).all() or np.any(np.diff(curves, axis=1) < -1e-9) or np.any(np.ptp(curves, axis=1) < 0.5):
        return Colours(readable=False)
    whose = next((who for who, known in _PRIMARIES.items() if np.abs(matrix - known).max() < _SAME_COLOUR), "other")
    same = np.abs(curves - srgb_light(coded)).max() < SAME_CURVE
    return Colours(curves=None if same else curves, primaries=whose)  # type: ignore[arg-type]  # the keys below


_PRIMARIES: Final = {
    # columns red, green, blue in XYZ adapted to D50, as the profiles of the two spaces carry them:
    # primaries of IEC 61966-2-1:1999 and SMPTE RP 431-2:2011, white D65, Bradford's adaptation (ICC.1:2022, E.3)
    "srgb": np.array([[0.4361, 0.3851, 0.1431], [0.2225, 0.7169, 0.0606], [0.0139, 0.0971, 0.7141]]),
    "display_p3": np.array([[0.5151, 0.2920, 0.1571], [0.2412, 0.6922, 0.0666], [-0.0011, 0.0419, 0.7841]]),
}


def srgb_light(coded: NDArray[np.float64]) -> NDArray[np.float64]:
    """Linear light of values of sRGB, both 0 to 1. Source: IEC 61966-2-1:1999."""
    return np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)


def srgb_coded(light: NDArray[np.float64]) -> NDArray[np.float64]:
    """Values of sRGB of linear light, both 0 to 1. Source: IEC 61966-2-1:1999."""
    light = np.clip(light, 0, 1)
    return np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)


def _profile_parts(profile: bytes) -> dict[bytes, bytes]:
    (count,) = struct.unpack(">I", profile[128:132])
    parts = {}
    for place in range(132, 132 + 12 * min(count, 100), 12):
        key, at, size = struct.unpack(">4sII", profile[place : place + 12])
        parts[key] = profile[at : at + size]
    return parts


def _xyz(part: bytes) -> NDArray[np.float64]:
    if part[:4] != b"XYZ ":
        raise ValueError
    return np.array(struct.unpack(">3i", part[8:20])) / 65536


def _curve(part: bytes, coded: NDArray[np.float64]) -> NDArray[np.float64]:
    if part[:4] == b"curv":
        (count,) = struct.unpack(">I", part[8:12])
        if count == 0:
            return coded
        values = np.array(struct.unpack(f">{count}H", part[12 : 12 + 2 * count])) if count <= 65536 else np.empty(0)
        if count == 1:
            return np.asarray(coded ** (values[0] / 256))
        return np.interp(coded, np.linspace(0, 1, count), values / 65535)
    if part[:4] != b"para":
        raise ValueError
    (kind,) = struct.unpack(">H", part[8:10])
    length = (1, 3, 4, 5, 7)[kind]
    given = np.array(struct.unpack(f">{length}i", part[12 : 12 + 4 * length])) / 65536
    g, a, b, c, d, e, f = _seven(kind, given)
    with np.errstate(invalid="ignore"):
        return np.where(coded >= d, np.maximum(a * coded + b, 0) ** g + e, c * coded + f)


def _seven(kind: int, given: NDArray[np.float64]) -> tuple[float, ...]:
    """The parameters of any parametric curve as those of the fullest one."""
    g = given[0]
    if kind == 0:
        return (g, 1.0, 0.0, 0.0, 0.0, 0.0, 0.0)
    a, b = given[1], given[2]
    if kind in {1, 2}:
        c = given[3] if kind == 2 else 0.0
        return (g, a, b, 0.0, -b / a if a else 0.0, c, c)
    c, d = given[3], given[4]
    e, f = (given[5], given[6]) if kind == 4 else (0.0, 0.0)
    return (g, a, b, c, d, e, f)
