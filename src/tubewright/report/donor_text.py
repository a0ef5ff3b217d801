"""Donors held against a wanted tube as text: cautions first, then each donor with its reasons; and a scan's change."""

from __future__ import annotations

from collections.abc import Iterator

from tubewright.answers.donor import AFTERWARDS, VERDICT_WORDS, DonorAnswer, DonorMatch, Verdict
from tubewright.answers.scan import ScanAnswer, SupplyMove
from tubewright.report.describe import Block, Column, Listing, Paragraph, Step, Table
from tubewright.report.text import blocks_to_text

_TITLES: dict[Verdict, str] = {
    "never": "Never",
    "unknown": "Not known",
    "adapt": "To be adapted",
    "with_yoke": "Only with its own yoke and rings",
    "fits": "Fits",
}
ASPECT_NAMES = {
    "line_yoke": "line yoke",
    "field_yoke": "field yoke",
    "anode_guard": "anode voltage with this yoke",
    "g1": "grid 1",
    "mount": "mounting",
    "band": "protection band",
    "angle": "deflection angle",
    "energy": "deflection energy",
    "anode": "anode rating",
}
"""What the things compared are called, where their id doesn't say it."""


def donor_blocks(answer: DonorAnswer, *, cautions: tuple[str, ...], confirm: tuple[str, ...]) -> list[Block]:
    """The answer as blocks.

    Args:
        answer: Donors, ranked.
        cautions: Its cautions in words.
        confirm: What to make sure of first.
    """
    blocks: list[Block] = [
        Step(id="donor", cautions=cautions, confirm=confirm, hazard=answer.hazard, words=answer.headline, time="")
    ]
    blocks += [Paragraph(text=f"Wanted, {answer.wanted.id}: {remark}") for remark in answer.remarks]
    if len(answer.matches) > 1:
        blocks.append(_ranking(answer))
    for match in answer.matches:
        blocks += _match_blocks(match)
    if any(match.way.verdict != "never" for match in answer.matches):
        blocks += [Paragraph(text="After any swap:", strong=True), Listing(items=AFTERWARDS)]
    return blocks


def donor_to_text(
    answer: DonorAnswer, *, cautions: tuple[str, ...], confirm: tuple[str, ...], width: int = 80, colour: bool = False
) -> str:
    """The answer as text for a terminal; arguments as for :func:`donor_blocks`."""
    return blocks_to_text(donor_blocks(answer, cautions=cautions, confirm=confirm), width=width, colour=colour)


def scan_to_text(
    answer: ScanAnswer, *, cautions: tuple[str, ...], confirm: tuple[str, ...], width: int = 80, colour: bool = False
) -> str:
    """A scan's change as text for a terminal, cautions first."""
    blocks: list[Block] = [
        Step(id="scan", cautions=cautions, confirm=confirm, hazard=answer.hazard, words=answer.headline, time=""),
        Listing(items=answer.words),
        *_moves(answer.moves),
    ]
    return blocks_to_text(blocks, width=width, colour=colour)


def _ranking(answer: DonorAnswer) -> Table:
    rows = tuple(
        (
            str(match.rank),
            match.tube.id,
            VERDICT_WORDS[match.way.verdict],
            "-" if match.way.verdict == "never" else f"{match.way.minutes:.0f}",
            "-" if match.condition_share is None else f"{100 * match.condition_share:.0f}",
        )
        for match in answer.matches
    )
    return Table(
        caption=f"In place of {answer.wanted.id}",
        columns=(
            Column(heading="Rank", figures=True),
            Column(heading="Donor"),
            Column(heading="Verdict"),
            Column(heading="Minutes", figures=True),
            Column(heading="Condition %", figures=True),
        ),
        rows=rows,
    )


def _match_blocks(match: DonorMatch) -> Iterator[Block]:
    tube = match.tube
    where = f", {tube.place}" if tube.place else ""
    where += f", price {tube.price:g}" if tube.price is not None else ""
    named = f"{tube.id} ({tube.label}{where})" if tube.label else f"{tube.id}{where}"
    yield Paragraph(text=f"{match.rank}. {named}. {match.headline}", strong=True)
    if match.other is not None and match.way.verdict != "never" and match.other.verdict != "never":
        whose = "its own yoke and rings" if match.other.yoke_from == "donor" else "the set's own yoke"
        other = f"{VERDICT_WORDS[match.other.verdict]}; about {match.other.minutes:.0f} minutes"
        yield Paragraph(text=f"The other way, with {whose}: {other}.")
    items = []
    told = _TITLES if match.way.verdict != "never" else {"never": _TITLES["never"]}
    for verdict, title in told.items():
        held = [one for one in match.way.aspects if one.verdict == verdict]
        if verdict == "fits" and held:
            # One line: who swaps a tube wants to see first what does not fit.
            items.append(
                f"{title}: " + "; ".join(f"{ASPECT_NAMES.get(one.id, one.id)} ({one.words})" for one in held) + "."
            )
            continue
        for one in held:
            do = f" Do: {one.do}." if one.do else ""
            find = f" Find out: {one.find_out}." if one.find_out else ""
            items.append(f"{title}, {ASPECT_NAMES.get(one.id, one.id)}: {one.words}.{do}{find}".replace("..", "."))
    yield Listing(items=(*items, *match.words, *match.remarks))
    yield from _moves(match.moves)


def _moves(moves: tuple[SupplyMove, ...]) -> Iterator[Block]:
    if not moves:
        return
    yield Paragraph(text="What the old width would ask of the supply:")
    yield Listing(items=tuple(f"{move.words} {_guards_word(move)}" for move in moves))


def _guards_word(move: SupplyMove) -> str:
    if move.refused:
        return f"Refused: {'; '.join(move.refused)}."
    return "The guard of the anode voltage finds nothing against it in these figures."
