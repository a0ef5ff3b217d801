"""Readings of a grey scale judged: how far each step is from the chosen white, and whether the readings can tell more.

A step's difference is that of its colour alone: it is compared with a neutral of the chosen
white that is just as light. Its lightness is counted against the brightest step.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

import numpy as np

from tubewright.judgement.greyscale_fit import (
    Array,
    GreyFit,
    GreyReading,
    gun_lights,
    noise_xyz,
    phosphor_matrix,
    reading_xyz,
    room_xyz,
)
from tubewright.physics.colour import (
    TYPICAL_PRIMARIES_XY,
    delta_uv_prime,
    luminance_shares,
    uv_prime_from_xy,
    xy_from_xyz,
    xyz_from_xy,
)
from tubewright.physics.colour_difference import ciede2000, lab_from_xyz
from tubewright.physics.white_points import white_place
from tubewright.picture.results import Unsupported

DisplayKind: TypeAlias = Literal["inline", "delta", "broadcast"]
DISPLAY_KINDS: Final[tuple[DisplayKind, ...]] = ("inline", "delta", "broadcast")

FEWEST_LEVELS: Final = 5
DARK_LEVEL: Final = 0.35
BRIGHT_LEVEL: Final = 0.75
DARKEST_COUNTED: Final = 0.095
WARM_MINUTES: Final = 20.0
DRIFT_RATIO: Final = 0.03
SURE_SDS: Final = 3.0
STALLED_SHARE: Final = 0.25
WORST_MISFIT: Final = 5.0

_TINY: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyTarget:
    """What the grey is to be.

    Attributes:
        name: Name of the white.
        white_xy: Its chromaticity.
        kind: What sort of display the tolerances are those of.
        white_du_v: How far the brightest step may be from the white.
        drift_du_v: How far the other steps may be from the brightest.
        peak_low_cd_m2: Least usual peak white.
        peak_high_cd_m2: Most.
    """

    name: str
    white_xy: tuple[float, float]
    kind: DisplayKind
    white_du_v: float
    drift_du_v: float
    peak_low_cd_m2: float
    peak_high_cd_m2: float


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyStep:
    """One step of grey beside the chosen white.

    Attributes:
        level_ratio: Video level.
        luminance_cd_m2: Light, less that of the room where it was read; over the brightest in a relative answer.
        place_xy: Chromaticity; None where there is no light.
        cct_k: Correlated colour temperature; None where it means nothing.
        duv_ratio: Distance from the black body in CIE 1960 u, v; None likewise.
        white_du_v: Distance from the chosen white.
        drift_du_v: Distance from the brightest step.
        delta_e: CIEDE2000 to a neutral just as light.
        sd_du_v: What the instrument's noise does to the distances.
        gun_ratio: Light of red, green and blue over what the white needs at this luminance, 1 each for a neutral.
        counted: Whether the tolerances are asked of it.
    """

    level_ratio: float
    luminance_cd_m2: float
    place_xy: tuple[float, float] | None
    cct_k: float | None
    duv_ratio: float | None
    white_du_v: float | None
    drift_du_v: float | None
    delta_e: float | None
    sd_du_v: float | None
    gun_ratio: tuple[float, float, float] | None
    counted: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class GreyError:
    """The tracking error of a grey scale over the steps that count.

    ``worst_level_ratio`` is where ``worst_delta_e`` stands.
    """

    white_du_v: float
    drift_du_v: float
    worst_delta_e: float
    mean_delta_e: float
    worst_level_ratio: float
    within: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class Sound:
    """What readings are good for: those that can be fitted, what is wrong, and whether a fit is refused.

    ``refused`` says why no law is fitted; ``no_drives`` why only the darks are; ``remarks``
    is whatever is worth knowing beside.
    """

    used: tuple[GreyReading, ...]
    refused: tuple[Unsupported, ...]
    no_drives: Unsupported | None
    remarks: tuple[Unsupported, ...]


def grey_steps(
    readings: Sequence[GreyReading], target: GreyTarget, primaries_xy: Array = TYPICAL_PRIMARIES_XY
) -> tuple[GreyStep, ...]:
    """Each white step that was read, rising; steps read more than once are averaged."""
    room = room_xyz(readings)
    white = [one for one in readings if one.shown == "white"]
    levels = sorted({one.level_ratio for one in white})
    xyz = np.array([reading_xyz([one for one in white if one.level_ratio == level]).mean(axis=0) for level in levels])
    sd = np.hypot(noise_xyz(xyz), noise_xyz(room) * bool(room.any()))
    return steps_of(np.array(levels), xyz - room, sd, target, primaries_xy)


def predicted_steps(fit: GreyFit, level_ratio: Array, target: GreyTarget) -> tuple[GreyStep, ...]:
    """The steps that a fit would show at some levels; their spread is that of the instrument."""
    xyz = fit.light(level_ratio) @ phosphor_matrix(fit.primaries_xy).T
    return steps_of(np.asarray(level_ratio, dtype=np.float64), xyz, noise_xyz(xyz), target, fit.primaries_xy)


def steps_of(
    levels: Array, xyz: Array, sd: Array, target: GreyTarget, primaries_xy: Array = TYPICAL_PRIMARIES_XY
) -> tuple[GreyStep, ...]:
    """Steps from their X, Y, Z ``(n, 3)`` and its standard deviations, ``levels`` rising."""
    lit = (xyz[:, 1] > SURE_SDS * sd[:, 1]) & np.all(xyz > 0, axis=1)
    if not lit.any():
        return tuple(_dark(float(level), float(y)) for level, y in zip(levels, xyz[:, 1], strict=True))
    xy = xy_from_xyz(np.where(lit[:, None], xyz, 1.0))
    apart = _apart(xyz, lit, target, peak=float(xyz[lit][-1, 1]))
    drift = np.asarray(delta_uv_prime(xy, xy[lit][-1]))
    place = white_place(xy)
    spread = _uv_sd(np.where(lit[:, None], xyz, 1.0), sd)
    needed = luminance_shares(primaries_xy, target.white_xy) * np.where(lit, xyz[:, 1], 1.0)[:, None]
    balance = gun_lights(xyz, primaries_xy) / needed
    most = min(target.white_du_v, target.drift_du_v) / 2
    return tuple(
        GreyStep(
            level_ratio=float(levels[i]),
            luminance_cd_m2=float(xyz[i, 1]),
            place_xy=(float(xy[i, 0]), float(xy[i, 1])),
            cct_k=_finite(float(place.cct_k[i])),
            duv_ratio=_finite(float(place.duv_ratio[i])),
            white_du_v=float(delta_uv_prime(xy[i], target.white_xy)),
            drift_du_v=float(drift[i]),
            delta_e=float(apart[i]),
            sd_du_v=float(spread[i]),
            gun_ratio=(float(balance[i, 0]), float(balance[i, 1]), float(balance[i, 2])),
            counted=bool(levels[i] >= DARKEST_COUNTED and spread[i] <= most),
        )
        if lit[i]
        else _dark(float(levels[i]), float(xyz[i, 1]))
        for i in range(len(levels))
    )


def differences(fit: GreyFit, level_ratio: Array, target: GreyTarget) -> tuple[Array, Array]:
    """CIEDE2000 and distance from the white of each draw at each level, ``(draws, levels)`` both."""
    light = fit.drawn_light(level_ratio)
    xyz = np.einsum("dlg,dcg->dlc", light, phosphor_matrix(fit.draws[:, 12:].reshape(-1, 3, 2)))
    xyz = np.maximum(xyz, _TINY)
    peak = xyz[:, -1:, 1:2]
    white = xyz_from_xy(target.white_xy)
    lab = lab_from_xyz(xyz / peak, white)
    neutral = lab * np.array([1.0, 0.0, 0.0])
    return ciede2000(lab, neutral), delta_uv_prime(xy_from_xyz(xyz), target.white_xy)


def grey_error(steps: Sequence[GreyStep], target: GreyTarget) -> GreyError | Unsupported:
    """The error over the steps that count, or why there is none."""
    counted = [one for one in steps if one.counted]
    if len(counted) < 2:
        return Unsupported(
            reason="fewer than two steps from 10 % up could be read surely",
            would_settle="readings of at least five steps from 10 to 100 %",
        )
    apart = [one.delta_e or 0.0 for one in counted]
    worst = int(np.argmax(apart))
    white_du_v = counted[-1].white_du_v or 0.0
    drift = max(one.drift_du_v or 0.0 for one in counted)
    return GreyError(
        white_du_v=white_du_v,
        drift_du_v=drift,
        worst_delta_e=max(apart),
        mean_delta_e=float(np.mean(apart)),
        worst_level_ratio=counted[worst].level_ratio,
        within=white_du_v <= target.white_du_v and drift <= target.drift_du_v,
    )


def look_over(readings: Sequence[GreyReading]) -> Sound:
    """What the readings can be used for, before any law is fitted."""
    remarks: list[Unsupported] = []
    refused = [*_moved(readings)]
    cold = [one for one in readings if one.minutes is not None and one.minutes < WARM_MINUTES and one.shown != "off"]
    if cold:
        refused.append(
            Unsupported(
                reason=f"the set had run for {min(one.minutes or 0.0 for one in cold):.0f} minutes only",
                would_settle=f"readings after {WARM_MINUTES:.0f} to 30 minutes: cathodes and stages drift until then",
            )
        )
    if not any(one.shown == "off" for one in readings):
        remarks.append(
            Unsupported(
                reason="light of the room was not read and is taken for none",
                would_settle='a reading with the set switched off ("off" in the column "shown"), '
                "or an instrument that sits on the glass",
            )
        )
    clipped = _clipped(readings)
    used = tuple(
        one for one in readings if not (one.shown == "white" and clipped is not None and one.level_ratio >= clipped)
    )
    no_drives = None
    if clipped is not None:
        no_drives = Unsupported(
            reason=f"from {100 * clipped:.0f} % up all three guns stop growing together",
            would_settle="readings with contrast turned down: the source, the video stages or the beam limiter clip "
            "the highlights",
        )
    refused += _too_few(used, clipped=clipped is not None)
    return Sound(used=used, refused=tuple(refused), no_drives=no_drives, remarks=tuple(remarks))


def doubt_of_fit(fit: GreyFit) -> Unsupported | None:
    """Why a fit must not be leaned on, if it must not."""
    if fit.misfit_ratio <= WORST_MISFIT:
        return None
    return Unsupported(
        reason=f"the readings don't follow three guns' laws: {fit.misfit_ratio:.0f} times more is left over than "
        "the instrument and the laws explain",
        would_settle="the same steps once more, warm, in the order dark to bright, with the beam limiter out of play "
        "(a small patch, not the whole raster) and each primary read at full level",
    )


def _moved(readings: Sequence[GreyReading]) -> list[Unsupported]:
    """The same step read twice and not the same: the set drifted."""
    found = []
    for shown, level in sorted({(one.shown, one.level_ratio) for one in readings}):
        same = [one for one in readings if (one.shown, one.level_ratio) == (shown, level)]
        if len(same) < 2 or shown == "off":
            continue
        xyz = reading_xyz(same)
        spread = np.ptp(xyz, axis=0)
        limit = np.maximum(SURE_SDS * np.sqrt(2) * noise_xyz(xyz.mean(axis=0)), DRIFT_RATIO * xyz.mean(axis=0))
        if np.any(spread > limit):
            found.append(
                Unsupported(
                    reason=f"{shown} at {100 * level:.0f} % was read {len(same)} times and moved by "
                    f"{100 * float(np.max(spread / np.maximum(xyz.mean(axis=0), _TINY))):.0f} %",
                    would_settle="readings after 20 to 30 minutes, taken in one go: guns warm up unequally",
                )
            )
    return found


def _clipped(readings: Sequence[GreyReading]) -> float | None:
    """The second of the top levels between which none of the guns grew as it should."""
    room = room_xyz(readings)
    white = [one for one in readings if one.shown == "white" and one.level_ratio > 0]
    levels = sorted({one.level_ratio for one in white})
    if len(levels) < 3:
        return None
    xyz = np.array([reading_xyz([one for one in white if one.level_ratio == level]).mean(axis=0) for level in levels])
    light = gun_lights(xyz - room)
    found = None
    for i in range(len(levels) - 1, 0, -1):
        expected = (levels[i] / levels[i - 1]) ** 2 - 1
        grew = light[i] / np.maximum(light[i - 1], _TINY) - 1
        if expected < DRIFT_RATIO or np.any(light[i - 1] <= 0) or np.any(grew > STALLED_SHARE * expected):
            break
        found = levels[i]
    return found


def _too_few(used: Sequence[GreyReading], *, clipped: bool) -> list[Unsupported]:
    levels = sorted({one.level_ratio for one in used if one.shown == "white" and one.level_ratio > 0})
    found = []
    if len(levels) < FEWEST_LEVELS:
        found.append(
            Unsupported(
                reason=f"only {len(levels)} usable steps of grey: a gun's cutoff, gain and exponent need "
                f"{FEWEST_LEVELS} or more",
                would_settle="readings at ten even steps, 10 to 100 %",
            )
        )
    if levels and levels[0] > DARK_LEVEL:
        found.append(
            Unsupported(
                reason=f"nothing was read below {100 * levels[0]:.0f} %, and cutoffs show in the darks",
                would_settle="readings at 10, 20 and 30 %",
            )
        )
    if levels and levels[-1] < BRIGHT_LEVEL and not clipped:
        found.append(
            Unsupported(
                reason=f"nothing was read above {100 * levels[-1]:.0f} %, and drives show in the brights",
                would_settle="readings at 80, 90 and 100 %",
            )
        )
    return found


def _apart(xyz: Array, lit: Array, target: GreyTarget, *, peak: float) -> Array:
    lab = lab_from_xyz(np.where(lit[:, None], xyz, 0.0) / peak, xyz_from_xy(target.white_xy))
    return np.asarray(ciede2000(lab, lab * np.array([1.0, 0.0, 0.0])))


def _uv_sd(xyz: Array, sd: Array) -> Array:
    """Standard deviation of a place in u', v' along either axis, ``(n,)``."""
    middle = uv_prime_from_xy(xy_from_xyz(xyz))
    total = np.zeros(len(xyz))
    for axis in range(3):
        moved = xyz.copy()
        moved[:, axis] += sd[:, axis]
        total += np.sum((uv_prime_from_xy(xy_from_xyz(moved)) - middle) ** 2, axis=1)
    result: Array = np.sqrt(total / 2)
    return result


def _dark(level: float, luminance: float) -> GreyStep:
    return GreyStep(
        level_ratio=level, luminance_cd_m2=luminance, place_xy=None, cct_k=None, duv_ratio=None, white_du_v=None,
        drift_du_v=None, delta_e=None, sd_du_v=None, gun_ratio=None, counted=False,
    )  # fmt: skip


def _finite(value: float) -> float | None:
    return value if np.isfinite(value) else None
