"""Brightness and life before and after, drawn with their spread: data for paper, and a chart for pages."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Final

from tubewright.answers.assessment import Spread
from tubewright.answers.proof_form import Line, Proof
from tubewright.report import wording
from tubewright.report.frame import INK, WIDTH_PX, Chart, Size, Spec, Theme, framed

MOST_YEARS: Final = 25.0
"""The axis of years ends here at most; what runs on is said in words (estimate: no forecast is worth more)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Bar:
    """One figure with its spread on an axis: a label, which side it is of, and its 10, 50 and 90 % points."""

    about: str
    side: str
    p10: float
    median: float
    p90: float

    @property
    def label(self) -> str:
        """What stands beside it."""
        return f"{self.about} {self.side}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BarChart:
    """Bars over one axis, and what they say in words; ``wanted`` is where a line stands."""

    title: str
    unit: str
    bars: tuple[Bar, ...]
    top: float
    wanted: float
    wanted_words: str
    words: str


def light_chart(made: Proof) -> BarChart:
    """Each gun's emission and the white that they make, in percent of a good tube's, before and after."""
    lines = [
        (f"{gun.gun} gun", line) for gun in made.guns for line in gun.lines if line.name.endswith("relative_emission")
    ]
    lines.append(("white", made.white))
    bars, words = _bars(lines, 100.0, lambda f: f"{wording.percent(f)} %")
    wanted = 100 * made.minimum_white_ratio
    return BarChart(
        title="Emission of each gun and the white they make",
        unit="% of a good tube",
        bars=bars,
        top=min(200.0, max([100.0, wanted * 1.1, *(b.p90 for b in bars)])),
        wanted=wanted,
        wanted_words=f"wanted {wording.given(wanted)} %",
        words=words,
    )


def life_chart(made: Proof) -> BarChart:
    """Years until the white falls below what is wanted, before and after."""
    lines = [("as it stands", made.years)]
    if made.years.after != made.years_set_up.after or made.years.before != made.years_set_up.before:
        lines.append(("greys set anew", made.years_set_up))
    bars, words = _bars(lines, 1.0, wording.duration)
    longest = max([1.0, made.keep_years, *(b.p90 for b in bars)])
    return BarChart(
        title=f"Years it keeps its white, at {wording.given(made.hours_per_week)} hours a week",
        unit="years",
        bars=bars,
        top=min(MOST_YEARS, longest * 1.05),
        wanted=made.keep_years,
        wanted_words=f"wanted {wording.given(made.keep_years)} years",
        words=words,
    )


def _bars(lines: Sequence[tuple[str, Line]], times: float, say: Any) -> tuple[tuple[Bar, ...], str]:  # noqa: ANN401
    bars, told = [], []
    for about, line in lines:
        said = []
        for side, figure in (("before", line.before), ("after", line.after)):
            if isinstance(figure, Spread):
                ends = [
                    times * min(v, 1e4) if math.isfinite(v) else 1e4 for v in (figure.p10, figure.median, figure.p90)
                ]
                bars.append(Bar(about=about, side=side, p10=ends[0], median=ends[1], p90=ends[2]))
                said.append(f"{side} {say(figure)}")
            else:
                said.append(f"{side} not known ({figure.reason})")
        told.append(f"{about}: {', '.join(said)}")
    return tuple(bars), f"{'; '.join(told)}."


def chart_of(drawn: BarChart, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """The same as a chart for a page."""
    data = [
        {
            "row": bar.label,
            "p10": round(min(bar.p10, drawn.top), 2),
            "median": round(min(bar.median, drawn.top), 2),
            "p90": round(min(bar.p90, drawn.top), 2),
            "side": bar.side,
        }
        for bar in drawn.bars
    ]
    ink = INK[theme]
    rows = [bar.label for bar in drawn.bars]
    y: Spec = {
        "field": "row",
        "type": "nominal",
        "sort": rows,
        "scale": {"domain": rows},
        "axis": {"title": None, "labelLimit": 170},
    }
    sides = ["before", "after"]
    inks = {"domain": sides, "range": [ink["mark"], ink["chosen"]]}
    colour = {"field": "side", "type": "nominal", "legend": None, "scale": inks}
    shape = {
        "field": "side",
        "type": "nominal",
        "legend": None,
        "scale": {"domain": sides, "range": ["circle", "diamond"]},
    }
    scale = {"domain": [0, drawn.top], "nice": False, "clamp": True}
    axis = {"title": drawn.unit, "grid": True, "tickCount": 5, "ticks": False, "labelPadding": 6}
    right = drawn.wanted < 0.6 * drawn.top
    at: Spec = {"field": "x", "type": "quantitative"}
    layers: list[Spec] = [
        {
            "data": {"values": [{"x": min(drawn.wanted, drawn.top), "t": drawn.wanted_words}]},
            "layer": [
                {"mark": {"type": "rule", "strokeDash": [5, 4], "strokeWidth": 1.5, "color": ink["text"]}},
                {
                    "mark": {
                        "type": "text", "align": "left" if right else "right", "baseline": "bottom",
                        "dx": 5 if right else -5, "dy": -4, "y": 0, "color": ink["text"],
                    },
                    "encoding": {"text": {"field": "t"}},
                },
            ],
            "encoding": {"x": at},
        },
        {
            "mark": {"type": "rule", "strokeWidth": 7, "opacity": 0.42, "strokeCap": "round"},
            "encoding": {
                "y": y,
                "x": {"field": "p10", "type": "quantitative", "scale": scale, "axis": axis},
                "x2": {"field": "p90"},
                "color": colour,
            },
        },
        {
            "mark": {"type": "point", "filled": True, "size": 110, "opacity": 1},
            "encoding": {"y": y, "x": {"field": "median", "type": "quantitative"}, "color": colour, "shape": shape},
        },
    ]  # fmt: skip
    spec: Spec = {
        "width": WIDTH_PX[size],
        "autosize": {"type": "fit-x", "contains": "padding"},
        "height": 30 * max(1, len(rows)) + 6,
        "data": {"values": data},
        "layer": layers,
    }
    alt = f"{drawn.title}. {drawn.wanted_words.capitalize()}. {drawn.words}"
    return Chart(title=drawn.title, spec=framed(spec, theme, alt=alt), alt=alt)
