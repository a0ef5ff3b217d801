"""The page of the proof: before and after side by side, drawn and in words, and the papers given out from it."""

from __future__ import annotations

import io
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Final
from xml.etree import ElementTree as ET

import pypdf
import pytest
from jsonschema_rs import Draft202012Validator

from bench.benches import Visitor, new_store
from bench.pictured import add_measurement
from bench.proven import proven_job
from grey_bench import made_up
from tubewright.answers.greyscale import Control, grey_target
from tubewright.answers.greyscale_course import GreyRound, grey_course
from tubewright.answers.greyscale_json import readings_json
from tubewright.answers.proof_json import to_json
from tubewright.bench.papers import Sheet, compare_job, give_out, print_again
from tubewright.case import Reading
from tubewright.files.proof_schema import proof_schema
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import Store, open_store

JOB: Final = 1


KNOWLEDGE: Final = load_knowledge()


@pytest.fixture(scope="module")
def proven(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A shop with the job in it (number 1): every test works on a copy of its own."""
    path = tmp_path_factory.mktemp("proven") / "proven.sqlite3"
    with open_store(path) as made:
        assert proven_job(made) == JOB
    return path


@pytest.fixture
def store(tmp_path: Path, proven: Path) -> Iterator[Store]:
    with new_store(tmp_path, proven) as opened:
        yield opened


@pytest.fixture
def visitor(store: Store) -> Visitor:
    return Visitor(store, knowledge=KNOWLEDGE)


def pages_of(pdf: bytes) -> int:
    return len(pypdf.PdfReader(io.BytesIO(pdf)).pages)


def test_both_sides_stand_on_the_page_with_their_words(visitor: Visitor, store: Store) -> None:
    page = visitor.get(f"/jobs/{JOB}/proof").text
    assert ">Proof<" in visitor.get(f"/jobs/{JOB}").text
    for wanted in (
        "White up from", "Set others side by side", "at 6 hours a week", "0.33 (0.30 to 0.36)", "0.58 (0.53 to 0.63)",
        "no change beyond doubt", "Arrows 10 times as long as the errors, on both sides alike",
        "The red cathode was cleaned with a small current: it helped.", "Convergence before, away from green",
        "worst error, mm", "Look at the customer&#39;s sheet",
    ):  # fmt: skip
        assert wanted in page or wanted.replace("&#39;", "'") in page, wanted
    photos = [p.id for p in store.job(JOB).photos]
    for number in photos:
        assert f"/photos/{number}/preview" in page


def test_every_drawing_that_the_page_names_is_there_and_in_both_themes(visitor: Visitor, store: Store) -> None:
    page = visitor.get(f"/jobs/{JOB}/proof").text
    addresses = set(re.findall(r'(?:src|srcset)="(/jobs/\d+/proof/[^"]+)"', page))
    assert {a.split("?")[0].rpartition("/")[2] for a in addresses} == {
        "light.svg", "life.svg", "convergence-before.svg", "convergence-after.svg", "shape-before.svg",
        "shape-after.svg",
    }  # fmt: skip
    for address in addresses:
        answer = visitor.get(address.replace("&amp;", "&"))
        assert answer.status_code == 200, address
        assert ET.fromstring(answer.text).tag.endswith("svg")  # noqa: S314 - our own
    for name in ("nothing.svg", "convergence-now.svg", "nothing.pdf"):
        assert visitor.get(f"/jobs/{JOB}/proof/{name}").status_code == 404


def test_a_bare_job_says_what_is_missing_and_draws_nothing(visitor: Visitor) -> None:
    job = visitor.open_job()
    page = visitor.get(f"/jobs/{job}/proof").text
    assert "No photograph before the work" in page
    assert "was not measured after the work" in page
    assert "is not known" in page
    assert "Error maps" not in page
    assert visitor.get(f"/jobs/{job}/proof/convergence-before.svg").status_code == 404
    for sheet in ("customer", "bench"):
        assert visitor.get(f"/jobs/{job}/proof/{sheet}.pdf").content.startswith(b"%PDF")


def test_other_pictures_can_be_set_side_by_side_and_go_into_the_papers(visitor: Visitor, store: Store) -> None:
    third = add_measurement(store, JOB, stage="before")
    kept = store.job(JOB)
    first, last = kept.measurements[0].id, kept.measurements[1].id
    page = visitor.get(f"/jobs/{JOB}/proof").text
    assert f"/measurements/{third.id}" in page  # the newest before
    query = f"before={first}&after={last}&before_photo={kept.photos[1].id}&after_photo={kept.photos[0].id}"
    page = visitor.get(f"/jobs/{JOB}/proof?{query}").text
    assert f'href="/jobs/{JOB}/measurements/{first}"' in page
    assert f'name="before" value="{first}"' in page  # and stays so in what is given out
    given = visitor.post(
        f"/jobs/{JOB}/proof/give-out", sheet="customer",
        **{name: value for name, _, value in (part.partition("=") for part in query.split("&"))},
    )  # fmt: skip
    assert query in given.headers["location"]
    body = store.papers(JOB)[0].body_json
    before = body.index(str(kept.photos[1].preview_sha256))
    assert before < body.index(str(kept.photos[0].preview_sha256))


@pytest.mark.parametrize("query", ["before=999", "after_photo=999", "before=x", "before=-1", "after=%22%3E%3Cscript"])
def test_what_is_not_of_this_job_is_refused_or_left_out(visitor: Visitor, store: Store, query: str) -> None:
    answer = visitor.get(f"/jobs/{JOB}/proof?{query}")
    assert answer.status_code == (404 if "999" in query else 200)
    assert "<script>" not in answer.text.replace("<script src", "")


def test_a_sheet_that_was_given_out_is_printed_again_as_it_was(visitor: Visitor, store: Store) -> None:
    assert visitor.post(f"/jobs/{JOB}/proof/give-out", sheet="customer").status_code == 303
    paper = store.papers(JOB)[0]
    assert (paper.sort, paper.number) == ("customer", "C-0001")
    address = f"/jobs/{JOB}/proof/papers/{paper.id}.pdf"
    assert address in visitor.get(f"/jobs/{JOB}/proof").text
    first = visitor.get(address)
    assert first.headers["content-type"] == "application/pdf"
    assert pages_of(first.content) == 2
    text = "".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(first.content)).pages)
    assert "C-0001" in text
    store.add_readings(JOB, [Reading(gun="red", kind="emission", value=0.1, unit="rel", stage="after")])
    store.set_settings({"shop_name": "Another name"})
    assert visitor.get(address).content == first.content
    now = visitor.get(f"/jobs/{JOB}/proof/customer.pdf").content
    assert now != first.content
    assert b"C-0001" not in now
    assert visitor.post(f"/jobs/{JOB}/proof/give-out", sheet="bench").status_code == 303
    assert visitor.post(f"/jobs/{JOB}/proof/give-out", sheet="nothing").status_code == 404
    other = visitor.open_job("Another")
    assert visitor.get(f"/jobs/{other}/proof/papers/{paper.id}.pdf").status_code == 404


def test_a_change_of_the_job_shows_at_once(visitor: Visitor, store: Store) -> None:
    assert "0.58 (0.53 to 0.63)" in visitor.get(f"/jobs/{JOB}/proof").text
    store.add_readings(JOB, [Reading(gun="red", kind="emission", value=0.45, unit="rel", stage="after")])
    assert "0.45 (0.41 to 0.49)" in visitor.get(f"/jobs/{JOB}/proof").text


def test_a_paper_that_is_damaged_is_told_and_breaks_nothing(visitor: Visitor, store: Store) -> None:
    for body in ("[]", "{}", '{"sort":"customer","format":1}', '{"sort":"customer","format":99}'):
        paper = store.add_paper(JOB, "customer", body_json=body)
        answer = visitor.get(f"/jobs/{JOB}/proof/papers/{paper.id}.pdf")
        assert answer.status_code in {400, 422}, answer.status_code
        assert "Make a new one of the job" in answer.text


def test_an_exchanged_tube_is_proven_by_its_own_readings(store: Store) -> None:
    job = proven_job(store, after=False, pictures=False, owner="Otto Reed")
    kept = store.job(job)
    tube = store.add_tube({"label": "A51ZZZ", "heater_v": 6.3})
    store.fit_tube(kept.display.id, tube.id)
    store.add_readings(
        job, [Reading(gun=gun, kind="emission", value=0.9, unit="rel", heater_v=6.3, minutes_on=15.0) for gun in
              ("red", "green", "blue")],
    )  # fmt: skip
    compared = compare_job(store, KNOWLEDGE, job)
    assert compared.proof.exchanged
    assert compared.proof.white.verdict == "better"
    assert compared.proof.done[0] == "Another picture tube was put in (A51ZZZ)."
    assert any("on the tube that came" in words for words in compared.proof.done)


def test_a_grey_scale_that_was_read_before_and_after_its_setting_is_compared(store: Store) -> None:
    screen = made_up(33)
    first = GreyRound(readings=tuple(screen.readings(primaries=True)))
    keep(store, first)
    assert {line.verdict for line in compare_job(store, KNOWLEDGE, JOB).proof.grey} == {"unknown"}
    rounds = [first]
    for _ in range(8):
        answer = grey_course(rounds, grey_target("D65", "inline", KNOWLEDGE)).now
        if answer.state != "turn":
            break
        turned: dict[Control, float] = {}
        for move in answer.moves:
            turned[move.control] = move.turns_ratio if move.turns_ratio is not None else (move.probe_ratio or 0.0)
            screen.turn(move.control, turned[move.control])
        rounds.append(GreyRound(readings=tuple(screen.readings(primaries=True)), turned=turned))
        keep(store, rounds[-1])
    lines = compare_job(store, KNOWLEDGE, JOB).proof.grey
    assert lines[0].name == "grey.worst_delta_e"
    assert lines[0].verdict == "better"


def keep(store: Store, one: GreyRound) -> None:
    store.add_grey_round(
        JOB,
        {
            "readings_json": json.dumps(readings_json(one.readings)),
            "turned_json": json.dumps(dict(one.turned)),
            "retrace_seen": False,
            "white": "D65",
            "kind": "inline",
        },
    )


def test_giving_out_counts_up_and_both_sorts_apart(store: Store) -> None:
    sheets: tuple[Sheet, ...] = ("customer", "customer", "bench")
    numbers = [give_out(store, KNOWLEDGE, JOB, sheet).number for sheet in sheets]
    assert numbers == ["C-0001", "C-0002", "W-0001"]
    assert all(print_again(store, paper).startswith(b"%PDF") for paper in store.papers(JOB))


def test_programs_get_the_same_as_the_command_says(visitor: Visitor, store: Store) -> None:
    body = visitor.get(f"/api/jobs/{JOB}/proof").json()
    assert [error.message for error in Draft202012Validator(proof_schema()).iter_errors(body)] == []
    assert body == json.loads(json.dumps(to_json(compare_job(store, KNOWLEDGE, JOB).proof)))
    assert visitor.get("/api/jobs/99/proof").status_code == 404
