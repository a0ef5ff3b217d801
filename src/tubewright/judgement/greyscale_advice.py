"""From three guns' laws to named moves: screen, cutoffs, drives; which way, how far, and what they would do.

Above its black level the root of a gun's light is a straight line over video level,
``A d + C``. A drive control turns ``A``, a cutoff control shifts ``C``, and the screen
control shifts all three. So two figures per gun say everything: the shift as a share of the
gun's full drive, and the factor on its drive. What a gun falls behind at the top is its
cathode's, and no control mends it: the other guns are lowered to it.

How much a control does per turn comes from :mod:`tubewright.judgement.greyscale_gains`.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np

from tubewright.judgement.greyscale import GreyTarget
from tubewright.judgement.greyscale_fit import KNEE_EXPONENT, Array, GreyFit, given_light, light_of
from tubewright.judgement.greyscale_gains import CUTOFFS, DRIVES, Bent, Control, Gain, bent_guns
from tubewright.physics.colour import luminance_shares
from tubewright.picture.results import GUNS, Unsupported

LOW_LEVEL: Final = 0.2
BLACK_WANTED: Final = 0.02
BLACK_CRUSHED: Final = 0.08
BLACK_GLOWS: Final = -0.01
BEND_RATIO: Final = 0.05
LEAST_LIGHT_RATIO: Final = 0.015
FIRST_TURN: Final = 0.125
MOST_TURN: Final = 0.5
RETRACE_STEP: Final = 0.02
GOOD_RESERVE: Final = 2.0
RAISED_RATIO: Final = 1.1
LEAST_FULL: Final = 0.05

_TINY: Final = 1e-12
_NODES: Final = np.linspace(0.1, 1.0, num=10)


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """One control to turn.

    Attributes:
        control: Which.
        change_ratio: Shift as a share of the gun's full drive, or change of its drive; above 0 is brighter.
        sd_ratio: How sure that is.
        light_ratio: What it does to that gun's light at ``at_level_ratio`` (all guns' for the screen), 0.1 for a tenth.
        at_level_ratio: Where to watch while turning.
        cathode_v: The same at the cathode, where the swing is known: above 0 is a higher cathode, which is darker.
        turns_ratio: Turns clockwise, where the control's gain has been learned.
        turns_sd: How sure that is.
        probe_ratio: Turns to try, one way or the other, while the gain isn't known.
    """

    control: Control
    change_ratio: float
    sd_ratio: float
    light_ratio: float
    at_level_ratio: float
    cathode_v: float | None = None
    turns_ratio: float | None = None
    turns_sd: float | None = None
    probe_ratio: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GreyPlan:
    """What to turn now, and what the grey would be after it.

    Attributes:
        moves: In the order of turning; later ones wait for the next reading.
        after: The laws once all moves are made.
        final: The laws once cutoffs and drives are right as well.
        limited_by: Gun whose light sets the peak white, empty where the wish does.
        bent: Guns that flatten.
        black: What the black level asks of the screen control.
        shift: What the moves shift each gun by, as a share of its full drive, ``(3,)``.
        factor: What they multiply its drive by, ``(3,)``.
    """

    moves: tuple[Move, ...]
    after: GreyFit
    final: GreyFit
    limited_by: str
    bent: tuple[Bent, ...]
    black: Literal["stays", "glows", "crushed", "retrace"]
    shift: Array
    factor: Array


def turned(parameters: Array, shift: Array, factor: Array) -> Array:
    """Laws ``(..., 18)`` after their roots were shifted by a share of full drive and their drives multiplied."""
    ln_full, black, ln_gamma, bend = (parameters[..., 3 * k : 3 * k + 3] for k in range(4))
    gamma = np.exp(ln_gamma)
    asked = np.exp(ln_full + bend)
    slope = asked ** (1 / gamma) / np.maximum(1 - black, _TINY)
    foot = slope * (shift - black)
    slope = slope * factor
    asked_after = np.maximum(slope + foot, _TINY) ** gamma
    q = np.maximum(np.expm1(KNEE_EXPONENT * bend), -0.9) * (asked_after / asked) ** KNEE_EXPONENT
    bend_after = np.log(1 + np.maximum(q, -0.9)) / KNEE_EXPONENT
    rows = [np.log(asked_after) - bend_after, -foot / slope, ln_gamma, bend_after, parameters[..., 12:]]
    return np.concatenate(rows, axis=-1)


def after_moves(fit: GreyFit, shift: Array, factor: Array) -> GreyFit:
    """The fit, with all its draws, after the controls were turned."""
    p = turned(fit.parameters, shift, factor)
    return GreyFit(
        full_cd_m2=np.exp(p[0:3]),
        black_ratio=p[3:6],
        gamma_ratio=np.exp(p[6:9]),
        bend_ln=p[9:12],
        primaries_xy=fit.primaries_xy,
        draws=turned(fit.draws, shift, factor),
        misfit_ratio=fit.misfit_ratio,
        relative=fit.relative,
    )


def plan_moves(
    fit: GreyFit,
    target: GreyTarget,
    *,
    wanted_peak_cd_m2: float | None = None,
    reserves: Mapping[str, float] | None = None,
    gains: Mapping[Control, Gain] | None = None,
    tried: Mapping[Control, float] | None = None,
    earlier: GreyFit | None = None,
    swing_v: float | None = None,
    retrace_seen: bool = False,
    drives_known: bool = True,
) -> GreyPlan | Unsupported:
    """What to turn to bring a grey scale to its white.

    Args:
        fit: The guns' laws.
        target: The white and its tolerances.
        wanted_peak_cd_m2: Peak white that is wished; as bright as the guns allow without raising any if not said.
        reserves: Emission reserve of each gun by name, the least that is likely; a gun known to be strong
            and straight may be raised a little.
        gains: What is known of the controls.
        tried: What was turned last; a control whose gain still isn't known then is turned twice as far.
        earlier: The laws before the last turns: what a straight gun gave then it may be asked for again.
        swing_v: Cathode volts from black to full white, as set now.
        retrace_seen: Whether retrace lines are seen on a dark picture.
        drives_known: False where the highlights clip: only the darks are advised on then.

    Returns:
        The plan; or why there is none: a white outside the phosphors' triangle.
    """
    shares = np.asarray(luminance_shares(fit.primaries_xy, target.white_xy))
    if np.any(shares <= 0):
        return Unsupported(
            reason="the chosen white lies outside the triangle of the phosphors",
            would_settle="each primary read at full level, or another white",
        )
    bent = bent_guns(fit)
    caps = _caps(fit, bent, reserves or {}, earlier)
    peak = float(np.min(caps / shares))
    limited_by: str = GUNS[int(np.argmin(caps / shares))]
    if wanted_peak_cd_m2 is not None and not fit.relative and wanted_peak_cd_m2 < peak:
        peak, limited_by = wanted_peak_cd_m2, ""
    common = float(np.median(fit.black_ratio))
    black: Literal["stays", "glows", "crushed", "retrace"] = "stays"
    if retrace_seen:
        black = "retrace"
    elif float(np.max(fit.black_ratio + fit.sd(1))) < BLACK_GLOWS:
        black = "glows"
    elif float(np.min(fit.black_ratio - fit.sd(1))) > BLACK_CRUSHED:
        black = "crushed"
    wanted_black = float(np.clip(common, 0.0, BLACK_CRUSHED)) if black == "stays" else BLACK_WANTED
    shift, factor = _wanted(fit, shares, peak, wanted_black, caps)
    if limited_by:
        # The laws of three guns never agree wholly, and the compromise leaves the limiting gun a little short.
        room = float(np.min(caps / after_moves(fit, shift, factor).full_cd_m2))
        shift, factor = _wanted(fit, shares, peak * room, wanted_black, caps * max(room, 1.0))
    if not drives_known:
        factor = np.ones(3)
    final = after_moves(fit, shift, factor)
    gains = gains or {}
    now_shift, now_factor = shift, factor
    moves: list[Move] = []
    if black != "stays":
        common_shift = -RETRACE_STEP if black == "retrace" and common > -RETRACE_STEP else common - BLACK_WANTED
        # How bright the guns get is seen only once black is right: the drives wait.
        now_shift, now_factor = np.full(3, common_shift), np.ones(3)
        moves.append(_screen(fit, common_shift, gains, swing_v))
    else:
        moves += [_move(fit, gun, shift, np.ones(3), CUTOFFS[gun], gains, swing_v) for gun in range(3)]
        moves += [_move(fit, gun, np.zeros(3), factor, DRIVES[gun], gains, None) for gun in range(3)]
    moves = [one if one.turns_ratio is not None else _probing(one, tried or {}) for one in moves]
    kept = tuple(one for one in moves if abs(one.light_ratio) >= LEAST_LIGHT_RATIO or one.control == "screen_g2")
    return GreyPlan(
        moves=kept,
        after=after_moves(fit, now_shift, now_factor),
        final=final,
        limited_by=limited_by,
        bent=bent,
        black=black,
        shift=now_shift,
        factor=now_factor,
    )


def _caps(fit: GreyFit, bent: tuple[Bent, ...], reserves: Mapping[str, float], earlier: GreyFit | None) -> Array:
    """The most light that may be asked of each gun at full level."""
    caps = np.array(fit.full_cd_m2, dtype=np.float64)
    straightest = float(np.min(fit.bend_ln))
    flattening = {one.gun for one in bent}
    flattened = set() if earlier is None else {one.gun for one in bent_guns(earlier)}
    for gun, name in enumerate(GUNS):
        if name in flattening:
            excess = float(fit.bend_ln[gun]) - straightest
            q = float(np.expm1(KNEE_EXPONENT * excess))
            # Asked light, of that at full level, at which 5 % are missing.
            at = (np.expm1(-KNEE_EXPONENT * np.log1p(-BEND_RATIO)) / q) ** (1 / KNEE_EXPONENT)
            if at < 1:
                caps[gun] = float(given_light(fit.full_cd_m2[gun], np.array(at), np.array(excess)))
            continue
        if earlier is not None and name not in flattened:
            caps[gun] = max(caps[gun], float(earlier.full_cd_m2[gun]))
        if reserves.get(name, 0.0) >= GOOD_RESERVE:
            caps[gun] *= RAISED_RATIO
    return caps


def _wanted(fit: GreyFit, shares: Array, peak: float, black: float, caps: Array) -> tuple[Array, Array]:
    """Shift and factor of each gun that bring it nearest to its share of a common law, none above its cap."""
    common_gamma = float(np.sum(shares * fit.gamma_ratio))
    level = _NODES
    tone = (np.maximum(level - black, LEAST_FULL * level) / (1 - black)) ** common_gamma
    asked_now = fit.full_cd_m2 * np.exp(fit.bend_ln)
    q = np.maximum(np.expm1(KNEE_EXPONENT * fit.bend_ln), -0.9)
    shift, factor = np.zeros(3), np.ones(3)
    for gun in range(3):
        given = np.minimum(shares[gun] * peak * tone, caps[gun])
        # Turn the bend round: what must be asked so that this is given.
        part = given / asked_now[gun]
        asked = given * np.maximum(1 - q[gun] * part**KNEE_EXPONENT, _TINY) ** (-1 / KNEE_EXPONENT)
        root = asked ** (1 / fit.gamma_ratio[gun])
        # Relative errors of all steps count alike: that is what shifts the colour.
        rows = np.stack([level / root, 1 / root], axis=1)
        (slope, foot), *_ = np.linalg.lstsq(rows, np.ones(len(level)), rcond=None)
        slope_now = asked_now[gun] ** (1 / fit.gamma_ratio[gun]) / (1 - fit.black_ratio[gun])
        factor[gun] = slope / slope_now
        shift[gun] = foot / slope_now + fit.black_ratio[gun]
    return shift, factor


def _move(
    fit: GreyFit,
    gun: int,
    shift: Array,
    factor: Array,
    control: Control,
    gains: Mapping[Control, Gain],
    swing_v: float | None,
) -> Move:
    cutoff = control in CUTOFFS
    level = LOW_LEVEL if cutoff else 1.0
    only = np.arange(3) == gun
    before = fit.light(np.array([level]))[0, gun]
    after = light_of(
        turned(fit.parameters, np.where(only, shift, 0.0), np.where(only, factor, 1.0)), np.array([level])
    )[0, gun]
    change = float(shift[gun]) if cutoff else float(factor[gun] - 1)
    sd = float(fit.sd(1)[gun]) if cutoff else float(fit.sd(0)[gun] / fit.gamma_ratio[gun])
    turns, turns_sd = _turns(change if cutoff else float(np.log(max(factor[gun], _TINY))), sd, gains.get(control))
    return Move(
        control=control,
        change_ratio=change,
        sd_ratio=sd,
        light_ratio=float(after / max(before, _TINY) - 1) if before > 0 else float(np.sign(change)),
        at_level_ratio=level,
        cathode_v=-change * swing_v if cutoff and swing_v is not None else None,
        turns_ratio=turns,
        turns_sd=turns_sd,
    )


def _screen(fit: GreyFit, shift: float, gains: Mapping[Control, Gain], swing_v: float | None) -> Move:
    level = np.array([LOW_LEVEL])
    before = float(fit.light(level).sum())
    after = float(light_of(turned(fit.parameters, np.full(3, shift), np.ones(3)), level).sum())
    sd = float(np.median(fit.sd(1)))
    turns, turns_sd = _turns(shift, sd, gains.get("screen_g2"))
    return Move(
        control="screen_g2",
        change_ratio=shift,
        sd_ratio=sd,
        light_ratio=after / max(before, _TINY) - 1,
        at_level_ratio=LOW_LEVEL,
        cathode_v=None if swing_v is None else -shift * swing_v,
        turns_ratio=turns,
        turns_sd=turns_sd,
    )


def _probing(move: Move, tried: Mapping[Control, float]) -> Move:
    last = abs(tried.get(move.control, 0.0))
    return dataclasses.replace(move, probe_ratio=FIRST_TURN if last == 0 else min(2 * last, MOST_TURN))


def _turns(change: float, sd: float, gain: Gain | None) -> tuple[float | None, float | None]:
    if gain is None:
        return None, None
    turns = change / gain.per_turn_ratio
    spread = float(np.hypot(sd / gain.per_turn_ratio, turns * gain.sd_ratio / gain.per_turn_ratio))
    return float(np.clip(turns, -MOST_TURN, MOST_TURN)), abs(spread)
