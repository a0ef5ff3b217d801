"""A measurement in a sentence or two."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np

from tubewright.answers.measurement import (
    ZONE_WORDS,
    Convergence,
    Figure,
    Measurement,
    Purity,
    TopCurl,
    Tracking,
    Unsupported,
    Vector,
    Wear,
    Zone,
    decimals,
    length,
)

_NOTHING_TO_MEND_MM: Final = 0.05
"""Errors of convergence below this are not told apart in a summary: a tenth of a fine spot; estimate."""


def summary(answer: Measurement) -> str:
    """The measurement in a sentence or two, worst first.

    Example:
        >>> from tubewright.answers.measurement import refused
        >>> summary(refused("the picture is blurred", "hold it still", (), None))
        'Not measured: the picture is blurred.'
    """
    if not answer.accepted:
        because = answer.refused_because.rstrip(".")
        return f"Not measured: {because}."
    parts = (_meeting(answer.convergence), _curl(answer.top_curl), _colours(answer), _burnt(answer.wear))
    return " ".join(words for words in parts if words) or "Nothing that a picture is judged by could be measured."


def _meeting(found: Convergence | Unsupported) -> str:
    """How well the guns meet, in the middle and where it is worst."""
    if isinstance(found, Unsupported):
        return ""
    fields = {
        gun: field
        for gun, field in (("red", found.red_minus_green), ("blue", found.blue_minus_green))
        if not isinstance(field, Unsupported)
    }
    middles = [length(field["centre"]) for field in fields.values() if "centre" in field]
    words = ""
    middle = max(middles, key=lambda figure: figure.value) if middles else None
    worst_mm = found.worst_mm
    if middle and isinstance(worst_mm, Figure) and max(middle.value, worst_mm.value) < _NOTHING_TO_MEND_MM:
        return f"Converged within {_mm(max(middle, worst_mm, key=lambda figure: figure.value))} everywhere."
    if middle:
        words = f"Converged within {_mm(middle)} in the middle"
    worst = _worst(found, fields)
    if worst:
        words += f", {worst}" if words else f"Converged within {worst}"
    return f"{words}." if words else ""


def _worst(found: Convergence, fields: Mapping[str, Mapping[Zone, Vector]]) -> str:
    if isinstance(found.worst_mm, Unsupported) or found.worst_zone is None:
        return ""
    place = ZONE_WORDS[found.worst_zone]
    where = "in the middle" if found.worst_zone == "centre" else f"at the {place}"
    gun, vector = "", None
    if found.points is not None and found.points.gun.size:
        lengths = np.hypot(*found.points.smooth_mm.T)
        n = int(np.argmax(lengths))
        gun = {0: "red", 2: "blue"}[int(found.points.gun[n])]
        x_mm, y_mm = (float(value) for value in found.points.smooth_mm[n])
        vector = Vector(x_mm=x_mm, y_mm=y_mm, sd_mm=found.worst_mm.sd)
    else:
        seen = [(gun, field[found.worst_zone]) for gun, field in fields.items() if found.worst_zone in field]
        if seen:
            gun, vector = max(seen, key=lambda pair: length(pair[1]).value)
    way = _way(vector)
    return f"{_mm(found.worst_mm)} {where}" + (f" ({gun} too far {way})" if way else "")


def _way(vector: Vector | None) -> str:
    """The direction in words: the longer part first, the other only if it matters."""
    if vector is None or length(vector).value < _NOTHING_TO_MEND_MM:
        return ""
    parts = sorted(
        [(abs(vector.x_mm), ("left", "right")[vector.x_mm > 0]), (abs(vector.y_mm), ("up", "down")[vector.y_mm > 0])],
        reverse=True,
    )
    if parts[0][0] <= 2 * vector.sd_mm:
        return ""
    return " and ".join(word for size, word in parts if size > max(2 * vector.sd_mm, 0.35 * parts[0][0]))


def _curl(found: TopCurl | Unsupported) -> str:
    if isinstance(found, Unsupported) or isinstance(found.amplitude_mm, Unsupported):
        return ""
    amplitude = found.amplitude_mm
    if abs(amplitude.value) < 2 * amplitude.sd:
        return "No top curl is seen."
    side = "right" if amplitude.value > 0 else "left"
    size = Figure(value=abs(amplitude.value), sd=amplitude.sd)
    settles = ""
    if isinstance(found.settle_lines, Figure):
        settles = f" and settles in {found.settle_lines.value:.0f} lines"
    return f"The top bends {_mm(size)} to the {side}{settles}."


def _colours(answer: Measurement) -> str:
    """The worst stain, and the weakest gun."""
    words = []
    if isinstance(answer.purity, Purity):
        stains = [
            (figure, gun, zone)
            for gun, zones in answer.purity.shift_ratio.items()
            for zone, figure in zones.items()
            if isinstance(figure, Figure)
        ]
        if stains:
            worst, gun, zone = max(stains, key=lambda stain: stain[0].value)
            words.append(f"other light in the field of {gun} is {_share(worst)} at the {ZONE_WORDS[zone]}, at most")
    if isinstance(answer.tracking, Tracking):
        strengths = [
            (law.strength_ratio, gun)
            for gun, law in answer.tracking.guns.items()
            if not isinstance(law, Unsupported) and isinstance(law.strength_ratio, Figure)
        ]
        if strengths:
            weakest, gun = min(strengths, key=lambda pair: pair[0].value)
            words.append(f"{gun} is the weakest gun, with {_share(weakest)} of the strongest one's light")
    return sentence("; ".join(words))


def _burnt(found: Wear | Unsupported) -> str:
    if isinstance(found, Unsupported) or isinstance(found.depth_ratio, Unsupported):
        return ""
    depth = found.depth_ratio
    if found.at_zone is None or depth.value < 2 * depth.sd:
        return "No burnt-in shape is seen."
    return f"A burnt-in shape takes {_share(depth)} of the light at the {ZONE_WORDS[found.at_zone]}."


def _share(figure: Figure) -> str:
    return f"{100 * figure.value:.0f} %"


def _mm(figure: Figure) -> str:
    """Millimetres without their spread, as finely as it allows, two decimals at most."""
    places = max(1, min(2, decimals(figure.sd)))
    # Nothing is measured to be nought: the last decimal is the least that can be said.
    return f"{max(figure.value, 10.0**-places):.{places}f} mm"


def sentence(words: str) -> str:
    """Words as a sentence, with its capital and its full stop."""
    words = words.strip()
    return f"{capital(words).rstrip('.')}." if words else ""


def capital(words: str) -> str:
    """Words with a capital."""
    return words[:1].upper() + words[1:]
