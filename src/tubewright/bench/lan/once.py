"""What a phone sends twice is stored once: a key that came with it, and the answer it got the first time.

A phone that hears no answer can't know whether what it sent was stored. It sends it
again under the same key; what was done the first time is then not done again, and
the answer is the same. A form without a key is stored as it always was.
"""

from __future__ import annotations

import datetime as dt
import functools
import json
import math
import re
from collections.abc import Callable
from typing import Final, ParamSpec

from fastapi import Request, Response
from fastapi.responses import RedirectResponse

from tubewright.bench.pages import bench_of
from tubewright.bench.security import Form
from tubewright.errors import Fault, RefusedError
from tubewright.records.model import Pairing

KEY_FIELD: Final = "once_key"
WAITED_FIELD: Final = "once_waited_s"
LONGEST_WAIT_S: Final = 14 * 86_400.0
"""What claims to have waited longer is taken for just typed: the phone's clock was set in between (estimate)."""
REMEMBERED_DAYS: Final = 180.0
"""How long the answers are kept that were given to keys: far longer than anything waits (estimate)."""
CONFIRMED_WITHIN_S: Final = 60.0
"""A confirmation that waited longer says nothing of how things stand now (estimate: one walk to the machine)."""

_KEY: Final = re.compile(r"^[0-9a-f]{32}$")
_WAITED: Final = re.compile(r"^[0-9]{1,9}(\.[0-9]{1,6})?$")
Given = ParamSpec("Given")


class _NotStoredError(Exception):
    """The route answered without storing anything, so its key stays unused."""

    def __init__(self, answer: Response) -> None:
        self.answer = answer
        super().__init__("nothing was stored")


def waited_s(form: Form) -> float:
    """How long a form waited on the phone before it could be sent; 0 if it came at once or says nothing sound.

    The phone measures it by its own clock alone, so a clock that is set wrong doesn't matter.
    """
    said = form.text(WAITED_FIELD)
    if _WAITED.match(said) is None:
        return 0.0
    seconds = float(said)
    return seconds if math.isfinite(seconds) and seconds <= LONGEST_WAIT_S else 0.0


def typed_at(form: Form, now: dt.datetime) -> dt.datetime | None:
    """When something that waited on the phone was typed; ``None`` if it came at once."""
    waited = waited_s(form)
    return now - dt.timedelta(seconds=waited) if waited >= 1 else None


def sent_once(route: Callable[Given, Response]) -> Callable[Given, Response]:
    """A route whose form may be sent again under the same key; stands below the router's own decorator.

    The route takes the request by name. What it raises, and every answer from 400
    on, leaves the key unused: the form can be mended and sent again.
    """

    @functools.wraps(route)
    def kept(*args: Given.args, **kwargs: Given.kwargs) -> Response:
        request = kwargs["request"]
        assert isinstance(request, Request)  # noqa: S101 - every route that is kept once takes its request
        key = key_of(request)
        if key is None:
            return route(*args, **kwargs)
        answers: list[Response] = []

        def work() -> str:
            answer = route(*args, **kwargs)
            if answer.status_code >= 400:
                raise _NotStoredError(answer)
            answers[:] = [answer]
            return json.dumps({"to": answer.headers.get("location", request.url.path)})

        try:
            said, fresh = bench_of(request).store.once(key, request.url.path[:120], work, pairing_id=_phone_id(request))
        except _NotStoredError as refusal:
            return refusal.answer
        return answers[0] if fresh and answers else RedirectResponse(str(json.loads(said)["to"]), status_code=303)

    kept.__dict__["sent_once"] = True
    return kept


def is_sent_once(route: object) -> bool:
    """Whether a route keeps what is sent to it under a key; a page that offers to wait must lead to such a one."""
    return getattr(route, "sent_once", False) is True


def key_of(request: Request) -> str | None:
    """The key that a form came with; ``None`` without one, or where the form doesn't count at all."""
    form: Form = request.state.form
    key = form.text(KEY_FIELD)
    return key if _KEY.match(key) and not request.state.stale_form else None


def _phone_id(request: Request) -> int | None:
    phone: Pairing | None = request.state.phone
    return phone.id if phone is not None else None


def stored_once(request: Request, what: str, to: str, work: Callable[[], int]) -> int:
    """Store a part of what a form asks for once, where the rest takes too long to hold others up, or may be done again.

    Args:
        request: It, with its form.
        what: The address under which the same form is stored by itself.
        to: Where that address leads afterwards.
        work: Stores it, and says how many records that were.

    Returns:
        How many were stored, now or the first time.
    """
    key = key_of(request)
    if key is None:
        return work()
    said, _ = bench_of(request).store.once(
        key, what, lambda: json.dumps({"to": to, "stored": work()}), pairing_id=_phone_id(request)
    )
    return int(json.loads(said).get("stored", 1))


def require_fresh(form: Form) -> None:
    """Refuse what was confirmed too long ago to count.

    Raises:
        RefusedError: It waited on the phone for longer than a confirmation may.
    """
    waited = waited_s(form)
    if waited > CONFIRMED_WITHIN_S:
        raise RefusedError(
            Fault(
                what=f"this confirmation waited {waited:.0f} s on the phone, so it was not taken",
                where="confirmed",
                mend="Make sure of it again, as it stands now, and confirm it then",
            )
        )
