"""Letting phones in: a code counts once and not for long, the session is the phone's own, and it can be taken away."""

from __future__ import annotations

import datetime as dt
import re
from collections.abc import Callable
from typing import Any

import pytest

from bench.benches import Visitor
from bench.lans import BASE, OWN, OpenBench, token_of
from bench.test_lan_gate import Timeless
from tubewright.bench.lan.pairing import (
    CODE_MINUTES,
    PHONE_COOKIE,
    SESSION_DAYS,
    as_secret,
    digest,
    new_secret,
    new_session,
)
from tubewright.records.store import Store
from tubewright.records.transactions import utc_now


class Watch:
    """The shop's clock, moved on by hand."""

    def __init__(self) -> None:
        self.ahead = dt.timedelta()

    def __call__(self) -> dt.datetime:
        return utc_now() + self.ahead


@pytest.fixture
def watch(store: Store) -> Watch:
    made = Watch()
    store.clock = made
    return made


@pytest.fixture
def bench(store: Store, watch: Watch) -> OpenBench:
    return OpenBench(store, clock_s=Timeless())


def test_a_code_is_shown_drawn_and_used_once(bench: OpenBench) -> None:
    assert "Show a code" in bench.owner.get("/phones").text
    assert bench.owner.get("/phones/code.svg").status_code == 404
    code = bench.code()
    page = bench.owner.get("/phones").text
    assert f"{BASE}/pair" in page
    assert "plain HTTP" in page
    drawing = bench.owner.get("/phones/code.svg")
    assert drawing.headers["content-type"] == "image/svg+xml"
    assert drawing.headers["cache-control"] == "no-store"
    assert "<svg" in drawing.text
    assert bench.owner.get("/phones/now").json()["left_s"] > 60 * CODE_MINUTES - 10
    phone = bench.client()
    # Looking at the page, as a preview of the link does, uses nothing up.
    for _ in range(3):
        assert phone.get("/pair").status_code == 200
        assert phone.head("/pair").status_code in {200, 405}
    answer = bench.pair(phone, code, "Ida's phone")
    assert (answer.status_code, answer.headers["location"]) == (303, "/phone")
    assert phone.get("/phone").status_code == 200
    assert bench.owner.get("/phones/now").json() == {
        "number": bench.store.pairings()[0].id,
        "left_s": 0,
        "used_by": "Ida's phone",
    }
    page = bench.owner.get("/phones").text
    assert "Ida's phone" in page.replace("&#39;", "'")
    assert "the code is used up" in page
    assert bench.owner.get("/phones/code.svg").status_code == 404
    # Replayed, by the same phone or another: nothing.
    for again in (phone, bench.client("192.168.77.21")):
        assert bench.pair(again, code).status_code == 403
    assert len([p for p in bench.store.pairings() if p.used_at]) == 1


def test_the_drawing_holds_the_address_with_the_secret_behind_the_hash(
    bench: OpenBench, monkeypatch: pytest.MonkeyPatch
) -> None:
    drawn: list[str] = []
    import segno

    plain = segno.make

    def watched(text: str, **more: Any) -> object:  # noqa: ANN401 - as the library has it
        drawn.append(text)
        return plain(text, **more)

    monkeypatch.setattr(segno, "make", watched)
    code = bench.code()
    bench.owner.get("/phones/code.svg")
    assert drawn == [f"{BASE}/pair#{as_secret(code)}"]


def test_a_code_typed_by_hand_may_be_in_small_letters_and_groups(bench: OpenBench) -> None:
    code = bench.code()
    phone = bench.client()
    assert bench.pair(phone, code.lower().replace(" ", "-")).status_code == 303


def test_a_code_runs_out(bench: OpenBench, watch: Watch) -> None:
    code = bench.code()
    watch.ahead = dt.timedelta(minutes=CODE_MINUTES, seconds=1)
    answer = bench.pair(bench.client(), code)
    assert answer.status_code == 403
    assert "doesn&#39;t count" in answer.text
    assert bench.owner.get("/phones/now").json()["left_s"] == 0
    assert "The code has run out" in bench.owner.get("/phones").text
    assert bench.store.pairings()[0].used_at is None


def test_a_new_code_makes_the_one_before_worthless_and_hiding_does_too(bench: OpenBench) -> None:
    first, second = bench.code(), bench.code()
    assert first != second
    assert bench.pair(bench.client(), first).status_code == 403
    bench.owner.post(
        "/phones", data={"hide": "yes", "form_token": token_of(bench.owner, "/phones")}, headers={"origin": OWN}
    )
    assert bench.pair(bench.client(), second).status_code == 403


def test_what_is_no_code_pairs_nothing(bench: OpenBench) -> None:
    bench.code()
    for code in ("", " ", "A", "A" * 24, "A" * 5000, "../..", "<script>", "ÄÖÜ", "0" * 64, "' OR 1=1 --"):
        answer = bench.pair(bench.client(), code)
        assert answer.status_code == 403
        assert "<script>" not in answer.text.partition("</head>")[2]


def test_the_session_is_random_hashed_and_out_of_reach_of_scripts(bench: OpenBench) -> None:
    code = bench.code()
    phone = bench.client()
    cookie = bench.pair(phone, code).headers["set-cookie"]
    assert f"{PHONE_COOKIE}=" in cookie
    assert "HttpOnly" in cookie
    assert "SameSite=lax" in cookie
    assert "Domain" not in cookie
    session = phone.cookies[PHONE_COOKIE]
    assert re.fullmatch(r"[0-9a-f]{64}", session)
    kept = bench.store.pairings()[0]
    assert kept.session_sha256 == digest(session)
    assert kept.secret_sha256 == digest(as_secret(code))
    stored = b"".join(path.read_bytes() for path in bench.store.database.path.parent.glob("shop.sqlite3*"))  # type: ignore[union-attr]
    assert session.encode() not in stored
    assert as_secret(code).encode() not in stored
    assert len({new_secret() for _ in range(50)}) == 50
    assert len({new_session() for _ in range(50)}) == 50
    assert len(as_secret(code)) * 5 == 120


def test_one_phone_or_all_are_shut_out_at_once(bench: OpenBench) -> None:
    first, second, third = (bench.phone(f"192.168.77.{n}", f"Phone {n}") for n in (21, 22, 23))
    number = next(p.id for p in bench.store.pairings() if p.name == "Phone 21")
    token = token_of(bench.owner, "/phones")
    sent = {"phone": str(number), "form_token": token}
    assert bench.owner.post("/phones/shut-out", data=sent, headers={"origin": OWN}).status_code == 303
    assert first.get("/").status_code == 401
    assert second.get("/").status_code == 200
    assert (
        bench.owner.post("/phones/shut-out", data={**sent, "phone": "999"}, headers={"origin": OWN}).status_code == 404
    )
    assert bench.owner.post("/phones/shut-out", data={**sent, "phone": "x"}, headers={"origin": OWN}).status_code == 404
    code = bench.code()
    bench.owner.post("/phones/shut-out", data={"all": "yes", "form_token": token}, headers={"origin": OWN})
    assert [p.get("/").status_code for p in (first, second, third)] == [401] * 3
    assert bench.pair(bench.client(), code).status_code == 403, "a code on show is taken back as well"


def test_only_the_own_screen_lets_in_and_shuts_out(bench: OpenBench) -> None:
    phone = bench.phone()
    token = token_of(phone)
    before = bench.store.pairings()
    assert phone.get("/phones").status_code == 403
    assert phone.get("/phones/code.svg").status_code == 403
    assert phone.get("/phones/now").status_code == 403
    for path in ("/phones", "/phones/shut-out"):
        answer = phone.post(path, data={"all": "yes", "form_token": token}, headers={"origin": BASE})
        assert answer.status_code == 403
    assert bench.store.pairings() == before


def test_a_phone_unpairs_itself(bench: OpenBench) -> None:
    phone = bench.phone()
    assert phone.post("/phone/leave", data={"form_token": "x"}, headers={"origin": BASE}).status_code == 403
    answer = phone.post("/phone/leave", data={"form_token": token_of(phone)}, headers={"origin": BASE})
    assert answer.headers["location"] == "/pair"
    assert phone.get("/").status_code == 401
    assert bench.store.pairings()[0].revoked_at is not None


def test_a_phone_that_pairs_anew_leaves_no_second_session_behind(bench: OpenBench) -> None:
    phone = bench.phone()
    old = phone.cookies[PHONE_COOKIE]
    assert 'value="Wren&#39;s phone"' in phone.get("/pair").text
    assert bench.pair(phone, bench.code()).status_code == 303
    assert phone.cookies[PHONE_COOKIE] != old
    assert bench.client().get("/", headers={"cookie": f"{PHONE_COOKIE}={old}"}).status_code == 401
    assert phone.get("/").status_code == 200


def test_a_pairing_ends_by_itself_in_the_end(bench: OpenBench, watch: Watch) -> None:
    phone = bench.phone()
    watch.ahead = dt.timedelta(days=SESSION_DAYS - 1)
    assert phone.get("/").status_code == 200
    watch.ahead = dt.timedelta(days=SESSION_DAYS + 1)
    assert phone.get("/").status_code == 401
    assert "paired too long ago" in bench.owner.get("/phones").text


def test_last_seen_is_told(bench: OpenBench, watch: Watch) -> None:
    phone = bench.phone()
    watch.ahead = dt.timedelta(hours=3)
    phone.get("/")
    seen = bench.store.pairings()[0].last_seen_at
    assert seen is not None
    assert abs(seen - watch()) < dt.timedelta(minutes=1)
    assert "last seen" in bench.owner.get("/phones").text


def test_a_page_of_pairing_left_open_over_a_restart_can_be_sent_again(bench: OpenBench) -> None:
    code = bench.code()
    phone = bench.client()
    phone.get("/pair")
    answer = phone.post("/pair", data={"code": code, "name": "A", "form_token": "old"}, headers={"origin": BASE})
    assert answer.status_code == 403
    assert "open for too long" in answer.text
    token = re.search(r'name="form_token" value="(\w+)"', answer.text)
    assert token is not None
    sent = {"code": code, "name": "A", "form_token": token[1]}
    assert phone.post("/pair", data=sent, headers={"origin": BASE}).status_code == 303


def test_open_to_this_machine_only_the_page_says_how_to_open_it(visitor: Visitor) -> None:
    page = visitor.get("/phones").text
    assert "tubewright bench --lan" in page
    assert visitor.post("/phones").status_code == 403
    assert visitor.app.state.lan_address == ""
    assert visitor.get("/pair").url.path == "/phones"


def test_the_address_is_there_for_others(bench: OpenBench) -> None:
    assert bench.app.state.lan_address == BASE


@pytest.mark.parametrize("path", ["/phones", "/pair", "/phone"])
def test_no_page_has_script_or_style_in_it(bench: OpenBench, path: str) -> None:
    client: Callable[..., object] = bench.owner.get if path == "/phones" else bench.phone().get
    text = client(path).text  # type: ignore[attr-defined] # a response
    assert not re.search(r"<script(?![^>]*\bsrc=)", text)
    assert not re.search(r"\s(style|on[a-z]+)=\"", text)
    assert not re.search(r"(?:src|href|action)=\"(?:https?:)?//", text)
