"""The true figures of a display: its picture's geometry, convergence, curl, spot, laws, stains and wear.

Reckoned on the nodes of the survey's lattice by this module's own code; docs/simulator.md
says how each figure is meant.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from tubewright.picture.patterns import survey
from tubewright.simulate.display import FWHM_PER_SIGMA, Array, Display

ZONES: Final = (
    ("top_left", "top", "top_right"),
    ("left", "centre", "right"),
    ("bottom_left", "bottom", "bottom_right"),
)
GUNS: Final = ("red", "green", "blue")


def _node_uv(raster_size_px: int, count: int) -> Array:
    return (survey.node_px(raster_size_px, count) + 0.5) * 2 / raster_size_px - 1


def geometry_truth(display: Display) -> dict[str, Any]:
    """The figures on the lattice's nodes, outermost to outermost; a straight line between the ends is the chord."""
    u, v = np.meshgrid(
        _node_uv(display.raster.width_px, survey.COLUMNS), _node_uv(display.raster.height_px, survey.ROWS)
    )
    seen = np.stack(display.bent(u, v), axis=-1)
    ideal = np.stack([u * display.width_mm / 2, v * display.height_mm / 2], axis=-1)
    straight, turned_deg, scale = _unturned(seen, ideal)
    middle_row, middle_column = survey.ROWS // 2, survey.COLUMNS // 2
    width = np.mean(straight[:, -1, 0] - straight[:, 0, 0])
    height = np.mean(straight[-1, :, 1] - straight[0, :, 1])
    top, bottom, left, right = straight[0], straight[-1], straight[:, 0], straight[:, -1]
    across, down = straight[middle_row], straight[:, middle_column]
    top_width, bottom_width = top[-1, 0] - top[0, 0], bottom[-1, 0] - bottom[0, 0]
    left_height, right_height = left[-1, 1] - left[0, 1], right[-1, 1] - right[0, 1]
    row_slope = np.polyfit(seen[middle_row, :, 0], seen[middle_row, :, 1], 1)[0]
    column_slope = np.polyfit(seen[:, middle_column, 1], seen[:, middle_column, 0], 1)[0]
    return {
        "pincushion_pct": {
            "top": 100 * _sag(top, 1) / height,
            "bottom": -100 * _sag(bottom, 1) / height,
            "left": 100 * _sag(left, 0) / width,
            "right": -100 * _sag(right, 0) / width,
        },
        "trapezoid_h_pct": 100 * (top_width - bottom_width) / ((top_width + bottom_width) / 2),
        "trapezoid_v_pct": 100 * (left_height - right_height) / ((left_height + right_height) / 2),
        "rotation_deg": float(np.degrees(np.arctan(row_slope))),
        # from the horizontal line, rightwards, to the vertical line, downwards, less a right angle
        "parallelogram_deg": float(-np.degrees(np.arctan(column_slope)) - np.degrees(np.arctan(row_slope))),
        "bow_vertical_axis_pct": 100 * _sag(down, 0) / width,
        "bow_horizontal_axis_pct": 100 * _sag(across, 1) / height,
        "linearity_h_pct": _unevenness(across),
        "linearity_v_pct": _unevenness(down),
        "width_mm": display.width_mm * scale,
        "height_mm": display.height_mm * scale,
        "similarity_turn_deg": turned_deg,
    }


def _unturned(seen: Array, ideal: Array) -> tuple[Array, float, float]:
    """Places with the best-fitting turn taken off, that turn (clockwise) and the scale of the fit."""
    z = (seen[..., 0] + 1j * seen[..., 1]).ravel()
    w = (ideal[..., 0] + 1j * ideal[..., 1]).ravel()
    z0, w0 = z.mean(), w.mean()
    factor = np.sum(np.conj(w - w0) * (z - z0)) / np.sum(np.abs(w - w0) ** 2)
    back = (z - z0) * np.exp(-1j * np.angle(factor))
    straight = np.stack([back.real, back.imag], axis=-1).reshape(seen.shape)
    return straight, float(np.degrees(np.angle(factor))), float(np.abs(factor))


def _sag(line: Array, axis: int) -> float:
    """How far a line's middle lies beside the chord of its ends, right or down."""
    start, end, middle = line[0], line[-1], line[len(line) // 2]
    share = (middle[1 - axis] - start[1 - axis]) / (end[1 - axis] - start[1 - axis])
    return float(middle[axis] - (start[axis] + share * (end[axis] - start[axis])))


def _unevenness(line: Array) -> float:
    spacing = np.hypot(*np.diff(line, axis=0).T)
    return float(100 * (spacing.max() - spacing.min()) / spacing.mean())


def _zone_places(display: Display) -> dict[str, tuple[float, float]]:
    """Where each zone is, u and v: the lattice's outermost nodes and its middle."""
    u = _node_uv(display.raster.width_px, survey.COLUMNS)[[0, survey.COLUMNS // 2, -1]]
    v = _node_uv(display.raster.height_px, survey.ROWS)[[0, survey.ROWS // 2, -1]]
    return {ZONES[j][i]: (float(u[i]), float(v[j])) for j in range(3) for i in range(3)}


def convergence_truth(display: Display) -> dict[str, dict[str, dict[str, tuple[float, float]]]]:
    """Displacement against green by pair and zone: at the zone's place, in its middle, and on average."""
    u, v = np.meshgrid(
        _node_uv(display.raster.width_px, survey.COLUMNS), _node_uv(display.raster.height_px, survey.ROWS)
    )
    found: dict[str, dict[str, dict[str, tuple[float, float]]]] = {}
    for gun, pair in ((0, "red_minus_green"), (2, "blue_minus_green")):
        found[pair] = {"at": {}, "middle": {}, "mean": {}}
        for name, (zone_u, zone_v) in _zone_places(display).items():
            x, y = display.misconvergence.at(gun, np.array(zone_u), np.array(zone_v))
            found[pair]["at"][name] = (float(x), float(y))
            middle_u, middle_v = np.sign(zone_u) * 2 / 3, np.sign(zone_v) * 2 / 3
            x, y = display.misconvergence.at(gun, middle_u, middle_v)
            found[pair]["middle"][name] = (float(x), float(y))
        dx, dy = display.misconvergence.at(gun, u, v)
        parts = (np.array_split(np.arange(survey.ROWS), 3), np.array_split(np.arange(survey.COLUMNS), 3))
        for j in range(3):
            for i in range(3):
                own = np.ix_(parts[0][j], parts[1][i])
                found[pair]["mean"][ZONES[j][i]] = (float(dx[own].mean()), float(dy[own].mean()))
    return found


def curl_profile_mm(display: Display) -> Array:
    """How far curl moves each line to the right on the picture, on average over the survey's bars, mm, (lines,)."""
    raster = display.raster
    line = np.arange(raster.height_px, dtype=float)[:, None]
    u = np.array([bar.x_px + 0.5 for bar in survey.survey_bars(raster)]) * 2 / raster.width_px - 1
    v = (line + 0.5) * 2 / raster.height_px - 1
    u, v = np.broadcast_arrays(u[None, :], v)
    moved = display.bent(u + display.curl.at(line) * 2 / display.width_mm, v)[0] - display.bent(u, v)[0]
    return np.asarray(moved.mean(axis=1))


def curl_truth(shift_mm: Array) -> dict[str, float]:
    """Amplitude at the first line, lines until 5 % of it are left for good, and the largest swing to the other side."""
    if shift_mm[0] == 0:
        return {"amplitude_mm": 0.0, "settle_lines": 0.0, "overshoot_ratio": 0.0}
    relative = shift_mm / shift_mm[0]
    unsettled = np.nonzero(np.abs(relative) > 0.05)[0]
    return {
        "amplitude_mm": float(shift_mm[0]),
        "settle_lines": float(unsettled[-1] + 1),
        "overshoot_ratio": float(max(0.0, -relative.min())),
    }


def spot_truth(display: Display) -> dict[str, dict[str, float]]:
    """Full width at half height by zone, the video amplifier's blur within it."""
    spot = display.spot
    video_mm = display.video_blur_px * display.width_mm / display.raster.width_px * FWHM_PER_SIGMA
    sizes = {}
    for name, (u, v) in _zone_places(display).items():
        growth = float(spot.growth(np.array(u), np.array(v)))
        sizes[name] = {"h_mm": float(np.hypot(spot.h_mm, video_mm)) * growth, "v_mm": spot.v_mm * growth}
    return sizes


def laws_truth(display: Display) -> dict[str, dict[str, float | None]]:
    """Each gun's law, and its light at full drive against the strongest gun's and a good one's."""
    full = [float(gun.light(np.array(1.0))) for gun in display.guns]
    return {
        GUNS[i]: {
            "gamma_ratio": gun.gamma_ratio,
            "black_drive_ratio": gun.black_drive_ratio,
            "bends_at_ratio": gun.bends_at_ratio,
            "shortfall_ratio": gun.shortfall_ratio,
            "emission_reserve": gun.reserve_ratio,
            "strength_ratio": full[i] / max(full),
            "full_light_ratio": full[i],
        }
        for i, gun in enumerate(display.guns)
    }


def purity_truth(display: Display) -> dict[str, float]:
    """Share of each gun's light that falls on the next gun's phosphor, by zone; negative: the one before."""
    shares = {}
    for name, (u, v) in _zone_places(display).items():
        x, y = display.bent(np.array(u), np.array(v))
        shares[name] = float(
            sum(
                s.share * np.exp(-((x - s.x_mm) ** 2 + (y - s.y_mm) ** 2) / (2 * s.radius_mm**2))
                for s in display.stains
            )
        )
    return shares


def wear_truth(display: Display) -> dict[str, Any]:
    """Largest loss by phosphor, where it is, and how much of the screen lost more than half of it."""
    if display.burn is None:
        return {"depth_ratio": [0.0, 0.0, 0.0], "area_pct": 0.0, "x_mm": None, "y_mm": None}
    shape = display.burn.shape_share
    row, column = np.unravel_index(int(np.argmax(shape)), shape.shape)
    return {
        "depth_ratio": [depth * float(shape.max()) for depth in display.burn.depth_ratio],
        "area_pct": float(100 * np.mean(shape > shape.max() / 2)),
        "x_mm": float(((column + 0.5) / shape.shape[1] - 0.5) * display.width_mm),
        "y_mm": float(((row + 0.5) / shape.shape[0] - 0.5) * display.height_mm),
    }
