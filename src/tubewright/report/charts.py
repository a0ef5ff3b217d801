"""Pictures of an assessment: what the guns give, and how long each option lasts, as Vega-Lite charts."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence

from tubewright.answers.assessment import Assessment, Figure, Spread, Unknown
from tubewright.case import GUNS, Gun
from tubewright.report import wording
from tubewright.report.describe import with_guns
from tubewright.report.frame import GUN_INK, GUN_SHAPE, INK, WIDTH_PX, Chart, Size, Spec, Theme, framed, percent_of


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
    data = [
        {
            "row": name,
            "p10": percent_of(f.p10),
            "median": percent_of(f.median),
            "p90": percent_of(f.p90),
            "kind": gun or "white",
        }
        for name, f, gun in rows
        if isinstance(f, Spread)
    ]
    wanted = percent_of(answer.minimum_white)
    top = max([110.0, *(float(str(d["p90"])) * 1.05 for d in data)])
    kinds = [*GUNS, "white"]
    y = {
        "field": "row",
        "type": "nominal",
        "sort": [name for name, _, _ in rows],
        "scale": {"domain": [name for name, _, _ in rows]},
        "axis": {"title": None, "labelLimit": 130},
    }
    layers = _intervals(
        theme,
        wanted=wanted,
        wanted_words=f"wanted {wording.given(wanted)} %",
        words_right_of_it=wanted < 60,
        y=y,
        x_scale={"domain": [0, round(min(top, 250.0))], "nice": False, "clamp": True},
        x_title="% of a good tube",
        colour=_by_kind(kinds, [*(GUN_INK[theme][g] for g in GUNS), INK[theme]["mark"]]),
        shape=_by_kind(kinds, [*(GUN_SHAPE[g] for g in GUNS), "diamond"]),
        dot_px2=120,
    )
    title = "Emission of each gun and the white it makes"
    words = [f"{name}: {_in_words(f, wording.percent(f) + ' %')}" for name, f, _ in rows]
    alt = f"{title}, in percent of a good tube. Wanted: at least {wording.given(wanted)} %. " + "; ".join(words) + "."
    return Chart(title=title, spec=_chart(layers, data, theme, size, rows=len(rows), alt=alt), alt=alt)


def options_chart(answer: Assessment, *, theme: Theme = "light", size: Size = "wide") -> Chart:
    """How many years each option lasts, as 10-90 % intervals on one time axis.

    The wanted years stand as a dashed line; the chosen option is marked in words.
    """
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
    kinds = ["chosen", "other"]
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
    layers = _intervals(
        theme,
        wanted=answer.keep_years,
        wanted_words=f"wanted {wording.given(answer.keep_years)} years",
        words_right_of_it=answer.keep_years < 0.6 * right,
        y=y,
        x_scale={"domain": [0, right], "nice": False, "clamp": True},
        x_title="years from now" if longest <= right else "years from now; some run past the edge",
        colour=_by_kind(kinds, [INK[theme]["chosen"], INK[theme]["mark"]]),
        shape=_by_kind(kinds, ["diamond", "circle"]),
        dot_px2=110,
    )
    title = "Years each option is likely to last"
    alt = f"{title}. Wanted: {wording.given(answer.keep_years)} years. " + "; ".join(sayings) + "."
    return Chart(title=title, spec=_chart(layers, shown, theme, size, rows=max(1, len(shown)), alt=alt), alt=alt)


def _intervals(
    theme: Theme,
    *,
    wanted: float,
    wanted_words: str,
    words_right_of_it: bool,
    y: Spec,
    x_scale: Spec,
    x_title: str,
    colour: Spec,
    shape: Spec,
    dot_px2: int,
) -> list[Spec]:
    """Each row's 10-90 % interval with its median, over a dashed line at what is wanted."""
    ink = INK[theme]["text"]
    at_wanted = {"field": "x", "type": "quantitative"}
    x_axis = {"title": x_title, "grid": True, "tickCount": 5, "ticks": False, "labelPadding": 6}
    return [
        {
            "data": {"values": [{"x": wanted}]},
            "mark": {"type": "rule", "strokeDash": [5, 4], "strokeWidth": 1.5, "color": ink},
            "encoding": {"x": at_wanted},
        },
        {
            "data": {"values": [{"x": wanted, "t": wanted_words}]},
            "mark": {
                "type": "text",
                "align": "left" if words_right_of_it else "right",
                "baseline": "bottom",
                "dx": 5 if words_right_of_it else -5,
                "dy": -4,
                "y": 0,
                "color": ink,
            },
            "encoding": {"x": at_wanted, "text": {"field": "t"}},
        },
        {
            "mark": {"type": "rule", "strokeWidth": 7, "opacity": 0.42, "strokeCap": "round"},
            "encoding": {
                "y": y,
                "x": {"field": "p10", "type": "quantitative", "scale": x_scale, "axis": x_axis},
                "x2": {"field": "p90"},
                "color": colour,
            },
        },
        {
            "mark": {"type": "point", "filled": True, "size": dot_px2, "opacity": 1},
            "encoding": {
                "y": y,
                "x": {"field": "median", "type": "quantitative"},
                "color": colour,
                "shape": shape,
            },
        },
    ]


def _by_kind(kinds: Sequence[str], marks: Sequence[str]) -> Spec:
    """A colour or a shape for each kind of row; the rows say it in words, so there is no legend."""
    return {"field": "kind", "type": "nominal", "legend": None, "scale": {"domain": [*kinds], "range": [*marks]}}


def _chart(
    layers: Sequence[Spec], data: Sequence[Mapping[str, object]], theme: Theme, size: Size, *, rows: int, alt: str
) -> Spec:
    spec: Spec = {
        "width": WIDTH_PX[size],
        "autosize": {"type": "fit-x", "contains": "padding"},
        "height": 34 * rows + 6,
        "data": {"values": list(data)},
        "layer": list(layers),
    }
    return framed(spec, theme, alt=alt)


def _wrapped(name: str, size: Size) -> str:
    """The name of a row in at most two lines where there is little room beside the bars."""
    if size == "wide":
        return name
    return "\n".join(textwrap.wrap(name, 19, max_lines=2, placeholder="…"))


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
