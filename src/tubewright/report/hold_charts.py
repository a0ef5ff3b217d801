"""How a gun settles after a treatment, as a chart: the readings, the expected course and the middle 80 % about it."""

from __future__ import annotations

from tubewright.answers.assessment import Spread
from tubewright.answers.hold import Held, span
from tubewright.report.frame import GUN_INK, INK, WIDTH_PX, Chart, Size, Spec, Theme, framed


def has_chart(answer: Held) -> bool:
    """Whether there is a course to draw."""
    return bool(answer.course)


def settling_chart(answer: Held, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """The readings over the logarithm of time, with the course that is expected until the next day.

    Args:
        answer: One that has a course.
        theme: Colours for light or dark surroundings.
        size: Narrow for a phone held in one hand, wide for a desk.

    Returns:
        The chart; its words give the value at rest and the times that matter.
    """
    ink = INK[theme]
    mark = GUN_INK[theme][answer.gun] if answer.gun else ink["mark"]
    band = [
        {
            "t": round(one.minutes, 3),
            "low": float(f"{one.value_p10:.5g}"),
            "mid": float(f"{one.value_median:.5g}"),
            "high": float(f"{one.value_p90:.5g}"),
        }
        for one in answer.course
    ]
    dots = [{"t": max(round(one.minutes, 3), 1.0), "v": one.value} for one in answer.readings]
    x: Spec = {
        "field": "t",
        "type": "quantitative",
        "scale": {"type": "log", "domain": [1, 1440], "clamp": True},
        "axis": {
            "title": "time after the treatment",
            "values": [1, 5, 15, 60, 240, 1440],
            "labelExpr": "datum.value < 60 ? datum.value + ' min' : datum.value / 60 + ' h'",
            "grid": True,
        },
    }
    unit = answer.unit or "as read"
    y: Spec = {"type": "quantitative", "scale": {"zero": False, "nice": True}}
    layers: list[Spec] = [
        {
            "data": {"values": band},
            "mark": {"type": "area", "opacity": 0.22, "color": mark},
            "encoding": {
                "x": x,
                "y": {**y, "field": "low", "axis": {"title": f"emission, {unit}", "grid": True, "tickCount": 5}},
                "y2": {"field": "high"},
            },
        },
        {
            "data": {"values": band},
            "mark": {"type": "line", "strokeWidth": 2, "color": mark},
            "encoding": {"x": x, "y": {**y, "field": "mid"}},
        },
        {
            "data": {"values": dots},
            "mark": {"type": "point", "filled": True, "size": 70, "opacity": 1, "color": ink["text"]},
            "encoding": {"x": x, "y": {**y, "field": "v"}},
        },
    ]
    if answer.next_minutes is not None:
        layers.append(
            {
                "data": {"values": [{"t": answer.next_minutes}]},
                "mark": {"type": "rule", "strokeDash": [5, 4], "strokeWidth": 1.5, "color": ink["chosen"]},
                "encoding": {"x": x},
            }
        )
        layers.append(
            {
                "data": {"values": [{"t": answer.next_minutes, "s": "read again"}]},
                "mark": {"type": "text", "align": "right", "dx": -5, "dy": 8, "y": 0, "color": ink["text"]},
                "encoding": {"x": x, "text": {"field": "s"}},
            }
        )
    gun = f"{answer.gun} gun" if answer.gun else "gun"
    title = f"How the {gun} settles after its treatment"
    alt = f"{title}. " + " ".join(_said(answer))
    spec: Spec = {"width": WIDTH_PX[size] - 70, "height": 240, "layer": layers}
    return Chart(title=title, spec=framed(spec, theme, alt=alt), alt=alt)


def _said(answer: Held) -> list[str]:
    unit = f" {answer.unit}" if answer.unit else ""
    said = [f"{span(one.minutes)}: {one.value:.4g}{unit} read." for one in answer.readings]
    if isinstance(answer.rest, Spread):
        said.append(
            f"Expected at rest, the next day: {answer.rest.median:.3g}{unit} "
            f"({answer.rest.p10:.3g} to {answer.rest.p90:.3g})."
        )
    if answer.next_minutes is not None:
        said.append(f"Read again at {span(answer.next_minutes)}.")
    return said
