"""Figures of a loop against the textbook's worked loops, and against the loop itself when it is run."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from physics.afc.loops import MIDDLE, QUICK, SLOW
from tubewright.physics.afc.figures import LoopFigures, capture_hz, loop_figures, natural_and_damping
from tubewright.physics.afc.inverse import loop_of
from tubewright.physics.afc.loop import run
from tubewright.physics.afc.parts import AfcParts, Detector, side_by_side
from tubewright.physics.afc.source import progressive

LINE_HZ = progressive(262).line_hz


def figures(*parts: AfcParts, line_hz: float = LINE_HZ, detector: Detector | None = None) -> LoopFigures:
    return loop_figures(parts, line_hz=line_hz, field_hz=60.0, mains_hz=50.0, detector=detector)


def worked(gain_rad_per_s: float, series_ohm: float, damping_ohm: float, capacitor_uf: float) -> AfcParts:
    return AfcParts(
        detector_v_per_rad=1.0,
        series_ohm=series_ohm,
        damping_ohm=damping_ohm,
        capacitor_uf=capacitor_uf,
        oscillator_hz_per_v=gain_rad_per_s / (2 * np.pi),
    )


@pytest.mark.parametrize(
    ("gain", "series", "damping", "capacitor_uf", "natural_hz", "ratio"),
    [
        # Best, Phase-Locked Loops, equation 3.13, worked: K = 2 pi 1000, 12 k, 5.6 k, 0.1 uF.
        (2 * np.pi * 1000, 12e3, 5.6e3, 0.1, 300.714, 0.67940),
        # The same with the capacitor at half, and at twice its value.
        (2 * np.pi * 1000, 12e3, 5.6e3, 0.047, 438.64, 0.58201),
        (2 * np.pi * 1000, 12e3, 5.6e3, 0.22, 202.74, 0.88607),
        # K 12 566.4, R1 C 22 ms, R2 C 2.2 ms.
        (12566.4, 22e3, 2.2e3, 1.0, 114.69, 0.82134),
    ],
)
def test_natural_frequency_and_damping_are_the_textbooks(
    gain: float, series: float, damping: float, capacitor_uf: float, natural_hz: float, ratio: float
) -> None:
    natural, found = natural_and_damping(side_by_side([worked(gain, series, damping, capacitor_uf)]))
    assert float(natural[0]) == pytest.approx(natural_hz, rel=2e-5)
    assert float(found[0]) == pytest.approx(ratio, rel=2e-5)


@pytest.mark.parametrize(
    ("parts", "bandwidth_hz"),
    # One-sided noise bandwidth by numerical integration of |H|^2, exact passive form; the high-gain shortcut is
    # 5 % and 34 % high on these two.
    [(worked(12566.4, 22e3, 2.2e3, 1.0), 385.30), (worked(2 * np.pi * 1000, 12e3, 5.6e3, 0.1), 736.82)],
)
def test_noise_bandwidth_is_the_exact_integral_when_decisions_are_many(parts: AfcParts, bandwidth_hz: float) -> None:
    assert float(figures(parts, line_hz=4e6).noise_bandwidth_hz[0]) == pytest.approx(bandwidth_hz, rel=2e-3)


@pytest.mark.parametrize(("damping", "over_natural"), [(0.3, 0.56667), (0.5, 0.5), (0.7071, 0.53033), (2.0, 1.0625)])
def test_noise_bandwidth_with_high_gain(damping: float, over_natural: float) -> None:
    """Published ratios of noise bandwidth to natural frequency in radians a second; a half is the least there is."""
    found = figures(loop_of(100.0, damping, 3000.0, 0.0), line_hz=2e6).noise_bandwidth_hz[0]
    assert float(found) / (2 * np.pi * 100) == pytest.approx(over_natural, rel=3e-3)


@pytest.mark.parametrize(("damping", "at"), [(0.5, 1.81735), (0.7071, 2.05817), (1.0, 2.48239), (2.0, 4.24916)])
def test_what_is_followed_is_down_by_3_db_where_the_textbook_says(damping: float, at: float) -> None:
    parts = loop_of(100.0, damping, 3000.0, 0.0)
    found = loop_figures([parts], line_hz=2e6, field_hz=60.0, mains_hz=100.0 * at)
    assert float(found.sync_mains_db[0]) == pytest.approx(-3.0103, abs=0.02)


def test_jitter_is_that_of_a_run_with_jitter() -> None:
    source, rng = progressive(262), np.random.default_rng(5)
    sent_us = rng.normal(0.0, 0.05, size=(60, source.frame_slots))
    quiet = replace(MIDDLE, free_run_error_hz=0.0)
    lines, state = [], None
    for frame in sent_us:
        found = run([quiet], source, start=state, jitter_us=frame[None])
        state = found.state
        lines.append(found.phase_rad[0])
    spread_us = np.std(np.concatenate(lines[2:])) * source.line_us / (2 * np.pi)
    assert spread_us / 0.05 == pytest.approx(float(figures(quiet).jitter_ratio[0]), rel=0.05)


@pytest.mark.parametrize("parts", [MIDDLE, replace(SLOW, capacitor_uf=4.7)])
def test_a_slow_sway_of_sync_is_followed_as_far_as_said(parts: AfcParts) -> None:
    source, frames = progressive(262), 40
    at_s = np.arange(frames * source.frame_slots) / (2 * source.line_hz)
    sway_us = 0.2 * np.sin(2 * np.pi * 50.0 * at_s).reshape(frames, -1)
    state, lines = None, []
    for frame in sway_us:
        found = run([replace(parts, free_run_error_hz=0.0)], source, start=state, jitter_us=frame[None])
        state = found.state
        lines.append(found.phase_rad[0])
    course = np.concatenate(lines)[len(lines[0]) * 10 :]
    turn = np.exp(-2j * np.pi * 50.0 * at_s[::2][len(lines[0]) * 10 :])
    size_us = 2 * np.abs((course * turn).mean()) * source.line_us / (2 * np.pi)
    assert 20 * np.log10(size_us / 0.2) == pytest.approx(float(figures(parts).sync_mains_db[0]), abs=0.3)


@pytest.mark.parametrize(
    ("detector", "most"),
    [
        (Detector(), np.pi / 2),
        (Detector(characteristic="sine"), 1.0),
        (Detector(characteristic="sawtooth"), np.pi),
    ],
)
def test_the_hold_range_is_where_a_run_loses_lock(detector: Detector, most: float) -> None:
    hold = float(figures(MIDDLE, detector=detector).hold_hz[0])
    assert hold == pytest.approx(MIDDLE.oscillator_hz_per_v * MIDDLE.detector_v_per_rad * most)
    inside, beyond = (replace(MIDDLE, free_run_error_hz=r * hold) for r in (0.99, 1.01))
    found = run([inside, beyond], progressive(262), detector, most_frames=1).phase_rad
    assert np.isfinite(found[0]).all()
    assert np.isnan(found[1]).all()


def test_static_error_is_error_over_gain() -> None:
    """50 Hz over a gain of 6283 a second are 0.05 rad, 0.506 us of a line; arithmetic."""
    parts = replace(worked(2 * np.pi * 1000, 12e3, 5.6e3, 0.1), free_run_error_hz=50.0)
    assert float(figures(parts).static_us[0]) == pytest.approx(0.5058, abs=1e-4)


@pytest.mark.parametrize("detector", [Detector(), Detector(characteristic="sine"), Detector(characteristic="sawtooth")])
def test_capture_lies_within_hold_and_below_the_sines_own_bounds(detector: Detector) -> None:
    hold = float(figures(MIDDLE, detector=detector).hold_hz[0])
    found = capture_hz(MIDDLE, line_hz=LINE_HZ, detector=detector)
    assert 0 < found <= hold
    if detector.characteristic == "sine":
        natural, damping = (float(v[0]) for v in natural_and_damping(side_by_side([MIDDLE])))
        gain = 2 * np.pi * hold
        lock = 2 * damping * natural
        omega = 2 * np.pi * natural
        pull_in = np.sqrt(2) * np.sqrt(2 * damping * omega * gain - omega**2) / (2 * np.pi)
        # From memory, Best: the loop locks at once within about 2 zeta omega, and pulls itself in up to about pull_in.
        assert 0.5 * lock < found < 1.3 * pull_in


def test_a_first_order_like_loop_captures_as_far_as_it_holds() -> None:
    """With next to no lag in the filter pull-in and hold are one; textbook."""
    parts = replace(MIDDLE, series_ohm=100.0, detector_ohm=0.0, damping_ohm=20e3, shunt_nf=0.0)
    detector = Detector(characteristic="sine")
    hold = float(figures(parts, detector=detector).hold_hz[0])
    assert capture_hz(parts, line_hz=LINE_HZ, detector=detector) > 0.9 * hold


def test_a_leak_costs_hold_range() -> None:
    sound, leaky = figures(MIDDLE, replace(MIDDLE, capacitor_leak_ohm=12.2e3)).hold_hz
    assert leaky / sound == pytest.approx((2.2 + 12.2) / (2.2 + 12.2 + 12.2))


def test_a_loop_that_swings_up_by_itself_is_seen() -> None:
    wild = replace(QUICK, detector_v_per_rad=200.0, shunt_nf=100.0)
    found = figures(wild, MIDDLE)
    assert found.largest_pole_ratio[0] > 1 > found.largest_pole_ratio[1]
    assert np.isnan(found.jitter_ratio[0])


@pytest.mark.parametrize("parts", [SLOW, replace(SLOW, shunt_nf=0.0)])
def test_ripple_at_line_rate_is_the_networks_divider(parts: AfcParts) -> None:
    turn = 2j * np.pi * LINE_HZ
    branch = parts.damping_ohm + 1 / (turn * parts.capacitor_uf * 1e-6)
    if parts.shunt_nf:
        shunt = 1 / (turn * parts.shunt_nf * 1e-9)
        branch = branch * shunt / (branch + shunt)
    expected = 20 * np.log10(abs(branch / (branch + parts.detector_ohm + parts.series_ohm)))
    assert float(figures(parts).ripple_db[0]) == pytest.approx(expected, abs=1e-9)


def test_a_rate_of_zero_is_refused() -> None:
    with pytest.raises(ValueError, match="above zero"):
        loop_figures([MIDDLE], line_hz=0.0, field_hz=60.0, mains_hz=50.0)
