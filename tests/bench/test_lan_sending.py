"""What a phone sends over a bad connection: photographs in pieces, readings under a key; each stored once, whole."""

from __future__ import annotations

import datetime as dt
import hashlib
import re
import secrets
from collections.abc import Callable
from random import Random
from typing import Any

import pytest
from httpx2 import Response
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from starlette.testclient import TestClient

from bench.benches import Visitor
from bench.browsing import GRID, every_page, full_job
from bench.lans import BASE, OpenBench, token_of
from bench.pictured import small_photo
from bench.test_lan_gate import Timeless, all_routes
from tubewright.bench.lan.once import CONFIRMED_WITHIN_S, LONGEST_WAIT_S, is_sent_once
from tubewright.bench.lan.sending import STALE_DAYS
from tubewright.case import Display, Tube
from tubewright.records.pictures import LARGEST_FILE_BYTES
from tubewright.records.store import Store


@pytest.fixture
def bench(store: Store) -> OpenBench:
    return OpenBench(store, clock_s=Timeless())


@pytest.fixture
def job(store: Store) -> int:
    return new_job(store)


def new_job(store: Store) -> int:
    display = store.add_display(Display(label="Pier arcade, machine 7"))
    tube = store.add_tube(Tube(label="A48XYZ00X01", heater_v=6.3))
    store.fit_tube(display.id, tube.id)
    return store.open_job(display.id).id


class Sender:
    """A phone's script, step by step."""

    def __init__(self, client: TestClient, number: int, data: bytes, **changes: Any) -> None:  # noqa: ANN401
        job = number
        self.client, self.job, self.data = client, job, data
        self.key = str(changes.get("key") or secrets.token_hex(16))
        self.token = client.get("/token").json()["token"]
        self.begins: dict[str, Any] = {
            "key": self.key,
            "job": job,
            "name": "one.jpg",
            "size": len(data),
            "sha256": hashlib.sha256(data).hexdigest(),
            **changes,
        }

    def headers(self, **more: str) -> dict[str, str]:
        return {"tubewright-token": self.token, "tubewright-key": self.key, "origin": BASE, **more}

    def begin(self) -> Response:
        return self.client.post("/uploads", json=self.begins, headers=self.headers())

    def piece(self, number: int, offset: int, data: bytes) -> Response:
        kind = self.headers(**{"content-type": "application/octet-stream"})
        return self.client.post(f"/uploads/{number}?offset={offset}", content=data, headers=kind)

    def finish(self, number: int, **words: str) -> Response:
        return self.client.post(f"/uploads/{number}/finish", json=words, headers=self.headers())

    def all_of_it(self, piece: int = 4000) -> Response:
        at = self.begin().json()
        while at["received"] < at["size"]:
            start = at["received"]
            at = self.piece(at["id"], start, self.data[start : start + piece]).json()
        return self.finish(at["id"], stage="before", note="warm")


def test_a_photograph_comes_in_pieces_and_is_kept_under_its_hash(bench: OpenBench, job: int) -> None:
    data = small_photo()
    answer = Sender(bench.phone(), job, data).all_of_it()
    assert answer.status_code == 200
    photo = bench.store.job(job).photos[0]
    assert answer.json()["photo"] == photo.id
    assert photo.sha256 == hashlib.sha256(data).hexdigest()
    assert bench.store.file(photo.sha256).data == data
    assert bench.store.file(photo.sha256).media_type == "image/jpeg"
    assert (photo.file_name, photo.stage, photo.note) == ("one.jpg", "before", "warm")
    assert photo.preview_sha256 is not None


def test_begun_sent_and_finished_twice_it_is_one_photograph(bench: OpenBench, job: int) -> None:
    data = small_photo()
    sender = Sender(bench.phone(), job, data)
    first = sender.begin().json()
    assert sender.begin().json() == first
    half = len(data) // 2
    assert sender.piece(first["id"], 0, data[:half]).json()["received"] == half
    # The answer was lost, and the piece comes again; or the phone is ahead.
    for offset, part in ((0, data[:half]), (half + 1, data[half + 1 :]), (half - 1, data[half - 1 :])):
        again = sender.piece(first["id"], offset, part)
        assert (again.status_code, again.json()["received"]) == (409, half)
    assert sender.finish(first["id"]).status_code == 409
    where = sender.client.get(f"/uploads/{first['id']}", headers=sender.headers()).json()
    assert where["received"] == half
    assert sender.piece(first["id"], half, data[half:]).json()["received"] == len(data)
    done = [sender.finish(first["id"]).json() for _ in range(3)]
    assert done[0] == done[1] == done[2]
    assert sender.begin().json()["state"] == "done"
    assert sender.piece(first["id"], 0, data).json()["state"] == "done"
    assert len(bench.store.job(job).photos) == 1


def test_it_goes_on_after_the_bench_was_started_anew_with_a_fresh_token(store: Store, job: int) -> None:
    before = OpenBench(store, clock_s=Timeless())
    phone = before.phone()
    data = small_photo()
    sender = Sender(phone, job, data)
    at = sender.begin().json()
    sender.piece(at["id"], 0, data[:700])
    after = OpenBench(store, clock_s=Timeless())
    sender.client = after.client()
    sender.client.cookies = phone.cookies
    stale = sender.piece(at["id"], 700, data[700:])
    assert (stale.status_code, stale.json()) == (403, {"stale": True})
    sender.token = sender.client.get("/token").json()["token"]
    assert sender.piece(at["id"], 700, data[700:]).json()["received"] == len(data)
    assert sender.finish(at["id"]).json()["state"] == "done"


def test_a_damaged_photograph_is_not_kept_and_begins_anew(bench: OpenBench, job: int) -> None:
    data = small_photo()
    sender = Sender(bench.phone(), job, data)
    at = sender.begin().json()
    damaged = data[:-1] + bytes([data[-1] ^ 1])
    sender.piece(at["id"], 0, damaged)
    answer = sender.finish(at["id"])
    assert (answer.status_code, answer.json()["received"], answer.json()["state"]) == (409, 0, "open")
    assert bench.store.job(job).photos == ()
    sender.piece(at["id"], 0, data)
    assert sender.finish(at["id"]).json()["state"] == "done"


def test_what_is_no_photograph_is_refused_by_its_content(bench: OpenBench, job: int) -> None:
    for data in (b"<script>alert(1)</script>", b"\xff\xd8\xff" + b"x" * 400, b"PK\x03\x04" + b"0" * 100):
        sender = Sender(bench.phone(), job, data, name="holiday.jpg")
        answer = sender.all_of_it()
        assert answer.status_code == 422
        assert answer.json()["faults"][0]["mend"]
        assert sender.begin().json() | {"id": 0, "size": 0} == {
            "id": 0, "state": "done", "received": len(data), "size": 0, "photo": None, "piece": 262_144,
        }  # fmt: skip
    assert bench.store.job(job).photos == ()


@pytest.mark.parametrize(
    ("field", "values"),
    [
        ("size", [0, -1, LARGEST_FILE_BYTES + 1, 10**30, 1.5, "9", True, None]),
        ("key", ["short", "Z" * 32, None, 7]),
        ("sha256", ["x", None, "A" * 64]),
        ("job", [0, -1, 2**40, None, "1", True]),
    ],
)
def test_what_can_not_be_begun_is_said(bench: OpenBench, job: int, field: str, values: list[object]) -> None:
    sender = Sender(bench.phone(), job, b"x" * 50)
    for value in values:
        sender.begins[field] = value
        answer = sender.begin()
        assert answer.status_code == 422
        assert answer.json()["faults"][0]["where"] == field
        assert answer.json()["faults"][0]["mend"]


def test_there_must_be_such_a_job_and_a_name_is_only_a_name(bench: OpenBench, job: int) -> None:
    phone = bench.phone()
    assert Sender(phone, 99, b"x").begin().status_code == 404
    sender = Sender(phone, job, small_photo(), name="../../etc/passwd\x00.jpg")
    sender.all_of_it()
    assert bench.store.job(job).photos[0].file_name == "passwd .jpg"
    other = Sender(phone, job, small_photo(), name={"a": 1})
    assert other.all_of_it().json()["state"] == "done"


def test_a_key_is_one_files_and_needed_for_every_step(bench: OpenBench, job: int) -> None:
    data = small_photo()
    sender = Sender(bench.phone(), job, data)
    at = sender.begin().json()
    for changes in ({"size": len(data) - 1}, {"sha256": "0" * 64}, {"job": new_job(bench.store)}):
        other = Sender(sender.client, job, data, key=sender.key, **changes)
        assert other.begin().status_code == 409
    thief = Sender(bench.phone("192.168.77.21"), job, data)
    for answer in (
        thief.piece(at["id"], 0, b"x"),
        thief.finish(at["id"]),
        thief.client.get(f"/uploads/{at['id']}", headers=thief.headers()),
        thief.client.get(f"/uploads/{at['id']}"),
    ):
        assert answer.status_code == 404
    assert sender.begin().json()["received"] == 0


def test_junk_instead_of_json_is_refused(bench: OpenBench, job: int) -> None:
    sender = Sender(bench.phone(), job, b"x")
    kind = sender.headers(**{"content-type": "application/json"})
    for body in (b"", b"[]", b"{", b"\xff", b'{"key": ' + b"[" * 2000):
        answer = sender.client.post("/uploads", content=body, headers=kind)
        assert answer.status_code == 422
        assert answer.json()["faults"]


def test_forms_and_other_sites_begin_nothing(bench: OpenBench, job: int) -> None:
    sender = Sender(bench.phone(), job, b"x")
    as_form = sender.headers(**{"content-type": "application/x-www-form-urlencoded"})
    assert sender.client.post("/uploads", content=b"key=1", headers=as_form).status_code == 415
    assert sender.client.post("/uploads", files={"a": b"x"}, headers=sender.headers()).status_code == 415
    foreign = {**sender.headers(), "origin": "http://example.org"}
    assert sender.client.post("/uploads", json=sender.begins, headers=foreign).status_code == 403
    without = {"origin": BASE}
    assert sender.client.post("/uploads", json=sender.begins, headers=without).status_code == 403
    assert bench.store.upload_by_key(sender.key) is None


def test_what_nobody_goes_on_with_is_dropped_and_can_begin_anew(bench: OpenBench, job: int) -> None:
    data = small_photo()
    sender = Sender(bench.phone(), job, data)
    at = sender.begin().json()
    sender.piece(at["id"], 0, data[:500])
    now = bench.store.clock
    bench.store.clock = lambda: now() + dt.timedelta(days=STALE_DAYS + 1)
    Sender(sender.client, job, small_photo()).begin()
    found = bench.store.upload_by_key(sender.key)
    assert found is not None
    assert (found.state, found.received) == ("dropped", 0)
    assert sender.all_of_it().json()["state"] == "done"


@given(st.integers(0, 2**32), st.integers(2000, 9000))
@settings(max_examples=6, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_pieces_in_any_order_and_with_any_repeats_make_the_file_or_nothing(
    shared_sender: Callable[[], Sender], seed: int, most: int
) -> None:
    chance = Random(seed)  # noqa: S311 - pieces, not secrets
    sender = shared_sender()
    at = sender.begin().json()
    for _ in range(400):
        if at["received"] == at["size"]:
            break
        start = at["received"] if chance.random() < 0.6 else chance.randrange(len(sender.data))
        part = sender.data[start : start + chance.randrange(1, most)]
        if chance.random() < 0.1:
            sender.begin()
        at = sender.piece(at["id"], start, part).json()
    sender.finish(at["id"])
    done = sender.finish(at["id"]).json()
    photos = sender.client.app.state.bench.store.job(sender.job).photos  # type: ignore[attr-defined] # our application
    mine = [p for p in photos if p.id == done["photo"]]
    assert [p.sha256 for p in mine] == [hashlib.sha256(sender.data).hexdigest()]


@pytest.fixture
def shared_sender(bench: OpenBench, job: int) -> Callable[[], Sender]:
    phone = bench.phone()
    return lambda: Sender(phone, job, small_photo())


# -- typed readings ------------------------------------------------------------------------------


def post(client: TestClient, path: str, **fields: str) -> Response:
    sent = {**fields, "form_token": token_of(client, "/people")}
    return client.post(path, data=sent, headers={"origin": BASE})


def test_readings_sent_again_under_their_key_are_stored_once(bench: OpenBench, job: int) -> None:
    phone = bench.phone()
    key = secrets.token_hex(16)
    first = post(phone, f"/jobs/{job}/readings", **GRID, once_key=key)
    assert first.status_code == 303
    count = len(bench.store.job(job).readings)
    for _ in range(3):
        again = post(phone, f"/jobs/{job}/readings", **GRID, once_key=key)
        assert (again.status_code, again.headers["location"]) == (303, first.headers["location"])
    assert len(bench.store.job(job).readings) == count
    post(phone, f"/jobs/{job}/readings", **GRID, once_key=secrets.token_hex(16))
    assert len(bench.store.job(job).readings) == 2 * count


def test_readings_with_a_mistake_leave_the_key_unused(bench: OpenBench, job: int) -> None:
    phone = bench.phone()
    key = secrets.token_hex(16)
    assert post(phone, f"/jobs/{job}/readings", red_cutoff="a lot", once_key=key).status_code == 422
    assert post(phone, f"/jobs/{job}/readings", once_key=key).status_code == 422
    assert post(phone, f"/jobs/{job}/readings", red_cutoff="48", once_key=key).status_code == 303
    assert len(bench.store.job(job).readings) == 1


def test_a_stale_form_leaves_the_key_unused(bench: OpenBench, job: int) -> None:
    phone = bench.phone()
    key = secrets.token_hex(16)
    sent = {"red_cutoff": "48", "once_key": key, "form_token": "old"}
    assert phone.post(f"/jobs/{job}/readings", data=sent, headers={"origin": BASE}).status_code == 403
    token = phone.get("/token").json()["token"]
    sent["form_token"] = token
    assert phone.post(f"/jobs/{job}/readings", data=sent, headers={"origin": BASE}).status_code == 303


def test_save_and_judge_whose_answer_was_lost_is_stored_once_under_the_forms_own_address(
    bench: OpenBench, job: int
) -> None:
    phone = bench.phone()
    key = secrets.token_hex(16)
    token = token_of(phone, "/people")
    sent = {**GRID, "once_key": key, "form_token": token}
    page = {"origin": BASE, "referer": f"{BASE}/jobs/{job}"}
    assert "/verdicts/" in phone.post(f"/jobs/{job}/verdict", data=sent, headers=page).headers["location"]
    count = len(bench.store.job(job).readings)
    assert count > 3
    again = phone.post(f"/jobs/{job}/readings", data=sent, headers=page)
    assert again.status_code == 303
    assert again.headers["location"].startswith(f"/jobs/{job}")
    assert phone.post(f"/jobs/{job}/verdict", data=sent, headers=page).status_code == 303
    assert len(bench.store.job(job).readings) == count


def test_a_reading_that_waited_was_taken_when_it_was_typed(bench: OpenBench, job: int) -> None:
    phone = bench.phone()
    post(phone, f"/jobs/{job}/readings", red_cutoff="48", whole_heater_current="650mA", once_waited_s="1800.5")
    post(phone, f"/jobs/{job}/readings", blue_cutoff="50", once_waited_s="0.2")
    now = bench.store.clock()
    taken = {(r.reading.gun, r.reading.kind): now - r.taken_at for r in bench.store.job(job).readings}
    assert dt.timedelta(minutes=29) < taken["red", "cutoff"] < dt.timedelta(minutes=31)
    assert dt.timedelta(minutes=29) < taken[None, "heater_current"] < dt.timedelta(minutes=31)
    assert taken["blue", "cutoff"] < dt.timedelta(minutes=1)


def test_a_wait_that_makes_no_sense_counts_for_nothing(bench: OpenBench, job: int) -> None:
    phone = bench.phone()
    for waited in ("-5", "nan", "inf", "1e9", "x", "9" * 12, str(LONGEST_WAIT_S + 1), "", "\u0661"):
        assert post(phone, f"/jobs/{job}/readings", red_cutoff="48", once_waited_s=waited).status_code == 303
        assert bench.store.clock() - bench.store.job(job).readings[-1].taken_at < dt.timedelta(minutes=1)


def test_findings_are_stored_once(bench: OpenBench, job: int) -> None:
    phone = bench.phone()
    key = secrets.token_hex(16)
    for _ in range(2):
        post(phone, f"/jobs/{job}/symptoms", is_raster_dim_all="present", was_raster_dim_all="", once_key=key)
    other = secrets.token_hex(16)
    for _ in range(2):
        answer = post(phone, f"/jobs/{job}/tests/v_getter", result="clear", once_key=other)
        assert answer.status_code == 303
    shown = bench.store.job(job).observations
    assert sum(o.symptom is not None for o in shown) == 1
    assert sum(o.test is not None for o in shown) == 1


def test_a_key_used_for_one_thing_does_not_hide_another(bench: OpenBench, job: int) -> None:
    phone = bench.phone()
    key = secrets.token_hex(16)
    post(phone, f"/jobs/{job}/readings", red_cutoff="48", once_key=key)
    answer = post(phone, f"/jobs/{new_job(bench.store)}/readings", red_cutoff="48", once_key=key)
    assert answer.status_code == 409
    assert "used for something else" in answer.text


def test_a_confirmation_counts_only_fresh_and_is_kept_once(bench: OpenBench, job: int) -> None:
    phone = bench.phone()
    path = f"/jobs/{job}/guard/test/d_bplus"
    asked = re.findall(r'name="confirmed" value="(\w+)"', phone.get(path).text)
    assert asked
    token = token_of(phone, "/people")
    sent = {"confirmed": asked, "new_person": "Wren", "form_token": token, "once_key": secrets.token_hex(16)}
    late = {**sent, "once_waited_s": str(CONFIRMED_WITHIN_S + 1)}
    answer = phone.post(path, data=late, headers={"origin": BASE})
    assert answer.status_code == 403
    assert "waited 61 s on the phone" in answer.text
    assert bench.store.confirmations(job) == ()
    for _ in range(2):
        assert phone.post(path, data=sent, headers={"origin": BASE}).status_code == 303
    assert len(bench.store.confirmations(job)) == len(asked)
    assert [p.name for p in bench.store.people()] == ["Wren"]


def test_the_token_route_gives_the_token_of_the_session_and_makes_one(bench: OpenBench) -> None:
    phone = bench.phone()
    assert phone.get("/token").json()["token"] == token_of(phone)
    assert bench.client().get("/token").status_code == 401
    fresh = bench.owner
    fresh.cookies.clear()
    answer = fresh.get("/token")
    assert "tubewright_session=" in answer.headers["set-cookie"]
    assert fresh.get("/token").json() == answer.json()
    assert answer.headers["cache-control"] == "no-store"


def test_every_form_that_may_wait_leads_where_it_is_stored_once(bench: OpenBench) -> None:
    visitor = Visitor(bench.store)
    full_job(visitor)
    phone = bench.phone()
    kept = [r for r in all_routes(bench.app.routes) if is_sent_once(getattr(r, "endpoint", None))]
    # The grid may be judged at once: its readings are kept under the key within that route.
    within = re.compile(r"^/jobs/\d+/verdict$")
    offered = set()
    for path in every_page(visitor):
        page = phone.get(path).text
        for form in re.findall(r"<form[^>]*data-outbox[^>]*>.*?</form>", page, re.DOTALL):
            assert "multipart" not in form.partition(">")[0]
            offered |= set(re.findall(r'\b(?:form)?action="([^"]+)"', form))
    assert len(offered) > 8
    left = [
        to
        for to in offered
        if not within.match(to) and not any("POST" in (r.methods or ()) and r.path_regex.match(to) for r in kept)
    ]
    assert left == []


def test_at_this_machine_forms_have_nothing_to_do_with_it(visitor: Visitor) -> None:
    job = visitor.open_job(heater_v="6.3")
    page = visitor.get(f"/jobs/{job}").text
    assert "outbox.js" not in page
    assert "data-pieces" not in visitor.get(f"/jobs/{job}/photos").text
