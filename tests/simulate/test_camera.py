"""The simulated camera draws as OpenCV's does, its noise is that of photons, its shutter cuts fields as reckoned."""

from __future__ import annotations

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image, ImageOps

from tubewright.simulate.camera import Camera
from tubewright.simulate.lens import magnified
from tubewright.simulate.light import field_weights
from tubewright.simulate.sensor import develop, jpeg, tone_table

CAMERA = Camera(
    width_px=1600,
    height_px=1200,
    up_deg=7.0,
    right_deg=-11.0,
    roll_deg=4.0,
    aim_mm=(12.0, -5.0),
    off_axis_px=(6.0, -9.0),
    k1_ratio=-0.04,
    k2_ratio=0.02,
)


def places(count: int = 200) -> np.ndarray:
    rng = np.random.default_rng(1)
    return rng.uniform([-180, -140, -60], [180, 140, 20], (count, 3))


def test_it_draws_as_opencv_does() -> None:
    """Pinhole with radial distortion. Reference: cv2.projectPoints, whose frame is x right, y down, z forward."""
    axes, focal = CAMERA.axes, CAMERA.focal_px
    matrix = np.array([[focal, 0, CAMERA.centre_px[0]], [0, focal, CAMERA.centre_px[1]], [0, 0, 1]])
    turn, _ = cv2.Rodrigues(axes)
    expected, _ = cv2.projectPoints(
        places(), turn, -axes @ CAMERA.lens_mm, matrix, np.array([CAMERA.k1_ratio, CAMERA.k2_ratio, 0, 0])
    )
    np.testing.assert_allclose(CAMERA.drawn(places()), expected[:, 0], atol=1e-8)


def test_rays_pass_through_what_they_draw() -> None:
    space = places()
    px = CAMERA.drawn(space)
    ray = CAMERA.rays(px[:, 0], px[:, 1])
    to_place = space - CAMERA.lens_mm
    apart = np.linalg.norm(np.cross(ray, to_place), axis=1) / np.linalg.norm(ray, axis=1)
    assert apart.max() < 1e-9


def test_it_stands_where_its_angles_say() -> None:
    """Above and to the right of the picture, at its distance, looking at its aim, upright."""
    camera = Camera(up_deg=10.0, right_deg=20.0, distance_mm=500.0)
    x, y, z = camera.lens_mm
    assert x > 0 > y
    assert z < 0
    assert np.hypot(np.hypot(x, y), z) == pytest.approx(500.0)
    np.testing.assert_allclose(camera.drawn(np.zeros(3)), camera.centre_px)
    np.testing.assert_allclose(np.linalg.det(camera.axes), 1.0)
    rolled = replace(camera, roll_deg=30.0)
    right = rolled.drawn(np.array([10.0, 0.0, 0.0])) - rolled.centre_px
    assert right[1] < 0, "a camera turned clockwise sees the picture turned the other way"


def test_focal_length_is_told_by_the_diagonal() -> None:
    """On 36 x 24 mm, 24 mm see 84.06 degrees across the corners: 2 atan(21.633 / 24)."""
    camera = Camera(focal_film_mm=24.0)
    assert np.degrees(2 * np.arctan(camera.half_diagonal_px / camera.focal_px)) == pytest.approx(84.06, abs=0.01)


def test_the_red_channels_corner_lies_as_far_out_as_it_is_told() -> None:
    camera = Camera(width_px=1600, height_px=1200, red_fringe_px=3.0, blue_fringe_px=-2.0)
    corner = np.array([1599.5, 1199.5])
    ray = camera.rays(corner[:1], corner[1:])[0]
    space = camera.lens_mm + 500 * ray
    outwards = np.array([0.8, 0.6])
    np.testing.assert_allclose(camera.drawn(space, 0) - corner, 3.0 * outwards, atol=1e-9)
    np.testing.assert_allclose(camera.drawn(space, 2) - corner, -2.0 * outwards, atol=1e-9)


@pytest.mark.parametrize("factor", [1.003, 0.998])
def test_a_magnified_plane_keeps_its_light_and_moves_it_outwards(factor: float) -> None:
    y, x = np.indices((160, 240)).astype(float)
    centre = np.array([118.0, 83.0])
    for at in ((20.3, 30.8), (200.0, 140.0), (118.0, 83.0)):
        spot = np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * 0.9**2)).astype(np.float32)
        out = magnified(spot, factor, centre).astype(float)
        place = np.array([(out * x).sum(), (out * y).sum()]) / out.sum()
        np.testing.assert_allclose(place, centre + factor * (np.array(at) - centre), atol=2e-3)
        assert out.sum() == pytest.approx(spot.sum() * factor**2, rel=2e-3)


@pytest.mark.parametrize(
    ("exposure_s", "field_hz", "share", "step"),
    [
        # exposure x field rate: whole fields, and the share of the picture that gets one more; step 1 / (n + 1).
        # Worked from an impulse per field: 1/15 x 59.94 = 3.9960; 1/15 x 50 = 3.3333; 1/8 x 50 = 6.25; 1/30 x 59.94
        (1 / 15, 60 / 1.001, 0.9960, 1 / 4),
        (1 / 15, 50.0, 0.3333, 1 / 4),
        (1 / 8, 50.0, 0.25, 1 / 7),
        (1 / 30, 60 / 1.001, 0.9980, 1 / 2),
    ],
)
def test_an_exposure_cuts_fields(exposure_s: float, field_hz: float, share: float, step: float) -> None:
    weights = field_weights(exposure_s * field_hz, 1e-6)
    bright = weights.max()
    assert np.mean(weights > bright * (1 - step / 2)) == pytest.approx(share, abs=5e-4)
    assert 1 - weights.min() / bright == pytest.approx(step, abs=1e-3)
    assert weights.mean() == pytest.approx(1.0, abs=1e-3)


def test_whole_fields_leave_no_band() -> None:
    np.testing.assert_allclose(field_weights(2.0, 0.03), 1.0, atol=1e-6)


def test_afterglow_softens_a_band_but_keeps_its_light() -> None:
    sharp, soft = field_weights(1.5, 1e-6), field_weights(1.5, 0.1)
    assert soft.mean() == pytest.approx(sharp.mean(), abs=1e-3)
    assert np.abs(np.diff(soft)).max() < np.abs(np.diff(sharp)).max()


@pytest.mark.parametrize("level", [0.02, 0.2, 0.7])
def test_noise_is_that_of_photons_and_of_reading(level: float) -> None:
    """Variance of the light: level / full + (read / full)^2 (Poisson; Janesick, Photon Transfer, 2007)."""
    from tubewright.simulate.sensor import _read

    camera = Camera(full_electron_count=5000.0, read_electron_count=4.0)
    raw = _read(np.full((400, 500), level, np.float32), camera, np.random.default_rng(3)).astype(float)
    light = (raw - 3000) / 60000
    assert light.mean() == pytest.approx(level, abs=5e-5 + 3 * np.sqrt(level / 5000 / 200_000))
    assert light.var() == pytest.approx(level / 5000 + (4 / 5000) ** 2, rel=0.015)


def test_light_is_coded_as_the_standard_says() -> None:
    """IEC 61966-2-1: linear below 0.0031308 by 12.92; 0.5 codes as 0.735357, 0.18 as 0.461356, 0.214041 as 0.5."""
    table = tone_table(0.0)
    for light, code in ((0.0, 0.0), (0.002, 0.02584), (0.18, 0.461356), (0.214041, 0.5), (0.5, 0.735357), (1.0, 1.0)):
        assert abs(int(table[round(light * 60000) + 3000]) - code * 255) <= 0.51
    assert table[0] == 0
    assert table[65535] == 255
    assert not np.array_equal(tone_table(0.1), table)


@pytest.mark.parametrize("mosaic", ["none", "plain", "by_edges"])
def test_colours_survive_the_mosaic_in_place(mosaic: str) -> None:
    """Smooth spots of one colour each come out in their channel, their centre of light where it was."""
    camera = Camera(full_electron_count=None, mosaic=mosaic)  # type: ignore[arg-type]
    y, x = np.indices((80, 120)).astype(float)
    at = ((30.3, 40.2), (60.7, 33.6), (90.1, 45.9))
    light = np.stack([0.5 * np.exp(-((x - a) ** 2 + (y - b) ** 2) / 72) for a, b in at]).astype(np.float32)
    linear = np.searchsorted(tone_table(0.0)[3000:63001], np.arange(256)) / 60000
    picture = linear[develop(light, camera, np.random.default_rng(0))]
    for channel, (a, b) in enumerate(at):
        own = picture[..., channel]
        assert (own * x).sum() / own.sum() == pytest.approx(a, abs=0.15)
        assert (own * y).sum() / own.sum() == pytest.approx(b, abs=0.15)
        assert own.sum() > 20 * picture[int(b), int(a), [c for c in range(3) if c != channel]].sum()


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.parametrize("halved", [False, True])
def test_a_file_stands_upright_for_who_reads_its_tags(orientation: int, halved: bool) -> None:
    camera = Camera(
        orientation=orientation,  # type: ignore[arg-type]
        colour_halved=halved,
        exposure_s=1 / 15,
        focal_film_mm=26.0,
        iso_count=320,
    )
    picture = np.zeros((48, 64, 3), np.uint8)
    picture[:16, :16] = (250, 10, 10)
    picture[32:, :16] = (10, 250, 10)
    picture[:16, 48:] = (10, 10, 250)
    with Image.open(io.BytesIO(jpeg(picture, camera))) as file:
        tags = file.getexif()
        inner = tags.get_ifd(0x8769)
        upright = np.asarray(ImageOps.exif_transpose(file).convert("RGB")).astype(int)
        assert tags[0x0112] == orientation
        assert (tags[0x010F], tags[0x0110]) == ("Saltmarrow Optical", "Lanternfish 12")
        assert float(inner[0x829A]) == pytest.approx(1 / 15, rel=1e-4)
        assert inner[0xA405] == 26
        assert inner[0x8827] == 320
    assert upright.shape == picture.shape
    assert np.abs(upright - picture)[4:12, 4:12].max() < 12
    assert np.abs(upright - picture).mean() < 6
