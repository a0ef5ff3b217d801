"""Purity: landing that was drawn is found where it is, and the camera's own mixing and shading are no landing."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from picture.light_scenes import Gun, Scene, lights_of, photograph, sighting_of
from tubewright.picture.patches import read_patches
from tubewright.picture.purity import measure_purity
from tubewright.picture.results import GUNS, ZONES, Figure, Known, Purity, Unsupported

RAW = Scene(coding="linear", exposure=0.5)


def red_stain(u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
    """Red lands on green in the upper right corner: 8 % of it where the stain is deepest."""
    away = np.zeros((*np.broadcast(u, v).shape, 3))
    away[..., 0] = 0.08 * ((u > 0.33) & (v < -0.33))
    return away


def middle_stain(u: NDArray[np.float64], v: NDArray[np.float64]) -> NDArray[np.float64]:
    away = np.zeros((*np.broadcast(u, v).shape, 3))
    away[...] = (0.06 * np.exp(-(u * u + v * v) / (2 * 0.2**2)))[..., None]
    return away


def value(known: Known) -> Figure:
    assert isinstance(known, Figure)
    return known


def all_figures(purity: Purity) -> list[Figure]:
    return [value(one) for gun in purity.shift_ratio.values() for one in gun.values()]


@pytest.mark.parametrize("coding", ["linear", "srgb"])
def test_a_stain_is_found_where_it_is_and_nowhere_else(coding: str) -> None:
    scene = replace(RAW, coding="linear" if coding == "linear" else "srgb", landing=red_stain)
    purity = measure_purity(lights_of(scene, uneven=0.002))
    stained = value(purity.shift_ratio["red"]["top_right"])
    # 8 parts of 100 land wrong, 92 remain: that is the share of the own light.
    assert abs(stained.value - 0.08 / 0.92) < 0.01
    assert purity.worst_ratio["red"] == stained
    for name in GUNS:
        for zone in ZONES:
            if (name, zone) != ("red", "top_right"):
                other = value(purity.shift_ratio[name][zone])
                assert abs(other.value) < max(3 * other.sd, 0.004)


def test_a_stain_in_the_middle_does_not_stain_all_the_rest() -> None:
    purity = measure_purity(lights_of(replace(RAW, landing=middle_stain), uneven=0.002))
    for name in GUNS:
        assert value(purity.shift_ratio[name]["centre"]).value > 0.008
        assert abs(value(purity.shift_ratio[name]["bottom_left"]).value) < 0.005


def test_the_cameras_mixing_is_no_stain() -> None:
    mixed = np.array([[0.8, 0.3, 0.05], [0.15, 0.85, 0.25], [0.05, 0.2, 0.8]])
    for one in all_figures(measure_purity(lights_of(replace(RAW, camera=mixed)))):
        assert abs(one.value) < 3 * one.sd


def test_unequal_shading_of_the_colours_stays_within_the_spread() -> None:
    def lens(s: NDArray[np.float64], t: NDArray[np.float64], c: int) -> NDArray[np.float64]:
        return np.asarray(1 - (0.3 + 0.06 * (c - 1)) * (s * s + t * t) / 2)

    figures = all_figures(measure_purity(lights_of(replace(RAW, lens=lens), uneven=0.002)))
    assert np.mean([abs(one.value) < 2 * one.sd for one in figures]) > 0.9


def test_stated_spreads_cover_noise() -> None:
    off = [
        abs(one.value) / one.sd
        for seed in range(8)
        for one in all_figures(measure_purity(lights_of(replace(RAW, seed=seed), uneven=0.01)))
    ]
    assert np.mean(np.array(off) < 2) > 0.95


def test_overexposed_or_dead_guns_give_no_figure() -> None:
    bright = measure_purity(lights_of(replace(RAW, exposure=1.5)))
    assert all(isinstance(one, Unsupported) and "overexposed" in one.reason for one in bright.worst_ratio.values())
    dead = measure_purity(lights_of(replace(RAW, guns=(Gun(strength=1e-6), Gun(), Gun()))))
    why = dead.worst_ratio["red"]
    assert isinstance(why, Unsupported)
    assert "too little light" in why.reason


def test_zones_out_of_the_photograph_have_no_figure() -> None:
    lights = lights_of(RAW)
    cut = replace(lights, seen=lights.seen & (lights.patches.x_px < 0.6 * lights.raster.width_px))
    purity = measure_purity(cut)
    assert isinstance(purity.shift_ratio["green"]["right"], Unsupported)
    assert isinstance(purity.shift_ratio["green"]["left"], Figure)


def test_from_a_photograph_to_the_stain() -> None:
    scene = Scene(width_px=1200, height_px=920, exposure=0.5, landing=red_stain)
    purity = measure_purity(read_patches(photograph(scene), sighting_of(scene, spread_px=0.5)))
    stained = value(purity.shift_ratio["red"]["top_right"])
    assert abs(stained.value - 0.08 / 0.92) < 2 * stained.sd
    assert abs(value(purity.shift_ratio["red"]["bottom_left"]).value) < 0.005
