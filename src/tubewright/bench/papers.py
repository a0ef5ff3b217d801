"""The papers of a job: what they say gathered, set, given out under a number, and printed again as they were."""

from __future__ import annotations

import json
import threading
from collections import OrderedDict
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final, Literal

from tubewright.answers.proof import proof
from tubewright.answers.proof_form import Proof
from tubewright.answers.proof_work import Side, Work
from tubewright.bench import words
from tubewright.bench.proving import photos_of, work_of
from tubewright.errors import Fault, InputError, UnknownRecordError
from tubewright.knowledge.model import Knowledge
from tubewright.records.model import HistoryRecord, JobPage
from tubewright.records.model_stock import PaperRecord
from tubewright.records.store import Store
from tubewright.report.sheet_bench import Rows, bench_body, bench_pdf
from tubewright.report.sheet_customer import ShownPhoto, customer_body, customer_pdf
from tubewright.report.sheet_parts import Picture, clock, day

Sheet = Literal["customer", "bench"]
SHEETS: Final[tuple[Sheet, ...]] = ("customer", "bench")
MOST_VERSIONS: Final = 1000
"""Changes that the bench's sheet lists; older ones are counted (estimate: forty pages)."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Chosen:
    """What is set side by side, by number, where it isn't the newest of either stage."""

    measurements: Mapping[Side, int]
    photos: Mapping[Side, int]


NOTHING_CHOSEN: Final = Chosen(measurements={}, photos={})


@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """A job with its comparison."""

    job: JobPage
    work: Work
    proof: Proof


def compare_job(
    store: Store,
    knowledge: Knowledge,
    job_id: int,
    *,
    chosen: Chosen = NOTHING_CHOSEN,
) -> Compared:
    """Hold a job of the shop as it came against the job as it goes.

    Raises:
        UnknownRecordError: There is no such job, or not what was chosen of it.
        InputError: What it holds can't be judged or read back.
    """
    job = store.job(job_id)
    work = work_of(store, knowledge, job, chosen=chosen.measurements)
    return Compared(job=job, work=work, proof=proof(work, knowledge, store.experience()))


def body_of(
    store: Store, knowledge: Knowledge, compared: Compared, sheet: Sheet, *, chosen: Chosen = NOTHING_CHOSEN
) -> dict[str, Any]:
    """What a sheet says of a job now, as plain data."""
    photos: dict[Side, ShownPhoto] = {
        side: ShownPhoto(
            sha256=photo.preview_sha256 or photo.sha256, taken_at=photo.taken_at, file_name=photo.file_name
        )
        for side, photo in photos_of(compared.job, chosen.photos).items()
    }
    settings = store.settings()
    if sheet == "customer":
        return customer_body(compared.proof, compared.work, settings=settings, photos=photos)
    return bench_body(
        compared.proof,
        compared.work,
        facts=_facts(compared.job, knowledge),
        tables=_tables(store, compared.job),
        settings=settings,
        photos=photos,
    )


def set_sheet(store: Store, body: Mapping[str, Any], *, number: str = "") -> bytes:
    """A sheet as PDF, from what it says.

    Raises:
        InputError: It is no sheet of ours: the record is damaged, or of a newer version.
    """
    make = {"customer": customer_pdf, "bench": bench_pdf}.get(str(body.get("sort")))
    if make is None or body.get("format") != 1:
        raise InputError(
            Fault(what="this paper is none of these sheets", where="paper", mend="Make a new one of the job.")
        )
    try:
        return make(body, _pictures(store, body), number=number).pdf
    except (KeyError, TypeError, ValueError, AttributeError) as error:
        raise InputError(
            Fault(
                what=f"this paper can't be printed again ({type(error).__name__}: {error})",
                where="paper",
                mend="Make a new one of the job.",
            )
        ) from error


def give_out(
    store: Store,
    knowledge: Knowledge,
    job_id: int,
    sheet: Sheet,
    *,
    chosen: Chosen = NOTHING_CHOSEN,
    by: int | None = None,
) -> PaperRecord:
    """Keep a sheet as a paper under the next number of its sort, so that it can be printed again as it is."""
    compared = compare_job(store, knowledge, job_id, chosen=chosen)
    body = body_of(store, knowledge, compared, sheet, chosen=chosen)
    text = json.dumps(body, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    return store.add_paper(job_id, sheet, body_json=text, by=by)


def print_again(store: Store, paper: PaperRecord) -> bytes:
    """A paper as it was given out, with its number.

    Raises:
        InputError: It can't be read back, or is none of these sheets.
    """
    try:
        body = json.loads(paper.body_json)
    except ValueError:
        body = {}
    return set_sheet(store, body if isinstance(body, dict) else {}, number=paper.number)


def sheet_name(text: str) -> Sheet:
    """A sheet by its name in an address.

    Raises:
        UnknownRecordError: There is none of that name.
    """
    found = next((sheet for sheet in SHEETS if sheet == text), None)
    if found is None:
        raise UnknownRecordError(
            Fault(what=f"there is no sheet {text!r}"[:60], where="sheet", mend="There are customer and bench.")
        )
    return found


def _pictures(store: Store, body: Mapping[str, Any]) -> dict[str, Picture]:
    """The photographs that a sheet names, as far as they are here."""
    found: dict[str, Picture] = {}
    for named in body["photos"].values():
        if named is None:
            continue
        try:
            held = store.file(named["sha256"])
        except UnknownRecordError:
            continue
        found[named["sha256"]] = Picture(data=held.data, media_type=held.media_type)
    return found


class Comparisons:
    """The last comparisons, so that a page and its drawings reckon once."""

    def __init__(self, most: int = 12) -> None:
        self._most = most
        self._held: OrderedDict[tuple[object, ...], Compared] = OrderedDict()
        self._lock = threading.Lock()

    def of(self, store: Store, knowledge: Knowledge, job_id: int, chosen: Chosen) -> Compared:
        """A job's comparison; reckoned anew when the job or the shop's experience has changed.

        Raises:
            UnknownRecordError: There is no such job, or not what was chosen of it.
            InputError: What it holds can't be judged or read back.
        """
        job = store.job(job_id)
        taught = store.experience()
        name = (
            job_id, job.job.changed_at, job.job.version, job.display.version, job.tube.version if job.tube else 0,
            len(job.verdicts), id(taught), tuple(sorted(chosen.measurements.items())),
        )  # fmt: skip
        with self._lock:
            if name in self._held:
                self._held.move_to_end(name)
                return self._held[name]
        made = compare_job(store, knowledge, job_id, chosen=chosen)
        with self._lock:
            self._held[name] = made
            while len(self._held) > self._most:
                self._held.popitem(last=False)
        return made


# -- what the bench's sheet holds beside the work ------------------------------------------------


def _facts(job: JobPage, knowledge: Knowledge) -> list[tuple[str, str]]:
    display, tube, use, costs = job.display.display, job.tube, job.job.use, job.job.costs
    chassis = knowledge.chassis.get(display.chassis or "")
    facts = [
        ("Owner", job.display.owner),
        ("Place", job.display.place),
        ("Size", f"{words.number(display.diagonal_in)} inches" if display.diagonal_in else ""),
        ("Line rate", f"{words.number(display.scan_khz)} kHz" if display.scan_khz else ""),
        ("Mount", words.MOUNTS.get(display.mount or "", "")),
        ("Chassis", chassis.name if chassis else display.chassis or ""),
        ("Opened", day(job.job.opened_at)),
        ("State", words.STATES[job.job.state] + (f", {day(job.job.closed_at)}" if job.job.closed_at else "")),
        ("Waits for", job.job.waits_for),
        ("Wanted use", f"{words.number(use.hours_per_week)} hours a week" if use.hours_per_week else "not said"),
        ("To keep it", f"{words.number(use.keep_years)} years" if use.keep_years else "not said"),
        (
            "White wanted",
            f"{words.number(100 * use.minimum_white)} % of a good tube's" if use.minimum_white else "not said",
        ),
        (
            "Bench rate",
            f"{words.number(costs.bench_rate_per_hour)} {costs.currency or ''} an hour".replace("  ", " ")
            if costs.bench_rate_per_hour
            else "",
        ),
        ("Display's notes", job.display.notes),
    ]
    if tube is not None:
        glass = tube.tube
        facts += [
            ("Tube", glass.label or f"tube {tube.id}"),
            ("Guns", words.GUN_KINDS.get(glass.gun or "", "")),
            ("Heater", f"{words.number(glass.heater_v)} V" if glass.heater_v else ""),
            ("Service hours", words.number(glass.service_hours) if glass.service_hours is not None else ""),
            ("Earlier restorations", words.times(glass.restorations)),
            ("Getter", words.GETTERS.get(glass.getter or "", "")),
            ("Neck", words.NECKS.get(glass.neck or "", "")),
            ("Tube's notes", tube.notes),
        ]
    else:
        facts.append(("Tube", "none is in it"))
    return [(name, said) for name, said in facts if said]


def _tables(store: Store, job: JobPage) -> list[Rows]:
    other = {r.tube_id for r in job.readings} - {job.job.tube_id, None}
    papers = store.papers(job.job.id)
    history = store.history(job_id=job.job.id, size=MOST_VERSIONS + 1)
    looks = [o for o in job.observations if o.look is not None]
    tables = [
        Rows(
            title="Readings",
            headings=("When", "Gun", "Reading", "Value", "Taken under", "Who"),
            shares=(0, 0, 1.2, 0, 2.2, 0),
            rows=tuple(
                (
                    clock(r.taken_at),
                    r.reading.gun or "all",
                    words.kind(r.reading.kind),
                    words.reading_value(r.reading),
                    words.conditions(r.reading) + (", on the tube that came" if r.tube_id in other else ""),
                    r.person,
                )
                for r in job.readings
            ),
        ),
        Rows(
            title="Looks at the glass",
            headings=("When", "What", "Seen", "Who"),
            shares=(0, 0, 1, 0),
            rows=tuple((clock(o.at), o.look.name, _look(o.look.value), o.person) for o in looks if o.look),
        ),
        Rows(
            title="Measurements of the picture",
            headings=("When", "No.", "Stage", "Result", "Model", "Who"),
            shares=(0, 0, 0, 3, 0, 0),
            rows=tuple(
                (
                    clock(m.at),
                    str(m.id),
                    m.stage or "between",
                    m.headline if m.accepted else f"not measured: {m.headline}",
                    m.model_version,
                    m.person,
                )
                for m in job.measurements
            ),
        ),
        Rows(
            title="Readings of the grey steps",
            headings=("When", "Steps", "White wished", "Turned before it", "Note", "Who"),
            shares=(0, 0, 0, 2, 1.4, 0),
            rows=tuple(
                (clock(g.at), str(_count(g.readings_json)), g.white, _turned(g.turned_json), g.note, g.person)
                for g in job.grey_rounds
            ),
        ),
        Rows(
            title="Photographs kept",
            headings=("When", "File", "Stage", "Note", "SHA-256", "Who"),
            shares=(0, 1.4, 0, 1.6, 0, 0),
            rows=tuple(
                (clock(p.taken_at), p.file_name, p.stage or "between", p.note, p.sha256[:12], p.person)
                for p in job.photos
            ),
        ),
        Rows(
            title="Papers given out",
            headings=("When", "Number", "Sort", "Who"),
            shares=(0, 0, 1, 0),
            rows=tuple((clock(p.at), p.number, p.sort, p.person) for p in papers),
        ),
        Rows(
            title="Versions: every change of this job, newest first"
            + (f" (the newest {MOST_VERSIONS}; older ones are in the records)" if len(history) > MOST_VERSIONS else ""),
            headings=("When", "What", "Changed", "Who"),
            shares=(0, 0, 1, 0),
            rows=tuple(_version(entry) for entry in history[:MOST_VERSIONS]),
        ),
    ]
    return [t if t.rows else Rows(title=t.title, headings=(), shares=(), rows=()) for t in tables]


def _count(readings_json: str) -> int:
    found = _json(readings_json)
    return len(found) if isinstance(found, list) else 0


def _turned(turned_json: str) -> str:
    found = _json(turned_json)
    if not isinstance(found, dict):
        return ""
    return ", ".join(f"{name.replace('_', ' ')} {turns:+g}" for name, turns in found.items() if turns)


def _json(text: str) -> object:
    try:
        return json.loads(text)
    except ValueError:
        return None


def _look(value: str | float) -> str:
    if isinstance(value, str):
        return words.GETTERS.get(value) or words.NECKS.get(value) or value
    return f"{words.number(100 * value)} % of the light lost at worst"


_ACTIONS: Final = {"insert": "written", "update": "changed", "delete": "struck out", "import": "imported"}
_QUIET: Final = frozenset({"id", "uid", "version", "job_id", "person_id", "changed_at", "tube_id", "taken_at", "at"})


def _version(entry: HistoryRecord) -> tuple[str, str, str, str]:
    """One change: when, what, from what to what, who. What was written stands in a table of its own already."""
    before, after = entry.before or {}, entry.after or {}
    names = [
        name
        for name in {**before, **after}
        if name not in _QUIET and not name.endswith(("_json", "sha256")) and before.get(name) != after.get(name)
    ]
    if entry.action == "update":
        parts = [f"{name}: {_short(before.get(name))} → {_short(after.get(name))}" for name in names]
    elif entry.action == "delete":
        parts = [f"{name}: {_short(before[name])}" for name in names if before.get(name) not in {None, "", False}]
    else:
        parts = []
    what = f"{entry.table.replace('_', ' ')} {entry.row_id} {_ACTIONS[entry.action]}"
    if entry.undoes:
        what += ", taking a change back"
    return clock(entry.at), what, "; ".join(parts), entry.person


def _short(value: object) -> str:
    if value is None or value == "":
        return "nothing"
    text = " ".join(str(value).split())
    return text if len(text) <= 60 else f"{text[:57]}…"
