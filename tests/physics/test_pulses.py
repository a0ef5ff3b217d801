"""The heater's supply: what pulses heat like, what a meter makes of them, and how to reach a target."""

from __future__ import annotations

from typing import get_args

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.physics._arrays import FloatArray
from tubewright.physics.pulses import (
    PulseShape,
    pulse_height_for_rms_v,
    pulse_train,
    rms,
    series_resistor,
    turns_for_target,
)

SHAPES = get_args(PulseShape)
duties = st.floats(0.02, 0.98)


def sampled(shape: PulseShape, height: float, duty: float) -> tuple[FloatArray, FloatArray]:
    """One period written out point by point, with vertical edges as two samples almost in one place."""
    inside = np.linspace(0, duty, 4001)
    phase = inside / duty
    values = {
        "rectangle": np.ones_like(phase),
        "half_sine": np.sin(np.pi * phase),
        "triangle": 1 - np.abs(2 * phase - 1),
    }[shape]
    times = np.concatenate([inside, [duty + 1e-9, 1.0]])
    return times, height * np.concatenate([values, [0.0, 0.0]])


@pytest.mark.parametrize("shape", SHAPES)
@given(duty=duties, height=st.floats(0.1, 100.0))
def test_described_pulses_agree_with_the_same_pulses_sampled(shape: PulseShape, duty: float, height: float) -> None:
    times, values = sampled(shape, height, duty)
    standing = pulse_train(shape, height, duty, 1.0, ac_coupled=False)
    winding = pulse_train(shape, height, duty, 1.0, ac_coupled=True)
    assert standing.rms_v == pytest.approx(float(rms(values, times)), rel=1e-5)
    assert winding.rms_v == pytest.approx(float(rms(values, times, ac_coupled=True)), rel=1e-5)
    mean = np.trapezoid(values, times)
    assert standing.mean_v == pytest.approx(mean, rel=1e-5)
    assert winding.mean_v == 0.0
    rectified = np.trapezoid(np.abs(values - mean), times)
    meter = rectified * np.pi / (2 * np.sqrt(2))
    assert standing.average_meter_v == pytest.approx(meter, rel=2e-3)
    assert winding.average_meter_v == standing.average_meter_v


@pytest.mark.parametrize("ac_coupled", [True, False])
@pytest.mark.parametrize("shape", SHAPES)
@given(duty=duties, target=st.floats(0.5, 30.0))
def test_height_for_a_target_gives_that_target(shape: PulseShape, ac_coupled: bool, duty: float, target: float) -> None:
    height = pulse_height_for_rms_v(target, shape, duty, 1.0, ac_coupled=ac_coupled)
    assert pulse_train(shape, height, duty, 1.0, ac_coupled=ac_coupled).rms_v == pytest.approx(target, rel=1e-9)


def test_rms_of_known_waveforms() -> None:
    turn = np.linspace(0, 2 * np.pi, 1001)
    assert rms(np.sin(turn)) == pytest.approx(np.sqrt(0.5), rel=1e-6)
    assert rms(3.0 + np.sin(turn)) == pytest.approx(np.sqrt(9.5), rel=1e-6)
    assert rms(3.0 + np.sin(turn), ac_coupled=True) == pytest.approx(np.sqrt(0.5), rel=1e-6)
    assert rms([5.0, 5.0]) == 5.0
    assert rms([5.0, 5.0], ac_coupled=True) == 0.0


def test_rms_works_row_by_row_and_with_uneven_samples() -> None:
    rows = np.array([[1.0, 1.0, 1.0], [2.0, 2.0, 2.0]])
    assert rms(rows).tolist() == [1.0, 2.0]
    times = np.sort(np.random.default_rng(7).uniform(0, 2 * np.pi, 5000))
    times[0], times[-1] = 0.0, 2 * np.pi
    assert rms(np.sin(times), times) == pytest.approx(np.sqrt(0.5), rel=1e-4)


@given(st.floats(-50.0, 50.0), st.floats(0.1, 10.0))
def test_rms_scales_and_forgets_the_sign(level: float, factor: float) -> None:
    wave = np.array([level, 1.0, -2.0, level])
    assert rms(-factor * wave) == pytest.approx(factor * float(rms(wave)), rel=1e-9)
    assert rms(wave + 7.0, ac_coupled=True) == pytest.approx(float(rms(wave, ac_coupled=True)), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    ("samples", "times"), [([1.0], None), (1.0, None), ([1.0, 2.0], [0.0, 0.0]), ([1.0, 2.0], [0.0, 1.0, 2.0])]
)
def test_samples_that_make_no_waveform_are_refused(samples: object, times: list[float] | None) -> None:
    with pytest.raises(ValueError, match=r"samples|times_s"):
        rms(np.asarray(samples, dtype=np.float64), times)


def test_averaging_meter_reads_a_flyback_heater_a_quarter_low() -> None:
    """23 to 27 % low for 10.5 to 12 us in a line of 63.6 to 64 us: derived by hand, as the table has it."""
    for width, period in ((12.0, 63.556), (11.0, 64.0), (10.5, 63.556), (6.0, 31.778)):
        height = pulse_height_for_rms_v(6.3, "half_sine", width, period, ac_coupled=True)
        train = pulse_train("half_sine", height, width, period, ac_coupled=True)
        assert 0.22 < 1 - train.average_meter_v / 6.3 < 0.27


def test_full_period_pulse_has_no_edge_left() -> None:
    held = pulse_train("rectangle", 10.0, 1.0, 1.0, ac_coupled=False)
    assert np.array([held.rms_v, held.mean_v, held.average_meter_v]).tolist() == [10.0, 10.0, 0.0]
    assert pulse_height_for_rms_v(6.3, "rectangle", 1.0, 1.0, ac_coupled=True) == np.inf
    with pytest.raises(ValueError, match="exceed period_s"):
        pulse_train("rectangle", 10.0, 2.0, 1.0, ac_coupled=False)


@given(st.floats(6.3, 30.0), st.floats(0.1, 2.0))
def test_resistor_leaves_the_heater_its_voltage(source: float, current: float) -> None:
    drop = series_resistor(source, 6.3, current)
    heater_ohm = 6.3 / current
    assert source * heater_ohm / (heater_ohm + drop.resistance_ohm) == pytest.approx(6.3, rel=1e-9)
    assert drop.dissipation_w == pytest.approx(current**2 * float(drop.resistance_ohm), rel=1e-9, abs=1e-12)
    assert drop.rating_w == 2 * drop.dissipation_w


def test_no_resistor_raises_a_voltage() -> None:
    with pytest.raises(ValueError, match="no resistor"):
        series_resistor(6.0, 6.3, 0.6)


@given(st.floats(1.0, 15.0), st.floats(0.5, 8.0), st.integers(1, 6))
def test_whole_turns_never_overheat_and_one_more_would(target: float, trial_v: float, trial_turns: int) -> None:
    winding = turns_for_target(target, trial_v, trial_turns)
    assert winding.whole_turns_v <= target * (1 + 1e-8)
    assert winding.whole_turns_v + winding.volts_per_turn > target
    assert winding.exact_turns * winding.volts_per_turn == pytest.approx(target, rel=1e-12)
    assert winding.whole_turns_v + winding.short_by_v == pytest.approx(target, rel=1e-8)


def test_target_met_by_whole_turns_loses_none_to_rounding() -> None:
    assert turns_for_target(6.3, 2.1, 1).whole_turns == 3
    assert turns_for_target(0.3, 0.1, 1).whole_turns == 3
