"""Keeps the program busy for a while and looks whether anything gives: run by ``make soak``.

Half of the time goes to assessing simulated tubes as people would write them down:
every answer must follow its schema, repeat itself, and carry no figure out of its
range. The other half goes to a shop that several people write to at once: nothing
acknowledged may be missing afterwards. Ends with exit code 1 at the first thing
that does.
"""

from __future__ import annotations

import argparse
import json
import sqlite3
import sys
import tempfile
import threading
import time
from collections import Counter
from contextlib import closing
from pathlib import Path

import jsonschema_rs
import numpy as np

from tubewright.answers.assess import assess
from tubewright.answers.assessment import Assessment, to_json
from tubewright.case import Case, Reading
from tubewright.errors import ConflictError, TubewrightError
from tubewright.files import assess_schema, read_case, write_case
from tubewright.knowledge.load import load_knowledge
from tubewright.records.store import Store, open_store
from tubewright.simulate.tube_visit import bench_visit
from tubewright.simulate.tubes import draw_tube

FUTURES = 2000
PEOPLE = 4


def main() -> None:
    """Soak, and print what was done."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=240.0)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    soak_answers(given.seconds / 2, given.seed)
    soak_shop(given.seconds / 2)


def soak_answers(how_long: float, seed: int) -> None:
    """Assess simulated bench visits until the time is up."""
    knowledge = load_knowledge()
    schema = jsonschema_rs.validator_for(assess_schema())
    decisions: Counter[str] = Counter()
    slowest = 0.0
    end = time.monotonic() + how_long
    while time.monotonic() < end:
        rng = np.random.default_rng((seed, decisions.total()))
        case = bench_visit(draw_tube(rng), rng)
        try:
            if read_case(write_case(case).encode(), knowledge=knowledge) != case:
                give_up("it reads back as another case", case)
            start = time.monotonic()
            answer = assess(case, knowledge, futures=FUTURES)
            slowest = max(slowest, time.monotonic() - start)
            body = json.dumps(to_json(answer), allow_nan=False, sort_keys=True)
            schema.validate(json.loads(body))
            check_ranges(answer, case)
            if decisions.total() % 10 == 0:
                again = assess(case, knowledge, futures=FUTURES)
                if json.dumps(to_json(again), allow_nan=False, sort_keys=True) != body:
                    give_up("the second answer differs from the first", case)
        except TubewrightError as error:
            give_up(f"refused: {error}", case)
        except (ArithmeticError, ValueError, LookupError, jsonschema_rs.ValidationError) as error:
            give_up(f"{type(error).__name__}: {error}", case)
        decisions[answer.decision] += 1
    print(f"{decisions.total()} simulated tubes assessed, the slowest in {slowest:.2f} s with {FUTURES} futures:")
    for decision, count in decisions.most_common():
        print(f"    {count:6} {decision}")


def check_ranges(answer: Assessment, case: Case) -> None:
    """Chances between 0 and 1, every step with its cautions."""
    chances = [answer.confidence, *(s.probability for s in answer.suspects), *(w.chance for w in answer.would_change)]
    for option in answer.options:
        chances += [c for c in (option.success, option.chance_of_keep_years, option.risk_of_loss) if c is not None]
    if any(not -1e-9 <= chance <= 1 + 1e-9 for chance in chances):  # rounding may add the last digit
        give_up("a chance lies outside of 0 to 1", case)
    if any(step.hazard not in {"", "H0"} and not step.cautions for step in answer.next_steps):
        give_up("a step stands without its cautions", case)


def give_up(why: str, case: Case) -> None:
    """Show the case that did it, and end."""
    sys.exit(f"{why}\n\n{write_case(case)}")


def soak_shop(how_long: float) -> None:
    """Let several people write to one shop, then count what is there."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "shop.sqlite3"
        with open_store(path) as store:
            job = store.open_job(store.add_display({"label": "soak"}).id).id
            tube = store.add_tube({})
            store.fit_tube(store.job(job).display.id, tube.id)
            done: Counter[str] = Counter()
            failures: list[str] = []
            end = time.monotonic() + how_long
            people = [
                threading.Thread(target=work, args=(store, job, number, end, done, failures))
                for number in range(PEOPLE)
            ]
            for person in people:
                person.start()
            for person in people:
                person.join()
        if failures:
            sys.exit("\n".join(failures))
        with closing(sqlite3.connect(path)) as conn:
            (sound,) = conn.execute("PRAGMA integrity_check").fetchone()
            (kept,) = conn.execute("SELECT count(*) FROM readings").fetchone()
            broken = conn.execute("PRAGMA foreign_key_check").fetchall()
        if sound != "ok" or broken or kept != done["added"] - done["removed"]:
            sys.exit(f"integrity {sound}, broken links {broken}, {kept} readings kept of {dict(done)}")
    print(f"a shop with {PEOPLE} people at once: {dict(sorted(done.items()))}; all of it there, the file sound")


def work(store: Store, job: int, number: int, end: float, done: Counter[str], failures: list[str]) -> None:
    """One person adding, correcting and striking out readings, some of them somebody else's."""
    rng = np.random.default_rng(number)
    tally: Counter[str] = Counter()
    mine: list[int] = []
    try:
        while time.monotonic() < end:
            reading = Reading(gun="red", kind="emission", value=round(float(rng.random()), 3), unit="rel", heater_v=6.3)
            mine.append(store.add_reading(job, reading).id)
            tally["added"] += 1
            seen = store.reading(int(rng.choice(mine)))
            try:
                store.edit_reading(seen.id, reading, version=seen.version - int(rng.random() < 0.3))
                tally["corrected"] += 1
            except ConflictError:
                tally["conflicts seen"] += 1
            if len(mine) > 40:
                seen = store.reading(mine.pop(0))
                store.remove_reading(seen.id, version=seen.version)
                tally["removed"] += 1
            if rng.random() < 0.05:
                store.board("soak")
                store.experience()
    except TubewrightError as error:
        failures.append(f"person {number}: {error}")
    done.update(tally)


if __name__ == "__main__":
    main()
