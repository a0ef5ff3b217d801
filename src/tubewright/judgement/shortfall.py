"""What a photograph of the survey for light tells of a gun's reserve.

It sees by how much the light at full drive falls behind the gun's own law, and so
the reserve at the video's full drive. That asks for less than the zero-bias current
an instrument draws, by a share that nobody knows beforehand; so it is averaged over.
"""

from __future__ import annotations

import functools
import math

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.learning import normal_cdf
from tubewright.judgement.readings import Shortfall
from tubewright.knowledge.model import Knowledge
from tubewright.physics.cathode import emission_fraction
from tubewright.picture.patterns.survey_light import GUN_STEPS

Array = NDArray[np.float64]


def shortfall_likelihood(reserve: Array, seen: Shortfall, knee: float, knowledge: Knowledge) -> Array:
    """Likelihood of a shortfall seen, for each reserve; up to a factor, shape (reserve,).

    Args:
        reserve: Temperature-limited over zero-bias current of the gun itself, (n,).
        seen: The shortfall at full drive.
        knee: Sharpness of the knee between the two limits.
        knowledge: Drive share and floors, estimates all of them.

    A larger shortfall than the cathode explains may come of the video stage or a beam
    limiter; a smaller one can't, so the floor under it is lower. With that floor no
    photograph, however sharp, excludes a strong gun.

    Source: derivation from the blend of the two limits (physics.md).
    """
    share, weight = _drive_shares(knowledge)
    expected = expected_shortfall(reserve[:, None] / share, knee)
    sd = math.hypot(seen.sd, knowledge.value("shortfall_law_spread"))
    z = (seen.ratio - expected) / sd
    missed = knowledge.value("shortfall_missed_floor")
    floor = missed + (knowledge.value("shortfall_other_cause_floor") - missed) * normal_cdf(z)
    likely: Array = (np.exp(-0.5 * z**2) + floor) @ weight
    return likely


def expected_shortfall(reserve: Array, knee: float) -> Array:
    """What a photograph shows of a gun of this reserve at full drive, for each reserve; any shape.

    With a knee of 1 and more it is how far the blend falls behind the space-charge law.
    A softer one bends over the whole range of drive, and most of that passes for a lower
    gamma: then it is the bend of the soonest of the knees that are fitted, 1, which lies
    nearest to the gun's light once level, gamma and black level are fitted along with it.
    """
    if knee >= 1:
        return 1 - emission_fraction(reserve, knee)
    at, seen = _seen_of_soft(knee)
    told: Array = np.interp(np.log(np.maximum(reserve, 1e-9)), at, seen)
    return told


@functools.cache
def _seen_of_soft(knee: float) -> tuple[Array, Array]:
    """ln(reserve) and the shortfall that a fit with a knee of 1 finds, by least squares over the steps."""
    drive = np.array(GUN_STEPS[1:]) / GUN_STEPS[-1]
    # ITU-R BT.1886's gamma, and the spreads that the fit itself starts from (picture.gun_fit, estimates).
    gamma, gamma_sd, black_sd = 2.4, 0.25, 0.12
    asked = drive**gamma
    # The errors of a step are those of the budget in docs/light.md (estimates).
    error = np.hypot(0.008, 0.0003 / asked)
    free = np.column_stack([np.ones_like(drive), np.log(drive), gamma * (1 - 1 / drive)]) / error[:, None]
    # Gamma and black level are not free for the asking: two rows hold them to what guns and settings are like.
    basis, _ = np.linalg.qr(np.vstack([free, [0, 1 / gamma_sd, 0], [0, 0, 1 / black_sd]]))
    ln = np.linspace(math.log(1e-3), math.log(1e4), 161)

    def beside(sharpness: float) -> Array:
        bend = np.log(emission_fraction(np.exp(ln)[:, None] / asked, sharpness)) / error
        bend = np.pad(bend, ((0, 0), (0, 2)))
        left: Array = bend - (bend @ basis) @ basis.T
        return left

    apart = beside(knee)[:, None, :] - beside(1.0)[None, :, :]
    nearest = (apart**2).sum(axis=2).argmin(axis=1)
    return ln, 1 - emission_fraction(np.exp(ln[nearest]), 1.0)


def _drive_shares(knowledge: Knowledge) -> tuple[Array, Array]:
    """Currents at full drive over the zero-bias current, and their weights: log-normal, cut at 1."""
    mean, sd = math.log(knowledge.value("shortfall_drive_share")), knowledge.value("shortfall_drive_share_spread")
    ln = np.linspace(mean - 2.5 * sd, 0.0, 15)
    weight = np.exp(-0.5 * ((ln - mean) / sd) ** 2)
    # The trapezoidal rule: the cut falls where the density is still a quarter of its height.
    weight[[0, -1]] /= 2
    return np.exp(ln), weight / weight.sum()
