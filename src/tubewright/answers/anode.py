"""The charge on a picture tube: what is stored, how it drains, what comes back. A caution, never a permission."""

from __future__ import annotations

from typing import Final

from tubewright.answers.assessment import Unknown
from tubewright.answers.supply_form import SupplyAnswer, check
from tubewright.errors import Fault, InputError
from tubewright.physics.anode import discharge, recovery, stored_charge_c, stored_energy_j

APPLIANCE_ENERGY_J: Final = 0.35

CAUTIONS: Final = ("local_rules", "anode_charge", "recharge", "implosion", "gate_power_off")
"""Ids of the cautions that go before a hand comes near the anode."""

HAZARD: Final = "H3: the anode of a picture tube, also long after the plug is out"

ORDER: Final = (
    "Whatever the figures: drain it to the braid on the tube's outer coating, prove it with a meter made for the "
    "voltage, wait five to ten minutes, drain it again, prove it again."
)
"""What to do, in the order in which it is done."""


def anode_charge(
    *,
    capacitance_nf: float,
    eht_kv: float,
    drain_ohm: float | None = None,
    down_to_v: float = 50.0,
    resistor_v: float | None = None,
) -> SupplyAnswer:
    """What is stored on a tube's glass, how it drains through a resistor, and what may come back.

    Args:
        capacitance_nf: Between anode and outer coating, nF; 1 to 2.5 is usual.
        eht_kv: What it was charged to, kV.
        drain_ohm: The resistor of the discharge tool, ohm; None leaves the draining out.
        down_to_v: The voltage at which to look at the clock, V.
        resistor_v: The voltage that one resistor of the tool is made for, V.

    Raises:
        InputError: A figure that is not above zero (``capacitance``, ``eht``, ``drain``, ``down_to``, ``resistor_v``),
            or a capacitance or voltage that no picture tube has.
    """
    check(capacitance=capacitance_nf, eht=eht_kv, drain=drain_ohm, down_to=down_to_v, resistor_v=resistor_v)
    faults = []
    if capacitance_nf > 100:
        faults.append(Fault(what="no picture tube has so much", where="capacitance", mend="It is some 1 to 2.5 nF."))
    if eht_kv > 60:
        faults.append(Fault(what="no picture tube runs on so much", where="eht", mend="It is some 10 to 30 kV."))
    if faults:
        raise InputError(faults)
    farads, volts = capacitance_nf * 1e-9, eht_kv * 1e3
    energy, charge = float(stored_energy_j(farads, volts)), float(stored_charge_c(farads, volts)) * 1e6
    back = recovery(farads, volts)
    figures: dict[str, float | None] = {
        "energy_j": energy,
        "charge_uc": charge,
        "energy_over_limit_ratio": energy / APPLIANCE_ENERGY_J,
        "recovery_low_v": float(back.low_v),
        "recovery_high_v": float(back.high_v),
        "recovery_high_j": float(back.high_j),
    }
    words = [
        (
            f"Stored: {energy:.3g} J and {charge:.3g} µC at {eht_kv:g} kV on {capacitance_nf:g} nF, "
            f"{energy / APPLIANCE_ENERGY_J:.2g} times the {APPLIANCE_ENERGY_J * 1e3:.0f} mJ that IEC 60335-1 "
            f"(as quoted; "
            "not seen itself) lets a part of an appliance hold that can be touched. Less than that still makes a "
            "hand jerk "
            "and drop a tube."
        ),
    ]
    if drain_ohm is not None:
        drained = discharge(farads, volts, drain_ohm, down_to_v)
        figures |= {
            "discharge_s": float(drained.time_s),
            "time_constant_s": float(drained.time_constant_s),
            "peak_ua": float(drained.peak_a) * 1e6,
            "resistor_j": float(drained.resistor_j),
            "first_w": float(drained.first_w),
        }
        words.append(
            f"Through {_ohms(drain_ohm)} it falls to {down_to_v:g} V in {_time(float(drained.time_s))}, if the "
            "tool is "
            f"whole and both its ends touch. The current begins at {_current(float(drained.peak_a))}."
        )
        words.append(
            f"The resistor takes {float(drained.resistor_j):.3g} J, at first {_power(float(drained.first_w))}, "
            "and the "
            f"whole {eht_kv:g} kV stand across it and its insulation."
        )
        if drain_ohm < volts / 0.02:
            words.append(
                "That is a hard discharge, with more than 20 mA at first: it can harm tube, coating and chassis. "
                "A megohm or more is kinder, and still quick."
            )
        if resistor_v is not None:
            count = -(-volts // resistor_v)
            figures["resistors_count"] = count
            words.append(f"Of resistors made for {resistor_v:g} V each it takes {count:.0f} in series, of equal value.")
    words += [
        (
            f"Coming back: after one draining, between {float(back.low_v):.0f} V and "
            f"{_volts(float(back.high_v))} may return "
            f"within minutes to hours (up to {float(back.high_j) * 1e3:.2g} mJ), more slowly each time."
        ),
        ORDER,
    ]
    unknown = (
        Unknown(
            reason="how much comes back on this tube: no published measurement on picture-tube glass was found; the "
            "bounds are those of the best and the worst common dielectric",
            would_settle="a probe made for the voltage, left on for ten minutes after draining (it drains some too)",
        ),
        Unknown(
            reason="how long it holds its charge by itself: leakage and bleeder differ from set to set, and so "
            "do dirt and damp",
            would_settle="nothing: take it for charged",
        ),
    )
    return SupplyAnswer(
        question="anode",
        headline=f"Charged to {eht_kv:g} kV this tube holds {energy:.3g} J. Drain, prove, drain again, prove.",
        words=tuple(words),
        figures=figures,
        unknown=unknown,
        cautions=CAUTIONS,
        hazard=HAZARD,
    )


def _ohms(ohm: float) -> str:
    for size, name in ((1e9, "Gohm"), (1e6, "Mohm"), (1e3, "kohm")):
        if ohm >= size:
            return f"{ohm / size:g} {name}"
    return f"{ohm:g} ohm"


def _time(seconds: float) -> str:
    return f"{seconds:.3g} s" if seconds >= 1 else f"{seconds * 1e3:.3g} ms"


def _current(amps: float) -> str:
    return f"{amps * 1e6:.3g} µA" if amps < 1e-3 else f"{amps * 1e3:.3g} mA" if amps < 1 else f"{amps:.3g} A"


def _power(watts: float) -> str:
    return f"{watts:.3g} W" if watts < 1e3 else f"{watts / 1e3:.3g} kW"


def _volts(volts: float) -> str:
    return f"{volts:.0f} V" if volts < 1e3 else f"{volts / 1e3:.2g} kV"
