"""Photographs of the survey for light drawn from known truth, by a small renderer of the tests' own.

It shares nothing with the measuring but the pattern: laws of the guns, landing of
the beams, shading, flare, mask, noise and coding are written out here once more.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import cv2
import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patches import PatchLights
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey_light import draw_survey_light, light_marks, light_patches
from tubewright.picture.seen import Marks, Photo, RasterMap, Sighting

Floats = NDArray[np.float64]


def raster_of(width_px: int, height_px: int) -> Raster:
    """A progressive raster of a size; its timing is of no account here."""
    return Raster(
        name=f"{width_px}x{height_px}",
        width_px=width_px,
        height_px=height_px,
        pixel_clock_hz=6e6,
        h_front_px=8,
        h_sync_px=24,
        h_back_px=24,
        v_front_lines=3,
        v_sync_lines=3,
        v_back_lines=14,
    )


@dataclass(frozen=True, kw_only=True)
class Gun:
    """A gun: light = strength x (what is asked for, held back by what the cathode can supply)."""

    gamma: float = 2.4
    black: float = 0.05
    reserve: float = np.inf
    knee: float = 6.0
    strength: float = 1.0

    def light(self, drive: Floats) -> Floats:
        """Light at a drive of 0 to 1."""
        asked = np.clip((drive - self.black) / (1 - self.black), 0, None) ** self.gamma
        if not np.isfinite(self.reserve):
            return np.asarray(self.strength * asked)
        with np.errstate(divide="ignore"):
            held = (asked**-self.knee + self.reserve**-self.knee) ** (-1 / self.knee)
        return np.asarray(self.strength * np.where(asked > 0, held, 0.0))


CAMERA = np.array([[0.90, 0.14, 0.02], [0.06, 0.95, 0.10], [0.02, 0.09, 0.92]])
"""Light in each camera channel (rows) per light of each phosphor (columns)."""


@dataclass(frozen=True, kw_only=True)
class Scene:
    """What is photographed and with what.

    Functions of place take raster coordinates from -1 to 1, x to the right and y down.
    """

    raster: Raster = field(default_factory=lambda: raster_of(320, 240))
    guns: tuple[Gun, Gun, Gun] = (Gun(), Gun(), Gun())
    width_px: int = 1500
    height_px: int = 1150
    turned_deg: float = 2.0
    misconvergence_px: tuple[tuple[float, float], ...] = ((0.4, -0.3), (0.0, 0.0), (-0.5, 0.2))
    spot_px: float = 0.45
    exposure: float = 0.75
    camera: Floats = field(default_factory=lambda: CAMERA)
    ambient: float = 0.003
    flare: float = 0.02
    halo: float = 0.01
    mask: float = 0.4
    full_well: float = 8000.0
    read_noise: float = 0.0008
    coding: Literal["srgb", "linear"] = "srgb"
    tone: Callable[[Floats], Floats] | None = None
    screen: Callable[[Floats, Floats], Floats] | None = None
    lens: Callable[[Floats, Floats, int], Floats] | None = None
    landing: Callable[[Floats, Floats], Floats] | None = None
    """Share of each gun's beam (last axis) that lands on the next gun's phosphor."""
    picture: NDArray[np.uint8] | None = None
    seed: int = 1


def maps_of(scene: Scene) -> tuple[RasterMap, RasterMap, RasterMap]:
    """Raster to photograph: turned and shifted, no more."""
    one, two, three = (_map(scene, shift) for shift in scene.misconvergence_px)
    return one, two, three


def _affine(scene: Scene, shift: tuple[float, float]) -> Floats:
    """(2, 3): photograph from raster coordinates of -1 to 1."""
    turn = np.radians(scene.turned_deg)
    half_w, half_h = 0.46 * scene.width_px, 0.46 * scene.height_px
    matrix = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]]) @ np.diag([half_w, half_h])
    move = matrix @ (np.array(shift) * 2 / (scene.raster.width_px, scene.raster.height_px))
    middle = np.array([(scene.width_px - 1) / 2, (scene.height_px - 1) / 2]) + move
    return np.column_stack([matrix, middle])


def _map(scene: Scene, shift: tuple[float, float]) -> RasterMap:
    (a, b, e), (c, d, f) = _affine(scene, shift)
    return RasterMap(
        x_coefficients=np.array([[e, b], [a, 0.0]]), y_coefficients=np.array([[f, d], [c, 0.0]]), raster=scene.raster
    )


def sighting_of(scene: Scene, *, spread_px: float | None = None) -> Sighting:
    """The sighting that a perfect finder would give; the blur of the marks only if it is given."""
    known = light_marks(scene.raster)
    nothing = np.zeros(len(known.gun))
    spread = np.full(len(known.gun), np.nan if spread_px is None else spread_px)
    return Sighting(
        pattern="survey_light",
        raster=scene.raster,
        rotated_deg=scene.turned_deg,
        mirrored=False,
        marks=Marks(
            column=known.column,
            row=known.row,
            gun=known.gun,
            raster_x_px=known.x_px,
            raster_y_px=known.y_px,
            x_px=nothing,
            y_px=nothing,
            sd_px=nothing,
            spread_x_px=spread,
            spread_y_px=spread,
            spread_sd_px=nothing,
            light=nothing,
        ),
        missing=0,
        maps=maps_of(scene),
    )


def photograph(scene: Scene) -> Photo:
    """The scene as its camera takes it."""
    rng = np.random.default_rng(scene.seed)
    y, x = np.indices((scene.height_px, scene.width_px), dtype=np.float64)
    screen = np.zeros((scene.height_px, scene.width_px, 3))
    picture = draw_survey_light(scene.raster) if scene.picture is None else scene.picture
    for g, gun in enumerate(scene.guns):
        u, v, current = _beam(scene, picture[..., g], gun, scene.misconvergence_px[g], x, y)
        away = scene.landing(u, v)[..., g] if scene.landing else 0.0
        screen[..., g] += current * (1 - away)
        screen[..., (g + 1) % 3] += current * away
        if g == 1 and scene.screen:
            worn = scene.screen(u, v)
    if scene.screen:
        screen *= worn[..., None]
    if scene.mask:  # a slot mask seen askew: means 1
        screen *= (1 + scene.mask * np.cos(2 * np.pi * (x + 0.07 * y) / 4.37))[..., None]
    glow = cv2.GaussianBlur(cv2.resize(screen, None, fx=0.125, fy=0.125, interpolation=cv2.INTER_AREA), (0, 0), 4)
    screen = (1 - scene.halo) * screen + scene.halo * cv2.resize(glow, screen.shape[1::-1])
    light = scene.exposure * (screen @ scene.camera.T)
    light += scene.flare * light.mean(axis=(0, 1)) + scene.ambient * np.array([1.0, 0.9, 0.7])
    if scene.lens:
        s, t = (x / (scene.width_px - 1) * 2 - 1), (y / (scene.height_px - 1) * 2 - 1)
        light *= np.stack([scene.lens(s, t, c) for c in range(3)], axis=-1)
    light = light + rng.standard_normal(light.shape) * np.sqrt(light / scene.full_well + scene.read_noise**2)
    light = np.clip(light if scene.tone is None else scene.tone(np.clip(light, 0, None)), 0, 1)
    if scene.coding == "linear":
        return Photo(pixels=np.rint(light * 65535).astype(np.uint16), coding="linear")
    coded = np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1 / 2.4) - 0.055)  # IEC 61966-2-1
    return Photo(pixels=np.rint(255 * coded).astype(np.uint8))


def _beam(
    scene: Scene, drive: NDArray[np.uint8], gun: Gun, shift: tuple[float, float], x: Floats, y: Floats
) -> tuple[Floats, Floats, Floats]:
    """Raster coordinates (-1 to 1) of every pixel of the photograph, and the beam's light there."""
    times = 4
    current = gun.light(drive / 255.0).repeat(times, axis=0).repeat(times, axis=1).astype(np.float32)
    blurred = cv2.GaussianBlur(current, (0, 0), scene.spot_px * times, borderType=cv2.BORDER_CONSTANT)
    affine = _affine(scene, shift)
    back = np.linalg.inv(affine[:, :2])
    off = x - affine[0, 2], y - affine[1, 2]
    u = back[0, 0] * off[0] + back[0, 1] * off[1]
    v = back[1, 0] * off[0] + back[1, 1] * off[1]
    fine_x = ((u + 1) / 2 * scene.raster.width_px * times - 0.5).astype(np.float32)
    fine_y = ((v + 1) / 2 * scene.raster.height_px * times - 0.5).astype(np.float32)
    seen = cv2.remap(blurred, fine_x, fine_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_CONSTANT)
    return u, v, seen.astype(np.float64)


def lights_of(scene: Scene, *, uneven: float = 0.008, noise: float = 2e-4) -> PatchLights:
    """What reading the patches of a scene should give, without a photograph: quick, for laws over many scenes."""
    rng = np.random.default_rng(scene.seed)
    patches = light_patches(scene.raster)
    x = (patches.x_px + 0.5) / scene.raster.width_px * 2 - 1
    y = (patches.y_px + 0.5) / scene.raster.height_px * 2 - 1
    current = np.stack([gun.light(patches.drive[:, g] / 255) for g, gun in enumerate(scene.guns)], axis=1)
    glow = np.array([gun.light(np.zeros(1))[0] for gun in scene.guns])
    away = scene.landing(x, y) if scene.landing else np.zeros((len(x), 3))
    screen = current * (1 - away) + np.roll(current * away, 1, axis=1) - glow
    if scene.screen:
        screen *= scene.screen(x, y)[:, None]
    light = scene.exposure * screen @ scene.camera.T
    if scene.lens:
        light *= np.stack([scene.lens(x, y, c) for c in range(3)], axis=-1)
    # Mask and spot make a patch uneven in all its colours alike, and a little in each by itself.
    light *= 1 + uneven * (rng.standard_normal((len(x), 1)) + 0.2 * rng.standard_normal(light.shape))
    clipped = (light > 1).astype(float)
    if scene.tone is not None:
        light = scene.tone(np.clip(light, 0, None))
    light = np.minimum(light, 1) + noise * rng.standard_normal(light.shape)
    return PatchLights(
        patches=patches,
        raster=scene.raster,
        coding=scene.coding,
        seen=np.ones(len(x), dtype=bool),
        light_share=light,
        light_sd=np.full(light.shape, 0.3 * uneven) * np.abs(light) + noise / 2,
        background_share=np.full(light.shape, scene.ambient),
        background_sd=np.full(light.shape, noise),
        clipped_share=clipped,
        off_axis_ratio=np.hypot(x, y) / np.sqrt(2),
        floor_share=6e-4 if scene.coding == "srgb" else 2e-5,
    )
