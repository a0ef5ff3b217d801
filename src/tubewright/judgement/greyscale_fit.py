"""A display's three guns, fitted to readings of its greys: light over video level, gun by gun.

The light of a gun is ``F * a * ((1 + q) / (1 + q a^n))^(1/n)`` with
``a = ((d - b) / (1 - b))^gamma``: a power law that begins at the level ``b`` and may fall
behind at the top, as a cathode that nears its limit does. The three lights and the
phosphors' chromaticities make X, Y and Z of each reading; all are fitted at once.

What the readings can't tell is given a prior and comes out as spread: above all the
chromaticities, where the primaries were not measured.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final, Literal, TypeAlias

import numpy as np
from numpy.typing import NDArray

from tubewright.physics.colour import TYPICAL_PRIMARIES_XY, xyz_from_xy

Array: TypeAlias = NDArray[np.float64]
Shown: TypeAlias = Literal["white", "red", "green", "blue", "off"]

SHOWN: Final[tuple[Shown, ...]] = ("white", "red", "green", "blue", "off")
"""What a reading may be of; "off" is the screen with the set switched off."""

NOISE_RATIO: Final = 0.005
FLOOR_CD_M2: Final = 0.01
LAW_RATIO: Final = 0.01
USUAL_GAMMA: Final = 2.4
GAMMA_LN_SD: Final = 0.15
USUAL_BLACK: Final = 0.03
BLACK_SD: Final = 0.12
BEND_LN_SD: Final = 0.3
FULL_LN_SD: Final = 5.0
KNEE_EXPONENT: Final = 2.0
PHOSPHOR_XY_SD: Final = 0.015
SAME_GAMMA_LN_SD: Final = 0.01
SAME_BEND_LN_SD: Final = 0.05
SAME_PHOSPHOR_XY_SD: Final = 0.002

_TINY: Final = 1e-12
_RUNS: Final = 300


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyReading:
    """One reading of a colorimeter.

    Attributes:
        shown: What the screen showed.
        level_ratio: Video level, 0 for black and 1 for full.
        place_xy: Chromaticity, CIE 1931.
        luminance_cd_m2: Luminance.
        minutes: Since the set was switched on, if written down.
        where: Where it stands in what was handed in, for messages.
    """

    shown: Shown
    level_ratio: float
    place_xy: tuple[float, float]
    luminance_cd_m2: float
    minutes: float | None = None
    where: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Hint:
    """What an earlier fit of the same tube knows: exponents and phosphors don't turn with a control, bends little."""

    gamma_ratio: Array
    bend_ln: Array
    bend_ln_sd: Array
    primaries_xy: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GreyFit:
    """Three guns' laws; arrays over the guns red, green, blue, and equally likely draws of the same.

    Attributes:
        full_cd_m2: Light of each gun at full level, ``(3,)``.
        black_ratio: Level at which its light begins, ``(3,)``; below 0 where level 0 still glows.
        gamma_ratio: Exponent above it, ``(3,)``.
        bend_ln: Logarithm of asked-for over given light at full level, ``(3,)``; about 0 is straight.
        primaries_xy: Chromaticities of the phosphors, ``(3, 2)``.
        draws: The same as ``(draws, 18)``: logarithm of full, black, logarithm of gamma, bend, primaries.
        misfit_ratio: Root mean square of what is left over what was expected; about 1 where the laws hold.
        relative: True where the scale of light is arbitrary: from photographs.
    """

    full_cd_m2: Array
    black_ratio: Array
    gamma_ratio: Array
    bend_ln: Array
    primaries_xy: Array
    draws: Array
    misfit_ratio: float
    relative: bool = False

    def light(self, level_ratio: Array) -> Array:
        """Light of each gun at each level, cd/m2, ``(levels, 3)``."""
        return light_of(self.parameters, level_ratio)

    def drawn_light(self, level_ratio: Array) -> Array:
        """The same for each draw, ``(draws, levels, 3)``."""
        return light_of(self.draws, level_ratio)

    @property
    def parameters(self) -> Array:
        """The middle of the fit in the layout of one draw, ``(18,)``."""
        return packed(self.full_cd_m2, self.black_ratio, self.gamma_ratio, self.bend_ln, self.primaries_xy)

    def sd(self, row: int) -> Array:
        """Standard deviation of a row of parameters: 0 full (its logarithm), 1 black, 2 gamma (logarithm), 3 bend."""
        result: Array = self.draws[:, 3 * row : 3 * row + 3].std(axis=0)
        return result


def packed(full: Array, black: Array, gamma: Array, bend: Array, primaries_xy: Array) -> Array:
    """The parameters of three guns in one row, ``(18,)``."""
    parts = [np.log(full), black, np.log(gamma), bend, np.asarray(primaries_xy).ravel()]
    return np.concatenate([np.asarray(part, dtype=np.float64) for part in parts])


def light_of(parameters: Array, level_ratio: Array) -> Array:
    """Light of three guns, ``(..., levels, 3)``, from parameters ``(..., 18)`` and levels ``(levels,)``."""
    ln_full, black, ln_gamma, bend = (parameters[..., None, 3 * k : 3 * k + 3] for k in range(4))
    return given_light(np.exp(ln_full), _asked(level_ratio, black, np.exp(ln_gamma)), bend)


def _asked(level_ratio: Array, black: Array, gamma: Array) -> Array:
    level = np.asarray(level_ratio, dtype=np.float64)[:, None]
    above = np.maximum(level - black, 0.0) / np.maximum(1 - black, _TINY)
    result: Array = above**gamma
    return result


def given_light(full: Array, asked: Array, bend: Array) -> Array:
    """What is given of what is asked (1 at full level), where a gun gives ``full`` at 1 and bends by ``bend``."""
    q = np.maximum(np.expm1(KNEE_EXPONENT * bend), -0.9)
    result: Array = full * asked * ((1 + q) / (1 + q * asked**KNEE_EXPONENT)) ** (1 / KNEE_EXPONENT)
    return result


def phosphor_matrix(primaries_xy: Array) -> Array:
    """X, Y, Z of each phosphor at 1 cd/m2: ``(..., 3, 3)``, rows X, Y, Z, columns the guns."""
    return np.swapaxes(xyz_from_xy(primaries_xy), -1, -2)


def reading_xyz(readings: Sequence[GreyReading]) -> Array:
    """X, Y, Z of each reading, ``(n, 3)``, in cd/m2."""
    places = np.array([one.place_xy for one in readings]).reshape(-1, 2)
    return xyz_from_xy(places, np.array([one.luminance_cd_m2 for one in readings]))


def noise_xyz(xyz: Array) -> Array:
    """Repeatability of an instrument at each X, Y, Z, as a standard deviation."""
    result: Array = np.hypot(NOISE_RATIO * xyz, FLOOR_CD_M2)
    return result


def gun_lights(xyz: Array, primaries_xy: Array = TYPICAL_PRIMARIES_XY) -> Array:
    """Light of each gun that makes up each X, Y, Z, ``(n, 3)``; roughly, where the phosphors are assumed."""
    return np.asarray(np.linalg.solve(phosphor_matrix(primaries_xy), xyz[..., None])[..., 0], dtype=np.float64)


@dataclass(slots=True, eq=False)
class _Problem:
    """Readings and priors as one list of equations."""

    level: Array
    guns: Array
    xyz: Array
    prior: Array
    prior_sd: Array
    sd: Array = field(init=False)

    def __post_init__(self) -> None:
        self.sd = np.hypot(noise_xyz(self.xyz), LAW_RATIO * self.xyz)

    def residual(self, p: Array) -> Array:
        light = light_of(p, self.level) * self.guns
        made = light @ phosphor_matrix(p[12:].reshape(3, 2)).T
        return np.concatenate([((made - self.xyz) / self.sd).ravel(), (p - self.prior) / self.prior_sd])

    def slope(self, p: Array, r: Array) -> Array:
        step = 1e-6
        return np.stack([(self.residual(p + step * unit) - r) / step for unit in np.eye(len(p))], axis=1)


def fit_greys(
    readings: Sequence[GreyReading],
    *,
    primaries_xy: Array = TYPICAL_PRIMARIES_XY,
    hint: Hint | None = None,
    seed: int = 1,
) -> GreyFit:
    """Fit three guns to readings of white steps, and of the primaries where they were read.

    Args:
        readings: White steps and primaries; a reading of the screen switched off is taken
            from all the others as light of the room.
        primaries_xy: Phosphors to begin from, ``(3, 2)``, good to about 0.015.
        hint: What an earlier fit of this tube knows.
        seed: Of the draws.

    Returns:
        The fit; whether there were readings enough is the caller's question.
    """
    used = [one for one in readings if one.shown != "off"]
    problem = _Problem(
        level=np.array([one.level_ratio for one in used]),
        guns=np.array([_guns_lit(one.shown) for one in used]),
        xyz=reading_xyz(used) - room_xyz(readings),
        prior=_prior(hint, primaries_xy),
        prior_sd=_prior_sd(hint),
    )
    p = _search(problem, _start(problem))
    rows = problem.slope(p, problem.residual(p))
    freedom = max(3 * len(used) - 12, 1)
    misfit = float(np.sqrt(np.sum(problem.residual(p)[: 3 * len(used)] ** 2) / freedom))
    covariance = np.linalg.pinv(rows.T @ rows) * max(misfit, 1.0) ** 2
    rng = np.random.default_rng(seed)
    draws = rng.multivariate_normal(p, covariance, size=_RUNS, method="eigh")
    return GreyFit(
        full_cd_m2=np.exp(p[0:3]),
        black_ratio=p[3:6],
        gamma_ratio=np.exp(p[6:9]),
        bend_ln=p[9:12],
        primaries_xy=p[12:].reshape(3, 2),
        draws=draws,
        misfit_ratio=misfit,
    )


def room_xyz(readings: Sequence[GreyReading]) -> Array:
    """Light of the room: the mean of the readings with the set off, 0 where there is none, ``(3,)``."""
    off = [one for one in readings if one.shown == "off"]
    return reading_xyz(off).mean(axis=0) if off else np.zeros(3)


def _guns_lit(shown: Shown) -> list[float]:
    return [1.0] * 3 if shown == "white" else [float(shown == gun) for gun in ("red", "green", "blue")]


def _prior(hint: Hint | None, primaries_xy: Array) -> Array:
    gamma = np.full(3, USUAL_GAMMA) if hint is None else hint.gamma_ratio
    places = primaries_xy if hint is None else hint.primaries_xy
    bend = np.zeros(3) if hint is None else hint.bend_ln
    return packed(np.ones(3), np.full(3, USUAL_BLACK), gamma, bend, places)


def _prior_sd(hint: Hint | None) -> Array:
    gamma = GAMMA_LN_SD if hint is None else SAME_GAMMA_LN_SD
    place = PHOSPHOR_XY_SD if hint is None else SAME_PHOSPHOR_XY_SD
    bend = np.full(3, BEND_LN_SD) if hint is None else hint.bend_ln_sd
    return np.concatenate([np.repeat([FULL_LN_SD, BLACK_SD, gamma], 3), bend, np.full(6, place)])


def _start(problem: _Problem) -> Array:
    p = problem.prior.copy()
    white = problem.guns.sum(axis=1) == 3
    lights = gun_lights(problem.xyz[white], p[12:].reshape(3, 2))
    asked = _asked(problem.level[white], p[3:6], np.exp(p[6:9]))
    full = (lights * asked).sum(axis=0) / np.maximum((asked**2).sum(axis=0), _TINY)
    p[0:3] = np.log(np.maximum(full, FLOOR_CD_M2))
    return p


def _search(problem: _Problem, p: Array) -> Array:
    """Levenberg's damped steps to the least sum of squares."""
    damping, r = 1e-2, problem.residual(p)
    cost = float(r @ r)
    for _ in range(60):
        rows = problem.slope(p, r)
        normal, pull = rows.T @ rows, rows.T @ r
        while damping < 1e8:
            step = np.linalg.solve(normal + damping * np.diag(np.diag(normal) + 1e-9), -pull)
            trial = p + np.clip(step, -0.5, 0.5)
            after = problem.residual(trial)
            if float(after @ after) < cost:
                break
            damping *= 4
        else:
            return p
        gained, p, r, cost = cost - float(after @ after), trial, after, float(after @ after)
        damping = max(damping / 6, 1e-9)
        if gained < 1e-6 * cost:
            return p
    return p
