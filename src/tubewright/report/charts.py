"""Pictures of an answer: an assessment or a tube's history as a Vega-Lite chart, and that chart as SVG.

A chart is plain data (a Vega-Lite specification as a dictionary) beside a text
that holds the same figures for eyes or ears that don't get the picture. Colours
only tell things apart; they never mean good or bad, and every mark is also named
in words. :func:`to_svg` draws without a browser and without the network.
"""

from __future__ import annotations

import datetime as dt
import hashlib
import json
import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Final, Literal

from tubewright.answers.assessment import Assessment, Figure, Spread, Unknown
from tubewright.case import GUNS, Gun
from tubewright.report import wording
from tubewright.report.describe import with_guns

Theme = Literal["light", "dark"]
Size = Literal["narrow", "wide"]
Spec = dict[str, Any]

THEMES: Final[tuple[Theme, ...]] = ("light", "dark")
SIZES: Final[tuple[Size, ...]] = ("narrow", "wide")

FONT: Final = "Liberation Sans, Arial, Helvetica, sans-serif"
_WIDTH_PX: Final[dict[Size, int]] = {"narrow": 350, "wide": 640}

_INK: Final[dict[Theme, dict[str, str]]] = {
    "light": {"text": "#23262d", "quiet": "#5c5f66", "grid": "#dedad1", "mark": "#4a5878", "chosen": "#5b3f9a"},
    "dark": {"text": "#e9e5dc", "quiet": "#aaa69d", "grid": "#353a45", "mark": "#9aa8c7", "chosen": "#c3b1f2"},
}
# Guns differ in lightness as well as in hue, and each has its own shape, so that
# they stay apart for colour-blind eyes and on grey paper.
_GUN_INK: Final[dict[Theme, dict[Gun, str]]] = {
    "light": {"red": "#b4431a", "green": "#0b7a5f", "blue": "#1d4fa8"},
    "dark": {"red": "#f0906a", "green": "#63d2ae", "blue": "#83b4ff"},
}
_GUN_SHAPE: Final[dict[Gun, str]] = {"red": "square", "green": "triangle-up", "blue": "circle"}
_GUN_DASH: Final[dict[Gun, list[int]]] = {"red": [1, 0], "green": [7, 3], "blue": [2, 3]}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Chart:
    """A chart as data: ``spec`` is Vega-Lite, ``alt`` says the same figures in words."""

    title: str
    spec: Spec
    alt: str

    @property
    def fingerprint(self) -> str:
        """A short name of the content: the same figures give the same name."""
        text = json.dumps(self.spec, sort_keys=True, separators=(",", ":"))
        return hashlib.sha256(text.encode()).hexdigest()[:20]


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


def condition_chart(answer: Assessment, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """Emission of each gun and the white they make, each as its 10-90 % interval.

    Args:
        answer: The assessment to draw.
        theme: Colours for light or dark surroundings.
        size: Narrow for a phone held in one hand, wide for a desk.

    Returns:
        The chart; figures that are unknown are left out of the picture and named in the text.
    """
    rows: list[tuple[str, Figure, Gun | None]] = [
        (f"{gun} gun", answer.guns[gun].relative_emission, gun) for gun in GUNS if gun in answer.guns
    ]
    rows += [("white now", answer.neutral_white_now, None), ("white after plan", answer.neutral_white_after, None)]
    ink = _INK[theme]
    data = [
        {"row": name, "p10": _pct(f.p10), "median": _pct(f.median), "p90": _pct(f.p90), "kind": gun or "white"}
        for name, f, gun in rows
        if isinstance(f, Spread)
    ]
    wanted = _pct(answer.minimum_white)
    top = max([110.0, *(float(str(d["p90"])) * 1.05 for d in data)])
    colour = {
        "field": "kind",
        "type": "nominal",
        "legend": None,
        "scale": {"domain": [*GUNS, "white"], "range": [*(_GUN_INK[theme][g] for g in GUNS), ink["mark"]]},
    }
    shape = {
        "field": "kind",
        "type": "nominal",
        "legend": None,
        "scale": {"domain": [*GUNS, "white"], "range": [*(_GUN_SHAPE[g] for g in GUNS), "diamond"]},
    }
    y = {
        "field": "row",
        "type": "nominal",
        "sort": [name for name, _, _ in rows],
        "scale": {"domain": [name for name, _, _ in rows]},
        "axis": {"title": None, "labelLimit": 130},
    }
    x_scale = {"domain": [0, round(min(top, 250.0))], "nice": False, "clamp": True}
    layers: list[Spec] = [
        {
            "data": {"values": [{"x": wanted}]},
            "mark": {"type": "rule", "strokeDash": [5, 4], "strokeWidth": 1.5, "color": ink["text"]},
            "encoding": {"x": {"field": "x", "type": "quantitative"}},
        },
        {
            "data": {"values": [{"x": wanted, "t": f"wanted {wording.given(wanted)} %"}]},
            "mark": {
                "type": "text",
                "align": "left" if wanted < 60 else "right",
                "baseline": "bottom",
                "dx": 5 if wanted < 60 else -5,
                "dy": -4,
                "y": 0,
                "color": ink["text"],
            },
            "encoding": {"x": {"field": "x", "type": "quantitative"}, "text": {"field": "t"}},
        },
        {
            "mark": {"type": "rule", "strokeWidth": 7, "opacity": 0.42, "strokeCap": "round"},
            "encoding": {
                "y": y,
                "x": {"field": "p10", "type": "quantitative", "scale": x_scale, "axis": _x_axis("% of a good tube")},
                "x2": {"field": "p90"},
                "color": colour,
            },
        },
        {
            "mark": {"type": "point", "filled": True, "size": 120, "opacity": 1},
            "encoding": {
                "y": y,
                "x": {"field": "median", "type": "quantitative"},
                "color": colour,
                "shape": shape,
            },
        },
    ]
    title = "Emission of each gun and the white it makes"
    words = [f"{name}: {_in_words(f, wording.percent(f) + ' %')}" for name, f, _ in rows]
    alt = f"{title}, in percent of a good tube. Wanted: at least {wording.given(wanted)} %. " + "; ".join(words) + "."
    return Chart(title=title, spec=_chart(layers, data, theme, size, rows=len(rows), alt=alt), alt=alt)


def options_chart(answer: Assessment, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """How many years each option lasts, as 10-90 % intervals on one time axis.

    The wanted years stand as a dashed line; the chosen option is marked in words.
    """
    ink = _INK[theme]
    names = _distinct([with_guns(o.name, o.guns) for o in answer.options])
    label_room = 150 if size == "narrow" else 290
    shown: list[Spec] = []
    sayings: list[str] = []
    for option, name in zip(answer.options, names, strict=True):
        if option.why_not:
            sayings.append(f"{name}: can't be chosen, {option.why_not}")
            continue
        sayings.append(f"{name}: {_in_words(option.years, wording.duration(option.years))}")
        if isinstance(option.years, Spread):
            chosen = option.id == answer.decision
            shown.append(
                {
                    "row": _wrapped(("chosen: " if chosen else "") + name, size),
                    "p10": option.years.p10,
                    "median": option.years.median,
                    "p90": option.years.p90,
                    "kind": "chosen" if chosen else "other",
                }
            )
    longest = max([answer.keep_years, *(float(d["p90"]) for d in shown)], default=answer.keep_years)
    # One option that outlasts all the others must not press them against the edge.
    medians = max([float(d["median"]) for d in shown], default=0.0)
    right = min(longest * 1.08, max(3 * answer.keep_years, 12.0, 1.2 * medians))
    axis_title = "years from now" if longest <= right else "years from now; some run past the edge"
    colour = {
        "field": "kind",
        "type": "nominal",
        "legend": None,
        "scale": {"domain": ["chosen", "other"], "range": [ink["chosen"], ink["mark"]]},
    }
    y = {
        "field": "row",
        "type": "nominal",
        "sort": [d["row"] for d in shown],
        "axis": {
            "title": None,
            "labelLimit": label_room,
            "labelExpr": "split(datum.label, '\\n')",
            "labelLineHeight": 14,
        },
    }
    scale = {"domain": [0, right], "nice": False, "clamp": True}
    layers: list[Spec] = [
        {
            "data": {"values": [{"x": answer.keep_years}]},
            "mark": {"type": "rule", "strokeDash": [5, 4], "strokeWidth": 1.5, "color": ink["text"]},
            "encoding": {"x": {"field": "x", "type": "quantitative"}},
        },
        {
            "data": {"values": [{"x": answer.keep_years, "t": f"wanted {wording.given(answer.keep_years)} years"}]},
            "mark": {
                "type": "text",
                "align": "left" if answer.keep_years < 0.6 * right else "right",
                "baseline": "bottom",
                "dx": 5 if answer.keep_years < 0.6 * right else -5,
                "dy": -4,
                "y": 0,
                "color": ink["text"],
            },
            "encoding": {"x": {"field": "x", "type": "quantitative"}, "text": {"field": "t"}},
        },
        {
            "mark": {"type": "rule", "strokeWidth": 7, "opacity": 0.42, "strokeCap": "round"},
            "encoding": {
                "y": y,
                "x": {"field": "p10", "type": "quantitative", "scale": scale, "axis": _x_axis(axis_title)},
                "x2": {"field": "p90"},
                "color": colour,
            },
        },
        {
            "mark": {"type": "point", "filled": True, "size": 110, "opacity": 1},
            "encoding": {
                "y": y,
                "x": {"field": "median", "type": "quantitative"},
                "color": colour,
                "shape": {
                    "field": "kind",
                    "type": "nominal",
                    "legend": None,
                    "scale": {"domain": ["chosen", "other"], "range": ["diamond", "circle"]},
                },
            },
        },
    ]
    title = "Years each option is likely to last"
    alt = f"{title}. Wanted: {wording.given(answer.keep_years)} years. " + "; ".join(sayings) + "."
    return Chart(title=title, spec=_chart(layers, shown, theme, size, rows=max(1, len(shown)), alt=alt), alt=alt)


def tube_chart(history: TubeHistory, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """Emission of each gun over the years, with the displays the tube sat in below."""
    ink = _INK[theme]
    width = _WIDTH_PX[size]
    plot_width = width - 78
    points = [
        {"at": p.at.isoformat(), "gun": f"{p.gun} gun", "value": _pct(p.relative)}
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
        "scale": {"domain": guns, "range": [_GUN_INK[theme][g] for g in GUNS]},
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
                        "color": _GUN_INK[theme][gun],
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
                        "scale": {"domain": guns, "range": [_GUN_SHAPE[g] for g in GUNS]},
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
    spec: Spec = {
        "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
        "description": alt,
        "background": None,
        "config": _config(theme),
        "spacing": 12,
        "vconcat": [emission, *([sat] if stays else [])],
    }
    return Chart(title=title, spec=spec, alt=alt)


def to_svg(chart: Chart) -> str:
    """Draw a chart as SVG, without a browser and without the network."""
    import vl_convert  # heavy: loaded when the first picture is asked for

    svg: str = vl_convert.vegalite_to_svg(chart.spec, vl_version="5.21", allowed_base_urls=[])
    return svg


def _chart(
    layers: Sequence[Spec], data: Sequence[Mapping[str, object]], theme: Theme, size: Size, *, rows: int, alt: str
) -> Spec:
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
        "description": alt,
        "background": None,
        "width": _WIDTH_PX[size],
        "autosize": {"type": "fit-x", "contains": "padding"},
        "height": 34 * rows + 6,
        "data": {"values": list(data)},
        "layer": list(layers),
        "config": _config(theme),
    }


def _config(theme: Theme) -> Spec:
    ink = _INK[theme]
    return {
        "font": FONT,
        "padding": 4,
        "view": {"stroke": None},
        "text": {"font": FONT, "fontSize": 13, "color": ink["text"]},
        "axis": {
            "labelFont": FONT,
            "titleFont": FONT,
            "labelFontSize": 13,
            "titleFontSize": 13,
            "titleFontWeight": "normal",
            "labelColor": ink["text"],
            "titleColor": ink["quiet"],
            "gridColor": ink["grid"],
            "domainColor": ink["grid"],
            "tickColor": ink["grid"],
        },
        "axisY": {"domain": False, "ticks": False, "labelPadding": 8},
        "legend": {"labelFont": FONT, "labelFontSize": 13, "labelColor": ink["text"]},
    }


def _x_axis(title: str) -> Spec:
    return {"title": title, "grid": True, "tickCount": 5, "ticks": False, "labelPadding": 6}


def _wrapped(name: str, size: Size) -> str:
    """The name of a row in at most two lines where there is little room beside the bars."""
    if size == "wide":
        return name
    return "\n".join(textwrap.wrap(name, 19, max_lines=2, placeholder="…"))


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


def _pct(fraction: float) -> float:
    return round(100 * fraction, 1)


def _in_words(figure: Figure, words: str) -> str:
    return f"not known, {figure.reason}" if isinstance(figure, Unknown) else words


def _distinct(names: Sequence[str]) -> list[str]:
    """The names, with a count behind any that came before: rows of a chart merge if alike."""
    seen: dict[str, int] = {}
    out = []
    for name in names:
        seen[name] = seen.get(name, 0) + 1
        out.append(name if seen[name] == 1 else f"{name} ({seen[name]})")
    return out


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
