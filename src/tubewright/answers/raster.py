"""A raster in figures and in words, what to mind with it; and the limits of a chassis from what is known of it.

Whatever shows a raster shows its cautions first: fed to the wrong display it can
destroy it.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from tubewright.errors import Fault, InputError
from tubewright.knowledge.model import RasterFacts
from tubewright.picture.patterns.chassis import CHASSIS_CLASSES, Chassis
from tubewright.picture.patterns.edid import clock_step_hz
from tubewright.picture.patterns.fit import Fit, Keep, fit
from tubewright.picture.patterns.modeline import modeline, modeline_remark
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.rasters import Mounting, Part, RasterTimes, seen_size, times

FEEDING_CAUTIONS: Final = ("line_rate",)
"""Ids of the cautions that go with feeding a raster to a display."""

PART_WORDS: Final[Mapping[str, str]] = {
    "active": "Picture",
    "front_porch": "Front porch",
    "sync": "Sync",
    "back_porch": "Back porch",
    "blanking": "Without picture",
    "total": "Whole",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class RasterAnswer:
    """A raster with all there is to say about it.

    Attributes:
        raster: The raster.
        mounting: How the display is mounted.
        seen: Width and height of the picture as seen upright, dots and lines.
        times: Every part in time.
        modeline: The mode line.
        words: One sentence.
        remarks: What is rounded, estimated or assumed.
        facts: Where it comes from, if it is one of the library.
        cautions: Ids, to be shown first.
    """

    raster: Raster
    mounting: Mounting
    seen: tuple[int, int]
    times: RasterTimes
    modeline: str
    words: str
    remarks: tuple[str, ...]
    facts: RasterFacts | None
    cautions: tuple[str, ...] = FEEDING_CAUTIONS


def describe_raster(
    raster: Raster,
    *,
    mounting: Mounting = "horizontal",
    facts: RasterFacts | None = None,
    remarks: tuple[str, ...] = (),
) -> RasterAnswer:
    """Everything about one raster; ``facts`` if it is one of the library, ``remarks`` to go with it."""
    seen = seen_size(raster, mounting)
    found = times(raster)
    turned = f", seen upright as {seen[0]} x {seen[1]}" if mounting == "vertical" else ""
    kind = "two interlaced fields" if raster.interlaced else "every line in every field"
    said = [*remarks]
    if facts is not None:
        said.append(f"{facts.name}: {facts.kind}.{' ' + facts.note if facts.note else ''}")
        if facts.kind == "estimate":
            said.append(
                "Size and line rate are common practice; porches and sync are our estimate, a machine's own may differ."
            )
    rounding = modeline_remark(raster)
    return RasterAnswer(
        raster=raster,
        mounting=mounting,
        seen=seen,
        times=found,
        modeline=modeline(raster),
        words=(
            f"{raster.width_px} x {raster.height_px}{turned}, {kind}; line rate {found.line_khz:.3f} kHz, "
            f"field rate {found.field_hz:.3f} Hz, clock {raster.pixel_clock_hz / 1e6:.6g} MHz."
        ),
        remarks=tuple(said) + ((rounding,) if rounding else ()),
        facts=facts,
    )


def time_rows(parts: tuple[Part, ...]) -> tuple[tuple[str, str, str], ...]:
    """Each part in words, its dots or lines, its microseconds: rows of a table."""
    return tuple((PART_WORDS[part.name], f"{part.count:g}", _us(part.time_us)) for part in parts)


def _us(time_us: float) -> str:
    return f"{time_us:.1f}" if time_us >= 1000 else f"{time_us:.3f}"


def raster_json(answer: RasterAnswer) -> dict[str, Any]:
    """The answer as JSON has it; the texts of its cautions are added by the door."""
    raster, seen = answer.raster, answer.seen

    def parts(which: tuple[Part, ...], unit: str) -> dict[str, dict[str, float]]:
        return {part.name: {unit: part.count, "us": float(f"{part.time_us:.9g}")} for part in which}

    return {
        "name": raster.name,
        "width_px": raster.width_px,
        "height_px": raster.height_px,
        "mounting": answer.mounting,
        "seen": {"width": seen[0], "height": seen[1]},
        "interlaced": raster.interlaced,
        "pixel_clock_hz": raster.pixel_clock_hz,
        "line_hz": float(f"{raster.line_hz:.12g}"),
        "field_hz": float(f"{raster.field_hz:.12g}"),
        "frame_hz": float(f"{raster.frame_hz:.12g}"),
        "line": parts(answer.times.line, "px"),
        "field": parts(answer.times.field, "lines"),
        "h_sync": "positive" if raster.h_sync_positive else "negative",
        "v_sync": "positive" if raster.v_sync_positive else "negative",
        "modeline": answer.modeline,
        "kind": answer.facts.kind if answer.facts else None,
        "source": answer.facts.source if answer.facts else None,
        "remarks": list(answer.remarks),
    }


def fit_wish(wish: tuple[int, int, float], chassis: Chassis, *, keep: Keep, for_edid: bool = False) -> Fit:
    """The wish (dots, lines, fields a second) in the chassis; ``for_edid`` with a clock that EDID holds exactly.

    EDID rounds a clock to its own steps. Of a raster at the edge of a limit the
    rounded one would lie outside.

    Raises:
        InputError: A wish beyond reason, or limits that contradict each other.
    """
    found = fit(*wish, chassis, keep=keep)
    if not for_edid or found.raster is None:
        return found
    return fit(*wish, chassis, keep=keep, clock_step_hz=clock_step_hz(found.raster))


def fit_json(found: Fit) -> dict[str, Any]:
    """What a fit lacks and offers, as JSON."""
    return {
        "lacks": [dataclasses.asdict(lack) for lack in found.lacks],
        "others": [
            {
                "width_px": other.raster.width_px,
                "height_px": other.raster.height_px,
                "interlaced": other.raster.interlaced,
                "line_hz": float(f"{other.raster.line_hz:.12g}"),
                "field_hz": float(f"{other.raster.field_hz:.12g}"),
                "modeline": modeline(other.raster),
                "lacks": [lack.what for lack in other.lacks],
            }
            for other in found.others
        ],
        "words": list(found.words),
    }


_FACTORS: Final[Mapping[str, tuple[str, float, str]]] = {
    "line_low_hz": ("lowest line rate", 1e-3, "kHz"),
    "line_high_hz": ("highest line rate", 1e-3, "kHz"),
    "line_blanking_s": ("line retrace", 1e6, "µs"),
    "line_front_s": ("front porch of a line", 1e6, "µs"),
    "line_sync_s": ("line sync", 1e6, "µs"),
    "line_back_s": ("back porch of a line", 1e6, "µs"),
    "field_low_hz": ("lowest field rate", 1, "Hz"),
    "field_high_hz": ("highest field rate", 1, "Hz"),
    "field_blanking_s": ("field retrace", 1e3, "ms"),
}
"""What is said of a limit that was assumed: in words, times this, in that unit."""


def chassis_of(like: str, known: Mapping[str, Any]) -> tuple[Chassis, tuple[str, ...]]:
    """The limits of a chassis from what is known of it, the rest from its class; and what was assumed, in words.

    Args:
        like: One of the classes by line rate, or "" for the one nearest to the line rates known.
        known: Fields of :class:`Chassis`; ``None`` for one that isn't known.

    Raises:
        InputError: No such class, or neither a class nor line rates.
    """
    given = {name: value for name, value in known.items() if value is not None}
    if not like and not {"line_low_hz", "line_high_hz"} <= set(given):
        raise InputError(
            Fault(
                what="nothing is known of the display's line rate",
                where="line_hz",
                mend=f"Give its lowest and highest line rate, or its class: {', '.join(CHASSIS_CLASSES)}.",
            )
        )
    if like and like not in CHASSIS_CLASSES:
        raise InputError(
            Fault(what="no such class of chassis", where="like", mend=f"Take one of {', '.join(CHASSIS_CLASSES)}.")
        )
    if not like:
        low, high = float(given["line_low_hz"]), float(given["line_high_hz"])
        if not (low > 0 and high > 0):
            raise InputError(
                Fault(what="a line rate is above zero", where="line_hz", mend="Give both in kHz, such as 15.2 16.2.")
            )
        middle = math.sqrt(low * high)
        like = min(CHASSIS_CLASSES, key=lambda name: abs(math.log(_middle_hz(CHASSIS_CLASSES[name]) / middle)))
    base = CHASSIS_CLASSES[like]
    if {"line_low_hz", "line_high_hz"} & set(given) and "line_usual_hz" not in given:
        # The class's own usual rate says nothing about another range.
        given["line_usual_hz"] = None
    chassis = dataclasses.replace(base, **given)
    assumed = [
        f"{words} {getattr(base, name) * scale:.4g} {unit}"
        for name, (words, scale, unit) in _FACTORS.items()
        if name not in given
    ]
    if not assumed:
        return chassis, ()
    return chassis, (
        f"Assumed of the chassis, as common in class {like} (estimates; its own papers win): {', '.join(assumed)}.",
    )


def _middle_hz(chassis: Chassis) -> float:
    return math.sqrt(chassis.line_low_hz * chassis.line_high_hz)
