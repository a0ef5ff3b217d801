"""Setting a job's display up: where it stands, what to turn next, the drawings, and what was chosen."""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Request, Response

from tubewright.answers.advise import TOLERANCES
from tubewright.answers.advise_guard import RoundGuard, Way
from tubewright.answers.advised import Advised
from tubewright.bench import setup_view as view
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.pictures import drawing, figure_of
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.routes.round_guards import PART, guard_context
from tubewright.bench.setting_up import SettingUp, Told, chassis_of, gun_of
from tubewright.bench.setup_choices import asked_of, minutes_at, opening_of, options
from tubewright.bench.setup_grey import GREY_WORDS, GreyStanding, grey_standing
from tubewright.errors import Fault, InputError, RefusedError, UnknownRecordError
from tubewright.records.model import JobPage
from tubewright.report.advise_charts import map_chart, rounds_chart
from tubewright.report.frame import Chart, Size, Theme

router = APIRouter(include_in_schema=False)

MOST_MINUTES_ON: Final = 48 * 60
SHOWN_FIGURES: Final = 6
"""Figures beyond tolerance that stand open; the others are folded."""


def setting_up_of(request: Request) -> SettingUp:
    """What keeps the advice of this application; made when it is first asked for."""
    state = request.app.state
    if not hasattr(state, "setting_up"):
        state.setting_up = SettingUp()
    found: SettingUp = state.setting_up
    return found


TheSettingUp = Annotated[SettingUp, Depends(setting_up_of)]


@router.get("/jobs/{job_id}/setup")
def setup(request: Request, bench: TheBench, setting_up: TheSettingUp, job_id: Id) -> Response:
    """What to turn next, and everything that it rests on."""
    job = bench.store.job(job_id)
    return setup_page(request, bench, setting_up, job)


def guards_of_round(bench: Bench, job: JobPage, moves: Sequence[view.ShownMove]) -> dict[Way, RoundGuard]:
    """What the advised moves ask to be confirmed; nothing once all of them are open."""
    return view.guards_of(bench, job, [one.it.control for one in moves if one.shut], view.ran_at(job))


def setup_page(
    request: Request, bench: Bench, setting_up: SettingUp, job: JobPage, *, status: int = 200, **more: object
) -> Response:
    """Draw the page; what can't be reckoned is told on it, and everything else stays in reach."""
    chosen, asked = job.setup_choices, asked_of(job)
    faults: tuple[Fault, ...] = ()
    told: Told | None = None
    try:
        told = setting_up.told(bench.store, bench.knowledge, job, asked)
    except (InputError, RefusedError) as error:
        faults = tuple(error.faults)
    greys = grey_standing(setting_up, bench.knowledge, job)
    moves = () if told is None else view.shown_moves(bench, job, told)
    answer = None if told is None else told.answer
    gun = gun_of(job)
    chassis = chassis_of(bench.knowledge, job)
    context: dict[str, Any] = {
        "trouble": faults,
        "told": told,
        "answer": answer,
        "chosen": chosen,
        "chosen_opening_mm": None if chosen is None else opening_of(chosen),
        "minutes_on": minutes_at(job, bench.store.clock()),
        "minutes_then": asked.minutes_on,
        "warm_minutes": bench.knowledge.value("advice_warm_minutes"),
        "tolerances": [(one, view.TOLERANCE_WORDS[one]) for one in TOLERANCES],
        "tolerance_usual": view.TOLERANCE_WORDS["delta" if gun == "delta" else "arcade"],
        "gun": gun,
        "chassis": chassis,
        "opening_mm": None if told is None else told.gathered.setup.opening_mm,
        "moves": moves,
        **guard_context(bench, guards_of_round(bench, job, moves)),
        "shown_figures": SHOWN_FIGURES,
        **view.minded(bench, job, [one.it.control for one in moves if one.done is None], view.ran_at(job)),
        "pending": [
            view.shown_turn(one, bench.knowledge) for one in job.moves if told and one.id in told.gathered.pending
        ],
        "rounds": () if told is None else view.rounds_of(job, told, bench.knowledge),
        "measured_choices": [
            (one.id, f"{one.at.astimezone():%Y-%m-%d %H:%M}, {one.headline[:60]}")
            for one in job.measurements
            if one.accepted
        ],
        "command": f"tubewright advise job:{job.job.id}",
        "options": options(asked),
        "grey": greys,
        "grey_words": GREY_WORDS,
        "standing_words": view.STANDING_WORDS,
        "steps": [one for one in bench.knowledge.setup_steps.values() if one.guns in {"both", gun}],
        **_answered(request, job, told, answer, greys),
    }
    return job_page(request, "setup.html", job, PART, status=status, **{**context, **more})


def _answered(
    request: Request, job: JobPage, told: Told | None, answer: Advised | None, greys: GreyStanding
) -> dict[str, Any]:
    """What the page shows of an answer; the same names with nothing in them where there is none."""
    if told is None or answer is None:
        return {
            "figures": None,
            "gains": (),
            "next": (),
            "curl": "",
            "notes": (),
            "map": None,
            "curve": None,
            "magnetised": False,
            "now": None,
            "worst": None,
        }
    address = f"/jobs/{job.job.id}/setup"
    seen = told.newest
    beyond = [one for one in answer.remaining if not one.within]
    worst = max(beyond, key=lambda one: one.value / one.tolerance_ratio, default=None)
    return {
        "figures": view.figures_of(answer),
        "gains": [view.shown_gain(one) for one in answer.learned],
        "next": [one for one in view.NEXT[answer.state] if one[1] != "setup/grey" or not _set(greys)],
        "notes": view.notes_of(answer),
        "curl": view.curl_link(job, told),
        "map": None
        if seen is None or not any(one.zone for one in answer.remaining)
        else figure_of(
            request, f"{address}/map.svg", lambda theme, size: map_chart(answer, seen, theme=theme, size=size)
        ),
        "curve": None
        if sum(one is not None for one in answer.worst_ratio) < 2
        else figure_of(
            request,
            f"{address}/rounds.svg",
            lambda theme, size: rounds_chart(answer, theme=theme, size=size),
            narrow_only=True,
        ),
        "magnetised": any(move.control == "degauss" and "magnetised" in move.why for move in answer.moves),
        "now": next((one for one in answer.order if one.standing == "now"), None),
        "worst": None if worst is None else view.shown_figure(worst),
    }


def _set(greys: GreyStanding) -> bool:
    """Whether nothing is left to do about the grey scale."""
    return greys.standing == "within" and not greys.stale


@router.get("/jobs/{job_id}/setup/{name}.svg")
def setup_drawing(
    request: Request,
    bench: TheBench,
    setting_up: TheSettingUp,
    job_id: Id,
    name: str,
    theme: str = "",
    size: str = "",
) -> Response:
    """The map of what is left, or the course of the worst error."""
    job = bench.store.job(job_id)
    told = setting_up.told(bench.store, bench.knowledge, job, asked_of(job))
    answer, seen = told.answer, told.newest
    if answer is None or seen is None or name not in {"map", "rounds"}:
        raise UnknownRecordError(Fault(what="there is no such drawing", where="setup", mend="Open the job's set-up."))

    def draw(theme: Theme, size: Size) -> Chart:
        if name == "map":
            return map_chart(answer, seen, theme=theme, size=size)
        return rounds_chart(answer, theme=theme, size=size)

    return drawing(request, draw, theme, size)


# -- what was chosen ---------------------------------------------------------------------------


@router.post("/jobs/{job_id}/setup/choices")
def choose(request: Request, bench: TheBench, setting_up: TheSettingUp, form: TheForm, job_id: Id) -> Response:
    """Keep what was chosen; what makes no sense is told at its field."""
    job = bench.store.job(job_id)
    read = FormReader(form)
    values: dict[str, object] = {}
    if "minutes_on" in form.typed():
        values["on_since"] = _on_since(read, bench.store.clock())
    if "tolerance" in form.typed():
        values |= _chosen(read, job)
    if read.faults:
        shown = wrong(by_field(read.faults), read.faults, form)
        return setup_page(request, bench, setting_up, job, status=422, **shown)
    bench.store.set_setup_choices(job_id, values, by=bench.by(request))
    return go(request, f"/jobs/{job_id}/setup", said="chosen", job_id=job_id)


def _on_since(read: FormReader, now: dt.datetime) -> dt.datetime | None:
    """Since when it is on, from the minutes that somebody typed."""
    minutes = read.figure("minutes_on", "number")
    if read.form.text("minutes_on") == "" or read.faults:
        return None
    if minutes is None or not 0 <= minutes <= MOST_MINUTES_ON:
        read.fault("minutes_on", "this is no time since it was switched on", "Type the minutes, such as 25.")
        return None
    return now - dt.timedelta(minutes=minutes)


def _chosen(read: FormReader, job: JobPage) -> dict[str, object]:
    sides = [_millimetres(read, name) for name in ("opening_width", "opening_height")]
    if (sides[0] is None) != (sides[1] is None) and not read.faults:
        missing = "opening_height" if sides[1] is None else "opening_width"
        read.fault(missing, "one of the two is missing", "Give width and height, or neither.")
    at_once = read.whole("at_once", most=20)
    if at_once == 0:
        read.fault("at_once", "nothing can be turned then", "Give 1 to 20.")
    since = read.whole("since", most=2**31 - 1)
    if since is not None and all(one.id != since for one in job.measurements):
        read.fault("since", "this job has no such measurement", "Pick one from the list.")
    return {
        "tolerance": read.choice("tolerance", TOLERANCES) or "",
        "opening_width_mm": sides[0],
        "opening_height_mm": sides[1],
        "at_once": at_once,
        "since_measurement_id": since,
    }


def _millimetres(read: FormReader, name: str) -> float | None:
    from tubewright.quantity import parse_quantity

    typed = read.form.text(name).removesuffix("mm").strip()
    if not typed:
        return None
    try:
        value: float = parse_quantity(typed, kind="number", where=name).value
    except InputError as error:
        read.faults += error.faults
        return None
    if not 10 < value < 5000:
        read.fault(name, f"{value:g} mm is no side of a picture", "Give it in mm, by a ruler.")
    return value
