"""The same answers for programs: JSON in, JSON out, described at ``/openapi.json``."""

from __future__ import annotations

from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, FastAPI, Path, Request, Response
from fastapi.openapi.utils import get_openapi
from fastapi.responses import JSONResponse

from tubewright import __version__
from tubewright.answers.assessment import to_json
from tubewright.answers.diagnose import diagnose
from tubewright.answers.diagnosed import to_json as diagnosed_to_json
from tubewright.answers.proof_json import to_json as proof_to_json
from tubewright.bench.pages import Bench, bench_of, page
from tubewright.bench.papers import compare_job
from tubewright.files import assess_schema, case_schema, read_case
from tubewright.files.diagnose_schema import diagnose_schema
from tubewright.files.proof_schema import proof_schema

router = APIRouter(prefix="/api")
pages = APIRouter(include_in_schema=False)
TheBench = Annotated[Bench, Depends(bench_of)]
Id = Annotated[int, Path(ge=1, le=2**31 - 1)]

FAULTS_SCHEMA: Final[dict[str, Any]] = {
    "type": "object",
    "properties": {
        "faults": {
            "type": "array",
            "items": {
                "type": "object",
                "properties": {name: {"type": "string"} for name in ("what", "where", "mend")},
                "required": ["what", "where", "mend"],
            },
        }
    },
    "required": ["faults"],
}


def _said(description: str, schema: dict[str, Any]) -> dict[str, Any]:
    return {"description": description, "content": {"application/json": {"schema": schema}}}


_WRONG: Final = {"$ref": "#/components/schemas/faults"}
_ANSWER: Final = {"$ref": "#/components/schemas/assessment"}
_DIAGNOSIS: Final = {"$ref": "#/components/schemas/diagnosis"}
_CASE: Final = {"$ref": "#/components/schemas/case"}


async def body_of(request: Request) -> bytes:
    """The body as it came; its faults are found by the reader of cases, not by the framework."""
    return await request.body()


@router.post(
    "/assess",
    summary="Judge a case",
    responses={
        200: _said("The answer", _ANSWER),
        413: {"description": "Too large"},
        415: {"description": "Not JSON"},
        422: _said("What is wrong with the case", _WRONG),
    },
    openapi_extra={"requestBody": {"required": True, "content": {"application/json": {"schema": _CASE}}}},
)
def assess_case(bench: TheBench, body: Annotated[bytes, Depends(body_of)]) -> Response:
    """Condition, decision, odds and next step of the case in the body; nothing is stored."""
    case = read_case(body, "case.json", knowledge=bench.knowledge)
    return JSONResponse(to_json(bench.assess(case, bench.knowledge, bench.store.experience())))


@router.post(
    "/diagnose",
    summary="Diagnose a case",
    responses={
        200: _said("The answer", _DIAGNOSIS),
        413: {"description": "Too large"},
        415: {"description": "Not JSON"},
        422: _said("What is wrong with the case", _WRONG),
    },
    openapi_extra={"requestBody": {"required": True, "content": {"application/json": {"schema": _CASE}}}},
)
def diagnose_case(bench: TheBench, body: Annotated[bytes, Depends(body_of)]) -> Response:
    """Suspects, what speaks for them, and the next tests of the case in the body; nothing is stored."""
    case = read_case(body, "case.json", knowledge=bench.knowledge)
    return JSONResponse(diagnosed_to_json(diagnose(case, bench.knowledge, bench.store.experience())))


@router.get(
    "/jobs/{job_id}/case",
    summary="A job as a case",
    responses={200: _said("The case", _CASE), 404: _said("No such job", _WRONG), 422: _said("No such number", _WRONG)},
)
def case_of_job(bench: TheBench, job_id: Id) -> Response:
    """What is known on this job, in the form of a case file."""
    case = bench.store.case_of(job_id)
    return JSONResponse(case.model_dump(mode="json", exclude_none=True))


@router.get(
    "/jobs/{job_id}/assess",
    summary="Judge a job",
    responses={
        200: _said("The answer", _ANSWER),
        404: _said("No such job", _WRONG),
        422: _said("No such number", _WRONG),
    },
)
def assess_job(bench: TheBench, job_id: Id) -> Response:
    """Condition, decision, odds and next step of the job as it stands; the verdict isn't kept."""
    case = bench.store.case_of(job_id)
    return JSONResponse(to_json(bench.assess(case, bench.knowledge, bench.store.experience())))


@router.get(
    "/jobs/{job_id}/diagnose",
    summary="Diagnose a job",
    responses={
        200: _said("The answer", _DIAGNOSIS),
        404: _said("No such job", _WRONG),
        422: _said("No such number, or findings that can't all be so", _WRONG),
    },
)
def diagnose_job(bench: TheBench, job_id: Id) -> Response:
    """Suspects, what speaks for them, and the next tests of the job as it stands."""
    case = bench.store.case_of(job_id)
    return JSONResponse(diagnosed_to_json(diagnose(case, bench.knowledge, bench.store.experience())))


@router.get(
    "/jobs/{job_id}/proof",
    summary="A job before and after",
    responses={
        200: _said("The comparison", {"$ref": "#/components/schemas/proof"}),
        404: _said("No such job", _WRONG),
        422: _said("No such number, or findings that can't all be so", _WRONG),
    },
)
def proof_of_job(bench: TheBench, job_id: Id) -> Response:
    """What changed beyond doubt, what didn't, and what isn't known."""
    return JSONResponse(proof_to_json(compare_job(bench.store, bench.knowledge, job_id).proof))


@pages.get("/api")
def api_page(request: Request) -> Response:
    """What programs may ask, for people."""
    paths = describe_api(request.app)["paths"]
    routes = [
        {"method": method.upper(), "path": path, "summary": said["summary"]}
        for path, methods in paths.items()
        for method, said in methods.items()
    ]
    return page(request, "api.html", routes=routes)


def describe_api(app: FastAPI) -> dict[str, Any]:
    """The OpenAPI description, with the published schemas of case and answer among its parts."""
    if app.openapi_schema is None:
        schema = get_openapi(
            title="Tubewright bench",
            version=__version__,
            routes=app.routes,
            description="What the pages and the command line say, for programs on this machine.",
        )
        parts: dict[str, Any] = {"faults": FAULTS_SCHEMA}
        for name, published in (
            ("case", case_schema()),
            ("assessment", assess_schema()),
            ("diagnosis", diagnose_schema()),
            ("proof", proof_schema()),
        ):
            inner = published.pop("$defs", {})
            for key in ("$id", "$schema"):
                published.pop(key, None)
            parts[name] = _moved(published, name)
            parts |= {f"{name}_{key}": _moved(value, name) for key, value in inner.items()}
        schema["components"] = {"schemas": parts}
        app.openapi_schema = schema
    return app.openapi_schema


def _moved(part: Any, name: str) -> Any:  # noqa: ANN401 - JSON of any shape
    """The schema with its references leading to where its parts now stand."""
    if isinstance(part, dict):
        return {
            key: f"#/components/schemas/{name}_{value.removeprefix('#/$defs/')}"
            if key == "$ref" and isinstance(value, str)
            else _moved(value, name)
            for key, value in part.items()
        }
    return [_moved(item, name) for item in part] if isinstance(part, list) else part
