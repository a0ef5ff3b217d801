"""The verdict: asked for, kept, looked back at, replayed; and its drawings."""

from __future__ import annotations

import re
from dataclasses import dataclass, replace
from typing import Final

from fastapi import APIRouter, Request, Response

from tubewright.bench.judging import judge_job, outdated
from tubewright.bench.lan.once import stored_once
from tubewright.bench.pages import Bench, go
from tubewright.bench.pictures import drawing, figure_of
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.routes.readings import grid_again, store_grid
from tubewright.bench.security import Form
from tubewright.bench.stored import answer_from_json
from tubewright.case import Case
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.records.model import JobPage, VerdictRecord
from tubewright.report.charts import condition_chart, options_chart
from tubewright.report.describe import Block, Listing, Paragraph, Section, Table, describe

router = APIRouter(include_in_schema=False)
PLACES: Final = {
    "left": ("next_steps", "remarks"),
    "right": ("condition", "plan"),
    "wide": ("options", "would_change"),
    "last_left": ("suspects", "missing"),
    "last_right": ("model",),
}
JUMPS: Final = ("next_steps", "condition", "plan", "options", "would_change", "suspects")


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """A block of a description with its kind by name, as the template asks for it."""

    kind: str
    it: Block


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownSection:
    """A section ready for its template."""

    id: str
    title: str
    blocks: tuple[Shown, ...]


def _shown(section: Section) -> ShownSection:
    blocks = tuple(Shown(kind=_kind(b), it=_for_pages(b)) for b in section.blocks)
    return ShownSection(id=section.id, title=section.title, blocks=blocks)


def _for_pages(block: Block) -> Block:
    """A block without its advice on commands, which has its place in a terminal."""
    if isinstance(block, Paragraph) and "`tubewright" in block.text:
        return replace(block, text=_COMMAND.sub("the job's page of tests has them", block.text))
    return block


_COMMAND: Final = re.compile(r"`tubewright [^`]*` has them")


def _kind(block: Block) -> str:
    match block:
        case Paragraph():
            return "paragraph"
        case Listing():
            return "listing"
        case Table():
            return "table"
        case _:
            return "step"


@router.post("/jobs/{job_id}/verdict")
def judge(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Judge the job as it stands and keep the verdict; readings that came along are stored first."""
    try:
        stored = _grid_once(request, bench, form, job_id) if _from_grid(request, job_id) else 0
    except UnknownRecordError:
        raise
    except InputError as error:
        return grid_again(request, bench, form, job_id, error)
    kept = judge_job(bench, job_id, by=bench.by(request))
    return go(request, f"/jobs/{job_id}/verdicts/{kept.id}", said="judged" if stored else "", job_id=job_id)


def _grid_once(request: Request, bench: Bench, form: Form, job_id: int) -> int:
    base = f"/jobs/{job_id}"
    return stored_once(
        request, f"{base}/readings", f"{base}?said=readings", lambda: store_grid(request, bench, form, job_id)
    )


def _from_grid(request: Request, job_id: int) -> bool:
    """Whether the readings form was sent here, with what is in its grid."""
    return "emission_unit" in request.state.form.typed() and job_id > 0


@router.get("/jobs/{job_id}/verdict")
def last_verdict(request: Request, bench: TheBench, job_id: Id) -> Response:
    """The last verdict, or the offer to give one."""
    job = bench.store.job(job_id)
    if not job.verdicts:
        return job_page(request, "verdict_none.html", job, "Verdict")
    return _verdict_page(request, bench, job, job.verdicts[-1])


def _find(bench: Bench, job_id: int, verdict_id: int) -> tuple[JobPage, VerdictRecord]:
    job = bench.store.job(job_id)
    found = next((v for v in job.verdicts if v.id == verdict_id), None)
    if found is None:
        raise UnknownRecordError(
            Fault(what="there is no such verdict on this job", where="verdict", mend="Look at the job's last one.")
        )
    return job, found


@router.get("/jobs/{job_id}/verdicts/{verdict_id}")
def verdict(request: Request, bench: TheBench, job_id: Id, verdict_id: Id) -> Response:
    """A verdict as it was given."""
    job, found = _find(bench, job_id, verdict_id)
    return _verdict_page(request, bench, job, found)


def _verdict_page(request: Request, bench: Bench, job: JobPage, found: VerdictRecord) -> Response:
    answer = answer_from_json(found.answer_json)
    said = describe(answer)
    sections = {s.id: _shown(s) for s in said.sections}
    base = f"/jobs/{job.job.id}/verdicts/{found.id}"
    newest = job.verdicts[-1]
    return job_page(
        request,
        "verdict.html",
        job,
        "Verdict",
        verdict=found,
        newest=newest,
        outdated=found.id == newest.id and outdated(found, bench.store.case_of(job.job.id)),
        said=said,
        places={place: [sections[name] for name in names if name in sections] for place, names in PLACES.items()},
        jumps=[sections[name] for name in JUMPS if name in sections],
        condition=figure_of(request, f"{base}/condition.svg", lambda t, s: condition_chart(answer, theme=t, size=s)),
        options=figure_of(request, f"{base}/options.svg", lambda t, s: options_chart(answer, theme=t, size=s)),
    )


@router.get("/jobs/{job_id}/verdicts/{verdict_id}/{name}.svg")
def verdict_drawing(
    request: Request, bench: TheBench, job_id: Id, verdict_id: Id, name: str, theme: str = "", size: str = ""
) -> Response:
    """The drawings of a verdict: ``condition`` and ``options``."""
    makers = {"condition": condition_chart, "options": options_chart}
    if name not in makers:
        raise UnknownRecordError(Fault(what="there is no such drawing", where="drawing", mend="Open the verdict."))
    _, found = _find(bench, job_id, verdict_id)
    answer = answer_from_json(found.answer_json)
    return drawing(request, lambda t, s: makers[name](answer, theme=t, size=s), theme, size)


@router.get("/jobs/{job_id}/verdicts/{verdict_id}/replay")
def replay(request: Request, bench: TheBench, job_id: Id, verdict_id: Id) -> Response:
    """What was said then beside what would be said today of the same case."""
    job, found = _find(bench, job_id, verdict_id)
    old = answer_from_json(found.answer_json)
    new = bench.replay(_case_of(found), bench.knowledge, bench.store.experience(), found.seed, old.model.futures)
    return job_page(
        request,
        "replay.html",
        job,
        "Verdict",
        verdict=found,
        old=old,
        new=new,
        old_said=describe(old),
        new_said=describe(new),
        same=old.decision == new.decision,
        same_model=old.model.version == new.model.version,
    )


def _case_of(found: VerdictRecord) -> Case:
    from tubewright.files import read_case

    # Without the knowledge: an id that has left the catalogue must not stop a replay.
    return read_case(found.case_json.encode(), f"verdict {found.id}.json")
