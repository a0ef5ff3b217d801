"""A diagnosis in words: what it could be and why, what to test next, what is settled, how it was reckoned.

Every step for the hands holds its cautions; whoever renders a step renders them before it.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Final

from tubewright.answers.diagnosed import Diagnosed, FaultAnswer, LearnedFigure, NextTest, Separation
from tubewright.answers.learned import LearnedAnswer
from tubewright.report import wording
from tubewright.report.describe import HAZARD_WORDS, Block, Column, Listing, Paragraph, Step, Table
from tubewright.report.text import blocks_to_text

SUBSYSTEM_WORDS: Final = {
    "tube": "the tube",
    "mains_supply": "mains and supply",
    "horizontal_eht": "line stage and high voltage",
    "vertical": "field stage",
    "geometry": "geometry",
    "video": "video",
    "purity_convergence": "purity and convergence",
    "sync_wiring": "sync and wiring",
}
"""Where a fault sits, in words."""

MOST_OUTCOMES: Final = 3
"""Outcomes of a test that are spelt out, the likeliest first."""
MOST_FIGURES: Final = 12
"""Learned figures that are shown; all of them stand in the JSON."""
FIRST_TESTS: Final = 2
"""Tests written out as steps; the rest stand in a table."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chapter:
    """A titled part of the diagnosis."""

    id: str
    title: str
    blocks: tuple[Block, ...]


def chapters(answer: Diagnosed) -> tuple[Chapter, ...]:
    """The diagnosis part by part; parts that would be empty are left out."""
    made = (
        ("suspects", "What it could be", tuple(_suspects(answer))),
        ("found", "Found, and still to be mended", tuple(_found(answer))),
        ("remarks", "About what was entered", tuple(_remarks(answer))),
        ("why", "Why", tuple(_why(answer))),
        ("separates", "What would separate the first two", tuple(_separates(answer))),
        ("next_tests", "Test this next", tuple(_next_tests(answer))),
        ("repair", "If it is the first", tuple(_repair(answer))),
        ("values", "Readings against what is right", tuple(_values(answer))),
        ("learned", "What this shop's own jobs changed", tuple(_learned(answer))),
        ("model", "How this was worked out", tuple(_model(answer))),
    )
    return tuple(Chapter(id=name, title=title, blocks=blocks) for name, title, blocks in made if blocks)


def diagnosed_to_text(answer: Diagnosed, *, width: int = 80, colour: bool = False) -> str:
    """The diagnosis as text for a terminal; lines of at most ``width`` characters."""
    blocks: list[Block] = [Paragraph(text=f"AT ONCE: {words}", strong=True) for words in answer.at_once]
    blocks.append(Paragraph(text=answer.headline, strong=True))
    blocks += [Paragraph(text=ask) for ask in answer.asks]
    parts = [blocks_to_text(blocks, width=width, colour=colour)]
    for chapter in chapters(answer):
        title = Paragraph(text=chapter.title.upper(), strong=True)
        parts.append(blocks_to_text([title, *chapter.blocks], width=width, colour=colour))
    return "\n".join(parts)


def hazard_words(hazard: str) -> str:
    """A hazard class with what it means; empty for the class without one."""
    return "" if hazard == "H0" else f"{hazard}: {HAZARD_WORDS.get(hazard, 'hazard not classed')}"


def test_step(test: NextTest) -> Step:
    """A test as a step for the hands."""
    nominal = f" {test.nominal_words}" if test.nominal_words else ""
    further = f" So far: {test.follows}." if test.follows else ""
    return Step(
        id=test.id,
        cautions=test.cautions,
        confirm=test.confirm,
        hazard=hazard_words(test.hazard),
        words=f"{test.name}: {test.how}{nominal}{further}",
        time=wording.minutes(test.minutes),
    )


def repair_step(fault: FaultAnswer) -> Step:
    """The repair of a fault as a step for the hands."""
    return Step(
        id=fault.id,
        cautions=fault.cautions,
        confirm=fault.confirm,
        hazard=hazard_words(fault.hazard),
        words=f"Confirm and mend: {fault.name}. {fault.repair}",
        time=wording.minutes(fault.minutes),
    )


def _suspects(answer: Diagnosed) -> Iterator[Block]:
    if answer.repairs:
        yield Listing(items=tuple(repair.words for repair in answer.repairs))
    if not answer.faults:
        return
    learned = any(f.general_probability != f.probability for f in answer.faults)
    columns = [Column(heading="Fault"), Column(heading="Chance, %", figures=True), Column(heading="Where")]
    columns += [Column(heading="In general, %", figures=True)] if learned else []
    rows = []
    for fault in answer.faults:
        row = [fault.name, wording.percentage(fault.probability), SUBSYSTEM_WORDS.get(fault.subsystem, fault.subsystem)]
        rows.append((*row, wording.percentage(fault.general_probability)) if learned else tuple(row))
    yield Table(
        caption="Faults that the findings point at; several may be there at once, so the chances need not sum to 100",
        columns=tuple(columns),
        rows=tuple(rows),
    )
    together = [s for s in answer.explanations if len(s.faults) != 1][:2]
    if answer.explanations and together:
        rows = [
            (
                wording.listed([fault.name for fault in s.faults]) or "none that is in the catalogue",
                wording.percentage(s.probability),
            )
            for s in answer.explanations[:5]
        ]
        yield Table(
            caption="What goes together: the likeliest whole explanations",
            columns=(Column(heading="Faults"), Column(heading="Chance, %", figures=True)),
            rows=tuple(rows),
        )
    if answer.probability_unknown >= 0.05:
        unknown = wording.chance(answer.probability_unknown)
        yield Paragraph(text=f"Chance that nothing in the catalogue causes what was seen: {unknown}.")


def _remarks(answer: Diagnosed) -> Iterator[Block]:
    if answer.remarks:
        yield Listing(items=tuple(f"{remark.words} {remark.mend}".strip() for remark in answer.remarks))


def _why(answer: Diagnosed) -> Iterator[Block]:
    if answer.findings:
        yield Listing(items=tuple(finding.words for finding in answer.findings))
    for explained in answer.explains[:2]:
        yield Paragraph(text=explained.words)
    if answer.unexplained:
        yield Paragraph(text="Most likely not explained by anything in the catalogue:")
        yield Listing(items=tuple(item.name for item in answer.unexplained))


def _separates(answer: Diagnosed) -> Iterator[Block]:
    if answer.separates is not None:
        yield separation_step(answer.separates)
        yield Table(
            caption="What each result would mean for the two",
            columns=(
                Column(heading="Result"),
                Column(heading="How likely, %", figures=True),
                Column(heading=f"{answer.separates.first.name}, %", figures=True),
                Column(heading=f"{answer.separates.second.name}, %", figures=True),
            ),
            rows=tuple(
                (
                    r.means,
                    wording.percentage(r.chance),
                    wording.percentage(r.first_probability),
                    wording.percentage(r.second_probability),
                )
                for r in answer.separates.results
            ),
        )


def separation_step(separation: Separation) -> Step:
    """The separating test as a step for the hands."""
    return Step(
        id=separation.test.id,
        cautions=separation.cautions,
        confirm=separation.confirm,
        hazard=hazard_words(separation.hazard),
        words=separation.words,
        time=wording.minutes(separation.minutes),
    )


def _next_tests(answer: Diagnosed) -> Iterator[Block]:
    if answer.advice.words and answer.next_tests:
        yield Paragraph(text=answer.advice.words)
    if answer.next_tests:
        yield Paragraph(text=f"The set is taken to stand so: {answer.stands}. (--stands says otherwise.)")
    for test in answer.next_tests[:FIRST_TESTS]:
        yield test_step(test)
        if test.outcomes:
            yield Listing(items=tuple(outcome.words for outcome in test.outcomes[:MOST_OUTCOMES]))
    rest = answer.next_tests[FIRST_TESTS:]
    if rest:
        yield Paragraph(text="Then, each with cautions of its own (`tubewright list tests` has them):")
        yield Listing(items=tuple(f"{test.name} ({wording.minutes(test.minutes)})" for test in rest))


def _found(answer: Diagnosed) -> Iterator[Block]:
    for found in answer.repairs:
        if found.state == "found":
            yield Step(
                id=found.id,
                cautions=found.cautions,
                confirm=found.confirm,
                hazard=hazard_words(found.hazard),
                words=f"Mend: {found.name}. {found.repair}",
                time=wording.minutes(found.minutes),
            )


def _repair(answer: Diagnosed) -> Iterator[Block]:
    if answer.faults and answer.faults[0].probability >= 0.5:
        yield repair_step(answer.faults[0])


def _values(answer: Diagnosed) -> Iterator[Block]:
    if answer.values:
        yield Listing(items=tuple(value.words for value in answer.values))


def _learned(answer: Diagnosed) -> Iterator[Block]:
    if answer.learned:
        most = sorted(answer.learned, key=lambda f: -abs(f.ours_probability - f.general_probability))[:MOST_FIGURES]
        yield _figures("Ours beside the general figure, for the faults above; what moved farthest comes first", most)


def learned_to_text(answer: LearnedAnswer, *, width: int = 80, colour: bool = False) -> str:
    """What the shop's own jobs changed, as text for a terminal."""
    blocks: list[Block] = [Paragraph(text=answer.words)]
    moved = moved_figures(answer)
    if moved:
        blocks.append(_figures("Ours beside the general figure; what moved farthest comes first", moved))
    return blocks_to_text(blocks, width=width, colour=colour)


def moved_figures(answer: LearnedAnswer) -> tuple[LearnedFigure, ...]:
    """Those that moved far enough to show; one job moves every fault's share of all jobs a little."""
    return tuple(f for f in answer.figures if _fine(f.ours_probability) != _fine(f.general_probability))


def _figures(caption: str, figures: Iterable[LearnedFigure]) -> Table:
    return Table(
        caption=caption,
        columns=(
            Column(heading="Figure"),
            Column(heading="Ours, %", figures=True),
            Column(heading="General, %", figures=True),
            Column(heading="Jobs", figures=True),
        ),
        rows=tuple((f.words, _fine(f.ours_probability), _fine(f.general_probability), str(f.jobs)) for f in figures),
    )


def _fine(probability: float) -> str:
    return f"{wording.rounded(100 * probability)}"


def _model(answer: Diagnosed) -> Iterator[Block]:
    yield Paragraph(text=f"{answer.method.words} {answer.model.words}")
    yield Paragraph(text=f"Model {answer.model.version}, seed {answer.model.seed}.")
