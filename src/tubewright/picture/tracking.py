"""Each gun's law, the reserve that its bend tells, and how far the grey drifts from dark to bright.

The figures are read off the draws of :mod:`tubewright.picture.gun_fit`; docs/light.md
defines each and says what it can't tell. Two things to keep in mind:

- the reserve is that at the video's full drive, which asks a gun for less than its
  zero-bias current: it is no smaller than the reserve an instrument would find;
- a video stage that runs out of voltage bends a gun's law just like a spent cathode.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.physics.colour import uv_prime_from_xy, white_shift
from tubewright.picture.gun_fit import KNEES, GunDraws, fit_guns
from tubewright.picture.patches import PatchLights
from tubewright.picture.patterns.survey_light import WHITE_STEPS
from tubewright.picture.results import GUNS, Figure, GunLaw, GunName, Known, Tracking, Unsupported

Array = NDArray[np.float64]

_BENT_LN: Final = float(-np.log(0.95))
"""A gun bends from where it falls 5 % behind its own law: what the eye begins to see in a field; estimate."""
_SURE_SDS: Final = 2.5
_LEAST_SHORTFALL: Final = 0.03
_MIDDLE_DRIVE: Final = 0.5
_DARKEST_GREY: Final = 0.10
_PHOSPHOR_SHARE: Final = 0.10
"""Of a drift: what it owes to the phosphors that were taken for granted; estimate from 0.015 in x and y."""
_OTHER_LAW_LN_SD: Final = 0.25
"""Of a reserve's logarithm: what it owes to the blend, which real cathodes follow roughly; estimate, from cathodes
drawn by another law, whose middle starves first."""
_OUT_OF_SIGHT: Final = 30.0
"""Larger reserves leave nothing to be seen; they are counted as this when a spread is reckoned."""


def measure_tracking(lights: PatchLights) -> Tracking:
    """The guns' laws and the drift of the grey, from the patches of a survey for light."""
    draws = fit_guns(lights)
    guns: dict[GunName, GunLaw | Unsupported] = {}
    strength = _strengths(draws)
    for gun, name in enumerate(GUNS):
        guns[name] = draws.left_out[gun] if gun in draws.left_out else _law(draws, gun, strength[gun])
    return Tracking(guns=guns, white_drift_du_v=_drift(draws))


def _law(draws: GunDraws, gun: int, strength: Known) -> GunLaw:
    bend = draws.bend_ln[:, gun]
    shortfall = -np.expm1(-bend)
    low = float(np.quantile(bend, 0.05))
    bent = low > 0 and float(shortfall.mean()) > max(_SURE_SDS * float(shortfall.std()), _LEAST_SHORTFALL)
    reserve = np.minimum(draws.reserve()[:, gun], _OUT_OF_SIGHT)
    if not bent:
        # Nothing then tells how sharp the knee is, and a sharp one hides more: take the sharpest at its word.
        with np.errstate(divide="ignore"):
            hidden = np.expm1(max(KNEES) * bend) ** (-1 / max(KNEES))
        at_least = float(np.quantile(np.minimum(reserve, hidden), 0.05))
    else:
        at_least = float(np.quantile(reserve, 0.05))
    ln = np.log(reserve)
    seen: Known
    if bent:
        value = float(np.exp(ln.mean()))
        seen = Figure(value=value, sd=value * float(np.hypot(ln.std(), _OTHER_LAW_LN_SD)))
    else:
        seen = Unsupported(
            reason=f"the gun doesn't bend up to full drive: its reserve there is above {at_least:.2g}",
            would_settle="an emission reading, or a reading at a lowered heater",
        )
    return GunLaw(
        gamma_ratio=_figure(draws.gamma_ratio[:, gun]),
        black_drive_ratio=_figure(draws.black_ratio[:, gun]),
        bends_at_ratio=_bend(draws, gun) if bent else None,
        shortfall_ratio=_figure(shortfall),
        emission_reserve=seen,
        strength_ratio=strength,
        reserve_at_least=at_least,
    )


def _bend(draws: GunDraws, gun: int) -> Known | None:
    """Drive at which the blend takes 5 % off: ``asked**n`` is there ``expm1(n b) / expm1(n b_full)``."""
    knee, bend = draws.knee_ratio[:, gun], draws.bend_ln[:, gun]
    deep = bend > _BENT_LN
    if deep.mean() < 0.5:
        return None
    asked = (np.expm1(knee * _BENT_LN) / np.expm1(knee * np.maximum(bend, _BENT_LN))) ** (1 / knee)
    black = draws.black_ratio[:, gun]
    drive = black + (1 - black) * asked ** (1 / draws.gamma_ratio[:, gun])
    return _figure(np.minimum(drive, 1.0))


def _strengths(draws: GunDraws) -> list[Known]:
    """Light at full drive over that in the middle grey, against the gun where that is largest."""
    if draws.left_out:
        why = Unsupported(
            reason="guns are compared with each other, and "
            + " and ".join(GUNS[g] for g in sorted(draws.left_out))
            + " could not be measured",
            would_settle="a photograph in which all three guns can be measured",
        )
        return [why] * 3
    ln = np.log(draws.light(1.0)) - np.log(np.maximum(draws.light(_MIDDLE_DRIVE), 1e-9))
    ln = ln - ln[:, [int(ln.mean(axis=0).argmax())]]
    return [_figure(np.exp(ln[:, gun])) for gun in range(3)]


def _drift(draws: GunDraws) -> Known:
    """Largest distance in u'v' between the grey steps from 10 % light up and the brightest."""
    if draws.left_out:
        return Unsupported(
            reason="the grey needs all three guns", would_settle="a photograph in which all three guns can be measured"
        )
    full = draws.light(1.0)
    steps = np.array([step / 255 for step in WHITE_STEPS[1:]])
    parts = np.stack([draws.light(float(step)) / full for step in steps])  # (steps, draws, 3)
    usual = np.median(parts, axis=1)
    shift = white_shift(usual)
    counted = shift.luminance >= _DARKEST_GREY
    # The step is chosen once: a largest of noisy figures would always come out too large.
    worst = int(np.flatnonzero(counted)[np.nanargmax(shift.delta_uv_prime[counted])])
    value = float(shift.delta_uv_prime[worst])
    # Its spread is that of the colour's place, not of its distance, which can't fall below 0.
    places = white_shift(parts[worst]).xy
    spread = float(np.sqrt(uv_prime_from_xy(places).var(axis=0).mean()))
    return Figure(value=value, sd=float(np.hypot(spread, _PHOSPHOR_SHARE * value)))


def _figure(draws: Array) -> Figure:
    return Figure(value=float(np.median(draws)), sd=float(draws.std()))
