"""What belongs to the shop as a whole: people, history and taking back, theme, reference."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Annotated, Any, Final

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import RedirectResponse

from tubewright.answers.learned import learned
from tubewright.bench import words
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import (
    PERSON_COOKIE,
    THEME_COOKIE,
    THEMES,
    YEAR_SECONDS,
    Bench,
    bench_of,
    form_of,
    page,
    wrong,
)
from tubewright.bench.security import Form
from tubewright.errors import InputError
from tubewright.knowledge.model import Knowledge, TreatmentFacts
from tubewright.knowledge.search import find_symptoms
from tubewright.records.model import HistoryRecord
from tubewright.report import wording
from tubewright.report.diagnose_text import moved_figures

router = APIRouter(include_in_schema=False)
TheBench = Annotated[Bench, Depends(bench_of)]
TheForm = Annotated[Form, Depends(form_of)]


# -- people, theme ---------------------------------------------------------------------------


@router.get("/people")
def people(request: Request, bench: TheBench) -> Response:
    """Who works here, and who is at the bench now."""
    return page(request, "people.html", people=bench.store.people())


@router.post("/people")
def add_person(request: Request, bench: TheBench, form: TheForm) -> Response:
    """Add somebody and let them be at the bench."""
    read = FormReader(form)
    try:
        name = read.words("name", longest=80, needed="Type a name, or a nickname.")
        read.finish()
        person = bench.store.add_person(name, by=bench.by(request))
    except InputError as error:
        shown = wrong(by_field(error.faults), error.faults, form)
        return page(request, "people.html", status=422, people=bench.store.people(), **shown)
    return _remember(RedirectResponse("/", status_code=303), PERSON_COOKIE, str(person.id))


@router.post("/people/choose")
def choose_person(bench: TheBench, form: TheForm) -> Response:
    """Say who is at the bench; kept in this browser."""
    chosen = form.text("person")
    known = {str(p.id) for p in bench.store.people()}
    answer = RedirectResponse("/", status_code=303)
    if chosen in known:
        return _remember(answer, PERSON_COOKIE, chosen)
    answer.delete_cookie(PERSON_COOKIE, path="/", httponly=True, samesite="lax")
    return answer


@router.post("/theme")
def choose_theme(form: TheForm) -> Response:
    """Light, dark, or as the system says; kept in this browser."""
    chosen = form.text("theme")
    answer = RedirectResponse(inside(form.text("back")), status_code=303)
    return _remember(answer, THEME_COOKIE, chosen if chosen in THEMES else "auto")


def _remember(answer: Response, name: str, value: str) -> Response:
    answer.set_cookie(name, value, max_age=YEAR_SECONDS, path="/", httponly=True, samesite="lax")
    return answer


def inside(address: str) -> str:
    """An address of ours to go back to; anything that could lead elsewhere becomes the board."""
    sound = address.startswith("/") and not address.startswith(("//", "/\\")) and address.isprintable()
    return address if sound and "\\" not in address else "/"


# -- history ---------------------------------------------------------------------------------

TABLE_WORDS: Final = {
    "people": "person",
    "displays": "display",
    "tubes": "tube",
    "fittings": "tube in a display",
    "jobs": "job",
    "readings": "reading",
    "observations": "finding",
    "treatments": "treatment",
    "repairs": "repair",
    "confirmations": "confirmation",
    "verdicts": "verdict",
    "instruments": "instrument",
    "photos": "photograph",
    "measurements": "measurement",
    "known_good": "known-good reading",
    "known_goods": "known-good reading",
    "stock_items": "stock item",
    "reservations": "reservation",
    "papers": "paper",
    "shop_settings": "setting",
    "control_moves": "move of a control",
    "grey_rounds": "reading of the grey steps",
    "setup_choices": "choice for the set-up",
    "parts": "part",
    "tube_fittings": "tube in a display",
}
ACTION_WORDS: Final = {"insert": "added", "update": "changed", "delete": "struck out", "import": "imported"}
HIDDEN_FIELDS: Final = frozenset(
    {"id", "uid", "version", "job_id", "tube_id", "display_id", "person_id", "changed_at", "active", "case_json"}
    | {"answer_json", "seed", "model_version", "instrument_id", "taken_at", "sort", "search", "created_at", "at"}
    | {"opened_at", "closed_at", "since", "until", "full_scale", "headline"}
    | {"body_json", "counter", "attributes_json", "reserved", "item_id", "code"}
)


MOST_DETAILS: Final = 12
"""Lines shown of one change: a demo shop or an import may hold thousands."""


@router.get("/history")
def history(request: Request, bench: TheBench) -> Response:
    """The last changes, newest first, each with the means to take it back."""
    records = bench.store.history(size=200)
    groups: dict[str, list[HistoryRecord]] = {}
    for record in records:
        groups.setdefault(record.change, []).append(record)
    undone = {r.undoes for r in records if r.undoes}
    return page(
        request,
        "history.html",
        groups=[_group(change, rows, undone, bench.knowledge) for change, rows in list(groups.items())[:60]],
    )


def _group(change: str, rows: list[HistoryRecord], undone: set[str], known: Knowledge) -> dict[str, Any]:
    first = rows[0]
    counts: dict[tuple[str, str], int] = {}
    for row in reversed(rows):
        key = (row.table, row.action)
        counts[key] = counts.get(key, 0) + 1
    said = ", ".join(
        f"{f'{count} ' if count > 1 else ''}{TABLE_WORDS.get(table, table.replace('_', ' '))}"
        f"{'s' if count > 1 else ''} {ACTION_WORDS[action]}"
        for (table, action), count in counts.items()
    )
    taken_back = change in undone
    return {
        "id": first.id,
        "words": f"Taken back: {said}" if first.undoes else f"{said[:1].upper()}{said[1:]}",
        "at": first.at,
        "person": first.person,
        "job_id": next((r.job_id for r in rows if r.job_id), None),
        "details": _details(rows, known) + (["later taken back"] if taken_back else []),
        "can_undo": not first.undoes and not taken_back and first.table != "verdicts",
    }


def _details(rows: list[HistoryRecord], known: Knowledge) -> list[str]:
    """What changed, as far as one look at a page can hold it."""
    lines = [line for row in rows[: MOST_DETAILS + 1] for line in _lines(row, known)]
    more = len(rows) > MOST_DETAILS + 1 or len(lines) > MOST_DETAILS
    return [*lines[:MOST_DETAILS], *(["and more; an export holds all of it"] if more else [])]


def _lines(row: HistoryRecord, known: Knowledge) -> Iterable[str]:
    """What changed in one row, field by field."""
    before, after = row.before or {}, row.after or {}
    if row.action == "import":
        return
    names = [name for name in (after or before) if name not in HIDDEN_FIELDS]
    if row.action == "update":
        for name in names:
            if before.get(name) != after.get(name):
                yield f"{name.replace('_', ' ')}: {_value(before.get(name))} → {_value(after.get(name))}"
    else:
        line = _in_one_line(row.table, after or before, known)
        if line:
            yield line


def change_words(row: HistoryRecord, known: Knowledge) -> str:
    """What one change was, in a line, for the button that takes it back."""
    said = _in_one_line(row.table, row.after or row.before or {}, known)
    struck = f" {ACTION_WORDS[row.action]}" if row.action == "delete" else ""
    return f"{said or TABLE_WORDS.get(row.table, row.table)}{struck}"


def _in_one_line(table: str, held: Mapping[str, Any], known: Knowledge) -> str:
    """What a row holds, as one would say it."""
    if table == "readings":
        unit = words.UNITS.get(str(held.get("unit")), "")
        what = words.kind(str(held.get("kind"))).lower()
        return f"{held.get('gun') or ''} {what} {_value(held.get('value'))} {unit}".strip()
    if table in {"treatments", "verdicts"}:
        said = words.decision(str(held.get("kind") or held.get("decision")))
        gun = f", {held['gun']} gun" if held.get("gun") else ""
        return said + gun + (f": {words.OUTCOMES.get(str(held['outcome']), '')}" if held.get("outcome") else "")
    if table == "observations":
        return _finding(held, known)
    if table in {"repairs", "confirmations"}:
        return _work(table, held, known)
    if table in {"photos", "measurements"}:
        said = str(held.get("file_name") or held.get("headline") or "")[:160].rstrip(".")
        return said + (f", {held['stage']} the work" if held.get("stage") else "")
    if table == "shop_settings":
        held = {str(held.get("key")): held.get("value")}
    parts = []
    for name, value in held.items():
        if name in HIDDEN_FIELDS or value in (None, "", {}, []):
            continue
        parts.append(str(value)[:80] if name in {"name", "label"} else f"{name.replace('_', ' ')} {_value(value)}")
    return ", ".join(parts)[:200]


def _work(table: str, held: Mapping[str, Any], known: Knowledge) -> str:
    """A repair, or what was confirmed before a step."""
    if table == "repairs":
        named = known.faults[str(held["fault"])].name if held.get("fault") in known.faults else str(held.get("fault"))
        return f"{named}: {words.REPAIR_OUTCOMES.get(str(held.get('outcome')), '')}"
    return f"{_step_name(held, known)}, confirmed: {held.get('words')}"


def _step_name(held: Mapping[str, Any], known: Knowledge) -> str:
    """A step that was confirmed, by its name."""
    shelves: dict[str, Mapping[str, Any]] = {
        "test": known.tests,
        "repair": known.faults,
        "treatment": known.treatments,
    }
    found = shelves.get(str(held.get("step_sort")), {}).get(str(held.get("step")))
    return str(found.name) if found is not None else str(held.get("step"))


def _finding(held: Mapping[str, Any], known: Knowledge) -> str:
    """A symptom, a test result or a look, as one would say it."""
    name = str(held.get("name"))
    if name in known.symptoms:
        return (
            f"{known.symptoms[name].technician_says.rstrip('.')}: {'absent' if not held.get('present') else 'present'}"
        )
    said = known.tests[name].name if name in known.tests else name
    outcome = str(held.get("result") or f"{_value(held.get('value'))} {held.get('unit') or ''}")
    return f"{said}: {outcome.replace('_', ' ').strip()}"


def _value(value: object) -> str:
    if value is None or value == "":
        return "nothing"
    if isinstance(value, bool):
        return "yes" if value else "no"
    return words.number(value, 6) if isinstance(value, float) else str(value)[:80]


@router.post("/undo")
def undo(request: Request, bench: TheBench, form: TheForm) -> Response:
    """Take a change back; the history keeps both."""
    number = form.text("change")
    wanted = int(number) if number.isascii() and number.isdigit() and len(number) < 12 else None
    bench.store.undo(by=bench.by(request), history_id=wanted)
    back = inside(form.text("back"))
    return RedirectResponse(f"{back.partition('?')[0]}?said=undone", status_code=303)


# -- reference -------------------------------------------------------------------------------


@router.get("/reference")
def reference_symptoms(request: Request, bench: TheBench, q: str = "") -> Response:
    """Symptoms, in the words of owner and technician."""
    known, q = bench.knowledge, q.strip()[:200]
    chosen = find_symptoms(known, q, limit=12) if q else tuple(known.symptoms.values())
    entries = [
        _entry(known, s.id, s.technician_says, [f"“{s.owner_says}”"] if s.owner_says else [], s.kind, s.source)
        for s in chosen
    ]
    return page(request, "reference.html", entries=entries, q=q)


def _entry(
    known: Knowledge,
    name: str,
    title: str,
    lines: list[str],
    kind: str,
    source: str,
    *,
    cautions: Iterable[str] = (),
) -> dict[str, Any]:
    told = known.sources.get(source)
    if told is None:
        origin = kind
    else:
        origin = ", ".join(str(part) for part in (kind, told.title, told.edition, told.year) if part)
    return {
        "id": name,
        "name": title,
        "lines": [line for line in lines if line],
        "source": origin,
        "cautions": [known.cautions[c].text for c in dict.fromkeys(cautions) if c in known.cautions],
    }


def _page_of(request: Request, entries: list[dict[str, Any]], q: str, *, words: str = "") -> Response:
    q = q.strip()[:200]
    asked = q.lower().split()
    fitting = [e for e in entries if all(w in f"{e['name']} {' '.join(e['lines'])} {e['id']}".lower() for w in asked)]
    return page(request, "reference.html", entries=fitting, q=q, words=words)


@router.get("/reference/tests")
def reference_tests(request: Request, bench: TheBench, q: str = "") -> Response:
    """Bench tests: cautions, how, results."""
    known = bench.knowledge
    entries = [
        _entry(
            known,
            t.id,
            t.name,
            [
                t.how,
                "Results: " + "; ".join(r.means for r in t.results) if t.results else "",
                f"About {wording.minutes(t.minutes)}; {t.hazard}, {known.hazards[t.hazard].means}",
            ],
            t.kind,
            t.source,
            cautions=t.cautions,
        )
        for t in known.tests.values()
    ]
    return _page_of(request, entries, q)


@router.get("/reference/treatments")
def reference_treatments(request: Request, bench: TheBench, q: str = "") -> Response:
    """Treatments, lowest energy first."""
    known = bench.knowledge
    entries = [
        _entry(
            known,
            t.kind_id,
            t.name,
            [
                t.how,
                f"Stop when: {t.stop_when}",
                _odds(t),
            ],
            t.kind,
            t.source,
            cautions=t.cautions,
        )
        for t in sorted(known.treatments.values(), key=lambda t: t.rung)
    ]
    return _page_of(request, entries, q)


def _odds(t: TreatmentFacts) -> str:
    return (
        f"Useful gain: {wording.chance(t.odds_worn)} of worn guns, {wording.chance(t.odds_poisoned)} of those "
        f"poisoned by standing idle. Risk of loss: {wording.chance(t.risk_of_loss)}."
    )


@router.get("/reference/faults")
def reference_faults(request: Request, bench: TheBench, q: str = "") -> Response:
    """Faults a display can have, the most frequent first."""
    known = bench.knowledge
    entries = [
        _entry(
            known,
            f.id,
            f.name,
            [
                f"In {wording.rounded(f.per_1000)} of 1000 displays that reach a bench.",
                f"Mended by: {f.repair.rstrip('.')}. About {wording.minutes(f.minutes)}.",
            ],
            f.kind,
            f.source,
            cautions=f.cautions,
        )
        for f in sorted(known.faults.values(), key=lambda f: -f.per_1000)
    ]
    return _page_of(request, entries, q)


@router.get("/reference/learned")
def reference_learned(request: Request, bench: TheBench, q: str = "") -> Response:
    """What this shop's own closed jobs changed, the farthest moved first."""
    answer = learned(bench.knowledge, bench.store.experience())
    entries = [
        {
            "id": f"{figure.fault}-{figure.about or 'how-often'}",
            "name": figure.words,
            "lines": [
                (
                    f"Ours {wording.rounded(100 * figure.ours_probability)} %, "
                    f"in general {wording.rounded(100 * figure.general_probability)} %; "
                    f"{figure.jobs} {'job' if figure.jobs == 1 else 'jobs'} had a say in it."
                ),
            ],
            "source": "reckoned anew from the closed jobs each time",
            "cautions": [],
        }
        for figure in moved_figures(answer)
    ]
    return _page_of(request, entries, q, words=answer.words)


@router.get("/reference/sources")
def reference_sources(request: Request, bench: TheBench, q: str = "") -> Response:
    """Every number the program reckons with, and where it comes from."""
    known = bench.knowledge
    entries = []
    for c in known.constants.values():
        guessed, _, remark = c.locator.partition("; ") if c.locator.startswith("estimate") else ("", "", c.locator)
        told = words.capital(remark) if guessed else f"Where in the source: {remark}"
        figure = f"{wording.given(c.value)} {'' if c.unit == '1' else c.unit}".strip()
        kind = f"{c.kind}, an estimate" if guessed else c.kind
        entries.append(_entry(known, c.id, c.means, [figure, told if remark else ""], kind, c.source))
    return _page_of(request, entries, q)
