"""Promises the whole room makes: its examples run, it stays light, its results are plain."""

from __future__ import annotations

import doctest
import importlib
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

import tubewright.physics
from tubewright.physics import cathode, colour, gun, heater, pulses, warmup

MODULES = (gun, cathode, heater, warmup, pulses, colour)


@pytest.mark.parametrize("module", MODULES, ids=lambda module: module.__name__)
def test_examples_in_the_docstrings_hold(module: ModuleType) -> None:
    result = doctest.testmod(module)
    assert result.attempted > 0
    assert result.failed == 0


def test_every_public_law_shows_an_example() -> None:
    finder = doctest.DocTestFinder(recurse=True)
    for module in MODULES:
        for found in finder.find(module, module=module):
            target = found.name.removeprefix(f"{module.__name__}.")
            if target.isidentifier() and not target.startswith("_") and target.islower():
                assert found.examples, found.name


def test_room_loads_neither_scipy_nor_a_colour_library() -> None:
    names = [f"tubewright.physics.{path.stem}" for path in Path(tubewright.physics.__file__).parent.glob("[a-z]*.py")]
    code = f"import sys, {', '.join(names)}; print([m for m in ('scipy', 'colour', 'pydantic') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"
    assert all(importlib.import_module(name) for name in names)


def test_single_numbers_come_out_as_floats() -> None:
    values: tuple[object, ...] = (
        gun.space_charge_current_ua(100.0),
        gun.blend_current(1.0, 2.0),
        cathode.retention(3.0, 0.5),
        cathode.reserve_from_retention(0.8, 0.5),
        heater.cathode_temperature_k(6.0, 6.3),
        warmup.warm_up_time_s(0.5, 6.0, 3.0),
        pulses.rms([1.0, 2.0]),
        colour.neutral_white([1.0, 1.0, 1.0], [0.3, 0.3, 0.4]),
        colour.delta_uv_prime([0.3, 0.3], [0.3, 0.3]),
    )
    assert [type(value) for value in values] == [np.float64] * len(values)
    assert issubclass(np.float64, float)


def test_arrays_broadcast_to_arrays() -> None:
    guns = np.array([60.0, 80.0, 100.0])
    heaters = np.array([[5.7], [6.3]])
    assert gun.cathode_drive_current_ua(20.0, guns, 400.0).shape == (3,)
    assert cathode.emission_at_heater(guns, 3.0, heaters, 6.3).shape == (2, 3)
    assert cathode.reserve_from_retention(np.full((2, 3), 0.9), np.array([[0.5], [0.6]])).shape == (2, 3)
    assert warmup.warm_up_times(heaters, guns).t50_s.shape == (2, 3)
    assert pulses.turns_for_target(guns, 4.0, 3).whole_turns.shape == (3,)


@pytest.mark.parametrize(
    "call",
    [
        gun.space_charge_current_ua,
        lambda bad: gun.grid_drive_current_ua(bad, 100.0),
        lambda bad: gun.grid_drive_current_ua(10.0, bad),
        lambda bad: gun.penetration(50.0, bad),
        lambda bad: gun.penetration(bad, 400.0),
        lambda bad: gun.cutoff_at_g2(50.0, bad, 400.0),
        lambda bad: gun.blend_current(bad, 1.0),
        lambda bad: gun.blend_current(1.0, 1.0, bad),
        lambda bad: gun.child_langmuir_current_density_a_m2(100.0, bad),
        lambda bad: cathode.richardson_current_density_a_m2(bad, 1.5),
        lambda bad: cathode.supply_ratio(bad, 6.3),
        lambda bad: cathode.retention(bad, 0.5),
        lambda bad: cathode.reserve_from_retention(bad, 0.5),
        lambda bad: cathode.reserve_from_retention(0.5, bad),
        lambda bad: cathode.work_function_from_supply_ev(bad, 1000.0),
        lambda bad: heater.cathode_temperature_k(6.3, bad),
        lambda bad: heater.heater_load(bad, 6.3, 0.6),
        lambda bad: heater.heater_voltage_from_current_v(bad, 6.3, 0.6),
        lambda bad: heater.warm_up_temperature_k(bad, 6.0),
        lambda bad: warmup.warm_up_time_s(bad, 6.0, 3.0),
        lambda bad: pulses.pulse_train("rectangle", bad, 1.0, 2.0, ac_coupled=True),
        lambda bad: pulses.pulse_train("rectangle", 1.0, bad, 2.0, ac_coupled=True),
        lambda bad: pulses.series_resistor(7.0, bad, 0.6),
        lambda bad: pulses.turns_for_target(6.3, bad, 3),
        lambda bad: colour.neutral_white([1.0, bad, 1.0], [0.3, 0.3, 0.4]),
        lambda bad: colour.neutral_white([1.0, 1.0, 1.0], [0.3, bad, 0.4]),
        lambda bad: colour.white_shift([1.0, bad, 1.0]),
    ],
)
def test_negative_input_is_refused(call: object) -> None:
    assert callable(call)
    with pytest.raises(ValueError, match=r"negative|above"):
        call(-0.25)


def test_nan_stays_with_its_element() -> None:
    for result in (
        gun.space_charge_current_ua([np.nan, 100.0]),
        gun.blend_current([np.nan, 1.0], [0.0, 1.0]),
        gun.blend_current([0.0, 1.0], [np.nan, np.inf]),
        cathode.retention([np.nan, 1.0], 0.5),
        cathode.reserve_from_retention([np.nan, 0.8], 0.5),
        cathode.supply_ratio([np.nan, 5.7], 6.3),
        heater.cathode_temperature_k([np.nan, 6.3], 6.3),
        warmup.temperature_for_supply_k([np.nan, 0.5]),
        pulses.rms([[np.nan, 1.0], [1.0, 1.0]]),
        colour.neutral_white([[np.nan, 1.0, 1.0], [1.0, 1.0, 1.0]], [0.3, 0.3, 0.4]),
        colour.correlated_colour_temperature_k([[np.nan, 0.3], [0.3127, 0.3290]]),
    ):
        assert np.isnan(result).tolist() == [True, False]
