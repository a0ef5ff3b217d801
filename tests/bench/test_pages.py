"""Every page answers, keeps what was typed, shows faults at their fields, and leads on."""

from __future__ import annotations

import re

import pytest

from bench.benches import ORIGIN, Visitor
from bench.browsing import Fields, every_page, full_job
from samples import sample_answer
from tubewright.answers.assessment import to_json


def test_every_page_answers_and_labels_its_fields(visitor: Visitor) -> None:
    full_job(visitor)
    for path in every_page(visitor):
        answer = visitor.get(path)
        assert answer.status_code == 200, path
        assert answer.text.count("<main") == 1
        assert re.search(r"<h1[ >]", answer.text), path
        fields = Fields(answer.text)
        for name, field in fields.inputs.items():
            if field.get("type") not in {"hidden", "radio"}:
                assert field.get("id") in fields.labels, f"{path}: {name} has no label"


def test_every_link_leads_somewhere(visitor: Visitor) -> None:
    full_job(visitor)
    links = {
        link for path in every_page(visitor) for link in re.findall(r'(?:href|src)="(/[^"#]*)"', visitor.get(path).text)
    }
    links = {link.replace("&amp;", "&") for link in links}
    # Of the long lists a few are enough.
    tests = sorted(link for link in links if re.match(r"/jobs/1/tests/", link))
    for link in sorted(links - set(tests[3:])):
        assert visitor.get(link).status_code == 200, link


def test_an_empty_shop_says_what_to_do_first(visitor: Visitor) -> None:
    text = visitor.get("/").text
    assert "put your first display on the bench" in text
    assert 'href="/jobs/new"' in text


def test_the_board_shows_what_each_job_waits_for_and_the_last_decision(visitor: Visitor) -> None:
    visitor.open_job(label="Ferry hall, left", waits_for="a new socket")
    full_job(visitor)
    text = visitor.get("/").text
    assert "for a new socket" in text
    assert "Soak: heater at rated voltage" in text
    assert "Soak the red gun overnight" in text
    waiting = visitor.get("/?state=waiting").text
    assert "Ferry hall" in waiting
    assert "Pier arcade" not in waiting
    found = visitor.get("/?q=ferry").text
    assert "Ferry hall" in found
    assert "Pier arcade" not in found


# -- readings ---------------------------------------------------------------------------------


def test_a_job_just_opened_can_be_taken_back(visitor: Visitor) -> None:
    answer = visitor.post("/jobs/new", label="Ferry hall")
    text = visitor.get(answer.headers["location"]).text
    fields = dict(re.findall(r'name="(change|back)" value="([^"]*)"', text.partition('action="/undo"')[2]))
    after = visitor.post("/undo", **fields)
    assert after.headers["location"].startswith("/?")
    assert visitor.get(after.headers["location"]).status_code == 200
    assert visitor.store.board().rows == ()


def test_drawings_are_served_once_and_asked_for_by_their_content(visitor: Visitor) -> None:
    job = full_job(visitor)
    address = f"/jobs/{job}/verdicts/1/options.svg?theme=dark&size=wide"
    first = visitor.get(address)
    assert first.headers["content-type"].startswith("image/svg+xml")
    assert visitor.get(address, headers={"if-none-match": first.headers["etag"]}).status_code == 304
    assert visitor.get(address.replace("dark", "light")).headers["etag"] != first.headers["etag"]
    assert visitor.get(f"/jobs/{job}/verdicts/1/secrets.svg").status_code == 404


def test_a_picture_has_its_figures_in_words(visitor: Visitor) -> None:
    job = full_job(visitor)
    text = visitor.get(f"/jobs/{job}/verdict").text
    assert re.search(r'alt="Years each option is likely to last[^"]*about 6 years', text)
    assert re.search(r'alt="Emission of each gun[^"]*red gun: 50', text)


# -- the shop ---------------------------------------------------------------------------------


def test_people_are_chosen_once_and_named_beside_what_they_wrote(visitor: Visitor) -> None:
    visitor.post("/people", name="Ida Quill")
    job = visitor.open_job()
    visitor.post(f"/jobs/{job}/readings", red_cutoff="48")
    assert visitor.store.job(job).readings[0].person == "Ida Quill"
    assert "Ida Quill" in visitor.get(f"/jobs/{job}").text
    visitor.post("/people/choose", person="")
    visitor.post(f"/jobs/{job}/readings", green_cutoff="50")
    assert visitor.store.job(job).readings[-1].person == ""


def test_history_names_what_changed_and_takes_it_back_once(visitor: Visitor) -> None:
    job = visitor.open_job()
    visitor.post(f"/jobs/{job}/readings", red_cutoff="48")
    text = visitor.get("/history").text
    assert "Reading added" in text
    change = re.search(r'name="change" value="(\d+)"', text)
    assert change is not None
    visitor.post("/undo", change=change[1], back="/history")
    assert visitor.store.job(job).readings == ()
    after = visitor.get("/history").text
    assert "Taken back" in after
    assert f'name="change" value="{change[1]}"' not in after


def test_the_theme_is_remembered(visitor: Visitor) -> None:
    visitor.post("/theme", theme="dark", back="/tubes")
    assert 'data-theme="dark"' in visitor.get("/tubes").text
    visitor.post("/theme", theme="purple", back="/")
    assert 'data-theme="auto"' in visitor.get("/").text


def test_heater_answers_as_the_command_line_does(visitor: Visitor) -> None:
    rms = visitor.get("/heater?work=rms&height=22.28&width=12&line=15.7343&shape=half_sine").text
    assert "True RMS: 6.30 V" in rms
    assert "would show 4.87 V" in rms
    assert "1.8 ohm" in visitor.get("/heater?work=resistor&source=7.4&target=6.3&current=0.6").text
    assert "wind 4, which give 5.60 V" in visitor.get("/heater?work=turns&wanted=6.3&trial=4.2&trial_turns=3").text
    assert rms.find("Before you reach in") < rms.find("True RMS: 6.30")


@pytest.mark.parametrize(
    "query",
    [
        "work=rms&height=x&width=12&line=15.7",
        "work=rms",
        "work=rms&height=20&width=100&line=15.7",
        "work=resistor&source=5&target=6.3&current=0.6",
        "work=turns&wanted=6.3&trial=0&trial_turns=3",
    ],
)
def test_heater_says_what_does_not_fit(visitor: Visitor, query: str) -> None:
    answer = visitor.get(f"/heater?{query}")
    assert answer.status_code == 422
    assert 'aria-invalid="true"' in answer.text


def test_tubes_move_between_displays(visitor: Visitor) -> None:
    visitor.open_job()
    visitor.open_job(label="Ferry hall")
    visitor.post("/displays/2/take-out")
    assert visitor.store.display(2).tube_id is None
    visitor.post("/displays/1/fit", tube="2")
    assert visitor.store.display(1).tube_id == 2
    text = visitor.get("/tubes/2").text
    assert "Ferry hall" in text
    assert "Pier arcade" in text


@pytest.mark.parametrize(
    ("kind", "field", "mine", "theirs"),
    [
        ("displays", "diagonal_in", "20", "25"),
        ("tubes", "heater_v", "6.3", "12"),
    ],
)
def test_two_people_at_one_record_lose_nothing(visitor: Visitor, kind: str, field: str, mine: str, theirs: str) -> None:
    visitor.open_job()
    address = f"/{kind}/1/edit"
    version = str(Fields(visitor.get(address).text).inputs["version"]["value"])
    same = {"label": "Pier arcade, machine 7", "version": version}
    assert visitor.post(address, **same, **{field: theirs}).status_code == 303
    answer = visitor.post(address, **same, **{field: mine})
    assert answer.status_code == 409
    compared = answer.text.partition("As it stands now")[2].partition("</section>")[0]
    assert theirs in compared
    assert mine in compared
    fields = Fields(answer.text).inputs
    assert fields[field]["value"] == mine
    again = {**same, "version": str(fields["version"]["value"]), field: mine}
    assert visitor.post(address, **again).status_code == 303
    stored = visitor.store.display(1).display.diagonal_in if kind == "displays" else visitor.store.tube(1).tube.heater_v
    assert stored == float(mine)


@pytest.mark.parametrize("address", ["/displays/1/edit", "/tubes/1/edit", "/tubes/new", "/people", "/instruments"])
def test_a_form_with_a_fault_keeps_what_was_typed(visitor: Visitor, address: str) -> None:
    visitor.open_job()
    typed = {
        "version": "1",
        "label": "x" * 500,
        "name": "",
        "notes": "kept as typed",
        "heater_v": "warm",
        "scan_khz": "?",
    }
    answer = visitor.post(address, **typed)
    assert answer.status_code == 422
    assert "nothing was stored" in answer.text
    assert 'aria-invalid="true"' in answer.text
    if address != "/people":
        assert "kept as typed" in answer.text


def test_an_unknown_record_is_a_page_of_its_own(visitor: Visitor) -> None:
    for path in ("/jobs/7", "/displays/7", "/tubes/7", "/tubes/7/years.svg", "/jobs/7/verdict", "/nothing"):
        answer = visitor.get(path)
        assert answer.status_code == 404
        assert "To the board" in answer.text


# -- programs -----------------------------------------------------------------------------------


def test_programs_get_the_same_bodies(visitor: Visitor) -> None:
    job = full_job(visitor)
    case = visitor.get(f"/api/jobs/{job}/case").json()
    assert case["format"] == 1
    assert len(case["readings"]) == 6
    assert visitor.get(f"/api/jobs/{job}/assess").json() == to_json(sample_answer())
    answer = visitor.client.post("/api/assess", json=case)
    assert answer.status_code == 200
    assert answer.json() == to_json(sample_answer())
    assert visitor.get("/api/jobs/99/case").status_code == 404
    assert visitor.get("/api/jobs/99/case").json()["faults"]


@pytest.mark.parametrize(
    "body",
    [
        b"",
        b"{",
        b"[]",
        b'{"format": 1, "format": 1}',
        b'{"format": 2}',
        b'{"format": 1, "x": 1}',
        b'{"format": 1, "readings": [{"kind": "cutoff", "gun": "red", "value": NaN, "unit": "V"}]}',
        b"\xff\xfe",
        b"[" * 100_000,
    ],
)
def test_a_bad_case_is_answered_with_its_faults(visitor: Visitor, body: bytes) -> None:
    answer = visitor.client.post(
        "/api/assess", content=body, headers={"content-type": "application/json", "origin": ORIGIN}
    )
    assert answer.status_code == 422
    assert answer.json()["faults"]
