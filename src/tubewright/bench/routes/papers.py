"""The proof of a job: before and after side by side, its drawings, and the papers about the work."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from fastapi import APIRouter, Request, Response
from markupsafe import Markup, escape

from tubewright.answers.proof_form import PictureProof, Proof
from tubewright.answers.proof_said import counted_words
from tubewright.answers.proof_work import Side
from tubewright.bench.pages import Bench, go, theme_of
from tubewright.bench.papers import (
    SHEETS,
    Chosen,
    Compared,
    Comparisons,
    body_of,
    give_out,
    print_again,
    set_sheet,
    sheet_name,
)
from tubewright.bench.pictures import drawing, figure_of
from tubewright.bench.proving import SIDES, photos_of
from tubewright.bench.routes.job import Id, TheBench, TheForm, job_page
from tubewright.bench.security import Form
from tubewright.errors import Fault, UnknownRecordError
from tubewright.records.model_stock import PaperRecord
from tubewright.report.frame import THEMES
from tubewright.report.proof_charts import BarChart, chart_of, life_chart, light_chart
from tubewright.report.proof_figures import Row, grouped, light_rows, row_of
from tubewright.report.proof_maps import Maps, convergence_maps, shape_maps
from tubewright.report.proof_text import DOUBT_WORDS

router = APIRouter(include_in_schema=False)

_CHOICES: Final = ("before", "after", "before_photo", "after_photo")
_MAPS: Final = {"convergence": convergence_maps, "shape": shape_maps}
_CHARTS: Final = {"light": light_chart, "life": life_chart}
SHEET_WORDS: Final[Mapping[str, str]] = {"customer": "Customer's sheet", "bench": "Bench sheet"}


def _chosen(given: Mapping[str, str]) -> Chosen:
    """What was picked to be set side by side; anything that is no number is left out."""
    numbers = {
        name: int(value)
        for name in _CHOICES
        if (value := str(given.get(name, ""))).isascii() and value.isdigit() and len(value) < 10
    }
    return Chosen(
        measurements={side: numbers[side] for side in SIDES if side in numbers},
        photos={side: numbers[f"{side}_photo"] for side in SIDES if f"{side}_photo" in numbers},
    )


def _query(chosen: Chosen) -> str:
    """The same as part of an address."""
    parts = [f"{side}={number}" for side, number in chosen.measurements.items()]
    parts += [f"{side}_photo={number}" for side, number in chosen.photos.items()]
    return "&".join(parts)


def _compared(request: Request, bench: Bench, job_id: int, chosen: Chosen) -> Compared:
    state = request.app.state
    if not hasattr(state, "comparisons"):
        state.comparisons = Comparisons()
    held: Comparisons = state.comparisons
    return held.of(bench.store, bench.knowledge, job_id, chosen)


@router.get("/jobs/{job_id}/proof")
def proof(request: Request, bench: TheBench, job_id: Id) -> Response:
    """Before and after, side by side."""
    chosen = _chosen(request.query_params)
    compared = _compared(request, bench, job_id, chosen)
    made, job = compared.proof, bench.store.job(job_id)
    query = _query(chosen)
    tail = f"?{query}" if query else ""
    base = f"/jobs/{job_id}/proof"
    photos = photos_of(job, chosen.photos)
    return job_page(
        request,
        "proof.html",
        job,
        "Proof",
        made=made,
        tail=tail,
        query=query,
        both=[
            {
                "side": side,
                "title": side.capitalize(),
                "photo": photos.get(side),
                "taken": made.picture.before if side == "before" else made.picture.after,
            }
            for side in SIDES
        ],
        charts=[_chart(request, base, query, name, made) for name in _CHARTS],
        light_rows=light_rows(made),
        guns=[(gun, [row_of(line) for line in gun.lines]) for gun in made.guns],
        shared=[row_of(line) for line in made.shared],
        maps=[_map(request, base, query, name, made.picture) for name in _MAPS],
        groups=grouped(made.picture.lines),
        changed=_changed(made),
        more=sum(line.verdict in {"better", "worse"} for line in made.picture.lines) > _MOST_AT_ONCE,
        counted=counted_words(made.picture.lines),
        grey=[row_of(line) for line in made.grey],
        doubt=DOUBT_WORDS,
        measurement_choices=[
            (m.id, f"{m.at:%Y-%m-%d %H:%M}, {m.stage or 'in between'}: {m.headline[:50]}")
            for m in reversed(job.measurements)
            if m.accepted
        ],
        photo_choices=[
            (p.id, f"{p.taken_at:%Y-%m-%d %H:%M}, {p.stage or 'in between'}: {p.file_name[:40]}")
            for p in reversed(job.photos)
            if p.preview_sha256
        ],
        papers=_sheets(bench, job_id)[::-1],
        sheet_words=SHEET_WORDS,
    )


_MOST_AT_ONCE: Final = 10
"""Rows of changed figures that are shown unfolded; beyond that the zones of convergence stay folded (estimate)."""


def _changed(made: Proof) -> list[Row]:
    """What changed beyond doubt, worse first; of many, those that aren't single zones."""
    lines = [line for line in made.picture.lines if line.verdict in {"better", "worse"}]
    if len(lines) > _MOST_AT_ONCE:
        lines = [line for line in lines if line.verdict == "worse" or "from green," not in line.about]
    return [row_of(line) for line in sorted(lines, key=lambda line: line.verdict, reverse=True)]


def _chart(request: Request, base: str, query: str, name: str, made: Proof) -> dict[str, object]:
    drawn: BarChart = _CHARTS[name](made)
    address = f"{base}/{name}.svg"
    figure = None
    if drawn.bars:
        figure = figure_of(
            request, address, lambda theme, size: chart_of(drawn, theme=theme, size=size), narrow_only=True,
            more=query.replace("&", "&amp;"),
        )  # fmt: skip
    return {"title": drawn.title, "figure": figure, "words": drawn.words}


def _map(request: Request, base: str, query: str, name: str, picture: PictureProof) -> dict[str, object] | None:
    maps: Maps | None = _MAPS[name](picture)
    if maps is None:
        return None
    return {
        "title": maps.title,
        "key": maps.key,
        "sides": [
            {
                "side": side,
                "words": maps.words[side],
                "image": _image(request, f"{base}/{name}-{side}.svg", query, maps.words[side], maps.aspect_ratio),
            }
            for side in SIDES
        ],
    }


def _image(request: Request, address: str, query: str, words: str, aspect_ratio: float) -> Markup:
    """The tag of a drawing, light or dark as the page is."""
    chosen = theme_of(request)
    tail = f"&amp;{escape(query)}" if query else ""
    dark = ""
    if chosen == "auto":
        dark = f'<source media="(prefers-color-scheme: dark)" srcset="{address}?theme=dark{tail}">'
    plain = "dark" if chosen == "dark" else "light"
    return Markup(  # noqa: S704 - the address is ours, its numbers were read as numbers, and the words are escaped
        f'<picture>{dark}<img src="{address}?theme={plain}{tail}" width="480" height="{480 / aspect_ratio:.0f}" '
        f'alt="{escape(words)}"></picture>'
    )


@router.get("/jobs/{job_id}/proof/{name}.svg")
def proof_drawing(
    request: Request, bench: TheBench, job_id: Id, name: str, theme: str = "", size: str = ""
) -> Response:
    """The drawings of the proof: ``light`` and ``life``, and the error maps by side."""
    chosen = _chosen(request.query_params)
    made = _compared(request, bench, job_id, chosen).proof
    if name in _CHARTS:
        drawn = _CHARTS[name](made)
        return drawing(request, lambda t, s: chart_of(drawn, theme=t, size=s), theme, size)
    part, _, named = name.partition("-")
    side: Side | None = next((one for one in SIDES if one == named), None)
    maps = _MAPS[part](made.picture, theme=next((t for t in THEMES if t == theme), "light")) if part in _MAPS else None
    if side is None or maps is None:
        raise UnknownRecordError(Fault(what="there is no such drawing", where="drawing", mend="Open the proof."))
    return Response(maps.svg[side], media_type="image/svg+xml", headers={"cache-control": "private, no-cache"})


@router.get("/jobs/{job_id}/proof/{name}.pdf")
def sheet(request: Request, bench: TheBench, job_id: Id, name: str) -> Response:
    """A sheet as it would be given out now; it bears no number."""
    wanted, chosen = sheet_name(name), _chosen(request.query_params)
    compared = _compared(request, bench, job_id, chosen)
    body = body_of(bench.store, bench.knowledge, compared, wanted, chosen=chosen)
    return _pdf(set_sheet(bench.store, body), f"job-{job_id}-{name}")


@router.post("/jobs/{job_id}/proof/give-out")
def give(request: Request, bench: TheBench, form: TheForm, job_id: Id) -> Response:
    """Give a sheet out: keep what it says under the next number."""
    wanted = sheet_name(form.text("sheet"))
    chosen = _chosen(_typed(form))
    paper = give_out(bench.store, bench.knowledge, job_id, wanted, chosen=chosen, by=bench.by(request))
    query = _query(chosen)
    tail = f"?{query}" if query else ""
    return go(request, f"/jobs/{job_id}/proof{tail}#paper-{paper.id}", said="given_out", job_id=job_id)


def _typed(form: Form) -> dict[str, str]:
    return {name: form.text(name) for name in _CHOICES}


@router.get("/jobs/{job_id}/proof/papers/{paper_id}.pdf")
def paper(bench: TheBench, job_id: Id, paper_id: Id) -> Response:
    """A sheet that was given out, as it was, with its number."""
    found = next((p for p in _sheets(bench, job_id) if p.id == paper_id), None)
    if found is None:
        raise UnknownRecordError(
            Fault(what="there is no such sheet on this job", where="paper", mend="Look at the job's proof.")
        )
    return _pdf(print_again(bench.store, found), found.number)


def _sheets(bench: Bench, job_id: int) -> list[PaperRecord]:
    return [p for p in bench.store.papers(job_id) if p.sort in SHEETS]


def _pdf(data: bytes, name: str) -> Response:
    plain = "".join(letter if letter.isalnum() and letter.isascii() else "-" for letter in name)
    return Response(
        data,
        media_type="application/pdf",
        headers={"content-disposition": f'inline; filename="{plain}.pdf"', "cache-control": "private, no-cache"},
    )
