"""The one place where an error becomes a page, or JSON for programs."""

from __future__ import annotations

import logging
from typing import Any

from fastapi import FastAPI, Request, Response
from fastapi.exceptions import RequestValidationError
from fastapi.responses import JSONResponse, PlainTextResponse
from starlette.exceptions import HTTPException
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tubewright.bench.pages import StaleFormError, page
from tubewright.errors import ConflictError, Fault, InputError, RefusedError, TubewrightError, UnknownRecordError

log = logging.getLogger("tubewright.bench")


class Failures:
    """ASGI middleware: what nobody expected goes to the log, and the person gets one plain line."""

    def __init__(self, app: ASGIApp) -> None:
        self.app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Run the application and catch what falls through."""
        started = False

        async def watching(message: Message) -> None:
            nonlocal started
            started = started or message["type"] == "http.response.start"
            await send(message)

        try:
            await self.app(scope, receive, watching)
        except Exception:
            log.exception("%s %s failed", scope.get("method", ""), scope.get("path", ""))
            if started or scope["type"] != "http":
                raise
            words = "Something went wrong on our side, and it is in the log. What you typed was not stored: go back."
            answer: Response = (
                JSONResponse({"faults": [{"what": "our own failure", "where": "", "mend": "See the log."}]}, 500)
                if scope["path"].startswith("/api/")
                else PlainTextResponse(words + "\n", status_code=500)
            )
            await answer(scope, receive, send)


def add_handlers(app: FastAPI) -> None:
    """Teach the application which error is shown how."""
    app.add_exception_handler(TubewrightError, _ours)
    app.add_exception_handler(StaleFormError, _stale)
    app.add_exception_handler(RequestValidationError, _bad_address)
    app.add_exception_handler(HTTPException, _http)


def _status(error: TubewrightError) -> int:
    match error:
        case UnknownRecordError():
            return 404
        case ConflictError():
            return 409
        case RefusedError():
            return 403
        case InputError():
            return 422
        case _:
            return 500


def _ours(request: Request, error: Exception) -> Response:
    assert isinstance(error, TubewrightError)  # noqa: S101 - registered for these only
    status = _status(error)
    if request.url.path.startswith("/api/"):
        return _json(status, error.faults)
    titles = {
        404: "That is not in the records",
        409: "Somebody else was quicker",
        403: "That must not be done",
        422: "That does not fit",
    }
    lines = [f"{f.what[:1].upper()}{f.what[1:]}. {f.mend.rstrip('.')}." for f in error.faults]
    return page(
        request,
        "message.html",
        status=status,
        title=titles.get(status, "Something went wrong"),
        lines=lines or ["It may have been struck out, or the address is misspelt."],
        back=_back(request),
        back_words="Back" if request.method == "POST" else "To the board",
    )


def _back(request: Request) -> str:
    """Where the person came from, if that was a page of ours."""
    if request.method != "POST":
        return "/"
    came = request.headers.get("referer", "")
    base = str(request.base_url)
    return "/" + came.removeprefix(base) if came.startswith(base) else "/"


def _stale(request: Request, error: Exception) -> Response:
    assert isinstance(error, StaleFormError)  # noqa: S101 - registered for these only
    return page(request, "send_again.html", status=403, pairs=error.form.pairs)


def _bad_address(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)  # noqa: S101 - registered for these only
    if request.url.path.startswith("/api/"):
        faults = [
            Fault(what=str(e["msg"]), where=".".join(str(p) for p in e["loc"]), mend="Mend the address.")
            for e in error.errors()
        ]
        return _json(422, faults)
    return _not_found(request)


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)  # noqa: S101 - registered for these only
    if request.url.path.startswith("/api/") or request.url.path == "/openapi.json":
        answer = _json(error.status_code, [Fault(what=str(error.detail), where=request.url.path, mend="See /api.")])
    elif error.status_code == 404:
        answer = _not_found(request)
    else:
        answer = PlainTextResponse(f"{error.detail}\n", status_code=error.status_code)
    answer.headers.update(error.headers or {})
    return answer


def _not_found(request: Request) -> Response:
    words = ["There is no such page. The address may be misspelt."]
    return page(
        request, "message.html", status=404, title="Nothing here", lines=words, back="/", back_words="To the board"
    )


def _json(status: int, faults: Any) -> Response:  # noqa: ANN401 - any sequence of faults
    return JSONResponse({"faults": [{"what": f.what, "where": f.where, "mend": f.mend} for f in faults]}, status)
