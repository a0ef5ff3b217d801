"""The order list as CSV, for a spreadsheet or a shop's form."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from typing import Final

from tubewright.answers.stock import ToOrder, item_words
from tubewright.answers.stock_kinds import Kinds
from tubewright.files.stock_csv import unarmed
from tubewright.files.stock_fields import cell

HEADINGS: Final = ("count", "what", "name", "supplier", "cost", "currency", "sum", "for_jobs", "code", "notes")


def order_list_csv(lines: Iterable[ToOrder], known: Kinds) -> str:
    """What is to be ordered: commas between cells, points in figures, a line for each item.

    Args:
        lines: Items and how many of each.
        known: Kinds by id.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(HEADINGS)
    for line in lines:
        item = line.item
        cells = [
            str(line.count),
            ", ".join(item_words(item, known)),
            item.name,
            item.supplier,
            "" if item.cost is None else cell(item.cost),
            item.currency or "",
            "" if item.cost is None else cell(round(item.cost * line.count, 4)),
            " ".join(str(job) for job in line.for_jobs),
            item.code,
            item.notes,
        ]
        writer.writerow([unarmed(one) for one in cells])
    return out.getvalue()
