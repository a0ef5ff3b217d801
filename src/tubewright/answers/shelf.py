"""What the records know of a tube, as a donor is compared by: its life, its glass, and the emission last read."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

from tubewright import case
from tubewright.experience import Experience
from tubewright.judgement.readings import normalise
from tubewright.knowledge.model import Knowledge

_MEASURED: Final = {"d_eht": "eht_kv", "d_bplus": "bplus_v", "d_heater_rms": "heater_source_v"}
"""Tests that read a figure of the set."""
_FACTORS: Final = {"mV": 1e-3, "V": 1.0, "kV": 1e3}


def emission_of(
    tube: case.Tube, readings: Sequence[case.Reading], knowledge: Knowledge, experience: Experience
) -> dict[str, float]:
    """The emission of each gun that was read last, relative to a good gun's.

    Args:
        tube: Its rated heater says what a reading at full heater is.
        readings: All of them, with their times.
        knowledge: The trade's constants.
        experience: The shop's own readings on good guns calibrate its instruments.

    Returns:
        By gun; readings of which nothing says what a good gun shows are left out.
    """
    found = normalise(case.Case(format=1, tube=tube, readings=tuple(readings)), knowledge, experience)
    calibrated = {one.instrument for one in experience.known_good}
    out: dict[str, float] = {}
    for gun in case.GUNS:
        full = found.guns[gun].full
        mine = [one for one in readings if one.kind == "emission" and one.gun == gun]
        scaled = any(one.unit == "rel" or one.reference is not None or one.instrument in calibrated for one in mine)
        if full is not None and scaled:
            out[gun] = round(full.ratio, 4)
    return out


def record_fields(
    tube: case.Tube, emission: Mapping[str, float], looks: Mapping[str, object] | None = None
) -> dict[str, Any]:
    """What a tube of the records is, by the fields of :class:`tubewright.answers.donor.Tube`.

    Args:
        tube: As it was entered.
        emission: As :func:`emission_of` gives it.
        looks: What was seen of the glass since: getter, neck, burn.
    """
    seen = dict(looks or {})
    fields = {
        "label": tube.label,
        "gun": tube.gun,
        "heater_v": tube.heater_v,
        "service_hours": tube.service_hours,
        "restorations": tube.restorations,
        "burn": seen.get("burn", tube.burn),
        "getter": seen.get("getter", tube.getter),
        "neck_state": seen.get("neck", tube.neck),
        "emission": dict(emission) or None,
    }
    return {name: value for name, value in fields.items() if value is not None and value != ""}


def measured_figures(tests: Sequence[case.TestResult]) -> dict[str, float]:
    """Figures of the set that a job's tests measured, by the fields of ``SetFigures``; the last of each counts."""
    out: dict[str, float] = {}
    for one in tests:
        name, factor = _MEASURED.get(one.id, ""), _FACTORS.get(one.unit or "")
        if name and factor is not None and one.value is not None and one.value > 0:
            out[name] = one.value * factor / (_FACTORS["kV"] if name.endswith("_kv") else 1)
    return out
