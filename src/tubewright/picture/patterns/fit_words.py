"""What a chassis can't show of a wish, in words: which limit, and why."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from tubewright.picture.patterns.chassis import Chassis
from tubewright.picture.patterns.raster import Raster

Gap = Literal["rate", "progressive", "lines", "even", "dots", "all"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shortfall:
    """One part of the wish that can't be met.

    Attributes:
        what: Which part.
        given: What there is instead, the nearest.
        limit: The limit that stands against it: ``line rate``, ``field rate``, ``field blanking``,
            ``line blanking``, ``clock``, ``interlace``.
        words: All of it in a sentence, with the figures.
    """

    what: Gap
    given: str
    limit: str
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Lack:
    """Finds the words for one thing lacking; the wish, and the most progressive lines at the wanted rate."""

    what: Gap
    chassis: Chassis
    width: int
    height: int
    field_hz: float
    most_lines: int = 0

    def of(self, what: Gap) -> Lack:
        """The same wish, another part of it."""
        return dataclasses.replace(self, what=what)

    def shortfall(self, given: str) -> Shortfall:
        """The shortfall, with what is given instead."""
        limit, why = self._why()
        asked = {
            "rate": f"{self.field_hz:g} Hz",
            "progressive": "One field a frame",
            "lines": f"{self.height} lines",
            "even": f"{self.height} lines",
            "dots": f"{self.width} dots",
            "all": f"{self.width} x {self.height} at {self.field_hz:g} Hz",
        }[self.what]
        return Shortfall(
            what=self.what, given=given, limit=limit, words=f"{asked} can't be met: {why}. Nearest: {given}."
        )

    def _why(self) -> tuple[str, str]:
        c = self.chassis
        if self.what == "dots":
            assert c.clock_high_hz is not None  # noqa: S101 - nothing else takes dots away
            return "clock", f"so many in the time that a line leaves need more than {c.clock_high_hz / 1e6:g} MHz"
        if self.what == "even":
            return "interlace", "two fields share an even number of lines"
        if not c.field_low_hz <= self.field_hz <= c.field_high_hz and self.what in {"rate", "all"}:
            return "field rate", f"the chassis locks to {c.field_low_hz:g} to {c.field_high_hz:g} Hz"
        return self._why_lines()

    def _why_lines(self) -> tuple[str, str]:
        """Why the wanted lines don't go into the wanted rate."""
        c = self.chassis
        rate = min(max(self.field_hz, c.field_low_hz), c.field_high_hz)
        left = 1 - c.field_blanking_s * rate
        if left <= 0:
            return (
                "field blanking",
                f"{c.field_blanking_s * 1e3:g} ms of field blanking is all of a field at {rate:g} Hz",
            )
        total = max(math.ceil(self.height / left - 1e-9), self.height + c.field_blanking_lines)
        needed_hz = total * rate
        if needed_hz > c.line_high_hz:
            return (
                "line rate",
                (
                    f"{self.height} lines and {c.field_blanking_s * 1e3:g} ms of field blanking at {rate:g} Hz need "
                    f"{needed_hz / 1e3:.2f} kHz, the chassis ends at {c.line_high_hz / 1e3:g} kHz"
                ),
            )
        if math.floor(c.line_high_hz / rate + 1e-9) < math.ceil(c.line_low_hz / rate - 1e-9):
            return (
                "line rate",
                (
                    f"no whole number of lines at {rate:g} Hz lies between {c.line_low_hz / 1e3:g} and "
                    f"{c.line_high_hz / 1e3:g} kHz"
                ),
            )
        return (
            "line blanking",
            f"{c.line_without_picture_s * 1e6:g} µs of line blanking leave too little of a line at those rates",
        )


def words_of(
    best: Raster, lacks: Sequence[Shortfall], others: Sequence[tuple[Raster, Sequence[Shortfall]]]
) -> tuple[str, ...]:
    """The whole answer in sentences."""
    given = (
        f"{in_short(best)}, line rate {best.line_hz / 1e3:.3f} kHz, clock {best.pixel_clock_hz / 1e6:.3f} MHz, "
        f"{best.h_total_px} dots by {best.v_total_lines} lines in all."
    )
    if not lacks:
        return (f"Everything asked for fits: {given}",)
    return (
        *(lack.words for lack in lacks),
        f"The best that fits: {given}",
        *(
            f"Or: {in_short(other)}, line rate {other.line_hz / 1e3:.3f} kHz"
            f"{'; lacks ' + ', '.join(_NAMES[lack.what] for lack in missing) if missing else ''}."
            for other, missing in others
        ),
    )


_NAMES = {
    "rate": "the rate",
    "progressive": "one field a frame",
    "lines": "lines",
    "even": "the odd line",
    "dots": "dots",
    "all": "everything",
}


def in_short(raster: Raster) -> str:
    """Size, interlace and rate of a raster in a few words."""
    return (
        f"{raster.width_px} x {raster.height_px}{' interlaced' if raster.interlaced else ''} at "
        f"{raster.field_hz:.2f} {'fields a second' if raster.interlaced else 'Hz'}"
    )
