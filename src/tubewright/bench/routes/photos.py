"""Photographs of a job's display: taken in, kept, shown, and sent on to be measured."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Query, Request, Response

from tubewright.answers.measurement import PhotoNote
from tubewright.bench import uploads, words
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.measuring import Measuring, Settings, Source, Task, settings_from_json
from tubewright.bench.pages import Bench, go, wrong
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.routes.records import caution_checks, caution_texts
from tubewright.bench.security import DRAWING_POLICY, Form
from tubewright.errors import Fault, InputError, RefusedError, TubewrightError, UnknownRecordError
from tubewright.picture.patterns.catalogue import FEED_CAUTIONS, TAG_CAUTIONS
from tubewright.picture.patterns.rasters import library
from tubewright.quantity import parse_quantity
from tubewright.records.model import JobPage, MeasurementRecord, PhotoRecord
from tubewright.records.pictures import LARGEST_FILE_BYTES, STAGES

router = APIRouter(include_in_schema=False)

MM_PER_INCH: Final = 25.4
STAGE_WORDS: Final = {"before": "before the work", "after": "after the work"}
MOST_PHOTOS: Final = uploads.MOST_FILES
_DRAWING: Final = "image/svg+xml"
_ENDINGS: Final = {
    "image/jpeg": "jpg", "image/heic": "heic", "image/x-adobe-dng": "dng", "image/png": "png", "image/tiff": "tif",
    _DRAWING: "svg",
}  # fmt: skip


def measuring_of(request: Request) -> Measuring:
    """The line of photographs to be measured (a FastAPI dependency)."""
    found: Measuring = request.app.state.measuring
    return found


TheMeasuring = Annotated[Measuring, Depends(measuring_of)]


@router.get("/jobs/{job_id}/photos")
def photos(request: Request, bench: TheBench, measuring: TheMeasuring, job_id: Id) -> Response:
    """The photographs of a job, what was measured, and the form that takes more in."""
    return _photos_page(request, bench, measuring, job_id)


def _photos_page(
    request: Request, bench: Bench, measuring: Measuring, job_id: int, *, status: int = 200, **more: object
) -> Response:
    job = bench.store.job(job_id)
    return job_page(
        request,
        "job_photos.html",
        job,
        "Picture",
        status=status,
        photos=tuple(reversed(job.photos)),
        measurements=tuple(reversed(job.measurements)),
        under_way=measuring.of_job(job_id),
        pair=before_and_after(job),
        most_files=uploads.MOST_FILES,
        most_mib=LARGEST_FILE_BYTES // uploads.MIB,
        most_total_mib=uploads.MOST_UPLOAD_BYTES // uploads.MIB,
        left_out=more.pop("left_out", ()),
        gone=request.query_params.get("gone") == "yes",
        **shooting(bench),
        **{**setting_fields(bench, job), **more},
    )


def shooting(bench: Bench) -> dict[str, Any]:
    """What to mind before a display is fed and tags are laid beside its glass.

    What must be made sure of for the tags' cautions is for hands inside; the display stays on and closed here.
    """
    return {
        "cautions": caution_texts(bench, (*FEED_CAUTIONS, *TAG_CAUTIONS)),
        "confirm": caution_checks(bench, FEED_CAUTIONS),
    }


def setting_fields(bench: Bench, job: JobPage, settings: Settings | None = None) -> dict[str, Any]:
    """What the fields beside the photographs offer, and what they hold before anybody types."""
    known = library(bench.knowledge.rasters.values())
    diagonal_in = job.display.display.diagonal_in
    return {
        "rasters": [(name, f"{name}: {bench.knowledge.rasters[name].name}") for name in known],
        "stage_words": STAGE_WORDS,
        "settings": settings or Settings(),
        "diagonal_in": diagonal_in,
        "mount": words.MOUNTS.get(job.display.display.mount or "", ""),
        "stage": "after" if any(t.treatment.outcome for t in job.treatments) else "before",
    }


def before_and_after(job: JobPage) -> tuple[MeasurementRecord, MeasurementRecord] | None:
    """The newest measurement of either stage, if the job has both."""
    newest = {m.stage: m for m in job.measurements if m.accepted}
    if "before" in newest and "after" in newest:
        return newest["before"], newest["after"]
    return None


def read_settings(read: FormReader, job: JobPage, rasters: Sequence[str]) -> tuple[Settings, str | None]:
    """What was said beside the photographs; the diagonal, the mount and the guns come from the records."""
    lengths = {name: _millimetres(read, name) for name in ("picture_width_mm", "picture_height_mm", "glass_radius_mm")}
    if (lengths["picture_width_mm"] is None) != (lengths["picture_height_mm"] is None) and not read.faults:
        missing = "picture_height_mm" if lengths["picture_height_mm"] is None else "picture_width_mm"
        read.fault(missing, "one of the two is missing", "Give width and height, or neither.")
    display, tube = job.display.display, job.tube.tube if job.tube else None
    return Settings(
        raster=read.choice("raster", rasters) or "",
        **lengths,
        diagonal_mm=display.diagonal_in * MM_PER_INCH if display.diagonal_in is not None else None,
        mount=display.mount or "horizontal",
        gun=(tube.gun if tube else None) or "inline",
    ), read.choice("stage", STAGES)


def _millimetres(read: FormReader, field: str) -> float | None:
    """A length typed in millimetres, with or without its unit."""
    typed = read.form.text(field).removesuffix("mm").strip()
    if not typed:
        return None
    try:
        value = parse_quantity(typed, kind="number", where=field).value
    except InputError as error:
        read.faults += error.faults
        return None
    if not 10 <= value <= 10_000:
        read.fault(field, f"{value:g} mm is no length of a screen", "Give millimetres, 10 to 10000.")
    return value


@router.post("/jobs/{job_id}/photos")
def take_in(request: Request, bench: TheBench, measuring: TheMeasuring, job_id: Id) -> Response:
    """Keep the photographs that can be read, and start to measure them."""
    form: Form = request.state.form
    job = bench.store.job(job_id)
    read = FormReader(form)
    settings, stage = read_settings(read, job, list(library(bench.knowledge.rasters.values())))
    note = read.words("note")
    sent: tuple[uploads.Upload, ...] = request.state.uploads
    status = 422
    if request.state.stale_form:
        # Unlike words, photographs can't be laid back into the form.
        status = 403
        read.fault("photos", "the bench was started anew since this page was opened", "Choose the photographs again.")
    elif not sent:
        read.fault("photos", "no photograph was chosen", "Choose one or more, or shoot them.")
    if read.faults:
        shown = wrong(by_field(read.faults), read.faults, form)
        return _photos_page(request, bench, measuring, job_id, status=status, **shown)
    kept, refused = _look_at_all(sent)
    if not kept:
        named = [Fault(what=f"{f.where}: {f.what}", where="photos", mend=f.mend) for f in refused]
        shown = wrong(by_field(named), named, form)
        return _photos_page(request, bench, measuring, job_id, status=422, **shown)
    records = _keep(bench, job_id, kept, stage=stage, note=note, by=bench.by(request))
    if form.text("then") == "keep":
        if refused:
            return _photos_page(request, bench, measuring, job_id, status=422, left_out=refused)
        return go(request, f"/jobs/{job_id}/photos", said="photos", job_id=job_id)
    task = measuring.start(
        job_id,
        sources(records),
        settings,
        stage=stage,
        by=bench.by(request),
        unread=[PhotoNote(name=f.where, pattern="", refused_because=f.what, shoot_better=f.mend) for f in refused],
    )
    return go(request, f"/jobs/{job_id}/measuring/{task.id}")


def sources(records: Sequence[PhotoRecord]) -> list[Source]:
    """Photographs of the records as the worker takes them."""
    return [Source(name=record.file_name, sha256=record.sha256) for record in records]


def _look_at_all(sent: Sequence[uploads.Upload]) -> tuple[list[tuple[uploads.Upload, uploads.Kept]], list[Fault]]:
    """Those that can be read, each with its small picture, and why the others can't; one in memory at a time."""
    kept: list[tuple[uploads.Upload, uploads.Kept]] = []
    refused: list[Fault] = []
    for upload in sent:
        try:
            kept.append((upload, uploads.look_at(upload.file.read(LARGEST_FILE_BYTES + 1), upload.name)))
        except TubewrightError as error:
            refused += [Fault(what=f.what, where=upload.name, mend=f.mend) for f in error.faults]
        finally:
            upload.file.seek(0)
    return kept, refused


def _keep(
    bench: Bench,
    job_id: int,
    kept: Sequence[tuple[uploads.Upload, uploads.Kept]],
    *,
    stage: str | None,
    note: str,
    by: int | None,
) -> list[PhotoRecord]:
    with bench.store.together():
        return [
            bench.store.add_photo(
                job_id,
                upload.file.read(),
                media_type=found.media_type,
                file_name=upload.name,
                preview=found.preview,
                stage=stage,
                note=note,
                by=by,
            )
            for upload, found in kept
        ]


def find_photo(job: JobPage, photo_id: int) -> PhotoRecord:
    """A photograph of this job.

    Raises:
        UnknownRecordError: It is of another job, or struck out.
    """
    found = next((photo for photo in job.photos if photo.id == photo_id), None)
    if found is None:
        raise UnknownRecordError(
            Fault(what="there is no such photograph on this job", where="photo", mend="Look at the job's list.")
        )
    return found


@router.get("/jobs/{job_id}/photos/{photo_id}/preview")
def preview(request: Request, bench: TheBench, job_id: Id, photo_id: Id) -> Response:
    """The small JPEG of a photograph."""
    photo = find_photo(bench.store.job(job_id), photo_id)
    if photo.preview_sha256 is None:
        raise UnknownRecordError(Fault(what="it has no small picture", where="photo", mend="Open the photograph."))
    return stored_file(request, bench, photo.preview_sha256, f"photograph-{photo.id}-small")


@router.get("/jobs/{job_id}/photos/{photo_id}/file")
def whole_file(request: Request, bench: TheBench, job_id: Id, photo_id: Id) -> Response:
    """The photograph as it came in, to be saved."""
    photo = find_photo(bench.store.job(job_id), photo_id)
    return stored_file(request, bench, photo.sha256, f"photograph-{photo.id}", save=True)


def stored_file(request: Request, bench: Bench, sha256: str, name: str, *, save: bool = False) -> Response:
    """A kept file under a name of ours; a browser that has it asks only whether it is still the one."""
    headers = {"etag": f'"{sha256}"', "cache-control": "private, no-cache"}
    if request.headers.get("if-none-match") == headers["etag"]:
        return Response(status_code=304, headers=headers)
    found = bench.store.file(sha256)
    ending = _ENDINGS.get(found.media_type)
    media_type = found.media_type if ending else "application/octet-stream"
    kind = "attachment" if save or not ending else "inline"
    headers["content-disposition"] = f'{kind}; filename="{name}.{ending or "bin"}"'
    if media_type == _DRAWING:
        headers["content-security-policy"] = DRAWING_POLICY
    return Response(found.data, media_type=media_type, headers=headers)


@router.post("/jobs/{job_id}/photos/{photo_id}/strike")
def strike(request: Request, bench: TheBench, form: TheForm, job_id: Id, photo_id: Id) -> Response:
    """Strike a photograph out; what was measured from it stays."""
    find_photo(bench.store.job(job_id), photo_id)
    version = FormReader(form).whole("version", most=10**9) or 0
    bench.store.remove_photo(photo_id, version=version, by=bench.by(request))
    return go(request, f"/jobs/{job_id}/photos", said="struck", job_id=job_id)


@router.get("/jobs/{job_id}/measure")
def measure_form(
    request: Request,
    bench: TheBench,
    job_id: Id,
    photo: Annotated[list[int] | None, Query()] = None,
    like: int | None = None,
) -> Response:
    """The form that measures kept photographs: all settings may be others than before."""
    job = bench.store.job(job_id)
    old = next((m for m in job.measurements if m.id == like), None)
    ticked = set(photo or ())
    if old is not None:
        shas = set(kept_shas(old))
        ticked |= {p.id for p in job.photos if p.sha256 in shas}
    return _measure_page(request, bench, job, ticked or {p.id for p in job.photos}, old)


def kept_shas(record: MeasurementRecord) -> list[str]:
    """The photographs that a measurement was made from, by content."""
    import json

    try:
        found = json.loads(record.photos_json)
    except ValueError:
        return []
    return [one for one in found if isinstance(one, str)] if isinstance(found, list) else []


def _measure_page(
    request: Request,
    bench: Bench,
    job: JobPage,
    ticked: set[int],
    old: MeasurementRecord | None,
    *,
    status: int = 200,
    **more: object,
) -> Response:
    fields = setting_fields(bench, job, _as_before(old) if old else None)
    if old is not None:
        fields["stage"] = old.stage or ""
    return job_page(request, "measure.html", job, "Picture", status=status, ticked=ticked, **{**fields, **more})


def _as_before(record: MeasurementRecord) -> Settings:
    """What was said beside the photographs then, as far as it is still understood."""
    held = settings_from_json(record.settings_json)

    def length(name: str) -> float | None:
        value = held.get(name)
        return float(value) if isinstance(value, int | float) else None

    return Settings(
        raster=str(held.get("raster") or ""),
        picture_width_mm=length("picture_width_mm"),
        picture_height_mm=length("picture_height_mm"),
        glass_radius_mm=length("glass_radius_mm"),
    )


@router.post("/jobs/{job_id}/measure")
def measure_kept(request: Request, bench: TheBench, form: TheForm, measuring: TheMeasuring, job_id: Id) -> Response:
    """Start to measure the photographs that are ticked."""
    job = bench.store.job(job_id)
    read = FormReader(form)
    settings, stage = read_settings(read, job, list(library(bench.knowledge.rasters.values())))
    asked = set(form.all("photo"))
    chosen = [photo for photo in job.photos if str(photo.id) in asked]
    if not chosen:
        read.fault("photo", "no photograph is ticked", "Tick one or more.")
    if len(chosen) > MOST_PHOTOS:
        read.fault("photo", f"{len(chosen)} photographs are ticked", f"Tick at most {MOST_PHOTOS}.")
    try:
        read.finish()
        task: Task = measuring.start(job_id, sources(chosen), settings, stage=stage, by=bench.by(request))
    except (InputError, RefusedError) as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _measure_page(request, bench, job, {p.id for p in chosen}, None, status=422, **shown)
    return go(request, f"/jobs/{job_id}/measuring/{task.id}")
