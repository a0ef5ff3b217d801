"""The laws give the figures worked out or published elsewhere, each row naming where."""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any, Final

import pytest

from physics.tables import table
from tubewright.physics import cathode, gun, heater, pulses

LAWS: Final[Mapping[str, Callable[..., Any]]] = {
    "child_langmuir_current_density_a_m2": gun.child_langmuir_current_density_a_m2,
    "space_charge_current_ua": gun.space_charge_current_ua,
    "grid_drive_current_ua": gun.grid_drive_current_ua,
    "cathode_drive_current_ua": gun.cathode_drive_current_ua,
    "blend_current": gun.blend_current,
    "emission_fraction": cathode.emission_fraction,
    "retention": cathode.retention,
    "richardson_current_density_a_m2": cathode.richardson_current_density_a_m2,
    "supply_at_temperature": cathode.supply_at_temperature,
    "temperature_exponent": cathode.temperature_exponent,
    "supply_ratio": cathode.supply_ratio,
    "work_function_from_supply_ev": cathode.work_function_from_supply_ev,
    "cathode_temperature_k": heater.cathode_temperature_k,
    "pulse_height_for_rms_v": pulses.pulse_height_for_rms_v,
    "pulse_rms_v": lambda **given: pulses.pulse_train(**given).rms_v,
    "pulse_mean_v": lambda **given: pulses.pulse_train(**given).mean_v,
    "pulse_average_meter_v": lambda **given: pulses.pulse_train(**given).average_meter_v,
}


@pytest.mark.parametrize("row", table("physics_laws.csv"), ids=lambda row: f"{row['law']} {row['arguments']}")
def test_figure_of_the_table(row: dict[str, str]) -> None:
    found = float(LAWS[row["law"]](**json.loads(row["arguments"])))
    assert found == pytest.approx(float(row["expected"]), rel=float(row["tolerance"]))


def test_every_law_listed_here_has_a_row() -> None:
    assert {row["law"] for row in table("physics_laws.csv")} == set(LAWS)
