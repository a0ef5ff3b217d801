"""The stock: its list, and one item with its attributes, its reservations, its history."""

from __future__ import annotations

import json
from typing import Any, Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import RedirectResponse

from tubewright.answers.label import LabelDecoded, answer_label
from tubewright.answers.stock import Item, matches, stock_words
from tubewright.answers.stock_kinds import ATTRIBUTES, CAPACITOR_KIND, attribute_words, kinds
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, go, page, wrong
from tubewright.bench.routes.job import Id, TheBench, TheForm
from tubewright.bench.stocking import item_of, items_of, taken_of
from tubewright.errors import ConflictError, Fault, InputError, UnknownRecordError
from tubewright.knowledge.model import Knowledge
from tubewright.records.model import HistoryRecord
from tubewright.report.stock_text import attribute_rows, more_words, price_words

router = APIRouter(include_in_schema=False)

ON_A_PAGE: Final = 40
"""Items on one page of the list: as many as a thumb scrolls through."""
_LOOKED_BACK: Final = 3000
_MOST_CHANGES: Final = 20
_MOST_JOBS: Final = 100
_STATES: Final = {"reserved": "reserved", "used": "used", "released": "given back"}


def year_now(bench: Bench) -> int:
    """The year by the bench's own clock."""
    return bench.store.clock().year


# --- the list ---------------------------------------------------------------------------


@router.get("/stock")
def stock(request: Request, bench: TheBench, q: str = "", show: str = "", at: str = "") -> Response:
    """What lies in stock: searched, narrowed to parts, tubes, or what is short."""
    q = q.strip()[:200]
    held = items_of(bench.store.all_items())
    narrowed = {
        "parts": [item for item in held if item.sort == "part"],
        "tubes": [item for item in held if item.sort == "tube"],
        "short": [item for item in held if item.short],
    }
    known = kinds(bench.knowledge)
    found = [item for item in narrowed.get(show, held) if matches(item, q, known)]
    start = int(at) if at.isascii() and at.isdigit() and len(at) < 7 else 0
    return page(
        request,
        "stock.html",
        rows=[{"item": item, "more": more_words(item, known)} for item in found[start : start + ON_A_PAGE]],
        total=len(held),
        found=len(found),
        start=start,
        next_at=start + ON_A_PAGE if start + ON_A_PAGE < len(found) else None,
        q=q,
        show=show if show in narrowed else "",
        short=len(narrowed["short"]),
    )


@router.get("/i/{code}")
def by_code(bench: TheBench, code: str) -> Response:
    """The item of a label: where the code on it leads."""
    found = bench.store.item_by_code(code)
    return RedirectResponse(f"/stock/{found.id}", status_code=303)


# --- one item -------------------------------------------------------------------------------


@router.get("/stock/{item_id}")
def item(request: Request, bench: TheBench, item_id: Id) -> Response:
    """An item: what is known of it, how many there are, which jobs took of it, its history."""
    return _item_page(request, bench, item_id)


def _item_page(request: Request, bench: Bench, item_id: int, *, status: int = 200, **more: object) -> Response:
    record = bench.store.item(item_id)
    held = item_of(record)
    taken = taken_of(bench.store.reservations_of_item(item_id))
    jobs = [row for row in bench.store.board(size=_MOST_JOBS).rows if row.state != "closed"]
    names = {row.job_id: row.display_label or f"job {row.job_id}" for row in jobs}
    tube = None if record.tube_id is None else bench.store.tube(record.tube_id)
    readings = () if tube is None else bench.store.tube_history(tube.id).readings
    context: dict[str, Any] = {
        "record": record,
        "item": held,
        "known": attribute_rows(held, kinds(bench.knowledge)),
        "count": stock_words(held),
        "price": price_words(held.cost, held.currency),
        "taken": [
            {"it": one, "job": names.get(one.job_id, f"job {one.job_id}"), "state": _STATES[one.state]}
            for one in reversed(taken)
        ],
        "jobs": [(row.job_id, f"{row.display_label or 'display'} (job {row.job_id})") for row in jobs],
        "tube": tube,
        "readings": readings,
        "label": label_said(held, bench.knowledge),
        "changes": _changes(bench, item_id),
        "removable": not taken,
    }
    return page(request, "stock_item.html", status=status, **{**context, **more})


def label_said(held: Item, knowledge: Knowledge) -> LabelDecoded | None:
    """What the label of a tube in stock says, if it fits a grammar."""
    if held.sort != "tube":
        return None
    return decoded_label(str(held.attributes.get("label") or held.name), knowledge)


def decoded_label(text: str, knowledge: Knowledge) -> LabelDecoded | None:
    """Every reading of a type label; None where it fits no grammar."""
    try:
        return answer_label(text, knowledge)
    except InputError:
        return None


@router.post("/stock/{item_id}/count")
def count(request: Request, bench: TheBench, form: TheForm, item_id: Id) -> Response:
    """Note how many were counted."""
    read = FormReader(form)
    quantity, version = read.whole("quantity", most=1_000_000), read.whole("version", most=10**9) or 0
    try:
        if quantity is None and not read.faults:
            read.fault("quantity", "nothing is typed", "Count what lies there.")
        read.finish()
        bench.store.edit_item(item_id, {"quantity": quantity}, version=version, by=bench.by(request))
    except UnknownRecordError:
        raise
    except ConflictError:
        now = bench.store.item(item_id)
        said = Fault(
            what=f"somebody else changed it meanwhile; there are {now.quantity} by the records now",
            where="quantity",
            mend="Count once more, then save.",
        )
        shown = {"faults": {"quantity": said}, "fault_list": (said,), "typed": {"quantity": form.text("quantity")}}
        return _item_page(request, bench, item_id, status=409, **shown)
    except InputError as error:
        return _item_page(request, bench, item_id, status=422, **wrong(by_field(error.faults), error.faults, form))
    return go(request, f"/stock/{item_id}", said="counted")


@router.post("/stock/{item_id}/reserve")
def reserve(request: Request, bench: TheBench, form: TheForm, item_id: Id) -> Response:
    """Reserve pieces of an item for a job."""
    read = FormReader(form)
    job, pieces = read.whole("job", most=2**31 - 1), read.whole("pieces", most=1_000_000)
    try:
        if job is None and not read.faults:
            read.fault("job", "no job is chosen", "Choose one from the board.")
        read.finish()
        assert job is not None  # noqa: S101 - finish() raised otherwise
        order_rest = form.text("order") == "on"
        bench.store.reserve(job, item_id, 1 if pieces is None else pieces, order=order_rest, by=bench.by(request))
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults, {"quantity": "pieces"}), error.faults, form)
        return _item_page(request, bench, item_id, status=422, **shown)
    return go(request, f"/stock/{item_id}", said="reserved", job_id=job)


_SHOWN: Final = ("name", "kind", "quantity", "minimum", "place", "cost", "currency", "supplier", "notes", "tube_id")


def _changes(bench: Bench, item_id: int) -> list[dict[str, Any]]:
    """What was changed of an item lately, newest first."""
    rows = [
        row for row in bench.store.history(size=_LOOKED_BACK) if row.table == "stock_items" and row.row_id == item_id
    ]
    return [{"at": row.at, "person": row.person, "lines": _change_lines(row)} for row in rows[:_MOST_CHANGES]]


def _change_lines(row: HistoryRecord) -> list[str]:
    before, after = row.before or {}, row.after or {}
    if row.action != "update":
        return [{"insert": "put into the stock", "import": "came with an import"}.get(row.action, "struck out")]
    lines = [
        f"{name.replace('_id', '').replace('_', ' ')}: {_shown(before.get(name))} → {_shown(after.get(name))}"
        for name in _SHOWN
        if before.get(name) != after.get(name)
    ]
    old, new = (_attributes(values.get("attributes_json")) for values in (before, after))
    for name in dict.fromkeys((*old, *new)):
        if old.get(name) != new.get(name) and name != CAPACITOR_KIND:
            said = ATTRIBUTES[name].words if name in ATTRIBUTES else name
            was, now = (attribute_words(name, held[name]) if name in held else "not known" for held in (old, new))
            lines.append(f"{said}: {was} → {now}")
    return lines or ["changed back and forth"]


def _attributes(text: object) -> dict[str, object]:
    held = json.loads(text) if isinstance(text, str) else {}
    return held if isinstance(held, dict) else {}


def _shown(value: object) -> str:
    return "nothing" if value in (None, "") else str(value)
