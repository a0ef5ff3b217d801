"""What is asked of the AFC loop: parts, source, picture; checked as a whole, with what had to be assumed.

A door reads what was typed into plain figures and hands them over by the names of the
fields; every fault is reported under that name.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, fields, replace
from math import ceil
from typing import Final

from tubewright.errors import Fault, InputError
from tubewright.knowledge.chassis import Chassis
from tubewright.physics.afc.figures import loop_figures
from tubewright.physics.afc.parts import FLYBACK_US, AfcParts, Characteristic, Detector, WithoutEdge
from tubewright.physics.afc.source import (
    SyncSource,
    VerticalKind,
    progressive,
    standard_525,
    standard_625,
    with_vertical,
)
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.rasters import find_raster

PART_WORDS: Final[Mapping[str, str]] = {
    "detector_v_per_rad": "detector slope",
    "detector_ohm": "detector's output resistance",
    "series_ohm": "series resistor",
    "damping_ohm": "damping resistor",
    "capacitor_uf": "loop capacitor",
    "shunt_nf": "shunt capacitor",
    "oscillator_hz_per_v": "oscillator's gain",
    "free_run_error_hz": "free-running error",
    "coupling_uf": "coupling capacitor of the sync separator",
    "leak_ohm": "leak resistor of the sync separator",
    "capacitor_leak_ohm": "leak of the loop capacitor",
}
"""What people call each part; these are also all the names of parts that may be given."""

NEEDED: Final = ("detector_v_per_rad", "series_ohm", "damping_ohm", "capacitor_uf", "oscillator_hz_per_v")
MAY_BE_ZERO: Final = frozenset({"detector_ohm", "shunt_nf"})
ASSUMED_FREE_RUN_HZ: Final = 50.0
"""How well a hold control is set by eye."""
ASSUMED_WIDTH_MM: Final = 370.0
"""Picture of a 19-inch tube."""
ASSUMED_MAINS_HZ: Final = 50.0
NEAR_RATIO: Final = 0.05

SOURCE_KINDS: Final[Mapping[str, VerticalKind]] = {
    "standard": "standard",
    "no-equalising": "no_equalising",
    "line-serrations": "line_serrations",
    "no-serrations": "flat",
    "exclusive-or": "inverted",
}
"""Kinds of field pulse by the word that people pick."""

KIND_WORDS: Final[Mapping[VerticalKind, str]] = {
    "standard": "serrated field pulse between equalising pulses",
    "no_equalising": "serrated field pulse, no equalising pulses",
    "line_serrations": "field pulse serrated once a line",
    "flat": "flat field pulse, no serrations",
    "inverted": "line and field combined by exclusive-OR",
}

TIMINGS: Final = ("525-60", "625-50", "262p", "312p")
"""Timings that need no raster of the library."""


@dataclass(frozen=True, slots=True, kw_only=True)
class AfcSetup:
    """One loop on one source and one picture.

    Attributes:
        parts: The loop.
        source: What is sent to it.
        detector: How its detector behaves.
        picture_width_mm: Width that the active part of a line spans.
        mains_hz: Mains frequency.
        random_jitter_us: RMS jitter of single sync edges against the picture.
        mains_jitter_us: Sway of sync against the picture at mains rate, from middle to peak.
        assumed: What was not given and had to be assumed, in words.
    """

    parts: AfcParts
    source: SyncSource
    detector: Detector
    picture_width_mm: float
    mains_hz: float
    random_jitter_us: float = 0.0
    mains_jitter_us: float = 0.0
    assumed: tuple[str, ...] = ()


def loop_parts(given: Mapping[str, float | None]) -> tuple[AfcParts, tuple[str, ...]]:
    """Parts from figures by name, and what had to be assumed.

    Args:
        given: Figures by the names of :data:`PART_WORDS`; None, or left out, where not known.

    Raises:
        InputError: A part that is missing and can't be assumed, or a figure the circuit can't do with; all together.
    """
    known = {name: value for name, value in given.items() if value is not None and name in PART_WORDS}
    faults = [
        Fault(
            what=f"the {PART_WORDS[name]} is not given",
            where=name,
            mend="Read it off the circuit diagram or the part, or take a chassis profile that has it.",
        )
        for name in NEEDED
        if name not in known
    ]
    faults += [fault for name, value in known.items() if (fault := _unfit(name, value))]
    if faults:
        raise InputError(faults)
    assumed = []
    if "detector_ohm" not in known:
        assumed.append("the detector's output resistance is taken as part of the series resistor")
    if "shunt_nf" not in known:
        assumed.append("no shunt capacitor is taken to be there")
    if "free_run_error_hz" not in known:
        known["free_run_error_hz"] = ASSUMED_FREE_RUN_HZ
        assumed.append(f"a free-running error of {ASSUMED_FREE_RUN_HZ:g} Hz is assumed; measure it with sync killed")
    if ("coupling_uf" in known) != ("leak_ohm" in known):
        assumed.append("the separator's coupling is left out, for it needs both capacitor and leak resistor")
        known.pop("coupling_uf", None)
        known.pop("leak_ohm", None)
    return AfcParts(**known), tuple(assumed)


def _unfit(name: str, value: float) -> Fault | None:
    words = PART_WORDS[name]
    if not math.isfinite(value):
        return Fault(what=f"the {words} is not a finite number", where=name, mend="Check the figure.")
    if name == "free_run_error_hz" or (name in MAY_BE_ZERO and value >= 0) or value > 0:
        return None
    zero = value == 0
    what = f"the {words} is {'zero' if zero else 'negative'}"
    least = "zero or more" if name in MAY_BE_ZERO else "more than zero"
    return Fault(what=what, where=name, mend=f"It must be {least}; check the figure and its unit.")


def sync_source(
    timing: str = "525-60",
    kind: str = "",
    *,
    base: SyncSource | None = None,
    vertical_lines: float | None = None,
    line_pulse_us: float | None = None,
    starts_mid_line: bool = False,
) -> SyncSource:
    """A source from the words that people pick.

    Args:
        timing: One of :data:`TIMINGS`; not used with ``base``.
        kind: One of :data:`SOURCE_KINDS`; "" for what is usual with the timing.
        base: A source to begin with instead of a timing.
        vertical_lines: Length of the field pulse in lines.
        line_pulse_us: Width of the line pulses.
        starts_mid_line: Whether the field pulse begins half a line late.

    Raises:
        InputError: No such timing or kind, or lengths that don't fit; all together.
    """
    faults = []
    if base is None and timing not in TIMINGS:
        faults.append(
            Fault(what=f"there is no timing “{timing[:40]}”", where="timing", mend=f"Use {', '.join(TIMINGS)}.")
        )
    if kind and kind not in SOURCE_KINDS:
        faults.append(
            Fault(
                what=f"there is no kind of source “{kind[:40]}”", where="kind", mend=f"Use {', '.join(SOURCE_KINDS)}."
            )
        )
    if vertical_lines is not None and not (math.isfinite(vertical_lines) and vertical_lines >= 0.5):
        faults.append(
            Fault(what="a field pulse lasts half a line or more", where="vertical_lines", mend="Give its lines.")
        )
    if faults:
        raise InputError(faults)
    base = base or _of_timing(timing)
    longest = base.line_us / 4
    if line_pulse_us is not None and not 0 < line_pulse_us < longest:
        raise InputError(
            Fault(
                what=f"a line pulse is longer than 0 and shorter than {longest:.3g} us here",
                where="line_pulse_us",
                mend="Standard is 4.7 us.",
            )
        )
    if line_pulse_us is not None:
        base = replace(base, line_pulse_us=line_pulse_us)
    if not kind and vertical_lines is None and not starts_mid_line:
        return base
    try:
        return with_vertical(
            base,
            SOURCE_KINDS[kind] if kind else base.vertical,
            vertical_lines=vertical_lines,
            starts_mid_line=starts_mid_line,
        )
    except ValueError as error:
        raise InputError(Fault(what=str(error), where="vertical_lines", mend="Give the lines it lasts.")) from error


def given_source(
    timing: str,
    kind: str,
    *,
    rasters: Mapping[str, Raster],
    profile: Chassis | None = None,
    vertical_lines: float | None = None,
    line_pulse_us: float | None = None,
    starts_mid_line: bool = False,
) -> SyncSource:
    """A source from a name that may be a timing or a raster; without one, from a profile's rates.

    Args:
        timing: One of :data:`TIMINGS` or the name of a raster; "" for what the profile says, else 525-60.
        kind: One of :data:`SOURCE_KINDS`; "" for what is usual.
        rasters: The library.
        profile: A profile whose rates are used where no timing is named.
        vertical_lines: Length of the field pulse in lines.
        line_pulse_us: Width of the line pulses.
        starts_mid_line: Whether the field pulse begins half a line late.

    Raises:
        InputError: No such timing, raster or kind, or lengths that don't fit.
    """
    base: SyncSource | None = None
    if timing and timing not in TIMINGS:
        base = _of_raster(find_raster(rasters, timing))
    elif not timing:
        base = profile_source(profile)
    return sync_source(
        timing or TIMINGS[0],
        kind,
        base=base,
        vertical_lines=vertical_lines,
        line_pulse_us=line_pulse_us,
        starts_mid_line=starts_mid_line,
    )


def profile_source(chassis: Chassis | None) -> SyncSource | None:
    """The timing that a profile's rates point at; None where it says nothing of them.

    Rates near television's give the standard; others a progressive field that keeps its proportions.
    """
    if chassis is None or (chassis.scan_khz is None and chassis.field_hz is None):
        return None
    slow = chassis.field_hz is not None and chassis.field_hz < (standard_525().field_hz + standard_625().field_hz) / 2
    standard = standard_625() if slow else standard_525()
    if chassis.scan_khz is None or abs(chassis.scan_khz * 1000 / standard.line_hz - 1) < NEAR_RATIO:
        return standard
    line_hz = chassis.scan_khz * 1000
    usual = progressive(262)
    lines = max(2 * ceil(usual.visible_after_lines), round(line_hz / (chassis.field_hz or standard.field_hz)))
    scale = usual.line_hz / line_hz
    return replace(
        progressive(lines, line_hz=line_hz, active_us=usual.active_us * scale, visible_count=lines),
        line_pulse_us=usual.line_pulse_us * scale,
        serration_us=usual.serration_us * scale,
    )


def _of_timing(timing: str) -> SyncSource:
    if timing.endswith("p"):
        like = standard_525() if timing == "262p" else standard_625()
        return progressive(int(timing.removesuffix("p")), line_hz=like.line_hz)
    return standard_525() if timing == "525-60" else standard_625()


def _of_raster(raster: Raster) -> SyncSource:
    """A raster's timing; interlaced ones are taken to have standard field pulses, others one serration a line."""
    per_us = 1e6 / raster.pixel_clock_hz
    fields_of = 2 if raster.interlaced else 1
    return SyncSource(
        name=raster.name,
        line_hz=raster.line_hz,
        half_lines=raster.v_total_lines * 2 // fields_of,
        vertical="standard" if raster.interlaced else "line_serrations",
        equalising_count=raster.v_sync_lines if raster.interlaced else 0,
        vertical_half_lines=raster.v_sync_lines * 2 // fields_of,
        line_pulse_us=raster.h_sync_px * per_us,
        equalising_us=raster.h_sync_px * per_us / 2,
        serration_us=raster.h_sync_px * per_us,
        visible_after_lines=(raster.v_sync_lines + raster.v_back_lines) / fields_of,
        visible_count=raster.height_px // fields_of,
        active_us=raster.width_px * per_us,
    )


def afc_setup(
    parts: Mapping[str, float | None],
    source: SyncSource,
    *,
    characteristic: Characteristic = "triangle",
    gated: bool = False,
    without_edge: WithoutEdge = "rest",
    takes_pulse: bool = False,
    flyback_us: float | None = None,
    picture_width_mm: float | None = None,
    mains_hz: float | None = None,
    random_jitter_us: float = 0.0,
    mains_jitter_us: float = 0.0,
) -> AfcSetup:
    """A whole question, checked.

    Args:
        parts: Figures by the names of :data:`PART_WORDS`.
        source: What is sent.
        characteristic: The detector's output over phase.
        gated: Whether only edges near the flyback count.
        without_edge: What the detector does on a line without an edge.
        takes_pulse: Whether it weighs the whole pulse.
        flyback_us: Width of the flyback pulse; 12 us unless given.
        picture_width_mm: Width of the picture; that of a 19-inch tube unless given.
        mains_hz: Mains frequency; 50 Hz unless given.
        random_jitter_us: RMS jitter of single sync edges.
        mains_jitter_us: Sway of sync at mains rate.

    Raises:
        InputError: Parts missing or unfit, a loop that can't hold its free-running error or swings up by itself.
    """
    assumed: tuple[str, ...] = ()
    faults: list[Fault] = []
    loop: AfcParts | None = None
    try:
        loop, assumed = loop_parts(parts)
    except InputError as error:
        faults += error.faults
    for name, value in (("picture_width_mm", picture_width_mm), ("mains_hz", mains_hz), ("flyback_us", flyback_us)):
        if value is not None and not (math.isfinite(value) and value > 0):
            faults.append(Fault(what="this must be more than zero", where=name, mend="Check the figure."))
    for name, value in (("random_jitter_us", random_jitter_us), ("mains_jitter_us", mains_jitter_us)):
        if not (math.isfinite(value) and value >= 0):
            faults.append(Fault(what="this must be zero or more", where=name, mend="Check the figure."))
    if faults or loop is None:
        raise InputError(faults)
    if picture_width_mm is None:
        assumed += (f"a picture {ASSUMED_WIDTH_MM:g} mm wide is assumed",)
    if mains_hz is None:
        assumed += (f"mains of {ASSUMED_MAINS_HZ:g} Hz are assumed",)
    setup = AfcSetup(
        parts=loop,
        source=source,
        detector=Detector(
            characteristic=characteristic,
            gated=gated,
            without_edge=without_edge,
            takes_pulse=takes_pulse,
            flyback_us=FLYBACK_US if flyback_us is None else flyback_us,
        ),
        picture_width_mm=ASSUMED_WIDTH_MM if picture_width_mm is None else picture_width_mm,
        mains_hz=ASSUMED_MAINS_HZ if mains_hz is None else mains_hz,
        random_jitter_us=random_jitter_us,
        mains_jitter_us=mains_jitter_us,
        assumed=assumed,
    )
    check_holds(setup, loop)
    return setup


def check_holds(setup: AfcSetup, parts: AfcParts) -> None:
    """Refuse parts with which the loop can't work at all.

    Raises:
        InputError: The free-running error is beyond the hold range, or the loop swings up by itself.
    """
    found = loop_figures(
        [parts],
        line_hz=setup.source.line_hz,
        field_hz=setup.source.field_hz,
        mains_hz=setup.mains_hz,
        detector=setup.detector,
    )
    hold = float(found.hold_hz[0])
    faults = []
    if not abs(parts.free_run_error_hz) < hold:
        faults.append(
            Fault(
                what=f"the oscillator runs {abs(parts.free_run_error_hz):.0f} Hz off, "
                f"but the loop holds only {hold:.0f} Hz, so it never locks",
                where="free_run_error_hz",
                mend="Set the free-running frequency first, or check the gains.",
            )
        )
    if not float(found.largest_pole_ratio[0]) < 1:
        faults.append(
            Fault(
                what="with these parts the loop swings up by itself",
                where="detector_v_per_rad",
                mend="Check the gains and the shunt capacitor with their units.",
            )
        )
    if faults:
        raise InputError(faults)


def first_known(*values: float | None) -> float | None:
    """The first figure that is known; None if none is. A zero counts, so that it is found fault with later."""
    return next((value for value in values if value is not None), None)


def part_names() -> tuple[str, ...]:
    """Names of all parts, as the physics has them."""
    return tuple(field.name for field in fields(AfcParts))
