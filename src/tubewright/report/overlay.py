"""A measurement drawn over its photograph, as one SVG that stands on its own, or as PNG.

The photograph is turned upright, cut to the picture and darkened; arrows are
magnified and say by how much. Beside it stand the curl's profile and the shape,
below it the nine zones. :attr:`Overlay.alt` holds the same in words.
"""

from __future__ import annotations

import base64
import math
from collections.abc import Iterator
from dataclasses import dataclass
from html import escape
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.answers.measurement import (
    ZONE_WORDS,
    ZONES,
    Convergence,
    ConvergencePoints,
    Geometry,
    GridNode,
    Measurement,
    Photo,
    TopCurl,
    Unsupported,
    convergence_grid,
    length,
    outline_of,
)
from tubewright.report.measure_summary import summary
from tubewright.report.overlay_parts import (
    BLUE,
    PAPER,
    QUIET,
    RED,
    STEPS,
    TEXT,
    Box,
    arrows,
    blue_arrow,
    curl_panel,
    magnification,
    outline_panel,
    plate,
    red_arrow,
    stroke,
    words,
    zone_labels,
    zone_table,
)

WIDTH_PX: Final = 1480
_PHOTO_WIDTH_PX: Final = 960
_MARGIN_PX: Final = 20
_BESIDE_PX: Final = WIDTH_PX - _PHOTO_WIDTH_PX - 3 * _MARGIN_PX
_TABLE_PX: Final = 250
_JPEG_QUALITY: Final = 82


@dataclass(frozen=True, slots=True, kw_only=True)
class Overlay:
    """A drawing: ``svg`` as text, ``alt`` the same figures in words."""

    svg: str
    alt: str

    def png(self, scale: float = 1.0) -> bytes:
        """The drawing as PNG, ``scale`` times as large."""
        import vl_convert  # heavy: loaded when the first picture is asked for

        picture: bytes = vl_convert.svg_to_png(self.svg, scale=scale)
        return picture


def draw_overlay(answer: Measurement, photo: Photo) -> Overlay:
    """Draw a measurement over its photograph.

    Args:
        answer: What ``measure`` gave, accepted.
        photo: The photograph that ``answer.drawn_on`` names.

    Returns:
        The drawing.
    """
    points = answer.convergence.points if isinstance(answer.convergence, Convergence) else None
    grid = convergence_grid(points) if points is not None else ()
    view = _View(photo, answer, points, grid)
    picture = Box(left_px=_MARGIN_PX, top_px=56, width_px=_PHOTO_WIDTH_PX, height_px=view.height_px)
    magnified = _arrow_magnification(grid, view, picture)
    alt = _alt(answer, magnified)
    parts = [
        words(_MARGIN_PX, 34, summary(answer), size=17, bold=True),
        _image(picture, view.jpeg()),
        plate(picture, fill=PAPER, opacity=0.4),
    ]
    if points is not None and isinstance(answer.convergence, Convergence):
        parts += arrows(grid, view.to_drawing, magnified)
        parts += zone_labels(answer.convergence, view.picture_box(points))
    foot = picture.bottom_px + 12
    parts += _key(answer, grid, view, magnified, foot)
    table = Box(left_px=_MARGIN_PX, top_px=foot + 54, width_px=_PHOTO_WIDTH_PX, height_px=_TABLE_PX)
    if isinstance(answer.convergence, Convergence):
        parts += zone_table(answer.convergence, table)
    else:
        parts.append(words(table.left_px, table.top_px + 14, f"Convergence not known: {answer.convergence.reason}"))
    bottom = table.bottom_px + _MARGIN_PX
    parts += _beside(answer, points, bottom)
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {WIDTH_PX} {bottom:.0f}" width="{WIDTH_PX}" '
        f'height="{bottom:.0f}" role="img" aria-labelledby="overlay-title overlay-words">'
        f'<title id="overlay-title">The measured picture</title><desc id="overlay-words">{escape(alt)}</desc>'
        f'<rect width="100%" height="100%" fill="{PAPER}"/>' + "".join(parts) + "</svg>"
    )
    return Overlay(svg=svg, alt=alt)


def _image(box: Box, jpeg: str) -> str:
    return (
        f'<image x="{box.left_px:.0f}" y="{box.top_px:.0f}" width="{box.width_px:.0f}" height="{box.height_px:.0f}" '
        f'href="data:image/jpeg;base64,{jpeg}"/>'
    )


class _View:
    """The part of the photograph that is shown, upright as the viewer of the display sees it."""

    def __init__(
        self, photo: Photo, answer: Measurement, points: ConvergencePoints | None, grid: tuple[GridNode, ...]
    ) -> None:
        height, width = photo.pixels.shape[:2]
        left, top, right, bottom = 0.0, 0.0, float(width), float(height)
        if points is not None and points.photo_px.size:
            low, high = points.photo_px.min(axis=0), points.photo_px.max(axis=0)
            # Room for the arrows, also where the photograph was cut close.
            air = 0.15 * float((high - low).max())
            left, top = (float(edge) - air for edge in low)
            right, bottom = (float(edge) + air for edge in high)
        self._corner = math.floor(left), math.floor(top)
        self._pixels = _cut(photo.pixels, self._corner, (math.ceil(right), math.ceil(bottom)))
        self._linear = photo.coding == "linear"
        self._turns, self._mirrored = round((answer.rotated_deg or 0.0) / 90) % 4, bool(answer.mirrored)
        if grid:  # where down is tells more: a display on its side is seen on its side
            (a, b), (c, d) = grid[len(grid) // 2].right_px, grid[len(grid) // 2].down_px
            self._turns, self._mirrored = round(math.degrees(math.atan2(d, c)) / 90 - 1) % 4, a * d - b * c < 0
        self._cut = self._pixels.shape[:2]
        tall, wide = self._cut if self._turns % 2 == 0 else self._cut[::-1]
        self._scale = _PHOTO_WIDTH_PX / wide
        self.height_px = tall * self._scale

    def to_drawing(self, x_px: float, y_px: float) -> tuple[float, float]:
        """Place in the drawing of a place in the photograph."""
        tall, wide = self._cut
        x, y = x_px - self._corner[0] + 0.5, y_px - self._corner[1] + 0.5
        for _ in range(self._turns):  # a quarter against the clock: the top right corner becomes the top left one
            x, y, tall, wide = y, wide - x, wide, tall
        if self._mirrored:
            x = wide - x
        return _MARGIN_PX + x * self._scale, 56 + y * self._scale

    def picture_box(self, points: ConvergencePoints) -> Box:
        """The rectangle that holds the marks."""
        at = np.array([self.to_drawing(float(x), float(y)) for x, y in points.photo_px])
        low, high = at.min(axis=0), at.max(axis=0)
        return Box(
            left_px=float(low[0]),
            top_px=float(low[1]),
            width_px=float(high[0] - low[0]),
            height_px=float(high[1] - low[1]),
        )

    def jpeg(self) -> str:
        """The part shown, upright, no larger than it is drawn at twice the size, as base64."""
        import io

        from PIL import Image

        step = max(1, max(self._cut) // (2 * _PHOTO_WIDTH_PX))
        shown = np.rot90(_as_bytes(self._pixels[::step, ::step], linear=self._linear), self._turns)
        image = Image.fromarray(np.ascontiguousarray(shown[:, ::-1] if self._mirrored else shown))
        wide = min(image.width, round(1.4 * _PHOTO_WIDTH_PX))
        image = image.resize((wide, max(1, round(image.height * wide / image.width))), Image.Resampling.LANCZOS)
        buffer = io.BytesIO()
        image.save(buffer, "JPEG", quality=_JPEG_QUALITY)
        return base64.b64encode(buffer.getvalue()).decode("ascii")


def _cut(
    pixels: NDArray[np.uint8] | NDArray[np.uint16], start: tuple[int, int], end: tuple[int, int]
) -> NDArray[np.uint8] | NDArray[np.uint16]:
    """The pixels from one corner (x, y) up to another, black where there are none."""
    height, width = pixels.shape[:2]
    left, top, right, bottom = max(0, start[0]), max(0, start[1]), min(width, end[0]), min(height, end[1])
    out = np.zeros((end[1] - start[1], end[0] - start[0], 3), dtype=pixels.dtype)
    out[top - start[1] : bottom - start[1], left - start[0] : right - start[0]] = pixels[top:bottom, left:right]
    return out


def _as_bytes(pixels: NDArray[np.uint8] | NDArray[np.uint16], *, linear: bool) -> NDArray[np.uint8]:
    """Pixels as a screen shows them, 8 bits."""
    if pixels.dtype == np.uint8 and not linear:
        return np.asarray(pixels, dtype=np.uint8)
    light = pixels.astype(np.float32) / float(np.iinfo(pixels.dtype).max)
    if linear:
        # Only for looking at: a power close to that of IEC 61966-2-1 as a whole.
        light = np.clip(light / max(float(np.quantile(light, 0.995)), 1e-6), 0, 1) ** (1 / 2.2)
    return np.asarray(np.rint(255 * light), dtype=np.uint8)


def _arrow_magnification(grid: tuple[GridNode, ...], view: _View, picture: Box) -> int:
    """The largest handy factor at which arrows reach little past the next node, and none out of the photograph."""
    errors = [(node, v) for node in grid for v in (node.red_minus_green_mm, node.blue_minus_green_mm) if v is not None]
    if not errors:
        return 1
    pitch_mm = abs(grid[1].x_mm - grid[0].x_mm) if len(grid) > 1 else 40.0

    def stays_inside(magnified: int) -> bool:
        ends = [view.to_drawing(*node.moved_px(magnified * x, magnified * y)) for node, (x, y) in errors]
        return all(picture.left_px < x < picture.right_px and picture.top_px < y < picture.bottom_px for x, y in ends)

    largest = magnification(max(math.hypot(*v) for _, v in errors), 1.3 * pitch_mm)
    return max((step for step in STEPS if step <= largest and stays_inside(step)), default=1)


def _key(answer: Measurement, grid: tuple[GridNode, ...], view: _View, magnified: int, top: float) -> Iterator[str]:
    """What the arrows are, how much they are magnified, and a millimetre as they draw it."""
    if not grid:
        return
    x, y = float(_MARGIN_PX), top + 12
    yield words(x, y + 4, f"Arrows x{magnified}", size=15, bold=True)
    yield red_arrow((x + 120, y), (x + 160, y))
    yield words(x + 170, y + 5, "R: red against green", ink=RED, size=14)
    yield blue_arrow((x + 330, y), (x + 370, y))
    yield words(x + 382, y + 5, "B: blue against green", ink=BLUE, size=14)
    node = grid[len(grid) // 2]
    here = view.to_drawing(node.photo_x_px, node.photo_y_px)
    there = view.to_drawing(*node.moved_px(1.0, 0.0))
    one_mm = math.dist(here, there)
    error_mm = next((e for e in (0.05, 0.1, 0.2, 0.5, 1.0, 2.0, 5.0) if e * one_mm * magnified >= 50), 5.0)
    yield from _bar(x + 560, y, error_mm * one_mm * magnified, f"{error_mm:g} mm of error as drawn")
    size_mm = next((e for e in (10, 20, 50, 100) if e * one_mm >= 60), 100)
    yield from _bar(x + 560, y + 28, size_mm * one_mm, f"{size_mm} mm on the screen")
    told = {
        "tags": "Lens fringes taken off by the tags.",
        "two_shots": "Lens fringes taken off by two shots.",
        "not_separated": "Lens fringes not separated: they are in the ±.",
    }
    if isinstance(answer.convergence, Convergence):
        yield words(x, y + 33, told[answer.convergence.fringes], ink=QUIET)


def _bar(x: float, y: float, long: float, text: str) -> Iterator[str]:
    yield stroke(((x, y), (x + long, y)), TEXT, width=2)
    for end in (x, x + long):
        yield stroke(((end, y - 5), (end, y + 5)), TEXT, width=2)
    yield words(x + long + 10, y + 5, text)


def _beside(answer: Measurement, points: ConvergencePoints | None, bottom: float) -> Iterator[str]:
    left = 2.0 * _MARGIN_PX + _PHOTO_WIDTH_PX
    half = (bottom - 56 - 2 * _MARGIN_PX) / 2
    curl = Box(left_px=left, top_px=56, width_px=_BESIDE_PX, height_px=half)
    shape = Box(left_px=left, top_px=56 + half + _MARGIN_PX, width_px=_BESIDE_PX, height_px=half)
    if isinstance(answer.top_curl, TopCurl):
        yield from curl_panel(answer.top_curl, curl)
    else:
        yield words(left, 70, "Sideways bend of each line", ink=QUIET)
        yield from _wrapped(left, 96, f"Not known: {answer.top_curl.reason}")
    if isinstance(answer.geometry, Geometry) and points is not None and answer.raster is not None:
        yield from outline_panel(outline_of(points, answer.raster), shape)
        if _part_unknown(answer.geometry):
            told = "What a tilted camera or the bulge of the glass imitates may be in it."
            yield words(shape.left_px, shape.top_px + 34, told, ink=QUIET)
    else:
        why = answer.geometry.reason if isinstance(answer.geometry, Unsupported) else "no marks to draw it by"
        yield words(left, shape.top_px + 14, "Shape of the picture", ink=QUIET)
        yield from _wrapped(left, shape.top_px + 40, f"Not known: {why}")


def _part_unknown(shape: Geometry) -> bool:
    figures = [*shape.pincushion_pct.values(), shape.trapezoid_h_pct, shape.trapezoid_v_pct, shape.parallelogram_deg]
    return any(isinstance(figure, Unsupported) for figure in figures)


def _wrapped(x: float, y: float, text: str) -> Iterator[str]:
    import textwrap

    for n, line in enumerate(textwrap.wrap(text, 58)):
        yield words(x, y + 19 * n, line)


def _alt(answer: Measurement, magnified: int) -> str:
    """The drawing in words."""
    said_of = ["The photograph of the picture, with the errors of convergence drawn as arrows", summary(answer)]
    if isinstance(answer.convergence, Convergence):
        said_of[0] += f" {magnified} times as long as they are"
        for name, field in (
            ("Red", answer.convergence.red_minus_green),
            ("Blue", answer.convergence.blue_minus_green),
        ):
            if isinstance(field, Unsupported):
                said_of.append(f"{name}: not known, {field.reason}")
            else:
                zones = [f"{ZONE_WORDS[z]} {length(field[z]).value:.2f}" for z in ZONES if z in field]
                said_of.append(f"{name} away from green, mm by zone: {', '.join(zones)}")
    return " ".join(f"{part.rstrip('.')}." for part in said_of)
