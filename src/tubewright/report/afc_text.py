"""Answers on the AFC loop as blocks of text, the same for a terminal and for a page."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

from tubewright.answers.afc import AfcAnswer, LoopReport
from tubewright.answers.afc_curl import CurlAnswer, between_words, suspect_words
from tubewright.answers.afc_setup import KIND_WORDS
from tubewright.answers.afc_words import curl_words
from tubewright.report.describe import Block, Column, Listing, Paragraph, Table

_ROWS: Final[Sequence[tuple[str, Callable[[LoopReport], str]]]] = (
    ("first visible line, mm (right +)", lambda r: f"{r.amplitude_mm:+.2f}"),
    ("the same, % of the width", lambda r: f"{r.amplitude_percent:.2f}"),
    ("most displaced line, mm", lambda r: f"{r.largest_mm:+.2f}"),
    ("lines of the frame to settle", lambda r: "not within the picture" if r.still_bent else f"{r.settle_lines:.0f}"),
    ("swing to the other side, %", lambda r: f"{100 * r.overshoot_ratio:.0f}"),
    ("mean bend over the picture, mm", lambda r: f"{r.bend_mm:.2f}"),
    ("natural frequency, Hz", lambda r: f"{r.natural_hz:.0f}"),
    ("damping", lambda r: f"{r.damping_ratio:.2f}"),
    ("hold range, ± Hz", lambda r: f"{r.hold_hz:.0f}"),
    ("capture range, ± Hz", lambda r: "not reckoned" if r.capture_hz is None else f"{r.capture_hz:.0f}"),
    ("picture's shift by the free-running error, mm", lambda r: f"{r.static_mm:+.2f}"),
    ("noise bandwidth, Hz", lambda r: f"{r.noise_bandwidth_hz:.0f}"),
    ("line jitter over sync jitter, RMS", lambda r: f"{r.jitter_ratio:.3f}"),
    ("sway of sync at mains rate followed, dB", lambda r: f"{r.sync_mains_db:+.1f}"),
    ("the same at field rate, dB", lambda r: f"{r.sync_field_db:+.1f}"),
    ("hum in the oscillator left, dB", lambda r: f"{r.oscillator_mains_db:+.1f}"),
    ("detector's ripple at line rate left, dB", lambda r: f"{r.ripple_db:+.1f}"),
)


def answer_blocks(answer: AfcAnswer) -> list[Block]:
    """A prediction, a what-if or a best change: the answer, what to do first, the figures side by side."""
    source = answer.setup.source
    blocks: list[Block] = [Paragraph(text=answer.headline, strong=True)]
    blocks.append(Paragraph(text="First things first:", strong=True))
    blocks.append(Listing(items=tuple(_sentence(f"{one.words} {one.why}") for one in answer.advice)))
    blocks.append(
        Paragraph(
            text=f"Source: {source.name}, {KIND_WORDS[source.vertical]}, {source.line_hz:.0f} lines and "
            f"{source.field_hz:.2f} fields a second."
        )
    )
    blocks.append(figures_table(answer))
    if answer.with_edges is not None:
        blocks.append(Paragraph(text=f"With an edge on every line: {curl_words(answer.with_edges)}"))
    if answer.setup.random_jitter_us or answer.setup.mains_jitter_us:
        blocks.append(Paragraph(text=_jitter(answer)))
    if answer.changes:
        blocks.append(changes_table(answer))
    if answer.setup.assumed:
        blocks.append(Paragraph(text="Assumed, for it was not given:"))
        blocks.append(Listing(items=tuple(_sentence(one) for one in answer.setup.assumed)))
    return blocks


def figures_table(answer: AfcAnswer) -> Table:
    """Every figure, as it is and as it would be."""
    reports = [answer.before] if answer.after is None else [answer.before, answer.after]
    heads = ["as it is", "changed"][: len(reports)]
    return Table(
        caption="Figures of the loop",
        columns=(Column(heading="figure"), *(Column(heading=head, figures=True) for head in heads)),
        rows=tuple((name, *(told(report) for report in reports)) for name, told in _ROWS),
    )


def changes_table(answer: AfcAnswer) -> Table:
    """All changes that were tried, with what they do and what they cost."""
    columns = ("change", "first line, mm", "lines to settle", "mean bend, mm", "jitter, times", "costs too much")
    return Table(
        caption="Single changes within reach",
        columns=tuple(Column(heading=head, figures=0 < k < len(columns) - 1) for k, head in enumerate(columns)),
        rows=tuple(
            (
                one.words,
                f"{one.report.amplitude_mm:+.2f}",
                f"{one.report.settle_lines:.0f}",
                f"{one.report.bend_mm:.2f}",
                f"{one.report.jitter_ratio / answer.before.jitter_ratio:.2f}",
                "; ".join(one.costs) or "-",
            )
            for one in answer.changes
        ),
    )


def curl_blocks(answer: CurlAnswer) -> list[Block]:
    """What a measured curl says of its loop."""
    loop = answer.loop
    rows = (
        ("natural frequency, Hz", between_words(loop.natural_hz, "")),
        ("damping", between_words(loop.damping_ratio, "", 2)),
        ("gain over natural frequency", between_words(loop.gain_ratio, "", 1)),
        ("free-running error, Hz", between_words(loop.free_run_error_hz, "")),
        ("lines without an edge", between_words(loop.gap_lines, "")),
        ("kick by the end of them, us", between_words(loop.kick_us, "", 2)),
    )
    blocks: list[Block] = [
        Paragraph(text=answer.headline, strong=True),
        Table(
            caption="What the curl tells of the loop",
            columns=(Column(heading="figure"), Column(heading="likely (10 to 90 %)", figures=True)),
            rows=rows,
        ),
    ]
    if answer.suspects:
        blocks.append(Paragraph(text="What is likeliest off, with the parts given", strong=True))
        blocks.append(Listing(items=tuple(_sentence(suspect_words(one)) for one in answer.suspects)))
    if answer.remarks:
        blocks.append(Listing(items=answer.remarks))
    return blocks


def _jitter(answer: AfcAnswer) -> str:
    before, after = answer.before, answer.after
    said = f"With this source's jitter lines lie {before.line_jitter_mm:.3f} mm RMS off, and the picture sways by "
    said += f"{before.mains_sway_mm:.3f} mm to either side."
    if after is None:
        return said
    return f"{said} Changed: {after.line_jitter_mm:.3f} mm and {after.mains_sway_mm:.3f} mm."


def _sentence(words: str) -> str:
    text = words[:1].upper() + words[1:]
    return text if text.endswith(".") else f"{text}."
