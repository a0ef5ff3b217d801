"""What was really done, and what it comes to: a bill from the job's own log, with lines that a person adds.

One pure function. Time that nobody noted isn't guessed: its line has no amount, and the bill
can't be given out before somebody typed it or left the line out.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal

from tubewright.answers.assessment import FORMAT
from tubewright.answers.quote_answer import head_json, line_json, sum_json, text_of
from tubewright.answers.quote_lines import ExtraLine, Header, PartLine, extra_lines, part_lines, parts_missing
from tubewright.answers.quote_terms import ShopTerms
from tubewright.case import Costs
from tubewright.errors import Fault, InputError
from tubewright.judgement.quote_money import Line, Sum, add_up, exact, priced

WorkSort = Literal["repair", "treatment", "set_up"]
OUT: Final = "out"
"""Typed as the time of a work that isn't charged."""


@dataclass(frozen=True, slots=True, kw_only=True)
class WorkDone:
    """A piece of work of the job's log.

    Attributes:
        key: Names it when its time is typed, such as ``repair:12``.
        words: What was done.
        noted_minutes: What the log says it took; None where nobody noted it.
        bench_minutes: How much of a treatment needs somebody at the bench, by the catalogue; None elsewhere.
        usual_minutes: What such work usually takes, to be offered; None where nothing is known.
        day: When it was done.
    """

    key: str
    sort: WorkSort
    words: str
    noted_minutes: float | None
    bench_minutes: float | None = None
    usual_minutes: float | None = None
    day: dt.date | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class BillAsked:
    """What a bill is made from.

    ``times`` are minutes that a person typed, by the key of the work; None leaves the work out of
    the bill. ``left_out`` are keys of parts that aren't charged.
    """

    header: Header
    terms: ShopTerms
    costs: Costs
    day: dt.date
    works: Sequence[WorkDone] = ()
    times: Mapping[str, Decimal | None] | None = None
    parts: Sequence[PartLine] = ()
    left_out: Sequence[str] = ()
    extras: Sequence[ExtraLine] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Bill:
    """The whole bill. ``sum`` is None while something is missing, and ``missing`` says what."""

    header: Header
    terms: ShopTerms
    day: dt.date
    currency: str
    rate_per_hour: Decimal | None
    lines: tuple[Line, ...]
    sum: Sum | None
    left_out: tuple[Line, ...]
    offered: Mapping[str, Decimal]
    missing: tuple[str, ...]

    @property
    def complete(self) -> bool:
        """Whether it can be given out."""
        return self.sum is not None


def bill(asked: BillAsked) -> Bill:
    """Make a bill of what was done.

    Raises:
        InputError: A time was typed for a work that the job doesn't have.
    """
    costs, terms = asked.costs, asked.terms
    currency = costs.currency or terms.currency
    rate = terms.rate_per_hour if costs.bench_rate_per_hour is None else exact(costs.bench_rate_per_hour)
    times = dict(asked.times or {})
    _check_keys(times, asked)
    missing = []
    if not currency:
        missing.append("the currency: set the shop's, or the job's")
    lines: list[Line] = []
    out: list[Line] = []
    offered: dict[str, Decimal] = {}
    for work in asked.works:
        minutes, basis = _minutes(work, times)
        line = priced(
            key=work.key,
            words=_dated(work),
            quantity=minutes or Decimal(0),
            counted="min",
            unit_price=None if minutes is None else rate,
            currency=currency,
            basis=basis,
        )
        if times.get(work.key, minutes) is None and work.key in times:
            out.append(line)
            continue
        if minutes is None:
            missing.append(f"the time of “{work.words}”: nobody noted it")
            if work.usual_minutes is not None:
                offered[work.key] = exact(work.usual_minutes).quantize(Decimal(1))
        lines.append(line)
    if rate is None and lines:
        missing.append("the bench rate an hour: set the shop's, or the job's")
    charged = [part for part in asked.parts if part.key not in asked.left_out]
    out += part_lines([part for part in asked.parts if part.key in asked.left_out], currency)
    missing += parts_missing(charged, currency)
    lines += [*part_lines(charged, currency), *extra_lines(asked.extras, currency)]
    if not lines:
        missing.append("anything to charge: the job's log is empty, and no line was typed")
    return Bill(
        header=asked.header,
        terms=terms,
        day=asked.day,
        currency=currency,
        rate_per_hour=rate,
        lines=tuple(lines),
        sum=None if missing else add_up(lines, terms.tax_percent, currency),
        left_out=tuple(out),
        offered=offered,
        missing=tuple(missing),
    )


def to_json(answer: Bill) -> dict[str, object]:
    """The body of a bill, as it is kept with the job and printed again."""
    return {
        "format": FORMAT,
        "sort": "bill",
        "complete": answer.complete,
        **head_json(answer.header, answer.terms, answer.day),
        "currency": answer.currency,
        "rate_per_hour": text_of(answer.rate_per_hour),
        "lines": [line_json(line) for line in answer.lines],
        "sum": None if answer.sum is None else sum_json(answer.sum),
        "left_out": [line_json(line) for line in answer.left_out],
        "missing": list(answer.missing),
        "warranty": answer.terms.warranty,
        "terms": answer.terms.terms,
    }


def _minutes(work: WorkDone, times: Mapping[str, Decimal | None]) -> tuple[Decimal | None, str]:
    """Minutes to charge, and where they come from."""
    typed = times.get(work.key)
    if typed is not None:
        return typed, "as typed"
    if work.noted_minutes is None:
        return None, "time not noted"
    noted = exact(work.noted_minutes).quantize(Decimal(1))
    if work.bench_minutes is not None and work.bench_minutes < work.noted_minutes:
        # A tube that soaks overnight needs nobody beside it.
        bench = exact(work.bench_minutes).quantize(Decimal(1))
        return bench, f"at the bench, of {noted} min in all"
    return noted, "as noted"


def _dated(work: WorkDone) -> str:
    return f"{work.words}, {work.day.isoformat()}" if work.day is not None else work.words


def _check_keys(times: Mapping[str, Decimal | None], asked: BillAsked) -> None:
    known = {work.key for work in asked.works}
    parts = {part.key for part in asked.parts}
    wrong = [key for key in times if key not in known] + [key for key in asked.left_out if key not in parts]
    if wrong:
        listed = ", ".join(sorted(known | parts)) or "none"
        raise InputError(
            [
                Fault(what=f"this job has no {key} to charge", where=key, mend=f"It has: {listed}.")
                for key in dict.fromkeys(wrong)
            ]
        )
