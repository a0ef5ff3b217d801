"""What ``quote`` answers, as frozen values, and the body that is kept of it (public contract, format 1).

Money stands in the body as text, so that no digit of it is lost on the way.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from decimal import Decimal

from tubewright.answers.assessment import FORMAT, Figure, Unknown
from tubewright.answers.quote_lines import Header
from tubewright.answers.quote_terms import ShopTerms
from tubewright.case import Gun
from tubewright.judgement.quote_money import Line, Sum


@dataclass(frozen=True, slots=True, kw_only=True)
class Price:
    """What an option costs: the sum of its lines, and the round figures between which it may come out.

    ``low`` and ``high`` are None where nothing in it varies.
    """

    sum: Sum
    low: Decimal | None
    high: Decimal | None
    words: str


@dataclass(frozen=True, slots=True, kw_only=True)
class IfNeeded:
    """Work that is done only if what comes before it wasn't enough, with the chance of that."""

    line: Line
    chance: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OptionQuote:
    """One option with its price. ``price`` is None where a cost is unknown, and ``missing`` says which.

    ``before_parts`` is then what is known of it in words: the bench time. ``steps`` are the ids of a
    plan that goes on until the picture is good enough; its likely steps are in ``lines``, the others
    in ``if_needed``. ``success`` is the chance that the picture is good enough afterwards, ``years``
    until it no longer is, ``keep_chance`` that it lasts as long as was wanted.
    """

    id: str
    name: str
    guns: tuple[Gun, ...]
    recommended: bool
    what: str
    steps: tuple[str, ...]
    lines: tuple[Line, ...]
    if_needed: tuple[IfNeeded, ...]
    price: Price | None
    before_parts: str
    missing: tuple[str, ...]
    success: float | None
    keep_chance: float | None
    years: Figure
    chance_words: str
    years_words: str
    gives: tuple[str, ...]
    may_go_wrong: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class ClosedOption:
    """An option that isn't quoted for, and why."""

    id: str
    name: str
    why: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Quote:
    """The whole quote; ``missing`` is what every price lacks, ``follows`` what comes if the first step doesn't do."""

    header: Header
    terms: ShopTerms
    day: dt.date
    valid_until: dt.date | None
    currency: str
    rate_per_hour: Decimal | None
    headline: str
    recommended: str
    options: tuple[OptionQuote, ...]
    closed: tuple[ClosedOption, ...]
    follows_lead: str
    follows: tuple[str, ...]
    notes: tuple[str, ...]
    missing: tuple[str, ...]
    model_version: str
    seed: int

    @property
    def complete(self) -> bool:
        """Whether the recommended option has its price, so that the quote can be given out."""
        return any(option.recommended and option.price is not None for option in self.options)


def to_json(answer: Quote) -> dict[str, object]:
    """The body of a quote, as it is kept with the job and printed again."""
    return {
        "format": FORMAT,
        "sort": "quote",
        "complete": answer.complete,
        **head_json(answer.header, answer.terms, answer.day),
        "valid_until": None if answer.valid_until is None else answer.valid_until.isoformat(),
        "currency": answer.currency,
        "rate_per_hour": text_of(answer.rate_per_hour),
        "headline": answer.headline,
        "recommended": answer.recommended,
        "options": [_option(option) for option in answer.options],
        "closed": [{"id": one.id, "name": one.name, "why": one.why} for one in answer.closed],
        "follows_lead": answer.follows_lead,
        "follows": list(answer.follows),
        "notes": list(answer.notes),
        "missing": list(answer.missing),
        "warranty": answer.terms.warranty,
        "terms": answer.terms.terms,
        "model": {"version": answer.model_version, "seed": answer.seed},
    }


def head_json(header: Header, terms: ShopTerms, day: dt.date) -> dict[str, object]:
    """What stands at the head of every paper."""
    return {
        "shop": {"name": terms.name, "address": terms.address, "contact": terms.contact},
        "customer": header.customer,
        "display": header.display,
        "tube": header.tube,
        "job": header.job,
        "day": day.isoformat(),
        "tax": {"name": terms.tax_name or "tax", "percent": text_of(terms.tax_percent)},
    }


def line_json(line: Line) -> dict[str, object]:
    """One line."""
    return {
        "key": line.key,
        "words": line.words,
        "quantity": f"{line.quantity.normalize():f}",
        "counted": line.counted,
        "unit_price": text_of(line.unit_price),
        "amount": text_of(line.amount),
        "taxed": line.taxed,
        "basis": line.basis,
    }


def sum_json(total: Sum) -> dict[str, object]:
    """What lines come to."""
    return {
        "net": text_of(total.net),
        "taxed_net": text_of(total.taxed_net),
        "tax": text_of(total.tax),
        "total": text_of(total.total),
    }


def text_of(amount: Decimal | None) -> str | None:
    """An amount as text, without an exponent."""
    return None if amount is None else f"{amount:f}"


def _option(option: OptionQuote) -> dict[str, object]:
    years: dict[str, object]
    if isinstance(option.years, Unknown):
        years = {
            "years": None,
            "unknown": {"years": {"reason": option.years.reason, "would_settle": option.years.would_settle}},
        }
    else:
        years = {
            "years": {
                "median": _short(option.years.median),
                "p10": _short(option.years.p10),
                "p90": _short(option.years.p90),
            }
        }
    price = option.price
    return {
        "id": option.id,
        "name": option.name,
        "guns": list(option.guns),
        "recommended": option.recommended,
        "what": option.what,
        "steps": list(option.steps),
        "lines": [line_json(line) for line in option.lines],
        "if_needed": [{"line": line_json(one.line), "chance": _short(one.chance)} for one in option.if_needed],
        "price": None
        if price is None
        else {
            **sum_json(price.sum),
            "low": text_of(price.low),
            "high": text_of(price.high),
            "words": price.words,
        },
        "before_parts": option.before_parts,
        "missing": list(option.missing),
        "success": _short(option.success),
        "keep_chance": _short(option.keep_chance),
        **years,
        "chance_words": option.chance_words,
        "years_words": option.years_words,
        "gives": list(option.gives),
        "may_go_wrong": list(option.may_go_wrong),
    }


def _short(value: float | None) -> float | None:
    """Four significant digits, as the verdict has them."""
    return None if value is None else float(f"{value:.4g}")
