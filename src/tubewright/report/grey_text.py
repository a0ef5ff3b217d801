"""An answer on the grey scale as text: cautions, the answer, moves, what to watch, the steps, what isn't known."""

from __future__ import annotations

from typing import Final

from tubewright.answers.assessment import Figure, Spread
from tubewright.answers.greyscale import GreyAnswer, GreyStep, Watch
from tubewright.report.describe import Block, Column, Listing, Paragraph, Step, Table

_AFTER: Final = {"screen": "Once the screen is set", "cutoffs": "Once the cutoffs are set", "drives": "Once all is set"}


def grey_blocks(answer: GreyAnswer, *, cautions: tuple[str, ...], confirm: tuple[str, ...]) -> list[Block]:
    """The answer as blocks.

    Args:
        answer: What was answered.
        cautions: Its cautions in words.
        confirm: What to make sure of first.
    """
    blocks: list[Block] = [
        Step(id="grey", cautions=cautions, confirm=confirm, hazard=answer.hazard, words=answer.headline, time="")
    ]
    if answer.words:
        blocks.append(Listing(items=answer.words))
    if answer.watch:
        blocks.append(Paragraph(text="Watch while turning:", strong=True))
        blocks.append(Listing(items=tuple(_watched(one) for one in answer.watch)))
    blocks.append(_steps(answer))
    if answer.guns:
        blocks.append(_guns(answer))
    if answer.unknown:
        blocks.append(Paragraph(text="Not known:", strong=True))
        blocks.append(
            Listing(items=tuple(f"{one.reason}. Would settle it: {one.would_settle}." for one in answer.unknown))
        )
    return blocks


def _watched(one: Watch) -> str:
    light = "" if one.luminance_cd_m2 is None else f", {one.luminance_cd_m2:.3g} cd/m2"
    return (
        f"{_AFTER[one.after]}, the step at {100 * one.level_ratio:.0f} % should read "
        f"x {one.place_xy[0]:.4f}, y {one.place_xy[1]:.4f}{light}."
    )


def _steps(answer: GreyAnswer) -> Table:
    then = {one.level_ratio: one for one in answer.predicted}
    columns = [Column(heading="Level, %", figures=True)]
    columns += [] if answer.relative else [Column(heading="cd/m2", figures=True)]
    columns += [Column(heading=heading, figures=True) for heading in ("x", "y", "CCT, K", "Δu'v'", "ΔE", "R, G, B, %")]
    columns += [Column(heading="ΔE then", figures=True)] if then else []
    rows = []
    for one in answer.steps:
        row = [f"{100 * one.level_ratio:.0f}{'' if one.counted else ' *'}"]
        row += [] if answer.relative else [f"{max(one.luminance_cd_m2, 0.0):.3g}"]
        row += _step(one)
        if then:
            row.append(_told(then[one.level_ratio].delta_e, ".1f") if one.level_ratio in then else "-")
        rows.append(tuple(row))
    caption = (
        "Steps of grey beside the middle grey" if answer.relative else f"Steps of grey beside {answer.target.name}"
    )
    if any(not one.counted for one in answer.steps):
        caption += " (*: too dark or too unsure for the tolerances)"
    return Table(caption=caption, columns=tuple(columns), rows=tuple(rows))


def _step(one: GreyStep) -> list[str]:
    place = ["-", "-"] if one.place_xy is None else [f"{part:.4f}" for part in one.place_xy]
    guns = "-" if one.gun_ratio is None else ", ".join(f"{100 * (part - 1):+.0f}" for part in one.gun_ratio)
    kelvin = "-" if one.cct_k is None else f"{round(one.cct_k, -1):.0f}"
    return [*place, kelvin, _told(one.white_du_v, ".4f"), _told(one.delta_e, ".1f"), guns]


def _guns(answer: GreyAnswer) -> Table:
    columns: tuple[str, ...] = ("Gun", "Light begins at, %", "Exponent", "Missing at full level, %")
    columns += () if answer.relative else ("Light at full level, cd/m2",)
    rows = []
    for one in answer.guns:
        row = [one.gun, _spread(one.black_ratio, 100), _spread(one.gamma_ratio, 1), _spread(one.shortfall_ratio, 100)]
        rows.append(tuple(row + ([] if answer.relative else [_spread(one.full_cd_m2, 1)])))
    return Table(
        caption="The guns' laws (10 to 90 %)",
        columns=tuple(Column(heading=heading, figures=n > 0) for n, heading in enumerate(columns)),
        rows=tuple(rows),
    )


def _spread(figure: Figure, scale: float) -> str:
    if not isinstance(figure, Spread):
        return "not known"
    return f"{scale * figure.median:.3g} ({scale * figure.p10:.3g} to {scale * figure.p90:.3g})"


def _told(value: float | None, form: str) -> str:
    return "-" if value is None else format(value, form)
