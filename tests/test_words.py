"""No file of the repository names the place it was made in."""

from __future__ import annotations

import shutil
import subprocess
from pathlib import Path
from typing import Final

import pytest

ROOT: Final = Path(__file__).parents[1]

# Written in pieces, so that this file doesn't find itself.
FORBIDDEN: Final = tuple(
    "".join(pieces)
    for pieces in [
        ("pypi", ".org/simple"),
        ("pythonhosted", ".org"),
        ("registry.", "npmjs"),
        ("deb.", "debian.org"),
        ("/ro", "ot/"),
        ("/wo", "rk/"),
        ("/op", "t/"),
        ("/fa", "rm/"),
        ("/ho", "me/"),
        ("C:\\", "Users"),
        ("tra", "de.md"),
        ("fac", "ts.md"),
        ("desi", "gn.md"),
        ("sty", "le.md"),
        ("seed ", "document"),
    ]
)
BINARY: Final = frozenset({".png", ".jpg", ".ico", ".woff2", ".gz", ".db", ".sqlite3"})


def files() -> list[Path]:
    """Every file under version control, or, outside of it, every file of the source tree."""
    if (ROOT / ".git").exists() and shutil.which("git"):
        listed = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True).stdout
        paths = [ROOT / name for name in listed.split("\0") if name]
    else:
        folders = ("src", "tests", "docs", "tools")
        paths = [path for folder in folders for path in (ROOT / folder).rglob("*")] + list(ROOT.glob("*.*"))
    return [path for path in paths if path.is_file() and path.suffix not in BINARY and "__pycache__" not in path.parts]


def found_in(text: str) -> list[str]:
    """The forbidden words in a text, each with its line."""
    return [
        f"line {number}: {word}"
        for number, line in enumerate(text.splitlines(), start=1)
        for word in FORBIDDEN
        if word in line
    ]


def test_no_file_names_a_registry_or_a_place_on_one_machine() -> None:
    found = {
        path.relative_to(ROOT).as_posix(): words
        for path in files()
        if (words := found_in(path.read_text(encoding="utf-8")))
    }
    assert not found


@pytest.mark.parametrize("word", FORBIDDEN)
def test_a_forbidden_word_is_seen(word: str) -> None:
    assert found_in(f"first\nsee {word}somewhere") == [f"line 2: {word}"]


def test_the_search_reads_the_whole_tree() -> None:
    names = {path.relative_to(ROOT).as_posix() for path in files()}
    assert {"README.md", "pyproject.toml", "src/tubewright/case.py", "tests/conftest.py"} <= names
