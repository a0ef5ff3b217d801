"""A decoded type label as text: each reading part by part, and what a label never tells."""

from __future__ import annotations

from tubewright.answers.label import LabelDecoded, LabelReading
from tubewright.report.describe import Block, Column, Listing, Paragraph, Table
from tubewright.report.text import blocks_to_text


def label_blocks(decoded: LabelDecoded) -> list[Block]:
    """The answer as blocks."""
    blocks: list[Block] = []
    several = len(decoded.readings) > 1
    if several:
        blocks.append(
            Paragraph(text=f"This label can be read in {len(decoded.readings)} ways; the usual one first.", strong=True)
        )
    for number, reading in enumerate(decoded.readings, start=1):
        blocks.append(Paragraph(text=f"{f'{number}. ' if several else ''}{_headline(reading)}", strong=not several))
        blocks.append(_parts(reading))
        if reading.remarks:
            blocks.append(Listing(items=reading.remarks))
    blocks.append(
        Paragraph(
            text=f"A label never tells: {'; '.join(decoded.never_told)}. "
            "Look the type up in its data sheet, or measure."
        )
    )
    return blocks


def label_to_text(decoded: LabelDecoded, *, width: int = 80, colour: bool = False) -> str:
    """The answer as text for a terminal."""
    return blocks_to_text(label_blocks(decoded), width=width, colour=colour)


def _headline(reading: LabelReading) -> str:
    measured = "viewable" if reading.size_is == "viewable" else "nominal, of the bulb"
    sold = f", sold as {reading.sold_as_in:g} inches" if reading.sold_as_in else ""
    words = [f"{reading.written}:"]
    if reading.use:
        words.append(f"{reading.use},")
    words.append(f"{reading.diagonal_cm:.3g} cm ({reading.diagonal_in:.1f} inches) {measured}{sold},")
    words.append({"colour": "colour", "mono": "mono", "": "colour or mono not told"}[reading.picture])
    screen = " ".join(part for part in (reading.phosphor, f"({reading.light})" if reading.light else "") if part)
    others = ", ".join(f"{letters} in the {register} register" for register, letters in reading.equivalents.items())
    if screen:
        words.append(f"· screen {screen}" + (f" = {others}" if others else ""))
    return " ".join(words)


def _parts(reading: LabelReading) -> Table:
    return Table(
        caption=f"{reading.grammar_name}; this grammar is {reading.kind}",
        columns=(Column(heading="Part"), Column(heading="Reads"), Column(heading="Means"), Column(heading="Kind")),
        rows=tuple((part.name, part.text, part.means, part.kind) for part in reading.parts),
    )
