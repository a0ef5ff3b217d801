"""How the picture's width and height change with anode voltage, deflection angle, yoke or scan current.

**The beam.** A magnetic yoke turns a beam by ``sin a = k N I / p``: turns times current over
the electrons' momentum, ``p = sqrt(V (1 + V / 1022 kV))`` in anode voltage. Without the
small bracket the deflection goes as one over the root of the voltage.

**The screen.** Near its middle the way on the screen goes as ``sin a``. On a face that is
curved about the centre of deflection it does so everywhere; on a flat face the edge goes
as ``tan a``, which is steeper. A real face lies between, so a prediction has both ends.

**Another tube.** What counts is how much of its own screen is filled: ``sin a`` over that
of its own half angle.

**The line yoke** lies on a given voltage for a given time, so ``I = V t / L``. Yokes of
the same form and other turns have ``N ~ sqrt(L)``, so ``N I ~ 1 / sqrt(L)``; with the same
turns ``N I ~ 1 / L``, as with a coil in series. Which of the two holds between two yokes
is not told by their inductances: the prediction spans both.

**The field yoke** is driven with a given current in most sets (feedback from a resistor),
so ``N I ~ sqrt(L)``; in others with a given voltage, mostly across its resistance,
``N I ~ 1 / sqrt(R)`` with the winding space kept. The prediction spans both.

Source: derived here from the force on a moving charge; the anode voltage alone checked
against the published worked figures (25 to 24 kV 2.062 %, 25 to 22.5 kV 5.409 %).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import asin, atan, isfinite, radians, sin, sqrt, tan
from typing import Final

TWICE_REST_KV: Final = 1021.998
WIDTH_SHARE: Final = 0.8
HEIGHT_SHARE: Final = 0.6
RETRACE_LEAST_SHARE: Final = 0.5


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanState:
    """What makes the picture's size; None is not known.

    Attributes:
        eht_kv: anode voltage.
        angle_deg: deflection angle across the diagonal, both sides together.
        line_mh: inductance of the line yoke.
        width_coil_mh: coil in series with it.
        field_mh: inductance of the field yoke.
        field_ohm: its resistance.
        line_current_a: scan current, peak to peak, where it was measured.
        field_current_a: likewise.
        bplus_v: supply of the line stage, which the yoke's voltage during scan follows.
    """

    eht_kv: float | None = None
    angle_deg: float | None = None
    line_mh: float | None = None
    width_coil_mh: float | None = None
    field_mh: float | None = None
    field_ohm: float | None = None
    line_current_a: float | None = None
    field_current_a: float | None = None
    bplus_v: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class SizeRatio:
    """The share of the screen that is filled, after over before: as reckoned, and the ends that can't be told apart."""

    ratio: float
    low_ratio: float
    high_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ScanChange:
    """What a change does to the picture, and what would undo it.

    Attributes:
        width: None where it can't be told; ``untold`` says why.
        height: likewise.
        energy_ratio: magnetic energy that a full picture needs, after over before, whatever the yoke's
            turns: it goes as anode voltage and as the square of the sine of the half angle. None without
            anode voltages.
        drive_ratio: by how much the line yoke's voltage would have to change for the old width.
        supply_ratio: by how much B+ would have to change if the anode voltage follows it, as in most
            sets: width goes as B+ over the root of the anode voltage, so this is ``drive_ratio`` squared,
            and the anode voltage would change by the same.
        retrace_low_ratio: retrace time, after over before, with half of the inductance's change.
        retrace_high_ratio: with all of it.
        untold: what can't be told, and why.
    """

    width: SizeRatio | None
    height: SizeRatio | None
    energy_ratio: float | None
    drive_ratio: float | None
    supply_ratio: float | None
    retrace_low_ratio: float | None
    retrace_high_ratio: float | None
    untold: tuple[str, ...]


def anode_size_ratio(before_kv: float, after_kv: float) -> float:
    """Picture size after a change of the anode voltage over that before, all else kept; without relativity.

    Args:
        before_kv: Above zero.
        after_kv: Above zero.

    Raises:
        ValueError: A voltage that is not above zero.

    >>> round(100 * (anode_size_ratio(25, 24) - 1), 3), round(100 * (anode_size_ratio(25, 22.5) - 1), 3)
    (2.062, 5.409)
    """
    return sqrt(_positive("before_kv", before_kv) / _positive("after_kv", after_kv))


def momentum_ratio(before_kv: float, after_kv: float) -> float:
    """The electrons' momentum before over after: :func:`anode_size_ratio` with relativity.

    Raises:
        ValueError: A voltage that is not above zero.
    """
    bracket = (1 + _positive("before_kv", before_kv) / TWICE_REST_KV) / (
        1 + _positive("after_kv", after_kv) / TWICE_REST_KV
    )
    return anode_size_ratio(before_kv, after_kv) * sqrt(bracket)


def half_angle_rad(angle_deg: float, share: float) -> float:
    """The half angle across width or height, from the diagonal's full angle.

    Args:
        angle_deg: Across the diagonal, both sides together; below 180.
        share: :data:`WIDTH_SHARE` or :data:`HEIGHT_SHARE` of the diagonal.

    Raises:
        ValueError: No such angle.

    Source: rectangle of 4 by 3 on a flat face.
    """
    if not 0 < angle_deg < 180:
        raise ValueError("angle_deg must lie between 0 and 180")
    return atan(share * tan(radians(angle_deg) / 2))


def scan_change(before: ScanState, after: ScanState) -> ScanChange:
    """What becomes of width and height, and what would undo it.

    What neither state knows is taken to stay as it is. What only one of them knows can't be
    compared, and the axis that hangs on it is not told.

    Raises:
        ValueError: A figure that is not above zero, or an angle of 180 degrees or more.
    """
    for state in (before, after):
        for name in ScanState.__dataclass_fields__:
            value = getattr(state, name)
            if value is not None:
                _positive(name, value)
    untold: list[str] = []
    beam = _beam(before, after, untold)
    line = _line(before, after, untold)
    field = _field(before, after, untold)
    angles = _angles(before, after, untold)
    width = None if beam is None or line is None or angles is None else _size(beam, line, angles[0])
    height = None if beam is None or field is None or angles is None else _size(beam, field, angles[1])
    drive = None if width is None else 1 / width.ratio
    low, high = _retrace(before, after)
    return ScanChange(
        width=width,
        height=height,
        energy_ratio=_energy(before, after, angles),
        drive_ratio=drive,
        supply_ratio=None if drive is None else drive**2,
        retrace_low_ratio=low,
        retrace_high_ratio=high,
        untold=tuple(untold),
    )


def coil_for(width_ratio: float, line_mh: float) -> float:
    """The coil in series that takes a picture that became too wide back to its width, mH.

    Args:
        width_ratio: Width after over before, from 1.
        line_mh: The yoke in use, with what is in series with it already.

    Raises:
        ValueError: A picture that isn't too wide.

    Source: current goes as one over all of the inductance, the yoke's voltage kept.
    """
    if width_ratio < 1:
        raise ValueError("a coil in series makes no picture wider")
    return (width_ratio - 1) * _positive("line_mh", line_mh)


def _positive(name: str, value: float) -> float:
    if not (isfinite(value) and value > 0):
        raise ValueError(f"{name} must be above zero")
    return value


def _both(one: float | None, other: float | None, what: str, untold: list[str]) -> tuple[float, float] | None:
    """Both figures; equal ones where neither is known; None with a word where only one is."""
    if one is not None and other is not None:
        return one, other
    if one is None and other is None:
        return 1.0, 1.0
    untold.append(f"{what} is known on one side only")
    return None


def _beam(before: ScanState, after: ScanState, untold: list[str]) -> tuple[float, float] | None:
    """Deflection by the beam alone: without and with relativity."""
    both = _both(before.eht_kv, after.eht_kv, "the anode voltage", untold)
    if both is None:
        return None
    if before.eht_kv is None:
        return 1.0, 1.0
    return anode_size_ratio(*both), momentum_ratio(*both)


def _line(before: ScanState, after: ScanState, untold: list[str]) -> tuple[float, float, float] | None:
    """Turns times current of the line yoke, after over before: as reckoned, and both ends."""
    yokes = _both(before.line_mh, after.line_mh, "the line yoke's inductance", untold)
    if yokes is None:
        return None
    turns = sqrt(yokes[1] / yokes[0])
    if before.line_current_a is not None or after.line_current_a is not None:
        currents = _both(before.line_current_a, after.line_current_a, "the line scan current", untold)
        if currents is None:
            return None
        drive = currents[1] / currents[0]
        return _ends(drive * turns, drive) if yokes[0] != yokes[1] else (drive, drive, drive)
    coils = [state.width_coil_mh or 0.0 for state in (before, after)]
    if any(coils) and before.line_mh is None:
        untold.append("a coil in series tells nothing without the yoke's inductance")
        return None
    volts = _both(before.bplus_v, after.bplus_v, "B+", untold)
    if volts is None:
        return None
    whole = volts[1] / volts[0] * (yokes[0] + coils[0]) / (yokes[1] + coils[1])
    return _ends(whole * turns, whole)


def _field(before: ScanState, after: ScanState, untold: list[str]) -> tuple[float, float, float] | None:
    """Turns times current of the field yoke, after over before: as reckoned, and both ends."""
    yokes = _both(before.field_mh, after.field_mh, "the field yoke's inductance", untold)
    if yokes is None:
        return None
    turns = sqrt(yokes[1] / yokes[0])
    if before.field_current_a is not None or after.field_current_a is not None:
        currents = _both(before.field_current_a, after.field_current_a, "the field scan current", untold)
        if currents is None:
            return None
        drive = currents[1] / currents[0]
        return drive * turns, drive * turns, drive * turns
    ohms = _both(before.field_ohm, after.field_ohm, "the field yoke's resistance", untold)
    if ohms is None:
        return None
    if before.field_mh is None and before.field_ohm is not None:
        turns = sqrt(ohms[1] / ohms[0])  # in the same space the resistance goes as the turns squared, too
    # With a given current; with a given voltage across the resistance of a winding with these turns.
    return _ends(turns, turns * ohms[0] / ohms[1])


def _ends(reckoned: float, other: float) -> tuple[float, float, float]:
    return reckoned, min(reckoned, other), max(reckoned, other)


def _angles(
    before: ScanState, after: ScanState, untold: list[str]
) -> tuple[tuple[float, float] | None, tuple[float, float] | None] | None:
    """Half angles before and after, across width and across height; None inside where neither is known."""
    both = _both(before.angle_deg, after.angle_deg, "the deflection angle", untold)
    if both is None:
        return None
    if before.angle_deg is None:
        return None, None
    width, height = (
        (half_angle_rad(both[0], share), half_angle_rad(both[1], share)) for share in (WIDTH_SHARE, HEIGHT_SHARE)
    )
    return width, height


def _size(
    beam: tuple[float, float], drive: tuple[float, float, float], angles: tuple[float, float] | None
) -> SizeRatio:
    """The share of the screen filled: reckoned by sines, its ends by drive, relativity and a flat face's tangents."""
    own = sin(angles[0]) / sin(angles[1]) if angles else 1.0
    found = []
    for law in beam:
        for part in drive:
            plain = law * part * own
            found.append(plain)
            if angles and plain * sin(angles[1]) < 1:
                found.append(tan(asin(plain * sin(angles[1]))) / tan(angles[1]))
    return SizeRatio(ratio=beam[0] * drive[0] * own, low_ratio=min(found), high_ratio=max(found))


def _energy(
    before: ScanState,
    after: ScanState,
    angles: tuple[tuple[float, float] | None, tuple[float, float] | None] | None,
) -> float | None:
    if before.eht_kv is None or after.eht_kv is None or angles is None:
        return None
    need = after.eht_kv / before.eht_kv
    if angles[0] is not None:
        need *= (sin(angles[0][1]) / sin(angles[0][0])) ** 2
    return need


def _retrace(before: ScanState, after: ScanState) -> tuple[float | None, float | None]:
    """Retrace time after over before: the yoke's share of the inductance is half to all."""
    if before.line_mh is None or after.line_mh is None:
        return None, None
    whole = sqrt((after.line_mh + (after.width_coil_mh or 0)) / (before.line_mh + (before.width_coil_mh or 0)))
    part = whole**RETRACE_LEAST_SHARE
    return min(part, whole), max(part, whole)
