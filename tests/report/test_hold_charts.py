"""The chart of a settling says in words what it shows, in both themes and sizes."""

from __future__ import annotations

from typing import Final

import pytest

from tubewright.answers.hold import Held, TimedReading, hold
from tubewright.knowledge.load import load_knowledge
from tubewright.report.frame import SIZES, THEMES, Size, Theme, to_svg
from tubewright.report.hold_charts import has_chart, settling_chart
from tubewright.report.hold_text import hold_to_text

ROWS: Final = ((6.0, 612.0), (10.0, 604.0), (15.0, 598.0), (30.0, 585.0), (60.0, 561.0))


@pytest.fixture(scope="module")
def answer() -> Held:
    rows = [TimedReading(minutes=t, value=v, unit="uA") for t, v in ROWS]
    return hold(rows, load_knowledge(), gun="red")


@pytest.mark.parametrize("theme", THEMES)
@pytest.mark.parametrize("size", SIZES)
def test_it_is_drawn_in_each_theme_and_size(answer: Held, theme: Theme, size: Size) -> None:
    chart = settling_chart(answer, theme=theme, size=size)
    assert to_svg(chart).startswith("<svg")


def test_its_words_hold_the_readings_the_rest_and_the_next_time(answer: Held) -> None:
    chart = settling_chart(answer)
    assert chart.spec["description"] == chart.alt
    for value in ("612 uA", "561 uA", "Expected at rest, the next day", "Read again at"):
        assert value in chart.alt
    assert "red gun" in chart.title


def test_without_a_course_there_is_nothing_to_draw() -> None:
    assert not has_chart(hold([TimedReading(minutes=5, value=1)], load_knowledge()))


@pytest.mark.parametrize("width", [30, 80, 118])
def test_the_text_puts_cautions_before_the_answer_at_every_width(answer: Held, width: int) -> None:
    text = " ".join(hold_to_text(answer, width=width).split())
    assert text.index("Confirm first") < text.index("Too early to say")
