"""Which tube on the shelf fits: the wanted tube and its set against stock and records; cautions first."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.answers.donor import AFTERWARDS, CAUTIONS, VERDICT_WORDS, DonorAnswer, DonorMatch, Tube, match_donors
from tubewright.answers.label import LabelDecoded
from tubewright.answers.profile import named_chassis
from tubewright.answers.stock_kinds import ATTRIBUTES
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, go, page, wrong
from tubewright.bench.routes.job import TheBench, TheForm
from tubewright.bench.routes.records import caution_checks, caution_texts
from tubewright.bench.routes.stock import decoded_label, year_now
from tubewright.bench.routes.stock_forms import fields_of
from tubewright.bench.security import Form
from tubewright.bench.stocking import StockShelf, figures_for, item_of, kept_with, stock_shelf, wanted_tube
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.files.stock_fields import TypedItem, cell, cells_of, edited_values, item_values
from tubewright.files.tube_fields import value_of
from tubewright.judgement.donor_tube import VERDICTS, SetFigures, Verdict
from tubewright.knowledge.chassis import Chassis
from tubewright.records.model import JobPage
from tubewright.report.donor_text import ASPECT_NAMES

router = APIRouter(include_in_schema=False)

OF_TUBE: Final = "w_"
OF_SET: Final = "s_"
_TUBE: Final = (
    "label", "gun", "neck_mm", "base", "pins", "g1", "heater_v", "heater_a", "deflection_deg", "diagonal_cm", "size_is",
    "face", "anode_max_kv", "anode_kv", "focus", "focus_percent", "line_mh", "line_ohm", "field_mh", "field_ohm",
    "mount", "bolts_wide_mm", "bolts_high_mm", "band",
)  # fmt: skip
_SET: Final[Mapping[str, tuple[str, str, tuple[str, ...]]]] = {
    # field of the set: label, hint, choices
    "eht_kv": ("Anode voltage at zero beam", "kV, as measured.", ()),
    "eht_limit_kv": ("Its rating", "kV, from the set's papers.", ()),
    "heater_source_v": ("Heater feed", "V true RMS, under load.", ()),
    "heater_feed": ("Heaters are fed", "", ("parallel", "series")),
    "drive": ("The picture drives", "", ("cathode", "grid")),
    "bplus_v": ("B+", "V, as measured.", ()),
    "scan_khz": ("Line rate", "kHz", ()),
    "retrace_us": ("Flyback pulse", "µs, base to base.", ()),
    "tuning_nf": ("Tuning capacitor", "nF", ()),
    "width_coil_mh": ("Width coil", "mH, in series with the yoke.", ()),
    "focus_low_kv": ("Focus control from", "kV", ()),
    "focus_high_kv": ("Focus control to", "kV", ()),
    "picture_width_mm": ("Picture wide", "mm, with the old tube.", ()),
    "picture_height_mm": ("Picture high", "mm", ()),
}
_TITLES: Final[Mapping[Verdict, str]] = {
    "never": "Never",
    "unknown": "Not known",
    "adapt": "To be adapted",
    "with_yoke": "Only with its own yoke and rings",
    "fits": "Fits",
}
MOST_JOBS: Final = 30
"""Open jobs that a single donor is tried in."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Wanted:
    """Whose tube is to be replaced: the job, the tube of the records, what is known of both."""

    job: JobPage | None
    tube_id: int | None
    tube: Tube
    chassis: Chassis | None
    address: str


@router.get("/donor")
def donor(request: Request, bench: TheBench) -> Response:
    """The donors for a job's tube, or where a single tube would fit."""
    asked = Form([(name, value[:300]) for name, value in request.query_params.multi_items()])
    if asked.text("donor") and not (asked.text("job") or asked.text("tube")):
        return _places_page(request, bench, asked.text("donor"))
    try:
        wanted = _wanted(bench, asked)
    except UnknownRecordError:
        raise
    except InputError as error:
        return _page(request, bench, asked, None, status=422, **wrong(by_field(error.faults), error.faults, asked))
    if wanted is None:
        return _page(request, bench, asked, None)
    shelf = stock_shelf(
        bench.store, bench.knowledge, but_tube=wanted.tube_id, for_job=wanted.job.job.id if wanted.job else None
    )
    try:
        tube, figures = _typed(asked, wanted)
        answer = match_donors(tube, shelf.tubes, figures, bench.knowledge) if shelf.tubes else None
    except InputError as error:
        faults = {key: fault for fault in error.faults for key in (_field(fault.where),)}
        return _page(request, bench, asked, wanted, status=422, shelf=shelf, **wrong(faults, error.faults, asked))
    return _page(request, bench, asked, wanted, shelf=shelf, answer=answer, tube=tube, figures=figures)


def _wanted(bench: Bench, asked: Form) -> Wanted | None:
    """The job or tube that was named; ``None`` where none was."""
    read = FormReader(asked)
    job_id, tube_id = read.whole("job", most=2**31 - 1), read.whole("tube", most=2**31 - 1)
    read.finish()
    if job_id is None and tube_id is None:
        return None
    job = bench.store.job(job_id) if job_id is not None else None
    if job is not None:
        tube_id = None if job.tube is None else job.tube.id
    elif tube_id is not None:
        bench.store.tube(tube_id)
    own = job.display.display.chassis or "" if job is not None else ""
    chosen = asked.text("chassis") if "chassis" in asked.typed() else own
    # A chassis that the shop's own file lost since is no reason to refuse.
    chassis = (
        bench.knowledge.chassis.get(own) if chosen == own else named_chassis(chosen, bench.knowledge, where="chassis")
    )
    named = f"job:{job.job.id}" if job is not None else f"tube:{tube_id}"
    return Wanted(
        job=job,
        tube_id=tube_id,
        tube=wanted_tube(bench.store, tube_id, bench.knowledge, named=named),
        chassis=chassis,
        address=f"/jobs/{job.job.id}" if job is not None else f"/tubes/{tube_id}",
    )


def _typed(asked: Form, wanted: Wanted) -> tuple[Tube, SetFigures]:
    """The wanted tube and the set, with what was typed over what is known.

    Raises:
        InputError: Something typed can't be read; every fault with its field.
    """
    faults: list[Fault] = []
    tube = {name: getattr(wanted.tube, name) for name in Tube.__dataclass_fields__}
    figures: dict[str, Any] = {}
    for prefix, names, into in ((OF_TUBE, _TUBE, tube), (OF_SET, tuple(_SET), figures)):
        for name in names:
            text = asked.text(f"{prefix}{name}")
            if not text:
                continue
            try:
                into[name] = value_of(name, text, f"{prefix}{name}")
            except InputError as error:
                faults += error.faults
    if faults:
        raise InputError(faults)
    return Tube(**tube), figures_for(wanted.job, wanted.chassis, figures)


def _field(where: str) -> str:
    """The form's field that a fault of the answer belongs to."""
    if where.startswith(("set: ", "tube ")):
        head, _, name = where.partition(": ")
        return f"{OF_SET if head == 'set' else OF_TUBE}{name}"
    return where


def _page(
    request: Request,
    bench: Bench,
    asked: Form,
    wanted: Wanted | None,
    *,
    status: int = 200,
    shelf: StockShelf | None = None,
    answer: DonorAnswer | None = None,
    tube: Tube | None = None,
    figures: SetFigures | None = None,
    **more: Any,  # noqa: ANN401 - whatever the page shows
) -> Response:
    cautions = answer.cautions if answer is not None else CAUTIONS
    label: LabelDecoded | None = None
    if wanted is not None:
        shown = tube or wanted.tube
        label = decoded_label(shown.label, bench.knowledge) if shown.label else None
        figures = figures or figures_for(wanted.job, wanted.chassis)
    jobs = [row for row in bench.store.board(size=MOST_JOBS).rows if row.state != "closed"]
    context: dict[str, Any] = {
        "wanted": wanted,
        "cautions": caution_texts(bench, cautions),
        "confirm": caution_checks(bench, cautions),
        "answer": answer,
        "matches": [_match(match, shelf) for match in answer.matches] if answer is not None and shelf else (),
        "afterwards": AFTERWARDS,
        "shelf": shelf,
        "label": label,
        "jobs": [(row.job_id, f"{row.display_label or 'display'} (job {row.job_id})") for row in jobs],
        "tube_fields": _tube_fields(wanted.tube) if wanted else (),
        "set_fields": _set_fields(figures) if figures else (),
        "profile_names": [(one.id, one.name) for one in bench.knowledge.chassis.values()],
        "chassis_now": wanted.chassis.id if wanted and wanted.chassis else "",
        "places": (),
        "one": None,
        "typed": asked.typed(),
        **more,
    }
    return page(request, "donor.html", status=status, **context)


def _tube_fields(tube: Tube) -> list[dict[str, Any]]:
    out = []
    for field in fields_of(_TUBE):
        value = getattr(tube, field["name"])
        shown = _shown(value)
        out.append({**field, "name": f"{OF_TUBE}{field['name']}", "value": shown})
    return out


def _set_fields(figures: SetFigures) -> list[dict[str, Any]]:
    return [
        {
            "name": f"{OF_SET}{name}",
            "label": title,
            "hint": hint,
            "unit": "",
            "choices": [(one, one) for one in choices],
            "value": _shown(getattr(figures, name)),
        }
        for name, (title, hint, choices) in _SET.items()
    ]


def _shown(value: object) -> str:
    if value is None or value == "":
        return ""
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {cell(one)}" for key, one in value.items())
    return cell(value)


def _match(match: DonorMatch, shelf: StockShelf) -> dict[str, Any]:
    """One donor as the page draws it: what speaks against it before what speaks for it."""
    shown: Sequence[Verdict] = ("never",) if match.way.verdict == "never" else tuple(reversed(VERDICTS))
    groups = []
    for verdict in shown:
        held = [one for one in match.way.aspects if one.verdict == verdict]
        if held:
            rows = [
                {
                    "name": ASPECT_NAMES.get(one.id, one.id).capitalize(),
                    "words": one.words,
                    "do": one.do,
                    "find_out": one.find_out,
                }
                for one in held
            ]
            groups.append({"verdict": verdict, "title": _TITLES[verdict], "rows": rows})
    other = ""
    if match.other is not None and match.way.verdict != "never" and match.other.verdict != "never":
        whose = "its own yoke and rings" if match.other.yoke_from == "donor" else "the set's own yoke"
        said = VERDICT_WORDS[match.other.verdict]
        other = f"The other way, with {whose}: {said}; about {match.other.minutes:.0f} minutes."
    return {
        "it": match,
        "to": shelf.addresses.get(match.tube.id, ""),
        "tag": VERDICT_WORDS[match.way.verdict],
        "groups": groups,
        "other": other,
        "condition": None if match.condition_share is None else f"{100 * match.condition_share:.0f} %",
    }


# --- where a single tube would fit -----------------------------------------------------------


def _places_page(request: Request, bench: Bench, named: str) -> Response:
    """A donor held against the tube of every open job."""
    lying = stock_shelf(bench.store, bench.knowledge)
    one = next((tube for tube in lying.tubes if tube.id == named), None)
    if one is None:
        raise UnknownRecordError(
            Fault(what="no such tube lies free on the shelf", where="donor", mend="See the tubes in stock.")
        )
    rows = []
    for row in bench.store.board(size=MOST_JOBS).rows:
        if row.state == "closed" or row.tube_id is None:
            continue
        job = bench.store.job(row.job_id)
        sought = wanted_tube(bench.store, row.tube_id, bench.knowledge, named=f"job:{row.job_id}")
        chassis = bench.knowledge.chassis.get(job.display.display.chassis or "")
        found = match_donors(sought, [one], figures_for(job, chassis), bench.knowledge).matches[0]
        rows.append((VERDICTS.index(found.way.verdict), row, found))
    rows.sort(key=lambda entry: (entry[0], entry[1].job_id))
    places = [
        {
            "to": f"/donor?job={row.job_id}",
            "name": row.display_label or f"job {row.job_id}",
            "tag": VERDICT_WORDS[found.way.verdict],
            "words": found.headline,
        }
        for _, row, found in rows
    ]
    named_one = {"name": one.label or one.id, "to": lying.addresses[one.id]}
    return _page(request, bench, Form([]), None, places=places, one=named_one)


# --- what is typed, kept with the tube --------------------------------------------------------


@router.post("/donor/keep")
def keep(request: Request, bench: TheBench, form: TheForm) -> Response:
    """Keep what was typed of a tube with it: as its entry in the stock, which holds none while it is in a set."""
    wanted = _wanted(bench, form)
    if wanted is None or wanted.tube_id is None:
        raise InputError(Fault(what="there is no tube to keep it with", where="tube", mend="Give the job its tube."))
    typed = {
        name: form.text(f"{OF_TUBE}{name}") for name in _TUBE if name in ATTRIBUTES and form.text(f"{OF_TUBE}{name}")
    }
    held = kept_with(bench.store, wanted.tube_id)
    by = bench.by(request)
    try:
        if held is None:
            cells = {"kind": "tube", "quantity": "0", "tube": str(wanted.tube_id), **typed}
            asked = TypedItem(cells=cells, where=lambda field: f"{OF_TUBE}{field}")
            values = item_values(asked, bench.knowledge, this_year=year_now(bench))
            asked.finish()
            bench.store.add_item(values, by=by)
        else:
            item = item_of(held)
            asked = TypedItem(cells={**cells_of(item), **typed}, where=lambda field: f"{OF_TUBE}{field}")
            values = edited_values(item, asked, bench.knowledge, this_year=year_now(bench))
            asked.finish()
            bench.store.edit_item(held.id, values, version=held.version, by=by)
    except UnknownRecordError:
        raise
    except InputError as error:
        return _page(request, bench, form, wanted, status=422, **wrong(by_field(error.faults), error.faults, form))
    back = f"job={wanted.job.job.id}" if wanted.job is not None else f"tube={wanted.tube_id}"
    return go(request, f"/donor?{back}", said="tube")
