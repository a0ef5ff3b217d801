"""A grey scale as a chart: how far each step is from the white, and each gun beside what the white needs."""

from __future__ import annotations

from typing import Final

from tubewright.answers.greyscale import GreyAnswer, GreyStep
from tubewright.case import GUNS
from tubewright.report.frame import GUN_INK, GUN_SHAPE, INK, WIDTH_PX, Chart, Size, Spec, Theme, framed

_NOW: Final = "as it is"
_THEN: Final = "after the turns"


def grey_chart(answer: GreyAnswer, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """CIEDE2000 of each step, now and after the turns; and the light of each gun over what the white needs.

    Args:
        answer: The answer to draw.
        theme: Colours for light or dark surroundings.
        size: Narrow for a phone held in one hand, wide for a desk.

    Returns:
        The chart; its words say the same figures.
    """
    ink, width = INK[theme], WIDTH_PX[size] - 80
    errors = [row for name, steps in _courses(answer) for row in _errors(name, steps)]
    guns = [
        {"level": 100 * one.level_ratio, "gun": gun, "part": round(100 * (one.gun_ratio[n] - 1), 2)}
        for one in answer.steps
        if one.gun_ratio is not None and one.counted
        for n, gun in enumerate(GUNS)
    ]
    names = [name for name, _ in _courses(answer)]
    top: Spec = {
        "width": width,
        "height": 150,
        "data": {"values": errors},
        "mark": {"type": "line", "point": {"size": 50}, "strokeWidth": 2},
        "encoding": {
            "x": _levels(None),
            "y": _figures("error", "ΔE (CIEDE2000)", zero=True),
            "color": _apart("of", names, [ink["mark"], ink["chosen"]], legend=len(names) > 1),
            "strokeDash": _dashes("of", names),
        },
    }
    below: Spec = {
        "width": width,
        "height": 150,
        "data": {"values": guns},
        "mark": {"type": "line", "point": {"size": 70}, "strokeWidth": 2},
        "encoding": {
            "x": _levels("video level, %"),
            "y": _figures("part", "gun's light against need, %", zero=True),
            "color": _apart("gun", list(GUNS), [GUN_INK[theme][gun] for gun in GUNS], legend=True),
            "shape": _apart("gun", list(GUNS), [GUN_SHAPE[gun] for gun in GUNS], legend=True),
        },
    }
    title = "Grey steps beside " + ("the middle grey" if answer.relative else answer.target.name)
    alt = f"{title}. " + " ".join(_said(name, steps) for name, steps in _courses(answer)) + " " + _balance(answer)
    spec: Spec = {
        "vconcat": [top, below],
        "spacing": 16,
        "resolve": {"scale": dict.fromkeys(("color", "shape", "strokeDash"), "independent")},
    }
    return Chart(title=title, spec=framed(spec, theme, alt=alt), alt=alt)


def _courses(answer: GreyAnswer) -> list[tuple[str, tuple[GreyStep, ...]]]:
    courses = [(_NOW, answer.steps)]
    return [*courses, (_THEN, answer.predicted)] if answer.predicted else courses


def _errors(name: str, steps: tuple[GreyStep, ...]) -> list[Spec]:
    return [
        {"level": 100 * one.level_ratio, "error": round(one.delta_e, 3), "of": name}
        for one in steps
        if one.delta_e is not None and one.counted
    ]


def _levels(title: str | None) -> Spec:
    return {
        "field": "level",
        "type": "quantitative",
        "scale": {"domain": [0, 100], "nice": False},
        "axis": {"title": title, "grid": True, "tickCount": 6},
    }


def _figures(field: str, title: str, *, zero: bool) -> Spec:
    return {
        "field": field,
        "type": "quantitative",
        "scale": {"zero": zero, "nice": True},
        "axis": {"title": title, "grid": True, "tickCount": 5},
    }


def _apart(field: str, names: list[str], marks: list[str], *, legend: bool) -> Spec:
    return {
        "field": field,
        "type": "nominal",
        "scale": {"domain": names, "range": marks[: len(names)]},
        "legend": {"title": None, "orient": "top"} if legend else None,
    }


def _dashes(field: str, names: list[str]) -> Spec:
    dashes = [[1, 0], [6, 4]]
    return {
        "field": field,
        "type": "nominal",
        "scale": {"domain": names, "range": dashes[: len(names)]},
        "legend": {"title": None, "orient": "top"} if len(names) > 1 else None,
    }


def _said(name: str, steps: tuple[GreyStep, ...]) -> str:
    told = [
        f"{one.delta_e:.1f} at {100 * one.level_ratio:.0f} %"
        for one in steps
        if one.counted and one.delta_e is not None
    ]
    return f"ΔE {name}: {', '.join(told)}." if told else f"ΔE {name}: no step could be read surely."


def _balance(answer: GreyAnswer) -> str:
    counted = [one for one in answer.steps if one.counted and one.gun_ratio is not None]
    if not counted:
        return ""
    ends = [counted[0], counted[-1]] if len(counted) > 1 else counted
    told = []
    for one in ends:
        parts = [f"{gun} {100 * (part - 1):+.0f} %" for gun, part in zip(GUNS, one.gun_ratio or (), strict=False)]
        told.append(f"at {100 * one.level_ratio:.0f} % {', '.join(parts)}")
    return "Guns against need: " + "; ".join(told) + "."
