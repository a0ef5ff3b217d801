"""Focus: how wide the spot is on the screen, along the lines and across them, zone by zone.

A mark's blur holds the spot, along the line also the video circuits, and the
camera. The camera's share is taken off in quadrature (variances of blurs that
follow one another add) where printed tags beside the picture show it; else the
figure holds it and is an upper bound. A full width at half height is that of the
Gaussian with the same standard deviation.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.bars import BarTracks
from tubewright.picture.patterns.survey import survey_bars
from tubewright.picture.results import ZONES, Figure, Focus, Known, Unsupported, Zone
from tubewright.picture.seen import Sighting, TagViews

Floats = NDArray[np.float64]

FWHM_OVER_SD: Final = 2.0 * float(np.sqrt(2.0 * np.log(2.0)))  # of a Gaussian
_FEWEST: Final = 4
"""Marks of a zone from which its median means something."""
_TELLABLE_SDS: Final = 2.0
"""A spot's variance has to stand this many standard errors above nothing."""
_CAMERA_SD_RATIO: Final = 0.1
"""How far the camera's blur on the glass may differ from that on the tags beside it: focus, field. Estimate."""
_BAR_SPREAD_SD_RATIO: Final = 0.05
"""Standard error of a bar's fitted width, over it: its shape is no Gaussian between boxes. Estimate."""
_SHAPE_SD_RATIO: Final = 0.04
"""How far the width is off however many marks there are: spots are no Gaussians, and a mosaic and a file blur too.
On simulated tubes the middle came out 1 to 6 % wide."""
_ROBUST_MEDIAN: Final = 1.2533  # standard error of a median over that of a mean, normal distribution: sqrt(pi / 2)
_ROBUST: Final = 1.4826  # standard deviation over median absolute deviation, the same


def measure_focus(
    sighting: Sighting,
    tags: TagViews | None,
    *,
    mm_per_px_x: Figure | None,
    mm_per_line_y: Figure | None,
    tracks: BarTracks | None = None,
) -> Focus:
    """The spot's width by zone: thirds of the raster either way, named as the raster stands upright.

    The three guns are taken together: the figure of a zone is the median over its marks of all guns, so one gun out
    of three that is out of focus shows in the standard error more than in the figure.

    Args:
        sighting: The survey as seen.
        tags: Tags in the same photograph, if there are any: they show the camera's blur.
        mm_per_px_x: Millimetres on the picture per raster pixel, its width over its pixels; ``None`` without a scale.
        mm_per_line_y: The same per line, its height over its lines.
        tracks: The bars, which join in along the line.
    """
    camera = _camera_blur_px(tags)
    zones_h: Mapping[Zone, Known]
    if all(one is None for one in sighting.maps):
        none = Unsupported(reason="no gun shows marks enough", would_settle="a brighter or sharper photograph")
        return Focus(spot_h_mm=dict.fromkeys(ZONES, none), spot_v_mm=dict.fromkeys(ZONES, none), camera_blur="included")
    marks, raster = sighting.marks, sighting.raster
    column = np.clip((marks.raster_x_px + 0.5) * 3 // raster.width_px, 0, 2).astype(np.int64)
    row = np.clip((marks.raster_y_px + 0.5) * 3 // raster.height_px, 0, 2).astype(np.int64)
    zone = 3 * row + column
    spread_x, spread_sd, at = marks.spread_x_px, marks.spread_sd_px, (marks.raster_x_px, marks.raster_y_px)
    zones_x, gun_x = zone, marks.gun
    if tracks is not None and tracks.gun.size:
        more = _of_bars(sighting, tracks)
        spread_x, spread_sd = np.concatenate([spread_x, more[0]]), np.concatenate([spread_sd, more[1]])
        at_x = (np.concatenate([at[0], more[2]]), np.concatenate([at[1], more[3]]))
        zones_x, gun_x = np.concatenate([zones_x, more[4]]), np.concatenate([gun_x, more[5]])
    else:
        at_x = at
    zones_h = _by_zone(sighting, 0, spread_x, spread_sd, at_x, gun_x, zones_x, camera, mm_per_px_x)
    zones_v = _by_zone(sighting, 1, marks.spread_y_px, marks.spread_sd_px, at, marks.gun, zone, camera, mm_per_line_y)
    return Focus(spot_h_mm=zones_h, spot_v_mm=zones_v, camera_blur="included" if camera is None else "taken_off")


def _camera_blur_px(tags: TagViews | None) -> Figure | None:
    """The camera's blur in its pixels, from the tags; ``None`` without any that tell."""
    if tags is None:
        return None
    good = np.isfinite(tags.edge_spread_px) & (tags.edge_spread_px > 0)
    if good.sum() < 2:
        return None
    spread = tags.edge_spread_px[good]
    middle = float(np.median(spread))
    scatter = _ROBUST * float(np.median(np.abs(spread - middle))) * _ROBUST_MEDIAN / np.sqrt(good.sum())
    return Figure(value=middle, sd=float(np.hypot(scatter, _CAMERA_SD_RATIO * middle)))


def _of_bars(
    sighting: Sighting, tracks: BarTracks
) -> tuple[Floats, Floats, Floats, Floats, NDArray[np.int64], NDArray[np.int64]]:
    """The bars' spreads as more marks: spread, its error, place on the raster (x, y), zone, gun."""
    raster = sighting.raster
    drawn = np.array([bar.x_px for bar in survey_bars(raster)])[tracks.bar]
    x = np.repeat(drawn, 3)
    third = np.tile(np.arange(3), drawn.size)
    y = (third + 0.5) * raster.height_px / 3 - 0.5
    column = np.clip((x + 0.5) * 3 // raster.width_px, 0, 2).astype(np.int64)
    spread = tracks.spread_x_px.ravel()
    return spread, _BAR_SPREAD_SD_RATIO * spread, x, y, 3 * third + column, np.repeat(tracks.gun, 3)


def _by_zone(
    sighting: Sighting,
    axis: int,
    spread: Floats,
    spread_sd: Floats,
    at: tuple[Floats, Floats],
    gun: NDArray[np.int64],
    zone: NDArray[np.int64],
    camera: Figure | None,
    mm_per_px: Figure | None,
) -> dict[Zone, Known]:
    if mm_per_px is None:
        none = Unsupported(
            reason="nothing in the photograph gives a scale in millimetres",
            would_settle="the printed tags beside the picture, or its size measured with a ruler",
        )
        return dict.fromkeys(ZONES, none)
    photo_px = _local_scale(sighting, axis, at, gun)
    mm = mm_per_px.value
    variance = (spread * mm) ** 2
    variance_sd = 2 * spread * spread_sd * mm**2
    camera_mm = np.zeros_like(photo_px) if camera is None else camera.value * mm / photo_px
    camera_sd_ratio = 0.0 if camera is None else camera.sd / camera.value
    result: dict[Zone, Known] = {}
    for k, name in enumerate(ZONES):
        own = (zone == k) & np.isfinite(variance) & np.isfinite(variance_sd)
        if own.sum() < _FEWEST:
            result[name] = Unsupported(
                reason="too few marks of this zone show their width", would_settle="a sharper, closer photograph"
            )
            continue
        middle = float(np.median(variance[own]))
        scatter = max(
            _ROBUST * float(np.median(np.abs(variance[own] - middle))), float(np.median(variance_sd[own])) / 2
        )
        blur = float(np.median(camera_mm[own])) ** 2
        left = middle - blur
        left_sd = float(np.hypot(scatter * _ROBUST_MEDIAN / np.sqrt(own.sum()), 2 * blur * camera_sd_ratio))
        if left < _TELLABLE_SDS * left_sd or left <= 0:
            most = FWHM_OVER_SD * np.sqrt(max(left + 2 * left_sd, 0.0))
            result[name] = Unsupported(
                reason=f"the spot is finer than the camera's blur can tell, below {most:.2g} mm",
                would_settle="a sharper or closer photograph",
            )
            continue
        width = FWHM_OVER_SD * float(np.sqrt(left))
        sd = width * np.hypot.reduce([left_sd / (2 * left), mm_per_px.sd / mm_per_px.value, _SHAPE_SD_RATIO])
        result[name] = Figure(value=width, sd=float(sd))
    return result


def _local_scale(sighting: Sighting, axis: int, at: tuple[Floats, Floats], gun: NDArray[np.int64]) -> Floats:
    """Pixels of the photograph to one raster pixel (or line) at places of the raster."""
    step = (0.5, 0.0) if axis == 0 else (0.0, 0.5)
    photo = np.full(at[0].shape, np.nan)
    for g, one in enumerate(sighting.maps):
        own = gun == g
        if one is not None and own.any():
            x, y = at[0][own], at[1][own]
            ahead, behind = one(x + step[0], y + step[1]), one(x - step[0], y - step[1])
            photo[own] = np.hypot(ahead[0] - behind[0], ahead[1] - behind[1])
    return photo
