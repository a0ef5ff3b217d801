"""The shape of a chassis profile as a shop writes it.

Upper bounds catch a slip of unit (an EHT of 24000 kV), not an unusual set.
"""

from __future__ import annotations

from typing import Final

from tubewright.knowledge.chassis import POLARITIES, RECTIFIERS, SYNC_KINDS
from tubewright.knowledge.fields import Field


def _up_to(highest: float) -> Field:
    return Field(kind="number", needed=False, above=0, highest=highest)


_TEXT: Final = Field()
_MAYBE_TEXT: Final = Field(needed=False)
_OHM: Final = _up_to(1e9)
_VOLT: Final = _up_to(2000)
_UF: Final = _up_to(1e6)

CHASSIS_SHAPES: Final[dict[str, dict[str, Field]]] = {
    "chassis": {
        "id": _TEXT,
        "name": _TEXT,
        "like": _MAYBE_TEXT,
        "scan_khz": _up_to(200),
        "field_hz": _up_to(400),
        "mains_v": _up_to(500),
        "mains_hz": _up_to(500),
        "bplus_v": _VOLT,
        "video_supply_v": _VOLT,
        "heater_v": _up_to(30),
        "eht_kv": _up_to(60),
        "eht_limit_kv": _up_to(60),
        "retrace_us": _up_to(100),
        "tuning_nf": _up_to(1000),
        "yoke_mh": _up_to(1000),
        "picture_width_mm": _up_to(2000),
        "picture_height_mm": _up_to(2000),
        # A rail may be negative; one of 0 V is none.
        "rails": Field(kind="numbers", needed=False, nonzero=True, lowest=-2000, highest=2000),
        "nominals": Field(kind="numbers", needed=False, nonzero=True, lowest=-1e9, highest=1e9),
        "adjustments": Field(kind="texts", needed=False),
        "source": _MAYBE_TEXT,
    },
    "chassis.afc": {
        "detector_v_per_rad": _up_to(1000),
        "detector_ohm": _OHM,
        "series_ohm": _OHM,
        "damping_ohm": _OHM,
        "capacitor_uf": _UF,
        "shunt_nf": _up_to(1e6),
        "oscillator_hz_per_v": _up_to(1e5),
        "free_run_error_hz": Field(kind="number", needed=False, lowest=-1e5, highest=1e5),
        "coupling_uf": _UF,
        "leak_ohm": _OHM,
    },
    "chassis.supply": {
        "rectifier": Field(needed=False, one_of=RECTIFIERS),
        "secondary_v_rms": _VOLT,
        "source_ohm": _up_to(1e4),
        "reservoir_uf": _UF,
        "reservoir_esr_ohm": _up_to(1e4),
        "load_a": _up_to(100),
        "regulator_dropout_v": _up_to(500),
        "filter_ohm": _up_to(1e6),
        "filter_uf": _UF,
    },
    "chassis.sync_input": {
        "kind": Field(needed=False, one_of=SYNC_KINDS),
        "polarity": Field(needed=False, one_of=POLARITIES),
        "level_low_v": Field(kind="number", needed=False, lowest=-50, highest=50),
        "level_high_v": Field(kind="number", needed=False, lowest=-50, highest=50),
        "termination_ohm": _OHM,
        "video_v_pp": _up_to(100),
        "video_termination_ohm": _OHM,
    },
}

INNER_TABLES: Final = ("afc", "supply", "sync_input")
"""Groups of fields of which a profile has one each: ``[chassis.afc]``, not a list."""

ONE_EACH: Final = frozenset(f"chassis.{name}" for name in INNER_TABLES)

KEYED: Final = ("rails", "nominals")
"""Fields that are tables by name; ``like`` fills them name by name."""
