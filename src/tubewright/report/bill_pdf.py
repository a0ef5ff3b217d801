"""A bill as a PDF, from the body that is kept of it."""

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


def bill_pdf(body: Body, *, number: str, at: dt.datetime) -> bytes:
    """Typeset a bill.

    Args:
        body: As :func:`tubewright.answers.bill.to_json` writes it.
        number: Under which it was given out; empty for a draft.
        at: When it was given out.
    """
    currency, rate = body["currency"], body["rate_per_hour"]
    timed = any(line["counted"] == "min" for line in body["lines"])
    data = {
        **head_of(body, "Bill", number),
        "currency": currency,
        "lines": [line_data(line, currency) for line in body["lines"]],
        "sums": [] if body["sum"] is None else sum_rows(body["sum"], body["tax"], currency, strong="To pay"),
        "missing": body["missing"],
        "note": f"Time is charged at {grouped(rate, currency)} {currency} an hour." if rate and timed else "",
        "small": small_print(body),
    }
    return typeset(HEAD + _SOURCE + TAIL, data, at=at).pdf


_SOURCE: Final = """
#heading(level: 2)[What was done and used]
#if paper.lines.len() > 0 { amounts(paper.lines, paper.currency); v(2mm); sums(paper.sums) }
#if paper.missing.len() > 0 [
  #heading(level: 2)[Still missing, so there is no sum]
  #list(..paper.missing)
]
#if paper.note != "" { quiet(paper.note) }
"""
