"""Where the solution of a picture's shape starts, and what was likely before anything was measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.bundle import Board, Bundle, Fringe, Lit, Picture, Shot
from tubewright.picture.camera import (
    FILM_DIAGONAL_MM,
    Camera,
    Glass,
    Pose,
    homography,
    picture_of_photo,
    pose_of_plane,
)
from tubewright.picture.convergence import FEWEST_MARKS, Lattice
from tubewright.picture.field import curl_profiles, error_columns, row_likely_mm, shape_columns
from tubewright.picture.fringes import TERMS, likely_px, middle_px
from tubewright.picture.patterns.raster import Raster
from tubewright.picture.patterns.tags import STRIPS
from tubewright.picture.results import GUNS
from tubewright.picture.seen import Sighting, TagViews
from tubewright.picture.solve import Unknowns

Floats = NDArray[np.float64]

_FOCAL_SD_RATIO: Final = 0.03
"""Doubt of the equivalent focal length in a file: rounded to whole millimetres, focus breathing; estimate."""
_USUAL_FOCAL_35MM: Final = 28.0
"""Without one: phones' main lenses are 24 to 28, their long ones 50 to 77; from memory."""
_USUAL_FOCAL_SD_RATIO: Final = 0.35
_CENTRE_SD_RATIO: Final = 0.005
"""How far the optical axis lies off the middle of the frame, over its width; estimate."""
_DISTORTION_SD_RATIO: Final = (0.04, 0.02)
"""k1 and k2: 3 % at a wide frame's corner. Phones correct theirs to better than that, not all do; estimate."""
_RADIUS_OVER_DIAGONAL: Final = 1.77
"""Radius of the glass over the tube's diagonal, of the common spherical face; from memory."""
_CURVATURE_SD_RATIO: Final = 0.35
"""Later faces are flatter, up to half the curvature and less; estimate."""
_RADIUS_GIVEN_SD_RATIO: Final = 0.02
"""Doubt of a radius read from a data sheet or taken with a template; estimate."""
_PICTURE_OVER_DIAGONAL: Final = 0.96
"""Diagonal of the picture over the tube's; estimate: a few percent either way by adjustment and by how the maker
counted."""
_PICTURE_OVER_DIAGONAL_SD: Final = 0.04
_PICTURE_MM_SD_RATIO: Final = 0.005
"""Doubt of a width or height taken with a tape over the glass: 2 mm on 19 inches; estimate."""
_ASPECT: Final = 4 / 3
"""Width over height of the picture as the raster intends it: all the tubes here; common practice."""
_ASPECT_SD_RATIO: Final = 0.05
"""By how much width and height are out of adjustment against each other; estimate."""
_LIFT_SD_RATIO: Final = 10 / 480
"""How far the tags lie above or below the rim of the glass, over the diagonal: 10 mm on 19 inches; estimate."""
_APEX_SD_RATIO: Final = 3 / 480
"""How far the picture's middle lies off the middle of the glass: 3 mm on 19 inches, the setup tolerance of centring."""
_STRIP_HEIGHT_SD_MM: Final = 0.5
"""How far a strip lies above or below the others, by paper and bezel; estimate."""
_ARBITRARY_DIAGONAL_MM: Final = 480.0
"""Stands for the size where nothing tells it; no figure in mm leaves then."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class View:
    """What one photograph showed.

    Attributes:
        size_px: Width and height of the upright photograph.
        focal_35mm: Equivalent focal length (by the diagonal), if the file says; times the digital zoom.
        sighting: The pattern found in it.
        tags: The reference tags found in it.
        turned_deg: By how much the sensor's picture was turned clockwise to stand upright: 0, 90, 180 or 270.
    """

    size_px: tuple[int, int]
    focal_35mm: float | None
    sighting: Sighting
    tags: TagViews | None = None
    turned_deg: int = 0


def uv_of_raster(raster: Raster, upright: Floats, raster_px: Floats) -> Floats:
    """Places -1 to 1 as the viewer sees the picture of places on the raster, (n, 2)."""
    size = np.array([raster.width_px, raster.height_px])
    return np.asarray(((raster_px + 0.5) * (2 / size) - 1) @ upright.T)


def upright_of(views: Sequence[View], mount: Literal["horizontal", "vertical"]) -> tuple[Floats, tuple[str, ...]]:
    """How the raster stands before the viewer: the matrix from its axes to the viewer's, (2, 2), and notes.

    Horizontal: the raster's upright is the viewer's, however the camera was held. Vertical: the tube stands on its
    side; which side, the first photograph says that shows the raster so (photographs are taken to be upright).
    """
    flip = np.diag([-1.0 if views[0].sighting.mirrored else 1.0, 1.0])
    if mount == "horizontal":
        return flip, ()
    for view in views:
        turned = view.sighting.rotated_deg
        if 45 < abs(turned) < 135:
            sign = float(np.sign(turned))
            # clockwise with y down: the raster's x goes to the viewer's y
            return np.array([[0.0, -sign], [sign, 0.0]]) @ flip, ()
    note = (
        "No photograph shows the picture standing on its side, so the camera was taken to be turned with it: top and"
        " bottom are named as if the raster were turned clockwise."
    )
    return np.array([[0.0, -1.0], [1.0, 0.0]]) @ flip, (note,)


class Start:
    """Where the solution starts, and what was likely before."""

    def __init__(
        self,
        views: Sequence[View],
        upright: Floats,
        picture_mm: tuple[float, float] | None,
        diagonal_mm: float | None,
        *,
        strips_moved: bool = False,
    ) -> None:
        self.views = views
        self.strips_moved = strips_moved
        self.upright = upright
        self.raster = views[0].sighting.raster
        kinds = [(view.size_px, view.focal_35mm) for view in views]
        self.kinds = list(dict.fromkeys(kinds))
        self.camera_of = [self.kinds.index(kind) for kind in kinds]
        self.cameras = [_first_camera(*kind) for kind in self.kinds]
        self.tagged = [view.tags is not None and len(view.tags.number) > 0 for view in views]
        self.reference = _reference(views)
        along = np.abs(upright) @ np.array([_ASPECT, 1.0])
        self.half_mm = along / np.linalg.norm(along) * _ARBITRARY_DIAGONAL_MM / 2
        if picture_mm is not None:
            self.half_mm = np.asarray(picture_mm) / 2
            self.size_sd, self.aspect_sd, self.sized = _PICTURE_MM_SD_RATIO, _PICTURE_MM_SD_RATIO, True
        elif diagonal_mm is not None:
            self.half_mm *= diagonal_mm * _PICTURE_OVER_DIAGONAL / _ARBITRARY_DIAGONAL_MM
            self.size_sd, self.aspect_sd, self.sized = _PICTURE_OVER_DIAGONAL_SD, _ASPECT_SD_RATIO, True
        else:
            self.size_sd, self.aspect_sd, self.sized = 1e-6, _ASPECT_SD_RATIO, False
        self.poses = self._poses()
        self.strips = self._strips()
        if self.strips and not self.sized:
            self._take_scale_from_tags()

    def uv(self, view: View) -> Floats:
        """Where the marks of a view were drawn, -1 to 1, as the viewer sees it, (n, 2)."""
        marks = view.sighting.marks
        return uv_of_raster(self.raster, self.upright, np.column_stack([marks.raster_x_px, marks.raster_y_px]))

    def _poses(self) -> list[Pose]:
        poses = []
        for view, camera in zip(self.views, self.camera_of, strict=True):
            marks = view.sighting.marks
            found = homography(self.uv(view) * self.half_mm, np.column_stack([marks.x_px, marks.y_px]))
            poses.append(pose_of_plane(self.cameras[camera], found)[0])
        return poses

    def _strip(self, shot: int, strip: int) -> int:
        """The unknown strip: the same in all photographs, unless strips were moved between them."""
        return strip + (STRIPS * shot if self.strips_moved else 0)

    def _strips(self) -> dict[int, list[float]]:
        """Each strip's place, turn and size of a millimetre, from the first view that shows it: tags taken flat."""
        flat = Glass(curvature_per_mm=0.0, height_mm=0.0)
        strips: dict[int, list[float]] = {}
        for shot, (view, pose, camera) in enumerate(zip(self.views, self.poses, self.camera_of, strict=True)):
            if view.tags is None:
                continue
            for strip in np.unique(view.tags.strip):
                ours = view.tags.strip == strip
                key = self._strip(shot, int(strip))
                if key in strips:
                    continue
                there = picture_of_photo(self.cameras[camera], pose, flat, view.tags.corners_px[ours].reshape(-1, 2))
                strips[key] = _similarity(view.tags.corners_mm[ours].reshape(-1, 2), there)
        return strips

    def _take_scale_from_tags(self) -> None:
        """Where the tags alone tell the size: bring the start to theirs."""
        ratio = 1 / float(np.median([size for _, _, _, size in self.strips.values()]))
        self.half_mm = self.half_mm * ratio
        self.poses = [
            Pose(rotation_ratio=pose.rotation_ratio, translation_mm=pose.translation_mm * ratio) for pose in self.poses
        ]
        self.strips = {strip: [x * ratio, y * ratio, turn, 1.0] for strip, (x, y, turn, _) in self.strips.items()}
        self.size_sd = 0.5  # as good as nothing: half of it again

    def bundle(
        self, unknowns: Unknowns, diagonal_mm: float | None, glass_radius_mm: float | None
    ) -> tuple[Bundle, Lattice]:
        """All photographs with their unknowns."""
        half_diagonal = float(np.linalg.norm(self.half_mm))
        tube = diagonal_mm if diagonal_mm is not None else 2 * half_diagonal / _PICTURE_OVER_DIAGONAL
        for index, (size_px, focal_35mm) in enumerate(self.kinds):
            focal_sd = _FOCAL_SD_RATIO if focal_35mm else _USUAL_FOCAL_SD_RATIO
            centre_sd = _CENTRE_SD_RATIO * size_px[0]
            unknowns.add(
                f"camera {index}", np.zeros(5), [focal_sd, centre_sd, centre_sd, *_DISTORTION_SD_RATIO], flat=False
            )
            for gun in (0, 2):
                unknowns.add(f"lens {index} {GUNS[gun]}", np.zeros(TERMS), likely_px(size_px), flat=False)
        for index, pose in enumerate(self.poses):
            far = float(np.linalg.norm(pose.translation_mm))
            unknowns.add(f"pose {index}", [0, 0, 0, *pose.translation_mm], [0.1, 0.1, 0.1, *[0.1 * far] * 3], flat=True)
        for strip, (x, y, turn, _) in self.strips.items():
            unknowns.add(
                f"strip {strip}",
                [x, y, turn, 0.0],
                [10.0, 10.0, 0.1, _STRIP_HEIGHT_SD_MM],
                flat=[True, True, True, False],
            )
        curvature = 1 / (_RADIUS_OVER_DIAGONAL * tube)
        curvature_sd = _CURVATURE_SD_RATIO * curvature
        if glass_radius_mm is not None:
            curvature, curvature_sd = 1 / glass_radius_mm, _RADIUS_GIVEN_SD_RATIO / glass_radius_mm
        apex_sd = _APEX_SD_RATIO * tube
        unknowns.add("glass", [curvature, 0, 0, 0], [curvature_sd, _LIFT_SD_RATIO * tube, apex_sd, apex_sd], flat=False)
        unknowns.add("size", [0, 0], [self.size_sd, self.aspect_sd], flat=False)
        half = (float(self.half_mm[0]), float(self.half_mm[1]))
        shape, error = shape_columns(half), error_columns(half[0])
        unknowns.add("shape", np.zeros(len(shape.likely_mm)), shape.likely_mm, flat=False)
        row_numbers = np.unique(np.concatenate([view.sighting.marks.row for view in self.views]))
        heights = {
            int(row): float(np.mean(view.sighting.marks.raster_y_px[view.sighting.marks.row == row]))
            for view in self.views
            for row in np.unique(view.sighting.marks.row)
        }
        down = np.array([heights[int(row)] for row in row_numbers]) / self.raster.height_px
        along_line = float(np.abs(self.upright[:, 0]) @ self.half_mm)
        unknowns.add("rows", np.zeros(len(row_numbers)), row_likely_mm(down, along_line), flat=False)
        curl, curl_mm = curl_profiles(down, along_line)
        unknowns.add("curl", np.zeros(len(curl_mm)), curl_mm, flat=False)
        for gun in self._lit_guns():
            if gun != self.reference:
                unknowns.add(f"error {GUNS[gun]}", np.zeros(len(error.likely_mm)), error.likely_mm, flat=False)
        lit, columns, rows = self._lit(row_numbers)
        bundle = Bundle(
            unknowns,
            cameras=self.cameras,
            shots=[
                Shot(camera=c, size_px=view.size_px, rotation=pose.rotation_ratio, turned_deg=view.turned_deg)
                for view, pose, c in zip(self.views, self.poses, self.camera_of, strict=True)
            ],
            picture=Picture(
                half_mm=half,
                line_ratio=np.asarray(self.upright[:, 0]),
                reference=self.reference,
                shape=shape,
                error=error,
                rows=len(row_numbers),
                curl_ratio=curl,
                rim_mm=tube / 2,
            ),
            lit=lit,
            boards=self._boards(),
            fringes=self._fringes(),
        )
        return bundle, Lattice(columns=columns, rows=rows)

    def _lit_guns(self) -> list[int]:
        return [int(g) for g in np.unique(np.concatenate([view.sighting.marks.gun for view in self.views]))]

    def _lit(
        self, row_numbers: NDArray[np.int64]
    ) -> tuple[list[Lit], tuple[NDArray[np.int64], ...], tuple[NDArray[np.int64], ...]]:
        lit, columns, rows = [], [], []
        for shot, view in enumerate(self.views):
            marks, uv = view.sighting.marks, self.uv(view)
            for gun in range(3):
                which = np.flatnonzero(marks.gun == gun)
                if not len(which):
                    continue
                lit.append(
                    Lit(
                        shot=shot,
                        gun=gun,
                        which=which,
                        uv_ratio=uv[which],
                        row=np.searchsorted(row_numbers, marks.row[which]),
                        photo_px=np.column_stack([marks.x_px, marks.y_px])[which],
                        error_px=marks.sd_px[which],
                    )
                )
                columns.append(marks.column[which])
                rows.append(marks.row[which])
        return lit, tuple(columns), tuple(rows)

    def _boards(self) -> list[Board]:
        boards = []
        for shot, view in enumerate(self.views):
            if view.tags is None:
                continue
            for strip in np.unique(view.tags.strip):
                ours = view.tags.strip == strip
                boards.append(
                    Board(
                        shot=shot,
                        strip=self._strip(shot, int(strip)),
                        strip_mm=view.tags.corners_mm[ours].reshape(-1, 2),
                        photo_px=view.tags.corners_px[ours].reshape(-1, 2),
                        error_px=np.repeat(view.tags.corner_sd_px[ours], 4),
                    )
                )
        return boards

    def _fringes(self) -> list[Fringe]:
        fringes = []
        for shot, view in enumerate(self.views):
            if view.tags is None or not len(view.tags.number):
                continue
            at = view.tags.corners_px.mean(axis=1)
            off = {0: view.tags.red_minus_green_px, 2: view.tags.blue_minus_green_px}
            for place, gun in enumerate((0, 2)):
                sure = np.isfinite(off[gun]).all(axis=1) & np.isfinite(view.tags.colour_sd_px[:, place])
                if sure.any():
                    fringes.append(
                        Fringe(
                            shot=shot,
                            gun=gun,
                            at_px=at[sure],
                            off_px=off[gun][sure],
                            error_px=view.tags.colour_sd_px[sure, place],
                        )
                    )
        return fringes


def _first_camera(size_px: tuple[int, int], focal_35mm: float | None) -> Camera:
    middle = middle_px(size_px)
    film = focal_35mm or _USUAL_FOCAL_35MM
    focal = film / FILM_DIAGONAL_MM * float(np.hypot(*size_px))
    return Camera(focal_px=focal, centre_px=(float(middle[0]), float(middle[1])))


def _reference(views: Sequence[View]) -> int:
    """Green; or, where green is dark, the gun with the most marks."""
    lit = [sum(int(np.sum(view.sighting.marks.gun == gun)) for view in views) for gun in range(3)]
    return 1 if lit[1] >= FEWEST_MARKS else int(np.argmax(lit))


def _similarity(source: Floats, target: Floats) -> list[float]:
    """The turn, enlargement and shift that lay places (n, 2) on others best: [x, y, turn in rad, enlargement]."""
    a, b = source - source.mean(axis=0), target - target.mean(axis=0)
    square = float(np.sum(a**2))
    along = float(np.sum(a * b)) / square
    across = float(np.sum(a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0])) / square
    turn, size = float(np.arctan2(across, along)), float(np.hypot(across, along))
    cosine, sine = size * np.cos(turn), size * np.sin(turn)
    x, y = target.mean(axis=0) - np.array([[cosine, -sine], [sine, cosine]]) @ source.mean(axis=0)
    return [float(x), float(y), turn, size]
