"""An answer about supply, anode charge or anode voltage as text: cautions, the answer, what isn't known."""

from __future__ import annotations

from tubewright.answers.supply_form import SupplyAnswer
from tubewright.report.describe import Block, Listing, Paragraph, Step
from tubewright.report.text import blocks_to_text


def supply_blocks(
    answer: SupplyAnswer, *, cautions: tuple[str, ...], confirm: tuple[str, ...], filled: tuple[str, ...] = ()
) -> list[Block]:
    """The answer as blocks.

    Args:
        answer: What was answered.
        cautions: Its cautions in words.
        confirm: What to make sure of first.
        filled: What a chassis profile filled in, in words.
    """
    blocks: list[Block] = [
        Step(
            id=f"supply {answer.question}",
            cautions=cautions,
            confirm=confirm,
            hazard=answer.hazard,
            words=answer.headline,
            time="",
        ),
        Listing(items=answer.words),
    ]
    if answer.unknown:
        blocks.append(Paragraph(text="Not known:", strong=True))
        blocks.append(
            Listing(items=tuple(f"{one.reason}. Would settle it: {one.would_settle}." for one in answer.unknown))
        )
    if filled:
        blocks.append(Paragraph(text=f"From the chassis profile: {', '.join(filled)}."))
    return blocks


def supply_to_text(
    answer: SupplyAnswer,
    *,
    cautions: tuple[str, ...],
    confirm: tuple[str, ...],
    filled: tuple[str, ...] = (),
    width: int = 80,
    colour: bool = False,
) -> str:
    """The answer as text for a terminal; arguments as for :func:`supply_blocks`."""
    blocks = supply_blocks(answer, cautions=cautions, confirm=confirm, filled=filled)
    return blocks_to_text(blocks, width=width, colour=colour)
