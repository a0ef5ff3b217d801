"""The published form of a measurement: its keys, its schema, and a reason beside every null."""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any, Final

import numpy as np
import pytest
from jsonschema_rs import Draft202012Validator

from measured import RASTER, convergence, field_mm, geometry, light, measurement, points, top_curl
from tubewright.answers.drawn import convergence_grid, outline_of
from tubewright.answers.measurement import Measurement, PhotoNote, refused
from tubewright.answers.measurement_json import to_json
from tubewright.files.measure_schema import measure_schema
from tubewright.picture.results import ZONES, Figure, Unsupported, Vector

SCHEMA: Final = Draft202012Validator(measure_schema())
WHY: Final = Unsupported(reason="it was not seen", would_settle="another photograph")

CONTRACT: Final = {
    # as published: docs/measure.md
    "accepted",
    "refused_because",
    "quality",
    "orientation",
    "scale",
    "convergence",
    "geometry",
    "top_curl",
    "hum",
    "focus",
    "purity",
    "tracking",
    "wear",
    "unsupported",
}

CASES: Final[dict[str, Measurement]] = {
    "survey": measurement(),
    "light": measurement(**light()),
    "refused": refused(
        "it is blurred", "hold still", [PhotoNote(name="a.jpg", pattern="", refused_because="it is blurred")], None
    ),
    "no_scale": measurement(
        scale=WHY,
        convergence=replace(
            convergence(), red_minus_green=WHY, blue_minus_green=WHY, worst_mm=WHY, worst_zone=None, points=None
        ),
        top_curl=replace(top_curl(), amplitude_mm=WHY, settle_lines=WHY, overshoot_ratio=WHY, profile=None),
    ),
    "nothing": measurement(
        **dict.fromkeys(
            ("convergence", "geometry", "top_curl", "hum", "focus", "purity", "tracking", "wear", "scale"), WHY
        )
    ),
    "not_finite": measurement(
        top_curl=replace(top_curl(), amplitude_mm=Figure(value=float("nan"), sd=0.1)),
        convergence=replace(
            convergence(),
            red_minus_green=dict.fromkeys(ZONES, Vector(x_mm=float("nan"), y_mm=0.0, sd_mm=0.1)),
            worst_mm=Figure(value=1.0, sd=float("inf")),
        ),
        rotated_deg=float("nan"),
    ),
}


def body_of(name: str, **options: bool) -> Any:  # noqa: ANN401 - JSON
    """The published body of one of the cases, as a reader gets it."""
    return json.loads(json.dumps(to_json(CASES[name], **options), allow_nan=False))


def nulls(value: object, path: str = "") -> Iterator[str]:
    """Paths of everything that is null."""
    if value is None:
        yield path
    elif isinstance(value, dict):
        for key, inner in value.items():
            yield from nulls(inner, f"{path}.{key}" if path else key)


@pytest.mark.parametrize("points", [False, True])
@pytest.mark.parametrize("name", CASES)
def test_every_answer_keeps_the_schema(name: str, points: bool) -> None:
    assert [error.message for error in SCHEMA.iter_errors(body_of(name, points=points))] == []


@pytest.mark.parametrize("name", CASES)
def test_the_keys_are_those_of_the_contract(name: str) -> None:
    assert set(body_of(name)) == CONTRACT | {"format", "model"}
    assert set(body_of(name, points=True)) == CONTRACT | {"format", "model", "points"}


@pytest.mark.parametrize("name", CASES)
def test_whatever_is_null_has_its_reason(name: str) -> None:
    body = body_of(name)
    told = body["unsupported"]
    for part in ("scale", "convergence", "geometry", "top_curl", "hum", "focus", "purity", "tracking", "wear"):
        for path in nulls(body[part], part):
            if not path.endswith((".at_zone", ".worst_zone")):
                assert told[path]["reason"], path
                assert told[path]["would_settle"], path
    for path in told:  # and no reason stands beside a figure
        value = body
        for key in path.split("."):
            value = None if value is None else value[key]
        assert value is None, path


def test_a_spread_holds_80_percent_of_a_normal_law() -> None:
    # Tables of the normal law: 10 % lie below -1.28155 standard deviations.
    amplitude = body_of("survey")["top_curl"]["amplitude_mm"]
    assert amplitude["median"] == 3.2
    assert amplitude["p90"] - amplitude["median"] == pytest.approx(1.28155 * 0.06, rel=1e-3)
    assert amplitude["median"] - amplitude["p10"] == pytest.approx(1.28155 * 0.06, rel=1e-3)


def test_what_a_reserve_surely_exceeds_is_published_with_or_without_a_figure() -> None:
    parts = light()
    guns = dict(parts["tracking"].guns)
    straight = replace(guns["red"], emission_reserve=WHY, reserve_at_least=1.5)
    guns |= {"red": straight, "green": replace(guns["green"], reserve_at_least=0.9)}
    body = to_json(measurement(**parts | {"tracking": replace(parts["tracking"], guns=guns)}))
    assert SCHEMA.is_valid(body)
    laws: Any = body["tracking"]["guns"]  # type: ignore[index]  # JSON's own values
    told: Any = body["unsupported"]
    assert (laws["red"]["reserve_at_least"], laws["red"]["emission_reserve"]) == (1.5, None)
    assert told["tracking.guns.red.emission_reserve"]["reason"] == WHY.reason
    assert laws["green"]["reserve_at_least"] == 0.9
    assert laws["green"]["emission_reserve"]["median"] == 1.3
    assert laws["blue"]["reserve_at_least"] is None
    assert "tracking.guns.blue.reserve_at_least" in told
    assert "tracking.guns.red.reserve_at_least" not in told


def test_zones_and_orientation_are_plain() -> None:
    body = body_of("survey")
    assert body["convergence"]["red_minus_green_mm"]["centre"] == {"x": -0.2, "y": 0.0, "sd": 0.015}
    assert list(body["convergence"]["blue_minus_green_mm"]) == list(ZONES)
    assert body["orientation"] == {"rotated_deg": 1.5, "mirrored": False}
    assert body["scale"]["reference"] == "tags"
    assert body_of("no_scale")["scale"]["reference"] == "none"


def test_a_refusal_says_why_and_how_to_shoot_better() -> None:
    body = body_of("refused")
    assert body["accepted"] is False
    assert body["refused_because"] == "it is blurred. hold still."
    assert all(body[part] is None for part in ("convergence", "geometry", "top_curl", "hum", "focus"))


def test_points_come_with_their_places() -> None:
    listed = body_of("survey", points=True)["points"]
    assert len(listed) == points().gun.size
    assert {point["gun"] for point in listed} == {"red", "blue"}
    assert body_of("no_scale", points=True)["points"] == []


def test_every_object_of_the_answer_is_closed_and_nothing_in_it_may_be_missing() -> None:
    body = body_of("light")
    for name in body:
        assert list(SCHEMA.iter_errors({key: value for key, value in body.items() if key != name})), name
    assert list(SCHEMA.iter_errors({**body, "extra": 1}))
    for name in ("quality", "scale", "convergence", "geometry", "top_curl", "hum", "focus", "purity", "tracking"):
        for key in body[name]:
            cut = {k: v for k, v in body[name].items() if k != key}
            assert list(SCHEMA.iter_errors({**body, name: cut})), f"{name}.{key} may be left out"


def test_the_grid_gives_the_field_back() -> None:
    """A smooth field read at marks is the same at the nodes between them, to a hundredth of a millimetre."""
    grid = convergence_grid(points())
    assert len(grid) == 63
    for node in grid:
        x, y = np.array([node.x_mm]), np.array([node.y_mm])
        if abs(node.x_mm) < 30 or abs(node.y_mm) < 30:
            continue  # the made-up field of blue has a crease there
        assert node.red_minus_green_mm == pytest.approx(tuple(field_mm(0, x, y)[0]), abs=0.01)
        assert node.blue_minus_green_mm == pytest.approx(tuple(field_mm(2, x, y)[0]), abs=0.1)
        assert node.right_px == pytest.approx((3.0, 0.0), abs=1e-6)


def test_no_grid_is_made_of_a_handful_of_marks() -> None:
    whole = points()
    few = replace(
        whole,
        **{
            name: getattr(whole, name)[:8]
            for name in ("gun", "column", "row", "at_mm", "error_mm", "sd_mm", "smooth_mm", "photo_px")
        },
    )
    assert convergence_grid(few) == ()
    assert outline_of(few, RASTER) is None


def test_the_outline_of_a_true_picture_lies_on_the_intended_one() -> None:
    outline = outline_of(points(), RASTER)
    assert outline is not None
    assert np.abs(outline.measured_mm - outline.intended_mm).max() < 1e-6


def test_the_outline_shows_a_planted_bow() -> None:
    """A side that bows inward by 4 mm in its middle is drawn so."""
    whole = points()
    at = whole.at_mm.copy()
    at[:, 0] *= 1 + 0.02 * (at[:, 1] / 137.0) ** 2
    outline = outline_of(replace(whole, at_mm=at), RASTER)
    assert outline is not None
    right_side = outline.measured_mm[4]
    inward = (right_side[0, 0] + right_side[-1, 0]) / 2 - right_side[20, 0]
    reach = at[:, 1].max() / 137.0
    assert inward == pytest.approx(0.02 * reach**2 * whole.at_mm[:, 0].max(), rel=0.01)


def test_a_geometry_without_every_edge_says_so() -> None:
    part = replace(geometry(), pincushion_pct={"left": Figure(value=1.0, sd=0.1)})
    body = to_json(measurement(geometry=part))
    assert body["geometry"]["pincushion_pct"]["top"] is None  # type: ignore[index]
    assert "geometry.pincushion_pct.top" in body["unsupported"]  # type: ignore[operator]
