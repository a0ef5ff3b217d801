"""``tubewright proof``: a job held before and after, and its sheets written, given out, printed again."""

from __future__ import annotations

import io
import json
import shutil
from pathlib import Path

import pypdf
import pytest
from jsonschema_rs import Draft202012Validator

from bench.proven import proven_job
from cli_runs import Run
from tubewright.files.proof_schema import proof_schema
from tubewright.records.store import open_store


@pytest.fixture(scope="module")
def proven(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("proven") / "proven.sqlite3"
    with open_store(path) as store:
        assert proven_job(store) == 1
    return path


@pytest.fixture
def job(place: Path, proven: Path) -> str:
    shutil.copy(proven, place / "shop.sqlite3")
    return "job:1"


def pages(file: Path) -> int:
    return len(pypdf.PdfReader(io.BytesIO(file.read_bytes())).pages)


def test_the_answer_comes_first_and_each_figure_says_how_it_changed(run: Run, job: str) -> None:
    ended = run("proof", job)
    assert ended.code == 0
    assert ended.out.startswith("White up from ")
    assert "no change beyond doubt" in " ".join(ended.out.split())
    assert "The red cathode was cleaned with a small current: it helped." in ended.out
    assert all(len(line) <= 80 for line in ended.out.splitlines())


def test_the_body_fits_the_published_schema(run: Run, job: str) -> None:
    body = json.loads(run("proof", job, "--json").out)
    assert [error.message for error in Draft202012Validator(proof_schema()).iter_errors(body)] == []
    assert json.loads(run("schema", "proof").out) == proof_schema()
    assert body["white"]["verdict"] == "better"
    assert body["picture"]["before"]["measurement"] == 1


def test_sheets_are_written_given_out_and_printed_again(run: Run, job: str, place: Path) -> None:
    assert run("proof", job, "--pdf", "customer", "--to", "look.pdf").code == 0
    assert pages(place / "look.pdf") == 2
    given = run("proof", job, "--pdf", "customer", "--to", "given.pdf", "--keep")
    assert "Given out as C-0001." in given.err
    assert (place / "given.pdf").read_bytes() != (place / "look.pdf").read_bytes()
    assert run("proof", job, "--paper", "C-0001", "--to", "again.pdf").code == 0
    assert (place / "again.pdf").read_bytes() == (place / "given.pdf").read_bytes()
    assert run("proof", job, "--pdf", "bench", "--to", "bench.pdf").code == 0
    assert pages(place / "bench.pdf") > 2


def test_a_sheet_goes_to_standard_output_as_bytes(run: Run, job: str) -> None:
    from typer.testing import CliRunner

    from tubewright.cli import app

    made = CliRunner().invoke(app, ["proof", job, "--pdf", "customer", "--to", "-"], prog_name="tubewright")
    assert made.exit_code == 0
    assert made.stdout_bytes.startswith(b"%PDF")


@pytest.mark.parametrize(
    ("asked", "says"),
    [
        (["--pdf", "customer"], "a PDF needs a file"),
        (["--to", "x.pdf"], "no sheet named"),
        (["--keep"], "no sheet named"),
        (["--paper", "C-0009", "--to", "x.pdf"], "has no sheet 'C-0009'"),
        (["--paper", "C-0001", "--pdf", "bench", "--to", "x.pdf"], "printed as it is"),
        (["--pdf", "bench", "--to", "nowhere/x.pdf"], "no such folder"),
        (["--pdf", "bench", "--to", "pier.toml"], "there already"),
        (["--before", "99"], "isn't one of this job's"),
        (["--pdf", "bench", "--to", "x.pdf", "--after-photo", "99"], "isn't one of this job's"),
    ],
)
def test_what_makes_no_sense_ends_with_two_and_nothing_is_written(
    run: Run, job: str, place: Path, asked: list[str], says: str
) -> None:
    before = (place / "pier.toml").read_bytes()
    ended = run("proof", job, *asked)
    assert ended.code == 2
    assert says in ended.err
    assert not (place / "x.pdf").exists()
    assert (place / "pier.toml").read_bytes() == before
    with open_store(place / "shop.sqlite3") as store:
        assert store.papers(1) == ()


def test_no_such_job_and_no_shop_are_told(run: Run, place: Path) -> None:
    assert run("proof", "job:1").code == 2
    assert run("proof", "seven").code == 2
