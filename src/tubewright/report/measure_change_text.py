"""Two measurements of one picture in words: what was, what is, and what changed beyond the spread."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from tubewright.answers.measure_change import FigureChange
from tubewright.answers.measurement import Figure, Known, decimals, said
from tubewright.report.describe import Column, Paragraph, Table
from tubewright.report.text import blocks_to_text


def changed_words(change: FigureChange) -> str:
    """By how much a figure changed, or that it didn't beyond its spread, or isn't known."""
    if change.by is None:
        return "not known"
    if change.change == "same":
        return "no change beyond the spread"
    places = decimals(change.by.sd)
    return f"{change.by.value:+.{places}f} ± {change.by.sd:.{places}f}"


def figure_words(known: Known) -> str:
    """A figure with its spread, or that it isn't known."""
    return said(known) if isinstance(known, Figure) else "not known"


def changes_to_text(changes: Sequence[FigureChange], *, width: int, colour: bool) -> str:
    """What changed, as text for a terminal; figures that stayed within their spread are counted."""
    told = [change for change in changes if change.change in {"smaller", "larger"}]
    same = sum(change.change == "same" for change in changes)
    rows = tuple(
        (
            change.about + (f", {change.unit}" if change.unit else ""),
            figure_words(change.before),
            figure_words(change.after),
            changed_words(change),
        )
        for change in told
    )
    columns = tuple(Column(heading=words, figures=words != "what") for words in ("what", "before", "after", "change"))
    blocks: list[Paragraph | Table] = []
    if rows:
        blocks.append(Table(caption="What changed beyond the spread", columns=columns, rows=rows))
    blocks.append(Paragraph(text=f"{len(told)} of {len(told) + same} figures changed beyond their spread."))
    return blocks_to_text(blocks, width=width, colour=colour)


def changes_to_json(changes: Sequence[FigureChange]) -> list[dict[str, Any]]:
    """The same for programs: the change with its standard deviation, ``null`` where a figure isn't known twice."""
    return [
        {
            "group": change.group,
            "figure": change.about,
            "unit": change.unit,
            "before": _plain(change.before),
            "after": _plain(change.after),
            "change": None if change.by is None else {"value": change.by.value, "sd": change.by.sd},
            "verdict": change.change,
        }
        for change in changes
    ]


def _plain(known: Known) -> float | None:
    return known.value if isinstance(known, Figure) else None
