"""Levels, echoes, pads and coupling follow circuit theory; pads are held against the network solved by nodes."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tubewright.physics import signal_lines as lines

OHMS = st.floats(1, 1e5)


@pytest.mark.parametrize(
    ("emf", "source", "load", "level"),
    [
        (1.4, 75, 75, 0.7),
        (1.4, 75, 37.5, 0.466667),  # two terminations
        (1.4, 75, 10_000, 1.389578),  # none
        (2.0, 75, 75, 1.0),
        (5.0, 0, 75, 5.0),
    ],
)
def test_a_source_divides_with_its_load(emf: float, source: float, load: float, level: float) -> None:
    assert float(lines.level_into_v(emf, source, load)) == pytest.approx(level, rel=1e-5)
    assert float(lines.emf_v(level, source, load)) == pytest.approx(emf, rel=1e-5)


@pytest.mark.parametrize(("load", "echo"), [(75, 0), (37.5, -1 / 3), (1e12, 1), (50, -0.2), (150, 1 / 3)])
def test_a_mismatch_sends_an_echo(load: float, echo: float) -> None:
    assert float(lines.echo_share(load, 75)) == pytest.approx(echo, abs=1e-9)


@given(ratio=st.floats(0.02, 0.98), line=st.floats(10, 1000), load_over=st.floats(1.0, 100))
def test_a_pad_gives_its_ratio_and_shows_the_line_its_impedance(ratio: float, line: float, load_over: float) -> None:
    load = line * load_over
    series, shunt = (float(part) for part in lines.attenuator_ohm(ratio, line, load))
    # Nodal analysis of the network: source of 2 V behind the line's impedance.
    matrix = np.array([[1 / line + 1 / series, -1 / series], [-1 / series, 1 / series + 1 / shunt + 1 / load]])
    at_line, at_load = np.linalg.solve(matrix, np.array([2 / line, 0]))
    assert at_line == pytest.approx(1, rel=1e-9)
    assert at_load == pytest.approx(ratio, rel=1e-9)


def test_a_load_below_what_the_pad_needs_is_said() -> None:
    assert math.isinf(float(lines.attenuator_ohm(0.5, 150, 75)[1]))
    assert math.isnan(float(lines.attenuator_ohm(0.9, 150, 75)[1]))


def test_a_coupling_capacitor_tilts_a_field() -> None:
    # 220 uF into 150 ohm is 33 ms; a 16.7 ms field sinks by 1 - exp(-0.506).
    assert float(lines.coupling_tilt(150, 220e-6, 1 / 60)) == pytest.approx(0.39651, rel=1e-4)
    needed = float(lines.coupling_f(150, 0.05, 1 / 60))
    assert needed == pytest.approx(2.166e-3, rel=1e-3)
    assert float(lines.coupling_tilt(150, needed, 1 / 60)) == pytest.approx(0.05)


@pytest.mark.parametrize(
    "call",
    [
        lambda: lines.level_into_v(1, 75, 0),
        lambda: lines.parallel_ohm(75, -1),
        lambda: lines.attenuator_ohm(1.2, 75, 75),
        lambda: lines.attenuator_ohm(0, 75, 75),
        lambda: lines.coupling_f(75, 1, 1),
    ],
)
def test_what_has_no_sense_is_refused(call: object) -> None:
    with pytest.raises(ValueError, match="must"):
        call()  # type: ignore[operator]
