"""Scenes to photograph: a faultless one, and any number of random ones.

    >>> import numpy as np
    >>> scene = random_scene(np.random.default_rng(7), megapixels=2)
    >>> scene.display.pattern
    'survey'

The limits of the random ones stand in docs/simulator.md. All are estimates: what a
restorer's bench sees, from well set to plainly wrong, and what a careful or a
hasty hand does with a phone.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns import survey, tags
from tubewright.picture.patterns.raster import Raster
from tubewright.simulate.camera import Camera
from tubewright.simulate.display import (
    Burn,
    Curl,
    Display,
    GunTruth,
    Mask,
    Misconvergence,
    Ripple,
    Shape,
    Spot,
    Stain,
)
from tubewright.simulate.glass import Glare, Glass, Room, TagStrip
from tubewright.simulate.photograph import Scene

Orientation = Literal[1, 3, 6, 8]


def _raster(name: str, clock_hz: float, line: tuple[int, ...], field: tuple[int, ...], interlaced: bool) -> Raster:
    return Raster(
        name=name,
        width_px=line[0],
        height_px=field[0],
        pixel_clock_hz=clock_hz,
        h_front_px=line[1],
        h_sync_px=line[2],
        h_back_px=line[3],
        v_front_lines=field[1],
        v_sync_lines=field[2],
        v_back_lines=field[3],
        interlaced=interlaced,
    )


RASTERS: Final[Mapping[str, Raster]] = MappingProxyType(
    {
        # names and figures as in the trade's knowledge, table raster (a test compares them)
        raster.name: raster
        for raster in (
            _raster("arcade-15k-320x240", 6.052e6, (320, 8, 28, 29), (240, 3, 3, 16), False),
            _raster("arcade-15k-384x288-50", 7.192e6, (384, 9, 33, 35), (288, 4, 3, 17), False),
            _raster("arcade-15k-640x480i", 12.127e6, (640, 15, 55, 60), (480, 6, 6, 33), True),
            _raster("arcade-24k-512x384", 15.699e6, (512, 13, 48, 59), (384, 7, 3, 20), False),
            _raster("arcade-31k-640x480", 24.523e6, (640, 13, 74, 53), (480, 11, 3, 30), False),
        )
    }
)
EXPOSURES_S: Final = (1 / 30, 1 / 25, 1 / 20, 1 / 15, 1 / 10, 1 / 8, 1 / 4)
"""Exposures that phones take of a display in a dim room."""


def drive_of(pattern: str, raster: Raster) -> NDArray[np.uint8]:
    """What a pattern of the catalogue feeds a display, (height, width, 3): its first picture.

    Raises:
        InputError: There is no such pattern.
    """
    if pattern == "survey":
        return survey.draw_survey(raster)
    if pattern in {"survey_light", "survey-light"}:
        from tubewright.picture.patterns.survey_light import draw_survey_light

        return draw_survey_light(raster)
    from tubewright.picture.patterns.catalogue import find_pattern

    return find_pattern(pattern).frames(raster)[0]


def plain_scene(
    *,
    raster: Raster | None = None,
    drive: NDArray[np.uint8] | None = None,
    pattern: str = "survey",
    megapixels: float = 12.0,
    tags: bool = True,
) -> Scene:
    """A faultless display before a camera that stands straight in front of it.

    Args:
        raster: Its raster; the 31 kHz one unless given.
        drive: What it is fed, (height, width, 3); drawn from ``pattern`` unless given.
        pattern: A pattern's name.
        megapixels: Size of the photograph, 4 : 3.
        tags: Three strips of tags lie beside the picture.
    """
    raster = raster or RASTERS["arcade-31k-640x480"]
    drive = drive_of(pattern, raster) if drive is None else drive
    glass = Glass()
    room = Room(strips=strips_round(glass) if tags else ())
    scene = Scene(
        display=Display(raster=raster, drive=drive, pattern=pattern),
        glass=glass,
        room=room,
        camera=Camera(width_px=width_of(megapixels), height_px=width_of(megapixels) * 3 // 4),
    )
    return framed(scene, 0.93)


def width_of(megapixels: float) -> int:
    """Width of a photograph of 4 : 3, a multiple of eight."""
    return round(float(np.sqrt(megapixels * 1e6 * 4 / 3)) / 8) * 8


def strips_round(glass: Glass, rng: np.random.Generator | None = None, count: int = 3) -> tuple[TagStrip, ...]:
    """Tags below, above, to the right and to the left of the opening, not quite straight, as a hand lays them."""
    half_w, half_h = glass.opening_width_mm / 2, glass.opening_height_mm / 2
    laid = (
        TagStrip(strip=0, x_mm=-95.0, y_mm=half_h + 9.0, turned_deg=-0.6),
        TagStrip(strip=1, x_mm=-80.0, y_mm=-half_h - 42.0, turned_deg=0.8),
        TagStrip(strip=2, x_mm=half_w + 42.0, y_mm=-88.0, turned_deg=90.7),
        TagStrip(strip=3, x_mm=-half_w - 12.0, y_mm=-85.0, turned_deg=90.4),
    )[:count]
    if rng is None:
        return laid
    return tuple(
        replace(
            strip,
            x_mm=strip.x_mm + float(rng.uniform(-25, 25) if strip.strip < 2 else rng.uniform(-2, 2)),
            y_mm=strip.y_mm + float(rng.uniform(-2, 2) if strip.strip < 2 else rng.uniform(-25, 25)),
            turned_deg=strip.turned_deg + float(rng.normal(0, 0.8)),
        )
        for strip in laid
    )


def framed(scene: Scene, fill_ratio: float) -> Scene:
    """The scene with its camera aimed and moved so that opening and tags fill so much of the frame."""
    glass, camera = scene.glass, scene.camera
    half_w, half_h = glass.opening_width_mm / 2, glass.opening_height_mm / 2
    x = np.array([-half_w, 0, half_w, half_w, half_w, 0, -half_w, -half_w])
    y = np.array([-half_h, -half_h, -half_h, 0, half_h, half_h, half_h, 0])
    points = [np.stack([x, y, glass.surface_z(x, y)], axis=1)]
    sheet = np.array([[0, 0], [tags.STRIP_WIDTH_MM, 0], [tags.STRIP_WIDTH_MM, tags.STRIP_HEIGHT_MM]])
    sheet = np.vstack([sheet, [0, tags.STRIP_HEIGHT_MM]])
    points += [strip.in_space(sheet) for strip in scene.room.strips]
    places = np.concatenate(points)
    frame = np.array([camera.width_px, camera.height_px])
    for _ in range(20):
        seen = camera.drawn(places)
        low, high = seen.min(axis=0), seen.max(axis=0)
        mm_per_px = camera.distance_mm / camera.focal_px
        off = ((low + high) / 2 - (frame - 1) / 2) * mm_per_px
        axes = camera.axes
        aim = np.array(camera.aim_mm) + off[0] * axes[0][:2] + off[1] * axes[1][:2]
        size = float(((high - low) / frame).max())
        camera = replace(
            camera, aim_mm=(float(aim[0]), float(aim[1])), distance_mm=camera.distance_mm * size / fill_ratio
        )
    return replace(scene, camera=camera)


def random_scene(
    rng: np.random.Generator,
    *,
    pattern: str = "survey",
    raster: Raster | None = None,
    megapixels: float = 12.0,
    strips: int | None = None,
    faults: bool = True,
) -> Scene:
    """A display with faults of every kind before a hand-held phone.

    Args:
        rng: Draws everything; the same state gives the same scene.
        pattern: What it is fed.
        raster: Its raster; one of ``RASTERS`` unless given.
        megapixels: Size of the photograph.
        strips: How many strips of tags lie beside the picture, 0 to 4; two to four unless given.
        faults: Whether curl, hum, stains, burns and spent guns may be there.
    """
    names = list(RASTERS)
    drawn = RASTERS[names[int(rng.integers(len(names)))]]
    raster = raster or drawn
    display = _random_display(rng, raster, drive_of(pattern, raster), pattern, faults=faults)
    opening_mm = rng.uniform(4, 20)
    glass = Glass(
        radius_mm=float(np.exp(rng.uniform(np.log(600), np.log(2000)))),
        rim_mm=float(rng.uniform(222, 240)),
        opening_width_mm=display.width_mm + float(opening_mm),
        opening_height_mm=display.height_mm + float(opening_mm),
        opening_corner_mm=float(rng.uniform(3, 8)),
    )
    count = int(rng.integers(2, 5)) if strips is None else strips
    room = Room(
        paper_share=float(rng.uniform(0.2, 0.6)),
        colour_ratio=(float(rng.uniform(0.9, 1.25)), 1.0, float(rng.uniform(0.7, 1.05))),
        glass_ratio=float(rng.uniform(0.02, 0.08)),
        surround_ratio=float(rng.uniform(0.02, 0.15)),
        glares=_random_glares(rng),
        halation_share=float(rng.uniform(0, 0.05)),
        strips=strips_round(glass, rng, count),
    )
    scene = Scene(
        display=display,
        glass=glass,
        room=room,
        camera=_random_camera(rng, megapixels),
        seed=int(rng.integers(2**31)),
    )
    return framed(scene, float(rng.uniform(0.82, 0.95)))


def _random_display(
    rng: np.random.Generator, raster: Raster, drive: NDArray[np.uint8], pattern: str, *, faults: bool
) -> Display:
    def pair(sd_mm: float) -> tuple[float, float]:
        x, y = np.clip(rng.normal(0, sd_mm, 2), -2.5 * sd_mm, 2.5 * sd_mm)
        return float(x), float(y)

    def within(limit: float) -> float:
        return float(rng.uniform(-limit, limit))

    scale = raster.height_px / 240
    shape = Shape(
        **{f"pincushion_{edge}_pct": within(1.5) for edge in ("top", "bottom", "left", "right")},
        trapezoid_h_pct=within(1.5),
        trapezoid_v_pct=within(1.5),
        rotation_deg=within(1.0),
        parallelogram_deg=within(0.6),
        bow_vertical_axis_pct=within(0.5),
        bow_horizontal_axis_pct=within(0.5),
        linearity_h_tilt_pct=within(3.0),
        linearity_h_ends_pct=within(5.0),
        linearity_v_tilt_pct=within(3.0),
        linearity_v_ends_pct=within(5.0),
        shift_x_mm=within(2.0),
        shift_y_mm=within(2.0),
    )
    decay_lines = float(rng.uniform(5, 25)) * scale
    curl = Curl(
        amplitude_mm=float(rng.choice([-1, 1]) * rng.uniform(0.5, 5.0)),
        decay_lines=decay_lines,
        swing_lines=float(rng.choice([0.0, rng.uniform(3, 8) * decay_lines])),
    )
    ripple = Ripple(
        displacement_mm=float(rng.uniform(0.1, 1.0)),
        brightness_pct=float(rng.uniform(0, 8)),
        period_lines=raster.height_px * float(rng.uniform(0.5, 1.3)),
        phase_deg=within(180),
    )
    kinds: tuple[Literal["none", "dots", "slots", "stripes"], ...] = ("none", "dots", "slots", "stripes")
    kind = kinds[int(rng.choice(4, p=[0.1, 0.5, 0.3, 0.1]))]
    pitch_mm = float(rng.uniform(0.28, 0.75) if kind == "dots" else rng.uniform(0.5, 0.85))
    misconvergence = Misconvergence(
        four_pole_mm=pair(0.3),
        six_pole_mm=pair(0.2),
        crossed_mm=pair(0.2),
        size_mm=pair(0.15),
        both_size_mm=pair(0.15),
        parabola_mm=pair(0.15),
        both_parabola_mm=pair(0.15),
        corner_mm=pair(0.15),
    )
    spot = Spot(
        h_mm=float(rng.uniform(0.6, 1.3)),
        v_mm=float(rng.uniform(0.5, 1.0)),
        corner_growth_ratio=float(rng.uniform(0, 0.5)),
    )
    odds = rng.random(4)
    return Display(
        raster=raster,
        drive=drive,
        pattern=pattern,
        shape=shape,
        misconvergence=misconvergence,
        curl=curl if faults and odds[0] < 0.7 else Curl(),
        ripple=ripple if faults and odds[1] < 0.4 else Ripple(),
        spot=spot,
        video_blur_px=float(rng.uniform(0, 0.5)),
        guns=_random_guns(rng, faults=faults),
        mask=Mask(kind=kind, pitch_mm=pitch_mm, lit_share=float(rng.uniform(0.7, 0.95))),
        stains=_random_stains(rng) if faults and odds[2] < 0.3 else (),
        burn=_random_burn(rng) if faults and odds[3] < 0.4 else None,
    )


def _random_guns(rng: np.random.Generator, *, faults: bool) -> tuple[GunTruth, GunTruth, GunTruth]:
    guns = []
    for _ in range(3):
        spent = bool(rng.random() < 0.3) and faults
        guns.append(
            GunTruth(
                gamma_ratio=float(rng.uniform(2.2, 2.7)),
                black_drive_ratio=float(rng.uniform(-0.02, 0.08)),
                reserve_ratio=float(rng.uniform(0.8, 2.5) if spent else rng.uniform(3, 12)),
                strength_ratio=float(rng.uniform(0.7, 1.0)),
            )
        )
    return guns[0], guns[1], guns[2]


def _random_stains(rng: np.random.Generator) -> tuple[Stain, ...]:
    return tuple(
        Stain(
            x_mm=float(rng.uniform(-170, 170)),
            y_mm=float(rng.uniform(-130, 130)),
            radius_mm=float(rng.uniform(40, 90)),
            share=float(rng.choice([-1, 1]) * rng.uniform(0.05, 0.4)),
        )
        for _ in range(int(rng.integers(1, 3)))
    )


def _random_burn(rng: np.random.Generator) -> Burn:
    depth = float(rng.uniform(0.03, 0.25))
    red, green, blue = (float(depth * share) for share in rng.uniform(0.7, 1.0, 3))
    return Burn(shape_share=burnt_in(rng), depth_ratio=(red, green, blue))


def burnt_in(rng: np.random.Generator) -> NDArray[np.float32]:
    """What a still picture leaves: a line of figures at the top and a few boxes, soft at their edges, (276, 368)."""
    import cv2

    shape = np.zeros((276, 368), np.float32)
    top, left = int(rng.integers(8, 24)), int(rng.integers(20, 60))
    for figure in range(int(rng.integers(5, 9))):
        shape[top : top + 12, left + 12 * figure : left + 12 * figure + 8] = 1
    for _ in range(int(rng.integers(1, 4))):
        x, y = int(rng.integers(20, 280)), int(rng.integers(60, 220))
        w, h = int(rng.integers(20, 80)), int(rng.integers(10, 50))
        shape[y : y + h, x : x + w] = float(rng.uniform(0.5, 1.0))
    soft = np.asarray(cv2.GaussianBlur(shape, (0, 0), 1.5), dtype=np.float32)
    return np.asarray(soft / soft.max())


def _random_glares(rng: np.random.Generator) -> tuple[Glare, ...]:
    if rng.random() > 0.3:
        return ()
    return (
        Glare(
            x_mm=float(rng.uniform(-150, 150)),
            y_mm=float(rng.uniform(-110, 110)),
            radius_mm=float(rng.uniform(15, 50)),
            light_ratio=float(rng.uniform(0.02, 0.15)),
        ),
    )


def _random_camera(rng: np.random.Generator, megapixels: float) -> Camera:
    width = width_of(megapixels)
    per_px = width / 4000
    leak = rng.uniform(0.0, 0.14, 6)
    exposure_s = float(rng.choice(EXPOSURES_S))
    orientations: tuple[Orientation, ...] = (1, 1, 1, 3, 6, 8)
    moved = rng.normal(0, 0.4, 2) * per_px * (rng.random() < 0.5)
    return Camera(
        width_px=width,
        height_px=width * 3 // 4,
        focal_film_mm=float(rng.uniform(24, 28) if rng.random() < 0.7 else rng.uniform(46, 56)),
        up_deg=float(np.clip(rng.normal(0, 6), -14, 14)),
        right_deg=float(np.clip(rng.normal(0, 6), -14, 14)),
        roll_deg=float(rng.normal(0, 2)),
        off_axis_px=(float(rng.normal(0, 12) * per_px), float(rng.normal(0, 12) * per_px)),
        k1_ratio=float(rng.uniform(-0.04, 0.04)),
        k2_ratio=float(rng.uniform(-0.02, 0.02)),
        red_fringe_px=float(rng.uniform(-3, 3) * per_px),
        blue_fringe_px=float(rng.uniform(-3, 3) * per_px),
        blur_px=float(rng.uniform(0.65, 1.2)),
        motion_px=(float(moved[0]), float(moved[1])),
        vignetting_ratio=float(rng.uniform(0, 0.35)),
        channel_share=(
            (1.0 - float(leak[0]), float(leak[0] * 0.9), float(leak[0] * 0.1)),
            (float(leak[1]), 1.0 - float(leak[1] + leak[2]), float(leak[2])),
            (float(leak[3] * 0.2), float(leak[4]), 1.0 - float(leak[3] * 0.2 + leak[4])),
        ),
        white_level=float(rng.uniform(0.18, 0.4)),
        exposure_s=exposure_s,
        readout_s=float(rng.uniform(0.01, 0.033)),
        start_s=float(rng.uniform(0, 1 / 30)),
        full_electron_count=float(rng.uniform(2500, 12000)),
        read_electron_count=float(rng.uniform(1.5, 5)),
        mosaic="by_edges" if rng.random() < 0.7 else "plain",
        tone_ratio=float(rng.choice([0.0, rng.uniform(-0.1, 0.15)])),
        jpeg_quality=int(rng.integers(88, 98)),
        colour_halved=bool(rng.random() < 0.7),
        orientation=orientations[int(rng.integers(6))],
        iso_count=int(rng.choice([50, 100, 200, 400, 800])),
    )
