"""Millimetres on the picture, and figures that mean what the measured ones mean."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from physics.afc.loops import MIDDLE, QUICK, flat
from tubewright.physics.afc.curl import mm_per_rad, predicted_curl, settling
from tubewright.physics.afc.loop import run
from tubewright.physics.afc.source import progressive, standard_525, standard_625
from tubewright.picture import curl as measured


def test_a_microsecond_is_its_share_of_the_picture() -> None:
    source = standard_525()
    radians = 2 * np.pi / source.line_us
    assert mm_per_rad(source, 370.0) * radians == pytest.approx(370.0 / 52.6556)
    # 1 us is 5.6643 degrees of a line at 15 734 Hz; arithmetic.
    assert np.degrees(radians) == pytest.approx(5.6643, abs=1e-4)


@given(length=st.floats(2, 40), turn=st.floats(0, 3), size=st.floats(-9, 9).filter(lambda mm: abs(mm) > 0.1))
def test_figures_mean_what_a_photographs_figures_mean(length: float, turn: float, size: float) -> None:
    line = np.arange(240.0)
    course = (size * np.exp(-line / length) * np.cos(line / length * turn))[None]
    ours = settling(course)
    theirs = measured._settling(course)
    assert [float(v[0]) for v in ours] == pytest.approx([float(v[0]) for v in theirs])


def test_a_straight_top_has_nothing_to_settle() -> None:
    source = progressive(262)
    found = predicted_curl(run([MIDDLE], source), source, 370.0)
    assert float(found.amplitude_mm[0]) == pytest.approx(0.0, abs=1e-6)
    assert (float(found.settle_lines[0]), float(found.overshoot_ratio[0])) == (0.0, 0.0)
    assert not found.still_bent[0]


def test_a_fast_oscillator_bends_to_the_right_and_a_slow_one_to_the_left() -> None:
    from dataclasses import replace

    source = flat(4)
    both = [QUICK, replace(QUICK, free_run_error_hz=-QUICK.free_run_error_hz)]
    found = predicted_curl(run(both, source), source, 370.0)
    assert found.amplitude_mm[0] > 0.1
    assert found.amplitude_mm[1] == pytest.approx(-found.amplitude_mm[0], rel=1e-6)
    assert found.settle_lines[1] == pytest.approx(found.settle_lines[0], rel=1e-6)


def test_the_bend_is_as_wide_as_the_picture_is() -> None:
    source = flat(4)
    small, large = (predicted_curl(run([MIDDLE], source), source, width) for width in (200.0, 400.0))
    assert large.displacement_mm == pytest.approx(2 * small.displacement_mm)


@pytest.mark.parametrize(("source", "first"), [(standard_525(), (21, 22)), (standard_625(), (22, 24))])
def test_the_picture_begins_where_its_standard_says(source: object, first: tuple[int, int]) -> None:
    """Lines of the first field, counted from where the standard counts: equalising pulses (525), field pulse (625)."""
    assert source in (standard_525(), standard_625())
    held = standard_525() if source == standard_525() else standard_625()
    found = run([MIDDLE], held, most_frames=1)
    line = int(np.argmax(found.visible == 0)) + 1 - (3 if held.name.startswith("625") else 0)
    assert first[0] <= line <= first[1]
    assert set(found.visible) == {-1, 0, 1}


def test_a_bend_that_lasts_over_the_picture_is_said_to() -> None:
    from dataclasses import replace

    source = flat(8)
    lazy = replace(MIDDLE, capacitor_uf=4.7, damping_ohm=150.0)
    assert predicted_curl(run([lazy], source), source, 370.0).still_bent[0]


def test_a_picture_without_width_is_refused() -> None:
    with pytest.raises(ValueError, match="picture_width_mm"):
        predicted_curl(run([MIDDLE], flat()), flat(), 0.0)
