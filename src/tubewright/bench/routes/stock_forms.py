"""An item of the stock typed anew or changed: in a few words, or field by field."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.answers.stock_kinds import ATTRIBUTES, Kind, kinds
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, go, page, wrong
from tubewright.bench.routes.job import Id, TheBench, TheForm
from tubewright.bench.routes.stock import year_now
from tubewright.bench.security import Form
from tubewright.bench.stocking import item_of
from tubewright.errors import ConflictError, Fault, InputError, UnknownRecordError
from tubewright.files.stock_fields import BASE_FIELDS, TypedItem, cells_of, edited_values, item_values
from tubewright.records.model import StockItem

router = APIRouter(include_in_schema=False)


@router.get("/stock/new")
def new_item(request: Request, bench: TheBench, kind: str = "", tube: str = "") -> Response:
    """The form for a new item: in a few words, or field by field."""
    given = Form([("kind", kind), ("tube", tube)])
    return _form_page(
        request, bench, None, {"kind": kind[:40], "tube": tube[:12]} if given.text("kind") or tube else {}
    )


@router.post("/stock/new")
def add_item(request: Request, bench: TheBench, form: TheForm) -> Response:
    """Store a new item."""
    typed = _typed(form)
    try:
        if form.text("fields") == "yes" and not form.text("kind"):
            return _form_page(request, bench, None, form.typed())
        values = item_values(typed, bench.knowledge, this_year=year_now(bench))
        typed.finish()
        record = bench.store.add_item(values, by=bench.by(request))
    except UnknownRecordError as error:
        return _form_page(request, bench, None, {}, status=422, **wrong(_at_tube(error), error.faults, form))
    except InputError as error:
        return _form_page(request, bench, None, {}, status=422, **wrong(_by_field(error), error.faults, form))
    return go(request, f"/stock/{record.id}", said="stock")


def _typed(form: Form) -> TypedItem:
    cells = {name: form.text(name) for name in (*BASE_FIELDS, *ATTRIBUTES) if name != "code" and form.text(name)}
    return TypedItem(cells=cells, where=lambda field: field)


def _by_field(error: InputError) -> dict[str, Fault]:
    return by_field(error.faults, {"tube_id": "tube"})


def _at_tube(error: InputError) -> dict[str, Fault]:
    return {"tube": error.faults[0]}


def _form_page(
    request: Request,
    bench: Bench,
    record: StockItem | None,
    given: Mapping[str, str],
    *,
    status: int = 200,
    **more: Any,  # noqa: ANN401 - whatever the page shows
) -> Response:
    known = kinds(bench.knowledge)
    item = item_of(record) if record is not None else None
    cells = cells_of(item) if item is not None else {}
    typed: Mapping[str, str] = more.get("typed") or given
    chosen = typed.get("kind") or (item.kind if item else "")
    kind = known.get(chosen)
    context: dict[str, Any] = {
        "record": record,
        "item": item,
        "cells": {**cells, **given},
        "kind": kind,
        "fields": fields_of(kind.attributes if kind is not None else ()),
        "kinds": _kind_choices(known),
        "back": f"/stock/{record.id}" if record else "/stock",
        "conflict": (),
        "version_now": record.version if record else "",
    }
    return page(request, "stock_form.html", status=status, **{**context, **more})


def _kind_choices(known: Mapping[str, Kind]) -> list[tuple[str, str]]:
    return [
        (kind.id, kind.name) for kind in sorted(known.values(), key=lambda kind: (not kind.is_capacitor, kind.name))
    ]


_CHOICES: Final[Mapping[str, tuple[str, ...]]] = {
    "size_is": ("nominal", "viewable"),
    "picture": ("colour", "mono"),
    "gun": ("inline", "delta", "grille", "mono"),
    "face": ("flat", "cylinder", "sphere"),
    "g1": ("common", "split"),
    "focus": ("high", "low", "two", "magnetic"),
    "mount": ("ears", "bolts"),
    "band": ("tension", "shell", "bonded", "loose", "none"),
    "neck_state": ("sound", "cracked"),
    "getter": ("silver", "white", "clear", "unseen"),
}
_FIGURES_OF_TUBES: Final = ("_v", "_a", "_mm", "_cm", "_kv", "_deg", "_mh", "_ohm", "_percent", "_hours")


def fields_of(names: Iterable[str]) -> list[dict[str, Any]]:
    """Attributes as a form draws their fields."""
    out = []
    for name in names:
        held = ATTRIBUTES[name]
        choices: Sequence[str] = held.choices or _CHOICES.get(name, ())
        yes_no = held.value == "yes_no" or name == "yoke"
        out.append(
            {
                "name": name,
                "label": held.words[:1].upper() + held.words[1:],
                "unit": held.unit,
                "hint": held.hint if not choices and not yes_no else "",
                "choices": [("yes", "yes"), ("no", "no")] if yes_no else [(one, one) for one in choices],
                "decimal": held.value == "figure" or name.endswith(_FIGURES_OF_TUBES),
            }
        )
    return out


@router.get("/stock/{item_id}/edit")
def edit_item(request: Request, bench: TheBench, item_id: Id) -> Response:
    """The facts of an item, to be changed."""
    return _form_page(request, bench, bench.store.item(item_id), {})


@router.post("/stock/{item_id}/edit")
def save_item(request: Request, bench: TheBench, form: TheForm, item_id: Id) -> Response:
    """Store changed facts of an item, or strike it out."""
    record = bench.store.item(item_id)
    version = FormReader(form).whole("version", most=10**9) or 0
    try:
        if form.text("strike"):
            bench.store.remove_item(item_id, version=version, by=bench.by(request))
            return go(request, "/stock", said="struck")
        typed = _typed(form)
        values = edited_values(item_of(record), typed, bench.knowledge, this_year=year_now(bench))
        typed.finish()
        bench.store.edit_item(item_id, values, version=version, by=bench.by(request))
    except ConflictError:
        now = bench.store.item(item_id)
        both = _compare(cells_of(item_of(now)), form)
        return _form_page(request, bench, now, {}, status=409, conflict=both, typed=form.typed())
    except UnknownRecordError as error:
        return _form_page(request, bench, record, {}, status=422, **wrong(_at_tube(error), error.faults, form))
    except InputError as error:
        return _form_page(request, bench, record, {}, status=422, **wrong(_by_field(error), error.faults, form))
    return go(request, f"/stock/{item_id}", said="stock")


def _compare(theirs: Mapping[str, str], form: Form) -> list[tuple[str, str, str]]:
    """Each field as it stands and as it was typed."""
    names = [name for name in (*BASE_FIELDS, *ATTRIBUTES) if theirs.get(name) or form.text(name)]
    return [
        (ATTRIBUTES[name].words if name in ATTRIBUTES else name, theirs.get(name, ""), form.text(name))
        for name in names
        if name != "code"
    ]
