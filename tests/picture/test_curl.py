from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.signal import step

from picture.bar_scenes import Scene, make_raster, photograph
from tubewright.picture.bars import LineShifts, common_shifts, track_bars
from tubewright.picture.curl import measure_top_curl
from tubewright.picture.results import Figure, TopCurl, Unsupported

Floats = NDArray[np.float64]
RASTER = make_raster()
MM = Figure(value=380 / 320, sd=0.0)  # 19 inches
LINE = np.arange(240, dtype=np.float64)


def course(curl_px: Floats, *, noise_px: float = 0.01, bow: Floats | float = 0.0, seed: int = 1) -> LineShifts:
    """The course of the lines as the bars would tell it."""
    rng = np.random.default_rng(seed)
    return LineShifts(
        first=0,
        line=LINE,
        shift_px=curl_px + bow + noise_px * rng.standard_normal(LINE.size),
        shift_sd_px=np.full(LINE.size, noise_px),
        light_ratio=np.ones(LINE.size),
        light_ratio_sd=np.full(LINE.size, 0.01),
        spread_y_px=0.1,
        height_px=240,
        width_px=320,
    )


def figures(curl: TopCurl) -> tuple[Figure, Figure, Figure]:
    values = curl.amplitude_mm, curl.settle_lines, curl.overshoot_ratio
    found = [value for value in values if isinstance(value, Figure)]
    assert len(found) == 3, values
    return found[0], found[1], found[2]


def loop_error(natural_hz: float, damping: float) -> Floats:
    """Phase left of a unit step in a type 2 loop of second order, by line at 15.734 kHz: SciPy's step response."""
    w = 2 * np.pi * natural_hz
    time_s = np.arange(LINE.size) / 15734.264
    _, error = step((np.array([1.0, 0.0, 0.0]), np.array([1.0, 2 * damping * w, w * w])), T=time_s)
    return np.asarray(error, dtype=np.float64)


@pytest.mark.parametrize(
    # Lines to 5 % and overshoot: closed form of the error response (Gardner, Phaselock Techniques, 3rd ed. 2005,
    # chapter 2), worked out by line for 63.5556 us.
    ("natural_hz", "damping", "settle_lines", "overshoot"),
    [(150, 0.7, 73, 0.21027), (300, 0.7, 37, 0.21004), (500, 1.0, 21, 0.13533), (1000, 0.7, 11, 0.20753)],
)
def test_a_loops_phase_step_comes_back_with_its_settling(
    natural_hz: float, damping: float, settle_lines: float, overshoot: float
) -> None:
    amplitude, settle, swing = figures(
        measure_top_curl(course(3 * loop_error(natural_hz, damping), noise_px=0.003), RASTER, MM)
    )
    # The slowest of them takes a third of the height, and a bow takes a share of it: its spread says so.
    assert abs(amplitude.value - 3 * MM.value) < max(0.1, 2 * amplitude.sd)
    assert amplitude.sd < (0.1 if natural_hz > 150 else 0.8)
    assert settle.value == pytest.approx(settle_lines, abs=1.3)  # counted in whole lines there, by crossing here
    assert abs(swing.value - overshoot) < max(0.012, 2 * swing.sd)


@pytest.mark.parametrize(
    ("amplitude_mm", "decay_lines"),
    [(0.5, 3.0), (0.5, 10.0), (0.5, 20.0), (-3.0, 3.0), (-3.0, 20.0), (8.0, 3.0), (8.0, 20.0)],
)
def test_a_decay_is_told_beside_a_bow(amplitude_mm: float, decay_lines: float) -> None:
    t = 2 * LINE / 239 - 1
    bow = 3 * t**2 + 0.8 * t**3
    curl = measure_top_curl(course(amplitude_mm / MM.value * np.exp(-LINE / decay_lines), bow=bow), RASTER, MM)
    if amplitude_mm == 0.5 and decay_lines == 20.0:
        # Half a millimetre over a quarter of the height: a bow does as much.
        assert isinstance(curl.settle_lines, Unsupported)
        return
    amplitude, settle, swing = figures(curl)
    assert abs(amplitude.value - amplitude_mm) < max(0.2, 2.5 * amplitude.sd)
    assert amplitude.sd < 0.3 * abs(amplitude_mm)
    assert settle.value == pytest.approx(np.log(20) * decay_lines, rel=0.15)
    assert swing.value < 0.05


@pytest.mark.parametrize("bow", ["straight", "bow", "s"])
@pytest.mark.parametrize("seed", [1, 2])
def test_no_curl_is_made_out_of_a_bow(bow: str, seed: int) -> None:
    t = 2 * LINE / 239 - 1
    shape = {"straight": 0 * t, "bow": 4 * t**2, "s": 2 * t**3}[bow]
    curl = measure_top_curl(course(0 * LINE, bow=shape, seed=seed), RASTER, MM)
    assert isinstance(curl.amplitude_mm, Figure)
    assert abs(curl.amplitude_mm.value) <= 2 * curl.amplitude_mm.sd
    assert 0 < curl.amplitude_mm.sd < 0.5
    assert isinstance(curl.settle_lines, Unsupported)
    assert isinstance(curl.overshoot_ratio, Unsupported)


def test_mirrored_lines_bend_the_other_way() -> None:
    right = figures(measure_top_curl(course(2 * np.exp(-LINE / 8), noise_px=0.005), RASTER, MM))
    mirrored = course(2 * np.exp(-LINE / 8), noise_px=0.005)
    left = figures(
        measure_top_curl(
            LineShifts(**{**{n: getattr(mirrored, n) for n in mirrored.__slots__}, "shift_px": -mirrored.shift_px}),
            RASTER,
            MM,
        )
    )
    assert left[0].value == pytest.approx(-right[0].value, rel=1e-2)
    assert left[1].value == pytest.approx(right[1].value, rel=1e-2)


def test_what_the_mains_does_below_is_not_the_curls() -> None:
    period = RASTER.line_hz / 120
    sway = 0.4 * np.sin(2 * np.pi * LINE / period + 1)
    amplitude, settle, _ = figures(measure_top_curl(course(3 * np.exp(-LINE / 6) + sway), RASTER, MM))
    assert amplitude.value == pytest.approx(3 * MM.value, abs=0.2)
    assert settle.value == pytest.approx(6 * np.log(20), rel=0.15)


def test_the_profile_is_the_curl_without_the_geometry() -> None:
    t = 2 * LINE / 239 - 1
    true = 3 * np.exp(-LINE / 6)
    curl = measure_top_curl(course(true, bow=3 * t**2), RASTER, MM)
    assert curl.profile is not None
    np.testing.assert_allclose(curl.profile.displacement_mm, true * MM.value, atol=0.15)
    np.testing.assert_allclose(curl.profile.fitted_mm, true * MM.value, atol=0.12)


@pytest.mark.parametrize(
    ("shifts", "mm", "word"),
    [(None, MM, "followed"), (course(0 * LINE), None, "scale")],
    ids=["no bars", "no scale"],
)
def test_what_is_missing_is_named(shifts: LineShifts | None, mm: Figure | None, word: str) -> None:
    curl = measure_top_curl(shifts, RASTER, mm)
    assert isinstance(curl.amplitude_mm, Unsupported)
    assert word in curl.amplitude_mm.reason
    assert curl.profile is None


@pytest.mark.parametrize(
    ("amplitude_px", "decay_lines", "turn"),
    [(0.42, 10, 0.0), (5.0, 4, 0.0), (-4.0, 12, 1.5)],
    ids=["half a millimetre", "fast", "swinging"],
)
def test_from_the_photograph(amplitude_px: float, decay_lines: float, turn: float) -> None:
    """Bars drawn by the tests' own renderer, mask and noise included, through to the figures."""

    def shift(n: Floats) -> Floats:
        return np.asarray(amplitude_px * np.exp(-n / decay_lines) * np.cos(turn * n / decay_lines))

    scene = Scene(shift=shift, mask_depth=0.4, bow=lambda s, t: 2 * t**2 * (1 + s) + t**3, radial=0.004)
    photo, sighting = photograph(scene)
    amplitude, settle, swing = figures(measure_top_curl(common_shifts(track_bars(photo, sighting)), scene.raster, MM))
    true = shift(LINE) / shift(np.zeros(1))
    unsettled = np.flatnonzero(np.abs(true) > 0.05)[-1] + 1
    assert amplitude.value == pytest.approx(amplitude_px * MM.value, abs=0.2)
    assert abs(settle.value - unsettled) < max(0.15 * unsettled, 2 * settle.sd)
    assert settle.sd < 0.15 * unsettled
    assert swing.value == pytest.approx(max(0.0, -float(true.min())), abs=0.03)
