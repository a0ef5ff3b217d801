"""The answer of ``hold`` as text: cautions first, the answer, the chances, when to read again."""

from __future__ import annotations

from tubewright.answers.assessment import Unknown
from tubewright.answers.hold import Held, span
from tubewright.report.describe import HAZARD_WORDS, Block, Column, Listing, Paragraph, Step, Table
from tubewright.report.text import blocks_to_text


def hold_blocks(answer: Held) -> list[Block]:
    """The answer as blocks; reading on is a step, so its cautions stand at the top."""
    unit = f" ({answer.unit})" if answer.unit else ""
    blocks: list[Block] = [
        Step(
            id="hold",
            cautions=answer.cautions,
            confirm=answer.confirm,
            hazard=f"{answer.hazard}: {HAZARD_WORDS[answer.hazard]}",
            words=answer.headline,
            time="",
        ),
        Listing(items=answer.words),
    ]
    if answer.readings:
        blocks.append(
            Table(
                caption="Readings reckoned with",
                columns=(Column(heading="after", figures=False), Column(heading=f"read{unit}", figures=True)),
                rows=tuple((span(one.minutes), f"{one.value:.4g}") for one in answer.readings),
            )
        )
    if answer.laws:
        blocks.append(
            Table(
                caption="How far each course is believed",
                columns=(Column(heading="course"), Column(heading="%", figures=True)),
                rows=tuple((one.name, f"{100 * one.weight:.0f}") for one in answer.laws),
            )
        )
    if answer.wait and not answer.worth_having:
        blocks.append(
            Table(
                caption="What reading on is expected to bring (80 % interval of what stays, in percentage points)",
                columns=(
                    Column(heading="read until"),
                    Column(heading="width", figures=True),
                    Column(heading="worth having, %", figures=True),
                ),
                rows=tuple(
                    (span(one.minutes), f"{100 * one.width_ratio:.0f}", f"{100 * one.worth_probability:.0f}")
                    for one in answer.wait
                ),
            )
        )
    if isinstance(answer.hold, Unknown) and answer.next_minutes is not None:
        blocks.append(Paragraph(text=f"Next reading: {span(answer.next_minutes)} after the treatment."))
    if answer.left_out:
        blocks.append(Paragraph(text="Left out:"))
        blocks.append(Listing(items=answer.left_out))
    return blocks


def hold_to_text(answer: Held, *, width: int = 80, colour: bool = False) -> str:
    """The answer as text for a terminal."""
    return blocks_to_text(hold_blocks(answer), width=width, colour=colour)
