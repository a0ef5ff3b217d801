"""``diagnose`` answers a file, standard input and a job alike, cautions first, and bad input in plain words."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from jsonschema_rs import Draft202012Validator

from cli_runs import Run
from tubewright.files.diagnose_schema import diagnose_schema

CURL = 'format = 1\n[[symptoms]]\nid = "top_curl"\n[[symptoms]]\nid = "h_no_lock"\npresent = false\n'


@pytest.fixture
def curl(place: Path) -> Path:
    path = place / "curl.toml"
    path.write_text(CURL, encoding="utf-8")
    return path


def test_a_diagnosis_for_eyes(run: Run, curl: Path) -> None:
    ended = run("diagnose", curl.name)
    assert ended.code == 0
    assert ended.err == ""
    for heading in ("WHAT IT COULD BE", "WHY", "WHAT WOULD SEPARATE THE FIRST TWO", "TEST THIS NEXT"):
        assert heading in ended.out
    assert "\x1b" not in ended.out
    assert max(len(line) for line in ended.out.splitlines()) <= 80


def test_cautions_come_before_the_step(run: Run, curl: Path) -> None:
    """Whatever is proposed, its cautions stand between the step before and it."""
    body = json.loads(run("diagnose", curl.name, "--json").out)
    text = " ".join(run("diagnose", curl.name).out.split())
    for step in body["next_tests"][:2]:
        at = text.index(f"> {step['name']}: {step['how']}"[:60])
        for caution in step["cautions"]:
            first = " ".join(caution.split()[:8])
            assert 0 <= text.find(first) < at, caution


def test_the_json_keeps_the_published_schema(run: Run, curl: Path) -> None:
    ended = run("diagnose", curl.name, "--json")
    body = json.loads(ended.out)
    assert [error.message for error in Draft202012Validator(diagnose_schema()).iter_errors(body)] == []
    assert json.loads(run("schema", "diagnose").out) == diagnose_schema()


def test_a_file_and_standard_input_give_one_answer(run: Run, curl: Path) -> None:
    assert run("diagnose", "-", "--json", typed=CURL.encode()).out == run("diagnose", curl.name, "--json").out


def test_nothing_known_asks(run: Run, place: Path) -> None:
    (place / "empty.toml").write_text("format = 1\n", encoding="utf-8")
    ended = run("diagnose", "empty.toml")
    assert ended.code == 0
    assert "Nothing is known yet." in ended.out
    assert "What does the owner see or hear?" in ended.out


def test_misspelt_and_contradicting_findings_are_told(run: Run, place: Path) -> None:
    (place / "bad.toml").write_text('format = 1\n[[symptoms]]\nid = "top_curll"\n', encoding="utf-8")
    ended = run("diagnose", "bad.toml")
    assert ended.code == 2
    assert "top_curl" in ended.err
    assert "Traceback" not in ended.err
    (place / "both.toml").write_text(CURL.replace("h_no_lock", "top_curl"), encoding="utf-8")
    assert run("diagnose", "both.toml").code == 2


def test_a_job_is_diagnosed_with_and_without_the_shops_own_jobs(run: Run, place: Path) -> None:
    from tubewright.records.store import open_store

    with open_store(place / "shop.sqlite3") as store:
        display = store.add_display({"label": "Pier arcade, machine 7"})
        for number in range(12):
            job = store.open_job(display.id)
            store.add_symptom(job.id, {"id": "top_curl", "present": True})
            if number:
                store.add_repair(job.id, {"fault": "afc_filter_aged", "outcome": "mended"})
                store.close_job(job.id, version=store.job(job.id).job.version)
            else:
                open_job = job.id
    ours = json.loads(run("diagnose", f"job:{open_job}", "--json").out)
    general = json.loads(run("diagnose", f"job:{open_job}", "--json", "--general").out)
    assert ours["model"]["jobs_learned_from"] == 11
    assert general["model"]["jobs_learned_from"] == 0
    chance = {fault["id"]: fault for fault in ours["faults"]}
    before = {fault["id"]: fault["probability"] for fault in general["faults"]}
    assert chance["afc_filter_aged"]["probability"] > before["afc_filter_aged"]
    assert chance["afc_filter_aged"]["general_probability"] == before["afc_filter_aged"]
    assert "OWN JOBS" in run("diagnose", f"job:{open_job}").out
