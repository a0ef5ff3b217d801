"""Builds the wheel and lets the program run from it, away from the source folder.

A page or a facts file that the package forgets is missed only on somebody else's
machine; here it is missed first.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
import tempfile
import zipfile
from pathlib import Path
from typing import Final

ROOT: Final = Path(__file__).parents[1]

PLACE: Final = "import sys, tubewright; sys.exit(sys.argv[1] not in tubewright.__file__)"
"""Proves that the program runs from the wheel and not from the source folder beside it."""


def run(arguments: list[str], folder: Path, **more: str) -> str:
    """What a command prints, or the end of this script with what it complained of."""
    done = subprocess.run(
        arguments, cwd=folder, env={**os.environ, **more}, capture_output=True, text=True, encoding="utf-8", check=False
    )
    if done.returncode:
        sys.exit(f"{' '.join(arguments)}\n{done.stdout}{done.stderr}")
    return done.stdout


def main() -> None:
    """Build, unpack, run; ends with exit code 1 and the reason when something is missing."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch)
        # From a copy: an old build folder beside the source would smuggle removed files in.
        copy = folder / "source"
        copy.mkdir()
        shutil.copytree(ROOT / "src", copy / "src", ignore=shutil.ignore_patterns("__pycache__", "*.egg-info"))
        for name in ("pyproject.toml", "README.md", "LICENSE", "NOTICE"):
            shutil.copy(ROOT / name, copy)
        pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "--quiet"]
        run([*pip, "wheel", "--no-deps", "--wheel-dir", str(folder), str(copy)], folder)
        (wheel,) = folder.glob("*.whl")
        unpacked = folder / "unpacked"
        with zipfile.ZipFile(wheel) as archive:
            archive.extractall(unpacked)
        case = ROOT / "docs" / "examples" / "pier-7.toml"
        python, path = sys.executable, str(unpacked)
        run([python, "-c", PLACE, path], folder, PYTHONPATH=path)
        for words in (["--version"], ["--help"], ["sources"], ["assess", str(case)], ["schema", "case"]):
            if not run([python, "-m", "tubewright", *words], folder, PYTHONPATH=path).strip():
                sys.exit(f"tubewright {' '.join(words)} says nothing from the wheel")
        for page in ("bench/templates", "bench/static", "knowledge/facts", "records/migrations/versions"):
            if not any((unpacked / "tubewright" / page).iterdir()):
                sys.exit(f"the wheel has nothing in {page}")
        print(f"{wheel.name} runs, {wheel.stat().st_size // 1024} kB")


if __name__ == "__main__":
    main()
