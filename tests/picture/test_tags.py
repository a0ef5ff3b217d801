"""The printed tags are found, and their corners, colour fringes and blur measured as surely as is said."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from tag_scenes import Scene, laid, photographed, true_corners
from tubewright.errors import RefusedError
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.survey import draw_survey
from tubewright.picture.seen import Photo, TagViews
from tubewright.picture.tags import camera_motion, find_tags

Array = NDArray[np.float64]


def _scene(seed: int, *, scale: float = 3.0, strips: tuple[int, ...] = (0, 1, 2, 3), **how: object) -> Scene:
    rng = np.random.default_rng(seed)
    width, height = int(215 * scale), int(190 * scale * len(strips) / 4) + 20
    places = {
        strip: laid(
            width / 2 + rng.uniform(-4, 4),
            height * (row + 0.5) / len(strips) + rng.uniform(-4, 4),
            scale * rng.uniform(0.95, 1.0),
            rng.uniform(-4, 4),
            (0.5, -1.0),
        )
        for row, strip in enumerate(strips)
    }
    return Scene(strips=places, size=(height, width), seed=seed, **how)  # type: ignore[arg-type]  # fields of Scene


@cache
def _seen(seed: int, *, compressed: bool) -> tuple[Scene, NDArray[np.uint8], TagViews]:
    scene = _scene(seed, magnify=(0.002, -0.003), quality=92 if compressed else None)
    pixels = photographed(scene)
    views = find_tags(Photo(pixels=pixels))
    assert views is not None
    return scene, pixels, views


def _corner_errors(scene: Scene, views: TagViews) -> Array:
    return views.corners_px - np.stack([true_corners(scene, int(number)) for number in views.number])


def _colour_errors(scene: Scene, views: TagViews) -> Array:
    """(tags, red and blue, x and y)."""
    found = np.stack([views.red_minus_green_px, views.blue_minus_green_px], axis=1)
    true = [
        [(true_corners(scene, int(n), c) - true_corners(scene, int(n))).mean(axis=0) for c in (0, 2)]
        for n in views.number
    ]
    return np.asarray(found - np.array(true))


def _rms(errors: Array) -> float:
    return float(np.sqrt(np.mean(errors**2)))


@pytest.mark.parametrize("compressed", [False, True])
def test_corners_and_fringes_are_found_to_hundredths_of_a_pixel(compressed: bool) -> None:
    """Tags of 60 px, dim paper, behind a mosaic; lateral colour of 0.2 and 0.3 %; then as JPEG 4:2:0."""
    corners, fringes = [], []
    for seed in (1, 2):
        scene, _, views = _seen(seed, compressed=compressed)
        assert views.number.tolist() == list(range(24))
        corners.append(_corner_errors(scene, views))
        fringes.append(_colour_errors(scene, views))
    assert _rms(np.concatenate(corners)) < 0.08
    assert _rms(np.concatenate(fringes)) < 0.05


@pytest.mark.parametrize("compressed", [False, True])
def test_stated_errors_cover_the_true_ones(compressed: bool) -> None:
    corners, fringes = [], []
    for seed in (1, 2):
        scene, _, views = _seen(seed, compressed=compressed)
        corners.append(_corner_errors(scene, views) / views.corner_sd_px[:, None, None])
        fringes.append(_colour_errors(scene, views) / views.colour_sd_px[:, :, None])
    for ratios in (np.concatenate(corners), np.concatenate(fringes)):
        within = np.mean(np.abs(ratios) < 2)
        assert within > 0.88
        assert _rms(ratios) > 0.4  # nor are they so wide that anything is covered


def test_corners_are_at_least_as_good_as_those_of_a_reference_library() -> None:
    """Against OpenCV's cornerSubPix, started within half a pixel of the truth."""
    import cv2

    scene, pixels, views = _seen(1, compressed=True)
    truth = np.concatenate([true_corners(scene, int(number)) for number in views.number])
    start = truth + np.random.default_rng(3).uniform(-0.5, 0.5, truth.shape)
    grey = cv2.cvtColor(pixels, cv2.COLOR_RGB2GRAY)
    criteria = (cv2.TERM_CRITERIA_MAX_ITER + cv2.TERM_CRITERIA_EPS, 50, 1e-4)
    reference = min(
        _rms(
            cv2.cornerSubPix(grey, start.astype(np.float32)[:, None].copy(), (half, half), (-1, -1), criteria)[:, 0]
            - truth
        )
        for half in (2, 3, 4, 5)
    )
    assert _rms(_corner_errors(scene, views)) < reference


def test_the_camera_s_blur_is_told() -> None:
    scene = _scene(4, strips=(1,), mosaic=False, quality=None, blur_px=(1.2, 1.2, 1.2))
    views = find_tags(Photo(pixels=photographed(scene)))
    assert views is not None
    truth = np.sqrt(1.2**2 + 1 / 12)  # the lens's blur and the pixel's own width
    assert np.abs(views.edge_spread_px - truth).mean() < 0.04
    assert np.mean(np.abs(views.edge_spread_px - truth) < 2.5 * views.edge_spread_sd_px) > 0.6


def test_a_moving_camera_blurs_one_way_more_than_the_other() -> None:
    scene = _scene(5, scale=6, strips=(0,), motion_px=4, fine=3)
    views = find_tags(Photo(pixels=photographed(scene)))
    assert views is not None
    along, down = views.edge_spread_xy_px.mean(axis=0)
    assert along > 1.6 * down
    length, direction = camera_motion(views)
    assert length == pytest.approx(9, rel=0.2)  # the drawing moves by nine whole pixels
    assert min(direction, 180 - direction) < 15


@pytest.mark.parametrize(("scale", "least"), [(2.0, 6), (8.0, 6), (20.0, 1)])
def test_tags_of_forty_to_four_hundred_pixels_are_found(scale: float, least: int) -> None:
    if scale < 20:
        scene = _scene(6, scale=scale, strips=(2,), fine=3)
    else:
        scene = Scene(strips={2: laid(1500, 300, scale, 2)}, size=(620, 1000), fine=2)
    views = find_tags(Photo(pixels=photographed(scene)))
    assert views is not None
    assert len(views.number) >= least
    assert _rms(_corner_errors(scene, views)) < 0.12


@pytest.mark.parametrize("turn", [0, 37, 90, 135, 180, 270])
def test_corners_come_in_the_order_of_the_sheet_however_a_strip_lies(turn: float) -> None:
    scene = Scene(strips={3: laid(350, 350, 3, turn)}, size=(700, 700), noise=0.001, quality=None, mosaic=False)
    views = find_tags(Photo(pixels=photographed(scene)))
    assert views is not None
    assert views.number.tolist() == [18, 19, 20, 21, 22, 23]
    assert set(views.strip.tolist()) == {3}
    assert _rms(_corner_errors(scene, views)) < 0.05


def test_linear_pictures_of_sixteen_bits_are_read_alike() -> None:
    scene = _scene(7, strips=(0,), mosaic=False, quality=None)
    coded = photographed(scene) / 255
    light = np.where(coded <= 0.04045, coded / 12.92, ((coded + 0.055) / 1.055) ** 2.4)
    views = find_tags(Photo(pixels=np.rint(light * 65535).astype(np.uint16), coding="linear"))
    assert views is not None
    assert views.number.tolist() == list(range(6))
    assert _rms(_corner_errors(scene, views)) < 0.06


def test_a_mirrored_photograph_is_refused() -> None:
    pixels = photographed(_scene(8, strips=(1,)))
    with pytest.raises(RefusedError, match="mirrored"):
        find_tags(Photo(pixels=np.ascontiguousarray(pixels[:, ::-1])))


def test_a_reflection_beside_the_strip_is_left_out_and_said() -> None:
    pixels = photographed(_scene(8, strips=(1,)))
    views = find_tags(Photo(pixels=np.concatenate([pixels, pixels[:, ::-1]])))
    assert views is not None
    assert views.number.tolist() == [6, 7, 8, 9, 10, 11]
    assert any("reflection" in warning for warning in views.warnings)


def test_a_number_that_is_seen_twice_is_left_out_and_said() -> None:
    first, second = photographed(_scene(9, strips=(0,))), photographed(_scene(10, strips=(0,)))
    cut = second[:, : second.shape[1] // 2]  # three tags of a second sheet
    views = find_tags(
        Photo(pixels=np.concatenate([first, np.pad(cut, ((0, 0), (0, second.shape[1] - cut.shape[1]), (0, 0)))]))
    )
    assert views is not None
    assert views.number.tolist() == [3, 4, 5] or views.number.tolist() == [2, 3, 4, 5]
    assert any("more than once" in warning for warning in views.warnings)


def test_nothing_is_found_where_there_are_no_tags() -> None:
    raster = Raster(
        name="any", width_px=640, height_px=480, pixel_clock_hz=25.175e6, h_front_px=16, h_sync_px=96, h_back_px=48,
        v_front_lines=10, v_sync_lines=2, v_back_lines=33,
    )  # fmt: skip
    rng = np.random.default_rng(11)
    for pixels in (
        np.zeros((600, 800, 3), dtype=np.uint8),
        rng.integers(0, 255, (600, 800, 3), dtype=np.uint8),
        np.repeat(np.repeat(draw_survey(raster), 2, axis=0), 2, axis=1),
        np.kron(rng.integers(0, 2, (40, 50)), np.ones((16, 16)))[..., None].repeat(3, axis=2).astype(np.uint8) * 255,
    ):
        assert find_tags(Photo(pixels=pixels)) is None
