"""A recap, a swap, a life and preferred values in words and tables."""

from __future__ import annotations

from collections.abc import Sequence

from tubewright.answers.capacitor import PreferredRow, SwapAnswer
from tubewright.answers.recap import (
    DO_WORDS,
    Advice,
    Group,
    OrderLine,
    RecapAnswer,
    buy_words,
    capacitance_words,
    part_words,
)
from tubewright.report.describe import Block, Column, Listing, Paragraph, Step, Table


def recap_blocks(
    answer: RecapAnswer, cautions: Sequence[str], confirm: Sequence[str], group_cautions: Sequence[Sequence[str]]
) -> list[Block]:
    """A whole plan as blocks, its cautions first.

    Args:
        answer: The plan.
        cautions: Texts of the plan's cautions.
        confirm: What must be true before hands go in.
        group_cautions: Texts of the cautions of each group's test, in the order of the groups.
    """
    recap = answer.recap
    hazard = "H2: mains, B+ or video supply: lethal; anode charge near the hand"
    step = Step(
        id="recap",
        cautions=tuple(cautions),
        confirm=tuple(confirm),
        hazard=hazard,
        words=answer.summary,
        time="",
    )
    blocks: list[Block] = [step]
    blocks += [Paragraph(text=f"Before it runs again: {alarm}", strong=True) for alarm in recap.alarms]
    blocks += [Paragraph(text="")]
    if recap.ranked:
        blocks += [first_table(answer), Paragraph(text="")]
    for number, (group, texts) in enumerate(zip(recap.groups, group_cautions, strict=True), start=1):
        blocks += _group_blocks(answer, number, group, texts)
    if recap.order:
        blocks += [order_table(answer), Paragraph(text="")]
    blocks += [Listing(items=answer.limits)]
    return blocks


def first_table(answer: RecapAnswer) -> Table:
    """What is replaced, the most stressed first, and why."""
    return Table(
        caption="Replace in this order of need (by measurement, then by heat, ripple and hours)",
        columns=(
            Column(heading="Rank", figures=True),
            Column(heading="Part"),
            Column(heading="What is there"),
            Column(heading="Why"),
        ),
        rows=tuple(
            (
                str(advice.rank),
                advice.part.ref,
                part_words(advice.part.part, answer.kinds),
                "; ".join(advice.reasons),
            )
            for advice in answer.recap.ranked
        ),
    )


def group_table(answer: RecapAnswer, group: Group, caption: str) -> Table:
    """The parts of one stage: what to do, what to fit."""
    return Table(
        caption=caption,
        columns=(Column(heading="Part"), Column(heading="Do"), Column(heading="Fit"), Column(heading="Mind")),
        rows=tuple(
            (advice.part.ref, DO_WORDS[advice.do], fit_words(answer, advice), " ".join(mind_words(advice)))
            for advice in group.advices
        ),
    )


def fit_words(answer: RecapAnswer, advice: Advice) -> str:
    """What to fit for a part, or what is there now."""
    if advice.buy is not None:
        return buy_words(advice.buy, answer.kinds)
    return f"(there: {part_words(advice.part.part, answer.kinds)})"


def mind_words(advice: Advice) -> tuple[str, ...]:
    """What to mind with a part; of one that isn't replaced, why not."""
    if advice.rank:
        return advice.minds
    return (*(f"{reason[:1].upper()}{reason[1:].rstrip('.')}." for reason in advice.reasons), *advice.minds)


def _group_blocks(answer: RecapAnswer, number: int, group: Group, cautions: Sequence[str]) -> list[Block]:
    then = Step(
        id=f"test_{group.stage or 'unknown'}",
        cautions=tuple(cautions),
        confirm=(),
        hazard="H2: mains, B+ or video supply: lethal",
        words=f"Then: {group.test}",
        time="",
    )
    table = group_table(answer, group, f"Group {number}: {group.name}")
    worked = any(advice.rank for advice in group.advices)
    return [table, *([then] if worked else []), Paragraph(text="")]


def order_table(answer: RecapAnswer) -> Table:
    """What to order, equal parts together."""
    return Table(
        caption=f"Order: {sum(line.count for line in answer.recap.order)} parts",
        columns=(Column(heading="Count", figures=True), Column(heading="What"), Column(heading="For")),
        rows=tuple((str(line.count), line_words(line, answer), " ".join(line.refs)) for line in answer.recap.order),
    )


def line_words(line: OrderLine, answer: RecapAnswer) -> str:
    """One line of an order in words."""
    words = [capacitance_words(line.capacitance_uf) + (f" {line.rated_v:g} V" if line.rated_v is not None else "")]
    words.append(answer.kinds[line.kind])
    if line.temperature_c is not None:
        words.append(f"{line.temperature_c:g} C")
    if line.safety_class:
        words.append(f"class {line.safety_class}")
    if line.least_ripple_a is not None:
        words.append(f"ripple {line.least_ripple_a:g} A or more")
    if line.most_esr_ohm is not None:
        words.append(f"ESR {line.most_esr_ohm:g} ohm or less")
    if line.pitch_mm is not None:
        words.append(f"pitch {line.pitch_mm:g} mm")
    if line.most_height_mm is not None:
        words.append(f"at most {line.most_height_mm:g} mm high")
    return ", ".join(words)


def swap_blocks(
    answer: SwapAnswer, kinds: dict[str, str], cautions: Sequence[str], confirm: Sequence[str]
) -> list[Block]:
    """Whether one part may stand in for another, cautions first."""
    words = f"{part_words(answer.new, kinds)} for {part_words(answer.was, kinds)}, {answer.place_name}: {answer.words}"
    step = Step(
        id="swap",
        cautions=tuple(cautions),
        confirm=tuple(confirm),
        hazard="H2: inside the set",
        words=words,
        time="",
    )
    found = answer.substitution
    blocks: list[Block] = [step]
    if found.objections:
        blocks.append(
            Listing(items=tuple(f"{'Against it' if o.refuses else 'Mind'}: {o.words}" for o in found.objections))
        )
    return [*blocks, Paragraph(text=f"The rule: {found.rule} {found.why}")]


def preferred_table(rows: Sequence[PreferredRow], unit: str) -> Table:
    """What each series has around a value."""

    def shown(value: float) -> str:
        return f"{value:.6g}{f' {unit}' if unit else ''}"

    return Table(
        caption="Preferred values by IEC 60063; the nearest is by ratio",
        columns=(
            Column(heading="Series"),
            Column(heading="Nearest", figures=True),
            Column(heading="Off", figures=True),
            Column(heading="Not above", figures=True),
            Column(heading="Not below", figures=True),
        ),
        rows=tuple(
            (
                row.series,
                shown(row.nearest_value),
                "in it" if row.holds else f"{row.off_percent:+.2g} %",
                shown(row.below_value),
                shown(row.above_value),
            )
            for row in rows
        ),
    )
