"""The stock in words and tables: the list, one item, the parts of a job, the order, a recap list served from it."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from tubewright.answers.recap import buy_words, part_words
from tubewright.answers.stock import (
    STATE_WORDS,
    Item,
    Taken,
    ToOrder,
    cost_words,
    item_words,
    parts_cost,
    stock_words,
    sums_words,
)
from tubewright.answers.stock_kinds import ATTRIBUTES, Kinds, attribute_words
from tubewright.answers.stock_recap import RecapFromStock, Served
from tubewright.report.describe import Block, Column, Listing, Paragraph, Step, Table


def price_words(cost: float | None, currency: str | None) -> str:
    """A price of one piece, or "" where it isn't known."""
    if cost is None:
        return ""
    text = f"{cost:.4f}".rstrip("0")
    whole, _, rest = text.partition(".")
    return f"{whole}.{rest:0<2} {currency or ''}".strip()


def more_words(item: Item, kinds: Kinds) -> str:
    """What is known of an item beyond what its name says already."""
    return ", ".join(one for one in item_words(item, kinds) if one.casefold() not in item.name.casefold())


def stock_table(items: Sequence[Item], kinds: Kinds) -> Table:
    """The stock, one line for each item."""
    return Table(
        caption=f"Stock: {len(items)} {'item' if len(items) == 1 else 'items'}",
        columns=(
            Column(heading="Code"),
            Column(heading="Name"),
            Column(heading="Known of it"),
            Column(heading="There", figures=True),
            Column(heading="Free", figures=True),
            Column(heading="Place"),
        ),
        rows=tuple(
            (item.code, item.name, more_words(item, kinds), str(item.quantity), str(item.free), item.place)
            for item in items
        ),
    )


def attribute_rows(item: Item, kinds: Kinds) -> list[tuple[str, str]]:
    """What is known of an item as pairs of name and value."""
    known = kinds.get(item.kind)
    rows = [("kind", known.name if known else item.kind)]
    for name, value in item.attributes.items():
        words = ATTRIBUTES[name].words if name in ATTRIBUTES else name.replace("_", " ")
        rows.append((words, attribute_words(name, value)))
    return rows


def item_blocks(item: Item, taken: Sequence[Taken], kinds: Kinds) -> list[Block]:
    """One item with what jobs took of it."""
    facts = [*attribute_rows(item, kinds), ("there", stock_words(item))]
    price = price_words(item.cost, item.currency)
    more = (("minimum", str(item.minimum) if item.minimum else ""), ("place", item.place), ("price", price))
    facts += [pair for pair in (*more, ("supplier", item.supplier), ("notes", item.notes)) if pair[1]]
    if item.tube_id is not None:
        facts.append(("in the records", f"tube {item.tube_id}"))
    blocks: list[Block] = [
        Paragraph(text=f"{item.code}: {item.name}", strong=True),
        Listing(items=tuple(f"{name}: {value}" for name, value in facts)),
    ]
    if taken:
        blocks += [Paragraph(text=""), taken_table(taken, "Taken by jobs", of_job=False)]
    return blocks


def taken_table(taken: Sequence[Taken], caption: str, *, of_job: bool) -> Table:
    """Reservations: of one job, or of one item."""
    return Table(
        caption=caption,
        columns=(
            Column(heading="No.", figures=True),
            Column(heading="Item" if of_job else "Job"),
            Column(heading="Count", figures=True),
            Column(heading="State"),
            Column(heading="Cost", figures=True),
            Column(heading="For"),
        ),
        rows=tuple(
            (
                str(one.id),
                f"{one.item_code} {one.item_name}" if of_job else f"job:{one.job_id}",
                str(one.quantity),
                STATE_WORDS[one.state],
                price_words(one.sum_cost, one.currency) or "not known",
                one.note,
            )
            for one in taken
        ),
    )


def parts_blocks(job_id: int, taken: Sequence[Taken]) -> list[Block]:
    """The parts of a job with what they cost."""
    if not taken:
        return [Paragraph(text=f"Nothing is reserved or used for job {job_id}.")]
    cost = cost_words(parts_cost(taken))
    return [taken_table(taken, f"Parts of job {job_id}", of_job=True), Listing(items=cost)]


def order_blocks(lines: Sequence[ToOrder], kinds: Kinds) -> list[Block]:
    """The order list with its sum."""
    if not lines:
        return [Paragraph(text="Nothing is to be ordered.")]
    sums, unpriced = order_sums(lines)
    table = Table(
        caption=f"To order: {len(lines)} {'item' if len(lines) == 1 else 'items'}",
        columns=(
            Column(heading="Count", figures=True),
            Column(heading="What"),
            Column(heading="Supplier"),
            Column(heading="Each", figures=True),
            Column(heading="For jobs"),
            Column(heading="Code"),
        ),
        rows=tuple(
            (
                str(line.count),
                ", ".join(one for one in (line.item.name, more_words(line.item, kinds)) if one),
                line.item.supplier,
                price_words(line.item.cost, line.item.currency),
                ", ".join(str(job) for job in line.for_jobs) or "the shelf",
                line.item.code,
            )
            for line in lines
        ),
    )
    words = [f"Together {sums}."] if sums else []
    if unpriced:
        words.append(f"Without a price, so not in the sum: {', '.join(unpriced)}.")
    return [table, Listing(items=tuple(words))]


def order_sums(lines: Iterable[ToOrder]) -> tuple[str, list[str]]:
    """What an order costs, by currency, and the names of what has no price."""
    sums: dict[str, float] = {}
    unpriced = []
    for line in lines:
        if line.item.cost is None:
            unpriced.append(line.item.name)
        else:
            name = line.item.currency or ""
            sums[name] = sums.get(name, 0.0) + line.item.cost * line.count
    return (sums_words(sums) if sums else ""), unpriced


def recap_stock_blocks(found: RecapFromStock, cautions: Sequence[str], confirm: Sequence[str]) -> list[Block]:
    """How the stock serves a recap list, cautions first."""
    answer = found.answer
    blocks: list[Block] = [
        Step(
            id="stock_recap", cautions=tuple(cautions), confirm=tuple(confirm), hazard="H2: inside the set",
            words=found.headline, time="",
        ),
        Paragraph(text=""),
    ]  # fmt: skip
    if found.service.served:
        blocks.append(
            Table(
                caption="From the stock, in the order of need",
                columns=(
                    Column(heading="Part"),
                    Column(heading="There"),
                    Column(heading="Fit"),
                    Column(heading="Mind"),
                ),
                rows=tuple(
                    (
                        one.wanted.part.ref,
                        part_words(one.wanted.part.part, answer.kinds),
                        given_words(found, one),
                        mind_words(one),
                    )
                    for one in found.service.served
                ),
            )
        )
    blocks += [Paragraph(text=words) for words in not_said_words(found)]
    return blocks


def given_words(found: RecapFromStock, served: Served) -> str:
    """What a part gets: an item of the stock, or what is ordered for it."""
    item = found.given(served)
    if item is not None:
        return f"{item.code} {item.name}" + (f", {item.place}" if item.place else "")
    if served.wanted.buy is None:
        return "nothing could be named"
    return f"order: {buy_words(served.wanted.buy, found.answer.kinds)}"


def mind_words(served: Served) -> str:
    """What is to be minded with what a part gets."""
    if served.given is not None:
        return " ".join(one.words for one in served.given.substitution.objections)
    return " ".join(served.wanted.buy.minds) if served.wanted.buy else ""


def not_said_words(found: RecapFromStock) -> tuple[str, ...]:
    """What to do so that more of the stock can be offered."""
    if not found.not_said:
        return ()
    names = ", ".join(dict.fromkeys(found.not_said))
    return (f"Never offered, because nobody said which kind of capacitor it is: {names}.",)
