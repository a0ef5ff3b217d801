"""Charts carry the figures of the answer, name everything in words, and load nothing."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import xml.etree.ElementTree as ET
from typing import Any

import pytest

from samples import sample_answer
from tubewright.answers.assessment import Assessment, Spread, Unknown
from tubewright.report.charts import condition_chart, options_chart
from tubewright.report.frame import SIZES, THEMES, Size, Theme, to_svg
from tubewright.report.years import EmissionPoint, Event, Stay, TubeHistory, tube_chart

HISTORY = TubeHistory(
    label="A48XYZ00X01",
    today=dt.date(2026, 11, 1),
    points=(
        EmissionPoint(at=dt.datetime(2022, 3, 1, 9, tzinfo=dt.UTC), gun="red", relative=0.61),
        EmissionPoint(at=dt.datetime(2025, 3, 1, 9, tzinfo=dt.UTC), gun="red", relative=0.33),
        EmissionPoint(at=dt.datetime(2025, 3, 1, 9, tzinfo=dt.UTC), gun="blue", relative=0.58),
    ),
    stays=(
        Stay(display="Pier arcade, machine 7", since=dt.date(2021, 1, 5), until=dt.date(2024, 6, 1)),
        Stay(display="Ferry hall, left", since=dt.date(2024, 6, 1)),
    ),
    events=(Event(at=dt.datetime(2025, 4, 1, tzinfo=dt.UTC), words="red gun soaked, improved"),),
)


def rows_of(spec: dict[str, Any]) -> dict[str, dict[str, Any]]:
    return {row["row"]: row for row in spec["data"]["values"]}


def test_condition_rows_hold_the_answers_own_figures() -> None:
    answer = sample_answer()
    red = dataclasses.replace(answer.guns["red"], relative_emission=Spread(median=0.33, p10=0.27, p90=0.41))
    chart = condition_chart(dataclasses.replace(answer, guns={**answer.guns, "red": red}))
    row = rows_of(chart.spec)["red gun"]
    assert (row["p10"], row["median"], row["p90"]) == (27, 33, 41)
    assert "red gun: 33 (27 to 41) %" in chart.alt
    assert "at least 50 %" in chart.alt


def test_an_unknown_figure_is_left_out_of_the_picture_and_named_in_the_text() -> None:
    answer = dataclasses.replace(
        sample_answer(), neutral_white_now=Unknown(reason="no emission reading", would_settle="read it")
    )
    chart = condition_chart(answer)
    assert "white now" not in rows_of(chart.spec)
    assert "white now: not known, no emission reading" in chart.alt


def test_options_mark_the_chosen_one_in_words_and_give_the_reason_for_those_left_out() -> None:
    chart = options_chart(sample_answer())
    assert list(rows_of(chart.spec)) == ["chosen: Soak (red)"]
    assert "Soak (red): about 6 years (1½ to 9)" in chart.alt
    assert "Replace the display: can't be chosen, no price given" in chart.alt


def test_options_of_the_same_name_keep_rows_of_their_own() -> None:
    answer = sample_answer()
    other = dataclasses.replace(answer.options[0], years=Spread(median=2, p10=1, p90=3), id="clean")
    rows = rows_of(options_chart(dataclasses.replace(answer, options=(answer.options[0], other))).spec)
    assert len(rows) == 2


def test_a_long_name_keeps_two_lines_on_a_phone_and_its_mark_stays_in_front() -> None:
    answer = sample_answer()
    long = dataclasses.replace(answer.options[0], name="soak at rated heater with no beam at all for a night")
    chart = options_chart(dataclasses.replace(answer, options=(long,)), size="narrow")
    (row,) = rows_of(chart.spec)
    assert row.startswith("chosen: soak at")
    assert row.count("\n") == 1
    assert "for a night" in chart.alt


def test_one_endless_option_does_not_press_the_others_against_the_edge() -> None:
    answer = sample_answer()
    endless = dataclasses.replace(
        answer.options[0], id="swap_tube", name="Swap", years=Spread(median=20, p10=4, p90=400)
    )
    chart = options_chart(dataclasses.replace(answer, options=(answer.options[0], endless)))
    text = json.dumps(chart.spec)
    assert "past the edge" in text
    assert max(layer["encoding"]["x"].get("scale", {}).get("domain", [0, 0])[1] for layer in chart.spec["layer"]) == 24


def test_tube_history_words_hold_every_reading_stay_and_event() -> None:
    alt = tube_chart(HISTORY).alt
    for words in ("2022-03-01 61 %", "2025-03-01 33 %", "blue gun: 2025-03-01 58 %", "until now", "soaked, improved"):
        assert words in alt


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("size", SIZES)
def test_every_chart_becomes_svg_that_fits_and_loads_nothing(theme: Theme, size: Size) -> None:
    answer = sample_answer()
    limit = 362 if size == "narrow" else 660
    for chart in (
        condition_chart(answer, theme=theme, size=size),
        options_chart(answer, theme=theme, size=size),
        tube_chart(HISTORY, theme=theme, size=size),
    ):
        svg = to_svg(chart)
        root = ET.fromstring(svg)  # noqa: S314 - our own drawing
        assert float(root.attrib["width"]) <= limit
        assert "href=" not in svg
        assert "<script" not in svg


def test_drawing_is_the_same_each_time_and_named_by_its_content() -> None:
    first, second = options_chart(sample_answer()), options_chart(sample_answer())
    assert first.fingerprint == second.fingerprint
    assert to_svg(first) == to_svg(second)
    assert options_chart(sample_answer(), theme="dark").fingerprint != first.fingerprint


def test_data_from_outside_is_refused() -> None:
    chart = options_chart(sample_answer())
    chart.spec["data"] = {"url": "http://127.0.0.1:9/x.json"}
    with pytest.raises(ValueError, match=r"(?i)url|data"):
        to_svg(chart)


def _bare(answer: Assessment) -> Assessment:
    nothing = Unknown(reason="no reading", would_settle="read it")
    guns = {g: dataclasses.replace(a, relative_emission=nothing) for g, a in answer.guns.items()}
    return dataclasses.replace(answer, guns=guns, options=(), neutral_white_now=nothing, neutral_white_after=nothing)


def test_an_answer_without_figures_still_draws_and_says_so() -> None:
    bare = _bare(sample_answer())
    for chart in (condition_chart(bare), options_chart(bare), tube_chart(TubeHistory(label="?", today=HISTORY.today))):
        assert to_svg(chart).startswith("<svg")
        assert chart.alt
