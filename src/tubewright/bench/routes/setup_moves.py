"""What was turned on a job's display: confirmed before, written down in one touch, corrected, taken back."""

from __future__ import annotations

from collections.abc import Sequence

from fastapi import APIRouter, Request, Response

from tubewright.answers.advise import RINGS
from tubewright.answers.advise_guard import was_open
from tubewright.answers.advise_stored import as_stored, part_id
from tubewright.answers.advised import AdvisedMove
from tubewright.bench import setup_view as view
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.routes.job import Id, TheBench, TheForm
from tubewright.bench.routes.round_guards import confirm_round, shut_words
from tubewright.bench.routes.setup import TheSettingUp, guards_of_round, setup_page
from tubewright.bench.routes.setup_move import typed_move
from tubewright.bench.security import Form
from tubewright.bench.setting_up import SettingUp, Told
from tubewright.bench.setup_choices import asked_of
from tubewright.errors import Fault, InputError
from tubewright.records.model import JobPage

router = APIRouter(include_in_schema=False)

# -- the guard ---------------------------------------------------------------------------------


@router.post("/jobs/{job_id}/setup/guard")
def confirm(request: Request, bench: TheBench, setting_up: TheSettingUp, form: TheForm, job_id: Id) -> Response:
    """Keep who confirmed what for the round; its moves are shown only when each condition is confirmed."""
    job = bench.store.job(job_id)
    told = setting_up.told(bench.store, bench.knowledge, job, asked_of(job))
    guards = guards_of_round(bench, job, view.shown_moves(bench, job, told))
    return confirm_round(
        request,
        bench,
        form,
        job_id,
        guards,
        redraw=lambda more: setup_page(request, bench, setting_up, job, status=409, **more),
        back=f"/jobs/{job_id}/setup#next",
    )


# -- writing down ------------------------------------------------------------------------------


@router.post("/jobs/{job_id}/setup/moves")
def write_down(request: Request, bench: TheBench, setting_up: TheSettingUp, form: TheForm, job_id: Id) -> Response:
    """Write down what was done of the advice: as said, or otherwise."""
    job = bench.store.job(job_id)
    told = setting_up.told(bench.store, bench.knowledge, job, asked_of(job))
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
    more = shut_words(list(names), form, request.url.path)
    return setup_page(request, bench, setting_up, job, status=409, **more)


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
