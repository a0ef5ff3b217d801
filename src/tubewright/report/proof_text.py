"""A proof as text for a terminal."""

from __future__ import annotations

from tubewright.answers.proof_form import Proof
from tubewright.answers.proof_said import counted_words
from tubewright.report.describe import Block, Column, Listing, Paragraph, Table
from tubewright.report.proof_figures import Row, grouped, light_rows, row_of
from tubewright.report.text import blocks_to_text

_COLUMNS = (
    Column(heading="What"),
    Column(heading="Before", figures=True),
    Column(heading="After", figures=True),
    Column(heading="Change"),
)

DOUBT_WORDS = (
    "In brackets: the middle 80 % of what it may be. After ±: one standard deviation. "
    "A change counts where it is beyond 1.96 standard deviations of itself; all else is no change beyond doubt."
)


def proof_to_text(made: Proof, *, width: int = 80, colour: bool = False) -> str:
    """The comparison as text."""
    return blocks_to_text(proof_blocks(made), width=width, colour=colour)


def proof_blocks(made: Proof) -> list[Block]:
    """The comparison as blocks: the answer first, then figures, then what was done and what remains."""
    blocks: list[Block] = [
        Paragraph(text=made.headline, strong=True),
        Paragraph(text=f"Job {made.job}, {made.label}, as of {made.as_of:%Y-%m-%d}."),
    ]
    if made.exchanged:
        blocks.append(Paragraph(text="The tube was exchanged: before is the tube that came, after the one in it now."))
    blocks += _list("What to expect", made.expect)
    blocks.append(_table("Brightness and life", light_rows(made)))
    for gun in made.guns:
        blocks.append(_table(f"{gun.gun.capitalize()} gun", [row_of(line) for line in gun.lines]))
    if made.shared:
        blocks.append(_table("The tube as a whole", [row_of(line) for line in made.shared]))
    if made.picture.unlike:
        blocks.append(Paragraph(text=made.picture.unlike, strong=True))
    blocks += [_table(group, rows) for group, rows in grouped(made.picture.lines).items()]
    if made.picture.lines:
        blocks.append(Paragraph(text=f"Of the picture's figures: {counted_words(made.picture.lines)}."))
    else:
        blocks.append(Paragraph(text="The picture was not measured: photographs of the survey would tell."))
    if made.grey:
        blocks.append(_table("Grey scale", [row_of(line) for line in made.grey]))
    blocks.append(Paragraph(text=DOUBT_WORDS))
    blocks += _list("It came with", made.came)
    blocks += _list("Found", made.found)
    blocks += _list("Done", made.done or ("Nothing is written down.",))
    blocks += _list("Not done, or remains", made.remains)
    return blocks


def _list(title: str, items: tuple[str, ...]) -> list[Block]:
    return [Paragraph(text=f"{title}:", strong=True), Listing(items=items)] if items else []


def _table(caption: str, rows: list[Row]) -> Table:
    return Table(caption=caption, columns=_COLUMNS, rows=tuple(row.cells for row in rows))
