"""From a curl that was seen back to the loop: how quick and how well damped it is, and how hard it was kicked.

Many loops are drawn from what loops are like, each is run over a field pulse without
edges, and each is weighed by how well its curl agrees with what was seen; then once more
around the likely ones. The free-running error only scales the curl and is solved in
between. What the curl can't tell stays as wide as it was drawn, and is named.

Source of the method: importance sampling in two rounds; O. Cappé and others, Population
Monte Carlo, Journal of Computational and Graphical Statistics 13, 2004.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from math import lgamma
from typing import Final

import numpy as np

from tubewright.physics._arrays import FloatArray
from tubewright.physics.afc.curl import mm_per_rad, settling
from tubewright.physics.afc.loop import run
from tubewright.physics.afc.parts import AfcParts, Detector
from tubewright.physics.afc.source import SyncSource

NATURAL_HZ_LOW: Final = 30.0
NATURAL_HZ_HIGH: Final = 2500.0
DAMPING_LOW: Final = 0.25
DAMPING_HIGH: Final = 3.0
GAIN_LOW: Final = 1.0
GAIN_HIGH: Final = 30.0
GAP_MOST_LINES: Final = 8
FREE_RUN_SD_HZ: Final = 200.0
SETTLE_SD_RATIO: Final = 0.05
OVERSHOOT_SD: Final = 0.03
DRAWS: Final = 3000
COURSES: Final = 400
WIDENED: Final = 1.5
FROM_PRIOR: Final = 0.1
UNTOLD_RATIO: Final = 0.7
BOUND_RATIO: Final = 0.75
STUDENT_FREEDOM: Final = 4
SEED: Final = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """A figure that was measured, with its standard error; the unit is that of the field that holds it."""

    value: float
    sd: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenCurl:
    """A curl as it was measured, by its figures, by readings at single lines, or by both.

    Attributes:
        amplitude_mm: Displacement of the first visible line; None if not measured.
        settle_lines: Lines of the frame until it stays within 5 % of that.
        overshoot_ratio: Largest swing to the other side over the amplitude.
        at_lines: Lines of the frame, from the first visible one, at which the displacement was read, (readings,).
        displacement_mm: What was read there, (readings,).
        displacement_sd_mm: Their standard errors, (readings,).
    """

    amplitude_mm: Seen | None = None
    settle_lines: Seen | None = None
    overshoot_ratio: Seen | None = None
    at_lines: FloatArray | None = None
    displacement_mm: FloatArray | None = None
    displacement_sd_mm: FloatArray | None = None

    @property
    def count(self) -> int:
        """How many figures there are."""
        figures = (self.amplitude_mm, self.settle_lines, self.overshoot_ratio)
        return sum(one is not None for one in figures) + (0 if self.at_lines is None else len(self.at_lines))


@dataclass(frozen=True, slots=True, kw_only=True)
class Between:
    """What remains likely of a figure: median, and the bounds of the middle 80 %; the unit is its field's."""

    median: float
    p10: float
    p90: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LoopSeen:
    """What a curl tells of a loop.

    Attributes:
        natural_hz: Natural frequency.
        damping_ratio: Damping.
        gain_ratio: Gain K over natural frequency, both in radians a second: how far the static error is pressed down.
        free_run_error_hz: How far the oscillator runs free of the line rate.
        gap_lines: Lines that went without an edge.
        kick_us: How far the oscillator had run away by the end of them.
        untold: Names of those that the curl doesn't tell: they are hardly narrower than before looking.
        bound: Whether gap, gain and free-running error can only be told together, as the kick that they make.
        agreement_sd: How far the best loop misses what was seen, in standard errors, root mean square.
        effective_count: How many equally weighed draws the answer rests on.
        fitted_mm: The curl by line of the frame, the middle of what remains likely, (lines,).
    """

    natural_hz: Between
    damping_ratio: Between
    gain_ratio: Between
    free_run_error_hz: Between
    gap_lines: Between
    kick_us: Between
    untold: tuple[str, ...]
    bound: bool
    agreement_sd: float
    effective_count: float
    fitted_mm: FloatArray


def loop_of(natural_hz: float, damping_ratio: float, gain_ratio: float, free_run_error_hz: float) -> AfcParts:
    """A loop that has these textbook figures, with a capacitor of 1 µF and 1 V a radian.

    Args:
        natural_hz: Natural frequency.
        damping_ratio: Damping.
        gain_ratio: Gain K over natural frequency, both in radians a second.
        free_run_error_hz: Free-running error.

    Raises:
        ValueError: No passive network gives such a loop.
    """
    natural = 2 * np.pi * natural_hz
    gain = gain_ratio * natural
    lag, lead = gain / natural**2, 2 * damping_ratio / natural - 1 / gain
    if not 0 < lead < lag:
        raise ValueError("no passive network has this natural frequency, damping and gain")
    return AfcParts(
        detector_v_per_rad=1.0,
        series_ohm=(lag - lead) * 1e6,
        damping_ohm=lead * 1e6,
        capacitor_uf=1.0,
        oscillator_hz_per_v=gain / (2 * np.pi),
        free_run_error_hz=free_run_error_hz,
    )


def loop_from_curl(
    seen: SeenCurl, source: SyncSource, *, picture_width_mm: float, gap_lines: int | None = None, draws: int = DRAWS
) -> LoopSeen:
    """What a curl tells of the loop behind it, if lines without an edge around the field pulse made it.

    Args:
        seen: What was measured.
        source: The timing of the picture; its field pulse is not used.
        picture_width_mm: Width that the active part of a line spans.
        gap_lines: Lines without an edge, where the source is known; else they are left open.
        draws: How many loops are tried in each round.

    Raises:
        ValueError: Fewer than two figures, or a standard error that isn't above zero.
    """
    check_seen(seen)
    rng = np.random.default_rng(SEED)  # so that one curl has one answer
    trial = _Trial(seen, source, picture_width_mm)
    first = trial.weighed(_drawn(rng, draws, gap_lines), np.zeros(draws))
    near, ln_chance = _around(first, rng, draws, gap_lines)
    second = trial.weighed(near, ln_chance)
    return _told(second, trial, gap_lines)


def check_seen(seen: SeenCurl) -> None:
    """Refuse what is too little to reckon with.

    Raises:
        ValueError: Fewer than two figures, or a standard error that isn't above zero.
    """
    if seen.count < 2:
        raise ValueError("at least two figures are needed: amplitude and lines to settle, or readings at lines")
    errors = [one.sd for one in (seen.amplitude_mm, seen.settle_lines, seen.overshoot_ratio) if one is not None]
    if seen.displacement_sd_mm is not None:
        errors += [float(sd) for sd in seen.displacement_sd_mm]
    if not all(np.isfinite(sd) and sd > 0 for sd in errors):
        raise ValueError("every figure needs a standard error above zero")


_LOW: Final = np.log((NATURAL_HZ_LOW, DAMPING_LOW, GAIN_LOW))
_HIGH: Final = np.log((NATURAL_HZ_HIGH, DAMPING_HIGH, GAIN_HIGH))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Draws:
    """Loops that were tried: logarithms of natural frequency, damping and gain; gaps; and what came of them."""

    shape_ln: FloatArray
    gap_lines: FloatArray
    ln_seen: FloatArray
    ln_weight: FloatArray
    free_run_mean_hz: FloatArray
    free_run_sd_hz: FloatArray
    kick_us_per_hz: FloatArray
    course_mm_per_hz: FloatArray

    @property
    def weight(self) -> FloatArray:
        if not np.isfinite(self.ln_weight).any():
            return np.full(len(self.ln_weight), 1 / len(self.ln_weight))
        raw = np.exp(self.ln_weight - self.ln_weight.max())
        return np.asarray(raw / raw.sum())


def _drawn(rng: np.random.Generator, count: int, gap_lines: int | None) -> tuple[FloatArray, FloatArray]:
    shape = rng.uniform(_LOW, _HIGH, size=(count, 3))
    gaps = rng.integers(1, GAP_MOST_LINES + 1, size=count) if gap_lines is None else np.full(count, gap_lines)
    return shape, gaps.astype(np.float64)


def _around(
    found: _Draws, rng: np.random.Generator, count: int, gap_lines: int | None
) -> tuple[tuple[FloatArray, FloatArray], FloatArray]:
    """Draws around the likely ones, with some from everywhere, and the log of prior over how they were drawn."""
    weight = found.weight
    mean = weight @ found.shape_ln
    spread = (found.shape_ln - mean).T * weight @ (found.shape_ln - mean) * WIDENED**2
    spread += np.diag((_HIGH - _LOW) ** 2) * 1e-9
    lower = np.linalg.cholesky(spread)
    shape, gaps = _drawn(rng, count, gap_lines)
    near = rng.random(count) >= FROM_PRIOR
    # Student's law with few degrees of freedom, for the likely region is seldom round.
    stretch = np.sqrt(STUDENT_FREEDOM / rng.chisquare(STUDENT_FREEDOM, size=count))
    shape[near] = (mean + (rng.standard_normal((count, 3)) @ lower.T) * stretch[:, None])[near]
    off = np.linalg.solve(lower, (shape - mean).T)
    ln_near = -(STUDENT_FREEDOM + 3) / 2 * np.log1p((off**2).sum(axis=0) / STUDENT_FREEDOM)
    ln_near += _LN_STUDENT - np.log(np.diag(lower)).sum()
    inside = np.all((shape >= _LOW) & (shape <= _HIGH), axis=1)
    ln_prior = np.where(inside, -np.log(_HIGH - _LOW).sum(), -np.inf)
    ln_drawn = np.logaddexp(np.log(1 - FROM_PRIOR) + ln_near, np.log(FROM_PRIOR) + ln_prior)
    return (shape, gaps), ln_prior - ln_drawn


_LN_STUDENT: Final = (
    lgamma((STUDENT_FREEDOM + 3) / 2) - lgamma(STUDENT_FREEDOM / 2) - 3 / 2 * float(np.log(STUDENT_FREEDOM * np.pi))
)
"""Logarithm of what makes Student's law in three dimensions a whole."""


class _Trial:
    """What stays the same while loops are tried."""

    def __init__(self, seen: SeenCurl, source: SyncSource, picture_width_mm: float) -> None:
        self.seen, self.mm = seen, mm_per_rad(source, picture_width_mm)
        self.per_line = 2 if source.interlaced else 1
        self.source = replace(
            source, half_lines=source.half_lines // 2 * 2, vertical="flat", equalising_count=0, starts_mid_line=False
        )

    def weighed(self, drawn: tuple[FloatArray, FloatArray], ln_chance: FloatArray) -> _Draws:
        """Run loops and weigh them; ``ln_chance`` corrects for how they were drawn."""
        shape, gaps = drawn
        count, lines = len(gaps), self.source.visible_count
        natural, damping, gain = np.exp(np.clip(shape, _LOW, _HIGH)).T
        lead = 2 * damping - 1 / gain  # over natural frequency, as is lag below
        possible = (lead > 0) & (lead < gain) & np.isfinite(ln_chance)
        course, kick = np.zeros((count, lines)), np.zeros(count)
        for gap in np.unique(gaps):
            who = np.flatnonzero(possible & (gaps == gap))
            if who.size:
                loops = [loop_of(float(natural[k]), float(damping[k]), float(gain[k]), 1.0) for k in who]
                course[who], kick[who] = self._courses(loops, int(gap))
        course *= self.mm
        ln_seen, mean, sd = self._agreement(course)
        return _Draws(
            shape_ln=shape,
            gap_lines=gaps,
            ln_seen=np.where(possible, ln_seen, -np.inf),
            ln_weight=np.where(possible, ln_seen + ln_chance, -np.inf),
            free_run_mean_hz=mean,
            free_run_sd_hz=sd,
            kick_us_per_hz=kick * self.source.line_us / (2 * np.pi),
            course_mm_per_hz=course,
        )

    def _courses(self, loops: list[AfcParts], gap: int) -> tuple[FloatArray, FloatArray]:
        """Visible phases against the settled ones, and the phase at the gap's end, for 1 Hz of free-running error."""
        source = replace(self.source, vertical_half_lines=2 * gap)
        found = run(loops, source, Detector(), most_frames=2)
        visible = np.flatnonzero(found.visible >= 0)
        phase = found.phase_rad[:, visible]
        tail = phase[:, -max(1, phase.shape[1] // 4) :].mean(axis=1, keepdims=True)
        end = found.phase_rad[:, gap + 1] - tail[:, 0]
        return phase - tail, end

    def _agreement(self, course: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Log likelihood of each loop with its free-running error integrated out, and that error's mean and spread."""
        seen = self.seen
        rows, values, errors = self._rows(course)
        ln_seen = np.zeros(len(course))
        precision = np.full(len(course), FREE_RUN_SD_HZ**-2.0)
        pull = np.zeros(len(course))
        if len(values):
            scaled, wanted = rows / errors, values / errors
            precision = precision + (scaled**2).sum(axis=1)
            pull = scaled @ wanted
            # A linear model with a normal prior: Bishop, Pattern Recognition and Machine Learning, 2006, section 3.5.
            ln_seen += pull**2 / precision / 2 - np.log(precision) / 2 - float(wanted @ wanted) / 2
        settle, swing = settling(course)
        for known, found, least in (
            (seen.settle_lines, settle * self.per_line, SETTLE_SD_RATIO),
            (seen.overshoot_ratio, swing, 0.0),
        ):
            if known is not None:
                floor = least * known.value if least else OVERSHOOT_SD
                ln_seen -= ((found - known.value) / np.hypot(known.sd, floor)) ** 2 / 2
        return ln_seen, pull / precision, precision**-0.5

    def _rows(self, course: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """What the curl should be at the lines that were read, per hertz, with what was read and its error."""
        seen = self.seen
        at, values, errors = [], [], []
        if seen.amplitude_mm is not None:
            at, values, errors = [0.0], [seen.amplitude_mm.value], [seen.amplitude_mm.sd]
        if seen.at_lines is not None and seen.displacement_mm is not None and seen.displacement_sd_mm is not None:
            at += [float(line) for line in seen.at_lines]
            values += [float(value) for value in seen.displacement_mm]
            errors += [float(sd) for sd in seen.displacement_sd_mm]
        last = course.shape[1] - 1
        place = np.clip(np.array(at) / self.per_line, 0, last)
        low = np.minimum(place.astype(np.int64), max(last - 1, 0))
        share = place - low
        rows = course[:, low] * (1 - share) + course[:, np.minimum(low + 1, last)] * share
        return rows, np.array(values), np.array(errors)

    def misses_sd(self, course: FloatArray, free_run_hz: float) -> float:
        """How far one loop misses what was seen, in standard errors, root mean square."""
        rows, values, errors = self._rows(course[None])
        misses = list((rows[0] * free_run_hz - values) / errors)
        settle, swing = settling(course[None])
        if self.seen.settle_lines is not None:
            known = self.seen.settle_lines
            off = float(settle[0]) * self.per_line - known.value
            misses.append(off / np.hypot(known.sd, SETTLE_SD_RATIO * known.value))
        if self.seen.overshoot_ratio is not None:
            known = self.seen.overshoot_ratio
            misses.append((float(swing[0]) - known.value) / np.hypot(known.sd, OVERSHOOT_SD))
        return float(np.sqrt(np.mean(np.square(misses))))


def _told(found: _Draws, trial: _Trial, gap_lines: int | None) -> LoopSeen:
    rng = np.random.default_rng(SEED)
    weight = found.weight
    free = found.free_run_mean_hz + found.free_run_sd_hz * rng.standard_normal(len(weight))
    natural, damping, gain = np.exp(found.shape_ln).T
    untold = [
        name
        for k, name in enumerate(("natural_hz", "damping_ratio", "gain_ratio"))
        if _sd(found.shape_ln[:, k], weight) > UNTOLD_RATIO * (_HIGH[k] - _LOW[k]) / np.sqrt(12)
    ]
    kick = free * found.kick_us_per_hz
    if gap_lines is None and _sd(np.log(found.gap_lines), weight) > UNTOLD_RATIO * float(
        np.std(np.log(np.arange(1, GAP_MOST_LINES + 1)))
    ):
        untold.append("gap_lines")
    free_sd, kick_sd = (_sd(np.log(np.maximum(np.abs(one), 1e-9)), weight) for one in (free, kick))
    best = int(np.argmax(found.ln_seen))
    # One loop alone may be an odd one; the middle of those that remain likely is what they have in common.
    likely = rng.choice(len(weight), size=COURSES, p=weight)
    middle = np.median(found.course_mm_per_hz[likely] * free[likely, None], axis=0)
    return LoopSeen(
        natural_hz=between(natural, weight),
        damping_ratio=between(damping, weight),
        gain_ratio=between(gain, weight),
        free_run_error_hz=between(free, weight),
        gap_lines=between(found.gap_lines, weight),
        kick_us=between(kick, weight),
        untold=tuple(untold),
        bound=kick_sd < BOUND_RATIO * free_sd,
        agreement_sd=trial.misses_sd(found.course_mm_per_hz[best], float(found.free_run_mean_hz[best])),
        effective_count=float(1 / (weight**2).sum()),
        fitted_mm=np.repeat(middle, trial.per_line),
    )


def _sd(values: FloatArray, weight: FloatArray) -> float:
    mean = weight @ values
    return float(np.sqrt(weight @ (values - mean) ** 2))


def between(values: FloatArray, weight: FloatArray) -> Between:
    """Median and middle 80 % of weighted values; the weights, all (n,), sum to 1."""
    order = np.argsort(values)
    share = np.cumsum(weight[order]) - weight[order] / 2
    p10, median, p90 = np.interp((0.1, 0.5, 0.9), share, values[order])
    return Between(median=float(median), p10=float(p10), p90=float(p90))
