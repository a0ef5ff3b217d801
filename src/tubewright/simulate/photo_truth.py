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

from tubewright.picture.patterns import survey, survey_light, tags
from tubewright.simulate.display import Array, Display
from tubewright.simulate.display_truth import (
    GUNS,
    convergence_truth,
    curl_profile_mm,
    curl_truth,
    geometry_truth,
    laws_truth,
    purity_truth,
    spot_truth,
    wear_truth,
)

if TYPE_CHECKING:
    from tubewright.simulate.photograph import Scene

LIGHT_PATTERNS: Final = frozenset({"survey_light", "survey-light"})


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MarkTruth:
    """The marks of the pattern, one entry each, in the order in which it names them.

    Attributes:
        column: Column of the lattice, (n,).
        row: Row of the lattice, (n,).
        gun: 0 red, 1 green, 2 blue, (n,).
        raster_px: Middle of the mark on the raster, (n, 2).
        place_mm: Where its gun draws that middle on the picture, (n, 2), curl and mains included.
        photo_px: Where the photograph shows it, in the channel of its own colour, (n, 2): the image of the mark's
            middle. Its centre of light lies up to some hundredths of a pixel beside that where the glass or the
            tilt make one half of the mark's image larger than the other.
        whole: The mark lies within the opening and the photograph, with its spot, (n,).
        red_minus_green_mm: Where red would draw it less where green would, (n, 2).
        blue_minus_green_mm: The same of blue, (n, 2).
    """

    column: NDArray[np.int64]
    row: NDArray[np.int64]
    gun: NDArray[np.int64]
    raster_px: Array
    place_mm: Array
    photo_px: Array
    whole: NDArray[np.bool_]
    red_minus_green_mm: Array
    blue_minus_green_mm: Array


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Truth:
    """Everything that a measurement of the photograph could be asked for.

    Attributes:
        scene: The scene itself.
        marks: The marks of the survey or of the survey for light; the former's where the pattern is another.
        patches: The flat patches of the survey for light: gun, drive, middle, and each gun's true light there at full
            strength 1, burns and stains left out; none for another pattern.
        geometry: Figures of the green picture without curl and mains, by name; edges by their names.
        convergence: By pair of guns and zone, mm: at the lattice's own corners, middles of edges and middle
            (``at``), in the middle of the zone (``middle``), and on average over it, a ninth of the lattice (``mean``).
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
    patches: list[dict[str, Any]]
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
                "whole": bool(marks.whole[i]),
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
            "patches": plain(self.patches),
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
    shift_mm = curl_profile_mm(display)
    return Truth(
        scene=scene,
        marks=marks,
        patches=_patches(scene),
        geometry=geometry_truth(display),
        convergence=convergence_truth(display),
        worst_mm=float(np.hypot(apart[:, 0], apart[:, 1]).max()),
        curl=curl_truth(shift_mm),
        curl_mm=shift_mm,
        hum={
            "displacement_mm": abs(display.ripple.displacement_mm),
            "brightness_pct": abs(display.ripple.brightness_pct),
            "period_lines": display.ripple.period_lines,
        },
        spot=spot_truth(display),
        laws=laws_truth(display),
        purity=purity_truth(display),
        wear=wear_truth(display),
        tags=_tags(scene),
        camera=_camera(scene),
    )


def photo_place(scene: Scene, place_mm: Array, channel: int) -> Array:
    """Where a channel draws places of the picture, (..., 2) mm: pixels, (..., 2)."""
    x, y = place_mm[..., 0], place_mm[..., 1]
    return scene.camera.drawn(np.stack([x, y, scene.glass.surface_z(x, y)], axis=-1), channel)


def _marks(scene: Scene) -> MarkTruth:
    display = scene.display
    light = display.pattern in LIGHT_PATTERNS
    marks = survey_light.light_marks(display.raster) if light else survey.survey_marks(display.raster)
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
        whole=_whole(scene, marks, place, photo),
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


def _whole(scene: Scene, marks: survey.LatticeMarks, place: Array, photo: Array) -> NDArray[np.bool_]:
    """Whether a mark's box, with twice the spot's size round it, is seen."""
    display, glass, camera = scene.display, scene.glass, scene.camera
    half_w = marks.width_px * display.width_mm / display.raster.width_px / 2 + display.spot.h_mm
    half_h = marks.height_px * display.height_mm / display.raster.height_px / 2 + display.spot.v_mm
    x, y = np.abs(place[:, 0]) + half_w, np.abs(place[:, 1]) + half_h
    share = glass.seen_share(x.astype(np.float32), y.astype(np.float32), 1.0)
    margin = np.maximum(half_w, half_h)[:, None] * camera.focal_px / camera.distance_mm * 1.2
    frame = [camera.width_px - 1, camera.height_px - 1]
    return np.asarray((share == 1) & np.all((photo >= margin) & (photo <= frame - margin), axis=1))


def _patches(scene: Scene) -> list[dict[str, Any]]:
    display = scene.display
    if display.pattern not in LIGHT_PATTERNS:
        return []
    patches = survey_light.light_patches(display.raster)
    light = np.stack([gun.light(patches.drive[:, i] / 255.0) for i, gun in enumerate(display.guns)], axis=1)
    place = np.stack(display.place(1, patches.x_px, patches.y_px), axis=-1)
    photo = photo_place(scene, place, 1)
    return [
        {
            "gun": (*GUNS, "white", "black")[patches.gun[i]],
            "drive": [int(level) for level in patches.drive[i]],
            "raster_px": [float(patches.x_px[i]), float(patches.y_px[i])],
            "place_mm": place[i],
            "photo_px": photo[i],
            "light_ratio": light[i],
        }
        for i in range(patches.gun.size)
    ]


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
