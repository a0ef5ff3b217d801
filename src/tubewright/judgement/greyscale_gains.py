"""What the controls of a grey scale do, learned from readings before and after a turn; and guns that flatten.

How much a control does per turn is unknown at first, and so is which way it works. The same
tube read twice tells both: exponents and phosphors don't turn with a control.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from tubewright.judgement.greyscale_fit import BEND_LN_SD, SAME_BEND_LN_SD, Array, GreyFit, Hint
from tubewright.picture.results import GUNS, Unsupported

Control: TypeAlias = Literal[
    "screen_g2", "cutoff_red", "cutoff_green", "cutoff_blue", "drive_red", "drive_green", "drive_blue"
]
CUTOFFS: Final[tuple[Control, ...]] = ("cutoff_red", "cutoff_green", "cutoff_blue")
DRIVES: Final[tuple[Control, ...]] = ("drive_red", "drive_green", "drive_blue")
CONTROLS: Final[tuple[Control, ...]] = ("screen_g2", *CUTOFFS, *DRIVES)

LEAST_BEND_RATIO: Final = 0.03
SURE_BEND_SDS: Final = 2.5
SURE_GAIN_SDS: Final = 2.0
SAME_GAIN_SDS: Final = 3.0
LEAST_BLACK_SD: Final = 0.002
LEAST_DRIVE_LN_SD: Final = 0.01
SCREEN_SHARE: Final = 0.2
LEAST_TURN: Final = 0.02

_TINY: Final = 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Gain:
    """What one turn of a control does, clockwise: a share of full drive (cutoffs, screen) or a factor's logarithm."""

    per_turn_ratio: float
    sd_ratio: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Bent:
    """A gun that falls behind the other two at the top: by how much at full level."""

    gun: Literal["red", "green", "blue"]
    shortfall_ratio: float
    sd_ratio: float


def bent_guns(fit: GreyFit) -> tuple[Bent, ...]:
    """Guns that surely flatten more than the straightest of the three.

    A bend that all three share may be the tube's law, the beam limiter or the source; it
    says nothing of one cathode.
    """
    straightest = int(np.argmin(fit.bend_ln))
    found = []
    for gun, name in enumerate(GUNS):
        excess = fit.draws[:, 9 + gun] - fit.draws[:, 9 + straightest]
        middle, sd = float(fit.bend_ln[gun] - fit.bend_ln[straightest]), float(excess.std())
        shortfall = float(-np.expm1(-middle))
        if gun != straightest and middle > SURE_BEND_SDS * sd and shortfall > LEAST_BEND_RATIO:
            found.append(Bent(gun=name, shortfall_ratio=shortfall, sd_ratio=sd * float(np.exp(-middle))))
    return tuple(found)


def hint_of(fit: GreyFit) -> Hint:
    """What this fit tells the next one of the same tube.

    A gun that flattens does so less once it is lowered, so its bend is found anew.
    """
    anew = np.isin(GUNS, [one.gun for one in bent_guns(fit)])
    return Hint(
        gamma_ratio=fit.gamma_ratio,
        bend_ln=np.where(anew, 0.0, fit.bend_ln),
        bend_ln_sd=np.where(anew, BEND_LN_SD, SAME_BEND_LN_SD),
        primaries_xy=fit.primaries_xy,
    )


def learn_gains(
    before: GreyFit, after: GreyFit, turns: Mapping[Control, float], known: Mapping[Control, Gain] | None = None
) -> tuple[dict[Control, Gain], dict[Control, Unsupported]]:
    """What the controls did between two readings, per turn clockwise.

    Args:
        before: Fit of the readings before.
        after: Fit of those after, with the exponents and phosphors of the first (:func:`hint_of`).
        turns: What was turned, in turns; clockwise is above 0.
        known: What was known before.

    Returns:
        The gains, old ones kept; and why one could not be learned.
    """
    gains: dict[Control, Gain] = dict(known or {})
    open_: dict[Control, Unsupported] = {}
    gamma = np.sqrt(before.gamma_ratio * after.gamma_ratio)
    ln_asked = [np.log(fit.full_cd_m2) + fit.bend_ln for fit in (before, after)]
    ln_factor = (ln_asked[1] - ln_asked[0]) / gamma + np.log((1 - before.black_ratio) / (1 - after.black_ratio))
    shift = before.black_ratio - after.black_ratio * np.exp(ln_factor)
    sds = [_steady_sd(fit) for fit in (before, after)]
    factor_sd, shift_sd = (np.hypot(sds[0][k], sds[1][k]) for k in range(2))
    screen = turns.get("screen_g2", 0.0)
    if screen:
        # More grid 2 also makes each gun a little stronger, which must not be put down to its drive control.
        factor_sd = np.hypot(factor_sd, SCREEN_SHARE * np.abs(shift))
    for control, amount in turns.items():
        if abs(amount) < LEAST_TURN:
            # What so small a turn does drowns in what the fits leave open, and would be taken for a huge gain.
            continue
        if control == "screen_g2":
            alone = [gun for gun in range(3) if not turns.get(CUTOFFS[gun], 0.0)]
            found, sd = (
                (float(np.mean(shift[alone])), float(np.mean(shift_sd[alone]))) if alone else (0.0, float("inf"))
            )
        elif control in CUTOFFS:
            gun = CUTOFFS.index(control)
            found, sd = float(shift[gun]), float(shift_sd[gun])
            if screen:
                by_screen = gains.get("screen_g2")
                found -= 0.0 if by_screen is None else screen * by_screen.per_turn_ratio
                sd = float("inf") if by_screen is None else float(np.hypot(sd, screen * by_screen.sd_ratio))
        else:
            gun = DRIVES.index(control)
            found, sd = float(ln_factor[gun]), float(factor_sd[gun])
        if abs(found) <= SURE_GAIN_SDS * sd:
            open_[control] = Unsupported(
                reason="what it did can't be told from the noise",
                would_settle="a larger turn of it alone, then readings again",
            )
            continue
        gains[control] = _merged(gains.get(control), found / amount, abs(sd / amount))
    return gains, open_


def _steady_sd(fit: GreyFit) -> tuple[Array, Array]:
    """Standard deviations of each gun's drive (its logarithm) and black level, all that no control turns held still.

    Exponents, bends and phosphors are the same before and after, so their errors drop out of
    a difference; but for the bend of a gun that flattens, which goes with its drive.
    """
    certain = np.linalg.pinv(np.cov(fit.draws, rowvar=False))
    bent = np.flatnonzero(np.isin(GUNS, [one.gun for one in bent_guns(fit)]))
    free = [*range(6), *(9 + int(gun) for gun in bent)]
    spread = np.linalg.pinv(certain[np.ix_(free, free)])
    drive, black = np.zeros(3), np.zeros(3)
    for gun in range(3):
        # The drive's logarithm is (ln full + bend)/gamma - ln(1 - black).
        weight = np.zeros(len(free))
        weight[gun] = 1 / fit.gamma_ratio[gun]
        weight[3 + gun] = 1 / max(1 - fit.black_ratio[gun], _TINY)
        if 9 + gun in free:
            weight[free.index(9 + gun)] = 1 / fit.gamma_ratio[gun]
        drive[gun] = np.sqrt(weight @ spread @ weight)
        black[gun] = np.sqrt(spread[3 + gun, 3 + gun])
    return np.maximum(drive, LEAST_DRIVE_LN_SD), np.maximum(black, LEAST_BLACK_SD)


def _merged(old: Gain | None, per_turn: float, sd: float) -> Gain:
    if old is None or abs(old.per_turn_ratio - per_turn) > SAME_GAIN_SDS * np.hypot(old.sd_ratio, sd):
        return Gain(per_turn_ratio=per_turn, sd_ratio=sd)
    weights = 1 / np.array([old.sd_ratio, sd]) ** 2
    mean = float(np.sum(weights * [old.per_turn_ratio, per_turn]) / weights.sum())
    return Gain(per_turn_ratio=mean, sd_ratio=float(weights.sum() ** -0.5))
