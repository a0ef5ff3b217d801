"""What was seen in a photograph, as it passes from one step of measuring to the next.

Places in a photograph are (x, y) in its own pixels after it was turned upright,
x to the right and y down, (0, 0) the middle of the first pixel. Places on a
raster are the same in raster pixels and lines.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """A decoded photograph, upright.

    Attributes:
        pixels: (height, width, 3), red, green, blue; 8 or 16 bits as the camera coded them.
        coding: How a pixel's number stands for light: ``srgb`` (IEC 61966-2-1) or ``linear``.
        exposure_s: Time during which each row gathered light, if the file says.
        focal_35mm: Focal length, as equivalent on 36 x 24 mm film (by the frame's diagonal), if the file says.
        zoomed_ratio: Digital zoom that the file tells of; 1 for none.
        camera: Maker and model as the file gives them, or "".
        iso: Sensitivity, if the file says.
        name: What to call it in messages.
        primaries: Whose red, green and blue the channels are: those of sRGB, of Display P3, of the camera's own
            sensor (raw files), or of another space.
        warnings: What a person should know of it, in sentences.
        turned_deg: By how much the sensor's picture was turned clockwise to stand upright: 0, 90, 180 or 270.
    """

    pixels: NDArray[np.uint8] | NDArray[np.uint16]
    coding: Literal["srgb", "linear"] = "srgb"
    exposure_s: float | None = None
    focal_35mm: float | None = None
    zoomed_ratio: float = 1.0
    camera: str = ""
    iso: float | None = None
    name: str = ""
    primaries: Literal["srgb", "display_p3", "camera", "other"] = "srgb"
    warnings: tuple[str, ...] = ()
    turned_deg: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Marks:
    """The marks of a survey as found in a photograph, one entry each.

    Attributes:
        column: Column of the survey's lattice, (n,).
        row: Row of the lattice, (n,).
        gun: 0 red, 1 green, 2 blue, (n,).
        raster_x_px: Where the mark was drawn on the raster, (n,).
        raster_y_px: The same downwards, (n,).
        x_px: Where it was found in the photograph, (n,).
        y_px: The same downwards, (n,).
        sd_px: Standard error of either, (n,).
        spread_x_px: Standard deviation of the blur along the line, in raster pixels: spot, video and camera
            together, what the mark's own width contributes taken off, (n,); NaN where it can't be told.
        spread_y_px: The same across the lines, (n,).
        spread_sd_px: Standard error of the two, (n,).
        light: Height of the mark over its surroundings in its gun's channel, linear, 1 = the channel's limit, (n,).
    """

    column: NDArray[np.int64]
    row: NDArray[np.int64]
    gun: NDArray[np.int64]
    raster_x_px: NDArray[np.float64]
    raster_y_px: NDArray[np.float64]
    x_px: NDArray[np.float64]
    y_px: NDArray[np.float64]
    sd_px: NDArray[np.float64]
    spread_x_px: NDArray[np.float64]
    spread_y_px: NDArray[np.float64]
    spread_sd_px: NDArray[np.float64]
    light: NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class RasterMap:
    """A smooth map from raster to photograph: two-dimensional Chebyshev series on the raster, one each for x and y.

    Attributes:
        x_coefficients: (order + 1, order + 1), as ``numpy.polynomial.chebyshev.chebval2d`` takes them.
        y_coefficients: The same for y.
        raster: The raster it is a map of; -1..1 spans its width and its height.
    """

    x_coefficients: NDArray[np.float64]
    y_coefficients: NDArray[np.float64]
    raster: Raster

    def __call__(
        self, raster_x_px: NDArray[np.float64], raster_y_px: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Places in the photograph of places on the raster, arrays of one shape."""
        from numpy.polynomial.chebyshev import chebval2d

        s = (np.asarray(raster_x_px) + 0.5) * (2 / self.raster.width_px) - 1
        t = (np.asarray(raster_y_px) + 0.5) * (2 / self.raster.height_px) - 1
        return np.asarray(chebval2d(s, t, self.x_coefficients)), np.asarray(chebval2d(s, t, self.y_coefficients))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Sighting:
    """A pattern found in a photograph.

    Attributes:
        pattern: ``survey`` or ``survey_light``.
        raster: The raster that it was drawn on, as its marks say.
        rotated_deg: How far the raster's own upright is turned in the photograph, clockwise positive, -180..180.
        mirrored: The picture is mirrored left to right (before the turning).
        marks: The marks that were found.
        missing: How many marks of the pattern were not found.
        maps: Raster to photograph for the red, the green and the blue gun; ``None`` for a gun that shows nothing.
        sensor_to_gun: Light of each gun per light in each camera channel, (3, 3), rows red, green, blue gun:
            what unmixes the leaks between the channels.
    """

    pattern: Literal["survey", "survey_light"]
    raster: Raster
    rotated_deg: float
    mirrored: bool
    marks: Marks
    missing: int
    maps: tuple[RasterMap | None, RasterMap | None, RasterMap | None]
    sensor_to_gun: NDArray[np.float64] = field(default_factory=lambda: np.eye(3))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TagViews:
    """The tags found in a photograph, one entry each.

    Attributes:
        number: The tag's number on the sheet, (n,).
        strip: The strip it is on, (n,).
        corners_mm: Corners on the strip, clockwise from the upper left, (n, 4, 2).
        corners_px: The same in the photograph, in its green channel, (n, 4, 2).
        corner_sd_px: Standard error of a corner, along either axis, (n,).
        red_minus_green_px: By how much the tag lies elsewhere in the red channel, (n, 2).
        blue_minus_green_px: The same in the blue channel, (n, 2).
        colour_sd_px: Standard error of the two, along either axis, (n, 2): red, blue.
        edge_spread_px: Standard deviation of the camera's blur, from the tag's edges, in pixels, (n,).
        edge_spread_sd_px: Its standard error, (n,).
        edge_spread_xy_px: The same blur told apart along the tag's own x and y, (n, 2): unequal where the camera
            or the strip moved; empty where it wasn't told apart.
        warnings: What a person should know of the tags, in sentences.
    """

    number: NDArray[np.int64]
    strip: NDArray[np.int64]
    corners_mm: NDArray[np.float64]
    corners_px: NDArray[np.float64]
    corner_sd_px: NDArray[np.float64]
    red_minus_green_px: NDArray[np.float64]
    blue_minus_green_px: NDArray[np.float64]
    colour_sd_px: NDArray[np.float64]
    edge_spread_px: NDArray[np.float64]
    edge_spread_sd_px: NDArray[np.float64]
    edge_spread_xy_px: NDArray[np.float64] = field(default_factory=lambda: np.empty((0, 2)))
    warnings: tuple[str, ...] = ()
