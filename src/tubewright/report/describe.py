"""An assessment as one plain description, which every door then sets in its own way.

A description is sections of paragraphs, tables, lists and steps, all in words.
Table headings carry the units. A step holds its cautions, and whoever renders a
step renders them before it.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final, Literal, TypeAlias

from tubewright.answers.assessment import (
    Assessment,
    Decision,
    Figure,
    GunAnswer,
    NextStep,
    OptionAnswer,
    PlanStep,
    Unknown,
)
from tubewright.case import Gun
from tubewright.report import wording

SectionId = Literal[
    "next_steps", "plan", "condition", "options", "would_change", "suspects", "remarks", "missing", "model"
]

DECISION_WORDS: Final[dict[Decision, str]] = {
    "leave": "Leave the tube as it is",
    "adjust": "Adjust the set",
    "find_fault_first": "Find the fault first",
    "clean_contacts": "Clean base and socket",
    "soak": "Soak: heater at rated voltage, no drive",
    "run_in": "Run in under normal beam",
    "short_boost": "Short heater boost without beam",
    "clean": "Clean the cathode with low current",
    "activate": "Activate the cathode strongly",
    "clear_short": "Clear the short between electrodes",
    "isolate_heater": "Give the heater a feed of its own",
    "boost_heater": "Boost the heater for good",
    "swap_tube": "Swap the tube",
    "replace_display": "Replace the display",
    "retire": "Retire the tube, keep the parts",
}
"""Each decision as a heading for people."""

_REMARK_WORDS: Final = {
    "impossible": "Can't be",
    "contradiction": "Contradicts",
    "doubt": "In doubt",
    "note": "Note",
}

HAZARD_WORDS: Final = {
    "H0": "unpowered or no contact",
    "H1": "powered, isolated, below 50 V",
    "H2": "mains, B+ or video supply: lethal",
    "H3": "extra-high tension, focus or grid 2 near the hand",
    "H4": "handling the glass: implosion",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Paragraph:
    """Running text; ``strong`` where it must not be overlooked."""

    text: str
    strong: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Listing:
    """Points in a row."""

    items: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Column:
    """One column: the heading with its unit, and whether it holds figures."""

    heading: str
    figures: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Table:
    """Rows of words under headings; the first column names the row."""

    caption: str
    columns: tuple[Column, ...]
    rows: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Something for the hands. ``cautions`` and ``confirm`` are shown before ``words``."""

    id: str
    cautions: tuple[str, ...]
    confirm: tuple[str, ...]
    hazard: str
    words: str
    time: str


Block: TypeAlias = Paragraph | Listing | Table | Step


@dataclass(frozen=True, slots=True, kw_only=True)
class Section:
    """A titled part of the description."""

    id: SectionId
    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Description:
    """The whole answer in words.

    ``stops`` are the hard stops; they stand directly under the headline.
    ``sure`` says how sure the decision is.
    """

    headline: str
    decision: Decision
    decision_words: str
    sure: str
    stops: tuple[str, ...]
    sections: tuple[Section, ...]

    def section(self, section_id: SectionId) -> Section | None:
        """The section of that id, if the answer has it."""
        return next((section for section in self.sections if section.id == section_id), None)


def describe(answer: Assessment) -> Description:
    """The answer as one description: headline, sections, tables, steps.

    Args:
        answer: What ``assess`` gave.

    Returns:
        The description; sections that would be empty are left out.
    """
    writers: tuple[tuple[SectionId, str, Callable[[Assessment], Sequence[Block]]], ...] = (
        ("condition", "Condition", _condition),
        ("remarks", "About the readings", _remarks),
        ("options", "What could be done", _options),
        ("plan", "The plan", _plan),
        ("next_steps", "Do this next", _next_steps),
        ("would_change", "What would change this", _would_change),
        ("suspects", "What it could be", _suspects),
        ("missing", "Not known", _missing),
        ("model", "How this was worked out", _model),
    )
    sections = []
    for section_id, title, write in writers:
        blocks = tuple(write(answer))
        if blocks:
            sections.append(Section(id=section_id, title=title, blocks=blocks))
    return Description(
        headline=answer.headline,
        decision=answer.decision,
        decision_words=DECISION_WORDS[answer.decision],
        sure=f"Chance that this is the best option, given what is known: {wording.chance(answer.confidence)}.",
        stops=answer.hard_stops,
        sections=tuple(sections),
    )


_LATER: Final = Paragraph(
    text="Only the steps under “Do this next” are for your hands now. Each later one is judged again on what came "
    "before it, and brings its own cautions when its turn comes."
)
_TESTS: Final = Paragraph(text="Read a test's cautions before you take it; `tubewright list tests` has them.")


def with_guns(words: str, guns: tuple[Gun, ...]) -> str:
    """Words followed by the guns they are about, if it is about some only."""
    return f"{words} ({wording.listed(guns)})" if guns else words


def _next_steps(answer: Assessment) -> Sequence[Block]:
    return [_step(step) for step in answer.next_steps]


def _step(step: NextStep) -> Step:
    return Step(
        id=step.id,
        cautions=step.cautions,
        confirm=step.confirm,
        hazard="" if step.hazard == "H0" else f"{step.hazard}: {HAZARD_WORDS.get(step.hazard, 'hazard not classed')}",
        words=step.words,
        time="" if step.minutes is None else wording.minutes(step.minutes),
    )


def _plan(answer: Assessment) -> Sequence[Block]:
    if len(answer.plan) < 2:
        return ()
    rows = tuple(_plan_row(number, step) for number, step in enumerate(answer.plan, start=1))
    columns = (
        Column(heading="Step", figures=True),
        Column(heading="Do"),
        Column(heading="When"),
        Column(heading="Reached, %", figures=True),
    )
    return (_LATER, Table(caption="Steps, each with the outcome it hangs on", columns=columns, rows=rows))


def _plan_row(number: int, step: PlanStep) -> tuple[str, ...]:
    do = step.words or with_guns(DECISION_WORDS[step.do], step.guns)
    return (str(number), do, step.when, wording.percentage(step.chance_reached))


def _condition(answer: Assessment) -> Sequence[Block]:
    columns = [
        Column(heading="Gun"),
        Column(heading="State"),
        Column(heading="Emission, %", figures=True),
        Column(heading="Reserve", figures=True),
        Column(heading="Cutoff, V", figures=True),
        Column(heading="Over the minutes"),
        Column(heading="Leakage"),
    ]
    rows = [_gun_row(gun) for gun in answer.guns.values()]
    # A column in which every gun says the same nothing only takes room.
    keep = [n for n in range(len(columns)) if n < 3 or {row[n] for row in rows} - {wording.NOT_KNOWN, "unknown", ""}]
    table = Table(
        caption=(
            "Each gun: the middle figure, and the range that holds it with 80 % chance. Emission is in percent of a "
            "good gun's; reserve is how many times over the cathode could give the current it is asked for"
        ),
        columns=tuple(columns[n] for n in keep),
        rows=tuple(tuple(row[n] for n in keep) for row in rows),
    )
    white = Paragraph(text=_white(answer))
    return (table, white, *_reasons(answer))


def _gun_row(gun: GunAnswer) -> tuple[str, ...]:
    leakage = "; ".join(f"{pair}: {state}" for pair, state in gun.leakage.items())
    return (
        gun.gun,
        gun.state,
        wording.percent(gun.relative_emission),
        wording.ratio(gun.emission_reserve),
        wording.whole(gun.cutoff_v),
        gun.trend,
        leakage,
    )


def _white(answer: Assessment) -> str:
    now, after = answer.neutral_white_now, answer.neutral_white_after
    wanted = f"{wording.given(100 * answer.minimum_white)} %"
    if isinstance(now, Unknown):
        return (
            f"Neutral white left: not known ({now.reason}). To settle it: {now.would_settle}. "
            f"Wanted: {wanted} of a good tube's."
        )
    text = f"Neutral white left: {_percent_range(now)} of a good tube's, limited by the weakest gun; wanted: {wanted}."
    if isinstance(after, Unknown) or after == now:
        return text
    return f"{text} After the plan: {_percent_range(after)}."


def _percent_range(figure: Figure) -> str:
    return wording.plain(figure, lambda value: f"{100 * value:.0f} %")


def _reasons(answer: Assessment) -> Sequence[Block]:
    """Why figures of guns are not known: what is alike for several guns or figures is said once."""
    names = {"relative_emission": "emission", "emission_reserve": "emission reserve", "cutoff_v": "cutoff"}
    figures_of: dict[tuple[str, str], dict[str, list[Gun]]] = {}
    for gun, held in answer.guns.items():
        for field, name in names.items():
            figure = getattr(held, field)
            if isinstance(figure, Unknown):
                alike = (_without(gun, figure.reason), _without(gun, figure.would_settle))
                figures_of.setdefault(alike, {}).setdefault(name, []).append(gun)
    if not figures_of:
        return ()
    return (Listing(items=tuple(_reason(*alike, figures) for alike, figures in figures_of.items())),)


_HERE: Final = "\N{OBJECT REPLACEMENT CHARACTER}"


def _without(gun: Gun, text: str) -> str:
    """A text with a place in it where it names the gun."""
    return re.sub(rf"\b{gun}\b", _HERE, text)


def _reason(reason: str, would_settle: str, figures: Mapping[str, Sequence[Gun]]) -> str:
    guns = wording.listed(tuple(dict.fromkeys(gun for named in figures.values() for gun in named)))
    what = wording.listed(tuple(figures))
    what = what[:1].upper() + what[1:]
    if _HERE not in reason + would_settle:
        what += f" ({guns})"
    reason, would_settle = reason.replace(_HERE, guns), would_settle.replace(_HERE, guns)
    return f"{what}: not known ({reason}). To settle it: {would_settle}."


def _options(answer: Assessment) -> Sequence[Block]:
    blocks: list[Block] = []
    open_options = [option for option in answer.options if not option.why_not]
    if open_options:
        keep_years = wording.given(answer.keep_years)
        in_currency = f", {answer.currency}" if answer.currency else ""
        columns = (
            Column(heading="Option"),
            Column(heading="Works, %", figures=True),
            Column(heading="Good for"),
            Column(heading=f"Lasts {keep_years} years, %", figures=True),
            Column(heading=f"Cost{in_currency}", figures=True),
            Column(heading=f"Per year{in_currency}", figures=True),
            Column(heading="Tube lost, %", figures=True),
        )
        rows = tuple(_option_row(option, chosen=_is_chosen(option, answer)) for option in open_options)
        caption = (
            f"At {wording.given(answer.hours_per_week)} hours a week. It works if the picture then reaches "
            f"{wording.given(100 * answer.minimum_white)} % of a good tube's white, and is good for as long as it does."
        )
        blocks.append(Table(caption=caption, columns=columns, rows=rows))
    if answer.plan_success is not None:
        blocks.append(Paragraph(text=_plan_as_a_whole(answer.plan_success)))
    why_not: dict[str, list[str]] = {}
    for option in answer.options:
        if option.why_not:
            why_not.setdefault(option.why_not, []).append(with_guns(option.name, option.guns))
    if why_not:
        items = tuple(f"{'; '.join(names)}: {reason}" for reason, names in why_not.items())
        blocks += [Paragraph(text="Not open to you:"), Listing(items=items)]
    return blocks


def _is_chosen(option: OptionAnswer, answer: Assessment) -> bool:
    return option.id == answer.decision and option.guns in {(), answer.plan[0].guns if answer.plan else ()}


def _plan_as_a_whole(success: float) -> str:
    return (
        "Each row is that one step alone. The treatments of the plan, one after the other with a reading between "
        f"them, bring the picture back in about {100 * success:.0f} % of cases."
    )


def _option_row(option: OptionAnswer, *, chosen: bool) -> tuple[str, ...]:
    nothing = wording.NOTHING
    name = with_guns(option.name, option.guns) + (", chosen" if chosen else "")
    if option.id == "retire":
        return (name, nothing, "no picture any more", nothing, wording.money(option.cost), nothing, nothing)
    return (
        name,
        wording.percentage(option.success),
        wording.duration(option.years),
        wording.percentage(option.chance_of_keep_years),
        wording.money(option.cost),
        nothing if option.cost_per_year is None else wording.money(option.cost_per_year),
        wording.percentage(option.risk_of_loss),
    )


def _would_change(answer: Assessment) -> Sequence[Block]:
    if not answer.would_change:
        return (Paragraph(text="No single reading or test that is still open would change the decision."),)
    worth = f"Worth, {answer.currency}" if answer.currency else "Worth"
    columns = (
        Column(heading="Take this"),
        Column(heading="If it comes out"),
        Column(heading="Then rather"),
        Column(heading="Chance, %", figures=True),
        Column(heading="Time"),
        Column(heading=worth, figures=True),
    )
    rows = tuple(
        (
            f"{item.name} ({item.gun})" if item.gun else item.name,
            item.at,
            DECISION_WORDS[item.flips_to],
            wording.percentage(item.chance),
            wording.minutes(item.minutes),
            wording.money(item.worth),
        )
        for item in answer.would_change
    )
    return (
        _TESTS,
        Table(
            caption="Readings and tests not yet taken, the most telling first; the chance is that of such an outcome",
            columns=columns,
            rows=rows,
        ),
    )


def _suspects(answer: Assessment) -> Sequence[Block]:
    if not answer.suspects:
        return ()
    columns = (
        Column(heading="Fault"),
        Column(heading="Chance, %", figures=True),
        Column(heading="Where"),
    )
    rows = tuple(
        (suspect.name, wording.percentage(suspect.probability), "the tube" if suspect.of_the_tube else "not the tube")
        for suspect in answer.suspects
    )
    return (Table(caption="Faults that the findings point at", columns=columns, rows=rows),)


def _remarks(answer: Assessment) -> Sequence[Block]:
    if not answer.remarks:
        return ()
    items = tuple(f"{_REMARK_WORDS[remark.kind]}: {remark.words} {remark.mend}".strip() for remark in answer.remarks)
    return (Listing(items=items),)


def _missing(answer: Assessment) -> Sequence[Block]:
    if not answer.missing:
        return ()
    return (Paragraph(text="Without these the ranges are wider:"), Listing(items=answer.missing))


def _model(answer: Assessment) -> Sequence[Block]:
    model = answer.model
    jobs = model.jobs_learned_from
    own = (
        f"{wording.chance(model.own_share)} of it rests on this shop's own {jobs} closed job{'' if jobs == 1 else 's'}"
        if jobs
        else "nothing in it rests on this shop's own jobs yet"
    )
    return (
        Paragraph(text=f"{model.words[:1].upper()}{model.words[1:].rstrip('.')}."),
        Paragraph(text=f"Model {model.version}, {model.futures} futures from seed {model.seed}; {own}."),
    )
