"""The truth behind a simulated photograph: places, figures and laws, reckoned from the scene itself.

Nothing here is measured in the picture, and nothing is shared with what measures
it. Places in a photograph are (x, y) in its pixels once it stands upright, x
right, y down, whole number = pixel centre.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.patterns import survey, tags
from tubewright.simulate.display import Array, Curl, Display

if TYPE_CHECKING:
    from tubewright.simulate.photograph import Scene

ZONES: Final = (
    ("top_left", "top", "top_right"),
    ("left", "centre", "right"),
    ("bottom_left", "bottom", "bottom_right"),
)
GUNS: Final = ("red", "green", "blue")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MarkTruth:
    """The marks of the survey, one entry each, in the order of ``survey_marks``.

    Attributes:
        column: Column of the lattice, (n,).
        row: Row of the lattice, (n,).
        gun: 0 red, 1 green, 2 blue, (n,).
        raster_px: Middle of the mark on the raster, (n, 2).
        place_mm: Where its gun draws that middle on the picture, (n, 2), curl and mains included.
        photo_px: Where the photograph shows it, in the channel of its own colour, (n, 2).
        red_minus_green_mm: Where red would draw it less where green would, (n, 2).
        blue_minus_green_mm: The same of blue, (n, 2).
    """

    column: NDArray[np.int64]
    row: NDArray[np.int64]
    gun: NDArray[np.int64]
    raster_px: Array
    place_mm: Array
    photo_px: Array
    red_minus_green_mm: Array
    blue_minus_green_mm: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """Everything that a measurement of the photograph could be asked for.

    Attributes:
        scene: The scene itself.
        marks: The survey's marks, whether or not the pattern shown is the survey.
        geometry: Figures of the green picture without curl and mains, by name; edges by their names.
        convergence: By pair of guns and zone, mm: at the lattice's own corners, middles of edges and middle
            (``at``), and on average over the zone, a ninth of the lattice (``mean``).
        worst_mm: The largest distance of red or blue from green at any mark.
        curl: ``amplitude_mm``, ``settle_lines`` (to 5 %), ``overshoot_ratio``.
        curl_mm: Displacement of each line, (lines,).
        hum: ``displacement_mm`` and ``brightness_pct``, peak to peak, ``period_lines``.
        spot: Full width at half height by zone, ``h_mm`` and ``v_mm``; at the places of convergence's ``at``.
        laws: By gun.
        purity: Share of each gun's light on the next gun's phosphor, by zone.
        wear: Largest depth by phosphor, share of the screen beyond half of it, where it is.
        tags: Number, strip, corners in the photograph (green channel), clockwise, and whether all are in it.
        camera: Pose, lens and scale in figures.
    """

    scene: Scene
    marks: MarkTruth
    geometry: dict[str, Any]
    convergence: dict[str, dict[str, dict[str, tuple[float, float]]]]
    worst_mm: float
    curl: dict[str, float]
    curl_mm: Array
    hum: dict[str, float]
    spot: dict[str, dict[str, float]]
    laws: dict[str, dict[str, float | None]]
    purity: dict[str, float]
    wear: dict[str, Any]
    tags: list[dict[str, Any]]
    camera: dict[str, Any]

    def as_json(self) -> dict[str, Any]:
        """The truth as plain data, lengths and places rounded to a thousandth of what anybody could measure."""
        from tubewright.simulate.plain import plain

        marks = self.marks
        entries = [
            {
                "column": int(marks.column[i]),
                "row": int(marks.row[i]),
                "gun": GUNS[marks.gun[i]],
                "raster_px": plain(marks.raster_px[i]),
                "place_mm": plain(marks.place_mm[i]),
                "photo_px": plain(marks.photo_px[i]),
                "red_minus_green_mm": plain(marks.red_minus_green_mm[i]),
                "blue_minus_green_mm": plain(marks.blue_minus_green_mm[i]),
            }
            for i in range(marks.column.size)
        ]
        figures = {
            name: plain(getattr(self, name))
            for name in ("geometry", "convergence", "worst_mm", "curl", "hum", "spot", "laws", "purity", "wear")
        }
        display = self.scene.display
        return {
            "pattern": display.pattern,
            "raster": display.raster.name,
            "seed": self.scene.seed,
            **figures,
            "curl_mm": plain(self.curl_mm),
            "tags": plain(self.tags),
            "camera": plain(self.camera),
            "scene": plain(self.scene),
            "marks": entries,
        }


def truth_of(scene: Scene) -> Truth:
    """Reckon the truth of a scene."""
    display = scene.display
    marks = _marks(scene)
    apart = np.concatenate([marks.red_minus_green_mm, marks.blue_minus_green_mm])
    lines = np.arange(display.raster.height_px, dtype=float)
    return Truth(
        scene=scene,
        marks=marks,
        geometry=_geometry(display),
        convergence=_convergence(display),
        worst_mm=float(np.hypot(apart[:, 0], apart[:, 1]).max()),
        curl=_curl(display.curl, display.raster.height_px),
        curl_mm=display.curl.at(lines),
        hum={
            "displacement_mm": abs(display.ripple.displacement_mm),
            "brightness_pct": abs(display.ripple.brightness_pct),
            "period_lines": display.ripple.period_lines,
        },
        spot=_spot(display),
        laws=_laws(display),
        purity=_purity(display),
        wear=_wear(display),
        tags=_tags(scene),
        camera=_camera(scene),
    )


def photo_place(scene: Scene, place_mm: Array, channel: int) -> Array:
    """Where a channel draws places of the picture, (..., 2) mm: pixels, (..., 2)."""
    x, y = place_mm[..., 0], place_mm[..., 1]
    return scene.camera.drawn(np.stack([x, y, scene.glass.surface_z(x, y)], axis=-1), channel)


def _marks(scene: Scene) -> MarkTruth:
    display = scene.display
    marks = survey.survey_marks(display.raster)
    by_gun = np.stack([_mark_places(display, gun, marks) for gun in range(3)])
    place = by_gun[marks.gun, np.arange(marks.gun.size)]
    photo = np.empty_like(place)
    for gun in range(3):
        own = marks.gun == gun
        photo[own] = photo_place(scene, place[own], gun)
    return MarkTruth(
        column=marks.column,
        row=marks.row,
        gun=marks.gun,
        raster_px=np.stack([marks.x_px, marks.y_px], axis=1),
        place_mm=place,
        photo_px=photo,
        red_minus_green_mm=by_gun[0] - by_gun[1],
        blue_minus_green_mm=by_gun[2] - by_gun[1],
    )


def _mark_places(display: Display, gun: int, marks: survey.LatticeMarks) -> Array:
    """Where a gun would draw each mark's middle: the mean over its lines, which curl may displace unequally."""
    places = np.empty((marks.gun.size, 2))
    for height in np.unique(marks.height_px):
        own = np.nonzero(marks.height_px == height)[0]
        line = marks.y_px[own, None] + np.arange(height) - (height - 1) / 2
        x, y = display.place(gun, np.broadcast_to(marks.x_px[own, None], line.shape), line)
        places[own] = np.stack([x.mean(axis=1), y.mean(axis=1)], axis=1)
    return places


def _node_uv(raster_size_px: int, count: int) -> Array:
    return (survey.node_px(raster_size_px, count) + 0.5) * 2 / raster_size_px - 1


def _geometry(display: Display) -> dict[str, Any]:
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


def _convergence(display: Display) -> dict[str, dict[str, dict[str, tuple[float, float]]]]:
    u, v = np.meshgrid(
        _node_uv(display.raster.width_px, survey.COLUMNS), _node_uv(display.raster.height_px, survey.ROWS)
    )
    found: dict[str, dict[str, dict[str, tuple[float, float]]]] = {}
    for gun, pair in ((0, "red_minus_green"), (2, "blue_minus_green")):
        found[pair] = {"at": {}, "mean": {}}
        for name, (zone_u, zone_v) in _zone_places(display).items():
            x, y = display.misconvergence.at(gun, np.array(zone_u), np.array(zone_v))
            found[pair]["at"][name] = (float(x), float(y))
        dx, dy = display.misconvergence.at(gun, u, v)
        parts = (np.array_split(np.arange(survey.ROWS), 3), np.array_split(np.arange(survey.COLUMNS), 3))
        for j in range(3):
            for i in range(3):
                own = np.ix_(parts[0][j], parts[1][i])
                found[pair]["mean"][ZONES[j][i]] = (float(dx[own].mean()), float(dy[own].mean()))
    return found


def _curl(curl: Curl, line_count: int) -> dict[str, float]:
    line = np.arange(line_count, dtype=float)
    shift = curl.at(line)
    if shift[0] == 0:
        return {"amplitude_mm": 0.0, "settle_lines": 0.0, "overshoot_ratio": 0.0}
    relative = shift / shift[0]
    unsettled = np.nonzero(np.abs(relative) > 0.05)[0]
    return {
        "amplitude_mm": float(shift[0]),
        "settle_lines": float(unsettled[-1] + 1),
        "overshoot_ratio": float(max(0.0, -relative.min())),
    }


def _spot(display: Display) -> dict[str, dict[str, float]]:
    spot = display.spot
    video_mm = display.video_blur_px * display.width_mm / display.raster.width_px * 2.3548200450309493
    sizes = {}
    for name, (u, v) in _zone_places(display).items():
        growth = float(spot.growth(np.array(u), np.array(v)))
        sizes[name] = {"h_mm": float(np.hypot(spot.h_mm, video_mm)) * growth, "v_mm": spot.v_mm * growth}
    return sizes


def _laws(display: Display) -> dict[str, dict[str, float | None]]:
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


def _purity(display: Display) -> dict[str, float]:
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


def _wear(display: Display) -> dict[str, Any]:
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


def _tags(scene: Scene) -> list[dict[str, Any]]:
    camera, found = scene.camera, []
    for strip in scene.room.strips:
        for tag in tags.strip_tags(strip.strip):
            corners = camera.drawn(strip.in_space(np.array(tag.corners_mm)))
            within = np.all((corners >= -0.5) & (corners <= [camera.width_px - 0.5, camera.height_px - 0.5]))
            found.append({"number": tag.number, "strip": tag.strip, "corners_px": corners, "whole": bool(within)})
    return found


def _camera(scene: Scene) -> dict[str, Any]:
    camera = scene.camera
    up, right = np.radians([camera.up_deg, camera.right_deg])
    return {
        "lens_mm": camera.lens_mm,
        "axes": camera.axes,
        "tilt_deg": float(np.degrees(np.arccos(np.cos(up) * np.cos(right)))),
        "focal_px": camera.focal_px,
        "centre_px": camera.centre_px,
        "mm_per_px": camera.distance_mm / camera.focal_px,
        "glass_radius_mm": scene.glass.radius_mm,
        "blur_px": camera.blur_px,
    }
