"""Displays and tubes: lists, facts, which tube sits where, and a tube over the years."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Path, Request, Response

from tubewright import case
from tubewright.bench import words
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, bench_of, day, form_of, go, page, wrong
from tubewright.bench.pictures import drawing, figure_of
from tubewright.bench.security import Form
from tubewright.bench.years import events_of, history_for
from tubewright.errors import ConflictError, Fault, InputError, UnknownRecordError
from tubewright.judgement.tube_labels import decode_label
from tubewright.records.model import Job, MeasurementRecord, ObservationRecord, TubeRecord
from tubewright.report.frame import Chart, Size, Theme
from tubewright.report.years import tube_chart

router = APIRouter(include_in_schema=False)
TheBench = Annotated[Bench, Depends(bench_of)]
TheForm = Annotated[Form, Depends(form_of)]
Id = Annotated[int, Path(ge=1, le=2**31 - 1)]

SWAP_CAUTIONS: Final = (
    "local_rules",
    "anode_charge",
    "recharge",
    "primary_reservoir",
    "implosion",
    "lifting",
    "lead_glass_dust",
    "gate_power_off",
)


@router.get("/displays")
def displays(request: Request, bench: TheBench, q: str = "") -> Response:
    """All displays, newest first, or those that fit some words."""
    found = bench.store.displays(q.strip()[:200], page=request.query_params.get("page") or None)
    rows = [
        {
            "to": f"/displays/{r.id}",
            "name": r.display.label or f"Display {r.id}",
            "more": " · ".join(part for part in (r.tube_label, r.owner, r.place) if part),
        }
        for r in found.rows
    ]
    return page(
        request,
        "displays.html",
        title="Displays",
        rows=rows,
        next_page=found.next_page,
        q=q.strip()[:200],
        hint="Display, owner, place, tube",
        none_words="No display yet. The first one comes with its first job.",
        add="/jobs/new",
        add_words="Put a display on the bench",
    )


@router.get("/tubes")
def tubes(request: Request, bench: TheBench, q: str = "") -> Response:
    """All tubes, newest first, or those that fit some words."""
    found = bench.store.tubes(q.strip()[:200], page=request.query_params.get("page") or None)
    rows = [
        {
            "to": f"/tubes/{r.id}",
            "name": r.tube.label or f"Tube {r.id}",
            "more": f"in {r.display_label or f'display {r.display_id}'}" if r.display_id else "on the shelf",
        }
        for r in found.rows
    ]
    return page(
        request,
        "displays.html",
        title="Tubes",
        rows=rows,
        next_page=found.next_page,
        q=q.strip()[:200],
        hint="Type of tube, notes",
        none_words="No tube yet.",
        add="/tubes/new",
        add_words="Add a tube to the shelf",
    )


@router.get("/displays/{display_id}")
def display(request: Request, bench: TheBench, display_id: Id) -> Response:
    """One display: its facts, its tube, its jobs."""
    return _display_page(request, bench, display_id)


def _display_page(request: Request, bench: Bench, display_id: int, *, status: int = 200, **more: object) -> Response:
    record = bench.store.display(display_id)
    jobs = bench.store.jobs_of_display(display_id)
    shelf = [t for t in bench.store.tubes(size=200).rows if t.display_id is None]
    return page(
        request,
        "display.html",
        status=status,
        record=record,
        jobs=jobs,
        measured=_measured(bench, jobs),
        open_job=next((job for job in jobs if job.state != "closed"), None),
        tubes=[(t.id, f"{t.tube.label or 'tube'} (no. {t.id})") for t in shelf],
        cautions=caution_texts(bench, SWAP_CAUTIONS),
        confirm=caution_checks(bench, SWAP_CAUTIONS),
        **more,
    )


MOST_JOBS_LOOKED_AT: Final = 12
"""Jobs of one display whose measurements its page lists, newest first."""


def _measured(bench: Bench, jobs: Sequence[Job]) -> list[MeasurementRecord]:
    """What was measured on this display's jobs, newest first."""
    return [record for job in jobs[:MOST_JOBS_LOOKED_AT] for record in reversed(bench.store.job(job.id).measurements)]


def caution_texts(bench: Bench, ids: tuple[str, ...]) -> list[str]:
    """The words of these cautions."""
    # A name that is not in the catalogue must fail here and not leave its caution out.
    return [bench.knowledge.cautions[name].text for name in ids]


def caution_checks(bench: Bench, ids: tuple[str, ...]) -> list[str]:
    """What must be true before a step with these cautions."""
    found = (bench.knowledge.cautions[name].confirm for name in ids)
    return [text for text in found if text]


@router.post("/displays/{display_id}/fit")
def fit(request: Request, bench: TheBench, form: TheForm, display_id: Id) -> Response:
    """Put a tube from the shelf into a display."""
    tube_id = form.text("tube")
    if not (tube_id.isascii() and tube_id.isdigit() and len(tube_id) < 10):
        nothing = Fault(what="no tube is chosen", where="tube", mend="Choose one from the shelf.")
        shown = wrong({"tube": nothing}, [nothing], form)
        return _display_page(request, bench, display_id, status=422, **shown)
    bench.store.fit_tube(display_id, int(tube_id), by=bench.by(request))
    return go(request, f"/displays/{display_id}", said="fitted")


@router.post("/displays/{display_id}/take-out")
def take_out(request: Request, bench: TheBench, form: TheForm, display_id: Id) -> Response:  # noqa: ARG001 - the form's token was checked
    """Take the tube out of a display."""
    bench.store.take_out_tube(display_id, by=bench.by(request))
    return go(request, f"/displays/{display_id}", said="taken_out")


@router.get("/displays/{display_id}/edit")
def edit_display(request: Request, bench: TheBench, display_id: Id) -> Response:
    """The facts of a display, to be changed."""
    return _display_form(request, bench, display_id)


def _display_form(request: Request, bench: Bench, display_id: int, *, status: int = 200, **more: object) -> Response:
    record = bench.store.display(display_id)
    context: dict[str, Any] = {
        "what": "display",
        "title": f"Change {record.display.label}",
        "value": record.display,
        "owner": record.owner,
        "place": record.place,
        "notes": record.notes,
        "version_now": record.version,
        "back": f"/displays/{display_id}",
        "conflict": (),
        "fit_into": "",
    }
    return page(request, "record_form.html", status=status, **{**context, **more})


@router.post("/displays/{display_id}/edit")
def save_display(request: Request, bench: TheBench, form: TheForm, display_id: Id) -> Response:
    """Store changed facts of a display."""
    read = FormReader(form)
    try:
        value = display_of(read)
        owner, place, notes = read.words("owner"), read.words("place"), read.words("notes", longest=4000)
        version = read.whole("version", most=10**9) or 0
        read.finish()
        assert value is not None  # noqa: S101 - finish() raised otherwise
        bench.store.edit_display(
            display_id, value, version=version, owner=owner, place=place, notes=notes, by=bench.by(request)
        )
    except ConflictError:
        now = bench.store.display(display_id)
        theirs = {**now.display.model_dump(), "owner": now.owner, "place": now.place, "notes": now.notes}
        compared = ("label", "diagonal_in", "scan_khz", "mount", "chassis", "owner", "place", "notes")
        both = _compare(theirs, form, compared)
        return _display_form(request, bench, display_id, status=409, conflict=both, typed=form.typed())
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _display_form(request, bench, display_id, status=422, **shown)
    return go(request, f"/displays/{display_id}", said="display")


def _compare(theirs: Mapping[str, Any], form: Form, names: tuple[str, ...]) -> list[tuple[str, str, str]]:
    """Each field as it stands and as it was typed."""

    def written(value: object) -> str:
        return words.number(value, 6) if isinstance(value, (int, float)) else str(value or "")

    return [(name.replace("_", " "), written(theirs.get(name)), form.text(name)) for name in names]


@router.get("/tubes/new")
def new_tube(request: Request, bench: TheBench, display: str = "") -> Response:  # noqa: ARG001 - kept alike
    """The form for a tube that comes without a display."""
    return _tube_form(request, None, fit_into=display)


def _tube_form(request: Request, tube: TubeRecord | None, *, status: int = 200, **more: object) -> Response:
    context: dict[str, Any] = {
        "what": "tube",
        "title": f"Change {tube.tube.label or 'the tube'}" if tube else "A tube for the shelf",
        "value": tube.tube if tube else None,
        "notes": tube.notes if tube else "",
        "version_now": tube.version if tube else "",
        "back": f"/tubes/{tube.id}" if tube else "/tubes",
        "conflict": (),
        "fit_into": "",
    }
    return page(request, "record_form.html", status=status, **{**context, **more})


@router.post("/tubes/new")
def add_tube(request: Request, bench: TheBench, form: TheForm) -> Response:
    """Store a new tube, and put it into a display if it was asked for there."""
    read = FormReader(form)
    into = read.whole("fit_into", most=10**9)
    try:
        value, notes = tube_of(read, "label"), read.words("notes", longest=4000)
        read.finish()
        assert value is not None  # noqa: S101 - finish() raised otherwise
        with bench.store.together():
            record = bench.store.add_tube(value, notes=notes, by=bench.by(request))
            if into is not None:
                bench.store.fit_tube(into, record.id, by=bench.by(request))
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _tube_form(request, None, status=422, fit_into=form.text("fit_into"), **shown)
    if into is not None:
        return go(request, f"/displays/{into}", said="fitted")
    return go(request, f"/tubes/{record.id}", said="tube")


@router.get("/tubes/{tube_id}/edit")
def edit_tube(request: Request, bench: TheBench, tube_id: Id) -> Response:
    """The facts of a tube, to be changed."""
    return _tube_form(request, bench.store.tube(tube_id))


@router.post("/tubes/{tube_id}/edit")
def save_tube(request: Request, bench: TheBench, form: TheForm, tube_id: Id) -> Response:
    """Store changed facts of a tube."""
    read = FormReader(form)
    try:
        value, notes = tube_of(read, "label"), read.words("notes", longest=4000)
        version = read.whole("version", most=10**9) or 0
        read.finish()
        assert value is not None  # noqa: S101 - finish() raised otherwise
        bench.store.edit_tube(tube_id, value, version=version, notes=notes, by=bench.by(request))
    except ConflictError:
        now = bench.store.tube(tube_id)
        theirs = {**now.tube.model_dump(), "notes": now.notes}
        names = ("label", "gun", "heater_v", "service_hours", "restorations", "getter", "neck", "burn", "notes")
        both = _compare(theirs, form, names)
        return _tube_form(request, now, status=409, conflict=both, typed=form.typed())
    except UnknownRecordError:
        raise
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return _tube_form(request, bench.store.tube(tube_id), status=422, **shown)
    return go(request, f"/tubes/{tube_id}", said="tube")


@router.get("/tubes/{tube_id}")
def tube(request: Request, bench: TheBench, tube_id: Id) -> Response:
    """A tube over the years."""
    history = bench.store.tube_history(tube_id)
    drawn, left_out = history_for(history, bench)

    def draw(theme: Theme, size: Size) -> Chart:
        return tube_chart(drawn, theme=theme, size=size)

    return page(
        request,
        "tube.html",
        h=history,
        chart=figure_of(request, f"/tubes/{tube_id}/years.svg", draw),
        events=events_of(history),
        left_out=left_out,
        seen=seen_of(history.tube.tube, history.observations),
        today=day(bench.store.clock()),
        label=decode_label(history.tube.tube.label, bench.knowledge) if history.tube.tube.label else None,
    )


@router.get("/tubes/{tube_id}/years.svg")
def tube_years(request: Request, bench: TheBench, tube_id: Id, theme: str = "", size: str = "") -> Response:
    """The drawing of a tube's years."""
    drawn, _ = history_for(bench.store.tube_history(tube_id), bench)
    return drawing(request, lambda t, s: tube_chart(drawn, theme=t, size=s), theme, size)


def seen_of(tube: case.Tube, observations: Sequence[ObservationRecord]) -> list[tuple[str, str]]:
    """Getter, neck and burn as last looked at, else as the tube's own record has them."""
    shown = {name: look_words(name, getattr(tube, name)) for name in ("getter", "neck", "burn")}
    for o in observations:
        if o.look is not None:
            shown[o.look.name] = f"{look_words(o.look.name, o.look.value)}, seen {day(o.at)}"
    return [(name.capitalize(), said) for name, said in shown.items()]


def look_words(name: str, value: str | float | None) -> str:
    """What was seen of the glass, in words."""
    if value is None:
        return "not known"
    if name == "burn":
        return f"{words.number(100 * float(value))} % of the luminance lost"
    return {"getter": words.GETTERS, "neck": words.NECKS}[name].get(str(value), str(value))


def display_of(read: FormReader) -> case.Display | None:
    """A display from the fields of that name."""
    return read.model(
        case.Display,
        {
            "label": read.words("label", needed="Give it a name, as you would call it across the shop."),
            "diagonal_in": read.figure("diagonal_in", "inches"),
            "scan_khz": read.figure("scan_khz", "khz"),
            "mount": read.choice("mount", words.MOUNTS),
            "chassis": read.words("chassis") or None,
        },
    )


def tube_of(read: FormReader, label: str) -> case.Tube | None:
    """A tube from the fields of that name; ``label`` is the field of its type."""
    return read.model(
        case.Tube,
        {
            "label": read.words(label) or None,
            "gun": read.choice("gun", words.GUN_KINDS),
            "heater_v": read.figure("heater_v", "voltage"),
            "service_hours": read.figure("service_hours", "hours"),
            "restorations": read.whole("restorations"),
            "getter": read.choice("getter", words.GETTERS),
            "neck": read.choice("neck", words.NECKS),
            "burn": read.figure("burn", "fraction"),
        },
    )
