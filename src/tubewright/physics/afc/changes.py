"""One change of a part at a time: what each value within reach does, and which does best within limits.

Parts and the size of a step follow bench custom: the big capacitor down by a third to a
half, the damping resistor up by a third to a half, the shunt halved, the coupling doubled
or halved. The retrace tuning capacitor is no part of the loop and is never among them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Final, Literal, TypeAlias, get_args

import numpy as np

from tubewright.physics._arrays import FloatArray
from tubewright.physics.afc.curl import NOTHING_MM, PredictedCurl, predicted_curl
from tubewright.physics.afc.figures import LoopFigures, loop_figures
from tubewright.physics.afc.loop import run
from tubewright.physics.afc.parts import AfcParts, Detector
from tubewright.physics.afc.source import SyncSource
from tubewright.physics.preferred_values import decade

Part: TypeAlias = Literal["capacitor_uf", "damping_ohm", "shunt_nf", "coupling_uf", "leak_ohm"]
PARTS: Final[tuple[Part, ...]] = get_args(Part)

CAPACITOR_LEAST_RATIO: Final = 0.45
CAPACITOR_MOST_RATIO: Final = 0.75
DAMPING_LEAST_RATIO: Final = 1.25
DAMPING_MOST_RATIO: Final = 1.6
HALVED_LEAST_RATIO: Final = 0.4
HALVED_MOST_RATIO: Final = 0.6
DOUBLED_LEAST_RATIO: Final = 1.7
DOUBLED_MOST_RATIO: Final = 2.3
_HALVED: Final = (HALVED_LEAST_RATIO, HALVED_MOST_RATIO)

STEPS_RATIO: Final[Mapping[Part, tuple[tuple[float, float], ...]]] = {
    "capacitor_uf": ((CAPACITOR_LEAST_RATIO, CAPACITOR_MOST_RATIO),),
    "damping_ohm": ((DAMPING_LEAST_RATIO, DAMPING_MOST_RATIO),),
    "shunt_nf": (_HALVED,),
    "coupling_uf": ((DOUBLED_LEAST_RATIO, DOUBLED_MOST_RATIO), _HALVED),
    "leak_ohm": (_HALVED,),
}
"""How far each part may go in one step, as ratios to what is fitted."""

MOST_JITTER_RATIO: Final = 1.5
LEAST_HOLD_RATIO: Final = 0.8
LEAST_DAMPING_RATIO: Final = 0.4
MOST_RIPPLE_DB: Final = 6.0
MOST_HUM_DB: Final = 3.0
MOST_LARGEST_RATIO: Final = 1.25
WORTH_RATIO: Final = 0.9


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What a change may cost.

    Attributes:
        jitter_ratio: Most that the line jitter may grow by.
        hold_ratio: Least of the hold range that must stay.
        damping_ratio: Least damping, unless it is lower already.
        ripple_db: Most that the ripple at line rate may grow by.
        hum_db: Most that hum in the oscillator may grow by.
        largest_ratio: Most that the displacement of the most displaced line may grow by: a curl made short but
            large is no gain.
    """

    jitter_ratio: float = MOST_JITTER_RATIO
    hold_ratio: float = LEAST_HOLD_RATIO
    damping_ratio: float = LEAST_DAMPING_RATIO
    ripple_db: float = MOST_RIPPLE_DB
    hum_db: float = MOST_HUM_DB
    largest_ratio: float = MOST_LARGEST_RATIO


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Predicted:
    """Loops on one source and one picture: the curl and the figures, both over the same batch."""

    parts: tuple[AfcParts, ...]
    curl: PredictedCurl
    figures: LoopFigures

    @property
    def bend_mm(self) -> FloatArray:
        """Mean displacement over all visible lines, either way, (batch,): small is short or slight."""
        return np.asarray(np.abs(self.curl.displacement_mm).mean(axis=1))


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One part at another value.

    Attributes:
        part: Which.
        value: In the unit of the part's name.
        number: Its place in the batch of predictions.
        costs: What it would take too much of, in words; empty when within the limits.
    """

    part: Part
    value: float
    unit: str
    number: int
    costs: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Tried:
    """All single changes within reach, the loop as it is first.

    Attributes:
        predicted: The loop as it is, then each change.
        changes: In the order of the parts, then of their values.
        best: The change within the limits that leaves the least bend, if it is worth it.
    """

    predicted: Predicted
    changes: tuple[Change, ...]
    best: Change | None


def predict(
    parts: Sequence[AfcParts],
    source: SyncSource,
    *,
    picture_width_mm: float,
    mains_hz: float,
    detector: Detector | None = None,
) -> Predicted:
    """The curl and the figures of loops on a source.

    Args:
        parts: The loops.
        source: What is sent to them.
        picture_width_mm: Width that the active part of a line spans.
        mains_hz: Mains frequency.
        detector: How their detectors behave.

    Raises:
        ValueError: A part, a width or a rate that makes no sense.
    """
    return Predicted(
        parts=tuple(parts),
        curl=predicted_curl(run(parts, source, detector), source, picture_width_mm),
        figures=loop_figures(
            parts, line_hz=source.line_hz, field_hz=source.field_hz, mains_hz=mains_hz, detector=detector
        ),
    )


def preferred(low: float, high: float) -> tuple[float, ...]:
    """The preferred values from ``low`` to ``high`` of the series E12. Source: IEC 60063."""
    first, last = int(np.floor(np.log10(low))), int(np.floor(np.log10(high)))
    values = (float(f"{step}e{power - 1}") for power in range(first, last + 1) for step in decade("E12"))
    return tuple(value for value in values if low <= value <= high)


def within_reach(parts: AfcParts, stock: Mapping[Part, Sequence[float]] | None = None) -> list[tuple[Part, float]]:
    """Every part at every value that one step may bring it to.

    Args:
        parts: The loop as it is.
        stock: Values at hand by part, in the unit of its name; the series E12 for parts that aren't named.
    """
    found: list[tuple[Part, float]] = []
    for part in PARTS:
        now = float(getattr(parts, part))
        if not (now > 0 and np.isfinite(now)):
            continue
        for low, high in STEPS_RATIO[part]:
            held = stock.get(part) if stock else None
            values = preferred(low * now, high * now) if held is None else tuple(sorted(set(held)))
            found += [(part, value) for value in values if low * now <= value <= high * now]
    return found


def try_changes(
    parts: AfcParts,
    source: SyncSource,
    *,
    picture_width_mm: float,
    mains_hz: float,
    detector: Detector | None = None,
    stock: Mapping[Part, Sequence[float]] | None = None,
    limits: Limits | None = None,
) -> Tried:
    """Every single change within reach, and the best of them.

    Args:
        parts: The loop as it is.
        source: What is sent to it.
        picture_width_mm: Width that the active part of a line spans.
        mains_hz: Mains frequency.
        detector: How its detector behaves.
        stock: Values at hand; the series E12 unless given.
        limits: What a change may cost.

    Raises:
        ValueError: A part, a width or a rate that makes no sense.
    """
    limits = limits or Limits()
    reach = within_reach(parts, stock)
    loops = [parts, *(replace(parts, **{part: value}) for part, value in reach)]
    found = predict(loops, source, picture_width_mm=picture_width_mm, mains_hz=mains_hz, detector=detector)
    changes = tuple(
        Change(part=part, value=value, unit=part.rpartition("_")[2], number=k, costs=_costs(found, k, limits))
        for k, (part, value) in enumerate(reach, start=1)
    )
    bend = found.bend_mm
    allowed = [change for change in changes if not change.costs and bend[change.number] < WORTH_RATIO * bend[0]]
    best = min(allowed, key=lambda change: float(bend[change.number]), default=None)
    return Tried(predicted=found, changes=changes, best=best)


def _costs(found: Predicted, k: int, limits: Limits) -> tuple[str, ...]:
    """What a change would take too much of."""
    now, then = ({name: float(getattr(found.figures, name)[n]) for name in _WEIGHED} for n in (0, k))
    costs = []
    if not np.isfinite(float(found.curl.amplitude_mm[k])):
        costs.append("the loop could no longer hold its free-running error")
    if not then["largest_pole_ratio"] < 1:
        costs.append("the loop would swing up by itself")
    elif not then["jitter_ratio"] <= limits.jitter_ratio * now["jitter_ratio"]:
        costs.append(f"line jitter would grow {then['jitter_ratio'] / now['jitter_ratio']:.2g} times")
    largest_mm = np.abs(found.curl.displacement_mm[[0, k]]).max(axis=1)
    if largest_mm[1] > limits.largest_ratio * max(largest_mm[0], NOTHING_MM):
        costs.append(f"the most displaced line would go from {largest_mm[0]:.2g} to {largest_mm[1]:.2g} mm")
    if then["hold_hz"] < limits.hold_ratio * now["hold_hz"]:
        costs.append(f"the hold range would shrink to {100 * then['hold_hz'] / now['hold_hz']:.0f} %")
    if then["damping_ratio"] < min(limits.damping_ratio, now["damping_ratio"]):
        costs.append(f"damping would fall to {then['damping_ratio']:.2f}")
    if then["ripple_db"] > now["ripple_db"] + limits.ripple_db:
        costs.append(f"ripple at line rate would grow by {then['ripple_db'] - now['ripple_db']:.0f} dB")
    if then["oscillator_mains_db"] > now["oscillator_mains_db"] + limits.hum_db:
        costs.append(f"hum would grow by {then['oscillator_mains_db'] - now['oscillator_mains_db']:.0f} dB")
    return tuple(costs)


_WEIGHED: Final = (
    "jitter_ratio",
    "hold_hz",
    "damping_ratio",
    "ripple_db",
    "oscillator_mains_db",
    "largest_pole_ratio",
)
