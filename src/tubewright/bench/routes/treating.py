"""Readings after a treatment: the clock that asks for the next one, and whether the gain will hold."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright import case
from tubewright.answers.assessment import Unknown
from tubewright.answers.hold import Held, span
from tubewright.answers.hold_clock import next_read
from tubewright.answers.treated import RULE_WORDS, Treated
from tubewright.bench import words
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.lan.once import sent_once, typed_at, waited_s
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.pictures import drawing, figure_of
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.treating import Holds, judge_rounds, say_history_unknown, usual_reading
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.judgement.settling_readings import AfterTreatment, after_treatment
from tubewright.judgement.treatment_stop import GOOD_ENOUGH
from tubewright.report.frame import Chart, Size, Theme
from tubewright.report.hold_charts import has_chart, settling_chart

router = APIRouter(include_in_schema=False)
EMISSION_UNITS: Final = ("uA", "mA", "percent", "div", "rel")
LEAKS: Final = (
    ("leak_hk", "leakage_heater_cathode", "Leakage heater–cathode"),
    ("leak_kg1", "leakage_cathode_grid1", "Leakage cathode–grid 1"),
    ("leak_g1g2", "leakage_grid1_grid2", "Leakage grid 1–grid 2"),
)
LONGEST_LIT_MIN: Final = 720.0
"""Later than this nobody is taken to have left the heater lit since the treatment (estimate: an evening's end)."""
SEED: Final = 1


# -- what the pages of a job's treatments share --------------------------------------------------------


def word_of(answer: Treated) -> dict[str, str]:
    """The condition's word: go on, wait, stop or leave it, and the rule that stopped it."""
    stopped = [one for one in answer.stops if one.rule not in GOOD_ENOUGH] or list(answer.stops)
    over = answer.advice == "stop" or (answer.advice == "leave" and bool(answer.rounds))
    rule = RULE_WORDS[stopped[0].rule] if stopped and over else ""
    said = {"go_on": "Go on", "wait": "Wait", "stop": "Stop", "leave": "Leave it alone"}[answer.advice]
    return {"said": said, "rule": rule, "headline": answer.headline}


def clock_of(bench: Bench, answer: Treated) -> dict[str, Any] | None:
    """The wait after the last step as a clock; None where nothing is waited for, or no time is known."""
    if answer.wait_minutes is None:
        return None
    now = bench.store.clock()
    due = now + dt.timedelta(minutes=answer.wait_minutes)
    guns = words.gun_list(answer.read_again)
    return {"due": due, "now": now, "left": answer.wait_minutes, "what": f"Read {guns} again", "gun": ""}


def after_fields(bench: Bench, job_id: int) -> dict[str, str]:
    """How the readings after a step are usually taken, for the hints of its form."""
    unit = str(usual_reading(bench.store.case_of(job_id), "red", bench.knowledge).get("unit", ""))
    return {"unit": unit, "hint": words.UNITS.get(unit, "with unit") if unit else "with unit"}


def readings_after(read: FormReader, bench: Bench, job_id: int) -> list[dict[str, object]]:
    """The readings typed beside a step: emission of each gun, and leakage of the gun it was for."""
    told = bench.store.case_of(job_id)
    ago = read.figure("ended_ago", "minutes") or 0.0
    lit = read.figure("minutes_on", "minutes")
    found: list[dict[str, object]] = []
    for gun in case.GUNS:
        reading = _emission(read, f"after_{gun}", told, gun, bench)
        if reading is not None:
            # At rated heater since the step ended, unless it is said otherwise.
            found.append({**reading, "minutes_on": ago if lit is None else lit})
    for name, kind, _ in LEAKS:
        value = read.figure_with_unit(name, kind)
        if value is not None:
            meant = read.form.text("gun") or None
            found.append({"kind": kind, "gun": meant, "value": value[0], "unit": value[1]})
    read.faults = list(dict.fromkeys(read.faults))
    # What waited on a phone was read when it was typed, not when it came.
    at = typed_at(read.form, bench.store.clock())
    return [{name: value for name, value in {**one, "at": at}.items() if value is not None} for one in found]


def _emission(read: FormReader, name: str, told: case.Case, gun: case.Gun, bench: Bench) -> dict[str, object] | None:
    usual = usual_reading(told, gun, bench.knowledge)
    unit = str(usual.get("unit", ""))
    value = read.figure_with_unit(name, "emission", default_unit=unit if unit in EMISSION_UNITS else None)
    if value is None:
        return None
    if value[1] != unit:
        # What a good gun shows is told in the unit of the old reading.
        usual = {key: one for key, one in usual.items() if key not in {"reference", "full_scale"}}
    return {**usual, "gun": gun, "kind": "emission", "value": value[0], "unit": value[1]}


# -- one touch: nobody knows --------------------------------------------------------------------------


@router.post("/jobs/{job_id}/treatments/history")
@sent_once
def history_unknown(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Keep that nobody knows how often this tube was restored before."""
    say_history_unknown(bench.store, job_id, by=bench.by(request))
    back = form.text("back")
    inside = back if back.startswith(f"/jobs/{job_id}/treatments") else f"/jobs/{job_id}/treatments"
    return go(request, inside, said="history_unknown", job_id=job_id)


# -- will it hold? -------------------------------------------------------------------------------------


def _gun(text: str) -> case.Gun:
    found = next((one for one in case.GUNS if one == text), None)
    if found is None:
        raise UnknownRecordError(Fault(what="there is no such gun", where="gun", mend="red, green or blue."))
    return found


def _held(request: Request, bench: Bench, job_id: int, gun: case.Gun) -> tuple[case.Case, AfterTreatment, Held]:
    told = bench.store.case_of(job_id)
    after = after_treatment(told, gun, bench.knowledge)
    holds: Holds = request.app.state.holds
    return told, after, holds(after, gun, bench.knowledge, SEED)


@router.get("/jobs/{job_id}/treatments/hold")
def hold_page(request: Request, bench: TheBench, job_id: Id, gun: str = "red") -> Response:
    """The readings after a gun's last treatment, what will stay of its gain, and the clock of the next reading."""
    return _hold_page(request, bench, job_id, _gun(gun))


def _hold_page(
    request: Request, bench: Bench, job_id: int, gun: case.Gun, *, status: int = 200, **more: object
) -> Response:
    job = bench.store.job(job_id)
    told, after, answer = _held(request, bench, job_id, gun)
    now = bench.store.clock()
    clock = next_read(answer, after, gun, bench.knowledge, now=now)
    base = f"/jobs/{job_id}/treatments/hold/{gun}/settling.svg"
    chart = (
        figure_of(request, base, lambda t, s: settling_chart(answer, theme=t, size=s)) if has_chart(answer) else None
    )
    usual = usual_reading(told, gun, bench.knowledge)
    context: dict[str, Any] = {
        "gun": gun,
        "held": answer,
        "known": not isinstance(answer.hold, Unknown),
        "rest": None if isinstance(answer.rest, Unknown) else answer.rest,
        "ratio": None if isinstance(answer.hold, Unknown) else answer.hold,
        "unit": words.UNITS.get(answer.unit, answer.unit),
        "treatment": after.treatment,
        "treated_at": after.at,
        "read_at": [(one, after.at + dt.timedelta(minutes=one.minutes)) for one in answer.readings] if after.at else [],
        "next": clock,
        "clock": _clock(clock.due_at, now, f"Read the {gun} gun") if clock and clock.due_at else None,
        "span": span,
        "chart": chart,
        "usual_unit": words.UNITS.get(str(usual.get("unit", "")), ""),
        "usual_words": _usual_words(usual),
        "guns": case.GUNS,
        **more,
    }
    return job_page(request, "treat_hold.html", job, "Treatments", status=status, **context)


def _clock(due: dt.datetime, now: dt.datetime, what: str) -> dict[str, Any]:
    return {"due": due, "now": now, "left": (due - now).total_seconds() / 60, "what": what}


def _usual_words(usual: dict[str, object]) -> str:
    heater, g2 = usual.get("heater_v"), usual.get("g2_v")
    parts = (
        str(usual.get("instrument", "")),
        f"heater {words.number(float(str(heater)))} V" if heater is not None else "",
        f"grid 2 {words.number(float(str(g2)))} V" if g2 is not None else "",
    )
    return ", ".join(part for part in parts if part)


@router.get("/jobs/{job_id}/treatments/hold/{gun}/settling.svg")
def settling_svg(
    request: Request, bench: TheBench, job_id: Id, gun: str, theme: str = "light", size: str = "narrow"
) -> Response:
    """The settling as a drawing."""
    _, _, answer = _held(request, bench, job_id, _gun(gun))
    if not has_chart(answer):
        raise UnknownRecordError(Fault(what="there is no course to draw yet", where="gun", mend="Read the gun first."))

    def draw(one: Theme, chosen: Size) -> Chart:
        return settling_chart(answer, theme=one, size=chosen)

    return drawing(request, draw, theme, size)


@router.post("/jobs/{job_id}/treatments/hold")
@sent_once
def add_after(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Write down one more reading after a treatment."""
    gun = _gun(form.text("gun"))
    read = FormReader(form)
    told = bench.store.case_of(job_id)
    after = after_treatment(told, gun, bench.knowledge)
    try:
        reading = _next_reading(read, bench, told, gun, after)
        read.finish()
        assert reading is not None  # noqa: S101 - finish() raised otherwise
        by = bench.by(request)
        with bench.store.together():
            bench.store.add_reading(job_id, reading, by=by)
            judge_rounds(bench.store, bench.knowledge, job_id, by=by)
    except UnknownRecordError:
        raise
    except InputError as error:
        names: dict[str, str] = {"minutes_on": "minutes_on", "at": "read_ago"}
        shown = wrong(by_field(error.faults, names), error.faults, form)
        return _hold_page(request, bench, job_id, gun, status=422, **shown)
    return go(request, f"/jobs/{job_id}/treatments/hold?gun={gun}", said="after", job_id=job_id)


def _next_reading(
    read: FormReader, bench: Bench, told: case.Case, gun: case.Gun, after: AfterTreatment
) -> dict[str, object] | None:
    reading = _emission(read, "value", told, gun, bench)
    if reading is None and not read.faults:
        read.fault("value", "this is empty", "Type what the instrument shows.")
    lit = read.figure("minutes_on", "minutes")
    ago = read.figure("read_ago", "minutes") or 0.0
    at = bench.store.clock() - dt.timedelta(minutes=ago, seconds=waited_s(read.form))
    waited = (at - after.at).total_seconds() / 60 if after.at else None
    if waited is not None and waited < 0:
        read.fault("read_ago", "that was before the treatment ended", "Check how long ago it was.")
    if lit is None and waited is not None:
        if waited > LONGEST_LIT_MIN:
            read.fault("minutes_on", "this is empty", "Say how long the heater was lit for this reading: 10.")
        lit = max(0.0, waited)
    if read.faults or reading is None:
        return None
    kept = {**reading, "minutes_on": lit, "stage": "after", "at": at}
    return {name: value for name, value in kept.items() if value is not None}
