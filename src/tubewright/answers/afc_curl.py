"""From a curl that was measured to the loop behind it: how quick, how well damped, and which part is likeliest off."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from tubewright.answers.afc import AFC_CAUTIONS, AFC_HAZARD
from tubewright.answers.afc_setup import AfcSetup
from tubewright.answers.afc_words import amount
from tubewright.answers.measurement import Figure, Known, TopCurl
from tubewright.errors import Fault, InputError
from tubewright.physics.afc.inverse import GAP_MOST_LINES, Between, LoopSeen, Seen, SeenCurl, loop_from_curl
from tubewright.physics.afc.source import SyncSource
from tubewright.physics.afc.suspects import AGREES_SD, Suspect, Suspicion, suspects

READING_SD_MM: Final = 0.5
"""How well a ruler held to the glass tells a displacement."""
LEAST_SD_RATIO: Final = 0.01
LEAST_LINES_SD: Final = 0.5
FEW_DRAWS: Final = 30.0

SUSPECT_WORDS: Final[Mapping[Suspicion, str]] = {
    "as_fitted": "every part as it should be",
    "capacitor_low": "loop capacitor has lost capacitance",
    "capacitor_leaky": "loop capacitor leaks",
    "damping_high": "damping resistor has risen",
    "shunt_low": "shunt capacitor is low or open",
    "detector_low": "detector gives too little (diodes, flyback reference, sync level)",
    "free_run_off": "free-running frequency is off",
}

_NAMES: Final = {
    "natural_hz": "the natural frequency",
    "damping_ratio": "the damping",
    "gain_ratio": "the gain of the loop",
    "gap_lines": "how many lines went without an edge",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CurlAnswer:
    """What a measured curl says of its loop.

    Attributes:
        seen: What was measured.
        loop: What remains likely of the loop.
        suspects: What is likeliest off, likeliest first; empty without known parts.
        headline: The answer in a sentence.
        remarks: What can't be told, and what would settle it.
        picture_width_mm: Of the picture it was measured on.
        cautions: Ids.
    """

    seen: SeenCurl
    loop: LoopSeen
    suspects: tuple[Suspect, ...]
    headline: str
    remarks: tuple[str, ...]
    picture_width_mm: float
    cautions: tuple[str, ...] = AFC_CAUTIONS
    hazard: str = AFC_HAZARD


def line_at(height_mm: float, picture_height_mm: float, source: SyncSource) -> float:
    """The line of the frame, from the first visible one, at a height from the top of the picture."""
    lines = source.visible_count * (2 if source.interlaced else 1)
    return height_mm / picture_height_mm * lines


def seen_from_readings(readings: Sequence[tuple[float, float]], *, sd_mm: float = READING_SD_MM) -> SeenCurl:
    """A curl from displacements read with a ruler.

    Args:
        readings: Line of the frame from the first visible one, and displacement there in mm, right positive.
        sd_mm: How well they were read.

    Raises:
        InputError: Fewer than three, two at the same line, or a figure that makes no sense.
    """
    faults = []
    if len(readings) < 3:
        faults.append(
            Fault(
                what=f"{len(readings)} readings are too few",
                where="readings",
                mend="Read the displacement at three heights or more: the first line, and two below it.",
            )
        )
    for number, (line, mm) in enumerate(readings, start=1):
        if not (math.isfinite(line) and line >= 0 and math.isfinite(mm)):
            faults.append(
                Fault(what=f"reading {number} makes no sense", where="readings", mend="Give a line and millimetres.")
            )
    if len({line for line, _ in readings}) < len(readings):
        faults.append(
            Fault(what="two readings are at the same line", where="readings", mend="Read at different heights.")
        )
    if not (math.isfinite(sd_mm) and sd_mm > 0):
        faults.append(Fault(what="the error must be more than zero", where="sd_mm", mend="0.5 mm is usual."))
    if not faults and all(mm == 0 for _, mm in readings):
        faults.append(Fault(what="nothing is bent", where="readings", mend="A straight top tells nothing of its loop."))
    if faults:
        raise InputError(faults)
    ordered = sorted(readings)
    return SeenCurl(
        at_lines=np.array([line for line, _ in ordered]),
        displacement_mm=np.array([mm for _, mm in ordered]),
        displacement_sd_mm=np.full(len(ordered), sd_mm),
    )


def seen_from_measurement(top: TopCurl) -> SeenCurl:
    """A curl as a photograph measured it.

    Raises:
        InputError: The photograph gives no amplitude, or neither lines to settle nor an overshoot.
    """
    if not isinstance(top.amplitude_mm, Figure):
        raise _unsupported("the height of the curl", top.amplitude_mm.reason, top.amplitude_mm.would_settle)
    if not isinstance(top.settle_lines, Figure):
        raise _unsupported("how soon it settles", top.settle_lines.reason, top.settle_lines.would_settle)
    amplitude, settle = top.amplitude_mm, top.settle_lines
    return SeenCurl(
        amplitude_mm=Seen(
            value=amplitude.value, sd=max(amplitude.sd, LEAST_SD_RATIO * abs(amplitude.value), LEAST_SD_RATIO)
        ),
        settle_lines=Seen(value=settle.value, sd=max(settle.sd, LEAST_LINES_SD)),
        overshoot_ratio=_overshoot(top.overshoot_ratio),
    )


def _overshoot(known: Known) -> Seen | None:
    return Seen(value=known.value, sd=max(known.sd, LEAST_SD_RATIO)) if isinstance(known, Figure) else None


def _unsupported(what: str, reason: str, settles: str) -> InputError:
    return InputError(
        Fault(
            what=f"the measurement does not give {what}: {reason}",
            where="measurement",
            mend=f"What would settle it: {settles}.",
        )
    )


def from_curl(
    seen: SeenCurl,
    source: SyncSource,
    *,
    picture_width_mm: float,
    gap_lines: int | None = None,
    setup: AfcSetup | None = None,
) -> CurlAnswer:
    """The loop behind a curl, with known parts also which of them is likeliest off.

    Args:
        seen: What was measured.
        source: The timing of the picture.
        picture_width_mm: Width that the active part of a line spans.
        gap_lines: Lines without an edge, where the source is known.
        setup: The loop as its parts should make it; None where they are not known.

    Raises:
        InputError: A width or a gap that makes no sense, or too little was measured.
    """
    faults = []
    if not (math.isfinite(picture_width_mm) and picture_width_mm > 0):
        faults.append(Fault(what="the width must be more than zero", where="picture_width_mm", mend="Measure it."))
    if gap_lines is not None and not 1 <= gap_lines <= GAP_MOST_LINES:
        faults.append(
            Fault(what=f"a gap has 1 to {GAP_MOST_LINES} lines", where="gap_lines", mend="Leave it out if not known.")
        )
    if faults:
        raise InputError(faults)
    try:
        loop = loop_from_curl(seen, source, picture_width_mm=picture_width_mm, gap_lines=gap_lines)
        found = () if setup is None else _suspects(setup, seen)
    except ValueError as error:
        raise InputError(Fault(what=str(error), where="readings", mend="Measure the curl again.")) from error
    return CurlAnswer(
        seen=seen,
        loop=loop,
        suspects=found,
        headline=_headline(loop, found),
        remarks=_remarks(loop, found, gap_lines),
        picture_width_mm=picture_width_mm,
    )


def _suspects(setup: AfcSetup, seen: SeenCurl) -> tuple[Suspect, ...]:
    return suspects(setup.parts, seen, setup.source, picture_width_mm=setup.picture_width_mm, detector=setup.detector)


def between_words(one: Between, unit: str, digits: int = 0) -> str:
    """A figure with its middle 80 %."""
    numbers = [f"{round(value, digits):.{digits}f}" for value in (one.median, one.p10, one.p90)]
    tail = f" {unit}" if unit else ""
    return f"{numbers[0]}{tail} ({numbers[1]} to {numbers[2]})"


def _headline(loop: LoopSeen, found: tuple[Suspect, ...]) -> str:
    if loop.agreement_sd > AGREES_SD:
        return "No loop of this kind makes such a curl: look for another cause, or measure again."
    words = (
        f"The loop behaves like one with a natural frequency of {between_words(loop.natural_hz, 'Hz')} and a damping "
        f"of {between_words(loop.damping_ratio, '', 2)}."
    )
    if not found:
        return words
    best = found[0]
    if best.agreement_sd > AGREES_SD:
        return f"{words} No single part off its value explains the curl with the parts given."
    return f"{words} With the parts given, likeliest: {suspect_words(best)}."


def suspect_words(one: Suspect) -> str:
    """A suspicion with the value that the part would have, and its chance."""
    value = "" if one.value is None else f", now about {amount(one.part, one.value.median)}"
    return f"{SUSPECT_WORDS[one.id]}{value} ({100 * one.probability:.0f} %)"


def _remarks(loop: LoopSeen, found: tuple[Suspect, ...], gap_lines: int | None) -> tuple[str, ...]:
    """What can't be told, and what would settle it."""
    out = []
    if loop.agreement_sd > AGREES_SD:
        out.append(
            f"The best loop misses what was measured by {loop.agreement_sd:.1f} standard errors. A leak of the field "
            "pulse into the loop, a bow of the geometry, or a sway by the mains looks like this; measure at more "
            "heights, or with another source."
        )
    if loop.untold:
        named = " and ".join(_NAMES[name] for name in loop.untold)
        out.append(f"This curl does not tell {named}: they are hardly narrower than before looking.")
    if gap_lines is None:
        out.append(
            "How many lines went without an edge, how far off the oscillator runs and how much gain the loop has make "
            f"one kick together, here {between_words(loop.kick_us, 'us', 2)}, and can't be told apart by it. A scope "
            "on the sync shows the lines; the oscillator with sync killed shows its frequency."
        )
    if loop.effective_count < FEW_DRAWS:
        out.append(f"The bounds are rough: they rest on about {loop.effective_count:.0f} loops that fit.")
    close = [one for one in found[1:] if one.probability > found[0].probability / 2]
    if close:
        out.append(
            f"Not told apart from the first: {'; '.join(suspect_words(one) for one in close)}. Measure the part, or "
            "set the free-running frequency and look again."
        )
    return tuple(out)
