"""A source's signals and a display's input; and the resistors that bring one to the other, in preferred values."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Literal, TypeAlias

from tubewright.knowledge.parts import Colour, LevelSync
from tubewright.physics import signal_lines
from tubewright.physics.preferred_values import E24_TOLERANCE_PERCENT, at_or_above, at_or_below

Polarity: TypeAlias = Literal["negative", "positive", "either"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SourceSide:
    """What a source gives; None is not known.

    Attributes:
        sync: how sync leaves it.
        line_polarity: of line sync, or of composite sync.
        field_polarity: of field sync; None where there is none of its own.
        sync_low_v_pp: least swing of sync at ``sync_load_ohm``.
        sync_high_v_pp: greatest swing.
        sync_source_ohm: behind the sync.
        sync_load_ohm: what the swing is stated for.
        video_v_pp: black to white at ``video_load_ohm``.
        video_source_ohm: behind the colours.
        video_load_ohm: what the amplitude is stated for.
        colour: graded, switched, or encoded on a subcarrier.
        serrated: whether composite sync keeps its line edges through the field pulse.
        coupling_uf: capacitor in series with the colours; 0 for none.
        line_hz: line rate.
        field_hz: field rate.
        line_sync_us: width of the line sync.
        pixel_clock_hz: dots a second.
    """

    sync: LevelSync | None = None
    line_polarity: Polarity | None = None
    field_polarity: Polarity | None = None
    sync_low_v_pp: float | None = None
    sync_high_v_pp: float | None = None
    sync_source_ohm: float | None = None
    sync_load_ohm: float | None = None
    video_v_pp: float | None = None
    video_source_ohm: float | None = None
    video_load_ohm: float | None = None
    colour: Colour = "rgb"
    serrated: bool | None = None
    coupling_uf: float | None = None
    line_hz: float | None = None
    field_hz: float | None = None
    line_sync_us: float | None = None
    pixel_clock_hz: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class DisplaySide:
    """What a display's input wants; None is not known.

    Attributes:
        sync: how it takes sync.
        polarity: of its sync.
        low_v: the highest voltage that still counts as low.
        high_v: the lowest that counts as high; for small sync the least swing.
        sync_ohm: its sync input.
        video_v_pp: black to white.
        video_ohm: its colour inputs, terminations in.
        line_low_hz: lowest line rate it is made for.
        line_high_hz: highest.
        field_low_hz: lowest field rate.
        field_high_hz: highest.
        clamps: whether it sets black by itself, after a coupling capacitor.
        more_loads: further terminated inputs on the same lines.
    """

    sync: LevelSync | None = None
    polarity: Polarity | None = None
    low_v: float | None = None
    high_v: float | None = None
    sync_ohm: float | None = None
    video_v_pp: float | None = None
    video_ohm: float | None = None
    line_low_hz: float | None = None
    line_high_hz: float | None = None
    field_low_hz: float | None = None
    field_high_hz: float | None = None
    clamps: bool | None = None
    more_loads: int = 0


@dataclass(frozen=True, slots=True, kw_only=True)
class Pad:
    """An attenuator in preferred values (series E24), and what comes out of it.

    ``shunt_ohm`` is None where no resistor stands across the input. The low and high
    levels hold resistors and source each at the worst end of what they may be.
    """

    series_ohm: float
    shunt_ohm: float | None
    exact_series_ohm: float
    exact_shunt_ohm: float | None
    level_v_pp: float
    low_v_pp: float
    high_v_pp: float
    seen_ohm: float
    peak_ma: float


def design_pad(
    emf_low_v: float, emf_high_v: float, *, source_ohm: float, wants_ohm: float, load_ohm: float, target_v_pp: float
) -> Pad | None:
    """Resistors that bring a source down to a level at an input, or ``None`` where that would not be down.

    Args:
        emf_low_v: The source without load at its weakest.
        emf_high_v: At its strongest.
        source_ohm: Behind the source.
        wants_ohm: What the source wants to see.
        load_ohm: The input.
        target_v_pp: Wanted there.
    """
    emf = (emf_low_v + emf_high_v) / 2
    series, shunt = _exact(emf, source_ohm, wants_ohm, load_ohm, target_v_pp)
    if series is None:
        return None
    tries = [(one, other) for one in _around(series) for other in (_around(shunt) if shunt is not None else (None,))]

    def level(emf_v: float, one: float, other: float | None) -> float:
        across = load_ohm if other is None else float(signal_lines.parallel_ohm(load_ohm, other))
        return float(signal_lines.level_into_v(emf_v, source_ohm + one, across))

    def seen(one: float, other: float | None) -> float:
        return one + (load_ohm if other is None else float(signal_lines.parallel_ohm(load_ohm, other)))

    def cost(pair: tuple[float, float | None]) -> float:
        off = abs(math.log(level(emf, *pair) / target_v_pp))
        # A shunt is there to match the line, so a mismatch counts too, though for less than the level.
        return off + (0.25 * abs(math.log(seen(*pair) / wants_ohm)) if shunt is not None else 0.0)

    chosen = min(tries, key=cost)
    share = E24_TOLERANCE_PERCENT / 100
    ends = [
        level(volts, chosen[0] * (1 + a * share), None if chosen[1] is None else chosen[1] * (1 + b * share))
        for volts in (emf_low_v, emf_high_v)
        for a, b in itertools.product((-1, 1), repeat=2)
    ]
    return Pad(
        series_ohm=chosen[0],
        shunt_ohm=chosen[1],
        exact_series_ohm=series,
        exact_shunt_ohm=shunt,
        level_v_pp=level(emf, *chosen),
        low_v_pp=min(ends),
        high_v_pp=max(ends),
        seen_ohm=seen(*chosen),
        peak_ma=1000 * emf_high_v / (source_ohm + seen(*chosen)),
    )


def _exact(
    emf: float, source_ohm: float, wants_ohm: float, load_ohm: float, target_v_pp: float
) -> tuple[float | None, float | None]:
    """Series and shunt before they are rounded; no shunt where the input is low enough by itself."""
    matched = float(signal_lines.level_into_v(emf, source_ohm, wants_ohm))
    ratio = target_v_pp / matched
    if ratio < 1 and ratio * wants_ohm < load_ohm:
        series, shunt = signal_lines.attenuator_ohm(ratio, wants_ohm, load_ohm)
        return float(series), float(shunt)
    alone = load_ohm * (emf / target_v_pp - 1) - source_ohm
    return (alone, None) if alone > 0 else (None, None)


def _around(ohm: float) -> tuple[float, ...]:
    return float(at_or_below(ohm, "E24")), float(at_or_above(ohm, "E24"))


def combining_gate(line: Polarity, field: Polarity, wanted: Polarity) -> Literal["XOR", "XNOR"]:
    """The gate that puts line and field sync together and keeps an edge in the lines of the field pulse.

    Sync is low while it lasts where it is negative. Exclusive-OR of the two pulses gives
    one edge of each direction in every line; each negative input turns it over, and so
    does a negative output. In the field pulse the leading edge comes late by the width of
    a line pulse, and in the one line with which the field pulse ends there is none.

    Source: truth table of exclusive-OR.

    >>> combining_gate("negative", "negative", "negative")
    'XNOR'
    """
    turned = [one == "negative" for one in (line, field, wanted)]
    return "XNOR" if sum(turned) % 2 else "XOR"
