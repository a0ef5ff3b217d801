"""Pictures of a set-up: what is left, zone by zone, and how the worst error fell from photograph to photograph."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from tubewright.answers.advised import Advised, Remaining
from tubewright.answers.measurement import ZONE_WORDS, ZONES, Convergence, Measurement
from tubewright.report.frame import GUN_INK, INK, WIDTH_PX, Chart, Size, Spec, Theme, framed

OUTER: Final = ("red", "blue")
SHAPES: Final = {"red": "square", "blue": "circle"}
LEAST_REACH: Final = 1.4
MOST_REACH: Final = 4.0
"""Tolerances from a zone's middle to its edge in the drawing: at least, and at most; beyond it a mark stands at the
edge and its figure says how far."""
CELL_WIDE_OVER_HIGH: Final = 4 / 3


@dataclass(frozen=True, slots=True, kw_only=True)
class _Mark:
    zone: str
    gun: str
    x_ratio: float
    y_ratio: float

    @property
    def length_ratio(self) -> float:
        return math.hypot(self.x_ratio, self.y_ratio)


def map_chart(answer: Advised, seen: Measurement, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """Red and blue against green in nine zones, each over its own tolerance, and the impurity of each zone.

    Args:
        answer: The advice, with what is left.
        seen: The measurement it was given on.
        theme: Colours for light or dark surroundings.
        size: Narrow for a phone held in one hand, wide for a desk.

    Returns:
        The chart: a ring is the tolerance of its zone, a mark within it is good enough. Its text gives the figures.
    """
    marks = _marks(answer.remaining, seen)
    reach = min(max([LEAST_REACH, *(m.length_ratio * 1.12 for m in marks)]), MOST_REACH)
    wide = min(WIDTH_PX[size], 520)
    half_wide, half_high = reach * CELL_WIDE_OVER_HIGH, reach
    high = wide / CELL_WIDE_OVER_HIGH
    px_per_unit = wide / (6 * half_wide)
    purity = {zone: one for zone in ZONES if (one := _purest(answer.remaining, zone)) is not None}
    cells: list[Spec] = []
    lines: list[Spec] = []
    dots: list[Spec] = []
    words: list[Spec] = []
    for n, zone in enumerate(ZONES):
        cx, cy = (2 * (n % 3) - 2) * half_wide, (2 - 2 * (n // 3)) * half_high
        stain = purity.get(zone)
        cells.append(
            {
                "x": cx - half_wide, "x2": cx + half_wide, "y": cy - half_high, "y2": cy + half_high,
                "cx": cx, "cy": cy, "beyond": "yes" if stain is not None and not stain.within else "no",
                "foot": "" if stain is None else f"{100 * stain.value:.0f} % astray",
                "fy": cy - half_high,
            }
        )  # fmt: skip
        for mark in marks:
            if mark.zone != zone:
                continue
            # Screens count downwards, charts upwards.
            along, right, up = mark.length_ratio, mark.x_ratio, -mark.y_ratio
            shorter = min(1.0, 0.97 * reach / along) if along > 0 else 1.0
            place = {"x": cx, "y": cy, "x2": cx + shorter * right, "y2": cy + shorter * up, "gun": mark.gun}
            lines.append(place)
            dots.append({"x": place["x2"], "y": place["y2"], "gun": mark.gun})
            if shorter < 1:
                words.append({"x": place["x2"], "y": place["y2"], "said": f"{along:.0f}×"})
    ink = INK[theme]
    domain_x, domain_y = [-3 * half_wide, 3 * half_wide], [-3 * half_high, 3 * half_high]
    x = {"field": "x", "type": "quantitative", "scale": {"domain": domain_x, "nice": False}, "axis": None}
    y = {"field": "y", "type": "quantitative", "scale": {"domain": domain_y, "nice": False}, "axis": None}
    colour = {
        "field": "gun",
        "type": "nominal",
        "scale": {"domain": list(OUTER), "range": [GUN_INK[theme][g] for g in ("red", "blue")]},
        "legend": None,
    }
    ring_px2 = math.pi * px_per_unit**2
    layers: list[Spec] = [
        {
            "data": {"values": cells},
            "mark": {"type": "rect", "stroke": ink["grid"], "strokeWidth": 1},
            "encoding": {
                "x": x, "x2": {"field": "x2"}, "y": y, "y2": {"field": "y2"},
                "fill": {
                    "field": "beyond", "type": "nominal", "legend": None,
                    "scale": {"domain": ["no", "yes"], "range": ["transparent", ink["grid"]]},
                },
            },
        },
        {
            "data": {"values": cells},
            "mark": {"type": "point", "shape": "circle", "size": ring_px2, "stroke": ink["quiet"], "strokeWidth": 1.3,
                     "strokeDash": [4, 3], "fill": None},
            "encoding": {"x": {**x, "field": "cx"}, "y": {**y, "field": "cy"}},
        },
        {
            "data": {"values": cells},
            "mark": {"type": "point", "shape": "cross", "size": 45, "fill": ink["quiet"], "stroke": None},
            "encoding": {"x": {**x, "field": "cx"}, "y": {**y, "field": "cy"}},
        },
        {
            "data": {"values": lines},
            "mark": {"type": "rule", "strokeWidth": 2.2},
            "encoding": {"x": x, "x2": {"field": "x2"}, "y": y, "y2": {"field": "y2"}, "color": colour},
        },
        {
            "data": {"values": dots},
            "mark": {"type": "point", "filled": True, "size": 95, "opacity": 1, "stroke": None},
            "encoding": {
                "x": x, "y": y, "color": colour,
                "shape": {
                    "field": "gun", "type": "nominal", "legend": None,
                    "scale": {"domain": list(OUTER), "range": [SHAPES[g] for g in OUTER]},
                },
            },
        },
        {
            "data": {"values": words},
            "mark": {"type": "text", "dy": -12, "fontSize": 12, "fontWeight": "bold"},
            "encoding": {"x": x, "y": y, "text": {"field": "said"}},
        },
        {
            "data": {"values": cells},
            "mark": {"type": "text", "dy": -7, "fontSize": 11, "color": ink["text"], "baseline": "bottom"},
            "encoding": {"x": {**x, "field": "cx"}, "y": {**y, "field": "fy"}, "text": {"field": "foot"}},
        },
    ]  # fmt: skip
    alt = map_words(answer)
    spec: Spec = {"width": wide - 8, "height": round(high) - 8, "layer": layers}
    return Chart(title="What is left, zone by zone", spec=framed(spec, theme, alt=alt), alt=alt)


def map_words(answer: Advised) -> str:
    """The figures of the map, zone by zone, in words."""
    told = []
    for zone in ZONES:
        parts = [
            f"{one.gun} {one.value:.2f} ± {one.value_sd:.2f} mm of {one.tolerance_ratio:.2f}"
            for one in answer.remaining
            if one.group == "convergence" and one.zone == zone and one.gun in OUTER
        ]
        stain = _purest(answer.remaining, zone)
        if stain is not None:
            parts.append(f"{100 * stain.value:.1f} % of light astray, let pass {100 * stain.tolerance_ratio:.0f} %")
        told.append(f"{ZONE_WORDS[zone]}: {', '.join(parts) if parts else 'not measured'}")
    return "Against green, each zone's own tolerance: " + "; ".join(told) + "."


def _marks(remaining: Sequence[Remaining], seen: Measurement) -> list[_Mark]:
    """Where each outer gun stands against green in each zone, in tolerances; y counts downwards."""
    if not isinstance(seen.convergence, Convergence):
        return []
    found: list[_Mark] = []
    for one in remaining:
        if one.group != "convergence" or one.gun not in OUTER or not one.zone:
            continue
        field = getattr(seen.convergence, f"{one.gun}_minus_green")
        vector = field.get(one.zone)
        if vector is not None:
            found.append(
                _Mark(
                    zone=one.zone,
                    gun=one.gun,
                    x_ratio=vector.x_mm / one.tolerance_ratio,
                    y_ratio=vector.y_mm / one.tolerance_ratio,
                )
            )
    return found


def _purest(remaining: Sequence[Remaining], zone: str) -> Remaining | None:
    """The largest purity error of a zone over its guns."""
    mine = [one for one in remaining if one.group == "purity" and one.zone == zone]
    return max(mine, key=lambda one: one.value, default=None)


def rounds_chart(answer: Advised, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """The worst figure of every photograph over its tolerance, from the first to now; 1 is good enough."""
    ink = INK[theme]
    rows: list[Spec] = [
        {"n": n, "worst": max(worst, 0.05), "said": f"{worst:.1f}"}
        for n, worst in enumerate(answer.worst_ratio, start=1)
        if worst is not None
    ]
    top = max([2.0, *(float(row["worst"]) * 1.5 for row in rows)])
    low = min([0.3, *(float(row["worst"]) * 0.7 for row in rows)])
    count = max(len(answer.worst_ratio), 3)
    x = {
        "field": "n",
        "type": "quantitative",
        "scale": {"domain": [0.6, count + 0.4], "nice": False},
        "axis": {"title": "photograph", "values": list(range(1, count + 1)), "format": "d", "grid": False},
    }
    y = {
        "field": "worst",
        "type": "quantitative",
        "scale": {"type": "log", "domain": [low, top], "nice": False},
        "axis": {"title": "worst error over its tolerance", "values": [0.3, 0.5, 1, 2, 5, 10, 20, 50], "format": "~g"},
    }
    layers: list[Spec] = [
        {
            "data": {"values": [{"at": 1}]},
            "mark": {"type": "rule", "strokeDash": [5, 4], "strokeWidth": 1.5, "color": ink["text"]},
            "encoding": {"y": {"field": "at", "type": "quantitative"}},
        },
        {
            "data": {"values": [{"at": 1, "n": 0.6, "said": "good enough"}]},
            "mark": {"type": "text", "align": "left", "dx": 4, "dy": 10, "fontSize": 12, "color": ink["text"]},
            "encoding": {
                "y": {"field": "at", "type": "quantitative"},
                "x": {"field": "n", "type": "quantitative"},
                "text": {"field": "said"},
            },
        },
        {
            "data": {"values": rows},
            "mark": {"type": "line", "color": ink["chosen"], "strokeWidth": 2},
            "encoding": {"x": x, "y": y},
        },
        {
            "data": {"values": rows},
            "mark": {"type": "point", "filled": True, "size": 80, "opacity": 1, "color": ink["chosen"]},
            "encoding": {"x": x, "y": y},
        },
        {
            "data": {"values": rows},
            "mark": {"type": "text", "dx": 8, "dy": -9, "align": "left", "fontSize": 13},
            "encoding": {"x": x, "y": y, "text": {"field": "said"}},
        },
    ]
    alt = rounds_words(answer)
    spec: Spec = {"width": WIDTH_PX[size] - 70, "height": 190, "layer": layers}
    return Chart(title="From photograph to photograph", spec=framed(spec, theme, alt=alt), alt=alt)


def rounds_words(answer: Advised) -> str:
    """The same in words."""
    told = [
        f"photograph {n}: {'nothing measured' if worst is None else f'{worst:.1f}'}"
        for n, worst in enumerate(answer.worst_ratio, start=1)
    ]
    return "The worst error over its tolerance, 1 being good enough: " + ", ".join(told) + "."
