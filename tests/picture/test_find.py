"""A survey is found in a photograph, however it lies, and nothing else is taken for one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tubewright.errors import RefusedError
from tubewright.files.photos import read_photo
from tubewright.picture.find import find_pattern
from tubewright.picture.patterns.survey_light import draw_survey_light
from tubewright.picture.seen import Marks, Photo
from tubewright.simulate.photo_truth import Truth
from tubewright.simulate.photograph import take
from tubewright.simulate.scenes import RASTERS, plain_scene

RASTER = RASTERS["arcade-15k-320x240"]


@pytest.fixture(scope="module")
def shot() -> tuple[Photo, Truth]:
    taken = take(plain_scene(raster=RASTER, megapixels=3))
    return read_photo(taken.jpeg, name="lantern.jpg"), taken.truth


def _off_px(marks: Marks, truth: Truth) -> np.ndarray:
    index = {(int(c), int(r)): n for n, (c, r) in enumerate(zip(truth.marks.column, truth.marks.row, strict=True))}
    order = [index[int(c), int(r)] for c, r in zip(marks.column, marks.row, strict=True)]
    return np.stack([marks.x_px, marks.y_px], axis=1) - truth.marks.photo_px[order]


def test_every_mark_is_found_where_the_simulator_drew_it(shot: tuple[Photo, Truth]) -> None:
    photo, truth = shot
    sighting = find_pattern(photo, list(RASTERS.values()))
    assert (sighting.pattern, sighting.raster.name, sighting.missing) == ("survey", RASTER.name, 0)
    assert abs(sighting.rotated_deg) < 1
    assert not sighting.mirrored
    off = _off_px(sighting.marks, truth)
    # 0.23 mm a pixel here: the shadow mask's dots (0.6 mm) are near what three megapixels can tell apart.
    assert np.sqrt((off**2).mean()) < 0.12
    assert 0.88 < (np.abs(off / sighting.marks.sd_px[:, None]) < 1.96).mean() <= 1


@pytest.mark.parametrize("quarters", [1, 2, 3])
def test_a_turned_photograph_tells_by_how_much(shot: tuple[Photo, Truth], quarters: int) -> None:
    photo, _ = shot
    turned = replace(photo, pixels=np.ascontiguousarray(np.rot90(photo.pixels, -quarters), dtype=np.uint8))
    sighting = find_pattern(turned, [RASTER])
    off = (sighting.rotated_deg - 90 * quarters + 180) % 360 - 180
    assert abs(off) < 1
    assert not sighting.mirrored
    assert sighting.missing == 0


def test_a_mirror_image_is_told_from_a_turned_one(shot: tuple[Photo, Truth]) -> None:
    photo, _ = shot
    sighting = find_pattern(
        replace(photo, pixels=np.ascontiguousarray(photo.pixels[:, ::-1], dtype=np.uint8)), [RASTER]
    )
    assert sighting.mirrored
    assert abs(sighting.rotated_deg) < 1


def test_half_a_picture_is_enough(shot: tuple[Photo, Truth]) -> None:
    photo, truth = shot
    half = photo.pixels.copy()
    half[:, : half.shape[1] // 2] = 3
    sighting = find_pattern(replace(photo, pixels=half), [RASTER])
    assert sighting.missing > 250
    assert np.sqrt((_off_px(sighting.marks, truth) ** 2).mean()) < 0.15


def test_a_gun_that_is_dark_leaves_the_others() -> None:
    scene = plain_scene(raster=RASTER, megapixels=2)
    drive = scene.display.drive.copy()
    drive[..., 0] = 0
    photo = read_photo(take(replace(scene, display=replace(scene.display, drive=drive))).jpeg)
    sighting = find_pattern(photo, [RASTER])
    assert sighting.maps[0] is None
    assert set(sighting.marks.gun) == {1, 2}
    assert len(sighting.marks.gun) > 380


@pytest.fixture(scope="module")
def light_shot() -> Photo:
    scene = plain_scene(raster=RASTER, megapixels=3, drive=draw_survey_light(RASTER), pattern="survey_light")
    return read_photo(take(scene).jpeg, name="light.jpg")


def test_the_survey_for_light_is_found_by_its_marks(light_shot: Photo) -> None:
    sighting = find_pattern(light_shot, list(RASTERS.values()))
    assert sighting.pattern == "survey_light"
    assert sighting.missing == 0


def test_another_pattern_than_was_said_is_refused(light_shot: Photo) -> None:
    with pytest.raises(RefusedError, match=r"light\.jpg: this is the pattern survey_light, not survey"):
        find_pattern(light_shot, [RASTER], pattern="survey")


def test_another_raster_than_was_said_is_refused(shot: tuple[Photo, Truth]) -> None:
    with pytest.raises(RefusedError, match="none of our surveys"):
        find_pattern(shot[0], [RASTERS["arcade-31k-640x480"]])


def test_a_corner_alone_is_too_little(shot: tuple[Photo, Truth]) -> None:
    photo, _ = shot
    corner = np.full_like(photo.pixels, 3)
    height, width = corner.shape[:2]
    corner[: height // 3, : width // 3] = photo.pixels[: height // 3, : width // 3]
    with pytest.raises(RefusedError):
        find_pattern(replace(photo, pixels=corner), [RASTER])


@pytest.mark.parametrize("kind", ["black", "white", "noise", "crosshatch", "dots"])
def test_what_is_no_survey_is_refused(kind: str) -> None:
    rng = np.random.default_rng(4)
    pixels = np.zeros((900, 1200, 3), dtype=np.uint8)
    if kind == "white":
        pixels[:] = 255
    elif kind == "noise":
        pixels = rng.integers(0, 256, pixels.shape, dtype=np.uint8)
    elif kind == "crosshatch":
        pixels[::50] = pixels[:, ::50] = 255
    elif kind == "dots":  # a lattice of coloured dots, but not ours
        for y in range(60, 860, 36):
            for x in range(60, 1160, 36):
                pixels[y : y + 9, x : x + 9, rng.integers(3)] = 220
    with pytest.raises(RefusedError, match="survey"):
        find_pattern(Photo(pixels=pixels, name=kind), list(RASTERS.values()))
