"""The pieces of an overlay: arrows of convergence, zone figures, the curl's profile, the outline. SVG text each.

Red and blue differ in more than hue: red arrows are whole lines with a filled
triangle, blue ones broken lines with an open ring, and each kind is lettered.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from html import escape
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.answers.measurement import (
    ZONE_WORDS,
    ZONES,
    Convergence,
    Figure,
    GridNode,
    Outline,
    TopCurl,
    Unsupported,
    Vector,
    length,
    said,
    signed,
)
from tubewright.report.frame import FONT, GUN_INK, INK

Place = tuple[float, float]
ToView = Callable[[float, float], Place]

PAPER: Final = "#14161c"
TEXT: Final = INK["dark"]["text"]
QUIET: Final = INK["dark"]["quiet"]
GRID: Final = INK["dark"]["grid"]
RED: Final = GUN_INK["dark"]["red"]
BLUE: Final = GUN_INK["dark"]["blue"]
STEPS: Final = (1, 2, 5, 10, 20, 50, 100, 200)
"""Magnifications that an eye can divide by."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Box:
    """A rectangle of the drawing, in its own pixels."""

    left_px: float
    top_px: float
    width_px: float
    height_px: float

    @property
    def right_px(self) -> float:
        """Right edge."""
        return self.left_px + self.width_px

    @property
    def bottom_px(self) -> float:
        """Lower edge."""
        return self.top_px + self.height_px


def words(
    x: float, y: float, text: str, *, size: float = 13, ink: str = TEXT, anchor: str = "start", bold: bool = False
) -> str:
    """One line of text; ``y`` is its base line."""
    weight = ' font-weight="bold"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-family="{FONT}" font-size="{size:g}" fill="{ink}" '
        f'text-anchor="{anchor}"{weight}>{escape(text)}</text>'
    )


def stroke(points: Iterable[Place], ink: str, *, width: float = 1.5, dash: str = "", opacity: float = 1.0) -> str:
    """A line through places."""
    way = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<polyline points="{way}" fill="none" stroke="{ink}" stroke-width="{width:g}" stroke-linejoin="round" '
        f'stroke-linecap="round" opacity="{opacity:g}"{dashes}/>'
    )


def plate(box: Box, *, fill: str = "none", edge: str = "none", opacity: float = 1.0) -> str:
    """A rectangle with rounded corners."""
    return (
        f'<rect x="{box.left_px:.1f}" y="{box.top_px:.1f}" width="{box.width_px:.1f}" height="{box.height_px:.1f}" '
        f'rx="4" fill="{fill}" stroke="{edge}" opacity="{opacity:g}"/>'
    )


def magnification(longest_mm: float, room_mm: float) -> int:
    """The largest handy factor by which the longest error still fits into its room."""
    if not longest_mm > 0:
        return 1
    return max((step for step in STEPS if longest_mm * step <= room_mm), default=1)


# --- convergence --------------------------------------------------------------------


def arrows(grid: Sequence[GridNode], to_view: ToView, magnified: int) -> list[str]:
    """Red's and blue's displacement at each node of the grid, so many times as long as it is."""
    parts = []
    for node in grid:
        start = to_view(node.photo_x_px, node.photo_y_px)
        parts.append(f'<circle cx="{start[0]:.1f}" cy="{start[1]:.1f}" r="2" fill="{TEXT}"/>')
        for vector, draw in ((node.red_minus_green_mm, red_arrow), (node.blue_minus_green_mm, blue_arrow)):
            if vector is None:
                continue
            end = to_view(*node.moved_px(magnified * vector[0], magnified * vector[1]))
            parts.append(draw(start, end))
    return parts


def red_arrow(start: Place, end: Place) -> str:
    """A whole line that ends in a filled triangle."""
    if math.dist(start, end) < 3:
        return ""
    ux, uy = _unit(start, end)
    size = min(9.0, max(5.0, math.dist(start, end) * 0.6))
    base = (end[0] - size * ux, end[1] - size * uy)
    side = 0.45 * size
    corners = ((end[0], end[1]), (base[0] - side * uy, base[1] + side * ux), (base[0] + side * uy, base[1] - side * ux))
    triangle = " ".join(f"{x:.1f},{y:.1f}" for x, y in corners)
    return (
        stroke((start, base), PAPER, width=4, opacity=0.75)
        + stroke((start, base), RED, width=2.2)
        + f'<polygon points="{triangle}" fill="{RED}" stroke="{PAPER}" stroke-width="0.8"/>'
    )


def blue_arrow(start: Place, end: Place) -> str:
    """A broken line that ends in an open ring."""
    if math.dist(start, end) < 3:
        return ""
    ux, uy = _unit(start, end)
    radius = min(4.5, max(2.5, math.dist(start, end) * 0.3))
    rim = (end[0] - radius * ux, end[1] - radius * uy)
    return (
        stroke((start, rim), PAPER, width=4, opacity=0.75)
        + stroke((start, rim), BLUE, width=2.2, dash="5 3")
        + f'<circle cx="{end[0]:.1f}" cy="{end[1]:.1f}" r="{radius:.1f}" fill="none" stroke="{BLUE}" '
        'stroke-width="2"/>'
    )


def _unit(start: Place, end: Place) -> Place:
    away = math.dist(start, end)
    return (end[0] - start[0]) / away, (end[1] - start[1]) / away


def zone_labels(found: Convergence, box: Box) -> list[str]:
    """The length of each zone's errors, at the foot of the zone's third of the picture."""
    parts = []
    for n in range(len(ZONES)):
        texts = [
            f"{letter} {length(vector).value:.2f}"
            for letter, vector in (("R", _vector(found, "red", n)), ("B", _vector(found, "blue", n)))
            if vector is not None
        ]
        if not texts:
            continue
        text = "  ".join(texts) + " mm"
        x = box.left_px + box.width_px * (n % 3 + 0.5) / 3
        y = box.top_px + box.height_px * (n // 3 + 1) / 3 - 8
        wide = 7.4 * len(text)
        parts += [
            plate(Box(left_px=x - wide / 2, top_px=y - 14, width_px=wide, height_px=19), fill=PAPER, opacity=0.82),
            words(x, y, text, size=13, anchor="middle"),
        ]
    return parts


def zone_table(found: Convergence, box: Box) -> list[str]:
    """Nine cells as they lie on the screen, each with the figures of red and blue."""
    parts = [words(box.left_px, box.top_px + 14, "Against green, mm: right and down are positive", ink=QUIET)]
    top, wide, tall = box.top_px + 26, box.width_px / 3, (box.height_px - 26) / 3
    for n, zone in enumerate(ZONES):
        x, y = box.left_px + wide * (n % 3), top + tall * (n // 3)
        parts += [
            plate(Box(left_px=x + 1, top_px=y + 1, width_px=wide - 3, height_px=tall - 3), edge=GRID),
            words(x + 9, y + 18, ZONE_WORDS[zone], size=12, ink=QUIET),
        ]
        for line, (name, letter, ink) in enumerate((("red", "R", RED), ("blue", "B", BLUE))):
            vector = _vector(found, name, n)
            text = (
                "not known"
                if vector is None
                else f"{signed(vector.x_mm)}, {signed(vector.y_mm)} ±{max(vector.sd_mm, 0.01):.2f}"
            )
            parts += [
                words(x + 9, y + 38 + 18 * line, letter, size=13, ink=ink, bold=True),
                words(x + 25, y + 38 + 18 * line, text, size=13),
            ]
    return parts


def _vector(found: Convergence, name: str, zone: int) -> Vector | None:
    field = found.red_minus_green if name == "red" else found.blue_minus_green
    return None if isinstance(field, Unsupported) else field.get(ZONES[zone])


# --- curl -----------------------------------------------------------------------------


def curl_panel(found: TopCurl, box: Box) -> list[str]:
    """Sideways displacement against the line, the top line at the top."""
    profile = found.profile
    parts = [words(box.left_px, box.top_px + 14, "Sideways bend of each line, from the top", ink=QUIET)]
    if profile is None or profile.line.size < 3:
        why = found.amplitude_mm.reason if isinstance(found.amplitude_mm, Unsupported) else "no profile"
        return [*parts, words(box.left_px, box.top_px + 40, f"Not known: {why}")]
    settled = found.settle_lines.value if isinstance(found.settle_lines, Figure) else 30.0
    lines = min(float(profile.line[-1]), max(40.0, 3 * settled))
    shown = (profile.line <= lines) & np.isfinite(profile.displacement_mm)
    line, moved, fitted = profile.line[shown], profile.displacement_mm[shown], profile.fitted_mm[shown]
    reach = max(0.2, 1.1 * float(np.nanmax(np.abs(np.concatenate([moved, fitted])))))
    plot = Box(
        left_px=box.left_px + 40, top_px=box.top_px + 26, width_px=box.width_px - 52, height_px=box.height_px - 66
    )
    middle = plot.left_px + plot.width_px / 2

    def at(displacement_mm: float, number: float) -> Place:
        return middle + displacement_mm / reach * plot.width_px / 2, plot.top_px + number / lines * plot.height_px

    step = _handy(reach / 2.2)
    for n in range(-int(reach / step), int(reach / step) + 1):
        x = at(n * step, 0)[0]
        parts += [
            stroke(((x, plot.top_px), (x, plot.bottom_px)), TEXT if n == 0 else GRID, width=1),
            words(x, plot.bottom_px + 16, f"{n * step:+g}" if n else "0", size=12, ink=QUIET, anchor="middle"),
        ]
    parts.append(words(middle, plot.bottom_px + 33, "mm to the right", size=12, ink=QUIET, anchor="middle"))
    by = _handy(lines / 5)
    for n in range(int(lines / by) + 1):
        y = at(0, n * by)[1]
        parts += [
            stroke(((plot.left_px, y), (plot.right_px, y)), GRID, width=1),
            words(plot.left_px - 6, y + 4, f"{n * by:g}", size=12, ink=QUIET, anchor="end"),
        ]
    parts += [
        f'<circle cx="{x:.1f}" cy="{y:.1f}" r="1.7" fill="{QUIET}"/>'
        for x, y in (at(float(d), float(n)) for d, n in zip(moved, line, strict=True))
    ]
    parts.append(
        stroke((at(float(d), float(n)) for d, n in zip(fitted, line, strict=True) if np.isfinite(d)), TEXT, width=2.2)
    )
    if isinstance(found.settle_lines, Figure) and found.settle_lines.value <= lines:
        y = at(0, found.settle_lines.value)[1]
        settles = f"settled after {found.settle_lines.value:.0f} lines"
        parts += [
            stroke(((plot.left_px, y), (plot.right_px, y)), INK["dark"]["chosen"], width=1.5, dash="6 4"),
            words(plot.right_px, y - 5, settles, size=12, ink=INK["dark"]["chosen"], anchor="end"),
        ]
    if isinstance(found.amplitude_mm, Figure):
        parts.append(words(box.right_px - 12, box.top_px + 14, said(found.amplitude_mm, "mm"), anchor="end", bold=True))
    return parts


def _handy(about: float) -> float:
    """The nearest of 1, 2 and 5 times a power of ten from above."""
    power: float = 10.0 ** math.floor(math.log10(about))
    return next((power * step for step in (1, 2, 5) if power * step >= about * 0.999), 10 * power)


# --- geometry -------------------------------------------------------------------------


def outline_panel(outline: Outline | None, box: Box) -> list[str]:
    """The measured lattice over the intended one, its departure magnified."""
    if outline is None:
        return [
            words(box.left_px, box.top_px + 14, "Shape of the picture", ink=QUIET),
            words(box.left_px, box.top_px + 40, "Not known: too few marks were seen."),
        ]
    apart = outline.measured_mm - outline.intended_mm
    size = np.ptp(outline.intended_mm.reshape(-1, 2), axis=0)
    longest_mm = float(np.hypot(*apart.reshape(-1, 2).T).max())
    # A shape that is a hair off must not look like a cushion.
    magnified = min(20, magnification(longest_mm, 0.07 * float(size[0])))
    parts = [
        words(
            box.left_px,
            box.top_px + 14,
            f"Shape: whole lines as measured, departures x{magnified}; broken lines as intended",
            ink=QUIET,
        )
    ]
    room = Box(left_px=box.left_px, top_px=box.top_px + 26, width_px=box.width_px, height_px=box.height_px - 26)
    scale = 0.86 * min(room.width_px / size[0], room.height_px / size[1])
    middle = outline.intended_mm.reshape(-1, 2).mean(axis=0)

    def at(place: NDArray[np.float64]) -> Place:
        x, y = (place - middle) * scale
        return room.left_px + room.width_px / 2 + float(x), room.top_px + room.height_px / 2 + float(y)

    for ideal, away in zip(outline.intended_mm, apart, strict=True):
        parts.append(stroke((at(ideal[0]), at(ideal[-1])), QUIET, width=1, dash="4 4"))
        parts.append(stroke((at(place) for place in ideal + magnified * away), TEXT, width=1.8))
    return parts
