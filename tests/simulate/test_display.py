"""Simulated displays: beams land where their figures say, guns keep their law, spots have their size."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tubewright.knowledge.load import load_knowledge
from tubewright.picture.patterns.rasters import library
from tubewright.simulate.beams import draw_beams
from tubewright.simulate.display import (
    FWHM_PER_SIGMA,
    Curl,
    Display,
    GunTruth,
    Misconvergence,
    Ripple,
    Shape,
    Spot,
)
from tubewright.simulate.display_truth import (
    convergence_truth,
    curl_profile_mm,
    curl_truth,
    geometry_truth,
    laws_truth,
    spot_truth,
)
from tubewright.simulate.scenes import RASTERS, random_scene

RASTER = RASTERS["arcade-15k-320x240"]
BLACK = np.zeros((240, 320, 3), np.uint8)
# The outermost nodes of a lattice of 31 by 23 lie at these shares of the half width and height.
END_U, END_V = 30 / 31, 22 / 23


def display_of(drive: np.ndarray = BLACK, **fields: object) -> Display:
    return replace(Display(raster=RASTER, drive=drive, pattern="survey", spot=Spot(corner_growth_ratio=0.0)), **fields)  # type: ignore[arg-type]


def test_the_rasters_of_the_simulator_are_those_of_the_trade() -> None:
    known = library(load_knowledge().rasters.values())
    for name, raster in RASTERS.items():
        assert raster == known[name]


@pytest.mark.parametrize("seed", range(4))
def test_every_place_on_the_glass_is_traced_back_to_its_place_on_the_raster(seed: int) -> None:
    display = random_scene(np.random.default_rng(seed), megapixels=1).display
    u, v = np.meshgrid(np.linspace(-1.1, 1.1, 9), np.linspace(-1.1, 1.1, 9))
    for gun in range(3):
        back = display.origin(gun, *display.landing(gun, u, v))
        np.testing.assert_allclose(back, [u, v], atol=1e-7)


@pytest.mark.parametrize(
    ("shape", "figure", "expected"),
    [
        # width at v is W (1 - t v / 200); height and lines likewise
        (Shape(trapezoid_h_pct=2.0), ("trapezoid_h_pct",), 2.0 * END_V),
        (Shape(trapezoid_v_pct=-1.5), ("trapezoid_v_pct",), -1.5 * END_U),
        (Shape(rotation_deg=1.25), ("rotation_deg",), 1.25),
        (Shape(parallelogram_deg=0.7), ("parallelogram_deg",), 0.7),
        # a parabola that is 0 at u, v = +-1, seen between the outermost nodes
        (Shape(bow_vertical_axis_pct=0.8), ("bow_vertical_axis_pct",), 0.8 * END_V**2 / END_U),
        (Shape(bow_horizontal_axis_pct=-0.6), ("bow_horizontal_axis_pct",), -0.6 * END_U**2 / END_V),
        # the top's share (v^2 - v)/2 at v = -22/23
        (Shape(pincushion_top_pct=1.0), ("pincushion_pct", "top"), END_U**2 * (END_V**2 + END_V) / 2 / END_V),
        (Shape(pincushion_bottom_pct=1.0), ("pincushion_pct", "bottom"), END_U**2 * (END_V**2 + END_V) / 2 / END_V),
        (Shape(pincushion_left_pct=-1.0), ("pincushion_pct", "left"), -(END_V**2) * (END_U**2 + END_U) / 2 / END_U),
        (Shape(pincushion_right_pct=1.0), ("pincushion_pct", "right"), END_V**2 * (END_U**2 + END_U) / 2 / END_U),
        # spacing goes as 1 + 0.03 u; the outermost spacings are centred at 29/31
        (Shape(linearity_h_tilt_pct=3.0), ("linearity_h_pct",), 3.0 * 2 * 29 / 31),
        (Shape(linearity_v_tilt_pct=-3.0), ("linearity_v_pct",), 3.0 * 2 * 21 / 23),
    ],
)
def test_each_bend_alone_comes_back_as_its_own_figure(shape: Shape, figure: tuple[str, ...], expected: float) -> None:
    figures = geometry_truth(display_of(shape=shape))
    value = figures[figure[0]][figure[1]] if len(figure) > 1 else figures[figure[0]]
    assert value == pytest.approx(expected, rel=0.01)


def test_a_straight_picture_has_no_figures() -> None:
    figures = geometry_truth(display_of(shape=Shape(shift_x_mm=3.0, rotation_deg=2.0)))
    for name, value in figures.items():
        if name in {"rotation_deg", "similarity_turn_deg"}:
            assert value == pytest.approx(2.0)
        elif name in {"width_mm", "height_mm"}:
            assert value == pytest.approx({"width_mm": 368.0, "height_mm": 276.0}[name])
        else:
            assert np.allclose(list(value.values()) if isinstance(value, dict) else value, 0, atol=1e-9), name


def test_a_pair_of_magnets_moves_the_guns_as_the_trade_knows_it() -> None:
    """Four poles: red and blue apart; six poles: red and blue together, green stays. Source: common practice."""
    four = convergence_truth(display_of(misconvergence=Misconvergence(four_pole_mm=(0.4, 0.1))))
    six = convergence_truth(display_of(misconvergence=Misconvergence(six_pole_mm=(0.4, 0.1))))
    for zone in ("top_left", "centre", "bottom_right"):
        assert four["red_minus_green"]["at"][zone] == pytest.approx((0.4, 0.1))
        assert four["blue_minus_green"]["at"][zone] == pytest.approx((-0.4, -0.1))
        assert six["red_minus_green"]["mean"][zone] == pytest.approx((0.4, 0.1))
        assert six["blue_minus_green"]["mean"][zone] == pytest.approx((0.4, 0.1))


def test_crossed_lines_cross_in_the_middle() -> None:
    crossed = convergence_truth(display_of(misconvergence=Misconvergence(crossed_mm=(0.3, 0.2))))["red_minus_green"][
        "at"
    ]
    assert crossed["centre"] == pytest.approx((0, 0))
    assert crossed["top"] == pytest.approx((-0.3 * END_V, 0))
    assert crossed["bottom"] == pytest.approx((0.3 * END_V, 0))
    assert crossed["right"] == pytest.approx((0, 0.2 * END_U))


def test_a_curl_settles_when_an_exponential_does() -> None:
    """5 % is left after 3 time constants less 0.13 %: ln 20 = 2.9957."""
    profile = curl_profile_mm(display_of(curl=Curl(amplitude_mm=2.0, decay_lines=15.0)))
    truth = curl_truth(profile)
    assert truth == {"amplitude_mm": pytest.approx(2.0), "settle_lines": 45.0, "overshoot_ratio": 0.0}
    np.testing.assert_allclose(profile, 2.0 * np.exp(-np.arange(240) / 15))


def test_a_swinging_curl_overshoots() -> None:
    truth = curl_truth(curl_profile_mm(display_of(curl=Curl(amplitude_mm=-2.0, decay_lines=20.0, swing_lines=60.0))))
    n = np.arange(240)
    assert truth["overshoot_ratio"] == pytest.approx(-np.min(np.exp(-n / 20) * np.cos(2 * np.pi * n / 60)))
    assert 0.15 < truth["overshoot_ratio"] < 0.3


def test_curl_is_told_as_it_is_drawn_in_a_picture_wider_at_the_top() -> None:
    profile = curl_profile_mm(display_of(shape=Shape(trapezoid_h_pct=4.0), curl=Curl(amplitude_mm=2.0)))
    assert profile[0] == pytest.approx(2.0 * 1.02, rel=1e-3)


@pytest.mark.parametrize("reserve", [0.6, 1.0, 1.7, 2.4, 6.0])
def test_a_guns_law_is_the_sum_of_its_rings(reserve: float) -> None:
    """Against the rings themselves, added up: each gives what is asked of it or what it has."""
    gun = GunTruth(gamma_ratio=2.4, reserve_ratio=reserve)
    rings = (np.arange(200_000) + 0.5) / 200_000
    for drive in (0.2, 0.6, 1.0):
        asked = np.maximum(drive - rings, 0) ** 1.4
        has = reserve * np.mean((1 - rings) ** 1.4)
        expected = np.mean(np.minimum(asked, has)) / np.mean((1 - rings) ** 1.4)
        assert gun.light(np.array(drive)) == pytest.approx(expected, rel=1e-4)


def test_a_strong_gun_keeps_to_its_power_and_a_spent_one_says_where_it_leaves_it() -> None:
    strong, spent = GunTruth(reserve_ratio=5.0), GunTruth(reserve_ratio=0.9)
    assert strong.light(np.array(0.5)) == pytest.approx(0.5**2.4)
    assert strong.bends_at_ratio is None
    assert spent.bends_at_ratio is not None
    below, above = np.array([spent.bends_at_ratio * 0.99, spent.bends_at_ratio * 1.1])
    assert spent.light(np.array(below)) == pytest.approx(below**2.4)
    assert spent.light(np.array(above)) < above**2.4
    laws = laws_truth(display_of(guns=(spent, strong, strong)))
    assert laws["red"]["shortfall_ratio"] == pytest.approx(1 - spent.light(np.array(1.0)))
    assert laws["red"]["strength_ratio"] == laws["red"]["full_light_ratio"]


def test_a_raised_black_level_glows_at_no_drive() -> None:
    assert GunTruth(black_drive_ratio=-0.05).light(np.array(0.0)) > 0
    assert GunTruth(black_drive_ratio=0.1).light(np.array(0.1)) == 0


def test_an_evenly_lit_raster_gives_one() -> None:
    drive = BLACK.copy()
    drive[..., 1] = 255
    light = draw_beams(display_of(drive, video_blur_px=0.4))
    inner = light.fields[0][1:2, 200:-200, 200:-200]
    period = inner[:, : light.cells_per_line * 50].mean(axis=(1, 2))
    np.testing.assert_allclose(period, 1.0, atol=1e-3)


def test_the_two_fields_of_interlace_share_the_lines() -> None:
    raster = RASTERS["arcade-15k-640x480i"]
    drive = np.zeros((480, 640, 3), np.uint8)
    drive[100, 200:300, 1] = 255
    drive[101, 400:420, 1] = 255
    display = Display(raster=raster, drive=drive, pattern="lines", spot=Spot(corner_growth_ratio=0.0))
    even, odd = draw_beams(display).fields
    assert even.sum() == pytest.approx(5 * odd.sum(), rel=1e-3)


@pytest.mark.parametrize("growth", [0.0, 0.6])
def test_a_spot_has_the_size_it_is_told_to_have(growth: float) -> None:
    """Second moments of single dots, in the middle and near a corner; the dot's own box along the line taken off."""
    drive = BLACK.copy()
    drive[120, 160, 1] = drive[11, 15, 1] = 255
    display = display_of(drive, spot=Spot(h_mm=1.1, v_mm=0.8, corner_growth_ratio=growth))
    grid = draw_beams(display)
    per_dot, per_line = grid.cells_per_dot, grid.cells_per_line
    for x, y in ((160, 120), (15, 11)):
        cx, cy = (x + grid.margin_dots) * per_dot, (y + grid.margin_lines) * per_line
        reach_x, reach_y = 5 * per_dot, 5 * per_line
        part = grid.fields[0][1, cy - reach_y : cy + reach_y, cx - reach_x : cx + reach_x].astype(float)
        j, i = np.indices(part.shape)
        total = part.sum()
        variance = [(part * (a - (part * a).sum() / total) ** 2).sum() / total for a in (i, j)]
        h_mm = np.sqrt(variance[0] / per_dot**2 - 1 / 12) * 1.15 * FWHM_PER_SIGMA
        v_mm = np.sqrt(variance[1] / per_line**2) * 1.15 * FWHM_PER_SIGMA
        u, v = (x + 0.5) / 160 - 1, (y + 0.5) / 120 - 1
        grown = 1 + growth * (u**2 + v**2) / 2
        assert h_mm == pytest.approx(1.1 * grown, rel=0.01)
        assert v_mm == pytest.approx(0.8 * grown, rel=0.01)
    sizes = spot_truth(display)
    assert sizes["centre"]["h_mm"] == pytest.approx(1.1)
    assert sizes["top_left"]["v_mm"] == pytest.approx(0.8 * (1 + growth * (END_U**2 + END_V**2) / 2))


def test_mains_sways_lines_and_dims_them() -> None:
    ripple = Ripple(displacement_mm=1.0, brightness_pct=10.0, period_lines=240.0)
    shift = display_of(ripple=ripple).line_shift_mm(np.arange(240.0))
    assert shift.max() - shift.min() == pytest.approx(1.0, rel=1e-3)
    drive = BLACK.copy()
    drive[:, 90:110, 0] = 255
    steady, swaying = (
        draw_beams(display_of(drive, ripple=r)).fields[0][0] for r in (Ripple(), replace(ripple, displacement_mm=0.0))
    )
    ratio = swaying[:, 1000][200:-200] / steady[:, 1000][200:-200]
    assert ratio.max() - ratio.min() == pytest.approx(0.10, rel=0.02)


@pytest.mark.parametrize("seed", range(30))
def test_every_place_has_an_origin_or_stays_put_however_bent_the_display(seed: int) -> None:
    """Far outside the raster the iteration used to run away, and the photograph with it."""
    display = random_scene(np.random.default_rng([21, seed, 1]), megapixels=0.5).display
    x, y = np.meshgrid(np.linspace(-260, 260, 20), np.linspace(-200, 200, 20))
    for gun in range(3):
        u, v = display.origin(gun, x, y)
        assert np.isfinite(u).all()
        assert np.isfinite(v).all()
        back = np.stack(display.landing(gun, u, v)) - [x, y]
        inside = (np.abs(u) < 1.1) & (np.abs(v) < 1.1)
        assert np.abs(back[:, inside]).max() < 1e-8
