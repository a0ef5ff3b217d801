"""The guns' laws from the patches: what was drawn is found, and what can't be told is not told."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from picture.light_scenes import Floats, Gun, Scene, lights_of, photograph, sighting_of
from tubewright.physics.cathode import emission_fraction
from tubewright.physics.colour import white_shift
from tubewright.picture.gun_fit import fit_guns
from tubewright.picture.patches import read_patches
from tubewright.picture.patterns.survey_light import WHITE_STEPS
from tubewright.picture.results import GUNS, Figure, GunLaw, Known, Unsupported
from tubewright.picture.tracking import measure_tracking

RAW = Scene(coding="linear", exposure=0.5)
JPEG = Scene(exposure=0.5)


def rendered(light: Floats) -> Floats:
    """A telephone's rendering: middle tones lifted, whites pressed together."""
    curve = [0, 0.009, 0.035, 0.085, 0.15, 0.29, 0.46, 0.68, 0.83, 0.92, 1, 1]
    return np.asarray(np.interp(light, [0, 0.01, 0.03, 0.06, 0.1, 0.18, 0.3, 0.5, 0.7, 0.85, 1, 2], curve))


def law(scene: Scene, gun: int) -> GunLaw:
    found = measure_tracking(lights_of(scene)).guns[GUNS[gun]]
    assert isinstance(found, GunLaw)
    return found


def figure(known: Known | None) -> Figure:
    assert isinstance(known, Figure)
    return known


@settings(max_examples=5)
@given(
    gamma=st.floats(2.2, 2.7),
    black=st.floats(-0.03, 0.10),
    seed=st.integers(0, 1000),
    tilt=st.floats(-0.15, 0.15),
)
def test_gamma_and_black_are_found_under_any_shading(gamma: float, black: float, seed: int, tilt: float) -> None:
    guns = (Gun(gamma=gamma, black=black), Gun(gamma=gamma + 0.05, black=black / 2), Gun(gamma=gamma))

    def lens(s: Floats, t: Floats, c: int) -> Floats:
        return np.asarray((1 + tilt * s - 0.1 * t) * (1 - (0.3 + 0.02 * c) * (s * s + t * t) / 2))

    scene = replace(RAW, guns=guns, seed=seed, lens=lens)
    found = law(scene, 0)
    assert abs(figure(found.gamma_ratio).value - gamma) < 4 * figure(found.gamma_ratio).sd < 0.6
    assert abs(figure(found.black_drive_ratio).value - black) < 4 * figure(found.black_drive_ratio).sd < 0.1


@settings(max_examples=5)
@given(reserve=st.floats(0.7, 1.3), knee=st.floats(2.0, 8.0), gun=st.integers(0, 2), seed=st.integers(0, 1000))
def test_a_spent_gun_gives_its_reserve_away(reserve: float, knee: float, gun: int, seed: int) -> None:
    guns = [Gun(), Gun(), Gun()]
    guns[gun] = Gun(reserve=reserve, knee=knee)
    scene = replace(RAW, guns=(guns[0], guns[1], guns[2]), seed=seed)
    found = law(scene, gun)
    missing = 1 - float(emission_fraction(reserve, knee))
    assert abs(figure(found.shortfall_ratio).value - missing) < max(4 * figure(found.shortfall_ratio).sd, 0.02)
    assert found.reserve_at_least is not None
    assert found.reserve_at_least < 1.1 * reserve
    if isinstance(found.emission_reserve, Figure):
        told = found.emission_reserve
        assert abs(np.log(told.value / reserve)) < max(4 * told.sd / told.value, 0.15)


@pytest.mark.parametrize("scene", [RAW, JPEG, replace(JPEG, tone=rendered)], ids=["raw", "jpeg", "toned"])
def test_one_spent_gun_is_told_from_two_good_ones_whatever_the_tone_curve(scene: Scene) -> None:
    scene = replace(scene, guns=(Gun(), Gun(reserve=0.8), Gun(gamma=2.5)))
    tracking = measure_tracking(lights_of(scene))
    green = tracking.guns["green"]
    assert isinstance(green, GunLaw)
    reserve = figure(green.emission_reserve)
    assert abs(np.log(reserve.value / 0.8)) < 3 * reserve.sd / reserve.value
    assert 0.7 < figure(green.bends_at_ratio).value < 0.97
    assert figure(green.strength_ratio).value < 0.85
    for name in ("red", "blue"):
        good = tracking.guns[name]
        assert isinstance(good, GunLaw)
        assert isinstance(good.emission_reserve, Unsupported)
        assert good.bends_at_ratio is None
        assert figure(good.strength_ratio).value > 0.9


@pytest.mark.parametrize("seed", range(4))
def test_a_tone_curve_common_to_all_guns_makes_no_gun_look_spent(seed: int) -> None:
    """The curve bends what all three show; none of them is blamed."""
    rng = np.random.default_rng(seed)
    guns = tuple(Gun(gamma=2.4 + 0.05 * rng.standard_normal(), strength=rng.uniform(0.6, 1)) for _ in range(3))
    scene = replace(JPEG, tone=rendered, guns=(guns[0], guns[1], guns[2]), seed=seed, exposure=0.6)
    for found in measure_tracking(lights_of(scene)).guns.values():
        assert isinstance(found, GunLaw)
        assert isinstance(found.emission_reserve, Unsupported)


def test_a_jpeg_tells_gamma_worse_than_a_raw_photograph() -> None:
    assert figure(law(JPEG, 1).gamma_ratio).sd > 2 * figure(law(RAW, 1).gamma_ratio).sd


def test_stated_spreads_cover_the_truth() -> None:
    """Over random tubes, 90 % and more of the truths lie within two standard deviations."""
    rng = np.random.default_rng(7)
    within, bold = [], []
    for seed in range(7):
        base = rng.normal(2.4, 0.1)
        one, two, three = (
            Gun(
                gamma=base + rng.normal(0, 0.05),
                black=rng.uniform(0, 0.08),
                reserve=rng.choice([np.inf, 0.9, 1.5]),
                knee=rng.uniform(1.5, 8),
                strength=rng.uniform(0.6, 1),
            )
            for _ in range(3)
        )
        scene = replace(JPEG if seed % 2 else RAW, guns=(one, two, three), seed=seed)
        tracking = measure_tracking(lights_of(scene))
        for gun, name in zip(scene.guns, GUNS, strict=True):
            found = tracking.guns[name]
            assert isinstance(found, GunLaw)
            for told, true in (
                (found.gamma_ratio, gun.gamma),
                (found.black_drive_ratio, gun.black),
                (found.shortfall_ratio, 1 - float(gun.light(np.ones(1))[0]) / gun.strength),
            ):
                within.append(abs(figure(told).value - true) < 2 * figure(told).sd)
            bold.append(found.reserve_at_least is not None and found.reserve_at_least > gun.reserve)
        steps = np.array(WHITE_STEPS[1:]) / 255
        full = [gun.light(np.ones(1)) for gun in scene.guns]
        shift = white_shift(np.stack([g.light(steps) / f for g, f in zip(scene.guns, full, strict=True)], axis=1))
        true = float(shift.delta_uv_prime[shift.luminance >= 0.1].max())
        drift = figure(tracking.white_drift_du_v)
        within.append(abs(drift.value - true) < 2 * drift.sd + 0.001)
    assert np.mean(within) > 0.9
    assert np.mean(bold) < 0.15


def test_even_guns_have_no_drift_and_uneven_ones_have() -> None:
    same = figure(measure_tracking(lights_of(RAW)).white_drift_du_v)
    assert same.value < 0.002
    apart = replace(RAW, guns=(Gun(black=0.02), Gun(black=0.08), Gun(black=0.05)))
    assert figure(measure_tracking(lights_of(apart)).white_drift_du_v).value > 0.01


def test_overexposed_dark_and_dead_guns_get_no_law() -> None:
    tracking = measure_tracking(lights_of(replace(RAW, exposure=1.3, guns=(Gun(strength=0.5), Gun(), Gun()))))
    for name in ("green", "blue"):
        why = tracking.guns[name]
        assert isinstance(why, Unsupported)
        assert "overexposed" in why.reason
    assert isinstance(tracking.guns["red"], GunLaw)
    assert isinstance(tracking.white_drift_du_v, Unsupported)
    dead = measure_tracking(lights_of(replace(RAW, guns=(Gun(), Gun(), Gun(strength=1e-6)))))
    assert isinstance(dead.guns["blue"], Unsupported)
    assert "no light" in dead.guns["blue"].reason
    dim = measure_tracking(lights_of(replace(RAW, exposure=0.01))).guns["green"]
    assert isinstance(dim, Unsupported)
    assert "too dark" in dim.reason


def test_patches_that_contradict_each_other_give_no_law() -> None:
    for found in measure_tracking(lights_of(JPEG, uneven=0.25)).guns.values():
        assert isinstance(found, Unsupported)
        assert "without order" in found.reason


def test_the_same_patches_give_the_same_figures() -> None:
    assert measure_tracking(lights_of(JPEG)) == measure_tracking(lights_of(JPEG))


def test_reserve_and_light_of_the_draws_agree_with_the_blend() -> None:
    """Against the blend of the physics room, which knows nothing of this fit."""
    draws = fit_guns(lights_of(replace(RAW, guns=(Gun(reserve=0.8), Gun(), Gun()))))
    by_blend = emission_fraction(draws.reserve()[:, 0], draws.knee_ratio[:, 0])
    np.testing.assert_allclose(draws.light(1.0)[:, 0], by_blend, rtol=1e-6)


def test_from_a_photograph_to_the_law() -> None:
    scene = replace(JPEG, width_px=1200, height_px=920, guns=(Gun(reserve=0.8), Gun(), Gun(gamma=2.5)))
    lights = read_patches(photograph(scene), sighting_of(scene, spread_px=0.5))
    red = measure_tracking(lights).guns["red"]
    assert isinstance(red, GunLaw)
    reserve = figure(red.emission_reserve)
    assert abs(np.log(reserve.value / 0.8)) < 3 * reserve.sd / reserve.value
