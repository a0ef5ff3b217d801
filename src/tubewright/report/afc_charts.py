"""Picture of a top curl: how far each line lies to the side, down the picture, before and after a change."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from tubewright.answers.afc import AfcAnswer, LoopReport
from tubewright.answers.afc_curl import CurlAnswer
from tubewright.answers.afc_words import curl_words, signed_mm
from tubewright.report.frame import INK, WIDTH_PX, Chart, Size, Spec, Theme, framed

_LEAST_LINES: Final = 40
_LEAST_MM: Final = 0.1
_ROOM: Final = 1.4
"""How much further down than the bend reaches the picture goes."""

Course = tuple[str, Sequence[float]]


def curl_chart(answer: AfcAnswer, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """The displacement of each line as the loop is, and with the change if there is one.

    Args:
        answer: A prediction, a what-if or a best change.
        theme: Colours for light or dark surroundings.
        size: Narrow for a phone held in one hand, wide for a desk.
    """
    courses: list[Course] = [("as it is", list(answer.before.displacement_mm))]
    words = [f"As it is: {curl_words(answer.before)}"]
    longest = [answer.before]
    if answer.after is not None:
        courses.append(("changed", list(answer.after.displacement_mm)))
        words.append(f"With {answer.change_words}: {curl_words(answer.after)}")
        longest.append(answer.after)
    elif answer.with_edges is not None:
        courses.append(("with proper sync", list(answer.with_edges.displacement_mm)))
        words.append(f"With an edge on every line: {curl_words(answer.with_edges)}")
    return _drawn("Sideways displacement of each line", courses, words, _down_to(longest), theme, size)


def seen_chart(answer: CurlAnswer, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """The curl of the likely loops, with the readings as points where there are any."""
    seen, fitted = answer.seen, answer.loop.fitted_mm
    points = []
    if seen.at_lines is not None and seen.displacement_mm is not None:
        points = [(float(x), float(y)) for x, y in zip(seen.displacement_mm, seen.at_lines, strict=True)]
    elif seen.amplitude_mm is not None:
        points = [(seen.amplitude_mm.value, 0.0)]
    away = np.flatnonzero(np.abs(fitted) > np.abs(fitted).max() / 50)
    last = int(away.max()) if away.size else 0
    lines = max(_LEAST_LINES, round(_ROOM * max([float(last), *(y for _, y in points)])))
    words = [f"The middle of the likely loops puts the first line {signed_mm(float(fitted[0]))}"]
    words += [f"measured {signed_mm(x)} at line {y:.0f}" for x, y in points]
    return _drawn(
        "The measured curl and the likely loops'",
        [("likely loops", list(fitted))],
        ["; ".join(words) + "."],
        min(lines, len(fitted)),
        theme,
        size,
        points=points,
    )


def _down_to(reports: Sequence[LoopReport]) -> int:
    """How many lines are worth showing."""
    lines = len(reports[0].displacement_mm)
    return min(lines, max(_LEAST_LINES, round(_ROOM * max(report.settle_lines for report in reports))))


def _drawn(
    title: str,
    courses: Sequence[Course],
    words: Sequence[str],
    lines: int,
    theme: Theme,
    size: Size,
    *,
    points: Sequence[tuple[float, float]] = (),
) -> Chart:
    ink = INK[theme]
    names = [name for name, _ in courses]
    widest = max(
        [_LEAST_MM, *(abs(mm) for _, course in courses for mm in course[:lines]), *(abs(x) for x, _ in points)]
    )
    rows = [
        {"mm": round(float(mm), 4), "line": number, "loop": name}
        for name, course in courses
        for number, mm in enumerate(course[:lines])
    ]
    x = {
        "field": "mm",
        "type": "quantitative",
        "scale": {"domain": [-1.08 * widest, 1.08 * widest], "nice": False},
        "axis": {"title": "mm, to the right positive", "tickCount": 5, "ticks": False, "labelPadding": 6},
    }
    y = {
        "field": "line",
        "type": "quantitative",
        "scale": {"domain": [0, lines], "reverse": True, "nice": False},
        "axis": {"title": "line of the frame, from the top", "tickCount": 6},
    }
    legend = {"orient": "top", "title": None, "symbolStrokeWidth": 2.5, "symbolSize": 400} if len(names) > 1 else None
    told = {"field": "loop", "type": "nominal", "legend": legend}
    layers: list[Spec] = [
        {
            "data": {"values": [{"mm": 0}]},
            "mark": {"type": "rule", "strokeDash": [5, 4], "strokeWidth": 1.5, "color": ink["quiet"]},
            "encoding": {"x": {"field": "mm", "type": "quantitative"}},
        },
        {
            "mark": {"type": "line", "strokeWidth": 2.5},
            "encoding": {
                "x": x,
                "y": y,
                "order": {"field": "line"},
                "color": {**told, "scale": {"domain": names, "range": [ink["mark"], ink["chosen"]][: len(names)]}},
                "strokeDash": {**told, "scale": {"domain": names, "range": [[1, 0], [7, 4]][: len(names)]}},
            },
        },
    ]
    if points:
        layers.append(
            {
                "data": {"values": [{"mm": x_mm, "line": line} for x_mm, line in points]},
                "mark": {"type": "point", "filled": True, "size": 90, "opacity": 1, "color": ink["chosen"]},
                "encoding": {
                    "x": {"field": "mm", "type": "quantitative"},
                    "y": {"field": "line", "type": "quantitative"},
                },
            }
        )
    alt = f"{title}, line by line down the picture. {' '.join(words)}"
    spec: Spec = {
        "width": WIDTH_PX[size],
        "autosize": {"type": "fit-x", "contains": "padding"},
        "height": 300,
        "data": {"values": rows},
        "layer": layers,
    }
    return Chart(title=title, spec=framed(spec, theme, alt=alt), alt=alt)
