"""The coupling of the separator: nothing when large, tilt through the field pulse when small."""

from __future__ import annotations

import numpy as np
import pytest

from tubewright.physics.afc.separator import level_shift, separated
from tubewright.physics.afc.source import progressive, pulse_train, standard_525

FLAT = pulse_train(progressive(262, vertical="flat", vertical_lines=6))


def test_without_a_capacitor_the_pulses_come_as_they_were_sent() -> None:
    seen, late = separated(FLAT, np.array([np.inf]))
    assert np.array_equal(seen[0], FLAT.present)
    assert np.array_equal(late[0], FLAT.delay_us)


@pytest.mark.parametrize("time_constant_s", [0.3e-3, 2e-3, 20e-3])
def test_the_mean_is_what_stepping_through_the_field_gives(time_constant_s: float) -> None:
    """The slow plain twin: a running mean, over and over until the field repeats."""
    keep = np.exp(-FLAT.line_us * 0.5e-6 / time_constant_s)
    mean, course = 0.0, np.zeros(len(FLAT.present))
    for _ in range(60):
        for slot, low in enumerate(FLAT.low_share_ratio):
            course[slot] = mean
            mean = keep * mean - (1 - keep) * low
    found = level_shift(FLAT, np.array([time_constant_s]))[0]
    assert found == pytest.approx(course + 4.7 / FLAT.line_us, abs=1e-9)


def test_a_field_pulse_pulls_the_mean_and_it_comes_back_with_the_time_constant() -> None:
    shift = level_shift(FLAT, np.array([1e-3]))[0]
    end = 12  # half lines
    # Sync all the time, from a mean of -0.074: what a high-pass of 1 ms makes of 6 lines, 1 - exp(-0.3813) = 31.7 %.
    assert shift[end] == pytest.approx(-(1 - 4.7 / FLAT.line_us) * 0.317, abs=2e-3)
    later = end + 32  # 16 lines, 1.017 ms
    assert shift[later] / shift[end] == pytest.approx(np.exp(-1.0169), abs=0.05)


def test_too_small_a_coupling_loses_edges_after_the_field_pulse() -> None:
    plenty, short = separated(FLAT, np.array([20e-3, 0.2e-3]))[0]
    assert np.array_equal(plenty, FLAT.present)
    lost = np.flatnonzero(FLAT.present & ~short)
    assert lost.size > 0
    assert lost.min() > 12
    assert lost.max() < 60


def test_edges_after_the_field_pulse_come_late_by_less_than_their_own_length() -> None:
    late = separated(pulse_train(standard_525()), np.array([1e-3]))[1][0]
    assert 0.01 < late[14] < 0.25
    assert abs(late[500]) < 0.01
