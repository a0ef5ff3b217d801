"""Hum bars, both ways: what a ripple makes on the picture, and what bars say of where they come from."""

from __future__ import annotations

from math import inf, isinf
from typing import Final, Literal, TypeAlias

from tubewright.answers.assessment import Unknown
from tubewright.answers.supply_form import SupplyAnswer, check
from tubewright.errors import Fault, InputError
from tubewright.physics.ripple_picture import hum_bars, ripple_from_bars_hz

Direction: TypeAlias = Literal["down", "up", "unknown"]
Origin: TypeAlias = Literal["mains", "twice_mains", "standing", "mains_or_field", "neither", "unclear"]

MAINS_TOLERANCE_RATIO: Final = 0.01
FIELD_TOLERANCE_RATIO: Final = 0.002
TIMING_RATIO: Final = 0.2
FLICKER_HZ: Final = 4.0

MEANS: Final = {
    "mains": "Once per mains cycle: a half-wave supply (or a bridge with one dead diode), a ground loop "
    "between source "
    "and display, or a leak from heater to cathode. A ground loop goes with the source's cable; a heater leak "
    "shows in "
    "one colour.",
    "twice_mains": "Twice per mains cycle: a full-wave supply whose reservoir has lost capacitance or gained series "
    "resistance, or whose regulator has run out of room.",
    "neither": "Neither once nor twice per mains cycle: the signal itself, another display or transformer nearby on "
    "another supply, a switching supply that beats, or a field rate that isn't what was typed.",
}
"""What each origin says of the fault."""


def bars_in_words(count: float, screen_s: float, beat_hz: float) -> str:
    """Bars, their speed and their direction, as one says it."""
    many = "one bar" if count == 1 else f"{count:.0f} bars"
    if isinf(screen_s):
        return f"{many}, standing still"
    if abs(beat_hz) > FLICKER_HZ:
        return f"{many} that pass {abs(beat_hz):.3g} times a second: a flicker rather than bars"
    return f"{many}, moving {'down' if beat_hz > 0 else 'up'}, {screen_s:.2g} s from edge to edge"


def bars_seen(*, field_hz: float, mains_hz: float) -> SupplyAnswer:
    """What ripple at mains rate and at twice mains rate looks like on a picture.

    Args:
        field_hz: Field rate, Hz.
        mains_hz: Mains frequency, Hz.

    Raises:
        InputError: A rate that is not above zero (``field``, ``hz``).
    """
    check(field=field_hz, hz=mains_hz)
    figures: dict[str, float | None] = {}
    words = []
    for name, says, rate in (("mains", "Mains rate", mains_hz), ("twice", "Twice mains rate", 2 * mains_hz)):
        bars = hum_bars(rate, field_hz)
        count, screen, beat = float(bars.bars_count), float(bars.screen_s), float(bars.beat_hz)
        figures |= {
            f"{name}_bars_count": count,
            f"{name}_screen_s": None if isinf(screen) else screen,
            f"{name}_beat_hz": beat,
        }
        words.append(f"{says} ({rate:g} Hz): {bars_in_words(count, screen, beat)}.")
    words.append("Sway and shading go together: the edges bend where the bar is.")
    return SupplyAnswer(
        question="hum",
        headline=f"At {field_hz:g} fields a second on {mains_hz:g} Hz mains: " + words[0][0].lower() + words[0][1:],
        words=tuple(words),
        figures=figures,
    )


def source_of_bars(
    *,
    bars: int,
    field_hz: float,
    mains_hz: float,
    screen_s: float | None = None,
    standing: bool = False,
    direction: Direction = "unknown",
    timing_ratio: float = TIMING_RATIO,
) -> SupplyAnswer:
    """What makes bars, from their number and how long one takes to cross the screen.

    Args:
        bars: How many are on the screen at once.
        field_hz: Field rate, Hz.
        mains_hz: Mains frequency, Hz.
        screen_s: Seconds for one to cross the whole screen; None where it wasn't timed.
        standing: True where they stand still.
        direction: Which way they move.
        timing_ratio: How far the timing may be off, as a ratio.

    Returns:
        The origin in ``headline``; ``mains_weight`` and ``twice_weight`` are 1 where the origin fits
        and 0 where it doesn't; ``source_hz`` the rate that was seen.

    Raises:
        InputError: A figure that is not above zero (``bars``, ``field``, ``hz``, ``seconds``), or bars that
            both stand and move.
    """
    check(bars=bars, field=field_hz, hz=mains_hz, seconds=screen_s, timing=timing_ratio)
    if standing and screen_s is not None:
        raise InputError(Fault(what="bars either stand or move", where="seconds", mend="Leave one of the two out."))
    timed = inf if standing else screen_s
    origin, seen = _origin(bars, field_hz, mains_hz, timed, direction, timing_ratio)
    low, high = seen or (None, None)
    figures: dict[str, float | None] = {
        "source_low_hz": low,
        "source_high_hz": high,
        "mains_weight": float(origin in ("mains", "mains_or_field") and bars == 1),
        "twice_weight": float(origin == "twice_mains" or (origin == "mains_or_field" and bars == 2)),
    }
    unknown = []
    if origin == "unclear":
        unknown.append(
            Unknown(
                reason="the number alone fits, but how fast they move was not timed",
                would_settle="the seconds that one bar takes from edge to edge, and whether it moves up or down",
            )
        )
    if origin in ("standing", "mains_or_field"):
        unknown.append(
            Unknown(
                reason="whether they come from the mains or from the field: both rates are the same here",
                would_settle="the same picture from a source at another field rate: bars of the mains then crawl",
            )
        )
    return SupplyAnswer(
        question="hum",
        headline=_HEADLINES[origin],
        words=tuple(_said(origin, bars, seen)),
        figures=figures,
        unknown=tuple(unknown),
    )


_HEADLINES: Final = {
    "mains": "The bars come at mains rate.",
    "twice_mains": "The bars come at twice mains rate.",
    "standing": "They stand, though the mains would make them crawl: they belong to the field.",
    "mains_or_field": "Field and mains run at one rate, so bars of either stand still.",
    "neither": "The bars come neither at mains rate nor at twice mains rate.",
    "unclear": "Their number fits, but only their speed tells.",
}


def _origin(
    bars: int, field_hz: float, mains_hz: float, screen_s: float | None, direction: Direction, timing_ratio: float
) -> tuple[Origin, tuple[float, float] | None]:
    """Which origin fits, and the range of rates that was seen."""
    if screen_s is None:
        return ("unclear" if bars in (1, 2) else "neither"), None
    ways = {"down": (1,), "up": (-1,), "unknown": (1, -1)}[direction]
    slack = bars * FIELD_TOLERANCE_RATIO * field_hz
    ranges = []
    for way in ways:
        times = (screen_s,) if isinf(screen_s) else (screen_s * (1 - timing_ratio), screen_s * (1 + timing_ratio))
        ends = [float(ripple_from_bars_hz(bars, time, field_hz, way)) for time in times]
        ranges.append((min(ends) - slack, max(ends) + slack))
    seen = (min(low for low, _ in ranges), max(high for _, high in ranges))

    def fits(rate: float) -> bool:
        wide = MAINS_TOLERANCE_RATIO * rate
        return any(low <= rate + wide and rate - wide <= high for low, high in ranges)

    if isinf(screen_s):
        return ("mains_or_field" if bars in (1, 2) and fits(bars * mains_hz) else "standing"), seen
    if bars == 1 and fits(mains_hz):
        return "mains", seen
    if bars == 2 and fits(2 * mains_hz):
        return "twice_mains", seen
    return "neither", seen


def _said(origin: Origin, bars: int, seen: tuple[float, float] | None) -> list[str]:
    words = []
    if seen is not None:
        words.append(f"{'One bar' if bars == 1 else f'{bars} bars'} at this speed: {seen[0]:.1f} to {seen[1]:.1f} Hz.")
    if origin in MEANS:
        words.append(MEANS[origin])
    elif origin == "mains_or_field":
        words.append(MEANS["mains" if bars == 1 else "twice_mains"])
        words.append("Or a rail that sags with the field: its own reservoir, or the field stage's supply.")
    elif origin == "standing":
        words.append(
            "A rail that sags with the field (field stage, its reservoir or its ground path), or shading in the signal."
        )
    else:
        words += [MEANS["mains" if bars == 1 else "twice_mains"]]
    return words
