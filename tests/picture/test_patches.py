"""Reading the patches: the light that was drawn, with a standard error that covers what it is off."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest
from numpy.typing import NDArray

from picture.light_scenes import Gun, Scene, lights_of, photograph, raster_of, sighting_of
from tubewright.picture.patches import PatchLights, read_patches, zone_index, zone_of
from tubewright.picture.patterns.survey_light import BLACK
from tubewright.picture.results import ZONES
from tubewright.picture.seen import Marks

SMALL = Scene(width_px=1200, height_px=920, exposure=0.5, guns=(Gun(gamma=2.5, strength=0.8), Gun(), Gun(gamma=2.3)))


def drawn(scene: Scene) -> NDArray[np.float64]:
    """True light of each patch in each channel, without what the room adds and less what the glass scatters away."""
    drive = lights_of(scene).patches.drive / 255
    light = np.stack([gun.light(drive[:, g]) for g, gun in enumerate(scene.guns)], axis=1)
    return np.asarray((1 - scene.halo) * scene.exposure * light @ scene.camera.T)


@pytest.fixture(scope="module")
def read() -> PatchLights:
    return read_patches(photograph(SMALL), sighting_of(SMALL, spread_px=0.5))


def test_the_light_is_that_which_was_drawn(read: PatchLights) -> None:
    true = drawn(SMALL)
    lit = true > 0.02
    assert read.seen.all()
    assert np.abs(read.light_share[lit] / true[lit] - 1).max() < 0.035
    assert np.sqrt(np.mean((read.light_share[lit] / true[lit] - 1) ** 2)) < 0.015


def test_what_the_room_and_the_glass_add_is_taken_off(read: PatchLights) -> None:
    true = drawn(SMALL)
    dark = true < 0.005
    off = (read.light_share - true)[dark]
    sd = np.hypot(read.light_sd, read.background_sd)[dark]
    assert read.background_share.min() > 0.001  # there is something to take off
    assert np.abs(off).max() < 0.0015
    assert np.mean(np.abs(off) < 2.5 * sd) > 0.9


def test_black_patches_come_out_black(read: PatchLights) -> None:
    black = read.patches.gun == BLACK
    assert np.abs(read.light_share[black]).max() < 5e-4


def test_the_same_light_in_a_linear_photograph() -> None:
    scene = replace(SMALL, coding="linear", mask=0.0, halo=0.0)
    read = read_patches(photograph(scene), sighting_of(scene, spread_px=0.5))
    true = drawn(scene)
    lit = true > 0.02
    assert np.abs(read.light_share[lit] / true[lit] - 1).max() < 0.01


def test_a_reflection_on_a_patch_does_not_pull_its_mean_and_guns_apart_do_not_matter() -> None:
    """A bright speck on a corner of each of three patches; guns that miss each other by two raster pixels."""
    scene = replace(SMALL, misconvergence_px=((1.2, -1.0), (0.0, 0.0), (-1.2, 0.8)))
    photo, sighting = photograph(scene), sighting_of(scene, spread_px=0.5)
    clean = read_patches(photo, sighting)
    pixels = photo.pixels.copy()
    maps = sighting.maps[1]
    assert maps is not None
    patches = clean.patches
    chosen = [2, 50, 83]
    for i in chosen:
        x, y = maps(patches.x_px[[i]] + 1.5, patches.y_px[[i]] + 1.5)
        pixels[round(float(y[0])) - 2 : round(float(y[0])) + 3, round(float(x[0])) - 2 : round(float(x[0])) + 3] = 255
    specked = read_patches(replace(photo, pixels=pixels), sighting)
    change = np.abs(specked.light_share - clean.light_share)[chosen].max(axis=1)
    assert (change < 0.03).all()  # of a full pixel: a plain mean would be off by more
    true = drawn(scene)
    lit = true > 0.05
    assert np.abs(clean.light_share[lit] / true[lit] - 1).max() < 0.05


def test_overexposure_is_told() -> None:
    scene = replace(SMALL, exposure=1.6)
    read = read_patches(photograph(scene), sighting_of(scene, spread_px=0.5))
    assert np.median(read.clipped_share[read.full(1), 1]) > 0.5
    assert read.clipped_share[read.patches.gun == BLACK].max() == 0


def test_patches_out_of_the_photograph_are_not_seen() -> None:
    photo, sighting = photograph(SMALL), sighting_of(SMALL, spread_px=0.5)
    cut = replace(photo, pixels=photo.pixels[:, :700])
    read = read_patches(cut, sighting)
    assert 40 < read.seen.sum() < 70
    assert np.isfinite(read.light_share[read.seen]).all()


def test_where_the_marks_are_missing_the_map_is_not_trusted() -> None:
    """A corner whose marks were not found: its block isn't read, however confidently the map runs on."""
    sighting = sighting_of(SMALL, spread_px=0.5)
    marks = sighting.marks
    kept = ~((marks.column < 8) & (marks.row < 6))
    fewer = Marks(**{field.name: getattr(marks, field.name)[kept] for field in fields(marks)})
    read = read_patches(photograph(SMALL), replace(sighting, marks=fewer))
    corner = (read.patches.x_px < 8 / 31 * 320) & (read.patches.y_px < 6 / 23 * 240)
    assert corner.sum() == 6
    assert not read.seen[corner].any()
    assert read.seen[~corner].all()


def test_a_gun_without_a_map_is_read_where_the_others_are() -> None:
    sighting = sighting_of(SMALL)
    red, green, _ = sighting.maps
    read = read_patches(photograph(SMALL), replace(sighting, maps=(red, green, None)))
    true = drawn(SMALL)
    full = read.full(2)
    assert full.sum() == 15
    assert np.abs(read.light_share[full, 2] / true[full, 2] - 1).max() < 0.05


def test_only_a_survey_for_light_has_patches() -> None:
    sighting = sighting_of(SMALL)
    photo = photograph(replace(SMALL, width_px=320, height_px=240))
    with pytest.raises(ValueError, match="survey for light"):
        read_patches(photo, replace(sighting, pattern="survey"))
    with pytest.raises(ValueError, match="without a map"):
        read_patches(photo, replace(sighting, maps=(None, None, None)))


def test_zones_are_ninths() -> None:
    raster = raster_of(300, 240)
    x, y = np.meshgrid([0.0, 150.0, 299.0], [0.0, 120.0, 239.0])
    assert zone_index(x.ravel(), y.ravel(), raster).tolist() == list(range(9))
    assert [zone_of(a, b, raster) for a, b in zip(x.ravel(), y.ravel(), strict=True)] == list(ZONES)
