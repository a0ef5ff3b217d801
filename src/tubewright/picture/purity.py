"""Purity: light of the wrong phosphors in each gun's own field, over the screen.

A camera's channel sees a little of every phosphor, the same everywhere; a beam that
lands beside its own phosphor lights another, here and not there. So the three
single-gun fields near the middle of the screen give the camera's mixing, and what a
patch elsewhere holds beyond it is landing. A share of 0.01 means that for each
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

_MIDDLE_COUNT: Final = 3
"""Patches of a gun nearest to the middle of the screen that stand for it."""
_MOST_CLIPPED_SHARE: Final = 0.02
# Estimates: by how much the shading of two channels differs in the corner of a photograph (of its logarithm), after a
# telephone's own correction and without any; it grows with the square of the distance from the middle.
_SHADING_CORRECTED_SD: Final = 0.02
_SHADING_RAW_SD: Final = 0.08
_TONED_SD: Final = 0.30
"""Of a share as a telephone's tone curve stretches small light against large; estimate."""
_LEAST_SD: Final = 0.001
_HIDDEN_SD: Final = 0.01
"""What the coding may have cut off below black in the middle, where a colour is purer than its primaries; estimate."""


def measure_purity(lights: PatchLights) -> Purity:
    """How far each gun's field strays from that in the middle, by zone."""
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
        worst[name] = max(known, key=lambda one: one.value) if known else _OUT_OF_VIEW
    return Purity(shift_ratio=shifts, worst_ratio=worst)


_OUT_OF_VIEW: Final = Unsupported(
    reason="none of its full patches there could be read",
    would_settle="photograph again with the whole picture in view",
)


def _usable(lights: PatchLights, gun: int) -> NDArray[np.intp]:
    clear = lights.clipped_share.max(axis=1) <= _MOST_CLIPPED_SHARE
    return np.flatnonzero(lights.full(gun) & clear)


def _mixing(lights: PatchLights) -> tuple[Array | None, dict[int, Unsupported]]:
    """What each gun's full light makes of the camera's channels in the middle of the screen, (3, 3), columns guns."""
    mixing, missing = np.zeros((3, 3)), {}
    x = (lights.patches.x_px + 0.5) / lights.raster.width_px - 0.5
    y = (lights.patches.y_px + 0.5) / lights.raster.height_px - 0.5
    for gun, name in enumerate(GUNS):
        found = _usable(lights, gun)
        if len(found) < _MIDDLE_COUNT:
            clipped = lights.full(gun).sum() >= _MIDDLE_COUNT
            missing[gun] = Unsupported(
                reason=f"the {name} patches are overexposed in the photograph"
                if clipped
                else f"too few {name} patches are in view",
                would_settle="photograph again with less exposure"
                if clipped
                else "photograph again with the whole picture in view",
            )
            continue
        middle = found[np.argsort(np.hypot(x, y)[found])[:_MIDDLE_COUNT]]
        mixing[:, gun] = lights.light_share[middle].mean(axis=0)
        noise = np.hypot(lights.light_sd, lights.background_sd)[middle, gun].mean()
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
    shading = lens * lights.off_axis_ratio[found] ** 2 * float(np.sqrt((levers**2).sum()))
    # What the figures owe to the few patches that stand for the middle is common to all zones.
    middle = float(((weights * np.median(noise, axis=0)) ** 2).sum()) / _MIDDLE_COUNT
    dark_middle = bool((mixing[others, gun] < lights.floor_share).any())
    middle += (_HIDDEN_SD if dark_middle else 0.0) ** 2
    hidden = np.asarray((lights.light_share[found] < lights.floor_share)[:, others].any(axis=1) & dark_middle)
    zone = lights.zones()[found]
    result: dict[Zone, Known] = {}
    for index, name in enumerate(ZONES):
        here = zone == index
        if not here.any():
            result[name] = _OUT_OF_VIEW
        elif hidden[here].all():
            result[name] = Unsupported(
                reason="the photograph codes the other colours here as plain black, whatever there was of them",
                would_settle="a raw photograph (DNG)",
            )
        else:
            value = float(share[here].mean())
            scatter = float(share[here].std(ddof=1)) if here.sum() > 1 else 0.0
            spread = np.sqrt(
                float((statistical[here] ** 2).mean()) / here.sum()
                + scatter**2 / here.sum()
                + float((shading[here] ** 2).mean())
                + middle
                + _LEAST_SD**2
            )
            if lights.coding == "srgb":
                spread = np.hypot(spread, _TONED_SD * value)
            result[name] = Figure(value=value, sd=float(spread))
    return result
