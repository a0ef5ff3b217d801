"""Light is taken where it is asked for, exactly between pixels, whatever the shape of the question."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.picture.sampling import linear_table, reduced_light, sample_light
from tubewright.picture.seen import Photo

RNG = np.random.default_rng(3)
PHOTO = Photo(pixels=RNG.integers(0, 256, (61, 83, 3), dtype=np.uint8))


def _by_hand(photo: Photo, x: float, y: float) -> np.ndarray:
    light = linear_table(photo).astype(float)[photo.pixels]
    left, top = min(int(x), light.shape[1] - 2), min(int(y), light.shape[0] - 2)
    p, q = x - left, y - top
    upper = light[top, left] * (1 - p) + light[top, left + 1] * p
    lower = light[top + 1, left] * (1 - p) + light[top + 1, left + 1] * p
    return np.asarray(upper * (1 - q) + lower * q)


@given(x=st.floats(0, 82), y=st.floats(0, 60))
def test_one_place_is_the_mean_of_its_four_neighbours(x: float, y: float) -> None:
    np.testing.assert_allclose(sample_light(PHOTO, np.array(x), np.array(y)), _by_hand(PHOTO, x, y), atol=3e-5)


@pytest.mark.parametrize("shape", [(7,), (5, 9), (3, 4, 6), (2, 3, 2, 5), (40_000, 1)])
def test_any_shape_gives_the_same_light(shape: tuple[int, ...]) -> None:
    x, y = RNG.uniform(0, 82, shape), RNG.uniform(0, 60, shape)
    light = sample_light(PHOTO, x, y)
    assert light.shape == (*shape, 3)
    for n in RNG.integers(0, x.size, 20):
        np.testing.assert_allclose(light.reshape(-1, 3)[n], _by_hand(PHOTO, x.ravel()[n], y.ravel()[n]), atol=3e-5)


def test_places_outside_take_the_edge() -> None:
    far = sample_light(PHOTO, np.array([-50.0, 500.0]), np.array([-9.0, 999.0]))
    table = linear_table(PHOTO)
    np.testing.assert_allclose(far, table[PHOTO.pixels[[0, -1], [0, -1]]], atol=1e-6)


def test_the_srgb_curve_is_the_standards() -> None:
    """IEC 61966-2-1: 188 of 255 is half the light (0.5029), and the straight part ends at 0.04045."""
    table = linear_table(PHOTO)
    assert table[188] == pytest.approx(0.50289, abs=1e-5)
    assert table[10] == pytest.approx(10 / 255 / 12.92, abs=1e-7)
    assert (table[0], table[255]) == (0.0, 1.0)


def test_a_reduced_photograph_keeps_its_light() -> None:
    flat = Photo(pixels=np.full((40, 60, 3), 128, dtype=np.uint8))
    small = reduced_light(flat, 4)
    assert small.shape == (10, 15, 3)
    np.testing.assert_allclose(small, linear_table(flat)[128], rtol=1e-6)
