"""A display's own response to its controls: what is known of its errors and gains, after each photograph.

A Kalman filter over the errors now and the gains together. Between two photographs the
errors change by the gains times what was turned, which is linear in both; a photograph
then corrects both, each as far as it is unsure. Gains begin at nothing with the spread
that such controls have, so that the first move tells their direction.

Source: Kalman, A new approach to linear filtering and prediction problems (1960); the
form of the covariance update is Joseph's, which keeps it positive.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.advice.effects import Effects
from tubewright.judgement.advice.modes import INDEX, LANDING, MODES, SPREAD_AT_FIRST, Observation
from tubewright.picture.results import Unsupported

Floats = NDArray[np.float64]

FEW: Final = 3
"""Figures up to which the short form of the update is exact enough."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Belief:
    """Errors and gains as one normal law.

    Attributes:
        effects: What the gains are gains of.
        mean: Errors, then gains, (modes + gains,).
        cov: Their covariance.
    """

    effects: Effects
    mean: Floats
    cov: Floats

    @property
    def error(self) -> Floats:
        """The errors now, (modes,)."""
        return self.mean[: len(MODES)]

    @property
    def error_cov(self) -> Floats:
        """Their covariance, (modes, modes)."""
        return self.cov[: len(MODES), : len(MODES)]

    @property
    def gain(self) -> Floats:
        """Modes per unit of each input, (modes, inputs)."""
        return np.asarray(np.einsum("k,kmi->mi", self.mean[len(MODES) :], self.effects.patterns))

    @property
    def gain_cov(self) -> Floats:
        """Covariance of the gains' unknowns, (gains, gains)."""
        return self.cov[len(MODES) :, len(MODES) :]

    def gain_second(self) -> Floats:
        """Mean square of what one unit of each input does to each mode, (modes, inputs)."""
        gains, modes, inputs = self.effects.patterns.shape
        patterns = self.effects.patterns.reshape(gains, modes * inputs)
        spread = (patterns * (self.gain_cov @ patterns)).sum(axis=0)
        return np.asarray(self.gain**2 + spread.reshape(modes, inputs))


def first_belief(effects: Effects) -> Belief:
    """Nothing measured, nothing tried."""
    mean = np.concatenate([np.zeros(len(MODES)), effects.mean])
    sd = np.concatenate([np.full(len(MODES), SPREAD_AT_FIRST), effects.sd])
    return Belief(effects=effects, mean=mean, cov=np.diag(sd**2))


def moved(belief: Belief, amounts: Floats, amounts_sd: Floats, *, drift_sd: float, side_ratio: float) -> Belief:
    """The belief after something was turned and before it is photographed.

    Args:
        belief: Before.
        amounts: By how much each input was moved, (inputs,).
        amounts_sd: How closely the hand met that, (inputs,).
        drift_sd: What a mode changes of itself.
        side_ratio: What a move does to modes that it isn't known to touch, as a share of its main effect.
    """
    modes = len(MODES)
    step = np.eye(belief.mean.size)
    step[:modes, modes:] = np.einsum("kmi,i->mk", belief.effects.patterns, amounts)
    second = belief.gain_second()
    by_hand = belief.gain * amounts_sd
    noise = np.zeros_like(step)
    noise[:modes, :modes] = by_hand @ by_hand.T + np.diag((second - belief.gain**2) @ amounts_sd**2 + drift_sd**2)
    for n in np.flatnonzero(amounts):
        # Of one kind and unit: what moves convergence by millimetres doesn't move a width by percents unforeseen.
        touched = [INDEX[name] for name in belief.effects.inputs[n].main]
        main = float(np.sqrt(second[touched, n].max())) * abs(float(amounts[n])) * side_ratio
        kin = [k for k, kind in enumerate(_KINDS) if kind in {_KINDS[t] for t in touched}]
        noise[kin, kin] += main**2
    return Belief(effects=belief.effects, mean=step @ belief.mean, cov=step @ belief.cov @ step.T + noise)


def _kind(mode: str) -> str:
    if mode.startswith(("opp_", "com_")):
        return "convergence"
    return "landing" if mode in LANDING else mode


_KINDS: Final = tuple(_kind(mode) for mode in MODES)


def forgotten(belief: Belief, names: Collection[str]) -> Belief:
    """The belief with some modes unknown again: what a degaussing did to the landing."""
    mean, cov = belief.mean.copy(), belief.cov.copy()
    for name in names:
        n = INDEX[name]
        mean[n], cov[n, :], cov[:, n] = 0.0, 0.0, 0.0
        cov[n, n] = SPREAD_AT_FIRST**2
    return Belief(effects=belief.effects, mean=mean, cov=cov)


def loosened(belief: Belief, names: Collection[str], sd: float) -> Belief:
    """The belief with some modes so much less sure: something may have changed them a little."""
    cov = belief.cov.copy()
    for name in names:
        cov[INDEX[name], INDEX[name]] += sd**2
    return Belief(effects=belief.effects, mean=belief.mean, cov=cov)


def reopened(belief: Belief, keys: Collection[str]) -> Belief:
    """The belief with the gains of some inputs as on a display that nobody knows; the errors stay as they are."""
    mean, cov, effects = belief.mean.copy(), belief.cov.copy(), belief.effects
    for n, one in enumerate(effects.inputs):
        for k in np.flatnonzero(np.abs(effects.patterns[:, :, n]).any(axis=1)) if one.key in keys else ():
            at = len(MODES) + int(k)
            mean[at], cov[at, :], cov[:, at] = 0.0, 0.0, 0.0
            cov[at, at] = effects.usual_size[k] ** 2
    return Belief(effects=effects, mean=mean, cov=cov)


def foreseen(belief: Belief, observed: Observation) -> Belief:
    """The belief after a photograph that tells as much as this one and shows just what is expected."""
    belief = corrected(belief, observed.rows @ belief.error, observed.rows, observed.cov)
    if isinstance(observed.landing, Unsupported):
        return belief
    rows = landing_rows()
    return corrected(belief, rows @ belief.error, rows, observed.landing.cov_ratio)


def landing_rows() -> Floats:
    """How the three figures of the landing follow from the modes, (3, modes)."""
    rows = np.zeros((len(LANDING), len(MODES)))
    for n, name in enumerate(LANDING):
        rows[n, INDEX[name]] = 1.0
    return rows


def _signed(belief: Belief, observed: Observation) -> Floats:
    value = observed.value.copy()
    expected = observed.rows @ belief.error
    for n in observed.folded:
        if abs(-value[n] - expected[n]) < abs(value[n] - expected[n]):
            value[n] = -value[n]
    return value


def surprise(belief: Belief, observed: Observation) -> float:
    """Minus twice the logarithm of a photograph's likelihood, less a constant; the landing is left out."""
    if observed.value.size == 0:
        return 0.0
    apart = _signed(belief, observed) - observed.rows @ belief.error
    within = observed.rows @ belief.error_cov @ observed.rows.T + observed.cov
    return float(apart @ np.linalg.solve(within, apart) + np.linalg.slogdet(within)[1])


def strange_modes(belief: Belief, observed: Observation, limit_sd: float) -> frozenset[int]:
    """The modes behind figures of a photograph that are so many deviations off what is foreseen; landing left out."""
    if observed.value.size == 0:
        return frozenset()
    apart = _signed(belief, observed) - observed.rows @ belief.error
    within = observed.rows @ belief.error_cov @ observed.rows.T + observed.cov
    strange = np.abs(apart) > limit_sd * np.sqrt(np.diag(within))
    return frozenset(int(n) for n in np.flatnonzero(np.abs(observed.rows[strange]).any(axis=0)))


def corrected(belief: Belief, value: Floats, rows: Floats, cov: Floats) -> Belief:
    """The belief after figures were seen that follow from the errors by some rows."""
    if value.size == 0:
        return belief
    wide = np.zeros((value.size, belief.mean.size))
    wide[:, : len(MODES)] = rows
    within = wide @ belief.cov @ wide.T + cov
    weight = np.linalg.solve(within, wide @ belief.cov).T
    if value.size > FEW:
        keep = np.eye(belief.mean.size) - weight @ wide
        after = keep @ belief.cov @ keep.T + weight @ cov @ weight.T
    else:
        after = belief.cov - weight @ within @ weight.T
    return Belief(
        effects=belief.effects,
        mean=belief.mean + weight @ (value - wide @ belief.mean),
        cov=(after + after.T) / 2,
    )
