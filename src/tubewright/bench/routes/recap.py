"""A board's part list on a page: sent as a file or typed; the plan, the order as a file; one part against another."""

from __future__ import annotations

import datetime as dt
from typing import Any, Final

from fastapi import APIRouter, Request, Response

from tubewright.answers import capacitor
from tubewright.answers.profile import named_chassis
from tubewright.answers.recap import DO_WORDS, RecapAnswer, Setting, answer_recap, part_words
from tubewright.bench.forms import FormReader, by_field
from tubewright.bench.pages import Bench, page, wrong
from tubewright.bench.routes.job import TheBench, TheForm
from tubewright.bench.routes.records import caution_checks, caution_texts
from tubewright.bench.security import Form
from tubewright.bench.uploads import Upload
from tubewright.errors import Fault, InputError
from tubewright.files.boards import COLUMNS, MOST_BYTES, BoardFile, board_from_text, decoded
from tubewright.files.orders import order_csv
from tubewright.judgement.recap import HAND_CAUTIONS
from tubewright.report.recap_text import fit_words, line_words, mind_words

router = APIRouter(include_in_schema=False)

_FIELDS: Final = {"--chassis": "chassis", "place": "place"}
_LONGEST: Final = 300


@router.get("/reckon/recap")
def recap_page(request: Request, bench: TheBench, work: str = "") -> Response:
    """The empty form, filled from a profile where one is named; or one part against another."""
    asked = Form([(name, value[:_LONGEST]) for name, value in request.query_params.multi_items()])
    if work != "swap":
        return _page(request, bench, asked)
    read = FormReader(asked)
    try:
        return _page(request, bench, asked, swap=_swap(read, bench))
    except InputError as error:
        return _page(request, bench, asked, status=422, error=error)


@router.post("/reckon/recap")
def reckon_recap(request: Request, bench: TheBench, form: TheForm) -> Response:
    """The plan for a list that was sent or typed."""
    try:
        text, name = _sent(request.state.uploads, form)
    except InputError as error:
        return _page(request, bench, form, status=422, error=error)
    shown = Form([*((field, value) for field, value in form.pairs if field != "board"), ("board", text)])
    try:
        held, answer = _answer(bench, shown, text, name)
    except InputError as error:
        return _page(request, bench, shown, status=422, error=error)
    return _page(request, bench, shown, held=held, answer=answer)


@router.post("/reckon/recap/order.csv")
def order_file(bench: TheBench, form: TheForm) -> Response:
    """The order of a list, to keep."""
    _, answer = _answer(bench, form, form.text("board"), "list")
    return Response(
        order_csv(answer.recap.order, answer.kinds),
        media_type="text/csv; charset=utf-8",
        headers={"content-disposition": 'attachment; filename="order.csv"', "cache-control": "no-store"},
    )


def _sent(uploads: tuple[Upload, ...], form: Form) -> tuple[str, str]:
    """The text of the list and what to call it: the file if one was sent, else what was typed."""
    if not uploads:
        return form.text("board"), "list"
    upload = uploads[0]
    if upload.size_bytes > MOST_BYTES:
        mend = "Save one board's list only."
        raise InputError(Fault(what="the file is larger than 1 MB", where="file", mend=mend))
    return decoded(upload.file.read()), upload.name


def _answer(bench: Bench, form: Form, text: str, name: str) -> tuple[BoardFile, RecapAnswer]:
    read = FormReader(form)
    setting = Setting(
        air_c=read.figure("air", "celsius"),
        hours_per_week=read.figure("hours_per_week", "hours"),
        age_years=read.figure("age", "years"),
        voltage_exponent=read.figure("voltage_exponent", "number") or 0.0,
    )
    read.finish()
    profile = named_chassis(form.text("chassis"), bench.knowledge, where="chassis")
    if not text:
        mend = "Choose a file, or type the list: headings first, then a line for each part."
        raise InputError(Fault(what="there is no list yet", where="board", mend=mend))
    held = board_from_text(text, bench.knowledge, this_year=dt.datetime.now(dt.UTC).year, name=name)
    if held.faults and not held.parts:
        raise InputError(held.faults)
    blanket = form.text("blanket") == "on"
    return held, answer_recap(held.parts, bench.knowledge, setting, chassis=profile, blanket=blanket)


def _swap(read: FormReader, bench: Bench) -> capacitor.SwapAnswer:
    faults: list[Fault] = []
    parts = []
    for field in ("was", "new"):
        words = read.words(field, longest=_LONGEST, needed="Write it as printed: 100uF 25V electrolytic 105C.")
        try:
            parts.append(capacitor.part_from_words(words, bench.knowledge, where=field))
        except InputError as error:
            faults += error.faults
    stands_at = read.figure("stands_at", "voltage")
    read.faults += faults
    read.finish()
    return capacitor.swap(parts[0], parts[1], read.form.text("place"), bench.knowledge, stands_at_v=stands_at)


def _page(
    request: Request,
    bench: Bench,
    form: Form,
    *,
    status: int = 200,
    error: InputError | None = None,
    held: BoardFile | None = None,
    answer: RecapAnswer | None = None,
    swap: capacitor.SwapAnswer | None = None,
) -> Response:
    shown: dict[str, Any] = {"typed": form.typed()}
    if error is not None:
        shown = wrong(by_field(error.faults, _FIELDS), error.faults, form)
    cautions: tuple[str, ...] = HAND_CAUTIONS
    if answer is not None:
        cautions = answer.recap.cautions
    elif swap is not None:
        cautions = swap.cautions
    kinds = {kind.id: kind.name for kind in bench.knowledge.capacitor_kinds.values()}
    return page(
        request,
        "recap.html",
        status=status,
        cautions=caution_texts(bench, cautions),
        confirm=caution_checks(bench, cautions),
        places=[(place.id, place.name) for place in bench.knowledge.capacitor_places.values()],
        columns=[(name, ", ".join(words[:4])) for name, words in COLUMNS.items()],
        profile_names=[(one.id, one.name) for one in bench.knowledge.chassis.values()],
        lost=(*held.faults, *held.remarks) if held else (),
        answer=answer,
        ranked=_ranked(answer) if answer else (),
        groups=_groups(bench, answer) if answer else (),
        order=[(line.count, line_words(line, answer), " ".join(line.refs)) for line in answer.recap.order]
        if answer
        else (),
        carried=[(name, form.text(name)) for name in _CARRIED],
        swap=swap,
        swap_words=f"{part_words(swap.new, kinds)} for {part_words(swap.was, kinds)}" if swap else "",
        **shown,
    )


_CARRIED: Final = ("board", "chassis", "air", "hours_per_week", "age", "voltage_exponent", "blanket")
"""What the order is made from again."""


def _ranked(answer: RecapAnswer) -> list[tuple[int, str, str, str]]:
    return [
        (one.rank, one.part.ref, part_words(one.part.part, answer.kinds), "; ".join(one.reasons))
        for one in answer.recap.ranked
    ]


def _groups(bench: Bench, answer: RecapAnswer) -> list[dict[str, Any]]:
    return [
        {
            "name": group.name,
            "rows": [
                (one.part.ref, DO_WORDS[one.do], fit_words(answer, one), " ".join(mind_words(one)))
                for one in group.advices
            ],
            "cautions": caution_texts(bench, group.cautions),
            "test": group.test if any(one.rank for one in group.advices) else "",
        }
        for group in answer.recap.groups
    ]
