"""What the tests of the command line share: a place of their own, and the command as a person calls it."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from cli_runs import Ended, Run
from samples import SAMPLE_CASE


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a case in it; the shop and the log of this test are in it as well."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("TUBEWRIGHT_SHOP", str(tmp_path / "shop.sqlite3"))
    monkeypatch.setenv("TUBEWRIGHT_LOG", str(tmp_path / "failures.log"))
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.delenv("NO_COLOR", raising=False)
    (tmp_path / "pier.toml").write_text(SAMPLE_CASE, encoding="utf-8")
    return tmp_path


@pytest.fixture
def run(place: Path) -> Run:
    """Run the command in this process."""
    from tubewright.cli import app

    def call(*args: str, typed: bytes | None = None) -> Ended:
        result = CliRunner().invoke(app, list(args), input=typed, prog_name="tubewright")
        # An exit code is what is promised; anything that got through would be a traceback.
        assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
        return Ended(code=result.exit_code, out=result.stdout, err=result.stderr)

    return call


@pytest.fixture
def start(place: Path) -> Run:
    """Run ``python -m tubewright`` in a process of its own."""

    def call(*args: str, typed: bytes | None = None) -> Ended:
        done = subprocess.run(
            [sys.executable, "-m", "tubewright", *args],
            input=typed or b"",
            capture_output=True,
            check=False,
            timeout=60,
        )
        return Ended(code=done.returncode, out=done.stdout.decode("utf-8"), err=done.stderr.decode("utf-8"))

    return call
