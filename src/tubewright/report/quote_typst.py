"""What all papers of the shop share when they are typeset: head, table of lines, sums, small print.

Set by :mod:`tubewright.report.papers`: tagged, searchable, and the same bytes for the same paper.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from typing import Any, Final

HEAD: Final = """
#let paper = json(bytes(sys.inputs.paper))
#let (year, month, day) = paper.date
#set document(title: paper.title, date: datetime(year: year, month: month, day: day))
#set page(paper: "a4", margin: (x: 21mm, top: 18mm, bottom: 20mm), footer: context [
  #set text(size: 8.5pt)
  #paper.footer #h(1fr) page #counter(page).display() of #counter(page).final().at(0)
])
#set text(font: "Libertinus Serif", size: 10.5pt, lang: "en", region: "GB", number-type: "lining")
#set par(leading: 0.55em, spacing: 0.75em)
#set table(stroke: none)
#show heading.where(level: 1): set text(size: 19pt)
#show heading.where(level: 2): set text(size: 13pt)
#show heading.where(level: 2): set block(above: 1.3em, below: 0.6em)
#show heading.where(level: 3): set text(size: 11pt)
#show heading.where(level: 3): set block(above: 1.1em, below: 0.5em)
#let rule = table.hline(stroke: 0.5pt + luma(45%))
#let quiet(body) = text(fill: luma(30%), size: 9pt, body)
#let amounts(lines, currency) = table(
  columns: (1fr, auto, auto, auto), align: (left, right, right, right), inset: (x: 0pt, y: 3.2pt), column-gutter: 5mm,
  table.header(quiet[What], quiet[How much], quiet[Each, or an hour], quiet[#currency]), rule,
  ..lines.map(line => {
    let said = [#line.words#if line.basis != "" { quiet(" (" + line.basis + ")") }]
    (said, line.quantity, line.each, line.amount)
  }).flatten(),
)
#let sums(rows) = align(right, table(
  columns: (auto, 32mm), align: (right, right), inset: (x: 0pt, y: 2.6pt), column-gutter: 6mm,
  ..rows.map(row => (row.words, row.amount).map(it => if row.strong { strong(it) } else { it })).flatten(),
))
#block(below: 9mm, grid(columns: (1fr, auto), column-gutter: 8mm,
  text(size: 14pt, weight: "bold", paper.shop.name),
  align(right, quiet(paper.shop.lines.join(linebreak()))),
))
#heading(level: 1, paper.title)
#if paper.draft != "" { block(stroke: 0.8pt, inset: 6pt, strong(paper.draft)) }
#table(columns: (auto, 1fr), inset: (x: 0pt, y: 2.2pt), column-gutter: 6mm,
  ..paper.facts.map(fact => (quiet(fact.at(0)), fact.at(1))).flatten())
"""

TAIL: Final = """
#for part in paper.small {
  heading(level: 2, part.title)
  for piece in part.pieces { par(piece) }
}
#if paper.unset != "" { quiet(paper.unset) }
"""

Body = Mapping[str, Any]


def head_of(body: Body, name: str, number: str) -> dict[str, object]:
    """The data of :data:`HEAD` from the body of a paper; an empty number makes it a draft."""
    day = dt.date.fromisoformat(body["day"])
    shop = body["shop"]
    facts = [("For", body["customer"]), ("Display", body["display"]), ("Picture tube", body["tube"])]
    facts += [("Date", body["day"]), ("Holds until", body.get("valid_until") or "")]
    facts.append(("Our job", str(body["job"])))
    title = f"{name} {number}" if number else name
    return {
        "title": title,
        "date": [day.year, day.month, day.day],
        "footer": " · ".join(part for part in (shop["name"], title) if part),
        "shop": {"name": shop["name"], "lines": _pieces(f"{shop['address']}\n{shop['contact']}")},
        "draft": "" if number else "Draft, not given out: nothing on it is agreed yet.",
        "facts": [[label, said] for label, said in facts if said],
    }


def line_data(line: Body, currency: str) -> dict[str, str]:
    """A line for the table of amounts."""
    return {
        "words": line["words"],
        # Whether a time was noted or typed is the shop's own affair.
        "basis": line["basis"] if line["basis"].startswith("at the bench") else "",
        "quantity": how_much(line),
        "each": grouped(line["unit_price"], currency) or "not known",
        "amount": grouped(line["amount"], currency) or "not known",
    }


def sum_rows(total: Body, tax: Body, currency: str, *, strong: str = "Total") -> list[dict[str, object]]:
    """Net, tax and total as rows; the total alone where there is no tax."""
    whole = {"words": strong, "amount": f"{grouped(total['total'], currency)} {currency}", "strong": True}
    if not float(tax["percent"]):
        return [whole]
    partly = "" if total["net"] == total["taxed_net"] else f" on {grouped(total['taxed_net'], currency)}"
    return [
        {"words": "Together", "amount": grouped(total["net"], currency), "strong": False},
        {
            "words": f"{tax['name']}, {plain_percent(tax['percent'])} %{partly}",
            "amount": grouped(total["tax"], currency),
            "strong": False,
        },
        whole,
    ]


def how_much(line: Body) -> str:
    """Pieces, or a time; a time that nobody noted is none."""
    if line["counted"] != "min":
        return str(line["quantity"])
    return duration(line["quantity"]) if line["unit_price"] is not None or float(line["quantity"]) else "not noted"


def duration(minutes: str) -> str:
    """Minutes as hours and minutes.

    >>> duration("20"), duration("90"), duration("120")
    ('20 min', '1 h 30 min', '2 h')
    """
    whole, rest = divmod(float(minutes), 60)
    spoken = f"{rest:g} min" if rest or not whole else ""
    return f"{whole:g} h {spoken}".strip() if whole else spoken


def grouped(amount: str | None, currency: str) -> str:
    """An amount with its thousands apart and as many decimals as its currency has, never fewer than it was given."""
    from decimal import Decimal

    from tubewright.answers.quote_lines import digits_of

    if amount is None:
        return ""
    value = Decimal(amount)
    digits = max(digits_of(currency), -int(value.normalize().as_tuple().exponent))
    return f"{value:,.{digits}f}"


def plain_percent(percent: str) -> str:
    """A percentage without needless noughts."""
    return percent.rstrip("0").rstrip(".") if "." in percent else percent


def small_print(body: Body) -> list[dict[str, object]]:
    """Terms and warranty, where the shop has any."""
    parts = (("Terms", body["terms"]), ("Warranty", body["warranty"]))
    return [{"title": title, "pieces": _pieces(text)} for title, text in parts if text]


def _pieces(text: str) -> list[str]:
    return [line for line in text.split("\n") if line.strip()]
