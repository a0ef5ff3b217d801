"""Colour differences and whites against a reference colour library and published pairs."""

from __future__ import annotations

import warnings
from types import ModuleType
from typing import Final

import numpy as np
import pytest

from tubewright.physics.colour import WHITES_XY, xyz_from_xy
from tubewright.physics.colour_difference import ciede2000, lab_from_xyz
from tubewright.physics.white_points import LOCUS_MAX_K, locus_uv, white_place

SHARMA_PAIRS: Final = [
    # Sharma, Wu, Dalal (2005), table 1; from memory, each confirmed by colour-science below.
    ((50.0, 2.6772, -79.7751), (50.0, 0.0, -82.7485), 2.0425),
    ((50.0, 3.1571, -77.2803), (50.0, 0.0, -82.7485), 2.8615),
    ((50.0, 2.8361, -74.0200), (50.0, 0.0, -82.7485), 3.4412),
    ((50.0, -1.3802, -84.2814), (50.0, 0.0, -82.7485), 1.0000),
    ((50.0, -1.1848, -84.8006), (50.0, 0.0, -82.7485), 1.0000),
    ((50.0, -0.9009, -85.5211), (50.0, 0.0, -82.7485), 1.0000),
    ((50.0, 0.0, 0.0), (50.0, -1.0, 2.0), 2.3669),
    ((50.0, -1.0, 2.0), (50.0, 0.0, 0.0), 2.3669),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0009), 7.1792),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0010), 7.1792),
    ((50.0, 2.49, -0.001), (50.0, -2.49, 0.0011), 7.2195),
    ((50.0, 2.5, 0.0), (50.0, 0.0, -2.5), 4.3065),
    ((50.0, 2.5, 0.0), (73.0, 25.0, -18.0), 27.1492),
    ((60.2574, -34.0099, 36.2677), (60.4626, -34.1751, 39.4387), 1.2644),
    ((22.7233, 20.0904, -46.6940), (23.0331, 14.9730, -42.5619), 2.0373),
    ((90.8027, -2.0831, 1.4410), (91.1528, -1.6435, 0.0447), 1.4441),
    ((2.0776, 0.0795, -1.1350), (0.9033, -0.0636, -0.5514), 0.9082),
]


@pytest.fixture(scope="module")
def reference() -> ModuleType:
    """The reference library; its own warnings on missing extras are no concern of ours."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        import colour
    module: ModuleType = colour
    return module


@pytest.mark.parametrize(("first", "second", "expected"), SHARMA_PAIRS)
def test_published_pairs_come_out_to_the_last_digit(
    reference: ModuleType, first: tuple[float, ...], second: tuple[float, ...], expected: float
) -> None:
    assert float(ciede2000(first, second)) == pytest.approx(expected, abs=5.1e-5)
    assert float(ciede2000(second, first)) == pytest.approx(expected, abs=5.1e-5)
    theirs = reference.delta_E(np.array(first), np.array(second), method="CIE 2000")
    assert float(theirs) == pytest.approx(expected, abs=5.1e-5)


def test_any_pair_is_as_the_reference_says(reference: ModuleType) -> None:
    rng = np.random.default_rng(5)
    first = np.stack([rng.uniform(0, 100, 4000), *rng.uniform(-110, 110, (2, 4000))], axis=-1)
    second = first + rng.normal(0, 12, first.shape)
    theirs = reference.delta_E(first, second, method="CIE 2000")
    assert np.abs(ciede2000(first, second) - theirs).max() < 1e-9


def test_lab_is_as_the_reference_says(reference: ModuleType) -> None:
    rng = np.random.default_rng(6)
    xyz = rng.uniform(0, 1, (3000, 3)) ** 3
    for white in ("D65", "9300K", "9300K+27MPCD"):
        theirs = reference.XYZ_to_Lab(xyz, WHITES_XY[white])
        assert np.abs(lab_from_xyz(xyz, xyz_from_xy(WHITES_XY[white])) - theirs).max() < 1e-9


def test_the_same_colour_has_no_difference_and_grey_has_no_chroma() -> None:
    white = xyz_from_xy(WHITES_XY["D65"])
    lab = lab_from_xyz(np.linspace(0, 1, 30)[:, None] * white, white)
    assert np.abs(lab[:, 1:]).max() < 1e-9
    assert float(lab[-1, 0]) == pytest.approx(100)
    assert float(lab[0, 0]) == pytest.approx(0)
    assert float(np.max(ciede2000(lab, lab))) == 0


@pytest.mark.parametrize("bad", [[1.0, 2.0], [1.0]])
def test_a_wrong_shape_is_said(bad: list[float]) -> None:
    with pytest.raises(ValueError, match="trailing shape"):
        ciede2000(bad, [50, 0, 0])
    with pytest.raises(ValueError, match="trailing shape"):
        lab_from_xyz(bad, [1, 1, 1])
    with pytest.raises(ValueError, match="above zero"):
        lab_from_xyz([1, 1, 1], [1, 0, 1])


def test_the_black_body_lies_where_the_reference_has_it(reference: ModuleType) -> None:
    from colour.temperature import CCT_to_uv_Krystek1985

    kelvin = np.linspace(1000, 15000, 200)
    assert np.abs(locus_uv(kelvin) - CCT_to_uv_Krystek1985(kelvin)).max() < 1e-12
    with pytest.raises(ValueError, match="must lie in"):
        locus_uv(LOCUS_MAX_K + 1)


@pytest.mark.parametrize(
    ("xy", "name"),
    [
        (WHITES_XY["D65"], "D65"),
        (WHITES_XY["9300K"], "9300K"),
        (WHITES_XY["9300K+27MPCD"], "27 MPCD"),
        ((0.31006, 0.31616), "C"),
        ((0.34567, 0.35850), "D50"),
        ((0.2838, 0.2981), "8 MPCD"),
        ((0.30, 0.33), "greenish"),
        ((0.32, 0.31), "pinkish"),
    ],
)
def test_temperature_and_distance_are_as_the_reference_finds_them(
    reference: ModuleType, xy: tuple[float, float], name: str
) -> None:
    from colour.temperature import uv_to_CCT_Ohno2013

    place = white_place(xy)
    kelvin, duv = uv_to_CCT_Ohno2013(reference.xy_to_UCS_uv(np.asarray(xy, dtype=float)))
    assert float(place.cct_k) == pytest.approx(float(kelvin), abs=30), name
    assert float(place.duv_ratio) == pytest.approx(float(duv), abs=2e-4), name


def test_where_a_temperature_means_nothing_none_is_given() -> None:
    places = white_place([[0.29, 0.60], [0.15, 0.06], [0.25, 0.24], [np.nan, 0.3]])
    assert np.isnan(places.cct_k).all()
    assert np.isnan(places.duv_ratio).all()


def test_many_whites_at_once_are_as_one_by_one() -> None:
    many = np.array([[0.3127, 0.329], [0.2831, 0.2971], [0.281, 0.311]])
    together = white_place(many)
    assert together.cct_k.tolist() == [float(white_place(xy).cct_k) for xy in many]
