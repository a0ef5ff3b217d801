"""Quotes and bills as text for a terminal, from the bodies that are kept of them."""

from __future__ import annotations

from tubewright.report.describe import Block, Column, Listing, Paragraph, Table
from tubewright.report.quote_typst import Body, grouped, how_much, sum_rows
from tubewright.report.text import blocks_to_text


def quote_to_text(body: Body, *, number: str = "", width: int = 80, colour: bool = False) -> str:
    """A quote: what each option costs, brings and risks."""
    currency = body["currency"]
    blocks: list[Block] = [Paragraph(text=_title("Quote", number, body), strong=True), Paragraph(text=body["headline"])]
    if body["missing"]:
        blocks += [Paragraph(text="No prices yet; missing:", strong=True), Listing(items=tuple(body["missing"]))]
    blocks.append(
        Table(
            caption="What can be done",
            columns=(
                Column(heading="Option"),
                Column(heading=f"Price, {currency or 'no currency'}", figures=True),
                Column(heading="Between", figures=True),
                Column(heading="Good enough afterwards"),
                Column(heading="Stays so"),
            ),
            rows=tuple(_row(option, currency) for option in body["options"]),
        )
    )
    for option in body["options"]:
        blocks += _option(option, body)
    if body["follows"]:
        blocks += [Paragraph(text=f"{body['follows_lead']}:"), Listing(items=tuple(body["follows"]))]
    if body["closed"]:
        closed = tuple(f"{one['name']}: {one['why']}." for one in body["closed"])
        blocks += [Paragraph(text="Not offered:"), Listing(items=closed)]
    blocks += [Paragraph(text=note) for note in body["notes"]]
    return blocks_to_text(blocks, width=width, colour=colour)


def bill_to_text(body: Body, *, number: str = "", width: int = 80, colour: bool = False) -> str:
    """A bill: what was done and used, and what it comes to."""
    blocks: list[Block] = [Paragraph(text=_title("Bill", number, body), strong=True)]
    if body["lines"]:
        blocks.append(_lines("What was done and used", body["lines"], body["currency"], keys=not number))
    if body["left_out"]:
        blocks.append(_lines("Left out", body["left_out"], body["currency"], keys=not number))
    if body["missing"]:
        blocks += [Paragraph(text="No sum yet; missing:", strong=True), Listing(items=tuple(body["missing"]))]
    else:
        blocks += _sums(body["sum"], body, "To pay")
    return blocks_to_text(blocks, width=width, colour=colour)


def _title(name: str, number: str, body: Body) -> str:
    about = ", ".join(part for part in (body["display"], body["customer"]) if part)
    return f"{name} {number or '(draft, not given out)'} of {body['day']}: job {body['job']}, {about}."


def _row(option: Body, currency: str) -> tuple[str, ...]:
    price = option["price"]
    mark = " (recommended)" if option["recommended"] else ""
    span = ""
    if price is not None and price["low"] is not None:
        span = f"{float(price['low']):,.0f} to {float(price['high']):,.0f}"
    return (
        f"{option['name']}{mark}",
        "not known" if price is None else grouped(price["total"], currency),
        span,
        option["chance_words"] or "-",
        option["years_words"] or "-",
    )


def _option(option: Body, body: Body) -> list[Block]:
    blocks: list[Block] = [
        Paragraph(text=""),
        Paragraph(text=f"{option['name']}{' (recommended)' if option['recommended'] else ''}", strong=True),
        Paragraph(text=option["what"]),
    ]
    if option["gives"] or option["may_go_wrong"]:
        blocks.append(Listing(items=(*option["gives"], *option["may_go_wrong"])))
    if option["lines"]:
        blocks.append(_lines("Its price", option["lines"], body["currency"]))
    if option["price"] is not None:
        blocks += _sums(option["price"], body, "Most likely")
    if option["missing"]:
        blocks += [Paragraph(text="No price yet; missing:"), Listing(items=tuple(option["missing"]))]
    if option["before_parts"]:
        blocks.append(Paragraph(text=option["before_parts"]))
    for one in option["if_needed"]:
        amount = grouped(one["line"]["amount"], body["currency"]) or "no price"
        said = f"Only if needed, in about {100 * one['chance']:.0f} of 100 cases: {one['line']['words']}, {amount}."
        blocks.append(Paragraph(text=said))
    return blocks


def _lines(caption: str, lines: list[Body], currency: str, *, keys: bool = False) -> Table:
    named = (Column(heading="Key"),) if keys else ()
    return Table(
        caption=caption,
        columns=(
            Column(heading="What"),
            *named,
            Column(heading="How much", figures=True),
            Column(heading="Each, or an hour", figures=True),
            Column(heading=currency or "Amount", figures=True),
        ),
        rows=tuple(
            (
                f"{line['words']}{' (' + line['basis'] + ')' if line['basis'] else ''}",
                *((line["key"],) if keys else ()),
                how_much(line),
                grouped(line["unit_price"], currency) or "not known",
                grouped(line["amount"], currency) or "not known",
            )
            for line in lines
        ),
    )


def _sums(total: Body, body: Body, strong: str) -> list[Block]:
    rows = sum_rows(total, body["tax"], body["currency"], strong=strong)
    return [Paragraph(text=f"{row['words']}: {row['amount']}", strong=bool(row["strong"])) for row in rows]
