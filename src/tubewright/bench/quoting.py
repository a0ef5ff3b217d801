"""Quotes and bills of a job of the shop, for the page and for the command line.

What the records hold is put to :mod:`tubewright.answers.quote` and :mod:`tubewright.answers.bill`;
papers that were given out are kept, and typeset again.
"""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import TYPE_CHECKING, Any, Final, Literal

from tubewright.answers.bill import Bill, BillAsked, WorkDone, bill
from tubewright.answers.quote import SEARCH, Asked, quote
from tubewright.answers.quote_lines import ExtraLine, Header, PartLine
from tubewright.answers.quote_terms import terms_of
from tubewright.errors import Fault, InputError
from tubewright.judgement.quote_money import exact
from tubewright.records.model import JobPage, PaperRecord, Reservation

if TYPE_CHECKING:
    from tubewright.answers.assessment import Assessment
    from tubewright.answers.quote_answer import Quote
    from tubewright.case import Case
    from tubewright.experience import Experience
    from tubewright.knowledge.model import FaultCause, Knowledge
    from tubewright.records.store import Store

MoneyPaper = Literal["quote", "bill"]
PARTS_LINE: Final = "Parts: "
"""How parts stand at the head of a repair's note."""
SET_UP: Final = "set_up"

Judge = Callable[["Case", "Knowledge", "Experience"], "Assessment"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Judged:
    """The verdict that a quote is made from; ``kept`` says whether it is the one kept with the job."""

    answer: Assessment
    kept: bool


def judged(store: Store, knowledge: Knowledge, job: JobPage, judge: Judge) -> Judged:
    """The job's last verdict if it still holds, else a fresh one that nobody kept."""
    from tubewright.bench.stored import answer_from_json

    case = store.case_of(job.job.id)
    latest = job.verdicts[-1] if job.verdicts else None
    if latest is not None and latest.case_json == case.model_dump_json(exclude_none=True):
        return Judged(answer=answer_from_json(latest.answer_json), kept=True)
    return Judged(answer=judge(case, knowledge, store.experience()), kept=False)


def draft_quote(
    store: Store,
    knowledge: Knowledge,
    job: JobPage,
    answer: Assessment,
    *,
    extras: Sequence[ExtraLine] = (),
    parts_complete: bool = False,
) -> Quote:
    """The quote of a job as it stands."""
    diagnosed = None
    if answer.decision == SEARCH:
        from tubewright.answers.diagnose import diagnose

        diagnosed = diagnose(store.case_of(job.job.id), knowledge, store.experience())
    return quote(
        answer,
        Asked(
            header=header_of(job),
            terms=terms_of(store.settings()),
            costs=job.job.costs,
            day=today(store),
            found=found_faults(job, knowledge),
            parts=[part_of(one) for one in job.reservations if one.state != "released"],
            parts_complete=parts_complete,
            extras=extras,
            diagnosed=diagnosed,
        ),
        knowledge,
    )


def draft_bill(
    store: Store,
    knowledge: Knowledge,
    job: JobPage,
    *,
    times: Mapping[str, Decimal | None] | None = None,
    left_out: Sequence[str] = (),
    extras: Sequence[ExtraLine] = (),
) -> Bill:
    """The bill of a job as it stands.

    Raises:
        InputError: A time or a part was named that the job doesn't have.
    """
    return bill(
        BillAsked(
            header=header_of(job),
            terms=terms_of(store.settings()),
            costs=job.job.costs,
            day=today(store),
            works=works_of(job, knowledge),
            times=times,
            parts=[part_of(one) for one in job.reservations if one.state == "used"],
            left_out=left_out,
            extras=extras,
        )
    )


def header_of(job: JobPage) -> Header:
    """Whom and what the papers of a job are about."""
    return Header(
        job=job.job.id,
        display=job.display.display.label or f"Display {job.display.id}",
        tube=(job.tube.tube.label or "") if job.tube else "",
        customer=job.display.owner,
    )


def found_faults(job: JobPage, knowledge: Knowledge) -> tuple[FaultCause, ...]:
    """Faults that were found on this job and not mended since."""
    last = {record.repair.fault: record.repair.outcome for record in job.repairs}
    return tuple(knowledge.faults[f] for f, outcome in last.items() if outcome == "found" and f in knowledge.faults)


def part_of(one: Reservation) -> PartLine:
    """A reserved or used part as a line."""
    return PartLine(
        key=f"part:{one.id}",
        words=one.item_name,
        quantity=one.quantity,
        unit_price=None if one.cost is None else exact(one.cost),
        currency=one.currency or "",
        used=one.state == "used",
    )


def works_of(job: JobPage, knowledge: Knowledge) -> tuple[WorkDone, ...]:
    """What the log of a job says was done, in its order."""
    found: list[tuple[dt.datetime, WorkDone]] = []
    for record in job.repairs:
        done = record.repair.outcome == "mended"
        if not done and record.minutes is None:
            continue  # looked at, and nobody says that it took any time
        fault = knowledge.faults.get(record.repair.fault)
        name = fault.name if fault else record.repair.fault.replace("_", " ")
        words = {"mended": "Mended", "found": "Found", "excluded": "Ruled out"}[record.repair.outcome]
        found.append(
            (
                record.at,
                WorkDone(
                    key=f"repair:{record.id}",
                    sort="repair",
                    words=f"{words}: {name}",
                    noted_minutes=record.minutes,
                    usual_minutes=fault.minutes if fault and done else None,
                    day=_day(record.at),
                ),
            )
        )
    for treatment in job.treatments:
        facts = knowledge.treatments.get(treatment.treatment.kind)
        gun = f", {treatment.treatment.gun}" if treatment.treatment.gun else ""
        found.append(
            (
                treatment.at,
                WorkDone(
                    key=f"treatment:{treatment.id}",
                    sort="treatment",
                    words=f"{facts.name if facts else treatment.treatment.kind}{gun}",
                    noted_minutes=treatment.minutes,
                    bench_minutes=facts.attended_minutes if facts else None,
                    usual_minutes=facts.attended_minutes if facts else None,
                    day=_day(treatment.at),
                ),
            )
        )
    moves = [move for move in job.moves if not move.undone]
    if moves:
        turned = f"{len(moves)} {'adjustment' if len(moves) == 1 else 'adjustments'}"
        found.append(
            (
                moves[-1].at,
                WorkDone(
                    key=SET_UP,
                    sort="set_up",
                    words=f"Set the picture up: {turned}",
                    noted_minutes=None,
                    usual_minutes=60 * knowledge.value("adjust_hours"),
                    day=_day(moves[-1].at),
                ),
            )
        )
    return tuple(work for _, work in sorted(found, key=lambda pair: pair[0]))


def parts_in_notes(job: JobPage) -> tuple[str, ...]:
    """Parts that were written beside repairs: they have no price, and a bill may lack them."""
    lines = (record.note.partition("\n")[0] for record in job.repairs)
    return tuple(line.removeprefix(PARTS_LINE) for line in lines if line.startswith(PARTS_LINE))


def keep(store: Store, job_id: int, sort: MoneyPaper, body: Mapping[str, object], *, by: int | None) -> PaperRecord:
    """Give a paper out: it gets its number, and stays as it is.

    Raises:
        InputError: It has no price, or no sum, yet.
    """
    if not body["complete"]:
        raise InputError(unpriced(sort, body))
    return store.add_paper(job_id, sort, body_json=json.dumps(body, ensure_ascii=False, allow_nan=False), by=by)


def unpriced(sort: MoneyPaper, body: Mapping[str, Any]) -> list[Fault]:
    """Why a paper can't be given out yet."""
    missing = list(body["missing"])
    if sort == "quote":
        missing += [m for option in body["options"] if option["recommended"] for m in option["missing"]]
    mend = "Type it as a line, or set it, and try again."
    return [Fault(what=f"missing: {one}", where="", mend=mend) for one in missing or ["the recommended option"]]


def paper_pdf(record: PaperRecord) -> bytes:
    """A paper that was given out, typeset again: the same file every time.

    Raises:
        InputError: It is no quote and no bill.
    """
    if record.sort not in {"quote", "bill"}:
        raise InputError(Fault(what=f"{record.number} is no quote and no bill", where="", mend="See the job's papers."))
    return body_pdf(
        "quote" if record.sort == "quote" else "bill", json.loads(record.body_json), record.number, record.at
    )


def body_pdf(sort: MoneyPaper, body: Mapping[str, Any], number: str, at: dt.datetime) -> bytes:
    """A body typeset; an empty number makes it a draft."""
    if sort == "quote":
        from tubewright.report.quote_pdf import quote_pdf

        return quote_pdf(body, number=number, at=at)
    from tubewright.report.bill_pdf import bill_pdf

    return bill_pdf(body, number=number, at=at)


def papers_of(store: Store, job_id: int, sort: MoneyPaper) -> tuple[PaperRecord, ...]:
    """What was given out of one sort on a job, newest first."""
    return tuple(one for one in reversed(store.papers(job_id)) if one.sort == sort)


def today(store: Store) -> dt.date:
    """The day it is where the shop is."""
    return _day(store.clock())


def _day(at: dt.datetime) -> dt.date:
    return at.astimezone().date()
