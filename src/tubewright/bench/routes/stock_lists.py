"""The stock as lists: taken in, taken out, and what is to be ordered."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from fastapi import APIRouter, Request, Response

from tubewright.answers.stock_kinds import ATTRIBUTES, kinds
from tubewright.bench.forms import by_field
from tubewright.bench.pages import Bench, go, page, wrong
from tubewright.bench.routes.job import TheBench, TheForm
from tubewright.bench.routes.stock import year_now
from tubewright.bench.security import Form
from tubewright.bench.stock_import import take_in
from tubewright.bench.stocking import items_of, order_of
from tubewright.bench.uploads import Upload
from tubewright.errors import ConflictError, Fault, InputError
from tubewright.files.boards import decoded
from tubewright.files.stock_csv import MOST_BYTES, stock_csv, stock_from_text
from tubewright.files.stock_fields import BASE_FIELDS
from tubewright.files.stock_orders import order_list_csv
from tubewright.report.stock_text import more_words, order_sums, price_words

router = APIRouter(include_in_schema=False)

# --- lists in and out ---------------------------------------------------------------------


@router.get("/stock/export.csv")
def export(bench: TheBench) -> Response:
    """The whole stock as CSV."""
    return _csv(stock_csv(items_of(bench.store.all_items())), "stock.csv")


def _csv(text: str, name: str) -> Response:
    return Response(
        text,
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": f'attachment; filename="{name}"', "cache-control": "no-store"},
    )


@router.get("/stock/import")
def import_page(request: Request, bench: TheBench) -> Response:
    """The form for a list of items."""
    return _import_page(request, bench)


def _import_page(request: Request, bench: Bench, *, status: int = 200, **more: object) -> Response:
    names = [("what", "in a few words: 47u 50V 105C low esr")]
    names += [(name, "") for name in BASE_FIELDS if name != "what"]
    names += [(name, held.words) for name, held in ATTRIBUTES.items() if held.value != "tube"]
    tube = ", ".join(name for name, held in ATTRIBUTES.items() if held.value == "tube")
    context: dict[str, Any] = {
        "done": None,
        "columns": names,
        "tube_columns": tube,
        "total": len(bench.store.all_items()),
    }
    return page(request, "stock_import.html", status=status, **{**context, **more})


@router.post("/stock/import")
def import_list(request: Request, bench: TheBench, form: TheForm) -> Response:
    """Take a list in: all of it or nothing."""
    shown = form
    try:
        text, name = _sent(request.state.uploads, form)
        shown = Form([*((field, value) for field, value in form.pairs if field != "list"), ("list", text)])
        held = stock_from_text(text, bench.knowledge, this_year=year_now(bench), name=name)
        done = take_in(bench.store, held, update=form.text("update") == "on", name=name, by=bench.by(request))
    except ConflictError as error:
        return _import_page(request, bench, status=409, fault_list=error.faults, faults={}, typed=shown.typed())
    except InputError as error:
        faults = {key: fault for key, fault in by_field(error.faults).items() if key in {"list", "file"}}
        return _import_page(request, bench, status=422, **wrong(faults, with_places(error.faults), shown))
    if done.remarks or held.remarks:
        return _import_page(request, bench, done=done, remarks=(*held.remarks, *done.remarks))
    return go(request, "/stock", said="imported")


def with_places(faults: Iterable[Fault]) -> tuple[Fault, ...]:
    """Faults of a list with their line in the words: no field of the page stands for it."""
    return tuple(
        one
        if one.where in {"list", "file", "board"}
        else Fault(what=f"{one.where}: {one.what}", where="", mend=one.mend)
        for one in faults
    )


def _sent(uploads: tuple[Upload, ...], form: Form) -> tuple[str, str]:
    """The text of the list and what to call it: the file if one was sent, else what was typed."""
    text, name = form.text("list"), "list"
    if uploads:
        if uploads[0].size_bytes > MOST_BYTES:
            raise InputError(Fault(what="the file is larger than 1 MB", where="file", mend="Split the list."))
        text, name = decoded(uploads[0].file.read()), uploads[0].name
    if not text:
        mend = "Choose a file, or type the list: headings first, then a line for each item."
        raise InputError(Fault(what="there is no list yet", where="list", mend=mend))
    return text, name


# --- the order list ------------------------------------------------------------------------


@router.get("/stock/order")
def order(request: Request, bench: TheBench) -> Response:
    """What is to be ordered, supplier by supplier, and for which jobs."""
    lines = order_of(bench.store.order_list())
    sums, unpriced = order_sums(lines)
    suppliers: dict[str, list[dict[str, Any]]] = {}
    for line in lines:
        each = price_words(line.item.cost, line.item.currency)
        row = {"line": line, "more": more_words(line.item, kinds(bench.knowledge)), "each": each}
        suppliers.setdefault(line.item.supplier, []).append(row)
    return page(request, "stock_order.html", suppliers=suppliers, sums=sums, unpriced=unpriced, count=len(lines))


@router.get("/stock/order.csv")
def order_csv(bench: TheBench) -> Response:
    """The order list as CSV."""
    return _csv(order_list_csv(order_of(bench.store.order_list()), kinds(bench.knowledge)), "order.csv")
