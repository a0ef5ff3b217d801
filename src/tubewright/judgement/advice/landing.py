"""Where the beams land, as the purity by zone shows it.

Purity has no sign: a beam beside its own phosphor lights another, whichever side it
strays to, and only what a zone holds beyond the screen's usual is seen. So a landing
error that is even over the screen (rings) and one that grows to the edges (yoke along
the neck) are told apart by where the stain is: |even + edge u| less its median. The
common sign stays open until something was turned. On a screen of stripes or slots a
beam may stray up and down freely; on one of dots it may not.

Source: derived from the geometry; that slots and stripes forgive errors along them is
common practice.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.results import GUNS, ZONES, Figure, Purity, Unsupported, Zone

Floats = NDArray[np.float64]

GRID: Final = 0.01
WIDEST: Final = 0.6
COARSER: Final = 2.5
FEWEST_ZONES: Final = 6
SHAPE_SD: Final = 0.01
"""How closely purity follows such landing errors; as ``advice_purity_model_sd_ratio``."""
USUAL: Final = 0.12
"""Size of landing errors to be expected: of those that show alike, the smaller is the likelier."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Landing:
    """A landing error that explains the purity best, its common sign open.

    Attributes:
        value_ratio: Even sideways, even up and down, growing to the edges; share of light astray, (3,).
        cov_ratio: Covariance, (3, 3).
        patch_sd: By how many standard deviations the worst zone departs from what such errors can make.
        patch_zone: That zone.
        worst_ratio: Largest purity error measured.
        worst_sd: Its standard deviation.
        worst_zone: Where.
    """

    value_ratio: Floats
    cov_ratio: Floats
    patch_sd: float
    patch_zone: Zone
    worst_ratio: float
    worst_sd: float
    worst_zone: Zone


def fit_landing(found: Purity | Unsupported, *, both_axes: bool) -> Landing | Unsupported:
    """The landing error behind a purity by zone, or why it can't be told."""
    if isinstance(found, Unsupported):
        return found
    zones: list[Zone] = []
    shares: list[float] = []
    sds: list[float] = []
    for zone in ZONES:
        known = [one for gun in GUNS if isinstance(one := found.shift_ratio.get(gun, {}).get(zone), Figure)]
        if known:
            weight = np.array([1 / max(one.sd, 1e-3) ** 2 for one in known])
            zones.append(zone)
            shares.append(float(weight @ np.array([one.value for one in known]) / weight.sum()))
            # The camera's shading is common to the guns: averaging them doesn't take it off.
            sds.append(float(np.sqrt(np.mean([one.sd**2 for one in known]))))
    if len(zones) < FEWEST_ZONES:
        return Unsupported(
            reason="the colour of too few zones could be read",
            would_settle="a photograph of the survey for light with the whole picture in view",
        )
    seen, sd = np.array(shares), np.hypot(np.array(sds), SHAPE_SD)
    u = np.array([ZONES.index(zone) % 3 - 1 for zone in zones], dtype=float)
    v = np.array([ZONES.index(zone) // 3 - 1 for zone in zones], dtype=float)
    grid = _grid(both_axes=both_axes)
    x = grid[:, :1] + grid[:, 2:] * u
    y = grid[:, 1:2] + grid[:, 2:] * v if both_axes else np.zeros_like(x)
    light = np.hypot(x, y)
    middle = np.sort(light, axis=1)[:, [(len(zones) - 1) // 2, len(zones) // 2]].mean(axis=1, keepdims=True)
    apart = (seen - (light - middle)) / sd
    misfit = (apart**2).sum(axis=1) + ((grid / USUAL) ** 2).sum(axis=1)
    best = int(np.argmin(misfit))
    weight = np.exp(-0.5 * (misfit - misfit[best]))
    weight /= weight.sum()
    mean = weight @ grid
    off = grid - mean
    worst_sd, worst_zone = max((abs(float(one)), zone) for one, zone in zip(apart[best], zones, strict=True))
    cov = (off * weight[:, None]).T @ off + np.diag(np.full(3, (GRID / 2) ** 2))
    worst = max(
        ((abs(figure.value), figure.sd, zone) for gun in GUNS for zone, figure in found.shift_ratio[gun].items()
         if isinstance(figure, Figure)),
        key=lambda one: one[0],
    )  # fmt: skip
    return Landing(
        value_ratio=mean,
        cov_ratio=cov,
        patch_sd=worst_sd,
        patch_zone=worst_zone,
        worst_ratio=worst[0],
        worst_sd=worst[1],
        worst_zone=worst[2],
    )


def _grid(*, both_axes: bool) -> Floats:
    """Landing errors to be tried, (n, 3); the edge's own sign stands for the open common one."""
    step = GRID * (COARSER if both_axes else 1)
    even = np.arange(-WIDEST, WIDEST + step / 2, step)
    edge = np.arange(0, WIDEST + step / 2, step)
    upright = even if both_axes else np.zeros(1)
    return np.stack(np.meshgrid(even, upright, edge, indexing="ij"), axis=-1).reshape(-1, 3)
