"""The stock for programs: the list, the order list, the parts of a job."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from fastapi import APIRouter, Response
from fastapi.responses import JSONResponse

from tubewright.answers.stock import order_json, parts_json, stock_json
from tubewright.answers.stock_kinds import kinds
from tubewright.bench.routes.job import Id, TheBench
from tubewright.bench.stocking import items_of, order_of, taken_of
from tubewright.files.stock_schema import stock_order_schema, stock_parts_schema, stock_schema

router = APIRouter(prefix="/api")

_WRONG: Final = {"$ref": "#/components/schemas/faults"}


def _body(description: str, made: Callable[[], dict[str, Any]]) -> dict[str, Any]:
    schema = {name: part for name, part in made().items() if name not in {"$schema", "$id"}}
    return {"description": description, "content": {"application/json": {"schema": schema}}}


def _wrong(description: str) -> dict[str, Any]:
    return {"description": description, "content": {"application/json": {"schema": _WRONG}}}


@router.get("/stock", summary="The stock", responses={200: _body("Every item", stock_schema)})
def stock(bench: TheBench) -> Response:
    """What lies in stock, what of it is reserved, and what is short."""
    return JSONResponse(stock_json(items_of(bench.store.all_items()), kinds(bench.knowledge)))


@router.get("/stock/order", summary="The order list", responses={200: _body("Line by line", stock_order_schema)})
def order(bench: TheBench) -> Response:
    """What is to be ordered, and for which jobs."""
    return JSONResponse(order_json(order_of(bench.store.order_list()), kinds(bench.knowledge)))


@router.get(
    "/jobs/{job_id}/parts",
    summary="The parts of a job",
    responses={
        200: _body("Reservations and their cost", stock_parts_schema),
        404: _wrong("No such job"),
        422: _wrong("No such number"),
    },
)
def parts(bench: TheBench, job_id: Id) -> Response:
    """What the job reserved, used and gave back, with the cost by currency."""
    return JSONResponse(parts_json(job_id, taken_of(bench.store.reservations(job_id))))
