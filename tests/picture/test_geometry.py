"""Each figure of geometry by its definition, one distortion at a time."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from picture.rays import Field, Floats
from tubewright.picture.geometry import Evidence, Shapes, figure, shapes, why_not
from tubewright.picture.results import Figure, Unsupported

U = (np.arange(31) + 0.5) / 31 * 2 - 1
V = (np.arange(23) + 0.5) / 23 * 2 - 1
WIDTH, HEIGHT = 400.0, 300.0
EDGE_U, EDGE_V = 30 / 31, 22 / 23
"""The outermost lines lie half a pitch inside the raster's edge."""


def measured(warp: Field, turn_deg: float = 0.0, size: float = 1.0) -> Shapes:
    def places(uv: Floats) -> Floats:
        u, v = uv.T
        flat = np.column_stack([u * WIDTH / 2, v * HEIGHT / 2]) + np.column_stack(warp(u, v))
        cosine, sine = np.cos(np.radians(turn_deg)), np.sin(np.radians(turn_deg))
        # clockwise with y down
        return np.asarray(size * flat @ np.array([[cosine, sine], [-sine, cosine]]) + (7.0, -3.0))

    return shapes(places, U, V)


def figures(found: Shapes) -> dict[str, float]:
    single = {
        name: float(getattr(found, name))
        for name in Shapes.__dataclass_fields__
        if name.endswith(("_pct", "_deg")) and name != "pincushion_pct"
    }
    return single | {f"pincushion {edge}": float(value) for edge, value in found.pincushion_pct.items()}


def zero(u: Floats) -> Floats:
    return np.zeros_like(u)


# 4 mm at the outermost lines, one distortion at a time; the figure that must follow from the definition by hand.
W, H = WIDTH * EDGE_U, HEIGHT * EDGE_V
# A bent edge also changes the mean over all lines of the dimension that it is measured against.
DENT_U = float(np.mean(4 * (1 - (U / EDGE_U) ** 2)))
DENT_V = float(np.mean(4 * (1 - (V / EDGE_V) ** 2)))
CASES: dict[str, tuple[Field, dict[str, float]]] = {
    "nothing": (lambda u, v: (zero(u), zero(v)), {}),
    "top wider": (
        lambda u, v: (-4 * (u / EDGE_U) * (v / EDGE_V), zero(v)),
        {"trapezoid_h_pct": 100 * 16 / W},
    ),
    "left higher": (
        lambda u, v: (zero(u), -4 * (u / EDGE_U) * (v / EDGE_V)),
        {"trapezoid_v_pct": 100 * 16 / H},
    ),
    "top leaning right": (
        lambda u, v: (-4 * v / EDGE_V, zero(u)),
        {"parallelogram_deg": float(np.degrees(np.arctan(8 / H)))},
    ),
    "top edge drawn in": (
        lambda u, v: (zero(u), 4 * (1 - (u / EDGE_U) ** 2) * np.isclose(v, -EDGE_V)),
        {"pincushion top": 100 * 4 / (H - DENT_U)},
    ),
    "bottom edge bulging": (
        lambda u, v: (zero(u), 4 * (1 - (u / EDGE_U) ** 2) * np.isclose(v, EDGE_V)),
        {"pincushion bottom": -100 * 4 / (H + DENT_U)},
    ),
    "left edge drawn in": (
        lambda u, v: (4 * (1 - (v / EDGE_V) ** 2) * np.isclose(u, -EDGE_U), zero(v)),
        {"pincushion left": 100 * 4 / (W - DENT_V)},
    ),
    "right edge bulging": (
        lambda u, v: (4 * (1 - (v / EDGE_V) ** 2) * np.isclose(u, EDGE_U), zero(v)),
        {"pincushion right": -100 * 4 / (W + DENT_V)},
    ),
    "vertical axis bowed right": (
        lambda u, v: (4 * (1 - (v / EDGE_V) ** 2) * (np.abs(u) < 1e-9), zero(v)),
        {"bow_vertical_axis_pct": 100 * 4 / W},
    ),
    "horizontal axis bowed down": (
        lambda u, v: (zero(u), 4 * (1 - (u / EDGE_U) ** 2) * (np.abs(v) < 1e-9)),
        {"bow_horizontal_axis_pct": 100 * 4 / H},
    ),
}


@pytest.mark.parametrize("name", CASES)
def test_one_distortion_moves_its_own_figure_by_what_the_definition_says(name: str) -> None:
    warp, expected = CASES[name]
    found = figures(measured(warp))
    for key, value in expected.items():
        assert found[key] == pytest.approx(value, rel=1e-9), key
    # one line bent by itself, an axis line or an edge, truly changes the spacing where the axis lines cross it
    loose = {"linearity_h_pct", "linearity_v_pct"} if "axis" in name or "edge" in name else set()
    for key, value in found.items():
        if key not in expected and key not in loose:
            assert value == pytest.approx(0, abs=1e-9), key


def test_linearity_is_the_spread_of_the_spacings() -> None:
    """x + c x²: spacings grow evenly from one side to the other; largest minus smallest is 4 c times 29 pitches."""
    share = 0.02
    found = figures(measured(lambda u, v: (share * WIDTH / 2 * u**2, zero(v))))
    pitch = 2 / 31
    assert found["linearity_h_pct"] == pytest.approx(100 * 2 * share * 29 * pitch, rel=1e-6)
    assert found["linearity_v_pct"] == pytest.approx(0, abs=1e-9)


def test_clockwise_is_positive() -> None:
    assert measured(lambda u, v: (zero(u), zero(v)), turn_deg=1.5).rotation_deg == pytest.approx(1.5)


@given(st.floats(-20, 20), st.floats(0.3, 3), st.integers(0, 1000))
def test_a_turn_or_an_enlargement_changes_no_figure_but_the_rotation(turn: float, size: float, seed: int) -> None:
    a, b, c, d, e, f = np.random.default_rng(seed).normal(0, 3, 6)

    def warp(u: Floats, v: Floats) -> tuple[Floats, Floats]:
        return a * u * v + b * u**2 + c * u * v**2, d * u * v + e * v**2 + f * u**2 * v

    plain, other = figures(measured(warp)), figures(measured(warp, turn, size))
    assert other.pop("rotation_deg") == pytest.approx(plain.pop("rotation_deg") + turn, abs=1e-9)
    assert other == pytest.approx(plain, abs=1e-8)


@given(st.integers(0, 1000))
def test_a_mirror_swaps_left_and_right_and_turns_the_signs_of_what_leans(seed: int) -> None:
    a, b, c, d, e = np.random.default_rng(seed).normal(0, 3, 5)

    def warp(u: Floats, v: Floats) -> tuple[Floats, Floats]:
        return a * u * v + b * v**2 + c * u * v**2 + d * v, e * u * v

    def mirrored(u: Floats, v: Floats) -> tuple[Floats, Floats]:
        x, y = warp(-u, v)
        return -x, y

    plain, other = figures(measured(warp)), figures(measured(mirrored))
    assert other["pincushion left"] == pytest.approx(plain["pincushion right"], abs=1e-8)
    assert other["trapezoid_h_pct"] == pytest.approx(plain["trapezoid_h_pct"], abs=1e-8)
    for name in ("trapezoid_v_pct", "parallelogram_deg", "bow_vertical_axis_pct"):
        assert other[name] == pytest.approx(-plain[name], abs=1e-8)


def test_a_figure_too_unsure_is_none_at_all() -> None:
    why = why_not(Evidence(tags=True, photographs=1, radius_given=False), glass=True)
    assert figure(1.0, 0.1, 0.15, why) == Figure(value=1.0, sd=0.1)
    assert figure(1.0, 0.2, 0.15, why) is why
    assert figure(float("nan"), 0.1, 0.15, why) is why


@pytest.mark.parametrize(
    ("evidence", "glass", "says"),
    [
        (Evidence(tags=False, photographs=1, radius_given=False), False, "lay the reference tags"),
        (Evidence(tags=True, photographs=1, radius_given=False), True, "another photograph"),
        (Evidence(tags=True, photographs=1, radius_given=True), True, "all four sides"),
        (Evidence(tags=True, photographs=1, radius_given=True, cropped="cut off"), True, "whole picture"),
    ],
)
def test_a_missing_figure_says_what_would_settle_it(evidence: Evidence, glass: bool, says: str) -> None:
    why = why_not(evidence, glass=glass)
    assert isinstance(why, Unsupported)
    assert says in why.would_settle
