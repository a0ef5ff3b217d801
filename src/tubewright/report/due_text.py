"""The answer of ``due`` as text."""

from __future__ import annotations

from tubewright.answers.due import Due
from tubewright.report.describe import Block, Listing, Paragraph
from tubewright.report.text import blocks_to_text


def due_blocks(answer: Due) -> list[Block]:
    """The answer as blocks: what to do first, then how gains held."""
    blocks: list[Block] = [Paragraph(text=answer.headline, strong=True)]
    if answer.reminders:
        blocks.append(
            Listing(
                items=tuple(
                    f"{one.display} ({one.tube}{f', {one.owner}' if one.owner else ''}): {one.words}"
                    + (f" On the bench: job:{one.open_job}." if one.open_job is not None else "")
                    for one in answer.reminders
                )
            )
        )
    if answer.waiting:
        blocks.append(Paragraph(text="Jobs that wait without news:", strong=True))
        blocks.append(Listing(items=tuple(f"job:{one.job_id} {one.display}: {one.words}" for one in answer.waiting)))
    if answer.came_back:
        blocks.append(Paragraph(text="How gains held in the long run:", strong=True))
        blocks.append(
            Listing(
                items=tuple(f"{one.display}, {one.gun} (job:{one.job_id}): {one.words}" for one in answer.came_back)
            )
        )
    return blocks


def due_to_text(answer: Due, *, width: int = 80, colour: bool = False) -> str:
    """The answer as text for a terminal."""
    return blocks_to_text(due_blocks(answer), width=width, colour=colour)
