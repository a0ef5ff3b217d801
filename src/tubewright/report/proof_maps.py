"""Errors of the picture before and after, drawn on one scale: convergence as arrows, shape as outlines. SVG text.

Red and blue differ in more than hue: red arrows are whole lines with a filled
triangle, blue ones broken lines with an open ring. :attr:`Maps.words` say what
is drawn and how much it is magnified.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from typing import Any, Final

from tubewright.answers.measurement import ZONE_WORDS, ZONES, Convergence, Figure, Geometry, Unsupported, length
from tubewright.answers.proof_form import PictureProof
from tubewright.answers.proof_work import MapNode, Side, TakenPicture
from tubewright.report.frame import FONT, GUN_INK, INK, Theme
from tubewright.report.overlay_parts import STEPS

SIDES: Final[tuple[Side, ...]] = ("before", "after")
WIDTH_PX: Final = 480.0
_ROOM_PX: Final = 32.0
_USUAL_MM: Final = (400.0, 300.0)
"""Size of a picture that isn't known: only its form is drawn then."""
_MOST_SHAPE: Final = 10
"""A shape that is a hair off must not look like a cushion."""

Place = tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Maps:
    """A pair of drawings on one scale, by side, each with its words; ``key`` tells how to read both."""

    title: str
    svg: Mapping[Side, str]
    words: Mapping[Side, str]
    key: str
    aspect_ratio: float


def convergence_maps(picture: PictureProof, *, theme: Theme = "light") -> Maps | None:
    """Where red and blue stand against green, before and after; None where neither side was measured."""
    grids = {side: one.grid for side, one in _sides(picture).items() if one.grid}
    if not grids:
        return None
    frame = _frame(_sides(picture), grids)
    errors = [v for grid in grids.values() for node in grid for v in (node.red_mm, node.blue_mm) if v is not None]
    longest = max((math.hypot(*v) for v in errors), default=0.0)
    pitch = max(10.0, frame.width_mm / 8)
    magnified = 1
    if longest > 0:
        steps = (step for step in STEPS if longest * step <= 1.25 * pitch and _stays_inside(grids, frame, step))
        magnified = max(steps, default=1)
    bar = next((mm for mm in (0.1, 0.2, 0.5, 1.0, 2.0, 5.0) if mm * magnified * frame.px_per_mm >= 20), 5.0)
    svg, words = {}, {}
    for side in SIDES:
        grid = grids.get(side)
        said = _convergence_words(_sides(picture).get(side), side)
        drawn = _not_measured(frame, side, theme) if grid is None else _arrows(grid, frame, magnified, theme)
        drawn += _bar(frame, bar, magnified, theme) if grid is not None else []
        svg[side], words[side] = _svg(frame, drawn, said, theme), said
    return Maps(
        title="Convergence",
        svg=svg,
        words=words,
        key=(
            f"Arrows {magnified} times as long as the errors, on both sides alike; the bar is {bar:g} mm of error. "
            "Red against green: a whole line with a triangle. Blue against green: a broken line with a ring."
        ),
        aspect_ratio=frame.width_px / frame.height_px,
    )


def shape_maps(picture: PictureProof, *, theme: Theme = "light") -> Maps | None:
    """The outline that the figures of the shape make, before and after; None where neither side was measured."""
    shapes = {
        side: one.measurement.geometry
        for side, one in _sides(picture).items()
        if isinstance(one.measurement.geometry, Geometry)
    }
    if not shapes:
        return None
    frame = _frame(_sides(picture), {})
    most = max(_departure(shape, frame) for shape in shapes.values())
    room = 0.075 * frame.width_mm
    magnified = max((step for step in STEPS if step <= _MOST_SHAPE and most * step <= room), default=1)
    svg, words = {}, {}
    for side in SIDES:
        shape = shapes.get(side)
        said = _shape_words(_sides(picture).get(side), side)
        drawn = _not_measured(frame, side, theme) if shape is None else _outline(shape, frame, magnified, theme)
        svg[side], words[side] = _svg(frame, drawn, said, theme), said
    times = "as large as they are" if magnified == 1 else f"{magnified} times as large"
    return Maps(
        title="Shape",
        svg=svg,
        words=words,
        key=(
            f"Whole lines: the shape that its figures make, departures {times}, on both sides alike. "
            "Broken lines: as it should be. Figures that aren't known are drawn as none."
        ),
        aspect_ratio=frame.width_px / frame.height_px,
    )


def _sides(picture: PictureProof) -> dict[Side, TakenPicture]:
    pairs: tuple[tuple[Side, TakenPicture | None], ...] = (("before", picture.before), ("after", picture.after))
    return {side: one for side, one in pairs if one is not None}


# -- the frame both share -----------------------------------------------------------------------


@dataclass(frozen=True, slots=True, kw_only=True)
class _Frame:
    """The picture's rectangle, the same for both sides."""

    width_mm: float
    height_mm: float

    @property
    def px_per_mm(self) -> float:
        return (WIDTH_PX - 2 * _ROOM_PX) / self.width_mm

    @property
    def width_px(self) -> float:
        return WIDTH_PX

    @property
    def height_px(self) -> float:
        return self.height_mm * self.px_per_mm + 2 * _ROOM_PX

    def at(self, x_mm: float, y_mm: float) -> Place:
        """Place in the drawing of a place on the picture, from its middle."""
        return self.width_px / 2 + x_mm * self.px_per_mm, self.height_px / 2 + y_mm * self.px_per_mm


def _frame(sides: Mapping[Side, TakenPicture], grids: Mapping[Side, Sequence[MapNode]]) -> _Frame:
    widths, heights = [], []
    for one in sides.values():
        scale = one.measurement.scale
        if not isinstance(scale, Unsupported):
            widths.append(scale.width_mm.value)
            heights.append(scale.height_mm.value)
    for grid in grids.values():
        widths.append(2 * max(abs(node.x_mm) for node in grid) * 1.03)
        heights.append(2 * max(abs(node.y_mm) for node in grid) * 1.03)
    width, height = max(widths, default=_USUAL_MM[0]), max(heights, default=_USUAL_MM[1])
    if not (width > 0 and height > 0 and 0.2 < width / height < 5):
        width, height = _USUAL_MM
    return _Frame(width_mm=width, height_mm=height)


def _svg(frame: _Frame, parts: Iterable[str], said: str, theme: Theme) -> str:
    ground = "#14161c" if theme == "dark" else "#ffffff"
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {frame.width_px:.0f} {frame.height_px:.0f}" '
        f'width="{frame.width_px:.0f}" height="{frame.height_px:.0f}" role="img">'
        f"<desc>{escape(said)}</desc>"
        f'<rect width="100%" height="100%" fill="{ground}"/>' + "".join(parts) + "</svg>"
    )


def _rectangle(frame: _Frame, theme: Theme, *, dash: bool) -> str:
    left, top = frame.at(-frame.width_mm / 2, -frame.height_mm / 2)
    wide, high = frame.width_mm * frame.px_per_mm, frame.height_mm * frame.px_per_mm
    dashes = ' stroke-dasharray="5 4"' if dash else ""
    return (
        f'<rect x="{left:.1f}" y="{top:.1f}" width="{wide:.1f}" height="{high:.1f}" fill="none" '
        f'stroke="{INK[theme]["quiet"]}" stroke-width="1"{dashes}/>'
    )


def _line(points: Iterable[Place], ink: str, width: float, dash: str = "") -> str:
    way = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
    dashes = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<polyline points="{way}" fill="none" stroke="{ink}" stroke-width="{width:g}" stroke-linejoin="round" '
        f'stroke-linecap="round"{dashes}/>'
    )


def _text(at: Place, text: str, ink: str, *, anchor: str = "middle") -> str:
    return (
        f'<text x="{at[0]:.1f}" y="{at[1]:.1f}" font-family="{FONT}, Libertinus Serif" font-size="17" fill="{ink}" '
        f'text-anchor="{anchor}">{escape(text)}</text>'
    )


def _not_measured(frame: _Frame, side: Side, theme: Theme) -> list[str]:
    return [
        _rectangle(frame, theme, dash=True),
        _text(frame.at(0, 0), f"not measured {side} the work", INK[theme]["quiet"]),
    ]


# -- convergence -----------------------------------------------------------------------------------


def _arrows(grid: Sequence[MapNode], frame: _Frame, magnified: int, theme: Theme) -> list[str]:
    red, blue, ink = GUN_INK[theme]["red"], GUN_INK[theme]["blue"], INK[theme]["text"]
    parts = [_rectangle(frame, theme, dash=False)]
    for node in grid:
        start = frame.at(node.x_mm, node.y_mm)
        parts.append(f'<circle cx="{start[0]:.1f}" cy="{start[1]:.1f}" r="1.6" fill="{ink}"/>')
        for vector, draw in ((node.red_mm, _triangle), (node.blue_mm, _ring)):
            if vector is None:
                continue
            end = frame.at(node.x_mm + magnified * vector[0], node.y_mm + magnified * vector[1])
            if math.dist(start, end) >= 2:
                parts.append(draw(start, end, red if draw is _triangle else blue))
    return parts


def _stays_inside(grids: Mapping[Side, Sequence[MapNode]], frame: _Frame, magnified: int) -> bool:
    """Whether no arrow reaches out of the drawing."""
    ends = (
        frame.at(node.x_mm + magnified * v[0], node.y_mm + magnified * v[1])
        for grid in grids.values()
        for node in grid
        for v in (node.red_mm, node.blue_mm)
        if v is not None
    )
    return all(4 <= x <= frame.width_px - 4 and 4 <= y <= frame.height_px - 4 for x, y in ends)


def _triangle(start: Place, end: Place, ink: str) -> str:
    away = math.dist(start, end)
    ux, uy = (end[0] - start[0]) / away, (end[1] - start[1]) / away
    size = min(8.0, max(5.0, 0.6 * away))
    base = end[0] - size * ux, end[1] - size * uy
    side = 0.45 * size
    corners = (end, (base[0] - side * uy, base[1] + side * ux), (base[0] + side * uy, base[1] - side * ux))
    places = " ".join(f"{x:.1f},{y:.1f}" for x, y in corners)
    return _line((start, base), ink, 2) + f'<polygon points="{places}" fill="{ink}"/>'


def _ring(start: Place, end: Place, ink: str) -> str:
    away = math.dist(start, end)
    radius = min(3.8, max(2.2, 0.3 * away))
    rim = (
        end[0] - radius * (end[0] - start[0]) / away,
        end[1] - radius * (end[1] - start[1]) / away,
    )
    circle = (
        f'<circle cx="{end[0]:.1f}" cy="{end[1]:.1f}" r="{radius:.1f}" fill="none" stroke="{ink}" stroke-width="1.8"/>'
    )
    return _line((start, rim), ink, 2, "5 3") + circle


def _bar(frame: _Frame, error_mm: float, magnified: int, theme: Theme) -> list[str]:
    """So many millimetres of error as they are drawn, below the picture's left corner."""
    long = error_mm * magnified * frame.px_per_mm
    x, y = frame.at(-frame.width_mm / 2, frame.height_mm / 2)
    y += _ROOM_PX / 2
    ink = INK[theme]["text"]
    ends = [_line(((at, y - 4), (at, y + 4)), ink, 1.5) for at in (x, x + long)]
    return [
        _line(((x, y), (x + long, y)), ink, 1.5),
        *ends,
        _text((x + long + 8, y + 6), f"{error_mm:g} mm", ink, anchor="start"),
    ]


def _convergence_words(one: TakenPicture | None, side: Side) -> str:
    if one is None:
        return f"Convergence was not measured {side} the work."
    found = one.measurement.convergence
    if not isinstance(found, Convergence):
        return f"Convergence {side}: not known, {found.reason}."
    told = []
    for name, field in (("red", found.red_minus_green), ("blue", found.blue_minus_green)):
        if isinstance(field, Unsupported):
            told.append(f"{name} not known, {field.reason}")
            continue
        known = {zone: length(field[zone]) for zone in ZONES if zone in field}
        if not known:
            told.append(f"{name} not known")
            continue
        worst = max(known, key=lambda zone: known[zone].value)
        centre = f"{known['centre'].value:.2f} mm in the middle, " if "centre" in known else ""
        told.append(f"{name} {centre}{known[worst].value:.2f} mm {ZONE_WORDS[worst]} at most")
    return f"Convergence {side}, away from green: {'; '.join(told)}."


# -- shape -------------------------------------------------------------------------------------------


def _value(known: Any) -> float:  # noqa: ANN401 - a figure or why there is none
    return known.value if isinstance(known, Figure) else 0.0


def _places(shape: Geometry, frame: _Frame, magnified: float) -> list[list[Place]]:
    """Four edges and two axes as lines of places in millimetres."""
    wide, high = frame.width_mm / 2, frame.height_mm / 2
    top, left = (magnified * _value(one) / 200 for one in (shape.trapezoid_h_pct, shape.trapezoid_v_pct))
    turn = math.radians(magnified * _value(shape.rotation_deg))
    lean = math.tan(math.radians(magnified * _value(shape.parallelogram_deg)))

    def placed(x: float, y: float) -> Place:
        x -= y * lean
        return x * math.cos(turn) - y * math.sin(turn), x * math.sin(turn) + y * math.cos(turn)

    corners = {
        "tl": (-wide * (1 + top), -high * (1 + left)),
        "tr": (wide * (1 + top), -high * (1 - left)),
        "bl": (-wide * (1 - top), high * (1 + left)),
        "br": (wide * (1 - top), high * (1 - left)),
    }
    bows = {edge: magnified * _value(known) / 100 for edge, known in shape.pincushion_pct.items()}
    axis_x = magnified * _value(shape.bow_vertical_axis_pct) / 100 * 2 * wide
    axis_y = magnified * _value(shape.bow_horizontal_axis_pct) / 100 * 2 * high
    ways = (
        (corners["tl"], corners["tr"], (0.0, bows.get("top", 0.0) * 2 * high)),
        (corners["bl"], corners["br"], (0.0, -bows.get("bottom", 0.0) * 2 * high)),
        (corners["tl"], corners["bl"], (bows.get("left", 0.0) * 2 * wide, 0.0)),
        (corners["tr"], corners["br"], (-bows.get("right", 0.0) * 2 * wide, 0.0)),
        ((0.0, -high), (0.0, high), (axis_x, 0.0)),
        ((-wide, 0.0), (wide, 0.0), (0.0, axis_y)),
    )
    lines = []
    for start, end, moved in ways:
        points = []
        for n in range(21):
            t = n / 20
            bend = 4 * t * (1 - t)
            points.append(
                placed(
                    start[0] + t * (end[0] - start[0]) + bend * moved[0],
                    start[1] + t * (end[1] - start[1]) + bend * moved[1],
                )
            )
        lines.append(points)
    return lines


def _departure(shape: Geometry, frame: _Frame) -> float:
    """How far the shape departs from what it should be at most, millimetres."""
    pairs = zip(_places(shape, frame, 1.0), _places(shape, frame, 0.0), strict=True)
    return max(math.dist(a, b) for real, ideal in pairs for a, b in zip(real, ideal, strict=True))


def _outline(shape: Geometry, frame: _Frame, magnified: int, theme: Theme) -> list[str]:
    parts = [_rectangle(frame, theme, dash=True)]
    axes = _places(shape, frame, 0.0)[4:]
    parts += [_line((frame.at(*way[0]), frame.at(*way[-1])), INK[theme]["quiet"], 1, "5 4") for way in axes]
    ink = INK[theme]["text"]
    parts += [_line((frame.at(*p) for p in line), ink, 2) for line in _places(shape, frame, float(magnified))]
    return parts


_SHAPE_NAMES: Final = (
    ("trapezoid_h_pct", "top wider than bottom", "%"),
    ("trapezoid_v_pct", "left taller than right", "%"),
    ("rotation_deg", "tilt", "°"),
    ("parallelogram_deg", "lean", "°"),
)


def _shape_words(one: TakenPicture | None, side: Side) -> str:
    if one is None:
        return f"The shape was not measured {side} the work."
    shape = one.measurement.geometry
    if not isinstance(shape, Geometry):
        return f"Shape {side}: not known, {shape.reason}."
    bows = [f"{edge} {known.value:+.1f} %" for edge, known in shape.pincushion_pct.items() if isinstance(known, Figure)]
    told = [f"inward bow {', '.join(bows)}"] if bows else []
    unknown = [] if bows else ["bows"]
    for name, about, unit in _SHAPE_NAMES:
        known = getattr(shape, name)
        if isinstance(known, Figure):
            told.append(f"{about} {known.value:+.1f}{' ' if unit == '%' else ''}{unit}")
        else:
            unknown.append(about)
    if unknown:
        told.append(f"not known: {', '.join(unknown)}")
    return f"Shape {side}: {'; '.join(told)}."
