"""Nobody but this machine's own pages reaches the bench, and no page loads from elsewhere."""

from __future__ import annotations

import json
import re

import pytest

from bench.benches import HOST, ORIGIN, Visitor
from tubewright.bench.security import COOKIE, MAX_BODY_BYTES


@pytest.mark.parametrize(
    "host",
    [
        "example.org",
        "example.org:8765",
        "127.0.0.1:9999",
        "127.0.0.1",
        "localhost.example.org:8765",
        "127.0.0.1:8765@example.org",
        "",
        "[::1]:1",
        "127.0.0.1:8765.example.org",
    ],
)
def test_a_foreign_host_is_refused_before_any_page(visitor: Visitor, host: str) -> None:
    answer = visitor.get("/", headers={"host": host})
    assert answer.status_code == 421
    assert "<html" not in answer.text


@pytest.mark.parametrize("host", ["127.0.0.1:8765", "localhost:8765", "LOCALHOST:8765", "[::1]:8765"])
def test_our_own_names_are_served(visitor: Visitor, host: str) -> None:
    assert visitor.get("/", headers={"host": host}).status_code == 200


def test_every_answer_carries_the_headers(visitor: Visitor) -> None:
    job = visitor.open_job()
    for path in ("/", f"/jobs/{job}", "/static/bench.css", "/nothing", "/openapi.json", "/api/jobs/99/case"):
        headers = visitor.get(path).headers
        policy = headers["content-security-policy"]
        assert "default-src 'self'" in policy
        assert "frame-ancestors 'none'" in policy
        assert "unsafe" not in policy
        assert headers["x-content-type-options"] == "nosniff"
        assert headers["referrer-policy"] == "same-origin"
        assert headers["cross-origin-resource-policy"] == "same-origin"
    refused = visitor.get("/", headers={"host": "example.org"})
    assert "content-security-policy" in refused.headers


def test_our_own_failure_carries_the_headers_and_hides_its_inside(
    visitor: Visitor, caplog: pytest.LogCaptureFixture
) -> None:
    def broken(*_: object) -> object:
        raise ZeroDivisionError("a secret of the inside")

    visitor.app.state.bench.assess = broken
    job = visitor.open_job()
    answer = visitor.post(f"/jobs/{job}/verdict")
    assert answer.status_code == 500
    assert "secret" not in answer.text
    assert "content-security-policy" in answer.headers
    assert "a secret of the inside" in caplog.text


@pytest.mark.parametrize(
    "origin", ["http://example.org", "null", "https://127.0.0.1:8765", "http://127.0.0.1:9999", "http://localhost:8765"]
)
def test_a_post_from_another_site_does_nothing(visitor: Visitor, origin: str) -> None:
    sent = {"name": "Mallory", "form_token": visitor.token()}
    answer = visitor.client.post("/people", data=sent, headers={"origin": origin})
    assert answer.status_code == 403
    assert visitor.store.people() == ()


def test_a_post_without_origin_from_another_site_does_nothing(visitor: Visitor) -> None:
    sent = {"name": "Mallory", "form_token": visitor.token()}
    answer = visitor.client.post("/people", data=sent, headers={"sec-fetch-site": "cross-site"})
    assert answer.status_code == 403
    assert visitor.store.people() == ()


def test_a_form_without_the_cookies_token_does_nothing_and_keeps_what_was_typed(visitor: Visitor) -> None:
    visitor.token()
    for token in ("", "0" * 64, "ü"):
        answer = visitor.client.post(
            "/people", data={"name": "Ida Quill", "form_token": token}, headers={"origin": ORIGIN}
        )
        assert answer.status_code == 403
        assert 'value="Ida Quill"' in answer.text
    assert visitor.store.people() == ()


def test_a_token_of_another_session_does_nothing(visitor: Visitor) -> None:
    stolen = visitor.token()
    visitor.client.cookies.clear()
    visitor.token()
    answer = visitor.client.post("/people", data={"name": "Mallory", "form_token": stolen}, headers={"origin": ORIGIN})
    assert answer.status_code == 403
    assert visitor.store.people() == ()


def test_a_form_left_open_over_a_restart_can_be_sent_again(visitor: Visitor) -> None:
    stale = visitor.client.post("/people", data={"name": "Ida Quill", "form_token": "old"}, headers={"origin": ORIGIN})
    fields = dict(re.findall(r'<input type="hidden" name="(\w+)" value="([^"]*)">', stale.text.partition("<main")[2]))
    visitor.client.cookies.set(COOKIE, stale.cookies[COOKIE]) if COOKIE in stale.cookies else None
    answer = visitor.client.post("/people", data=fields, headers={"origin": ORIGIN}, follow_redirects=False)
    assert answer.status_code == 303
    assert [p.name for p in visitor.store.people()] == ["Ida Quill"]


def test_the_session_cookie_is_out_of_reach_of_scripts_and_other_sites(visitor: Visitor) -> None:
    cookie = visitor.get("/").headers["set-cookie"]
    assert "HttpOnly" in cookie
    assert "SameSite=Lax" in cookie


@pytest.mark.parametrize("path", ["/people", "/api/assess"])
def test_an_oversized_body_is_refused(visitor: Visitor, path: str) -> None:
    kind = "application/json" if path.startswith("/api") else "application/x-www-form-urlencoded"
    answer = visitor.client.post(
        path, content=b"x" * (MAX_BODY_BYTES + 1), headers={"origin": ORIGIN, "content-type": kind}
    )
    assert answer.status_code == 413


def test_an_oversized_body_without_announced_length_is_refused(visitor: Visitor) -> None:
    pieces = (b"x" * 65536 for _ in range(MAX_BODY_BYTES // 65536 + 2))
    answer = visitor.client.post("/api/assess", content=pieces, headers={"content-type": "application/json"})
    assert answer.status_code == 413


@pytest.mark.parametrize("kind", ["multipart/form-data; boundary=x", "text/plain", "application/json", ""])
def test_pages_take_forms_only(visitor: Visitor, kind: str) -> None:
    answer = visitor.client.post("/people", content=b"name=x", headers={"origin": ORIGIN, "content-type": kind})
    assert answer.status_code == 415


def test_programs_must_say_that_they_send_json(visitor: Visitor) -> None:
    """A form of another site could send text without asking; it can't send this header."""
    answer = visitor.client.post("/api/assess", content=b'{"format": 1}', headers={"content-type": "text/plain"})
    assert answer.status_code == 415


def test_a_form_of_too_many_fields_is_refused(visitor: Visitor) -> None:
    body = "&".join(f"a{i}=1" for i in range(6000)).encode()
    kind = {"origin": ORIGIN, "content-type": "application/x-www-form-urlencoded"}
    assert visitor.client.post("/people", content=body, headers=kind).status_code == 400


@pytest.mark.parametrize(
    "path",
    [
        "/static/../app.py",
        "/static/%2e%2e/app.py",
        "/static/..%2fapp.py",
        "/static/%2e%2e%2f%2e%2e%2ferrors.py",
        "/static//etc/passwd",
        "/static/....//app.py",
        "/static/%00",
        "/jobs/../../etc/passwd",
        "/jobs/1%2e5",
        "/jobs/99999999999999999999",
        "/jobs/-1",
        "/jobs/0",
        "/tubes/%27",
        "/jobs/1/verdicts/1/..%2fx.svg",
    ],
)
def test_tricks_with_the_path_find_nothing(visitor: Visitor, path: str) -> None:
    answer = visitor.get(path)
    assert answer.status_code in {404, 400}
    assert "import " not in answer.text
    assert "root:" not in answer.text


@pytest.mark.parametrize(
    "back",
    [
        "https://example.org",
        "//example.org",
        "/\\example.org",
        "\\\\example.org",
        "javascript:alert(1)",
        "/\t/example.org",
    ],
)
def test_going_back_never_leads_elsewhere(visitor: Visitor, back: str) -> None:
    answer = visitor.post("/theme", theme="dark", back=back)
    assert answer.headers["location"] == "/"


NASTY = "<script>alert(1)</script>\"'&{{7*7}}"


def test_what_people_type_is_shown_as_text(visitor: Visitor) -> None:
    job = visitor.open_job(label=NASTY, owner=NASTY, owner_words=NASTY, waits_for=NASTY)
    for path in ("/", f"/jobs/{job}", f"/jobs/{job}/facts", "/displays", "/displays/1", "/history"):
        text = visitor.get(path).text
        assert "<script>alert" not in text
        assert "alert(1)" in text or path == "/history"
        assert "49" not in re.sub(r"[0-9a-f]{20,}", "", text.partition("alert(1)")[2][:60])


def test_no_page_has_script_or_style_in_it(visitor: Visitor) -> None:
    job = visitor.open_job()
    for path in ("/", f"/jobs/{job}", f"/jobs/{job}/symptoms", "/heater", "/instruments", "/reference/tests"):
        text = visitor.get(path).text
        assert not re.search(r"<script(?![^>]*\bsrc=)", text)
        assert "<style" not in text
        assert not re.search(r"\s(style|on[a-z]+)=\"", text)
        assert not re.search(r"(?:src|href|action)=\"(?:https?:)?//", text)


def test_control_characters_are_dropped(visitor: Visitor) -> None:
    visitor.post("/people", name="I\x00d\x1ba")
    assert [p.name for p in visitor.store.people()] == ["Ida"]


def test_junk_cookies_do_no_harm(visitor: Visitor) -> None:
    for junk in (
        "tubewright_person=abc; tubewright_theme=<x>",
        f"{COOKIE}=short",
        "=;;;",
        "tubewright_person=999999999999999999",
    ):
        answer = visitor.client.get("/", headers={"cookie": junk, "host": HOST})
        assert answer.status_code == 200
        assert 'data-theme="auto"' in answer.text


def test_the_api_answers_faults_as_json(visitor: Visitor) -> None:
    answer = visitor.client.post("/api/assess", json={"format": 1, "tube": {"heater_v": "NaN"}})
    assert answer.status_code == 422
    assert json.loads(answer.text)["faults"][0]["mend"]
