"""Turning what a route found into a page: templates, filters, and what every page shows."""

from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from importlib import resources
from typing import Any, Final

from fastapi import Request
from fastapi.responses import HTMLResponse, RedirectResponse
from jinja2 import Environment, PackageLoader, StrictUndefined

from tubewright import __version__
from tubewright.answers.assessment import Assessment
from tubewright.bench import words
from tubewright.bench.security import TOKEN_FIELD, Form
from tubewright.case import Case
from tubewright.errors import Fault
from tubewright.experience import Experience
from tubewright.knowledge.model import Knowledge
from tubewright.records.model import Person
from tubewright.records.store import Store

THEME_COOKIE: Final = "tubewright_theme"
PERSON_COOKIE: Final = "tubewright_person"
THEMES: Final = ("auto", "light", "dark")
YEAR_SECONDS: Final = 31_536_000

Assess = Callable[[Case, Knowledge, Experience], Assessment]
Replay = Callable[[Case, Knowledge, Experience, int, int], Assessment]


@dataclass(slots=True, kw_only=True)
class Bench:
    """What the routes work with; one per application, handed in and never global."""

    store: Store
    knowledge: Knowledge
    assess: Assess
    replay: Replay
    templates: Environment
    own_mistakes: tuple[Fault, ...] = ()
    own_before: bool = False
    """Whether, while the shop's own file has mistakes, what it said before holds."""

    def person(self, request: Request) -> Person | None:
        """Who is at the bench, if somebody said so and is still known."""
        chosen = request.cookies.get(PERSON_COOKIE, "")
        if not (chosen.isascii() and chosen.isdigit()):
            return None
        return next((p for p in self.store.people() if str(p.id) == chosen), None)

    def by(self, request: Request) -> int | None:
        """The id of the person at the bench, for the store."""
        person = self.person(request)
        return None if person is None else person.id


def bench_of(request: Request) -> Bench:
    """The bench that this application serves (a FastAPI dependency)."""
    bench: Bench = request.app.state.bench
    return bench


def form_of(request: Request) -> Form:
    """What was posted; the guard has read it already (a FastAPI dependency).

    Raises:
        StaleFormError: The form carries no token of this session, or an old one.
    """
    form: Form = request.state.form
    if request.state.stale_form:
        raise StaleFormError(form)
    return form


class StaleFormError(Exception):
    """A form was sent with a token that doesn't count; what was typed goes back to the person."""

    def __init__(self, form: Form) -> None:
        self.form = form
        super().__init__("the form is out of date")


def theme_of(request: Request) -> str:
    """``auto``, ``light`` or ``dark``, as chosen in this browser."""
    chosen = request.cookies.get(THEME_COOKIE, "auto")
    return chosen if chosen in THEMES else "auto"


def page(request: Request, template: str, *, status: int = 200, **context: object) -> HTMLResponse:
    """Draw a template with what all pages share."""
    bench = bench_of(request)
    shared: dict[str, Any] = {
        "path": request.url.path,
        "here": request.url.path + (f"?{request.url.query}" if request.url.query else ""),
        "token": request.state.form_token,
        "token_field": TOKEN_FIELD,
        "theme": theme_of(request),
        "person": bench.person(request),
        "version": __version__,
        "typed": {},
        "faults": {},
        "fault_list": (),
        "labels": {},
        "undoable": _undoable(request, bench),
        "own_mistakes": bench.own_mistakes,
        "own_before": bench.own_before,
        # Whether a phone asks, over a connection that may break.
        "far": not request.state.near,
        "chassis_names": [(one.id, one.name) for one in bench.knowledge.chassis.values()],
        "asset": _asset,
    }
    html = bench.templates.get_template(template).render({**shared, **context})
    return HTMLResponse(html, status_code=status)


def wrong(faults: Mapping[str, Fault], listed: Sequence[Fault], form: Form) -> dict[str, Any]:
    """What a page needs to show its form again with the faults at their fields."""
    return {"faults": faults, "fault_list": tuple(listed), "typed": form.typed()}


def go(request: Request, to: str, *, said: str = "", job_id: int | None = None) -> RedirectResponse:
    """Send the browser on after something was stored, with a line that says so and offers to undo it."""
    target, _, fragment = to.partition("#")
    if said:
        bench = bench_of(request)
        # After a judgement the newest change is the verdict, which nobody means to take back.
        newest = bench.store.history(job_id=job_id, person_id=bench.by(request), size=1) if said != "judged" else ()
        target += ("&" if "?" in target else "?") + f"said={said}" + (f"&change={newest[0].id}" if newest else "")
    return RedirectResponse(target + (f"#{fragment}" if fragment else ""), status_code=303)


SAID: Final[Mapping[str, str]] = {
    "readings": "Readings saved.",
    "reading": "Reading changed.",
    "struck": "Struck out.",
    "greys": "Reading of the grey steps kept.",
    "symptoms": "Symptoms saved.",
    "test": "Test result saved.",
    "treatment": "Treatment saved.",
    "treated": "Step written down; the plan is made anew below.",
    "history_unknown": "Noted: nobody knows of earlier restorations.",
    "after": "Reading written down.",
    "outcome": "Outcome written down.",
    "move": "Move written down.",
    "moves": "Moves written down.",
    "chosen": "Reckoned with these from now on.",
    "facts": "Saved.",
    "looked": "What you saw of the glass is saved.",
    "opened": "The job is on the board.",
    "closed": "The job is closed.",
    "reopened": "The job is open again.",
    "display": "Display saved.",
    "tube": "Tube saved.",
    "fitted": "The tube is in its display.",
    "taken_out": "The tube is on the shelf.",
    "instrument": "Instrument saved.",
    "known_good": "Known-good reading saved.",
    "photos": "Photographs kept.",
    "measured": "Measured.",
    "taken_over": "Findings taken over; the next verdict reckons with them.",
    "judged": "Readings saved, verdict kept.",
    "confirmed": "Confirmed, and kept with the job.",
    "repair": "Repair written down.",
    "taken_in": "The job is taken in; what was known here already stayed as it is.",
    "given_out": "Given out, and kept with the job.",
    "settings": "The shop's settings are saved.",
    "stock": "Saved in the stock.",
    "counted": "The count is saved.",
    "imported": "The list is in the stock.",
    "reserved": "Reserved for the job.",
    "used": "Used; it is off the stock and in the cost.",
    "released": "Given back to the stock.",
    "recap_taken": "Reserved what the stock has; the rest is on the order list.",
    "aside": "Set aside; it is in the list of tests set aside.",
    "stands": "Noted how the set stands.",
}


def _undoable(request: Request, bench: Bench) -> dict[str, Any] | None:
    """The line after a redirect: what was done, and the change to undo, if it still can be."""
    said = request.query_params.get("said", "")
    if said == "undone":
        return {"words": "Taken back.", "change": None}
    if said not in SAID:
        return None
    change = request.query_params.get("change", "")
    known = change if change.isascii() and change.isdigit() else None
    recent = {str(record.id): record for record in bench.store.history(size=20)} if known else {}
    # A job that was taken back has no page to return to.
    back = "/" if said == "opened" else request.url.path
    return {"words": SAID[said], "change": known if known in recent else None, "back": back}


@lru_cache(maxsize=32)
def _asset(name: str) -> str:
    """Address of a static file that changes with its content."""
    data = (resources.files("tubewright.bench") / "static" / name).read_bytes()
    return f"/static/{name}?v={hashlib.sha256(data).hexdigest()[:12]}"


@lru_cache(maxsize=1)
def environment() -> Environment:
    """The templates with their filters, compiled once; all is escaped, and a misspelt name is an error."""
    env = Environment(
        loader=PackageLoader("tubewright.bench"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    env.filters.update(
        day=day,
        moment=moment,
        number=words.number,
        decision=words.decision,
        kind=words.kind,
        reading=words.reading_value,
        conditions=words.conditions,
        gun_list=words.gun_list,
        cap=words.capital,
        unbroken=words.unbroken,
        beyond=words.beyond,
        on_the_page=words.on_the_page,
    )
    env.globals.update(word=words)
    return env


def day(at: dt.datetime | dt.date | None) -> str:
    """A date as people write it in logs, in local time."""
    if at is None:
        return ""
    if isinstance(at, dt.datetime):
        at = (at if at.tzinfo else at.replace(tzinfo=dt.UTC)).astimezone().date()
    return at.isoformat()


def moment(at: dt.datetime | None) -> str:
    """Date and time in local time."""
    if at is None:
        return ""
    return (at if at.tzinfo else at.replace(tzinfo=dt.UTC)).astimezone().strftime("%Y-%m-%d %H:%M")
