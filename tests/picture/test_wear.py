"""Wear: a burnt-in shape that was drawn is found with its depth, and an even screen has none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from picture.light_scenes import Scene, lights_of, photograph, sighting_of
from tubewright.picture.results import Figure, Unsupported
from tubewright.picture.seen import Photo
from tubewright.picture.wear import measure_wear, wear_from_patches

WHITE = np.full((240, 320, 3), 255, dtype=np.uint8)


def shaded(s: NDArray[np.float64], t: NDArray[np.float64], c: int) -> NDArray[np.float64]:
    del c
    return np.asarray(1 - 0.3 * (s * s + t * t) / 2)


def box(u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
    """A sharp shape of a quarter by a fifth of the screen's sides, in the upper right: 12 % lost."""
    return np.asarray(1 - 0.12 * ((np.abs(u - 0.5) < 0.25) & (np.abs(v + 0.5) < 0.2)))


FIELD = Scene(width_px=1100, height_px=840, exposure=0.5, picture=WHITE, lens=shaded)


@pytest.mark.parametrize("known", [False, True], ids=["by its edges", "by its map"])
def test_a_burnt_shape_is_found(known: bool) -> None:
    scene = replace(FIELD, screen=box)
    wear = measure_wear(photograph(scene), sighting_of(scene) if known else None)
    assert isinstance(wear.depth_ratio, Figure)
    assert abs(wear.depth_ratio.value - 0.12) < 2 * wear.depth_ratio.sd < 0.06
    assert isinstance(wear.area_pct, Figure)
    assert abs(wear.area_pct.value - 5.0) < 2 * wear.area_pct.sd
    assert wear.at_zone in {"top_right", "top"}


def test_an_even_field_has_no_wear_and_says_how_fine_it_looked() -> None:
    wear = measure_wear(photograph(FIELD))
    assert isinstance(wear.depth_ratio, Unsupported)
    assert "no shape deeper than" in wear.depth_ratio.reason
    assert wear.at_zone is None


def test_hum_over_the_height_is_no_wear() -> None:
    def hum(u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
        return np.asarray(1 + 0.04 * np.sin(2 * np.pi * 0.8 * v) + 0 * u)

    assert isinstance(measure_wear(photograph(replace(FIELD, screen=hum))).depth_ratio, Unsupported)


def test_an_exposure_that_cuts_a_field_is_not_trusted() -> None:
    photo = photograph(replace(FIELD, screen=box))
    cut = measure_wear(replace(photo, exposure_s=1 / 8)).depth_ratio
    assert isinstance(cut, Unsupported)
    assert "bands" in cut.reason
    assert isinstance(measure_wear(replace(photo, exposure_s=1 / 10)).depth_ratio, Figure)  # six fields


@pytest.mark.parametrize(("exposure", "word"), [(2.0, "overexposed"), (0.008, "too dark")])
def test_wrong_exposures_are_refused(exposure: float, word: str) -> None:
    why = measure_wear(photograph(replace(FIELD, exposure=exposure, ambient=0.0))).depth_ratio
    assert isinstance(why, Unsupported)
    assert word in why.reason


@pytest.mark.parametrize("seed", range(3))
def test_what_is_no_field_has_no_wear(seed: int) -> None:
    rng = np.random.default_rng(seed)
    noise = Photo(pixels=rng.integers(0, 256, (300, 400, 3), dtype=np.uint8))
    even = Photo(pixels=np.full((300, 400, 3), 128, dtype=np.uint8))
    for photo in (noise, even):
        why = measure_wear(photo).depth_ratio
        assert isinstance(why, Unsupported)
        assert "field" in why.reason


def broad(u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
    """A third of the screen by a third, left of the middle: 15 % lost."""
    return np.asarray(1 - 0.15 * ((np.abs(u + 0.4) < 0.33) & (np.abs(v) < 0.33)))


def test_patches_show_a_broad_shape() -> None:
    wear = wear_from_patches(lights_of(Scene(exposure=0.5, screen=broad, lens=shaded)))
    assert isinstance(wear.depth_ratio, Figure)
    assert abs(wear.depth_ratio.value - 0.15) < 2.5 * wear.depth_ratio.sd
    assert wear.at_zone in {"left", "centre"}


@pytest.mark.parametrize("seed", range(4))
def test_patches_of_an_even_screen_show_none(seed: int) -> None:
    why = wear_from_patches(lights_of(Scene(exposure=0.5, lens=shaded, seed=seed))).depth_ratio
    assert isinstance(why, Unsupported)
    assert "wider than two patches" in why.reason
