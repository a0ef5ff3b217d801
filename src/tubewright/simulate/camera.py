"""A phone's camera that never was: where it stands, how its lens draws, and what its sensor makes of the light."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from tubewright.simulate.display import Array

FILM_DIAGONAL_MM = 43.266615305567875
"""Diagonal of 36 x 24 mm film, which focal lengths "as on 35 mm" refer to (CIPA DCG-001 reckons by the diagonal)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """The camera: place, lens, sensor, file.

    Attributes:
        width_px: Of the photograph held upright.
        height_px: Its height.
        focal_film_mm: Focal length as on 36 x 24 mm film, by the diagonal.
        distance_mm: From the aim to the lens.
        aim_mm: Place in the plane of the surroundings that the axis of the lens goes through.
        up_deg: How far the camera stands above the normal of the plane (it looks down).
        right_deg: How far it stands to the right of it.
        roll_deg: Turned about its own axis, clockwise as the photographer sees it: the picture turns the other way.
        off_axis_px: Principal point from the middle of the photograph.
        k1_ratio: Radial distortion: a ray at tangent r is drawn at r (1 + k1 r^2 + k2 r^4).
        k2_ratio: The same.
        red_fringe_px: How far the red channel draws the photograph's corner further out than the green one.
        blue_fringe_px: The same of blue.
        blur_px: Standard deviation of lens and pixel together.
        motion_px: Way of the image over the sensor while the shutter was open.
        vignetting_ratio: Light lost in the corners.
        channel_share: Light of the red, green and blue phosphor in the camera's red, green and blue channel: rows are
            channels.
        white_level: What a fully lit white screen gives in the green channel, on average; 1 is the sensor's limit.
        exposure_s: Exposure of each row; ``None`` for light that doesn't flicker.
        readout_s: Time from the first row's start to the last row's.
        start_s: Start of the first row's exposure after a field's start.
        full_electron_count: Electrons at the sensor's limit; ``None`` for a sensor without noise.
        read_electron_count: Noise of reading, electrons.
        mosaic: How colours are made of a Bayer mosaic; ``none`` for a sensor with three layers.
        tone_ratio: How far the camera's tone curve bends from sRGB, 0 for not at all.
        jpeg_quality: 1..100.
        colour_halved: Colour is stored at half the resolution, as phones do.
        orientation: EXIF orientation with which the file is stored: 1, 3, 6 or 8.
        maker: For the file.
        model: For the file.
        iso_count: Sensitivity that the file tells.
    """

    width_px: int = 4000
    height_px: int = 3000
    focal_film_mm: float = 27.0
    distance_mm: float = 430.0
    aim_mm: tuple[float, float] = (0.0, 0.0)
    up_deg: float = 0.0
    right_deg: float = 0.0
    roll_deg: float = 0.0
    off_axis_px: tuple[float, float] = (0.0, 0.0)
    k1_ratio: float = 0.0
    k2_ratio: float = 0.0
    red_fringe_px: float = 0.0
    blue_fringe_px: float = 0.0
    blur_px: float = 0.8
    motion_px: tuple[float, float] = (0.0, 0.0)
    vignetting_ratio: float = 0.0
    channel_share: tuple[tuple[float, float, float], tuple[float, float, float], tuple[float, float, float]] = (
        (0.90, 0.09, 0.01),
        (0.06, 0.88, 0.06),
        (0.01, 0.10, 0.89),
    )
    white_level: float = 0.35
    exposure_s: float | None = None
    readout_s: float = 0.025
    start_s: float = 0.0
    full_electron_count: float | None = 6000.0
    read_electron_count: float = 3.0
    mosaic: Literal["none", "plain", "by_edges"] = "by_edges"
    tone_ratio: float = 0.0
    jpeg_quality: int = 93
    colour_halved: bool = False
    orientation: Literal[1, 3, 6, 8] = 1
    maker: str = "Saltmarrow Optical"
    model: str = "Lanternfish 12"
    iso_count: int = 200

    @property
    def half_diagonal_px(self) -> float:
        """From the middle of the photograph to its corner."""
        return float(np.hypot(self.width_px, self.height_px) / 2)

    @property
    def focal_px(self) -> float:
        """Focal length in pixels."""
        return self.focal_film_mm / FILM_DIAGONAL_MM * 2 * self.half_diagonal_px

    @property
    def centre_px(self) -> Array:
        """Where the axis of the lens meets the photograph, (2,)."""
        return np.array([(self.width_px - 1) / 2 + self.off_axis_px[0], (self.height_px - 1) / 2 + self.off_axis_px[1]])

    @property
    def axes(self) -> Array:
        """The camera's right, down and forward in space, rows of (3, 3)."""
        up, right, roll = np.radians([self.up_deg, self.right_deg, self.roll_deg])
        forward = np.array([-np.sin(right) * np.cos(up), np.sin(up), np.cos(right) * np.cos(up)])
        level = np.array([np.cos(right), 0.0, np.sin(right)])
        down = np.cross(forward, level)
        return np.stack(
            [level * np.cos(roll) + down * np.sin(roll), down * np.cos(roll) - level * np.sin(roll), forward]
        )

    @property
    def lens_mm(self) -> Array:
        """Where the lens is in space, (3,)."""
        return np.asarray(np.array([self.aim_mm[0], self.aim_mm[1], 0.0]) - self.distance_mm * self.axes[2])

    def magnified(self, channel: int) -> float:
        """How much larger a channel draws than the green one."""
        fringe = (self.red_fringe_px, 0.0, self.blue_fringe_px)[channel]
        return 1.0 + fringe / self.half_diagonal_px

    def drawn(self, space_mm: Array, channel: int = 1) -> Array:
        """Where a channel draws places in space, (..., 3): pixels, (..., 2)."""
        from_lens = (space_mm - self.lens_mm) @ self.axes.T
        flat = from_lens[..., :2] / from_lens[..., 2:]
        r2 = np.sum(flat**2, axis=-1, keepdims=True)
        bent = flat * (1 + self.k1_ratio * r2 + self.k2_ratio * r2**2)
        return np.asarray(self.centre_px + self.magnified(channel) * self.focal_px * bent)

    def rays(self, x_px: Array, y_px: Array) -> Array:
        """Directions in space of the rays that the green channel draws at pixels, (..., 3), not of unit length."""
        centre = self.centre_px
        bent = np.stack([(x_px - centre[0]) / self.focal_px, (y_px - centre[1]) / self.focal_px], axis=-1)
        drawn = np.sqrt(np.sum(bent**2, axis=-1))
        r = drawn.copy()
        for _ in range(30):
            value = r * (1 + self.k1_ratio * r**2 + self.k2_ratio * r**4) - drawn
            slope = 1 + 3 * self.k1_ratio * r**2 + 5 * self.k2_ratio * r**4
            step = value / slope
            r = r - step
            if np.abs(step).max() < 1e-13:
                break
        share = np.divide(r, drawn, out=np.ones_like(r), where=drawn > 0)
        flat = bent * share[..., None]
        axes = self.axes
        return np.asarray(flat[..., :1] * axes[0] + flat[..., 1:] * axes[1] + axes[2])
