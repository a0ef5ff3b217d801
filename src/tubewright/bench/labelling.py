"""Labels for what the records hold: items of the stock, jobs, displays."""

from __future__ import annotations

from collections.abc import Iterable

from tubewright.answers.stock_kinds import kinds
from tubewright.bench.stocking import item_of
from tubewright.knowledge.model import Knowledge
from tubewright.records.model import DisplayRecord, JobPage, StockItem
from tubewright.report.labels import Label, item_label


def labels_for(
    items: Iterable[StockItem],
    base: str,
    knowledge: Knowledge,
    *,
    jobs: Iterable[JobPage] = (),
    displays: Iterable[DisplayRecord] = (),
    copies: int = 1,
) -> list[Label]:
    """The labels of these records, the copies of each side by side.

    Args:
        items: Of the stock.
        base: The address under which the bench is reached.
        knowledge: Holds the names of kinds.
        jobs: A label that opens the job; it hangs on the display while it is here.
        displays: A label that opens the display; it stays on it.
        copies: Of each.
    """
    known = kinds(knowledge)
    made = [item_label(item_of(item), base, known) for item in items]
    made += [_job_label(job, base) for job in jobs]
    made += [_display_label(display, base) for display in displays]
    return [label for label in made for _ in range(copies)]


def _job_label(page: JobPage, base: str) -> Label:
    tube = page.tube.tube.label if page.tube is not None else ""
    opened = f"on the bench since {page.job.opened_at.date().isoformat()}"
    return Label(
        address=f"{base}/jobs/{page.job.id}",
        code=f"JOB {page.job.id}",
        name=page.display.display.label or f"display {page.display.id}",
        lines=tuple(line for line in (f"tube {tube}" if tube else "", opened) if line),
    )


def _display_label(record: DisplayRecord, base: str) -> Label:
    # No name of an owner: the label may hang where anybody passes.
    lines = [f"tube {record.tube_label}"] if record.tube_label else []
    return Label(
        address=f"{base}/displays/{record.id}",
        code=f"DISPLAY {record.id}",
        name=record.display.label or f"display {record.id}",
        lines=(*lines, *([record.place] if record.place else [])),
    )
