"""Figures of a proof in words: before, after, and how they changed. The same in the terminal, on the page, on paper."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from tubewright.answers.assessment import Figure, Spread, Unknown
from tubewright.answers.measurement import Figure as Measured
from tubewright.answers.measurement import said
from tubewright.answers.proof_form import VERDICT_WORDS, Line, Proof
from tubewright.report import wording

UNIT_WORDS: Final[Mapping[str, str]] = {
    "rel": "× a good gun",
    "uA": "µA",
    "Mohm": "MΩ",
    "percent": "%",
    "du'v'": "Δu′v′",
    "ratio": "%",
}
_TENTH_SD: Final = 1.2816


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One line of a table: what, before, after, change, and the group it stands in."""

    group: str
    about: str
    before: str
    after: str
    change: str
    verdict: str

    @property
    def cells(self) -> tuple[str, str, str, str]:
        """What, before, after, change."""
        return self.about, self.before, self.after, self.change


def figure_words(figure: Figure, unit: str, *, measured: bool = False) -> str:
    """A figure without its unit, with its doubt; or that it isn't known.

    Args:
        figure: The figure.
        unit: Its unit; ``ratio`` is said in percent, ``years`` in months or years.
        measured: From a photograph: said with its standard deviation, as everywhere else.
    """
    if isinstance(figure, Unknown):
        return "not known"
    if measured:
        return said(Measured(value=figure.median, sd=(figure.p90 - figure.p10) / (2 * _TENTH_SD)))
    told = {"ratio": wording.percent, "years": wording.duration, "hours": wording.ratio}.get(unit)
    if told is not None:
        return told(figure)
    return wording.ratio(figure)


def change_words(line: Line) -> str:
    """How a figure changed: better, worse, no change beyond doubt, or not known and why."""
    told = VERDICT_WORDS[line.verdict]
    return f"{told}: {line.why}" if line.why else told


def row_of(line: Line) -> Row:
    """One line of a proof as the row of a table."""
    measured = bool(line.group)
    unit = UNIT_WORDS.get(line.unit, line.unit)
    before = figure_words(line.before, line.unit_before or line.unit, measured=measured)
    after = figure_words(line.after, line.unit, measured=measured)
    return Row(
        group=line.group,
        about=line.about + (f", {unit}" if unit and line.unit not in {"years", "hours"} else ""),
        before=before + (f", {line.words_before}" if line.words_before and isinstance(line.before, Spread) else ""),
        after=after + (f", {line.words_after}" if line.words_after and isinstance(line.after, Spread) else ""),
        change=change_words(line),
        verdict=line.verdict,
    )


def grouped(lines: Sequence[Line]) -> dict[str, list[Row]]:
    """Rows by the part of the picture that they belong to, in their order."""
    found: dict[str, list[Row]] = {}
    for line in lines:
        found.setdefault(line.group, []).append(row_of(line))
    return found


def light_rows(made: Proof) -> list[Row]:
    """White, hours and years."""
    lines = [made.white, made.hours, made.years]
    if _differs(made):
        lines.append(made.years_set_up)
    return [row_of(line) for line in lines]


def _differs(made: Proof) -> bool:
    """Whether setting the grey scale anew would give it another life."""
    pairs = ((made.years.before, made.years_set_up.before), (made.years.after, made.years_set_up.after))
    return any(isinstance(a, Spread) and isinstance(b, Spread) and a != b for a, b in pairs)
