"""The shop's own settings, and the download of its tables."""

from __future__ import annotations

from typing import Annotated

from fastapi import APIRouter, Depends, Request, Response

from tubewright.answers.quote_terms import NAMES, checked_settings, shop_white
from tubewright.bench.forms import by_field
from tubewright.bench.pages import Bench, bench_of, form_of, go, page, wrong
from tubewright.bench.security import Form
from tubewright.errors import ConflictError, InputError

router = APIRouter(include_in_schema=False)
TheBench = Annotated[Bench, Depends(bench_of)]
TheForm = Annotated[Form, Depends(form_of)]


@router.get("/settings")
def settings(request: Request, bench: TheBench) -> Response:
    """Name, rate, tax, terms and white of the shop."""
    return _settings_page(request, bench)


def _settings_page(request: Request, bench: Bench, *, status: int = 200, **more: object) -> Response:
    held = bench.store.settings()
    return page(
        request,
        "settings.html",
        status=status,
        held=held,
        names=NAMES,
        white=shop_white(held),
        tables=bench.store.table_names(),
        **more,
    )


@router.post("/settings")
def save_settings(request: Request, bench: TheBench, form: TheForm) -> Response:
    """Store what was typed, all of it or nothing."""
    typed = form.typed()
    changes = {key: typed[key] for key in NAMES if key in typed}
    try:
        kept = checked_settings(changes, bench.store.settings())
        bench.store.set_settings(kept, by=bench.by(request))
    except ConflictError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _settings_page(request, bench, status=422, **shown)
    return go(request, "/settings", said="settings")
