"""The pictures of a set-up: every zone and round drawn, and the same figures in words."""

from __future__ import annotations

import json

import pytest

from tubewright.answers.advise import Setup, advise, usual_controls
from tubewright.files.measurements import measurement_from_json
from tubewright.knowledge.load import load_knowledge
from tubewright.report.advise_charts import map_chart, rounds_chart
from tubewright.report.frame import SIZES, THEMES, Size, Theme, to_svg
from tubewright.simulate.controls import Bench

SEEN = measurement_from_json(json.dumps(Bench(2).measured()), {})
ANSWER = advise([SEEN, SEEN], (), Setup(controls=usual_controls("inline")), load_knowledge())


def layer(
    chart: dict[str, list[dict[str, dict[str, list[dict[str, object]]]]]], number: int
) -> list[dict[str, object]]:
    return chart["layer"][number]["data"]["values"]


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("size", SIZES)
def test_the_map_shows_every_zone_within_its_frame(theme: Theme, size: Size) -> None:
    chart = map_chart(ANSWER, SEEN, theme=theme, size=size)
    cells, lines = layer(chart.spec, 0), layer(chart.spec, 3)
    assert len(cells) == 9
    assert len(lines) == 18
    for line in lines:
        assert any(
            cell["x"] <= line["x2"] <= cell["x2"] and cell["y"] <= line["y2"] <= cell["y2"]  # type: ignore[operator]
            and cell["cx"] == line["x"] and cell["cy"] == line["y"]
            for cell in cells
        )  # fmt: skip
    assert to_svg(chart).startswith("<svg")


def test_the_words_hold_the_figures() -> None:
    alt = map_chart(ANSWER, SEEN).alt
    for one in ANSWER.remaining:
        if one.group == "convergence" and one.gun:
            assert f"{one.gun} {one.value:.2f} ± {one.value_sd:.2f} mm" in alt
    assert alt.count(";") == 8


def test_a_mark_points_where_its_gun_stands() -> None:
    field = SEEN.convergence.red_minus_green["centre"]  # type: ignore[union-attr, index]
    line = next(
        one for one in layer(map_chart(ANSWER, SEEN).spec, 3) if one["gun"] == "red" and one["x"] == one["y"] == 0
    )
    assert line["x2"] * field.x_mm > 0  # type: ignore[operator]
    # Up in the drawing is up in the picture, whose y counts downwards.
    assert line["y2"] * field.y_mm < 0  # type: ignore[operator]


def test_the_course_has_a_point_for_each_photograph() -> None:
    chart = rounds_chart(ANSWER, theme="dark", size="narrow")
    assert len(layer(chart.spec, 2)) == 2
    assert f"photograph 2: {ANSWER.worst_ratio[1]:.1f}" in chart.alt
    assert to_svg(chart).startswith("<svg")
