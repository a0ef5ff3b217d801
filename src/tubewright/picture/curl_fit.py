"""Laws of curl fitted to the course of the lines: geometry, sway and curl taken apart, every shape weighed.

All lengths are raster pixels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.bars import LineShifts
from tubewright.picture.curl_laws import LAWS, NOTHING, Law
from tubewright.picture.hum import GEOMETRY_SD_RATIO, mains_waves
from tubewright.picture.patterns.raster import Raster

Floats = NDArray[np.float64]

_CURL_SD_RATIO: Final = 0.025
"""Size that a curl has over the picture's width, where there is one. Estimate: 2 % is a failed set-up."""
_SWAY_SD_RATIO: Final = 0.0015
"""The same of a sway. Estimate."""
_SWAY_CHANCE: Final = 0.25
"""Odds of a sway of one kind against none, before looking. Estimate: what bends the top often sways the rest."""
_OTHER_SWAYS: Final = (0.5, 0.57, 0.65, 0.75, 0.87, 1.0, 1.15, 1.3)
"""Periods over the height of sways that the mains doesn't make."""
_BETWEEN_SWAYS: Final = 0.07
"""Half the step between them: how far a sway may be off, relatively."""
_SHORTEST_LINES: Final = 1.0
_LONGEST_SHARE: Final = 0.22
"""Longest decay looked for, over the height: a longer one is a bow to the eye and to the fit."""
_UNEVEN_SD_RATIO: Final = 0.03
"""How far the scale may change over the height. Estimate."""
_SMEAR_SD_RATIO: Final = 0.3
"""How wrong the reckoning of one line's light in the next may be: a spot is no Gaussian. Estimate."""
_FLOOR_PX: Final = 0.003
"""What no photograph gets below, in raster pixels. Estimate."""
_FINE_LINES: Final = 48
_COARSE_LINES: Final = 6
"""From this line on so many are taken together: what is left of a curl there is smooth over as many."""
_GRID: Final = 15
_ZOOMS: Final = 9
_FEW_CELLS: Final = 4
_WORTH_LN: Final = 12.0
"""What lies further below the best in log likelihood weighs nothing (6e-6)."""
_DRAWS: Final = 600


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Explained:
    """Courses drawn from what the lines allow.

    Attributes:
        curl_px: The curl by line from the first visible, (draws, lines).
        likely_px: Their median, (lines,).
        geometry_px: Mean geometry and sway at the lines seen, (n,).
        noise_px: Standard error of each line as the course itself shows it, (n,).
        left_at_top_px: What the mean course leaves at the first lines beyond noise.
        no_curl_chance: Chance that there is none.
    """

    curl_px: Floats
    likely_px: Floats
    geometry_px: Floats
    noise_px: Floats
    left_at_top_px: float
    no_curl_chance: float


def explain(shifts: LineShifts, raster: Raster) -> Explained:
    """Take the course of the lines apart."""
    rng = np.random.default_rng(0)  # for the draws of a posterior, so that one photograph has one answer
    course = _Course(shifts)
    size = _SWAY_SD_RATIO * raster.width_px
    mains = [wave * size for wave in mains_waves(raster, shifts.first + course.line).values()]
    others = [_any_wave(course.line, share * raster.height_px) * size for share in _OTHER_SWAYS]
    # No sway, one wave, or all of the mains' at once.
    sways = [np.zeros((course.line.size, 0)), *mains, *others, np.concatenate(mains, axis=1)]
    # The lines' own standard errors don't hold what the bars have in common: the mask, the camera. So the course is
    # explained once, and what is left, with its run from line to line, tells how much the errors must grow.
    rough = _weighed(course, sways, [law for law in LAWS if law.name != "decays"])
    course = course.with_noise(max(rough, key=lambda f: f.ln_whole))
    kept = _weighed(course, sways, LAWS)
    odds = np.array([f.law.odds_ratio * (_SWAY_CHANCE if f.rest.sways else 1.0) for f in kept])
    whole = np.array([f.ln_whole for f in kept]) + np.log(odds)
    chance = np.exp(whole - whole.max())
    chance /= chance.sum()
    none = float(sum(c for c, f in zip(chance, kept, strict=True) if f.law is NOTHING))
    counts = rng.multinomial(_DRAWS, chance)
    drawn = [f.draws(int(k), rng) for f, k in zip(kept, counts, strict=True) if k]
    curl, geometry = (np.concatenate([d[part] for d in drawn]) for part in (0, 1))
    likely = np.median(curl, axis=0)
    left = course.seen - geometry.mean(axis=0) - course.smear(np.interp(course.at, np.arange(course.lines), likely))
    beyond = max(float(np.mean(left[:3])) ** 2 - float(np.mean(course.sd[:3])) ** 2, 0.0) ** 0.5
    return Explained(
        curl_px=curl,
        likely_px=likely,
        geometry_px=np.interp(shifts.line, course.line, geometry.mean(axis=0)),
        noise_px=np.full(shifts.line.size, float(np.median(course.sd[: _FINE_LINES // 2]))),
        left_at_top_px=beyond,
        no_curl_chance=none,
    )


def _weighed(course: _Course, sways: Sequence[Floats], laws: Sequence[Law]) -> list[_Family]:
    """Every law with every sway, looked at as closely as it may matter."""
    rests = [_Rest(course, sway) for sway in sways]
    families = [_Family(rest, law) for rest in rests for law in laws]
    open_ones, margin = families, 0.0
    while open_ones:
        before = [f.ln_peak for f in open_ones]
        went_on = [f.zoom() for f in open_ones]
        # A zoom takes cells of a third the size, so it is worth about a ninth of the last one; more to a family whose
        # grid lay badly. What lies further below the best than that won't weigh anything.
        gain = max(f.ln_peak - peak for f, peak in zip(open_ones, before, strict=True))
        margin = max(2 * gain, margin / 3)
        least = max(f.ln_peak for f in families) - margin - _WORTH_LN
        open_ones = [f for f, on in zip(open_ones, went_on, strict=True) if on and f.ln_peak >= least]
    return families


def _any_wave(line: Floats, period: float) -> Floats:
    """Cosine and sine of a period, and by how much they change with it, for any period nearby, (n, 4)."""
    turn = 2 * np.pi * line / period
    wave = np.stack([np.cos(turn), np.sin(turn)], axis=1)
    away = np.stack([-np.sin(turn), np.cos(turn)], axis=1) * ((turn - turn.mean()) * _BETWEEN_SWAYS)[:, None]
    return np.concatenate([wave, away], axis=1)


class _Course:
    """What was seen, and how a curl would be seen: with the light of neighbouring lines mixed in.

    The first lines stand singly, those further down are taken together.

    Attributes:
        line: Place of each entry, lines from the first visible, (n,).
        seen: Sideways place, (n,).
        sd: Its standard error, (n,).
        at: Lines at which a law is to be reckoned before ``smear`` makes entries of them, (m,).
        lines: Visible lines.
        geometry: Terms of geometry, scaled to their usual size, (n, terms).
        bends: Terms for what the reckoning of a curl can't know, the same, (n, terms).
        curl_sd_px: Usual size of a curl.
    """

    def __init__(self, shifts: LineShifts, grown: float = 1.0, bends: Floats | None = None) -> None:
        self.shifts = shifts
        self.lines = int(shifts.line[-1]) + 1
        fine = shifts.line < _FINE_LINES
        group = np.where(fine, shifts.line, _FINE_LINES + (shifts.line - _FINE_LINES) // _COARSE_LINES)
        self._group = np.unique(group, return_inverse=True)[1]
        self.line = self.gathered(shifts.line)
        self.seen = self.gathered(shifts.shift_px)
        variance = shifts.shift_sd_px**2 + _FLOOR_PX**2
        self.sd = grown * np.sqrt(self.gathered(variance) / np.bincount(self._group))
        reach = int(np.ceil(3 * shifts.spread_y_px)) if shifts.spread_y_px > 0.15 else 0
        self._taps = np.exp(-0.5 * (np.arange(-reach, reach + 1) / max(shifts.spread_y_px, 0.1)) ** 2)
        self._single = int(fine.sum())
        self._first = min(_FINE_LINES + reach, self.lines)
        self.at = np.concatenate([np.arange(self._first, dtype=np.float64), self.line[self._single :]])
        t = 2 * self.line / (self.lines - 1) - 1
        self.geometry = np.polynomial.legendre.legvander(t, len(GEOMETRY_SD_RATIO) - 1) * (
            np.array(GEOMETRY_SD_RATIO) * shifts.width_px
        )
        self.bends = np.zeros((self.line.size, 0)) if bends is None else bends
        self.curl_sd_px = _CURL_SD_RATIO * shifts.width_px
        self._designs: dict[tuple[str, bytes], _Design] = {}

    def design(self, law: Law, shape: Floats) -> _Design:
        """A law's curls of shapes as seen; kept, for one grid serves every sway."""
        key = law.name, shape.tobytes()
        if key not in self._designs:
            self._designs[key] = _Design(self, law, shape)
        return self._designs[key]

    def gathered(self, by_line_seen: Floats) -> Floats:
        """Means over the lines taken together, (n, ...), of values at the lines seen."""
        count = np.bincount(self._group)
        total = np.zeros((count.size, *by_line_seen.shape[1:]))
        np.add.at(total, self._group, by_line_seen)
        return np.asarray(total / count.reshape(-1, *[1] * (by_line_seen.ndim - 1)))

    def with_noise(self, rough: _Family) -> _Course:
        """The same with errors that hold what a rough explanation left and what it can't know."""
        curl = rough.likeliest_curl()
        seen = self.smear(curl[:, None])[:, 0]
        plain = np.interp(self.line, self.at, curl)
        # A scale that changes down the picture, and a spot that isn't quite Gaussian, bend the course as follows.
        uneven = _UNEVEN_SD_RATIO * seen * self.line / self.lines
        smear = _SMEAR_SD_RATIO * np.where(np.arange(self.line.size) < self._single, seen - plain, 0.0)
        ratio = np.clip(rough.left() / self.sd, -4, 4)  # a law that fails at one place is not noise everywhere
        size = float(np.mean(ratio**2))
        run = float(np.clip(np.mean(ratio[1:] * ratio[:-1]) / size, 0, 0.9))
        # Neighbours that agree count for less: the variance of a mean grows by (1 + run) / (1 - run) (first-order
        # autoregression; Box, Jenkins, Reinsel and Ljung, Time Series Analysis, 5th ed. 2015, section 3.2).
        grown = float(np.sqrt(max(size, 1.0) * (1 + run) / (1 - run)))
        return _Course(self.shifts, grown, np.stack([uneven, smear], axis=1))

    def smear(self, curl: Floats) -> Floats:
        """A curl reckoned ``at`` its lines, (m, ...), as the entries show it, (n, ...)."""
        reach, first = len(self._taps) // 2, self._first
        rows = self.line[: self._single].astype(np.int64)
        if reach == 0:
            return np.concatenate([curl[rows], curl[first:]])
        padded = np.pad(curl[:first], [(reach, reach)] + [(0, 0)] * (curl.ndim - 1))
        shining = np.pad(np.ones(first), reach)
        total, weight = np.zeros_like(curl[:first]), np.zeros(first)
        for k, tap in enumerate(self._taps):
            total += tap * padded[k : k + first]
            weight += tap * shining[k : k + first]
        mixed = total / weight.reshape(-1, *[1] * (curl.ndim - 1))
        return np.concatenate([mixed[rows], curl[first:]])


class _Design:
    """Curls of many shapes as the entries show them, in standard errors.

    Attributes:
        curls: (n, terms, g).
        normal: Their products with one another, (terms, terms, g).
        right: Their products with what was seen, (terms, g).
    """

    def __init__(self, course: _Course, law: Law, shape: Floats) -> None:
        self.curls = course.smear(law.courses(shape, course.at))
        self.curls *= (course.curl_sd_px / course.sd)[:, None, None]
        terms, g = self.curls.shape[1:]
        self.normal = np.empty((terms, terms, g))
        for a in range(terms):
            for b in range(a + 1):
                product = np.einsum("ng,ng->g", self.curls[:, a], self.curls[:, b])
                self.normal[a, b] = self.normal[b, a] = product
        self.right = ((course.seen / course.sd) @ self.curls.reshape(-1, terms * g)).reshape(terms, g)


class _Rest:
    """All but the curl: geometry, one kind of sway and what the reckoning of a curl can't know.

    Attributes:
        fixed: Its terms, scaled to a size of 1 beforehand, (n, k).
        sways: How many of them are of a sway.
        across: The same in standard errors, each at right angles to the ones before it, (k, n).
        seen: What was seen, along them, (k,).
        ln_chance: Log marginal likelihood without any curl.
    """

    def __init__(self, course: _Course, sway: Floats) -> None:
        self.course, self.sways = course, sway.shape[1]
        self.fixed = np.concatenate([course.geometry, sway, course.bends], axis=1)
        fixed, seen = self.fixed / course.sd[:, None], course.seen / course.sd
        lower = np.linalg.cholesky(fixed.T @ fixed + np.eye(fixed.shape[1]))
        self.across = np.linalg.solve(lower, fixed.T)
        self.seen = self.across @ seen
        # Source: Bishop, Pattern Recognition and Machine Learning, 2006, equation 3.86, with known noise.
        self.ln_chance = float(
            0.5 * (self.seen @ self.seen - seen @ seen) - np.log(np.diag(lower)).sum() - np.log(course.sd).sum()
        )

    def weigh(self, design: _Design) -> Floats:
        """Log marginal likelihood with each shape of a curl, (g,): what is seen beside the rest (Schur complement)."""
        n, terms, g = design.curls.shape
        along = (self.across @ design.curls.reshape(n, -1)).reshape(-1, terms, g)
        normal = np.empty((terms, terms, g))
        for a in range(terms):
            for b in range(a + 1):
                product = design.normal[a, b] - np.einsum("kg,kg->g", along[:, a], along[:, b])
                normal[a, b] = normal[b, a] = product + (a == b)
        right = design.right - (self.seen @ along.reshape(-1, terms * g)).reshape(terms, g)
        if terms == 1:
            return np.asarray(self.ln_chance + 0.5 * right[0] ** 2 / normal[0, 0] - 0.5 * np.log(normal[0, 0]))
        # The first term taken off the second: the square root of the two, by hand.
        share = normal[0, 1] / normal[0, 0]
        second, beyond = normal[1, 1] - share * normal[0, 1], right[1] - share * right[0]
        explained = right[0] ** 2 / normal[0, 0] + beyond**2 / second
        return np.asarray(self.ln_chance + 0.5 * explained - 0.5 * np.log(normal[0, 0] * second))


class _Family:
    """One law with one sway: a grid over its shape numbers, everything else solved on the way."""

    def __init__(self, rest: _Rest, law: Law) -> None:
        self.course, self.rest, self.law = rest.course, rest, law
        self._fixed = rest.fixed
        low, high = np.array(law.low_ratio), np.array(law.high_ratio)
        if low.size:
            low[0] = np.log(_SHORTEST_LINES)
            high[0] = np.log(_LONGEST_SHARE * self.course.lines)
        self._low, self._high, self._volume = low, high, float(np.prod(high - low))
        self._zooms = 0
        self._look()

    def _look(self) -> None:
        self.shape, cell = self._grid(self._low, self._high)
        if self._low.size:
            self.ln_each = self.rest.weigh(self.course.design(self.law, self.shape))
        else:
            self.ln_each = np.array([self.rest.ln_chance])
        self.ln_peak = float(self.ln_each.max())
        share = cell / self._volume if self._low.size else 1.0
        self.ln_whole = self.ln_peak + float(np.log(np.exp(self.ln_each - self.ln_peak).sum() * share))

    def zoom(self) -> bool:
        """Look closer where the likelihood is sharper than the grid; whether there was need."""
        low, high, shape, ln_each = self._low, self._high, self.shape, self.ln_each
        if not low.size or self._zooms + 1 == _ZOOMS:
            return False
        # The best few cells show where.
        few = np.partition(ln_each, -_FEW_CELLS * low.size)[-_FEW_CELLS * low.size]
        near = shape[ln_each >= min(few, ln_each.max() - _WORTH_LN)]
        step = (high - low) / _GRID
        new_low, new_high = np.maximum(near.min(axis=0) - step, low), np.minimum(near.max(axis=0) + step, high)
        if np.all(new_high - new_low > 0.8 * (high - low)):
            return False
        self._low, self._high = new_low, new_high
        self._zooms += 1
        self._look()
        return True

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
        seen = course.seen / course.sd
        k = fixed.shape[1]
        if self.law is NOTHING:
            return (fixed.T @ fixed + np.eye(k))[None], (fixed.T @ seen)[None]
        design = _Design(course, self.law, shape)
        terms, g = design.right.shape
        normal = np.empty((g, k + terms, k + terms))
        normal[:, :k, :k] = fixed.T @ fixed
        normal[:, :k, k:] = np.tensordot(fixed, design.curls, axes=(0, 0)).transpose(2, 0, 1)
        normal[:, k:, :k] = normal[:, :k, k:].transpose(0, 2, 1)
        normal[:, k:, k:] = design.normal.transpose(2, 0, 1)
        right = np.concatenate([np.tile(fixed.T @ seen, (g, 1)), design.right.T], axis=1)
        return normal + np.eye(k + terms), right

    def _likeliest(self) -> tuple[Floats, Floats]:
        at = self.shape[[int(np.argmax(self.ln_each))]]
        normal, right = self._designs(at)
        return at, np.asarray(np.linalg.solve(normal, right[..., None])[0, :, 0], dtype=np.float64)

    def likeliest_curl(self) -> Floats:
        """The likeliest curl at the course's ``at``, (m,)."""
        if self.law is NOTHING:
            return np.zeros(self.course.at.size)
        at, best = self._likeliest()
        courses = self.law.courses(at, self.course.at)[..., 0]
        return np.asarray(courses @ best[self._fixed.shape[1] :] * self.course.curl_sd_px)

    def left(self) -> Floats:
        """What the likeliest shape leaves of each entry, (n,)."""
        best = self._likeliest()[1]
        explained = self._fixed @ best[: self._fixed.shape[1]]
        return self.course.seen - explained - self.course.smear(self.likeliest_curl()[:, None])[:, 0]

    def draws(self, count: int, rng: np.random.Generator) -> tuple[Floats, Floats]:
        """Curls by line, (count, lines), and geometry with sway at the entries, (count, n)."""
        chance = np.exp(self.ln_each - self.ln_peak)
        at = self.shape[rng.choice(len(chance), size=count, p=chance / chance.sum())]
        normal, right = self._designs(at)
        lower = np.asarray(np.linalg.cholesky(normal))
        if self.law is NOTHING:
            lower, right = np.repeat(lower, count, axis=0), np.repeat(right, count, axis=0)
        best = np.linalg.solve(lower @ lower.transpose(0, 2, 1), right[..., None])[..., 0]
        scatter = np.linalg.solve(lower.transpose(0, 2, 1), rng.standard_normal((*right.shape, 1)))[..., 0]
        drawn = best + scatter
        k = self._fixed.shape[1]
        curl = np.zeros((count, self.course.lines))
        if self.law is not NOTHING:
            courses = self.law.courses(at, np.arange(self.course.lines, dtype=np.float64))
            curl = np.asarray((courses * drawn[:, k:].T).sum(axis=1).T * self.course.curl_sd_px)
        geometry = np.asarray(drawn[:, :k] @ self._fixed.T, dtype=np.float64)
        return curl, geometry
