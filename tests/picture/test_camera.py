"""The camera, the glass, and the calibration, against OpenCV's own."""

from __future__ import annotations

from pathlib import Path
from typing import Final

import cv2
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tubewright.picture.bundle import calibrate
from tubewright.picture.camera import (
    Camera,
    Glass,
    Pose,
    homography,
    on_glass,
    picture_of_photo,
    pose_of_plane,
    project,
    project_with_slopes,
    rotation_of,
    sagitta_mm,
    sight_lines,
)

CHESSBOARDS: Final = Path("/usr/share/doc/opencv-doc/examples/data")
CAMERA: Final = Camera(focal_px=3000.0, centre_px=(2010.0, 1490.0), distortion_ratio=(0.03, -0.02))
POSE: Final = Pose(rotation_ratio=rotation_of(np.array([0.2, -0.3, 0.1])), translation_mm=np.array([5.0, -8.0, 520.0]))

small = st.floats(-0.5, 0.5)


def places(seed: int, count: int = 40) -> np.ndarray[tuple[int, int], np.dtype[np.float64]]:
    rng = np.random.default_rng(seed)
    return np.column_stack([rng.uniform(-180, 180, count), rng.uniform(-130, 130, count)])


@given(st.tuples(small, small, small))
def test_a_rotation_is_that_of_opencv(vector: tuple[float, float, float]) -> None:
    assert rotation_of(np.array(vector)) == pytest.approx(cv2.Rodrigues(np.array(vector))[0], abs=1e-12)


def test_places_project_as_opencv_projects_them() -> None:
    world = np.column_stack([places(1), np.linspace(-30, 10, 40)])
    matrix = np.array([[CAMERA.focal_px, 0, CAMERA.centre_px[0]], [0, CAMERA.focal_px, CAMERA.centre_px[1]], [0, 0, 1]])
    theirs, _ = cv2.projectPoints(
        world, cv2.Rodrigues(POSE.rotation_ratio)[0], POSE.translation_mm, matrix, np.array([0.03, -0.02, 0, 0])
    )
    assert project(CAMERA, POSE, world) == pytest.approx(np.asarray(theirs).reshape(-1, 2), abs=1e-8)


def test_slopes_are_those_of_differences() -> None:
    world = np.column_stack([places(2), np.linspace(-30, 10, 40)])
    at, slopes = project_with_slopes(CAMERA, POSE, world)
    step = 1e-6
    for axis in range(3):
        moved = world + step * np.eye(3)[axis]
        assert slopes.world_px[:, :, axis] == pytest.approx((project(CAMERA, POSE, moved) - at) / step, abs=1e-3)
        turned = Pose(
            rotation_ratio=rotation_of(step * np.eye(3)[axis]) @ POSE.rotation_ratio, translation_mm=POSE.translation_mm
        )
        assert slopes.pose_px[:, :, axis] == pytest.approx((project(CAMERA, turned, world) - at) / step, abs=5e-2)
        away = Pose(rotation_ratio=POSE.rotation_ratio, translation_mm=POSE.translation_mm + step * np.eye(3)[axis])
        assert slopes.pose_px[:, :, 3 + axis] == pytest.approx((project(CAMERA, away, world) - at) / step, abs=1e-3)
    changed = [
        Camera(focal_px=3000.0 * np.exp(step), centre_px=CAMERA.centre_px, distortion_ratio=CAMERA.distortion_ratio),
        Camera(focal_px=3000.0, centre_px=(2010.0 + step, 1490.0), distortion_ratio=CAMERA.distortion_ratio),
        Camera(focal_px=3000.0, centre_px=(2010.0, 1490.0 + step), distortion_ratio=CAMERA.distortion_ratio),
        Camera(focal_px=3000.0, centre_px=CAMERA.centre_px, distortion_ratio=(0.03 + step, -0.02)),
        Camera(focal_px=3000.0, centre_px=CAMERA.centre_px, distortion_ratio=(0.03, -0.02 + step)),
    ]
    for column, camera in enumerate(changed):
        found = (project(camera, POSE, world) - at) / step
        assert slopes.camera_px[:, :, column] == pytest.approx(found, abs=2e-2)


@pytest.mark.parametrize("curvature", [0.0, 1e-9, 1 / 1500, 1 / 600])
def test_the_way_back_from_the_photograph_meets_the_glass_where_the_mark_was(curvature: float) -> None:
    glass = Glass(curvature_per_mm=curvature, height_mm=32.0, apex_mm=(3.0, -2.0))
    on_picture = places(3)
    photo = project(CAMERA, POSE, on_glass(glass, on_picture))
    assert picture_of_photo(CAMERA, POSE, glass, photo) == pytest.approx(on_picture, abs=1e-7)


def test_a_line_of_sight_beside_the_glass_has_no_place_on_it() -> None:
    ball = Glass(curvature_per_mm=1 / 100, height_mm=100.0)
    assert np.isnan(picture_of_photo(CAMERA, POSE, ball, np.array([[-3000.0, 1490.0]]))).all()


@given(st.floats(-0.2, 0.2), st.floats(-0.05, 0.05))
def test_distortion_is_undone(k1: float, k2: float) -> None:
    camera = Camera(focal_px=3000.0, centre_px=(2000.0, 1500.0), distortion_ratio=(k1, k2))
    lines = np.column_stack([np.linspace(-0.6, 0.6, 21), np.linspace(-0.3, 0.4, 21), np.ones(21)])
    still = Pose(rotation_ratio=np.eye(3), translation_mm=np.zeros(3))
    assert sight_lines(camera, project(camera, still, lines)) == pytest.approx(lines, abs=1e-9)


def test_the_sagitta_is_that_of_the_published_example() -> None:
    """A sphere of 600 mm falls 45.83 mm at 230 mm, one of 1000 mm 26.81 mm: R - sqrt(R² - r²)."""
    for radius, fall in ((600.0, 45.83), (1000.0, 26.81)):
        assert sagitta_mm(1 / radius, np.array([[230.0, 0.0]]))[0][0] == pytest.approx(fall, abs=0.005)


@settings(max_examples=30)
@given(st.tuples(st.floats(-0.4, 0.4), st.floats(-0.4, 0.4), st.floats(-3, 3)), st.floats(0.8, 1.25))
def test_a_plane_gives_its_pose_and_its_proportions(turn: tuple[float, float, float], stretch: float) -> None:
    pose = Pose(rotation_ratio=rotation_of(np.array(turn)), translation_mm=np.array([10.0, 20.0, 500.0]))
    camera = Camera(focal_px=3000.0, centre_px=(2000.0, 1500.0))
    flat = places(4)
    world = np.column_stack([flat * (1, stretch), np.zeros(len(flat))])
    found, ratio = pose_of_plane(camera, homography(flat, project(camera, pose, world)))
    assert ratio == pytest.approx(stretch, rel=1e-6)
    assert found.rotation_ratio == pytest.approx(pose.rotation_ratio, abs=1e-6)
    assert found.translation_mm == pytest.approx(pose.translation_mm, rel=1e-6)


@pytest.mark.skipif(not (CHESSBOARDS / "left01.jpg").exists(), reason="Debian's opencv-doc isn't installed")
def test_the_chessboards_of_opencv_give_the_camera_that_opencv_finds() -> None:
    """Thirteen photographs of a 9 x 6 board; the same model on both sides: square pixels, k1 and k2, no tangent."""
    square_mm = 25.0
    board = np.array([[x, y] for y in range(6) for x in range(9)], dtype=np.float64) * square_mm
    ours, objects, images = [], [], []
    size = (0, 0)
    for path in sorted(CHESSBOARDS.glob("left[0-9][0-9].jpg")):
        grey = cv2.imread(str(path), cv2.IMREAD_GRAYSCALE)
        assert grey is not None
        size = (grey.shape[1], grey.shape[0])
        found, corners = cv2.findChessboardCorners(grey, (9, 6))
        if not found:
            continue
        rule = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_MAX_ITER, 30, 0.01)
        corners = cv2.cornerSubPix(grey, corners, (5, 5), (-1, -1), rule).reshape(-1, 2)
        ours.append((board, corners.astype(np.float64)))
        objects.append(np.column_stack([board, np.zeros(len(board))]).astype(np.float32))
        images.append(corners.astype(np.float32))
    assert len(ours) >= 10
    camera, left_px, settled = calibrate(ours, size, focal_px=600.0)
    start = np.array([[600.0, 0, size[0] / 2], [0, 600.0, size[1] / 2], [0, 0, 1]])
    flags = cv2.CALIB_USE_INTRINSIC_GUESS | cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K3
    theirs_px, matrix, bend, _, _ = cv2.calibrateCamera(objects, images, size, start, np.zeros(5), flags=flags)
    assert settled
    assert left_px == pytest.approx(theirs_px, rel=1e-4)
    assert camera.focal_px == pytest.approx(matrix[0, 0], rel=1e-5)
    assert camera.centre_px == pytest.approx((matrix[0, 2], matrix[1, 2]), abs=0.01)
    assert camera.distortion_ratio == pytest.approx(tuple(bend.ravel()[:2]), abs=1e-4)
