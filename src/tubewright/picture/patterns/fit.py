"""A wanted picture fitted into what a deflection chassis can do.

The limits of the chassis are never broken. Where the wish doesn't fit, the wish
gives way, in an order that is said here and in words in the answer:

1. a progressive raster of the wanted lines at the wanted field rate; else
2. keeping the lines (``keep="lines"``): the nearest field rate that the chassis
   takes; interlace at the wanted rate, then at the nearest; fewer lines;
   keeping the rate (``keep="rate"``): interlace; fewer lines.
3. Where the dots of a line need a faster clock than there is, fewer dots.

The first that exists is the answer, the others are offered beside it. Interlace
is left out where its fields would fill too little of the height.

Of the totals that fit, the one nearest to the chassis's usual line rate is
taken: the middle of a narrow range; in a wide one the rate at which the picture
fills its field as 480 lines fill 525. Blanking is no longer than the chassis
needs, except for lines over, which go half above and half below the picture.

Source of the reckoning: arithmetic; T = 1 / line rate, dots = time x clock,
rounded up wherever a limit is a least time. The order is ours.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, Literal

from tubewright.picture.patterns.chassis import Chassis, check_chassis, limits_broken
from tubewright.picture.patterns.fit_words import Lack, Shortfall, words_of
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.timing_numbers import check_asked

Keep = Literal["lines", "rate"]

_NARROW_RATIO: Final = 1.15  # estimate: a range as wide as one fixed-rate chassis with its hold control
_USUAL_FILL: Final = 480 / 525  # published: SMPTE 170M with 480 lines sampled
_LEAST_FIELD_FILL: Final = 0.65  # estimate: a height control can't stretch a field by more than half
_SAME_RATE: Final = 5e-4  # 0.03 Hz of 60: below what anything notices; estimate
_FEWEST_LINES: Final = 16
_SLACK: Final = 1e-9
_MOST_TRIED: Final = 12


@dataclass(frozen=True, slots=True, kw_only=True)
class Option:
    """A raster within the limits, and what it lacks of the wish: nothing, or some :class:`Shortfall`."""

    raster: Raster
    lacks: tuple[Shortfall, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Fit:
    """What a chassis can show of a wish.

    Attributes:
        raster: The best; ``None`` where nothing at all fits.
        lacks: What of the wish it can't meet, and why.
        others: Other ways to give way, each within the limits.
        words: All of it in sentences.
    """

    raster: Raster | None
    lacks: tuple[Shortfall, ...]
    others: tuple[Option, ...]
    words: tuple[str, ...]


def fit(
    width_px: int,
    height_px: int,
    field_hz: float,
    chassis: Chassis,
    *,
    keep: Keep = "lines",
    clock_step_hz: float = 1000.0,
    cell_px: int = 1,
) -> Fit:
    """The raster that comes nearest to a wish within the limits of a chassis.

    Args:
        width_px: Wanted dots of a line.
        height_px: Wanted lines of a frame.
        field_hz: Wanted fields a second.
        chassis: The limits.
        keep: What gives way last.
        clock_step_hz: The clock is a whole number of these, unless only a clock between two steps keeps
            every limit; 0 for any clock.
        cell_px: Porches and sync of a line are whole numbers of these.

    Raises:
        InputError: A wish beyond reason, or limits that contradict each other.
    """
    check_asked(width_px, height_px, field_hz, interlaced=False)
    check_chassis(chassis)
    search = _Search(chassis=chassis, width=width_px, clock_step_hz=clock_step_hz, cell_px=cell_px)
    within = min(max(field_hz, chassis.field_low_hz), chassis.field_high_hz)
    found: list[Option] = []
    for fields, height, rate, may_move in _wishes(search, height_px, field_hz, within, keep):
        raster = search.find(height, rate, fields, may_move=may_move)
        if raster is None:
            continue
        option = Option(raster=raster, lacks=_lacks(search, raster, width_px, height_px, field_hz, chassis))
        if not any(_no_better(option, earlier) for earlier in found):
            found.append(option)
        if not found[0].lacks:
            break
    if not found:
        lack = Lack(what="all", chassis=chassis, width=width_px, height=height_px, field_hz=field_hz)
        nothing = (lack.shortfall("nothing"),)
        return Fit(raster=None, lacks=nothing, others=(), words=tuple(one.words for one in nothing))
    best, *others = found
    return Fit(
        raster=best.raster,
        lacks=best.lacks,
        others=tuple(others),
        words=words_of(best.raster, best.lacks, [(other.raster, other.lacks) for other in others]),
    )


def _wishes(
    search: _Search, height: int, field_hz: float, within_hz: float, keep: Keep
) -> Iterator[tuple[int, int, float, bool]]:
    """Fields, lines, rate, and whether the rate may move: what to try, in its order."""
    yield 1, height, within_hz, False
    if keep == "lines":
        yield 1, height, field_hz, True
    even = height + height % 2
    if search.chassis.interlace:
        yield 2, even, within_hz, False
        if keep == "lines":
            yield 2, even, field_hz, True
    fewer = search.most_lines(within_hz, 1)
    if fewer < height:
        # Where no total fits that rate exactly, one beside it.
        yield 1, fewer, within_hz, False
        yield 1, fewer, within_hz, True
    if search.chassis.interlace:
        fewer = search.most_lines(within_hz, 2) // 2 * 2
        if fewer < even:
            yield 2, fewer, within_hz, True


@dataclass(frozen=True, slots=True, kw_only=True)
class _Search:
    chassis: Chassis
    width: int
    clock_step_hz: float
    cell_px: int

    def find(self, height: int, rate_hz: float, fields: int, *, may_move: bool) -> Raster | None:
        """The raster of these lines; of the rate exactly, or of the nearest; with fewer dots only if need be."""
        if height < _FEWEST_LINES:
            return None
        tried = list(self._totals(height, rate_hz, fields, may_move=may_move))
        for total, rate in tried:
            raster = self._lay(self.width, height, total, rate, fields)
            if raster is not None:
                return raster
        # The slower the line, the more dots: of the totals that keep the rate best, the fewest lines.
        for total, rate in sorted(tried, key=lambda one: (abs(one[1] - rate_hz), one[0]))[:_MOST_TRIED]:
            raster = self._fewer_dots(height, total, rate, fields)
            if raster is not None:
                return raster
        return None

    def most_lines(self, rate_hz: float, fields: int) -> int:
        """The most active lines of a frame at this field rate, 0 if none."""
        c = self.chassis
        total = math.floor(c.line_high_hz * fields / rate_hz + _SLACK)
        total -= (fields - 1) * (1 - total % 2)
        by_time = math.floor(total * (1 - c.field_blanking_s * rate_hz) + _SLACK)
        return max(0, min(by_time, total - fields * c.field_blanking_lines))

    def _totals(self, height: int, rate_hz: float, fields: int, *, may_move: bool) -> Iterator[tuple[int, float]]:
        """Lines of a frame with the field rate they allow, the best first."""
        c = self.chassis
        lowest_hz, highest_hz = (c.field_low_hz, c.field_high_hz) if may_move else (rate_hz, rate_hz)
        least = max(height + fields * c.field_blanking_lines, math.ceil(c.line_low_hz * fields / highest_hz - _SLACK))
        most = math.floor(c.line_high_hz * fields / lowest_hz + _SLACK)
        usual = self._usual_total(height, rate_hz, fields)
        ranked = []
        for total in range(least, most + 1):
            if (fields == 2 and total % 2 == 0) or (fields == 2 and height / total < _LEAST_FIELD_FILL):
                continue
            low = max(lowest_hz, c.line_low_hz * fields / total)
            high = min(highest_hz, c.line_high_hz * fields / total)
            if c.field_blanking_s > 0:
                high = min(high, (1 - height / total) / c.field_blanking_s)
            if low <= high * (1 + _SLACK):
                rate = min(max(rate_hz, low), high)
                ranked.append((abs(rate - rate_hz), abs(total - usual), total, rate))
        for _, _, total, rate in sorted(ranked):
            yield total, rate

    def _usual_total(self, height: int, rate_hz: float, fields: int) -> float:
        c = self.chassis
        if c.line_usual_hz is not None:
            return c.line_usual_hz * fields / rate_hz
        if c.line_high_hz / c.line_low_hz < _NARROW_RATIO:
            return (c.line_low_hz + c.line_high_hz) / 2 * fields / rate_hz
        return height / _USUAL_FILL

    def _lay(self, width: int, height: int, total: int, rate_hz: float, fields: int) -> Raster | None:
        """The raster of this width on these lines, or nothing where a limit stands against it."""
        c = self.chassis
        line_hz = rate_hz * total / fields
        blank_share = c.line_without_picture_s * line_hz
        if blank_share >= 1:
            return None
        lines = self._lines(height, total, line_hz, fields)
        if lines is None:
            return None
        blank = max(math.ceil(width / (1 - blank_share) - _SLACK) - width, 3)
        cells = -(-blank // self.cell_px)
        # Rounding up each part to whole cells costs at most three of them, the clock's step a dot or two.
        for count in range(cells, cells + 6 + 4 // self.cell_px):
            dots = width + count * self.cell_px
            if c.clock_high_hz is not None and dots * line_hz > c.clock_high_hz * (1 + _SLACK):
                return None
            for clock_hz in self._clocks(dots * line_hz):
                parts = self._dots(dots - width, clock_hz)
                if parts is None:
                    continue
                raster = Raster(
                    name=_name(width, height, rate_hz, fields),
                    width_px=width,
                    height_px=height,
                    pixel_clock_hz=clock_hz,
                    h_front_px=parts[0],
                    h_sync_px=parts[1],
                    h_back_px=parts[2],
                    v_front_lines=lines[0],
                    v_sync_lines=lines[1],
                    v_back_lines=lines[2],
                    interlaced=fields == 2,
                )
                if not limits_broken(raster, c):
                    return raster
        return None

    def _lines(self, height: int, total: int, line_hz: float, fields: int) -> tuple[int, int, int] | None:
        c = self.chassis
        blank = total - height
        front, sync = c.field_front_lines * fields, c.field_sync_lines * fields
        needed = max(math.ceil(c.field_blanking_s * line_hz * fields - _SLACK), front + sync + fields)
        if needed > blank:
            return None
        over = (blank - needed) // (2 * fields) * fields
        return front + over, sync, blank - front - over - sync

    def _dots(self, blank: int, clock_hz: float) -> tuple[int, int, int] | None:
        """Front porch, sync and back porch of a line that leaves so many dots blank, if they are enough."""
        c, cell = self.chassis, self.cell_px
        if blank < math.ceil(c.line_blanking_s * clock_hz - _SLACK):
            return None
        front, sync, back = (
            max(1, math.ceil(least_s * clock_hz / cell - _SLACK)) * cell
            for least_s in (c.line_front_s, c.line_sync_s, c.line_back_s)
        )
        over = blank - front - sync - back
        if over < 0:
            return None
        # The retrace begins with the sync: what is over belongs behind it.
        return front, sync, back + over

    def _clocks(self, clock_hz: float) -> Sequence[float]:
        if not self.clock_step_hz:
            return (clock_hz,)
        down = math.floor(clock_hz / self.clock_step_hz) * self.clock_step_hz
        steps = sorted({down, down + self.clock_step_hz}, key=lambda at: abs(at - clock_hz))
        return (*(at for at in steps if at > 0), clock_hz)

    def _fewer_dots(self, height: int, total: int, rate_hz: float, fields: int) -> Raster | None:
        """As many dots as the clock allows, fewer than wanted."""
        c = self.chassis
        line_hz = rate_hz * total / fields
        if c.clock_high_hz is None or c.line_without_picture_s * line_hz >= 1:
            return None
        most = math.floor(c.clock_high_hz / line_hz * (1 - c.line_without_picture_s * line_hz))
        for width in range(min(most, self.width - 1), max(0, most - 12 * self.cell_px - 12), -1):
            raster = self._lay(width, height, total, rate_hz, fields)
            if raster is not None:
                return raster
        return None


def _name(width: int, height: int, rate_hz: float, fields: int) -> str:
    return f"fit-{width}x{height}{'i' if fields == 2 else ''}-{rate_hz:.4g}"


def _no_better(option: Option, earlier: Option) -> bool:
    """Whether an option gives up all that an earlier one does and shows no more."""
    return (
        {lack.what for lack in option.lacks} >= {lack.what for lack in earlier.lacks}
        and option.raster.height_px <= earlier.raster.height_px
        and option.raster.width_px <= earlier.raster.width_px
    )


def _lacks(
    search: _Search, raster: Raster, width: int, height: int, field_hz: float, chassis: Chassis
) -> tuple[Shortfall, ...]:
    most = search.most_lines(field_hz, 1)
    lack = Lack(what="rate", chassis=chassis, width=width, height=height, field_hz=field_hz, most_lines=most)
    found = []
    if abs(raster.field_hz / field_hz - 1) > _SAME_RATE:
        found.append(lack.of("rate").shortfall(f"{raster.field_hz:.2f} Hz"))
    if raster.interlaced:
        found.append(lack.of("progressive").shortfall("two interlaced fields"))
    if raster.height_px < height:
        found.append(lack.of("lines").shortfall(f"{raster.height_px} lines"))
    elif raster.height_px > height:
        found.append(lack.of("even").shortfall(f"{raster.height_px} lines"))
    if raster.width_px < width:
        found.append(lack.of("dots").shortfall(f"{raster.width_px} dots"))
    return tuple(found)
