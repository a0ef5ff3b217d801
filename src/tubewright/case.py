"""The case: what is known about one display, as plain data (public contract, format 1).

Everything Tubewright says about a display is a function of a case. These types
hold one and check it field by field; reading files is the business of
:mod:`tubewright.files`. All fields but ``format`` may be left out: what is
missing widens the answer and is named in it.
"""

from __future__ import annotations

import datetime as dt
from typing import Annotated, Final, Literal

from pydantic import BaseModel, ConfigDict, Field, model_validator

Gun = Literal["red", "green", "blue"]
GUNS: Final[tuple[Gun, ...]] = ("red", "green", "blue")

ReadingKind = Literal[
    "emission",
    "cutoff",
    "leakage_heater_cathode",
    "leakage_cathode_grid1",
    "leakage_grid1_grid2",
    "heater_current",
    "heater_voltage",
    "gas",
    "shortfall_seen",
]
Unit = Literal["rel", "uA", "mA", "V", "Mohm", "A", "percent", "div"]
TreatmentKind = Literal[
    "clean_contacts",
    "soak",
    "run_in",
    "short_boost",
    "clean",
    "activate",
    "clear_short",
    "isolate_heater",
    "boost_heater",
]
Outcome = Literal["improved", "unchanged", "worse", "lost"]
RepairOutcome = Literal["found", "mended", "excluded"]

UNITS_OF: Final[dict[ReadingKind, tuple[Unit, ...]]] = {
    "emission": ("rel", "uA", "mA", "percent", "div"),
    "cutoff": ("V",),
    "leakage_heater_cathode": ("Mohm",),
    "leakage_cathode_grid1": ("Mohm",),
    "leakage_grid1_grid2": ("Mohm",),
    "heater_current": ("A", "mA"),
    "heater_voltage": ("V",),
    "gas": ("uA",),
    "shortfall_seen": ("rel",),
}
"""Units that make sense for each kind of reading."""

PER_GUN: Final[frozenset[ReadingKind]] = frozenset({"emission", "cutoff", "shortfall_seen"})
"""Readings that mean nothing unless the gun is named."""

Amount = Annotated[float, Field(ge=0, allow_inf_nan=False, strict=True)]
Positive = Annotated[float, Field(gt=0, allow_inf_nan=False, strict=True)]
Fraction = Annotated[float, Field(ge=0, le=1, allow_inf_nan=False, strict=True)]
Count = Annotated[int, Field(ge=0, le=100, strict=True)]
Text = Annotated[str, Field(max_length=400, strict=True)]
Identifier = Annotated[str, Field(max_length=80, pattern=r"^[a-z][a-z0-9_]*$", strict=True)]


class _Part(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Display(_Part):
    """The set on the bench."""

    label: Text | None = Field(default=None, description="the shop's own name for it")
    diagonal_in: Positive | None = Field(default=None, le=60, description="nominal diagonal, inches")
    scan_khz: Positive | None = Field(default=None, le=200, description="line rate, kHz")
    mount: Literal["horizontal", "vertical"] | None = None
    chassis: Identifier | None = Field(default=None, description="id of a profile in the shop's own file")


class Tube(_Part):
    """The picture tube and what is known of its life so far."""

    label: Text | None = Field(default=None, description="type as printed on the tube")
    gun: Literal["inline", "delta"] | None = None
    heater_v: Positive | None = Field(default=None, le=30, description="rated heater voltage, V")
    service_hours: Amount | None = Field(default=None, le=500_000, description="best guess, hours")
    idle_years: Amount | None = Field(default=None, le=80, description="years unused before this bench visit")
    restorations: Count | None = Field(default=None, description="earlier emission restorations")
    burn: Fraction | None = Field(default=None, description="luminance lost in the worst spot")
    getter: Literal["silver", "white", "clear", "unseen"] | None = None
    neck: Literal["sound", "cracked"] | None = None


class Use(_Part):
    """What the owner wants of the display."""

    hours_per_week: Positive | None = Field(default=None, le=168)
    keep_years: Positive | None = Field(default=None, le=100)
    minimum_white: Fraction | None = Field(
        default=None, description="neutral white wanted, as a fraction of what a good tube of this type makes"
    )
    white_point: Literal["D65", "9300K", "9300K+27MPCD"] | None = Field(
        default=None, description="set white of the display"
    )


class Costs(_Part):
    """Prices; leave out what can't be had."""

    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$", strict=True)] | None = Field(
        default=None, description="ISO 4217 code"
    )
    bench_rate_per_hour: Amount | None = None
    replacement_tube: Amount | None = Field(default=None, description="omit if none can be had")
    replacement_display: Amount | None = Field(default=None, description="omit if none can be had")
    parts_value: Amount | None = Field(default=None, description="what the display is worth dismantled")


class Reading(_Part):
    """One number read off an instrument, with the conditions it was taken in."""

    gun: Gun | None = None
    kind: ReadingKind
    value: Amount = Field(le=1e9)
    unit: Unit
    spread: Positive | None = Field(
        default=None, le=1, description="standard deviation of a shortfall that was seen, in the same unit"
    )
    reference: Positive | None = Field(
        default=None, description="what the reference gun shows on this instrument, in the same unit"
    )
    reference_cutoff_v: Positive | None = Field(default=None, le=1000, description="that gun's cutoff, V")
    full_scale: Positive | None = Field(default=None, description="full scale of the instrument, in the same unit")
    g2_v: Positive | None = Field(default=None, le=2000, description="grid 2 during the reading, V")
    heater_v: Positive | None = Field(default=None, le=30, description="heater during the reading, V")
    minutes_on: Amount | None = Field(default=None, le=100_000, description="minutes since the heater was lit")
    instrument: Text | None = Field(default=None, description="which instrument, in the shop's own words")
    stage: Literal["before", "after"] | None = Field(default=None, description="before or after a treatment")
    at: dt.datetime | dt.date | None = Field(default=None, description="when it was taken")

    @model_validator(mode="after")
    def _unit_fits(self) -> Reading:
        allowed = UNITS_OF[self.kind]
        if self.unit not in allowed:
            raise ValueError(f"unit {self.unit!r} does not measure {self.kind}; use {' or '.join(allowed)}")
        if self.kind in PER_GUN and self.gun is None:
            raise ValueError(f"a reading of {self.kind} needs its gun: red, green or blue")
        if self.kind == "shortfall_seen" and self.value > 1:
            raise ValueError("a shortfall is a share of the light: give it from 0 for none to 1")
        if self.kind != "shortfall_seen" and self.spread is not None:
            raise ValueError(f"a reading of {self.kind} takes no spread: only shortfall_seen does")
        return self

    def circumstances(self) -> tuple[object, ...]:
        """Everything but the value: two readings alike in this are duplicates."""
        return (self.gun, self.kind, self.g2_v, self.heater_v, self.minutes_on, self.instrument, self.stage, self.at)


class Symptom(_Part):
    """Something seen, heard or smelt, or looked for and not found."""

    id: Identifier
    present: Annotated[bool, Field(strict=True)] = True


class TestResult(_Part):
    """The outcome of a bench test: a named result, or a value with what is nominal."""

    __test__ = False  # not a pytest class

    id: Identifier
    result: Identifier | None = None
    gun: Gun | None = None
    value: Annotated[float, Field(allow_inf_nan=False, strict=True)] | None = None
    unit: Text | None = None
    nominal: Annotated[float, Field(allow_inf_nan=False, strict=True)] | None = None

    @model_validator(mode="after")
    def _says_something(self) -> TestResult:
        if (self.result is None) == (self.value is None):
            raise ValueError("give either a named result or a value with its unit, not both and not neither")
        if self.value is not None and self.unit is None:
            raise ValueError("a value needs its unit")
        return self


class Treatment(_Part):
    """Something done to the tube, and what came of it."""

    gun: Gun | None = None
    kind: TreatmentKind
    outcome: Outcome | None = None
    at: dt.datetime | dt.date | None = None


class Repair(_Part):
    """What the search for the fault came to: a fault that was found, that was mended, or that can't be it."""

    fault: Identifier
    outcome: RepairOutcome
    at: dt.datetime | dt.date | None = None


class Case(_Part):
    """All that is known about one display on the bench."""

    format: Literal[1]
    display: Display = Display()
    tube: Tube = Tube()
    use: Use = Use()
    costs: Costs = Costs()
    readings: tuple[Reading, ...] = Field(default=(), max_length=2000)
    symptoms: tuple[Symptom, ...] = Field(default=(), max_length=500)
    tests: tuple[TestResult, ...] = Field(default=(), max_length=500)
    treatments: tuple[Treatment, ...] = Field(default=(), max_length=500)
    repairs: tuple[Repair, ...] = Field(default=(), max_length=500)
