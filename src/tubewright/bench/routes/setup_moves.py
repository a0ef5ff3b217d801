"""What was turned on a job's display: confirmed before, written down in one touch, corrected, taken back."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import APIRouter, Request, Response

from tubewright.answers.advise import RINGS
from tubewright.answers.advise_guard import control_step, was_open
from tubewright.answers.advise_stored import as_stored, part_id
from tubewright.answers.advised import AdvisedMove
from tubewright.bench import setup_view as view
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.guarding import Lock
from tubewright.bench.pages import PERSON_COOKIE, YEAR_SECONDS, Bench, go, wrong
from tubewright.bench.routes.guards import KEPT
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.routes.setup import PART, TheSettingUp, setup_page
from tubewright.bench.routes.setup_move import typed_move
from tubewright.bench.routes.shop import inside
from tubewright.bench.security import TOKEN_FIELD, Form
from tubewright.bench.setting_up import SettingUp, Told
from tubewright.bench.setup_choices import choices_of
from tubewright.errors import Fault, InputError
from tubewright.records.model import JobPage

router = APIRouter(include_in_schema=False)

# -- the guard ---------------------------------------------------------------------------------


@router.post("/jobs/{job_id}/setup/guard")
def confirm(request: Request, bench: TheBench, setting_up: TheSettingUp, form: TheForm, job_id: Id) -> Response:
    """Keep who confirmed what for the round; its moves are shown only when each condition is confirmed."""
    job = bench.store.job(job_id)
    told = setting_up.told(bench.store, bench.knowledge, job, choices_of(request).asked(job))
    guards = view.guards_of(bench, job, view.shown_moves(bench, job, told))
    chosen = next((guard for way, guard in guards.items() if way == form.text("way")), None)
    if not guards or chosen is None:
        return go(request, f"/jobs/{job_id}/setup#next")
    ticked = set(form.all("confirmed"))
    missing = [one for one in chosen.open if one.caution not in ticked]
    faults = [
        Fault(what=f"not confirmed: {one.words}", where="confirmed", mend="Make it so, then tick it.")
        for one in missing
    ]
    read = FormReader(form)
    name = read.words("new_person", longest=80)
    person = _person(bench, request, form)
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
        more = {
            "kept": kept,
            "kept_path": form.text("kept_path"),
            "ticked": ticked,
            "guard_way": chosen.way,
            "fault_list": (*faults, *read.faults),
            "faults": {fault.where: fault for fault in (*faults, *read.faults)},
            "typed": form.typed(),
        }
        return setup_page(request, bench, setting_up, job, status=409, **more)
    with bench.store.together():
        by = bench.store.add_person(name).id if person is None else person
        for control, conditions in chosen.left:
            words = {one.caution: one.words for one in conditions}
            bench.store.confirm(job_id, "control", control, cautions=words, by=by)
    if kept:
        answer = _save_kept(request, bench, bench.store.job(job_id), kept, form.text("kept_path"))
    else:
        answer = go(request, f"/jobs/{job_id}/setup#next", said="confirmed", job_id=job_id)
    answer.set_cookie(PERSON_COOKIE, str(by), max_age=YEAR_SECONDS, path="/", httponly=True, samesite="lax")
    return answer


def _save_kept(request: Request, bench: Bench, job: JobPage, kept: Sequence[tuple[str, str]], path: str) -> Response:
    """What was typed while a control was shut, to be sent once more now that it is open."""
    control = next((value for name, value in kept if name == "control" and value in bench.knowledge.controls), "")
    step = control_step(bench.knowledge, control or next(iter(bench.knowledge.controls)), "off")
    return job_page(
        request,
        "guard_open.html",
        job,
        PART,
        lock=Lock(step=step, left=(), given=()),
        kept=kept,
        kept_path=inside(path),
        place=f"/jobs/{job.job.id}/setup",
    )


def _person(bench: Bench, request: Request, form: Form) -> int | None:
    if form.text("new_person"):
        return None
    known = [p.id for p in bench.store.people() if p.active]
    chosen = form.text("person")
    if chosen.isascii() and chosen.isdigit() and int(chosen) in known:
        return int(chosen)
    return bench.by(request)


# -- writing down ------------------------------------------------------------------------------


@router.post("/jobs/{job_id}/setup/moves")
def write_down(request: Request, bench: TheBench, setting_up: TheSettingUp, form: TheForm, job_id: Id) -> Response:
    """Write down what was done of the advice: as said, or otherwise."""
    job = bench.store.job(job_id)
    told = setting_up.told(bench.store, bench.knowledge, job, choices_of(request).asked(job))
    what = form.text("what")
    shown = [one for one in view.shown_moves(bench, job, told) if one.done is None]
    if what == "all":
        wanted = [one for one in shown if one.seen in set(form.all("seen"))]
        stale = len(wanted) != len(shown)
    else:
        wanted = [one for one in shown if one.key == form.text("move")]
        stale = not wanted or wanted[0].seen != form.text("seen")
    if stale or not wanted:
        said = Fault(
            what="the advice is another one by now, or this is written down already",
            where="advice",
            mend="Look at it again; nothing that was written down before is lost.",
        )
        return setup_page(request, bench, setting_up, job, status=409, fault_list=(said,))
    closed = [one for one in wanted if not _open(bench, job, one.it.control)]
    if closed:
        return _refused(request, bench, setting_up, job, form, [one.it.name for one in closed])
    try:
        values = [_values(form, one.it, told, what) for one in wanted]
    except InputError as error:
        more = wrong(by_field(error.faults), error.faults, form)
        return setup_page(request, bench, setting_up, job, status=422, open_move=form.text("move"), **more)
    with bench.store.together():
        for each in values:
            bench.store.add_move(job_id, each, by=bench.by(request))
    return go(request, f"/jobs/{job_id}/setup#next", said="moves" if len(values) > 1 else "move", job_id=job_id)


def _open(bench: Bench, job: JobPage, control: str) -> bool:
    return was_open(
        control,
        job.confirmations,
        now=bench.store.clock(),
        ran_at=view.ran_at(job),
        knowledge=bench.knowledge,
    )


def _refused(
    request: Request, bench: Bench, setting_up: SettingUp, job: JobPage, form: Form, names: Sequence[str]
) -> Response:
    """The answer to a move whose control is shut: nothing is stored, and nothing that was typed is lost."""
    said = Fault(
        what=f"“{'”, “'.join(names)}” {'is' if len(names) == 1 else 'are'} shut: what it needs is not confirmed",
        where="guard",
        mend="Confirm below; what you typed is kept and can be saved then.",
    )
    kept = [(name, value) for name, value in form.pairs if name != TOKEN_FIELD]
    return setup_page(
        request, bench, setting_up, job, status=409, kept=kept, kept_path=request.url.path, fault_list=(said,)
    )


def _values(form: Form, move: AdvisedMove, told: Told, what: str) -> dict[str, object]:
    """An advised move as it is stored, by what was said of it.

    Raises:
        InputError: What was typed of it makes no sense.
    """
    after = told.gathered.photographs[-1]
    values = as_stored(move, after)
    if what == "differently":
        read = FormReader(form)
        ring = told.gathered.rings.get(move.control)
        typed = typed_move(read, move.control, ring, part=part_id(move.part))
        read.finish()
        return {**values, **typed}
    if what == "wrong_way":
        return {**values, "wrong_way": True}
    if what == "at_stop":
        # It may have gone some of the way: how far nobody can tell, so it counts as not at all.
        stays: dict[str, object] = (
            {"amount": None} if move.control not in RINGS else {"tabs_mm": None, "angle_deg": None}
        )
        return {**values, **stays, "at_stop": True}
    return values
