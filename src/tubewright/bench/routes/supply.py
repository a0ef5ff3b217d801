"""The calculators of supply and anode: the question stands in the address; a chassis profile fills what is empty."""

from __future__ import annotations

import base64
import binascii
from collections.abc import Mapping
from typing import Any, Final
from urllib.parse import parse_qsl, urlencode

from fastapi import APIRouter, Request, Response

from tubewright.answers.anode import CAUTIONS as ANODE_CAUTIONS
from tubewright.answers.eht import CAUTIONS as EHT_CAUTIONS
from tubewright.answers.supply_asked import FIELDS, RECTIFIERS, Question, answer, profile_of, with_profile
from tubewright.answers.supply_form import FITTING_CAUTIONS, MEASURING_CAUTIONS, SupplyAnswer
from tubewright.bench.forms import by_field
from tubewright.bench.pages import Bench, page, wrong
from tubewright.bench.pictures import drawing, figure_of
from tubewright.bench.routes.job import TheBench
from tubewright.bench.routes.records import caution_checks, caution_texts
from tubewright.bench.security import Form
from tubewright.errors import Fault, InputError, RefusedError, TubewrightError, UnknownRecordError
from tubewright.report.supply_charts import has_chart, ripple_chart

router = APIRouter(include_in_schema=False)

LONGEST: Final = 60
SUPPLY: Final[Mapping[str, Question]] = {
    "ripple": "ripple",
    "filter": "filter",
    "headroom": "headroom",
    "hum": "hum",
}
ANODE: Final[Mapping[str, Question]] = {"anode": "anode", "eht": "eht"}
_ON_THE_PAGE: Final[Mapping[str, str]] = {"eht": "charged"}
"""The anode's page asks for its voltage twice: as it is measured for the guard, and as it was charged."""


@router.get("/reckon/supply")
def supply(request: Request, bench: TheBench) -> Response:
    """Ripple, filter, headroom and hum bars of a raw supply."""
    cautions = tuple(dict.fromkeys((*MEASURING_CAUTIONS, *FITTING_CAUTIONS)))
    return _page(request, bench, "supply.html", SUPPLY, cautions)


@router.get("/reckon/anode")
def anode(request: Request, bench: TheBench) -> Response:
    """The charge on the tube, and the guard of the anode voltage."""
    cautions = tuple(dict.fromkeys((*ANODE_CAUTIONS, *EHT_CAUTIONS)))
    return _page(request, bench, "anode.html", ANODE, cautions)


@router.get("/reckon/supply/drawn/{question}.svg")
def drawn(request: Request, bench: TheBench, question: str, theme: str = "", size: str = "") -> Response:
    """The drawing of an answer; the question is packed into the address."""
    none = UnknownRecordError(Fault(what="there is no such drawing", where="drawing", mend="Begin at the page."))
    try:
        pairs = parse_qsl(base64.urlsafe_b64decode(question + "==").decode("utf-8"))
    except (binascii.Error, ValueError) as error:
        raise none from error
    asked = Form([(name, value[:LONGEST]) for name, value in pairs])
    work = SUPPLY.get(asked.text("work"))
    if work is None:
        raise none
    try:
        found = _answer(work, _filled(bench, SUPPLY, asked))
    except TubewrightError as error:
        raise none from error
    if not has_chart(found):
        raise none
    return drawing(request, lambda t, s: ripple_chart(found, theme=t, size=s), theme, size)


def _page(
    request: Request, bench: Bench, template: str, works: Mapping[str, Question], cautions: tuple[str, ...]
) -> Response:
    asked = Form([(name, value[:LONGEST]) for name, value in request.query_params.multi_items()])
    work = works.get(asked.text("work"))
    status, found = 200, None
    refused: tuple[str, ...] = ()
    shown: dict[str, Any] = {}
    typed = asked.typed()
    try:
        typed = _filled(bench, works, asked)
        found = _answer(work, typed) if work else None
    except RefusedError as error:
        status, refused = 422, tuple(f"{f.what[:1].upper()}{f.what[1:]}. {f.mend}" for f in error.faults)
    except InputError as error:
        faults = _renamed(work, error.faults)
        status, shown = 422, wrong(by_field(faults), faults, asked)
    profile = bench.knowledge.chassis.get(asked.text("chassis"))
    shown["typed"] = typed
    return page(
        request,
        template,
        status=status,
        cautions=caution_texts(bench, cautions),
        confirm=caution_checks(bench, cautions),
        rectifiers=list(RECTIFIERS.items()),
        profile=profile,
        found=found,
        chart=_chart(request, asked, found),
        refused=refused,
        **shown,
    )


def _chart(request: Request, asked: Form, found: SupplyAnswer | None) -> Any:  # noqa: ANN401 - markup or nothing
    if found is None or not has_chart(found):
        return None
    packed = base64.urlsafe_b64encode(urlencode(asked.pairs).encode()).decode().rstrip("=")
    return figure_of(
        request,
        f"/reckon/supply/drawn/{packed}.svg",
        lambda theme, size: ripple_chart(found, theme=theme, size=size),
    )


def _filled(bench: Bench, works: Mapping[str, Question], asked: Form) -> dict[str, str]:
    """What was typed, with what the profile knows in the fields that weren't sent at all."""
    typed = asked.typed()
    profile = profile_of(bench.knowledge.chassis, asked.text("chassis"))
    for question in works.values():
        _, given = with_profile(question, {}, profile)
        for name, value in given.items():
            typed.setdefault(_field(question, name), value)
    return typed


def _field(question: Question | None, name: str) -> str:
    """What a page calls a field of a question."""
    return _ON_THE_PAGE.get(name, name) if question == "anode" else name


def _answer(question: Question, typed: Mapping[str, str]) -> SupplyAnswer:
    return answer(question, {name: typed.get(_field(question, name), "") for name in FIELDS[question]})


def _renamed(question: Question | None, faults: tuple[Fault, ...]) -> tuple[Fault, ...]:
    return tuple(Fault(what=f.what, where=_field(question, f.where), mend=f.mend) for f in faults)
