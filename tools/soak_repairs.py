"""Plays simulated repairs to their end, ours against three other ways to choose the next step.

    python tools/soak_repairs.py [--repairs 2000] [--quick] [--seed 1] [--docs]

Every display is played by every policy, in a world where the catalogue's figures hold
and in one where they are off by a stated factor. What was played is kept under
``build/``, so that a run that was broken off goes on where it stopped; ``--fresh``
starts anew. ``--docs`` writes the page of results and its picture.
"""

from __future__ import annotations

import argparse
import dataclasses
import hashlib
import json
import multiprocessing
import sys
import time
from collections.abc import Iterator, Sequence
from functools import cache
from pathlib import Path

import repairs_report as report
from repairs_play import POLICIES, play
from repairs_world import World, shifted_world, true_world
from threadpoolctl import threadpool_limits

from tubewright import __version__
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import Knowledge

ROOT = Path(__file__).parents[1]
WORLDS = ("true", "shifted")
SHIFT = 2.0
CHUNK = 10

Task = tuple[str, str, int, int, int]
"""World, policy, first display, one past the last, seed."""


@cache
def knowledge() -> Knowledge:
    """The catalogue; read once by each process."""
    return load_knowledge()


@cache
def world_of(name: str, seed: int) -> World:
    """A world by its name; drawn once by each process."""
    return true_world(knowledge(), seed) if name == "true" else shifted_world(knowledge(), seed, SHIFT)


def one_thread() -> None:
    """Two processes share the cores better than two that each start several threads."""
    threadpool_limits(1)


def work(task: Task) -> list[dict[str, object]]:
    """Play a few repairs."""
    name, policy, first, past, seed = task
    world = world_of(name, seed)
    played = [dataclasses.asdict(play(world.display(n), world, policy, knowledge())) for n in range(first, past)]
    for record in played:
        record["guesses"] = (
            [(step, round(p, 4), there) for step, p, there in record["guesses"]] if policy == "ours" else []
        )
    return played


def tasks(repairs: int, seed: int, done: set[tuple[str, str, int]]) -> list[Task]:
    """What is still to be played, in chunks that take turns between the policies."""
    return [
        (world, policy, first, min(first + CHUNK, repairs), seed)
        for first in range(0, repairs, CHUNK)
        for world in WORLDS
        for policy in POLICIES
        if any((world, policy, n) not in done for n in range(first, min(first + CHUNK, repairs)))
    ]


def kept(path: Path) -> list[dict[str, object]]:
    """What an earlier run left; a last line that was cut off is dropped."""
    if not path.exists():
        return []
    records = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        try:
            record = json.loads(line)
        except ValueError:
            continue
        records[record["world"], record["policy"], record["display"]] = record
    return list(records.values())


def print_of_the_source() -> str:
    """Changes with everything that a repair hangs on, so that no run goes on with what older code has played."""
    package = ROOT / "src" / "tubewright"
    paths = [*(package / "judgement").glob("*.py"), *(package / "knowledge").rglob("*.toml")]
    paths += [ROOT / "tools" / f"repairs_{name}.py" for name in ("play", "world")]
    return hashlib.sha256(b"".join(p.read_bytes() for p in sorted(paths))).hexdigest()[:8]


def played(repairs: int, seed: int, path: Path, processes: int) -> Iterator[list[dict[str, object]]]:
    """Play what is missing, writing each chunk down at once; yields it."""
    done = {(str(r["world"]), str(r["policy"]), int(str(r["display"]))) for r in kept(path)}
    waiting = tasks(repairs, seed, done)
    path.parent.mkdir(parents=True, exist_ok=True)
    start = time.monotonic()
    with path.open("a", encoding="utf-8") as file, multiprocessing.Pool(processes, one_thread) as pool:
        for number, records in enumerate(pool.imap_unordered(work, waiting), start=1):
            file.write("".join(json.dumps(r) + "\n" for r in records))
            file.flush()
            if number % 20 == 0 or number == len(waiting):
                spent = time.monotonic() - start
                left = spent / number * (len(waiting) - number)
                print(f"  {number} of {len(waiting)} chunks, {spent:.0f} s, about {left:.0f} s to go", flush=True)
            yield records


def page(records: Sequence[report.Record], repairs: int, seed: int) -> str:
    """The page of results."""
    costs, scores = report.cells(records), report.calibrations(records)
    told = report.shortcomings(scores, costs) or ["Nothing that luck doesn't explain."]
    return "\n".join(
        [
            WORDS.format(repairs=repairs, seed=seed, version=__version__, shift=SHIFT),
            "## How the next step is chosen",
            "",
            HOW_WORDS,
            "",
            "## What it took",
            "",
            COST_WORDS,
            "",
            report.markdown(report.cost_table(costs)),
            "",
            TRIED_WORDS,
            "",
            "## Are the probabilities true?",
            "",
            "![What was said against what came true, in both worlds](pictures/repairs_reliability.svg)",
            "",
            SCORE_WORDS,
            "",
            report.markdown(report.score_table(scores)),
            "",
            "The picture in figures:",
            "",
            report.markdown(report.bins_table(scores)),
            "",
            "## What these figures say against us",
            "",
            *(f"- {line}" for line in told),
            "",
            AGAINST_WORDS,
            "",
        ]
    )


WORDS = """# Simulated repairs

Does the choice of the next step save work, and are the probabilities true? {repairs} displays \
that never were (seed {seed}, version {version}) were repaired in each of two worlds, each \
display by every policy. `python tools/soak_repairs.py --docs` plays them again and writes this page.

- **True world**: faults come, show and answer tests as often as the catalogue says.
- **Shifted world**: priors, links and leaks are off in their odds by a random factor, \
typically {shift:g} up or down, and so are the weights of test results; tests come about in another \
way (each fault that is there may push its own result, and one of those pushed is seen). The policies \
still go by the catalogue.

A display has at least one fault, and its owner tells of some of what it shows, and answers what is \
asked. A repair is over when every fault behind the complaint is confirmed: by a result that settles \
the matter, or by opening it up. Every test costs its minutes and the way to it; opening a suspect costs \
half its minutes, the way there, and putting together again to look whether that was it; a wrong one \
may cost its part too. The worlds are drawn by code of their own (`tools/repairs_world.py`).

The policies:

- **ours**: what `next_steps` advises;
- **prior order**: opens what could show the complaint, the commonest first;
- **entropy only**: takes the test with the most bits until a suspect reaches 25 %, then opens it;
- **fixed order**: the tests that tell something in the order of the trade (look, operate, unpowered, \
tube, voltages, signals, exchange), until a suspect reaches 25 %;
- **likeliest, untested**: no test; opens the likeliest suspect by the diagnosis, again and again.

All but prior order go by the same diagnosis after each finding, so what differs is the choice. The \
25 % is the best for entropy and fixed order of those tried (25, 30, 35, 50 and 80 %).
"""
HOW_WORDS = """Two kinds of step are weighed at every moment: a test, and opening a suspect up. A step is as good \
as the rest of the repair that it leaves is cheap. For each outcome of each promising step the best second step is \
sought; from there on the suspects are reckoned to be opened one after the other, likeliest for their cost first, \
each tried out in the running set, until the last fault has been found. Costs are minutes' worth of work:

- a test costs its minutes and one to fetch and put away; opening the wrong suspect half its minutes of finding \
and mending, and half the price of its part, turned into minutes by the shop's hourly rate;
- the way there counts: taking the back off 4 minutes, draining and proving twice 10, the chassis out or in 8, the \
tube's instrument on or off 5, switching on 2, hooking up to a running, open set 4. What stands open already costs \
nothing, and who says so (`workplace`) gets another order of tests;
- a minute in hazard class H1 counts 1.2, H2 and H4 1.6, H3 2.5, and in a running, open set 1.25 times as much \
again. Hooks go on with the power off and the set proven empty, so a test in a running, open set always comes behind \
an equal one that does without.

Mending what is truly at fault comes in any case and takes no part in the choice. If opening a suspect up leaves \
less than any test, that is the advice, but a suspect more likely sound than not must leave three minutes less: a look \
disturbs nothing. If no suspect is likely and no test saves anything, that is said too."""
TRIED_WORDS = """What was tried and didn't pay, on 300 other displays in each world, drawn before the worlds knew that \
a dark screen shows nothing of the picture (mean minutes with parts, \
against the choice as it stands, with twice the standard error; true world, then shifted): \
looking ahead as if only 0.8 of what opening everything loses were still to be lost +3 ± 5, −1 ± 8; 0.6 of it \
+15 ± 9, +5 ± 10; 1.2 of it +2 ± 4, +7 ± 5; a price of 45 minutes for each bit still open, where that is less, \
+7 ± 9, −5 ± 8; 30 minutes and 0.7 together +30 ± 12, +7 ± 12; weighing 24 first and 24 second steps instead of \
8 and 6, or 400 sets of faults instead of 160: within ± 3 either way."""
COST_WORDS = """Tests and minutes: median, then 90th percentile. *More than ours*: mean difference in minutes, \
display by display, with twice its standard error. *Hazardous*: mean minutes in hazard class H2 or above. \
*Parts*: mean price of parts fitted to the wrong suspect for nothing."""
SCORE_WORDS = """Scored is what is said of every fault that something seen speaks for, before any test and after \
each further step of our policy. *Skill*: 1 for a perfect forecaster, 0 for one who always says the base rate. \
*Sharpness*: variance of what was said over that of the outcome; more is better as long as what is said \
comes true as often. Bars in the picture: 90 % of luck, display by display."""
AGAINST_WORDS = """And beyond figures: both worlds are made from the same catalogue, so they say nothing of \
faults that it doesn't hold, of tests misread, or of whether its figures are right; closed jobs of a shop \
will. The minutes for opening, proving and looking again are estimates of their own (`tubewright sources`)."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Play, and print what came out."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--repairs", type=int, default=2000, help="displays in each world")
    parser.add_argument("--quick", action="store_true", help="60 displays in each world")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--processes", type=int, default=2)
    parser.add_argument("--fresh", action="store_true", help="forget what an earlier run has played")
    parser.add_argument("--docs", action="store_true", help="write docs/repairs.md and its picture")
    parser.add_argument("--keep", type=Path, help="where what was played is kept")
    given = parser.parse_args(arguments)
    repairs = 60 if given.quick else given.repairs
    path = given.keep or ROOT / "build" / f"repairs-{given.seed}-{print_of_the_source()}.jsonl"
    if given.fresh:
        path.unlink(missing_ok=True)
    print(f"{repairs} repairs in each of {len(WORLDS)} worlds by each of {len(POLICIES)} policies", flush=True)
    try:
        for _ in played(repairs, given.seed, path, given.processes):
            pass
    except KeyboardInterrupt:
        print(f"Broken off; what was played is kept in {path}, the same command goes on.")
        return 1
    records = [r for r in kept(path) if int(str(r["display"])) < repairs]
    costs, scores = report.cells(records), report.calibrations(records)
    print(report.plain(report.cost_table(costs)))
    print(report.plain(report.score_table(scores)))
    for line in report.shortcomings(scores, costs):
        print(f"- {line}")
    if given.docs:
        (ROOT / "docs" / "repairs.md").write_text(page(records, repairs, given.seed), encoding="utf-8")
        (ROOT / "docs" / "pictures" / "repairs_reliability.svg").write_text(report.picture(scores), encoding="utf-8")
        print("Written: docs/repairs.md, docs/pictures/repairs_reliability.svg")
    return 0


if __name__ == "__main__":
    sys.exit(main())
