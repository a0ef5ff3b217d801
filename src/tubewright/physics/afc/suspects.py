"""Which part is likeliest off, where the parts that should be there are known.

Each suspicion is a range of values of one part; every value in it is run, with the
free-running error left open as far as it was set, and weighed by how well the curl agrees.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias

import numpy as np

from tubewright.physics._arrays import FloatArray
from tubewright.physics.afc.curl import PredictedCurl, predicted_curl
from tubewright.physics.afc.inverse import OVERSHOOT_SD, SETTLE_SD_RATIO, Between, SeenCurl, between, check_seen
from tubewright.physics.afc.loop import run
from tubewright.physics.afc.parts import AfcParts, Detector
from tubewright.physics.afc.source import SyncSource

Suspicion: TypeAlias = Literal[
    "as_fitted", "capacitor_low", "capacitor_leaky", "damping_high", "shunt_low", "detector_low", "free_run_off"
]

AS_FITTED_PROBABILITY: Final = 0.1
CAPACITOR_LOW_PROBABILITY: Final = 0.3
CAPACITOR_LEAKY_PROBABILITY: Final = 0.1
DAMPING_HIGH_PROBABILITY: Final = 0.1
SHUNT_LOW_PROBABILITY: Final = 0.05
DETECTOR_LOW_PROBABILITY: Final = 0.05
FREE_RUN_OFF_PROBABILITY: Final = 0.3
FREE_RUN_SET_SD_HZ: Final = 30.0
FREE_RUN_OFF_MOST_HZ: Final = 600.0
CAPACITOR_LEAST_RATIO: Final = 0.05
DAMPING_MOST_RATIO: Final = 5.0
DETECTOR_LEAST_RATIO: Final = 0.2
LEAK_LEAST_RATIO: Final = 0.3
LEAK_MOST_RATIO: Final = 30.0
ALMOST_RATIO: Final = 0.9
VALUES: Final = 15
SET_STEPS: Final = 7
FREE_STEPS: Final = 49
MODEL_SD_RATIO: Final = 0.1
AGREES_SD: Final = 2.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Suspect:
    """One suspicion, weighed.

    Attributes:
        id: Which.
        part: The part it is about, as the field is called; "" for none.
        probability: Beside the others, whose sum is 1.
        value: What the part would then be, in the unit of its name; None for none.
        agreement_sd: How far its best value misses what was seen, in standard errors, root mean square.
    """

    id: Suspicion
    part: str
    probability: float
    value: Between | None
    agreement_sd: float


def suspects(
    parts: AfcParts,
    seen: SeenCurl,
    source: SyncSource,
    *,
    picture_width_mm: float,
    detector: Detector | None = None,
) -> tuple[Suspect, ...]:
    """What is likeliest off in a known loop, likeliest first.

    Args:
        parts: As they should be; the free-running error as it was last set.
        seen: The curl as it was measured.
        source: What was sent.
        picture_width_mm: Width that the active part of a line spans.
        detector: How the detector behaves.

    Raises:
        ValueError: A part that the circuit can't do with, fewer than two figures, or one without a standard error.
    """
    check_seen(seen)
    ranges = _ranges(parts)
    loops = [loop for _, _, _, tried in ranges for _, _, loop in tried]
    # A loop that can't hold shows no picture to measure, so it gives no curl.
    curl = predicted_curl(run(loops, source, detector), source, picture_width_mm)
    misses = _misses(curl, seen)
    ln_all = -(misses**2).sum(axis=1) / 2
    each_sd = np.sqrt((misses**2).mean(axis=1))
    found, total, first = [], 0.0, 0
    top = float(np.max(ln_all, initial=-np.inf))
    if not np.isfinite(top):
        top = 0.0
    for name, part, odds, tried in ranges:
        here = slice(first, first + len(tried))
        first += len(tried)
        prior = np.array([chance for _, chance, _ in tried])
        weight = prior / prior.sum() * np.exp(ln_all[here] - top)
        mass = odds * float(weight.sum())
        total += mass
        values = np.array([value for value, _, _ in tried])
        spread = between(values, weight / weight.sum()) if part and weight.sum() > 0 else None
        found.append((name, part, mass, spread, float(each_sd[here].min())))
    found.sort(key=lambda one: -one[2])
    return tuple(
        Suspect(id=name, part=part, probability=mass / total if total else 0.0, value=value, agreement_sd=miss)
        for name, part, mass, value, miss in found
    )


_Tried = tuple[float, float, AfcParts]
"""A value, its chance before looking, and the loop with it."""


def _ranges(parts: AfcParts) -> list[tuple[Suspicion, str, float, list[_Tried]]]:
    """Every suspicion with the part it is about, its chance, and the loops it stands for."""
    series = parts.detector_ohm + parts.series_ohm + parts.damping_ohm
    found: list[tuple[Suspicion, str, float, list[_Tried]]] = [
        ("as_fitted", "", AS_FITTED_PROBABILITY, _set(parts, 0.0)),
        (
            "capacitor_low",
            "capacitor_uf",
            CAPACITOR_LOW_PROBABILITY,
            _over(parts, "capacitor_uf", parts.capacitor_uf, CAPACITOR_LEAST_RATIO, ALMOST_RATIO),
        ),
        (
            "capacitor_leaky",
            "capacitor_leak_ohm",
            CAPACITOR_LEAKY_PROBABILITY,
            _over(parts, "capacitor_leak_ohm", series, LEAK_LEAST_RATIO, LEAK_MOST_RATIO),
        ),
        (
            "damping_high",
            "damping_ohm",
            DAMPING_HIGH_PROBABILITY,
            _over(parts, "damping_ohm", parts.damping_ohm, 1 / ALMOST_RATIO, DAMPING_MOST_RATIO),
        ),
        (
            "detector_low",
            "detector_v_per_rad",
            DETECTOR_LOW_PROBABILITY,
            _over(parts, "detector_v_per_rad", parts.detector_v_per_rad, DETECTOR_LEAST_RATIO, ALMOST_RATIO),
        ),
        (
            "free_run_off",
            "free_run_error_hz",
            FREE_RUN_OFF_PROBABILITY,
            [
                (float(hz), 1.0, replace(parts, free_run_error_hz=float(hz)))
                for hz in np.linspace(-FREE_RUN_OFF_MOST_HZ, FREE_RUN_OFF_MOST_HZ, FREE_STEPS)
                if abs(hz - parts.free_run_error_hz) > FREE_RUN_SET_SD_HZ
            ],
        ),
    ]
    if parts.shunt_nf > 0:
        low = _over(parts, "shunt_nf", parts.shunt_nf, CAPACITOR_LEAST_RATIO, ALMOST_RATIO)
        found.append(("shunt_low", "shunt_nf", SHUNT_LOW_PROBABILITY, low))
    return found


def _set(parts: AfcParts, value: float) -> list[_Tried]:
    """A loop with its free-running error as well as it was set."""
    steps = np.linspace(-2, 2, SET_STEPS)
    return [
        (
            value,
            float(np.exp(-(step**2) / 2)),
            replace(parts, free_run_error_hz=parts.free_run_error_hz + FREE_RUN_SET_SD_HZ * float(step)),
        )
        for step in steps
    ]


def _over(parts: AfcParts, name: str, whole: float, low_ratio: float, high_ratio: float) -> list[_Tried]:
    """Values of one part, as likely at any order of size, each with the free-running error left open."""
    values = whole * np.geomspace(low_ratio, high_ratio, VALUES)
    return [one for value in values for one in _set(replace(parts, **{name: float(value)}), float(value))]


def _misses(curl: PredictedCurl, seen: SeenCurl) -> FloatArray:
    """How far each loop misses each figure, in standard errors, (loops, figures); infinite where it can't hold."""
    course = curl.displacement_mm
    columns = []
    largest = 0.0 if seen.amplitude_mm is None else abs(seen.amplitude_mm.value)
    if seen.displacement_mm is not None:
        largest = max(largest, float(np.abs(seen.displacement_mm).max()))
    floor = MODEL_SD_RATIO * largest
    if seen.amplitude_mm is not None:
        columns.append((curl.amplitude_mm - seen.amplitude_mm.value) / np.hypot(seen.amplitude_mm.sd, floor))
    if seen.at_lines is not None and seen.displacement_mm is not None and seen.displacement_sd_mm is not None:
        place = np.clip(np.round(seen.at_lines).astype(np.int64), 0, course.shape[1] - 1)
        errors = np.hypot(seen.displacement_sd_mm, floor)
        columns += list(((course[:, place] - seen.displacement_mm) / errors).T)
    if seen.settle_lines is not None:
        error = np.hypot(seen.settle_lines.sd, SETTLE_SD_RATIO * seen.settle_lines.value)
        columns.append((curl.settle_lines - seen.settle_lines.value) / error)
    if seen.overshoot_ratio is not None:
        error = np.hypot(seen.overshoot_ratio.sd, OVERSHOOT_SD)
        columns.append((curl.overshoot_ratio - seen.overshoot_ratio.value) / error)
    misses = np.stack(columns, axis=1)
    return np.asarray(np.where(np.isfinite(misses), misses, np.inf))
