from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from picture.bar_scenes import Scene, make_raster, photograph
from tubewright.picture.bars import LineShifts, common_shifts, track_bars
from tubewright.picture.hum import HumView, left_by_exposure, mains_periods, measure_hum
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.results import Figure, Unsupported

Floats = NDArray[np.float64]
RASTER = make_raster()
MM = Figure(value=380 / 320, sd=0.0)
LINE = np.arange(240, dtype=np.float64)
T = 2 * LINE / 239 - 1


def view(
    phase: float,
    *,
    hz: float = 60.0,
    sway_px: float = 0.0,
    swing: float = 0.0,
    exposure_s: float | None = None,
    seed: int = 0,
) -> HumView:
    """One photograph's lines: bow, curl and shading that stay, pose that doesn't, and a wave at a phase."""
    rng = np.random.default_rng(seed)
    wave = np.sin(2 * np.pi * LINE * hz / RASTER.line_hz + phase) / 2
    fixed = 3 * T**2 + T**3 + 2 * np.exp(-LINE / 8)
    pose = rng.normal(0, [0.5, 0.3, 0.2]) @ np.stack([T**0, T, T**2])
    shade = (1 - 0.2 * T**2 + 0.05 * T**4) * (1 + rng.normal(0, 0.02) * T)
    return HumView(
        shifts=LineShifts(
            first=0,
            line=LINE,
            shift_px=fixed + pose + sway_px * wave + 0.006 * rng.standard_normal(LINE.size),
            shift_sd_px=np.full(LINE.size, 0.006),
            light_ratio=shade * (1 + swing * wave) + 0.004 * rng.standard_normal(LINE.size),
            light_ratio_sd=np.full(LINE.size, 0.004),
            spread_y_px=0.4,
            height_px=240,
            width_px=320,
        ),
        mm_per_px_x=MM,
        exposure_s=exposure_s,
    )


def views(phases: Sequence[float], **what: float) -> list[HumView]:
    return [view(phase, seed=k, **what) for k, phase in enumerate(phases)]


@pytest.mark.parametrize("hz", [50.0, 60.0, 100.0, 120.0])
def test_three_photographs_tell_a_drifting_hum(hz: float) -> None:
    hum = measure_hum(views([0.3, 2.0, 4.4], hz=hz, sway_px=1.0, swing=0.06), RASTER)
    assert isinstance(hum.displacement_mm, Figure)
    assert isinstance(hum.brightness_pct, Figure)
    assert isinstance(hum.period_lines, Figure)
    assert hum.displacement_mm.value == pytest.approx(1.0 * MM.value, abs=max(0.05, 2.5 * hum.displacement_mm.sd))
    assert hum.displacement_mm.sd < 0.1
    assert hum.brightness_pct.value == pytest.approx(6.0, abs=max(0.6, 2.5 * hum.brightness_pct.sd))
    assert hum.period_lines.value == pytest.approx(RASTER.line_hz / hz, rel=0.03)


@pytest.mark.parametrize("sway_px", [0.0, 1.0])
def test_what_does_not_drift_is_not_said_to_be_no_hum(sway_px: float) -> None:
    """A hum locked to the picture stands still as well: nought would be a wrong figure."""
    hum = measure_hum(views([1.0, 1.0, 1.0], sway_px=sway_px), RASTER)
    assert isinstance(hum.displacement_mm, Unsupported)
    assert isinstance(hum.brightness_pct, Unsupported)
    assert isinstance(hum.period_lines, Unsupported)


def test_how_much_can_drift_at_most_is_told() -> None:
    found = measure_hum(views([1.0, 1.0, 1.0], sway_px=0.0), RASTER).displacement_mm
    assert isinstance(found, Unsupported)
    assert "no wave drifts by more than 0.0" in found.reason
    assert "stands still" in found.reason


@pytest.mark.parametrize("sway_px", [0.0, 1.0])
@pytest.mark.parametrize("count", [1, 2])
@pytest.mark.parametrize("hz", [50.0, 60.0])
def test_too_few_photographs_give_no_figure_of_a_slow_wave(count: int, sway_px: float, hz: float) -> None:
    hum = measure_hum(views([0.5, 2.5][:count], sway_px=sway_px, hz=hz), RASTER)
    assert isinstance(hum.displacement_mm, Unsupported)
    assert "three photographs" in hum.displacement_mm.would_settle


def test_phases_too_much_alike_give_no_figure() -> None:
    hum = measure_hum(views([1.0, 1.15, 1.3], sway_px=1.0), RASTER)
    assert isinstance(hum.displacement_mm, Unsupported)
    assert "alike" in hum.displacement_mm.reason


def test_a_long_exposure_is_said_to_average_it_out() -> None:
    """At 50 Hz mains half a second holds 30 fields of 60 Hz, in which both waves turn whole circles."""
    assert left_by_exposure(50.0, RASTER, 0.5) < 0.01
    slow = make_raster(field_hz=55.0)  # neither mains' waves stand still in fields of 55 Hz
    hum = measure_hum([view(0.0, sway_px=1.0, exposure_s=20 / 55)], slow)
    assert isinstance(hum.displacement_mm, Unsupported)
    assert "exposure" in hum.displacement_mm.reason


@pytest.mark.parametrize("hz", [50.0, 60.0, 100.0, 120.0])
@pytest.mark.parametrize("fields", [1, 2, 3, 5])
def test_what_an_exposure_leaves_is_the_mean_of_its_fields(hz: float, fields: int) -> None:
    raster = make_raster(field_hz=59.0)
    turns = np.exp(2j * np.pi * hz / raster.field_hz * np.arange(fields))
    assert left_by_exposure(hz, raster, fields / raster.field_hz) == pytest.approx(abs(turns.mean()), abs=1e-9)


def test_a_wave_shortened_by_the_exposure_is_scaled_back() -> None:
    left = left_by_exposure(50.0, RASTER, 2 / 60)
    assert left == pytest.approx(abs(np.cos(np.pi * 50 / 60)), abs=1e-9)  # two unit vectors at an angle: 0.866
    seen = views([0.3, 2.0, 4.4], hz=50.0, sway_px=left)
    exposed = [HumView(shifts=v.shifts, mm_per_px_x=MM, exposure_s=2 / 60) for v in seen]
    hum = measure_hum(exposed, RASTER)
    assert isinstance(hum.displacement_mm, Figure)
    assert hum.displacement_mm.value == pytest.approx(MM.value, abs=max(0.05, 2.5 * hum.displacement_mm.sd))


def test_bands_of_an_odd_exposure_take_the_brightness_not_the_place() -> None:
    seen = [view(p, sway_px=1.0, swing=0.06, exposure_s=1.5 / 60, seed=k) for k, p in enumerate((0.3, 2.0, 4.4))]
    hum = measure_hum(seen, RASTER)
    assert isinstance(hum.displacement_mm, Figure)
    assert isinstance(hum.brightness_pct, Unsupported)
    assert "whole number of fields" in hum.brightness_pct.reason


def test_interlaced_lines_are_half_as_far_apart_in_time() -> None:
    progressive = mains_periods(RASTER)
    lines = {name: getattr(RASTER, name) for name in RASTER.__slots__}
    interlaced = Raster(**{**lines, "height_px": 480, "v_back_lines": 25, "interlaced": True})
    for hz, period in mains_periods(interlaced).items():
        assert period == pytest.approx(2 * progressive[hz])


def test_without_scale_only_the_millimetres_are_missing() -> None:
    seen = [HumView(shifts=v.shifts) for v in views([0.3, 2.0, 4.4], sway_px=1.0, swing=0.06)]
    hum = measure_hum(seen, RASTER)
    assert isinstance(hum.displacement_mm, Unsupported)
    assert isinstance(hum.brightness_pct, Figure)
    assert isinstance(hum.period_lines, Figure)


def test_without_photographs_nothing_is_known() -> None:
    assert isinstance(measure_hum([], RASTER).displacement_mm, Unsupported)


def test_from_three_photographs() -> None:
    """Drawn by the tests' own renderer, each from another place."""
    seen = []
    for k, phase in enumerate((0.3, 2.0, 4.4)):

        def wave(n: Floats, phase: float = phase) -> Floats:
            return np.asarray(np.sin(2 * np.pi * n * 60 / RASTER.line_hz + phase))

        def shift(n: Floats, phase: float = phase) -> Floats:
            return np.asarray(0.3 * wave(n, phase) + 2 * np.exp(-n / 8))

        def brightness(n: Floats, phase: float = phase) -> Floats:
            return np.asarray(1 + 0.025 * wave(n, phase))

        scene = Scene(shift=shift, brightness=brightness, seed=k, roll_deg=1 + k, tilt=0.03 + 0.02 * k)
        shifts = common_shifts(track_bars(*photograph(scene)))
        assert shifts is not None
        seen.append(HumView(shifts=shifts, mm_per_px_x=MM))
    hum = measure_hum(seen, RASTER)
    assert isinstance(hum.displacement_mm, Figure)
    assert hum.displacement_mm.value == pytest.approx(0.6 * MM.value, abs=0.05)
    assert isinstance(hum.brightness_pct, Figure)
    assert hum.brightness_pct.value == pytest.approx(5.0, abs=0.8)
