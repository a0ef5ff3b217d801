"""Letting phones in: the code on the big screen, the page that the phone opens, the list of who is in."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Request, Response
from fastapi.responses import HTMLResponse, JSONResponse, RedirectResponse

from tubewright.bench.forms import FormReader
from tubewright.bench.lan.pairing import (
    CODE_MINUTES,
    LONGEST_NAME,
    PHONE_COOKIE,
    SESSION_DAYS,
    Offer,
    Offers,
    as_secret,
    digest,
    in_groups,
    new_session,
    qr_svg,
)
from tubewright.bench.pages import Bench, form_of, page
from tubewright.bench.routes.job import TheBench, TheForm
from tubewright.bench.security import TOKEN_FIELD, Form
from tubewright.errors import Fault, RefusedError, UnknownRecordError
from tubewright.records.model import Pairing

router = APIRouter(include_in_schema=False)
OWN_SCREEN = "Phones are let in and shut out at the bench's own screen."


def owner(request: Request) -> None:
    """Only the machine's own screen may go on (a FastAPI dependency).

    Raises:
        RefusedError: The request came from another machine.
    """
    if not request.state.near:
        raise RefusedError(Fault(what="this is for the bench's own screen", where="", mend=OWN_SCREEN))


def offers_of(request: Request) -> Offers:
    """The code on show (a FastAPI dependency)."""
    found: Offers = request.app.state.offers
    return found


TheOffers = Annotated[Offers, Depends(offers_of)]
_OWNER = [Depends(owner)]


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """The code on the page: what the drawing holds, what can be typed instead, how long it counts."""

    link: str
    code: str
    left_s: int
    number: int


# -- on the big screen -------------------------------------------------------------------------


@router.get("/phones", dependencies=_OWNER)
def phones(request: Request, bench: TheBench, offers: TheOffers) -> Response:
    """The code to scan, if one was asked for, and the phones that are in."""
    now = bench.store.clock()
    all_of_them = bench.store.pairings()
    offer = offers.current()
    offered = next((p for p in all_of_them if offer is not None and p.id == offer.pairing_id), None)
    base: str = request.app.state.lan_address
    ended = dt.timedelta(days=SESSION_DAYS)
    paired = [p for p in all_of_them if p.used_at is not None]
    return page(
        request,
        "phones.html",
        base=base,
        plain=base.startswith("http://"),
        shown=_shown(offer, offered, base, now),
        just_in=offered if offered is not None and offered.used_at is not None else None,
        run_out=offered is not None and offered.used_at is None and offered.expires_at <= now,
        inside=[p for p in paired if p.revoked_at is None and p.used_at is not None and now - p.used_at <= ended],
        outside=[p for p in paired if p.revoked_at is not None or (p.used_at is not None and now - p.used_at > ended)],
        minutes=CODE_MINUTES,
        days=SESSION_DAYS,
    )


def _shown(offer: Offer | None, offered: Pairing | None, base: str, now: dt.datetime) -> Shown | None:
    if offer is None or offered is None or not base:
        return None
    left_s = int((offer.expires_at - now).total_seconds())
    if offered.used_at is not None or offered.revoked_at is not None or left_s <= 0:
        return None
    return Shown(
        link=f"{base}/pair#{offer.secret}", code=in_groups(offer.secret), left_s=left_s, number=offer.pairing_id
    )


@router.post("/phones", dependencies=_OWNER)
def show_code(request: Request, bench: TheBench, offers: TheOffers, form: TheForm) -> Response:
    """Show a new code; the one before counts no more."""
    if not request.app.state.lan_address:
        raise RefusedError(
            Fault(
                what="the bench is open to this machine only", where="", mend="Open it with `tubewright bench --lan`."
            )
        )
    if form.text("hide"):
        offers.drop(bench.store)
    else:
        offers.make(bench.store)
    return RedirectResponse("/phones", status_code=303)


@router.get("/phones/code.svg", dependencies=_OWNER)
def code_drawing(request: Request, bench: TheBench, offers: TheOffers) -> Response:
    """The code as a drawing; an address of its own, as pages hold no drawings inside."""
    shown = _now_shown(request, bench, offers)
    if shown is None:
        raise UnknownRecordError(Fault(what="no code is on show", where="", mend="Ask for one under Phones."))
    return Response(qr_svg(shown.link), media_type="image/svg+xml", headers={"cache-control": "no-store"})


@router.get("/phones/now", dependencies=_OWNER)
def code_now(request: Request, bench: TheBench, offers: TheOffers) -> Response:
    """How the code stands, for the page that counts down."""
    shown = _now_shown(request, bench, offers)
    offer = offers.current()
    offered = next((p for p in bench.store.pairings() if offer and p.id == offer.pairing_id), None)
    used = offered is not None and offered.used_at is not None
    return JSONResponse(
        {
            "number": offer.pairing_id if offer else None,
            "left_s": shown.left_s if shown else 0,
            "used_by": offered.name if offered is not None and used else None,
        }
    )


def _now_shown(request: Request, bench: Bench, offers: Offers) -> Shown | None:
    offer = offers.current()
    offered = next((p for p in bench.store.pairings() if offer and p.id == offer.pairing_id), None)
    return _shown(offer, offered, request.app.state.lan_address, bench.store.clock())


@router.post("/phones/shut-out", dependencies=_OWNER)
def shut_out(bench: TheBench, form: TheForm) -> Response:
    """Shut one phone out, or all of them."""
    if form.text("all"):
        bench.store.revoke_all_pairings()
    else:
        number = FormReader(form).whole("phone", most=10**9)
        if number is None:
            raise UnknownRecordError(Fault(what="there is no such phone", where="phone", mend="Look at the list."))
        bench.store.revoke_pairing(number)
    return RedirectResponse("/phones", status_code=303)


# -- on the phone ----------------------------------------------------------------------------------


@router.get("/pair")
def pair_page(request: Request, bench: TheBench) -> Response:
    """Where the code leads. Opening it uses nothing up, so that a preview of the link does no harm."""
    if request.state.near:
        return RedirectResponse("/phones", status_code=303)
    return _pair_page(request, bench)


def _pair_page(
    request: Request, bench: Bench, *, status: int = 200, fault: str = "", form: Form | None = None
) -> Response:
    # Nothing of the shop stands on this page: whoever is in the network may open it.
    phone: Pairing | None = request.state.phone
    context: dict[str, Any] = {
        "token": request.state.form_token,
        "token_field": TOKEN_FIELD,
        "fault": fault,
        "code": form.text("code") if form else "",
        "name": form.text("name") if form else (phone.name if phone else ""),
        "again": phone is not None,
        "minutes": CODE_MINUTES,
    }
    return HTMLResponse(bench.templates.get_template("pair.html").render(context), status_code=status)


@router.post("/pair")
def pair(request: Request, bench: TheBench) -> Response:
    """Use a code up and give the phone its session."""
    if request.state.near:
        return RedirectResponse("/phones", status_code=303)
    form: Form = request.state.form
    if request.state.stale_form:
        return _pair_page(
            request, bench, status=403, fault="This page was open for too long. Press the button once more.", form=form
        )
    name = " ".join(form.text("name").split())[:LONGEST_NAME] or "A phone"
    session = new_session()
    found = bench.store.use_pairing(digest(as_secret(form.text("code"))), digest(session), name)
    if found is None:
        words = "This code doesn't count: it was used, it has run out, or it is mistyped. Let the bench show a new one."
        return _pair_page(request, bench, status=403, fault=words, form=form)
    before: Pairing | None = request.state.phone
    if before is not None:
        bench.store.revoke_pairing(before.id)
    answer = RedirectResponse("/phone", status_code=303)
    answer.set_cookie(
        PHONE_COOKIE,
        session,
        max_age=int(SESSION_DAYS * 86_400),
        path="/",
        httponly=True,
        # Lax, as a label's code is opened by the phone's camera, which other programs may do on its behalf;
        # nothing is changed by opening an address.
        samesite="lax",
        secure=request.url.scheme == "https",
    )
    return answer


@router.post("/phone/leave", dependencies=[Depends(form_of)])
def leave(request: Request, bench: TheBench) -> Response:
    """This phone unpairs itself."""
    phone: Pairing | None = request.state.phone
    if phone is not None:
        bench.store.revoke_pairing(phone.id)
    answer = RedirectResponse("/pair" if phone is not None else "/", status_code=303)
    answer.delete_cookie(PHONE_COOKIE, path="/", httponly=True, samesite="lax")
    return answer
