"""Measuring under way, a measurement with what it offers to the diagnosis, and two of them side by side."""

from __future__ import annotations

import datetime as dt
import html
import re
from dataclasses import dataclass, replace
from typing import Any, Final

from fastapi import APIRouter, Request, Response
from fastapi.responses import JSONResponse, RedirectResponse

from tubewright import case
from tubewright.answers.measure_change import FigureChange, changes
from tubewright.answers.measurement import Measurement, SeenFinding, checks, findings, readings_seen
from tubewright.bench import words
from tubewright.bench.forms import FormReader
from tubewright.bench.measuring import settings_from_json
from tubewright.bench.pages import Bench, go
from tubewright.bench.routes.findings import latest_symptoms
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.routes.photos import (
    STAGE_WORDS,
    TheMeasuring,
    before_and_after,
    kept_shas,
    shooting,
    stored_file,
)
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.files.measurements import measurement_from_json
from tubewright.knowledge.model import Knowledge
from tubewright.picture.patterns.rasters import library
from tubewright.records.model import JobPage, MeasurementRecord
from tubewright.report.describe import Block, Listing, Paragraph
from tubewright.report.measure_change_text import changed_words, figure_words
from tubewright.report.measure_text import Part, describe_measurement

router = APIRouter(include_in_schema=False)


# -- under way -------------------------------------------------------------------------------


@router.get("/jobs/{job_id}/measuring/{name}")
def under_way(request: Request, bench: TheBench, measuring: TheMeasuring, job_id: Id, name: str) -> Response:
    """How far a measurement is; leads on to it when it is done."""
    job = bench.store.job(job_id)
    task = measuring.find(job_id, name)
    if task is None:
        return RedirectResponse(f"/jobs/{job_id}/photos?gone=yes", status_code=303)
    if task.state == "done" and task.measurement_id is not None:
        return go(request, f"/jobs/{job_id}/measurements/{task.measurement_id}", said="measured", job_id=job_id)
    return job_page(request, "measuring.html", job, "Picture", task=task, ahead=measuring.ahead_of(task))


@router.get("/jobs/{job_id}/measuring/{name}/now")
def now(bench: TheBench, measuring: TheMeasuring, job_id: Id, name: str) -> Response:
    """The same for the page's script."""
    bench.store.job(job_id)
    task = measuring.find(job_id, name)
    if task is None:
        return JSONResponse({"over": True, "words": "", "percent": 0})
    return JSONResponse({"over": task.over, "words": task.words, "percent": round(100 * task.share_ratio)})


@router.post("/jobs/{job_id}/measuring/{name}/cancel")
def cancel(bench: TheBench, form: TheForm, measuring: TheMeasuring, job_id: Id, name: str) -> Response:  # noqa: ARG001 - the form's token was checked
    """Call a measurement off."""
    bench.store.job(job_id)
    task = measuring.find(job_id, name)
    if task is not None:
        measuring.cancel(task)
    return RedirectResponse(f"/jobs/{job_id}/measuring/{name}", status_code=303)


# -- one measurement -------------------------------------------------------------------------


def _find(job: JobPage, measurement_id: int) -> MeasurementRecord:
    found = next((m for m in job.measurements if m.id == measurement_id), None)
    if found is None:
        raise UnknownRecordError(
            Fault(what="there is no such measurement on this job", where="measurement", mend="Look at the job's list.")
        )
    return found


def _answer(bench: Bench, record: MeasurementRecord) -> Measurement:
    return measurement_from_json(record.answer_json, library(bench.knowledge.rasters.values()))


def _gun(record: MeasurementRecord) -> Any:  # noqa: ANN401 - one of two words
    return "delta" if settings_from_json(record.settings_json).get("gun") == "delta" else "inline"


@dataclass(frozen=True, slots=True, kw_only=True)
class Offered:
    """A finding as it is offered: what it says, and what the job's notes say of the symptom now."""

    id: str
    name: str
    state: str
    words: str
    noted: str

    @property
    def agrees(self) -> bool:
        """Whether the notes say the same already."""
        return self.state == self.noted


def _offered(found: tuple[SeenFinding, ...], job: JobPage, known: Knowledge) -> list[Offered]:
    noted = {
        name: "present" if o.symptom.present else "absent" for name, o in latest_symptoms(job).items() if o.symptom
    }
    return [
        Offered(
            id=one.symptom,
            name=known.symptoms[one.symptom].technician_says.rstrip("."),
            state=one.state,
            words=one.words,
            noted=noted.get(one.symptom, ""),
        )
        for one in found
        if one.state != "unknown" and one.symptom in known.symptoms
    ]


@dataclass(frozen=True, slots=True, kw_only=True)
class OfferedByPicture:
    """What a measured photograph offers that the job doesn't hold yet."""

    measurement_id: int
    at: dt.datetime
    findings: tuple[Offered, ...]


def offered_by_picture(bench: Bench, job: JobPage) -> OfferedByPicture | None:
    """What the newest measurement of a job still offers to the diagnosis.

    Nothing once something was mended after it: the picture may be another one since.
    """
    record = next((m for m in reversed(job.measurements) if m.accepted), None)
    if record is None or any(one.repair.outcome == "mended" and one.at > record.at for one in job.repairs):
        return None
    try:
        answer = _answer(bench, record)
    except InputError:  # shown where the measurement itself is opened
        return None
    found = findings(answer, bench.knowledge, gun=_gun(record))
    fresh = tuple(one for one in _offered(found, job, bench.knowledge) if not one.agrees)
    return OfferedByPicture(measurement_id=record.id, at=record.at, findings=fresh) if fresh else None


@dataclass(frozen=True, slots=True, kw_only=True)
class OfferedReading:
    """A reading as it is offered, and whether the job holds it already."""

    id: str
    reading: case.Reading
    taken: bool


def _offered_readings(record: MeasurementRecord, answer: Measurement, job: JobPage) -> list[OfferedReading]:
    """What a measurement tells of the guns, dated and staged as it is; nothing where no tube would hold it."""
    if not record.accepted or job.tube is None:
        return []
    mine = {r.reading.gun for r in job.readings if r.reading.kind == "shortfall_seen" and r.taken_at == record.at}
    stage = record.stage if record.stage in words.STAGES else None
    return [
        OfferedReading(
            id=f"shortfall-{one.gun}",
            reading=one.model_copy(update={"at": record.at, "stage": stage, "instrument": "photograph"}),
            taken=one.gun in mine,
        )
        for one in readings_seen(answer)
    ]


@router.get("/jobs/{job_id}/measurements/compare")
def compare(
    request: Request, bench: TheBench, job_id: Id, before: int | None = None, after: int | None = None
) -> Response:
    """Two measurements side by side; the newest of either stage unless others are named."""
    job = bench.store.job(job_id)
    accepted = [m for m in job.measurements if m.accepted]
    pair = before_and_after(job) or (accepted[-2:] if len(accepted) > 1 else None)
    first = _find(job, before) if before is not None else pair[0] if pair else None
    second = _find(job, after) if after is not None else pair[1] if pair else None
    context: dict[str, Any] = {"compared": (), "groups": {}, "unlike": "", "changed": ()}
    if first is not None and second is not None:
        old, new = _answer(bench, first), _answer(bench, second)
        rows = [_row(change) for change in changes(old, new)]
        groups: dict[str, list[dict[str, str]]] = {}
        for row in rows:
            groups.setdefault(row["group"], []).append(row)
        context = {
            "compared": tuple(
                {"title": title, "record": record, "drawing": _drawing(bench, job_id, record)}
                for title, record in (("Before", first), ("After", second))
            ),
            "groups": groups,
            "unlike": _unlike(old, new),
            "changed": [row for row in rows if row["change"] in {"smaller", "larger"}],
        }
    choices = [(m.id, f"{_stage(m)}: {m.at:%Y-%m-%d %H:%M}, {m.headline[:60]}") for m in reversed(accepted)]
    return job_page(
        request,
        "measurements_compare.html",
        job,
        "Picture",
        choices=choices,
        first=first,
        second=second,
        **context,
    )


def _stage(record: MeasurementRecord) -> str:
    return STAGE_WORDS.get(record.stage or "", "in between")


def _unlike(old: Measurement, new: Measurement) -> str:
    """What makes the two hard to compare."""
    if old.raster is not None and new.raster is not None and old.raster.name != new.raster.name:
        return f"The first was shown on {old.raster.name}, the second on {new.raster.name}."
    if old.pattern != new.pattern:
        return "The two show different patterns, so that few figures are in both."
    return ""


def _row(change: FigureChange) -> dict[str, str]:
    return {
        "group": change.group,
        "about": change.about + (f", {change.unit}" if change.unit else ""),
        "before": figure_words(change.before),
        "after": figure_words(change.after),
        "by": changed_words(change),
        "change": change.change,
    }


@router.get("/jobs/{job_id}/measurements/{measurement_id}")
def measurement(request: Request, bench: TheBench, job_id: Id, measurement_id: Id) -> Response:
    """A measurement as it was made, and what it offers."""
    job = bench.store.job(job_id)
    record = _find(job, measurement_id)
    answer = _answer(bench, record)
    found = findings(answer, bench.knowledge, gun=_gun(record)) if record.accepted else ()
    minded = shooting(bench)
    parts = describe_measurement(
        answer, checks(answer, bench.knowledge, gun=_gun(record)) if record.accepted else (), found
    )
    pair = before_and_after(job)
    shas = set(kept_shas(record))
    return job_page(
        request,
        "measurement.html",
        job,
        "Picture",
        record=record,
        stage=_stage(record),
        accepted=record.accepted,
        parts={
            side: [
                _for_page(part) for part in parts if part.title != "What was found" and (part.title in _LEFT) == left
            ]
            for side, left in (("left", True), ("right", False))
        },
        offered=_offered(found, job, bench.knowledge),
        offered_readings=_offered_readings(record, answer, job),
        drawing=_drawing(bench, job_id, record),
        sources=[photo for photo in job.photos if photo.sha256 in shas],
        pair=pair if pair and record.id in {one.id for one in pair} else None,
        cautions=minded["cautions"],
        confirm=minded["confirm"],
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownBlock:
    """A block of a description with its kind by name, as the template asks for it."""

    kind: str
    it: Block


_LEFT: Final = frozenset({"Convergence", "Against the targets", "Not measured"})
"""Parts of a measurement that stand in the left column of a wide page."""

_ON_THE_BENCH: Final = (
    # what a terminal is told, and what a page says instead
    (re.compile(r"tubewright pattern draw (survey_light|survey)"), r"Patterns, “\1”"),
    (re.compile(r" \(--raster\)"), ""),
    (re.compile(r"the command sources lists each with its origin"), "the reference lists each with its origin"),
)


def _for_page(part: Part) -> dict[str, Any]:
    return {
        "title": part.title,
        "id": re.sub(r"[^a-z]+", "-", part.title.lower()),
        "tags": any("tags" in item for block in part.blocks if isinstance(block, Listing) for item in block.items),
        "blocks": [ShownBlock(kind=type(block).__name__.lower(), it=_reworded(block)) for block in part.blocks],
    }


def _reworded(block: Block) -> Block:
    def told(text: str) -> str:
        for pattern, instead in _ON_THE_BENCH:
            text = pattern.sub(instead, text)
        return text

    if isinstance(block, Paragraph):
        return replace(block, text=told(block.text))
    if isinstance(block, Listing):
        return replace(block, items=tuple(told(item) for item in block.items))
    return block


@router.post("/jobs/{job_id}/measurements/{measurement_id}/findings")
def take_over(request: Request, bench: TheBench, form: TheForm, job_id: Id, measurement_id: Id) -> Response:
    """Write what a person ticked into the job, findings as symptoms and shortfalls as readings; all as one change."""
    job = bench.store.job(job_id)
    record = _find(job, measurement_id)
    answer = _answer(bench, record)
    found = findings(answer, bench.knowledge, gun=_gun(record)) if record.accepted else ()
    ticked = set(form.all("take"))
    wanted = [one for one in _offered(found, job, bench.knowledge) if one.id in ticked and not one.agrees]
    back = f"/jobs/{job_id}/measurements/{measurement_id}"
    if form.text("then") == "diagnosis":
        back = f"/jobs/{job_id}/diagnosis"
    seen = [r.reading for r in _offered_readings(record, answer, job) if r.id in ticked and not r.taken]
    if not wanted and not seen:
        return go(request, f"{back}#findings")
    with bench.store.together():
        for one in wanted:
            symptom = case.Symptom(id=one.id, present=one.state == "present")
            bench.store.add_symptom(job_id, symptom, by=bench.by(request))
        if seen:
            bench.store.add_readings(job_id, seen, by=bench.by(request))
    return go(request, back, said="taken_over", job_id=job_id)


@router.post("/jobs/{job_id}/measurements/{measurement_id}/strike")
def strike(request: Request, bench: TheBench, form: TheForm, job_id: Id, measurement_id: Id) -> Response:
    """Strike a measurement out; its photographs stay."""
    _find(bench.store.job(job_id), measurement_id)
    version = FormReader(form).whole("version", most=10**9) or 0
    bench.store.remove_measurement(measurement_id, version=version, by=bench.by(request))
    return go(request, f"/jobs/{job_id}/photos", said="struck", job_id=job_id)


# -- the drawing -----------------------------------------------------------------------------

_FRAME: Final = re.compile(r'viewBox="0 0 (\d+) (\d+)" width="\d+" height="\d+"')
_IMAGE: Final = re.compile(r'<image x="(\d+)" y="(\d+)" width="(\d+)" height="(\d+)"')
_WORDS: Final = re.compile(r'<desc id="overlay-words">(.*?)</desc>', re.DOTALL)
_TIMES: Final = re.compile(r"drawn as arrows (\d+) times")


@dataclass(frozen=True, slots=True, kw_only=True)
class Drawing:
    """Where the drawing of a measurement is, how large, and what it shows in words.

    ``parts`` can be shown alone, each with its width and height; ``magnified`` says how long its arrows are.
    """

    address: str
    words: str
    width_px: int
    height_px: int
    parts: dict[str, tuple[int, int]]
    magnified: str = ""


def _drawing(bench: Bench, job_id: int, record: MeasurementRecord) -> Drawing | None:
    """The drawing, if one is kept here."""
    if record.overlay_sha256 is None:
        return None
    try:
        held = bench.store.file(record.overlay_sha256)
    except UnknownRecordError:
        return None
    address = f"/jobs/{job_id}/measurements/{record.id}/overlay"
    text = held.data.decode("utf-8", "replace") if held.media_type == "image/svg+xml" else ""
    frame, words = _FRAME.search(text), _WORDS.search(text)
    if frame is None:
        return Drawing(address=address, words=record.headline, width_px=1480, height_px=1100, parts={})
    return Drawing(
        address=address,
        words=html.unescape(words[1]) if words else record.headline,
        width_px=int(frame[1]),
        height_px=int(frame[2]),
        magnified=times[1] if words and (times := _TIMES.search(words[1])) else "",
        parts={name: (box[2], box[3]) for name, box in _cuts(text).items()},
    )


def _cuts(text: str) -> dict[str, tuple[int, int, int, int]]:
    """Parts of the drawing that make sense alone, on a narrow screen: x, y, width, height."""
    frame, image = _FRAME.search(text), _IMAGE.search(text)
    if frame is None or image is None:
        return {}
    left, top, wide, high = (int(edge) for edge in image.groups())
    beside = left + wide + 10
    return {
        "picture": (left, top, wide, high),
        "beside": (beside, 40, int(frame[1]) - beside, int(frame[2]) - 40),
    }


@router.get("/jobs/{job_id}/measurements/{measurement_id}/overlay")
def overlay(request: Request, bench: TheBench, job_id: Id, measurement_id: Id, part: str = "") -> Response:
    """The drawing over the photograph, or a part of it."""
    record = _find(bench.store.job(job_id), measurement_id)
    if record.overlay_sha256 is None:
        raise UnknownRecordError(Fault(what="nothing was drawn", where="measurement", mend="Open the measurement."))
    whole = stored_file(request, bench, record.overlay_sha256, f"measurement-{record.id}")
    if not part or whole.status_code != 200:
        return whole
    text = bytes(whole.body).decode("utf-8", "replace")
    cuts = _cuts(text)
    if part not in cuts:
        raise UnknownRecordError(Fault(what="there is no such part", where="part", mend="Open the whole drawing."))
    x, y, wide, high = cuts[part]
    frame = f'viewBox="{x} {y} {wide} {high}" width="{wide}" height="{high}"'
    headers = {k: v for k, v in whole.headers.items() if k not in {"content-length", "content-type"}}
    # The drawing's ground is laid from its own corner, which the cut leaves out.
    cut = _FRAME.sub(frame, text, count=1).replace('<rect width="100%"', f'<rect x="{x}" y="{y}" width="100%"', 1)
    return Response(cut, media_type="image/svg+xml", headers=headers)
