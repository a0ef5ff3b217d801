"""Figures of a loop as people say them."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from typing import Final, Protocol

FURTHER_RATIO: Final = 0.1


class Curling(Protocol):
    """What the words on a curl need of a report."""

    @property
    def amplitude_mm(self) -> float: ...  # noqa: D102
    @property
    def amplitude_percent(self) -> float: ...  # noqa: D102
    @property
    def largest_mm(self) -> float: ...  # noqa: D102
    @property
    def settle_lines(self) -> float: ...  # noqa: D102
    @property
    def overshoot_ratio(self) -> float: ...  # noqa: D102
    @property
    def still_bent(self) -> bool: ...  # noqa: D102


def amount(part: str, value: float) -> str:
    """A part's value with its unit: 0.47 uF, 3.3 kohm, 120 Hz."""
    if part == "free_run_error_hz":
        return f"{value:+.3g} Hz"
    for least, factor, name in _FACTORS[part.rpartition("_")[2] if part not in _FACTORS else part]:
        if abs(value) >= least:
            return f"{value * factor:.3g} {name}"
    return f"{value:.3g}"


_FACTORS: Final[Mapping[str, tuple[tuple[float, float, str], ...]]] = {
    # at least so large, times so much, in so many of
    "ohm": ((1e6, 1e-6, "Mohm"), (1e3, 1e-3, "kohm"), (0, 1, "ohm")),
    "uf": ((0.1, 1, "uF"), (0, 1e3, "nF")),
    "nf": ((1, 1, "nF"), (0, 1e3, "pF")),
    "detector_v_per_rad": ((0, 1, "V a radian"),),
    "oscillator_hz_per_v": ((0, 1, "Hz a volt"),),
}
"""How large figures of each unit are said."""


def typed_amount(part: str, value: float | None) -> str:
    """A part's value as a person would type it into a form; "" where it isn't known or plays no part."""
    if value is None or not isfinite(value):
        return ""
    if part in {"detector_v_per_rad", "oscillator_hz_per_v", "free_run_error_hz"}:
        return f"{value:g}"
    _, factor, name = next(row for row in _FACTORS[part.rpartition("_")[2]] if abs(value) >= row[0])
    return f"{value * factor:.6g} {name}"


def signed_mm(value: float) -> str:
    """A displacement with its side."""
    if abs(value) < 5 / 1000:
        return "0.00 mm"
    return f"{abs(value):.2f} mm to the {'right' if value > 0 else 'left'}"


def curl_words(report: Curling) -> str:
    """A predicted curl in a sentence, or in two where a swing reaches further than the first line."""
    if abs(report.largest_mm) < 5 / 1000:
        return "No line is bent by as much as a hundredth of a millimetre."
    share = f"{report.amplitude_percent:.2g} % of the width"
    size = f"The first visible line lies {signed_mm(report.amplitude_mm)} ({share})"
    further = ""
    if abs(report.largest_mm) > abs(report.amplitude_mm) * (1 + FURTHER_RATIO):
        further = f" Further down the bend reaches {signed_mm(report.largest_mm)}."
    if report.still_bent:
        return f"{size}, and the bend lasts over most of the picture.{further}"
    wave = ""
    if round(100 * report.overshoot_ratio) > 0:
        wave = f", with a swing of {100 * report.overshoot_ratio:.0f} % to the other side"
    return f"{size}; it has settled after {report.settle_lines:.0f} lines of the frame{wave}.{further}"
