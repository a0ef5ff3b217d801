"""Advice for setting up as text: cautions, what to turn, what is left, what isn't known."""

from __future__ import annotations

from typing import Final

from tubewright.answers.advised import Advised, AdvisedMove, Learned, Remaining
from tubewright.report.describe import Block, Column, Listing, Paragraph, Step, Table
from tubewright.report.text import blocks_to_text

_DECIMALS: Final = {"mm": 2, "%": 1, "degrees": 2, "share": 3}


def advise_blocks(answer: Advised) -> list[Block]:
    """The advice as blocks: every move is a step with its cautions before its words."""
    blocks: list[Block] = []
    if answer.cautions:
        blocks.append(Paragraph(text="Before anything is touched:", strong=True))
        blocks.append(Listing(items=answer.cautions))
    for number, way in enumerate(answer.ways):
        # The conditions of one way contradict those of the other: drained, or running.
        blocks.append(Paragraph(text=f"{'Or: ' if number else ''}{way.name}, once each of these is so:", strong=True))
        blocks.append(Paragraph(text=way.words))
        blocks.append(Listing(items=way.confirm))
    if answer.job is not None and answer.job.pending:
        blocks.append(Paragraph(text="Turned since the last photograph, which doesn't show it yet:", strong=True))
        blocks.append(Listing(items=tuple(f"{one.name}: {one.words}" for one in answer.job.pending)))
        blocks.append(
            Paragraph(text="Photograph again before more is turned. What follows is from before these moves.")
        )
    blocks.append(Paragraph(text=answer.headline, strong=True))
    now = next((step for step in answer.order if step.standing == "now"), None)
    if now is not None:
        blocks.append(Paragraph(text=f"Step {now.place} of {len(answer.order)}: {now.name}. {now.why}"))
    blocks += [_step(number, move) for number, move in enumerate(answer.moves, start=1)]
    if answer.notes:
        blocks.append(Listing(items=answer.notes))
    beyond = [one for one in answer.remaining if not one.within]
    if beyond:
        blocks.append(_table(f"Beyond the tolerances for {answer.tolerance}", beyond))
    elif answer.remaining:
        nearest = sorted(answer.remaining, key=lambda one: -one.value / one.tolerance_ratio)[:8]
        blocks.append(_table(f"All within the tolerances for {answer.tolerance}; nearest to them", nearest))
    if answer.unknown:
        blocks.append(Paragraph(text="Not known:", strong=True))
        reasons: dict[tuple[str, str], list[str]] = {}
        for one in answer.unknown:
            reasons.setdefault((one.reason, one.would_settle), []).append(one.about)
        blocks.append(
            Listing(
                items=tuple(
                    f"{', '.join(abouts)}: {reason}. Would settle it: {settle}."
                    for (reason, settle), abouts in reasons.items()
                )
            )
        )
    if answer.learned:
        blocks.append(Paragraph(text="What its controls were seen to do:", strong=True))
        blocks.append(
            Listing(items=tuple(f"{gain_sentence(one)} Learned: {ORIGINS[one.origin]}." for one in answer.learned))
        )
    if answer.moves and answer.job is not None:
        blocks.append(
            Paragraph(
                text="Once done, --save writes these moves into the job as if done just so; what went otherwise is put"
                " right on the job's page."
            )
        )
    elif answer.moves:
        blocks.append(
            Paragraph(
                text="Once done, write down what was really turned, in the file of moves: --append puts these moves"
                " there, and what went otherwise is put right by hand."
            )
        )
    return blocks


def advise_to_text(answer: Advised, *, width: int = 80, colour: bool = False) -> str:
    """The advice as text for a terminal, no line longer than ``width`` where its words allow."""
    return blocks_to_text(advise_blocks(answer), width=width, colour=colour)


def _step(number: int, move: AdvisedMove) -> Step:
    words = (
        f"{number}. {move.name}{f' ({move.part})' if move.part else ''}: {move.direction}, {move.amount}. {move.why}"
    )
    found = move.expected
    if found is not None:
        shown = _DECIMALS.get(found.unit, 2)
        words += (
            f" Expected: {found.about}, from {found.before_ratio:.{shown}f} to {found.after_ratio:.{shown}f}"
            f" {found.unit}, give or take {found.after_sd:.{shown}f}."
        )
    return Step(
        id=move.control,
        cautions=(),
        confirm=(),
        hazard=move.hazard,
        words=f"{words} It also touches: {move.disturbs}",
        time="",
    )


ORIGINS: Final = {"here": "here", "earlier": "earlier jobs", "both": "earlier jobs and here"}


def gain_words(one: Learned) -> str:
    """By how much a unit of a control moves what it moves, with its spread; a share as percents."""
    factor, unit = (100.0, "%") if one.unit == "share" else (1.0, one.unit)
    value, sd = factor * one.value, factor * one.value_sd
    places = 2 if sd < 0.1 else 1 if sd < 10 else 0
    # Adding nothing takes the sign off a nought.
    return f"{round(value, places) + 0.0:.{places}f} ± {sd:.{places}f} {unit}".replace("-", "−")


def gain_sentence(one: Learned) -> str:
    """What a control was seen to do, as a sentence."""
    part = f" ({one.part})" if one.part else ""
    doubt = "" if one.known else ": not known which way yet"
    return f"{one.name}{part}: {one.per} moves {one.about} by {gain_words(one)}{doubt}."


def _table(caption: str, rows: list[Remaining]) -> Table:
    return Table(
        caption=caption,
        columns=(
            Column(heading="Error"),
            Column(heading="Measured", figures=True),
            Column(heading="Tolerance", figures=True),
            Column(heading="Unit"),
        ),
        rows=tuple(
            (
                one.about,
                f"{one.value:.{_DECIMALS.get(one.unit, 2)}f} ± {one.value_sd:.{_DECIMALS.get(one.unit, 2)}f}",
                f"{one.tolerance_ratio:.{_DECIMALS.get(one.unit, 2)}f}",
                one.unit,
            )
            for one in rows
        ),
    )
