"""Plays simulated settlings and looks how often the 80 % interval holds the truth, against the time waited.

    python tools/soak_hold.py [--courses 400] [--seed 1] [--quick]

The courses are made here, from laws of their own and not by the code that is judged:

- ``steady``: nothing happens but a wander;
- ``two layers``: two exponentials, as of a quick surface and a slow bulk;
- ``rate``: loss at a rate that falls with what is lost (a differential equation, stepped through);
- ``heat``: the heater still warms or cools for minutes while the gain goes back;
- ``sudden``: it holds for hours and then drops: a law that the fit does not know.

Each is read at 5, 10, 15, 20, 30, 45, 60, 90 minutes and so on with the scatter of a
hand. After each time the fit is asked for the hold; the truth is what the course gives
at 24 hours over 15 minutes. Nothing in the fit is set by what comes out here; its scatter
is the stated one, and the courses are read with another that is drawn for each.
"""

from __future__ import annotations

import argparse
import itertools
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from tubewright.judgement.settling import fit_settling
from tubewright.judgement.settling_mixture import TimedReading
from tubewright.knowledge.load import load_knowledge
from tubewright.knowledge.model import Knowledge

Array = NDArray[np.float64]
ROUND = (5.0, 10.0, 15.0, 20.0, 30.0, 45.0, 60.0, 90.0, 120.0, 180.0, 240.0, 360.0, 480.0, 720.0)
ASKED = (20.0, 30.0, 60.0, 120.0, 240.0, 480.0, 720.0)
LAWS = ("steady", "two layers", "rate", "heat", "sudden")
KNOWN = LAWS[:4]


@dataclass(frozen=True, slots=True, kw_only=True)
class Asked:
    """One answer beside its truth."""

    law: str
    minutes: float
    truth: float
    low: float
    middle: float
    high: float
    named: str
    worth: bool

    @property
    def inside(self) -> bool:
        """Whether the interval holds the truth."""
        return self.low <= self.truth <= self.high

    @property
    def true_class(self) -> str:
        """The class that the truth falls into."""
        return "lasting" if self.truth >= 0.9 else "months" if self.truth >= 0.75 else "going_back"


def course(law: str, rng: np.random.Generator) -> Callable[[Array], Array]:
    """A settling as a function of minutes: what a reading would show without scatter, 1 at the start or so."""
    # Six in ten gains hold well, the others lose anything up to two thirds.
    loss = abs(rng.normal(0.0, 0.06)) if rng.random() < 0.6 else rng.uniform(0.08, 0.65)
    if law == "steady":
        slope = rng.normal(0.0, 0.004)
        return lambda t: 1.0 + slope * np.log10(1.0 + t)
    if law == "two layers":
        share, quick, slow = rng.uniform(0.2, 0.8), rng.uniform(4, 40), rng.uniform(80, 900)
        return lambda t: 1.0 - loss * (share * (1 - np.exp(-t / quick)) + (1 - share) * (1 - np.exp(-t / slow)))
    if law == "rate":
        grid, left = np.geomspace(0.1, 3000.0, 4000), 1.0
        speed, order = rng.uniform(0.002, 0.08), rng.uniform(1.5, 3.5)
        values, before = [], 0.0
        for t in grid:
            left -= speed * left**order * (t - before)
            left = max(left, 1e-6)
            values.append(left)
            before = t
        whole = np.array(values)
        return lambda t: 1.0 - loss * (1 - np.interp(t, grid, whole, left=1.0))
    if law == "heat":
        warm, tau, slow = rng.normal(0.0, 0.08), rng.uniform(1.0, 6.0), rng.uniform(30, 700)
        # What a warm start shows; at 15 minutes next to nothing is left of it.
        return lambda t: (1.0 + warm * np.exp(-t / tau)) * (1.0 - loss * (1 - np.exp(-t / slow)))
    at, width = rng.uniform(200, 1100), rng.uniform(20, 80)
    return lambda t: 1.0 - loss / (1.0 + np.exp(-(t - at) / width))


def play(law: str, rng: np.random.Generator, knowledge: Knowledge, asked: tuple[float, ...] = ASKED) -> list[Asked]:
    """Read one course and ask after each of the times."""
    shape = course(law, rng)
    truth = float(shape(np.array([1440.0]))[0] / shape(np.array([15.0]))[0])
    level = math.exp(rng.normal(0.0, 1.0)) * 100
    scatter = math.exp(rng.normal(math.log(0.03), 0.4))
    times = np.array(ROUND)
    shown = level * shape(times) * np.exp(scatter * rng.standard_normal(len(times)))
    found = []
    for until in asked:
        rows = [TimedReading(minutes=float(t), value=float(v)) for t, v in zip(times, shown, strict=True) if t <= until]
        fit = fit_settling(rows, knowledge)
        hold = fit.hold_ratio
        found.append(
            Asked(
                law=law,
                minutes=until,
                truth=truth,
                low=hold.p10,
                middle=hold.median,
                high=hold.p90,
                named=max(fit.class_probability, key=lambda name: fit.class_probability[name]),
                worth=fit.worth_having,
            )
        )
    return found


def report(found: list[Asked]) -> None:
    """Print coverage and width against the time waited, for the laws alike the fit's and for the one unlike."""
    for name, laws in (("laws akin to those weighed", KNOWN), ("sudden, a law that is not weighed", ("sudden",))):
        print(f"\n{name}")
        print("  waited   inside 80 %   median width   median miss   worth having   class right when worth")
        for minutes in sorted({one.minutes for one in found}):
            mine = [one for one in found if one.minutes == minutes and one.law in laws]
            if not mine:
                continue
            worth = [one for one in mine if one.worth]
            right = f"{100 * np.mean([one.named == one.true_class for one in worth]):6.0f} %" if worth else "     -"
            print(
                f"  {minutes:5.0f} min  {100 * np.mean([one.inside for one in mine]):7.1f} %  "
                f"{np.median([one.high - one.low for one in mine]):12.3f}  "
                f"{np.median([abs(one.middle - one.truth) for one in mine]):12.3f}  "
                f"{100 * len(worth) / len(mine):11.0f} %  {right}"
            )
    print("\nby law, inside 80 %:  " + "  ".join(f"{minutes:.0f} min" for minutes in ASKED))
    for law in LAWS:
        shares = []
        for minutes in ASKED:
            told = [one.inside for one in found if one.law == law and one.minutes == minutes]
            shares.append(f"{100 * float(np.mean(told)):5.0f}" if told else "    -")
        print(f"  {law:18s}  {'  '.join(shares)}")


def broken(found: list[Asked], knowledge: Knowledge) -> list[str]:
    """What must not be, whatever the coverage: intervals that are none, or that grow as readings come."""
    wrong = [f"{one.law} at {one.minutes:g} min: {one}" for one in found if not 0 < one.low <= one.middle <= one.high]
    width = {
        minutes: float(np.mean([one.high - one.low for one in found if one.minutes == minutes]))
        for minutes in sorted({one.minutes for one in found})
    }
    for (earlier, wide), (later, narrow) in itertools.pairwise(width.items()):
        if narrow > wide * 1.05:
            wrong.append(f"the interval grows on average from {earlier:g} to {later:g} min: {wide:.3f} to {narrow:.3f}")
    # An interval that holds the truth less than half the time it promises is broken, not unlucky.
    akin = [one.inside for one in found if one.law in KNOWN]
    if akin and float(np.mean(akin)) < 0.7:
        wrong.append(f"only {100 * float(np.mean(akin)):.0f} % of the 80 % intervals hold the truth")
    if knowledge.value("settling_first_minutes") != 15 or knowledge.value("settling_rest_minutes") != 1440:
        wrong.append("the truth is taken at other times than the fit's")
    return wrong


def main() -> None:
    """Play, print, and end with 1 if anything is broken."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--courses", type=int, default=400, help="courses in all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="40 courses")
    given = parser.parse_args()
    courses = 40 if given.quick else given.courses
    knowledge = load_knowledge()
    found: list[Asked] = []
    for number in range(courses):
        rng = np.random.default_rng([given.seed, number])
        found += play(LAWS[number % len(LAWS)], rng, knowledge)
    print(f"{courses} simulated settlings, seed {given.seed}")
    report(found)
    wrong = broken(found, knowledge)
    for line in wrong:
        print(f"BROKEN: {line}")
    sys.exit(1 if wrong else 0)


if __name__ == "__main__":
    main()
