"""A quote as a PDF of one or two pages, from the body that is kept of it."""

from __future__ import annotations

import datetime as dt
from typing import Final

from tubewright.report.papers import typeset
from tubewright.report.quote_typst import (
    HEAD,
    TAIL,
    Body,
    grouped,
    head_of,
    line_data,
    small_print,
    sum_rows,
)


def quote_pdf(body: Body, *, number: str, at: dt.datetime) -> bytes:
    """Typeset a quote.

    Args:
        body: As :func:`tubewright.answers.quote_answer.to_json` writes it.
        number: Under which it was given out; empty for a draft.
        at: When it was given out; the file says so, and nothing else in it tells of time.
    """
    currency = body["currency"]
    options = [_option(option, body, currency) for option in body["options"]]
    data = {
        **head_of(body, "Quote", number),
        "currency": currency,
        "headline": body["headline"],
        "options": options,
        "chosen": [option for option in options if option["recommended"]],
        "others": [option for option in options if not option["recommended"]],
        "follows_lead": f"{body['follows_lead']}:",
        "follows": body["follows"],
        "closed": [f"{one['name']}: {one['why']}." for one in body["closed"]],
        "notes": body["notes"],
        "missing": body["missing"],
        "small": small_print(body),
    }
    return typeset(HEAD + _SOURCE + TAIL, data, at=at).pdf


def _option(option: Body, body: Body, currency: str) -> dict[str, object]:
    price = option["price"]
    span = ""
    if price is not None and price["low"] is not None:
        low, high = (f"{int(float(price[end])):,}" for end in ("low", "high"))
        span = f"between {low} and {high}"
    return {
        "name": option["name"],
        "recommended": option["recommended"],
        "what": option["what"],
        "price": "no price yet" if price is None else f"{grouped(price['total'], currency)} {currency}",
        "span": span,
        "chance": option["chance_words"],
        "years": option["years_words"],
        "lines": [line_data(line, currency) for line in option["lines"]],
        "sums": [] if price is None else sum_rows(price, body["tax"], currency, strong="Most likely"),
        "if_needed": [_if_needed(one, body["tax"], currency) for one in option["if_needed"]],
        "before": option["before_parts"],
        "missing": option["missing"],
        "gives": option["gives"],
        "wrong": option["may_go_wrong"],
    }


def _if_needed(one: Body, tax: Body, currency: str) -> str:
    line, before = one["line"], f" before {tax['name']}" if float(tax["percent"]) else ""
    price = "no price yet" if line["amount"] is None else f"{grouped(line['amount'], currency)} {currency}{before}"
    return f"{line['words']}: {price}; needed in about {100 * one['chance']:.0f} of 100 cases."


_SOURCE: Final = """
#let told(option) = {
  par(option.what)
  if option.gives.len() > 0 { heading(level: 3)[What it gives]; list(..option.gives) }
  if option.wrong.len() > 0 { heading(level: 3)[What may go wrong]; list(..option.wrong) }
}
#heading(level: 2)[What we found]
#paper.headline
#if paper.missing.len() > 0 [
  #heading(level: 2)[Still missing, so there are no prices]
  #list(..paper.missing)
]
#heading(level: 2)[What can be done]
#table(columns: (1fr, auto, 27mm, 50mm), align: (left, right, left, left), inset: (x: 0pt, y: 3.4pt),
  column-gutter: 5mm,
  table.header(quiet[Option], quiet[Price, all included], quiet[Good enough afterwards], quiet[Stays so]), rule,
  ..paper.options.map(option => (
    if option.recommended [#strong(option.name) #quiet[(recommended)]] else { option.name },
    [#option.price#if option.span != "" [ \\ #quiet(option.span)]],
    if option.chance == "" { "–" } else { option.chance },
    if option.years == "" { "–" } else { option.years })).flatten())
#for option in paper.chosen {
  heading(level: 2)[We recommend: #lower(option.name.first())#option.name.slice(1)]
  told(option)
  heading(level: 3)[Its price]
  if option.lines.len() > 0 { amounts(option.lines, paper.currency) }
  if option.sums.len() > 0 { sums(option.sums) }
  if option.span != "" [It may come to #option.span #paper.currency. ]
  if option.missing.len() > 0 {
    par[No price yet. Missing:]
    list(..option.missing)
    if option.before != "" { par(option.before) }
  }
  if option.if_needed.len() > 0 { par[Only if the steps before weren't enough:]; list(..option.if_needed) }
  if paper.follows.len() > 0 { par(paper.follows_lead); list(..paper.follows) }
}
#if paper.others.len() > 0 {
  heading(level: 2)[The other options]
  for option in paper.others {
    heading(level: 3)[#option.name, #option.price#if option.span != "" [ (#option.span)]]
    par((option.what, ..option.gives, ..option.wrong).join(" "))
    if option.missing.len() > 0 { par[Missing: #option.missing.join("; "). #option.before] }
  }
}
#if paper.closed.len() > 0 { heading(level: 2)[Not offered]; par(paper.closed.join(" ")) }
#if paper.notes.len() > 0 { heading(level: 2)[About the prices]; par(paper.notes.join(" ")) }
"""
