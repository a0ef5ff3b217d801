"""Two measurements of one display side by side: each figure before, after, and whether it changed beyond its spread."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final, Literal

from tubewright.answers.measurement import (
    EDGES,
    GUNS,
    ZONE_WORDS,
    ZONES,
    Convergence,
    Figure,
    Hum,
    Known,
    Measurement,
    Purity,
    TopCurl,
    Tracking,
    Unsupported,
    Wear,
    length,
)

SURELY_SD: Final = 1.96
"""A change is told from none where it is beyond so many of its standard deviations: 95 % of a normal law lie within."""

Change = Literal["smaller", "larger", "same", "unknown"]


@dataclass(frozen=True, slots=True, kw_only=True)
class FigureChange:
    """One figure, twice.

    Attributes:
        group: The part of the picture's faults that it belongs to, in words.
        about: What it is, in words.
        unit: Its unit.
        before: As it was; or why it isn't known.
        after: As it is.
        by: After less before, the two taken as independent; ``None`` where one isn't known.
        change: Of the figure's size: ``same`` where the change is within its spread, ``unknown`` without both.
    """

    group: str
    about: str
    unit: str
    before: Known
    after: Known
    by: Figure | None
    change: Change


def changes(before: Measurement, after: Measurement) -> tuple[FigureChange, ...]:
    """Every figure that at least one of two measurements holds, in the order in which a picture is set up."""
    new = {(group, about): known for group, about, _, known in _figures(after)}
    return tuple(
        _change(group, about, unit, old, new[group, about])
        for group, about, unit, old in _figures(before)
        if isinstance(old, Figure) or isinstance(new[group, about], Figure)
    )


def _change(group: str, about: str, unit: str, before: Known, after: Known) -> FigureChange:
    by: Figure | None = None
    change: Change = "unknown"
    if isinstance(before, Figure) and isinstance(after, Figure):
        by = Figure(value=after.value - before.value, sd=math.hypot(before.sd, after.sd))
        if abs(by.value) <= SURELY_SD * by.sd:
            change = "same"
        else:
            change = "smaller" if abs(after.value) < abs(before.value) else "larger"
    return FigureChange(group=group, about=about, unit=unit, before=before, after=after, by=by, change=change)


def _figures(answer: Measurement) -> Iterator[tuple[str, str, str, Known]]:
    """The same figures in the same order for every measurement."""
    nothing = Unsupported(reason="it was not measured", would_settle="a photograph that shows it")
    yield from _meeting(answer.convergence, nothing)
    shape = answer.geometry
    for edge in EDGES:
        bow = shape if isinstance(shape, Unsupported) else shape.pincushion_pct.get(edge, nothing)
        yield "Shape", f"inward bow, {edge} edge", "%", bow
    for about, name, unit in _SHAPE:
        found = shape if isinstance(shape, Unsupported) else getattr(shape, name)
        yield "Shape", about, unit, found
    yield from _lines(answer.top_curl, answer.hum)
    focus = answer.focus
    for word, field in (("width", "spot_h_mm"), ("height", "spot_v_mm")):
        for zone in ("centre", "top_left", "top_right", "bottom_left", "bottom_right"):
            spot = focus if isinstance(focus, Unsupported) else getattr(focus, field).get(zone, nothing)
            yield "Focus", f"{word} of the spot, {ZONE_WORDS[zone]}", "mm", spot
    yield from _light(answer, nothing)


_SHAPE: Final = (
    ("top wider than bottom", "trapezoid_h_pct", "%"),
    ("left taller than right", "trapezoid_v_pct", "%"),
    ("tilt, clockwise", "rotation_deg", "°"),
    ("lean of uprights against levels", "parallelogram_deg", "°"),
    ("bow of the upright axis, to the right", "bow_vertical_axis_pct", "%"),
    ("bow of the level axis, downwards", "bow_horizontal_axis_pct", "%"),
    ("column widths, largest less smallest", "linearity_h_pct", "%"),
    ("row heights, largest less smallest", "linearity_v_pct", "%"),
)


def _meeting(found: Convergence | Unsupported, nothing: Unsupported) -> Iterator[tuple[str, str, str, Known]]:
    yield "Convergence", "worst error", "mm", found if isinstance(found, Unsupported) else found.worst_mm
    for gun in ("red", "blue"):
        field = found if isinstance(found, Unsupported) else getattr(found, f"{gun}_minus_green")
        for zone in ZONES:
            known: Known = nothing
            if isinstance(field, Unsupported):
                known = field
            elif zone in field:
                known = length(field[zone])
            yield "Convergence", f"{gun} from green, {ZONE_WORDS[zone]}", "mm", known


def _lines(curl: TopCurl | Unsupported, hum: Hum | Unsupported) -> Iterator[tuple[str, str, str, Known]]:
    for about, name, unit in (
        ("sideways bend of the first line", "amplitude_mm", "mm"),
        ("lines until it settles", "settle_lines", "lines"),
    ):
        yield "Top curl", about, unit, curl if isinstance(curl, Unsupported) else getattr(curl, name)
    for about, name, unit in (("sideways swing", "displacement_mm", "mm"), ("swing of light", "brightness_pct", "%")):
        yield "Hum", about, unit, hum if isinstance(hum, Unsupported) else getattr(hum, name)


def _light(answer: Measurement, nothing: Unsupported) -> Iterator[tuple[str, str, str, Known]]:
    purity, tracking, wear = answer.purity, answer.tracking, answer.wear
    for gun in GUNS:
        stain = purity.worst_ratio.get(gun, nothing) if isinstance(purity, Purity) else purity
        yield "Purity", f"other light in the field of {gun}, worst", "%", _hundredfold(stain)
    for gun in GUNS:
        law = tracking.guns.get(gun, nothing) if isinstance(tracking, Tracking) else tracking
        strength = law if isinstance(law, Unsupported) else law.strength_ratio
        reserve = law if isinstance(law, Unsupported) else law.emission_reserve
        yield "Guns", f"{gun}: light against the strongest gun's", "%", _hundredfold(strength)
        yield "Guns", f"{gun}: emission reserve at full drive", "", reserve
    drift = tracking.white_drift_du_v if isinstance(tracking, Tracking) else tracking
    yield "Guns", "drift of grey from dark to bright", "du'v'", drift
    yield "Wear", "light lost in the burnt-in shape", "%", _hundredfold(
        wear.depth_ratio if isinstance(wear, Wear) else wear
    )  # fmt: skip


def _hundredfold(known: Known) -> Known:
    return Figure(value=100 * known.value, sd=100 * known.sd) if isinstance(known, Figure) else known
