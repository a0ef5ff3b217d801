"""The light that three beams draw on an unbent raster, on a fine grid."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tubewright.simulate.display import CELL_MM, FWHM_PER_SIGMA, Array, Display, Fine

_REACH_SIGMAS = 4.5
"""How far a spot is drawn from its middle; beyond are 7 millionths of its light."""
_VARIANCE_STEP = 0.25
"""Spots between two drawn ones are mixed from both; nearer than this in variance a mixture is as good as a Gaussian."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RasterLight:
    """Light over the raster, averaged over time; an evenly lit raster at full drive of a good gun gives 1.

    Attributes:
        fields: One (3, rows, columns) for each field of a frame: what its lines draw.
        cells_per_dot: Columns of the grid to a dot.
        cells_per_line: Rows of the grid to a line.
        margin_dots: Dots on the grid left and right of the active ones.
        margin_lines: Lines above and below.
    """

    fields: tuple[Fine, ...]
    cells_per_dot: int
    cells_per_line: int
    margin_dots: int
    margin_lines: int

    def grid_at(self, x_px: Fine, line: Fine) -> tuple[Fine, Fine]:
        """Column and row of the grid at a place of the raster."""
        return (
            (x_px + np.float32(0.5 + self.margin_dots)) * np.float32(self.cells_per_dot) - np.float32(0.5),
            (line + np.float32(0.5 + self.margin_lines)) * np.float32(self.cells_per_line) - np.float32(0.5),
        )


def draw_beams(display: Display, cell_mm: float = CELL_MM, blur_mm: float = 0.0) -> RasterLight:
    """The light of each gun over the raster: dots as boxes, lines where curl and mains put them, spots as Gaussians.

    The grid's cells are at most ``cell_mm`` wide and high, and a quarter of the spot; ``blur_mm`` is the standard
    deviation of a blur beyond the spot's.

    Nothing of the picture's shape, of the convergence or of the mask is in it yet.
    """
    raster = display.raster
    dot_mm, line_mm = display.width_mm / raster.width_px, display.height_mm / raster.height_px
    sigma_h = np.hypot(display.spot.h_mm / FWHM_PER_SIGMA / dot_mm, display.video_blur_px)
    sigma_v = display.spot.v_mm / FWHM_PER_SIGMA / line_mm
    finest_mm = min(cell_mm, display.spot.h_mm / 4, display.spot.v_mm / 4)
    per_dot, per_line = int(np.ceil(dot_mm / finest_mm)), int(np.ceil(line_mm / finest_mm))
    largest = 1 + display.spot.corner_growth_ratio
    lines = np.arange(raster.height_px, dtype=float)
    shift_dots = display.line_shift_mm(lines) / dot_mm
    margin_dots = (
        int(np.ceil(_REACH_SIGMAS * np.hypot(sigma_h * largest, blur_mm / dot_mm) + np.abs(shift_dots).max())) + 1
    )
    margin_lines = int(np.ceil(_REACH_SIGMAS * np.hypot(sigma_v * largest, blur_mm / line_mm))) + 1
    levels, growth = _levels(display, per_dot, per_line, margin_dots, margin_lines)
    brightness = 1 + display.ripple.brightness_pct / 200 * display.ripple.phase(lines)
    count = 2 if raster.interlaced else 1
    size = (raster.height_px + 2 * margin_lines, (raster.width_px + 2 * margin_dots) * per_dot)
    planes = np.zeros((count, 3, size[0] * per_line, size[1]), np.float32)
    drawn = np.zeros((count, 3, *size), np.float32)
    for gun in range(3):
        table = display.guns[gun].light(np.arange(256) / 255.0)
        light = table[display.drive[:, :, gun]] * brightness[:, None]
        for parity in range(count):
            own = slice(parity, None, count)
            drawn[parity, gun, margin_lines:-margin_lines][own] = _shifted(
                light[own], shift_dots[own], per_dot, margin_dots
            )
    for k, level in enumerate(levels):
        share = _share(growth, levels**2, k) if levels.size > 1 else None
        for parity in range(count):
            for gun in range(3):
                if drawn[parity, gun].any():
                    _add_spots(
                        planes[parity, gun],
                        drawn[parity, gun],
                        share,
                        float(np.hypot(sigma_h * level, blur_mm / dot_mm)),
                        float(np.hypot(sigma_v * level, blur_mm / line_mm)),
                        per_dot,
                        per_line,
                    )
    return RasterLight(
        fields=tuple(planes),
        cells_per_dot=per_dot,
        cells_per_line=per_line,
        margin_dots=margin_dots,
        margin_lines=margin_lines,
    )


def _levels(
    display: Display, per_dot: int, per_line: int, margin_dots: int, margin_lines: int
) -> tuple[Array, tuple[Array, Array]]:
    """Growths at which spots are drawn, and the two parts (of rows and columns) whose sum is growth - 1."""
    raster, ratio = display.raster, display.spot.corner_growth_ratio
    columns = np.arange((raster.width_px + 2 * margin_dots) * per_dot)
    rows = np.arange((raster.height_px + 2 * margin_lines) * per_line)
    u = np.clip(((columns + 0.5) / per_dot - margin_dots) * 2 / raster.width_px - 1, -1.05, 1.05)
    v = np.clip(((rows + 0.5) / per_line - margin_lines) * 2 / raster.height_px - 1, -1.05, 1.05)
    zero = np.zeros(1)
    parts = (display.spot.growth(zero, v) - 1, display.spot.growth(u, zero) - 1)
    lowest, highest = sorted(((1 + ratio * 1.1025) ** 2, 1.0))
    count = 1 if ratio == 0 else max(2, int(np.ceil((highest - lowest) / _VARIANCE_STEP)) + 1)
    return np.sqrt(np.linspace(lowest, highest, count)), parts


def _shifted(light: Array, shift_dots: Array, per_dot: int, margin_dots: int) -> Array:
    """Mean light in each cell along each line, the line displaced: exact for dots that are boxes."""
    height, width = light.shape
    edges = np.arange((width + 2 * margin_dots) * per_dot + 1) / per_dot - margin_dots
    sums = np.concatenate([np.zeros((height, 1)), np.cumsum(light, axis=1)], axis=1)
    dots = np.arange(width + 1, dtype=float)
    drawn = np.empty((height, edges.size - 1))
    for n in range(height):
        drawn[n] = np.diff(np.interp(edges - shift_dots[n], dots, sums[n])) * per_dot
    return drawn


def _share(growth: tuple[Array, Array], knots: Array, k: int) -> Fine:
    """Share of level ``k`` in a mixture of neighbouring levels that has the wanted variance, by row and column."""
    variance = (1 + growth[0][:, None] + growth[1][None, :]).astype(np.float32) ** 2
    step = np.float32(knots[1] - knots[0])
    return np.asarray(np.maximum(1 - np.abs(variance - np.float32(knots[k])) / step, 0), dtype=np.float32)


def _add_spots(
    total: Fine, drawn: Fine, share: Fine | None, sigma_h: float, sigma_v: float, per_dot: int, per_line: int
) -> None:
    """Add lines drawn with spots of one size, in their share; the grid's own width is taken off the spot's."""
    import cv2

    # Along a line a cell is a box, which is 1/12 wide by itself; across, a cell is what stands in its middle.
    along = np.sqrt((sigma_h * per_dot) ** 2 - 1 / 12)
    across = sigma_v
    reach = int(np.ceil(_REACH_SIGMAS * along)) * 2 + 1
    soft = cv2.GaussianBlur(drawn, (reach, 1), along, borderType=cv2.BORDER_CONSTANT)
    taps = int(np.ceil(_REACH_SIGMAS * across)) + 1
    offsets = np.arange(-taps, taps + 1)
    for phase in range(per_line):
        at = (phase + 0.5) / per_line - 0.5
        kernel = np.exp(-0.5 * ((at - offsets) / across) ** 2) / (across * np.sqrt(2 * np.pi))
        spread = cv2.sepFilter2D(
            soft, cv2.CV_32F, np.ones(1, np.float32), kernel[:, None].astype(np.float32), borderType=cv2.BORDER_CONSTANT
        )
        if share is not None:
            spread = spread * share[phase::per_line]
        total[phase::per_line] += spread


def read_between(plane: Fine, column: Fine, row: Fine) -> Fine:
    """A grid's values at places between its cells: straight lines, and the bend that they leave out.

    Straight lines alone would be wrong by up to an eighth of the second difference,
    and always alike where the pixels march in step with the cells: marks there
    would be displaced by some hundredths of a pixel.
    """
    import cv2

    top, bottom = max(int(row.min()) - 3, 0), min(int(row.max()) + 5, plane.shape[0])
    left, right = max(int(column.min()) - 3, 0), min(int(column.max()) + 5, plane.shape[1])
    part = plane[top:bottom, left:right]
    if part.size == 0 or not part.any():
        return np.zeros(column.shape, np.float32)
    bend = np.array([[1.0, -2.0, 1.0]], np.float32)
    stack = cv2.merge([part, cv2.filter2D(part, cv2.CV_32F, bend), cv2.filter2D(part, cv2.CV_32F, bend.T)])
    column, row = column - np.float32(left), row - np.float32(top)
    read = cv2.remap(stack, column, row, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT, borderValue=0)
    value = read[..., 0]
    for k, at in ((1, column), (2, row)):
        beyond = at - np.floor(at)
        beyond *= np.float32(0.5) - np.float32(0.5) * beyond
        value = value - beyond * read[..., k]
    return np.asarray(value, dtype=np.float32)
