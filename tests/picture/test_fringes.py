"""Lateral colour: told from the tube by tags or by two shots, or confessed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from picture.rays import Eye, Tube, view_of
from tubewright.picture.fringes import half_diagonal_px, likely_px, middle_px, terms_at
from tubewright.picture.results import Convergence, Figure, Unsupported, Vector
from tubewright.picture.shape import measure_shape

LENS = Eye(far_mm=460.0, lateral_px=(3.0, -3.0), yaw_deg=3.0, pitch_deg=-2.0)
TRUE = Tube()
"""A perfectly converged tube."""
SIZE_MM = (TRUE.width_mm, TRUE.height_mm)


def vectors(found: Convergence) -> list[Vector]:
    assert not isinstance(found.red_minus_green, Unsupported)
    assert not isinstance(found.blue_minus_green, Unsupported)
    return [*found.red_minus_green.values(), *found.blue_minus_green.values()]


def worst_of_zones(found: Convergence) -> float:
    return max(float(np.hypot(vector.x_mm, vector.y_mm)) for vector in vectors(found))


def covered(found: Convergence) -> float:
    """Share of components within 1.96 standard deviations of none."""
    return float(np.mean([abs(c) <= 1.96 * v.sd_mm for v in vectors(found) for c in (v.x_mm, v.y_mm)]))


def test_terms_grow_along_the_radius_and_turn_with_the_sensor() -> None:
    size = (4001, 3001)
    corner = middle_px(size) + half_diagonal_px(size) * np.array([[0.8, 0.6]])
    terms = terms_at(size, corner)[0]
    assert terms[:, 0] == pytest.approx([0.8, 0.6])
    assert terms[:, 1] == pytest.approx([0.8, 0.6])
    assert terms[:, 2:] == pytest.approx(np.eye(2))
    assert terms_at(size, corner / 2 + middle_px(size) / 2)[0][:, 1] == pytest.approx([0.1, 0.075])
    # turned clockwise by a quarter, what moved right in the sensor moves down
    assert terms_at(size, corner, 90)[0][:, 2] == pytest.approx([0, 1])
    assert terms_at(size, corner, 180)[0][:, 2] == pytest.approx([-1, 0])


def test_likely_fringes_reach_the_two_pixels_of_a_minor_lens_at_twelve_megapixels() -> None:
    """Half diagonal of 4032 x 3024 is 2520 px; 0.08 % of it 2.02 px."""
    assert half_diagonal_px((4032, 3024)) == pytest.approx(2520)
    assert likely_px((4032, 3024))[0] == pytest.approx(2.016)


@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_converged_tube_seen_through_a_poor_lens_is_reported_converged_where_tags_are(seed: int) -> None:
    found = measure_shape([view_of(TRUE, LENS, np.random.default_rng(seed))]).convergence
    assert found.fringes == "tags"
    assert worst_of_zones(found) < 0.03
    assert isinstance(found.worst_mm, Figure)
    assert found.worst_mm.value < 0.04
    assert covered(found) > 0.9


def test_without_tags_the_fringes_stay_in_the_spread_and_it_is_said() -> None:
    view = view_of(TRUE, LENS, np.random.default_rng(3), tags=False)
    found = measure_shape([view], picture_mm=SIZE_MM).convergence
    assert found.fringes == "not_separated"
    # 3 px of a lens that may have 2 look like a tube's error; the spread must hold that
    assert worst_of_zones(found) > 0.05
    assert covered(found) > 0.9


@pytest.mark.parametrize("roll_deg", [0.0, 180.0])
def test_two_shots_with_the_picture_elsewhere_in_the_frame_tell_lens_from_tube(roll_deg: float) -> None:
    rng = np.random.default_rng(4)
    shots = [
        view_of(TRUE, replace(LENS, looks_at_mm=at, roll_deg=roll), rng, tags=False)
        for at, roll in (((55.0, 35.0), 0.0), ((-55.0, -35.0), roll_deg))
    ]
    found = measure_shape(shots, picture_mm=SIZE_MM).convergence
    assert found.fringes == "two_shots"
    assert worst_of_zones(found) < 0.04
    assert covered(found) > 0.9


def test_half_a_turn_of_a_centred_picture_tells_nothing_and_it_is_said() -> None:
    """What is symmetric about the middle of both frame and picture looks the same after half a turn."""
    rng = np.random.default_rng(5)
    eye = replace(LENS, yaw_deg=0.0, pitch_deg=0.0, looks_at_mm=(0.0, 0.0))
    shots = [view_of(TRUE, replace(eye, roll_deg=roll), rng, tags=False) for roll in (0.0, 180.0)]
    found = measure_shape(shots, picture_mm=SIZE_MM).convergence
    assert found.fringes == "not_separated"
    assert covered(found) > 0.9


def test_tags_in_one_photograph_serve_the_others_of_the_same_camera() -> None:
    rng = np.random.default_rng(6)
    shots = [view_of(TRUE, LENS, rng), view_of(TRUE, replace(LENS, yaw_deg=-15.0), rng, tags=False)]
    found = measure_shape(shots).convergence
    assert found.fringes == "tags"
    assert worst_of_zones(found) < 0.03
