"""How quick Tubewright is, each figure as a ratio to something measured beside it.

    python tools/bench_speed.py [--quick]

Prints three tables: one assessment against drawing as many lognormal numbers, whole
commands of the terminal against starting Python, and the pages of a large shop
against the same pages of a small one. Each ratio comes from pairs measured in turn
in one run, so that a busy machine slows both. ``--quick`` takes a smaller large shop.
"""

from __future__ import annotations

import argparse
import random
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import numpy as np
from bench_records import build
from starlette.testclient import TestClient

from tubewright.answers.assess import assess
from tubewright.bench.app import create_app
from tubewright.files import read_case
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import open_store

CASES = Path(__file__).parents[1] / "tests" / "cases"
FUTURES = 100_000
ORIGIN = "http://127.0.0.1:8000"


def paired(work: Callable[[], object], beside: Callable[[], object], repeats: int) -> tuple[float, float, float]:
    """Median seconds of each, and the median of the pairs' ratios."""
    ours, theirs = [], []
    for _ in range(repeats):
        start = time.perf_counter()
        beside()
        middle = time.perf_counter()
        work()
        ours.append(time.perf_counter() - middle)
        theirs.append(middle - start)
    ratios = [a / b for a, b in zip(ours, theirs, strict=True)]
    return statistics.median(ours), statistics.median(theirs), statistics.median(ratios)


def assessments(repeats: int) -> None:
    """One assessment of 100,000 futures over one draw of as many lognormal numbers."""
    knowledge = load_knowledge()
    print(f"Assessment of {FUTURES} futures, over one NumPy draw of as many lognormals (aim: under 40)")
    for path in sorted(CASES.glob("c*.toml")):
        case = read_case(path.read_bytes(), path.name)
        assess(case, knowledge, futures=FUTURES)
        rng = np.random.default_rng(1)
        ours, theirs, ratio = paired(
            partial(assess, case, knowledge, futures=FUTURES),
            partial(rng.lognormal, size=FUTURES),
            repeats,
        )
        print(f"  {path.stem:24} {ours * 1000:7.1f} ms   draw {theirs * 1000:5.2f} ms   ratio {ratio:6.1f}")


def commands(repeats: int) -> None:
    """Whole commands over starting Python and importing NumPy."""
    print("Whole commands, over starting Python with NumPy (aim: assess under 0.5 s)")
    python = [sys.executable, "-c", "import numpy"]
    case = str(CASES / "c08.toml")
    for words in (["--help"], ["assess", case], ["assess", case, "--json"], ["list", "symptoms"], ["sources"]):
        command = [sys.executable, "-m", "tubewright", *words]
        run(command)
        ours, theirs, ratio = paired(partial(run, command), partial(run, python), repeats)
        name = " ".join(w if w != case else "CASE" for w in words)
        print(f"  {name:24} {ours * 1000:7.0f} ms   python {theirs * 1000:5.0f} ms   ratio {ratio:6.1f}")


def run(command: list[str]) -> None:
    """Run to the end, its output read and thrown away."""
    subprocess.run(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=True)


def pages(large: int, repeats: int) -> None:
    """The same pages of a large and of a small shop."""
    small = 100
    print(f"Pages of {large} tubes and {large * 10} readings, over those of {small} tubes (aim: each under 3)")
    with tempfile.TemporaryDirectory() as folder:
        clients = {}
        for count in (small, large):
            store = open_store(Path(folder) / f"shop-{count}.sqlite3")
            start = time.perf_counter()
            build(store, count, seed=count)
            print(f"  built {count} tubes in {time.perf_counter() - start:.0f} s", flush=True)
            clients[count] = TestClient(create_app(store, load_knowledge()), base_url=ORIGIN)
        rng = random.Random(3)  # noqa: S311 - which job to open

        def visit(count: int, path: str) -> Callable[[], object]:
            def go() -> None:
                answer = clients[count].get(path.format(job=rng.randrange(1, count + 1)))
                if answer.status_code != 200:
                    raise SystemExit(f"{path} answered {answer.status_code}")

            return go

        for name, path in {
            "board": "/",
            "board, closed": "/?state=closed",
            "search, one display": "/?q={job}",
            "search, a common word": "/?q=pier",
            "search, two common words": "/?q=pier+kelp",
            "search, word and number": "/?q=crake+77",
            "search, nothing": "/?q=zeppelin",
            "displays": "/displays",
            "tubes": "/tubes",
            "job, readings": "/jobs/{job}",
            "job, symptoms": "/jobs/{job}/symptoms",
            "tube, history": "/tubes/{job}",
        }.items():
            for count in (small, large):
                visit(count, path)()
            ours, theirs, ratio = paired(visit(large, path), visit(small, path), repeats)
            print(f"  {name:24} {ours * 1000:7.1f} ms   small {theirs * 1000:5.1f} ms   ratio {ratio:6.2f}")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="a large shop of 10,000 tubes and fewer repeats")
    quick = parser.parse_args().quick
    assessments(5 if quick else 15)
    commands(3 if quick else 9)
    pages(10_000 if quick else 100_000, 10 if quick else 30)


if __name__ == "__main__":
    main()
