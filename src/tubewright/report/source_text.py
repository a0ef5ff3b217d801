"""Whether a source fits, an attenuator, and the standard levels, in words and tables."""

from __future__ import annotations

from collections.abc import Sequence

from tubewright.answers.source import Pad, SourceAnswer, check_rows, settle_rows
from tubewright.report.describe import Block, Column, Listing, Paragraph, Step, Table


def source_blocks(answer: SourceAnswer, cautions: Sequence[str], confirm: Sequence[str]) -> list[Block]:
    """The answer as blocks, cautions first."""
    step = Step(
        id="source",
        cautions=tuple(cautions),
        confirm=tuple(confirm),
        hazard="H1: signal inputs; what they are joined to may stand at the mains",
        words=answer.words,
        time="",
    )
    blocks: list[Block] = [step]
    if answer.add:
        blocks += [Paragraph(text=f"Needed: {', '.join(answer.add)}.", strong=True)]
    blocks += [Paragraph(text=""), checks_table(answer)]
    settles = settle_rows(answer)
    if settles:
        blocks += [Paragraph(text="What would settle it:"), Listing(items=settles)]
    if answer.notes:
        blocks += [Paragraph(text="Of the levels taken:"), Listing(items=answer.notes)]
    return blocks


def checks_table(answer: SourceAnswer) -> Table:
    """Every check in a row."""
    return Table(
        caption="Looked at, one by one",
        columns=(Column(heading="What"), Column(heading="Stands"), Column(heading="Why")),
        rows=check_rows(answer),
    )


def pad_table(pad: Pad, target_v_pp: float) -> Table:
    """An attenuator with what comes out of it."""

    def shown(exact: float | None, bought: float | None) -> tuple[str, str]:
        return ("none", "none") if exact is None or bought is None else (f"{exact:.4g} ohm", f"{bought:.4g} ohm")

    return Table(
        caption="Attenuator; resistors of series E24 with 5 %, each at its worst end in the range of the level",
        columns=(Column(heading="What"), Column(heading="Reckoned", figures=True), Column(heading="Fit", figures=True)),
        rows=(
            ("In series", *shown(pad.exact_series_ohm, pad.series_ohm)),
            ("Across the input", *shown(pad.exact_shunt_ohm, pad.shunt_ohm)),
            ("Level", f"{target_v_pp:.3g} V", f"{pad.level_v_pp:.3g} V ({pad.low_v_pp:.3g} to {pad.high_v_pp:.3g} V)"),
            ("The source sees", "", f"{pad.seen_ohm:.4g} ohm"),
            ("Peak current", "", f"{pad.peak_ma:.3g} mA"),
        ),
    )


def levels_table(rows: Sequence[tuple[str, ...]]) -> Table:
    """The standard levels with where they come from; the rows are those of ``answers.source.level_rows``."""
    return Table(
        caption="Levels by name",
        columns=(
            Column(heading="Name"),
            Column(heading="What"),
            Column(heading="Sync"),
            Column(heading="Colours, V", figures=True),
            Column(heading="Sync, V", figures=True),
            Column(heading="From"),
        ),
        rows=tuple(rows),
    )
