"""The bench as a web application: pages for people, JSON for programs, nothing from outside."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from importlib import resources
from pathlib import Path

from fastapi import FastAPI
from fastapi.responses import FileResponse, Response
from fastapi.staticfiles import StaticFiles
from starlette.types import Scope

from tubewright import __version__
from tubewright.answers.assessment import Assessment
from tubewright.bench.diagnosing import Diagnosing
from tubewright.bench.dueing import Dues
from tubewright.bench.failures import Failures, add_handlers
from tubewright.bench.lan import phone, phones, sending
from tubewright.bench.lan.gate import Gate, Network
from tubewright.bench.lan.pairing import Offers
from tubewright.bench.measuring import Measure, Measuring
from tubewright.bench.money_drafts import MoneyDrafts
from tubewright.bench.pages import Assess, Bench, Replay, environment
from tubewright.bench.pictures import Drawings
from tubewright.bench.routes import (
    afc,
    api,
    archive,
    board,
    diagnosis,
    donor,
    due,
    facts,
    findings,
    greyscale,
    guards,
    measurements,
    papers,
    patterns,
    photos,
    quote,
    rasters,
    readings,
    recap,
    reckon,
    records,
    repairs,
    settings,
    setup,
    setup_move,
    setup_moves,
    shop,
    source,
    stock,
    stock_api,
    stock_forms,
    stock_job,
    stock_labels,
    stock_lists,
    supply,
    tools,
    treating,
    treatments,
    verdict,
)
from tubewright.bench.security import Guard
from tubewright.bench.treating import Holds
from tubewright.case import Case
from tubewright.errors import Fault
from tubewright.experience import Experience
from tubewright.knowledge.model import Knowledge
from tubewright.records.store import Store


def create_app(
    store: Store,
    knowledge: Knowledge,
    *,
    assess: Assess | None = None,
    replay: Replay | None = None,
    measure: Measure | None = None,
    secret: bytes | None = None,
    own_mistakes: tuple[Fault, ...] = (),
    network: Network | None = None,
    clock_s: Callable[[], float] = time.monotonic,
) -> FastAPI:
    """The bench over one shop.

    Args:
        store: The shop's records.
        knowledge: What the trade knows.
        assess: Judges a case; the program's own unless a test brings another.
        replay: Judges a case again from a given seed with as many futures; likewise.
        measure: Measures photographs; likewise.
        own_mistakes: What is wrong with the shop's own file, if it had to be left out; every page says so.
        secret: Key of the form tokens; a fresh one at each start unless given.
        network: Where paired phones reach the bench; ``None`` where it is open to this machine alone.
        clock_s: Seconds that never run backwards, by which strangers are slowed down.
    """
    app = FastAPI(title="Tubewright bench", version=__version__, docs_url=None, redoc_url=None)
    app.state.bench = Bench(
        store=store,
        knowledge=knowledge,
        assess=assess or _assess,
        replay=replay or _replay,
        templates=environment(),
        own_mistakes=own_mistakes,
    )
    app.state.lan_address = network.base if network is not None else ""
    app.state.offers = Offers()
    app.state.drawings = Drawings()
    app.state.diagnosing = Diagnosing()
    app.state.holds = Holds()
    app.state.dues = Dues(app.state.holds)
    app.state.money_drafts = MoneyDrafts()
    app.state.measuring = Measuring(store, knowledge, measure=measure)
    app.mount("/static", _Static(directory=Path(str(resources.files("tubewright.bench") / "static"))), name="static")
    # The fixed addresses (/jobs/new) come before those with a number in them.
    for part in (
        board,
        due,
        readings,
        diagnosis,
        guards,
        repairs,
        findings,
        facts,
        treating,
        treatments,
        greyscale,
        setup,
        setup_move,
        setup_moves,
        photos,
        measurements,
        papers,
        verdict,
    ):
        app.include_router(part.router)
    for part in (records, reckon, recap, source, afc, tools, patterns, rasters, supply, shop, settings, quote, archive):
        app.include_router(part.router)
    # Lists, forms and labels before the one item, whose address ends in a number.
    for part in (stock_lists, stock_forms, stock_labels, stock, stock_job, donor):
        app.include_router(part.router)
    for part in (phones, phone, sending):
        app.include_router(part.router)
    app.include_router(api.router)
    app.include_router(stock_api.router)
    app.include_router(api.pages)
    app.add_api_route("/favicon.ico", _icon, include_in_schema=False)
    app.openapi = lambda: api.describe_api(app)  # type: ignore[method-assign] # the framework's own way to extend it
    add_handlers(app)
    app.add_middleware(Failures)
    app.add_middleware(
        Guard, secret=secret, gate=Gate(network, store, clock_s=clock_s) if network is not None else None
    )
    return app


def _assess(case: Case, knowledge: Knowledge, experience: Experience) -> Assessment:
    from tubewright.answers.assess import assess

    return assess(case, knowledge, experience)


def _replay(case: Case, knowledge: Knowledge, experience: Experience, seed: int, futures: int) -> Assessment:
    from tubewright.answers.assess import assess

    return assess(case, knowledge, experience, seed=seed, futures=futures)


class _Static(StaticFiles):
    """Our own files; their addresses change with their content, so they may be kept."""

    def file_response(
        self, full_path: str | os.PathLike[str], stat_result: os.stat_result, scope: Scope, status_code: int = 200
    ) -> Response:
        answer = super().file_response(full_path, stat_result, scope, status_code)
        kept = "public, max-age=31536000, immutable" if b"v=" in scope.get("query_string", b"") else "no-cache"
        answer.headers["cache-control"] = kept
        return answer


def _icon() -> FileResponse:
    return FileResponse(
        Path(str(resources.files("tubewright.bench") / "static" / "icon.svg")), media_type="image/svg+xml"
    )
