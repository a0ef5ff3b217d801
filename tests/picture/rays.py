"""Marks and tags as a camera would find them, made without any code of the estimator's.

The glass is a sphere met by lines parallel to its axis; the camera is OpenCV's
own ``projectPoints``. World: x right, y down, z away from the viewer, mm, tags at
z = 0.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import survey_marks
from tubewright.picture.patterns.tags import strip_tags
from tubewright.picture.seen import Marks, Sighting, TagViews
from tubewright.picture.start import View

Floats = NDArray[np.float64]
Field = Callable[[Floats, Floats], tuple[Floats, Floats]]

RASTER = Raster(
    name="320x240",
    width_px=320,
    height_px=240,
    pixel_clock_hz=6.25e6,
    h_front_px=8,
    h_sync_px=30,
    h_back_px=40,
    v_front_lines=3,
    v_sync_lines=3,
    v_back_lines=16,
)


def _nothing(u: Floats, v: Floats) -> tuple[Floats, Floats]:
    return np.zeros_like(u), np.zeros_like(v)


@dataclass(frozen=True, kw_only=True)
class Tube:
    """A display; ``warp`` and ``errors`` are functions of u, v (-1 to 1 as the viewer sees them), in mm."""

    width_mm: float = 368.0
    height_mm: float = 276.0
    radius_mm: float = 850.0
    apex_over_tags_mm: float = 30.0
    apex_mm: tuple[float, float] = (0.0, 0.0)
    warp: Field = _nothing
    red: Field = _nothing
    blue: Field = _nothing
    curl: Callable[[Floats], Floats] = np.zeros_like
    upright: Floats = field(default_factory=lambda: np.eye(2))
    strips: tuple[tuple[float, float, float], ...] = (
        (-90.0, -190.0, 0.0),
        (-90.0, 160.0, 0.0),
        (-215.0, 90.0, -90.0),
        (245.0, -90.0, 90.0),
    )

    def uv(self, raster_px: Floats) -> Floats:
        """-1 to 1 as the viewer sees it."""
        size = np.array([RASTER.width_px, RASTER.height_px])
        return np.asarray(((raster_px + 0.5) / size * 2 - 1) @ self.upright.T)

    def place(self, raster_px: Floats, gun: int, *, curled: bool = True) -> Floats:
        """Where a gun's picture is, mm, seen along the axis."""
        uv = self.uv(raster_px)
        u, v = uv.T
        at = np.column_stack([u * self.width_mm / 2, v * self.height_mm / 2])
        at = at + np.column_stack(self.warp(u, v))
        if gun != 1:
            at = at + np.column_stack((self.red if gun == 0 else self.blue)(u, v))
        if curled:
            at = at + self.curl(raster_px[:, 1])[:, None] * self.upright[:, 0]
        return at

    def on_glass(self, at_mm: Floats) -> Floats:
        """The place in space, by a line parallel to the axis meeting the sphere."""
        centre = np.array([*self.apex_mm, self.radius_mm - self.apex_over_tags_mm])
        out = np.sum((at_mm - centre[:2]) ** 2, axis=1)
        return np.column_stack([at_mm, centre[2] - np.sqrt(self.radius_mm**2 - out)])


@dataclass(frozen=True, kw_only=True)
class Eye:
    """A camera somewhere: turned by yaw (to its place right of the axis), pitch (above it) and roll (clockwise)."""

    size_px: tuple[int, int] = (4032, 3024)
    focal_35mm: float = 26.0
    focal_error: float = 0.0
    centre_off_px: tuple[float, float] = (0.0, 0.0)
    distortion: tuple[float, float] = (0.0, 0.0)
    far_mm: float = 600.0
    yaw_deg: float = 0.0
    pitch_deg: float = 0.0
    roll_deg: float = 0.0
    looks_at_mm: tuple[float, float] = (0.0, 0.0)
    lateral_px: tuple[float, float] = (0.0, 0.0)
    lateral_cubic_px: tuple[float, float] = (0.0, 0.0)

    @property
    def focal_px(self) -> float:
        """True focal length."""
        return self.focal_35mm / 43.266615 * float(np.hypot(*self.size_px)) * (1 + self.focal_error)

    def see(self, world_mm: Floats, channel: int = 1) -> Floats:
        """Where places in space show in a channel."""
        yaw, pitch, roll = np.radians([self.yaw_deg, self.pitch_deg, self.roll_deg])
        out = np.array([np.sin(yaw) * np.cos(pitch), -np.sin(pitch), -np.cos(yaw) * np.cos(pitch)])
        target = np.array([*self.looks_at_mm, -20.0])
        eye = target + self.far_mm * out
        ahead = -out
        right = np.cross([0.0, 1.0, 0.0], ahead)
        right /= np.linalg.norm(right)
        down = np.cross(ahead, right)
        # a camera rolled clockwise sees the world turned the other way
        axes = np.stack([np.cos(roll) * right + np.sin(roll) * down, np.cos(roll) * down - np.sin(roll) * right, ahead])
        middle = (np.array(self.size_px) - 1) / 2
        matrix = np.array(
            [
                [self.focal_px, 0, middle[0] + self.centre_off_px[0]],
                [0, self.focal_px, middle[1] + self.centre_off_px[1]],
                [0, 0, 1],
            ]
        )
        seen, _ = cv2.projectPoints(
            world_mm.reshape(-1, 1, 3).astype(np.float64),
            cv2.Rodrigues(axes)[0],
            (-axes @ eye).reshape(3, 1),
            matrix,
            np.array([*self.distortion, 0.0, 0.0]),
        )
        place = np.asarray(seen, dtype=np.float64).reshape(-1, 2)
        if channel == 1:
            return place
        index = 0 if channel == 0 else 1
        ray = (place - middle) / (0.5 * np.hypot(*self.size_px))
        r2 = np.sum(ray**2, axis=1, keepdims=True)
        return np.asarray(place + ray * (self.lateral_px[index] + self.lateral_cubic_px[index] * r2))


def view_of(
    tube: Tube,
    eye: Eye,
    rng: np.random.Generator | None,
    *,
    noise_px: float = 0.04,
    tag_noise_px: float = 0.05,
    tags: bool = True,
    strips: tuple[int, ...] = (0, 1, 2, 3),
    guns: tuple[int, ...] = (0, 1, 2),
    focal_known: bool = True,
    rotated_deg: float = 0.0,
    keep: Callable[[NDArray[np.int64], NDArray[np.int64]], NDArray[np.bool_]] | None = None,
) -> View:
    """What is found in a photograph; without a generator, free of noise."""

    def jitter(shape: tuple[int, ...], sd: float) -> Floats | float:
        return 0.0 if rng is None else rng.normal(0, sd, shape)

    lattice = survey_marks(RASTER)
    raster_px = np.column_stack([lattice.x_px, lattice.y_px])
    found = np.empty_like(raster_px)
    for gun in range(3):
        its = lattice.gun == gun
        found[its] = eye.see(tube.on_glass(tube.place(raster_px[its], gun)), gun)
    found = found + jitter(found.shape, noise_px)
    use = np.isin(lattice.gun, guns)
    use &= np.all((found > 0) & (found < np.array(eye.size_px)), axis=1)
    if keep is not None:
        use &= keep(lattice.column, lattice.row)
    count = int(use.sum())
    marks = Marks(
        column=lattice.column[use],
        row=lattice.row[use],
        gun=lattice.gun[use],
        raster_x_px=lattice.x_px[use],
        raster_y_px=lattice.y_px[use],
        x_px=found[use, 0],
        y_px=found[use, 1],
        sd_px=np.full(count, noise_px),
        spread_x_px=np.full(count, 0.5),
        spread_y_px=np.full(count, 0.5),
        spread_sd_px=np.full(count, 0.05),
        light=np.full(count, 0.5),
    )
    sighting = Sighting(
        pattern="survey",
        raster=RASTER,
        rotated_deg=rotated_deg,
        mirrored=bool(np.linalg.det(tube.upright) < 0),
        marks=marks,
        missing=len(lattice.gun) - count,
        maps=(None, None, None),
    )
    return View(
        size_px=eye.size_px,
        focal_35mm=eye.focal_35mm if focal_known else None,
        sighting=sighting,
        tags=_tags(tube, eye, jitter, tag_noise_px, strips) if tags else None,
    )


def _tags(
    tube: Tube,
    eye: Eye,
    jitter: Callable[[tuple[int, ...], float], Floats | float],
    noise_px: float,
    strips: tuple[int, ...],
) -> TagViews | None:
    number, strip, corners_mm, corners, red, blue = [], [], [], [], [], []
    for k in strips:
        x, y, turn = tube.strips[k]
        cosine, sine = np.cos(np.radians(turn)), np.sin(np.radians(turn))
        for tag in strip_tags(k):
            on_strip = np.array(tag.corners_mm)
            flat = on_strip @ np.array([[cosine, -sine], [sine, cosine]]).T + (x, y)
            world = np.column_stack([flat, np.zeros(4)])
            green = eye.see(world)
            if np.any(green < 0) or np.any(green > np.array(eye.size_px)):
                continue
            number.append(tag.number)
            strip.append(k)
            corners_mm.append(on_strip)
            corners.append(green + jitter((4, 2), noise_px))
            red.append(np.mean(eye.see(world, 0) - green, axis=0) + jitter((2,), noise_px))
            blue.append(np.mean(eye.see(world, 2) - green, axis=0) + jitter((2,), noise_px))
    count = len(number)
    if not count:
        return None
    return TagViews(
        number=np.array(number),
        strip=np.array(strip),
        corners_mm=np.array(corners_mm),
        corners_px=np.array(corners),
        corner_sd_px=np.full(count, noise_px),
        red_minus_green_px=np.array(red),
        blue_minus_green_px=np.array(blue),
        colour_sd_px=np.full((count, 2), noise_px),
        edge_spread_px=np.full(count, 1.0),
        edge_spread_sd_px=np.full(count, 0.05),
    )


def random_field(rng: np.random.Generator, sizes: tuple[float, ...]) -> Field:
    """A smooth field: for each total order, products of powers with coefficients of these sizes, mm."""
    terms = [
        (i, total - i, *rng.normal(0, size / np.sqrt(total + 1), 2))
        for total, size in enumerate(sizes)
        for i in range(total + 1)
    ]

    def at(u: Floats, v: Floats) -> tuple[Floats, Floats]:
        x = sum((a * u**i * v**j for i, j, a, _ in terms), np.zeros_like(u))
        y = sum((b * u**i * v**j for i, j, _, b in terms), np.zeros_like(u))
        return np.asarray(x), np.asarray(y)

    return at


def random_tube(rng: np.random.Generator) -> Tube:
    """A display out of adjustment, as one comes to the bench."""
    width = rng.uniform(340, 390)
    half = width / 2
    warp = random_field(rng, (0.0, 0.006 * half, 0.008 * half, 0.008 * half, 0.002 * half, 0.001 * half))
    radius = float(rng.uniform(650, 1200))
    return Tube(
        width_mm=width,
        height_mm=width * 0.75 * rng.uniform(0.96, 1.04),
        radius_mm=radius,
        apex_over_tags_mm=float(rng.uniform(0.8, 1.2) * 240**2 / (2 * radius)),
        apex_mm=(float(rng.normal(0, 2)), float(rng.normal(0, 2))),
        warp=warp,
        red=random_field(rng, (0.5, 0.4, 0.4, 0.2, 0.05)),
        blue=random_field(rng, (0.5, 0.4, 0.4, 0.2, 0.05)),
    )


def random_eye(rng: np.random.Generator, **changes: float) -> Eye:
    """A phone in a hand."""
    eye = Eye(
        focal_35mm=26.0,
        focal_error=float(rng.normal(0, 0.02)),
        centre_off_px=(float(rng.normal(0, 12)), float(rng.normal(0, 12))),
        distortion=(float(rng.normal(0, 0.02)), float(rng.normal(0, 0.01))),
        far_mm=float(rng.uniform(560, 700)),
        yaw_deg=float(rng.uniform(-12, 12)),
        pitch_deg=float(rng.uniform(-10, 10)),
        roll_deg=float(rng.uniform(-4, 4)),
        looks_at_mm=(float(rng.normal(0, 10)), float(rng.normal(0, 10))),
        lateral_px=(float(rng.normal(0, 2)), float(rng.normal(0, 2))),
        lateral_cubic_px=(float(rng.normal(0, 0.7)), float(rng.normal(0, 0.7))),
    )
    return replace(eye, **changes)  # type: ignore[arg-type]  # by name
