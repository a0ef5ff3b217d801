"""The joint solution: camera, glass and picture from marks and tags, and what it won't say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.typing import NDArray

from picture.rays import RASTER, Eye, Floats, Tube, random_eye, random_tube, view_of
from tubewright.errors import InputError, RefusedError
from tubewright.picture.geometry import EDGES, Shapes, shapes
from tubewright.picture.patterns.survey import survey_marks
from tubewright.picture.results import Figure, Geometry, Known, Unsupported
from tubewright.picture.shape import measure_shape

EYE = Eye(far_mm=460.0, yaw_deg=6.0, pitch_deg=-4.0, roll_deg=2.0)
SIDES = ((-22.0, 5.0), (20.0, -8.0))
U = (np.arange(31) + 0.5) / 31 * 2 - 1
V = (np.arange(23) + 0.5) / 23 * 2 - 1


def true_shapes(tube: Tube) -> Shapes:
    """The figures of the tube itself (the definitions are tested by themselves in test_geometry.py)."""
    turned = abs(tube.upright[0, 0]) < 0.5

    def places(uv: Floats) -> Floats:
        half = np.array([tube.width_mm, tube.height_mm]) / 2
        return np.asarray(uv * half + np.column_stack(tube.warp(*uv.T)))

    return shapes(places, V if turned else U, U if turned else V)


def known(geometry: Geometry) -> dict[str, Known]:
    names: tuple[str, ...] = ("trapezoid_h_pct", "trapezoid_v_pct", "parallelogram_deg", "bow_vertical_axis_pct")
    names += ("bow_horizontal_axis_pct", "linearity_h_pct", "linearity_v_pct", "rotation_deg")
    return {name: getattr(geometry, name) for name in names} | {
        f"pincushion {edge}": geometry.pincushion_pct[edge] for edge in EDGES
    }


def errors(geometry: Geometry, truth: Shapes) -> dict[str, tuple[float, float]]:
    """Error and standard deviation of every figure that is given."""
    found = {}
    for name, figure in known(geometry).items():
        edge = name.removeprefix("pincushion ")
        true = truth.pincushion_pct[edge] if edge != name else getattr(truth, name)  # type: ignore[index]
        if isinstance(figure, Figure):
            found[name] = (figure.value - float(true), figure.sd)
    return found


@pytest.mark.parametrize("seed", range(2))
def test_two_photographs_from_two_sides_give_all_of_the_geometry(seed: int) -> None:
    rng = np.random.default_rng(seed)
    tube, eye = random_tube(rng), random_eye(rng, far_mm=480.0)
    shape = measure_shape([view_of(tube, replace(eye, yaw_deg=y, pitch_deg=p), rng) for y, p in SIDES])
    found = errors(shape.geometry, true_shapes(tube))
    assert shape.settled
    assert len(found) == len(known(shape.geometry)), "a figure is missing"
    for name, (off, sd) in found.items():
        assert abs(off) < 0.06, name
        assert abs(off) < 3.3 * sd, name
    radius = shape.geometry.glass_radius_mm
    assert isinstance(radius, Figure)
    assert radius.value == pytest.approx(tube.radius_mm, rel=0.002)
    assert shape.camera().focal_px == pytest.approx(eye.focal_px, rel=0.002)


@pytest.mark.parametrize("seed", range(2))
def test_one_photograph_and_the_radius_of_the_glass_stay_within_what_they_promise(seed: int) -> None:
    rng = np.random.default_rng(50 + seed)
    tube = replace(random_tube(rng), apex_mm=(0.0, 0.0))
    view = view_of(tube, random_eye(rng, far_mm=480.0), rng)
    found = errors(measure_shape([view], glass_radius_mm=tube.radius_mm).geometry, true_shapes(tube))
    assert {"trapezoid_h_pct", "trapezoid_v_pct", "rotation_deg", "pincushion left"} <= set(found)
    for name, (off, sd) in found.items():
        if "linearity" not in name:
            assert abs(off) < 0.25, name
        assert abs(off) < 2.6 * sd, name


def test_spreads_of_one_photograph_with_tags_cover() -> None:
    inside = []
    for seed in range(4):
        rng = np.random.default_rng(80 + seed)
        tube = random_tube(rng)
        shape = measure_shape([view_of(tube, random_eye(rng, far_mm=460.0), rng)])
        inside += [abs(off) <= 1.96 * sd for off, sd in errors(shape.geometry, true_shapes(tube)).values()]
        assert shape.scale is not None
        width = float(true_width(tube))
        assert abs(shape.scale.width_mm.value - width) < 2.6 * shape.scale.width_mm.sd
    assert len(inside) > 12
    assert np.mean(inside) >= 0.95


def true_width(tube: Tube) -> float:
    v = np.linspace(-1, 1, 9)
    right, left = (np.column_stack(tube.warp(np.full(9, u), v)) for u in (1.0, -1.0))
    return float(np.mean(np.linalg.norm(right - left + (tube.width_mm, 0), axis=1)))


def test_without_tags_what_a_tilt_imitates_is_not_given() -> None:
    view = view_of(Tube(), EYE, np.random.default_rng(1), tags=False)
    geometry = measure_shape([view], picture_mm=(368.0, 276.0)).geometry
    for name in ("trapezoid_h_pct", "trapezoid_v_pct", "rotation_deg", "linearity_h_pct"):
        figure = known(geometry)[name]
        assert isinstance(figure, Unsupported), name
        assert "tags" in figure.would_settle
    assert isinstance(geometry.camera_tilt_deg, Unsupported)


def test_one_photograph_doesn_t_pretend_to_know_the_glass() -> None:
    geometry = measure_shape([view_of(Tube(), EYE, np.random.default_rng(2))]).geometry
    assert isinstance(geometry.glass_radius_mm, Unsupported)
    assert isinstance(geometry.pincushion_pct["top"], Unsupported)
    assert "another photograph" in geometry.pincushion_pct["top"].would_settle


def test_with_tags_the_figures_don_t_hang_on_where_the_camera_stood() -> None:
    rng = np.random.default_rng(3)
    tube = random_tube(rng)
    pairs = [((-20.0, 0.0), (15.0, 10.0)), ((-12.0, -14.0), (25.0, 6.0))]
    both = []
    for pair, far, roll in zip(pairs, (440.0, 560.0), (0.0, 90.0), strict=True):
        eyes = [Eye(far_mm=far + 60, yaw_deg=y, pitch_deg=p, roll_deg=roll) for y, p in pair]
        both.append(known(measure_shape([view_of(tube, eye, rng) for eye in eyes]).geometry))
    for name, first in both[0].items():
        second = both[1][name]
        assert isinstance(first, Figure)
        assert isinstance(second, Figure)
        assert first.value == pytest.approx(second.value, abs=0.05), name


def test_a_curl_at_the_top_leaves_the_geometry_alone() -> None:
    """3 mm that settle over 12 lines."""
    rng = np.random.default_rng(4)
    tube = random_tube(rng)
    curled = replace(tube, curl=lambda y: 3.0 * np.exp(-y / 12.0))
    shape = measure_shape([view_of(curled, replace(EYE, yaw_deg=y, pitch_deg=p), rng) for y, p in SIDES])
    for name, (off, sd) in errors(shape.geometry, true_shapes(tube)).items():
        assert abs(off) < 0.15, name
        assert abs(off) < 2.6 * sd, name
    assert shape.misfit_ratio < 1.2


def stripes(u: Floats, v: Floats) -> tuple[Floats, Floats]:
    """Top 3 mm wider on each side; right edge drawn in; seen by the viewer."""
    return -3.0 * u * v, np.zeros_like(v)


@pytest.mark.parametrize("clockwise", [True, False])
def test_a_tube_on_its_side_is_measured_as_the_viewer_sees_it(clockwise: bool) -> None:
    sign = 1.0 if clockwise else -1.0
    tube = Tube(
        width_mm=276.0,
        height_mm=368.0,
        warp=stripes,
        upright=np.array([[0.0, -sign], [sign, 0.0]]),
        strips=((-90.0, -240.0, 0.0), (-90.0, 205.0, 0.0), (-170.0, 90.0, -90.0), (200.0, -90.0, 90.0)),
    )
    rng = np.random.default_rng(5)
    views = [
        view_of(tube, replace(EYE, size_px=(3024, 4032), yaw_deg=y, pitch_deg=p), rng, rotated_deg=sign * 90.0)
        for y, p in SIDES
    ]
    shape = measure_shape(views, mount="vertical")
    for name, (off, _) in errors(shape.geometry, true_shapes(tube)).items():
        assert abs(off) < 0.05, name
    assert isinstance(shape.geometry.trapezoid_h_pct, Figure)
    assert shape.geometry.trapezoid_h_pct.value > 3
    assert shape.scale is not None
    assert shape.scale.height_mm.value > shape.scale.width_mm.value


def leaning(u: Floats, v: Floats) -> tuple[Floats, Floats]:
    return -3.0 * v, np.zeros_like(u)


def test_a_mirrored_picture_is_measured_as_the_viewer_sees_it() -> None:
    tube = Tube(warp=leaning, upright=np.diag([-1.0, 1.0]))
    shape = measure_shape([view_of(tube, EYE, np.random.default_rng(6))])
    assert isinstance(shape.geometry.parallelogram_deg, Figure)
    assert shape.geometry.parallelogram_deg.value == pytest.approx(np.degrees(np.arctan(6 / 276)), abs=0.05)


def test_rotation_is_told_against_the_strips_as_they_were_laid() -> None:
    turn = 1.2
    cosine, sine = np.cos(np.radians(turn)), np.sin(np.radians(turn))

    def turned(u: Floats, v: Floats) -> tuple[Floats, Floats]:
        x, y = 184.0 * u, 138.0 * v
        return x * cosine - y * sine - x, x * sine + y * cosine - y

    tube = Tube(warp=turned)
    figure = measure_shape([view_of(tube, EYE, np.random.default_rng(7))]).geometry.rotation_deg
    assert isinstance(figure, Figure)
    assert figure.value == pytest.approx(turn, abs=0.05)
    assert 0.1 < figure.sd < 0.5
    x, y, at = Tube().strips[2]
    strips = (*Tube().strips[:2], (x, y, at + 8.0), Tube().strips[3])
    astray = measure_shape([view_of(replace(tube, strips=strips), EYE, np.random.default_rng(7))]).geometry.rotation_deg
    assert isinstance(astray, Unsupported)
    assert "along the bezel" in astray.would_settle


def test_strips_moved_between_photographs_are_noticed_and_do_no_harm() -> None:
    rng = np.random.default_rng(17)
    tube = random_tube(rng)
    x, y, at = tube.strips[0]
    moved = replace(tube, strips=((x + 15, y - 5, at + 2), *tube.strips[1:]))
    views = [view_of(t, replace(EYE, yaw_deg=w), rng) for t, w in ((tube, -20.0), (moved, 18.0))]
    shape = measure_shape(views)
    assert any("elsewhere" in note for note in shape.notes)
    for name, (off, sd) in errors(shape.geometry, true_shapes(tube)).items():
        assert abs(off) < 3.3 * sd, name
    assert measure_shape([view_of(tube, EYE, rng)]).notes == ()


def test_tags_printed_askew_are_noticed() -> None:
    """A sheet stretched by 3 % along one side only: no camera shows a square so."""
    view = view_of(Tube(), EYE, np.random.default_rng(18))
    assert view.tags is not None
    stretched = replace(view.tags, corners_mm=view.tags.corners_mm * (1.03, 1.0))
    shape = measure_shape([replace(view, tags=stretched)])
    assert any("printed" in note for note in shape.notes)


def test_an_uncut_sheet_works_by_itself() -> None:
    """All four strips as one piece above the picture: scale and pose, from farther away to have it in the frame."""
    sheet = tuple((-90.0, -290.0 + 30.0 * k, 0.0) for k in range(4))
    view = view_of(Tube(strips=sheet), replace(EYE, far_mm=640.0, looks_at_mm=(0.0, -60.0)), np.random.default_rng(8))
    assert view.tags is not None
    assert len(view.tags.number) > 12
    shape = measure_shape([view])
    assert shape.scale is not None
    assert abs(shape.scale.width_mm.value - 368) < 2.6 * shape.scale.width_mm.sd
    assert isinstance(shape.geometry.rotation_deg, Figure)
    assert shape.geometry.rotation_deg.sd > 0.4, "one piece was laid once"


def test_marks_gone_astray_don_t_pull_the_rest_along() -> None:
    view = view_of(Tube(), EYE, np.random.default_rng(9))
    marks = view.sighting.marks
    x = marks.x_px.copy()
    x[::40] += 6.0
    spoilt = replace(view, sighting=replace(view.sighting, marks=replace(marks, x_px=x)))
    one, other = measure_shape([view]), measure_shape([spoilt])
    assert not isinstance(one.convergence.red_minus_green, Unsupported)
    assert not isinstance(other.convergence.red_minus_green, Unsupported)
    for zone, vector in one.convergence.red_minus_green.items():
        again = other.convergence.red_minus_green[zone]
        assert (again.x_mm, again.y_mm) == pytest.approx((vector.x_mm, vector.y_mm), abs=0.04)
    assert other.misfit_ratio > 2


def test_the_maps_lead_there_and_back() -> None:
    tube = random_tube(np.random.default_rng(10))
    views = [view_of(tube, replace(EYE, yaw_deg=y, pitch_deg=p), None) for y, p in SIDES]
    shape = measure_shape(views)
    lattice = survey_marks(RASTER)
    green = np.column_stack([lattice.x_px, lattice.y_px])[lattice.gun == 1]
    on_picture = shape.picture_of_raster(green)
    middle = tube.place(np.array([[159.5, 119.5]]), 1)
    assert on_picture == pytest.approx(tube.place(green, 1) - middle, abs=0.6)
    for view in range(2):
        photo = shape.photo_of_picture(on_picture, view)
        assert shape.picture_of_photo(photo, view) == pytest.approx(on_picture, abs=1e-6)
        marks = shape.marks(view)
        assert marks.expected_px == pytest.approx(marks.photo_px, abs=0.05)
        its = marks.picture_mm[marks.gun == 1]
        assert its == pytest.approx(on_picture, abs=0.05)


def test_lines_hidden_along_an_edge_are_told_as_overscan() -> None:
    def keep(column: NDArray[np.int64], row: NDArray[np.int64]) -> NDArray[np.bool_]:
        return np.asarray(row >= 1)

    geometry = measure_shape([view_of(Tube(), EYE, np.random.default_rng(11), keep=keep)]).geometry
    top = geometry.overscan_pct["top"]
    assert isinstance(top, Figure)
    assert top.value == pytest.approx(100 / 23)
    assert isinstance(geometry.overscan_pct["left"], Unsupported)


def test_a_cropped_picture_has_no_figures_of_its_edges() -> None:
    def keep(column: NDArray[np.int64], row: NDArray[np.int64]) -> NDArray[np.bool_]:
        return np.asarray(column < 22)

    geometry = measure_shape([view_of(Tube(), EYE, np.random.default_rng(12), keep=keep)]).geometry
    for figure in known(geometry).values():
        assert isinstance(figure, Unsupported)
        assert "whole picture" in figure.would_settle


def test_an_unknown_focal_length_is_found_or_confessed() -> None:
    rng = np.random.default_rng(13)
    eye = replace(EYE, focal_35mm=50.0, far_mm=900.0)
    shape = measure_shape([view_of(Tube(), eye, rng, focal_known=False)])
    assert shape.settled
    assert shape.scale is not None
    assert abs(shape.scale.width_mm.value - 368) < 2.6 * shape.scale.width_mm.sd


def test_progress_goes_from_little_to_all() -> None:
    heard: list[float] = []
    measure_shape([view_of(Tube(), EYE, np.random.default_rng(14))], progress=heard.append)
    assert heard == sorted(heard)
    assert heard[-1] == 1.0


def test_all_that_is_wrong_is_said_at_once() -> None:
    with pytest.raises(InputError) as caught:
        measure_shape([], picture_mm=(368.0, -1.0), glass_radius_mm=float("nan"))
    assert len(caught.value.faults) == 3


def test_two_rasters_are_not_one_picture() -> None:
    view = view_of(Tube(), EYE, np.random.default_rng(15))
    other = replace(view, sighting=replace(view.sighting, raster=replace(RASTER, width_px=640)))
    with pytest.raises(InputError, match="photograph 2"):
        measure_shape([view, other])


def test_a_handful_of_marks_is_refused() -> None:
    def keep(column: NDArray[np.int64], row: NDArray[np.int64]) -> NDArray[np.bool_]:
        return np.asarray((row < 2) & (column < 12))

    with pytest.raises(RefusedError, match="marks were found"):
        measure_shape([view_of(Tube(), EYE, np.random.default_rng(16), keep=keep)])
