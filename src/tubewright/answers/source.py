"""Is this source fit for this input: both sides put together from what is known, and the answer as published."""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, get_args

from tubewright.errors import Fault, InputError
from tubewright.judgement.source_checks import Check, Kit, Says
from tubewright.judgement.source_fit import SourceFit, judge_source
from tubewright.judgement.source_levels import DisplaySide, Pad, Polarity, SourceSide, design_pad
from tubewright.knowledge.chassis import Chassis
from tubewright.knowledge.model import Knowledge, RasterFacts
from tubewright.knowledge.parts import LevelStandard, LevelSync
from tubewright.physics import signal_lines

__all__ = [
    "POLARITIES",
    "SYNCS",
    "Check",
    "DisplaySide",
    "Pad",
    "SourceAnswer",
    "SourceSide",
    "answer_source",
    "check_rows",
    "design_pad",
    "display_side",
    "filled_words",
    "level_rows",
    "pad",
    "settle_rows",
    "source_json",
    "source_side",
]

FORMAT = 1  # number of the published form

SYNCS: Final[tuple[LevelSync, ...]] = get_args(LevelSync)
POLARITIES: Final[tuple[Polarity, ...]] = get_args(Polarity)

FEEDING_CAUTIONS: Final = ("local_rules", "line_rate", "hot_chassis", "gate_ground_known")
"""Ids of the cautions that go with connecting a source to a display: rates, and which ground is which."""

FITTING_CAUTIONS: Final = ("anode_charge", "recharge", "primary_reservoir", "gate_power_off")
"""Ids of those that are added where something has to be fitted inside the display."""

SAYS_WORDS: Final[Mapping[Says, str]] = {
    "stop": "Do not connect it. If it is connected, switch off now.",
    "no": "It does not fit.",
    "unknown": "Not everything is known; find out what is named before you connect it.",
    "add": "It fits with something between.",
    "mind": "It fits; mind what is said.",
    "fits": "It fits.",
}
"""The whole in a sentence."""

SUBJECT_WORDS: Final[Mapping[str, str]] = {
    "line_rate": "Line rate",
    "field_rate": "Field rate",
    "colour": "Colours",
    "sync_kind": "Kind of sync",
    "polarity": "Polarity",
    "serrations": "Line edges in the field pulse",
    "sync_level": "Level of sync",
    "video_level": "Level of the colours",
    "termination": "Termination",
    "coupling": "Coupling",
}

CHECK_WORDS: Final[Mapping[Says, str]] = {
    "stop": "stop",
    "no": "does not fit",
    "unknown": "not known",
    "add": "needs something",
    "mind": "mind",
    "fits": "fits",
}

KIT_WORDS: Final[Mapping[Kit, str]] = {
    "attenuator": "attenuator",
    "amplifier": "amplifier",
    "buffer": "buffer or line driver",
    "inverter": "inverter",
    "combiner": "sync combiner that keeps every line's edge",
    "sync_separator": "sync separator",
    "sync_adder": "sync adder on green",
    "decoder": "colour decoder",
    "resistor": "terminating resistors",
    "less_load": "one termination less",
    "clamp": "clamp (sets black anew in every line)",
    "other_raster": "another raster",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceAnswer:
    """Whether a source fits, with both sides as they were taken.

    Attributes:
        fit: every check, and the whole.
        source: as put together.
        display: as put together.
        words: the whole in a sentence.
        add: what has to stand between, in words.
        notes: what is said of the standards that were taken.
        cautions: ids.
    """

    fit: SourceFit
    source: SourceSide
    display: DisplaySide
    words: str
    add: tuple[str, ...]
    notes: tuple[str, ...]
    cautions: tuple[str, ...]


def source_side(
    *,
    standard: LevelStandard | None = None,
    raster: RasterFacts | None = None,
    given: Mapping[str, Any] | None = None,
) -> SourceSide:
    """A source from a standard's levels, a raster's rates, and what was given, which counts for more.

    Args:
        standard: Levels, kind and polarity of sync.
        raster: Rates, dot clock, and the polarities of separate sync.
        given: Fields of :class:`SourceSide` with their values; None is left out.
    """
    values: dict[str, Any] = {}
    if standard is not None:
        values = {
            "sync": standard.sync,
            "line_polarity": standard.polarity,
            "sync_low_v_pp": standard.sync_low_v_pp,
            "sync_high_v_pp": standard.sync_high_v_pp,
            "sync_source_ohm": standard.sync_source_ohm,
            "sync_load_ohm": standard.sync_load_ohm,
            "video_v_pp": standard.video_v_pp,
            "video_source_ohm": standard.video_source_ohm,
            "video_load_ohm": standard.video_load_ohm,
            "colour": standard.colour,
        }
        if standard.sync == "separate":
            values["field_polarity"] = standard.polarity
        elif standard.colour == "encoded" or standard.sync == "on_green":
            values["serrated"] = True  # the standard's sync has them
    own = {name: value for name, value in (given or {}).items() if value is not None}
    sync = own.get("sync", values.get("sync"))
    if raster is not None:
        values |= _of_raster(raster, sync)
    if sync == "composite" and "sync" in own and standard is not None and standard.sync != "composite":
        values.pop("serrated", None)
    return SourceSide(**{**values, **own})


def _of_raster(raster: RasterFacts, sync: str | None) -> dict[str, Any]:
    across = raster.width_px + raster.h_front_px + raster.h_sync_px + raster.h_back_px
    down = raster.height_px + raster.v_front_lines + raster.v_sync_lines + raster.v_back_lines
    line_hz = raster.pixel_clock_hz / across
    values: dict[str, Any] = {
        "line_hz": line_hz,
        "field_hz": line_hz / down * (2 if raster.interlaced else 1),
        "line_sync_us": 1e6 * raster.h_sync_px / raster.pixel_clock_hz,
        "pixel_clock_hz": raster.pixel_clock_hz,
    }
    if sync == "separate":
        values["line_polarity"] = "positive" if raster.h_sync_positive else "negative"
        values["field_polarity"] = "positive" if raster.v_sync_positive else "negative"
    return values


def display_side(
    knowledge: Knowledge,
    *,
    standard: LevelStandard | None = None,
    chassis: Chassis | None = None,
    line_khz: float | None = None,
    field_hz: float | None = None,
    given: Mapping[str, Any] | None = None,
) -> DisplaySide:
    """An input from the standard that it was made for, a chassis profile, and what was given, in rising order.

    Args:
        knowledge: How far rates may be off.
        standard: What the input was made for.
        chassis: A profile with its sync input.
        line_khz: The line rate that the display was made for.
        field_hz: The field rate.
        given: Fields of :class:`DisplaySide` with their values; None is left out.
    """
    values: dict[str, Any] = {}
    if standard is not None:
        logic = standard.sync_high_v_pp >= knowledge.value("sync_logic_v")
        values = {
            "sync": standard.sync,
            "polarity": standard.polarity,
            # What the weakest source of the standard gives must do.
            "high_v": standard.sync_low_v_pp,
            "sync_ohm": knowledge.value("logic_input_ohm") if logic else standard.sync_load_ohm,
            "video_v_pp": standard.video_v_pp,
            "video_ohm": standard.video_load_ohm,
        }
    if chassis is not None:
        values |= _of_chassis(chassis)
        line_khz = line_khz if line_khz is not None else chassis.scan_khz
        field_hz = field_hz if field_hz is not None else chassis.field_hz
    if line_khz is not None:
        values |= {"line_low_hz": 1000 * line_khz, "line_high_hz": 1000 * line_khz}
    if field_hz is not None:
        share = knowledge.value("field_rate_lock_share")
        values |= {"field_low_hz": field_hz * (1 - share), "field_high_hz": field_hz * (1 + share)}
    own = {name: value for name, value in (given or {}).items() if value is not None}
    return DisplaySide(**{**values, **own})


def _of_chassis(chassis: Chassis) -> dict[str, Any]:
    sync = chassis.sync_input
    if sync is None:
        return {}
    known = {
        "sync": sync.kind,
        "polarity": sync.polarity,
        "low_v": sync.level_low_v,
        "high_v": sync.level_high_v,
        "sync_ohm": sync.termination_ohm,
        "video_v_pp": sync.video_v_pp,
        "video_ohm": sync.video_termination_ohm,
    }
    return {name: value for name, value in known.items() if value is not None}


def answer_source(
    source: SourceSide,
    display: DisplaySide,
    knowledge: Knowledge,
    *,
    standards: tuple[LevelStandard, ...] = (),
) -> SourceAnswer:
    """Whether a source fits an input.

    Args:
        source: What it gives.
        display: What the input wants.
        knowledge: The figures that fits are judged with.
        standards: Those that were taken, for their notes.

    Raises:
        InputError: A figure without sense; all together, each named by its field.
    """
    _check(source, display)
    fit = judge_source(source, display, knowledge)
    add = tuple(dict.fromkeys(KIT_WORDS[check.add] for check in fit.checks if check.add is not None))
    inside = any(check.add in {"resistor", "less_load", "clamp"} for check in fit.checks)
    return SourceAnswer(
        fit=fit,
        source=source,
        display=display,
        words=SAYS_WORDS[fit.says],
        add=add,
        notes=tuple(f"{one.name[:1].upper()}{one.name[1:]}: {one.note}" for one in standards if one.note),
        cautions=FEEDING_CAUTIONS + (FITTING_CAUTIONS if inside else ()),
    )


def _check(source: SourceSide, display: DisplaySide) -> None:
    faults = []
    for side in (source, display):
        for field in dataclasses.fields(side):
            value = getattr(side, field.name)
            if isinstance(value, bool) or not isinstance(value, int | float):
                continue
            may_be_nothing = field.name in {"coupling_uf", "more_loads", "low_v"}
            if not (value > 0 or (value == 0 and may_be_nothing)) or value == float("inf"):
                faults.append(Fault(what="this must be more than zero", where=field.name, mend="Check the figure."))
    pairs: tuple[tuple[str, float | None, float | None], ...] = (
        ("sync_high_v_pp", source.sync_low_v_pp, source.sync_high_v_pp),
        ("high_v", display.low_v, display.high_v),
        ("line_high_hz", display.line_low_hz, display.line_high_hz),
        ("field_high_hz", display.field_low_hz, display.field_high_hz),
    )
    for name, low, high in pairs:
        if low is not None and high is not None and low > high:
            faults.append(Fault(what="the lower figure is above the higher", where=name, mend="Exchange them."))
    if faults:
        raise InputError(faults)


def pad(
    *, level_v_pp: float, target_v_pp: float, source_ohm: float, wants_ohm: float, load_ohm: float, share: float
) -> Pad:
    """An attenuator in preferred values.

    Args:
        level_v_pp: What the source gives at ``wants_ohm``.
        target_v_pp: Wanted at the input.
        source_ohm: Behind the source.
        wants_ohm: What the source wants to see.
        load_ohm: The input.
        share: How far the source's own level may be off.

    Raises:
        InputError: A figure that is not above zero, or a target that isn't below what is there.
    """
    named = {
        "level": level_v_pp,
        "target": target_v_pp,
        "source_ohm": source_ohm,
        "line_ohm": wants_ohm,
        "load": load_ohm,
    }
    faults = [
        Fault(what="this must be more than zero", where=name, mend="Check the figure.")
        for name, value in named.items()
        if not 0 < value < float("inf")
    ]
    if faults:
        raise InputError(faults)
    emf = float(signal_lines.emf_v(level_v_pp, source_ohm, wants_ohm))
    found = design_pad(
        emf * (1 - share),
        emf * (1 + share),
        source_ohm=source_ohm,
        wants_ohm=wants_ohm,
        load_ohm=load_ohm,
        target_v_pp=target_v_pp,
    )
    if found is None:
        there = float(signal_lines.level_into_v(emf, source_ohm, load_ohm))
        what = f"the source gives {there:.3g} V there, which is not more than is wanted"
        raise InputError(Fault(what=what, where="target", mend="An amplifier is wanted, not an attenuator."))
    return found


def pad_json(found: Pad) -> dict[str, Any]:
    """An attenuator as JSON has it."""
    return {name: None if value is None else float(f"{value:.6g}") for name, value in dataclasses.asdict(found).items()}


def source_json(answer: SourceAnswer) -> dict[str, Any]:
    """The answer as JSON has it; the texts of its cautions are added by the door."""
    return {
        "format": FORMAT,
        "says": answer.fit.says,
        "words": answer.words,
        "add": list(answer.add),
        "checks": [_check_json(check) for check in answer.fit.checks],
        "notes": list(answer.notes),
        "source": dataclasses.asdict(answer.source),
        "display": dataclasses.asdict(answer.display),
    }


def _check_json(check: Check) -> dict[str, Any]:
    level = None
    if check.level_v_pp is not None:
        ends = (check.low_v_pp, check.high_v_pp)
        low, high = (None if end is None else float(f"{end:.6g}") for end in ends)
        level = {"v_pp": float(f"{check.level_v_pp:.6g}"), "low_v_pp": low, "high_v_pp": high}
    return {
        "subject": check.subject,
        "says": check.says,
        "words": check.words,
        "add": check.add,
        "level": level,
        "pad": None if check.pad is None else pad_json(check.pad),
        "would_settle": check.settle or None,
    }


def level_rows(knowledge: Knowledge) -> tuple[tuple[str, ...], ...]:
    """The standard levels as rows of words: name, what, sync, colours, swing of sync, where from."""
    return tuple(
        (
            one.id,
            one.name,
            f"{one.sync.replace('_', ' ')}, {one.polarity}",
            f"{one.video_v_pp:g} at {one.video_load_ohm:g} ohm",
            f"{one.sync_low_v_pp:g} to {one.sync_high_v_pp:g}",
            f"{one.kind}, {one.source}",
        )
        for one in knowledge.level_standards.values()
    )


def check_rows(answer: SourceAnswer) -> tuple[tuple[str, str, str], ...]:
    """Every check as what was looked at, how it stands, why."""
    return tuple((SUBJECT_WORDS[one.subject], CHECK_WORDS[one.says], one.words) for one in answer.fit.checks)


def settle_rows(answer: SourceAnswer) -> tuple[str, ...]:
    """What would settle each thing that isn't known."""
    return tuple(f"{SUBJECT_WORDS[one.subject]}: {one.settle}" for one in answer.fit.checks if one.settle)


def filled_words(chassis: Chassis) -> tuple[str, ...]:
    """What a profile says of the display's input, in words, so that a person can see what is taken from it."""
    found = _of_chassis(chassis)
    named = (
        ("line rate", chassis.scan_khz, "kHz"),
        ("field rate", chassis.field_hz, "Hz"),
        ("least sync", found.get("high_v"), "V"),
        ("sync input", found.get("sync_ohm"), "ohm"),
        ("colours", found.get("video_v_pp"), "V"),
        ("colour inputs", found.get("video_ohm"), "ohm"),
    )
    words = [f"{name} {value:g} {unit}" for name, value, unit in named if value is not None]
    kind = " ".join(str(found[name]).replace("_", " ") for name in ("polarity", "sync") if name in found)
    return (*words, *([f"{kind} sync"] if kind else []))
