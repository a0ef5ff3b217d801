"""How the light of each gun follows its drive: one fit to all patches of all three guns.

Of each gun the fit has the law of space charge, ``((d - d0) / (1 - d0)) ** gamma``,
held back by what the cathode can supply (Vaughan's blend, ``J**-n = D**-n + S**-n``,
see docs/light.md for the sources), and a smooth shading of its own. In common they
have the lens's shading and, for a photograph that a telephone has toned, the tone
curve: it works on the light of a pixel whichever gun that comes from, so it can't
imitate a bend of one gun alone, while a bend that all three share stays in doubt.
What is in doubt is not fixed but given a prior, and comes out as spread.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from itertools import product
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patches import PatchLights
from tubewright.picture.patterns.survey_light import WHITE
from tubewright.picture.results import Unsupported

Array = NDArray[np.float64]
Knees = tuple[float, float, float]

KNEES: Final = (1.0, 1.5, 2.2, 3.3, 5.0, 8.0)
"""Sharpness of the blend, all thought equally likely: 1 to 2 for a patchy cathode, 6 to 10 for an even one; from
memory, Longo and Vaughan (see docs/physics.md)."""
_BETWEEN_KNEES_LN: Final = float(np.log(1.5))
DRAWS: Final = 1200

# Priors, each a mean and a standard deviation; estimates, but for the published.
_GAMMA: Final = (2.4, 0.25)  # ITU-R BT.1886's 2.4; 2.2 (BT.470, 525 lines) and 2.8 (625 lines) lie at its skirts
_GAMMA_APART_SD: Final = 0.10
"""Guns of one tube are made alike and fed alike."""
_BLACK: Final = (0.03, 0.12)
_BEND_SD: Final = 1.0
_SHADE_SD: Final = 0.30
_WHITE_SD: Final = 0.03
"""Of the logarithm: how much less (or more) a gun may give beside the other two than alone."""
_TONE_SLOPE_SD: Final = 0.15
_TONE_BEND_SD: Final = 0.40
_TONE_MIDDLES: Final = (0.03, 0.15, 0.6)
"""Of a telephone's own rendering against sRGB: of the slope of log over log in the darks, and of how that changes as
light passes each of three levels. Between them they come near what telephones do to the middle and to the whites."""
_LAW_MISFIT_SD: Final = 0.10
"""Of the logarithm of a bend: what a cathode that isn't quite like the blend does to it."""
_TONE_MISFIT_SD: Final = 0.15
"""Of the logarithm of a bend: what a tone curve that is none of these does to it."""
_TOE_SD: Final = 0.10
_TOE_SHARE: Final = 0.02
"""Relative error of what a telephone makes of the darks, and up to which light."""
_UNEVEN_SD: Final = 0.008
"""Of a patch against its smooth surroundings: mask, scattered light."""
_MOST_CLIPPED_SHARE: Final = 0.02
_FEWEST_FULL: Final = 5
_FEWEST_STEPS: Final = 6
_LEAST_LIGHT: Final = 0.02
_MOST_UNEVEN: Final = 0.10
_TONE_PIVOT: Final = 0.2
_TONE_TERMS: Final = 1 + len(_TONE_MIDDLES)
_OWN_TERMS: Final = 5
_COMMON_TERMS: Final = 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GunDraws:
    """The laws of the guns that could be fitted, as equally likely draws, (draws, 3); NaN for a gun left out.

    Attributes:
        black_ratio: Drive at which light begins.
        gamma_ratio: Exponent above it.
        bend_ln: Logarithm of asked-for over given light at full drive, 0 for no bend.
        knee_ratio: Sharpness of the blend.
        left_out: Why a gun has no law.
    """

    black_ratio: Array
    gamma_ratio: Array
    bend_ln: Array
    knee_ratio: Array
    left_out: dict[int, Unsupported]

    def light(self, drive_ratio: float) -> Array:
        """Light of each gun over what it would give at full drive without its bend, (draws, 3)."""
        drive = np.array([[drive_ratio]])
        asked = _asked(drive, self.black_ratio, self.gamma_ratio)
        return _held(asked, self.bend_ln, self.knee_ratio)

    def reserve(self) -> Array:
        """Supply over demand at full drive, (draws, 3); infinity without a bend."""
        with np.errstate(divide="ignore"):
            return np.asarray(np.expm1(self.knee_ratio * self.bend_ln) ** (-1 / self.knee_ratio))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Seen:
    """What is fitted: one entry for each patch and channel used, (m,)."""

    light: Array
    sd: Array
    channel: NDArray[np.int64]
    white: NDArray[np.bool_]
    drive: Array
    shapes: Array  # (m, _OWN_TERMS + _COMMON_TERMS)
    leak: Array  # (3, 3): light in a channel (row) over that in the own channel of a gun (column)
    guns: tuple[int, ...]
    toned: bool


def fit_guns(lights: PatchLights) -> GunDraws:
    """Fit the laws of all guns that the photograph shows."""
    left_out = {gun: why for gun in range(3) if (why := _unfit(lights, gun)) is not None}
    guns = tuple(gun for gun in range(3) if gun not in left_out)
    if not guns:
        return _none(left_out)
    seen = _collect(lights, guns)
    start = _start(seen)
    # First the scatter decides how uneven the patches are.
    uneven, knees = _UNEVEN_SD, (3.3, 3.3, 3.3)
    for _ in range(6):
        start = _solve(seen, start, knees, uneven).parameters
        off = _off(seen, start, knees, uneven)[: len(seen.light)]
        scale = 1.4826 * float(np.median(np.abs(off))) * np.sqrt(len(off) / max(len(off) - len(start), 1))
        if scale <= 1.1:
            break
        uneven *= scale
    if uneven > _MOST_UNEVEN:
        why = Unsupported(
            reason=f"patches of the same drive differ by {100 * uneven:.0f} % without order",
            would_settle="photograph again without reflections on the glass, with an exposure of several fields",
        )
        return _none(left_out | dict.fromkeys(guns, why))
    return _draw(seen, start, uneven, left_out)


def _none(left_out: dict[int, Unsupported]) -> GunDraws:
    nothing = np.full((DRAWS, 3), np.nan)
    return GunDraws(black_ratio=nothing, gamma_ratio=nothing, bend_ln=nothing, knee_ratio=nothing, left_out=left_out)


def _unfit(lights: PatchLights, gun: int) -> Unsupported | None:
    """Why a gun's law can't be had from this photograph, if so."""
    again = "photograph the survey for light again, the whole picture in view"
    full = lights.full(gun)
    if full.sum() < _FEWEST_FULL:
        return Unsupported(reason="too few of its patches are in view", would_settle=again)
    own = lights.light_share[:, gun]
    if (lights.clipped_share[full, gun] > _MOST_CLIPPED_SHARE).mean() > 0.3:
        return Unsupported(
            reason="its brightest patches are overexposed in the photograph",
            would_settle="photograph again with less exposure",
        )
    noise = 5 * float(np.median(np.hypot(lights.light_sd[full, gun], lights.background_sd[full, gun])))
    if float(np.median(own[full])) < max(noise, lights.floor_share):
        return Unsupported(
            reason="this gun shows no light", would_settle="see whether the gun is driven, and its cathode"
        )
    if float(np.median(own[full])) < _LEAST_LIGHT:
        return Unsupported(
            reason="its patches are too dark in the photograph", would_settle="photograph again with more exposure"
        )
    usable = lights.seen & (lights.patches.gun == gun) & (lights.clipped_share[:, gun] <= _MOST_CLIPPED_SHARE)
    if len(np.unique(lights.patches.drive[usable].max(axis=1))) < _FEWEST_STEPS:
        return Unsupported(reason="too few steps of its staircase are in view", would_settle=again)
    return None


def _collect(lights: PatchLights, guns: tuple[int, ...]) -> _Seen:
    patches, raster = lights.patches, lights.raster
    leak = np.eye(3)
    for gun in guns:
        full = lights.full(gun)
        leak[:, gun] = np.median(lights.light_share[full] / lights.light_share[full, gun][:, None], axis=0).clip(0)
    rows, channels = [], []
    for gun in guns:
        usable = lights.seen & (lights.clipped_share[:, gun] <= _MOST_CLIPPED_SHARE)
        # White is no use to the law of a gun while another gun's part in it is unknown.
        wanted = (patches.gun == gun) | ((patches.gun == WHITE) & (len(guns) == 3))
        found = np.flatnonzero(usable & wanted)
        rows.append(found)
        channels.append(np.full(len(found), gun))
    row, channel = np.concatenate(rows), np.concatenate(channels)
    light = lights.light_share[row, channel]
    sd = np.hypot(lights.light_sd[row, channel], lights.background_sd[row, channel])
    toned = lights.coding == "srgb"
    if toned:
        sd = np.hypot(sd, _TOE_SD * np.abs(light) * np.exp(-np.abs(light) / _TOE_SHARE))
    x = (patches.x_px[row] + 0.5) * (2 / raster.width_px) - 1
    y = (patches.y_px[row] + 0.5) * (2 / raster.height_px) - 1
    r4 = (x * x + y * y) ** 2
    return _Seen(
        light=light,
        sd=sd,
        channel=channel,
        white=patches.gun[row] == WHITE,
        drive=patches.drive[row].max(axis=1) / 255,
        shapes=np.stack([x, y, x * x, x * y, y * y, x**3, x * x * y, x * y * y, y**3, r4], axis=1),
        leak=leak,
        guns=guns,
        toned=toned,
    )


# The parameters: of each gun the logarithm of its light, d0, gamma, bend, white, and its shades; then what is common.
_PER_GUN: Final = 5 + _OWN_TERMS
_GAMMA_AT: Final = 3 * _PER_GUN + _COMMON_TERMS
_SIZE: Final = _GAMMA_AT + 1 + _TONE_TERMS
_STEP: Final = 1e-5
_SWEEPS: Final = 1
_MOST_COMBINATIONS: Final = 10


def _start(seen: _Seen) -> Array:
    parameters = np.zeros(_SIZE)
    for gun in range(3):
        top = seen.light[(seen.channel == gun) & ~seen.white & (seen.drive == 1)]
        level = float(np.log(max(np.median(top), 1e-6))) if top.size else 0.0
        parameters[gun * _PER_GUN : gun * _PER_GUN + 4] = level, _BLACK[0], _GAMMA[0], 0.02
    parameters[_GAMMA_AT] = _GAMMA[0]
    return parameters


def _asked(drive: Array, black: Array, gamma: Array) -> Array:
    """What the field asks for at a drive, 1 at full drive: the law without its bend."""
    # Kept within reason for the fit's trial steps; no solution lies near these bounds.
    dark = np.minimum(black, 0.9)
    return np.asarray((np.maximum(drive - dark, 0) / (1 - dark)) ** np.clip(gamma, 0.3, 9.0))


def _held(asked: Array, bend_ln: Array, knee: Array | float) -> Array:
    """What the cathode gives of it: the blend, written so that it is smooth through no bend at all."""
    return np.asarray(asked * np.maximum(1 + np.expm1(knee * bend_ln) * asked**knee, 1e-6) ** (-1 / knee))


def _given(drive: Array, law: Array, knee: float) -> Array:
    """What a gun gives at a drive above what black shows, for its black drive, gamma and bend."""
    held = _held(_asked(np.append(drive, 0.0), law[0], law[1]), law[2], knee)
    # Light is counted from black, and a gun whose light begins below drive 0 shows some there.
    return np.asarray(held[:-1] - held[-1])


def _model(seen: _Seen, parameters: Array, knees: Knees, *, slopes: bool = False) -> tuple[Array, Array]:
    """Light of each entry by the parameters, (m,), and its slopes against the shades and what is common, (m, k)."""
    common = seen.shapes[:, _OWN_TERMS:] @ parameters[3 * _PER_GUN : _GAMMA_AT]
    scale, parts = np.zeros((3, len(seen.light))), np.zeros((3, len(seen.light)))
    for gun in seen.guns:
        level, beside = parameters[gun * _PER_GUN], parameters[gun * _PER_GUN + 4]
        own = seen.shapes[:, :_OWN_TERMS] @ parameters[gun * _PER_GUN + 5 : (gun + 1) * _PER_GUN]
        share = np.where(seen.white, seen.leak[seen.channel, gun] * np.exp(beside), seen.channel == gun)
        scale[gun] = share * np.exp(level + own + common)
        law = parameters[gun * _PER_GUN + 1 : gun * _PER_GUN + 4]
        parts[gun] = scale[gun] * _given(seen.drive, law, knees[gun])
    total = parts.sum(axis=0)
    at = np.maximum(total, 1e-9)
    middles = np.array(_TONE_MIDDLES)
    curves = np.column_stack(
        [np.log(at / _TONE_PIVOT), np.log1p(at[:, None] / middles) - np.log1p(_TONE_PIVOT / middles)]
    )
    curves *= seen.toned
    tone = np.exp(curves @ parameters[_GAMMA_AT + 1 :])
    if not slopes:
        return total * tone, np.empty((0, 0))
    # Against the logarithm of the light before toning; by the chain rule all the rest.
    bends = np.column_stack([np.ones_like(at), at[:, None] / (at[:, None] + middles)]) * seen.toned
    steep = tone * (1 + bends @ parameters[_GAMMA_AT + 1 :])
    jacobian = np.zeros((len(at), len(parameters)))
    for gun in seen.guns:
        of_gun = steep * parts[gun]
        first = gun * _PER_GUN
        jacobian[:, first] = of_gun
        jacobian[:, first + 4] = of_gun * seen.white
        jacobian[:, first + 5 : first + _PER_GUN] = of_gun[:, None] * seen.shapes[:, :_OWN_TERMS]
        for k in range(3):
            moved = parameters[first + 1 : first + 4].copy()
            moved[k] += _STEP
            change = scale[gun] * _given(seen.drive, moved, knees[gun]) - parts[gun]
            jacobian[:, first + 1 + k] = steep * change / _STEP
    jacobian[:, 3 * _PER_GUN : _GAMMA_AT] = (steep * total)[:, None] * seen.shapes[:, _OWN_TERMS:]
    jacobian[:, _GAMMA_AT + 1 :] = (total * tone)[:, None] * curves
    return total * tone, jacobian


def _off(seen: _Seen, parameters: Array, knees: Knees, uneven: float) -> Array:
    """Everything in its standard deviations: the patches first, then the priors."""
    sd = np.hypot(seen.sd, uneven * np.abs(seen.light))
    mean, matrix = _priors(seen.guns)
    return np.concatenate([(seen.light - _model(seen, parameters, knees)[0]) / sd, matrix @ parameters - mean])


@cache
def _priors(guns: tuple[int, ...]) -> tuple[Array, Array]:
    """The priors as rows ``matrix @ parameters - mean``, each in its standard deviation."""
    rows: list[tuple[dict[int, float], float, float]] = []  # weights, mean, standard deviation
    for first in (gun * _PER_GUN for gun in range(3)):
        rows.append(({first + 1: 1.0}, *_BLACK))
        rows.append(({first + 2: 1.0, _GAMMA_AT: -1.0}, 0.0, _GAMMA_APART_SD))
        rows.append(({first + 3: 1.0}, 0.0, _BEND_SD))
        rows.append(({first + 4: 1.0}, 0.0, _WHITE_SD))
        rows.extend(({first + 5 + k: 1.0}, 0.0, _SHADE_SD) for k in range(_OWN_TERMS))
        if first // _PER_GUN not in guns:
            rows.append(({first: 1.0}, 0.0, 1.0))
    rows.extend(({3 * _PER_GUN + k: 1.0}, 0.0, _SHADE_SD) for k in range(_COMMON_TERMS))
    rows.append(({_GAMMA_AT: 1.0}, *_GAMMA))
    rows.append(({_GAMMA_AT + 1: 1.0}, 0.0, _TONE_SLOPE_SD))
    rows.extend(({_GAMMA_AT + 2 + k: 1.0}, 0.0, _TONE_BEND_SD) for k in range(len(_TONE_MIDDLES)))
    matrix, mean = np.zeros((len(rows), _SIZE)), np.zeros(len(rows))
    for i, (weights, middle, sd) in enumerate(rows):
        for k, w in weights.items():
            matrix[i, k] = w / sd
        mean[i] = middle / sd
    return mean, matrix


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Solved:
    """Most likely parameters, their covariance, and the logarithm of the evidence (but a constant)."""

    parameters: Array
    covariance: Array
    evidence_ln: float


def _solve(seen: _Seen, start: Array, knees: Knees, uneven: float) -> _Solved:
    from scipy.optimize import least_squares

    sd = np.hypot(seen.sd, uneven * np.abs(seen.light))
    _, matrix = _priors(seen.guns)

    def off(parameters: Array) -> Array:
        return _off(seen, parameters, knees, uneven)

    def slopes(parameters: Array) -> Array:
        return np.concatenate([-_model(seen, parameters, knees, slopes=True)[1] / sd[:, None], matrix])

    found = least_squares(
        off,
        start,
        jac=slopes,
        loss="soft_l1",
        f_scale=3.0,
        xtol=1e-4,
        ftol=1e-4,
        max_nfev=60,
    )
    steep = np.asarray(found.jac, dtype=np.float64)
    covariance = np.linalg.inv(steep.T @ steep).astype(np.float64)
    return _Solved(
        parameters=found.x,
        covariance=covariance,
        evidence_ln=-float(found.cost) + 0.5 * float(np.linalg.slogdet(covariance)[1]),
    )


def _draw(seen: _Seen, start: Array, uneven: float, left_out: dict[int, Unsupported]) -> GunDraws:
    """Draws from the mixture over how sharp each gun's knee may be."""
    likely = _likely_knees(seen, start, uneven)
    solved = [_solve(seen, start, knees, uneven) for knees in likely]
    evidence = np.array([one.evidence_ln for one in solved])
    weight = np.exp(evidence - evidence.max())
    count = np.rint(DRAWS * weight / weight.sum()).astype(int)
    count[count.argmax()] += DRAWS - count.sum()
    rng = np.random.default_rng(1)  # a fixed seed: the same photograph gives the same figures
    draws = np.concatenate(
        [
            rng.multivariate_normal(one.parameters, one.covariance, size=k, method="cholesky")
            for one, k in zip(solved, count, strict=True)
        ]
    )
    guns = draws[:, : 3 * _PER_GUN].reshape(-1, 3, _PER_GUN)
    # The fit runs smoothly through no bend to its opposite, which no cathode does: keep to the possible side.
    spread = np.repeat([np.sqrt(np.diag(one.covariance)) for one in solved], count, axis=0)
    spread = spread[:, : 3 * _PER_GUN].reshape(-1, 3, _PER_GUN)[..., 3]
    middle = np.repeat([one.parameters for one in solved], count, axis=0)
    middle = middle[:, : 3 * _PER_GUN].reshape(-1, 3, _PER_GUN)[..., 3]
    guns[..., 3] = np.where(guns[..., 3] < 0, _above_zero(middle, spread, rng), guns[..., 3])
    guns[..., 3] *= np.exp(_LAW_MISFIT_SD * rng.standard_normal(guns.shape[:2]))
    if seen.toned:
        guns[..., 3] *= np.exp(_TONE_MISFIT_SD * rng.standard_normal((len(guns), 1)))
    guns[:, [gun for gun in range(3) if gun not in seen.guns]] = np.nan
    return GunDraws(
        black_ratio=np.minimum(guns[..., 1], 0.9),
        gamma_ratio=guns[..., 2],
        bend_ln=guns[..., 3],
        knee_ratio=np.repeat(np.array(likely), count, axis=0)
        * np.exp(_BETWEEN_KNEES_LN * rng.uniform(-0.5, 0.5, guns.shape[:2])),
        left_out=left_out,
    )


def _above_zero(middle: Array, spread: Array, rng: np.random.Generator) -> Array:
    """Draws from normal distributions cut off below 0."""
    from scipy.special import log_ndtr, ndtri_exp

    return np.asarray(middle - spread * ndtri_exp(np.log(rng.random(middle.shape)) + log_ndtr(middle / spread)))


def _likely_knees(seen: _Seen, start: Array, uneven: float) -> list[Knees]:
    """The likeliest combinations of the guns' knees: each gun tried by itself first, then the best together."""
    best, alone = [3.3, 3.3, 3.3], np.zeros((3, len(KNEES)))
    for _ in range(_SWEEPS):
        for gun in seen.guns:
            for k, knee in enumerate(KNEES):
                tried = tuple(knee if g == gun else best[g] for g in range(3))
                alone[gun, k] = _solve(seen, start, (tried[0], tried[1], tried[2]), uneven).evidence_ln
            best[gun] = KNEES[int(alone[gun].argmax())]
    alone -= alone.max(axis=1, keepdims=True)
    combinations = sorted(
        (
            (float(sum(alone[g, k] for g, k in enumerate(which))), which)
            for which in product(*(range(len(KNEES)) if g in seen.guns else [0] for g in range(3)))
        ),
        reverse=True,
    )
    chosen = [which for ln, which in combinations[:_MOST_COMBINATIONS] if ln > -4]
    return [(KNEES[a], KNEES[b], KNEES[c]) for a, b, c in chosen]
