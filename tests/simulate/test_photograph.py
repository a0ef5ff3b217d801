"""Photographs agree with their truth, by plain moments of the light itself."""

from __future__ import annotations

import json
from dataclasses import replace
from typing import Any, Literal

import cv2
import numpy as np
import pytest
from scipy.special import erf

from tubewright.picture.patterns.survey import LatticeMarks, draw_marks, survey_marks
from tubewright.simulate import light as drawing
from tubewright.simulate.display import (
    FWHM_PER_SIGMA,
    Burn,
    Curl,
    Display,
    Mask,
    Misconvergence,
    Shape,
    Spot,
    Stain,
)
from tubewright.simulate.glass import TEXTURE_PER_MM, Room, TagStrip, draw_strip
from tubewright.simulate.light import sensor_light
from tubewright.simulate.photo_truth import photo_place, truth_of
from tubewright.simulate.photograph import Scene, take
from tubewright.simulate.scenes import RASTERS, framed, plain_scene, random_scene
from tubewright.simulate.teaching import LESSONS

RASTER = RASTERS["arcade-15k-320x240"]
PURE = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))
BENT = Shape(pincushion_top_pct=1.0, trapezoid_h_pct=1.2, rotation_deg=0.8, linearity_h_ends_pct=4.0)
APART = Misconvergence(four_pole_mm=(0.4, -0.3), crossed_mm=(0.3, 0.2), both_parabola_mm=(0.2, 0.1))
CHOSEN = ((1, 1), (29, 1), (16, 11), (1, 21), (29, 21), (8, 6), (22, 16))


def chosen() -> LatticeMarks:
    """A few marks far from each other."""
    marks = survey_marks(RASTER)
    own = [int(np.nonzero((marks.column == c) & (marks.row == r))[0][0]) for c, r in CHOSEN]
    return LatticeMarks(**{name: getattr(marks, name)[own] for name in LatticeMarks.__slots__})


def drive_of_marks(guns: tuple[int, ...]) -> np.ndarray:
    drive = np.zeros((240, 320, 3), np.uint8)
    marks = chosen()
    for gun in guns:
        draw_marks(drive, replace(marks, gun=np.full_like(marks.gun, gun)))
    return drive


def dark_scene(drive: np.ndarray, *, megapixels: float = 3.0, camera: dict[str, Any], **display: Any) -> Scene:  # noqa: ANN401 - fields of Display
    """Only the picture's own light, through a camera whose channels see one phosphor each."""
    scene = plain_scene(raster=RASTER, drive=drive, megapixels=megapixels, tags=False)
    return framed(
        replace(
            scene,
            display=replace(
                scene.display, **{"mask": Mask(kind="none"), "spot": Spot(corner_growth_ratio=0.0), **display}
            ),
            room=Room(paper_share=0.0, surround_ratio=0.0),
            camera=replace(scene.camera, channel_share=PURE, **camera),
        ),
        0.93,
    )


def moments(plane: np.ndarray, near: np.ndarray, reach: int) -> np.ndarray:
    """Centre of light of a window, (2,)."""
    left, top = (round(float(c)) - reach for c in near)
    part = plane[max(top, 0) : top + 2 * reach + 1, max(left, 0) : left + 2 * reach + 1].astype(float)
    y, x = np.indices(part.shape)
    return np.array([(part * x).sum() / part.sum() + max(left, 0), (part * y).sum() / part.sum() + max(top, 0)])


def expected_centre(scene: Scene, gun: int, mark: int) -> np.ndarray:
    """Centre of light of one mark, added up over its lines and dots on the picture by the forward way alone.

    Every bit of the picture counts by its light and by the area of its image.
    """
    display, marks = scene.display, chosen()
    dot_mm, line_mm = display.width_mm / 320, display.height_mm / 240
    sigma_x, sigma_y = display.spot.h_mm / FWHM_PER_SIGMA / dot_mm, display.spot.v_mm / FWHM_PER_SIGMA / line_mm
    half = marks.width_px[mark] / 2
    dx = np.linspace(-half - 4 * sigma_x, half + 4 * sigma_x, 81)
    dy = np.linspace(-4 * sigma_y, 4 * sigma_y, 21)
    across = erf((dx + half) / sigma_x / 2**0.5) - erf((dx - half) / sigma_x / 2**0.5)
    light = across[None, :] * np.exp(-0.5 * (dy[:, None] / sigma_y) ** 2)

    def photo(x: np.ndarray, y: np.ndarray, shift_mm: float) -> np.ndarray:
        u = (x + 0.5) / 160 - 1 + shift_mm * 2 / display.width_mm
        return photo_place(scene, np.stack(display.landing(gun, u, (y + 0.5) / 120 - 1), axis=-1), gun)

    total, weight = np.zeros(2), 0.0
    lines = marks.y_px[mark] + np.arange(marks.height_px[mark]) - (marks.height_px[mark] - 1) / 2
    for line in lines:
        shift = float(display.curl.at(np.array(line)))
        x, y = np.broadcast_arrays(marks.x_px[mark] + dx[None, :], line + dy[:, None])
        px = photo(x, y, shift)
        along, down = photo(x + 0.01, y, shift) - px, photo(x, y + 0.01, shift) - px
        area = np.abs(along[..., 0] * down[..., 1] - along[..., 1] * down[..., 0])
        total += (px * (light * area)[..., None]).sum(axis=(0, 1))
        weight += float((light * area).sum())
    return total / weight


def test_marks_lie_where_the_truth_says() -> None:
    """Tilted, bent, curled, apart, distorted, fringed: the rays' picture against the forward reckoning, all guns."""
    scene = dark_scene(
        drive_of_marks((0, 1, 2)),
        camera={"up_deg": 6.0, "right_deg": -8.0, "roll_deg": 2.0, "k1_ratio": -0.03, "red_fringe_px": 2.0}
        | {"blue_fringe_px": -1.5, "off_axis_px": (5.0, -4.0)},
        shape=BENT,
        misconvergence=APART,
        curl=Curl(amplitude_mm=2.0, decay_lines=15.0),
    )
    light = sensor_light(scene)
    truth = truth_of(scene).marks
    for gun in range(3):
        for i, (column, row) in enumerate(CHOSEN):
            expected = expected_centre(scene, gun, i)
            found = moments(light[gun], expected, 40)
            np.testing.assert_allclose(found, expected, atol=0.003)
            at = int(np.nonzero((truth.column == column) & (truth.row == row))[0][0])
            if truth.gun[at] == gun:
                # The image of the middle against the centre of light: what tilt and glass make of them.
                np.testing.assert_allclose(found, truth.photo_px[at], atol=0.06)


def test_convergence_is_what_lies_between_the_guns() -> None:
    """Straight in front, flat as can be: the guns' centres of light apart, in mm."""
    scene = dark_scene(drive_of_marks((0, 1, 2)), camera={"focal_film_mm": 400.0}, misconvergence=APART)
    scene = replace(scene, glass=replace(scene.glass, radius_mm=1e6))
    scene = framed(scene, 0.9)
    light = sensor_light(scene)
    truth = truth_of(scene).marks
    mm_per_px = scene.camera.distance_mm / scene.camera.focal_px
    for i, (column, row) in enumerate(CHOSEN):
        at = int(np.nonzero((truth.column == column) & (truth.row == row))[0][0])
        red, green, blue = (moments(light[gun], expected_centre(scene, gun, i), 40) for gun in range(3))
        np.testing.assert_allclose((red - green) * mm_per_px, truth.red_minus_green_mm[at], atol=0.002)
        np.testing.assert_allclose((blue - green) * mm_per_px, truth.blue_minus_green_mm[at], atol=0.002)


def test_a_bar_shows_the_curl_line_by_line() -> None:
    drive = np.zeros((240, 320, 3), np.uint8)
    drive[:, 158:162, 1] = 255
    curl = Curl(amplitude_mm=3.0, decay_lines=14.0, swing_lines=70.0)
    scene = dark_scene(drive, camera={"focal_film_mm": 400.0}, curl=curl, spot=Spot(v_mm=0.55, corner_growth_ratio=0.0))
    scene = framed(replace(scene, glass=replace(scene.glass, radius_mm=1e6)), 0.9)
    light = sensor_light(scene)[1].astype(float)
    truth = truth_of(scene)
    mm_per_px = scene.camera.distance_mm / scene.camera.focal_px
    columns = np.arange(light.shape[1])
    for line in (0, 5, 14, 30, 60, 120):
        place = photo_place(scene, np.array([0.0, (line - 119.5) * 1.15]), 1)
        row = light[round(float(place[1]))]
        centre = ((row * columns).sum() / row.sum() - scene.camera.centre_px[0]) * mm_per_px
        assert centre == pytest.approx(truth.curl_mm[line], abs=0.05)
    assert truth.curl["amplitude_mm"] == pytest.approx(3.0)
    assert truth.curl["overshoot_ratio"] > 0.1


def test_a_lens_draws_red_and_blue_apart_towards_the_corners() -> None:
    camera = {"red_fringe_px": 3.0, "blue_fringe_px": -2.0, "k1_ratio": 0.0}
    scene = dark_scene(drive_of_marks((0, 1, 2)), camera=camera)
    light = sensor_light(scene)
    centre, corner = scene.camera.centre_px, scene.camera.half_diagonal_px
    for i in range(len(CHOSEN)):
        red, green, blue = (moments(light[gun], expected_centre(scene, gun, i), 40) for gun in range(3))
        np.testing.assert_allclose(red - green, 3.0 / corner * (green - centre), atol=0.006)
        np.testing.assert_allclose(blue - green, -2.0 / corner * (green - centre), atol=0.006)


def test_tags_are_read_where_the_truth_says() -> None:
    """Reference: OpenCV's own reader of the tags."""
    scene = plain_scene(raster=RASTER, drive=np.zeros((240, 320, 3), np.uint8), megapixels=3.0)
    scene = replace(scene, camera=replace(scene.camera, up_deg=8.0, right_deg=5.0, white_level=1.5, k1_ratio=0.02))
    scene = framed(replace(scene, room=replace(scene.room, strips=(TagStrip(strip=3, x_mm=-90.0, y_mm=160.0),))), 0.9)
    grey = np.clip(sensor_light(scene)[1] * 400, 0, 255).astype(np.uint8)
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    family = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_APRILTAG_36h11)
    corners, numbers, _ = cv2.aruco.ArucoDetector(family, settings).detectMarkers(grey)
    found = {int(n): c[0] for n, c in zip(numbers.ravel(), corners, strict=True)}
    truth = truth_of(scene).tags
    assert sorted(found) == [tag["number"] for tag in truth] == list(range(18, 24))
    # Its corners lie a fifth of a pixel too far in, on all sides alike, so a tag's middle is what it reads well.
    middles = np.array([found[tag["number"]].mean(axis=0) - tag["corners_px"].mean(axis=0) for tag in truth])
    assert np.abs(middles).max() < 0.1
    assert np.abs(middles.mean(axis=0)).max() < 0.04


def test_a_strip_lies_where_it_is_laid() -> None:
    """Centre of light of a strip on black: the rays' picture against its own cells, drawn forward one by one."""
    strip = TagStrip(strip=1, x_mm=-90.0, y_mm=150.0, turned_deg=3.0, z_mm=-4.0)
    room = Room(surround_ratio=0.0, glass_ratio=0.0, strips=(strip,))
    scene = replace(plain_scene(raster=RASTER, drive=np.zeros((240, 320, 3), np.uint8), megapixels=2.0), room=room)
    camera = replace(scene.camera, up_deg=8.0, right_deg=5.0, k1_ratio=0.02, blue_fringe_px=2.0)
    scene = framed(replace(scene, camera=camera), 0.9)
    drawn = draw_strip(1, room.ink_ratio).astype(float)
    y, x = (np.indices(drawn.shape) + 0.5) / TEXTURE_PER_MM
    light = sensor_light(scene)
    for channel in range(3):
        centre, along, down = (
            scene.camera.drawn(strip.in_space(np.stack([x + dx, y + dy], axis=-1)), channel)
            for dx, dy in ((0.0, 0.0), (0.01, 0.0), (0.0, 0.01))
        )
        a, b = along - centre, down - centre
        weight = drawn * np.abs(a[..., 0] * b[..., 1] - a[..., 1] * b[..., 0])
        expected = (centre * weight[..., None]).sum(axis=(0, 1)) / weight.sum()
        plane = light[channel].astype(float)
        rows, columns = np.indices(plane.shape)
        found = np.array([(plane * columns).sum(), (plane * rows).sum()]) / plane.sum()
        np.testing.assert_allclose(found, expected, atol=0.005)


def test_a_rolling_shutter_leaves_the_band_it_must() -> None:
    """1/15 s at 49.92 fields: a share of 0.328 gets a fourth field, the rest is 25 % darker."""
    raster = RASTERS["arcade-15k-384x288-50"]
    drive = np.zeros((288, 384, 3), np.uint8)
    drive[..., 1] = 255
    scene = plain_scene(raster=raster, drive=drive, megapixels=0.5, tags=False)
    display = replace(scene.display, mask=Mask(kind="none"), spot=Spot(v_mm=1.6), decay_s=(1e-6, 1e-6, 1e-6))
    room = Room(paper_share=0.0)
    camera = replace(scene.camera, exposure_s=1 / 15, readout_s=0.0, focal_film_mm=200.0, channel_share=PURE)
    lit = framed(replace(scene, display=display, room=room, camera=camera), 0.95)
    steady = sensor_light(replace(lit, camera=replace(lit.camera, exposure_s=None)))[1]
    middle = slice(lit.camera.width_px // 2 - 5, lit.camera.width_px // 2 + 5)
    inner = steady[:, middle].mean(axis=1) > 0.9 * steady.max()
    weights = (sensor_light(lit)[1][:, middle].mean(axis=1) / np.maximum(steady[:, middle].mean(axis=1), 1e-6))[inner]
    fields = raster.field_hz / 15
    assert weights.max() == pytest.approx(4 / fields, rel=0.01)
    assert weights.min() == pytest.approx(3 / fields, rel=0.01)


@pytest.mark.parametrize("kind", ["dots", "slots", "stripes"])
def test_a_mask_takes_no_light_on_average_and_gives_each_gun_its_own_places(
    kind: Literal["dots", "slots", "stripes"],
) -> None:
    drive = np.zeros((240, 320, 3), np.uint8)
    drive[60:180, 80:240] = 255
    scene = dark_scene(drive, megapixels=2.0, camera={"blur_px": 0.5}, spot=Spot(v_mm=1.5, corner_growth_ratio=0.0))
    masked = replace(scene, display=replace(scene.display, mask=Mask(kind=kind, pitch_mm=1.6, lit_share=0.8)))
    plain, seen = sensor_light(scene), sensor_light(masked)
    inner = (slice(None), slice(500, 730), slice(600, 1000))
    np.testing.assert_allclose(seen[inner].mean(axis=(1, 2)), plain[inner].mean(axis=(1, 2)), rtol=0.02)
    assert seen[inner].std() > 5 * plain[inner].std()
    red, green = seen[0][inner[1:]].ravel(), seen[1][inner[1:]].ravel()
    assert np.corrcoef(red, green)[0, 1] < 0


@pytest.mark.parametrize(("kind", "pitch_mm"), [("dots", 1.0), ("slots", 1.2)])
def test_marks_behind_a_mask_do_not_hang_on_how_finely_it_is_sampled(
    kind: Literal["dots", "slots"], pitch_mm: float, monkeypatch: pytest.MonkeyPatch
) -> None:
    camera = {"up_deg": 5.0, "right_deg": -7.0}
    scene = dark_scene(drive_of_marks((1,)), megapixels=1.0, camera=camera, mask=Mask(kind=kind, pitch_mm=pitch_mm))
    coarse = sensor_light(scene)[1]
    monkeypatch.setattr(drawing, "SAMPLES_PER_PITCH", 8.0)
    fine = sensor_light(scene)[1]
    for i in range(len(CHOSEN)):
        at = expected_centre(scene, 1, i)
        np.testing.assert_allclose(moments(coarse, at, 22), moments(fine, at, 22), atol=0.03)
        np.testing.assert_allclose(moments(fine, at, 22), at, atol=0.12)


def test_a_stain_moves_light_to_the_next_phosphor_and_a_burn_takes_it_away() -> None:
    drive = np.zeros((240, 320, 3), np.uint8)
    drive[..., 0] = 255
    shape = np.zeros((60, 80), np.float32)
    shape[20:40, 50:70] = 1
    burn = Burn(shape_share=shape, depth_ratio=(0.2, 0.2, 0.2))
    stain = Stain(x_mm=-100.0, y_mm=0.0, radius_mm=25.0, share=0.3)
    scene = dark_scene(drive, megapixels=1.0, camera={}, spot=Spot(v_mm=1.6, corner_growth_ratio=0.0))
    faulty = replace(scene, display=replace(scene.display, stains=(stain,), burn=burn))
    plain, seen = sensor_light(scene), sensor_light(faulty)

    def around(x_mm: float, planes: np.ndarray) -> np.ndarray:
        x, y = (round(float(c)) for c in photo_place(scene, np.array([x_mm, 0.0]), 1))
        return np.asarray(planes[:, y - 4 : y + 5, x - 4 : x + 5].mean(axis=(1, 2)))

    np.testing.assert_allclose(around(-100.0, seen) / around(-100.0, plain)[0], [0.7, 0.3, 0.0], atol=0.01)
    np.testing.assert_allclose(around(92.0, seen)[0] / around(92.0, plain)[0], 0.8, atol=0.01)
    truth = truth_of(faulty)
    assert truth.wear["depth_ratio"] == pytest.approx([0.2, 0.2, 0.2])
    assert truth.wear["area_pct"] == pytest.approx(100 * 400 / 4800)
    assert abs(truth.purity["centre"]) < 0.01


def test_the_same_scene_gives_the_same_bytes_and_another_seed_others() -> None:
    one, same = (
        replace(scene, display=replace(scene.display, mask=Mask(kind="none"), spot=Spot(corner_growth_ratio=0.0)))
        for scene in (random_scene(np.random.default_rng(11), megapixels=0.4) for _ in range(2))
    )
    first = take(one)
    assert first.jpeg == take(same).jpeg
    assert first.jpeg != take(replace(one, seed=one.seed + 1)).jpeg
    assert json.dumps(first.truth.as_json()) == json.dumps(truth_of(same).as_json())


@pytest.mark.parametrize("pattern", ["survey", "survey_light"])
def test_the_truth_of_any_random_scene_is_plain_and_finite(pattern: str) -> None:
    for seed in range(8):
        scene = random_scene(np.random.default_rng(seed), pattern=pattern, megapixels=12.0)
        truth = truth_of(scene)
        body = truth.as_json()
        json.dumps(body, allow_nan=False)
        assert len(body["patches"]) == (96 if pattern == "survey_light" else 0)
        assert np.mean(truth.marks.whole) > 0.9
        assert all(tag["whole"] for tag in truth.tags)
        assert truth.worst_mm < 4.0
        assert 0 <= truth.camera["tilt_deg"] < 20


def test_every_lesson_shows_what_it_says() -> None:
    truths = {name: truth_of(lesson.scene(megapixels=12.0)) for name, lesson in LESSONS.items()}
    sound = truths["sound"]
    assert sound.worst_mm == 0
    assert sound.curl["amplitude_mm"] == 0
    assert truths["curl"].curl == {"amplitude_mm": pytest.approx(3.2), "settle_lines": 45.0, "overshoot_ratio": 0.0}
    assert truths["swinging-curl"].curl["amplitude_mm"] == pytest.approx(-2.4)
    assert truths["swinging-curl"].curl["overshoot_ratio"] > 0.1
    turned = truths["rings-turned"].convergence
    apart = np.subtract(turned["red_minus_green"]["at"]["centre"], turned["blue_minus_green"]["at"]["centre"])
    np.testing.assert_allclose(np.abs(apart), [0.7, 0.4])
    assert truths["yoke-tilted"].convergence["red_minus_green"]["at"]["centre"] == pytest.approx((0, 0))
    assert truths["out-of-shape"].geometry["rotation_deg"] == pytest.approx(1.0, abs=0.01)
    assert truths["out-of-shape"].geometry["pincushion_pct"]["right"] == pytest.approx(2.0, rel=0.12)
    assert truths["hum"].hum["displacement_mm"] == 1.2
    assert truths["soft"].spot["centre"]["h_mm"] == pytest.approx(1.9)
    assert truths["soft"].spot["top_left"]["h_mm"] == pytest.approx(3.8, rel=0.05)
    assert truths["spent-red"].laws["red"]["bends_at_ratio"] == pytest.approx(0.5, abs=0.02)
    assert truths["stained"].purity["bottom_left"] > 0.15
    assert max(truths["burnt-in"].wear["depth_ratio"]) == pytest.approx(0.18)
    assert truths["fringes"].worst_mm == 0
    assert not truths["no-tags"].tags
    assert np.hypot(*truths["hasty"].scene.camera.motion_px) == pytest.approx(14, abs=0.2)
    places = {lesson.place for lesson in LESSONS.values()}
    assert len(places) > 10


def test_the_picture_itself_is_what_the_display_is_fed() -> None:
    """Even a scene whose camera sees none of the picture is a photograph."""
    scene = plain_scene(megapixels=0.3, raster=RASTER)
    away = replace(scene, camera=replace(scene.camera, aim_mm=(4000.0, 0.0)))
    light = sensor_light(away)
    np.testing.assert_allclose(light[1], light[1, 0, 0], rtol=1e-5)
    assert isinstance(scene.display, Display)
