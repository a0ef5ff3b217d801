"""Purity: light of the wrong phosphors in each gun's own field, over the screen.

A camera's channel sees a little of every phosphor, the same everywhere; a beam that
lands beside its own phosphor lights another, here and not there. So the usual colour
of each gun's field, the median over the screen, gives the camera's mixing, and what a
patch holds beyond it is landing. (The middle of the screen alone won't do: a stain
may lie just there, and then all the rest would seem stained.) A share of 0.01 means that for each
hundred parts of its own full light the field holds one part of another gun's: if the
guns' currents are alike, that one per cent of the beam lands wrong.

The lens shades its colours unequally towards the corners, which changes a mixture as
a landing error does. It can't be told apart in one photograph, so it goes into the
spread: by how much a channel's shading would have to differ, times what that does.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patches import PatchLights
from tubewright.picture.results import GUNS, ZONES, Figure, GunName, Known, Purity, Unsupported, Zone

Array = NDArray[np.float64]

_FEWEST: Final = 6
"""Patches of a gun whose median is its usual colour."""
_MOST_CLIPPED_SHARE: Final = 0.02
# Estimates: by how much the shading of two channels differs in the corner of a photograph (of its logarithm), after a
# telephone's own correction and without any; it grows with the square of the distance from the middle.
_SHADING_CORRECTED_SD: Final = 0.02
_SHADING_RAW_SD: Final = 0.08
_TONED_SD: Final = 0.30
"""Of a share as a telephone's tone curve stretches small light against large; estimate."""
_LEAST_SD: Final = 0.002
_HIDDEN_SD: Final = 0.015
"""What the coding may have cut off as below black, where a phosphor's colour is purer than its primaries; estimate."""


def measure_purity(lights: PatchLights) -> Purity:
    """How far each gun's field strays from its own usual colour, by zone."""
    shifts: dict[GunName, dict[Zone, Known]] = {}
    worst: dict[GunName, Known] = {}
    mixing, missing = _mixing(lights)
    for gun, name in enumerate(GUNS):
        why = missing.get(gun) or next(iter(missing.values()), None)
        if mixing is None and why is not None:
            shifts[name] = dict.fromkeys(ZONES, why)
            worst[name] = why
            continue
        assert mixing is not None  # noqa: S101 - something is missing otherwise
        shifts[name] = _shifts(lights, gun, mixing)
        known = [one for one in shifts[name].values() if isinstance(one, Figure)]
        worst[name] = max(known, key=lambda one: abs(one.value)) if known else _OUT_OF_VIEW
    return Purity(shift_ratio=shifts, worst_ratio=worst)


_OUT_OF_VIEW: Final = Unsupported(
    reason="none of its full patches there could be read",
    would_settle="photograph again with the whole picture in view",
)


def _usable(lights: PatchLights, gun: int) -> NDArray[np.intp]:
    clear = lights.clipped_share.max(axis=1) <= _MOST_CLIPPED_SHARE
    return np.flatnonzero(lights.full(gun) & clear)


def _mixing(lights: PatchLights) -> tuple[Array | None, dict[int, Unsupported]]:
    """What each gun's full light makes of the camera's channels as a rule, (3, 3), columns guns."""
    mixing, missing = np.zeros((3, 3)), {}
    for gun, name in enumerate(GUNS):
        found = _usable(lights, gun)
        if len(found) < _FEWEST:
            clipped = lights.full(gun).sum() >= _FEWEST
            missing[gun] = Unsupported(
                reason=f"the {name} patches are overexposed in the photograph"
                if clipped
                else f"too few {name} patches are in view",
                would_settle="photograph again with less exposure"
                if clipped
                else "photograph again with the whole picture in view",
            )
            continue
        own = lights.light_share[found, gun]
        mixing[:, gun] = np.median(lights.light_share[found] / np.maximum(own, 1e-9)[:, None], axis=0) * np.median(own)
        noise = np.hypot(lights.light_sd, lights.background_sd)[found, gun].mean()
        if mixing[gun, gun] < max(5 * noise, 3 * lights.floor_share):
            missing[gun] = Unsupported(
                reason=f"the {name} gun shows too little light", would_settle="mend the gun first, or expose for longer"
            )
    if missing:
        return None, missing
    if np.linalg.cond(mixing / mixing.max(axis=0)) > 30:
        why = Unsupported(
            reason="the camera hardly tells the three guns' colours apart",
            would_settle="a photograph with white balance and colour effects left at their defaults",
        )
        return None, dict.fromkeys(range(3), why)
    return mixing, {}


def _shifts(lights: PatchLights, gun: int, mixing: Array) -> dict[Zone, Known]:
    unmix = np.linalg.inv(mixing)
    others = [g for g in range(3) if g != gun]
    found = _usable(lights, gun)
    amounts = lights.light_share[found] @ unmix.T
    own = amounts[:, gun]
    share = amounts[:, others].sum(axis=1) / own
    noise = np.hypot(lights.light_sd, lights.background_sd)[found]
    # By how much the sum of the others moves, over the own light, for a relative change of each channel.
    weights = unmix[others].sum(axis=0)
    statistical = np.sqrt(((weights * noise) ** 2).sum(axis=1)) / own
    lens = _SHADING_CORRECTED_SD if lights.coding == "srgb" else _SHADING_RAW_SD
    levers = weights * mixing[:, gun]
    farther = lights.off_axis_ratio[found] ** 2
    shading = lens * np.abs(farther - np.median(farther)) * float(np.sqrt((levers**2).sum()))
    # What the figures owe to the usual colour is common to all zones; a median costs pi / 2 of a mean's variance.
    usual = float(((weights * np.median(noise, axis=0)) ** 2).sum()) * (np.pi / 2) / len(found)
    if (mixing[others, gun] < lights.floor_share).any():
        usual += _HIDDEN_SD**2
    zone = lights.zones()[found]
    result: dict[Zone, Known] = {}
    for index, name in enumerate(ZONES):
        here = zone == index
        if not here.any():
            result[name] = _OUT_OF_VIEW
        else:
            # One patch under a lamp's reflection doesn't speak for its zone where there are others.
            value = float(np.median(share[here]))
            scatter = float(share[here].std(ddof=1)) if here.sum() > 1 else 0.0
            spread = np.sqrt(
                float((statistical[here] ** 2).mean()) / here.sum()
                + scatter**2 / here.sum()
                + float((shading[here] ** 2).mean())
                + usual
                + _LEAST_SD**2
            )
            if lights.coding == "srgb":
                spread = np.hypot(spread, _TONED_SD * value)
            result[name] = Figure(value=value, sd=float(spread))
    return result
