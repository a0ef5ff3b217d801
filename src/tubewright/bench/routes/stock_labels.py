"""Labels with a QR code: which, on which sheet, under which address; as PDF and as drawings."""

from __future__ import annotations

from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.answers.stock import matches
from tubewright.answers.stock_kinds import kinds
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.labelling import labels_for
from tubewright.bench.pages import Bench, page, wrong
from tubewright.bench.routes.job import TheBench
from tubewright.bench.security import DRAWING_POLICY, Form
from tubewright.bench.stocking import item_of
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.report.labels import (
    SHEETS,
    USUAL_SHEET,
    Label,
    LabelSheet,
    base_address,
    labels_pdf,
    labels_svg,
    reaches_phones,
    sheet_of,
)

router = APIRouter(include_in_schema=False)

_LENGTHS: Final = {
    # field of the sheet: label of its field, and a hint
    "paper_width_mm": "Paper wide",
    "paper_height_mm": "Paper high",
    "label_width_mm": "Label wide",
    "label_height_mm": "Label high",
    "left_mm": "Left of the first",
    "top_mm": "Above the first",
    "gap_across_mm": "Gap across",
    "gap_down_mm": "Gap down",
}
_WHOLE: Final = {"columns": "In a row", "rows": "In a column"}
_MOST_PAGES: Final = 12
"""Sheets drawn on the page; the PDF holds all."""


@router.get("/stock/labels")
def labels_page(request: Request, bench: TheBench) -> Response:
    """What to label, on which sheet, and how it will look."""
    asked = _asked(request)
    try:
        made, sheet, skip = _labels(request, bench, asked)
        pages = labels_svg(made, sheet, skip=skip) if made else []
    except UnknownRecordError:
        raise
    except InputError as error:
        return _page(request, bench, asked, status=422, **wrong(by_field(error.faults), error.faults, asked))
    return _page(request, bench, asked, made=made, sheets=min(len(pages), _MOST_PAGES), sheets_all=len(pages))


@router.get("/stock/labels.pdf")
def labels_file(request: Request, bench: TheBench) -> Response:
    """The labels as PDF, to be printed at 100 %."""
    made, sheet, skip = _labels(request, bench, _asked(request))
    done = labels_pdf(made, sheet, skip=skip, at=bench.store.clock())
    return Response(
        done.pdf,
        media_type="application/pdf",
        headers={"content-disposition": 'attachment; filename="labels.pdf"', "cache-control": "no-store"},
    )


@router.get("/stock/labels.svg")
def labels_drawing(request: Request, bench: TheBench, sheet_number: str = "1") -> Response:
    """One sheet of the labels as a drawing."""
    made, sheet, skip = _labels(request, bench, _asked(request))
    pages = labels_svg(made, sheet, skip=skip)
    number = int(sheet_number) if sheet_number.isascii() and sheet_number.isdigit() and len(sheet_number) < 4 else 1
    if not 1 <= number <= len(pages):
        mend = f"There are {len(pages)}."
        raise InputError(Fault(what=f"there is no sheet {number}", where="sheet_number", mend=mend))
    return Response(
        pages[number - 1],
        media_type="image/svg+xml",
        headers={"content-security-policy": DRAWING_POLICY, "cache-control": "no-store"},
    )


def _asked(request: Request) -> Form:
    return Form([(name, value[:200]) for name, value in request.query_params.multi_items()])


def own_address(request: Request) -> str:
    """The address under which a phone reaches this bench: the one in the network where it is open to it."""
    in_network = getattr(request.app.state, "lan_address", "")
    return str(in_network) or str(request.base_url).rstrip("/")


def _labels(request: Request, bench: Bench, asked: Form) -> tuple[list[Label], LabelSheet, int]:
    read = FormReader(asked)
    lengths: dict[str, float | None] = {field: read.figure(field, "millimetres") for field in _LENGTHS}
    counts: dict[str, float | None] = {field: read.whole(field) for field in _WHOLE}
    copies, skip = read.whole("copies"), read.whole("skip", most=10_000)
    items = [_number(read, "item", typed) for typed in asked.all("item")]
    jobs = [_number(read, "job", typed) for typed in asked.all("job")]
    displays = [_number(read, "display", typed) for typed in asked.all("display")]
    read.finish()
    sheet = sheet_of(asked.text("sheet") or USUAL_SHEET, lengths | counts)
    base = base_address(asked.text("base") or own_address(request))
    made = labels_for(
        [bench.store.item(one) for one in items],
        base,
        bench.knowledge,
        jobs=[bench.store.job(one) for one in jobs],
        displays=[bench.store.display(one) for one in displays],
        copies=1 if copies is None else max(1, copies),
    )
    return made, sheet, skip or 0


def _number(read: FormReader, field: str, typed: str) -> int:
    if not (typed.isascii() and typed.isdigit()) or len(typed) > 9:
        read.fault(field, f"“{typed[:24]}” is no number of a record", "Choose from the list.")
        return 0
    return int(typed)


def _page(request: Request, bench: Bench, asked: Form, *, status: int = 200, **more: Any) -> Response:  # noqa: ANN401 - whatever the page shows
    q = asked.text("q")
    chosen = set(asked.all("item"))
    records = bench.store.all_items()
    known = kinds(bench.knowledge)
    fitting = [record for record in records if str(record.id) in chosen or matches(item_of(record), q, known)]
    base = asked.text("base") or own_address(request)
    name = asked.text("sheet") if asked.text("sheet") in SHEETS else USUAL_SHEET
    query = [(key, value) for key, value in asked.pairs if key != "q"]
    context: dict[str, Any] = {
        "asked": asked,
        "q": q,
        "base_now": base,
        "reaches": reaches_phones(base),
        "records": fitting,
        "chosen": chosen,
        "sheet_names": [(key, title) for key, (title, _) in SHEETS.items()],
        "sheet_now": name,
        "lengths": [(field, title, getattr(SHEETS[name][1], field)) for field, title in _LENGTHS.items()],
        "counts": [(field, title, getattr(SHEETS[name][1], field)) for field, title in _WHOLE.items()],
        "jobs": asked.all("job"),
        "displays": asked.all("display"),
        "query": query,
        "made": (),
        "sheets": 0,
        "sheets_all": 0,
        "typed": asked.typed(),
        **more,
    }
    return page(request, "stock_labels.html", status=status, **context)
