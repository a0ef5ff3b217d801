"""Patterns of controls against fields reckoned here from poles and coils, and the vectors of rings."""

from __future__ import annotations

import cmath
import math

import numpy as np
import pytest
from numpy.typing import NDArray

from tubewright.judgement.advice.effects import (
    ORDER,
    RINGS,
    TURNABLE,
    effects_of,
    ring_setting,
    ring_vector,
    usual_controls,
)
from tubewright.judgement.advice.modes import INDEX
from tubewright.knowledge.load import load_knowledge

KNOWLEDGE = load_knowledge()
BEAM_MM = 6.0


def push(pole_pairs: int, angle_rad: float, at_x_mm: float) -> complex:
    """Force on a beam beside the axis from line poles round the neck, seen by the viewer, x right and y up."""
    count, radius = 2 * pole_pairs, 20.0
    poles = [radius * cmath.exp(1j * (angle_rad + 2 * math.pi * k / count)) for k in range(count)]
    field = sum((-1) ** k * (at_x_mm - pole) / abs(at_x_mm - pole) ** 2 for k, pole in enumerate(poles))
    return 1j * complex(field)  # across the field


@pytest.mark.parametrize("control", ["four_pole_rings", "six_pole_rings"])
def test_rings_move_the_outer_beams_as_their_fields_do(control: str) -> None:
    pairs = RINGS[control]
    one, other = push(pairs, 0.3, BEAM_MM), push(pairs, 0.3, -BEAM_MM)
    sign = -1 if control == "four_pole_rings" else 1
    assert other == pytest.approx(sign * one, rel=0.05)
    assert abs(push(pairs, 0.3, 0.0)) < 1e-9 * abs(one) + 1e-12
    pair = "opp" if control == "four_pole_rings" else "com"
    effects = effects_of([control], KNOWLEDGE)
    assert effects.inputs[0].main == (f"{pair}_x_1", f"{pair}_y_1")


@pytest.mark.parametrize("control", sorted(RINGS))
def test_turning_a_pair_turns_its_force_by_the_number_of_its_poles_in_the_same_sense(control: str) -> None:
    pairs = RINGS[control]
    turned_deg = 10.0
    # Clockwise from behind is against the clock for the viewer: a positive angle with y up.
    before, after = push(pairs, 0.2, BEAM_MM), push(pairs, 0.2 + math.radians(turned_deg), BEAM_MM)
    by_field = cmath.phase(after / before)
    ours = ring_vector(control, 5, turned_deg) / ring_vector(control, 5, 0)
    assert -cmath.phase(ours) == pytest.approx(by_field, abs=0.04)  # ours has y down; beyond first order 3 %


@pytest.mark.parametrize(
    ("control", "shift", "crossed"),
    [("yoke_tilt_vertical", (0.0, 0.3), True), ("yoke_tilt_horizontal", (0.3, 0.0), False)],
)
def test_a_shifted_yoke_parts_red_and_blue_where_its_field_says(
    control: str, shift: tuple[float, float], *, crossed: bool
) -> None:
    def part(current_x: float, current_y: float) -> NDArray[np.float64]:
        """Red minus blue, x and y, for a place on the screen: pincushion line field, barrel field of the other coil."""
        found = []
        for x in (BEAM_MM, -BEAM_MM):
            at_x, at_y, a = x - shift[0], 0.0 - shift[1], 1e-3
            upright = current_x * (1 + a * (at_x**2 - at_y**2)) + current_y * 2 * a * at_x * at_y
            level = current_x * 2 * a * at_x * at_y + current_y * (1 - a * (at_x**2 - at_y**2))
            found.append((upright, level))
        return np.asarray(np.array(found[0]) - np.array(found[1]))

    right, bottom = part(1, 0) - part(0, 0), part(0, 1) - part(0, 0)
    modes = effects_of([control], KNOWLEDGE).inputs[0].main
    if crossed:
        assert abs(right[1]) > 1e-3
        assert abs(right[0]) < 1e-9
        assert abs(bottom[0]) > 1e-3
        assert abs(bottom[1]) < 1e-9
        assert modes == ("opp_x_v", "opp_y_u")
    else:
        assert abs(right[0]) > 1e-3
        assert abs(right[1]) < 1e-9
        assert abs(bottom[1]) > 1e-3
        assert modes == ("opp_x_u", "opp_y_v")


@pytest.mark.parametrize("control", sorted(RINGS))
@pytest.mark.parametrize("near_deg", [0.0, 200.0, -75.0])
def test_a_vector_becomes_the_nearest_setting_that_makes_it(control: str, near_deg: float) -> None:
    vector = ring_vector(control, 7.0, 33.0)
    tabs, angle = ring_setting(control, vector, near_deg)
    assert ring_vector(control, tabs, angle) == pytest.approx(vector)
    assert abs(angle - near_deg) <= 180 / RINGS[control] + 1e-9


def test_a_delta_guns_magnets_move_along_their_radials() -> None:
    effects = effects_of(["static_red", "blue_lateral"], KNOWLEDGE)
    red = effects.patterns[effects.gains.index("static_red>radial"), :, effects.column("static_red")]
    opp = complex(red[INDEX["opp_x_1"]], red[INDEX["opp_y_1"]])
    com = complex(red[INDEX["com_x_1"]], red[INDEX["com_y_1"]])
    assert opp == pytest.approx(com)  # red moves, blue doesn't
    assert math.degrees(cmath.phase(opp + com)) == pytest.approx(-30)
    blue = effects.patterns[effects.gains.index("blue_lateral>radial"), :, effects.column("blue_lateral")]
    assert blue[INDEX["opp_x_1"]] == pytest.approx(-blue[INDEX["com_x_1"]])
    assert blue[INDEX["opp_y_1"]] == 0


def test_every_control_has_its_place_in_the_order_of_work_and_its_gains() -> None:
    assert set(ORDER) >= TURNABLE
    assert set(KNOWLEDGE.controls) >= TURNABLE
    effects = effects_of(TURNABLE, KNOWLEDGE)
    assert (effects.sd > 0).all()
    assert all(effects.patterns[:, :, n].any() for n in range(len(effects.inputs)))
    assert not usual_controls("inline") & {"static_red"}
