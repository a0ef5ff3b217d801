"""``quote`` and ``bill``: what a job would cost, what it did cost, and the papers for both."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from tubewright.cli import settings
from tubewright.cli.door import emit, emit_json, tell
from tubewright.cli.shop import ShopOption, known, number_of, open_shop
from tubewright.errors import Fault, InputError

if TYPE_CHECKING:
    from decimal import Decimal

    from tubewright.answers.quote_lines import ExtraLine
    from tubewright.bench.quoting import MoneyPaper
    from tubewright.records.model import PaperRecord
    from tubewright.records.store import Store

JobArgument = Annotated[str, typer.Argument(metavar="JOB", help="A job of the shop: job:7.")]
LineOption = Annotated[
    list[str] | None,
    typer.Option(
        "--line",
        metavar='"WORDS; HOW MANY; PRICE"',
        help='A line of your own, such as "Parcel; 2; 7.50" or "Search; 45 min; 40"; may be given again.',
    ),
]
UntaxedOption = Annotated[
    list[str] | None,
    typer.Option("--untaxed", metavar='"WORDS; HOW MANY; PRICE"', help="The same, without tax on it."),
]
PdfOption = Annotated[Path | None, typer.Option("--pdf", metavar="FILE.pdf", help="Write it as a PDF, too.")]
KeepOption = Annotated[bool, typer.Option("--keep", help="Give it out: it gets its number and is kept with the job.")]
NumberOption = Annotated[
    str, typer.Option("--number", metavar="NUMBER", help="One that was given out, as it was: Q-0001.")
]
PersonOption = Annotated[str, typer.Option("--person", metavar="NAME", help="Who gives it out.")]
JsonOption = Annotated[bool, typer.Option("--json", help="Write the answer as JSON.")]


def add(app: typer.Typer) -> None:
    """Add the commands of this module."""
    app.command("quote", epilog="Example: tubewright quote job:7 --pdf quote-7.pdf --keep")(quote)
    app.command("bill", epilog="Example: tubewright bill job:7 --time set_up=45 --keep")(bill)


def quote(
    job: JobArgument,
    *,
    line: LineOption = None,
    untaxed: UntaxedOption = None,
    parts_complete: Annotated[
        bool, typer.Option("--parts-complete", help="Reserved parts and typed lines are all the parts it takes.")
    ] = False,
    keep: KeepOption = False,
    pdf: PdfOption = None,
    number: NumberOption = "",
    person: PersonOption = "",
    as_json: JsonOption = False,
    shop: ShopOption = None,
) -> None:
    """Say what each option costs, brings and risks.

    From the job's verdict, at the shop's own rate. Where a cost isn't known there is no price.
    """
    from tubewright.answers.assess import assess
    from tubewright.answers.quote_answer import to_json
    from tubewright.bench import quoting
    from tubewright.report.quote_text import quote_to_text

    extras = _extras(line, untaxed)
    with open_shop(shop) as store:
        job_id = number_of(job, "job")
        if number:
            _again(store, job_id, "quote", number, pdf, as_json=as_json)
            return
        knowledge = known(shop)
        page = store.job(job_id)
        judged = quoting.judged(store, knowledge, page, assess)
        answer = quoting.draft_quote(
            store, knowledge, page, judged.answer, extras=extras, parts_complete=parts_complete
        )
        if not judged.kept:
            tell("The job's own verdict is missing or out of date: reckoned from a fresh one, which isn't kept.")
        body = to_json(answer)
        record = _kept(store, job_id, "quote", body, person) if keep else None
        _out("quote", body, record, pdf, store)
    if as_json:
        emit_json(body)
        return
    said = record.number if record else ""
    emit(quote_to_text(body, number=said, width=settings.columns(), colour=settings.colour()))


def bill(
    job: JobArgument,
    *,
    time: Annotated[
        list[str] | None,
        typer.Option("--time", metavar="KEY=MINUTES", help="What a work took (set_up=45), or KEY=out to leave it out."),
    ] = None,
    without: Annotated[
        list[str] | None, typer.Option("--without", metavar="KEY", help="A part that isn't charged: part:5.")
    ] = None,
    line: LineOption = None,
    untaxed: UntaxedOption = None,
    keep: KeepOption = False,
    pdf: PdfOption = None,
    number: NumberOption = "",
    person: PersonOption = "",
    as_json: JsonOption = False,
    shop: ShopOption = None,
) -> None:
    """Say what was done on a job, and what it comes to.

    Time that nobody noted is asked for, never guessed.
    """
    from tubewright.answers.bill import to_json
    from tubewright.bench import quoting
    from tubewright.report.quote_text import bill_to_text

    extras, times = _extras(line, untaxed), _times(time)
    with open_shop(shop) as store:
        job_id = number_of(job, "job")
        if number:
            _again(store, job_id, "bill", number, pdf, as_json=as_json)
            return
        page = store.job(job_id)
        answer = quoting.draft_bill(store, known(shop), page, times=times, left_out=without or (), extras=extras)
        body = to_json(answer)
        record = _kept(store, job_id, "bill", body, person) if keep else None
        _out("bill", body, record, pdf, store)
        notes = quoting.parts_in_notes(page)
    if as_json:
        emit_json(body)
        return
    said = record.number if record else ""
    emit(bill_to_text(body, number=said, width=settings.columns(), colour=settings.colour()))
    if not said:
        for key, minutes in answer.offered.items():
            tell(f"{key} usually takes {minutes} min: --time {key}={minutes}, or {key}=out.")
        for parts in notes:
            tell(f"Parts written beside a repair, not charged unless they are a line: {parts}.")


def _extras(taxed: list[str] | None, untaxed: list[str] | None) -> list[ExtraLine]:
    """Lines as they were typed, all their faults together."""
    from tubewright.answers.quote_lines import typed_line

    faults: list[Fault] = []
    found = []
    for option, texts in (("--line", taxed or []), ("--untaxed", untaxed or [])):
        for text in texts:
            parts = [part.strip() for part in text.split(";")]
            if len(parts) != 3:
                mend = 'Write words, how many and the price: "Parcel; 2; 7.50".'
                faults.append(Fault(what=f"“{text[:60]}” doesn't have three parts", where=option, mend=mend))
                continue
            try:
                where = (option, option, option)
                found.append(typed_line(parts[0], parts[1], parts[2], taxed=option == "--line", where=where))
            except InputError as error:
                faults += error.faults
    if faults:
        raise InputError(faults)
    return found


def _times(given: list[str] | None) -> dict[str, Decimal | None]:
    from tubewright.answers.bill import OUT
    from tubewright.judgement.quote_money import exact
    from tubewright.quantity import parse_quantity

    found: dict[str, Decimal | None] = {}
    for text in given or []:
        key, equals, typed = text.partition("=")
        if not equals:
            raise InputError(
                Fault(what=f"“{text[:40]}” names no time", where="--time", mend="Write KEY=MINUTES, such as set_up=45.")
            )
        if typed.strip() == OUT:
            found[key.strip()] = None
        else:
            minutes = exact(parse_quantity(typed, kind="minutes", where=f"--time {key}").value)
            found[key.strip()] = minutes.quantize(exact("0.01"))
    return found


def _kept(store: Store, job_id: int, sort: MoneyPaper, body: dict[str, Any], person: str) -> PaperRecord:
    from tubewright.bench import quoting

    by = None
    if person:
        names = {one.name.casefold(): one.id for one in store.people()}
        if person.casefold() not in names:
            raise InputError(
                Fault(
                    what=f"nobody here is called {person}",
                    where="--person",
                    mend=f"Known are {', '.join(sorted(p.name for p in store.people())) or 'none'}.",
                )
            )
        by = names[person.casefold()]
    record = quoting.keep(store, job_id, sort, body, by=by)
    tell(f"Kept as {record.number}.")
    return record


def _again(store: Store, job_id: int, sort: MoneyPaper, number: str, pdf: Path | None, *, as_json: bool) -> None:
    """Show one that was given out."""
    import json

    from tubewright.bench import quoting
    from tubewright.report.quote_text import bill_to_text, quote_to_text

    given = quoting.papers_of(store, job_id, sort)
    record = next((one for one in given if one.number.casefold() == number.casefold()), None)
    if record is None:
        numbers = ", ".join(one.number for one in given) or "none yet"
        raise InputError(
            Fault(what=f"job {job_id} has no {sort} {number}", where="--number", mend=f"Given out: {numbers}.")
        )
    body = json.loads(record.body_json)
    _out(sort, body, record, pdf, store)
    if as_json:
        emit_json(body)
        return
    told = quote_to_text if sort == "quote" else bill_to_text
    emit(told(body, number=record.number, width=settings.columns(), colour=settings.colour()))


def _out(sort: MoneyPaper, body: dict[str, Any], record: PaperRecord | None, pdf: Path | None, store: Store) -> None:
    if pdf is None:
        return
    from tubewright.bench import quoting
    from tubewright.cli.keep import written

    data = quoting.paper_pdf(record) if record else quoting.body_pdf(sort, body, "", store.clock())
    with written(pdf):
        pdf.write_bytes(data)
    tell(f"Written to {pdf}.")
