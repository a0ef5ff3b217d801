"""A source's rates, colours and sync against what a display takes."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Final

from tubewright.judgement.source_checks import Check, Kit
from tubewright.judgement.source_levels import DisplaySide, SourceSide, combining_gate
from tubewright.knowledge.model import Knowledge


def line_rate(source: SourceSide, display: DisplaySide, knowledge: Knowledge) -> Iterator[Check]:
    """The line rate: far off it can destroy the display."""
    low, high, at = display.line_low_hz, display.line_high_hz, source.line_hz
    if at is None or low is None or high is None:
        whose = "source's" if at is None else "display's"
        settle = "Name the raster, or measure it with a scope." if at is None else "Read its label or service papers."
        yield Check(subject="line_rate", says="unknown", words=f"The {whose} line rate is not known.", settle=settle)
        return
    off = at / high - 1 if at > high else at / low - 1 if at < low else 0.0
    lock, far = knowledge.value("line_rate_lock_share"), knowledge.value("line_rate_off_share")
    made_for = f"{low / 1000:.4g} kHz" if math.isclose(low, high) else f"{low / 1000:.4g} to {high / 1000:.4g} kHz"
    words = f"The source's line rate is {at / 1000:.4g} kHz; the display is made for {made_for}"
    if abs(off) > far:
        yield Check(
            subject="line_rate",
            says="stop",
            words=f"{words}: {100 * off:+.0f} %. Switch off now; do not connect it. It can destroy the line output "
            "stage or raise the anode voltage within seconds.",
            add="other_raster",
        )
    elif abs(off) > lock:
        yield Check(
            subject="line_rate",
            says="no",
            words=f"{words}: {100 * off:+.1f} %, more than a display in order is sure to pull in. Use another raster.",
            add="other_raster",
        )
    elif abs(off) > knowledge.value("line_rate_rounding_share"):
        yield Check(
            subject="line_rate",
            says="mind",
            words=f"{words}: {100 * off:+.1f} %, within what its hold control pulls in.",
        )
    else:
        yield Check(subject="line_rate", says="fits", words=f"{words}.")


def field_rate(source: SourceSide, display: DisplaySide, knowledge: Knowledge) -> Iterator[Check]:
    """The field rate."""
    at = source.field_hz
    if at is None:
        words, settle = "The source's field rate is not known.", "Name the raster, or measure it with a scope."
        yield Check(subject="field_rate", says="unknown", words=words, settle=settle)
        return
    low, high = display.field_low_hz, display.field_high_hz
    usual = low is None or high is None
    low = knowledge.value("field_rate_low_hz") if low is None else low
    high = knowledge.value("field_rate_high_hz") if high is None else high
    words = f"The source's field rate is {at:.4g} Hz; {'displays usually lock' if usual else 'the display locks'} from "
    words += f"{low:.4g} to {high:.4g} Hz"
    if low <= at <= high:
        yield Check(subject="field_rate", says="fits", words=f"{words}.")
    else:
        yield Check(subject="field_rate", says="no", words=f"{words}. The picture will roll.", add="other_raster")


def colour(source: SourceSide, _display: DisplaySide, _knowledge: Knowledge) -> Iterator[Check]:
    """Whether the colours are graded, switched or encoded."""
    if source.colour == "encoded":
        yield Check(
            subject="colour",
            says="add",
            words="The source's colour is coded on a subcarrier; an RGB input needs a decoder in front of it.",
            add="decoder",
        )
    elif source.colour == "digital":
        words = "The source only switches each colour on and off: the picture has eight colours, or what its "
        words += "brightness line adds."
        yield Check(subject="colour", says="mind", words=words)


def sync_kind(source: SourceSide, display: DisplaySide, _knowledge: Knowledge) -> Iterator[Check]:
    """How sync leaves the source and how the display takes it."""
    gives, takes = source.sync, display.sync
    if gives is None or takes is None:
        whose, settle = ("source", "Look at its papers, or at each line with a scope.")
        if takes is None:
            whose, settle = "display", "Read its service papers, or trace its sync input."
        words = f"How the {whose} {'takes' if takes is None else 'gives'} its sync is not known."
        yield Check(subject="sync_kind", says="unknown", words=words, settle=settle)
        return
    if gives == takes:
        yield Check(subject="sync_kind", says="fits", words=f"Both work with {_SYNC_WORDS[gives]}.")
        return
    add, words = _CONVERSIONS[gives, takes]
    if add == "combiner":
        words = f"{words} {_gate_words(source, display)}"
    yield Check(subject="sync_kind", says="add", words=words, add=add)


_SYNC_WORDS: Final = {"separate": "separate sync", "composite": "composite sync", "on_green": "sync on green"}

_GREEN: Final = "Green still carries it; where the display doesn't clamp black, strip it, or the darks turn green."
_FLAT: Final = "Joining them by diodes or a plain AND leaves the field pulse flat, and the top of the picture bends."
_FROM_GREEN: Final = "The display takes sync from green: "
_BOTH: Final = (
    f"{_FROM_GREEN}combine line and field sync with every line's edge kept, add 0.3 V of it below black. {_FLAT}"
)

_CONVERSIONS: Final[Mapping[tuple[str, str], tuple[Kit, str]]] = {
    ("separate", "composite"): (
        "combiner",
        f"The display takes composite sync: combine line and field sync so that every line keeps its edge. {_FLAT}",
    ),
    ("separate", "on_green"): ("sync_adder", _BOTH),
    ("composite", "separate"): (
        "sync_separator",
        "The display takes line and field sync apart: a separator with an integrator for the field pulse.",
    ),
    ("composite", "on_green"): ("sync_adder", f"{_FROM_GREEN}add 0.3 V of the composite sync below black."),
    ("on_green", "composite"): ("sync_separator", f"The sync lies under green: a separator takes it off. {_GREEN}"),
    ("on_green", "separate"): (
        "sync_separator",
        f"The sync lies under green: a separator with outputs for line and field. {_GREEN}",
    ),
}


def _gate_words(source: SourceSide, display: DisplaySide) -> str:
    line, field, wanted = source.line_polarity, source.field_polarity, display.polarity
    if line in {None, "either"} or field in {None, "either"}:
        return "Which gate does it hangs on both polarities, which are not known."
    assert line is not None  # noqa: S101  just asked
    assert field is not None  # noqa: S101
    wanted = "negative" if wanted in {None, "either"} else wanted
    assert wanted is not None  # noqa: S101
    gate = combining_gate(line, field, wanted)
    late = ""
    if source.line_sync_us is not None and source.line_hz:
        share = 100 * source.line_sync_us * 1e-6 * source.line_hz
        late = (
            f" During the field pulse its edge comes late by the width of the line sync, {source.line_sync_us:.3g} µs "
            f"or {share:.1f} % of a line, and as that pulse ends one line has none: a little bend may stay. A combiner "
            "that makes true serrations leaves none."
        )
    return f"One {gate} gate makes {wanted} composite sync of {line} line and {field} field sync.{late}"


def polarity(source: SourceSide, display: DisplaySide, _knowledge: Knowledge) -> Iterator[Check]:
    """Of sync, where nothing between sets it anew."""
    wants = display.polarity
    if source.sync is None or display.sync is None or wants == "either":
        return
    if source.sync == "on_green" or (source.sync == "separate" and display.sync != "separate"):
        return  # a separator or combiner sets it
    if wants is None:
        words, settle = (
            "The polarity that the display takes is not known.",
            "Read its papers, or try through an inverter.",
        )
        yield Check(subject="polarity", says="unknown", words=words, settle=settle)
        return
    named = {"line": source.line_polarity, "field": source.field_polarity}
    if source.sync == "composite":
        named = {"composite": source.line_polarity}
    unknown = [name for name, found in named.items() if found is None]
    either = [name for name, found in named.items() if found == "either"]
    wrong = [name for name, found in named.items() if found not in {None, "either", wants}]
    if wrong:
        words = f"{' and '.join(wrong).capitalize()} sync is {_other(wants)}, the display takes {wants}: "
        words += f"{'an inverter' if len(wrong) == 1 else 'two inverters'}, or a setting of the source."
        yield Check(subject="polarity", says="add", words=words, add="inverter")
    elif unknown or either:
        which = " and ".join(unknown or either)
        words = f"The polarity of the source's {which} sync {'is not known' if unknown else 'changes with its mode'}; "
        words += f"the display takes {wants}."
        settle = "Look at it with a scope: the short part of each period is the pulse."
        yield Check(subject="polarity", says="unknown", words=words, settle=settle)
    else:
        yield Check(subject="polarity", says="fits", words=f"Sync is {wants}, as the display takes it.")


def _other(polarity: str) -> str:
    return "positive" if polarity == "negative" else "negative"


def serrations(source: SourceSide, display: DisplaySide, _knowledge: Knowledge) -> Iterator[Check]:
    """Whether composite sync keeps its line edges through the field pulse."""
    # A display with inputs apart gets line edges through the field pulse anyway, unless they were lost before.
    if source.sync in {None, "separate"} or display.sync is None:
        return
    if source.serrated is None:
        yield Check(
            subject="serrations",
            says="unknown",
            words="Whether the source's sync keeps its line edges through the field pulse is not known.",
            settle="A scope on sync, triggered by field: flat through the field pulse means no edges.",
        )
    elif not source.serrated:
        yield Check(
            subject="serrations",
            says="add",
            words="The source's sync is flat through the field pulse: the line oscillator runs free there and the top "
            "of the picture bends. Feed line and field sync apart if the source has them, or rebuild the edges.",
            add="combiner",
        )
    else:
        yield Check(subject="serrations", says="fits", words="Sync keeps its line edges through the field pulse.")
