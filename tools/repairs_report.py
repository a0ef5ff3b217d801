"""Tells the findings of simulated repairs: figures per policy, calibration of the probabilities, a page, a picture."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

FONT: Final = "Liberation Sans, Arial, Helvetica, sans-serif"
INK, QUIET, GRID = "#23262d", "#5c5f66", "#dedad1"
COLOURS: Final = ("#4a5878", "#b4431a")
BINS: Final = 10

Table = list[list[str]]
Record = Mapping[str, Any]
"""One repair as it is kept: the fields of ``repairs_play.Played``."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Cell:
    """What one policy needed in one world; minutes by the clock, cost with the parts lost as minutes."""

    world: str
    policy: str
    repairs: int
    confirmed: int
    tests: tuple[float, float]
    opened: float
    minutes: tuple[float, float]
    mean_minutes: float
    hazard_minutes: float
    parts_price: float
    more_than_ours: tuple[float, float]


@dataclass(frozen=True, slots=True, kw_only=True)
class Bin:
    """Probabilities said between two borders, and how often they came true, with an interval by repairs."""

    count: int
    said: float
    came: float
    low: float
    high: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Calibration:
    """How far the probabilities of faults hold in one world, at the start or after tests.

    ``sharpness`` is the spread of what was said: its variance over that of the outcome,
    0 for a forecaster who always says the base rate, 1 for one who always says 0 or 1
    as often as it comes true. ``skill`` is 1 for a perfect one, 0 for the base rate.
    """

    world: str
    when: str
    count: int
    said: float
    came: float
    brier: float
    base_brier: float
    sharpness: float
    bins: tuple[Bin, ...]

    @property
    def skill(self) -> float:
        """Share of the base rate's Brier score that is saved."""
        return 1.0 - self.brier / self.base_brier


def cells(records: Sequence[Record]) -> list[Cell]:
    """One cell per world and policy; differences are taken display by display."""
    groups: dict[tuple[str, str], dict[int, Record]] = {}
    for record in records:
        groups.setdefault((record["world"], record["policy"]), {})[record["display"]] = record
    found = []
    for (world, policy), mine in groups.items():
        ours = groups.get((world, "ours"), {})
        both = sorted(mine.keys() & ours.keys())
        more = np.array([mine[d]["minutes"] - ours[d]["minutes"] for d in both])
        minutes = _column(mine, "minutes")
        tests = _column(mine, "tests")
        found.append(
            Cell(
                world=world,
                policy=policy,
                repairs=len(mine),
                confirmed=sum(bool(r["confirmed"]) for r in mine.values()),
                tests=(float(np.median(tests)), float(np.quantile(tests, 0.9))),
                opened=float(_column(mine, "opened").mean()),
                minutes=(float(np.median(minutes)), float(np.quantile(minutes, 0.9))),
                mean_minutes=float(minutes.mean()),
                hazard_minutes=float(_column(mine, "hazard_minutes").mean()),
                parts_price=float(_column(mine, "parts_price").mean()),
                more_than_ours=_mean_and_error(more),
            )
        )
    return found


def calibrations(records: Sequence[Record], policy: str = "ours") -> list[Calibration]:
    """Calibration at the start and after tests, in each world, of the repairs that one policy played."""
    found = []
    for world in dict.fromkeys(r["world"] for r in records):
        mine = [r for r in records if r["world"] == world and r["policy"] == policy]
        for when, later in (("before any test", False), ("after each step", True)):
            said, came, whose = [], [], []
            for r in mine:
                for step, probability, there in r["guesses"]:
                    if (step > 0) is later:
                        said.append(probability)
                        came.append(there)
                        whose.append(r["display"])
            if said:
                found.append(calibration(world, when, np.array(said), np.array(came, dtype=float), np.array(whose)))
    return found


def calibration(
    world: str, when: str, said: NDArray[np.float64], came: NDArray[np.float64], whose: NDArray[np.int_]
) -> Calibration:
    """Score probabilities.

    The intervals of the bins hold for whole repairs: what is said step by step of one
    display hangs together, so the spread is taken over displays, not over sayings.
    """
    base = float(came.mean())
    place = np.minimum((said * BINS).astype(int), BINS - 1)
    bins = []
    for at in range(BINS):
        here = place == at
        if not here.any():
            continue
        mean = float(came[here].mean())
        error = _error_by_group(came[here] - mean, whose[here])
        displays = len(np.unique(whose[here]))
        # As many independent sayings as would spread as far; where all came out alike, as many as displays.
        alone = mean * (1 - mean) / error**2 if error > 0 else displays
        low, high = wilson(mean * alone, alone)
        bins.append(
            Bin(
                count=int(here.sum()),
                said=float(said[here].mean()),
                came=mean,
                low=low,
                high=high,
            )
        )
    return Calibration(
        world=world,
        when=when,
        count=len(said),
        said=float(said.mean()),
        came=base,
        brier=float(np.mean((said - came) ** 2)),
        base_brier=base * (1 - base),
        sharpness=float(said.var() / max(base * (1 - base), 1e-12)),
        bins=tuple(bins),
    )


def wilson(hits: float, count: float) -> tuple[float, float]:
    """Interval of 90 % for a share (Wilson, Journal of the American Statistical Association 22, 1927)."""
    z = 1.6449
    share = hits / count
    middle = share + z * z / (2 * count)
    half = z * float(np.sqrt(share * (1 - share) / count + z * z / (4 * count * count)))
    return max(0.0, (middle - half) / (1 + z * z / count)), min(1.0, (middle + half) / (1 + z * z / count))


def _error_by_group(residuals: NDArray[np.float64], groups: NDArray[np.int_]) -> float:
    """Standard error of a mean whose terms hang together within groups."""
    _, inverse = np.unique(groups, return_inverse=True)
    sums = np.bincount(inverse, weights=residuals)
    return float(np.sqrt(np.sum(sums**2)) / len(residuals))


def _column(records: Mapping[int, Record], name: str) -> NDArray[np.float64]:
    return np.array([float(r[name]) for r in records.values()])


def _mean_and_error(values: NDArray[np.float64]) -> tuple[float, float]:
    if len(values) < 2:
        return (float(values.mean()) if len(values) else 0.0, 0.0)
    return float(values.mean()), float(values.std(ddof=1) / np.sqrt(len(values)))


def cost_table(found: Sequence[Cell]) -> Table:
    """Rows of what each policy needed."""
    rows = [
        [
            "world",
            "policy",
            "n",
            "confirmed",
            "tests",
            "opened",
            "minutes",
            "mean",
            "more than ours",
            "hazardous",
            "parts",
        ]
    ]
    for c in found:
        more = "" if c.policy == "ours" else f"{c.more_than_ours[0]:+.0f} ± {2 * c.more_than_ours[1]:.0f}"
        rows.append(
            [
                c.world,
                c.policy,
                str(c.repairs),
                f"{c.confirmed / c.repairs:.1%}",
                f"{c.tests[0]:.0f}, {c.tests[1]:.0f}",
                f"{c.opened:.1f}",
                f"{c.minutes[0]:.0f}, {c.minutes[1]:.0f}",
                f"{c.mean_minutes:.0f}",
                more,
                f"{c.hazard_minutes:.0f}",
                f"{c.parts_price:.1f}",
            ]
        )
    return rows


def score_table(found: Sequence[Calibration]) -> Table:
    """Rows of how far the probabilities hold."""
    rows = [["world", "when", "sayings", "said", "came", "Brier", "base rate's", "skill", "sharpness"]]
    rows += [
        [
            c.world,
            c.when,
            str(c.count),
            f"{c.said:.1%}",
            f"{c.came:.1%}",
            f"{c.brier:.4f}",
            f"{c.base_brier:.4f}",
            f"{c.skill:+.2f}",
            f"{c.sharpness:.2f}",
        ]
        for c in found
    ]
    return rows


def bins_table(found: Sequence[Calibration]) -> Table:
    """Rows of what was said and what came, bin by bin."""
    rows = [["world", "when", "said", "came", "90 % of luck", "sayings"]]
    rows += [
        [c.world, c.when, f"{b.said:.0%}", f"{b.came:.0%}", f"{b.low:.0%} to {b.high:.0%}", str(b.count)]
        for c in found
        for b in c.bins
    ]
    return rows


def shortcomings(found: Sequence[Calibration], costs: Sequence[Cell]) -> list[str]:
    """What these figures say against the program, in sentences; only what luck doesn't explain."""
    told = []
    for c in found:
        hopeful = [b for b in c.bins if b.said > b.high + 0.03]
        modest = [b for b in c.bins if b.said < b.low - 0.03]
        for bins, word in ((hopeful, "too sure"), (modest, "too modest")):
            if bins:
                worst = max(bins, key=lambda b: abs(b.said - b.came))
                told.append(
                    f"{c.world} world, {c.when}: {word} in {len(bins)} of {len(c.bins)} bins; "
                    f"worst where {worst.said:.0%} was said and {worst.came:.0%} came true."
                )
    for cell in costs:
        if cell.policy != "ours" and cell.more_than_ours[0] < 2 * cell.more_than_ours[1]:
            told.append(
                f"{cell.world} world: {cell.policy} is not worse than ours by more than luck "
                f"({cell.more_than_ours[0]:+.0f} ± {2 * cell.more_than_ours[1]:.0f} minutes)."
            )
        if cell.confirmed < cell.repairs:
            told.append(
                f"{cell.world} world, {cell.policy}: {cell.repairs - cell.confirmed} of {cell.repairs} repairs "
                "ended with a fault unconfirmed."
            )
    return told


def plain(table: Table) -> str:
    """A table for the terminal."""
    widths = [max(len(row[i]) for row in table) for i in range(len(table[0]))]
    return "\n".join(
        "  ".join(
            cell.ljust(w) if i < 2 else cell.rjust(w) for i, (cell, w) in enumerate(zip(row, widths, strict=True))
        )
        for row in table
    )


def markdown(table: Table) -> str:
    """A table for the page."""
    head = f"| {' | '.join(table[0])} |\n|{'|'.join(['---'] * len(table[0]))}|"
    return "\n".join([head, *(f"| {' | '.join(row)} |" for row in table[1:])])


def picture(found: Sequence[Calibration]) -> str:
    """What was said against what came true, one panel for each moment, as SVG."""
    import vl_convert

    svg: str = vl_convert.vegalite_to_svg(_spec(found), vl_version="5.21", allowed_base_urls=[])
    return svg


def _spec(found: Sequence[Calibration]) -> dict[str, Any]:
    worlds = list(dict.fromkeys(c.world for c in found))
    names = [f"{world} world" for world in worlds]
    panels = []
    for when in dict.fromkeys(c.when for c in found):
        points = [
            {"world": f"{c.world} world", "said": b.said, "came": b.came, "low": b.low, "high": b.high}
            for c in found
            if c.when == when
            for b in c.bins
        ]
        panels.append(_panel(when, points, names))
    return {
        "$schema": "https://vega.github.io/schema/vega-lite/v5.json",
        "background": "#ffffff",
        "hconcat": panels,
        "config": {
            "font": FONT,
            "title": {"color": INK, "fontSize": 13},
            "axis": {"labelColor": QUIET, "titleColor": INK, "gridColor": GRID},
            "legend": {"labelColor": INK},
        },
    }


def _panel(when: str, points: list[dict[str, Any]], names: list[str]) -> dict[str, Any]:
    share = {"format": "%", "grid": True}
    scale = {"domain": [0, 1]}
    colour = {
        "field": "world",
        "type": "nominal",
        "scale": {"domain": names, "range": list(COLOURS[: len(names)])},
        "legend": {"title": None, "orient": "bottom"},
    }
    shape = {**colour, "scale": {"domain": names, "range": ["square", "triangle-up"][: len(names)]}}
    said = {"field": "said", "type": "quantitative", "scale": scale, "axis": share, "title": "said"}
    return {
        "title": f"Probability of a fault, {when}",
        "width": 320,
        "height": 320,
        "layer": [
            {
                "data": {"values": [{"said": 0, "came": 0}, {"said": 1, "came": 1}]},
                "mark": {"type": "line", "color": QUIET, "strokeDash": [4, 3], "strokeWidth": 1},
                "encoding": {"x": said, "y": {"field": "came", "type": "quantitative"}},
            },
            {
                "data": {"values": points},
                "mark": {"type": "rule", "strokeWidth": 1, "opacity": 0.6},
                "encoding": {
                    "x": said,
                    "y": {"field": "low", "type": "quantitative"},
                    "y2": {"field": "high"},
                    "color": colour,
                },
            },
            {
                "data": {"values": points},
                "mark": {"type": "line", "point": {"size": 60, "filled": True}, "strokeWidth": 1.5},
                "encoding": {
                    "x": said,
                    "y": {
                        "field": "came",
                        "type": "quantitative",
                        "scale": scale,
                        "axis": share,
                        "title": "came true",
                    },
                    "color": colour,
                    "shape": shape,
                },
            },
        ],
    }
