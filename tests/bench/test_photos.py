"""Photographs taken in, measured in the background, looked at, compared, and offered to the diagnosis."""

from __future__ import annotations

import io
import json
import re
import threading
from collections.abc import Iterator, Sequence
from html import unescape

import pytest
from httpx2 import Response
from PIL import Image

from bench.benches import ORIGIN, Visitor
from bench.pictured import add_measurement, better, made_up, small_photo
from measured import light, measurement
from tubewright.answers.measure_change import changes
from tubewright.answers.measurement import Figure, Measurement, Photo, Unsupported, checks, findings, refused
from tubewright.answers.measurement_json import to_json
from tubewright.bench import measuring, uploads
from tubewright.bench.measuring import MOST_WAITING, Task
from tubewright.bench.security import DRAWING_POLICY
from tubewright.case import Reading, Symptom
from tubewright.errors import InputError, RefusedError
from tubewright.files.measurements import measurement_from_json
from tubewright.knowledge.load import load_knowledge
from tubewright.picture.patterns.raster import Raster
from tubewright.records.store import Store


@pytest.fixture(autouse=True)
def no_worker_left(visitor: Visitor) -> Iterator[None]:
    yield
    visitor.app.state.measuring.close()


def task_of(visitor: Visitor, answer: Response) -> Task:
    """The task that a form started."""
    assert answer.status_code == 303, answer.text
    found = re.fullmatch(r"/jobs/(\d+)/measuring/([0-9a-f]+)", answer.headers["location"])
    assert found is not None, answer.headers["location"]
    task = visitor.app.state.measuring.find(int(found[1]), found[2])
    assert isinstance(task, Task)
    return task


def finished(visitor: Visitor, answer: Response) -> Task:
    task = task_of(visitor, answer)
    assert visitor.app.state.measuring.wait(task, 20)
    return task


def words(page: Response) -> str:
    """What a page says, without its tags."""
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page.text.partition("<main")[2])).split())


class Stuck:
    """A measurement that goes on until it is let go or called off."""

    def __init__(self) -> None:
        self.begun, self.go_on = threading.Event(), threading.Event()

    def __call__(self, photos: Sequence[Photo], **asked: object) -> Measurement:
        progress = asked["progress"]
        assert callable(progress)
        progress("looking for the pattern in one.jpg", 0.25)
        self.begun.set()
        assert self.go_on.wait(20)
        progress("solving", 0.5)
        return made_up(photos)


@pytest.fixture
def stuck(store: Store) -> Iterator[tuple[Visitor, Stuck]]:
    hold = Stuck()
    visitor = Visitor(store, measure=hold)
    yield visitor, hold
    hold.go_on.set()
    visitor.app.state.measuring.close()


# -- taken in --------------------------------------------------------------------------------


def test_a_photograph_is_kept_with_a_small_picture_and_measured(visitor: Visitor) -> None:
    job = visitor.open_job(diagonal_in="19", mount="vertical")
    answer = visitor.send_photos(
        job, ("one.jpg", small_photo()), stage="before", note="warm", picture_width_mm="366 mm", picture_height_mm="274"
    )
    task = finished(visitor, answer)
    assert task.state == "done"
    page = visitor.store.job(job)
    (photo,), (record,) = page.photos, page.measurements
    assert (photo.file_name, photo.stage, photo.note) == ("one.jpg", "before", "warm")
    kept = visitor.store.file(photo.sha256)
    assert (kept.media_type, kept.data) == ("image/jpeg", small_photo())
    assert json.loads(record.photos_json) == [photo.sha256]
    assert json.loads(record.settings_json) == {
        "raster": "", "picture_width_mm": 366.0, "picture_height_mm": 274.0, "diagonal_mm": 19 * 25.4,
        "glass_radius_mm": None, "mount": "vertical", "gun": "inline", "photos": ["one.jpg"],
    }  # fmt: skip
    assert (record.accepted, record.stage) == (True, "before")
    shown = visitor.get(answer.headers["location"])
    assert shown.url.path == f"/jobs/{job}/measurements/{record.id}"
    assert "Measured." in shown.text


def test_the_small_picture_is_small_and_carries_none_of_the_cameras_words(visitor: Visitor) -> None:
    job = visitor.open_job()
    whole = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F] = "Invented Camera Works"
    exif[0x0112] = 6  # held upright
    Image.open(io.BytesIO(small_photo())).resize((2400, 1800)).save(whole, "JPEG", exif=exif)
    visitor.send_photos(job, ("tall.jpg", whole.getvalue()), then="keep")
    (photo,) = visitor.store.job(job).photos
    answer = visitor.get(f"/jobs/{job}/photos/{photo.id}/preview")
    assert answer.headers["content-type"] == "image/jpeg"
    assert b"Invented" not in answer.content
    assert Image.open(io.BytesIO(answer.content)).size == (1200, 1600)
    assert b"Invented" in visitor.get(f"/jobs/{job}/photos/{photo.id}/file").content


@pytest.mark.parametrize(
    ("name", "data", "reason"),
    [
        ("empty.jpg", b"", "the file is empty"),
        ("notes.jpg", b"not a photograph at all", "this is text, not a photograph"),
        ("cut.jpg", small_photo()[:9000], "cut off"),
        ("drawing.jpg", b"<svg onload='alert(1)'/>", "a drawing"),
    ],
)
def test_what_is_no_photograph_is_refused_with_its_reason_and_not_kept(
    visitor: Visitor, name: str, data: bytes, reason: str
) -> None:
    job = visitor.open_job()
    answer = visitor.send_photos(job, (name, data))
    assert answer.status_code == 422
    assert reason in words(answer)
    assert name in words(answer)
    assert f"{name}: " in words(answer)
    page = visitor.store.job(job)
    assert (page.photos, page.measurements) == ((), ())


def test_a_good_photograph_is_measured_without_its_bad_neighbour(visitor: Visitor) -> None:
    job = visitor.open_job()
    finished(visitor, visitor.send_photos(job, ("one.jpg", small_photo()), ("two.jpg", b"no photograph")))
    page = visitor.store.job(job)
    assert [photo.file_name for photo in page.photos] == ["one.jpg"]
    shown = words(visitor.get(f"/jobs/{job}/measurements/{page.measurements[0].id}"))
    assert "two.jpg: left out. This is text, not a photograph" in shown


def test_only_keeping_measures_nothing_and_can_be_undone(visitor: Visitor) -> None:
    job = visitor.open_job()
    answer = visitor.send_photos(job, ("one.jpg", small_photo()), ("two.jpg", small_photo(1)), then="keep")
    shown = visitor.get(answer.headers["location"])
    assert "Photographs kept." in shown.text
    assert len(visitor.store.job(job).photos) == 2
    change = re.search(r'name="change" value="(\d+)"', shown.text)
    assert change is not None
    visitor.post("/undo", change=change[1], back=f"/jobs/{job}/photos")
    assert visitor.store.job(job).photos == ()
    assert visitor.store.job(job).measurements == ()


def test_nothing_chosen_is_said_at_the_field(visitor: Visitor) -> None:
    job = visitor.open_job()
    answer = visitor.client.post(
        f"/jobs/{job}/photos",
        data={"form_token": visitor.token(), "stage": "after", "then": "measure"},
        files=[("photos", ("", b""))],
        headers={"origin": ORIGIN},
    )
    assert answer.status_code == 422
    assert "no photograph was chosen" in answer.text
    assert re.search(r'value="after" checked', answer.text)


@pytest.mark.parametrize(
    ("field", "typed"),
    [("picture_width_mm", "366"), ("glass_radius_mm", "5"), ("raster", "no-such"), ("picture_height_mm", "tall")],
)
def test_a_wrong_field_stores_nothing(visitor: Visitor, field: str, typed: str) -> None:
    job = visitor.open_job()
    answer = visitor.send_photos(job, ("one.jpg", small_photo()), **{field: typed})
    assert answer.status_code == 422
    assert "nothing was stored" in answer.text
    assert visitor.store.job(job).photos == ()


# -- the guard -------------------------------------------------------------------------------


def multipart(visitor: Visitor, path: str, token: str, **headers: str) -> Response:
    return visitor.client.post(
        path,
        data={"form_token": token},
        files=[("photos", ("one.jpg", small_photo()))],
        headers={"origin": ORIGIN, **headers},
    )


def test_files_are_taken_at_one_address_only(visitor: Visitor) -> None:
    job, token = visitor.open_job(), visitor.token()
    for path in ("/people", f"/jobs/{job}", f"/jobs/{job}/measure", f"/jobs/{job}/photos/1/strike", "/api/assess"):
        assert multipart(visitor, path, token).status_code == 415, path
    assert visitor.store.job(job).photos == ()


@pytest.mark.parametrize("origin", ["http://example.org", "null", "http://127.0.0.1:9999"])
def test_photographs_from_another_site_are_not_taken(visitor: Visitor, origin: str) -> None:
    job = visitor.open_job()
    assert multipart(visitor, f"/jobs/{job}/photos", visitor.token(), origin=origin).status_code == 403
    assert visitor.store.job(job).photos == ()


@pytest.mark.parametrize("token", ["", "0" * 64])
def test_photographs_without_the_sessions_token_are_not_taken(visitor: Visitor, token: str) -> None:
    job = visitor.open_job()
    visitor.token()
    answer = multipart(visitor, f"/jobs/{job}/photos", token)
    assert answer.status_code == 403
    assert "Choose the photographs again" in answer.text
    assert visitor.store.job(job).photos == ()


def test_too_much_at_once_is_refused_with_the_limit(visitor: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "MOST_UPLOAD_BYTES", 20_000)
    job = visitor.open_job()
    answer = visitor.send_photos(job, ("one.jpg", small_photo()))
    assert answer.status_code == 413
    assert "at most 12 photographs at once, each of at most 160 MiB" in answer.text

    def pieces() -> Iterator[bytes]:
        yield b'--x\r\nContent-Disposition: form-data; name="photos"; filename="a.jpg"\r\n\r\n'
        for _ in range(40):
            yield b"y" * 1000

    kind = {"origin": ORIGIN, "content-type": "multipart/form-data; boundary=x"}
    unannounced = visitor.client.post(f"/jobs/{job}/photos", content=pieces(), headers=kind)
    assert unannounced.status_code == 413
    assert visitor.store.job(job).photos == ()


def test_one_photograph_too_large_is_refused_with_the_limit(visitor: Visitor, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(uploads, "LARGEST_FILE_BYTES", 3_000)
    monkeypatch.setattr("tubewright.bench.routes.photos.LARGEST_FILE_BYTES", 3_000)
    job = visitor.open_job()
    answer = visitor.send_photos(job, ("one.jpg", small_photo()))
    assert answer.status_code == 422
    assert "are kept" in words(answer)
    assert visitor.store.job(job).photos == ()


def test_too_many_files_are_refused(visitor: Visitor) -> None:
    job = visitor.open_job()
    answer = visitor.send_photos(job, *[(f"{n}.jpg", b"x") for n in range(uploads.MOST_FILES + 1)])
    assert answer.status_code == 413
    assert "at most 12 photographs" in answer.text


@pytest.mark.parametrize("body", [b"", b"no parts", b"--x\r\n\r\n", b"--x\r\nContent-Disposition: form-data\r\n\r\n1"])
def test_a_broken_form_is_refused_quietly(visitor: Visitor, body: bytes) -> None:
    job = visitor.open_job()
    kind = {"origin": ORIGIN, "content-type": "multipart/form-data; boundary=x"}
    answer = visitor.client.post(f"/jobs/{job}/photos", content=body, headers=kind)
    assert answer.status_code in {400, 403}
    without = visitor.client.post(
        f"/jobs/{job}/photos", content=body, headers={**kind, "content-type": "multipart/form-data"}
    )
    assert without.status_code == 400


@pytest.mark.parametrize(
    ("sent", "called"),
    [
        ("..\\..\\one.jpg", "one.jpg"),
        ("/etc/passwd", "passwd"),
        ("<script>alert(1).jpg", "<script>alert(1).jpg"),
        ("", "photograph"),
        ("...", "photograph"),
        ("a" * 300 + ".jpg", "a" * 96 + ".jpg"),
        ("one\u202egpj.exe", "one gpj.exe"),
    ],
)
def test_names_of_files_are_words_and_never_paths(sent: str, called: str) -> None:
    assert uploads.plain_name(sent) == called


def test_a_nasty_name_is_shown_as_text(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.send_photos(job, ('"><script>alert(1)<.jpg', small_photo()), then="keep")
    page = visitor.get(f"/jobs/{job}/photos").text
    assert "<script>alert" not in page
    assert "alert(1)" in page
    saved = visitor.get(f"/jobs/{job}/photos/1/file").headers["content-disposition"]
    assert saved == 'attachment; filename="photograph-1.jpg"'


# -- files out -------------------------------------------------------------------------------


def test_files_are_kept_by_the_browser_by_their_hash(visitor: Visitor) -> None:
    job = visitor.open_job()
    record = add_measurement(visitor.store, job)
    for path in (f"/jobs/{job}/photos/1/preview", f"/jobs/{job}/measurements/{record.id}/overlay"):
        first = visitor.get(path)
        assert first.status_code == 200
        assert first.headers["content-disposition"].startswith("inline")
        again = visitor.get(path, headers={"if-none-match": first.headers["etag"]})
        assert (again.status_code, again.content) == (304, b"")


def test_a_drawing_may_show_its_photograph_and_do_nothing(visitor: Visitor) -> None:
    job = visitor.open_job()
    record = add_measurement(visitor.store, job)
    whole = visitor.get(f"/jobs/{job}/measurements/{record.id}/overlay")
    assert whole.headers["content-type"].startswith("image/svg+xml")
    assert whole.headers["content-security-policy"] == DRAWING_POLICY
    assert "script" not in DRAWING_POLICY
    assert DRAWING_POLICY.startswith("default-src 'none'")
    assert whole.headers["x-content-type-options"] == "nosniff"
    for part in ("picture", "beside"):
        cut = visitor.get(f"/jobs/{job}/measurements/{record.id}/overlay?part={part}")
        assert cut.headers["content-security-policy"] == DRAWING_POLICY
        box = re.search(r'viewBox="(\d+) (\d+) (\d+) (\d+)"', cut.text)
        assert box is not None
        assert int(box[3]) < 1480
        assert f'<rect x="{box[1]}" y="{box[2]}" width="100%"' in cut.text
    assert visitor.get(f"/jobs/{job}/measurements/{record.id}/overlay?part=none").status_code == 404


def test_what_belongs_to_another_job_is_not_found(visitor: Visitor) -> None:
    job, other = visitor.open_job(), visitor.open_job(label="Ferry hall")
    record = add_measurement(visitor.store, job)
    for path in ("photos/1/preview", "photos/1/file", f"measurements/{record.id}", f"measurements/{record.id}/overlay"):
        assert visitor.get(f"/jobs/{other}/{path}").status_code == 404, path
    for path in ("photos/1/strike", f"measurements/{record.id}/strike", f"measurements/{record.id}/findings"):
        assert visitor.post(f"/jobs/{other}/{path}", version="1").status_code == 404, path
    assert visitor.get(f"/jobs/{other}/measurements/compare?before={record.id}&after={record.id}").status_code == 404


# -- under way -------------------------------------------------------------------------------


def test_progress_is_told_and_leads_on(stuck: tuple[Visitor, Stuck]) -> None:
    visitor, hold = stuck
    job = visitor.open_job()
    answer = visitor.send_photos(job, ("one.jpg", small_photo()))
    task = task_of(visitor, answer)
    assert hold.begun.wait(10)
    page = visitor.get(answer.headers["location"])
    assert "Looking for the pattern in one.jpg" in page.text
    assert '<noscript><meta http-equiv="refresh" content="3"></noscript>' in page.text
    now = visitor.get(answer.headers["location"] + "/now").json()
    assert (now["over"], now["words"]) == (False, "looking for the pattern in one.jpg")
    assert 20 < now["percent"] < 60
    assert answer.headers["location"] in visitor.get(f"/jobs/{job}/photos").text
    hold.go_on.set()
    assert visitor.app.state.measuring.wait(task, 10)
    assert visitor.get(answer.headers["location"] + "/now").json()["over"] is True
    assert visitor.get(answer.headers["location"]).url.path == f"/jobs/{job}/measurements/1"


def test_a_measurement_can_be_called_off(stuck: tuple[Visitor, Stuck]) -> None:
    visitor, hold = stuck
    job = visitor.open_job()
    first = visitor.send_photos(job, ("one.jpg", small_photo()))
    second = visitor.send_photos(job, ("two.jpg", small_photo(1)))
    assert hold.begun.wait(10)
    assert "1 before it" not in visitor.get(first.headers["location"]).text
    for answer in (second, first):
        assert visitor.post(answer.headers["location"] + "/cancel").status_code == 303
    assert task_of(visitor, second).state == "cancelled"
    hold.go_on.set()
    assert finished(visitor, first).state == "cancelled"
    assert "The photographs are kept" in visitor.get(first.headers["location"]).text
    assert visitor.store.job(job).measurements == ()
    assert len(visitor.store.job(job).photos) == 2


def test_the_line_is_bounded(stuck: tuple[Visitor, Stuck]) -> None:
    visitor, hold = stuck
    job = visitor.open_job()
    visitor.send_photos(job, ("one.jpg", small_photo()))
    assert hold.begun.wait(10)
    for _ in range(MOST_WAITING):
        assert visitor.post(f"/jobs/{job}/measure", photo="1").status_code == 303
    full = visitor.post(f"/jobs/{job}/measure", photo="1")
    assert full.status_code == 422
    assert "are waiting already" in full.text


def test_our_own_failure_is_told_and_logged(store: Store, caplog: pytest.LogCaptureFixture) -> None:
    def broken(photos: Sequence[Photo], **asked: object) -> Measurement:
        raise ZeroDivisionError("a secret of the inside")

    visitor = Visitor(store, measure=broken)
    job = visitor.open_job()
    answer = visitor.send_photos(job, ("one.jpg", small_photo()))
    assert finished(visitor, answer).state == "failed"
    page = visitor.get(answer.headers["location"])
    assert "Something went wrong on our side" in page.text
    assert "secret" not in page.text
    assert "a secret of the inside" in caplog.text
    # The worker is not lost with it.
    assert finished(visitor, visitor.post(f"/jobs/{job}/measure", photo="1")).state == "failed"
    visitor.app.state.measuring.close()


def test_what_was_under_way_when_the_bench_stopped_is_said_to_be_gone(stuck: tuple[Visitor, Stuck]) -> None:
    visitor, hold = stuck
    job = visitor.open_job()
    answer = visitor.send_photos(job, ("one.jpg", small_photo()))
    assert hold.begun.wait(10)
    hold.go_on.set()
    assert visitor.app.state.measuring.close() == 1
    assert visitor.store.job(job).measurements == ()
    later = Visitor(visitor.store)
    page = later.get(answer.headers["location"])
    assert page.url.path == f"/jobs/{job}/photos"
    assert "when the bench stopped" in page.text
    assert "one.jpg" in page.text
    with pytest.raises(RefusedError):
        visitor.app.state.measuring.start(job, [], measuring.Settings(), stage=None, by=None)


def test_a_refused_measurement_is_kept_with_how_to_shoot_better(store: Store) -> None:
    def dark(photos: Sequence[Photo], **asked: object) -> Measurement:
        return refused("the picture is too dark", "expose for 1/15 s", (), None)

    visitor = Visitor(store, measure=dark)
    job = visitor.open_job()
    finished(visitor, visitor.send_photos(job, ("one.jpg", small_photo())))
    (record,) = store.job(job).measurements
    assert (record.accepted, record.overlay_sha256) == (False, None)
    shown = words(visitor.get(f"/jobs/{job}/measurements/{record.id}"))
    assert "Not measured: the picture is too dark" in shown
    assert "Expose for 1/15 s" in shown or "expose for 1/15 s" in shown
    assert "Take over" not in shown
    visitor.app.state.measuring.close()


# -- a measurement ---------------------------------------------------------------------------


def test_a_measurement_is_told_in_words_figures_and_its_drawing(visitor: Visitor) -> None:
    job = visitor.open_job()
    record = add_measurement(visitor.store, job)
    page = visitor.get(f"/jobs/{job}/measurements/{record.id}")
    said = words(page)
    for told in (
        "Converged within 0.20 mm in the middle",
        "bottom right",
        "3.0 % ± 0.1",
        "The camera is held at 22 degrees to the glass",
        "What would settle it: A photograph of the survey of light",
        "Top curl of 3.20 mm to the right settling in 18 lines",
    ):
        assert told in said
    assert page.text.count('<tr><th scope="row">') >= 9
    alt = re.search(r'<img src="[^"]*overlay" [^>]*alt="([^"]+)"', page.text)
    assert alt is not None
    assert "mm by zone" in alt[1]


def test_ticked_findings_become_symptoms_as_one_change(visitor: Visitor) -> None:
    job = visitor.open_job()
    record = add_measurement(visitor.store, job)
    visitor.store.add_symptom(job, Symptom(id="misconv_corner", present=True))
    answer = visitor.client.post(
        f"/jobs/{job}/measurements/{record.id}/findings",
        content=f"take=top_curl&take=raster_tilt&take=misconv_corner&take=colour_missing&form_token={visitor.token()}",
        headers={"origin": ORIGIN, "content-type": "application/x-www-form-urlencoded"},
        follow_redirects=False,
    )
    case = visitor.store.case_of(job)
    assert {s.id: s.present for s in case.symptoms} == {"misconv_corner": True, "top_curl": True, "raster_tilt": False}
    page = visitor.get(answer.headers["location"])
    assert "Findings taken over" in page.text
    assert page.text.count("noted already") == 3
    symptoms = visitor.get(f"/jobs/{job}/symptoms").text
    assert re.search(r'name="is_top_curl" value="present" checked', symptoms)
    assert re.search(r'name="is_raster_tilt" value="absent" checked', symptoms)
    change = re.search(r'name="change" value="(\d+)"', page.text)
    assert change is not None
    visitor.post("/undo", change=change[1], back=f"/jobs/{job}/symptoms")
    assert [s.id for s in visitor.store.case_of(job).symptoms] == ["misconv_corner"]


def test_ticked_shortfalls_become_readings_once(visitor: Visitor) -> None:
    job = visitor.open_job()
    record = add_measurement(visitor.store, job, answer=measurement(**light()))
    place = f"/jobs/{job}/measurements/{record.id}"
    page = visitor.get(place).text
    assert re.search(r"Green</strong> falls behind its own law: 30 ± 1\s%", page)
    body = f"take=shortfall-green&take=top_curl&form_token={visitor.token()}"
    for _ in range(2):  # a second time adds nothing
        visitor.client.post(
            f"{place}/findings",
            content=body,
            headers={"origin": ORIGIN, "content-type": "application/x-www-form-urlencoded"},
            follow_redirects=False,
        )
    case = visitor.store.case_of(job)
    told = [(r.gun, r.kind, r.value, r.spread, r.stage) for r in case.readings]
    assert told == [("green", "shortfall_seen", 0.3, 0.01, "before")]
    assert case.readings[0].at == record.at
    assert re.search(r'id="take-shortfall-green"[^>]* checked disabled', visitor.get(place).text)
    listed = visitor.get(f"/jobs/{job}").text
    assert "shortfall in a photograph" in listed
    assert "30 ± 1" in listed


def test_changing_a_shortfall_keeps_its_spread(visitor: Visitor) -> None:
    job = visitor.open_job()
    given = Reading(gun="red", kind="shortfall_seen", value=0.3, unit="rel", spread=0.02)
    reading = visitor.store.add_reading(job, given)
    assert "0.3 rel" in visitor.get(f"/jobs/{job}/readings/{reading.id}").text
    visitor.post(f"/jobs/{job}/readings/{reading.id}", value="25 %", version=str(reading.version))
    changed = visitor.store.case_of(job).readings[0]
    assert (changed.value, changed.unit, changed.spread) == (0.25, "rel", 0.02)


def test_nothing_ticked_changes_nothing(visitor: Visitor) -> None:
    job = visitor.open_job()
    record = add_measurement(visitor.store, job)
    assert visitor.post(f"/jobs/{job}/measurements/{record.id}/findings").status_code == 303
    assert visitor.store.case_of(job).symptoms == ()


def test_measuring_again_begins_with_what_was_said_before(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.send_photos(job, ("two.jpg", small_photo(1)), then="keep")
    finished(visitor, visitor.send_photos(job, ("one.jpg", small_photo()), raster="arcade-15k-320x240", stage="after"))
    (record,) = visitor.store.job(job).measurements
    page = visitor.get(f"/jobs/{job}/measure?like={record.id}").text
    assert re.search(r'value="arcade-15k-320x240" selected', page)
    assert re.search(r'name="stage" value="after" checked', page)
    ticked = re.findall(r'name="photo" value="(\d+)" checked', page)
    assert ticked == [str(next(p.id for p in visitor.store.job(job).photos if p.file_name == "one.jpg"))]
    finished(visitor, visitor.post(f"/jobs/{job}/measure", photo=ticked[0], glass_radius_mm="900"))
    assert json.loads(visitor.store.job(job).measurements[-1].settings_json)["glass_radius_mm"] == 900
    assert visitor.post(f"/jobs/{job}/measure").status_code == 422


def test_photographs_and_measurements_are_struck_out_and_come_back(visitor: Visitor) -> None:
    job = visitor.open_job()
    record = add_measurement(visitor.store, job)
    for path, version in ((f"measurements/{record.id}", record.version), ("photos/1", 1)):
        answer = visitor.post(f"/jobs/{job}/{path}/strike", version=str(version))
        assert answer.status_code == 303
    page = visitor.store.job(job)
    assert (page.photos, page.measurements) == ((), ())
    history = visitor.get("/history").text
    assert "Photograph struck out" in history
    assert "Measurement struck out" in history
    assert "before.jpg" in history
    assert "sha256" not in history
    for change in re.findall(r'name="change" value="(\d+)"', history)[:2]:
        visitor.post("/undo", change=change, back="/history")
    page = visitor.store.job(job)
    assert (len(page.photos), len(page.measurements)) == (1, 1)


def test_a_stale_strike_is_refused(visitor: Visitor) -> None:
    job = visitor.open_job()
    record = add_measurement(visitor.store, job)
    assert visitor.post(f"/jobs/{job}/measurements/{record.id}/strike", version="7").status_code == 409
    assert len(visitor.store.job(job).measurements) == 1


def test_the_display_lists_what_was_measured(visitor: Visitor) -> None:
    job = visitor.open_job()
    record = add_measurement(visitor.store, job)
    page = visitor.get("/displays/1").text
    assert f"/jobs/{job}/measurements/{record.id}" in page
    assert "Converged within 0.20 mm" in page


def test_a_damaged_record_says_what_to_do(visitor: Visitor) -> None:
    job = visitor.open_job()
    record = visitor.store.save_measurement(
        job, photo_shas=[], settings_json="[]", answer_json='{"format": 9}', accepted=True, model_version="1",
        headline="from elsewhere",
    )  # fmt: skip
    answer = visitor.get(f"/jobs/{job}/measurements/{record.id}")
    assert answer.status_code == 422
    assert "Measure again" in answer.text


# -- before and after ------------------------------------------------------------------------


def test_before_and_after_are_offered_and_told_apart(visitor: Visitor) -> None:
    job = visitor.open_job()
    before = add_measurement(visitor.store, job)
    assert "See them side by side" not in visitor.get(f"/jobs/{job}/photos").text
    after = add_measurement(visitor.store, job, stage="after")
    link = f"/jobs/{job}/measurements/compare?before={before.id}&amp;after={after.id}"
    assert link in visitor.get(f"/jobs/{job}/photos").text
    page = visitor.get(unescape(link))
    said = words(page)
    assert "1 of 43 figures changed beyond their spread" in said
    assert "sideways bend of the first line, mm 3.20 ± 0.06 0.30 ± 0.06 -2.90 ± 0.08, smaller" in said
    assert "no change beyond the spread" in said
    assert "magnify their arrows differently" not in said
    assert page.text.count("?part=picture") == 2
    assert visitor.get(f"/jobs/{job}/measurements/compare").text.count("?part=picture") == 2


def test_one_measurement_alone_is_nothing_to_compare(visitor: Visitor) -> None:
    job = visitor.open_job()
    add_measurement(visitor.store, job)
    assert "It takes two measurements" in visitor.get(f"/jobs/{job}/measurements/compare").text


def test_a_change_counts_beyond_its_spread_only() -> None:
    """0.3 less 3.2, each ± 0.06: the difference has sqrt(2) x 0.06, by the rule for independent errors."""
    found = {(c.group, c.about): c for c in changes(measurement(), better())}
    curl = found["Top curl", "sideways bend of the first line"]
    assert curl.by is not None
    assert curl.by.value == pytest.approx(-2.9)
    assert curl.by.sd == pytest.approx(0.06 * 2**0.5)
    assert curl.change == "smaller"
    assert found["Focus", "width of the spot, middle"].change == "same"
    assert not any(group == "Guns" for group, _ in found), "neither of the two shows the guns"
    with_light = {(c.group, c.about): c for c in changes(measurement(), measurement(**light()))}
    reserve = with_light["Guns", "green: emission reserve at full drive"]
    assert (reserve.change, reserve.by) == ("unknown", None)


# -- read back -------------------------------------------------------------------------------


@pytest.mark.parametrize("kept", [measurement(), measurement(**light()), refused("too dark", "more light", (), None)])
def test_a_kept_measurement_reads_back_as_it_was(kept: Measurement) -> None:
    body = json.loads(json.dumps(to_json(kept)))
    rasters: dict[str, Raster] = {kept.raster.name: kept.raster} if kept.raster else {}
    again = json.loads(json.dumps(to_json(measurement_from_json(json.dumps(body), rasters))))
    # The marks are not kept, so there is no grid to draw arrows on; all else is the same.
    for whole in (body, again):
        if whole["convergence"]:
            whole["convergence"].pop("grid")
    assert _close(again, body)


def _close(one: object, other: object) -> bool:
    """The same, but for the last digit that a spread was rounded to."""
    if isinstance(one, dict) and isinstance(other, dict):
        return one.keys() == other.keys() and all(_close(one[key], other[key]) for key in one)
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(_close, one, other))
    if isinstance(one, float) and isinstance(other, float):
        return one == pytest.approx(other, rel=1e-3, abs=1e-4)
    return one == other


def test_what_is_read_back_is_judged_as_what_was_measured() -> None:
    knowledge = load_knowledge()
    kept = measurement(**light())
    again = measurement_from_json(json.dumps(to_json(kept)), {})
    told = [(f.symptom, f.state, f.words) for f in findings(kept, knowledge)]
    assert [(f.symptom, f.state, f.words) for f in findings(again, knowledge)] == told
    for one, other in zip(checks(kept, knowledge), checks(again, knowledge), strict=True):
        assert isinstance(one.found, Figure) == isinstance(other.found, Figure), one.about
        if isinstance(one.found, Unsupported):
            assert one.found.would_settle


def test_a_body_of_another_kind_is_refused() -> None:
    for text in ("", "[]", "{}", '{"format": 1}', '{"format": 2, "unsupported": {}}'):
        with pytest.raises(InputError, match="read back"):
            measurement_from_json(text, {})
