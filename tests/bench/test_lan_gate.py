"""Open to the shop's network, everything stays closed to whoever isn't paired: every route, every trick."""

from __future__ import annotations

import asyncio
import re
import threading
from collections.abc import Iterator
from urllib.parse import unquote

import pytest
from httpx2 import Response
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.routing import Mount, Route
from starlette.testclient import TestClient

from bench.benches import new_store
from bench.lans import BASE, LAN, OWN, PORT, OpenBench, token_of
from tubewright.bench.lan.gate import ATTEMPTS_AT_ONCE, OPEN_PATHS, STRANGERS_AT_ONCE, Network
from tubewright.bench.lan.pairing import PHONE_COOKIE
from tubewright.bench.security import COOKIE, MAX_BODY_BYTES
from tubewright.case import Display
from tubewright.records.store import Store

HTML = {"accept": "text/html"}


class Clock:
    """Seconds that the test moves on."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        return self.now


class Timeless(Clock):
    """Gives everybody all the time they want, where limits are not what is tried."""

    def __call__(self) -> float:
        self.now += 1000.0
        return self.now


@pytest.fixture
def bench(store: Store) -> OpenBench:
    return OpenBench(store, clock_s=Timeless())


@pytest.fixture(scope="module")
def shared(tmp_path_factory: pytest.TempPathFactory, empty: object) -> Iterator[OpenBench]:
    with new_store(tmp_path_factory.mktemp("lan"), empty) as store:  # type: ignore[arg-type] # the session's path
        yield OpenBench(store, clock_s=Timeless())


def every_address(bench: OpenBench) -> list[tuple[str, str]]:
    """Every method and address that the application answers to, as it says itself."""
    found = []
    for route in all_routes(bench.app.routes):
        path = re.sub(r"\{[^}]*\}", "1", route.path)
        found += [(method, path) for method in sorted(route.methods or {"GET"})]
    return found


def all_routes(routes: object) -> Iterator[Route]:
    """The routes of an application and of what is mounted or included within it."""
    for one in routes:  # type: ignore[attr-defined] # a list of routes
        if isinstance(one, Route):
            yield one
        elif isinstance(one, Mount):
            yield Route(f"{one.path}/bench.js", lambda _: None)
        else:
            inner = getattr(one, "routes", None) or getattr(getattr(one, "original_router", None), "routes", ())
            yield from all_routes(inner)


def closed(answer: Response) -> bool:
    """Whether an answer gives nothing away but the way to pair."""
    return answer.status_code == 401 or (answer.status_code == 303 and answer.headers["location"] == "/pair")


def test_every_route_asks_for_a_session(shared: OpenBench) -> None:
    stranger = shared.client()
    addresses = every_address(shared)
    # Fails if the walk no longer finds what there is.
    assert len(addresses) > 100
    for known in ("/jobs/1/readings", "/static/bench.js", "/openapi.json", "/api/assess", "/phones", "/uploads"):
        assert known in {path for _, path in addresses}
    let_in = {(method, path) for method, path in addresses if not closed(stranger.request(method, path, headers=HTML))}
    assert {path for _, path in let_in} == {"/pair"}
    assert {(m, p) for m, p in let_in if m not in {"GET", "HEAD", "POST"}} == set()


@pytest.mark.parametrize("method", ["PUT", "PATCH", "DELETE", "OPTIONS", "TRACE", "PROPFIND", "X", "get"])
def test_odd_methods_open_nothing(shared: OpenBench, method: str) -> None:
    for path in ("/", "/jobs/1", "/static/bench.js", "/api/assess", "/uploads/1"):
        assert shared.client().request(method, path).status_code == 401


def test_only_what_pairing_needs_is_open_and_tells_nothing_of_the_shop(bench: OpenBench) -> None:
    bench.store.add_person("Ida Quill")
    bench.store.add_display(Display(label="Pier arcade"))
    stranger = bench.client()
    assert frozenset({"/pair", "/static/bench.css", "/static/icon.svg", "/static/pair.js"}) == OPEN_PATHS
    for path in OPEN_PATHS:
        answer = stranger.get(path)
        assert answer.status_code == 200
        assert "content-security-policy" in answer.headers
        for secret in ("Ida", "Pier", "tubewright_person", "/jobs"):
            assert secret not in answer.text, (path, secret)
    assert "/displays" not in stranger.get("/pair").text


TRICKS = [
    "//",
    "//jobs/1",
    "/./",
    "/pair/../",
    "/pair/../jobs/1",
    "/static/../jobs/1",
    "/static/%2e%2e/",
    "/static/%2e%2e/%2e%2e/jobs/1",
    "/static/..%2f..%2fetc/passwd",
    "/static/bench.css/../bench.js",
    "/static/bench.css%2f..%2fbench.js",
    "/static/bench.css/",
    "/static/bench.css%00",
    "/static//bench.css",
    "/static/%62ench.css",
    "/%70air",
    "/pair/",
    "/pair/x",
    "/pair;x=1/../jobs",
    "/PAIR",
    "/static/pair.js/../../jobs/1",
    "/\\pair",
    "/static\\..\\jobs",
    "/pair%23",
    "/jobs/1?next=/pair",
    "/jobs/1;/pair",
    "/jobs/1#/pair",
]


@pytest.mark.parametrize("path", TRICKS)
def test_tricks_with_the_path_open_nothing(shared: OpenBench, path: str) -> None:
    answer = raw_get(shared, path)
    assert answer in {400, 401, 404}, answer


def raw_get(bench: OpenBench, target: str, **changes: object) -> int:
    """Ask the application itself, with the target as a server hands it over; gives the status."""
    raw, _, query = target.partition("?")
    scope = {
        "type": "http",
        "asgi": {"version": "3.0"},
        "http_version": "1.1",
        "method": "GET",
        "scheme": "http",
        "path": unquote(raw),
        "raw_path": raw.encode(),
        "root_path": "",
        "query_string": query.encode(),
        "headers": [(b"host", f"{LAN}:{PORT}".encode())],
        "client": ("192.168.77.20", 4000),
        "server": (LAN, PORT),
        "state": {},
        **changes,
    }
    said: list[int] = []

    async def receive() -> dict[str, object]:
        return {"type": "http.request", "body": b"", "more_body": False}

    async def send(message: dict[str, object]) -> None:
        if message["type"] == "http.response.start":
            said.append(int(str(message["status"])))

    def ask() -> None:
        asyncio.run(bench.app(scope, receive, send))  # type: ignore[arg-type] # plain functions are what it takes

    # In a thread of its own: a browser that other tests drive keeps a loop running in this one.
    asking = threading.Thread(target=ask)
    asking.start()
    asking.join()
    return said[0]


@pytest.mark.parametrize(
    "target", ["http://127.0.0.1:8765/", "http://example.org/pair", "*", "example.org:443", "", "pair", "?x"]
)
def test_targets_that_are_no_path_of_ours_are_refused(shared: OpenBench, target: str) -> None:
    assert raw_get(shared, target) in {400, 401}


@given(
    st.one_of(
        st.lists(
            st.sampled_from(
                [
                    "",
                    ".",
                    "..",
                    "pair",
                    "static",
                    "bench.css",
                    "pair.js",
                    "jobs",
                    "1",
                    "%2e%2e",
                    "%2f",
                    "%00",
                    "api",
                    "x",
                ]
            ),
            min_size=1,
            max_size=7,
        ).map(lambda parts: "/" + "/".join(parts)),
        st.text(st.characters(min_codepoint=0x21, max_codepoint=0x7E, exclude_characters="?"), max_size=40),
    )
)
@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_path_but_the_open_ones_opens(shared: OpenBench, target: str) -> None:
    status = raw_get(shared, target)
    if target in OPEN_PATHS:
        assert status == 200
    else:
        assert status in {400, 401}, target


FORWARDED = [
    {"x-forwarded-for": "127.0.0.1"},
    {"x-forwarded-for": "127.0.0.1, 127.0.0.1", "x-forwarded-proto": "http", "x-forwarded-host": "127.0.0.1:8765"},
    {"forwarded": "for=127.0.0.1;host=127.0.0.1"},
    {"x-real-ip": "127.0.0.1"},
    {"x-client-ip": "127.0.0.1", "client-ip": "127.0.0.1", "true-client-ip": "127.0.0.1", "cf-connecting-ip": "::1"},
    {"x-original-url": "/pair", "x-rewrite-url": "/pair"},
    {"x-http-method-override": "GET"},
    {"authorization": "Bearer x"},
    {"via": "1.1 localhost"},
]


@pytest.mark.parametrize("headers", FORWARDED)
def test_what_a_request_says_of_itself_does_not_help(shared: OpenBench, headers: dict[str, str]) -> None:
    assert shared.client().get("/", headers=headers).status_code == 401
    assert shared.client().post("/people", data={"name": "M"}, headers={**headers, "origin": BASE}).status_code == 401


@given(
    st.dictionaries(
        st.sampled_from(["x-forwarded-for", "forwarded", "x-real-ip", "cookie", "origin", "accept", "referer", "via"]),
        st.text(st.characters(min_codepoint=0x20, max_codepoint=0x7E), max_size=60),
        max_size=4,
    )
)
@settings(max_examples=80, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_no_header_opens_anything(shared: OpenBench, headers: dict[str, str]) -> None:
    sent = [(b"host", f"{LAN}:{PORT}".encode()), *((k.encode(), v.encode()) for k, v in headers.items())]
    assert raw_get(shared, "/jobs/1", headers=sent) in {303, 401}


def test_a_forged_host_is_refused_paired_or_not(bench: OpenBench) -> None:
    clients = (bench.client(), bench.phone())
    for host in (
        "example.org", f"example.org:{PORT}", LAN, f"{LAN}:1", f"127.0.0.1:{PORT}", f"localhost:{PORT}", "",
        f"{LAN}:{PORT}@example.org", f"{LAN}.example.org:{PORT}", f"[::1]:{PORT}", f"192.168.77.6:{PORT}",
    ):  # fmt: skip
        for client in clients:
            for path in ("/", "/pair", "/static/bench.css"):
                answer = client.get(path, headers={"host": host})
                assert answer.status_code == 421, host
                assert "<html" not in answer.text


def test_the_screen_at_the_machine_needs_no_session_and_no_other_name_counts_there(bench: OpenBench) -> None:
    assert bench.owner.get("/").status_code == 200
    assert bench.owner.get("/", headers={"host": f"{LAN}:{PORT}"}).status_code == 421
    # The same machine under its address in the network is another machine as far as the bench can tell.
    assert bench.client(LAN).get("/").status_code == 401
    # Nor does an end of loopback alone make the owner.
    half = TestClient(bench.app, base_url=BASE, client=("127.0.0.1", 1), follow_redirects=False)
    assert half.get("/").status_code == 401
    other_half = TestClient(bench.app, base_url=OWN, client=("192.168.77.20", 1), follow_redirects=False)
    assert other_half.get("/").status_code == 421


def test_an_unknown_peer_is_a_stranger(shared: OpenBench) -> None:
    assert raw_get(shared, "/", client=None) == 401
    assert raw_get(shared, "/", client=("not an address", 1)) == 401
    assert raw_get(shared, "/", server=None) in {401, 421}


def test_cross_site_posts_do_nothing_even_with_the_phones_cookies(bench: OpenBench) -> None:
    phone = bench.phone()
    sent = {"name": "Mallory", "form_token": token_of(phone)}
    for headers in (
        {"origin": "http://example.org"},
        {"origin": "null"},
        {"origin": OWN},
        {"origin": f"https://{LAN}:{PORT}"},
        {"origin": f"http://{LAN}:1"},
        {"sec-fetch-site": "cross-site"},
        {"sec-fetch-site": "same-site"},
    ):
        assert phone.post("/people", data=sent, headers=headers).status_code == 403
    assert bench.store.people() == ()
    assert phone.post("/people", data=sent, headers={"origin": BASE}).status_code == 303


def test_a_phones_post_without_its_token_does_nothing(bench: OpenBench) -> None:
    phone, other = bench.phone(), bench.phone("192.168.77.21", "Ida's phone")
    for token in ("", "0" * 64, token_of(other)):
        answer = phone.post("/people", data={"name": "M", "form_token": token}, headers={"origin": BASE})
        assert answer.status_code == 403
    assert bench.store.people() == ()


def test_a_cookie_of_another_sort_or_guessed_is_no_session(bench: OpenBench) -> None:
    phone = bench.phone()
    real = phone.cookies[PHONE_COOKIE]
    for value in (
        "",
        "0" * 64,
        real[:-1] + ("0" if real[-1] != "0" else "1"),
        real.upper() + "x",
        phone.cookies[COOKIE],
    ):
        assert bench.client().get("/", headers={"cookie": f"{PHONE_COOKIE}={value}"}).status_code == 401
    assert bench.client().get("/", headers={"cookie": f"{COOKIE}={real}"}).status_code == 401
    assert bench.client().get(f"/?{PHONE_COOKIE}={real}").status_code == 401
    # The hash that the records hold is no session either: who reads them can't come in with it.
    kept = next(p.session_sha256 for p in bench.store.pairings() if p.session_sha256)
    assert kept != real
    assert bench.client().get("/", headers={"cookie": f"{PHONE_COOKIE}={kept}"}).status_code == 401
    assert bench.client().get("/", headers={"cookie": f"{PHONE_COOKIE}={real}"}).status_code == 200


def test_oversized_bodies_are_refused_announced_or_not(bench: OpenBench) -> None:
    phone = bench.phone()
    kind = {"origin": BASE, "content-type": "application/x-www-form-urlencoded"}

    def drip() -> Iterator[bytes]:
        for _ in range(MAX_BODY_BYTES // 65_536 + 2):
            yield b"x" * 65_536

    assert phone.post("/people", content=b"x" * (MAX_BODY_BYTES + 1), headers=kind).status_code == 413
    assert phone.post("/people", content=drip(), headers=kind).status_code == 413
    for path in ("/uploads", "/uploads/1"):
        sent = {**kind, "content-type": "application/octet-stream"}
        assert phone.post(path, content=b"x" * (MAX_BODY_BYTES + 1), headers=sent).status_code == 413
    # A stranger's body isn't even read.
    assert bench.client().post("/people", content=drip(), headers=kind).status_code == 401


def test_two_hosts_or_two_lengths_are_no_request(shared: OpenBench) -> None:
    good = (b"host", f"{LAN}:{PORT}".encode())
    assert raw_get(shared, "/pair", headers=[good, (b"host", b"example.org")]) == 400
    assert raw_get(shared, "/pair", headers=[good, (b"content-length", b"0"), (b"content-length", b"5")]) == 400
    both = [good, (b"content-length", b"5"), (b"transfer-encoding", b"chunked")]
    assert raw_get(shared, "/pair", headers=both) == 400


def test_strangers_are_slowed_down_by_address_and_phones_are_not(store: Store) -> None:
    clock = Clock()
    bench = OpenBench(store, clock_s=clock)
    phone = bench.phone("192.168.77.30")
    stranger = bench.client("192.168.77.66")
    statuses = [stranger.get("/").status_code for _ in range(STRANGERS_AT_ONCE + 5)]
    assert statuses == [401] * STRANGERS_AT_ONCE + [429] * 5
    answer = stranger.get("/pair")
    assert answer.status_code == 429
    assert int(answer.headers["retry-after"]) >= 1
    # A forged host costs as much, another address has a bucket of its own, a phone beside the stranger goes on.
    assert stranger.get("/", headers={"host": "example.org"}).status_code == 429
    assert bench.client("192.168.77.67").get("/").status_code == 401
    beside = bench.client("192.168.77.66")
    beside.cookies.set(PHONE_COOKIE, phone.cookies[PHONE_COOKIE])
    assert all(beside.get("/").status_code == 200 for _ in range(5))
    clock.now += 2.0
    assert stranger.get("/").status_code == 401


def test_codes_can_be_tried_a_few_times_only(store: Store) -> None:
    clock = Clock()
    bench = OpenBench(store, clock_s=clock)
    code = bench.code()
    guesser = bench.client("192.168.77.66")
    token = token_of(guesser, "/pair")
    sent = {"code": "A" * 24, "name": "M", "form_token": token}
    statuses = [
        guesser.post("/pair", data=sent, headers={"origin": BASE}).status_code for _ in range(ATTEMPTS_AT_ONCE + 3)
    ]
    assert statuses == [403] * ATTEMPTS_AT_ONCE + [429] * 3
    # Once they are used up even the right one must wait.
    assert guesser.post("/pair", data={**sent, "code": code}, headers={"origin": BASE}).status_code == 429
    clock.now += 20
    assert guesser.post("/pair", data={**sent, "code": code}, headers={"origin": BASE}).status_code == 303


def test_many_addresses_together_can_try_only_so_often(store: Store) -> None:
    bench = OpenBench(store, clock_s=Clock())
    bench.code()
    statuses = []
    for n in range(40):
        client = bench.client(f"192.168.78.{n + 1}")
        sent = {"code": "A" * 24, "form_token": token_of(client, "/pair")}
        statuses.append(client.post("/pair", data=sent, headers={"origin": BASE}).status_code)
    assert statuses[:30] == [403] * 30
    assert set(statuses[30:]) == {429}


def test_a_program_is_told_in_json_and_a_person_is_led_to_the_page_that_pairs(shared: OpenBench) -> None:
    answer = shared.client().post("/api/assess", json={"format": 1})
    assert answer.status_code == 401
    assert answer.json()["faults"][0]["mend"]
    led = shared.client().get("/jobs/1", headers=HTML)
    assert (led.status_code, led.headers["location"]) == (303, "/pair")
    assert "Not paired" in shared.client().post("/people", headers={**HTML, "origin": BASE}).text


def test_encrypted_the_cookies_are_secure_and_plain_origins_are_foreign(store: Store) -> None:
    network = Network(address="fd00::5", port=PORT, scheme="https")
    assert network.base == f"https://[fd00::5]:{PORT}"
    bench = OpenBench(store, network=network, clock_s=Timeless())
    client = bench.client()
    assert "Secure" in client.get("/pair").headers["set-cookie"]
    code = bench.code()
    sent = {"code": code, "name": "A", "form_token": token_of(client, "/pair")}
    assert client.post("/pair", data=sent, headers={"origin": f"http://[fd00::5]:{PORT}"}).status_code == 403
    answer = bench.pair(client, code)
    assert answer.status_code == 303
    assert all(part in answer.headers["set-cookie"] for part in ("Secure", "HttpOnly", "SameSite=lax"))
    assert client.get("/").status_code == 200
