"""A tube's years as a chart: what its guns gave, what was done to it, and the displays it sat in."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Final

from tubewright.case import GUNS, Gun
from tubewright.report.frame import GUN_INK, GUN_SHAPE, INK, WIDTH_PX, Chart, Size, Spec, Theme, framed, percent_of

_GUN_DASH: Final[dict[Gun, list[int]]] = {"red": [1, 0], "green": [7, 3], "blue": [2, 3]}


@dataclass(frozen=True, slots=True, kw_only=True)
class EmissionPoint:
    """One emission reading of one gun, relative to a good gun (1 = good), as it was recorded."""

    at: dt.datetime
    gun: Gun
    relative: float
    note: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Stay:
    """The time a tube spent in one display; ``until`` is ``None`` while it is still there."""

    display: str
    since: dt.date
    until: dt.date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Event:
    """Something done to the tube on a day: a treatment, in words."""

    at: dt.datetime
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class TubeHistory:
    """All that the tube-history chart shows; ``today`` closes a stay that is still open."""

    label: str
    today: dt.date
    points: tuple[EmissionPoint, ...] = ()
    stays: tuple[Stay, ...] = ()
    events: tuple[Event, ...] = field(default=())


def tube_chart(history: TubeHistory, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """Emission of each gun over the years, with the displays the tube sat in below."""
    ink = INK[theme]
    width = WIDTH_PX[size]
    plot_width = width - 78
    points = [
        {"at": p.at.isoformat(), "gun": f"{p.gun} gun", "value": percent_of(p.relative)}
        for p in sorted(history.points, key=lambda p: (p.at, p.gun))
    ]
    days = [p.at.date() for p in history.points] + [s.since for s in history.stays]
    days += [e.at.date() for e in history.events]
    first = min([*days, history.today]) - dt.timedelta(days=20)
    domain = [first.isoformat(), (history.today + dt.timedelta(days=20)).isoformat()]
    scale = {"domain": domain}
    guns = [f"{gun} gun" for gun in GUNS]
    legend = {"title": None, "orient": "top", "symbolSize": 90, "columnPadding": 14}
    line = {
        "field": "gun",
        "type": "nominal",
        "legend": legend,
        "scale": {"domain": guns, "range": [GUN_INK[theme][g] for g in GUNS]},
    }
    x = {
        "field": "at",
        "type": "temporal",
        "scale": scale,
        "axis": {
            "title": None,
            "format": "%Y",
            "tickCount": {"interval": "year", "step": _year_step(history.today.year - first.year, size)},
            "grid": True,
        },
    }
    y = {
        "field": "value",
        "type": "quantitative",
        "scale": {"domain": [0, max([110.0, *(float(str(p["value"])) for p in points)])]},
        "axis": {"title": "% of a good gun", "tickCount": 5, "grid": True},
    }
    emission: Spec = {
        "width": plot_width,
        "height": 200,
        "data": {"values": points},
        "layer": [
            # One layer per gun, with its colour and dash fixed, leaves the legend to the points alone.
            *(
                {
                    "transform": [{"filter": {"field": "gun", "equal": f"{gun} gun"}}],
                    "mark": {
                        "type": "line",
                        "strokeWidth": 2,
                        "strokeDash": _GUN_DASH[gun],
                        "color": GUN_INK[theme][gun],
                    },
                    "encoding": {"x": x, "y": y},
                }
                for gun in GUNS
            ),
            {
                "mark": {"type": "point", "filled": True, "size": 75, "opacity": 1},
                "encoding": {
                    "x": x,
                    "y": y,
                    "color": line,
                    "shape": {
                        "field": "gun",
                        "type": "nominal",
                        "legend": legend,
                        "scale": {"domain": guns, "range": [GUN_SHAPE[g] for g in GUNS]},
                    },
                },
            },
            *(
                [
                    {
                        "data": {"values": [{"at": n["at"]} for n in _numbers(history.events)]},
                        "mark": {"type": "rule", "strokeDash": [2, 4], "color": ink["quiet"]},
                        "encoding": {"x": {"field": "at", "type": "temporal"}},
                    },
                    {
                        "data": {"values": _numbers(history.events)},
                        "mark": {"type": "text", "y": 2, "baseline": "top", "dx": 7, "color": ink["text"]},
                        "encoding": {"x": {"field": "at", "type": "temporal"}, "text": {"field": "t"}},
                    },
                ]
                if history.events
                else []
            ),
        ],
    }
    stays = [
        {
            "display": s.display,
            "since": s.since.isoformat(),
            "until": (s.until or history.today).isoformat(),
        }
        for s in history.stays
    ]
    rows = list(dict.fromkeys(s["display"] for s in stays))
    stay_y: Spec = {"field": "display", "type": "nominal", "sort": rows, "axis": None}
    sat: Spec = {
        "width": plot_width,
        "height": 38 * max(1, len(rows)),
        "data": {"values": stays},
        "layer": [
            {
                "mark": {"type": "bar", "height": 8, "cornerRadius": 4, "color": ink["mark"], "yOffset": 8},
                "encoding": {
                    "x": {**x, "field": "since", "axis": None},
                    "x2": {"field": "until"},
                    "y": stay_y,
                },
            },
            {
                "mark": {
                    "type": "text",
                    "align": "left",
                    "baseline": "bottom",
                    "dy": 1,
                    "color": ink["text"],
                    "limit": plot_width,
                },
                "encoding": {
                    "x": {"value": 0},
                    "y": stay_y,
                    "text": {"field": "display"},
                },
            },
        ],
    }
    title = "Emission over the years and where the tube sat"
    alt = _history_words(history)
    spec: Spec = {"spacing": 12, "vconcat": [emission, *([sat] if stays else [])]}
    return Chart(title=title, spec=framed(spec, theme, alt=alt), alt=alt)


def _numbers(events: Sequence[Event]) -> list[dict[str, str]]:
    """Where the numbers of events stand: those of one day together, as 1-3."""
    by_day: dict[dt.date, list[int]] = {}
    for number, event in enumerate(events, start=1):
        by_day.setdefault(event.at.date(), []).append(number)
    return [
        {"at": day.isoformat(), "t": str(n[0]) if len(n) == 1 else f"{n[0]}\u2013{n[-1]}"} for day, n in by_day.items()
    ]


def _year_step(years: int, size: Size) -> int:
    room = 6 if size == "narrow" else 10
    return max(1, -(-(years + 1) // room))


def _history_words(history: TubeHistory) -> str:
    parts = [f"Emission over the years of {history.label}, in percent of a good gun."]
    for gun in GUNS:
        mine = sorted((p for p in history.points if p.gun == gun), key=lambda p: p.at)
        if mine:
            parts.append(f"{gun} gun: " + ", ".join(f"{p.at:%Y-%m-%d} {p.relative * 100:.0f} %" for p in mine) + ".")
    if not history.points:
        parts.append("No emission readings yet.")
    parts += [f"{i}: {e.at:%Y-%m-%d} {e.words}." for i, e in enumerate(history.events, start=1)]
    parts += [
        f"In {s.display} from {s.since:%Y-%m-%d} {f'to {s.until:%Y-%m-%d}' if s.until else 'until now'}."
        for s in history.stays
    ]
    return " ".join(parts)
