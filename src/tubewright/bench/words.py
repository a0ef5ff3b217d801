"""The words the pages use for the names in a case, and how they write figures."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Final

from tubewright.case import Reading
from tubewright.judgement.guards import Condition, for_how_long
from tubewright.report import wording
from tubewright.report.describe import DECISION_WORDS

_DECISIONS: Final[Mapping[str, str]] = {str(name): said for name, said in DECISION_WORDS.items()}
KINDS: Final[Mapping[str, str]] = {
    "emission": "Emission",
    "cutoff": "Cutoff",
    "leakage_heater_cathode": "Leakage heater–cathode",
    "leakage_cathode_grid1": "Leakage cathode–grid 1",
    "leakage_grid1_grid2": "Leakage grid 1–grid 2",
    "heater_current": "Heater current",
    "heater_voltage": "Heater voltage",
    "gas": "Gas",
    "shortfall_seen": "Shortfall in a photograph",
}
OUTCOMES: Final[Mapping[str, str]] = {
    "improved": "improved",
    "unchanged": "unchanged",
    "worse": "worse",
    "lost": "gun or tube lost",
}
GETTERS: Final[Mapping[str, str]] = {
    "silver": "silver or dark, mirror whole",
    "white": "white or milky",
    "clear": "clear, mirror gone",
    "unseen": "could not be seen",
}
NECKS: Final[Mapping[str, str]] = {"sound": "sound", "cracked": "cracked or chipped"}
GUN_KINDS: Final[Mapping[str, str]] = {"inline": "in line", "delta": "delta"}
MOUNTS: Final[Mapping[str, str]] = {"horizontal": "horizontal (wide)", "vertical": "vertical (tall)"}
WHITES: Final[Mapping[str, str]] = {"D65": "6500 K (D65)", "9300K": "9300 K", "9300K+27MPCD": "9300 K + 27 MPCD"}
STATES: Final[Mapping[str, str]] = {"open": "on the bench", "waiting": "waiting", "closed": "closed"}
UNITS: Final[Mapping[str, str]] = {
    "rel": "× a good gun",
    "uA": "µA",
    "mA": "mA",
    "V": "V",
    "Mohm": "MΩ",
    "A": "A",
    "percent": "%",
    "div": "div",
}
STAGES: Final[Mapping[str, str]] = {"before": "before treatment", "after": "after treatment"}
HAZARDS: Final[Mapping[str, str]] = {
    "H0": "unpowered",
    "H1": "powered, isolated, low voltage",
    "H2": "lethal voltage",
    "H3": "high voltage",
    "H4": "glass can implode",
}


REPAIR_OUTCOMES: Final[Mapping[str, str]] = {
    "mended": "mended",
    "found": "found, not mended",
    "excluded": "ruled out",
}
SETUP_TOLERANCES: Final[Mapping[str, str]] = {
    "arcade": "an arcade display",
    "delta": "a delta gun",
    "broadcast": "broadcast type",
}
TEST_UNITS: Final[Mapping[str, str]] = {
    # Where the catalogue holds a reading against what is nominal: the unit it is usually read in.
    "s_hfree": "kHz",
    "s_rgb_in": "V",
    "t_heater_vi": "A",
    "d_raw_dc": "V",
    "d_bplus": "V",
    "d_bplus_dummy": "V",
    "d_rails": "V",
    "d_video_supply": "V",
    "d_heater_rms": "V",
    "d_g2": "V",
    "d_eht": "kV",
    "d_focus": "kV",
    "d_vout_mid": "V",
}
PARTS: Final[Mapping[str, str]] = {
    # What a part costs, roughly, in US dollars (from memory, estimate).
    "c0": "none",
    "c1": "under $5",
    "c2": "$5 to $20",
    "c3": "$20 to $60",
    "c4": "$60 to $150",
    "c5": "over $150, or a tube or donor set",
}
PLACES: Final[Mapping[str, str]] = {
    "closed": "off, closed",
    "running": "running, closed",
    "open": "off, back off",
    "empty": "off, back off, proven empty",
    "chassis": "chassis out, proven empty",
    "instrument": "tube on the instrument",
    "open-running": "running, back off",
}
"""How a set may stand on the bench."""


def percent(probability: float) -> str:
    """A chance as the terminal writes it, so that both doors say the same figure."""
    return wording.chance(probability)


def decision(name: str) -> str:
    """A decision or treatment in words."""
    return _DECISIONS.get(name, name.replace("_", " "))


def kind(name: str) -> str:
    """A kind of reading in words."""
    return KINDS.get(name, name.replace("_", " "))


def number(value: float | None, digits: int = 3) -> str:
    """A figure as a person writes it: no more digits than it carries, no exponent."""
    if value is None or not math.isfinite(value):
        return "unknown"
    if value == 0:
        return "0"
    places = max(0, digits - 1 - math.floor(math.log10(abs(value))))
    text = f"{round(value, places):.{min(places, 9)}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def parts(classes: Sequence[str]) -> str:
    """What the parts of a repair cost, roughly."""
    named = [PARTS.get(one, one) for one in classes]
    return named[0] if len(named) == 1 else f"{named[0]} up to {named[-1]}" if named else "not known"


def lasts(condition: Condition) -> str:
    """For how long the confirmation of a condition holds, as a sentence of its own."""
    return f"{capital(for_how_long(condition).removeprefix('that '))}."


def reading_value(reading: Reading) -> str:
    """A reading as it stands in a list: value and unit, and its spread where it has one."""
    if reading.kind == "shortfall_seen":
        spread = f" ± {number(100 * reading.spread, 2)}" if reading.spread is not None else ""
        return f"{number(100 * reading.value)}{spread} %"
    return f"{number(reading.value, 4)} {UNITS[reading.unit]}"


def conditions(reading: Reading) -> str:
    """What a reading was taken under, as far as it was written down."""
    parts = [
        reading.instrument or "",
        f"heater {number(reading.heater_v)} V" if reading.heater_v is not None else "",
        f"grid 2 {number(reading.g2_v)} V" if reading.g2_v is not None else "",
        f"{number(reading.minutes_on)} min on" if reading.minutes_on is not None else "",
        f"good gun {number(reading.reference)} {UNITS[reading.unit]}" if reading.reference is not None else "",
        STAGES[reading.stage] if reading.stage else "",
    ]
    return ", ".join(part for part in parts if part)


def gun_list(guns: Sequence[str]) -> str:
    """Guns as words: ``red``, ``red and blue``."""
    if not guns:
        return ""
    return guns[0] if len(guns) == 1 else f"{', '.join(guns[:-1])} and {guns[-1]}"


def lasted(minutes: float) -> str:
    """How long something took: ``5 s``, ``35 min``, ``12 h``."""
    if minutes < 1:
        return f"{number(60 * minutes, 2)} s"
    return f"{number(minutes)} min" if minutes < 120 else f"{number(minutes / 60)} h"


def times(count: int | None) -> str:
    """How often something was done: ``never``, ``once``, ``4 times``."""
    if count is None:
        return "not known"
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")


def beyond(headline: str, said: str) -> str:
    """What a headline says beyond the decision that stands above it already."""
    rest = headline.removeprefix(f"{said}: ")
    return capital(rest)


_BEFORE_UNIT: Final = re.compile(r"(?<=\d) (?=(?:%|k?V|[mµ]?A|MΩ|Mohm|ohm|kHz|min|h)(?![A-Za-z]))")


def unbroken(text: str) -> str:
    """The text with each figure tied to its unit, so that no line ends between them."""
    return _BEFORE_UNIT.sub("\u00a0", text)


_COMMAND: Final = re.compile(r" ?`tubewright [^`]*`[^.]*\.")


def on_the_page(text: str) -> str:
    """Words without their advice on commands, which has its place in a terminal."""
    return _COMMAND.sub("", text).strip()


def capital(text: str) -> str:
    """The text with a capital first letter, the rest untouched."""
    return text[:1].upper() + text[1:]
