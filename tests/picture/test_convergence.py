"""Convergence: zones, points, the worst, and whether their spreads hold."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import pytest

from picture.rays import RASTER, Eye, Field, Floats, Tube, random_eye, random_tube, view_of
from tubewright.picture.convergence import ZONE_UV, zone_at
from tubewright.picture.patterns.survey import survey_marks
from tubewright.picture.results import ZONES, Convergence, Figure, Unsupported, Vector, Zone
from tubewright.picture.shape import measure_shape


def by_zone(found: Mapping[Zone, Vector] | Unsupported) -> Mapping[Zone, Vector]:
    assert not isinstance(found, Unsupported), found
    return found


def zone_errors(found: Convergence, tube: Tube) -> Floats:
    """Error and standard deviation of every component, (36, 2)."""
    rows = []
    for field, vectors in ((tube.red, by_zone(found.red_minus_green)), (tube.blue, by_zone(found.blue_minus_green))):
        for zone, (u, v) in ZONE_UV.items():
            x, y = field(np.array([u]), np.array([v]))
            rows += [(vectors[zone].x_mm - x[0], vectors[zone].sd_mm), (vectors[zone].y_mm - y[0], vectors[zone].sd_mm)]
    return np.array(rows)


def point_errors(found: Convergence, tube: Tube) -> Floats:
    """The same of every mark, (n, 2)."""
    points = found.points
    assert points is not None
    lattice = survey_marks(RASTER)
    place = {(c, r): k for k, (c, r) in enumerate(zip(lattice.column, lattice.row, strict=True))}
    at = np.array([place[c, r] for c, r in zip(points.column, points.row, strict=True)])
    u, v = tube.uv(np.column_stack([lattice.x_px, lattice.y_px])[at]).T
    red, blue = np.column_stack(tube.red(u, v)), np.column_stack(tube.blue(u, v))
    true = np.where(points.gun[:, None] == 0, red, blue)
    return np.column_stack([(points.error_mm - true).ravel(), np.repeat(points.sd_mm, 2)])


def test_zones_lie_as_the_viewer_sees_them() -> None:
    assert ZONE_UV["top_left"] == pytest.approx((-2 / 3, -2 / 3))
    assert ZONE_UV["right"] == pytest.approx((2 / 3, 0))
    for zone in ZONES:
        assert zone_at(ZONE_UV[zone]) == zone
    assert zone_at((1.0, 1.0)) == "bottom_right"
    assert zone_at((-1.0, -0.1)) == "left"


def test_a_shifted_gun_is_a_shifted_gun_in_sign_and_size() -> None:
    """Red 0.8 mm to the right of green, blue 0.5 mm below it."""

    def red(u: Floats, v: Floats) -> tuple[Floats, Floats]:
        return np.full_like(u, 0.8), np.zeros_like(v)

    def blue(u: Floats, v: Floats) -> tuple[Floats, Floats]:
        return np.zeros_like(u), np.full_like(v, 0.5)

    found = measure_shape([view_of(Tube(red=red, blue=blue), Eye(far_mm=460.0), None)]).convergence
    # how high the tags lie over the rim of the glass isn't known: the scale is good to some 2 %
    for vector in by_zone(found.red_minus_green).values():
        assert (vector.x_mm, vector.y_mm) == pytest.approx((0.8, 0.0), abs=0.025)
    for vector in by_zone(found.blue_minus_green).values():
        assert (vector.x_mm, vector.y_mm) == pytest.approx((0.0, 0.5), abs=0.025)
    assert isinstance(found.worst_mm, Figure)
    assert found.worst_mm.value == pytest.approx(0.8, abs=0.03)


def test_with_tags_the_error_stays_under_three_hundredths_and_the_spread_holds() -> None:
    """Six displays out of adjustment before six hands' cameras, tags alone giving the scale."""
    zones, points = [], []
    for seed in range(6):
        rng = np.random.default_rng(seed)
        tube = random_tube(rng)
        eye = random_eye(rng, far_mm=float(rng.uniform(420, 520)))
        found = measure_shape([view_of(tube, eye, rng)]).convergence
        assert found.fringes == "tags"
        zones.append(zone_errors(found, tube))
        points.append(point_errors(found, tube))
    for errors in (np.concatenate(zones), np.concatenate(points)):
        assert np.sqrt(np.mean(errors[:, 0] ** 2)) < 0.03
        assert np.mean(np.abs(errors[:, 0]) <= 1.96 * errors[:, 1]) >= 0.95
        # honest, not timid
        assert np.median(errors[:, 1]) < 0.03


def test_without_tags_the_spread_holds_the_lens() -> None:
    errors = []
    for seed in range(5):
        rng = np.random.default_rng(100 + seed)
        tube = random_tube(rng)
        view = view_of(tube, random_eye(rng, far_mm=460.0), rng, tags=False)
        found = measure_shape([view], picture_mm=(tube.width_mm, tube.height_mm)).convergence
        errors.append(zone_errors(found, tube))
    both = np.concatenate(errors)
    assert np.mean(np.abs(both[:, 0]) <= 1.96 * both[:, 1]) >= 0.9


def bump(field: Field, at: tuple[float, float], high_mm: float) -> Field:
    """A field with a corner that no smooth field of low order follows."""

    def bumped(u: Floats, v: Floats) -> tuple[Floats, Floats]:
        x, y = field(u, v)
        return x + high_mm * np.exp(-((u - at[0]) ** 2 + (v - at[1]) ** 2) / 0.02), y

    return bumped


def test_what_the_smooth_field_can_t_follow_stands_in_the_points_with_its_spread() -> None:
    tube = replace(Tube(), red=bump(Tube().red, (0.6, 0.6), 0.4))
    found = measure_shape([view_of(tube, Eye(far_mm=460.0), np.random.default_rng(7))]).convergence
    errors = point_errors(found, tube)
    assert np.mean(np.abs(errors[:, 0]) <= 1.96 * errors[:, 1]) >= 0.9


@pytest.mark.parametrize(("guns", "dark"), [((1, 2), "red"), ((0, 1), "blue"), ((0, 2), "green")])
def test_a_dark_gun_leaves_its_pair_unsupported(guns: tuple[int, ...], dark: str) -> None:
    view = view_of(Tube(), Eye(far_mm=460.0), np.random.default_rng(8), guns=guns)
    shape = measure_shape([view])
    found = {"red": shape.convergence.red_minus_green, "blue": shape.convergence.blue_minus_green}
    for gun, vectors in found.items():
        if dark in {gun, "green"}:
            assert isinstance(vectors, Unsupported)
            assert dark in vectors.reason
        else:
            by_zone(vectors)
    # the shape of the picture doesn't hang on one gun
    assert isinstance(shape.geometry.trapezoid_h_pct, Figure)


def test_without_any_size_there_are_no_millimetres() -> None:
    view = view_of(Tube(), Eye(far_mm=460.0), np.random.default_rng(9), tags=False)
    shape = measure_shape([view])
    assert shape.scale is None
    assert isinstance(shape.convergence.red_minus_green, Unsupported)
    assert isinstance(shape.convergence.worst_mm, Unsupported)
    assert "tags" in shape.convergence.worst_mm.would_settle


def test_the_tube_s_diagonal_gives_millimetres_with_its_own_doubt() -> None:
    tube = Tube(red=lambda u, v: (np.full_like(u, 1.0), np.zeros_like(v)))
    view = view_of(tube, replace(Eye(far_mm=460.0)), np.random.default_rng(10), tags=False)
    shape = measure_shape([view], diagonal_mm=480.0)
    assert shape.scale is not None
    assert shape.scale.reference == "picture_size"
    assert abs(shape.scale.width_mm.value - 368) < 1.96 * shape.scale.width_mm.sd
    centre = by_zone(shape.convergence.red_minus_green)["centre"]
    assert abs(centre.x_mm - 1.0) < 1.96 * centre.sd_mm
