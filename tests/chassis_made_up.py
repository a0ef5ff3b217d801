"""A chassis that never was, for calculators that are filled from a profile."""

from __future__ import annotations

from typing import Final

from tubewright.knowledge.chassis import Chassis, SupplyParts

LARKSPUR: Final = Chassis(
    id="larkspur_19",
    name="Larkspur 19",
    scan_khz=15.734,
    field_hz=60.05,
    mains_v=120.0,
    mains_hz=60.0,
    bplus_v=120.0,
    eht_kv=24.0,
    eht_limit_kv=27.5,
    retrace_us=11.0,
    tuning_nf=6.8,
    yoke_mh=1.5,
    picture_width_mm=360.0,
    supply=SupplyParts(
        rectifier="bridge",
        secondary_v_rms=115.0,
        source_ohm=2.0,
        reservoir_uf=330.0,
        reservoir_esr_ohm=0.3,
        load_a=0.6,
        regulator_dropout_v=3.0,
    ),
)
