"""Tells the findings of a calibration run: as text, as a page of the docs, as a picture."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from calibration_score import Findings, Reliability

FONT: Final = "Liberation Sans, Arial, Helvetica, sans-serif"
INK, QUIET, MARK, ACCENT, GRID = "#23262d", "#5c5f66", "#4a5878", "#5b3f9a", "#dedad1"
DRAWN: Final = {
    "success, treatments": "success of treatments",
    "chance of the years wanted": "the years wanted",
    "confidence: the decision is (nearly) the cheapest": "confidence",
}

Table = list[list[str]]


def coverage_table(findings: Findings) -> Table:
    rows = [
        ["figure", "n", "withheld", "inside", "(90 % of luck)", "truth lower", "truth higher", "truth/median", "width"]
    ]
    rows += [
        [
            c.name,
            str(c.count),
            str(c.unknown_count),
            _percent(c.inside),
            f"{_percent(c.low_edge)}-{_percent(c.high_edge)}",
            _percent(c.low_share),
            _percent(c.high_share),
            f"{c.ratio_of_median:.2f}",
            f"{c.relative_width:.2f}",
        ]
        for c in findings.coverages
    ]
    return rows


def odds_table(scores: tuple[Reliability, ...]) -> Table:
    rows = [["forecast", "n", "said", "came", "Brier", "base rate's", "skill"]]
    rows += [
        [
            r.name,
            str(r.count),
            _percent(r.said_probability),
            _percent(r.came_share),
            f"{r.brier:.3f}",
            f"{r.base_brier:.3f}",
            f"{r.skill_share:+.2f}",
        ]
        for r in scores
    ]
    return rows


def bins_table(score: Reliability) -> Table:
    rows = [["said", "came", "(90 % of luck)", "n"]]
    rows += [
        [
            _percent(b.said_probability),
            _percent(b.came_share),
            f"{_percent(b.low_share)}-{_percent(b.high_share)}",
            str(b.count),
        ]
        for b in score.bins
    ]
    return rows


def regret_table(findings: Findings) -> Table:
    names = list(findings.regrets)
    rows = [["truly", "n", *names]]
    rows.append(["all", str(sum(findings.group_counts.values())), *[_money(findings.regrets[n]) for n in names]])
    for group, found in findings.regrets_by_group.items():
        rows.append([group, str(findings.group_counts[group]), *[_money(found[n]) for n in names]])
    return rows


def decision_table(findings: Findings) -> Table:
    decisions = sorted({d for _, d in findings.decisions})
    rows = [["truly", *decisions]]
    rows += [
        [group, *[str(findings.decisions.get((group, d), 0)) for d in decisions]]
        for group in sorted(findings.group_counts)
    ]
    return rows


def shortcomings(findings: Findings) -> list[str]:
    """What these figures say against the estimator, in sentences; only what luck does not explain."""
    found = [f"No answer for {count} of {findings.tubes}: {why}" for why, count in findings.refused.items()]
    for c in findings.coverages:
        if c.high_edge < 0.8:
            side = (
                "truth lower"
                if c.low_share > 1.5 * c.high_share
                else "truth higher"
                if c.high_share > 1.5 * c.low_share
                else "both sides"
            )
            found.append(
                f"{c.name}: over-confident; {_percent(c.inside)} of truths lie in the 80 % intervals (misses: {side})."
            )
        elif c.low_edge > 0.8:
            found.append(f"{c.name}: too modest; {_percent(c.inside)} of the truths lie in the 80 % intervals.")
        if c.ratio_of_median < 0.9 or c.ratio_of_median > 1.1:
            found.append(f"{c.name}: biased; the truth is typically {c.ratio_of_median:.2f} of the forecast median.")
    for r in (*findings.reliabilities, *findings.by_treatment):
        gap, luck = r.said_probability - r.came_share, (r.base_brier / max(r.count, 1)) ** 0.5
        if abs(gap) > max(2 * luck, 0.03):
            word = "too hopeful" if gap > 0 else "too gloomy"
            found.append(f"{r.name}: {word}; said {_percent(r.said_probability)}, came {_percent(r.came_share)}.")
        if r.skill_share < 0:
            found.append(f"{r.name}: always naming the base rate would score better (skill {r.skill_share:+.2f}).")
    mine = findings.regrets["estimator"]
    for name, other in findings.regrets.items():
        if name != "estimator" and other[0] <= mine[0]:
            found.append(f'The simple rule "{name}" costs no more than the estimator over all tubes.')
    for group, by_line in findings.regrets_by_group.items():
        best = min(by_line, key=lambda n: by_line[n][0])
        if best != "estimator" and by_line["estimator"][0] - by_line[best][0] > 2 * by_line["estimator"][1]:
            found.append(f'Where the tube is truly "{group}", the rule "{best}" is cheaper than the estimator.')
    return found


def as_text(findings: Findings) -> str:
    """The whole report for a terminal."""
    parts = [
        _run_words(findings),
        "Coverage of the 80 % intervals\n" + _plain(coverage_table(findings)),
        "Odds\n" + _plain(odds_table(findings.reliabilities)),
        "Success by option\n" + _plain(odds_table(findings.by_treatment)),
    ]
    parts += [f"Reliability: {r.name}\n" + _plain(bins_table(r)) for r in findings.reliabilities]
    parts += [
        f"Regret against the oracle (its own mean cost: {_money(findings.oracle_cost)}), mean and standard error\n"
        + _plain(regret_table(findings)),
        "Decisions\n" + _plain(decision_table(findings)),
        "The oracle's choices: " + ", ".join(f"{n} {c}" for n, c in findings.oracle_choices.items()),
        "What falls short\n"
        + ("\n".join(f"- {s}" for s in shortcomings(findings)) or "- nothing that luck would not explain"),
    ]
    return "\n\n".join(parts)


def as_markdown(findings: Findings) -> str:
    """The page of the docs."""
    short = "\n".join(f"- {s}" for s in shortcomings(findings)) or "- Nothing that luck would not explain."
    reliabilities = "\n\n".join(f"**{r.name}**\n\n{_markdown(bins_table(r))}" for r in findings.reliabilities)
    return PAGE.format(
        f=findings,
        coverage=_markdown(coverage_table(findings)),
        odds=_markdown(odds_table(findings.reliabilities)),
        treatments=_markdown(odds_table(findings.by_treatment)),
        reliabilities=reliabilities,
        regret=_markdown(regret_table(findings)),
        oracle=_money(findings.oracle_cost),
        choices=", ".join(f"{n} ({c})" for n, c in findings.oracle_choices.items()),
        decisions=_markdown(decision_table(findings)),
        short=short,
        alt=alt_text(findings),
    )


def alt_text(findings: Findings) -> str:
    """The picture in words."""
    inside = "; ".join(f"{c.name} {_percent(c.inside)}" for c in findings.coverages)
    return (
        f"Share of truths inside the 80 % intervals: {inside}. Beside it, how often forecasts of each size came true."
    )


def picture(findings: Findings) -> str:
    """Coverage and reliability side by side, as SVG."""
    import vl_convert

    svg: str = vl_convert.vegalite_to_svg(_spec(findings), vl_version="5.21", allowed_base_urls=[])
    return svg


def _spec(findings: Findings) -> dict[str, Any]:
    covered = [
        {"figure": c.name, "inside": c.inside, "low": c.low_edge, "high": c.high_edge} for c in findings.coverages
    ]
    points = [
        {
            "forecast": DRAWN[r.name],
            "said": b.said_probability,
            "came": b.came_share,
            "low": b.low_share,
            "high": b.high_share,
            "n": b.count,
        }
        for r in findings.reliabilities
        if r.name in DRAWN
        for b in r.bins
        if b.count >= 5
    ]
    share = {"format": "%", "grid": True, "gridColor": GRID}
    y_figure = {"field": "figure", "type": "nominal", "sort": None, "title": None, "axis": {"labelLimit": 280}}
    left = {
        "title": "Truths inside their 80 % interval",
        "width": 300,
        "height": 320,
        "layer": [
            {
                "data": {"values": [{"aim": 0.8}]},
                "mark": {"type": "rule", "color": ACCENT, "strokeDash": [4, 3], "strokeWidth": 1.5},
                "encoding": {"x": {"field": "aim", "type": "quantitative"}},
            },
            {
                "data": {"values": covered},
                "mark": {"type": "rule", "color": MARK, "strokeWidth": 2},
                "encoding": {
                    "x": {
                        "field": "low",
                        "type": "quantitative",
                        "scale": {"domain": [0, 1]},
                        "axis": share,
                        "title": "share inside; line: 90 % of luck; dashed: what was promised",
                    },
                    "x2": {"field": "high"},
                    "y": y_figure,
                },
            },
            {
                "data": {"values": covered},
                "mark": {"type": "point", "filled": True, "size": 70, "color": MARK, "opacity": 1},
                "encoding": {"x": {"field": "inside", "type": "quantitative"}, "y": y_figure},
            },
        ],
    }
    colour = {
        "field": "forecast",
        "type": "nominal",
        "scale": {"domain": list(DRAWN.values()), "range": ["#4a5878", "#b4431a", "#0b7a5f"]},
        "legend": {"title": None, "orient": "bottom"},
    }
    right = {
        "title": "What was said, and how often it came true",
        "width": 320,
        "height": 320,
        "layer": [
            {
                "data": {"values": [{"said": 0, "came": 0}, {"said": 1, "came": 1}]},
                "mark": {"type": "line", "color": QUIET, "strokeDash": [4, 3], "strokeWidth": 1},
                "encoding": {
                    "x": {"field": "said", "type": "quantitative"},
                    "y": {"field": "came", "type": "quantitative"},
                },
            },
            {
                "data": {"values": points},
                "mark": {"type": "rule", "strokeWidth": 1, "opacity": 0.6},
                "encoding": {
                    "x": {"field": "said", "type": "quantitative"},
                    "y": {"field": "low", "type": "quantitative"},
                    "y2": {"field": "high"},
                    "color": colour,
                },
            },
            {
                "data": {"values": points},
                "mark": {"type": "line", "point": {"size": 60, "filled": True}, "strokeWidth": 1.5},
                "encoding": {
                    "x": {
                        "field": "said",
                        "type": "quantitative",
                        "scale": {"domain": [0, 1]},
                        "axis": share,
                        "title": "said",
                    },
                    "y": {
                        "field": "came",
                        "type": "quantitative",
                        "scale": {"domain": [0, 1]},
                        "axis": share,
                        "title": "came true",
                    },
                    "color": colour,
                    "shape": {
                        "field": "forecast",
                        "type": "nominal",
                        "scale": {"domain": list(DRAWN.values()), "range": ["square", "triangle-up", "circle"]},
                        "legend": {"title": None, "orient": "bottom"},
                    },
                },
            },
        ],
    }
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
        "description": alt_text(findings),
        "background": "#fbf9f4",
        "padding": 12,
        "spacing": 48,
        "hconcat": [left, right],
        "resolve": {"scale": {"color": "independent", "shape": "independent"}},
        "config": {
            "font": FONT,
            "view": {"stroke": None},
            "title": {"color": INK, "anchor": "start", "fontSize": 14, "fontWeight": "normal"},
            "axis": {
                "labelColor": INK,
                "titleColor": QUIET,
                "titleFontWeight": "normal",
                "domainColor": GRID,
                "tickColor": GRID,
            },
            "legend": {"labelColor": INK},
        },
    }


def _run_words(findings: Findings) -> str:
    return (
        f"{findings.tubes} simulated tubes, {findings.futures} futures each, seed {findings.seed}, "
        f"{findings.plays} plays; {findings.seconds * 1000:.0f} ms per assessment (median)."
    )


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


def _money(mean_and_error: tuple[float, float]) -> str:
    return f"{mean_and_error[0]:.0f} ± {mean_and_error[1]:.0f}"


def _plain(table: Table) -> str:
    widths = [max(len(row[i]) for row in table) for i in range(len(table[0]))]
    lines = [
        "  ".join(
            cell.ljust(w) if i == 0 else cell.rjust(w) for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        )
        for row in table
    ]
    return "\n".join([lines[0], "-" * len(lines[0]), *lines[1:]])


def _markdown(table: Table) -> str:
    head, *rows = table
    lines = ["| " + " | ".join(head) + " |", "|" + "|".join(["---"] + ["--:"] * (len(head) - 1)) + "|"]
    return "\n".join(lines + ["| " + " | ".join(row) + " |" for row in rows])


PAGE: Final = """\
# Calibration

Does a forecast of 70 % come true 7 times in 10? This page is written by `python tools/calibration.py --docs`
(`make calibration` prints the same figures): {f.tubes} simulated tubes, {f.futures} futures each, seed {f.seed}.

![{alt}](pictures/calibration.svg)

## What is measured

A simulator draws displays as they come to a bench, writes down of each what a person would (a tester with
its own gain, curvature and heater error, cutoffs and reduced-heater readings often missing, notes sometimes
wrong), and knows the truth. It shares no code with the estimator, and its cathodes are richer than the
estimator's: 24 rings with their own supply, wear and work function, poison that heat mends or doesn't,
films, gains that drain away, faults in the set that look like a weak tube. Every figure in it is common
practice or from memory, so **this page says how the estimator fares in a world that keeps to the trade's own
figures, not how it fares on your bench**; only your closed jobs can say that.

- *Inside*: share of truths within the 10-90 % interval; 80 % would be right. Scored on tubes that are not
  scrap, shorted or gassy.
- *Success*: right after the option was done once the white in the set meets the owner's minimum, and the guns
  have not drifted more than a fifth apart since the grey scale was last set (every option but leaving sets it).
- *Loss*: a treated gun is dead; *loss or harm*: dead, or worse by 0.05. The trade's risk figures name both together.
- *Years*: one future played out per tube; on tubes without a fault outside.
- *Brier*: mean squared error of a probability; *skill*: what is won over always naming the base rate
  (1 perfect, 0 none).

## Coverage of the 80 % intervals

{coverage}

"Truth/median" is the typical truth over the forecast's median; "width" the typical 10-90 % width over the
median.

## Odds

{odds}

By option:

{treatments}

{reliabilities}

## Regret

Cost of a line of conduct = bench minutes × bench rate + prices paid − what parts fetched + years missing of
those the owner wanted × price of a year. The price of a year is the cheapest replacement that can be had (a
tube with three hours of work, or a display with half an hour) spread over the years wanted; where none can be
had, 450. Years end when the white in the set falls under the owner's minimum or the tube is lost; a picture
that is tinted from the start has none. The oracle knows the truth, plays every line of conduct {f.plays} times
and takes the cheapest (mean cost {oracle}). The estimator is followed to the letter: do the step, read the tube again,
ask again. The simple rules go by the same notes. Mean regret and its standard error, in the owners' currency:

{regret}

What it decided first:

{decisions}

The oracle's choices: {choices}.

## What falls short

{short}
"""
