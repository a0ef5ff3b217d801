"""Filter, drop-out, bars, stored charge and retrace: against worked figures, ngspice and each other."""

from __future__ import annotations

import doctest
from pathlib import Path
from types import ModuleType
from typing import Any, Final

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from physics.supply_spice import netlist, run
from tubewright.physics import anode, regulator, retrace, ripple_picture, supply_filter
from tubewright.physics.rectifier import Rectifier, capacitor_input, rectifier_course

BRIDGE: Final[dict[str, Any]] = {"peak_v": 170.0, "mains_hz": 60.0, "source_ohm": 2.0, "diode_v": 0.0}


@pytest.mark.parametrize("module", [supply_filter, regulator, ripple_picture, anode, retrace], ids=lambda m: m.__name__)
def test_examples_in_the_docstrings_hold(module: ModuleType) -> None:
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0


# Filter -------------------------------------------------------------------------------

FILTERS: Final = (
    # second capacitor uF, resistor ohm, load A; ripple and valley by ngspice 39 with the netlist of supply_spice.py
    (47.0, 100.0, 0.1, 1.5361, 154.297),
    (100.0, 47.0, 0.2, 2.7926, 150.260),
    (470.0, 22.0, 0.5, 2.7167, 139.389),
    (22.0, 220.0, 0.05, 0.7859, 155.860),
)


@pytest.mark.parametrize(("uf", "ohm", "amps", "ripple_v", "valley_v"), FILTERS)
def test_a_filter_as_ngspice_measured_it(
    uf: float, ohm: float, amps: float, ripple_v: float, valley_v: float, tmp_path: Path
) -> None:
    found = supply_filter.filtered_output(
        "bridge", filter_ohm=ohm, filter_f=uf * 1e-6, reservoir_f=100e-6, load_a=amps, esr_ohm=0.5, **BRIDGE
    )
    # Never below: what is promised is kept.
    assert 0 <= float(found.ripple_pp_v) / ripple_v - 1 < 0.06
    assert float(found.min_v) == pytest.approx(valley_v, rel=5e-3)
    spiced = run(
        netlist(
            "bridge",
            peak_v=170,
            mains_hz=60,
            source_ohm=2,
            reservoir_f=100e-6,
            esr_ohm=0.5,
            load_a=amps,
            filter_ohm=ohm,
            filter_f=uf * 1e-6,
            start_v=float(found.mean_v),
        ),
        tmp_path,
    )
    assert spiced["out_max_v"] - spiced["out_min_v"] == pytest.approx(ripple_v, rel=0.01)
    assert spiced["out_min_v"] == pytest.approx(valley_v, rel=1e-3)


@settings(max_examples=8)
@given(st.sampled_from(["half_wave", "bridge", "doubler"]), st.floats(0.5, 12))
def test_the_reservoir_found_gives_the_ripple_wanted(kind: Rectifier, wanted: float) -> None:
    parts = {**BRIDGE, "load_a": 0.3}
    farads = supply_filter.reservoir_for_ripple_f(wanted, kind, **parts)
    state = capacitor_input(kind, reservoir_f=float(farads), **parts)
    assert float(state.ripple_pp_v) == pytest.approx(wanted, rel=1e-6)


def test_what_no_reservoir_can_do_is_not_a_number() -> None:
    needed = supply_filter.reservoir_for_ripple_f([0.2, 5.0], "bridge", load_a=0.5, esr_ohm=1.0, **BRIDGE)
    assert np.isnan(needed).tolist() == [True, False]
    assert np.isnan(supply_filter.reservoir_for_ripple_f(5.0, "bridge", load_a=200.0, **BRIDGE))


def test_the_second_capacitor_leaves_no_more_than_wanted() -> None:
    state = capacitor_input("bridge", reservoir_f=100e-6, load_a=0.1, **BRIDGE)
    for wanted in (0.2, 1.0, 3.0):
        farads = supply_filter.filter_for_ripple_f(float(state.ripple_pp_v), wanted, 120.0, 100.0)
        left = supply_filter.filtered_output(
            "bridge", filter_ohm=100.0, filter_f=farads, reservoir_f=100e-6, load_a=0.1, **BRIDGE
        )
        assert 0.6 * wanted < float(left.ripple_pp_v) <= wanted
    assert supply_filter.filter_for_ripple_f(1.0, 2.0, 120.0, 100.0) == 0.0


def test_inrush_is_a_charged_step() -> None:
    """325 V into 4 ohm and 100 uF by small steps: the peak and the integral of the square."""
    step, held, square, peak = 1e-7, 0.0, 0.0, 0.0
    for _ in range(40_000):
        amps = (325.0 - held) / 4.0
        peak, square, held = max(peak, amps), square + amps**2 * step, held + amps * step / 100e-6
    first = supply_filter.inrush(325.0, 100e-6, 3.0, 1.0)
    assert (float(first.peak_a), float(first.square_a2_s)) == pytest.approx((peak, square), rel=1e-3)
    assert np.isinf(supply_filter.inrush(325.0, 100e-6, 0.0).peak_a)


# Drop-out ------------------------------------------------------------------------------

RAW: Final[dict[str, Any]] = {"output_v": 130.0, "dropout_v": 5.0, "reservoir_f": 220e-6, **BRIDGE}


def test_at_the_least_mains_and_at_the_most_load_nothing_is_to_spare() -> None:
    ratio = regulator.least_mains_ratio("bridge", load_a=0.6, **RAW)
    at_least = regulator.headroom("bridge", load_a=0.6, mains_ratio=ratio, **RAW)
    assert float(at_least.spare_v) == pytest.approx(0, abs=1e-6)
    most = regulator.most_load_a("bridge", **RAW)
    assert float(regulator.headroom("bridge", load_a=most, **RAW).spare_v) == pytest.approx(0, abs=1e-6)
    assert most > 0.6
    assert ratio < 1


def test_a_valley_that_is_too_low_comes_through() -> None:
    left = regulator.headroom("bridge", load_a=0.6, mains_ratio=[0.8, 1.0, 1.1], **RAW)
    assert left.spare_v[0] < 0 < left.spare_v[1] < left.spare_v[2]
    assert left.dip_v.tolist() == [-left.spare_v[0], 0.0, 0.0]
    assert left.regulator_w[2] > left.regulator_w[1] > 0


def test_a_regulator_that_asks_for_more_than_the_winding_gives() -> None:
    assert np.isnan(regulator.most_load_a("bridge", **{**RAW, "output_v": 180.0}))
    assert float(regulator.least_mains_ratio("bridge", load_a=0.6, **{**RAW, "output_v": 180.0})) > 1.1


# Picture --------------------------------------------------------------------------------


def test_low_bplus_narrows_the_picture_as_a_bench_found_it() -> None:
    """B+ 107 V of 120 V with a width of 94 %: a worked case of the trade."""
    assert float(ripple_picture.width_ratio(107 / 120)) == pytest.approx(0.94, abs=0.005)
    assert float(ripple_picture.width_ratio(0.9, shares_supply=False)) == 0.9


def test_sway_is_the_slope_of_the_width_for_a_small_ripple() -> None:
    # d(width)/width = half of dB/B, and each edge takes half of it.
    assert float(ripple_picture.edge_sway_mm(1.2, 120.0, 400.0)) == pytest.approx(400 / 4 * 0.01, rel=1e-4)
    assert float(ripple_picture.edge_sway_mm(1.2, 120.0, 400.0, shares_supply=False)) == pytest.approx(2.0, rel=1e-4)


def test_bars_at_the_rates_of_the_trade() -> None:
    bars = ripple_picture.hum_bars([60.0, 120.0, 60.0, 100.0], [60.6, 60.6, 60.0, 50.08])
    assert bars.bars_count.tolist() == [1, 2, 1, 2]
    assert bars.screen_s[:2] == pytest.approx([1 / 0.6, 1 / 0.6])
    assert bars.screen_s[2] == np.inf
    assert bars.screen_s[3] == pytest.approx(12.5)


@settings(max_examples=50)
@given(st.sampled_from([1, 2]), st.floats(45, 65), st.floats(-1.5, 1.5))
def test_bars_move_as_a_picture_written_field_by_field_shows(count: int, ripple: float, off: float) -> None:
    """The crest of the ripple is looked for in two fields that follow each other."""
    field = ripple + off
    bars = ripple_picture.hum_bars(count * ripple, field)
    place = np.linspace(0.2, 0.8, 20_001) if count == 1 else np.linspace(0.1, 0.6, 20_001)

    def crest(number: int) -> float:
        phase = 2 * np.pi * count * ripple * (number + place) / field
        return float(place[np.argmax(np.cos(phase - shift))])

    shift = 2 * np.pi * count * ripple * (0.5 if count == 1 else 0.35) / field
    moved = (crest(1) - crest(0)) * field
    seconds = float(bars.screen_s)
    assert moved == pytest.approx(0.0 if np.isinf(seconds) else np.sign(float(bars.beat_hz)) / seconds, abs=0.05)


@given(st.sampled_from([1, 2, 3]), st.floats(45, 65), st.floats(-0.4, 0.4))
def test_bars_turned_round_give_their_origin(count: int, field: float, beat: float) -> None:
    ripple = count * field - beat
    bars = ripple_picture.hum_bars(ripple, field)
    back = ripple_picture.ripple_from_bars_hz(bars.bars_count, bars.screen_s, field, np.sign(bars.beat_hz))
    assert float(back) == pytest.approx(ripple, rel=1e-9)


def test_light_follows_the_drive() -> None:
    assert float(ripple_picture.brightness_ratio(2.0, 40.0, 3.0)) == pytest.approx((41 / 39) ** 3)
    assert np.isinf(ripple_picture.brightness_ratio(90.0, 40.0, 3.0))


def test_line_sway_is_the_static_error_of_the_loop() -> None:
    """50 Hz of pull on K = 2 pi 1000 rad/s is 0.05 rad of a line, as worked for a lead-lag loop."""
    millimetres = ripple_picture.line_sway_mm(50.0, 2 * np.pi * 1000, 100.0, 1.0)
    assert float(millimetres) == pytest.approx(100 * 0.05 / (2 * np.pi))


# Anode ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("farads", "volts", "joules", "coulombs"),
    [
        (1.5e-9, 19e3, 0.27075, 28.5e-6),
        (1.5e-9, 20e3, 0.300, 30e-6),
        (2e-9, 25e3, 0.625, 50e-6),
        (2.5e-9, 27e3, 0.91125, 67.5e-6),
        (2.5e-9, 27.5e3, 0.9453125, 68.75e-6),
    ],
)
def test_charge_and_energy_as_worked(farads: float, volts: float, joules: float, coulombs: float) -> None:
    assert float(anode.stored_energy_j(farads, volts)) == pytest.approx(joules)
    assert float(anode.stored_charge_c(farads, volts)) == pytest.approx(coulombs)


@pytest.mark.parametrize(
    ("ohm", "seconds", "amps"), [(1e9, 8.910, 19e-6), (1e6, 8.91e-3, 19e-3), (1e5, 0.891e-3, 0.19)]
)
def test_discharge_as_worked(ohm: float, seconds: float, amps: float) -> None:
    found = anode.discharge(1.5e-9, 19e3, ohm, 50.0)
    assert float(found.time_s) == pytest.approx(seconds, rel=1e-3)
    assert float(found.peak_a) == pytest.approx(amps)
    # Nearly all of the energy goes into the resistor.
    assert float(found.resistor_j) == pytest.approx(0.27075, rel=1e-4)


def test_a_charge_below_the_wanted_voltage_needs_no_time() -> None:
    assert float(anode.discharge(1e-9, 30.0, 1e6, 50.0).time_s) == 0.0


def test_recovery_is_bounded_and_never_nothing() -> None:
    back = anode.recovery(2e-9, np.array([10e3, 25e3]))
    assert np.all(back.low_v > 0)
    assert np.all(back.high_v / back.low_v > 100)
    assert np.all(back.high_j < anode.stored_energy_j(2e-9, np.array([10e3, 25e3])))


# Retrace -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("mh", "nf", "us"), [(1.5, 6.8, 10.0334), (0.25, 33.0, 9.0235), (1.5, 6.12, 9.5185)])
def test_retrace_time_as_worked(mh: float, nf: float, us: float) -> None:
    assert float(retrace.retrace_time_s(mh * 1e-3, nf * 1e-9)) * 1e6 == pytest.approx(us, rel=1e-4)


@pytest.mark.parametrize(("us", "volts"), [(10.0334, 1031.71), (11.0, 935.54), (9.5185, 1090.92)])
def test_the_pulse_as_worked(us: float, volts: float) -> None:
    assert float(retrace.pulse_peak_v(110.0, 63.5556e-6, us * 1e-6)) == pytest.approx(volts, rel=1e-4)


def test_the_pulse_balances_the_scan() -> None:
    """A coil has no mean voltage: B+ during scan against the half sine during retrace."""
    line, back, supply = 64e-6, 11e-6, 120.0
    peak = float(retrace.pulse_peak_v(supply, line, back))
    times = np.linspace(0, back, 100_001)
    pulse = np.trapezoid((peak - supply) * np.sin(np.pi * times / back) - 0 * times, times)
    # The transistor's side of the coil stands on B+ and its pulse above that.
    assert pulse == pytest.approx(supply * (line - back), rel=1e-6)


@given(st.floats(0.3, 0.99))
def test_less_tuning_is_more_anode_voltage(share: float) -> None:
    before = 11e-6
    ratio = retrace.anode_ratio((120, 120), (64e-6, 64e-6), (before, before * share**0.5))
    assert 1 < ratio.low_ratio < ratio.high_ratio
    assert ratio.low_ratio > share**-0.5 * 0.85
    same = retrace.anode_ratio((100, 120), (64e-6, 64e-6), (before, before))
    assert (float(same.low_ratio), float(same.high_ratio)) == pytest.approx((1.2, 1.2))


def test_a_retrace_as_long_as_the_line_is_refused() -> None:
    with pytest.raises(ValueError, match="shorter"):
        retrace.pulse_peak_v(110.0, 10e-6, 11e-6)


def test_a_course_is_the_sum_of_its_pulses() -> None:
    course = rectifier_course("half_wave", peak_v=40.0, mains_hz=50.0, reservoir_f=1e-3, load_a=0.2, points=720)
    assert course.pulse_a[course.feed_v < course.output_v - 0.5].max() == pytest.approx(0.0, abs=1e-9)
