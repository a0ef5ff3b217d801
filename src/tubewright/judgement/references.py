"""What an instrument shows on a good gun: stated, calibrated by the shop, or assumed.

Every reading is put against such a reference before it means anything.
"""

from __future__ import annotations

import math
import statistics
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from tubewright.case import Reading
from tubewright.experience import Experience, KnownGoodReading
from tubewright.knowledge.model import Knowledge

ReferenceKind = Literal["stated", "relative", "calibrated", "coarse", "assumed"]
"""How an instrument's reading was put against a gun known to be good."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Reference:
    """What a good gun shows, how well that is known, and at which cutoff."""

    value: float
    sd_ln: float
    cutoff_v: float | None
    kind: ReferenceKind
    words: str


def references_of(
    emission: Sequence[Reading], rated_v: float, knowledge: Knowledge, experience: Experience, tube_label: str | None
) -> dict[int, Reference]:
    """The reference of each emission reading, by the identity of the reading."""
    found: dict[int, Reference] = {}
    unknown: list[Reading] = []
    for reading in emission:
        reference = _stated(reading, knowledge) or _calibrated(reading, knowledge, experience, tube_label)
        if reference is None:
            unknown.append(reading)
        else:
            found[id(reading)] = reference
    strongest: dict[str, float] = {}
    for reading in unknown:
        if (reading.heater_v or rated_v) / rated_v >= knowledge.value("full_heater_from"):
            key = reading.unit
            strongest[key] = max(strongest.get(key, 0.0), reading.value)
    for reading in unknown:
        top = strongest.get(reading.unit, reading.value)
        found[id(reading)] = Reference(
            value=max(top, 1e-9) / knowledge.value("strongest_gun_assumed"),
            sd_ln=knowledge.value("reference_spread_unknown"),
            cutoff_v=None,
            kind="assumed",
            words="no reference for this instrument: the strongest gun is taken as a fair one",
        )
    return found


def calibrate(
    instrument: str, known_good: Sequence[KnownGoodReading], unit: str, tube_label: str | None = None
) -> tuple[float, float, int] | None:
    """What one instrument shows on a good gun, from the shop's own readings.

    Args:
        instrument: Its name, compared without regard to case.
        known_good: Readings on guns known to be good.
        unit: Unit of the reading to be judged; currents are converted.
        tube_label: Type of the tube to be judged; readings on that type alone count
            where there are any.

    Returns:
        Median value in ``unit``, standard deviation of the logarithm of a single
        good gun about it, and the number of readings; ``None`` without any.
    """
    mine = [k for k in known_good if k.instrument.casefold() == instrument.casefold()]
    alike = [k for k in mine if tube_label and k.tube_label.casefold() == tube_label.casefold()]
    values = [
        value
        for known in alike or mine
        if (value := _converted(known.value, known.unit, unit)) is not None and value > 0
    ]
    if not values:
        return None
    logs = [math.log(value) for value in values]
    spread = statistics.stdev(logs) if len(logs) > 1 else 0.0
    return math.exp(statistics.median(logs)), spread, len(values)


def _stated(reading: Reading, knowledge: Knowledge) -> Reference | None:
    if reading.reference is not None:
        return Reference(
            value=reading.reference,
            sd_ln=knowledge.value("reference_spread_given"),
            cutoff_v=reading.reference_cutoff_v,
            kind="stated",
            words="against the reference gun stated",
        )
    if reading.unit == "rel":
        return Reference(
            value=1.0,
            sd_ln=knowledge.value("reference_spread_given"),
            cutoff_v=reading.reference_cutoff_v,
            kind="relative",
            words="already relative to a good gun",
        )
    return None


def _calibrated(
    reading: Reading, knowledge: Knowledge, experience: Experience, tube_label: str | None
) -> Reference | None:
    if reading.instrument:
        own = calibrate(reading.instrument, experience.known_good, reading.unit, tube_label)
        if own is not None:
            value, spread, count = own
            prior = knowledge.value("gun_to_gun_spread")
            # One good gun may itself be off by the spread of guns; the mean of n is off by 1/sqrt(n) of it.
            spread = max(spread, prior) if count < knowledge.value("reference_guns_wanted") else spread
            cutoffs = [
                k.cutoff_v
                for k in experience.known_good
                if k.cutoff_v is not None and k.instrument.casefold() == reading.instrument.casefold()
            ]
            return Reference(
                value=value,
                sd_ln=max(spread / math.sqrt(count), knowledge.value("cutoff_repeatability")),
                cutoff_v=statistics.median(cutoffs) if cutoffs else None,
                kind="calibrated",
                words=f"calibrated by {count} of the shop's own readings on good guns",
            )
    coarse = knowledge.value("reference_spread_scale_only")
    if reading.unit == "percent":
        return Reference(
            value=100.0 * knowledge.value("scale_good_mark"),
            sd_ln=coarse,
            cutoff_v=None,
            kind="coarse",
            words="coarse: the instrument's own percent scale, no reference gun",
        )
    if reading.unit == "div" and reading.full_scale is not None:
        return Reference(
            value=reading.full_scale * knowledge.value("scale_good_mark"),
            sd_ln=coarse,
            cutoff_v=None,
            kind="coarse",
            words="coarse: divisions of the instrument's full scale, no reference gun",
        )
    return None


def _converted(value: float, unit: str, wanted: str) -> float | None:
    if unit == wanted:
        return value
    micro = {"uA": 1.0, "mA": 1000.0}
    if unit in micro and wanted in micro:
        return value * micro[unit] / micro[wanted]
    return None
