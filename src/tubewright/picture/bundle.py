"""All photographs at once: every mark and every tag as a function of cameras, poses, strips, glass and picture.

This is the bundle adjustment of photogrammetry (Triggs and others, Vision
Algorithms: Theory and Practice, 2000) with a curved, adjustable target. The
unknowns have names:

- ``camera i``: ln of the focal length over its start, middle x and y (px), k1, k2;
- ``lens i red``, ``lens i blue``: lateral colour (fringes.py);
- ``pose i``: a further turn of the camera frame, and the translation in mm;
- ``strip i``: place x, y (mm), turn (rad) and height over the common plane (mm) of a strip of tags;
- ``glass``: curvature (1/mm), height of the foremost place (mm) beyond that of a rim in the plane of the tags,
  its x and y (mm);
- ``size``: common enlargement, and stretch of width against height;
- ``shape``: the smooth shape (field.py);
- ``rows``, ``curl``: sideways place of whole lines, the same for all guns: each by itself, and as a curl that settles;
- ``error red``, ``error blue``: displacement of a gun against the reference gun.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from tubewright.picture.camera import (
    Camera,
    Glass,
    Pose,
    Slopes,
    project_with_slopes,
    rotation_of,
    sagitta_mm,
)
from tubewright.picture.field import Columns
from tubewright.picture.fringes import terms_at
from tubewright.picture.results import GUNS
from tubewright.picture.solve import Rows, Unknowns

Floats = NDArray[np.float64]
GREEN: Final = 1


@dataclass(slots=True, eq=False, kw_only=True)
class Shot:
    """One photograph: which camera, where it stands (carried along by ``Bundle.fold``), how the sensor was turned."""

    camera: int
    size_px: tuple[int, int]
    rotation: Floats
    turned_deg: int = 0


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Board:
    """Places known on a strip, seen in a shot: (n, 2) on the strip, (n, 2) in the photograph, standard error (n,)."""

    shot: int
    strip: int
    strip_mm: Floats
    photo_px: Floats
    error_px: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Fringe:
    """Displacement of a channel against green, (n, 2), at places (n, 2) of a shot, standard error (n,)."""

    shot: int
    gun: int
    at_px: Floats
    off_px: Floats
    error_px: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Lit:
    """Marks of one gun in one shot.

    Attributes:
        shot: The shot.
        gun: 0 red, 1 green, 2 blue.
        which: Their places among the shot's marks, (n,).
        uv_ratio: Where on the picture they were drawn, -1 to 1, as the viewer sees it, (n, 2).
        row: Index of their row among the unknown rows, (n,).
        photo_px: Where they were found, (n, 2).
        error_px: Standard error, (n,).
    """

    shot: int
    gun: int
    which: NDArray[np.int64]
    uv_ratio: Floats
    row: NDArray[np.int64]
    photo_px: Floats
    error_px: Floats


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """What the picture's unknowns mean.

    Attributes:
        half_mm: Half width and half height from which the unknowns count.
        line_ratio: Direction along a line as the viewer sees it, (2,).
        reference: The gun whose picture ``shape`` is of.
        shape: Coefficients of the smooth shape.
        error: Coefficients of another gun's displacement.
        rows: How many rows there are.
        curl_ratio: What each way of settling does to each row, (rows, ways).
        rim_mm: Half the diagonal of the glass: where it is at the height of the tags.
    """

    half_mm: tuple[float, float]
    line_ratio: Floats
    reference: int
    shape: Columns
    error: Columns
    rows: int
    curl_ratio: Floats
    rim_mm: float


@dataclass(slots=True, eq=False)
class Surface:
    """A gun's picture at some places: base (n, 2) plus unknowns times what each adds to x and y, (n, k) each."""

    columns: NDArray[np.int64]
    x: Floats
    y: Floats
    base: Floats

    def at(self, value: Floats) -> Floats:
        """Places on the picture, mm, (n, 2), for given unknowns."""
        own = value[self.columns]
        return self.base + np.column_stack([self.x @ own, self.y @ own])


class Bundle:
    """Photographs of one picture, or of boards alone, with their unknowns."""

    def __init__(
        self,
        unknowns: Unknowns,
        *,
        cameras: Sequence[Camera],
        shots: Sequence[Shot],
        picture: Picture | None = None,
        lit: Sequence[Lit] = (),
        boards: Sequence[Board] = (),
        fringes: Sequence[Fringe] = (),
    ) -> None:
        self.unknowns = unknowns
        self.slots = unknowns.slots
        self.cameras = tuple(cameras)
        self.shots = tuple(shots)
        self.picture = picture
        self.lit = tuple(lit)
        self.boards = tuple(boards)
        self.fringes = tuple(fringes)
        self._surfaces = [self.surface(part.uv_ratio, part.gun, part.row) for part in self.lit]

    def columns(self, *names: str) -> NDArray[np.int64]:
        """Where unknowns stand; names that there are none of are passed over."""
        return np.concatenate([self.unknowns.columns(name) for name in names if name in self.slots] or [_NONE])

    def camera(self, value: Floats, index: int) -> Camera:
        """A camera for given unknowns."""
        start = self.cameras[index]
        ln_focal, x, y, k1, k2 = value[self.slots[f"camera {index}"]]
        return Camera(
            focal_px=start.focal_px * float(np.exp(ln_focal)),
            centre_px=(start.centre_px[0] + float(x), start.centre_px[1] + float(y)),
            distortion_ratio=(start.distortion_ratio[0] + float(k1), start.distortion_ratio[1] + float(k2)),
        )

    def pose(self, value: Floats, shot: int) -> Pose:
        """A shot's pose for given unknowns."""
        own = value[self.slots[f"pose {shot}"]]
        return Pose(rotation_ratio=rotation_of(own[:3]) @ self.shots[shot].rotation, translation_mm=own[3:].copy())

    def glass(self, value: Floats) -> Glass:
        """The glass for given unknowns."""
        assert self.picture is not None  # noqa: S101 - callers have one
        curvature, lift, x, y = value[self.slots["glass"]]
        rim, _, _ = sagitta_mm(float(curvature), np.array([[self.picture.rim_mm, 0.0]]))
        return Glass(
            curvature_per_mm=float(curvature), height_mm=float(rim[0]) + float(lift), apex_mm=(float(x), float(y))
        )

    def fold(self, value: Floats) -> Floats:
        """Carry the further turns of the poses into the shots, where each step then starts from none."""
        value = value.copy()
        for index, shot in enumerate(self.shots):
            at = self.slots[f"pose {index}"].start
            shot.rotation = rotation_of(value[at : at + 3]) @ shot.rotation
            value[at : at + 3] = 0
        return value

    def surface(self, uv_ratio: Floats, gun: int, row: NDArray[np.int64] | None) -> Surface:
        """A gun's picture at places (n, 2); without rows, the settled picture, whole lines not displaced."""
        picture = self.picture
        assert picture is not None  # noqa: S101 - callers have one
        u, v = uv_ratio.T
        base = uv_ratio * np.asarray(picture.half_mm)
        shape_x, shape_y = picture.shape.at(u, v)
        columns = [self.columns("size", "shape")]
        x = [np.column_stack([base[:, 0], base[:, 0]]), shape_x]
        y = [np.column_stack([base[:, 1], -base[:, 1]]), shape_y]
        if row is not None:
            ours = np.hstack([row[:, None] == np.arange(picture.rows), picture.curl_ratio[row]])
            columns.append(self.columns("rows", "curl"))
            x.append(ours * picture.line_ratio[0])
            y.append(ours * picture.line_ratio[1])
        if gun != picture.reference:
            error_x, error_y = picture.error.at(u, v)
            columns.append(self.columns(f"error {GUNS[gun]}"))
            x.append(error_x)
            y.append(error_y)
        return Surface(np.concatenate(columns), np.hstack(x), np.hstack(y), base)

    def surface_of(self, part: int) -> Surface:
        """The surface that the marks of a part lie on."""
        return self._surfaces[part]

    def lens(self, value: Floats, shot: int, gun: int, at_px: Floats) -> Floats:
        """The lens's displacement of a gun's channel at places of a shot, (n, 2)."""
        name = f"lens {self.shots[shot].camera} {GUNS[gun]}"
        if name not in self.slots:
            return np.zeros_like(at_px)
        terms = terms_at(self.shots[shot].size_px, at_px, self.shots[shot].turned_deg)
        return np.asarray(terms @ value[self.slots[name]])

    def rows_at(self, value: Floats) -> list[Rows]:
        """All measurements, linear about given unknowns."""
        rows = [self.mark_rows(value, part) for part in range(len(self.lit))]
        rows += [self._board_rows(value, board) for board in self.boards]
        rows += [self._fringe_rows(value, fringe) for fringe in self.fringes]
        return rows

    def mark_rows(self, value: Floats, part: int) -> Rows:
        """The marks of one part; rows are x of the first, y of the first, x of the second ..."""
        lit, surface = self.lit[part], self._surfaces[part]
        shot = self.shots[lit.shot]
        expected, slopes, by_place, by_glass = self._seen(value, lit.shot, surface.at(value))
        names = [f"camera {shot.camera}", f"pose {lit.shot}", "glass"]
        blocks = [slopes.camera_px, slopes.pose_px, by_glass]
        if lit.gun != GREEN:
            names.append(f"lens {shot.camera} {GUNS[lit.gun]}")
            blocks.append(terms_at(shot.size_px, expected, shot.turned_deg))
            expected = expected + self.lens(value, lit.shot, lit.gun, expected)
        blocks.append(by_place[:, :, :1] * surface.x[:, None, :] + by_place[:, :, 1:] * surface.y[:, None, :])
        return _rows(
            "marks",
            np.concatenate([self.columns(*names), surface.columns]),
            np.concatenate(blocks, axis=2),
            lit.photo_px - expected,
            lit.error_px,
        )

    def place_slopes(self, value: Floats, shot: int, place_mm: Floats) -> tuple[Floats, Floats]:
        """Where places on the picture (n, 2) show in a shot, green channel, (n, 2); and px per mm, (n, 2, 2)."""
        expected, _, by_place, _ = self._seen(value, shot, place_mm)
        return expected, by_place

    def _seen(self, value: Floats, shot: int, place_mm: Floats) -> tuple[Floats, Slopes, Floats, Floats]:
        """Places in a shot, with slopes by camera and pose, by place on the picture and by the glass."""
        glass = self.glass(value)
        assert self.picture is not None  # noqa: S101 - callers have one
        fall, by_xy, by_curvature = sagitta_mm(glass.curvature_per_mm, place_mm - np.asarray(glass.apex_mm))
        _, _, rim = sagitta_mm(glass.curvature_per_mm, np.array([[self.picture.rim_mm, 0.0]]))
        world = np.column_stack([place_mm, fall - glass.height_mm])
        camera, pose = self.camera(value, self.shots[shot].camera), self.pose(value, shot)
        expected, slopes = project_with_slopes(camera, pose, world)
        by_z = slopes.world_px[:, :, 2:]
        by_place = slopes.world_px[:, :, :2] + by_z * by_xy[:, None, :]
        by_glass = by_z * np.column_stack([by_curvature - rim[0], -np.ones(len(fall)), -by_xy])[:, None, :]
        return expected, slopes, by_place, by_glass

    def _board_rows(self, value: Floats, board: Board) -> Rows:
        shot = self.shots[board.shot]
        x, y, turn, height = value[self.slots[f"strip {board.strip}"]]
        cosine, sine = np.cos(turn), np.sin(turn)
        turned = board.strip_mm @ np.array([[cosine, sine], [-sine, cosine]])
        world = np.column_stack([turned + np.array([x, y]), np.full(len(turned), -height)])
        camera, pose = self.camera(value, shot.camera), self.pose(value, board.shot)
        expected, slopes = project_with_slopes(camera, pose, world)
        by = slopes.world_px
        by_turn = -by[:, :, 0] * turned[:, 1:] + by[:, :, 1] * turned[:, :1]
        by_strip = np.concatenate([by[:, :, :2], by_turn[:, :, None], -by[:, :, 2:]], axis=2)
        names = (f"camera {shot.camera}", f"pose {board.shot}", f"strip {board.strip}")
        blocks = np.concatenate([slopes.camera_px, slopes.pose_px, by_strip], axis=2)
        return _rows("tags", self.columns(*names), blocks, board.photo_px - expected, board.error_px)

    def _fringe_rows(self, value: Floats, fringe: Fringe) -> Rows:
        shot = self.shots[fringe.shot]
        terms = terms_at(shot.size_px, fringe.at_px, shot.turned_deg)
        off = fringe.off_px - self.lens(value, fringe.shot, fringe.gun, fringe.at_px)
        columns = self.columns(f"lens {shot.camera} {GUNS[fringe.gun]}")
        return _rows("fringes", columns, terms, off, fringe.error_px)


_NONE: Final = np.empty(0, dtype=np.int64)
Linear = Callable[[Floats], list[Rows]]


def _rows(kind: str, columns: NDArray[np.int64], slopes: Floats, off: Floats, error: Floats) -> Rows:
    return Rows(kind, columns, slopes.reshape(-1, slopes.shape[2]), off.reshape(-1), np.repeat(error, 2))


def calibrate(
    boards: Sequence[tuple[Floats, Floats]], size_px: tuple[int, int], *, focal_px: float
) -> tuple[Camera, float, bool]:
    """A camera from photographs of one flat board, nothing known of it before but a rough focal length.

    Args:
        boards: For each photograph, places on the board (n, 2) in mm and in the photograph (n, 2) in px.
        size_px: Width and height of the photographs.
        focal_px: Where to start.

    Returns:
        The camera; the root mean square of what is left, over both axes together, px; whether it settled.
    """
    from tubewright.picture.camera import homography, pose_of_plane
    from tubewright.picture.fringes import middle_px
    from tubewright.picture.solve import solve

    middle = middle_px(size_px)
    start = Camera(focal_px=focal_px, centre_px=(float(middle[0]), float(middle[1])))
    unknowns = Unknowns.none()
    unknowns.add("camera 0", np.zeros(5), [0.3, 0.1 * size_px[0], 0.1 * size_px[0], 0.3, 0.3], flat=True)
    unknowns.add("strip 0", np.zeros(4), np.full(4, 1e-9), flat=False)
    shots, seen = [], []
    for index, (board_mm, photo_px) in enumerate(boards):
        pose, _ = pose_of_plane(start, homography(board_mm, photo_px))
        far = float(np.linalg.norm(pose.translation_mm))
        unknowns.add(f"pose {index}", [0, 0, 0, *pose.translation_mm], [1, 1, 1, far, far, far], flat=True)
        shots.append(Shot(camera=0, size_px=size_px, rotation=pose.rotation_ratio))
        seen.append(
            Board(shot=index, strip=0, strip_mm=board_mm, photo_px=photo_px, error_px=np.full(len(board_mm), 1.0))
        )
    bundle = Bundle(unknowns, cameras=[start], shots=shots, boards=seen)
    after = solve(unknowns, bundle.rows_at, fold=bundle.fold, learned=0)
    off = np.concatenate([rows.off for rows in bundle.rows_at(after.value)])
    return bundle.camera(after.value, 0), float(np.sqrt(2 * np.mean(off**2))), after.settled
