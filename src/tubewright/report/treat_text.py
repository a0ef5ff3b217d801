"""The answer of ``treat`` as text: the cautions of the next step first, then the plan with the state of each step."""

from __future__ import annotations

from tubewright.answers.treated import ADVICE_WORDS, STATE_WORDS, NextTreatment, Treated
from tubewright.report import wording
from tubewright.report.describe import HAZARD_WORDS, Block, Column, Listing, Paragraph, Step, Table
from tubewright.report.text import blocks_to_text


def treat_blocks(answer: Treated) -> list[Block]:
    """The answer as blocks, in the order in which it is read."""
    step = answer.next
    blocks: list[Block] = []
    if step is not None:
        blocks += _cautions(step, answer)
    else:
        blocks.append(Paragraph(text=answer.headline, strong=True))
    blocks.append(Paragraph(text=f"Verdict: {answer.verdict}"))
    against = tuple(dict.fromkeys(one.words for one in answer.stops if one.rule not in {"target", "matched"}))
    if against:
        blocks.append(Paragraph(text="Stop:", strong=True))
        blocks.append(Listing(items=against))
    blocks.append(_guns(answer))
    blocks.append(
        Table(
            caption="The plan, lowest energy first; one step at a time, all three guns read again after each",
            columns=(Column(heading="step"), Column(heading="state"), Column(heading="why")),
            rows=tuple(
                (f"{one.name}{f' ({one.gun})' if one.gun else ''}", STATE_WORDS[one.state], one.words)
                for one in answer.steps
            ),
        )
    )
    said = [f"{gun}: {one.hold}" for gun, one in answer.guns.items() if one.hold]
    if said:
        blocks.append(Paragraph(text="Will it hold?", strong=True))
        blocks.append(Listing(items=tuple(said)))
    return blocks


def treat_to_text(answer: Treated, *, width: int = 80, colour: bool = False) -> str:
    """The answer as text for a terminal."""
    return blocks_to_text(treat_blocks(answer), width=width, colour=colour)


def _cautions(step: NextTreatment, answer: Treated) -> list[Block]:
    confirm = tuple(f"{one.words} [{one.caution}]{' – confirmed' if one.met else ''}" for one in step.conditions)
    blocks: list[Block] = [
        Step(
            id=step.kind,
            cautions=step.cautions,
            confirm=confirm,
            hazard=f"{step.hazard}: {HAZARD_WORDS[step.hazard]}",
            words=answer.headline,
            time=wording.minutes(step.minutes),
        )
    ]
    if step.needs:
        blocks.append(Paragraph(text="Must be known before it:"))
        blocks.append(
            Listing(
                items=tuple(
                    f"{one.name}: {one.words}." if one.met else f"OPEN {one.name}: {one.words}. {one.mend}"
                    for one in step.needs
                )
            )
        )
    if step.how:
        blocks.append(Paragraph(text=step.how, strong=True))
    odds = (
        f"Chance of a useful gain {wording.chance(step.gain_probability)}, of losing the tube "
        f"{wording.chance(step.risk_of_loss)}. The owner should know both."
    )
    blocks.append(
        Listing(items=(f"Aim: {step.aim}", f"Stop when: {step.stop_when}", odds, step.after, *_closing(step)))
    )
    return blocks


def _closing(step: NextTreatment) -> list[str]:
    return [f"Before the set runs on or leaves: {words}" for words in step.closing]


def _guns(answer: Treated) -> Table:
    rows = []
    for gun, one in answer.guns.items():
        spent = f"{one.spent_count:g} of 2 to {one.most_count:g}"
        rows.append(
            (
                gun,
                "not read" if one.emission is None else f"{one.emission:.2f}",
                f"{one.target_low_emission:.2f} to {one.target_high_emission:.2f}",
                spent if one.history_known else f"{spent}, earlier ones unknown",
                ADVICE_WORDS[one.advice],
                one.words,
            )
        )
    return Table(
        caption="The guns, as shown; 1 is a good gun",
        columns=(
            Column(heading="gun"),
            Column(heading="now", figures=True),
            Column(heading="aim", figures=True),
            Column(heading="restorations"),
            Column(heading="advice"),
            Column(heading="why"),
        ),
        rows=tuple(rows),
    )
