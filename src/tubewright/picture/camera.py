"""The camera and the glass: where a place on the picture appears in a photograph, and back.

Frames. The world lies as the viewer sees the picture: x right, y down, z away
from the viewer, millimetres; z = 0 is the plane of the reference tags, (0, 0) of
it the middle of the picture. The camera's own frame is the same with the lens at
the origin and z along the optical axis. A pose takes the one to the other:
``camera = rotation @ world + translation``.

The camera is a pinhole with square pixels and two terms of radial distortion
(Brown, Photogrammetric Engineering 32, 1966; as in OpenCV's calib3d). The glass
is a sphere, bulging towards the viewer; a curvature of 0 is flat glass. A place
on the picture is where a viewer far off on the axis sees it: its height on the
glass doesn't enter into its x and y.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

FILM_DIAGONAL_MM: Final = 43.27
"""Diagonal of 36 x 24 mm film, to which equivalent focal lengths refer: sqrt(36² + 24²)."""

_STEEPEST_RATIO: Final = 0.98
"""Where a place would lie off the sphere altogether, it is held at this share of the radius."""
_UNDISTORT_ROUNDS: Final = 20
_WIDEST_RATIO: Final = 3.0
"""Tangent of the widest angle off axis that a direction is given for: 72 degrees."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Camera:
    """What a camera does to directions.

    Attributes:
        focal_px: Focal length.
        centre_px: Where the optical axis meets the photograph, (x, y).
        distortion_ratio: k1 and k2: radial stretch 1 + k1 r² + k2 r⁴ at the tangent r of the angle off axis.
    """

    focal_px: float
    centre_px: tuple[float, float]
    distortion_ratio: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pose:
    """Where a camera stands: ``camera = rotation @ world + translation``.

    Attributes:
        rotation_ratio: The rotation, (3, 3).
        translation_mm: The translation, (3,).
    """

    rotation_ratio: Floats
    translation_mm: Floats

    @property
    def stands_at_mm(self) -> Floats:
        """Place of the lens in the world, (3,)."""
        return np.asarray(-self.rotation_ratio.T @ self.translation_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Glass:
    """The sphere that the picture lies on.

    Attributes:
        curvature_per_mm: One over its radius; 0 for flat glass.
        height_mm: Height of its foremost place over the plane of the tags, towards the viewer.
        apex_mm: Where in that plane the foremost place is, (x, y).
    """

    curvature_per_mm: float
    height_mm: float
    apex_mm: tuple[float, float] = (0.0, 0.0)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Slopes:
    """How a projected place depends on what made it.

    Attributes:
        world_px: By the world's x, y, z, (n, 2, 3), per mm.
        pose_px: By a further turn of the camera frame (a rotation vector) and by the translation, (n, 2, 6).
        camera_px: By ln focal length, centre x, centre y (in px), k1, k2, (n, 2, 5).
    """

    world_px: Floats
    pose_px: Floats
    camera_px: Floats


def rotation_of(vector: Floats) -> Floats:
    """The rotation about a vector by its length in radians (Rodrigues), (3, 3)."""
    angle = float(np.linalg.norm(vector))
    x, y, z = vector
    cross = np.array([[0.0, -z, y], [z, 0.0, -x], [-y, x, 0.0]])
    first = np.sinc(angle / np.pi)
    second = 0.5 * np.sinc(angle / (2 * np.pi)) ** 2
    return np.asarray(np.eye(3) + first * cross + second * (cross @ cross))


def project(camera: Camera, pose: Pose, world_mm: Floats) -> Floats:
    """Places in the photograph of places in the world, (n, 3) to (n, 2)."""
    seen = world_mm @ pose.rotation_ratio.T + pose.translation_mm
    flat = seen[:, :2] / seen[:, 2:]
    square = np.sum(flat**2, axis=1, keepdims=True)
    k1, k2 = camera.distortion_ratio
    return np.asarray(camera.focal_px * flat * (1 + square * (k1 + k2 * square)) + camera.centre_px)


def project_with_slopes(camera: Camera, pose: Pose, world_mm: Floats) -> tuple[Floats, Slopes]:
    """The same, (n, 2), and how it depends on world, pose and camera."""
    turned = world_mm @ pose.rotation_ratio.T
    seen = turned + pose.translation_mm
    inverse = 1 / seen[:, 2]
    flat = seen[:, :2] * inverse[:, None]
    square = np.sum(flat**2, axis=1)
    k1, k2 = camera.distortion_ratio
    stretch = 1 + square * (k1 + k2 * square)
    off_axis = camera.focal_px * flat * stretch[:, None]

    # d(pixel)/d(flat): the stretch itself, and its change along the radius
    by_flat = (2 * camera.focal_px * (k1 + 2 * k2 * square))[:, None, None] * flat[:, :, None] * flat[:, None, :]
    by_flat[:, (0, 1), (0, 1)] += (camera.focal_px * stretch)[:, None]
    by_seen = np.empty((len(flat), 2, 3))
    by_seen[:, :, :2] = by_flat * inverse[:, None, None]
    by_seen[:, :, 2] = -np.einsum("nij,nj->ni", by_flat, flat) * inverse[:, None]

    pose_px = np.empty((len(flat), 2, 6))
    # a turn w moves a place by w x place
    pose_px[:, :, :3] = np.cross(turned[:, None, :], by_seen, axis=2)
    pose_px[:, :, 3:] = by_seen
    camera_px = np.zeros((len(flat), 2, 5))
    camera_px[:, :, 0] = off_axis
    camera_px[:, 0, 1] = camera_px[:, 1, 2] = 1
    camera_px[:, :, 3] = camera.focal_px * flat * square[:, None]
    camera_px[:, :, 4] = camera.focal_px * flat * (square**2)[:, None]
    slopes = Slopes(world_px=by_seen @ pose.rotation_ratio, pose_px=pose_px, camera_px=camera_px)
    return off_axis + camera.centre_px, slopes


def sight_lines(camera: Camera, photo_px: Floats) -> Floats:
    """Directions in the camera's frame of places in the photograph, z = 1, (n, 2) to (n, 3).

    The distortion is undone by Newton's rule along the radius; the distortions met in cameras are far from the
    fold at which that would fail.
    """
    bent = (photo_px - np.asarray(camera.centre_px)) / camera.focal_px
    far = np.linalg.norm(bent, axis=1)
    k1, k2 = camera.distortion_ratio
    near = far.copy()
    for _ in range(_UNDISTORT_ROUNDS):
        square = near**2
        slope = np.maximum(1 + square * (3 * k1 + 5 * k2 * square), 0.2)
        near = np.clip(near - (near * (1 + square * (k1 + k2 * square)) - far) / slope, 0, _WIDEST_RATIO)
    ratio = np.where(far > 0, near / np.where(far > 0, far, 1), 1.0)
    return np.column_stack([bent * ratio[:, None], np.ones(len(bent))])


def sagitta_mm(curvature_per_mm: float, off_apex_mm: Floats) -> tuple[Floats, Floats, Floats]:
    """How far the glass has fallen back at places (n, 2) from its foremost one.

    Returns:
        The sagitta, (n,); its slope by x and y, (n, 2); and its slope by the curvature, (n,), mm².
    """
    square = np.sum(off_apex_mm**2, axis=1)
    steep = np.minimum(curvature_per_mm**2 * square, _STEEPEST_RATIO**2)
    cosine = np.sqrt(1 - steep)
    fall = curvature_per_mm * square / (1 + cosine)
    return fall, (curvature_per_mm / cosine)[:, None] * off_apex_mm, square / (cosine * (1 + cosine))


def on_glass(glass: Glass, picture_mm: Floats) -> Floats:
    """Places in the world of places on the picture, (n, 2) to (n, 3)."""
    fall, _, _ = sagitta_mm(glass.curvature_per_mm, picture_mm - np.asarray(glass.apex_mm))
    return np.column_stack([picture_mm, fall - glass.height_mm])


def picture_of_photo(camera: Camera, pose: Pose, glass: Glass, photo_px: Floats) -> Floats:
    """Places on the picture of places in the photograph, (n, 2) to (n, 2); NaN where the line misses the glass."""
    lines = sight_lines(camera, photo_px) @ pose.rotation_ratio
    start = pose.stands_at_mm - np.array([*glass.apex_mm, -glass.height_mm])
    # The sphere through the apex is |p|² curvature/2 = p_z; the nearer crossing, in the form that survives curvature 0.
    half = glass.curvature_per_mm / 2
    square = half * np.sum(lines**2, axis=1)
    single = 2 * half * (lines @ start) - lines[:, 2]
    constant = half * float(start @ start) - start[2]
    inside = single**2 - 4 * square * constant
    along = np.where(inside >= 0, 2 * constant / (-single + np.sqrt(np.maximum(inside, 0))), np.nan)
    return np.asarray(start[:2] + along[:, None] * lines[:, :2] + np.asarray(glass.apex_mm))


def homography(plane: Floats, photo_px: Floats) -> Floats:
    """The projective map of a plane to a photograph, (3, 3), from at least four places, (n, 2) each.

    Source: normalised direct linear transformation, Hartley and Zisserman, Multiple View Geometry, 2nd ed.,
    algorithm 4.2.
    """

    def centred(points: Floats) -> tuple[Floats, Floats]:
        middle = points.mean(axis=0)
        scale = np.sqrt(2) / max(float(np.linalg.norm(points - middle, axis=1).mean()), 1e-12)
        shift = np.array([[scale, 0, -scale * middle[0]], [0, scale, -scale * middle[1]], [0, 0, 1]])
        return (points - middle) * scale, shift

    (a, shift_a), (b, shift_b) = centred(plane), centred(photo_px)
    one, none = np.ones(len(a)), np.zeros((len(a), 3))
    row = np.column_stack([a, one])
    rows = np.concatenate([np.hstack([row, none, -b[:, :1] * row]), np.hstack([none, row, -b[:, 1:] * row])])
    # The smallest singular vector, from the 9 x 9 product: the places are scaled, so that squaring costs nothing.
    _, vectors = np.linalg.eigh(rows.T @ rows)
    found = np.linalg.inv(shift_b) @ vectors[:, 0].reshape(3, 3) @ shift_a
    return np.asarray(found / found[2, 2])


def pose_of_plane(camera: Camera, found: Floats) -> tuple[Pose, float]:
    """The pose under which a plane shows as a homography, and the plane's own height over width.

    The plane's two axes may be of different unit: the ratio of the unit along y to that along x is returned, and
    the tilt is read off the vanishing line alone. Source: Zhang, IEEE PAMI 22 (2000), section 3.1, with that ratio
    left free.
    """
    focal, (cx, cy) = camera.focal_px, camera.centre_px
    inverse = np.array([[1 / focal, 0, -cx / focal], [0, 1 / focal, -cy / focal], [0, 0, 1.0]])
    columns = inverse @ found
    if columns[2, 2] < 0:
        columns = -columns
    along, down = float(np.linalg.norm(columns[:, 0])), float(np.linalg.norm(columns[:, 1]))
    nearly = np.column_stack([columns[:, 0] / along, columns[:, 1] / down, [0.0, 0.0, 0.0]])
    nearly[:, 2] = np.cross(nearly[:, 0], nearly[:, 1])
    left, _, right = np.linalg.svd(nearly)
    rotation = np.asarray(left @ np.diag([1, 1, np.linalg.det(left @ right)]) @ right)
    return Pose(rotation_ratio=rotation, translation_mm=np.asarray(columns[:, 2] / along)), down / along
