"""What can be said of a pattern only for one raster or one level: codes, luma, frequencies, drift."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.trade_levels import (
    PULSES_PCT,
    SETUP_IRE,
    STAIRS_PCT,
    bar_luma_ire,
    burst_mhz,
    code_of,
    crawl_s,
)

_FOLLOWED_S: Final = 0.3  # estimate: a bar that crosses the picture faster is seen as flicker


def field_note(level_pct: float) -> Callable[[Raster], str]:
    """Says the code of a field at this level."""
    return lambda _: f"Code {code_of(level_pct)} of 255."


def pulses_note(_: Raster) -> str:
    """Says the codes of the stripes near black."""
    codes = ", ".join(f"{level:g} % (code {code_of(level)})" for level in PULSES_PCT)
    return (
        f"Stripes from the left: {codes}; the ground is code 0. "
        "Nothing here is below black: a computer's picture has no such level."
    )


def luma_words(white_pct: float, colour_pct: float) -> Callable[[Raster], str]:
    """Says the luma of bars at these levels."""

    def note(_: Raster) -> str:
        plain, setup = (
            ", ".join(f"{ire:.1f}" for ire in bar_luma_ire(white_pct, colour_pct, setup_ire=level))
            for level in (0.0, SETUP_IRE)
        )
        return (
            f"On one wire, from white to black, luma in IRE: {plain}; with a setup of {SETUP_IRE:g} IRE: {setup}. "
            f"Codes {code_of(white_pct)} for the white bar, {code_of(colour_pct)} and 0 for the colours."
        )

    return note


def burst_note(raster: Raster) -> str:
    """Says the frequencies of the bursts."""
    named = ", ".join(f"{mhz:.3g}" for mhz in burst_mhz(raster))
    return f"Bursts from the left, MHz: {named}. The last is one dot on, one dot off: the most this raster can carry."


def crawl_note(raster: Raster) -> str:
    """Says how fast a hum bar drifts."""
    said = []
    for mains_hz in (50.0, 60.0):
        seconds = crawl_s(raster, mains_hz)
        if seconds is None:
            said.append(f"stands still on {mains_hz:g} Hz mains")
        elif seconds < _FOLLOWED_S:
            said.append(f"runs too fast to follow on {mains_hz:g} Hz mains")
        else:
            said.append(f"drifts over the picture in {seconds:.2g} s on {mains_hz:g} Hz mains")
    return (
        f"At {raster.field_hz:.2f} fields a second a bar of mains rate {' and '.join(said)}. "
        "One bar: mains rate; two bars: twice mains rate."
    )


def stairs_note(_: Raster) -> str:
    """Says the codes of the staircase."""
    return "Steps of 10 %: codes " + ", ".join(str(code_of(level)) for level in STAIRS_PCT) + "."
