"""The command as a process: what it loads, what it prints, how it ends."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import pytest

import tubewright
from cli_runs import Run
from samples import SAMPLE_CASE

HEAVY = frozenset(
    {"numpy", "scipy", "pydantic", "sqlalchemy", "alembic", "fastapi", "starlette", "uvicorn", "jinja2", "colour"}
    | {"vl_convert", "tomlkit", "rich", "platformdirs", "tomllib", "sqlite3"}
)
OURS_LIGHT = frozenset({"cli", "errors", "quantity", "__main__"})


def loaded_by(*args: str) -> set[str]:
    """The modules that are loaded once the command has run."""
    code = (
        "import sys, atexit\n"
        "atexit.register(lambda: print(*sorted(sys.modules), file=sys.stderr))\n"
        f"sys.argv = ['tubewright', *{list(args)!r}]\n"
        "from tubewright.cli import main\n"
        "main()\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False, timeout=60)
    assert done.returncode == 0, done.stderr
    return set(done.stderr.split())


# Typer itself takes pydantic to read the default values of one command's options.
TYPERS_OWN = frozenset({"pydantic", "platformdirs", "tomllib"})


@pytest.mark.parametrize("args", [("--help",), ("--version",), ("assess", "--help"), ("heater", "rms", "--help")])
def test_help_loads_nothing_heavy(args: tuple[str, ...]) -> None:
    loaded = loaded_by(*args)
    assert not {name.partition(".")[0] for name in loaded} & (HEAVY - (TYPERS_OWN if len(args) > 1 else set()))
    ours = {name.split(".")[1] for name in loaded if name.startswith("tubewright.")}
    assert ours <= OURS_LIGHT


def test_assessing_a_file_loads_no_web_server_no_database_and_no_reference_library(place: Path) -> None:
    tops = {name.partition(".")[0] for name in loaded_by("assess", "pier.toml", "--futures", "1000")}
    assert not tops & {"fastapi", "uvicorn", "sqlalchemy", "alembic", "scipy", "colour", "vl_convert"}
    assert "numpy" in tops


def test_the_version_is_said(start: Run) -> None:
    assert start("--version").out == f"tubewright {tubewright.__version__}\n"


def test_a_process_ends_with_the_promised_codes(start: Run, place: Path) -> None:
    assert start("assess", "-", "--json", "--futures", "1000", typed=SAMPLE_CASE.encode()).code == 0
    (place / "bad.toml").write_text("format = 1\n[tube]\nheater_v = nan\n", encoding="utf-8")
    wrong = start("assess", "bad.toml")
    assert (wrong.code, wrong.out) == (2, "")
    assert wrong.err.startswith("tubewright: bad.toml line 3, tube.heater_v:")
    assert start("assess").code == 2
    assert start().code in {0, 2}


def test_the_output_is_utf8_whatever_the_console_says(place: Path) -> None:
    """As on a Windows console with an old code page."""
    environment = {**os.environ, "PYTHONIOENCODING": "cp437", "PYTHONUTF8": "0"}
    done = subprocess.run(
        [sys.executable, "-m", "tubewright", "assess", "pier.toml", "--futures", "1000"],
        capture_output=True,
        env=environment,
        check=False,
        timeout=60,
    )
    assert done.returncode == 0, done.stderr
    assert "─" in done.stdout.decode("utf-8")


def test_a_closed_pipe_is_no_failure_of_ours(place: Path) -> None:
    process = subprocess.Popen(
        [sys.executable, "-m", "tubewright", "list", "faults", "--json"], stdout=subprocess.PIPE, stderr=subprocess.PIPE
    )
    assert process.stdout is not None
    assert process.stderr is not None
    process.stdout.read(10)
    process.stdout.close()
    said = process.stderr.read().decode()
    process.stderr.close()
    process.wait(timeout=60)
    assert "Traceback" not in said
    assert "our own failure" not in said
    assert not (place / "failures.log").exists()


def test_both_ways_of_calling_it_answer_alike(start: Run, run: Run) -> None:
    asked = ("assess", "pier.toml", "--json", "--futures", "1000")
    assert json.loads(start(*asked).out) == json.loads(run(*asked).out)


def test_the_shell_completes_commands_and_choices() -> None:
    def completed(words: str) -> list[str]:
        environment = {
            **os.environ,
            "_TUBEWRIGHT_COMPLETE": "complete_bash",
            "COMP_WORDS": words,
            "COMP_CWORD": str(len(words.split(" ")) - 1),
        }
        done = subprocess.run(
            [sys.executable, "-m", "tubewright"],
            capture_output=True,
            text=True,
            env=environment,
            check=False,
            timeout=60,
        )
        return done.stdout.split()

    assert "assess" in completed("tubewright as")
    assert "treatments" in completed("tubewright list tr")
