"""Readings to write down."""

from __future__ import annotations

from tubewright import case

RED = {"gun": "red", "kind": "emission", "value": 0.33, "unit": "rel", "heater_v": 6.3}


def emission(gun: case.Gun, value: float) -> case.Reading:
    """A reading of emission against a reference gun."""
    return case.Reading(gun=gun, kind="emission", value=value, unit="rel", heater_v=6.3, instrument="rig")
