"""The guard of a round of controls on a page: two ways of turning them, each with its conditions, and who confirms."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Final

from fastapi import Request, Response

from tubewright.answers.advise_guard import WAY_WORDS, RoundGuard, Way, control_step
from tubewright.bench.forms import FormReader
from tubewright.bench.guarding import Lock
from tubewright.bench.pages import PERSON_COOKIE, YEAR_SECONDS, Bench, go
from tubewright.bench.routes.guards import KEPT, person_of
from tubewright.bench.routes.job import job_page
from tubewright.bench.routes.shop import inside
from tubewright.bench.security import TOKEN_FIELD, Form
from tubewright.errors import Fault
from tubewright.judgement.guards import DEFERS

PART: Final = "Set-up"

Redraw = Callable[[Mapping[str, Any]], Response]
"""Draws the page of the round again, with what is to be shown beside it."""


def guard_context(bench: Bench, guards: Mapping[Way, RoundGuard]) -> dict[str, Any]:
    """What a page needs to ask for a round's conditions."""
    return {
        "guards": guards,
        "guard_ways": WAY_WORDS,
        "people": [p for p in bench.store.people() if p.active],
        "defers": DEFERS,
        "kept": (),
        "kept_path": "",
        "ticked": frozenset(),
    }


def confirm_round(
    request: Request,
    bench: Bench,
    form: Form,
    job_id: int,
    guards: Mapping[Way, RoundGuard],
    *,
    redraw: Redraw,
    back: str,
) -> Response:
    """Keep who confirmed what for a round; its moves are shown only when each condition is confirmed.

    Args:
        request: What was asked.
        bench: The bench.
        form: What was ticked.
        job_id: The job.
        guards: What the round asks for, by the way it is done.
        redraw: Draws the page again where something is missing.
        back: Where it leads once all is confirmed.
    """
    chosen = next((guard for way, guard in guards.items() if way == form.text("way")), None)
    if chosen is None or not chosen.left:
        return go(request, back)
    ticked = set(form.all("confirmed"))
    faults = [
        Fault(what=f"not confirmed: {one.words}", where="confirmed", mend="Make it so, then tick it.")
        for one in chosen.open
        if one.caution not in ticked
    ]
    read = FormReader(form)
    name = read.words("new_person", longest=80)
    person = person_of(bench, request, form)
    if person is None and not name:
        faults.append(
            Fault(what="nobody is named as confirming it", where="person", mend="Say who you are; it is kept.")
        )
    kept = [
        (field.removeprefix(KEPT), value)
        for field, value in form.pairs
        if field.startswith(KEPT) and field != "kept_path"
    ]
    if faults or read.faults:
        return redraw(
            {
                "kept": kept,
                "kept_path": form.text("kept_path"),
                "ticked": ticked,
                "guard_way": chosen.way,
                "fault_list": (*faults, *read.faults),
                "faults": {fault.where: fault for fault in (*faults, *read.faults)},
                "typed": form.typed(),
            }
        )
    with bench.store.together():
        by = bench.store.add_person(name).id if person is None else person
        for control, conditions in chosen.left:
            words = {one.caution: one.words for one in conditions}
            bench.store.confirm(job_id, "control", control, cautions=words, by=by)
    if kept:
        # What was typed while a control was shut is sent once more, now that it is open.
        control = next((value for field, value in kept if field == "control" and value in bench.knowledge.controls), "")
        step = control_step(bench.knowledge, control or chosen.left[0][0], chosen.way)
        answer = job_page(
            request,
            "guard_open.html",
            bench.store.job(job_id),
            PART,
            lock=Lock(step=step, left=(), given=()),
            kept=kept,
            kept_path=inside(form.text("kept_path")),
            place=back.partition("#")[0],
        )
    else:
        answer = go(request, back, said="confirmed", job_id=job_id)
    answer.set_cookie(PERSON_COOKIE, str(by), max_age=YEAR_SECONDS, path="/", httponly=True, samesite="lax")
    return answer


def shut_words(names: list[str], form: Form, path: str) -> dict[str, Any]:
    """What a page shows of a form about controls that are shut: nothing is stored, nothing that was typed is lost."""
    said = Fault(
        what=f"“{'”, “'.join(names)}” {'is' if len(names) == 1 else 'are'} shut: what it needs is not confirmed",
        where="guard",
        mend="Confirm below; what you typed is kept and can be saved then.",
    )
    kept = [(name, value) for name, value in form.pairs if name != TOKEN_FIELD]
    return {"kept": kept, "kept_path": path, "fault_list": (said,)}
