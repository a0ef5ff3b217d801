"""Measured figures in words: as finely as their spread allows, and as a viewer would say them."""

from __future__ import annotations

import math
from typing import Final

from tubewright.picture.results import Figure, Vector, Zone

ZONE_WORDS: Final[dict[Zone, str]] = {
    "top_left": "top left",
    "top": "top",
    "top_right": "top right",
    "left": "left",
    "centre": "middle",
    "right": "right",
    "bottom_left": "bottom left",
    "bottom": "bottom",
    "bottom_right": "bottom right",
}


def said(figure: Figure, unit: str = "") -> str:
    """A figure with its standard deviation, as finely as that allows.

    Example:
        >>> said(Figure(value=1.2345, sd=0.043), "mm")
        '1.23 mm ± 0.04'
    """
    places = decimals(figure.sd)
    spaced = f" {unit}" if unit else ""
    value = round(figure.value, places) + 0.0  # a rounded nought has no sign
    return f"{value:.{places}f}{spaced} ± {figure.sd:.{places}f}"


def decimals(sd: float) -> int:
    """How many decimals a figure with this standard deviation can bear."""
    if not sd > 0:
        return 2
    return min(4, max(0, -math.floor(math.log10(sd * 1.05))))


def directed(vector: Vector) -> str:
    """A displacement as a viewer would say it; empty where none stands out of its spread.

    Example:
        >>> directed(Vector(x_mm=1.24, y_mm=-0.31, sd_mm=0.02))
        '1.24 mm right, 0.31 mm up'
        >>> directed(Vector(x_mm=0.01, y_mm=0.0, sd_mm=0.02))
        ''
    """
    places = min(2, decimals(vector.sd_mm))
    parts = [
        f"{abs(value):.{places}f} mm {words[value > 0]}"
        for value, words in ((vector.x_mm, ("left", "right")), (vector.y_mm, ("up", "down")))
        if abs(value) > 2 * vector.sd_mm and round(abs(value), places) > 0
    ]
    return ", ".join(parts)


def against_green(gun: str, vector: Vector, zone: Zone) -> str:
    """Where an outer gun stands against green in a zone.

    Example:
        >>> against_green("red", Vector(x_mm=1.24, y_mm=-0.31, sd_mm=0.02), "top_left")
        'red stands 1.24 mm right, 0.31 mm up of green at the top left'
        >>> against_green("red", Vector(x_mm=0.01, y_mm=0.0, sd_mm=0.02), "centre")
        'red meets green in the middle, within 0.05 mm'
    """
    place = "in the middle" if zone == "centre" else f"at the {ZONE_WORDS[zone]}"
    way = directed(vector)
    if way:
        return f"{gun} stands {way} of green {place}"
    most = max(length(vector).value + 2 * vector.sd_mm, 0.01)
    return f"{gun} meets green {place}, within {most:.2f} mm"


def length(vector: Vector) -> Figure:
    """Length of a displacement with its standard deviation."""
    return Figure(value=math.hypot(vector.x_mm, vector.y_mm), sd=vector.sd_mm)


def signed(value_mm: float) -> str:
    """Millimetres with their sign, two decimals; no sign where those are nought.

    Example:
        >>> signed(1.239), signed(-0.001)
        ('+1.24', '0.00')
    """
    text = f"{value_mm:+.2f}"
    return "0.00" if text in {"+0.00", "-0.00"} else text
