"""The loop over a field: textbook responses, and the laws that any such loop obeys."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.linalg
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from physics.afc.loops import MIDDLE, QUICK, SLOW, flat
from tubewright.physics.afc import loop
from tubewright.physics.afc.inverse import loop_of
from tubewright.physics.afc.loop import free_of_field_pulses, run
from tubewright.physics.afc.parts import (
    CHARACTERISTICS,
    ONE,
    PHASE,
    AfcParts,
    Characteristic,
    Detector,
    equilibrium,
    exponential,
    output,
    rates,
    side_by_side,
    wrapped,
)
from tubewright.physics.afc.source import SyncSource, progressive, standard_525, standard_625

LINE_HZ = standard_525().line_hz
FINE = 24
"""So many decisions a line make the loop all but continuous, as the textbook's is."""

some_parts = st.builds(
    AfcParts,
    detector_v_per_rad=st.floats(0.5, 5.0),
    detector_ohm=st.floats(0.0, 5e3),
    series_ohm=st.floats(2e3, 5e4),
    damping_ohm=st.floats(300.0, 5e3),
    capacitor_uf=st.floats(0.05, 4.7),
    shunt_nf=st.floats(0.0, 22.0),
    oscillator_hz_per_v=st.floats(50.0, 500.0),
    free_run_error_hz=st.floats(-30.0, 30.0),
)


def step_left(parts: AfcParts, lines: int, *, fine: int = FINE) -> NDArray[np.float64]:
    """What is left of a phase step of 1 after each line, with so many decisions in a line."""
    state = np.zeros((1, 5))
    state[0, PHASE], state[0, ONE] = -1.0, 1.0
    detector = Detector(characteristic="sawtooth")
    phase = free_of_field_pulses([parts], detector, state, line_hz=LINE_HZ * fine, lines=(lines + 1) * fine)
    return -phase[0, ::fine][: lines + 1]


# Textbook second-order loop with high gain, error left of a phase step at lines of 63.5556 us.
# Source: closed form of Gardner, Phaselock Techniques, 3rd ed. 2005, chapter 2, evaluated for these.
@pytest.mark.parametrize(
    ("natural_hz", "damping", "at_5", "at_10", "at_20", "lowest", "lowest_line"),
    [
        (150.0, 0.7, 0.623687, 0.330902, -0.036385, -0.21027, 37),
        (300.0, 0.7, 0.330902, -0.036385, -0.207530, -0.21004, 19),
        (500.0, 1.0, 0.000616, -0.135335, -0.055192, -0.13533, 10),
        (1000.0, 0.7, -0.204051, -0.075660, 0.005127, -0.20753, 6),
    ],
)
def test_a_phase_step_dies_away_as_the_textbook_says(
    natural_hz: float, damping: float, at_5: float, at_10: float, at_20: float, lowest: float, lowest_line: int
) -> None:
    left = step_left(loop_of(natural_hz, damping, 5000.0, 0.0), 90)
    # The hold of a 24th of a line is left: 1 % of a step in the quickest loop.
    assert left[[5, 10, 20]] == pytest.approx([at_5, at_10, at_20], abs=0.011)
    assert left.min() == pytest.approx(lowest, abs=0.011)
    assert abs(int(left.argmin()) - lowest_line) <= 1


@pytest.mark.parametrize(
    ("natural_hz", "damping", "within_5", "within_2"), [(300.0, 0.7, 37, 41), (500.0, 1.0, 21, 28)]
)
def test_lines_to_settle_are_the_textbooks(natural_hz: float, damping: float, within_5: int, within_2: int) -> None:
    left = np.abs(step_left(loop_of(natural_hz, damping, 5000.0, 0.0), 120))
    for share, lines in ((0.05, within_5), (0.02, within_2)):
        assert abs(int(np.flatnonzero(left > share).max()) + 1 - lines) <= 1


@pytest.mark.parametrize(("damping", "peak"), [(0.5, 0.54629), (0.7071, 0.45594), (1.0, 0.36788)])
def test_a_frequency_step_peaks_as_the_textbook_says(damping: float, peak: float) -> None:
    """Peak error times natural frequency over the step; computed from the closed form, 1/e at critical damping."""
    natural_hz = 300.0
    parts = loop_of(natural_hz, damping, 5000.0, 5.0)
    state = np.zeros((1, 5))
    state[0, ONE] = 1.0
    phase = free_of_field_pulses([parts], Detector(), state, line_hz=LINE_HZ * FINE, lines=60 * FINE)[0]
    assert phase.max() * natural_hz / 5.0 == pytest.approx(peak, rel=0.01)


def test_finer_decisions_come_to_one_answer() -> None:
    parts = loop_of(300.0, 0.7, 20.0, 0.0)
    coarse, fine, finest = (step_left(parts, 40, fine=n) for n in (4, 8, 16))
    first, second = np.abs(coarse - finest).max(), np.abs(fine - finest).max()
    # Errors of first order: 1/4 - 1/16 against 1/8 - 1/16.
    assert first / second == pytest.approx(3, rel=0.1)


@pytest.mark.parametrize("driven", [True, False])
@pytest.mark.parametrize("parts", [SLOW, QUICK, replace(QUICK, shunt_nf=0.0)])
def test_the_exponential_is_that_of_a_reference_library(parts: AfcParts, driven: bool) -> None:
    matrix = rates(side_by_side([parts]), driven=driven)
    for seconds in (1e-7, 32e-6, 64e-6, 1e-3):
        theirs = scipy.linalg.expm(matrix[0] * seconds)
        assert exponential(matrix * seconds)[0] == pytest.approx(theirs, rel=1e-9, abs=1e-12)


@settings(max_examples=20)
@given(parts=some_parts)
def test_halves_of_a_step_make_the_step(parts: AfcParts) -> None:
    matrix = rates(side_by_side([parts]), driven=True) * 64e-6
    half = exponential(matrix / 2)
    assert half @ half == pytest.approx(exponential(matrix), rel=1e-9, abs=1e-10)


@settings(max_examples=15)
@given(parts=some_parts)
def test_without_a_free_running_error_nothing_bends(parts: AfcParts) -> None:
    found = run([replace(parts, free_run_error_hz=0.0)], flat(6), most_frames=2)
    assert np.abs(found.phase_rad).max() < 1e-12


@settings(max_examples=15)
@given(parts=some_parts, factor=st.floats(-2.0, 2.0))
def test_small_errors_bend_in_proportion_and_either_way(parts: AfcParts, factor: float) -> None:
    quiet = Detector(characteristic="sawtooth")
    # Side by side, so that both are run equally often.
    both = [parts, replace(parts, free_run_error_hz=factor * parts.free_run_error_hz)]
    one, other = run(both, flat(4), quiet, most_frames=3).phase_rad
    assert other == pytest.approx(factor * one, rel=1e-6, abs=1e-9)


@pytest.mark.parametrize(
    "source", [flat(), flat(5, mid_line=True), standard_525(), standard_625()], ids=lambda s: s.name
)
@pytest.mark.parametrize(
    "detector",
    [Detector(), Detector(gated=True), Detector(characteristic="sine"), Detector(characteristic="sine", gated=True)],
    ids=lambda d: f"{d.characteristic} {'gated' if d.gated else 'ungated'}",
)
def test_stretches_taken_at_once_are_as_if_taken_line_by_line(
    source: SyncSource, detector: Detector, monkeypatch: pytest.MonkeyPatch
) -> None:
    loops = [QUICK, MIDDLE, SLOW, replace(MIDDLE, coupling_uf=0.01, leak_ohm=100e3)]
    quick = run(loops, source, detector, most_frames=2).phase_rad
    monkeypatch.setattr(loop, "_plain_lines", lambda seen, _late: np.zeros(seen.shape[1], dtype=np.int64))
    slow = run(loops, source, detector, most_frames=2).phase_rad
    assert quick[:3] == pytest.approx(slow[:3], abs=1e-9)
    # Behind a coupling no two edges are quite alike; half a nanosecond is taken for alike.
    assert quick[3] == pytest.approx(slow[3], abs=6e-5)


def test_loops_side_by_side_are_as_if_alone() -> None:
    loops = [QUICK, MIDDLE, SLOW]
    together = run(loops, flat(4), most_frames=3).phase_rad
    for number, parts in enumerate(loops):
        assert together[number] == pytest.approx(run([parts], flat(4), most_frames=3).phase_rad[0], abs=1e-6)


def test_a_field_comes_out_as_the_last_one_did() -> None:
    found = run([MIDDLE], flat(4))
    assert found.settled.all()
    again = run([MIDDLE], flat(4), start=found.state, most_frames=1)
    assert again.phase_rad == pytest.approx(found.phase_rad, abs=1e-6)


def test_a_gated_detector_takes_no_notice_of_half_lines() -> None:
    gated, open_to_all = (run([MIDDLE], standard_525(), Detector(gated=g)).phase_rad for g in (True, False))
    assert np.ptp(gated) < 1e-9
    assert np.ptp(open_to_all) > 0.05


def test_a_detector_that_lets_go_holds_the_filter_and_one_at_rest_runs_it_down() -> None:
    rest, held = (run([MIDDLE], flat(6), Detector(without_edge=w), most_frames=1).phase_rad for w in ("rest", "open"))
    assert np.ptp(held) < 0.05 * np.ptp(rest)


def test_a_leaky_capacitor_bends_even_where_the_detector_lets_go() -> None:
    sound, leaky = run(
        [MIDDLE, replace(MIDDLE, capacitor_leak_ohm=20e3)], flat(8), Detector(without_edge="open"), most_frames=1
    ).phase_rad
    assert np.ptp(leaky) > 5 * np.ptp(sound)


def test_pulses_of_other_widths_shift_a_detector_that_weighs_them() -> None:
    edge, pulse = (
        run([replace(MIDDLE, free_run_error_hz=0.0)], standard_525(), Detector(gated=True, takes_pulse=t)).phase_rad
        for t in (False, True)
    )
    assert np.ptp(edge) < 1e-9
    assert np.ptp(pulse) > 0.02


def test_sync_that_comes_late_puts_the_oscillator_late_by_as_much() -> None:
    source = progressive(262)
    late = np.full((8, source.frame_slots), 1.0)
    phase = run([replace(MIDDLE, free_run_error_hz=0.0)], source, jitter_us=late).phase_rad[0]
    assert phase[-1] == pytest.approx(-2 * np.pi / source.line_us, rel=1e-3)


def test_a_loop_beyond_its_hold_range_gives_no_figure() -> None:
    found = run([MIDDLE, replace(MIDDLE, free_run_error_hz=5000.0)], flat())
    assert np.isfinite(found.phase_rad[0]).all()
    assert np.isnan(found.phase_rad[1]).all()


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("series_ohm", 0.0),
        ("damping_ohm", -1.0),
        ("capacitor_uf", float("nan")),
        ("shunt_nf", -1.0),
        ("free_run_error_hz", float("inf")),
        ("coupling_uf", 0.0),
        ("oscillator_hz_per_v", float("inf")),
    ],
)
def test_a_part_that_makes_no_sense_is_named(name: str, value: float) -> None:
    with pytest.raises(ValueError, match=name):
        run([replace(MIDDLE, **{name: value})], flat())


def test_no_loop_at_all_is_refused() -> None:
    with pytest.raises(ValueError, match="no loop"):
        run([], flat())


@pytest.mark.parametrize("shape", CHARACTERISTICS)
def test_a_detector_rises_by_one_a_radian_and_is_odd_and_repeats(shape: Characteristic) -> None:
    angle = np.linspace(-3.0, 3.0, 61)
    assert output(shape, np.array([1e-4])) == pytest.approx(1e-4, rel=1e-6)
    assert output(shape, -angle) == pytest.approx(-output(shape, angle), abs=1e-12)
    assert output(shape, angle + 2 * np.pi) == pytest.approx(output(shape, angle), abs=1e-9)
    # Half a line off the same edges pull the other way, but for a sawtooth, which jumps there.
    if shape != "sawtooth":
        assert output(shape, angle + np.pi) == pytest.approx(-output(shape, angle), abs=1e-9)
    assert np.abs(output(shape, angle)).max() <= Detector(characteristic=shape).most_ratio + 1e-12


@given(angle=st.floats(-50, 50))
def test_an_angle_is_wrapped_into_half_a_turn(angle: float) -> None:
    found = float(wrapped(np.array(angle)))
    assert abs(found) <= np.pi + 1e-9
    assert np.cos(found) == pytest.approx(np.cos(angle), abs=1e-9)


@pytest.mark.parametrize("shape", CHARACTERISTICS)
def test_a_loop_at_rest_stays_there(shape: Characteristic) -> None:
    detector = Detector(characteristic=shape)
    loops = [MIDDLE, replace(SLOW, capacitor_leak_ohm=30e3), replace(QUICK, shunt_nf=0.0, free_run_error_hz=-300.0)]
    state = equilibrium(side_by_side(loops), detector)[1]
    phase = free_of_field_pulses(loops, detector, state, line_hz=LINE_HZ, lines=100)
    assert np.ptp(phase, axis=1) == pytest.approx(np.zeros(3), abs=1e-9)
