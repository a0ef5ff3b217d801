"""The rectifier against worked examples, ngspice, its limits, and a plain march through time."""

from __future__ import annotations

import doctest
from pathlib import Path
from typing import Any, Final

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from physics.rectifiers import CIRCUITS
from physics.supply_spice import netlist, run
from physics.tables import table
from tubewright.physics import bracket, rectifier
from tubewright.physics.bracket import zero_between
from tubewright.physics.rectifier import (
    Rectifier,
    RectifierState,
    capacitor_input,
    first_order_ripple_v,
    rectifier_course,
)

KINDS: Final[tuple[Rectifier, ...]] = ("half_wave", "full_wave", "bridge", "doubler")
NGSPICE: Final = table("rectifier_ngspice.csv")


def figure(state: RectifierState, name: str) -> float:
    if name == "conduction_rad":
        return float(np.radians(state.conduction_deg))
    if name == "diode_pulse_mean_a":
        return float(state.diode_mean_a * 360 / state.conduction_deg)
    return float(getattr(state, name))


@pytest.mark.parametrize("module", [rectifier, bracket], ids=lambda module: module.__name__)
def test_examples_in_the_docstrings_hold(module: Any) -> None:  # noqa: ANN401 - any module
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0


@pytest.mark.parametrize("row", table("rectifier.csv"), ids=lambda row: f"{row['rectifier']} {row['figure']}")
def test_worked_examples(row: dict[str, str]) -> None:
    kind = next(kind for kind in KINDS if kind == row["rectifier"])
    state = capacitor_input(
        kind,
        peak_v=float(row["peak_v"]),
        mains_hz=float(row["mains_hz"]),
        reservoir_f=float(row["reservoir_uf"]) * 1e-6,
        load_a=float(row["load_a"]),
        load_ohm=float(row["load_ohm"]),
        diode_v=0.0,
    )
    assert figure(state, row["figure"]) == pytest.approx(float(row["expected"]), rel=float(row["tolerance"]))


def allowed(name: str, circuit: str) -> float:
    of = CIRCUITS[circuit]
    return of.ripple_close if name.startswith("ripple") else of.current_close if name.endswith("_a") else of.close


@pytest.mark.parametrize("row", NGSPICE, ids=lambda row: f"{row['circuit']} {row['figure']}")
def test_as_ngspice_measured_it(row: dict[str, str]) -> None:
    found = figure(CIRCUITS[row["circuit"]].state(), row["figure"])
    assert found == pytest.approx(float(row["expected"]), rel=allowed(row["figure"], row["circuit"]))


@pytest.mark.parametrize("name", CIRCUITS)
def test_as_ngspice_measures_it_now(name: str, tmp_path: Path) -> None:
    circuit = CIRCUITS[name]
    state = circuit.state()
    spiced = run(
        netlist(circuit.rectifier, **circuit.parts, diode=circuit.diode, start_v=float(state.mean_v)), tmp_path
    )
    spiced |= {"ripple_pp_v": spiced["max_v"] - spiced["min_v"], "diode_rms_a": spiced["supply_rms_a"]}
    for row in (row for row in NGSPICE if row["circuit"] == name):
        assert figure(state, row["figure"]) == pytest.approx(spiced[row["figure"]], rel=allowed(row["figure"], name))
        # The table is what this netlist gives: another version may differ in the fourth digit.
        assert spiced[row["figure"]] == pytest.approx(float(row["expected"]), rel=2e-3)


def test_the_table_names_every_circuit() -> None:
    assert {row["circuit"] for row in NGSPICE} == set(CIRCUITS)


def test_the_published_bridge_of_24_volts() -> None:
    """24 V rms, 50 Hz, 0.5 ohm, 4700 uF, 33 ohm with N=1 IS=1e-9 diodes: ngspice's figures as published with it."""
    state = capacitor_input(
        "bridge", peak_v=24 * 2**0.5, mains_hz=50.0, reservoir_f=4700e-6, load_ohm=33.0, source_ohm=0.5, diode_v=0.59
    )
    assert float(state.ripple_pp_v) == pytest.approx(1.443, rel=0.01)
    assert float(state.load_mean_a) == pytest.approx(0.90872, rel=0.003)
    assert float(state.supply_rms_a) == pytest.approx(1.940, rel=0.02)
    assert float(state.pulse_peak_a) == pytest.approx(5.211, rel=0.03)


def marched(peak: float, hz: float, farads: float, amps: float, ohm: float, esr: float) -> tuple[float, float]:
    """Crest and valley of a bridge by small steps of time, from an empty reservoir: slow, and nothing to go wrong."""
    step = 1 / (hz * 40_000)
    held, course = peak * 0.9, []
    for i in range(40_000 * 20):
        feed = abs(peak * np.sin(2 * np.pi * hz * i * step))
        pulse = max(0.0, (feed - held + esr * amps) / (ohm + esr))
        held += (pulse - amps) * step / farads
        if i >= 40_000 * 19:
            course.append(held + esr * (pulse - amps))
    return max(course), min(course)


def test_a_plain_march_through_time_ends_in_the_same_state() -> None:
    state = capacitor_input(
        "bridge", peak_v=40.0, mains_hz=50.0, reservoir_f=470e-6, load_a=0.5, source_ohm=2.0, esr_ohm=0.5, diode_v=0.0
    )
    assert (float(state.max_v), float(state.min_v)) == pytest.approx(
        marched(40.0, 50.0, 470e-6, 0.5, 2.0, 0.5), rel=2e-4
    )


parts = st.fixed_dictionaries(
    {
        "peak_v": st.floats(8, 400),
        "mains_hz": st.sampled_from([50.0, 60.0]),
        "source_ohm": st.floats(0, 5),
        "esr_ohm": st.floats(0, 1),
        "diode_v": st.floats(0, 1),
    }
)
load_ohm = st.floats(30, 5000)
ENOUGH_S: Final = 0.03
"""A doubler's model holds while its ripple is moderate: reservoir times load, s."""
kind = st.sampled_from(KINDS)


@settings(max_examples=30)
@given(kind, parts, load_ohm, st.floats(20e-6, 2e-3), st.floats(1.1, 20))
def test_more_reservoir_gives_less_ripple_and_more_voltage(
    kind: Rectifier, parts: dict[str, float], load: float, farads: float, more: float
) -> None:
    assume(kind != "doubler" or farads * load > ENOUGH_S)
    parts = {**parts, "esr_ohm": 0.0}
    state = capacitor_input(kind, reservoir_f=np.array([farads, farads * more]), load_ohm=load, **parts)
    small, large = state.ripple_pp_v
    assert small > large > 0
    assert state.min_v[0] < state.min_v[1] * (1 + 1e-9)


@settings(max_examples=30)
@given(kind, parts, load_ohm, st.floats(20e-6, 2e-3))
def test_what_always_holds(kind: Rectifier, parts: dict[str, float], load: float, farads: float) -> None:
    assume(kind != "doubler" or farads * load > ENOUGH_S)
    state = capacitor_input(kind, reservoir_f=farads, load_ohm=load, **parts)
    assert 0 < state.min_v < state.mean_v < state.max_v <= state.open_v * (1 + 1e-9)
    assert state.ripple_pp_v == pytest.approx(float(state.max_v - state.min_v))
    # A ripple of any shape has an RMS below half of its height.
    assert 0 < state.ripple_rms_v < state.ripple_pp_v / 2
    assert state.pulse_peak_a > state.supply_rms_a >= state.load_mean_a * (1 if kind != "doubler" else 0)
    assert 0 < state.conduction_deg < 180
    # What flows into the reservoir flows out again: squares of supply and load currents add up to it.
    if kind != "doubler":
        load_square = (state.ripple_rms_v**2 + state.mean_v**2) / load**2
        assert float(state.capacitor_rms_a) < float(np.sqrt(state.supply_rms_a**2 + load_square))


@settings(max_examples=30)
@given(kind, parts, st.floats(20e-6, 2e-3), load_ohm)
def test_as_much_charge_goes_in_as_out(kind: Rectifier, parts: dict[str, float], farads: float, load: float) -> None:
    assume(kind != "doubler" or farads * load > ENOUGH_S)
    parts = {**parts, "source_ohm": parts["source_ohm"] + 0.5}
    course = rectifier_course(kind, reservoir_f=farads, load_ohm=load, points=20_000, **parts)
    state = capacitor_input(kind, reservoir_f=farads, load_ohm=load, **parts)
    pulses = 2 if kind == "doubler" else 1  # each of the two fills a capacitor through which all of the load flows
    # A sum over points may miss or gain one of them at each end of a short, steep pulse.
    ends_a = 2 * float(course.pulse_a.max()) / 20_000
    assert course.pulse_a.mean() == pytest.approx(pulses * float(state.load_mean_a), rel=2e-3, abs=ends_a)
    assert course.output_v.mean() == pytest.approx(float(state.mean_v), rel=1e-4)
    assert np.ptp(course.output_v) == pytest.approx(float(state.ripple_pp_v), rel=2e-3)
    assert course.pulse_a.max() == pytest.approx(float(state.pulse_peak_a), rel=2e-2)


def test_a_large_reservoir_behind_no_resistance_holds_the_crest() -> None:
    state = capacitor_input("bridge", peak_v=100.0, mains_hz=50.0, reservoir_f=1.0, load_a=0.1, diode_v=0.0)
    assert float(state.mean_v) == pytest.approx(100.0, abs=1e-3)
    # Where little of the cycle is conduction, the rule of thumb is right.
    thumb = first_order_ripple_v(0.1, 100.0, 1.0)
    assert float(state.ripple_pp_v) == pytest.approx(float(thumb), rel=0.02)


@settings(max_examples=20)
@given(st.floats(1e-3, 1e-2), st.floats(0.05, 1))
def test_the_rule_of_thumb_is_never_below(farads: float, amps: float) -> None:
    for kind in ("half_wave", "bridge"):
        state = capacitor_input(kind, peak_v=50.0, mains_hz=50.0, reservoir_f=farads, load_a=amps, source_ohm=0.2)
        assert state.ripple_pp_v < first_order_ripple_v(amps, state.ripple_hz, farads)


def test_resistance_in_the_source_goes_to_its_limit_without_a_step() -> None:
    resistances = np.array([0.0, 1e-6, 1e-4, 1e-2, 1.0])
    states = capacitor_input(
        "bridge", peak_v=100.0, mains_hz=50.0, reservoir_f=470e-6, load_a=0.5, source_ohm=resistances, diode_v=0.0
    )
    assert float(states.min_v[1]) == pytest.approx(float(states.min_v[0]), rel=1e-5)
    assert np.all(np.diff(states.min_v) <= 1e-6)
    assert np.all(np.diff(states.conduction_deg) >= -1e-6)


def test_half_wave_valleys_come_half_as_often_and_lie_lower() -> None:
    half, full = (
        capacitor_input(kind, peak_v=100.0, mains_hz=50.0, reservoir_f=470e-6, load_a=0.3, diode_v=0.0)
        for kind in ("half_wave", "full_wave")
    )
    assert (float(half.ripple_hz), float(full.ripple_hz)) == (50.0, 100.0)
    assert 1.9 < half.ripple_pp_v / full.ripple_pp_v < 2.4


def test_series_resistance_of_the_reservoir_alone_makes_ripple() -> None:
    kinds: dict[str, Any] = {"peak_v": 40.0, "mains_hz": 50.0, "load_a": 1.0, "source_ohm": 1.0}
    good, worn = (capacitor_input("bridge", reservoir_f=0.1, esr_ohm=esr, **kinds) for esr in (0.01, 1.0))
    assert good.ripple_pp_v < 0.2
    # The pulse through it lifts the crest, the load lowers the valley.
    assert worn.ripple_pp_v == pytest.approx(float(worn.pulse_peak_a) * 1.0, rel=0.1)


def test_a_load_beyond_the_supply_is_not_a_number() -> None:
    state = capacitor_input(
        "bridge", peak_v=20.0, mains_hz=50.0, reservoir_f=100e-6, load_a=np.array([0.1, 50.0]), source_ohm=2.0
    )
    assert np.isnan(state.mean_v).tolist() == [False, True]
    assert np.isnan(state.pulse_peak_a).tolist() == [False, True]
    assert np.isnan(capacitor_input("bridge", peak_v=1.0, mains_hz=50.0, reservoir_f=1e-3, load_ohm=100.0).min_v)


@pytest.mark.parametrize("kind", KINDS)
def test_arrays_broadcast_and_agree_with_single_values(kind: Rectifier) -> None:
    farads = np.array([[100e-6], [470e-6]])
    loads = np.array([0.1, 0.2, 0.4])
    state = capacitor_input(kind, peak_v=100.0, mains_hz=50.0, reservoir_f=farads, load_a=loads, source_ohm=1.0)
    assert state.ripple_pp_v.shape == state.capacitor_rms_a.shape == (2, 3)
    one = capacitor_input(kind, peak_v=100.0, mains_hz=50.0, reservoir_f=470e-6, load_a=0.2, source_ohm=1.0)
    assert np.ndim(one.ripple_pp_v) == 0
    assert float(state.ripple_pp_v[1, 1]) == pytest.approx(float(one.ripple_pp_v), rel=1e-9)
    course = rectifier_course(kind, peak_v=100.0, mains_hz=50.0, reservoir_f=farads, load_a=loads, points=16)
    assert course.output_v.shape == course.feed_v.shape == (2, 3, 16)


@pytest.mark.parametrize(
    ("bad", "said"),
    [
        ({"peak_v": 0.0}, "peak_v must be above zero"),
        ({"mains_hz": -50.0}, "mains_hz must be above zero"),
        ({"reservoir_f": 0.0}, "reservoir_f must be above zero"),
        ({"source_ohm": -1.0}, "source_ohm must not be negative"),
        ({"esr_ohm": -1.0}, "esr_ohm must not be negative"),
        ({"diode_v": -1.0}, "diode_v must not be negative"),
        ({"load_a": -1.0}, "load_a must not be negative"),
        ({"load_a": 0.0}, "without a load there is no ripple"),
    ],
)
def test_nonsense_is_refused_by_name(bad: dict[str, float], said: str) -> None:
    good = {"peak_v": 100.0, "mains_hz": 50.0, "reservoir_f": 1e-3, "load_a": 0.1}
    with pytest.raises(ValueError, match=said):
        capacitor_input("bridge", **{**good, **bad})


@given(st.floats(-50, 50), st.floats(0.01, 30), st.floats(0.01, 30), st.sampled_from([1, 3, 7]))
def test_a_zero_is_found_wherever_it_lies(at: float, below: float, above: float, power: int) -> None:
    found = zero_between(lambda place: (place - at) ** power, at - below, at + above)
    assert abs(float(found) - at) < 1e-4


def test_without_a_change_of_sign_there_is_no_zero() -> None:
    found = zero_between(lambda place: place - 1, np.array([0.0, 1.0, 2.0, np.nan]), np.array([2.0, 5.0, 5.0, 9.0]))
    assert found[:2].tolist() == [1.0, 1.0]
    assert np.isnan(found[2:]).all()
