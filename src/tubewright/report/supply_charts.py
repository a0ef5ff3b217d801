"""The ripple of a supply as a chart: its output over a mains cycle, now and after a change, and the diode's pulses."""

from __future__ import annotations

from typing import Final

from tubewright.answers.supply_form import Course, SupplyAnswer
from tubewright.report.frame import INK, WIDTH_PX, Chart, Size, Spec, Theme, framed

_DASH: Final = ([1, 0], [6, 4])
_EVERY: Final = 3
"""One point in so many is drawn: 120 of a cycle are a smooth line."""


def has_chart(answer: SupplyAnswer) -> bool:
    """Whether there is anything to draw."""
    return bool(answer.courses)


def ripple_chart(answer: SupplyAnswer, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """Output voltage and diode current over one mains cycle.

    Args:
        answer: One that has courses to draw.
        theme: Colours for light or dark surroundings.
        size: Narrow for a phone held in one hand, wide for a desk.

    Returns:
        The chart; its words say crest, valley and peak of every course.
    """
    names = [course.name for course in answer.courses]
    ink = INK[theme]
    rows = [
        {
            "t": round(course.time_ms[i], 4),
            "v": round(course.output_v[i], 3),
            "a": round(course.pulse_a[i], 4),
            "of": course.name,
        }
        for course in answer.courses
        for i in (*range(0, len(course.time_ms), _EVERY), len(course.time_ms) - 1)
    ]
    told_apart: Spec = {
        "color": {
            "field": "of",
            "type": "nominal",
            "scale": {"domain": names, "range": [ink["mark"], ink["chosen"]][: len(names)]},
            "legend": {"title": None, "orient": "top"} if len(names) > 1 else None,
        },
        "strokeDash": {
            "field": "of",
            "type": "nominal",
            "scale": {"domain": names, "range": list(_DASH[: len(names)])},
            "legend": None,
        },
    }
    x: Spec = {"field": "t", "type": "quantitative", "axis": {"title": None, "grid": True}, "scale": {"nice": False}}
    width = WIDTH_PX[size] - 70
    panels = []
    for field, title, height, last in (("v", "output, V", 170, False), ("a", "diode, A", 90, True)):
        panels.append(
            {
                "width": width,
                "height": height,
                "mark": {"type": "line", "strokeWidth": 2, "interpolate": "linear"},
                "encoding": {
                    "x": {**x, "axis": {"title": "ms, one mains cycle" if last else None, "grid": True}},
                    "y": {
                        "field": field,
                        "type": "quantitative",
                        "scale": {"zero": field == "a", "nice": True},
                        "axis": {"title": title, "grid": True, "tickCount": 4},
                    },
                    **told_apart,
                },
            }
        )
    title = "Output and diode current over one mains cycle"
    alt = f"{title}. " + "; ".join(_said(course) for course in answer.courses) + "."
    spec: Spec = {"data": {"values": rows}, "vconcat": panels, "spacing": 12}
    return Chart(title=title, spec=framed(spec, theme, alt=alt), alt=alt)


def _said(course: Course) -> str:
    low, high, peak = min(course.output_v), max(course.output_v), max(course.pulse_a)
    return f"{course.name}: between {low:.4g} and {high:.4g} V, diode pulses up to {peak:.3g} A"
