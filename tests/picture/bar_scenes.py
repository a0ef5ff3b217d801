"""A small renderer of bars and marks, apart from the simulator: draws each line on its own, then photographs it.

The picture is built in raster coordinates, finely, one line at a time: the
line's dots, blurred along it, moved by what that line is to be displaced, and
laid down with a Gaussian across the lines. A homography with a little radial
distortion takes it to the photograph.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache

import cv2
import numpy as np
from numpy.polynomial.chebyshev import chebvander2d
from numpy.typing import NDArray
from scipy.ndimage import gaussian_filter1d

from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import draw_survey, survey_marks
from tubewright.picture.seen import Marks, Photo, RasterMap, Sighting

Floats = NDArray[np.float64]
FINE = 5
"""Samples to a raster pixel."""


def make_raster(width: int = 320, height: int = 240, *, field_hz: float = 60.0) -> Raster:
    """A progressive raster of a size, with blanking of about a tenth either way."""
    total = height + round(0.092 * height)
    h_total = round(width * 1.25)
    return Raster(
        name="test",
        width_px=width,
        height_px=height,
        pixel_clock_hz=field_hz * total * h_total,
        h_front_px=(h_total - width) // 3,
        h_sync_px=(h_total - width) // 3,
        h_back_px=h_total - width - 2 * ((h_total - width) // 3),
        v_front_lines=3,
        v_sync_lines=3,
        v_back_lines=total - height - 6,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """What to draw; lengths in raster pixels, blurs as standard deviations."""

    raster: Raster = field(default_factory=make_raster)
    shift: Callable[[Floats], Floats] | None = None  # of a line's number
    bow: Callable[[Floats, Floats], Floats] | None = None  # of -1..1 across, -1..1 down: geometry, smooth
    brightness: Callable[[Floats], Floats] | None = None  # of a line's number
    spot_x: float = 0.6
    spot_y: float = 0.4
    camera_px: float = 0.8
    converge: tuple[float, float] = (0.6, -0.4)  # red and blue against green
    leak: float = 0.12
    mask_depth: float = 0.0
    noise: float = 0.01
    hidden_lines: int = 0
    photo_size: tuple[int, int] = (1200, 900)
    tilt: float = 0.04
    roll_deg: float = 1.5
    radial: float = 0.01
    map_degree: int = 6
    exposure_s: float | None = None
    seed: int = 1


@cache
def photograph(scene: Scene) -> tuple[Photo, Sighting]:
    """The photograph of a scene and what a finder of marks would say of it."""
    raster = scene.raster
    w, h = raster.width_px, raster.height_px
    rng = np.random.default_rng(scene.seed)
    lines = np.arange(h, dtype=float)
    shift = np.zeros(h) if scene.shift is None else scene.shift(lines)
    gain = np.ones(h) if scene.brightness is None else scene.brightness(lines)
    gain = np.where(lines < scene.hidden_lines, 0.0, gain)

    pixels = draw_survey(raster).astype(float) / 255
    u = (np.arange(w * FINE) + 0.5) / FINE - 0.5
    v = (np.arange(h * FINE) + 0.5) / FINE - 0.5
    across = np.exp(-0.5 * ((v[:, None] - lines) / scene.spot_y) ** 2) / (scene.spot_y * np.sqrt(2 * np.pi))
    light = np.zeros((h * FINE, w * FINE, 3))
    offsets = (scene.converge[0], 0.0, scene.converge[1])
    for gun in range(3):
        dots = gaussian_filter1d(np.repeat(pixels[:, :, gun], FINE, axis=1), scene.spot_x * FINE, axis=1)
        moved = np.stack([np.interp(u - shift[j] - offsets[gun], u, dots[j]) for j in range(h)])
        light[..., gun] = across @ (moved * gain[:, None])
    if scene.mask_depth:
        stripes = 1 + scene.mask_depth * np.cos(2 * np.pi * (u[:, None] / 0.47 + np.arange(3) / 3))
        light *= stripes
    if scene.hidden_lines:
        light[v < scene.hidden_lines - 0.5] = 0

    # From the photograph to the raster: what the light at each of its pixels is.
    pw, ph = scene.photo_size
    gx, gy = np.meshgrid(np.arange(pw, dtype=float), np.arange(ph, dtype=float))
    rx, ry = _photo_to_raster(scene, gx, gy)
    if scene.bow is not None:
        s, t = (rx + 0.5) * 2 / w - 1, (ry + 0.5) * 2 / h - 1
        rx = rx - scene.bow(s, t)
    seen = cv2.remap(
        light.astype(np.float32),
        ((rx + 0.5) * FINE - 0.5).astype(np.float32),
        ((ry + 0.5) * FINE - 0.5).astype(np.float32),
        cv2.INTER_LINEAR,
    )
    seen = cv2.GaussianBlur(seen, (0, 0), scene.camera_px) + 0.003
    mixed = seen @ _leaks(scene).T.astype(np.float32) * 0.45
    grain = np.float32(scene.noise) * rng.standard_normal(mixed.shape, dtype=np.float32)
    noisy = mixed + grain * np.sqrt(np.maximum(mixed, 0) + np.float32(0.02))
    noisy = np.clip(noisy, 0, 1)
    coded = np.where(noisy <= 0.0031308, noisy * 12.92, 1.055 * noisy ** (1 / 2.4) - 0.055)
    photo = Photo(pixels=np.rint(coded * 255).astype(np.uint8), exposure_s=scene.exposure_s, name="scene")
    return photo, _sighting(scene, shift, offsets)


def place_in_photo(scene: Scene, x: Floats, y: Floats, shift: Floats | float = 0.0) -> tuple[Floats, Floats]:
    """Where a place of the raster is photographed: the drawing's map the other way round, by iteration."""
    raster = scene.raster
    if scene.bow is not None:
        want_x = x + shift
        for _ in range(20):
            want_x = (
                x + shift + scene.bow((want_x + 0.5) * 2 / raster.width_px - 1, (y + 0.5) * 2 / raster.height_px - 1)
            )
    else:
        want_x = x + shift
    px, py = _first_guess(scene, want_x, y)
    for _ in range(12):
        rx, ry = _photo_to_raster(scene, px, py)
        dx, dy = want_x - rx, y - ry
        scale = 0.8 * scene.photo_size[0] / raster.width_px
        scale_y = 0.8 * scene.photo_size[1] / raster.height_px
        px, py = px + dx * scale, py + dy * scale_y
    return px, py


def _first_guess(scene: Scene, x: Floats, y: Floats) -> tuple[Floats, Floats]:
    pw, ph = scene.photo_size
    raster = scene.raster
    return (
        pw / 2 + (x - raster.width_px / 2) * 0.8 * pw / raster.width_px,
        ph / 2 + (y - raster.height_px / 2) * 0.8 * ph / raster.height_px,
    )


def _photo_to_raster(scene: Scene, px: Floats, py: Floats) -> tuple[Floats, Floats]:
    pw, ph = scene.photo_size
    raster = scene.raster
    x, y = (px - pw / 2) / (0.4 * pw), (py - ph / 2) / (0.4 * ph)
    x, y = (a * (1 + scene.radial * (x**2 + y**2)) for a in (x, y))
    angle = np.deg2rad(scene.roll_deg)
    aspect = pw / ph
    x, y = x * np.cos(angle) + y * np.sin(angle) / aspect, y * np.cos(angle) - x * np.sin(angle) * aspect
    below = 1 + scene.tilt * x + 0.7 * scene.tilt * y
    x, y = x / below, y / below
    return (x + 1) * raster.width_px / 2 - 0.5, (y + 1) * raster.height_px / 2 - 0.5


def _leaks(scene: Scene) -> Floats:
    return (1 - 2 * scene.leak) * np.eye(3) + scene.leak * np.ones((3, 3))


def _sighting(scene: Scene, shift: Floats, offsets: tuple[float, float, float]) -> Sighting:
    raster = scene.raster
    lattice = survey_marks(raster)
    at_line = np.interp(lattice.y_px, np.arange(raster.height_px), shift)
    x, y = place_in_photo(scene, lattice.x_px, lattice.y_px, at_line + np.asarray(offsets)[lattice.gun])
    n = x.size
    per_px = 0.8 * scene.photo_size[0] / raster.width_px
    per_line = 0.8 * scene.photo_size[1] / raster.height_px
    marks = Marks(
        column=lattice.column,
        row=lattice.row,
        gun=lattice.gun.astype(np.int64),
        raster_x_px=lattice.x_px,
        raster_y_px=lattice.y_px,
        x_px=x,
        y_px=y,
        sd_px=np.full(n, 0.05),
        spread_x_px=np.full(n, np.hypot(scene.spot_x, scene.camera_px / per_px)),
        spread_y_px=np.full(n, np.hypot(scene.spot_y, scene.camera_px / per_line)),
        spread_sd_px=np.full(n, 0.03),
        light=np.full(n, 0.4),
    )
    maps = [_series(scene, marks, gun) for gun in range(3)]
    return Sighting(
        pattern="survey",
        raster=raster,
        rotated_deg=scene.roll_deg,
        mirrored=False,
        marks=marks,
        missing=0,
        maps=(maps[0], maps[1], maps[2]),
        sensor_to_gun=np.asarray(np.linalg.inv(_leaks(scene)), dtype=np.float64),
    )


def _series(scene: Scene, marks: Marks, gun: int) -> RasterMap:
    raster, order = scene.raster, scene.map_degree
    mine = marks.gun == gun
    s = (marks.raster_x_px[mine] + 0.5) * 2 / raster.width_px - 1
    t = (marks.raster_y_px[mine] + 0.5) * 2 / raster.height_px - 1
    basis = chebvander2d(s, t, [order, order])
    i, j = np.indices((order + 1, order + 1))
    keep = (i + j <= order).ravel()
    coefficients = []
    for target in (marks.x_px[mine], marks.y_px[mine]):
        full = np.zeros(keep.size)
        full[keep] = np.linalg.lstsq(basis[:, keep], target, rcond=None)[0]
        coefficients.append(full.reshape(order + 1, order + 1))
    return RasterMap(x_coefficients=coefficients[0], y_coefficients=coefficients[1], raster=raster)
