"""The grey scale of a job: steps that were read, what to turn, and what the turns brought."""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.answers.advise_guard import shut_controls, was_open
from tubewright.answers.greyscale import (
    CONTROLS,
    Control,
    GreyAnswer,
    GreyReading,
    grey_from_tracking,
    reserves_of,
)
from tubewright.answers.greyscale_course import GreyCourse
from tubewright.answers.greyscale_json import readings_json
from tubewright.answers.greyscale_kept import Wish, display_kind, kept_course, target_of, wish_of
from tubewright.answers.greyscale_typed import typed_turns
from tubewright.answers.greyscale_words import control_name
from tubewright.answers.measurement import Measurement, Unsupported
from tubewright.bench import setup_view as view
from tubewright.bench import words
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.lan.once import sent_once
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.pictures import drawing, figure_of
from tubewright.bench.routes.afc import ShownBlock
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.routes.round_guards import confirm_round, guard_context, shut_words
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.files.colorimeter import parse_colorimeter
from tubewright.files.measurements import measurement_from_json
from tubewright.picture.patterns.rasters import library
from tubewright.records.model import GreyRoundRecord, JobPage, MeasurementRecord
from tubewright.report.grey_charts import grey_chart
from tubewright.report.grey_text import grey_blocks

router = APIRouter(include_in_schema=False)

LEVELS: Final = tuple(range(0, 101, 10))
ROWS: Final[Mapping[str, str]] = {
    **{str(level): f"{level} %" for level in LEVELS},
    "red": "red alone",
    "green": "green alone",
    "blue": "blue alone",
    "off": "set switched off",
}
"""What may stand in a row of the grid: the steps of grey, each primary at full level, and the room's light."""
KINDS: Final[Mapping[str, str]] = {"inline": "guns in line", "delta": "delta guns", "broadcast": "broadcast"}
WAYS: Final[Mapping[str, float]] = {"clockwise": 1.0, "anticlockwise": -1.0}
LONGEST_PASTE: Final = 20_000
_PASTE: Final = "paste"
_IN_LINE: Final = re.compile(r"^\w+ line (?P<line>\d+)(?: columns? \d+(?: and \d+)? \((?P<column>[\w, ]+)\))?")


@router.get("/jobs/{job_id}/setup/grey")
def grey(request: Request, bench: TheBench, job_id: Id) -> Response:
    """What to turn now, and the form for the next reading."""
    return _page(request, bench, bench.store.job(job_id))


def _page(request: Request, bench: Bench, job: JobPage, *, status: int = 200, **more: object) -> Response:
    wish = _wish(bench, job)
    finer = request.query_params.get("finer", "") == "yes"
    course, trouble = _course(bench, job, finer=finer)
    seen = None if course else _from_photograph(bench, job, wish)
    answer = _newest(course, seen)
    back = f"/jobs/{job.job.id}/setup/grey"
    asked = tuple(move.control for move in answer.moves) if answer is not None else ()
    closed = _shut(bench, job, asked)
    shut = bool(closed)
    context: dict[str, Any] = {
        "answer": answer,
        "blocks": [] if answer is None else _blocks(answer, shut=shut),
        "shut": shut,
        "finer": finer,
        **guard_context(bench, view.guards_of(bench, job, closed, _ran_at(job))),
        **view.minded(bench, job, asked, _ran_at(job)),
        "trouble": trouble,
        "seen_in": seen[0] if seen else None,
        "rounds": _rounds(job, course),
        "chart": None
        if answer is None or answer.error is None
        else figure_of(request, f"{back}/chart.svg", lambda theme, size: grey_chart(answer, theme=theme, size=size)),
        "rows": ROWS.items(),
        "kinds": KINDS.items(),
        "whites": _whites(bench),
        "wish": wish,
        "turnable": _turnable(answer) if course and answer and not shut else (),
        "others": [(one, control_name(one)) for one in CONTROLS] if course else (),
        **more,
    }
    return job_page(request, "setup_grey.html", job, "Set-up", status=status, **context)


@router.get("/jobs/{job_id}/setup/grey/chart.svg")
def chart(request: Request, bench: TheBench, job_id: Id, theme: str = "", size: str = "") -> Response:
    """The drawing of the newest answer."""
    job = bench.store.job(job_id)
    answer = _answer(bench, job)
    if answer is None or answer.error is None:
        raise UnknownRecordError(
            Fault(what="there is nothing to draw yet", where="drawing", mend="Read the steps of grey first.")
        )
    return drawing(request, lambda t, s: grey_chart(answer, theme=t, size=s), theme, size)


@router.post("/jobs/{job_id}/setup/grey")
@sent_once
def add(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Keep a reading of the steps with what was turned before it; all of it, or nothing and every fault named."""
    job = bench.store.job(job_id)
    read = FormReader(form)
    turned = _turned(read)
    closed = [one for one in turned if not _was_open(bench, job, one)]
    if closed:
        more = shut_words([control_name(one) for one in closed], form, request.url.path)
        more = guard_context(bench, view.guards_of(bench, job, closed, _ran_at(job))) | more
        return _page(request, bench, job, status=409, **more)
    try:
        wish = _typed_wish(read, bench)
        readings = _typed_readings(read)
        read.finish()
        bench.store.add_grey_round(
            job_id,
            {
                "readings_json": json.dumps(readings_json(readings)),
                "turned_json": json.dumps(turned),
                "retrace_seen": form.text("retrace") == "yes",
                "white": wish.white,
                "kind": wish.kind,
                "peak_cd_m2": wish.peak_cd_m2,
                "swing_v": wish.swing_v,
            },
            by=bench.by(request),
        )
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _page(request, bench, job, status=422, **shown)
    return go(request, f"/jobs/{job_id}/setup/grey#h-now", said="greys", job_id=job_id)


@router.post("/jobs/{job_id}/setup/grey/{round_id}/strike")
def strike(request: Request, bench: TheBench, form: TheForm, job_id: Id, round_id: Id) -> Response:
    """Strike a reading of the steps out; it can be taken back."""
    there = next((one for one in bench.store.job(job_id).grey_rounds if one.id == round_id), None)
    if there is None:
        raise UnknownRecordError(
            Fault(what="there is no such reading on this job", where="grey", mend="Look at the job's list.")
        )
    version = int(form.text("version")) if form.text("version").isdigit() else there.version
    bench.store.remove_grey_round(round_id, version=version, by=bench.by(request))
    return go(request, f"/jobs/{job_id}/setup/grey", said="struck", job_id=job_id)


@router.post("/jobs/{job_id}/setup/grey/guard")
def confirm(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Keep who confirmed what before the controls of the grey scale are turned."""
    job = bench.store.job(job_id)
    answer = _answer(bench, job)
    asked = tuple(move.control for move in answer.moves) if answer is not None else ()
    guards = view.guards_of(bench, job, _shut(bench, job, asked or CONTROLS), _ran_at(job))
    return confirm_round(
        request,
        bench,
        form,
        job_id,
        guards,
        redraw=lambda more: _page(request, bench, job, status=409, **more),
        back=f"/jobs/{job_id}/setup/grey#h-now",
    )


def _ran_at(job: JobPage) -> dt.datetime | None:
    """When the set was last run, as the records tell: to be photographed, or to be read."""
    moments = [one.at for one in job.grey_rounds]
    photographed = view.ran_at(job)
    return max([*moments, photographed] if photographed else moments, default=None)


def _shut(bench: Bench, job: JobPage, controls: Sequence[Control]) -> tuple[Control, ...]:
    """Those of the controls that are open neither way."""
    shut = shut_controls(
        controls, job.confirmations, now=bench.store.clock(), ran_at=_ran_at(job), knowledge=bench.knowledge
    )
    return tuple(one for one in controls if one in shut)


def _was_open(bench: Bench, job: JobPage, control: Control) -> bool:
    return was_open(control, job.confirmations, now=bench.store.clock(), ran_at=_ran_at(job), knowledge=bench.knowledge)


# -- the answer --------------------------------------------------------------------------------


def _wish(bench: Bench, job: JobPage) -> Wish:
    if job.grey_rounds:
        return wish_of(job.grey_rounds[-1])
    gun = job.tube.tube.gun if job.tube else None
    white: str = job.job.use.white_point or _whites(bench)[0][0]
    return Wish(white=white, kind=display_kind(gun or "inline"))


def _whites(bench: Bench) -> list[tuple[str, str]]:
    """The whites to choose from, the shop's own first where it has one."""
    own = bench.store.settings()
    x, y = own.get("white_x", ""), own.get("white_y", "")
    ours = [(f"{x},{y}", own.get("white_name") or "the shop's own")] if x and y else []
    return [*ours, *words.WHITES.items()]


def _course(bench: Bench, job: JobPage, *, finer: bool) -> tuple[GreyCourse | None, tuple[Fault, ...]]:
    """All rounds answered; what can't be answered is said beside them."""
    if not job.grey_rounds:
        return None, ()
    reserves = reserves_of(bench.store.case_of(job.job.id), bench.knowledge)
    try:
        return kept_course(job.grey_rounds, bench.knowledge, reserves=reserves, finer=finer), ()
    except InputError as error:
        return None, tuple(error.faults)


def _newest(course: GreyCourse | None, seen: tuple[MeasurementRecord, GreyAnswer] | None) -> GreyAnswer | None:
    return course.now if course else seen[1] if seen else None


def _answer(bench: Bench, job: JobPage) -> GreyAnswer | None:
    """The newest answer: by what was read, else by a photograph."""
    course, _ = _course(bench, job, finer=False)
    return _newest(course, None if course else _from_photograph(bench, job, _wish(bench, job)))


def _from_photograph(bench: Bench, job: JobPage, wish: Wish) -> tuple[MeasurementRecord, GreyAnswer] | None:
    """What the newest photograph of the steps says of the guns against each other, if it was measured."""
    known = library(bench.knowledge.rasters.values())
    for record in reversed(job.measurements):
        if not record.accepted:
            continue
        try:
            measured: Measurement = measurement_from_json(record.answer_json, known)
            if isinstance(measured.tracking, Unsupported):
                continue
            return record, grey_from_tracking(measured.tracking, target_of(wish, bench.knowledge))
        except InputError:  # said where the measurement itself is shown
            continue
    return None


def _blocks(answer: GreyAnswer, *, shut: bool) -> list[ShownBlock]:
    """What the answer says beside its headline; what to turn is left out while the guard is shut."""
    blocks = grey_blocks(answer, cautions=(), confirm=())[1:]
    if shut:
        blocks = [one for one in blocks if type(one).__name__ == "Table"]
    return [ShownBlock(kind=type(one).__name__.lower(), it=one) for one in blocks]


@dataclass(frozen=True, slots=True, kw_only=True)
class Turnable:
    """A control that was advised, with what the form is filled with."""

    control: Control
    name: str
    turns: str
    way: str


def _turnable(answer: GreyAnswer) -> tuple[Turnable, ...]:
    found = []
    for move in answer.moves:
        turns = move.turns_ratio if move.turns_ratio is not None else move.probe_ratio
        found.append(
            Turnable(
                control=move.control,
                name=control_name(move.control),
                turns="" if turns is None else f"{abs(turns):.3g}",
                way="anticlockwise" if turns is not None and turns < 0 else "clockwise",
            )
        )
    return tuple(found)


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownRound:
    """A reading of the steps as the list shows it."""

    record: GreyRoundRecord
    said: str
    turned: str


def _rounds(job: JobPage, course: GreyCourse | None) -> list[ShownRound]:
    errors = course.errors if course else (None,) * len(job.grey_rounds)
    found = []
    for record, error in zip(job.grey_rounds, errors, strict=True):
        said = (
            "not to be judged"
            if error is None
            else f"worst step {error.worst_delta_e:.1f} ΔE, white {error.white_du_v:.4f} and drift "
            f"{error.drift_du_v:.4f} in u'v'{', within tolerance' if error.within else ''}"
        )
        turned = json.loads(record.turned_json)
        told = [f"{control_name(one)} {turned[one]:+.3g}" for one in CONTROLS if one in turned]
        found.append(ShownRound(record=record, said=said, turned=", ".join(told)))
    return found


# -- what was typed ----------------------------------------------------------------------------


def _typed_wish(read: FormReader, bench: Bench) -> Wish:
    typed = read.form.text("white_xy") or read.form.text("white") or "D65"
    where = "white_xy" if read.form.text("white_xy") else "white"
    kind = display_kind(read.choice("kind", KINDS) or "inline")
    wish = Wish(
        white=typed,
        kind=kind,
        peak_cd_m2=_above_zero(read, "peak", "number"),
        swing_v=_above_zero(read, "swing", "voltage"),
    )
    try:
        target_of(wish, bench.knowledge)
    except InputError as error:
        read.faults += [Fault(what=one.what, where=where, mend=one.mend) for one in error.faults]
    return wish


def _above_zero(read: FormReader, field: str, kind: str) -> float | None:
    value = read.figure(field, kind)
    if value is not None and value <= 0:
        read.fault(field, "this must be more than zero", "Leave it empty if it isn't known.")
    return value


def _turned(read: FormReader) -> dict[Control, float]:
    """What was turned since the reading before, in turns, clockwise above 0.

    Where all is said to be turned as advised, a field that was left empty stands for the advice.
    """
    found: dict[Control, float] = {}
    as_said = read.form.text("as_said") == "yes"
    for control in CONTROLS:
        typed = read.form.text(f"turn_{control}") or (read.form.text(f"said_{control}") if as_said else "")
        if not typed or typed.strip("0., ") == "":
            continue
        try:
            turns = typed_turns(typed, f"turn_{control}")
        except InputError as error:
            read.faults += error.faults
            continue
        found[control] = turns * WAYS.get(read.form.text(f"way_{control}"), 1.0)
    return found


def _typed_readings(read: FormReader) -> tuple[GreyReading, ...]:
    """The readings, pasted or out of the grid; faults go to the field where they were typed."""
    pasted = read.words(_PASTE, longest=LONGEST_PASTE)
    if pasted:
        try:
            return parse_colorimeter(pasted, "what was pasted")
        except InputError as error:
            read.faults += [Fault(what=f"{one.where}: {one.what}", where=_PASTE, mend=one.mend) for one in error.faults]
            return ()
    keys = [key for key in ROWS if any(read.form.text(f"g_{key}_{part}") for part in ("x", "y", "light"))]
    if not keys:
        read.fault("g_10_x", "nothing was read", "Read ten steps of grey, 10 to 100 %, or paste them.")
        return ()
    lines = [
        ";".join((key, *(read.form.text(f"g_{key}_{part}").replace(";", " ") for part in ("x", "y", "light"))))
        for key in keys
    ]
    try:
        return parse_colorimeter("level;x;y;Y\n" + "\n".join(lines), "grid")
    except InputError as error:
        read.faults += [_in_grid(one, keys) for one in error.faults]
        return ()


def _in_grid(fault: Fault, keys: list[str]) -> Fault:
    """The fault at the field of the grid that it is about."""
    found = _IN_LINE.match(fault.where)
    row = int(found["line"]) - 2 if found else 0
    key = keys[row] if 0 <= row < len(keys) else keys[0]
    column = (found["column"] or "x") if found else "x"
    part = {"Y": "light", "y": "y"}.get(column.split(",")[0], "x")
    return Fault(what=f"{ROWS[key]}: {fault.what}", where=f"g_{key}_{part}", mend=fault.mend)
