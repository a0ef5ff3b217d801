"""What a deflection chassis can do, and whether a raster stays within it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Final

from tubewright.errors import Fault, InputError
from tubewright.picture.patterns.raster import Raster

_ROUNDING: Final = 1e-9
"""Relative; the last bits of a float are no limit broken."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chassis:
    """Limits of a deflection chassis. Least times hold for every line and for every field.

    Attributes:
        line_low_hz: Lowest line rate it may run at.
        line_high_hz: Highest.
        line_usual_hz: The rate it was made for, if known.
        line_blanking_s: Least time without picture in a line: retrace and what surrounds it.
        line_front_s: Least front porch of a line.
        line_sync_s: Least line sync.
        line_back_s: Least back porch of a line.
        field_low_hz: Lowest field rate it locks to.
        field_high_hz: Highest.
        field_blanking_s: Least time without picture in a field: field retrace.
        field_front_lines: Least front porch of a field.
        field_sync_lines: Field sync, as many lines.
        clock_high_hz: Fastest clock of what feeds it, if that is a limit.
        interlace: Whether it shows interlaced fields between each other.
    """

    line_low_hz: float
    line_high_hz: float
    line_usual_hz: float | None = None
    line_blanking_s: float = 10.7e-6
    line_front_s: float = 0.0
    line_sync_s: float = 4.0e-6
    line_back_s: float = 0.0
    field_low_hz: float = 47.0
    field_high_hz: float = 63.0
    field_blanking_s: float = 0.9e-3
    field_front_lines: int = 1
    field_sync_lines: int = 3
    clock_high_hz: float | None = None
    interlace: bool = True

    @property
    def line_without_picture_s(self) -> float:
        """Least time of a line without picture: blanking, or what its three parts last together."""
        return max(self.line_blanking_s, self.line_front_s + self.line_sync_s + self.line_back_s)

    @property
    def field_blanking_lines(self) -> int:
        """Least lines of a field without picture, whatever they last: front porch, sync, and one to come back."""
        return self.field_front_lines + self.field_sync_lines + 1


CHASSIS_CLASSES: Final[Mapping[str, Chassis]] = MappingProxyType(
    {
        # Line rates: common practice, what is sold under these names. All times: estimates, a little
        # over half of the blanking of the published rasters of that rate for retrace itself, and
        # the rest for tolerance; a given chassis's own papers win.
        "15k": Chassis(
            line_low_hz=15_400,
            line_high_hz=16_000,
            line_usual_hz=15_720,
            line_blanking_s=10.7e-6,
            line_front_s=1.2e-6,
            line_sync_s=4.5e-6,
            line_back_s=4.0e-6,
            field_blanking_s=1.1e-3,
        ),
        "24k": Chassis(
            line_low_hz=24_200,
            line_high_hz=25_200,
            line_usual_hz=24_830,
            line_blanking_s=7.6e-6,
            line_front_s=0.8e-6,
            line_sync_s=3.0e-6,
            line_back_s=2.5e-6,
            field_blanking_s=0.7e-3,
        ),
        "31k": Chassis(
            line_low_hz=31_000,
            line_high_hz=32_000,
            line_usual_hz=31_469,
            line_blanking_s=5.7e-6,
            line_front_s=0.5e-6,
            line_sync_s=3.0e-6,
            line_back_s=1.6e-6,
            field_low_hz=50.0,
            field_high_hz=72.0,
            field_blanking_s=0.7e-3,
        ),
    }
)
"""Where nothing better is known: the three arcade classes by line rate."""


def limits_broken(raster: Raster, chassis: Chassis) -> tuple[str, ...]:
    """Every limit of the chassis that a raster breaks, in words; none if it may be shown there."""
    clock, fields = raster.pixel_clock_hz, 2 if raster.interlaced else 1
    blank_s = (raster.h_front_px + raster.h_sync_px + raster.h_back_px) / clock
    field_blank_s = (raster.v_total_lines - raster.height_px) / fields / raster.line_hz
    found = []

    def within(what: str, value: float, low: float, high: float, unit: str, scale: float) -> None:
        if not low * (1 - _ROUNDING) <= value <= high * (1 + _ROUNDING):
            found.append(
                f"its {what} is {value * scale:.5g} {unit}, the chassis takes {low * scale:.5g} to "
                f"{high * scale:.5g} {unit}"
            )

    def at_least(what: str, value: float, least: float, unit: str, scale: float) -> None:
        if value < least * (1 - _ROUNDING):
            found.append(f"its {what} is {value * scale:.4g} {unit}, the chassis needs {least * scale:.4g} {unit}")

    within("line rate", raster.line_hz, chassis.line_low_hz, chassis.line_high_hz, "kHz", 1e-3)
    within("field rate", raster.field_hz, chassis.field_low_hz, chassis.field_high_hz, "Hz", 1)
    at_least("line blanking", blank_s, chassis.line_blanking_s, "µs", 1e6)
    at_least("line front porch", raster.h_front_px / clock, chassis.line_front_s, "µs", 1e6)
    at_least("line sync", raster.h_sync_px / clock, chassis.line_sync_s, "µs", 1e6)
    at_least("line back porch", raster.h_back_px / clock, chassis.line_back_s, "µs", 1e6)
    at_least("field blanking", field_blank_s, chassis.field_blanking_s, "ms", 1e3)
    at_least("field front porch", raster.v_front_lines / fields, chassis.field_front_lines, "lines", 1)
    at_least("field sync", raster.v_sync_lines / fields, chassis.field_sync_lines, "lines", 1)
    if chassis.clock_high_hz is not None and clock > chassis.clock_high_hz * (1 + _ROUNDING):
        found.append(f"its clock is {clock / 1e6:.6g} MHz, at most {chassis.clock_high_hz / 1e6:.6g} MHz may be had")
    if raster.interlaced and not chassis.interlace:
        found.append("it is interlaced, the chassis isn't to be")
    return tuple(found)


def check_chassis(chassis: Chassis) -> None:
    """See that the limits don't contradict each other.

    Raises:
        InputError: They do; every contradiction is named, ``where`` is the field of :class:`Chassis`.
    """
    c = chassis
    faults = []

    def fault(where: str, what: str, mend: str) -> None:
        faults.append(Fault(what=what, where=where, mend=mend))

    # The widest that any tube was made for, with room; common practice.
    if not 5_000 <= c.line_low_hz <= c.line_high_hz <= 200_000:
        fault("line_hz", "the line rates don't make a range", "Give the lower first, both from 5 to 200 kHz.")
    if not 10 <= c.field_low_hz <= c.field_high_hz <= 500:
        fault("field_hz", "the field rates don't make a range", "Give the lower first, both from 10 to 500 Hz.")
    for name in ("line_blanking_s", "line_front_s", "line_sync_s", "line_back_s", "field_blanking_s"):
        if not 0 <= getattr(c, name) < 1:
            fault(name, "this is no time", "Give a time of zero or more.")
    if not (1 <= c.field_sync_lines <= 100 and 0 <= c.field_front_lines <= 1000):
        fault("field_sync_lines", "these are no lines of a field", "Give 1 to 100 of sync, 0 to 1000 of front porch.")
    if c.clock_high_hz is not None and not 1e5 <= c.clock_high_hz <= 1e9:
        fault("clock_high_hz", "this is no clock for a picture", "Give 0.1 to 1000 MHz.")
    if not faults:
        longest_s = max(c.line_blanking_s, c.line_front_s + c.line_sync_s + c.line_back_s)
        if longest_s * c.line_low_hz > 0.9:
            fault("line_blanking_s", "nothing of a line is left for a picture", "Check the times and the line rate.")
        if c.field_blanking_s * c.field_low_hz > 0.9:
            fault("field_blanking_s", "nothing of a field is left for a picture", "Check the time; it is in seconds.")
    if faults:
        raise InputError(faults)
