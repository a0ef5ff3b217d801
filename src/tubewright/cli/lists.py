"""``list``: what the program knows by name. ``sources``: every number and where it comes from."""

from __future__ import annotations

import dataclasses
import enum
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from tubewright.cli import settings
from tubewright.cli.chassis_words import chassis_blocks
from tubewright.cli.door import emit, emit_json
from tubewright.cli.shop import ShopOption, known_anyway
from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from tubewright.knowledge.model import Knowledge
    from tubewright.report.describe import Block

FEW = 3
"""So many faults, tests or treatments are shown in full; of more, only the names."""


class Listed(enum.StrEnum):
    """What can be listed."""

    symptoms = "symptoms"
    tests = "tests"
    faults = "faults"
    treatments = "treatments"
    controls = "controls"
    chassis = "chassis"
    phosphors = "phosphors"
    labels = "labels"


DONE_BY_HAND: Final = (Listed.faults, Listed.tests, Listed.treatments, Listed.controls)
"""What leads a hand into the machine: never told without its cautions."""


BY_PHOTO: Final = {Listed.symptoms: "photo", Listed.tests: "from_photo"}
"""What a photograph can supply, with the field that says how."""


class Kind(enum.StrEnum):
    """Kinds of source, as typed on the command line."""

    published = "published"
    common_practice = "common-practice"
    from_memory = "from-memory"


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("list", epilog='Example: tubewright list symptoms --search "picture dark"')(list_)
    app.command("sources", epilog="Example: tubewright sources --kind published")(sources)


def list_(
    what: Annotated[Listed, typer.Argument(metavar="WHAT", help="What to list.")],
    *,
    search: Annotated[str, typer.Option("--search", metavar="WORDS", help="Only those that fit these words.")] = "",
    photo: Annotated[
        bool, typer.Option("--photo", help="Only symptoms or tests that a photograph can supply, and how.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Write the list as JSON.")] = False,
    shop: ShopOption = None,
) -> None:
    """List the ids that a case may use, and what they mean.

    Your own file's are among them. Faults, tests, treatments and controls are shown in
    full, cautions first, when a search finds few.
    """
    knowledge = known_anyway(shop)
    entries = _found(knowledge, what, search)
    if photo:
        entries = _by_photo(what, entries)
    if as_json:
        emit_json([_as_json(entry, knowledge) for entry in entries])
        return
    _emit(_blocks(knowledge, what, entries, photo=photo))


def sources(
    *,
    kind: Annotated[Kind | None, typer.Option(help="Only numbers of this kind.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Write them as JSON.")] = False,
) -> None:
    """List every number it reckons with, and its source."""
    from tubewright.report.describe import Column, Paragraph, Table

    knowledge = known_anyway()
    wanted = kind.value.replace("-", " ") if kind else None
    constants = [constant for constant in knowledge.constants.values() if wanted in {None, constant.kind}]
    cited = {constant.source for constant in constants}
    books = [source for source in knowledge.sources.values() if wanted is None or source.key in cited]
    if as_json:
        emit_json({"constants": [dataclasses.asdict(c) for c in constants], "sources": [vars_of(b) for b in books]})
        return
    numbers = Table(
        caption=f"{len(constants)} numbers",
        columns=(
            Column(heading="Number"),
            Column(heading="Value", figures=True),
            Column(heading="Unit"),
            Column(heading="What it is; where it comes from"),
        ),
        rows=tuple(
            (c.id, f"{c.value:g}", c.unit, f"{c.means}; {c.kind}, {c.source}{f': {c.locator}' if c.locator else ''}")
            for c in constants
        ),
    )
    bibliography = Table(
        caption="Where they come from",
        columns=(Column(heading="Key"), Column(heading="Title"), Column(heading="Edition"), Column(heading="Year")),
        rows=tuple((b.key, b.title, b.edition, str(b.year or "")) for b in books),
    )
    _emit([numbers, Paragraph(text=""), bibliography])


def vars_of(entry: object) -> dict[str, object]:
    """The fields of a frozen value, as JSON can carry them."""
    plain = _plain(entry)
    return plain if isinstance(plain, dict) else {}


def _found(knowledge: Knowledge, what: Listed, search: str) -> Sequence[object]:
    if what is Listed.symptoms and search and search not in knowledge.symptoms:
        from tubewright.knowledge.search import find_symptoms

        return find_symptoms(knowledge, search, limit=20)
    held: Mapping[str, object] = getattr(knowledge, what.value)
    if search in held:
        return [held[search]]
    words = search.lower().split()
    return [entry for entry in held.values() if all(word in _all_words(entry) for word in words)]


def _by_photo(what: Listed, entries: Sequence[object]) -> Sequence[object]:
    if what not in BY_PHOTO:
        raise InputError(
            Fault(
                what=f"a photograph supplies symptoms and tests, not {what.value}",
                where="--photo",
                mend="Try tubewright list symptoms --photo.",
            )
        )
    return [entry for entry in entries if getattr(entry, BY_PHOTO[what]) != "none"]


def _all_words(entry: object) -> str:
    return str(vars_of(entry)).lower().replace("_", " ") + " " + str(vars_of(entry)).lower()


def _blocks(knowledge: Knowledge, what: Listed, entries: Sequence[Any], *, photo: bool) -> list[Block]:
    from tubewright.report.describe import Paragraph

    if photo and entries:
        return [_photographed(what, entries)]
    if what is Listed.chassis:
        return chassis_blocks(knowledge, entries)
    if not entries:
        return [Paragraph(text="Nothing fits these words. Leave --search out to see them all.")]
    if what in DONE_BY_HAND and len(entries) <= FEW:
        return [block for entry in entries for block in _in_full(knowledge, what, entry)]
    writers: dict[Listed, Callable[[Sequence[Any]], Block]] = {
        Listed.symptoms: _symptoms,
        Listed.tests: _tests,
        Listed.faults: _faults,
        Listed.treatments: _treatments,
        Listed.controls: _controls,
        Listed.phosphors: _phosphors,
        Listed.labels: _labels,
    }
    blocks: list[Block] = [writers[what](entries)]
    if what in DONE_BY_HAND:
        blocks.append(
            Paragraph(text=f"How they are done, with their cautions: `tubewright list {what.value} --search ID`.")
        )
    return blocks


def _in_full(knowledge: Knowledge, what: Listed, entry: Any) -> list[Block]:  # noqa: ANN401 - a test, treatment or fault
    from tubewright.report import wording
    from tubewright.report.describe import Listing, Paragraph, Step

    cautions = tuple(knowledge.cautions[name].text for name in entry.cautions)
    confirm = tuple(knowledge.cautions[name].confirm for name in entry.cautions)
    minutes = {Listed.treatments: "attended_minutes", Listed.controls: ""}.get(what, "minutes")
    name = entry.kind_id if what is Listed.treatments else entry.id
    blocks: list[Block] = [
        Paragraph(text=f"{name}: {entry.name}", strong=True),
        Step(
            id=name,
            cautions=cautions,
            confirm=tuple(guard for guard in confirm if guard),
            hazard=f"{entry.hazard}: {knowledge.hazards[entry.hazard].means}",
            words=_what_to_do(what, entry),
            time=wording.minutes(getattr(entry, minutes)) if minutes else "",
        ),
    ]
    if what is Listed.tests:
        blocks.append(Listing(items=tuple(f"{result.id}: {result.means}" for result in entry.results)))
    elif what is Listed.treatments:
        blocks.append(Paragraph(text=f"Stop when: {entry.stop_when}"))
    elif what is Listed.faults and entry.treatments:
        names = ", ".join(f"{name} ({knowledge.treatments[name].name})" for name in entry.treatments)
        blocks.append(Paragraph(text=f"Treatments of the tube that may mend it, the mildest first: {names}"))
    return [*blocks, Paragraph(text="")]


def _what_to_do(what: Listed, entry: Any) -> str:  # noqa: ANN401 - a test, treatment, fault or control
    if what is Listed.faults:
        return str(entry.repair)
    if what is Listed.controls:
        return f"Moves: {entry.moves} Disturbs: {entry.disturbs}"
    return str(entry.how)


_SUPPLIED: Final = {
    "measurable": "as a figure, by tubewright measure",
    "hint": "as a hint",
    "series": "by several over time",
}


def _photographed(what: Listed, entries: Sequence[Any]) -> Block:
    return _table(
        f"{len(entries)} {what.value} that a photograph can supply",
        ("Id", "What it is", "How"),
        [
            (
                e.id,
                e.technician_says if what is Listed.symptoms else e.name,
                _SUPPLIED[getattr(e, BY_PHOTO[what])],
            )
            for e in entries
        ],
    )


def _controls(entries: Sequence[Any]) -> Block:
    return _table(
        f"{len(entries)} controls; the sense differs between designs: say which way it went",
        ("Id", "Control", "Moves", "Disturbs", "Hazard"),
        [(e.id, e.name, e.moves, e.disturbs, e.hazard) for e in entries],
    )


def _symptoms(entries: Sequence[Any]) -> Block:
    return _table(
        f"{len(entries)} symptoms",
        ("Id", "The owner says", "The technician says"),
        [(e.id, e.owner_says, e.technician_says) for e in entries],
    )


def _tests(entries: Sequence[Any]) -> Block:
    return _table(
        f"{len(entries)} tests",
        ("Id", "Test", "Results", "Time, min", "Hazard"),
        [(e.id, e.name, ", ".join(r.id for r in e.results), f"{e.minutes:g}", e.hazard) for e in entries],
    )


def _faults(entries: Sequence[Any]) -> Block:
    return _table(
        f"{len(entries)} faults",
        ("Id", "Fault", "Where", "Share, per 1000", "Time, min", "Hazard"),
        [(e.id, e.name, e.subsystem, f"{e.per_1000:g}", f"{e.minutes:g}", e.hazard) for e in entries],
    )


def _treatments(entries: Sequence[Any]) -> Block:
    from tubewright.report import wording

    return _table(
        f"{len(entries)} treatments, the one with the least energy first",
        (
            "Id",
            "Treatment",
            "Odds if worn, %",
            "Odds if long idle, %",
            "Risk of loss, %",
            "At the bench, min",
            "Hazard",
        ),
        [
            (
                e.kind_id,
                e.name,
                wording.percentage(e.odds_worn),
                wording.percentage(e.odds_poisoned),
                wording.percentage(e.risk_of_loss),
                f"{e.attended_minutes:g}",
                e.hazard,
            )
            for e in sorted(entries, key=lambda e: e.rung)
        ],
    )


def _phosphors(entries: Sequence[Any]) -> Block:
    return _table(
        f"{len(entries)} phosphor sets; chromaticities x, y",
        ("Id", "Phosphors", "Red", "Green", "Blue", "Kind"),
        [(e.id, e.name, *(f"{x:g}, {y:g}" for x, y in e.primaries_xy), e.kind) for e in entries],
    )


def _labels(entries: Sequence[Any]) -> Block:
    return _table(
        f"{len(entries)} grammars of tube labels",
        ("Id", "Register", "Example", "Parts of a label"),
        [(e.id, e.name, e.example, "; ".join(f"{k}: {v}" for k, v in e.fields.items())) for e in entries],
    )


def _table(caption: str, headings: tuple[str, ...], rows: Sequence[tuple[str, ...]]) -> Block:
    from tubewright.report.describe import Column, Table

    columns = tuple(Column(heading=heading, figures="," in heading) for heading in headings)
    return Table(caption=caption, columns=columns, rows=tuple(rows))


def _as_json(entry: object, knowledge: Knowledge) -> dict[str, object]:
    """An entry as JSON; a step carries its cautions in words."""
    body = vars_of(entry)
    cautions = getattr(entry, "cautions", None)
    if cautions is not None:
        body["cautions"] = [knowledge.cautions[name].text for name in cautions]
        body["confirm"] = [knowledge.cautions[name].confirm for name in cautions if knowledge.cautions[name].confirm]
    return body


def _plain(value: object) -> object:
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        return {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    if isinstance(value, Mapping):
        return {str(key): _plain(held) for key, held in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(held) for held in value]
    return value


def _emit(blocks: Sequence[Block]) -> None:
    from tubewright.report.text import blocks_to_text

    emit(blocks_to_text(blocks, width=settings.columns(), colour=settings.colour()))
