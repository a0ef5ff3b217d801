"""Top curl: how far the first lines lie to the side, how soon they settle, whether they swing past.

The course of the lines is taken apart into geometry (a smooth polynomial whose
terms have the size that bows have), a possible sway by the mains, and a curl by
one of three laws: nothing, a damped wave, two decays. A decay is either of the
last two at its edge. Each law's figures are weighted by how well it explains the
course (its marginal likelihood), so the spread holds what the choice of law adds.

Why these laws: what is left of a phase step in a line oscillator's loop of second
order is a damped wave or, overdamped, two decays (Gardner, Phaselock Techniques,
3rd ed. 2005, chapter 2); a loop of first order leaves one.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.bars import LineShifts
from tubewright.picture.hum import GEOMETRY_SD_RATIO, mains_waves
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.results import Figure, LineProfile, TopCurl, Unsupported

Floats = NDArray[np.float64]

SETTLED_RATIO: Final = 0.05
"""A line has settled when it stays within this share of the amplitude."""
_CURL_SD_RATIO: Final = 0.025
"""Size that a curl has over the picture's width, where there is one. Estimate: 2 % is a failed set-up."""
_SWAY_SD_RATIO: Final = 0.005
"""The same of a sway. Estimate."""
_SWAY_CHANCE: Final = 0.05
"""Odds of a sway of one kind against none, before looking. Estimate."""
_SHORTEST_LINES: Final = 1.0
_LONGEST_SHARE: Final = 0.22
"""Longest decay looked for, over the height: a longer one is a bow to the eye and to the fit."""
_STRETCH_SD_RATIO: Final = 0.015
"""How far the scale at the top may differ from the middle's: lens and glass, which a plane does not follow.
Estimate."""
_UNEVEN_SD_RATIO: Final = 0.03
"""How far the scale may change over the height. Estimate."""
_SMEAR_SD_RATIO: Final = 0.3
"""How wrong the reckoning of one line's light in the next may be: a spot is no Gaussian. Estimate."""
_FLOOR_PX: Final = 0.003
"""What no photograph gets below, in raster pixels. Estimate."""
_GRID: Final = 15
_ZOOMS: Final = 9
_FEW_CELLS: Final = 4
_WORTH_LN: Final = 12.0
"""What lies further below the best in log likelihood weighs nothing (6e-6)."""
_DRAWS: Final = 600
_NO_CURL_CHANCE: Final = 0.05
"""Chance of there being no curl above which none is reported."""


def measure_top_curl(shifts: LineShifts | None, raster: Raster, mm_per_px_x: Figure | None) -> TopCurl:
    """The curl at the top of a picture.

    Args:
        shifts: What every line does, of one photograph; ``None`` where the bars could not be followed.
        raster: The raster.
        mm_per_px_x: Millimetres on the picture per raster pixel in its middle; ``None`` where there is no scale.
    """
    if shifts is None:
        return _nothing(
            Unsupported(
                reason="the white bars can't be followed over most of the height",
                would_settle="a photograph with the whole picture in view, sharp and free of reflections",
            )
        )
    if mm_per_px_x is None:
        return _nothing(
            Unsupported(
                reason="nothing in the photograph gives a scale in millimetres",
                would_settle="the printed tags beside the picture, or its size measured with a ruler",
            )
        )
    draws = _explain(shifts, raster)
    scale = mm_per_px_x.value
    profile = LineProfile(
        line=shifts.line,
        displacement_mm=(shifts.shift_px - draws.geometry_px) * scale,
        sd_mm=draws.noise_px * scale,
        fitted_mm=draws.curl_px.mean(axis=0)[shifts.line.astype(np.int64)] * scale,
    )
    at_top = draws.curl_px[:, 0]
    value = float(at_top.mean()) * scale
    # What the law leaves at the first lines counts as its error there; so does what the rough fit of noise allows.
    sd = float(np.hypot(np.hypot(at_top.std(), draws.left_at_top_px) * scale, value / scale * mm_per_px_x.sd))
    sd = float(np.hypot(sd, _STRETCH_SD_RATIO * value))
    if draws.no_curl_chance > _NO_CURL_CHANCE or abs(value) < 3 * sd:
        none = Unsupported(
            reason="no curl stands out from the geometry and the noise, so there is nothing that settles",
            would_settle="nothing, if the top looks straight; else a sharper photograph",
        )
        if sd > 0.3 * mm_per_px_x.value * raster.width_px * 0.01 and sd > 0.5:
            amplitude: Figure | Unsupported = _like_a_bow()
        else:
            amplitude = Figure(value=value, sd=sd)
        return TopCurl(amplitude_mm=amplitude, settle_lines=none, overshoot_ratio=none, profile=profile)
    if sd > 0.3 * abs(value):
        return TopCurl(
            amplitude_mm=_like_a_bow(), settle_lines=_like_a_bow(), overshoot_ratio=_like_a_bow(), profile=profile
        )
    settle, swing = _settling(draws.curl_px)
    return TopCurl(
        amplitude_mm=Figure(value=value, sd=sd),
        settle_lines=_figure_of(settle),
        overshoot_ratio=_figure_of(swing),
        profile=profile,
    )


def _nothing(why: Unsupported) -> TopCurl:
    return TopCurl(amplitude_mm=why, settle_lines=why, overshoot_ratio=why, profile=None)


def _like_a_bow() -> Unsupported:
    return Unsupported(
        reason="the bend at the top is so long that it can't be told from a bow of the whole picture",
        would_settle="a photograph with another source of picture: a bow stays, a curl changes with the field sync",
    )


def _figure_of(values: Floats) -> Figure:
    """Median of draws, which a few of another law don't move, and their standard deviation."""
    return Figure(value=float(np.median(values)), sd=float(values.std()))


def _settling(curl: Floats) -> tuple[Floats, Floats]:
    """Lines until each course, (draws, lines), has settled, and its largest swing to the other side."""
    relative = curl / curl[:, :1]
    away = np.abs(relative) > SETTLED_RATIO
    lines = curl.shape[1]
    last = lines - 1 - np.argmax(away[:, ::-1], axis=1)
    after = np.minimum(last + 1, lines - 1)
    row = np.arange(len(curl))
    here, there = np.abs(relative[row, last]), np.abs(relative[row, after])
    crossed = np.where(after > last, (here - SETTLED_RATIO) / np.maximum(here - there, 1e-9), 0.0)
    return last + np.clip(crossed, 0, 1), np.maximum(-relative.min(axis=1), 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Explained:
    """Courses drawn from what the lines allow.

    Attributes:
        curl_px: The curl by line from the first visible, (draws, lines).
        geometry_px: Mean geometry and sway at the lines seen, (n,).
        noise_px: Standard error of each line as the course itself shows it, (n,).
        left_at_top_px: What the mean course leaves at the first lines beyond noise.
        no_curl_chance: Chance that there is none.
    """

    curl_px: Floats
    geometry_px: Floats
    noise_px: Floats
    left_at_top_px: float
    no_curl_chance: float


def _explain(shifts: LineShifts, raster: Raster) -> _Explained:
    rng = np.random.default_rng(0)  # for the draws of a posterior, so that one photograph has one answer
    course = _Course(shifts)
    fixed = [np.zeros((shifts.line.size, 0))]
    waves = mains_waves(raster, shifts.first + shifts.line)
    fixed += [wave * (_SWAY_SD_RATIO * raster.width_px) for wave in waves.values()]
    # The lines' own standard errors don't hold what the bars have in common: the mask, the camera. So the course is
    # explained once, and what is left, with its run from line to line, tells how much the errors must grow.
    rough = [_Family(course, sway, law, zooms=_ZOOMS) for sway in fixed for law in _LAWS]
    course = course.with_noise(max((f for f in rough if f.law.name != "decays"), key=lambda f: f.ln_whole))
    kept = [_Family(course, sway, law, zooms=_ZOOMS) for sway in fixed for law in _LAWS]
    whole = np.array([f.ln_whole + np.log(f.law.odds * (_SWAY_CHANCE if f.sway.shape[1] else 1.0)) for f in kept])
    chance = np.exp(whole - whole.max())
    chance /= chance.sum()
    none = float(sum(c for c, f in zip(chance, kept, strict=True) if f.law is _nothing_law))
    counts = rng.multinomial(_DRAWS, chance)
    curls, geometries = zip(
        *(f.draws(int(k), rng) for f, k in zip(kept, counts, strict=True) if k),
        strict=True,
    )
    curl, geometry = np.concatenate(curls), np.concatenate(geometries).mean(axis=0)
    smeared = course.smear(curl.mean(axis=0)[:, None])[:, 0]
    left = (shifts.shift_px - geometry - smeared)[:3]
    noise = course.sd[:3]
    beyond = max(float(np.mean(left)) ** 2 - float(np.mean(noise)) ** 2, 0.0) ** 0.5
    return _Explained(
        curl_px=curl, geometry_px=geometry, noise_px=course.sd, left_at_top_px=beyond, no_curl_chance=none
    )


class _Course:
    """What was seen, and how a curl would be seen: with the light of neighbouring lines mixed in."""

    def __init__(self, shifts: LineShifts, sd: Floats | None = None, bends: Floats | None = None) -> None:
        self.shifts = shifts
        self.sd = shifts.shift_sd_px if sd is None else sd
        self.rows = shifts.line.astype(np.int64)
        self.lines = int(self.rows[-1]) + 1
        width = shifts.width_px
        degree = len(GEOMETRY_SD_RATIO) - 1
        t = 2 * shifts.line / (self.lines - 1) - 1
        self.geometry = np.polynomial.legendre.legvander(t, degree) * (np.array(GEOMETRY_SD_RATIO) * width)
        self.bends = np.zeros((shifts.line.size, 0)) if bends is None else bends
        self.curl_sd_px = _CURL_SD_RATIO * width
        reach = int(np.ceil(3 * shifts.spread_y_px)) if shifts.spread_y_px > 0.15 else 0
        self._taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / max(shifts.spread_y_px, 0.1)) ** 2)

    def with_noise(self, rough: _Family) -> _Course:
        """The same with errors that hold what a rough explanation left and what it can't know."""
        curl = rough.likeliest_curl()
        seen = self.smear(curl[:, None])[:, 0]
        known = np.hypot(self.shifts.shift_sd_px, _FLOOR_PX)
        # A scale that changes down the picture, and a spot that isn't quite Gaussian, bend the course as follows.
        uneven = _UNEVEN_SD_RATIO * seen * self.shifts.line / self.lines
        smear = _SMEAR_SD_RATIO * (seen - curl[self.rows])
        ratio = np.clip(rough.left() / known, -4, 4)  # a law that fails at one place is not noise everywhere
        size = float(np.mean(ratio**2))
        run = float(np.clip(np.mean(ratio[1:] * ratio[:-1]) / size, 0, 0.9))
        # Neighbours that agree count for less: the variance of a mean grows by (1 + run) / (1 - run) (first-order
        # autoregression; Box, Jenkins, Reinsel and Ljung, Time Series Analysis, 5th ed. 2015, section 3.2).
        sd = known * np.sqrt(max(size, 1.0) * (1 + run) / (1 - run))
        return _Course(self.shifts, sd, np.stack([uneven, smear], axis=1))

    def smear(self, by_line: Floats) -> Floats:
        """A course by line from the first visible, (lines, ...), as it is seen at the lines seen, (n, ...)."""
        reach = len(self._taps) // 2
        if reach == 0:
            return by_line[self.rows]
        padded = np.pad(by_line, [(reach, reach)] + [(0, 0)] * (by_line.ndim - 1))
        shining = np.pad(np.ones(self.lines), reach)
        total, weight = np.zeros_like(by_line), np.zeros(self.lines)
        for k, tap in enumerate(self._taps):
            total += tap * padded[k : k + self.lines]
            weight += tap * shining[k : k + self.lines]
        return np.asarray((total / weight.reshape(-1, *[1] * (by_line.ndim - 1)))[self.rows])


@dataclass(frozen=True, slots=True, kw_only=True)
class _Law:
    """A law of curl: two shape numbers, and the odds of it.

    Attributes:
        low: Lower ends of the shape numbers.
        high: Upper ends. Of the decay's length both are set when the number of lines is known.
        odds: Odds against the other laws before looking.
    """

    name: str
    low: tuple[float, ...]
    high: tuple[float, ...]
    odds: float = 1.0

    def courses(self, shape: Floats, lines: int) -> Floats:
        """Courses by line of shapes (g, shape numbers): (lines, g, terms), 1 or 0 at the first line."""
        n = np.arange(lines)[:, None]
        slow = np.exp(-n / np.exp(shape[:, 0]))
        if self.name == "decay":
            return slow[..., None]
        if self.name == "wave":
            turn = n * shape[:, 1] / np.exp(shape[:, 0])
            return np.stack([slow * np.cos(turn), slow * np.sin(turn)], axis=-1)
        return np.stack([slow, np.exp(-n / np.exp(shape[:, 0] - shape[:, 1]))], axis=-1)


_nothing_law: Final = _Law(name="nothing", low=(), high=())
# Shape numbers: the decay's length in lines (as logarithm: any order of size is as likely), and the turn within one
# such length in radians (0 critical, 1 the well-damped 0.7, 6 rings for long) or the logarithm of slow over fast
# (overdamped: the less likely, for loops are made to be quick; the odds are an estimate).
_LAWS: Final = (
    _nothing_law,
    _Law(name="decay", low=(0.0,), high=(0.0,)),
    _Law(name="wave", low=(0.0, 0.05), high=(0.0, 6.0)),
    _Law(name="decays", low=(0.0, 0.15), high=(0.0, 1.2), odds=0.25),
)


class _Family:
    """One law with one sway: a grid over its shape numbers, everything else solved on the way."""

    def __init__(self, course: _Course, sway: Floats, law: _Law, *, zooms: int) -> None:
        self.course, self.sway, self.law = course, sway, law
        self._fixed = np.concatenate([course.geometry, sway, course.bends], axis=1)
        low = np.array(law.low)
        high = np.array(law.high)
        if low.size:
            low[0] = np.log(_SHORTEST_LINES)
            high[0] = np.log(_LONGEST_SHARE * course.lines)
        volume = float(np.prod(high - low))
        for zoom in range(zooms):
            shape, cell = self._grid(low, high)
            ln_each = self._weigh(shape)
            if zoom + 1 == zooms or not low.size:
                break
            # Where the likelihood is sharper than the grid, its best few cells show where to look closer.
            few = np.partition(ln_each, -_FEW_CELLS * low.size)[-_FEW_CELLS * low.size]
            near = shape[ln_each >= min(few, ln_each.max() - _WORTH_LN)]
            step = (high - low) / _GRID
            new_low, new_high = np.maximum(near.min(axis=0) - step, low), np.minimum(near.max(axis=0) + step, high)
            if np.all(new_high - new_low > 0.8 * (high - low)):
                break
            low, high = new_low, new_high
        self.shape = shape
        self.ln_each = ln_each
        self.ln_peak = float(ln_each.max())
        share = cell / volume if low.size else 1.0
        self.ln_whole = self.ln_peak + float(np.log(np.exp(ln_each - self.ln_peak).sum() * share))

    @staticmethod
    def _grid(low: Floats, high: Floats) -> tuple[Floats, float]:
        """Middles of the cells of an even grid, (g, shape numbers), and the size of a cell."""
        if not low.size:
            return np.zeros((1, 0)), 1.0
        sides = [a + (np.arange(_GRID) + 0.5) * (b - a) / _GRID for a, b in zip(low, high, strict=True)]
        grid = np.stack([g.ravel() for g in np.meshgrid(*sides, indexing="ij")], axis=1)
        return grid, float(np.prod((high - low) / _GRID))

    def _designs(self, shape: Floats) -> tuple[Floats, Floats]:
        """Normal matrices, (g, k, k), and right-hand sides, (g, k), all terms scaled to a size of 1 beforehand."""
        course = self.course
        fixed = self._fixed / course.sd[:, None]
        seen = course.shifts.shift_px / course.sd
        k = fixed.shape[1]
        if self.law is _nothing_law:
            return (fixed.T @ fixed + np.eye(k))[None], (fixed.T @ seen)[None]
        curls = course.smear(self.law.courses(shape, course.lines)) * course.curl_sd_px / course.sd[:, None, None]
        g, terms = curls.shape[1:]
        normal = np.empty((g, k + terms, k + terms))
        normal[:, :k, :k] = fixed.T @ fixed
        normal[:, :k, k:] = np.tensordot(fixed, curls, axes=(0, 0)).transpose(1, 0, 2)
        normal[:, k:, :k] = normal[:, :k, k:].transpose(0, 2, 1)
        normal[:, k:, k:] = np.einsum("nga,ngb->gab", curls, curls)
        right = np.concatenate([np.tile(fixed.T @ seen, (g, 1)), np.tensordot(seen, curls, axes=(0, 0))], axis=1)
        return normal + np.eye(k + terms), right

    def _weigh(self, shape: Floats) -> Floats:
        """Log marginal likelihood of each shape.

        Source: Bishop, Pattern Recognition and Machine Learning, 2006, equation 3.86, with known noise.
        """
        normal, right = self._designs(shape)
        best = np.linalg.solve(normal, right[..., None])[..., 0]
        seen = self.course.shifts.shift_px / self.course.sd
        return np.asarray(
            0.5 * (right * best).sum(axis=1)
            - 0.5 * np.linalg.slogdet(normal)[1]
            - 0.5 * seen @ seen
            - np.log(self.course.sd).sum()
        )

    def _likeliest(self) -> tuple[Floats, Floats]:
        at = self.shape[[int(np.argmax(self.ln_each))]]
        normal, right = self._designs(at)
        return at, np.asarray(np.linalg.solve(normal, right[..., None])[0, :, 0], dtype=np.float64)

    def likeliest_curl(self) -> Floats:
        """The likeliest curl by line from the first visible, (lines,)."""
        if self.law is _nothing_law:
            return np.zeros(self.course.lines)
        at, best = self._likeliest()
        courses = self.law.courses(at, self.course.lines)[:, 0]
        return np.asarray(courses @ best[self._fixed.shape[1] :] * self.course.curl_sd_px)

    def left(self) -> Floats:
        """What the likeliest shape leaves at the lines seen, (n,)."""
        best = self._likeliest()[1]
        explained = self._fixed @ best[: self._fixed.shape[1]]
        return self.course.shifts.shift_px - explained - self.course.smear(self.likeliest_curl()[:, None])[:, 0]

    def draws(self, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Curls by line, (count, lines), and geometry with sway at the lines seen, (count, n)."""
        chance = np.exp(self.ln_each - self.ln_peak)
        at = self.shape[rng.choice(len(chance), size=count, p=chance / chance.sum())]
        normal, right = self._designs(at)
        lower = np.asarray(np.linalg.cholesky(normal))
        if self.law is _nothing_law:
            lower, right = np.repeat(lower, count, axis=0), np.repeat(right, count, axis=0)
        best = np.linalg.solve(lower @ lower.transpose(0, 2, 1), right[..., None])[..., 0]
        scatter = np.linalg.solve(lower.transpose(0, 2, 1), rng.standard_normal((*right.shape, 1)))[..., 0]
        drawn = best + scatter
        k = self._fixed.shape[1]
        curl = np.zeros((count, self.course.lines))
        if self.law is not _nothing_law:
            courses = self.law.courses(at, self.course.lines)
            curl = np.asarray(np.einsum("lga,ga->gl", courses, drawn[:, k:]) * self.course.curl_sd_px)
        geometry = np.asarray(drawn[:, :k] @ self._fixed.T, dtype=np.float64)
        return curl, geometry
